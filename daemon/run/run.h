/*
 * The sequencer: one execution of a profile on one station. PURE. Readings, outcomes, findings and time go in; orders, findings and marks come out.
 * It never waits: run_due_us() says when it wants to be called even if nothing arrives. After run_over() it gives no more orders.
 *
 * Whatever ends a run, the last orders are ORDER_LOAD_OFF for every port in use and ORDER_FINISH, in that order; on an abort LOAD_OFF is the first order out.
 */
#ifndef BRUNT_RUN_RUN_H
#define BRUNT_RUN_RUN_H

#include "daemon/plan/plan.h"
#include "daemon/watch/watch.h"

enum { RUN_ORDERS_MAX = 32, RUN_FINDINGS_MAX = 32, RUN_MARKS_MAX = 32 };

struct run_out { /* emptied by the caller before each call; a call never needs more room than this */
    struct order orders[RUN_ORDERS_MAX];
    size_t orders_len;
    struct finding findings[RUN_FINDINGS_MAX];
    size_t findings_len;
    struct mark marks[RUN_MARKS_MAX];
    size_t marks_len;
};

enum run_command { RUN_STOP, RUN_HOLD, RUN_RESUME, RUN_NOTE, RUN_ANSWER /* to ORDER_ASK */, RUN_COMMANDS };

struct run;
struct run *run_new(const struct test_plan *plan, struct error *err); /* copies the plan */
void run_free(struct run *run);

void run_begin(struct run *run, int64_t now_us, struct run_out *out);
void run_feed(struct run *run, const struct reading *reading, struct run_out *out);
void run_outcome(struct run *run, const struct outcome *outcome, struct run_out *out);
/* A finding of the bench (instrument, link): recorded, and reacted to by severity. */
void run_bench_finding(struct run *run, const struct finding *finding, struct run_out *out);
/* HOLD: loads off, clock of the stage stands still; RESUME: selects again, confirms, goes on with the interrupted dwell from its start. Refused commands change nothing: *err. */
int run_command(struct run *run, enum run_command command, const char *text, int64_t now_us, struct run_out *out, struct error *err);
/* The station can't go on (record full, guard gone, ...): off, finish as RUN_FAULT with that sentence as a finding's text. */
void run_abort(struct run *run, enum run_end end, const char *why, int64_t now_us, struct run_out *out);
void run_tick(struct run *run, int64_t now_us, struct run_out *out);
int64_t run_due_us(const struct run *run);
bool run_over(const struct run *run, enum run_end *ret_end, char *why, size_t why_size); /* each may be NULL */

struct run_progress {
    int stage, port, contract;
    const char *stage_name;    /* profile's */
    const char *doing;         /* "selecting", "settling", "25 %", "searching", "recovering: wait", "held", ... static text */
    double fraction;           /* 0..1 of the whole profile */
    int64_t remaining_us;      /* estimate */
    bool input_on, held, asking;
    char question[SENTENCE_SIZE];
};
void run_progress(const struct run *run, int64_t now_us, struct run_progress *ret);

/*
 * What the marks of a run carry beyond terms.h
 *   MARK_STAGE_BEGIN  number: 1 in the recheck of the first contract, else 0
 *   MARK_STAGE_END    held: false if the stage was broken off (trip, stop, contract not found again)
 *   MARK_CONTRACT     held: reached; set_point: volts at which it stands (not reached: as last seen, NAN none); text: "contract stated by the selector", "voltage only", or why not
 *   MARK_POINT        a soak marks one a minute
 *   MARK_TRIED        number: fraction of rated current; lost on the way to its set-point: set_point is where it was
 *   MARK_CAPACITY     held: something held; number NAN: nothing did; text: trips, or the cap and where it comes from
 *   MARK_TRACE        number: fraction of the contract's volts; held: readings stand in it
 *   MARK_LET_GO       from_us: input off; set_point: limit in A from a trace, else NAN; mode: of the load when it let go; text: the watcher's sentence
 *   MARK_RUNG         from_us: when it let go
 *   MARK_GAP          port: of the readings that are missing
 * A trip inside a capacity search or limit trace is recorded with SEVERITY_NOTE: it was asked for. Letting go at or below rated current is SEVERITY_TRIP there too, and fails the contract.
 * A contract that has failed is left out of all later stages, the recheck included. run_progress(): `doing` and `stage_name` live as long as the run, and change with its next call.
 */

#endif
