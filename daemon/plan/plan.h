/*
 * What is on the table before the first order: the bench, the supply's label, the profile. Read strictly (base/tree.h), then checked
 * against each other. The same readers serve the client (libconfig) and the daemon (JSON), so both refuse the same things.
 */
#ifndef BRUNT_PLAN_PLAN_H
#define BRUNT_PLAN_PLAN_H

#include "daemon/base/error.h"
#include "daemon/base/tree.h"
#include "daemon/terms/terms.h"

/* ---- bench: the instruments of one computer ---- */

enum { INSTRUMENTS_MAX = 8, ADDRESS_SIZE = 160, CHANNELS_MAX = 16 };

enum instrument_role { ROLE_LOAD, ROLE_SELECTOR, ROLE_THERMOMETER, ROLE_MAINS, ROLE_METER, ROLES };
const char *instrument_role_name(enum instrument_role role); /* "load", "selector", "thermometer", "mains", "meter" */

enum link_kind { LINK_SERIAL, LINK_PTY, LINK_TCP, LINK_MEMORY, LINK_KINDS };
const char *link_kind_name(enum link_kind kind); /* "serial", "pty", "tcp", "memory": the word before ':' in an address */

enum parity { PARITY_NONE, PARITY_EVEN, PARITY_ODD };
enum flow { FLOW_NONE, FLOW_RTS_CTS, FLOW_XON_XOFF };

struct line_settings { /* used on serial; baud also paces expectations on pty and memory when > 0 */
    int baud, data_bits, stop_bits;
    enum parity parity;
    enum flow flow;
};

struct accuracy { /* +-(percent of reading + percent of range) */
    double percent_of_reading, percent_of_range, range;
};

struct bench_instrument {
    char name[NAME_SIZE];
    enum instrument_role role;
    enum link_kind link;
    char address[ADDRESS_SIZE]; /* device path, host:port, or the memory link's name, without the kind */
    struct line_settings line;
    char dialect[NAME_SIZE];
    char serial_number[NAME_SIZE]; /* expected in the identity; "" any */
    int channels;
    double max_volts, max_amps, max_watts, min_volts; /* load: ratings; min_volts: where it can still sink max_amps */
    bool constant_voltage_mode, constant_resistance_mode;
    struct accuracy volts, amps;
    double celsius_accuracy;       /* thermometer, +- */
    int64_t communications_timeout_us; /* the load's own, set at start where the dialect can; 0 none */
    char calibrated[16], calibration_due[16]; /* "2026-05-01"; "" unknown */
    int line_no;
    double isolation_volts;        /* thermometer: what its channels stand against earth, rms; 0 none stated */
    double min_celsius, max_celsius; /* thermometer: what its thermocouples read */
};

enum sense { SENSE_FOUR_WIRE, SENSE_TWO_WIRE };

struct bench_lead {
    enum sense sense;
    double max_volts, max_amps;      /* of lead and its weakest connector */
    double loop_ohms, loop_ohms_u;   /* two-wire: both conductors and contacts, expanded (k = 2); 0 for four-wire */
};

struct bench_seat { /* a place where one port of the supply is plugged in */
    char name[NAME_SIZE];
    int load, channel;   /* index into instruments; channel 1... */
    int selector;        /* -1: the operator selects */
    int selector_channel;
    struct bench_lead lead;
    double cable_amps;   /* marking of the cable between port and lead: 3 or 5; 0 none fitted (captive plug) */
    int line_no;
};

struct bench_probe {
    char name[NAME_SIZE], place[NAME_SIZE];
    int thermometer, channel;
    int line_no;
    bool live;           /* sits on a part at mains potential: refused unless isolation_volts covers mains_volts */
};

struct bench_plan {
    char name[NAME_SIZE];
    struct bench_instrument instruments[INSTRUMENTS_MAX];
    size_t instruments_len;
    struct bench_seat seats[PORTS_MAX];
    size_t seats_len;
    struct bench_probe probes[PROBES_MAX];
    size_t probes_len;
    int mains;                       /* -1: none */
    bool hardware_cutoff;            /* a thermal cut-off of the mains side, independent of any software, is declared */
    char hardware_cutoff_text[NAME_SIZE * 2];
    char control_group[NAME_SIZE];   /* who may control; "" the daemon's own user only */
    char file[ADDRESS_SIZE];
    double mains_volts;              /* rms, of the outlet that the supply hangs on; default 230 */
};

int bench_plan_read(struct tree *tree, struct bench_plan *ret, struct error *err);

/* ---- supply: what the label promises ---- */

enum connector { CONNECTOR_USB_C, CONNECTOR_USB_A, CONNECTOR_BARREL, CONNECTOR_TERMINALS, CONNECTORS };
const char *connector_name(enum connector connector);

struct supply_contract {
    double volts, amps;
    double low_volts, high_volts; /* tolerance window at the connector under load; default USB PD vSrcNew 0.95/1.05 for USB-C, else as given or +-5 % */
    bool programmable;            /* PPS: current limiting is specified behaviour */
    int line_no;
};

struct supply_port {
    char name[NAME_SIZE];
    enum connector connector;
    double connector_amps;        /* rating; default by connector: USB-C 5, USB-A 3, barrel 5, terminals 20 */
    struct supply_contract contracts[CONTRACTS_MAX];
    size_t contracts_len;
    int line_no;
};

struct supply_combination { /* which contracts are allowed at once: contract index per port, -1 port unused */
    int contract[PORTS_MAX];
};

enum { COMBINATIONS_MAX = 32 };

struct supply_plan {
    char name[NAME_SIZE], model[NAME_SIZE], serial[NAME_SIZE], firmware[NAME_SIZE];
    struct supply_port ports[PORTS_MAX];
    size_t ports_len;
    struct supply_combination combinations[COMBINATIONS_MAX];
    size_t combinations_len;
    double total_watts;
    double max_no_load_percent;    /* idle window: +- percent of nominal with no load; default 5 */
    char file[ADDRESS_SIZE];
    int total_watts_line;
    int combination_lines[COMBINATIONS_MAX];
};

int supply_plan_read(struct tree *tree, struct supply_plan *ret, struct error *err);

/* ---- profile: what to do ---- */

enum stage_kind { /* see run/ for what each does */
    STAGE_IDLE,     /* contract selected, input off, for dwell */
    STAGE_STEP,     /* currents one after the other, dwell each */
    STAGE_RAMP,     /* from_ to to_ at slew */
    STAGE_HOLD,     /* one current for dwell */
    STAGE_CAPACITY, /* capacity search */
    STAGE_TRACE,    /* limit trace */
    STAGE_RECOVER,  /* recovery ladder, if the contract is lost; else nothing */
    STAGE_SOAK,     /* one current for a time */
    STAGE_KINDS
};
const char *stage_kind_name(enum stage_kind kind); /* "idle", "step", "ramp", "hold", "capacity", "trace", "recover", "soak" */

enum on_trip { ON_TRIP_STOP, ON_TRIP_WATCH /* unloaded, for watch_us */, ON_TRIP_NEXT /* recover, then the next contract */, ON_TRIP_RELOAD, ON_TRIPS };
const char *on_trip_name(enum on_trip on_trip);

enum { STAGES_MAX = 24, STEPS_MAX = 16 };

struct profile_stage {
    enum stage_kind kind;
    char name[NAME_SIZE];
    double fractions[STEPS_MAX];  /* of rated current: step; [0] hold, soak, ramp's from; [1] ramp's to */
    size_t fractions_len;
    int64_t dwell_us;             /* step: each; hold, idle, soak: whole; capacity, trace: each point */
    int64_t settle_us;            /* cut from the front of each dwell before its mean is taken */
    double slew_amps_per_s;       /* ramp, capacity */
    double resolution_fraction;   /* capacity: of rated current, smallest step that still counts (0.01) */
    double cap_fraction;          /* capacity: at most this, of rated current (1.5) */
    double trace_from, trace_to;  /* of the contract's volts (0.95, 0.20) */
    size_t trace_points;
    double max_joules;            /* trace: energy bound */
    int trips_max;                /* capacity: 3 */
    int line_no;
    unsigned rungs;               /* recover: bit 1u << enum rung for each that may be used; default: all that the bench has (see test_plan_make) */
    bool rungs_stated;            /* the profile lists them: each must be possible on this bench */
};

enum each { EACH_CONTRACT, /* all stages for a contract, then the next */ EACH_STAGE /* a stage over all contracts, by rising power, then the next */ };

struct profile_plan {
    char name[NAME_SIZE];
    enum each each;
    struct profile_stage stages[STAGES_MAX];
    size_t stages_len;
    bool recheck_first;           /* characterise: at the end the first contract once more (its first stages up to the first STEP/HOLD) */
    enum on_trip on_trip;
    int64_t watch_us;
    int reload_max;
    double reload_below_celsius;
    int64_t select_timeout_us;    /* to settle in the idle window; default 2 s, operator 5 min */
    int64_t sample_period_us;     /* 0: as fast as the line permits */
    int64_t tolerate_silence_us;  /* how long an instrument may be silent before the run ends; default 1 s */
    double over_volts_percent;    /* hard limit above nominal, default 20, acts on one whole reading; reason printed */
    char file[ADDRESS_SIZE];
    int line_no, on_trip_line;
    bool select_timeout_stated;   /* else test_plan_make() fits it to the bench: 2 s, or 5 min where the operator selects */
};

int profile_plan_read(struct tree *tree, struct profile_plan *ret, struct error *err);

/* ---- the whole ---- */

struct test_plan {
    struct bench_plan bench;
    struct supply_plan supply;
    struct profile_plan profile;
    int port_of_seat[PORTS_MAX];  /* which port of the supply sits in each seat, -1 empty */
    bool contract_chosen[PORTS_MAX][CONTRACTS_MAX]; /* which to test; default all of the ports that sit in a seat */
    uint64_t seed;                /* for jitter */
};

/* Everything checked before the first order: label against label (sum, combinations), currents of each stage against load, lead, cable, connector (volts, amps,
 * watts, minimum volts), selector and mains where the profile needs them. ERROR_RATING or ERROR_FILE, "file:line: ...", each limit followed by where it comes from.
 * -1 at the first; to see all, call plan_remarks(). */
int plan_check(const struct test_plan *plan, struct error *err);

struct plan_remark {
    enum error_kind kind; /* ERROR_NONE: worth knowing, no reason to refuse (label against the USB PD power rules, ...) */
    char text[sizeof((struct error *)0)->text];
};
/* Everything that plan_check() would refuse, one after the other, then what is merely odd about the label. Returns how many there
 * are; ret (may be NULL if max is 0) gets the first max of them. */
size_t plan_remarks(const struct test_plan *plan, struct plan_remark *ret, size_t max);

/* The fixed voltages and least currents that a USB PD source of that power must offer (5, 9, 15, 20, 28, 36, 48 V as the power
 * demands; USB PD power rules, normative voltages). pdp_watts: 0.5 to 240, else 0 offers. ret: room for POWER_OFFERS_MAX. */
struct power_offer {
    double volts, amps;
};
enum { POWER_OFFERS_MAX = 7 };
size_t plan_power_rule(double pdp_watts, struct power_offer *ret);

/* Puts the three together: ports into seats in order, all contracts of these ports chosen, seed 1, and what the profile leaves to the
 * bench (select_timeout_us, rungs). Checks nothing; call plan_check(). */
void test_plan_make(const struct bench_plan *bench, const struct supply_plan *supply, const struct profile_plan *profile, struct test_plan *ret);

/* RPC params: {"supply": tree_to_json(), "profile": tree_to_json(),
 *  "seats": {"seat name": "port name", ...}                    optional: seats not named stay empty; default: ports to seats in order
 *  "contracts": [{"port": name, "volts": 9.0, "amps": 3.0}]    optional, amps optional: only these; default: all of the seated ports
 *  "seed": integer >= 0}                                       optional, default 1
 * Other members are left to the caller. Reads, joins and calls plan_check(). ERROR_PROTOCOL: the params themselves are malformed;
 * ERROR_FILE, ERROR_RATING: "file:line: ..." as for a file. *ret untouched on failure. */
struct json_t;
int test_plan_from_json(const struct json_t *params, const struct bench_plan *bench, struct test_plan *ret, struct error *err);

/* The least of what may be drawn on that port and contract: amps, and from where ("load max_amps, bench file"). cap_fraction 0: no profile cap. */
double plan_cap_amps(const struct test_plan *plan, int port, int contract, double cap_fraction, char *from, size_t from_size);

int plan_seat_of_port(const struct test_plan *plan, int port); /* -1 none */

/* Nominal length of the whole profile on the chosen contracts, for "time to go"; an upper estimate. */
int64_t plan_estimate_us(const struct test_plan *plan);

#endif
