#include "daemon/run/run_private.h"

#include <stdio.h>

static double amps_at(const struct run *run, size_t i)
{
    return run_stage(run)->fractions[i] * run_label(run)->amps;
}

static void ramp_enter(struct run *run)
{
    run->stage.index = 0; /* on the way; 1: there, staying for the dwell */
    slew_begin(run, amps_at(run, 0), amps_at(run, 1), run_stage(run)->slew_amps_per_s);
    load_set(run, LOAD_CURRENT, amps_at(run, 0));
    snprintf(run->doing, sizeof run->doing, "%.3g to %.3g %%", run_stage(run)->fractions[0] * 100.0, run_stage(run)->fractions[1] * 100.0);
    run->phase_due_us = run->now_us;
}

static void ramp_feed(struct run *run, const struct reading *reading)
{
    if (run->stage.index == 1)
        dwell_feed(&run->stage.dwell, reading);
}

static void ramp_tick(struct run *run)
{
    const struct profile_stage *stage = run_stage(run);
    if (run->stage.index == 0) {
        if (!slew_go(run))
            return;
        run->stage.index = 1;
        dwell_begin(&run->stage.dwell, run->now_us, stage->dwell_us, stage->settle_us);
        run->phase_due_us = run->stage.dwell.end_us;
    } else if (dwell_over(&run->stage.dwell, run->now_us)) {
        if (stage->dwell_us > 0)
            point_mark(run, stage->fractions[1]);
        stage_unload(run);
    } else {
        run->phase_due_us = run->stage.dwell.end_us;
    }
}

static void ramp_first(struct run *run, enum load_mode *ret_mode, double *ret_set_point)
{
    *ret_mode = LOAD_CURRENT;
    *ret_set_point = fmin(amps_at(run, 0), 0.02 * run_label(run)->amps);
}

const struct stage_row stage_ramp = {
    .name = "ramp", .help = "from one current to another at a slew, then a dwell", .loads = true, .first = ramp_first, .enter = ramp_enter, .feed = ramp_feed, .tick = ramp_tick};
