#include "tests/scpi/with_world.h"

#include <math.h>
#include <stdarg.h>
#include <setjmp.h>
#include <cmocka.h>
#include <stdlib.h>
#include <string.h>

struct world *still_world(void)
{
    struct world *world = calloc(1, sizeof *world);
    assert_non_null(world);
    for (size_t i = 0; i < 2; i++) {
        struct still_channel *c = &world->channels[i];
        c->power = true;
        c->ranges[WORLD_CURRENT] = 10.0;
        c->ranges[WORLD_VOLTAGE] = 60.0;
        c->ranges[WORLD_RESISTANCE] = 2000.0;
        c->ranges[WORLD_POWER] = 150.0;
        c->volts = i == 0 ? 5.0012 : 9.0;
        c->amps = i == 0 ? 1.4998 : NAN;
        c->watts = i == 0 ? 7.501 : INFINITY;
    }
    world->settled = world->mains = world->attached = true;
    world->mains_volts = 230.0;
    world->celsius[0] = 23.456;
    world->celsius[1] = 100.0;
    world->celsius[2] = NAN;
    world->celsius[3] = -5.0;
    return world;
}

struct server *still_server(struct world *world, enum server_role role, enum server_shape shape)
{
    struct server_setup setup = {.role = role, .shape = shape, .answer_delay_us = 1000};
    struct server *server;
    struct error err = ERROR_INIT;
    strcpy(setup.name, "still1");
    server = server_new(&setup, world, 1, &err);
    assert_non_null(server);
    return server;
}

static int64_t clock_us;

int64_t now_us(void)
{
    return clock_us;
}

const char *say(struct server *server, const char *text)
{
    static char answer[8192];
    size_t len;
    server_bytes(server, text, strlen(text), clock_us);
    clock_us += 1000000;
    len = server_answer(server, answer, sizeof answer - 1, clock_us);
    answer[len] = '\0';
    return answer;
}

void world_free(struct world *world)
{
    free(world);
}

void world_advance(struct world *world, int64_t at_us)
{
    if (at_us > world->now_us)
        world->now_us = at_us;
}

int64_t world_now_us(const struct world *world)
{
    return world->now_us;
}

size_t world_ports(const struct world *world)
{
    (void)world;
    return 1;
}

size_t world_channels(const struct world *world)
{
    (void)world;
    return 2;
}

void world_load_input(struct world *world, size_t channel, bool on)
{
    world->channels[channel].on = on;
}

bool world_load_input_is_on(const struct world *world, size_t channel)
{
    return world->channels[channel].on;
}

double world_load_set(struct world *world, size_t channel, enum world_load_mode mode, double value)
{
    return world->channels[channel].levels[mode] = value;
}

void world_load_mode(struct world *world, size_t channel, enum world_load_mode mode)
{
    world->channels[channel].mode = mode;
}

enum world_load_mode world_load_mode_now(const struct world *world, size_t channel)
{
    return world->channels[channel].mode;
}

double world_load_set_now(const struct world *world, size_t channel, enum world_load_mode mode)
{
    return world->channels[channel].levels[mode];
}

double world_load_range(const struct world *world, size_t channel, enum world_load_mode mode)
{
    return world->channels[channel].ranges[mode];
}

void world_load_protect(struct world *world, size_t channel, enum world_trip trip, double level)
{
    world->channels[channel].protects[trip] = level;
}

double world_load_protect_now(const struct world *world, size_t channel, enum world_trip trip)
{
    return world->channels[channel].protects[trip];
}

unsigned world_load_trips(const struct world *world, size_t channel)
{
    return world->channels[channel].trips;
}

void world_load_clear(struct world *world, size_t channel)
{
    world->channels[channel].trips = 0;
}

void world_load_slew(struct world *world, size_t channel, double amps_per_s)
{
    world->channels[channel].slew = amps_per_s;
}

void world_load_measure(struct world *world, size_t channel, double *volts, double *amps, double *watts)
{
    *volts = world->channels[channel].volts;
    *amps = world->channels[channel].amps;
    *watts = world->channels[channel].watts;
}

void world_load_reset(struct world *world, size_t channel)
{
    world->channels[channel].on = false;
    memset(world->channels[channel].levels, 0, sizeof world->channels[channel].levels);
}

bool world_load_has_power(const struct world *world, size_t channel)
{
    return world->channels[channel].power;
}

size_t world_offers(const struct world *world, size_t port, struct world_offer ret[WORLD_CONTRACTS_MAX])
{
    (void)port;
    ret[0] = (struct world_offer){5.0, 3.0, false, 5.0};
    ret[1] = (struct world_offer){3.3, 5.0, true, 11.0};
    return world->attached ? 2 : 0;
}

bool world_select(struct world *world, size_t port, double volts, double amps)
{
    (void)port;
    if (fabs(volts - 5.0) > 0.01)
        return false;
    world->contract_volts = volts;
    world->contract_amps = amps > 0.0 ? amps : 3.0;
    return true;
}

void world_attach(struct world *world, size_t port, bool attached)
{
    (void)port;
    world->attached = attached;
}

bool world_attached(const struct world *world, size_t port)
{
    (void)port;
    return world->attached;
}

double world_contract_volts(const struct world *world, size_t port)
{
    (void)port;
    return world->contract_volts;
}

double world_contract_amps(const struct world *world, size_t port)
{
    (void)port;
    return world->contract_amps;
}

bool world_settled(const struct world *world, size_t port)
{
    (void)port;
    return world->settled;
}

double world_cable_amps(const struct world *world, size_t port)
{
    (void)world, (void)port;
    return 5.0;
}

void world_mains(struct world *world, bool on)
{
    world->mains = on;
}

bool world_mains_is_on(const struct world *world)
{
    return world->mains;
}

void world_mains_volts(struct world *world, double volts)
{
    world->mains_volts = volts;
}

double world_mains_watts(const struct world *world)
{
    (void)world;
    return 46.0;
}

double world_mains_volts_now(const struct world *world)
{
    return world->mains_volts;
}

double world_mains_power_factor(const struct world *world)
{
    (void)world;
    return 0.5;
}

size_t world_places(const struct world *world)
{
    (void)world;
    return 4;
}

const char *world_place_name(const struct world *world, size_t place)
{
    (void)world;
    return place == 0 ? "case top" : "inside";
}

double world_celsius(const struct world *world, size_t place)
{
    return world->celsius[place];
}

double world_receptacle_volts(const struct world *world, size_t port)
{
    (void)world, (void)port;
    return 4.95;
}
