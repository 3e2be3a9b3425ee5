/* What a free line asks next, and what becomes of what was asked. */
#include "daemon/bench/machine.h"

#include "daemon/base/text.h"
#include "daemon/bench/message.h"

#include <stdio.h>
#include <string.h>

static int64_t silence_us(const struct bench *bench)
{
    return bench->setup.tolerate_silence_us > 0 ? bench->setup.tolerate_silence_us : US_PER_S;
}

/* ---- resynchronisation ---- */

/* An instrument on this line that was identified before: what it says to that question can be predicted. */
static int known_instrument(const struct bench *bench, const struct address *address)
{
    for (size_t i = 0; i < bench->setup.instruments_len; i++)
        if (&bench->addresses[bench->instruments[i].address] == address && bench->instruments[i].identified)
            return (int)i;
    return -1;
}

static void resync(struct bench *bench, struct address *address, int64_t now_us)
{
    const struct dialect *dialect = dialect_of(bench, address->first);
    char text[MESSAGE_SIZE] = "", want[SENTENCE_SIZE] = "";
    int known = known_instrument(bench, address);
    bench->instruments[address->first].resyncs++;
    address->task = TASK_SYNC;
    address->free_us = now_us + dialect->line.shortest_interval_us;
    if (dialect->nonce[0]) {
        int span = dialect->nonce_high - dialect->nonce_low + 1;
        snprintf(want, sizeof want, "%d", dialect->nonce_low + (int)(bench_random(bench) % (uint64_t)span));
        message_fill(text, sizeof text, dialect->nonce, 1, want);
        line_resync(&address->line, text, want, dialect->line.shortest_interval_us == 0, now_us);
    } else if (known >= 0) {
        message_fill(text, sizeof text, dialect_of(bench, known)->identity_query, 1, NULL);
        line_resync(&address->line, text, bench->instruments[known].identity, false, now_us);
    } else {
        line_resync(&address->line, NULL, NULL, false, now_us);
    }
}

/* ---- silence ---- */

static void lose(struct bench *bench, struct address *address, int64_t now_us)
{
    double seconds = (double)(now_us - address->silent_us) / US_PER_S;
    const char *done = off_out_of_reach(bench, address, now_us);
    const char *nothing = address->babbled ? "nothing that can be understood (garbage, or answers too late or cut short)" : "nothing";
    for (size_t i = 0; i < bench->setup.instruments_len; i++) {
        struct instrument *instrument = &bench->instruments[i];
        if (&bench->addresses[instrument->address] != address)
            continue;
        up_restart(bench, (int)i, now_us);
        snprintf(instrument->trouble, sizeof instrument->trouble, "has answered %s for %.1f s", nothing, seconds);
        if (!address->lost)
            emit_finding(bench, FINDING_LINK, SEVERITY_ABORT, -1, now_us,
                         "%s has answered %s for %.1f s, more than the %.1f s of the profile (tolerate_silence)%s",
                         instrument_name(bench, (int)i), nothing, seconds, (double)silence_us(bench) / US_PER_S, done);
    }
    for (size_t u = 0; u < bench->units_len; u++)
        if (address_of(bench, bench->units[u].instrument) == address)
            off_failed(bench, &bench->units[u], now_us, "the instrument doesn't answer; off is repeated until it does");
    address->lost = true;
}

int64_t silence_due_us(const struct bench *bench, const struct address *address)
{
    return address->silent_us == NEVER_US || address->lost ? NEVER_US : address->silent_us + silence_us(bench);
}

/* Not only when the next time-out says so. */
void silence_tick(struct bench *bench, struct address *address, int64_t now_us)
{
    if (now_us >= silence_due_us(bench, address))
        lose(bench, address, now_us);
}

static void note_silence(struct bench *bench, struct address *address, int64_t now_us)
{
    int64_t asked = address->line.said_us;
    if (address->silent_us == NEVER_US)
        address->silent_us = asked < now_us ? asked : now_us;
    silence_tick(bench, address, now_us);
    if (address->lost)
        address->free_us = now_us + 100 * US_PER_MS; /* a dead instrument is asked gently */
}

static void back_again(struct bench *bench, struct address *address, int64_t now_us)
{
    for (size_t i = 0; i < bench->setup.instruments_len; i++) {
        if (&bench->addresses[bench->instruments[i].address] != address)
            continue;
        bench->instruments[i].trouble[0] = '\0';
        if (address->lost) {
            emit_finding(bench, FINDING_LINK, SEVERITY_NOTE, -1, now_us, "%s answers again",
                         instrument_name(bench, (int)i));
            bench->findings[(bench->findings_at.from + bench->findings_at.len - 1) % RING].over = true;
        }
    }
    address->lost = false;
}

static void note_answer(struct bench *bench, struct address *address, int64_t now_us)
{
    struct instrument *instrument = &bench->instruments[address->instrument];
    instrument->answers++;
    instrument->answered_us = now_us;
    address->silent_us = NEVER_US;
    address->babbled = false;
    if (address->lost)
        back_again(bench, address, now_us);
}

/* ---- events ---- */

void distrust(struct bench *bench, struct address *address, int64_t now_us)
{
    enum task task = address->task;
    int unit = address->unit;
    address->task = TASK_NONE;
    address->must_sync = true;
    switch (task) {
    case TASK_OFF:
    case TASK_OFF_READ:
        off_wanted(&bench->units[unit], bench->units[unit].off_since_us); /* again, from the start */
        break;
    case TASK_UP:
        up_failed(bench, address->instrument, now_us);
        break;
    case TASK_ORDER:
        order_failed(bench, &bench->units[unit], now_us);
        break;
    case TASK_LOOK:
        look_failed(bench, &bench->units[unit], now_us);
        break;
    case TASK_CHECK:
    case TASK_SAMPLE:
        sample_restart(&bench->units[unit]);
        break;
    case TASK_CELSIUS:
    case TASK_SYNC:
    case TASK_NONE:
        break;
    }
}

static void message_out(struct bench *bench, struct address *address, int64_t now_us)
{
    enum task task = address->task;
    address->task = TASK_NONE;
    switch (task) {
    case TASK_OFF:
        off_sent(bench, &bench->units[address->unit], now_us);
        break;
    case TASK_UP:
        up_done(bench, address->instrument, now_us);
        break;
    case TASK_ORDER:
        order_done(bench, &bench->units[address->unit], now_us);
        break;
    case TASK_LOOK:
        look_done(bench, &bench->units[address->unit], now_us);
        break;
    default:
        break;
    }
    if (address->line.unknown)
        address->must_sync = true;
}

static bool take_answer(struct bench *bench, struct address *address, enum task task, int64_t now_us)
{
    const char *answer = address->line.answer;
    struct unit *unit = address->unit >= 0 ? &bench->units[address->unit] : NULL;
    switch (task) {
    case TASK_OFF_READ:
        return off_answered(bench, unit, answer, now_us);
    case TASK_UP:
        return up_answered(bench, address->instrument, answer, now_us);
    case TASK_ORDER:
        return order_answered(bench, unit, answer, now_us);
    case TASK_LOOK:
        return look_answered(bench, unit, answer, now_us);
    case TASK_CHECK:
    case TASK_SAMPLE:
        return sample_answered(bench, unit, answer, address->line.asked_us, now_us, task == TASK_CHECK);
    case TASK_CELSIUS:
        return celsius_answered(bench, address->instrument, answer, now_us);
    default:
        return true; /* of an order that off overtook */
    }
}

static void answered(struct bench *bench, struct address *address, int64_t now_us)
{
    enum task task = address->task;
    if (take_answer(bench, address, task, now_us)) {
        if (task != TASK_NONE)
            note_answer(bench, address, now_us);
        if (address->task == task)
            address->task = TASK_NONE;
        return;
    }
    bench->instruments[address->instrument].garbage++;
    address->line.unknown = true;
    note_silence(bench, address, now_us);
    address->babbled = true;
    distrust(bench, address, now_us);
}

/* That the line is in step again isn't yet an answer to a question that matters: silence counts on until there is one.
 */
static void synced(struct bench *bench, struct address *address, int64_t now_us)
{
    address->task = TASK_NONE;
    address->must_sync = false;
    address->was_resynced = true;
    for (size_t u = 0; u < bench->units_len; u++) {
        struct unit *unit = &bench->units[u];
        if (address_of(bench, unit->instrument) != address)
            continue;
        unit->look_due_us = now_us; /* silence may have been a power cycle: look at once */
        if (unit->off ==
            OFF_READ) /* what went out on an unknown line may not have arrived: once more, on a known one */
            off_wanted(unit, unit->off_since_us);
        if (unit->off != OFF_NONE && address->silent_us != NEVER_US)
            off_clock(unit, now_us);
    }
}

void handle_event(struct bench *bench, struct address *address, enum line_event event, int64_t now_us)
{
    switch (event) {
    case LINE_NOTHING:
        return;
    case LINE_DONE:
        message_out(bench, address, now_us);
        break;
    case LINE_ANSWERED:
        answered(bench, address, now_us);
        break;
    case LINE_TIMED_OUT:
        bench->instruments[address->instrument].timeouts++;
        note_silence(bench, address, now_us);
        distrust(bench, address, now_us);
        break;
    case LINE_ASTRAY:
        bench->instruments[address->first].garbage++;
        address->babbled = true;
        distrust(bench, address, now_us);
        break;
    case LINE_SYNCED:
        synced(bench, address, now_us);
        break;
    case LINE_NOT_SYNCED:
        address->task = TASK_NONE;
        address->must_sync = true;
        note_silence(bench, address, now_us);
        for (size_t u = 0; u < bench->units_len; u++) {
            struct unit *unit = &bench->units[u];
            if (address_of(bench, unit->instrument) == address && unit->off == OFF_READ)
                off_wanted(unit, unit->off_since_us);
        }
        break;
    }
    schedule(bench, address, now_us);
}

/* ---- what next ---- */

void schedule(struct bench *bench, struct address *address, int64_t now_us)
{
    static bool (*const wishes[])(struct bench *, struct address *, int64_t) = {
        off_read_schedule, up_schedule,      order_schedule,  look_schedule,
        check_schedule,    celsius_schedule, sample_schedule,
    };
    if (!address->up || address->line.phase != LINE_FREE)
        return;
    address->next_us = NEVER_US;
    if (now_us < address->free_us) {
        wake_at(address, address->free_us);
        return;
    }
    if (off_schedule(bench, address, now_us))
        return;
    if (address->must_sync || address->line.unknown) {
        resync(bench, address, now_us);
        return;
    }
    for (size_t i = 0; i < sizeof wishes / sizeof wishes[0]; i++)
        if (wishes[i](bench, address, now_us))
            return;
}
