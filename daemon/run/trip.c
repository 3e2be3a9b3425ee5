/* When a finding comes: off first, then what the stage or the profile says. */
#include "daemon/run/run_private.h"

#include <string.h>

static bool of_instrument(enum finding_kind kind)
{
    static const bool is[FINDING_KINDS] = {
        [FINDING_SENSE] = true,           [FINDING_INSTRUMENT_STALE] = true, [FINDING_INSTRUMENT_STUCK] = true, [FINDING_INSTRUMENT_NAN] = true,
        [FINDING_INSTRUMENT_RANGE] = true, [FINDING_INPUT_ON] = true,         [FINDING_LINK] = true,
    };
    return kind < FINDING_KINDS && is[kind];
}

static bool expected(const struct run *run)
{
    static const bool counts[PHASES] = {[PHASE_STAGE] = true, [PHASE_UNLOAD] = true, [PHASE_LET_GO] = true, [PHASE_RUNG] = true};
    return run_unit(run) && counts[run->phase] && run->begun && run_row(run)->expects_collapse;
}

/* Which findings mean that the supply has let go, beyond those that say so by their severity. */
static bool is_loss(const struct run *run, const struct finding *finding)
{
    if (finding->kind == FINDING_INPUT_OFF) /* the load's own protection was faster than we */
        return run->phase == PHASE_STAGE && run->ports[finding->port].input_on;
    if (finding->kind == FINDING_DROOP) /* at or below rated current it is for the judge, and harms nothing */
        return expected(run) && run->phase == PHASE_STAGE;
    return finding->severity == SEVERITY_TRIP;
}

static void by_profile(struct run *run, const struct finding *finding)
{
    static const enum after after[ON_TRIPS] = {[ON_TRIP_STOP] = AFTER_STOP, [ON_TRIP_WATCH] = AFTER_WATCH, [ON_TRIP_NEXT] = AFTER_CONTRACT, [ON_TRIP_RELOAD] = AFTER_RELOAD};
    const struct profile_plan *profile = &run->plan.profile;
    enum after then = after[profile->on_trip];
    if (then == AFTER_RELOAD && run->reloads >= profile->reload_max)
        then = AFTER_STOP;
    if (then != AFTER_RELOAD)
        contract_fail(run);
    trip_let_go(run, then, finding);
    if (run->begun)
        stage_end(run, false);
}

static void lost(struct run *run, const struct finding *finding)
{
    switch (run->phase) {
    case PHASE_STAGE:
        if (run_row(run)->expects_collapse)
            run_row(run)->lost(run, finding);
        else
            by_profile(run, finding);
        return;
    case PHASE_UNLOAD: /* its last readings tell it late */
        if (run_row(run)->expects_collapse)
            trip_let_go(run, AFTER_STAGE, finding);
        else
            by_profile(run, finding);
        return;
    case PHASE_BRING_UP:
        by_profile(run, finding);
        return;
    default: /* unloaded already, and looked after */
        return;
    }
}

void trip_finding(struct run *run, const struct finding *finding)
{
    bool active = finding->port >= 0 && finding->port == run_port(run);
    struct finding told = *finding;
    if (active && told.severity == SEVERITY_TRIP && !of_instrument(told.kind) && expected(run))
        told.severity = SEVERITY_NOTE;
    out_finding(run, &told);
    if (finding->over || run->phase == PHASE_OVER)
        return;
    bool fault = of_instrument(finding->kind);
    bool bench = fault || finding->kind == FINDING_INSTRUMENT_DISAGREES; /* milder, a supply's limit may look like that; this one is the instrument's own word */
    if (finding->severity == SEVERITY_ABORT || (fault && finding->severity == SEVERITY_TRIP)) {
        run->told = true;
        run_finish(run, bench ? RUN_FAULT : RUN_TRIPPED, "%s", finding->text[0] ? finding->text : finding_kind_name(finding->kind));
    } else if (active && is_loss(run, finding)) {
        lost(run, finding);
    }
}

/* ---- what was that? ---- */

void trip_let_go(struct run *run, enum after after, const struct finding *loss)
{
    int port = run_port(run);
    load_off(run, port);
    run->ports[port].contract = -1;
    run->after = after;
    run->loss = loss ? loss->kind : FINDING_KINDS;
    text_copy(run->loss_text, sizeof run->loss_text, loss ? loss->text : "");
    run->loss_us = run->now_us;
    run->ring.len = 0;
    out_pace(run, port, 0);
    phase_enter(run, PHASE_LET_GO, run->now_us + LET_GO_US);
}

/* A whole curve in the limit is proof of its own: what reset or latched only at the foot of it (a trigger board dies with the voltage) didn't let go that way. */
static bool is_curve(const struct trace_shape *shape)
{
    return shape && (shape->kind == FINDING_CONSTANT_CURRENT || shape->kind == FINDING_CONSTANT_POWER || shape->kind == FINDING_FOLDBACK);
}

/* That the load switched itself off is no way in which a supply lets go. Under a current load it means that the volts fell below its cut-off; in a trace nothing is shown. */
static enum finding_kind plain(enum finding_kind kind, const struct trace_shape *shape)
{
    if (kind != FINDING_INPUT_OFF)
        return kind;
    return shape ? FINDING_UNCERTAIN : FINDING_COLLAPSED;
}

/* The watcher's word; where it saw nothing (a droop, a load's own protection), what made us let go. */
static enum finding_kind name_of(const struct run *run, const struct finding *verdict, const struct trace_shape *shape, const char **ret_text)
{
    enum finding_kind kind = is_curve(shape) ? shape->kind : shape ? watch_combined(verdict, shape) : verdict->kind;
    bool unsaid = kind >= FINDING_KINDS || (kind == FINDING_UNCERTAIN && run->loss == FINDING_DROOP);
    if (unsaid && run->loss < FINDING_KINDS) {
        *ret_text = run->loss_text;
        return plain(run->loss, shape);
    }
    *ret_text = shape && (kind == shape->kind || kind >= FINDING_KINDS) ? shape->text : kind == verdict->kind ? verdict->text : "";
    return kind < FINDING_KINDS ? plain(kind, shape) : FINDING_UNCERTAIN;
}

static void name_it(struct run *run)
{
    int port = run_port(run);
    const struct trace *trace = &run->stage.trace;
    bool traced = run->begun && run_stage(run)->kind == STAGE_TRACE && trace->points_len > 0;
    struct finding verdict = {.kind = FINDING_KINDS};
    struct trace_shape shape = {.kind = FINDING_UNCERTAIN, .limit_amps = (double)NAN};
    verdict.kind = watch_verdict(run->watch[port], &verdict);
    if (traced)
        watch_shape(trace->points, trace->points_len, &run->watch_setup[port], &shape);
    const char *text = "";
    enum finding_kind kind = name_of(run, &verdict, traced ? &shape : NULL, &text);
    struct mark *mark = out_mark(run, MARK_LET_GO);
    mark->from_us = run->loss_us;
    mark->number = kind;
    mark->set_point = traced ? shape.limit_amps : (double)NAN;
    mark->mode = traced ? trace->mode : LOAD_CURRENT;
    text_cut(mark->text, sizeof mark->text, text);
}

static void let_go_end(struct run *run, bool back)
{
    name_it(run);
    struct mark *mark = out_mark(run, MARK_RUNG);
    mark->from_us = run->loss_us;
    mark->number = RUNG_WAIT;
    mark->held = back;
    if (run->after == AFTER_STOP) {
        run->told = run->loss < FINDING_KINDS;
        run_finish(run, RUN_TRIPPED, "%s", run->loss_text[0] ? run->loss_text : "the supply let go");
    } else if (run->after == AFTER_WATCH) {
        phase_enter(run, PHASE_WATCH, run->now_us + run->plan.profile.watch_us);
    } else if (back) {
        run->ports[run_port(run)].contract = run_contract(run);
        watch_setup_active(run, false);
        watch_refeed(run, &run->ring);
        ladder_recovered(run);
    } else {
        ladder_climb(run, RUNG_REQUEST);
    }
}

void let_go_feed(struct run *run, const struct reading *reading)
{
    if (!reading_trusted(reading))
        return;
    ring_add(&run->ring, reading);
    if (run->now_us - run->loss_us >= LET_GO_LEAST_US && load_is_off(run, run_port(run)) && ring_settled(&run->ring, run_label(run)->volts, idle_window_volts(run), NULL))
        let_go_end(run, true);
}

void let_go_tick(struct run *run)
{
    let_go_end(run, false);
}

void watch_tick_phase(struct run *run)
{
    run->told = true;
    run_finish(run, RUN_TRIPPED, "%s", run->loss_text[0] ? run->loss_text : "the supply let go");
}

/* ---- cooling before a reload ---- */

static double hottest(const struct reading *reading)
{
    double most = (double)NAN;
    for (size_t i = 0; i < PROBES_MAX; i++)
        most = fmax(most, reading->celsius[i]); /* fmax() prefers the one that isn't NaN */
    return most;
}

void cool_feed(struct run *run, const struct reading *reading)
{
    double celsius = hottest(reading);
    if (isnan(celsius)) {
        if (run->now_us - run->phase_since_us > ORDER_US)
            run_finish(run, RUN_TRIPPED, "not reloaded: no thermometer says that it is below %.4g °C (reload_below, profile)", run->plan.profile.reload_below_celsius);
        return;
    }
    if (celsius >= run->plan.profile.reload_below_celsius)
        return;
    run->reloads++;
    select_begin(run, false);
}

void cool_tick(struct run *run)
{
    run_finish(run, RUN_TRIPPED, "not reloaded: not below %.4g °C within %d h (reload_below, profile)", run->plan.profile.reload_below_celsius, (int)(COOL_US / (3600 * US_PER_S)));
}
