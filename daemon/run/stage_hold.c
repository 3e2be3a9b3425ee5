#include "daemon/run/run_private.h"

#include <stdio.h>

static void hold_enter(struct run *run)
{
    const struct profile_stage *stage = run_stage(run);
    load_set(run, LOAD_CURRENT, stage->fractions[0] * run_label(run)->amps);
    dwell_begin(&run->stage.dwell, run->now_us, stage->dwell_us, stage->settle_us);
    snprintf(run->doing, sizeof run->doing, "holding %.3g %%", stage->fractions[0] * 100.0);
    run->phase_due_us = run->stage.dwell.end_us;
}

static void hold_feed(struct run *run, const struct reading *reading)
{
    dwell_feed(&run->stage.dwell, reading);
    load_nudge(run);
}

static void hold_tick(struct run *run)
{
    if (!dwell_over(&run->stage.dwell, run->now_us)) {
        run->phase_due_us = run->stage.dwell.end_us;
        return;
    }
    point_mark(run, run_stage(run)->fractions[0]);
    stage_unload(run);
}

const struct stage_row stage_hold = {.name = "hold", .help = "one current for a dwell", .loads = true, .enter = hold_enter, .feed = hold_feed, .tick = hold_tick};
