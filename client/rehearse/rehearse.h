/*
 * The memory link: the daemon's own station and the simulated bench in one process, in virtual time. Nothing here waits, and the same seed gives the same run.
 *
 * An instrument of the bench plan is joined to the simulated address of the same name as the last part of its own address ("pty:./load1", "memory:load1": load1).
 *
 * Calling sequence: rehearsal_new(); [rehearsal_fault() ...]; rehearsal_settle(); rehearsal_start(); rehearsal_go(); rehearsal_free().
 */
#ifndef BRUNT_CLIENT_REHEARSE_REHEARSE_H
#define BRUNT_CLIENT_REHEARSE_REHEARSE_H

#include "daemon/station/station.h"
#include "sim/wire/sim.h"

struct rehearsal;

/* Borrows dialects (one per bench instrument) for its life; sim_tree and sim_dir for the call. */
struct rehearsal *rehearsal_new(const struct bench_plan *bench, const struct dialect *const dialects[], struct tree *sim_tree, const char *sim_dir,
                                uint64_t seed, struct error *err);
void rehearsal_free(struct rehearsal *rehearsal);
struct station *rehearsal_station(struct rehearsal *rehearsal);
struct sim *rehearsal_sim(struct rehearsal *rehearsal);
int64_t rehearsal_now_us(const struct rehearsal *rehearsal);

/* A command of the simulator's control socket, given at that moment of virtual time. At most 64 wait. */
int rehearsal_fault(struct rehearsal *rehearsal, int64_t at_us, const char *line, struct error *err);
/* Lets time pass until the bench is ready; -1: it isn't within 30 s. */
int rehearsal_settle(struct rehearsal *rehearsal, struct error *err);
int rehearsal_start(struct rehearsal *rehearsal, const struct test_plan *plan, const struct station_keep *keep, struct error *err);
/* Lets time pass until the run is over and everything is off, or until_us. Returns true: over. */
bool rehearsal_go(struct rehearsal *rehearsal, int64_t until_us);
/* Lets time pass until then, run or no run: what happens afterwards. */
void rehearsal_wait(struct rehearsal *rehearsal, int64_t until_us);

#endif
