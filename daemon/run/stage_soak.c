/* A soak for a time. It marks a point a minute, so that a long one that ends early has its means all the same. */
#include "daemon/run/run_private.h"

#include <stdio.h>

#define SOAK_POINT_US (60 * US_PER_S)

static void point_begin(struct run *run)
{
    const struct profile_stage *stage = run_stage(run);
    int64_t left_us = stage->dwell_us - run->stage.done_us;
    int64_t length_us = left_us < 2 * SOAK_POINT_US ? left_us : SOAK_POINT_US; /* no stump at the end */
    dwell_begin(&run->stage.dwell, run->now_us, length_us, run->stage.index == 0 ? stage->settle_us : 0);
    run->phase_due_us = run->stage.dwell.end_us;
}

static void soak_enter(struct run *run)
{
    const struct profile_stage *stage = run_stage(run);
    run->stage.index = 0; /* after a hold: it goes on, less what is done */
    load_set(run, LOAD_CURRENT, stage->fractions[0] * run_label(run)->amps);
    snprintf(run->doing, sizeof run->doing, "soaking at %.3g %%", stage->fractions[0] * 100.0);
    point_begin(run);
}

static void soak_feed(struct run *run, const struct reading *reading)
{
    dwell_feed(&run->stage.dwell, reading);
    load_nudge(run);
}

static void soak_tick(struct run *run)
{
    const struct profile_stage *stage = run_stage(run);
    if (!dwell_over(&run->stage.dwell, run->now_us)) {
        run->phase_due_us = run->stage.dwell.end_us;
        return;
    }
    point_mark(run, stage->fractions[0]);
    run->stage.index++;
    run->stage.done_us += run->stage.dwell.end_us - run->stage.dwell.begin_us;
    if (run->stage.done_us >= stage->dwell_us)
        stage_unload(run);
    else
        point_begin(run);
}

const struct stage_row stage_soak = {.name = "soak", .help = "one current for a time", .loads = true, .enter = soak_enter, .feed = soak_feed, .tick = soak_tick};
