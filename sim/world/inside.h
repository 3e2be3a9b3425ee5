/* What the files of this room share. Outside it only the test of time includes it. The whole world is one plain struct
 * without pointers, so that a copy of it is another world. */
#ifndef BRUNT_SIM_WORLD_INSIDE_H
#define BRUNT_SIM_WORLD_INSIDE_H

#include "sim/world/world.h"

#include <math.h>

#define US_NEVER INT64_MAX
enum {
    STEP_FINE_US = 100,      /* while something electrical moves */
    STEP_COARSE_US = 200000, /* in steady state */
    STEP_SOLVE_US = 1000, /* the output capacitor is never solved over more: a longer step could hop to another branch
                             of a foldback curve */
    HEAT_EACH_US = 20000  /* heat flows at least this far apart */
};
enum { NAME_MAX_SIZE = 64 };

/* ---- deterministic randomness: a hash of (seed, stream, index), so that a look draws nothing ---- */

double noise_uniform(uint64_t seed, uint64_t stream, uint64_t index); /* [0, 1) */
double noise_gauss(uint64_t seed, uint64_t stream, uint64_t index);   /* mean 0, deviation 1, within +-6 */

/* ---- a converter: mean of the last whole window before each update ---- */

struct converter {
    int64_t update_us, window_us, phase_us; /* results stand at phase + k * update, each over the window before */
    int64_t count;                          /* k of the latest result */
    double sum, value;
};
void converter_begin(struct converter *conv, int64_t at_us);
void converter_feed(struct converter *conv, int64_t from_us, int64_t to_us, double value);
/* Latest result as of now_us, if `value` has stood since `at_us`. */
double converter_look(const struct converter *conv, int64_t at_us, int64_t now_us, double value, int64_t *ret_count);

/* ---- supply ---- */

struct contract {
    double volts, amps, max_volts; /* max_volts: programmable ones, from volts up to it */
    bool programmable;
    double error_percent, limit_ratio;
    int behaviour; /* enum world_limit */
};

struct port_setup {
    char name[NAME_MAX_SIZE];
    int connector; /* enum connector_kind */
    struct contract contracts[WORLD_CONTRACTS_MAX];
    size_t contracts_len;
    double output_ohms, compensation_ohms, ripple_volts, capacitance_farads;
    double limit_ratio, limit_drift_percent_per_kelvin, peak_ratio, foldback_ratio;
    int64_t blanking_us, hiccup_on_us, hiccup_off_us;
    int64_t selection_us, settle_us, attach_us, capabilities_us, reset_hold_us, recover_us;
    double slew_volts_per_s, transition_ratio, bleed_ohms, discharge_ohms;
    double cable_amps, board_watts, board_brown_out_volts;
    bool board_asks_again, attached, latch_clears_at_detach;
    double joint_ohms, dryness, share_percent;
    int64_t joint_us, intermittent_us;
};
enum connector_kind { CONNECTOR_USB_C, CONNECTOR_FIXED };

enum port_state {
    PORT_DEAD,      /* no mains, too hot */
    PORT_WAITING,   /* nothing attached: 0 V */
    PORT_ATTACHING, /* debounce */
    PORT_ON,
    PORT_HICCUP, /* the off time */
    PORT_LATCHED,
    PORT_RESET_HOLD,
    PORT_RESET_FALL,
    PORT_RESET_RECOVER
};

enum negotiation { NO_CONTRACT, CAPABILITIES, PENDING, SLEWING, SETTLING, CONTRACT };

struct port {
    struct port_setup set;
    enum port_state state;
    int64_t until_us; /* of the state */
    enum negotiation negotiation;
    int64_t negotiation_us;
    bool attached, knows, asks; /* knows: had a contract when it asked for the next; asks: the wanted contract will be
                                   requested when capabilities come */
    int wanted, contract, former;
    double wanted_volts, wanted_amps, requested_volts, requested_amps;
    double from_volts, target_volts, set_volts; /* set-point of the regulator, slewing */
    double volts, source_amps, load_amps, bleed_amps, compensated_amps;
    bool engaged, retrying;
    int64_t over_since_us;
    bool board_alive;
    int64_t board_down_us, board_gives_up_us;
    double joint_now_ohms;
    int64_t joint_next_us, intermittent_next_us;
    double over_voltage_percent;
    double joules_out;
    struct converter receptacle;
    double probe_amps; /* ideal load of world_true_capacity(); NAN none */
};

enum heat_node {
    HEAT_HOT,
    HEAT_SECONDARY,
    HEAT_TRANSFORMER,
    HEAT_CAPACITOR,
    HEAT_TOP,
    HEAT_BOTTOM,
    HEAT_SHELL,
    HEAT_NODES
};
enum budget_rule { BUDGET_TRIP, BUDGET_WITHDRAW, BUDGET_LESS };

struct heat_setup {
    double capacity[HEAT_NODES]; /* J/K */
    double to_top[HEAT_NODES], to_bottom[HEAT_NODES], hot_to_capacitor, hot_to_transformer, secondary_to_transformer,
        secondary_to_shell;   /* W/K */
    double share[HEAT_NODES]; /* of the losses */
    double case_square_metres, convection, emissivity, shell_watts_per_kelvin, opened_watts_per_kelvin;
    int orientation;
};

struct supply {
    char name[NAME_MAX_SIZE];
    double budget_watts, budget_ratio;
    int budget_rule;
    int64_t start_us;
    double no_load_watts, proportional_percent, conduction_ohms, conduction_percent_per_kelvin;
    double line_loss_percent, line_minimum_volts, line_derate_volts, line_derate_percent, burst_watts, power_factor;
    double bulk_joules;
    double shutdown_celsius, restart_celsius, throttle_celsius, throttle_percent;
    struct heat_setup heat;
};

/* ---- load ---- */

enum { TRIPS = 5 };

struct channel_setup {
    int port, load;
    double max_volts, max_amps, max_watts, max_ohms;
    double min_volts, floor_volts; /* sinks max_amps at min_volts, nothing at floor_volts, linear between */
    double resolution[4];          /* of the set-point, per mode */
    double program_gain_percent, program_offset[4];
    double volts_gain_percent, volts_offset, volts_noise, volts_step;
    double amps_gain_percent, amps_offset, amps_noise, amps_step;
    int64_t update_us, conversion_us, skew_us, relay_on_us, relay_off_us, protect_us, boot_us;
    double lead_ohms, slew_amps_per_s, celsius_per_watt;
    bool remote_sense, returns_on;
};

enum sense_state { SENSE_GOOD, SENSE_OPEN, SENSE_REVERSED };

struct channel {
    struct channel_setup set;
    enum world_load_mode mode;
    double set_point[4], level[TRIPS], slew_amps_per_s;
    bool input, closed; /* what it believes; what the relay does */
    int64_t relay_us, boot_us, trip_us[TRIPS];
    bool powered, was_on;
    unsigned trips;
    double ramp_amps, amps, celsius;
    struct converter volts, current;
    /* faults */
    bool input_ignored, return_on_fault, stuck;
    double short_ohms; /* 0: none */
    enum sense_state sense;
    double sense_open_fraction, drift_percent_per_min;
    int64_t drift_since_us;
    double stuck_volts, stuck_amps;
};

struct place {
    char name[NAME_MAX_SIZE];
    int node; /* -1: ambient */
    double celsius, settling_s, noise_kelvin, offset_kelvin;
    bool open, off;
};

struct world {
    uint64_t seed, draws;
    bool quiet;                     /* noise-free copy */
    int64_t now_us, at_us, step_us; /* asked for; reached; next step's length as the last ones suggest */
    struct supply supply;
    struct port ports[WORLD_PORTS_MAX];
    size_t ports_len;
    struct channel channels[WORLD_CHANNELS_MAX];
    size_t channels_len;
    struct place places[WORLD_PLACES_MAX];
    size_t places_len;
    double ambient_celsius, breath_kelvin, drift_kelvin_per_hour;
    int64_t breath_us;
    bool mains_on;
    double mains_volts, brown_out_volts; /* brown_out_volts: fault, NAN none */
    int64_t drop_out_until_us;
    bool alive, hot_shutdown, throttled; /* the primary side runs */
    int64_t start_us, over_budget_since_us;
    double bulk_joules, input_watts;
    double heat[HEAT_NODES], start_celsius, pending_joules[HEAT_NODES];
    int64_t pending_us;
    bool opened;
    double joules_in, joules_lost, joules_stored_at_start;
};

/* ---- read.c, read_load.c ---- */
int supply_read(struct tree_at group, struct world *ret, struct error *err);
int channels_read(struct tree_at group, struct world *ret, struct error *err);
int surroundings_read(struct tree_at group, struct world *ret, struct error *err);

struct number_row {
    const char *key;
    size_t offset;
    double min, max;
};
struct time_row {
    const char *key;
    size_t offset;
    int64_t min_us, max_us;
};
int numbers_read(struct tree_at group, const struct number_row *rows, size_t count, void *base, struct error *err);
int times_read(struct tree_at group, const struct time_row *rows, size_t count, void *base, struct error *err);

/* ---- step.c ---- */
void world_sync(
    struct world *w); /* before anything is changed: lets the time up to now pass, and looks closely from here on */
double world_draw(struct world *w);
int64_t world_exponential_us(struct world *w, double mean_us);

/* ---- curve.c: what flows at which voltage ---- */
double source_bound_amps(const struct world *w, const struct port *p,
                         double volts); /* the most it gives there, limiting */
double source_amps(const struct world *w, const struct port *p, double volts);
double load_amps(const struct channel *c, double volts); /* volts at the port */
double terminal_volts(const struct channel *c, double volts, double amps);
double sensed_volts(const struct channel *c, double volts, double amps);
double board_amps(const struct port *p, double volts);
void port_solve(struct world *w, size_t port, int64_t step_us);

/* ---- port.c: what the source does ---- */
double port_limit_amps(const struct world *w, const struct port *p);
enum world_limit port_behaviour(const struct port *p);
double port_rated_amps(const struct world *w, const struct port *p, int contract);
double port_contract_volts(const struct port *p, int contract, double requested_volts);
bool port_output_on(const struct port *p);
void port_begin(struct world *w, struct port *p); /* the primary side has started */
void port_dead(struct port *p);
void port_events(struct world *w, struct port *p); /* whose time has come */
int64_t port_due_us(const struct port *p);
void port_slew(struct port *p, int64_t step_us);
void port_watch(struct world *w, struct port *p); /* after a step */
void port_trip(struct world *w, struct port *p);
void port_hard_reset(struct world *w, struct port *p);
void port_drop_contract(struct world *w, struct port *p, bool known);
void port_enter(struct world *w, struct port *p, enum port_state state, int64_t for_us); /* for_us < 0: for good */
void port_no_contract(struct port *p);
void port_ask(struct world *w, struct port *p);
bool port_contract_known(const struct port *p);

/* ---- selector.c ---- */
void ports_renegotiate(struct world *w);

/* ---- load.c ---- */
void load_events(struct world *w, struct channel *c);
int64_t load_due_us(const struct channel *c);
void load_ramp(struct channel *c, int64_t step_us);
void load_watch(struct world *w, struct channel *c, int64_t step_us);
void load_power(struct world *w, struct channel *c, bool on);
bool load_passes(const struct channel *c); /* current can flow */

/* ---- meter.c ---- */
void meters_feed(struct world *w, int64_t step_us); /* the step that comes, with what stands at its beginning: so a look
                                                       in its middle sees the same */

/* ---- heat.c ---- */
double ambient_now(const struct world *w);
double mains_present_volts(const struct world *w); /* 0: absent */
void energy_step(struct world *w, const double former_volts[], int64_t step_us);
void heat_step(struct world *w);
double joules_stored(const struct world *w);

#endif
