/* What "status" and "bench" show, as far as it comes from the station. Each gives a new reference; NULL: no memory. */
#ifndef BRUNT_SERVE_SHOWN_H
#define BRUNT_SERVE_SHOWN_H

#include "daemon/serve/ways.h"
#include "daemon/station/station.h"

/* Where the run is; null without one. */
json_t *shown_progress(struct station *station, const struct test_plan *plan, int64_t now_us);
/* The latest reading of each port that has one: [{... as wire_reading(), "port_name"}]. */
json_t *shown_latest(struct station *station, const struct test_plan *plan);

struct shown_line { /* of each line, from whoever opens them */
    bool open;
    const char *trouble;
};
/* Every instrument with its state and what its dialect lacks. dialects: one per instrument. */
json_t *shown_instruments(struct station *station, const struct bench_plan *bench, const struct dialect *const dialects[],
                          const struct shown_line lines[], int64_t now_us);
/* What the station knows of the ways off; the caller fills in guard, drilled and mains_drilled. */
void shown_facts(struct station *station, const struct bench_plan *bench, struct ways_facts *ret);

#endif
