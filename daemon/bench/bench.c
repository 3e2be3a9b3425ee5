#include "daemon/bench/machine.h"

#include "daemon/base/text.h"
#include "daemon/bench/message.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* ---- what comes out ---- */

/* Where the next entry goes. A full ring gives up its oldest: the caller didn't look for RING entries. */
static size_t ring_put(struct ring *ring)
{
    if (ring->len == RING) {
        ring->from = (ring->from + 1) % RING;
        ring->len--;
    }
    return (ring->from + ring->len++) % RING;
}

static bool ring_take(struct ring *ring, size_t *ret)
{
    if (!ring->len)
        return false;
    *ret = ring->from;
    ring->from = (ring->from + 1) % RING;
    ring->len--;
    return true;
}

void emit_reading(struct bench *bench, const struct reading *reading)
{
    bench->readings[ring_put(&bench->readings_at)] = *reading;
}

void emit_outcome(struct bench *bench, const struct outcome *outcome)
{
    bench->outcomes[ring_put(&bench->outcomes_at)] = *outcome;
}

void emit_finding(struct bench *bench, enum finding_kind kind, enum severity severity, int port, int64_t now_us,
                  const char *format, ...)
{
    struct finding *finding = &bench->findings[ring_put(&bench->findings_at)];
    va_list args;
    *finding = (struct finding){.at_us = now_us,
                                .since_us = now_us,
                                .kind = kind,
                                .severity = severity,
                                .port = port,
                                .contract = -1,
                                .volts = NAN,
                                .amps = NAN,
                                .limit = NAN,
                                .period_s = NAN,
                                .duty = NAN};
    va_start(args, format);
    vsnprintf(finding->text, sizeof finding->text, format, args);
    va_end(args);
}

bool bench_next_reading(struct bench *bench, struct reading *ret)
{
    size_t i;
    if (!ring_take(&bench->readings_at, &i))
        return false;
    *ret = bench->readings[i];
    return true;
}

bool bench_next_outcome(struct bench *bench, struct outcome *ret)
{
    size_t i;
    if (!ring_take(&bench->outcomes_at, &i))
        return false;
    *ret = bench->outcomes[i];
    return true;
}

bool bench_next_finding(struct bench *bench, struct finding *ret)
{
    size_t i;
    if (!ring_take(&bench->findings_at, &i))
        return false;
    *ret = bench->findings[i];
    return true;
}

const char *instrument_name(const struct bench *bench, int instrument)
{
    return bench->setup.instruments[instrument].name;
}

/* splitmix64: reproducible from the seed */
uint64_t bench_random(struct bench *bench)
{
    uint64_t z = bench->random += 0x9e3779b97f4a7c15u;
    z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9u;
    z = (z ^ (z >> 27)) * 0x94d049bb133111ebu;
    return z ^ (z >> 31);
}

/* ---- a new bench ---- */

static int refuse(const struct bench *bench, int instrument, struct error *err, const char *what)
{
    return error_set(err, ERROR_FILE, "%s: %s", instrument_name(bench, instrument), what);
}

static int add_unit(struct bench *bench, int instrument, int number, int port)
{
    for (size_t i = 0; i < bench->units_len; i++)
        if (bench->units[i].instrument == instrument && bench->units[i].number == number)
            return (int)i;
    struct unit *unit = &bench->units[bench->units_len];
    *unit = (struct unit){.instrument = instrument,
                          .number = number,
                          .port = port,
                          .check_us = NEVER_US,
                          .off_not_before_us = 0,
                          .look_due_us = 0,
                          .contract = -1,
                          .set_point = NAN,
                          .off = OFF_NONE};
    return (int)bench->units_len++;
}

static bool is_instrument(const struct bench *bench, int i, enum role role)
{
    return i >= 0 && (size_t)i < bench->setup.instruments_len && dialect_of(bench, i)->role == role;
}

static int same_manners(const struct bench *bench, int instrument, const struct dialect *first, struct error *err)
{
    const struct dialect *dialect = dialect_of(bench, instrument);
    if (first->line.message_end != dialect->line.message_end || first->line.answer_end != dialect->line.answer_end ||
        first->line.echo != dialect->line.echo || strcmp(first->line.spoil, dialect->line.spoil) != 0)
        return error_set(
            err, ERROR_FILE,
            "%s: dialect %s can't share a line with dialect %s, expected the same line ends, echo and spoil bytes",
            instrument_name(bench, instrument), dialect->name, first->name);
    return 0;
}

static int add_instrument(struct bench *bench, int i, struct error *err)
{
    const struct bench_setup_instrument *setup = &bench->setup.instruments[i];
    if (!setup->dialect || setup->line < 0 || setup->line >= BENCH_LINES_MAX)
        return refuse(bench, i, err, "has no dialect or no line");
    struct address *address = &bench->addresses[setup->line];
    bench->instruments[i].address = setup->line;
    bench->instruments[i].answered_us = NEVER_US;
    if (address->first >= 0)
        return same_manners(bench, i, dialect_of(bench, address->first), err);
    address->first = i;
    line_start(&address->line, setup->dialect, setup->baud);
    if ((size_t)setup->line >= bench->addresses_len)
        bench->addresses_len = (size_t)setup->line + 1;
    return 0;
}

static int add_seats(struct bench *bench, struct error *err)
{
    for (size_t port = 0; port < bench->setup.seats_len; port++) {
        const struct bench_setup_seat *seat = &bench->setup.seats[port];
        if (!is_instrument(bench, seat->load, AS_LOAD))
            return error_set(err, ERROR_FILE,
                             "seat %zu has no load, expected an instrument whose dialect has the role load", port + 1);
        bench->load_unit[port] = add_unit(bench, seat->load, seat->channel, (int)port);
        if (bench->units[bench->load_unit[port]].port != (int)port)
            return error_set(err, ERROR_FILE, "seats share channel %d of %s, expected one channel a seat",
                             seat->channel, instrument_name(bench, seat->load));
        if (seat->selector < 0)
            continue;
        if (!is_instrument(bench, seat->selector, AS_SELECTOR))
            return error_set(err, ERROR_FILE, "seat %zu: its selector's dialect has another role, expected selector",
                             port + 1);
        bench->selector_unit[port] = add_unit(bench, seat->selector, seat->selector_channel, (int)port);
    }
    return 0;
}

/* A load that no seat uses is turned off and watched all the same. */
static void add_unseated(struct bench *bench)
{
    for (size_t i = 0; i < bench->setup.instruments_len; i++) {
        bool seated = false;
        for (size_t u = 0; u < bench->units_len; u++)
            seated = seated || bench->units[u].instrument == (int)i;
        if (!seated && dialect_of(bench, (int)i)->role == AS_LOAD && bench->units_len < UNITS_MAX)
            add_unit(bench, (int)i, 1, -1);
    }
}

static int build(struct bench *bench, struct error *err)
{
    for (size_t i = 0; i < BENCH_LINES_MAX; i++)
        bench->addresses[i].first = -1;
    for (size_t port = 0; port < PORTS_MAX; port++)
        bench->load_unit[port] = bench->selector_unit[port] = -1;
    for (size_t i = 0; i < bench->setup.instruments_len; i++)
        if (add_instrument(bench, (int)i, err) < 0)
            return -1;
    if (add_seats(bench, err) < 0)
        return -1;
    add_unseated(bench);
    if (bench->setup.mains >= 0 && !is_instrument(bench, bench->setup.mains, AS_MAINS))
        return error_set(err, ERROR_FILE, "the mains switch's dialect has another role, expected mains");
    bench->mains_unit = bench->setup.mains < 0 ? -1 : add_unit(bench, bench->setup.mains, 1, -1);
    for (size_t i = 0; i < bench->setup.probes_len; i++)
        if (!is_instrument(bench, bench->setup.probes[i].thermometer, AS_THERMOMETER))
            return error_set(err, ERROR_FILE,
                             "probe %zu: its instrument's dialect has another role, expected thermometer", i + 1);
    return 0;
}

static bool setup_fits(const struct bench_setup *setup)
{
    return setup->instruments_len <= BENCH_INSTRUMENTS_MAX && setup->seats_len <= PORTS_MAX &&
           setup->probes_len <= PROBES_MAX;
}

struct bench *bench_new(const struct bench_setup *setup, struct error *err)
{
    if (!setup_fits(setup)) {
        error_set(err, ERROR_FILE, "more instruments, seats or probes than a bench takes (%d, %d, %d)",
                  BENCH_INSTRUMENTS_MAX, PORTS_MAX, PROBES_MAX);
        return NULL;
    }
    struct bench *bench = calloc(1, sizeof *bench);
    if (!bench) {
        error_set(err, ERROR_MEMORY, "no memory for a bench");
        return NULL;
    }
    bench->setup = *setup;
    bench->random = setup->seed;
    for (size_t i = 0; i < PROBES_MAX; i++) {
        bench->celsius[i] = NAN;
        bench->celsius_us[i] = NEVER_US;
    }
    if (build(bench, err) < 0) {
        bench_free(bench);
        return NULL;
    }
    for (size_t i = 0; i < setup->instruments_len; i++)
        if (dialect_of(bench, (int)i)->role == AS_LOAD)
            sample_leave_out(bench, (int)i);
    return bench;
}

void bench_free(struct bench *bench)
{
    free(bench);
}

size_t bench_lines(const struct bench *bench)
{
    return bench->addresses_len;
}

/* ---- saying ---- */

void wake_at(struct address *address, int64_t at_us)
{
    if (at_us < address->next_us)
        address->next_us = at_us;
}

bool say(struct bench *bench, struct address *address, enum task task, int instrument, int unit, const char *text,
         bool expects, int64_t now_us)
{
    if (!line_say(&address->line, text, expects, now_us))
        return false;
    address->task = task;
    address->instrument = instrument;
    address->unit = unit;
    address->free_us = now_us + dialect_of(bench, address->first)->line.shortest_interval_us;
    return true;
}

bool say_form(struct bench *bench, struct address *address, enum task task, int instrument, int unit, const char *form,
              const char *value, bool expects, int64_t now_us)
{
    char text[MESSAGE_SIZE];
    int number = unit >= 0 ? bench->units[unit].number : 1;
    return message_fill(text, sizeof text, form, number, value) &&
           say(bench, address, task, instrument, unit, text, expects, now_us);
}

bool say_setting(struct bench *bench, struct address *address, enum task task, int instrument, int unit,
                 const char *send, const char *query, const char *value, bool *ret_joined, int64_t now_us)
{
    char set[MESSAGE_SIZE], ask[MESSAGE_SIZE], both[MESSAGE_SIZE];
    int number = unit >= 0 ? bench->units[unit].number : 1;
    *ret_joined = false;
    if (!message_fill(set, sizeof set, send, number, value))
        return false;
    *ret_joined = query[0] && message_fill(ask, sizeof ask, query, number, NULL) &&
                  message_join(both, sizeof both, dialect_of(bench, instrument), set, ask);
    return say(bench, address, task, instrument, unit, *ret_joined ? both : set, *ret_joined, now_us);
}

bool near_enough(const struct command *command, double sent, double said)
{
    double step = command->scale * pow(10.0, -command->decimals);
    double within = fabs(sent) * command->within;
    return fabs(said - sent) <= (within > 2.0 * step ? within : 2.0 * step);
}

/* ---- lines ---- */

void bench_line_up(struct bench *bench, size_t line, int64_t now_us)
{
    struct address *address = &bench->addresses[line];
    if (line >= bench->addresses_len || address->first < 0)
        return;
    const struct bench_setup_instrument *first = &bench->setup.instruments[address->first];
    line_start(&address->line, first->dialect, first->baud);
    address->line.in_message = true; /* nobody knows what a dead writer left there */
    address->up = address->must_sync = true;
    address->task = TASK_NONE;
    address->silent_us = NEVER_US;
    address->free_us = now_us;
    for (size_t i = 0; i < bench->setup.instruments_len; i++)
        if (bench->instruments[i].address == (int)line)
            up_restart(bench, (int)i, now_us);
    schedule(bench, address, now_us);
}

void bench_line_down(struct bench *bench, size_t line, int64_t now_us, const char *why)
{
    struct address *address = &bench->addresses[line];
    if (line >= bench->addresses_len || address->first < 0 || !address->up)
        return;
    address->up = false;
    address->task = TASK_NONE;
    const char *done = off_out_of_reach(bench, address, now_us);
    line_start(&address->line, dialect_of(bench, address->first), bench->setup.instruments[address->first].baud);
    for (size_t i = 0; i < bench->setup.instruments_len; i++) {
        if (bench->instruments[i].address != (int)line)
            continue;
        up_restart(bench, (int)i, now_us);
        text_cut(bench->instruments[i].trouble, SENTENCE_SIZE, why);
        if (!address->lost)
            emit_finding(bench, FINDING_LINK, SEVERITY_ABORT, -1, now_us, "%s: the line is lost (%s)%s",
                         instrument_name(bench, (int)i), why, done);
    }
    for (size_t u = 0; u < bench->units_len; u++)
        if (address_of(bench, bench->units[u].instrument) == address)
            off_failed(bench, &bench->units[u], now_us, "the line is lost; off is repeated as soon as it is back");
    address->lost = true;
}

void bench_bytes(struct bench *bench, size_t line, const void *bytes, size_t len, int64_t now_us)
{
    const unsigned char *from = bytes;
    struct address *address = &bench->addresses[line];
    if (line >= bench->addresses_len || !address->up)
        return;
    for (size_t i = 0; i < len; i++)
        handle_event(bench, address, line_hear(&address->line, from[i], now_us), now_us);
}

const void *bench_pending(const struct bench *bench, size_t line, size_t *ret_len)
{
    const struct address *address = &bench->addresses[line];
    *ret_len = line < bench->addresses_len && address->up ? address->line.tx_len - address->line.tx_sent : 0;
    return address->line.tx + address->line.tx_sent;
}

void bench_sent(struct bench *bench, size_t line, size_t len, int64_t now_us)
{
    struct address *address = &bench->addresses[line];
    if (line < bench->addresses_len && address->up)
        handle_event(bench, address, line_sent(&address->line, len, now_us), now_us);
}

void bench_tick(struct bench *bench, int64_t now_us)
{
    for (size_t i = 0; i < bench->addresses_len; i++) {
        struct address *address = &bench->addresses[i];
        if (!address->up)
            continue;
        handle_event(bench, address, line_tick(&address->line, now_us), now_us);
        silence_tick(bench, address, now_us);
        schedule(bench, address, now_us);
    }
}

int64_t bench_due_us(const struct bench *bench)
{
    int64_t due = NEVER_US;
    for (size_t i = 0; i < bench->addresses_len; i++) {
        const struct address *address = &bench->addresses[i];
        if (!address->up)
            continue;
        int64_t here = address->line.phase == LINE_FREE ? address->next_us : line_due_us(&address->line);
        int64_t silence = silence_due_us(bench, address);
        here = silence < here ? silence : here;
        due = here < due ? here : due;
    }
    return due;
}

/* ---- states ---- */

void bench_sampling(struct bench *bench, bool on)
{
    bench->sampling = on;
    for (size_t u = 0; u < bench->units_len; u++)
        if (on)
            sample_restart(&bench->units[u]);
    for (size_t i = 0; i < bench->addresses_len; i++)
        bench->addresses[i].next_us = 0; /* look again at the next tick */
}

void bench_hold_back(struct bench *bench, int64_t period_us)
{
    bench->held_back_us = period_us;
}

static bool unit_is_off(const struct bench *bench, const struct unit *unit)
{
    if (dialect_of(bench, unit->instrument)->role != AS_LOAD)
        return true;
    if (unit->ordered_on || unit->off != OFF_NONE || unit->stays_on_said)
        return false;
    return unit->input_known ? !unit->input_on : unit->current_gone;
}

bool bench_all_off(const struct bench *bench)
{
    for (size_t u = 0; u < bench->units_len; u++)
        if (!unit_is_off(bench, &bench->units[u]))
            return false;
    return true;
}

static bool off_pending(const struct bench *bench, int instrument)
{
    for (size_t u = 0; u < bench->units_len; u++)
        if (bench->units[u].instrument == instrument && bench->units[u].off != OFF_NONE)
            return true;
    return false;
}

static void say_not_ready(const struct bench *bench, int instrument, char *ret, size_t size)
{
    const struct instrument *from = &bench->instruments[instrument];
    if (from->trouble[0])
        text_add(ret, size, "%s: %s", instrument_name(bench, instrument), from->trouble);
    else if (bench->addresses[from->address].up && from->ever_identified && off_pending(bench, instrument))
        text_add(ret, size, "%s: says it is \"%.100s\", but doesn't confirm that it is off: is it what the bench file says, and \"%s\" its dialect?",
                 instrument_name(bench, instrument), from->identity, dialect_of(bench, instrument)->name);
    else
        text_add(ret, size, "%s: %s", instrument_name(bench, instrument),
                 bench->addresses[from->address].up ? "still being identified" : "its line isn't open");
}

bool bench_ready(const struct bench *bench, char *why_not, size_t size)
{
    if (size)
        why_not[0] = '\0';
    for (size_t i = 0; i < bench->setup.instruments_len; i++) {
        const struct instrument *instrument = &bench->instruments[i];
        if (bench->addresses[instrument->address].up && instrument->identified && instrument->up_step < 0)
            continue;
        say_not_ready(bench, (int)i, why_not, size);
        return false;
    }
    for (size_t u = 0; u < bench->units_len; u++) {
        const struct unit *unit = &bench->units[u];
        if (!unit->orders_len && unit->off == OFF_NONE)
            continue;
        text_add(why_not, size, "%s: %s", instrument_name(bench, unit->instrument),
                 unit->off != OFF_NONE ? "off isn't confirmed yet" : "an order is under way");
        return false;
    }
    return true;
}

void bench_instrument_state(const struct bench *bench, size_t instrument, struct bench_state *ret)
{
    const struct instrument *from = &bench->instruments[instrument];
    *ret = (struct bench_state){.up = bench->addresses[from->address].up,
                                .identified = from->identified,
                                .input_known = true,
                                .protections_set = from->protections_set,
                                .communications_timeout_set = from->timeout_set,
                                .answered_us = from->answered_us,
                                .answers = from->answers,
                                .timeouts = from->timeouts,
                                .resyncs = from->resyncs,
                                .garbage = from->garbage};
    text_copy(ret->name, sizeof ret->name, instrument_name(bench, (int)instrument));
    text_copy(ret->dialect, sizeof ret->dialect, dialect_of(bench, (int)instrument)->name);
    text_copy(ret->identity, sizeof ret->identity, from->identity);
    text_copy(ret->trouble, sizeof ret->trouble, from->trouble);
    bool units = false;
    for (size_t u = 0; u < bench->units_len; u++) {
        const struct unit *unit = &bench->units[u];
        if (unit->instrument != (int)instrument)
            continue;
        units = true;
        ret->input_on = ret->input_on || unit->input_on;
        ret->input_known = ret->input_known && unit->input_known;
    }
    ret->input_known = ret->input_known && units;
}
