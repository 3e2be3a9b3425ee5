/*
 * The words the rooms speak in. Values only: what comes out of a room and goes into the next.
 *   reading   what was measured          bench -> station -> run, record
 *   order     what shall be done          run -> station -> bench
 *   outcome   what became of an order     bench -> station -> run, record
 *   finding   what a watcher recognised   watch -> run -> record
 *   mark      what the sequencer did      run -> record -> judge
 * Time: int64_t at_us, monotonic microseconds of the run's clock. NAN: not measured. Indices count from 0; -1: none.
 */
#ifndef BRUNT_TERMS_TERMS_H
#define BRUNT_TERMS_TERMS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum {
    PORTS_MAX = 4,      /* of a supply, and seats of a station */
    CONTRACTS_MAX = 16, /* of a port */
    PROBES_MAX = 16,    /* thermocouples of a station */
    NAME_SIZE = 64,     /* a name with its NUL */
    SENTENCE_SIZE = 240
};

enum load_mode { LOAD_CURRENT, LOAD_VOLTAGE, LOAD_RESISTANCE, LOAD_MODES };
const char *load_mode_name(enum load_mode mode); /* "current", "voltage", "resistance" */

/* ---- reading ---- */

enum reading_quality { /* bits; 0: whole and trusted */
    QUALITY_NAN = 1 << 0,        /* the instrument said not-a-number */
    QUALITY_OVER_RANGE = 1 << 1, /* the instrument said overflow, or the value is beyond its range */
    QUALITY_LATE = 1 << 2,       /* older than its deadline when it came */
    QUALITY_RESYNC = 1 << 3,     /* first after a resynchronisation */
    QUALITY_TRANSITION = 1 << 4, /* an order to this port was under way while it was taken */
};

struct reading {
    int64_t at_us;      /* when the last byte of the answer had arrived */
    int64_t asked_us;   /* when the first byte of the query had gone out */
    int port;           /* of the supply */
    double volts, amps; /* at the connector, lead drop corrected where the bench file says how; NAN: not measured */
    double load_volts;  /* as the load said it */
    enum load_mode mode;
    double set_point;   /* A, V or ohm by mode; as acknowledged by the load before this was asked */
    bool input_on;      /* as acknowledged likewise */
    int contract;       /* selected and confirmed on this port, -1 none */
    double celsius[PROBES_MAX]; /* latest of each probe, NAN: none, open, or older than 5 s */
    unsigned quality;   /* reading_quality bits; a reading with any of NAN, OVER_RANGE, LATE is recorded but not trusted */
};

/* ---- order ---- */

enum order_kind {
    ORDER_LOAD_OFF,     /* port: input off, goes out at once, again until confirmed */
    ORDER_LOAD_ON,      /* port */
    ORDER_LOAD_SET,     /* port, mode, value: mode and set-point. A change of mode switches the input off first, never on */
    ORDER_LOAD_PROTECT, /* port, volts, amps, watts: over-limits of the load itself; floor_volts: its under-voltage cut-off, 0 disarms */
    ORDER_SELECT,       /* port, contract, volts, amps: ask the supply for it */
    ORDER_DETACH,       /* port: take the data/CC side away (contract selector that can) */
    ORDER_ATTACH,       /* port */
    ORDER_MAINS_OFF,    /* the whole station */
    ORDER_MAINS_ON,
    ORDER_ASK,          /* ask the operator text; the answer comes back as an outcome */
    ORDER_PACE,         /* port, period_us between queries; 0: as fast as the line permits, jittered */
    ORDER_FINISH,       /* the run is over; verdict of how in `end` */
    ORDER_KINDS
};
const char *order_kind_name(enum order_kind kind); /* "load-off", ... */

enum run_end { RUN_DONE, RUN_STOPPED, RUN_TRIPPED, RUN_FAULT, RUN_CRASHED, RUN_ENDS };
const char *run_end_name(enum run_end end); /* "done", "stopped", "tripped", "fault", "crashed" */

struct order {
    enum order_kind kind;
    int port;
    enum load_mode mode;
    double value;
    double volts, amps, watts, floor_volts;
    int contract;
    int64_t period_us;
    enum run_end end;
    char text[SENTENCE_SIZE];
};

/* ---- outcome ---- */

enum outcome_state { OUTCOME_DONE, OUTCOME_FAILED, OUTCOME_UNCONFIRMED /* done, but nobody could read it back */, OUTCOME_STATES };
const char *outcome_state_name(enum outcome_state state);

enum selection_proof { PROOF_NONE, PROOF_VOLTAGE_ONLY, PROOF_CONTRACT /* the selector states object, amps and cable */ };

struct outcome {
    int64_t at_us;
    enum order_kind kind;
    int port;
    int contract;
    enum outcome_state state;
    enum selection_proof proof;  /* ORDER_SELECT */
    double value;                /* read back, NAN: not */
    char text[SENTENCE_SIZE];    /* why it failed, or what the operator answered */
};

/* ---- finding ---- */

enum finding_kind {
    FINDING_DROOP,
    FINDING_OVER_VOLTAGE,
    FINDING_SHUTDOWN,
    FINDING_HICCUP,
    FINDING_LATCH_OFF,
    FINDING_HARD_RESET,
    FINDING_CONTRACT_LOST,
    FINDING_CONSTANT_CURRENT,
    FINDING_CONSTANT_POWER,
    FINDING_FOLDBACK,
    FINDING_COLLAPSED,         /* gave way under a constant-current load; no shape claimed */
    FINDING_SENSE,             /* sense wire open or reversed */
    FINDING_INSTRUMENT_STALE,
    FINDING_INSTRUMENT_STUCK,
    FINDING_INSTRUMENT_NAN,
    FINDING_INSTRUMENT_RANGE,
    FINDING_INSTRUMENT_DISAGREES, /* set-point against readback, load against meter */
    FINDING_INPUT_OFF,         /* found off though ordered on */
    FINDING_INPUT_ON,          /* found on though ordered off: worst of all */
    FINDING_LINK,              /* link lost or back */
    FINDING_OVERLOAD,          /* far more than the rating into an overload */
    FINDING_UNCERTAIN,         /* it gave way, the data can't show how */
    FINDING_KINDS
};
const char *finding_kind_name(enum finding_kind kind); /* "droop", "over-voltage", ... */
enum finding_kind finding_kind_of(const char *name);   /* FINDING_KINDS if none */

enum severity { SEVERITY_NOTE, SEVERITY_WARNING, SEVERITY_TRIP /* the run reacts */, SEVERITY_ABORT /* off, run over */ };
const char *severity_name(enum severity severity);

struct finding {
    int64_t at_us, since_us; /* recognised; began */
    enum finding_kind kind;
    enum severity severity;
    int port, contract;
    double volts, amps;      /* at the decisive reading */
    double limit;            /* what was crossed, NAN: none */
    double period_s, duty;   /* hiccup, where the sampling can show them; else NAN */
    bool over;               /* the state has ended */
    char text[SENTENCE_SIZE];/* one sentence with numbers, units, and where the limit comes from */
};

/* ---- mark ---- */

enum mark_kind {
    MARK_STAGE_BEGIN, /* stage, text: stage kind's name */
    MARK_STAGE_END,
    MARK_CONTRACT,    /* port, contract: selected; from_us: asked; at_us: settled in the idle window; number: settling seconds */
    MARK_IDLE,        /* [from_us, at_us]: settled window with the input off */
    MARK_POINT,       /* [from_us, at_us]: settled window of a load step; set_point, mode; number: fraction of rated current */
    MARK_TRIED,       /* capacity search: set_point amps; held: for the whole dwell or lost; [from_us, at_us] the dwell */
    MARK_CAPACITY,    /* end of a capacity search: number: last good A; set_point: first bad A, NAN if the cap came first */
    MARK_TRACE,       /* [from_us, at_us]: settled window of a limit-trace point; set_point V or ohm */
    MARK_LET_GO,      /* number: kind of finding that names the behaviour (enum finding_kind) */
    MARK_RUNG,        /* recovery ladder: number: rung (enum rung); held: it worked */
    MARK_HOLD, MARK_RESUME, /* operator */
    MARK_NOTE,        /* operator: text */
    MARK_GAP,         /* [from_us, at_us] nothing was measured: text why */
    MARK_KINDS
};
const char *mark_kind_name(enum mark_kind kind);
enum mark_kind mark_kind_of(const char *name); /* MARK_KINDS if none */

enum rung { RUNG_WAIT, RUNG_REQUEST, RUNG_DETACH, RUNG_MAINS, RUNG_OPERATOR, RUNGS };
const char *rung_name(enum rung rung); /* "wait 10 s", "request again", ... as the report prints it */

struct mark {
    int64_t at_us, from_us;
    enum mark_kind kind;
    int stage, port, contract;
    enum load_mode mode;
    double set_point, number;
    bool held;
    char text[SENTENCE_SIZE];
};

#endif
