/*
 * The inside of a bench, shared by the files of this room. An *address* is a line with the instruments behind it; a
 * *unit* is one thing that orders go to: a load channel, a selector channel, the mains output.
 */
#ifndef BRUNT_BENCH_MACHINE_H
#define BRUNT_BENCH_MACHINE_H

#include "daemon/bench/bench.h"
#include "daemon/bench/dialect_inside.h"
#include "daemon/bench/line.h"
#include "daemon/base/units.h"

enum { UNITS_MAX = 32, ORDERS_MAX = 8, RING = 128, TRIES_MAX = 3 };

enum task {
    TASK_NONE,
    TASK_OFF,
    TASK_OFF_READ,
    TASK_SYNC,
    TASK_UP,
    TASK_ORDER,
    TASK_LOOK,
    TASK_CHECK,
    TASK_SAMPLE,
    TASK_CELSIUS
};

enum off_step { OFF_NONE, OFF_SEND, OFF_READ };

enum look { LOOK_STATE, LOOK_TRIPS, LOOK_POWER, LOOK_SETTING, LOOK_CHANNEL, LOOK_CLEAR /* trips */, LOOKS };

enum sample_kind {
    SAMPLE_JOINED /* two queries in one message */,
    SAMPLE_BOTH /* a query of its own for both */,
    SAMPLE_SPLIT
};

struct job { /* the order at the front of a unit's queue, step by step */
    int step, tries;
    int64_t not_before_us, give_up_us;
    bool half; /* the setting is out, its read-back comes next */
    bool incomplete, offered, cable_fits, amps_fit;
    double value;
    char note[SENTENCE_SIZE];
};

struct unit {
    int instrument, number, port; /* number: channel, 1...; port -1: no seat */
    struct order orders[ORDERS_MAX];
    size_t orders_len;
    struct job job;

    /* loads and mains */
    bool ordered_on, off_ordered, input_on, input_known;
    bool may_be_on; /* from the first byte of "on" until an off has been confirmed */
    unsigned trips_off; /* its own current or power protection tripped, so often since it was turned off */
    enum off_step off;
    int64_t off_since_us, off_not_before_us, check_us;
    unsigned off_asked; /* orders that wait for the confirmation */
    bool stays_on_said, current_seen /* once; twice is a finding */, current_gone, trips_due;
    enum load_mode mode;
    bool mode_known;
    double set_point;

    /* sampling */
    enum sample_kind kind;
    char sample[2][MESSAGE_SIZE]; /* SAMPLE_SPLIT has two messages */
    int64_t period_us, sample_due_us, sample_asked_us;
    int sample_step;
    double half_volts;
    char last_answer[WORD_SIZE]; /* of a pair */
    bool twin_seen;
    unsigned half_quality;
    bool half_transition, collapsed;

    int64_t look_due_us;
    unsigned look_turn;
    enum look look;
    bool found_off;

    int contract; /* of the port: selected and confirmed */
};

struct instrument {
    int address;
    bool identified, ever_identified;
    int up_step, up_tries; /* up_step -1: all done */
    bool up_half;          /* the setting is out, its read-back comes next */
    int64_t up_not_before_us;
    char identity[SENTENCE_SIZE], heard[SENTENCE_SIZE] /* once; it must say the same twice */, trouble[SENTENCE_SIZE];
    bool protections_set, timeout_set;
    bool left_out; /* measuring queries need no channel number: the only one used is the one it takes */
    int64_t answered_us;
    uint64_t answers, timeouts, resyncs, garbage;
    int64_t celsius_due_us;
    size_t celsius_turn;
};

struct address {
    struct line line;
    bool up, lost, must_sync, was_resynced;
    enum task task;
    int unit, instrument; /* whom the task is for */
    int first;            /* instrument whose dialect sets the manners */
    int64_t free_us;      /* next message not before */
    int64_t next_us;      /* when something will be due on the free line */
    int64_t silent_us;    /* first question without answer, NEVER_US: none */
    bool babbled;         /* something came since, but nothing that answers */
    size_t turn;
    double asked_set_point; /* what was acknowledged when the sample was asked */
    bool asked_input_on;
    int asked_step; /* of a pair: the answer to a step that was given up counts for nothing */
    enum load_mode asked_mode;
};

struct ring {
    size_t from, len;
};

struct bench {
    struct bench_setup setup;
    struct address addresses[BENCH_LINES_MAX];
    size_t addresses_len;
    struct instrument instruments[BENCH_INSTRUMENTS_MAX];
    struct unit units[UNITS_MAX];
    size_t units_len;
    int load_unit[PORTS_MAX], selector_unit[PORTS_MAX], mains_unit;
    bool sampling;
    int64_t held_back_us; /* bench_hold_back() */
    uint64_t random;
    double celsius[PROBES_MAX];
    int64_t celsius_us[PROBES_MAX];
    struct reading readings[RING];
    struct outcome outcomes[RING];
    struct finding findings[RING];
    struct ring readings_at, outcomes_at, findings_at;
};

/* ---- bench.c ---- */

static inline const struct dialect *dialect_of(const struct bench *bench, int instrument)
{
    return bench->setup.instruments[instrument].dialect;
}

static inline struct address *address_of(struct bench *bench, int instrument)
{
    return &bench->addresses[bench->instruments[instrument].address];
}

const char *instrument_name(const struct bench *bench, int instrument);
uint64_t bench_random(struct bench *bench);

void emit_reading(struct bench *bench, const struct reading *reading);
void emit_outcome(struct bench *bench, const struct outcome *outcome);
/* since_us = at_us = now; numbers NAN. */
void emit_finding(struct bench *bench, enum finding_kind kind, enum severity severity, int port, int64_t now_us,
                  const char *format, ...) __attribute__((format(printf, 6, 7)));

/* Puts a message on the free line for a task. false: longer than the instrument takes. */
bool say(struct bench *bench, struct address *address, enum task task, int instrument, int unit, const char *text,
         bool expects, int64_t now_us);
/* A template said with the unit's channel; value NULL: none. */
bool say_form(struct bench *bench, struct address *address, enum task task, int instrument, int unit, const char *form,
              const char *value, bool expects, int64_t now_us);
/* A setting together with its read-back where the dialect can join them, else alone. *ret_joined: an answer will come.
 */
bool say_setting(struct bench *bench, struct address *address, enum task task, int instrument, int unit,
                 const char *send, const char *query, const char *value, bool *ret_joined, int64_t now_us);
/* A read-back is what was sent, as far as decimals and resolution go. */
bool near_enough(const struct command *command, double sent, double said);
/* Something will be due at that time on this address. */
void wake_at(struct address *address, int64_t at_us);

/* ---- schedule.c ---- */

/* Lets the line, if it is free, ask what is due. */
void schedule(struct bench *bench, struct address *address, int64_t now_us);
void handle_event(struct bench *bench, struct address *address, enum line_event event, int64_t now_us);
int64_t silence_due_us(const struct bench *bench, const struct address *address);
void silence_tick(struct bench *bench, struct address *address, int64_t now_us);
/* The answer to the task can't be trusted: its step is done again after a resynchronisation. */
void distrust(struct bench *bench, struct address *address, int64_t now_us);

/* ---- off.c ---- */

bool off_schedule(struct bench *bench, struct address *address, int64_t now_us);
bool off_read_schedule(struct bench *bench, struct address *address, int64_t now_us);
void off_sent(struct bench *bench, struct unit *unit, int64_t now_us);
bool off_answered(struct bench *bench, struct unit *unit, const char *answer, int64_t now_us); /* false: not in form */
/* Wanted off from now on, goes out at once. */
void off_now(struct bench *bench, struct unit *unit, int64_t now_us);
void off_wanted(struct unit *unit, int64_t since_us);
void off_clock(struct unit *unit, int64_t now_us);
void off_failed(struct bench *bench, struct unit *unit, int64_t now_us, const char *why);
const char *off_form(const struct bench *bench, const struct unit *unit);
/* The load doesn't go off, or can't be told to: what feeds the supply goes instead. Says what was done, for a finding's sentence. */
const char *cut_mains(struct bench *bench, const struct unit *load, int64_t now_us);
/* Nothing reaches this address any more: before it is called lost. Says what was done, "" nothing. */
const char *off_out_of_reach(struct bench *bench, const struct address *address, int64_t now_us);
/* Amps seen in an answer asked at asked_us: the last word on whether the input is off. */
void off_judge_amps(struct bench *bench, struct unit *unit, double amps, int64_t asked_us, int64_t now_us);

/* ---- bring_up.c ---- */

void up_restart(struct bench *bench, int instrument, int64_t now_us);
bool up_schedule(struct bench *bench, struct address *address, int64_t now_us);
void up_done(struct bench *bench, int instrument, int64_t now_us); /* message without answer is out */
bool up_answered(struct bench *bench, int instrument, const char *answer, int64_t now_us); /* false: not in form */
void up_failed(struct bench *bench, int instrument, int64_t now_us);                       /* time-out */

/* ---- orders.c ---- */

bool order_schedule(struct bench *bench, struct address *address, int64_t now_us);
void order_done(struct bench *bench, struct unit *unit, int64_t now_us);
bool order_answered(struct bench *bench, struct unit *unit, const char *answer, int64_t now_us);
void order_failed(struct bench *bench, struct unit *unit, int64_t now_us);
/* All orders of the unit end in `state`. */
void orders_end(struct bench *bench, struct unit *unit, int64_t now_us, const char *why);
void order_finish(struct bench *bench, struct unit *unit, enum outcome_state state, enum selection_proof proof,
                  double value, int64_t now_us, const char *format, ...) __attribute__((format(printf, 7, 8)));

/* ---- order_steps.c ---- */

enum say_result {
    SAY_SAID,
    SAY_SKIP /* nothing to say in this step */,
    SAY_WAIT,
    SAY_ENDED /* the order is finished */
};
enum hear_result {
    HEAR_NEXT,
    HEAR_AGAIN,
    HEAR_REFUSED /* job.note says what; errors are read, then it fails */,
    HEAR_ENDED,
    HEAR_WRONG
};

struct order_step {
    enum say_result (*say)(struct bench *bench, struct address *address, struct unit *unit, int64_t now_us);
    enum hear_result (*hear)(struct bench *bench, struct unit *unit, const char *answer, int64_t now_us);
    bool once; /* never said twice: after a failure the next step finds out what became of it */
};

enum { ORDER_STEPS_MAX = 8 };
extern const struct order_step order_steps[ORDER_KINDS][ORDER_STEPS_MAX];

/* ---- words.c ---- */

bool trips_describe(const struct dialect *dialect, long long bits, char *to, size_t size);
int error_text(const struct dialect *dialect, const char *answer, char *to,
               size_t size); /* 1: an error; 0: none; -1: not in form */

/* ---- look.c ---- */

bool look_schedule(struct bench *bench, struct address *address, int64_t now_us);
bool look_answered(struct bench *bench, struct unit *unit, const char *answer, int64_t now_us);
void look_failed(struct bench *bench, struct unit *unit, int64_t now_us);
void look_done(struct bench *bench, struct unit *unit, int64_t now_us);

/* ---- sample.c ---- */

void sample_prepare(struct bench *bench, int instrument);   /* composes the shortest messages */
void sample_leave_out(struct bench *bench, int instrument); /* the channel's number, where that is safe; composes too */
bool sample_schedule(struct bench *bench, struct address *address, int64_t now_us);
bool check_schedule(struct bench *bench, struct address *address, int64_t now_us);
bool sample_answered(struct bench *bench, struct unit *unit, const char *answer, int64_t asked_us, int64_t now_us,
                     bool check);
bool celsius_schedule(struct bench *bench, struct address *address, int64_t now_us);
bool celsius_answered(struct bench *bench, int instrument, const char *answer, int64_t now_us);
void sample_restart(struct unit *unit);

#endif
