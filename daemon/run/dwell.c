/* Staying at a set-point, and getting to it. */
#include "daemon/run/run_private.h"

#include <string.h>

enum { LEAST_READINGS = 3 };
#define SLEW_STEP_US (50 * US_PER_MS)

void dwell_begin(struct dwell *dwell, int64_t now_us, int64_t dwell_us, int64_t settle_us)
{
    memset(dwell, 0, sizeof *dwell);
    dwell->begin_us = now_us;
    dwell->end_us = now_us + dwell_us;
    dwell->from_us = now_us + (settle_us < dwell_us ? settle_us : dwell_us);
    dwell->latest_us = dwell->end_us + (2 * dwell_us > 5 * US_PER_S ? 2 * dwell_us : 5 * US_PER_S);
}

void dwell_feed(struct dwell *dwell, const struct reading *reading)
{
    if (!reading_trusted(reading) || reading->at_us < dwell->from_us || reading->at_us > dwell->end_us)
        return;
    mean_add(&dwell->volts, reading->volts);
    mean_add(&dwell->amps, reading->amps);
}

bool dwell_over(struct dwell *dwell, int64_t now_us)
{
    if (now_us < dwell->end_us)
        return false;
    if (dwell->volts.count < LEAST_READINGS && dwell->end_us < dwell->latest_us) {
        dwell->end_us = now_us + 100 * US_PER_MS < dwell->latest_us ? now_us + 100 * US_PER_MS : dwell->latest_us;
        return now_us >= dwell->end_us;
    }
    return true;
}

/* Current changes no faster than stated, in small steps: a profile that states no slew wants them at once. */
void slew_begin(struct run *run, double from_amps, double to_amps, double amps_per_s)
{
    struct slew *slew = &run->stage.slew;
    slew->under_way = true;
    slew->from_amps = from_amps;
    slew->to_amps = to_amps;
    slew->amps_per_s = amps_per_s;
    slew->begin_us = run->now_us;
}

bool slew_go(struct run *run)
{
    struct slew *slew = &run->stage.slew;
    if (!slew->under_way)
        return true;
    double way = slew->to_amps - slew->from_amps;
    double gone = slew->amps_per_s * (double)(run->now_us - slew->begin_us) / (double)US_PER_S;
    bool arrived = !(slew->amps_per_s > 0) || gone >= fabs(way);
    double amps = arrived ? slew->to_amps : slew->from_amps + (way < 0 ? -gone : gone);
    if (arrived || !run->set_pending) /* a slow line gets larger steps, not a queue of small ones */
        load_set(run, LOAD_CURRENT, amps);
    slew->under_way = !arrived;
    run->phase_due_us = run->now_us + SLEW_STEP_US;
    return arrived;
}

void point_mark(struct run *run, double fraction)
{
    const struct dwell *dwell = &run->stage.dwell;
    struct mark *mark = out_mark(run, MARK_POINT);
    mark->from_us = dwell->from_us;
    mark->at_us = dwell->end_us;
    mark->mode = run->mode;
    mark->set_point = run->set_point - run->nudge_amps;
    mark->number = fraction;
    mark->held = true;
}
