/* The slow look: is the input as ordered, has a protection tripped, was the instrument switched off and on. Costs under
 * a hundredth of the line. */
#include "daemon/bench/machine.h"

#include "daemon/bench/answer.h"
#include "daemon/bench/message.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum {
    LOOK_EACH_US = 2000000,
    LOOK_AT_LEAST_EACH_US = 10000000,
    LOOK_SHARE = 120 /* of the line's time: one part of so many */
};

static const struct dialect *dialect_for(const struct bench *bench, const struct unit *unit)
{
    return dialect_of(bench, unit->instrument);
}

static const char *name_of(const struct bench *bench, const struct unit *unit)
{
    return instrument_name(bench, unit->instrument);
}

/* The query of a look, "" where this dialect or this moment has none. */
static const char *look_form(const struct bench *bench, const struct unit *unit, enum look look)
{
    const struct dialect *dialect = dialect_for(bench, unit);
    bool set = unit->mode_known && !isnan(unit->set_point) && !unit->orders_len;
    switch (look) {
    case LOOK_STATE:
        return dialect->role == AS_SELECTOR ? "" : dialect->toggle.query;
    case LOOK_TRIPS:
        return dialect->trip_query;
    case LOOK_POWER:
        return dialect->power_query;
    case LOOK_SETTING:
        return dialect->power_query[0] || !set ? "" : dialect->commands[CMD_CURRENT + (int)unit->mode].query;
    case LOOK_CHANNEL:
        return bench->instruments[unit->instrument].left_out ? dialect->channel_query : "";
    case LOOK_CLEAR:
        return dialect->trip_clear;
    case LOOKS:
        break;
    }
    return "";
}

/* State every second time, the others in turn between. */
static enum look look_choose(const struct bench *bench, struct unit *unit)
{
    if (unit->trips_due && !unit->ordered_on && look_form(bench, unit, LOOK_TRIPS)[0])
        return LOOK_TRIPS;
    for (unsigned tries = 0; tries < 2 * LOOKS; tries++) {
        unsigned turn = unit->look_turn++;
        enum look look = turn % 2 == 0 ? LOOK_STATE : (enum look)(LOOK_TRIPS + (turn / 2) % (LOOK_CLEAR - LOOK_TRIPS));
        if (look_form(bench, unit, look)[0])
            return look;
    }
    return LOOKS;
}

static bool say_look(struct bench *bench, struct address *address, struct unit *unit, int64_t now_us)
{
    if (unit->look != LOOK_CLEAR && !(unit->look == LOOK_TRIPS && unit->found_off))
        unit->look = look_choose(bench, unit);
    unit->look_due_us = now_us + LOOK_EACH_US;
    if (unit->look == LOOKS)
        return false;
    return say_form(bench, address, TASK_LOOK, unit->instrument, (int)(unit - bench->units),
                    look_form(bench, unit, unit->look), NULL, unit->look != LOOK_CLEAR, now_us);
}

bool look_schedule(struct bench *bench, struct address *address, int64_t now_us)
{
    for (size_t u = 0; u < bench->units_len; u++) {
        struct unit *unit = &bench->units[u];
        const struct instrument *instrument = &bench->instruments[unit->instrument];
        if (address_of(bench, unit->instrument) != address || !instrument->identified || instrument->up_step >= 0 ||
            unit->off != OFF_NONE)
            continue;
        if (now_us >= unit->look_due_us && say_look(bench, address, unit, now_us))
            return true;
        wake_at(address, unit->look_due_us);
    }
    return false;
}

/* The next look so much later that looking costs its share only, but not so late that the load's own time-out strikes.
 */
static void look_next(struct bench *bench, struct unit *unit, int64_t now_us)
{
    const struct line *line = &address_of(bench, unit->instrument)->line;
    int64_t timeout_us = bench->setup.instruments[unit->instrument].communications_timeout_us, units = 0;
    for (size_t u = 0; u < bench->units_len; u++)
        units += address_of(bench, bench->units[u].instrument) == address_of(bench, unit->instrument);
    int64_t period_us = (now_us - line->said_us) * LOOK_SHARE * units;
    period_us = period_us < LOOK_EACH_US            ? LOOK_EACH_US
                : period_us > LOOK_AT_LEAST_EACH_US ? LOOK_AT_LEAST_EACH_US
                                                    : period_us;
    if (timeout_us > 0 && period_us > timeout_us / 3)
        period_us = timeout_us / 3;
    unit->look_due_us = now_us + period_us;
}

/* ---- what is seen ---- */

static void say_found_off(struct bench *bench, struct unit *unit, const char *why, int64_t now_us)
{
    bool load = dialect_for(bench, unit)->role == AS_LOAD;
    emit_finding(bench, load ? FINDING_INPUT_OFF : FINDING_INSTRUMENT_DISAGREES, load ? SEVERITY_TRIP : SEVERITY_ABORT,
                 unit->port, now_us, "%s was found off though it was ordered on%s", name_of(bench, unit), why);
    unit->found_off = false;
    if (load)
        off_wanted(unit, now_us); /* so that it stays what it is now */
    else
        unit->ordered_on = false;
}

static void found_off(struct bench *bench, struct unit *unit, int64_t now_us)
{
    unit->input_on = false;
    unit->input_known = true;
    if (!look_form(bench, unit, LOOK_TRIPS)[0]) {
        say_found_off(bench, unit, "", now_us);
        return;
    }
    unit->found_off = true; /* first: which protection was it? */
    unit->look = LOOK_TRIPS;
    unit->look_due_us = now_us;
}

static void found_on(struct bench *bench, struct unit *unit, int64_t now_us)
{
    unit->input_on = unit->input_known = true;
    if (dialect_for(bench, unit)->role == AS_MAINS && !unit->off_ordered)
        return;
    emit_finding(bench, FINDING_INPUT_ON, SEVERITY_ABORT, unit->port, now_us,
                 "%s was found on though it was ordered off; it is turned off again", name_of(bench, unit));
    unit->off = OFF_NONE;
    off_wanted(unit, now_us);
}

static bool see_state(struct bench *bench, struct unit *unit, const char *answer, int64_t now_us)
{
    const struct toggle *toggle = &dialect_for(bench, unit)->toggle;
    bool on = strcmp(answer, toggle->answer_on) == 0;
    if (!on && strcmp(answer, toggle->answer_off) != 0)
        return false;
    if (on && !unit->ordered_on && unit->off != OFF_NONE)
        return true; /* asked before the off that is under way: its own read-back decides */
    if (on && unit->off != OFF_NONE)
        return true; /* asked before it was turned off just now: that is read back by itself */
    if (on && !unit->ordered_on) {
        found_on(bench, unit, now_us);
    } else if (!on && unit->ordered_on && !unit->orders_len) {
        found_off(bench, unit, now_us);
    } else {
        unit->input_on = on;
        unit->input_known = true;
    }
    return true;
}

/* Its own current limit trips again and again though it is off and was cleared: current flows, in bursts too short for a measurement to catch. true: to be looked at once more soon. */
static bool see_current_while_off(struct bench *bench, struct unit *unit, long long bits, int64_t now_us)
{
    enum { OFTEN = 3 };
    const int *bit = dialect_for(bench, unit)->trip_bit;
    if (unit->ordered_on || unit->port < 0 || !(bits & (bit[TRIP_OVER_AMPS] | bit[TRIP_OVER_WATTS])))
        return false;
    if (++unit->trips_off == OFTEN)
        emit_finding(bench, FINDING_INPUT_ON, SEVERITY_ABORT, unit->port, now_us,
                     "%s was turned off, but its own current protection tripped %d times since; %s", name_of(bench, unit), OFTEN,
                     cut_mains(bench, unit, now_us));
    return unit->trips_off < OFTEN;
}

static bool see_trips(struct bench *bench, struct unit *unit, const char *answer, int64_t now_us)
{
    char names[80], why[120] = "";
    long long bits;
    if (!answer_integer(answer, &bits) || bits < 0)
        return false;
    bool tripped = trips_describe(dialect_for(bench, unit), bits, names, sizeof names);
    if (tripped)
        snprintf(why, sizeof why, ": its own %s protection has tripped", names);
    if (unit->found_off || (tripped && unit->ordered_on))
        say_found_off(bench, unit, why, now_us);
    else if (tripped)
        emit_finding(bench, FINDING_INPUT_OFF, SEVERITY_NOTE, unit->port, now_us, "%s is off%s", name_of(bench, unit),
                     why);
    unit->trips_due = see_current_while_off(bench, unit, bits, now_us);
    if (tripped) { /* latched: it would refuse the next input-on */
        unit->look = LOOK_CLEAR;
        unit->look_due_us = now_us;
    }
    return true;
}

static void say_restarted(struct bench *bench, struct unit *unit, const char *how, int64_t now_us)
{
    char name[NAME_SIZE];
    snprintf(name, sizeof name, "%s", name_of(bench, unit));
    emit_finding(bench, FINDING_INSTRUMENT_DISAGREES, SEVERITY_ABORT, unit->port, now_us,
                 "%s was switched off and on again (%s): its settings and protections are lost; it is turned off and "
                 "set up anew",
                 name, how);
    up_restart(bench, unit->instrument, now_us);
}

static bool see_power(struct bench *bench, struct unit *unit, const char *answer, int64_t now_us)
{
    long long bits;
    if (!answer_integer(answer, &bits) || bits < 0)
        return false;
    if (bits & dialect_for(bench, unit)->power_bit)
        say_restarted(bench, unit, "its power-on bit is set", now_us);
    return true;
}

static bool see_setting(struct bench *bench, struct unit *unit, const char *answer, int64_t now_us)
{
    const struct command *command = &dialect_for(bench, unit)->commands[CMD_CURRENT + (int)unit->mode];
    double said;
    if (answer_number(dialect_for(bench, unit), command, answer, strlen(answer), &said) != ANSWER_NUMBER)
        return false;
    if (!unit->orders_len && unit->mode_known && !near_enough(command, unit->set_point, said))
        say_restarted(bench, unit, "its set-point isn't what was set", now_us);
    return true;
}

static bool see_channel(struct bench *bench, struct unit *unit, const char *answer, int64_t now_us)
{
    struct instrument *instrument = &bench->instruments[unit->instrument];
    long long said;
    if (!answer_integer(answer, &said))
        return false;
    if (said == unit->number)
        return true;
    emit_finding(bench, FINDING_INSTRUMENT_DISAGREES, SEVERITY_TRIP, unit->port, now_us,
                 "somebody selected channel %lld at %s: readings since the last look may be that channel's; from now "
                 "on each query states channel %d",
                 said, name_of(bench, unit), unit->number);
    instrument->left_out = false;
    sample_prepare(bench, unit->instrument);
    return true;
}

bool look_answered(struct bench *bench, struct unit *unit, const char *answer, int64_t now_us)
{
    static bool (*const see[LOOKS])(struct bench *, struct unit *, const char *, int64_t) = {
        [LOOK_STATE] = see_state,     [LOOK_TRIPS] = see_trips,     [LOOK_POWER] = see_power,
        [LOOK_SETTING] = see_setting, [LOOK_CHANNEL] = see_channel,
    };
    look_next(bench, unit, now_us);
    return !see[unit->look] || see[unit->look](bench, unit, answer, now_us);
}

void look_done(struct bench *bench, struct unit *unit, int64_t now_us)
{
    unit->look = LOOK_STATE; /* trips are cleared */
    look_next(bench, unit, now_us);
}

void look_failed(struct bench *bench, struct unit *unit, int64_t now_us)
{
    if (unit->found_off)
        say_found_off(bench, unit, "", now_us);
    unit->look = LOOK_STATE;
}
