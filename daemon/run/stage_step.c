#include "daemon/run/run_private.h"

#include <stdio.h>

static double fraction_now(const struct run *run)
{
    return run_stage(run)->fractions[run->stage.index];
}

static void step_enter(struct run *run)
{
    const struct profile_stage *stage = run_stage(run);
    if (stage->fractions_len == 0) {
        stage_unload(run);
        return;
    }
    load_set(run, LOAD_CURRENT, fraction_now(run) * run_label(run)->amps);
    dwell_begin(&run->stage.dwell, run->now_us, stage->dwell_us, stage->settle_us);
    snprintf(run->doing, sizeof run->doing, "%.3g %%", fraction_now(run) * 100.0);
    run->phase_due_us = run->stage.dwell.end_us;
}

static void step_feed(struct run *run, const struct reading *reading)
{
    dwell_feed(&run->stage.dwell, reading);
    load_nudge(run);
}

static void step_tick(struct run *run)
{
    if (!dwell_over(&run->stage.dwell, run->now_us)) {
        run->phase_due_us = run->stage.dwell.end_us;
        return;
    }
    point_mark(run, fraction_now(run));
    if (++run->stage.index < run_stage(run)->fractions_len)
        step_enter(run);
    else
        stage_unload(run);
}

const struct stage_row stage_step = {
    .name = "step", .help = "currents one after the other, a dwell each: regulation", .loads = true, .enter = step_enter, .feed = step_feed, .tick = step_tick};
