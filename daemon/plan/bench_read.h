/* The two halves of the bench reader: instruments (bench_read.c), and where they are wired to (seats_read.c). */
#ifndef BRUNT_PLAN_BENCH_READ_H
#define BRUNT_PLAN_BENCH_READ_H

#include "daemon/plan/plan_own.h"

/* The index of the instrument that `key` names; refused unless it has that role. */
int bench_find_instrument(struct tree_at at, const char *key, enum instrument_role role, const struct bench_plan *bench, int *ret,
                          struct error *err);

/* Both after the instruments; probes after mains_volts. */
int bench_read_seats(struct tree_at bench_at, struct bench_plan *ret, struct error *err);
int bench_read_probes(struct tree_at bench_at, struct bench_plan *ret, struct error *err);

#endif
