/* Readings: the shortest messages that bring volts and amps, and the thermometers' round. */
#include "daemon/bench/machine.h"

#include "daemon/base/text.h"
#include "daemon/bench/answer.h"
#include "daemon/bench/message.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { CELSIUS_EACH_US = 1000000, CELSIUS_FRESH_US = 5000000, CHECK_AGAIN_US = 200000 };

#define RANGE_MARGIN    1.2 /* readings beyond so many times the rating are no readings */
#define CELSIUS_LOWEST  -270.0
#define CELSIUS_HIGHEST 1820.0 /* ITS-90: the span of all thermocouple types */

static const struct dialect *dialect_for(const struct bench *bench, const struct unit *unit)
{
    return dialect_of(bench, unit->instrument);
}

/* ---- composing ---- */

static size_t units_of(const struct bench *bench, int instrument)
{
    size_t count = 0;
    for (size_t u = 0; u < bench->units_len; u++)
        count += bench->units[u].instrument == instrument;
    return count;
}

static bool compose_joined(const struct dialect *dialect, int channel, char *to, size_t size)
{
    char volts[MESSAGE_SIZE], amps[MESSAGE_SIZE];
    return message_fill(volts, sizeof volts, dialect->commands[CMD_VOLTS].query, channel, NULL) &&
           message_fill(amps, sizeof amps, dialect->commands[CMD_AMPS].query, channel, NULL) &&
           message_join(to, size, dialect, volts, amps);
}

static void compose(struct bench *bench, struct unit *unit)
{
    const struct dialect *dialect = dialect_for(bench, unit);
    int channel = bench->instruments[unit->instrument].left_out ? CHANNEL_LEFT_OUT : unit->number;
    char joined[MESSAGE_SIZE] = "", both[MESSAGE_SIZE] = "";
    bool can_join = compose_joined(dialect, channel, joined, sizeof joined);
    bool has_both = can_ask(&dialect->commands[CMD_VOLTS_AND_AMPS]) &&
                    message_fill(both, sizeof both, dialect->commands[CMD_VOLTS_AND_AMPS].query, channel, NULL);
    if (has_both && (!can_join || strlen(both) <= strlen(joined))) {
        unit->kind = SAMPLE_BOTH;
        text_copy(unit->sample[0], MESSAGE_SIZE, both);
    } else if (can_join) {
        unit->kind = SAMPLE_JOINED;
        text_copy(unit->sample[0], MESSAGE_SIZE, joined);
    } else {
        unit->kind = SAMPLE_SPLIT;
        message_fill(unit->sample[0], MESSAGE_SIZE, dialect->commands[CMD_VOLTS].query, channel, NULL);
        message_fill(unit->sample[1], MESSAGE_SIZE, dialect->commands[CMD_AMPS].query, channel, NULL);
    }
}

/* The channel's number is left out where nothing else can be meant: one byte in thirty on a slow line. */
static bool may_leave_out(const struct bench *bench, const struct unit *unit)
{
    enum channel_default left_out = dialect_for(bench, unit)->channel_default;
    return units_of(bench, unit->instrument) == 1 &&
           (left_out == CHANNEL_SELECTED || (left_out == CHANNEL_FIRST && unit->number == 1));
}

void sample_prepare(struct bench *bench, int instrument)
{
    for (size_t u = 0; u < bench->units_len; u++)
        if (bench->units[u].instrument == instrument)
            compose(bench, &bench->units[u]);
}

void sample_leave_out(struct bench *bench, int instrument)
{
    for (size_t u = 0; u < bench->units_len; u++)
        if (bench->units[u].instrument == instrument)
            bench->instruments[instrument].left_out = may_leave_out(bench, &bench->units[u]);
    sample_prepare(bench, instrument);
}

/* ---- asking ---- */

void sample_restart(struct unit *unit)
{
    unit->sample_step = 0;
    unit->sample_due_us = 0;
    unit->last_answer[0] = '\0';
}

static bool port_in_transition(const struct bench *bench, const struct unit *unit)
{
    int selector = bench->selector_unit[unit->port];
    return unit->orders_len > 0 || unit->off != OFF_NONE || (selector >= 0 && bench->units[selector].orders_len > 0);
}

static bool ask_sample(struct bench *bench, struct address *address, struct unit *unit, int64_t now_us)
{
    if (unit->sample_step == 0) {
        address->asked_set_point = unit->set_point;
        address->asked_input_on = unit->input_on;
        address->asked_mode = unit->mode;
        unit->half_transition = port_in_transition(bench, unit);
    }
    address->asked_step = unit->sample_step;
    return say(bench, address, TASK_SAMPLE, unit->instrument, (int)(unit - bench->units),
               unit->sample[unit->sample_step], true, now_us);
}

static bool is_sampled(const struct bench *bench, const struct address *address, const struct unit *unit)
{
    const struct instrument *instrument = &bench->instruments[unit->instrument];
    return &bench->addresses[instrument->address] == address && unit->port >= 0 && instrument->identified &&
           instrument->up_step < 0 && dialect_for(bench, unit)->role == AS_LOAD;
}

bool sample_schedule(struct bench *bench, struct address *address, int64_t now_us)
{
    struct unit *best = NULL;
    for (size_t u = 0; bench->sampling && u < bench->units_len; u++) {
        struct unit *unit = &bench->units[u];
        if (!is_sampled(bench, address, unit))
            continue;
        if (unit->sample_step > 0)
            return ask_sample(bench, address, unit, now_us); /* the other half of a pair */
        if (!best || unit->sample_due_us < best->sample_due_us)
            best = unit;
    }
    if (!best)
        return false;
    if (best->sample_due_us <= now_us)
        return ask_sample(bench, address, best, now_us);
    wake_at(address, best->sample_due_us);
    return false;
}

bool check_schedule(struct bench *bench, struct address *address, int64_t now_us)
{
    for (size_t u = 0; u < bench->units_len; u++) {
        struct unit *unit = &bench->units[u];
        const struct instrument *instrument = &bench->instruments[unit->instrument];
        if (&bench->addresses[instrument->address] != address || dialect_for(bench, unit)->role != AS_LOAD ||
            !instrument->identified || unit->ordered_on || unit->off != OFF_NONE || unit->check_us == NEVER_US)
            continue;
        if (now_us < unit->check_us) {
            wake_at(address, unit->check_us);
            continue;
        }
        unit->check_us = now_us + CHECK_AGAIN_US; /* until an answer says that the current is gone */
        if (say_form(bench, address, TASK_CHECK, unit->instrument, (int)u,
                     dialect_for(bench, unit)->commands[CMD_AMPS].query, NULL, true, now_us))
            return true;
    }
    return false;
}

/* ---- hearing ---- */

static unsigned quality_of(enum answer_value kind)
{
    return kind == ANSWER_NAN ? QUALITY_NAN : kind == ANSWER_OVERFLOW ? QUALITY_OVER_RANGE : 0;
}

static bool hear_one(const struct dialect *dialect, enum command_id id, const char *text, size_t len, double *ret,
                     unsigned *quality)
{
    enum answer_value kind = answer_number(dialect, &dialect->commands[id], text, len, ret);
    *quality |= quality_of(kind);
    return kind != ANSWER_WRONG;
}

static bool hear_joined(const struct dialect *dialect, const char *answer, double said[2], unsigned *quality)
{
    const char *separator = strchr(answer, dialect->line.answer_separator);
    return separator && hear_one(dialect, CMD_VOLTS, answer, (size_t)(separator - answer), &said[0], quality) &&
           hear_one(dialect, CMD_AMPS, separator + 1, strlen(separator + 1), &said[1], quality);
}

static bool hear_both(const struct dialect *dialect, const char *answer, double said[2], unsigned *quality)
{
    const struct command *command = &dialect->commands[CMD_VOLTS_AND_AMPS];
    const char *separator = strchr(answer, command->separator);
    return separator &&
           hear_one(dialect, CMD_VOLTS_AND_AMPS, answer, (size_t)(separator - answer), &said[0], quality) &&
           hear_one(dialect, CMD_VOLTS_AND_AMPS, separator + 1, strlen(separator + 1), &said[1], quality);
}

/* Volts and amps of a pair in the very same digits: rather the previous answer once more than chance. The second time
 * in a row it is believed. */
static bool is_twin(struct unit *unit, const char *answer)
{
    bool twin = strcmp(unit->last_answer, answer) == 0 && strpbrk(answer, "123456789") && !unit->twin_seen;
    unit->twin_seen = twin;
    text_copy(unit->last_answer, sizeof unit->last_answer, answer);
    return twin;
}

/* 1: both values stand in `said`; 0: the second half is still to be asked; -1: not in form. */
static int hear_sample(struct bench *bench, struct unit *unit, const char *answer, int64_t asked_us, double said[2],
                       unsigned *quality)
{
    const struct dialect *dialect = dialect_for(bench, unit);
    if (unit->kind == SAMPLE_JOINED || unit->kind == SAMPLE_BOTH) {
        unit->sample_asked_us = asked_us;
        return (unit->kind == SAMPLE_JOINED ? hear_joined : hear_both)(dialect, answer, said, quality) ? 1 : -1;
    }
    if (is_twin(unit, answer))
        return -1;
    if (unit->sample_step == 0) {
        unit->sample_asked_us = asked_us;
        unit->half_quality = 0;
        if (!hear_one(dialect, CMD_VOLTS, answer, strlen(answer), &unit->half_volts, &unit->half_quality))
            return -1;
        unit->sample_step = 1;
        return 0;
    }
    unit->sample_step = 0;
    said[0] = unit->half_volts;
    *quality |= unit->half_quality;
    return hear_one(dialect, CMD_AMPS, answer, strlen(answer), &said[1], quality) ? 1 : -1;
}

static unsigned out_of_range(const struct bench_setup_instrument *setup, const double said[2])
{
    bool volts = setup->max_volts > 0.0 && fabs(said[0]) > RANGE_MARGIN * setup->max_volts;
    bool amps = setup->max_amps > 0.0 && fabs(said[1]) > RANGE_MARGIN * setup->max_amps;
    return volts || amps ? QUALITY_OVER_RANGE : 0;
}

static int contract_of(const struct bench *bench, int port)
{
    int selector = bench->selector_unit[port];
    return bench->units[selector >= 0 ? selector : bench->load_unit[port]].contract;
}

static void give_reading(struct bench *bench, struct unit *unit, const double said[2], unsigned quality, int64_t now_us)
{
    struct address *address = address_of(bench, unit->instrument);
    struct reading reading = {.at_us = now_us,
                              .asked_us = unit->sample_asked_us,
                              .port = unit->port,
                              .load_volts = said[0],
                              .amps = said[1],
                              .mode = address->asked_mode,
                              .set_point = address->asked_set_point,
                              .input_on = address->asked_input_on,
                              .contract = contract_of(bench, unit->port),
                              .quality = quality};
    reading.volts = said[0] + said[1] * bench->setup.seats[unit->port].loop_ohms;
    if (unit->half_transition || port_in_transition(bench, unit))
        reading.quality |= QUALITY_TRANSITION;
    if (address->was_resynced)
        reading.quality |= QUALITY_RESYNC;
    address->was_resynced = false;
    for (size_t i = 0; i < PROBES_MAX; i++) {
        bool fresh = bench->celsius_us[i] != NEVER_US && now_us - bench->celsius_us[i] <= CELSIUS_FRESH_US;
        reading.celsius[i] = fresh ? bench->celsius[i] : NAN;
    }
    emit_reading(bench, &reading);
}

/* After a collapse some samples come a little later, by chance: a supply that tries again in step with the sampling
 * would look dead, or whole. */
static int64_t jitter_us(struct bench *bench, const struct unit *unit, int64_t took_us)
{
    enum { ONE_IN = 8, PERCENT = 14 }; /* 0.9 % in the mean */
    uint64_t random = bench_random(bench);
    if (!unit->collapsed || random % ONE_IN)
        return 0;
    return took_us * (int64_t)(random / ONE_IN % PERCENT) / 100;
}

static void pace(struct bench *bench, struct unit *unit, int64_t now_us)
{
    int64_t period_us = unit->period_us > bench->held_back_us ? unit->period_us : bench->held_back_us;
    int64_t due_us = unit->sample_due_us + period_us;
    if (period_us == 0 || due_us < now_us)
        due_us = now_us;
    if (period_us > 0 && due_us == now_us && unit->sample_due_us == 0)
        due_us = now_us + period_us;
    unit->sample_due_us = due_us + (period_us == 0 ? jitter_us(bench, unit, now_us - unit->sample_asked_us) : 0);
}

static bool check_answered(struct bench *bench, struct unit *unit, const char *answer, int64_t asked_us, int64_t now_us)
{
    double amps = NAN;
    unsigned quality = 0;
    if (!hear_one(dialect_for(bench, unit), CMD_AMPS, answer, strlen(answer), &amps, &quality))
        return false;
    if (!quality)
        off_judge_amps(bench, unit, amps, asked_us, now_us);
    return true;
}

bool sample_answered(struct bench *bench, struct unit *unit, const char *answer, int64_t asked_us, int64_t now_us,
                     bool check)
{
    double said[2] = {NAN, NAN};
    unsigned quality = 0;
    if (check)
        return check_answered(bench, unit, answer, asked_us, now_us);
    if (address_of(bench, unit->instrument)->asked_step != unit->sample_step)
        return true;
    int heard = hear_sample(bench, unit, answer, asked_us, said, &quality);
    if (heard <= 0)
        return heard == 0;
    quality |= out_of_range(&bench->setup.instruments[unit->instrument], said);
    unit->collapsed =
        unit->input_on && unit->mode == LOAD_CURRENT && unit->set_point > 0.0 && said[1] < 0.9 * unit->set_point;
    pace(bench, unit, now_us);
    give_reading(bench, unit, said, quality, now_us);
    if (!quality)
        off_judge_amps(bench, unit, said[1], unit->sample_asked_us, now_us);
    return true;
}

/* ---- thermometers ---- */

static size_t probes_of(const struct bench *bench, int instrument, size_t ret[PROBES_MAX])
{
    size_t count = 0;
    for (size_t i = 0; i < bench->setup.probes_len; i++)
        if (bench->setup.probes[i].thermometer == instrument)
            ret[count++] = i;
    return count;
}

static bool asks_lists(const struct dialect *dialect)
{
    return strstr(dialect->commands[CMD_CELSIUS].query, "{value}") != NULL;
}

static bool ask_celsius(struct bench *bench, struct address *address, int instrument, int64_t now_us)
{
    const struct dialect *dialect = dialect_of(bench, instrument);
    struct instrument *thermometer = &bench->instruments[instrument];
    char list[80] = "", text[MESSAGE_SIZE];
    size_t probes[PROBES_MAX], count = probes_of(bench, instrument, probes);
    if (!count)
        return false;
    size_t turn = thermometer->celsius_turn % count;
    for (size_t i = 0; i < count; i++)
        text_add(list, sizeof list, "%s%d", i ? "," : "", bench->setup.probes[probes[i]].channel);
    thermometer->celsius_due_us = now_us + CELSIUS_EACH_US / (asks_lists(dialect) ? 1 : (int64_t)count);
    return message_fill(text, sizeof text, dialect->commands[CMD_CELSIUS].query,
                        bench->setup.probes[probes[turn]].channel, list) &&
           say(bench, address, TASK_CELSIUS, instrument, -1, text, true, now_us);
}

bool celsius_schedule(struct bench *bench, struct address *address, int64_t now_us)
{
    for (size_t i = 0; i < bench->setup.instruments_len; i++) {
        const struct instrument *thermometer = &bench->instruments[i];
        if (&bench->addresses[thermometer->address] != address || dialect_of(bench, (int)i)->role != AS_THERMOMETER ||
            !thermometer->identified || thermometer->up_step >= 0)
            continue;
        if (now_us >= thermometer->celsius_due_us && ask_celsius(bench, address, (int)i, now_us))
            return true;
        wake_at(address, thermometer->celsius_due_us > now_us ? thermometer->celsius_due_us : now_us + CELSIUS_EACH_US);
    }
    return false;
}

static void keep_celsius(struct bench *bench, size_t probe, double celsius, int64_t now_us)
{
    bench->celsius[probe] = celsius >= CELSIUS_LOWEST && celsius <= CELSIUS_HIGHEST ? celsius : NAN;
    bench->celsius_us[probe] = now_us;
}

bool celsius_answered(struct bench *bench, int instrument, const char *answer, int64_t now_us)
{
    const struct dialect *dialect = dialect_of(bench, instrument);
    struct instrument *thermometer = &bench->instruments[instrument];
    size_t probes[PROBES_MAX], count = probes_of(bench, instrument, probes);
    size_t first = asks_lists(dialect) ? 0 : thermometer->celsius_turn % count, asked = asks_lists(dialect) ? count : 1;
    double said[PROBES_MAX];
    const struct command *command = &dialect->commands[CMD_CELSIUS];
    if (answer_numbers(dialect, command, answer, command->separator, asked, said) == ANSWER_WRONG)
        return false;
    for (size_t i = 0; i < asked; i++)
        keep_celsius(bench, probes[first + i], said[i], now_us);
    thermometer->celsius_turn++;
    return true;
}
