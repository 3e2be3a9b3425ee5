/* The terse shape: letters, a channel number, '?' or a value; one thing a message. Shares nothing of the standard's
 * grammar. */
#include "sim/scpi/own.h"

#include "daemon/base/text.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <strings.h>

enum terse_error { TERSE_NONE, TERSE_UNKNOWN, TERSE_SPOILED, TERSE_VALUE, TERSE_LONG, TERSE_REFUSED };

struct terse_call {
    struct server *server;
    size_t target;     /* channel, port or place in the world */
    const char *value; /* "" for a query and for a plain act */
    char answer[96];
};

struct terse_row {
    const char *letters;
    unsigned forms;
    unsigned roles;
    enum server_role counts; /* whose numbers the digit counts; SERVER_ROLES: takes no digit */
    enum terse_error (*obey)(struct terse_call *call, bool asks, int arg);
    int arg;
    bool plain; /* setting form without a value */
};

static void answer_number(struct terse_call *call, double value, int decimals)
{
    if (isnan(value))
        snprintf(call->answer, sizeof call->answer, "OPEN");
    else if (fabs(value) >= 9.9e37)
        snprintf(call->answer, sizeof call->answer, "OVER");
    else
        snprintf(call->answer, sizeof call->answer, "%.*f", decimals, value);
}

static void answer_integer(struct terse_call *call, long value)
{
    snprintf(call->answer, sizeof call->answer, "%ld", value);
}

static bool value_within(const struct terse_call *call, double min, double max, double *ret)
{
    double value;
    if (!text_to_double(call->value, &value) || !(value >= min && value <= max))
        return false;
    *ret = value;
    return true;
}

static bool value_switch(const struct terse_call *call, bool *ret)
{
    if (strcmp(call->value, "0") != 0 && strcmp(call->value, "1") != 0)
        return false;
    *ret = call->value[0] == '1';
    return true;
}

static enum terse_error identity(struct terse_call *call, bool asks, int arg)
{
    (void)asks, (void)arg;
    snprintf(call->answer, sizeof call->answer, "BRUNT-SIM,%.40s,0,%s", call->server->setup.name, BRUNT_VERSION);
    return TERSE_NONE;
}

static enum terse_error last_error(struct terse_call *call, bool asks, int arg)
{
    (void)asks, (void)arg;
    answer_integer(call, call->server->terse_error);
    call->server->terse_error = TERSE_NONE;
    return TERSE_NONE;
}

static enum terse_error reset(struct terse_call *call, bool asks, int arg)
{
    (void)asks, (void)arg;
    instrument_reset(call->server);
    return TERSE_NONE;
}

static enum terse_error input(struct terse_call *call, bool asks, int arg)
{
    bool on;
    (void)arg;
    if (asks)
        answer_integer(call, world_load_input_is_on(call->server->world, call->target));
    else if (!value_switch(call, &on))
        return TERSE_VALUE;
    else if (!load_switch(call->server, call->target, on))
        return TERSE_REFUSED;
    return TERSE_NONE;
}

static enum terse_error all_off(struct terse_call *call, bool asks, int arg)
{
    (void)asks, (void)arg;
    load_all_off(call->server);
    return TERSE_NONE;
}

static enum terse_error count(struct terse_call *call, bool asks, int arg)
{
    size_t first;
    (void)asks;
    answer_integer(call, (long)server_span(call->server, (enum server_role)arg, &first));
    return TERSE_NONE;
}

static const char mode_letters[] = {
    [WORLD_CURRENT] = 'I', [WORLD_VOLTAGE] = 'U', [WORLD_RESISTANCE] = 'R', [WORLD_POWER] = 'W'};

static enum terse_error mode(struct terse_call *call, bool asks, int arg)
{
    (void)arg;
    if (asks) {
        snprintf(call->answer, sizeof call->answer, "%c",
                 mode_letters[world_load_mode_now(call->server->world, call->target)]);
        return TERSE_NONE;
    }
    for (size_t m = 0; strlen(call->value) == 1 && m < sizeof mode_letters; m++)
        if (toupper((unsigned char)call->value[0]) == mode_letters[m]) {
            world_load_mode(call->server->world, call->target, (enum world_load_mode)m);
            return TERSE_NONE;
        }
    return TERSE_VALUE;
}

static enum terse_error level(struct terse_call *call, bool asks, int arg)
{
    struct world *world = call->server->world;
    enum world_load_mode which = (enum world_load_mode)arg;
    double value;
    if (asks)
        answer_number(call, world_load_set_now(world, call->target, which), 3);
    else if (!value_within(call, 0.0, world_load_range(world, call->target, which), &value))
        return TERSE_VALUE;
    else
        world_load_set(world, call->target, which, value);
    return TERSE_NONE;
}

static enum terse_error slew(struct terse_call *call, bool asks, int arg)
{
    double value;
    (void)asks, (void)arg;
    if (!value_within(call, 0.001, 1e6, &value))
        return TERSE_VALUE;
    world_load_slew(call->server->world, call->target, value);
    return TERSE_NONE;
}

static enum terse_error measure(struct terse_call *call, bool asks, int arg)
{
    (void)asks;
    answer_number(call, load_measured(call->server, call->target, arg), 3);
    return TERSE_NONE;
}

static enum terse_error protect(struct terse_call *call, bool asks, int arg)
{
    static const enum world_trip bits[TRIPS] = {TRIP_OVER_VOLTAGE, TRIP_OVER_CURRENT, TRIP_OVER_POWER,
                                                TRIP_OVER_TEMPERATURE, TRIP_UNDER_VOLTAGE};
    double value;
    if (asks) {
        value = world_load_protect_now(call->server->world, call->target, bits[arg]);
        answer_number(call, value > 0.0 ? value : 0.0, 3);
    } else if (!value_within(call, 0.0, load_trip_max(call->server, call->target, arg), &value)) {
        return TERSE_VALUE;
    } else {
        load_set_trip(call->server, call->target, arg, value);
    }
    return TERSE_NONE;
}

static enum terse_error tripped(struct terse_call *call, bool asks, int arg)
{
    (void)asks, (void)arg;
    answer_integer(call, (long)world_load_trips(call->server->world, call->target));
    return TERSE_NONE;
}

static enum terse_error clear(struct terse_call *call, bool asks, int arg)
{
    (void)asks, (void)arg;
    world_load_clear(call->server->world, call->target);
    return TERSE_NONE;
}

static enum terse_error contract(struct terse_call *call, bool asks, int arg)
{
    double volts;
    (void)arg;
    if (asks)
        answer_number(call, world_contract_volts(call->server->world, call->target), 3);
    else if (!value_within(call, 0.0, 60.0, &volts))
        return TERSE_VALUE;
    else if (!world_select(call->server->world, call->target, volts, 0.0))
        return TERSE_REFUSED;
    return TERSE_NONE;
}

static enum terse_error attach(struct terse_call *call, bool asks, int arg)
{
    bool on;
    (void)arg;
    if (asks)
        answer_integer(call, world_attached(call->server->world, call->target));
    else if (!value_switch(call, &on))
        return TERSE_VALUE;
    else
        world_attach(call->server->world, call->target, on);
    return TERSE_NONE;
}

static enum terse_error celsius(struct terse_call *call, bool asks, int arg)
{
    (void)asks, (void)arg;
    answer_number(call, world_celsius(call->server->world, call->target), 2);
    return TERSE_NONE;
}

static enum terse_error millivolts(struct terse_call *call, bool asks, int arg)
{
    (void)asks, (void)arg;
    answer_number(call, thermo_volts(call->server, call->target) * 1e3, 4);
    return TERSE_NONE;
}

static enum terse_error junction(struct terse_call *call, bool asks, int arg)
{
    (void)asks, (void)arg;
    answer_number(call, thermo_junction_celsius(call->server), 2);
    return TERSE_NONE;
}

static enum terse_error mains(struct terse_call *call, bool asks, int arg)
{
    bool on;
    (void)arg;
    if (asks)
        answer_integer(call, world_mains_is_on(call->server->world));
    else if (!value_switch(call, &on))
        return TERSE_VALUE;
    else
        world_mains(call->server->world, on);
    return TERSE_NONE;
}

static enum terse_error source_volts(struct terse_call *call, bool asks, int arg)
{
    double volts;
    (void)asks, (void)arg;
    if (!value_within(call, 0.0, 270.0, &volts) || (volts > 0.0 && volts < 80.0))
        return TERSE_VALUE;
    world_mains_volts(call->server->world, volts);
    return TERSE_NONE;
}

static enum terse_error ac(struct terse_call *call, bool asks, int arg)
{
    (void)asks;
    answer_number(call, meter_ac_value(call->server, arg), 3);
    return TERSE_NONE;
}

static enum terse_error receptacle(struct terse_call *call, bool asks, int arg)
{
    (void)asks, (void)arg;
    answer_number(call, world_receptacle_volts(call->server->world, call->target), 3);
    return TERSE_NONE;
}

#define ANY   (~0u)
#define LOAD  ROLE(SERVER_LOAD), SERVER_LOAD
#define PORT  ROLE(SERVER_SELECTOR), SERVER_SELECTOR
#define TEMP  ROLE(SERVER_THERMOMETER), SERVER_THERMOMETER
#define MAINS ROLE(SERVER_MAINS), SERVER_ROLES
#define AC    ROLE(SERVER_MAINS) | ROLE(SERVER_POWER_METER), SERVER_ROLES
#define NONE  SERVER_ROLES

static const struct terse_row rows[] = {
    {"ID", ASKS, ANY, NONE, identity, 0, false},
    {"E", ASKS, ANY, NONE, last_error, 0, false},
    {"RES", SETS, ANY, NONE, reset, 0, true},
    {"L", SETS | ASKS, LOAD, input, 0, false},
    {"X", SETS, ROLE(SERVER_LOAD), NONE, all_off, 0, true},
    {"N", ASKS, ROLE(SERVER_LOAD), NONE, count, SERVER_LOAD, false},
    {"B", SETS | ASKS, LOAD, mode, 0, false},
    {"I", SETS | ASKS, LOAD, level, WORLD_CURRENT, false},
    {"U", SETS | ASKS, LOAD, level, WORLD_VOLTAGE, false},
    {"R", SETS | ASKS, LOAD, level, WORLD_RESISTANCE, false},
    {"W", SETS | ASKS, LOAD, level, WORLD_POWER, false},
    {"S", SETS, LOAD, slew, 0, false},
    {"V", ASKS, LOAD, measure, MEASURE_VOLTS, false},
    {"A", ASKS, LOAD, measure, MEASURE_AMPS, false},
    {"P", ASKS, LOAD, measure, MEASURE_WATTS, false},
    {"OV", SETS | ASKS, LOAD, protect, 0, false},
    {"OC", SETS | ASKS, LOAD, protect, 1, false},
    {"OP", SETS | ASKS, LOAD, protect, 2, false},
    {"UV", SETS | ASKS, LOAD, protect, 4, false},
    {"Q", ASKS, LOAD, tripped, 0, false},
    {"K", SETS, LOAD, clear, 0, true},
    {"C", SETS | ASKS, PORT, contract, 0, false},
    {"G", SETS | ASKS, PORT, attach, 0, false},
    {"NC", ASKS, ROLE(SERVER_SELECTOR), NONE, count, SERVER_SELECTOR, false},
    {"T", ASKS, TEMP, celsius, 0, false},
    {"Y", ASKS, TEMP, millivolts, 0, false},
    {"J", ASKS, ROLE(SERVER_THERMOMETER), NONE, junction, 0, false},
    {"NT", ASKS, ROLE(SERVER_THERMOMETER), NONE, count, SERVER_THERMOMETER, false},
    {"M", SETS | ASKS, MAINS, mains, 0, false},
    {"MV", SETS, MAINS, source_volts, 0, false},
    {"MV", ASKS, AC, ac, AC_VOLTS, false},
    {"MA", ASKS, AC, ac, AC_AMPS, false},
    {"MW", ASKS, AC, ac, AC_WATTS, false},
    {"MF", ASKS, AC, ac, AC_FACTOR, false},
    {"Z", ASKS, ROLE(SERVER_METER), SERVER_METER, receptacle, 0, false},
};

struct terse_message {
    size_t letters, digits;
    bool asks;
    int number; /* 1 if no digit is written */
    char value[INPUT_MAX_TERSE + 1];
};

static bool take_apart(const char *text, size_t len, struct terse_message *ret)
{
    size_t at = 0, value;
    while (at < len && isalpha((unsigned char)text[at]))
        at++;
    ret->letters = at;
    ret->number = 0;
    while (at < len && isdigit((unsigned char)text[at]) && at - ret->letters < 3)
        ret->number = ret->number * 10 + (text[at++] - '0');
    ret->digits = at - ret->letters;
    ret->number = ret->digits ? ret->number : 1;
    ret->asks = at < len && text[at] == '?';
    at += ret->asks;
    value = at;
    while (value < len && text[value] == ' ')
        value++;
    if (ret->letters == 0 || (value < len && (value == at || ret->asks)))
        return false;
    memcpy(ret->value, text + value, len - value);
    ret->value[len - value] = '\0';
    return true;
}

static const struct terse_row *find_row(const struct server *server, const char *text,
                                        const struct terse_message *message)
{
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        const struct terse_row *row = &rows[i];
        bool mine = server->setup.role == SERVER_ALL || (row->roles & ROLE(server->setup.role));
        bool formed =
            message->asks ? row->forms & ASKS : row->forms & SETS && row->plain == (message->value[0] == '\0');
        if (mine && formed && strlen(row->letters) == message->letters &&
            strncasecmp(row->letters, text, message->letters) == 0 &&
            (row->counts != SERVER_ROLES || message->digits == 0))
            return row;
    }
    return NULL;
}

static enum terse_error obey(struct server *server, const char *text, size_t len)
{
    struct terse_call call = {.server = server};
    struct terse_message message;
    const struct terse_row *row = take_apart(text, len, &message) ? find_row(server, text, &message) : NULL;
    size_t first = 0, has;
    enum terse_error error;
    if (!row)
        return TERSE_UNKNOWN;
    if (row->counts != SERVER_ROLES) {
        has = server_span(server, row->counts, &first);
        if (message.number < 1 || (size_t)message.number > has)
            return TERSE_VALUE;
    }
    call.target = first + (size_t)message.number - 1;
    call.value = message.value;
    error = row->obey(&call, message.asks, row->arg);
    if (error == TERSE_NONE && message.asks)
        server_say(server, call.answer, strlen(call.answer));
    return error;
}

void terse_obey(struct server *server, const char *text, size_t len)
{
    enum terse_error error = TERSE_NONE;
    while (len > 0 && (text[len - 1] == ' ' || text[len - 1] == '\t'))
        len--;
    if (len == 0)
        return;
    for (size_t i = 0; i < len; i++)
        error = message_byte_is_legal(text[i]) ? error : TERSE_SPOILED;
    if (error == TERSE_NONE)
        error = obey(server, text, len);
    if (error != TERSE_NONE) {
        server->terse_error = (int)error;
        return;
    }
    server->heard_us = server->now_us;
    server->timed_out = false;
}
