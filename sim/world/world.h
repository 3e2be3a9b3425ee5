/*
 * The simulated bench's physics: one supply with its ports, the loads plugged into them, contract selectors, a mains source, thermocouples.
 * PURE: no clock, no I/O, no global state. Time comes in, monotonic microseconds; the same seed and the same calls give the same world.
 * The result doesn't depend on how often one looks: internal steps are the world's own business (closed form or a fixed inner grid).
 *
 * Knows nothing of SCPI or of bytes, and shares no code with the daemon but base/: two errors must not agree.
 *
 * Model and parameters: docs/simulator.md. A world is read from a libconfig group; presets stand in profiles/sim/.
 */
#ifndef BRUNT_SIM_WORLD_WORLD_H
#define BRUNT_SIM_WORLD_WORLD_H

#include "daemon/base/error.h"
#include "daemon/base/tree.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum { WORLD_PORTS_MAX = 4, WORLD_CONTRACTS_MAX = 16, WORLD_CHANNELS_MAX = 8, WORLD_PLACES_MAX = 16 };

/* How a port gives way above its limit. */
enum world_limit {
    LIMIT_CONSTANT_CURRENT,
    LIMIT_FOLDBACK,
    LIMIT_CONSTANT_POWER,
    LIMIT_HICCUP,
    LIMIT_LATCH_OFF,
    LIMIT_HARD_RESET,
    LIMIT_FALL_BACK, /* to the port's first contract */
    LIMITS
};

struct world;

/* group: { supply = {...}; channels = ( {...} ); mains = {...}; ambient_celsius = ...; } seed: all noise and intermittence. */
struct world *world_new(struct tree_at group, uint64_t seed, struct error *err);
/* The same from a supply group kept in a file of its own (preset) and defaults for the rest; `supply` may belong to another tree. */
struct world *world_new_with_supply(struct tree_at supply, struct tree_at group, uint64_t seed, struct error *err);
void world_free(struct world *world); /* NULL is fine */

/* Lets time pass up to now_us; earlier than the last is ignored. Every other call speaks of that moment. */
void world_advance(struct world *world, int64_t now_us);
int64_t world_now_us(const struct world *world);

size_t world_ports(const struct world *world);
size_t world_channels(const struct world *world); /* load channels of all loads together; channel c is plugged into port world_port_of_channel(c) */
int world_port_of_channel(const struct world *world, size_t channel);

/* ---- load ---- */

enum world_load_mode { WORLD_CURRENT, WORLD_VOLTAGE, WORLD_RESISTANCE, WORLD_POWER };

enum world_trip { /* latched protections of the load, bits */
    TRIP_OVER_VOLTAGE = 1,
    TRIP_OVER_CURRENT = 2,
    TRIP_OVER_POWER = 4,
    TRIP_OVER_TEMPERATURE = 8,
    TRIP_UNDER_VOLTAGE = 16,
};

void world_load_input(struct world *world, size_t channel, bool on); /* relay delay applies; refused silently while tripped */
bool world_load_input_is_on(const struct world *world, size_t channel); /* what the load believes and would answer */
bool world_load_conducts(const struct world *world, size_t channel);    /* what is really so: power stage shorted shows here */
/* Rounded to the set-point's resolution, clipped to the range. Returns what is in force. */
double world_load_set(struct world *world, size_t channel, enum world_load_mode mode, double value);
void world_load_mode(struct world *world, size_t channel, enum world_load_mode mode);
enum world_load_mode world_load_mode_now(const struct world *world, size_t channel);
double world_load_set_now(const struct world *world, size_t channel, enum world_load_mode mode);
double world_load_range(const struct world *world, size_t channel, enum world_load_mode mode); /* largest set-point */
/* Limits of the load's own protections; level <= 0 disarms. trip: one TRIP_ bit. */
void world_load_protect(struct world *world, size_t channel, enum world_trip trip, double level);
double world_load_protect_now(const struct world *world, size_t channel, enum world_trip trip);
unsigned world_load_trips(const struct world *world, size_t channel); /* latched TRIP_ bits */
void world_load_clear(struct world *world, size_t channel);
void world_load_slew(struct world *world, size_t channel, double amps_per_s);
/* The display: latest finished conversion, so that two looks within one conversion are the same. volts and amps may stem from different moments (skew). */
void world_load_measure(struct world *world, size_t channel, double *volts, double *amps, double *watts);
void world_load_reset(struct world *world, size_t channel);        /* *RST: input off, defaults */
/* Power cycle of the instrument: comes back after its start time with the input off, or on if the world's file says so (or the fault input-on-after-power). */
void world_load_power(struct world *world, size_t channel, bool on);
bool world_load_has_power(const struct world *world, size_t channel);

/* ---- contract selector ---- */

struct world_offer { double volts, amps; bool programmable; double max_volts; };

size_t world_offers(const struct world *world, size_t port, struct world_offer ret[WORLD_CONTRACTS_MAX]); /* as advertised now */
/* amps 0: by volts alone. false: nothing fits, nothing changes. Takes the world's selection time to come about. */
bool world_select(struct world *world, size_t port, double volts, double amps);
void world_attach(struct world *world, size_t port, bool attached);
bool world_attached(const struct world *world, size_t port);
double world_contract_volts(const struct world *world, size_t port); /* of the contract in force as the selector chip knows it; 0 none */
double world_contract_amps(const struct world *world, size_t port);
bool world_settled(const struct world *world, size_t port);          /* no transition under way */
double world_cable_amps(const struct world *world, size_t port);

/* ---- mains, thermometer, meters ---- */

void world_mains(struct world *world, bool on);
bool world_mains_is_on(const struct world *world);
void world_mains_volts(struct world *world, double volts);
double world_mains_watts(const struct world *world);
double world_mains_volts_now(const struct world *world);
double world_mains_power_factor(const struct world *world);
size_t world_places(const struct world *world);
const char *world_place_name(const struct world *world, size_t place);
double world_celsius(const struct world *world, size_t place);       /* with probe settling and noise; NAN: open */
double world_receptacle_volts(const struct world *world, size_t port); /* second voltmeter */

/* ---- truth, for tests only: noise-free ---- */

struct world_truth {
    double volts, amps;        /* at the port */
    double limit_amps;         /* present limit of the contract in force, with thermal drift */
    enum world_limit behaviour;
    bool output_on, latched, in_limit;
    double contract_volts;
    double hot_celsius;
    double joules_in, joules_out, joules_lost, joules_stored;
};
void world_truth(const struct world *world, size_t port, struct world_truth *ret);
/* Largest steady current that this port, in this contract, from its thermal state now, holds within [low, high] volts for dwell_us: by running a noise-free copy. */
double world_true_capacity(const struct world *world, size_t port, double low_volts, double high_volts, int64_t dwell_us);

/* ---- faults: one line of text, "NAME [port|channel|place N] [VALUE|off]", N counted from 1 (a person writes it), 1 if left out; the list is world_fault_help() ---- */

/* power-stage-short, sense-open, sense-reversed, readback-drift, reading-stuck, input-on-after-power, instrument-power-cycle, instrument-power-off/-on,
 * solder-joint, dried-capacitor, contract-intermittent, brown-out, drop-out, probe-open, probe-off, input-ignored, over-voltage ... each with "off" to end it. ERROR_USAGE: unknown. */
int world_fault(struct world *world, const char *line, struct error *err);
const char *world_fault_help(void);

#endif
