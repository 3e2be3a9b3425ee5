#include "daemon/run/run_private.h"

static void idle_enter(struct run *run)
{
    const struct profile_stage *stage = run_stage(run);
    dwell_begin(&run->stage.dwell, run->now_us, stage->dwell_us, stage->settle_us);
    text_copy(run->doing, sizeof run->doing, "no load");
    run->phase_due_us = run->stage.dwell.end_us;
}

static void idle_feed(struct run *run, const struct reading *reading)
{
    dwell_feed(&run->stage.dwell, reading);
}

static void idle_tick(struct run *run)
{
    struct dwell *dwell = &run->stage.dwell;
    if (!dwell_over(dwell, run->now_us)) {
        run->phase_due_us = dwell->end_us;
        return;
    }
    struct mark *mark = out_mark(run, MARK_IDLE);
    mark->from_us = dwell->from_us;
    mark->at_us = dwell->end_us;
    mark->held = true;
    stage_unload(run);
}

const struct stage_row stage_idle = {
    .name = "idle", .help = "contract selected, no load, for a dwell: no-load voltage", .enter = idle_enter, .feed = idle_feed, .tick = idle_tick};
