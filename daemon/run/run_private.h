/*
 * What the files of this room share. One phase at a time (phase.c has the table); a stage kind is a row (stages.c); `out` and `now_us` are those of the call under way.
 *
 * CLEAR -> SELECT -> [BRING_UP ->] STAGE -> UNLOAD -> next unit. A loss goes STAGE -> LET_GO (10 s unloaded: the verdict, and the ladder's first rung) -> RUNG ... -> what `after` says.
 */
#ifndef BRUNT_RUN_RUN_PRIVATE_H
#define BRUNT_RUN_RUN_PRIVATE_H

#include "daemon/base/text.h"
#include "daemon/base/units.h"
#include "daemon/run/run.h"

#include <math.h>

enum {
    UNITS_MAX = PORTS_MAX * CONTRACTS_MAX * (STAGES_MAX + 1) + PORTS_MAX * STAGES_MAX,
    RING_LEN = 8,
    SETTLED_READINGS = 5
};

#define ORDER_US     (5 * US_PER_S)       /* an order to an instrument not answered after this: the bench can't be trusted */
#define LOAD_ON_US   (20 * US_PER_S)      /* likewise; the guard arms in that time too */
#define OPERATOR_US  (300 * US_PER_S)     /* how long a person is waited for */
#define LET_GO_US    (10 * US_PER_S)      /* first rung: by itself */
#define LET_GO_LEAST_US (1 * US_PER_S)    /* a supply that is back at once is still looked at for this long */
#define DETACHED_US  (2 * US_PER_S)
#define MAINS_OFF_US (60 * US_PER_S)      /* bulk capacitors empty, latches forget */
#define MAINS_ON_US  (3 * US_PER_S)       /* start-up, before the contract is asked for */
#define HELD_US      (24 * 3600 * US_PER_S) /* nobody came: the run ends as stopped */
#define COOL_US      (4 * 3600 * US_PER_S)
#define OTHER_PACE_US US_PER_S            /* ports that wait their turn */
#define FIRST_US     (5 * US_PER_S)       /* grace for the first reading after begin */
#define BUSY_US      (600 * US_PER_MS)    /* and while the load is told a dozen things before its input goes on */
#define RING_APART_US (5 * US_PER_MS)     /* between readings from which "the voltage stands" is told */

enum phase {
    PHASE_NEW,
    PHASE_CLEAR,    /* every load confirmed off */
    PHASE_SELECT,
    PHASE_BRING_UP, /* protections, small set-point, input on: each awaited */
    PHASE_STAGE,
    PHASE_UNLOAD,
    PHASE_LET_GO,
    PHASE_RUNG,
    PHASE_WATCH,    /* tripped: unloaded, looked at for watch_us */
    PHASE_COOL,     /* before a reload */
    PHASE_HELD,
    PHASE_OVER,
    PHASES
};

enum after { /* what comes once the contract is back */
    AFTER_STAGE,    /* the stage has ended */
    AFTER_AGAIN,    /* the stage goes on: load on, enter */
    AFTER_CONTRACT, /* this contract has failed, the next */
    AFTER_RELOAD,   /* cool, then the stage from its start */
    AFTER_WATCH,    /* no recovery: look, then finish */
    AFTER_STOP,     /* no recovery: finish */
    AFTERS
};

enum off_state { OFF_UNKNOWN, OFF_ASKED, OFF_UNPROVEN /* said off, no read-back: a reading has to show it */, OFF_CONFIRMED };

struct unit {
    short port, contract, stage;
    bool recheck;
    double weight_us; /* expected length */
};

struct port_state {
    bool used, heard;
    int seat;
    int contract;          /* confirmed, -1 none */
    enum off_state off;
    int64_t off_asked_us, off_due_us;
    int64_t heard_us, trusted_us; /* last reading, last trusted one */
    int64_t obeyed_us;     /* last order that the load has confirmed */
    int64_t pace_us;       /* ordered, -1 never */
    int64_t slack_us;      /* the pace before, until the next reading */
    double interval_us;    /* typical between readings */
    struct reading latest; /* trusted */
    bool has_latest;
    unsigned gaps, untrusted;
    bool contract_failed[CONTRACTS_MAX];
    bool input_on;         /* as ordered */
};

struct ring { /* the latest trusted readings: does the voltage stand? */
    struct reading last[RING_LEN]; /* oldest first */
    size_t len;
};

struct selection {
    int64_t asked_us;  /* of the supply or the operator */
    int64_t since_us;  /* readings asked after this count: the selector has answered */
    int64_t timeout_us, due_us;
    bool asked, acknowledged, for_rung;
    enum selection_proof proof;
    double seen_volts;
    struct ring ring;
};

struct bring_up {
    enum order_kind waiting; /* for the outcome of */
};

struct dwell { /* one stretch at one set-point; only its settled part counts */
    int64_t begin_us, from_us, end_us, latest_us;
    struct mean volts, amps;
};

struct slew { /* set-points on the way from one current to another */
    bool under_way;
    double from_amps, to_amps, amps_per_s;
    int64_t begin_us;
};

struct capacity {
    double rated_amps, cap_amps, good_amps, bad_amps, try_amps, step_amps, resolution_amps;
    int trips, trips_max;
    bool dwelling;
    unsigned low_readings; /* in a row, far below */
    int64_t begin_us;      /* of this try */
    char cap_from[NAME_SIZE * 2];
};

struct trace {
    struct trace_point points[WATCH_TRACE_MAX];
    size_t points_len;
    enum load_mode mode;
    double joules, limit_amps;
    int64_t fed_us, flowed_us; /* last energy step; last current seen */
    int64_t over_us;           /* since when more flows than lead, cable and connector take */
    unsigned over_readings;
};

struct stage_state {
    size_t index; /* step, point */
    int64_t done_us; /* soak */
    struct dwell dwell;
    struct slew slew;
    struct ring ring;
    struct capacity capacity;
    struct trace trace;
};

struct run {
    struct test_plan plan;
    struct watch *watch[PORTS_MAX];
    struct watch_setup watch_setup[PORTS_MAX];
    struct port_state ports[PORTS_MAX];
    struct unit units[UNITS_MAX];
    size_t units_len;
    double weight_done_us, weight_all_us;
    int64_t estimate_us;
    unsigned rungs; /* bit 1u << enum rung: may be climbed */

    int64_t now_us;
    struct run_out *out; /* during a call */

    enum phase phase;
    int64_t phase_since_us, phase_due_us;
    ptrdiff_t unit; /* -1 before the first */
    bool begun;     /* the unit's stage has */
    int64_t unit_since_us;
    int reloads;
    bool hold;      /* wanted by the operator */

    struct selection selection;
    struct bring_up bring_up;
    enum load_mode mode; /* ordered of the active port */
    double set_point, nudge_amps;
    int64_t nudge_due_us;
    bool set_pending;
    struct stage_state stage;

    enum after after;
    enum rung rung;
    int rung_step;
    enum finding_kind loss; /* why the load was let go of; FINDING_KINDS unknown */
    char loss_text[SENTENCE_SIZE];
    bool told;          /* the reason for the end stands in a finding already */
    bool mains_waiting; /* at the begin: the switch is being closed */
    int64_t loss_us;
    struct ring ring;

    bool asking;
    char question[SENTENCE_SIZE];
    char doing[NAME_SIZE];
    enum run_end end;
    char why[SENTENCE_SIZE];
};

/* ---- out.c ---- */
struct order *out_order(struct run *run, enum order_kind kind, int port); /* zeroed but for kind and port; never NULL */
void out_off(struct run *run, int port);                                  /* before all others; what switched this port on in the same call is dropped */
void out_finding(struct run *run, const struct finding *finding);
void out_say(struct run *run, enum finding_kind kind, enum severity severity, double limit, const char *format, ...) __attribute__((format(printf, 5, 6)));
struct mark *out_mark(struct run *run, enum mark_kind kind);              /* of the active port, contract, stage; now */
void out_pace(struct run *run, int port, int64_t period_us);              /* only if it changes */
void out_ask(struct run *run, const char *format, ...) __attribute__((format(printf, 2, 3)));

/* ---- phase.c ---- */
void phase_enter(struct run *run, enum phase phase, int64_t due_us);
void phase_feed(struct run *run, const struct reading *reading);
void phase_outcome(struct run *run, const struct outcome *outcome);
void phase_tick(struct run *run);
const char *phase_doing(const struct run *run);
void run_finish(struct run *run, enum run_end end, const char *format, ...) __attribute__((format(printf, 3, 4)));

/* ---- active unit: run.c ---- */
const struct unit *run_unit(const struct run *run); /* NULL before the first and after the last */
int run_port(const struct run *run);                /* -1 none */
int run_contract(const struct run *run);
const struct profile_stage *run_stage(const struct run *run);
const struct supply_contract *run_label(const struct run *run); /* of the active unit */
const struct bench_instrument *run_load(const struct run *run, int port);
const struct bench_seat *run_seat(const struct run *run, int port);
const char *run_port_name(const struct run *run, int port);
bool reading_trusted(const struct reading *reading);

/* ---- sequence.c ---- */
int sequence_build(struct run *run, struct error *err);
void sequence_next(struct run *run);   /* the next unit whose contract hasn't failed, or the end */
void unit_go(struct run *run);         /* contract confirmed: begin or go on with the unit's stage */
void stage_unload(struct run *run);    /* the stage is through: off, then the next */
void stage_end(struct run *run, bool held);
void contract_fail(struct run *run);

/* ---- select.c ---- */
void select_begin(struct run *run, bool for_rung);
void select_feed(struct run *run, const struct reading *reading);
void select_outcome(struct run *run, const struct outcome *outcome);
void select_answer(struct run *run);
void select_tick(struct run *run);
void ring_add(struct ring *ring, const struct reading *reading);
bool ring_settled(const struct ring *ring, double nominal_volts, double window_volts, double *ret_mean);
double idle_window_volts(const struct run *run);
void watch_setup_active(struct run *run, bool selecting);
void watch_setup_waiting(const struct run *run, int port, struct watch_setup *setup); /* a port before its first contract */

/* ---- load.c ---- */
void load_off(struct run *run, int port);
bool load_is_off(const struct run *run, int port); /* confirmed */
void load_bring_up(struct run *run);
void bring_up_outcome(struct run *run, const struct outcome *outcome);
void bring_up_tick(struct run *run);
void bring_up_step(struct run *run);
void load_set(struct run *run, enum load_mode mode, double set_point);
void load_nudge(struct run *run);       /* proof for the watcher that identical digits are, or aren't, a stuck reading */
void load_feed(struct run *run, const struct reading *reading); /* off without read-back */
void load_outcome(struct run *run, const struct outcome *outcome);
void load_check_due(struct run *run);
int64_t load_check_due_us(const struct run *run);

void watch_refeed(struct run *run, const struct ring *ring);

/* ---- dwell.c ---- */
void dwell_begin(struct dwell *dwell, int64_t now_us, int64_t dwell_us, int64_t settle_us);
void dwell_feed(struct dwell *dwell, const struct reading *reading);
bool dwell_over(struct dwell *dwell, int64_t now_us); /* false also while too few readings stand in it: it is made longer: up to three times, 5 s at least */
void slew_begin(struct run *run, double from_amps, double to_amps, double amps_per_s);
bool slew_go(struct run *run); /* true: arrived */
void point_mark(struct run *run, double fraction);

/* ---- trip.c ---- */
void trip_finding(struct run *run, const struct finding *finding);
void trip_let_go(struct run *run, enum after after, const struct finding *loss); /* off, fast readings, what was that? loss NULL: nothing was said, look all the same */
void let_go_feed(struct run *run, const struct reading *reading);
void let_go_tick(struct run *run);
void watch_tick_phase(struct run *run);
void cool_feed(struct run *run, const struct reading *reading);
void cool_tick(struct run *run);

/* ---- ladder.c ---- */
void ladder_climb(struct run *run, enum rung from); /* the first rung from there on that can be tried */
void ladder_result(struct run *run, bool held);
void ladder_recovered(struct run *run);
void rung_outcome(struct run *run, const struct outcome *outcome);
void rung_answer(struct run *run);
void rung_tick(struct run *run);

/* ---- stages.c and stage_*.c ---- */
struct stage_row {
    const char *name, *help;
    bool loads;            /* the input is on while it runs */
    bool expects_collapse; /* a loss is the stage's business */
    void (*begin)(struct run *run);                                /* once */
    void (*first)(struct run *run, enum load_mode *ret_mode, double *ret_set_point); /* small, before the input goes on; NULL: 2 % of rated current */
    void (*protect)(struct run *run, struct order *order);         /* changes the usual limits; may be NULL */
    void (*enter)(struct run *run);                                /* (again) at the start of a dwell: after the load came on, after a hold, after recovery */
    void (*feed)(struct run *run, const struct reading *reading);
    void (*tick)(struct run *run);                                 /* at phase_due_us */
    void (*lost)(struct run *run, const struct finding *finding);  /* if expects_collapse */
};
const struct stage_row *stage_row(enum stage_kind kind);
const struct stage_row *run_row(const struct run *run);
double stage_estimate_us(const struct profile_stage *stage);

extern const struct stage_row stage_idle, stage_step, stage_ramp, stage_hold, stage_capacity, stage_trace, stage_recover, stage_soak;

#endif
