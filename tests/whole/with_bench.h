/*
 * A whole run in one process and in virtual time: station, dialects, wires and simulated bench, and all that a record would have kept of it.
 * Whatever fails on the way fails the test.
 */
#ifndef BRUNT_TESTS_WHOLE_WITH_BENCH_H
#define BRUNT_TESTS_WHOLE_WITH_BENCH_H

#include "client/judge/judge.h"
#include "client/rehearse/rehearse.h"
#include "daemon/base/units.h"

/* cmocka wants these before its own header. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

struct whole_setup {
    const char *shape;        /* of all instruments: "standard", "late", "terse" */
    int baud;                 /* 0: unpaced */
    const char *world_file;   /* in profiles/sim; or NULL and */
    const char *world_text;   /* members of the world group */
    const char *supply_file;  /* in profiles; or NULL and */
    const char *supply_text;
    const char *profile_file; /* in profiles; or NULL and */
    const char *profile_text;
    double only_volts;        /* this contract of the first port; 0: all */
    int cable_amps;           /* marking between port and lead; 0: none fitted */
    bool no_constant_voltage, no_selector, no_mains, no_refusal; /* no_refusal: plan_check() may say no; the run is made all the same */
    uint64_t seed;
};

struct whole_list {
    size_t len, room, size;
    void *items;
};

struct whole {
    struct bench_plan bench;
    struct test_plan plan;
    struct dialect *dialects[INSTRUMENTS_MAX];
    struct rehearsal *rehearsal;
    struct whole_list readings, orders, outcomes, findings, marks;
    int64_t begin_us, end_us;
    enum run_end end;
    char why[SENTENCE_SIZE];
    struct judge *judge;
    void (*at_mark)(struct whole *whole, const struct mark *mark); /* NULL is fine; a look from outside while it runs */
    void (*at_order)(struct whole *whole, const struct order *order);
    void *context;
};

/* Bench settled, faults may be given, nothing runs yet. */
struct whole *whole_new(const struct whole_setup *setup);
void whole_free(struct whole *whole);
void whole_start(struct whole *whole);
/* false: not over by then (counted from the start of the run). */
bool whole_go(struct whole *whole, int64_t longest_us);
void whole_run(struct whole *whole, int64_t longest_us); /* start, go, judge; not over in time: fails */
void whole_judge(struct whole *whole);
void whole_strike(struct whole *whole, int64_t after_us, const char *line); /* from now */

struct world *whole_world(struct whole *whole);
bool whole_conducts(struct whole *whole);   /* any channel, in the world's truth */
double whole_seconds(const struct whole *whole);
const struct judged_contract *whole_contract(const struct whole *whole, double volts); /* of the first port; missing: fails */
size_t whole_count(const struct whole *whole, enum finding_kind kind); /* not over */
const struct finding *whole_finding(const struct whole *whole, enum finding_kind kind); /* first, NULL none */
bool whole_says(const struct whole *whole, const char *words); /* in a finding or in the reason for the end */
void whole_print(const struct whole *whole); /* to stderr: what happened, for a failing test */
uint64_t whole_digest(const struct whole *whole); /* of all that was kept */

#define WHOLE_EACH(type, one, list) (const type *one = (list).items; one && one < (const type *)(list).items + (list).len; one++)

#endif
