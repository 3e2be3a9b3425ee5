/*
 * The watchers of one port: fed one reading at a time, they say what the supply (or an instrument) does. PURE.
 * Each has an entry condition, a persistence, hysteresis and an exit; states may stand together. One noisy reading decides nothing, except the hard over-voltage limit.
 */
#ifndef BRUNT_WATCH_WATCH_H
#define BRUNT_WATCH_WATCH_H

#include "daemon/figures/figures.h"

enum { WATCH_OUT_MAX = 16, WATCH_TRACE_MAX = 64 };

struct watch_setup {
    int port, contract;
    double nominal_volts, low_volts, high_volts; /* the contract and its window */
    double rated_amps;
    double hard_over_volts;          /* acts on one whole reading */
    char hard_over_from[NAME_SIZE];  /* where that limit comes from */
    double default_volts;            /* what the port gives without contract: 5 for USB-C, 0 none */
    double other_volts[CONTRACTS_MAX]; /* the port's other contract levels: sits there: contract lost */
    size_t other_volts_len;
    double load_min_volts;           /* below this the load can't sink */
    double load_max_amps, load_max_volts;  /* ratings, for over-range */
    double amps_u, volts_u;          /* readback's expanded uncertainty near the rating: hysteresis and agreement bands start there */
    bool programmable;               /* PPS: constant current is specified behaviour, SEVERITY_NOTE */
    double settle_s;                 /* after a set-point or input change, readings this young raise no droop or disagreement */
    double conversion_s;             /* the load's conversion time if known, else 0 */
    bool four_wire;                  /* sense wires are used */
};

struct watch;
struct watch *watch_new(const struct watch_setup *setup, struct error *err);
void watch_free(struct watch *watch);
void watch_reset(struct watch *watch, const struct watch_setup *setup); /* another contract; history forgotten */

/* What is ordered of the load from at_us on; the watcher compares readings with it. */
void watch_ordered(struct watch *watch, int64_t at_us, bool input_on, enum load_mode mode, double set_point);
/* The operator or sequencer expects the output to go away (select, detach, mains off) until watch_expect_output(true). */
void watch_expect_output(struct watch *watch, int64_t at_us, bool expected);

/* Findings that begin, change name, or end (over = true). Severity: over-voltage ABORT; shutdown, hiccup, latch-off, hard reset, contract lost, collapsed TRIP; droop WARNING then TRIP
 * by the sequencer's choice; sense ABORT; input on though off ABORT; stuck/stale/nan WARNING, then ABORT when lasting. */
size_t watch_feed(struct watch *watch, const struct reading *reading, struct finding out[WATCH_OUT_MAX]);
/* For what shows by absence: stale, latch-off (stayed away for its time). */
size_t watch_tick(struct watch *watch, int64_t now_us, struct finding out[WATCH_OUT_MAX]);
int64_t watch_due_us(const struct watch *watch);

/* After a collapse, from all readings since: the best name the data support so far, FINDING_UNCERTAIN where they can't.
 * Knows: shutdown, hiccup, latch-off, hard reset, contract lost, collapsed (held at the load's floor), constant current... only from a trace. */
enum finding_kind watch_verdict(const struct watch *watch, struct finding *ret);

/* Asks for proof that identical digits are a stuck reading: the sequencer nudges the set-point by *ret_amps and the watcher sees what comes. false: not wanted now. */
bool watch_wants_nudge(const struct watch *watch, double *ret_amps);

/* ---- limit trace: shape from (V, I) points with the load in voltage or resistance mode ---- */

struct trace_point {
    double volts, amps, volts_deviation, amps_deviation;
    size_t count; /* readings behind it */
};
struct trace_shape {
    enum finding_kind kind; /* CONSTANT_CURRENT, CONSTANT_POWER, FOLDBACK, HICCUP, SHUTDOWN, LATCH_OFF, CONTRACT_LOST, UNCERTAIN */
    double limit_amps, limit_watts, short_amps; /* NAN where not shown */
    double ratio;           /* Isc / Ilim */
    char text[SENTENCE_SIZE];
};
void watch_shape(const struct trace_point *points, size_t count, const struct watch_setup *setup, struct trace_shape *ret);

/* ---- what was added after the first contract: all of it is optional for who feeds ---- */

/* watch_verdict() is FINDING_KINDS with an empty text while nothing has let go; the last episode's name stays until the next one begins or watch_reset(). An episode ends when the output was
 * good for 10 s, when the load is ordered on again while it is good, and by watch_expect_output(false). Readings at no volts name a latch-off; ticks only tell of silence. */

/* The bench was told to ask every period_us (0: as fast as the line permits): a slow pace is no stale instrument. */
void watch_pace(struct watch *watch, int64_t period_us);

/* One word for both kinds of evidence: what the raw readings show (watch_verdict()) and what the settled points of a limit trace show (watch_shape()). Either may be NULL.
 * On/off behaviour outranks a shape, since means over bursts make a shape out of nothing; "collapsed" and "nothing" leave the word to the shape. */
enum finding_kind watch_combined(const struct finding *verdict, const struct trace_shape *shape);

/*
 * A whole trace at once, as a scorer, a rehearsal or a later look at a record wants it.
 *
 * What the trace must contain
 *   readings  rising at_us; at least 3 of them with the output inside [low_volts, high_volts] before anything happens (a supply that was never seen good has not let go).
 *             asked_us <= at_us (0: at_us counts). volts and amps as displayed: repeats of one conversion are given as repeats. load_volts: the load's own, NAN or always 0 if there is
 *             no second voltmeter. mode, set_point, input_on: as acknowledged. contract: index while the selector confirms it, -1 once it says it is gone; always the same number where
 *             nobody can say. quality as in terms.h. Probes are not looked at.
 *   orders    rising at_us; each tells all four of the load's state from then on. Input off at the start unless the first order says otherwise. An order at the time of a reading or before it
 *             counts for that reading. A last order behind the last reading tells how long nothing came. expect_away: the tester makes the output go away (select, detach, mains) until an order with expect_away false.
 *   setup     as for watch_new(); conversion_s 0 if unknown (then it is inferred from repeated digits where there is noise).
 *
 * What comes back: ret_verdict->kind is the name, FINDING_KINDS if there is nothing to report; text is its sentence. ret_shape is what the points of the trace alone show
 * (kind FINDING_UNCERTAIN and "no limit trace" if no order had the input on in voltage or resistance mode). Return value: how many findings began in all. SIZE_MAX: no memory, nothing set.
 *
 * The names, most important first; the first that applies is given
 *   over-voltage          one whole reading above hard_over_volts
 *   instrument stuck      digits the same to the last bit before and after an order that had to change them
 *   input found on        ordered off, current flows (or the load says "on") in 3 readings and 350 ms past settling
 *   sense wire            four_wire: negative volts, or (almost) none while the current stands at its set-point
 *   instrument ...        not-a-number, over-range: 3 readings; stale: no reading for 1 s and 5 usual intervals
 *   hiccup                on/off repeats while loaded: 3 periods (a pause and the burst after it are one), on-time not shorter than 2 conversions; a burst may show at the contract's level or at the load's floor
 *   hard reset            away (below 0.8 V or 5 %) for 0.66 to 2 s, then default_volts without contract; where the contract itself is default_volts only if reading.contract turns -1
 *   contract lost         stands at another level (other_volts, default_volts) with no such time away before, to the end or until agreed anew
 *   latch-off             away for 9.5 s and to the end   (the recovery ladder waits 10 s before it touches anything)
 *   shutdown              away for more than 2.5 s, to the end of the trace or until it comes back by itself
 *   constant current, constant power, foldback            from a limit trace of at least 4 settled points in limit, spanning 30 % of nominal
 *   collapsed             below its window while current flows under a current load: stays there 1 s, or is back at once when the load lets go
 *   uncertain             it gave way and none of the above is shown, above all: away for less than 2.5 s at the end of the trace, or away for less than 2.5 s and back at the contract's level with the load
 *                         off (hiccup, hard reset of a default-level contract and a short shutdown look the same), 1 or 2 periods of on/off
 *   input found off, instrument disagrees (set-point against readback, load against meter), droop
 * Between two readings farther apart than a name needs, the name is not given.
 */
struct watch_event {
    int64_t at_us;
    bool input_on;
    enum load_mode mode;
    double set_point;
    bool expect_away;
};
size_t watch_replay(const struct watch_setup *setup, const struct reading *readings, size_t count, const struct watch_event *orders, size_t orders_count, struct finding *ret_verdict,
                    struct trace_shape *ret_shape);

#endif
