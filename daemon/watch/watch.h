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

#endif
