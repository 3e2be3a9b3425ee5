/*
 * One station, loop-free: joins a run and a bench. Bytes and time in; bytes out. Record and guard come in as function tables, so that the same station runs behind real
 * lines, over the memory link in virtual time, and in a rehearsal.
 *
 * One direction, one pass: line -> bytes -> bench -> reading -> run -> orders -> bench -> bytes. An order that turns the load off is among the pending bytes when station_bytes() returns.
 */
#ifndef BRUNT_STATION_STATION_H
#define BRUNT_STATION_STATION_H

#include "daemon/bench/bench.h"
#include "daemon/plan/plan.h"
#include "daemon/run/run.h"

/* What is to be kept. Each may be NULL. Called after the orders of the same pass have gone into the bench. A keep function that can't take it returns false: the station counts and turns the load off. */
struct station_keep {
    void *context;
    bool (*reading)(void *context, const struct reading *reading);
    bool (*order)(void *context, int64_t at_us, const struct order *order);
    bool (*outcome)(void *context, const struct outcome *outcome);
    bool (*finding)(void *context, const struct finding *finding);
    bool (*mark)(void *context, const struct mark *mark);
};

/* Ways off outside this process. arm: start arming for all recipes; station_armed() must follow. Before that no input goes on. disarm: after a run, everything confirmed off. NULL: nobody to arm (rehearsal, tests): armed at once. */
struct station_guard {
    void *context;
    void (*arm)(void *context);
    void (*disarm)(void *context);
};

struct station;
/* dialects: one per bench instrument, borrowed for the station's life. */
struct station *station_new(const struct bench_plan *bench, const struct dialect *const dialects[], uint64_t seed, struct error *err);
void station_free(struct station *station);
struct bench *station_bench(struct station *station); /* for lines, pending bytes, states */

/* Which line an instrument of the bench plan is on; lines are numbered in order of first appearance. */
int station_line_of(const struct station *station, size_t instrument);

int station_start(struct station *station, const struct test_plan *plan, const struct station_keep *keep, const struct station_guard *guard, int64_t now_us, struct error *err);
void station_armed(struct station *station, bool armed, const char *why_not, int64_t now_us);
bool station_running(const struct station *station);
struct run *station_run(struct station *station); /* NULL: none. Also after its end until station_clear() */
void station_clear(struct station *station);

void station_line_up(struct station *station, size_t line, int64_t now_us);
void station_line_down(struct station *station, size_t line, int64_t now_us, const char *why);
void station_bytes(struct station *station, size_t line, const void *bytes, size_t len, int64_t now_us);
void station_tick(struct station *station, int64_t now_us);
int64_t station_due_us(const struct station *station);
int station_command(struct station *station, enum run_command command, const char *text, int64_t now_us, struct error *err);
void station_abort(struct station *station, enum run_end end, const char *why, int64_t now_us);
const struct reading *station_latest(const struct station *station, int port); /* NULL: none yet */

#endif
