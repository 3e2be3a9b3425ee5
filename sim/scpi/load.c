/* The load's commands, and the acts that the terse shape shares with them. */
#include "sim/scpi/own.h"

#include <math.h>
#include <string.h>

static const unsigned trip_bits[TRIPS] = {TRIP_OVER_VOLTAGE, TRIP_OVER_CURRENT, TRIP_OVER_POWER, TRIP_OVER_TEMPERATURE,
                                          TRIP_UNDER_VOLTAGE};
static const enum world_load_mode trip_scale[TRIPS] = {WORLD_VOLTAGE, WORLD_CURRENT, WORLD_POWER, WORLD_POWER,
                                                       WORLD_VOLTAGE};
static const char *const mode_units[] = {
    [WORLD_CURRENT] = "A", [WORLD_VOLTAGE] = "V", [WORLD_RESISTANCE] = "OHM", [WORLD_POWER] = "W"};
static const char *const standard_modes[] = {"CURRent", "VOLTage", "RESistance", "POWer"};
static const char *const late_modes[] = {"CC", "CV", "CR", "CP"};
static const int level_decimals[] = {4, 4, 4, 3};

/* ---- acts ---- */

bool load_switch(struct server *server, size_t channel, bool on)
{
    if (on && world_load_trips(server->world, channel))
        return false;
    world_load_input(server->world, channel, on);
    return true;
}

void load_all_off(struct server *server)
{
    size_t first, count = server_span(server, SERVER_LOAD, &first);
    for (size_t c = first; c < first + count; c++)
        world_load_input(server->world, c, false);
}

double load_measured(const struct server *server, size_t channel, int what)
{
    double volts = NAN, amps = NAN, watts = NAN;
    world_load_measure(server->world, channel, &volts, &amps, &watts);
    return what == MEASURE_VOLTS ? volts : what == MEASURE_AMPS ? amps : watts;
}

double load_trip_max(const struct server *server, size_t channel, int trip_index)
{
    return 1.1 * world_load_range(server->world, channel, trip_scale[trip_index]);
}

void load_set_trip(struct server *server, size_t channel, int trip_index, double level)
{
    world_load_protect(server->world, channel, (enum world_trip)trip_bits[trip_index], level);
    server->trip_levels[channel][trip_index] = level;
}

/* ---- commands ---- */

void load_input(struct call *call)
{
    size_t channel;
    bool on;
    if (!call_target(call, SERVER_LOAD, &channel))
        return;
    if (call->asks)
        call_answer_integer(call, world_load_input_is_on(call->server->world, channel));
    else if (call_boolean(call, 0, &on) && !load_switch(call->server, channel, on))
        call_refuse(call, -221);
}

void load_all(struct call *call)
{
    size_t first, count = server_span(call->server, SERVER_LOAD, &first);
    bool on = false;
    if (!call->asks && !call_boolean(call, 0, &on))
        return;
    if (!call->asks && !on)
        load_all_off(call->server);
    for (size_t c = first; c < first + count; c++) {
        if (call->asks)
            on = on || world_load_input_is_on(call->server->world, c);
        else if (on && !load_switch(call->server, c, true))
            call_refuse(call, -221);
    }
    if (call->asks)
        call_answer_integer(call, on);
}

void load_select(struct call *call)
{
    size_t first, count = server_span(call->server, SERVER_LOAD, &first);
    double channel;
    if (call->asks)
        call_answer_integer(call, (long)call->server->selected + 1);
    else if (call_number(call, 0, "", 1, (double)count, 1, &channel))
        call->server->selected = (size_t)(channel + 0.5) - 1;
}

void load_count(struct call *call)
{
    size_t first;
    call_answer_integer(call, (long)server_span(call->server, SERVER_LOAD, &first));
}

static const char *const *mode_words(const struct call *call)
{
    return call->server->setup.shape == SHAPE_LATE ? late_modes : standard_modes;
}

static void answer_mode(struct call *call, const char *word)
{
    char text[16] = "";
    size_t len = 0;
    for (; word[len] >= 'A' && word[len] <= 'Z' && len + 1 < sizeof text; len++)
        text[len] = word[len];
    call_answer(call, text);
}

void load_mode(struct call *call)
{
    size_t channel;
    const char *const *words = mode_words(call);
    if (!call_target(call, SERVER_LOAD, &channel))
        return;
    if (call->asks) {
        answer_mode(call, words[world_load_mode_now(call->server->world, channel)]);
        return;
    }
    for (int mode = WORLD_CURRENT; mode <= WORLD_POWER; mode++)
        if (mnemonic_is(words[mode], strlen(words[mode]), call->parameters[0].text, call->parameters[0].len)) {
            world_load_mode(call->server->world, channel, (enum world_load_mode)mode);
            return;
        }
    call_refuse(call, -224);
}

/* "CURR? MAX": what the keyword stands for rather than what is set. */
static bool asked_extreme(struct call *call, double max, double dflt, double now, double *ret)
{
    struct value value;
    int error;
    *ret = now;
    if (call->parameter_count == 0)
        return true;
    error = value_number(call->parameters[0].text, call->parameters[0].len, "", &value);
    if (!error && value.kind == VALUE_NUMBER)
        error = -104;
    if (error) {
        call_refuse(call, error);
        return false;
    }
    *ret = value.kind == VALUE_MINIMUM ? 0.0 : value.kind == VALUE_MAXIMUM ? max : dflt;
    return true;
}

void load_level(struct call *call)
{
    enum world_load_mode mode = (enum world_load_mode)call->command->arg;
    struct world *world = call->server->world;
    size_t channel;
    double max, value, dflt;
    if (!call_target(call, SERVER_LOAD, &channel))
        return;
    max = world_load_range(world, channel, mode);
    dflt = mode == WORLD_VOLTAGE || mode == WORLD_RESISTANCE ? max : 0.0; /* what draws least */
    if (!call->asks) {
        if (call_number(call, 0, mode_units[mode], 0.0, max, dflt, &value))
            world_load_set(world, channel, mode, value);
    } else if (asked_extreme(call, max, dflt, world_load_set_now(world, channel, mode), &value)) {
        call_answer_number(call, value, level_decimals[mode]);
    }
}

void load_slew(struct call *call)
{
    enum { SLEW_MAX_AMPS_PER_S = 1000000 };
    size_t channel;
    double slew, now;
    if (!call_target(call, SERVER_LOAD, &channel))
        return;
    now = call->server->slews[channel];
    if (call->asks)
        call_answer_number(call, now > 0.0 ? now : INFINITY, 2); /* never set: the world's own, not known here */
    else if (call_number(call, 0, "A/S", 0.001, SLEW_MAX_AMPS_PER_S, SLEW_MAX_AMPS_PER_S, &slew)) {
        world_load_slew(call->server->world, channel, slew);
        call->server->slews[channel] = slew;
    }
}

void load_measure(struct call *call)
{
    static const int decimals[] = {4, 4, 3};
    size_t channel;
    if (call_target(call, SERVER_LOAD, &channel))
        call_answer_number(call, load_measured(call->server, channel, call->command->arg),
                           decimals[call->command->arg]);
}

void load_both(struct call *call)
{
    size_t channel;
    if (!call_target(call, SERVER_LOAD, &channel))
        return;
    call_answer_number(call, load_measured(call->server, channel, MEASURE_VOLTS), 4);
    call_answer_number(call, load_measured(call->server, channel, MEASURE_AMPS), 4);
}

void load_protect(struct call *call)
{
    int trip = call->command->arg;
    size_t channel;
    double level, max;
    if (!call_target(call, SERVER_LOAD, &channel))
        return;
    max = load_trip_max(call->server, channel, trip);
    level = world_load_protect_now(call->server->world, channel, (enum world_trip)trip_bits[trip]);
    if (call->asks) {
        if (asked_extreme(call, max, 0.0, level > 0.0 ? level : 0.0, &level))
            call_answer_number(call, level, 4);
    } else if (call_number(call, 0, mode_units[trip_scale[trip]], 0.0, max, 0.0, &level)) {
        load_set_trip(call->server, channel, trip, level);
    }
}

void load_protect_state(struct call *call)
{
    int trip = call->command->arg;
    size_t channel;
    double now;
    bool on;
    if (!call_target(call, SERVER_LOAD, &channel))
        return;
    now = world_load_protect_now(call->server->world, channel, (enum world_trip)trip_bits[trip]);
    if (call->asks) {
        call_answer_integer(call, now > 0.0);
    } else if (call_boolean(call, 0, &on)) {
        if (now > 0.0)
            call->server->trip_levels[channel][trip] = now;
        world_load_protect(call->server->world, channel, (enum world_trip)trip_bits[trip],
                           on ? call->server->trip_levels[channel][trip] : 0.0);
    }
}

void load_tripped(struct call *call)
{
    size_t channel;
    if (call_target(call, SERVER_LOAD, &channel))
        call_answer_integer(call, (long)world_load_trips(call->server->world, channel));
}

void load_clear(struct call *call)
{
    size_t channel;
    if (call_target(call, SERVER_LOAD, &channel))
        world_load_clear(call->server->world, channel);
}

void load_timeout(struct call *call)
{
    double seconds;
    if (call->asks) {
        call_answer_number(call, (double)call->server->timeout_us / 1e6, 1);
    } else if (call_number(call, 0, "S", 0.0, 3600.0, 0.0, &seconds)) {
        if (seconds > 0.0 && seconds < 0.1)
            call_refuse(call, -222);
        else
            call->server->timeout_us = (int64_t)(seconds * 1e6 + 0.5);
    }
}
