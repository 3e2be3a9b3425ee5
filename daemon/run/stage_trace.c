/*
 * How does it let go? A current load would drag a limiting source to its floor at once; so the load holds the voltage (or a resistance) and walks down, and what
 * current the source gives shows the shape. Bounded in time a point, in energy, and in current by what load, lead, cable and connector take.
 */
#include "daemon/run/run_private.h"

#include <stdio.h>
#include <string.h>

#define POINT_MOST_US (2 * US_PER_S)
#define OVER_US       (300 * US_PER_MS)
#define GONE_US       (4 * US_PER_S) /* longer than the off-time of a usual hiccup, and than a hard reset */

static size_t points_of(const struct run *run)
{
    size_t points = run_stage(run)->trace_points;
    return points < 2 ? 2 : points > WATCH_TRACE_MAX ? WATCH_TRACE_MAX : points;
}

static void trace_begin(struct run *run)
{
    struct trace *trace = &run->stage.trace;
    const struct bench_instrument *load = run_load(run, run_port(run));
    trace->mode = load->constant_voltage_mode ? LOAD_VOLTAGE : load->constant_resistance_mode ? LOAD_RESISTANCE : LOAD_CURRENT;
    trace->limit_amps = plan_cap_amps(&run->plan, run_port(run), run_contract(run), 0.0, NULL, 0);
}

/* Nothing flows yet: a voltage above the source's, a large resistance. */
static void trace_first(struct run *run, enum load_mode *ret_mode, double *ret_set_point)
{
    const struct supply_contract *label = run_label(run);
    const double first[LOAD_MODES] = {[LOAD_CURRENT] = 0.02 * label->amps, [LOAD_VOLTAGE] = 1.1 * label->volts, [LOAD_RESISTANCE] = label->volts / (0.05 * label->amps)};
    *ret_mode = run->stage.trace.mode;
    *ret_set_point = first[*ret_mode];
}

static double volts_wanted(const struct run *run)
{
    const struct profile_stage *stage = run_stage(run);
    double way = (double)run->stage.index / (double)(points_of(run) - 1);
    double volts = run_label(run)->volts * (stage->trace_from + (stage->trace_to - stage->trace_from) * way);
    return fmax(volts, run_load(run, run_port(run))->min_volts);
}

static void trace_enter(struct run *run)
{
    struct trace *trace = &run->stage.trace;
    const struct profile_stage *stage = run_stage(run);
    if (trace->mode == LOAD_CURRENT) {
        out_say(run, FINDING_UNCERTAIN, SEVERITY_NOTE, (double)NAN, "no limit trace: the load %s has neither voltage nor resistance mode (bench file)", run_load(run, run_port(run))->name);
        stage_unload(run);
        return;
    }
    double volts = volts_wanted(run);
    load_set(run, trace->mode, trace->mode == LOAD_VOLTAGE ? volts : volts / run_label(run)->amps);
    int64_t dwell_us = stage->dwell_us < POINT_MOST_US ? stage->dwell_us : POINT_MOST_US;
    dwell_begin(&run->stage.dwell, run->now_us, dwell_us, stage->settle_us);
    run->stage.dwell.latest_us = run->now_us + POINT_MOST_US;
    if (run->stage.index == 0 || trace->flowed_us == 0)
        trace->flowed_us = run->now_us;
    trace->fed_us = run->now_us;
    snprintf(run->doing, sizeof run->doing, "tracing: %.3g V", volts);
    run->phase_due_us = run->stage.dwell.end_us;
}

static void trace_end(struct run *run)
{
    trip_let_go(run, AFTER_STAGE, NULL);
}

/* What one interval brings is bounded: a gap in the readings must not look like energy for ever, nor like none. */
static void energy_add(struct run *run, const struct reading *reading)
{
    struct trace *trace = &run->stage.trace;
    double seconds = fmin((double)(reading->at_us - trace->fed_us) / (double)US_PER_S, 2.0);
    if (seconds > 0)
        trace->joules += fmax(reading->volts * reading->amps, 0.0) * seconds;
    if (reading->at_us > trace->fed_us)
        trace->fed_us = reading->at_us;
}

/* A stiff source into a voltage below its own bursts for as long as its limit is blanked, which cable and connector bear: they are rated for what heats them. Lasting, or twice as much: end. */
static bool carries_too_much(struct trace *trace, const struct reading *reading)
{
    if (reading->amps <= trace->limit_amps * 1.02) {
        trace->over_readings = 0;
        return false;
    }
    if (trace->over_readings++ == 0)
        trace->over_us = reading->at_us;
    bool lasts = trace->over_readings >= 2 && reading->at_us - trace->over_us >= OVER_US;
    return lasts || reading->amps > 2.0 * trace->limit_amps;
}

static void trace_feed(struct run *run, const struct reading *reading)
{
    struct trace *trace = &run->stage.trace;
    double most_joules = run_stage(run)->max_joules;
    dwell_feed(&run->stage.dwell, reading);
    if (!reading_trusted(reading))
        return;
    energy_add(run, reading);
    if (reading->amps > 0.02 * run_label(run)->amps)
        trace->flowed_us = run->now_us;
    if (carries_too_much(trace, reading)) {
        out_say(run, FINDING_OVERLOAD, SEVERITY_WARNING, trace->limit_amps, "limit trace ended at %.3f V: the source gives %.3f A, more than the %.3f A that load, lead, cable and connector take",
                reading->volts, reading->amps, trace->limit_amps);
        trace_end(run);
    } else if (most_joules > 0 && trace->joules > most_joules) {
        out_say(run, FINDING_UNCERTAIN, SEVERITY_NOTE, most_joules, "limit trace ended at %.3f V: its %.4g J are used up (max_energy, profile)", reading->volts, most_joules);
        trace_end(run);
    }
}

static void point_end(struct run *run)
{
    struct trace *trace = &run->stage.trace;
    const struct dwell *dwell = &run->stage.dwell;
    struct mark *mark = out_mark(run, MARK_TRACE);
    mark->from_us = dwell->from_us;
    mark->at_us = dwell->end_us;
    mark->mode = run->mode;
    mark->set_point = run->set_point;
    mark->number = volts_wanted(run) / run_label(run)->volts;
    mark->held = dwell->volts.count > 0;
    if (dwell->volts.count == 0 || trace->points_len == WATCH_TRACE_MAX)
        return;
    trace->points[trace->points_len++] = (struct trace_point){.volts = dwell->volts.mean,
                                                              .amps = dwell->amps.mean,
                                                              .volts_deviation = mean_deviation(&dwell->volts),
                                                              .amps_deviation = mean_deviation(&dwell->amps),
                                                              .count = dwell->volts.count};
}

static void trace_tick(struct run *run)
{
    if (!dwell_over(&run->stage.dwell, run->now_us)) {
        run->phase_due_us = run->stage.dwell.end_us;
        return;
    }
    point_end(run);
    bool gone = run->now_us - run->stage.trace.flowed_us > GONE_US;
    if (++run->stage.index >= points_of(run) || gone)
        trace_end(run);
    else
        trace_enter(run);
}

/* That it lets go is what is looked at. A load that switched itself off ends it, and so does another contract's level: walking on would trace that one. */
static void trace_lost(struct run *run, const struct finding *finding)
{
    if (finding->kind == FINDING_INPUT_OFF || finding->kind == FINDING_CONTRACT_LOST || finding->kind == FINDING_HARD_RESET)
        trace_end(run);
}

static void trace_protect(struct run *run, struct order *order)
{
    order->amps = run->stage.trace.limit_amps * 2.0; /* bursts pass; carries_too_much() sees what lasts */
    order->floor_volts = 0.0; /* disarmed for this stage only: walking below it is the point */
}

const struct stage_row stage_trace = {.name = "trace",
                                      .help = "how it lets go: voltage (or resistance) mode from near the contract's volts down",
                                      .loads = true,
                                      .expects_collapse = true,
                                      .begin = trace_begin,
                                      .first = trace_first,
                                      .protect = trace_protect,
                                      .enter = trace_enter,
                                      .feed = trace_feed,
                                      .tick = trace_tick,
                                      .lost = trace_lost};
