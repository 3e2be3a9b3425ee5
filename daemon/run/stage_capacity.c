/*
 * How much more than its rating? From rated current up, coarse to fine: each loss leaves a smaller gap between what held and what didn't, and the steps
 * are chosen so that the trips allowed are enough to close it to the resolution.
 */
#include "daemon/run/run_private.h"

#include <stdio.h>
#include <string.h>

/* Downwards, so that no gap becomes wider than was asked for. */
static double whole_milliamps(double amps)
{
    return floor(amps * 1000.0 + 1e-6) / 1000.0;
}

static void capacity_begin(struct run *run)
{
    const struct profile_stage *stage = run_stage(run);
    struct capacity *c = &run->stage.capacity;
    c->rated_amps = run_label(run)->amps;
    c->cap_amps = plan_cap_amps(&run->plan, run_port(run), run_contract(run), stage->cap_fraction, c->cap_from, sizeof c->cap_from);
    c->cap_amps = whole_milliamps(c->cap_amps);
    double resolution_amps = fmax(stage->resolution_fraction > 0 ? stage->resolution_fraction : 0.01, 0.001) * c->rated_amps;
    c->resolution_amps = fmax(whole_milliamps(resolution_amps), 0.001);
    c->trips_max = stage->trips_max > 0 ? stage->trips_max : 1;
    c->bad_amps = (double)INFINITY;
    c->try_amps = fmin(c->rated_amps, c->cap_amps);
    c->step_amps = (double)NAN;
}

/* A gap of n resolutions and t trips left: k steps with k^t >= n, so that each trip divides the gap by k. */
static double next_step(const struct capacity *c)
{
    double top = isinf(c->bad_amps) ? c->cap_amps + c->resolution_amps : c->bad_amps;
    double gap = top - c->good_amps;
    int left = c->trips_max > c->trips ? c->trips_max - c->trips : 1;
    double parts = ceil(pow(fmax(gap / c->resolution_amps, 1.0), 1.0 / left) - 1e-9);
    return fmax(c->resolution_amps, gap / fmax(parts, 1.0));
}

static bool closed(const struct capacity *c)
{
    if (isinf(c->bad_amps))
        return c->good_amps >= c->cap_amps - c->resolution_amps / 2;
    return c->bad_amps - c->good_amps <= c->resolution_amps + 1e-9;
}

static void choose_next(struct capacity *c)
{
    if (isnan(c->step_amps))
        c->step_amps = next_step(c);
    if (c->good_amps + c->step_amps > c->bad_amps - c->resolution_amps / 2)
        c->step_amps = c->resolution_amps;
    c->try_amps = fmin(whole_milliamps(c->good_amps + c->step_amps), c->cap_amps);
    if (c->try_amps <= c->good_amps) /* what had held was no whole number of them */
        c->try_amps = c->good_amps + c->resolution_amps;
}

/* A limited power source gives no more than this into an overload: IEC 60950-1 Table 2B, inherently limited (second-hand). It is measured there after 60 s; we hold shorter, so it is a note. */
static void say_overload(struct run *run)
{
    const struct capacity *c = &run->stage.capacity;
    double volts = run_label(run)->volts;
    double most_amps = volts <= 30.0 ? 8.0 : 150.0 / volts;
    double most_watts = volts <= 20.0 ? 5.0 * volts : 100.0;
    bool beyond = c->good_amps > most_amps || c->good_amps * volts > most_watts;
    if (!beyond || c->good_amps <= c->rated_amps * 1.001)
        return;
    out_say(run, FINDING_OVERLOAD, SEVERITY_NOTE, fmin(most_amps, most_watts / volts),
            "port %s gives %.3f A at %.4g V into an overload; a limited power source gives at most %.3g A and %.4g VA (IEC 60950-1 Table 2B, there after 60 s)", run_port_name(run, run_port(run)),
            c->good_amps, volts, most_amps, most_watts);
}

static void finish(struct run *run)
{
    const struct capacity *c = &run->stage.capacity;
    struct mark *mark = out_mark(run, MARK_CAPACITY);
    bool censored = isinf(c->bad_amps);
    mark->number = c->good_amps > 0 ? c->good_amps : (double)NAN;
    mark->set_point = censored ? (double)NAN : c->bad_amps;
    mark->held = c->good_amps > 0;
    if (censored)
        snprintf(mark->text, sizeof mark->text, "not found below the cap of %.3f A (%.120s)", c->cap_amps, c->cap_from);
    else
        snprintf(mark->text, sizeof mark->text, "%d trip%s", c->trips, c->trips == 1 ? "" : "s");
    say_overload(run);
}

static void capacity_enter(struct run *run)
{
    struct capacity *c = &run->stage.capacity;
    c->dwelling = false;
    c->low_readings = 0;
    c->begin_us = run->now_us;
    slew_begin(run, run->set_point, c->try_amps, run_stage(run)->slew_amps_per_s);
    snprintf(run->doing, sizeof run->doing, "searching: %.3f A", c->try_amps);
    run->phase_due_us = run->now_us;
}

static void tried(struct run *run, bool held)
{
    const struct capacity *c = &run->stage.capacity;
    struct mark *mark = out_mark(run, MARK_TRIED);
    mark->from_us = c->dwelling ? run->stage.dwell.begin_us : c->begin_us;
    mark->at_us = held ? run->stage.dwell.end_us : run->now_us;
    mark->mode = LOAD_CURRENT;
    mark->set_point = run->set_point;
    mark->number = run->set_point / c->rated_amps;
    mark->held = held;
}

static void say_below_rated(struct run *run, const struct finding *finding, double amps)
{
    contract_fail(run);
    out_say(run, finding->kind, SEVERITY_TRIP, run->stage.capacity.rated_amps, "port %s let go at %.3f A, not more than its rated %.3f A at %.4g V (supply file)", run_port_name(run, run_port(run)),
            amps, run->stage.capacity.rated_amps, run_label(run)->volts);
}

static void capacity_lost(struct run *run, const struct finding *finding)
{
    struct capacity *c = &run->stage.capacity;
    double amps = run->set_point;
    bool drifted = amps <= c->good_amps; /* hotter than before, it lets go below what it had held: no use to go on */
    tried(run, false);
    c->trips++;
    if (!drifted)
        c->bad_amps = fmin(c->bad_amps, amps);
    else if (isinf(c->bad_amps))
        c->bad_amps = c->try_amps;
    if (amps <= c->rated_amps * 1.0001 && c->good_amps < c->rated_amps * 0.9999)
        say_below_rated(run, finding, amps);
    bool over = drifted || closed(c) || c->trips >= c->trips_max;
    if (over) {
        finish(run);
    } else {
        c->step_amps = (double)NAN;
        choose_next(c);
    }
    trip_let_go(run, over ? AFTER_STAGE : AFTER_AGAIN, finding);
}

static void let_go(struct run *run, enum finding_kind kind, double limit, const char *what)
{
    const struct reading *latest = &run->ports[run_port(run)].latest;
    struct finding finding = {.at_us = run->now_us, .since_us = run->stage.capacity.begin_us, .kind = kind, .severity = SEVERITY_NOTE, .port = run_port(run), .contract = run_contract(run)};
    finding.volts = latest->volts;
    finding.amps = latest->amps;
    finding.limit = limit;
    finding.period_s = finding.duty = (double)NAN;
    snprintf(finding.text, sizeof finding.text, "at %.3f A %s: %.3f V, %.3f A; limit %.4g (%s)", run->set_point, what, latest->volts, latest->amps, limit,
             kind == FINDING_DROOP ? "V, tolerance of the contract, supply file" : "A below the set-point, accuracy of the load, bench file");
    out_finding(run, &finding);
    capacity_lost(run, &finding);
}

static double amps_band(const struct run *run)
{
    const struct accuracy *a = &run_load(run, run_port(run))->amps;
    return 2.0 * accuracy_half_width(run->set_point, a->percent_of_reading, a->percent_of_range, a->range) + 0.02 * run->set_point;
}

static void capacity_feed(struct run *run, const struct reading *reading)
{
    struct capacity *c = &run->stage.capacity;
    if (c->dwelling)
        dwell_feed(&run->stage.dwell, reading);
    if (!reading_trusted(reading))
        return;
    c->low_readings = reading->volts < 0.5 * run_label(run)->low_volts ? c->low_readings + 1 : 0;
    if (c->low_readings >= 2)
        let_go(run, FINDING_COLLAPSED, amps_band(run), "it collapsed");
}

static void judge_try(struct run *run)
{
    struct capacity *c = &run->stage.capacity;
    const struct dwell *dwell = &run->stage.dwell;
    if (dwell->volts.count == 0 || dwell->volts.mean < run_label(run)->low_volts) {
        let_go(run, FINDING_DROOP, run_label(run)->low_volts, "the voltage is below tolerance");
        return;
    }
    if (dwell->amps.mean < run->set_point - amps_band(run)) {
        let_go(run, FINDING_COLLAPSED, amps_band(run), "the current is no longer at its set-point");
        return;
    }
    tried(run, true);
    c->good_amps = run->set_point;
    if (closed(c)) {
        finish(run);
        stage_unload(run);
        return;
    }
    choose_next(c);
    capacity_enter(run);
}

static void capacity_tick(struct run *run)
{
    const struct profile_stage *stage = run_stage(run);
    struct capacity *c = &run->stage.capacity;
    if (!c->dwelling) {
        if (!slew_go(run))
            return;
        c->dwelling = true;
        dwell_begin(&run->stage.dwell, run->now_us, stage->dwell_us, stage->settle_us);
        run->phase_due_us = run->stage.dwell.end_us;
    } else if (dwell_over(&run->stage.dwell, run->now_us)) {
        judge_try(run);
    } else {
        run->phase_due_us = run->stage.dwell.end_us;
    }
}

static void capacity_protect(struct run *run, struct order *order)
{
    order->amps = run->stage.capacity.cap_amps * 1.05 + 0.02 * run_load(run, run_port(run))->max_amps;
}

const struct stage_row stage_capacity = {.name = "capacity",
                                         .help = "from rated current up until it lets go, coarse to fine",
                                         .loads = true,
                                         .expects_collapse = true,
                                         .begin = capacity_begin,
                                         .protect = capacity_protect,
                                         .enter = capacity_enter,
                                         .feed = capacity_feed,
                                         .tick = capacity_tick,
                                         .lost = capacity_lost};
