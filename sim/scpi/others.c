/* Commands of the contract selector, thermometer, mains switch, AC power meter and second voltmeter. */
#include "sim/scpi/own.h"

#include <math.h>
#include <stdio.h>

/* ---- selector ---- */

void selector_select(struct call *call)
{
    struct world *world = call->server->world;
    double volts, amps = 0.0;
    size_t port;
    if (!call_target(call, SERVER_SELECTOR, &port))
        return;
    if (call->asks) {
        call_answer_number(call, world_contract_volts(world, port), 3);
        call_answer_number(call, world_contract_amps(world, port), 3);
        return;
    }
    if (call_number(call, 0, "V", 0.0, 60.0, 5.0, &volts) &&
        (call->parameter_count < 2 || call_number(call, 1, "A", 0.0, 20.0, 0.0, &amps)) &&
        !world_select(world, port, volts, amps))
        call_refuse(call, -221);
}

void selector_settled(struct call *call)
{
    size_t port;
    if (call_target(call, SERVER_SELECTOR, &port))
        call_answer_integer(call, world_settled(call->server->world, port));
}

void selector_count(struct call *call)
{
    struct world_offer offers[WORLD_CONTRACTS_MAX];
    size_t port;
    if (call_target(call, SERVER_SELECTOR, &port))
        call_answer_integer(call, (long)world_offers(call->server->world, port, offers));
}

void selector_catalog(struct call *call)
{
    struct world_offer offers[WORLD_CONTRACTS_MAX];
    size_t port, count;
    if (!call_target(call, SERVER_SELECTOR, &port))
        return;
    count = world_offers(call->server->world, port, offers);
    for (size_t i = 0; i < count; i++) {
        call_answer_number(call, offers[i].volts, 3);
        call_answer_number(call, offers[i].programmable ? offers[i].max_volts : offers[i].volts, 3);
        call_answer_number(call, offers[i].amps, 3);
    }
    if (count == 0)
        call_answer(call, "\"\"");
}

void selector_attach(struct call *call)
{
    size_t port;
    bool on;
    if (!call_target(call, SERVER_SELECTOR, &port))
        return;
    if (call->asks)
        call_answer_integer(call, world_attached(call->server->world, port));
    else if (call_boolean(call, 0, &on))
        world_attach(call->server->world, port, on);
}

void selector_cable(struct call *call)
{
    size_t port;
    if (call_target(call, SERVER_SELECTOR, &port))
        call_answer_number(call, world_cable_amps(call->server->world, port), 1);
}

void selector_ports(struct call *call)
{
    size_t first;
    call_answer_integer(call, (long)server_span(call->server, SERVER_SELECTOR, &first));
}

/* ---- thermometer ---- */

double thermo_junction_celsius(const struct server *server)
{
    /* the terminal block breathes with the room: 0.3 K in ten minutes */
    return 24.6 + 0.3 * sin(2.0 * 3.14159265358979323846 * (double)(server->now_us % 600000000) / 600e6);
}

double thermo_volts(const struct server *server, size_t place)
{
    return couple_k_volts(world_celsius(server->world, place)) - couple_k_volts(thermo_junction_celsius(server));
}

void thermo_read(struct call *call)
{
    size_t first, count = server_span(call->server, SERVER_THERMOMETER, &first), list[WORLD_PLACES_MAX], marked = count;
    int error = 0;
    for (size_t i = 0; i < count && i < WORLD_PLACES_MAX; i++)
        list[i] = i + 1;
    if (call->parameter_count)
        error =
            value_channels(call->parameters[0].text, call->parameters[0].len, count, list, WORLD_PLACES_MAX, &marked);
    if (error) {
        call_refuse(call, error);
        return;
    }
    for (size_t i = 0; i < marked; i++) {
        size_t place = first + list[i] - 1;
        if (call->command->arg)
            call_answer_number(call, thermo_volts(call->server, place), 7);
        else
            call_answer_number(call, world_celsius(call->server->world, place), 2);
    }
}

void thermo_reference(struct call *call)
{
    call_answer_number(call, thermo_junction_celsius(call->server), 2);
}

void thermo_count(struct call *call)
{
    size_t first;
    call_answer_integer(call, (long)server_span(call->server, SERVER_THERMOMETER, &first));
}

void thermo_name(struct call *call)
{
    char text[96];
    size_t place;
    if (!call_target(call, SERVER_THERMOMETER, &place))
        return;
    snprintf(text, sizeof text, "\"%.80s\"", world_place_name(call->server->world, place));
    call_answer(call, text);
}

/* ---- mains and meters ---- */

void mains_state(struct call *call)
{
    bool on;
    if (call->asks)
        call_answer_integer(call, world_mains_is_on(call->server->world));
    else if (call_boolean(call, 0, &on))
        world_mains(call->server->world, on);
}

void mains_volts(struct call *call)
{
    double volts;
    if (call->asks)
        call_answer_number(call, world_mains_volts_now(call->server->world), 2);
    else if (call_number(call, 0, "V", 0.0, 270.0, 230.0, &volts)) {
        if (volts > 0.0 && volts < 80.0)
            call_refuse(call, -222);
        else
            world_mains_volts(call->server->world, volts);
    }
}

double meter_ac_value(const struct server *server, int what)
{
    double volts = world_mains_volts_now(server->world), watts = world_mains_watts(server->world);
    double factor = world_mains_power_factor(server->world);
    switch (what) {
    case AC_VOLTS:
        return volts;
    case AC_WATTS:
        return watts;
    case AC_FACTOR:
        return factor;
    default:
        return volts * factor > 0.0 ? watts / (volts * factor) : 0.0;
    }
}

void meter_ac(struct call *call)
{
    static const int decimals[] = {[AC_VOLTS] = 2, [AC_AMPS] = 4, [AC_WATTS] = 3, [AC_FACTOR] = 3};
    call_answer_number(call, meter_ac_value(call->server, call->command->arg), decimals[call->command->arg]);
}

void meter_receptacle(struct call *call)
{
    size_t port;
    if (call_target(call, SERVER_METER, &port))
        call_answer_number(call, world_receptacle_volts(call->server->world, port), 4);
}
