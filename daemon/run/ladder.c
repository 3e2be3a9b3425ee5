/* The recovery ladder: one rung at a time, and a mark that says which one worked. The first rung, waiting, is PHASE_LET_GO in trip.c. */
#include "daemon/run/run_private.h"

static bool has_selector(const struct run *run)
{
    return run_seat(run, run_port(run))->selector >= 0;
}

static bool has_mains(const struct run *run)
{
    return run->plan.bench.mains >= 0;
}

/* A port that gives something can be asked for its next contract without a person coming for the failed one. */
static bool needs_operator(const struct run *run)
{
    const struct port_state *port = &run->ports[run_port(run)];
    return !(run->after == AFTER_CONTRACT && port->has_latest && port->latest.volts >= 3.0);
}

static void request(struct run *run)
{
    select_begin(run, true);
}

static void step_enter(struct run *run, int step, int64_t for_us)
{
    phase_enter(run, PHASE_RUNG, run->now_us + for_us);
    run->rung_step = step;
}

static void detach(struct run *run)
{
    out_order(run, ORDER_DETACH, run_port(run));
    step_enter(run, 0, ORDER_US);
}

static void mains_off(struct run *run)
{
    out_order(run, ORDER_MAINS_OFF, -1);
    step_enter(run, 0, ORDER_US);
}

static void call_operator(struct run *run)
{
    out_ask(run, "Port %s does not come back to %.4g V. Bring the supply back (unplug it, wait a minute, plug it in again), then answer.", run_port_name(run, run_port(run)),
            run_label(run)->volts);
    step_enter(run, 0, OPERATOR_US);
}

/* Away, stay away, back: two rungs that differ in orders and times only. */
struct rung_row {
    bool (*possible)(const struct run *run);
    void (*start)(struct run *run);
    enum order_kind away, back;
    int64_t away_us, settle_us;
};

static const struct rung_row rows[RUNGS] = {
    [RUNG_WAIT] = {0},
    [RUNG_REQUEST] = {.possible = has_selector, .start = request},
    [RUNG_DETACH] = {has_selector, detach, ORDER_DETACH, ORDER_ATTACH, DETACHED_US, US_PER_S / 2},
    [RUNG_MAINS] = {has_mains, mains_off, ORDER_MAINS_OFF, ORDER_MAINS_ON, MAINS_OFF_US, MAINS_ON_US},
    [RUNG_OPERATOR] = {.possible = needs_operator, .start = call_operator},
};

enum { STEP_AWAY_ASKED, STEP_AWAY, STEP_BACK_ASKED, STEP_BACK };

static void exhausted(struct run *run)
{
    const struct port_state *port = &run->ports[run_port(run)];
    contract_fail(run);
    if (!port->has_latest || !(port->latest.volts >= 1.0)) {
        run_finish(run, RUN_TRIPPED, "port %s gives %.2f V and came back by no rung of the recovery ladder", run_port_name(run, run_port(run)), port->has_latest ? port->latest.volts : 0.0);
        return;
    }
    if (run->begun)
        stage_end(run, false);
    sequence_next(run);
}

void ladder_climb(struct run *run, enum rung from)
{
    for (unsigned rung = from; rung < RUNGS; rung++) {
        if (!(run->rungs & (1u << rung)) || !rows[rung].possible || !rows[rung].possible(run))
            continue;
        run->rung = (enum rung)rung;
        watch_expect_output(run->watch[run_port(run)], run->now_us, false);
        rows[rung].start(run);
        return;
    }
    exhausted(run);
}

void ladder_result(struct run *run, bool held)
{
    struct mark *mark = out_mark(run, MARK_RUNG);
    mark->from_us = run->loss_us;
    mark->number = run->rung;
    mark->held = held;
    if (held)
        ladder_recovered(run);
    else
        ladder_climb(run, run->rung + 1);
}

void ladder_recovered(struct run *run)
{
    switch (run->after) {
    case AFTER_STAGE:
        stage_end(run, true);
        sequence_next(run);
        return;
    case AFTER_AGAIN:
        load_bring_up(run);
        return;
    case AFTER_RELOAD:
        phase_enter(run, PHASE_COOL, run->now_us + COOL_US);
        out_pace(run, run_port(run), OTHER_PACE_US);
        return;
    default:
        sequence_next(run);
        return;
    }
}

static void refused(struct run *run, const struct outcome *outcome)
{
    enum rung rung = run->rung;
    if (rung == RUNG_MAINS && run->rung_step == STEP_BACK_ASKED)
        run_finish(run, RUN_FAULT, "the mains switch did not switch on again: %s", outcome->text);
    else
        ladder_climb(run, rung + 1); /* this selector can't: not tried, so no mark */
}

void rung_outcome(struct run *run, const struct outcome *outcome)
{
    const struct rung_row *row = &rows[run->rung];
    bool away = run->rung_step == STEP_AWAY_ASKED && outcome->kind == row->away && row->away_us > 0;
    bool back = run->rung_step == STEP_BACK_ASKED && outcome->kind == row->back;
    if (!away && !back)
        return;
    if (outcome->state == OUTCOME_FAILED)
        refused(run, outcome);
    else
        step_enter(run, away ? STEP_AWAY : STEP_BACK, away ? row->away_us : row->settle_us);
}

void rung_answer(struct run *run)
{
    run->asking = false;
    if (run->rung == RUNG_OPERATOR)
        select_begin(run, true);
}

void rung_tick(struct run *run)
{
    const struct rung_row *row = &rows[run->rung];
    run->asking = false;
    if (run->rung == RUNG_OPERATOR) { /* nobody came */
        ladder_result(run, false);
    } else if (run->rung_step == STEP_AWAY) {
        out_order(run, row->back, run->rung == RUNG_MAINS ? -1 : run_port(run));
        step_enter(run, STEP_BACK_ASKED, ORDER_US);
    } else if (run->rung_step == STEP_BACK) {
        select_begin(run, true);
    } else if (run->rung == RUNG_MAINS) {
        run_finish(run, RUN_FAULT, "the mains switch does not answer");
    } else {
        ladder_result(run, false);
    }
}
