/* The load of a port: off and confirmed; on only through bring-up; set-points never above what load, lead, cable and connector take. */
#include "daemon/run/run_private.h"

#include <string.h>

/* ---- off ---- */

void load_off(struct run *run, int port)
{
    struct port_state *state = &run->ports[port];
    out_off(run, port);
    state->off = OFF_ASKED;
    state->input_on = false;
    state->off_asked_us = run->now_us;
    state->off_due_us = run->now_us + ORDER_US;
    if (port == run_port(run))
        run->nudge_amps = 0;
    watch_ordered(run->watch[port], run->now_us, false, run->mode, run->set_point);
}

bool load_is_off(const struct run *run, int port)
{
    return run->ports[port].off == OFF_CONFIRMED;
}

static bool off_pending(const struct port_state *state)
{
    return state->used && (state->off == OFF_ASKED || state->off == OFF_UNPROVEN);
}

int64_t load_check_due_us(const struct run *run)
{
    int64_t due_us = NEVER_US;
    for (int port = 0; port < PORTS_MAX; port++)
        if (off_pending(&run->ports[port]) && run->ports[port].off_due_us < due_us)
            due_us = run->ports[port].off_due_us;
    return due_us;
}

void load_check_due(struct run *run)
{
    for (int port = 0; port < PORTS_MAX && run->phase != PHASE_OVER; port++)
        if (off_pending(&run->ports[port]) && run->now_us >= run->ports[port].off_due_us)
            run_finish(run, RUN_FAULT, "the load %s on port %s did not confirm within %d s that its input is off; look at it before anything is touched", run_load(run, port)->name,
                       run_port_name(run, port), (int)(ORDER_US / US_PER_S));
}

/* A load that can't be read back is off when a reading asked for after the order shows no current: 2 % of its range, as for the bench. */
void load_feed(struct run *run, const struct reading *reading)
{
    struct port_state *state = &run->ports[reading->port];
    double most_amps = 0.02 * run_load(run, reading->port)->max_amps;
    if (state->off == OFF_UNPROVEN && reading_trusted(reading) && reading->asked_us >= state->off_asked_us && fabs(reading->amps) <= most_amps)
        state->off = OFF_CONFIRMED;
}

static void off_outcome(struct run *run, const struct outcome *outcome)
{
    struct port_state *state = &run->ports[outcome->port];
    if (state->off != OFF_ASKED)
        return;
    if (outcome->state == OUTCOME_DONE)
        state->off = OFF_CONFIRMED;
    else if (outcome->state == OUTCOME_UNCONFIRMED)
        state->off = OFF_UNPROVEN;
    else
        run_finish(run, RUN_FAULT, "the load %s on port %s can't be confirmed off: %s", run_load(run, outcome->port)->name, run_port_name(run, outcome->port), outcome->text);
}

void load_outcome(struct run *run, const struct outcome *outcome)
{
    if (outcome->kind == ORDER_LOAD_OFF) {
        off_outcome(run, outcome);
        return;
    }
    if (outcome->kind != ORDER_LOAD_SET || outcome->port != run_port(run))
        return;
    run->set_pending = false;
    if (outcome->state == OUTCOME_FAILED && run->phase == PHASE_STAGE && run->ports[outcome->port].input_on)
        run_finish(run, RUN_FAULT, "the load %s on port %s did not take its set-point: %s", run_load(run, outcome->port)->name, run_port_name(run, outcome->port), outcome->text);
}

/* ---- set-points ---- */

void load_set(struct run *run, enum load_mode mode, double set_point)
{
    int port = run_port(run);
    if (mode == LOAD_CURRENT) {
        double most_amps = plan_cap_amps(&run->plan, port, run_contract(run), 0.0, NULL, 0);
        set_point = set_point > 0 ? fmin(set_point, most_amps) : 0.0; /* NaN becomes none */
    }
    struct order *order = out_order(run, ORDER_LOAD_SET, port);
    order->mode = mode;
    order->value = set_point;
    run->mode = mode;
    run->set_point = set_point;
    run->set_pending = true;
    run->nudge_amps = 0;
    watch_ordered(run->watch[port], run->now_us, run->ports[port].input_on, mode, set_point);
}

void load_nudge(struct run *run)
{
    double amps = 0;
    if (run->nudge_amps != 0) {
        if (run->now_us >= run->nudge_due_us)
            load_set(run, LOAD_CURRENT, run->set_point - run->nudge_amps);
        return;
    }
    if (run->mode != LOAD_CURRENT || run->set_pending || !watch_wants_nudge(run->watch[run_port(run)], &amps))
        return;
    double before = run->set_point;
    load_set(run, LOAD_CURRENT, before + amps);
    run->nudge_amps = run->set_point - before;
    run->nudge_due_us = run->now_us + US_PER_S;
}

/* ---- bring-up ---- */

static double most_amps_of_stage(const struct run *run)
{
    const struct profile_stage *stage = run_stage(run);
    double rated = run_label(run)->amps, most = 0;
    for (size_t i = 0; i < stage->fractions_len; i++)
        most = fmax(most, stage->fractions[i] * rated);
    return most > 0 ? most : rated;
}

/* The load's own protections for this stage: they act when nobody else can any more. Just above what the stage needs; never above the ratings. */
static void protect(struct run *run)
{
    const struct supply_contract *label = run_label(run);
    const struct bench_instrument *load = run_load(run, run_port(run));
    struct order *order = out_order(run, ORDER_LOAD_PROTECT, run_port(run));
    order->volts = label->volts * (1.0 + run->plan.profile.over_volts_percent / 100.0);
    order->amps = most_amps_of_stage(run) * 1.1 + 0.02 * load->max_amps;
    order->floor_volts = 0.5 * label->volts; /* well below any tolerance, so that it is the watchers that say first how it let go */
    if (run_row(run)->protect)
        run_row(run)->protect(run, order);
    order->volts = fmin(order->volts, load->max_volts);
    order->amps = fmin(order->amps, load->max_amps);
    order->watts = fmin(order->amps * order->volts, load->max_watts);
    run->bring_up.waiting = ORDER_LOAD_PROTECT;
    run->phase_due_us = run->now_us + ORDER_US;
}

static void set_small(struct run *run)
{
    enum load_mode mode = LOAD_CURRENT;
    double set_point = 0.02 * run_label(run)->amps;
    if (run_row(run)->first)
        run_row(run)->first(run, &mode, &set_point);
    load_set(run, mode, set_point);
    run->bring_up.waiting = ORDER_LOAD_SET;
    run->phase_due_us = run->now_us + ORDER_US;
}

static void switch_on(struct run *run)
{
    int port = run_port(run);
    struct port_state *state = &run->ports[port];
    if (state->contract != run_contract(run) || state->off != OFF_CONFIRMED) { /* can't be, by the phases; the worst bug gets a second lock */
        run_finish(run, RUN_FAULT, "the load on port %s was about to go on without a confirmed contract; this is a fault of the program", run_port_name(run, port));
        return;
    }
    out_order(run, ORDER_LOAD_ON, port);
    state->off = OFF_UNKNOWN;
    state->input_on = true;
    watch_ordered(run->watch[port], run->now_us, true, run->mode, run->set_point);
    run->bring_up.waiting = ORDER_LOAD_ON;
    run->phase_due_us = run->now_us + LOAD_ON_US;
}

static void loaded(struct run *run)
{
    out_pace(run, run_port(run), run->plan.profile.sample_period_us);
    phase_enter(run, PHASE_STAGE, NEVER_US);
    run_row(run)->enter(run);
}

void load_bring_up(struct run *run)
{
    if (run->hold) {
        phase_enter(run, PHASE_HELD, run->now_us + HELD_US);
        return;
    }
    phase_enter(run, PHASE_BRING_UP, NEVER_US);
    if (!load_is_off(run, run_port(run)))
        load_off(run, run_port(run));
    run->bring_up.waiting = ORDER_LOAD_OFF;
    bring_up_step(run);
}

void bring_up_step(struct run *run)
{
    if (run->bring_up.waiting == ORDER_LOAD_OFF && load_is_off(run, run_port(run)))
        protect(run);
}

void bring_up_outcome(struct run *run, const struct outcome *outcome)
{
    static void (*const next[ORDER_KINDS])(struct run *) = {[ORDER_LOAD_PROTECT] = set_small, [ORDER_LOAD_SET] = switch_on, [ORDER_LOAD_ON] = loaded};
    if (run->bring_up.waiting == ORDER_LOAD_OFF) {
        bring_up_step(run);
        return;
    }
    if (outcome->kind != run->bring_up.waiting || outcome->port != run_port(run))
        return;
    if (outcome->state == OUTCOME_FAILED) {
        run_finish(run, RUN_FAULT, "the load %s on port %s refused %s: %s", run_load(run, outcome->port)->name, run_port_name(run, outcome->port), order_kind_name(outcome->kind),
                   outcome->text[0] ? outcome->text : "no reason given");
        return;
    }
    next[outcome->kind](run);
}

void bring_up_tick(struct run *run)
{
    int port = run_port(run);
    run_finish(run, RUN_FAULT, "the load %s on port %s did not answer to %s in time", run_load(run, port)->name, run_port_name(run, port), order_kind_name(run->bring_up.waiting));
}
