/* The way off: at once, again after whatever was pending, read back until confirmed, and at last judged by the current
 * itself. */
#include "daemon/bench/machine.h"

#include "daemon/base/text.h"
#include "daemon/bench/message.h"

#include <math.h>
#include <string.h>

enum { AGAIN_MS = 100, STAYS_ON_MS = 1000, CURRENT_GONE_MS = 1000 };

#define OFF_FRACTION 0.02 /* of the range: more than this a second after off isn't off (common practice, no source) */

static bool switches(const struct bench *bench, const struct unit *unit)
{
    enum role role = dialect_of(bench, unit->instrument)->role;
    return role == AS_LOAD || role == AS_MAINS;
}

/* All channels at once where none of them is wanted on: needs no channel number to be right. */
static bool all_at_once(const struct bench *bench, const struct unit *unit)
{
    size_t channels = 0;
    if (!dialect_of(bench, unit->instrument)->toggle.off_all[0])
        return false;
    for (size_t u = 0; u < bench->units_len; u++) {
        const struct unit *other = &bench->units[u];
        if (other->instrument != unit->instrument)
            continue;
        if (other->ordered_on)
            return false;
        channels++;
    }
    return channels > 1 || !bench->instruments[unit->instrument].identified;
}

const char *off_form(const struct bench *bench, const struct unit *unit)
{
    const struct toggle *toggle = &dialect_of(bench, unit->instrument)->toggle;
    return all_at_once(bench, unit) ? toggle->off_all : toggle->off;
}

void off_wanted(struct unit *unit, int64_t since_us)
{
    if (unit->off == OFF_NONE || since_us < unit->off_since_us)
        unit->off_since_us = since_us;
    unit->ordered_on = false;
    unit->off = OFF_SEND;
    unit->off_not_before_us = 0;
    unit->check_us = unit->off_since_us + CURRENT_GONE_MS * US_PER_MS;
}

/* How long it has stayed on counts from the first off that it can have heard. */
void off_clock(struct unit *unit, int64_t now_us)
{
    unit->off_since_us = now_us;
    unit->check_us = now_us + CURRENT_GONE_MS * US_PER_MS;
}

static void off_outcomes(struct bench *bench, struct unit *unit, enum outcome_state state, int64_t now_us,
                         const char *text)
{
    struct outcome outcome = {.at_us = now_us,
                              .kind = unit->port >= 0 ? ORDER_LOAD_OFF : ORDER_MAINS_OFF,
                              .port = unit->port,
                              .contract = -1,
                              .state = state,
                              .value = state == OUTCOME_DONE ? 0.0 : NAN};
    text_cut(outcome.text, sizeof outcome.text, text);
    for (; unit->off_asked > 0; unit->off_asked--)
        emit_outcome(bench, &outcome);
}

/* Whoever waits for a confirmation is told that there's none; the attempts go on. */
void off_failed(struct bench *bench, struct unit *unit, int64_t now_us, const char *why)
{
    orders_end(bench, unit, now_us, why);
    if (!switches(bench, unit))
        return;
    off_outcomes(bench, unit, OUTCOME_FAILED, now_us, why);
    unit->input_known = false;
}

void off_now(struct bench *bench, struct unit *unit, int64_t now_us)
{
    struct address *address = address_of(bench, unit->instrument);
    char text[MESSAGE_SIZE];
    unit->off = OFF_NONE;
    off_wanted(unit, now_us);
    unit->current_gone = false;
    sample_restart(unit);
    if (!address->up || !message_fill(text, sizeof text, off_form(bench, unit), unit->number, NULL))
        return;
    enum line_cut cut = line_off(&address->line, text, now_us);
    if (cut == CUT_RIDES)
        return; /* off == OFF_SEND: again as soon as the line is free */
    /* What was cut had not gone out whole, and the spoil bytes drop it: its step is done again later. */
    if (cut == CUT_MESSAGE && address->task == TASK_OFF)
        off_wanted(&bench->units[address->unit], bench->units[address->unit].off_since_us);
    if (cut == CUT_MESSAGE && (address->task == TASK_SAMPLE || address->task == TASK_CHECK))
        sample_restart(&bench->units[address->unit]);
    address->task = TASK_OFF;
    address->instrument = unit->instrument;
    address->unit = (int)(unit - bench->units);
}

static bool send_off(struct bench *bench, struct address *address, struct unit *unit, int64_t now_us)
{
    char text[MESSAGE_SIZE];
    if (!message_fill(text, sizeof text, off_form(bench, unit), unit->number, NULL))
        return false;
    line_off(&address->line, text, now_us); /* the line is free: spoil bytes go first if its state is unknown */
    address->task = TASK_OFF;
    address->instrument = unit->instrument;
    address->unit = (int)(unit - bench->units);
    address->free_us = now_us + dialect_of(bench, address->first)->line.shortest_interval_us;
    return true;
}

bool off_schedule(struct bench *bench, struct address *address, int64_t now_us)
{
    for (size_t u = 0; u < bench->units_len; u++) {
        struct unit *unit = &bench->units[u];
        if (address_of(bench, unit->instrument) != address || unit->off != OFF_SEND)
            continue;
        if (now_us >= unit->off_not_before_us)
            return send_off(bench, address, unit, now_us);
        wake_at(address, unit->off_not_before_us);
    }
    return false;
}

static void settle_off(struct bench *bench, struct unit *unit, enum outcome_state state, int64_t now_us)
{
    unit->off = OFF_NONE;
    unit->input_on = false;
    unit->input_known = state == OUTCOME_DONE;
    unit->may_be_on = unit->may_be_on && state != OUTCOME_DONE;
    unit->stays_on_said = unit->stays_on_said && state != OUTCOME_DONE;
    unit->trips_due = true;
    unit->look_due_us = now_us;
    off_outcomes(bench, unit, state, now_us,
                 state == OUTCOME_DONE ? "" : "off was sent; this instrument can't be asked whether it is");
}

static void sent_to(struct bench *bench, struct unit *unit, int64_t now_us)
{
    const struct dialect *dialect = dialect_of(bench, unit->instrument);
    unit->off = OFF_READ;
    if (dialect->toggle.query[0])
        return;
    settle_off(bench, unit, OUTCOME_UNCONFIRMED, now_us);
    unit->check_us = now_us + AGAIN_MS * US_PER_MS;
}

void off_sent(struct bench *bench, struct unit *unit, int64_t now_us)
{
    bool all = all_at_once(bench, unit);
    for (size_t u = 0; u < bench->units_len; u++) {
        struct unit *other = &bench->units[u];
        if (other == unit || (all && other->instrument == unit->instrument && other->off == OFF_SEND))
            sent_to(bench, other, now_us);
    }
}

bool off_read_schedule(struct bench *bench, struct address *address, int64_t now_us)
{
    for (size_t u = 0; u < bench->units_len; u++) {
        struct unit *unit = &bench->units[u];
        const struct dialect *dialect = dialect_of(bench, unit->instrument);
        if (address_of(bench, unit->instrument) != address || unit->off != OFF_READ ||
            !bench->instruments[unit->instrument].identified)
            continue;
        if (say_form(bench, address, TASK_OFF_READ, unit->instrument, (int)u, dialect->toggle.query, NULL, true,
                     now_us))
            return true;
    }
    return false;
}

const char *cut_mains(struct bench *bench, const struct unit *load, int64_t now_us)
{
    if (bench->mains_unit < 0 || &bench->units[bench->mains_unit] == load)
        return "off is repeated";
    struct unit *mains = &bench->units[bench->mains_unit];
    orders_end(bench, mains, now_us, "a load doesn't go off");
    mains->off_ordered = true;
    off_now(bench, mains, now_us);
    return "the mains goes off too, and off is repeated";
}

/* Its own communications time-out may turn it off some seconds later, if it has one: not waited for. */
const char *off_out_of_reach(struct bench *bench, const struct address *address, int64_t now_us)
{
    const char *done = "";
    for (size_t u = 0; u < bench->units_len; u++) {
        struct unit *unit = &bench->units[u];
        bool load = dialect_of(bench, unit->instrument)->role == AS_LOAD;
        if (address_of(bench, unit->instrument) != address || !load || !unit->may_be_on)
            continue;
        unit->may_be_on = false; /* once */
        cut_mains(bench, unit, now_us);
        done = bench->mains_unit >= 0 ? "; it may still be on, so the mains goes off" : "; it may still be on";
    }
    return done;
}

static void still_on(struct bench *bench, struct unit *unit, int64_t now_us)
{
    unit->off = OFF_SEND;
    unit->off_not_before_us = now_us + AGAIN_MS * US_PER_MS;
    unit->input_known = unit->input_on = true;
    if (now_us - unit->off_since_us < STAYS_ON_MS * US_PER_MS || unit->stays_on_said)
        return;
    unit->stays_on_said = true;
    emit_finding(bench, FINDING_INPUT_ON, SEVERITY_ABORT, unit->port, now_us,
                 "%s says it is on %.1f s after it was turned off; %s", instrument_name(bench, unit->instrument),
                 (double)(now_us - unit->off_since_us) / US_PER_S, cut_mains(bench, unit, now_us));
    off_outcomes(bench, unit, OUTCOME_FAILED, now_us, "it says that it is still on; off is repeated");
}

bool off_answered(struct bench *bench, struct unit *unit, const char *answer, int64_t now_us)
{
    const struct toggle *toggle = &dialect_of(bench, unit->instrument)->toggle;
    if (unit->off != OFF_READ) /* ordered off once more while this was asked: the answer may be older than that */
        return true;
    if (strcmp(answer, toggle->answer_off) == 0)
        settle_off(bench, unit, OUTCOME_DONE, now_us);
    else if (strcmp(answer, toggle->answer_on) == 0)
        still_on(bench, unit, now_us);
    else
        return false;
    return true;
}

void off_judge_amps(struct bench *bench, struct unit *unit, double amps, int64_t asked_us, int64_t now_us)
{
    double range = bench->setup.instruments[unit->instrument].max_amps, limit = range * OFF_FRACTION;
    bool confirmable = dialect_of(bench, unit->instrument)->toggle.query[0] != '\0';
    if (unit->ordered_on || !(range > 0.0) || isnan(amps) || unit->off == OFF_SEND)
        return;
    if (fabs(amps) <= limit) {
        unit->current_gone = true;
        unit->current_seen = false;
        if (asked_us - unit->off_since_us >= CURRENT_GONE_MS * US_PER_MS || !confirmable) {
            unit->check_us = NEVER_US;
            unit->stays_on_said = unit->may_be_on = false;
        }
        return;
    }
    unit->current_gone = false;
    if (asked_us - unit->off_since_us < CURRENT_GONE_MS * US_PER_MS) {
        unit->check_us = confirmable ? unit->off_since_us + CURRENT_GONE_MS * US_PER_MS : now_us + AGAIN_MS * US_PER_MS;
        return;
    }
    if (unit->current_seen && !unit->stays_on_said) { /* one noisy answer decides nothing but a second look */
        emit_finding(
            bench, FINDING_INPUT_ON, SEVERITY_ABORT, unit->port, now_us,
            "%s still draws %.3f A %.1f s after it was turned off, more than %.3f A (2 %% of max_amps, bench file); %s",
            instrument_name(bench, unit->instrument), amps, (double)(now_us - unit->off_since_us) / US_PER_S, limit,
            cut_mains(bench, unit, now_us));
        unit->stays_on_said = true;
    }
    off_wanted(unit, unit->off_since_us);
    unit->off_not_before_us = unit->current_seen ? now_us + AGAIN_MS * US_PER_MS : 0;
    unit->check_us = now_us;
    unit->current_seen = true;
}

/* ---- recipes: what others need to turn it off without us ---- */

static size_t put_bytes(unsigned char *to, size_t size, const char *text, const char *end)
{
    size_t len = strlen(text), end_len = strlen(end);
    if (!len || len + end_len > size)
        return 0;
    memcpy(to, text, len);
    memcpy(to + len, end, end_len);
    return len + end_len;
}

static bool recipe_of(const struct bench *bench, const struct unit *unit, struct off_recipe *ret)
{
    const struct dialect *dialect = dialect_of(bench, unit->instrument);
    const char *end = message_end(dialect);
    char text[MESSAGE_SIZE];
    *ret =
        (struct off_recipe){.line = bench->instruments[unit->instrument].address, .mains = dialect->role == AS_MAINS};
    if (unit->port >= 0 && unit->number != 1) {
        text_cut(ret->name, sizeof ret->name - 4, instrument_name(bench, unit->instrument));
        text_add(ret->name, sizeof ret->name, ":%d", unit->number);
    } else {
        text_copy(ret->name, sizeof ret->name, instrument_name(bench, unit->instrument));
    }
    ret->spoil_len = put_bytes(ret->spoil, sizeof ret->spoil, dialect->line.spoil, end);
    if (!message_fill(text, sizeof text, dialect->toggle.off_all[0] ? dialect->toggle.off_all : dialect->toggle.off,
                      unit->number, NULL))
        return false;
    ret->off_len = put_bytes(ret->off, sizeof ret->off, text, end);
    if (dialect->toggle.query[0] && message_fill(text, sizeof text, dialect->toggle.query, unit->number, NULL))
        ret->query_len = put_bytes(ret->query, sizeof ret->query, text, end);
    ret->answer_off_len =
        ret->query_len ? put_bytes(ret->answer_off, sizeof ret->answer_off, dialect->toggle.answer_off, "") : 0;
    return ret->off_len > 0;
}

size_t bench_off_recipes(const struct bench *bench, struct off_recipe ret[], size_t max)
{
    size_t count = 0;
    for (size_t u = 0; u < bench->units_len && count < max; u++)
        if (switches(bench, &bench->units[u]) && recipe_of(bench, &bench->units[u], &ret[count]))
            count++;
    return count;
}

void bench_off_all(struct bench *bench, int64_t now_us)
{
    bench->sampling = false;
    for (size_t u = 0; u < bench->units_len; u++) {
        struct unit *unit = &bench->units[u];
        orders_end(bench, unit, now_us, "overtaken by off");
        unit->ordered_on = dialect_of(bench, unit->instrument)->role == AS_LOAD ? false : unit->ordered_on;
    }
    for (size_t u = 0; u < bench->units_len; u++)
        if (dialect_of(bench, bench->units[u].instrument)->role == AS_LOAD)
            off_now(bench, &bench->units[u], now_us);
}
