/* The handle: what comes in is noted here, then given to the watchers, then to the phase. */
#include "daemon/run/run_private.h"

#include <stdlib.h>
#include <string.h>

/* ---- who is it about ---- */

const struct unit *run_unit(const struct run *run)
{
    return run->unit >= 0 && (size_t)run->unit < run->units_len ? &run->units[run->unit] : NULL;
}

int run_port(const struct run *run)
{
    const struct unit *unit = run_unit(run);
    return unit ? unit->port : -1;
}

int run_contract(const struct run *run)
{
    const struct unit *unit = run_unit(run);
    return unit ? unit->contract : -1;
}

const struct profile_stage *run_stage(const struct run *run)
{
    return &run->plan.profile.stages[run_unit(run)->stage];
}

const struct supply_contract *run_label(const struct run *run)
{
    return &run->plan.supply.ports[run_port(run)].contracts[run_contract(run)];
}

const struct bench_seat *run_seat(const struct run *run, int port)
{
    return &run->plan.bench.seats[run->ports[port].seat];
}

const struct bench_instrument *run_load(const struct run *run, int port)
{
    return &run->plan.bench.instruments[run_seat(run, port)->load];
}

const char *run_port_name(const struct run *run, int port)
{
    return run->plan.supply.ports[port].name;
}

bool reading_trusted(const struct reading *reading)
{
    unsigned bad = QUALITY_NAN | QUALITY_OVER_RANGE | QUALITY_LATE | QUALITY_TRANSITION;
    return !(reading->quality & bad) && isfinite(reading->volts) && isfinite(reading->amps);
}

/* ---- life ---- */

static bool port_chosen(const struct test_plan *plan, int port)
{
    if (plan_seat_of_port(plan, port) < 0 || (size_t)port >= plan->supply.ports_len)
        return false;
    for (size_t c = 0; c < plan->supply.ports[port].contracts_len; c++)
        if (plan->contract_chosen[port][c])
            return true;
    return false;
}

static int ports_build(struct run *run, struct error *err)
{
    for (int port = 0; port < PORTS_MAX; port++) {
        struct port_state *state = &run->ports[port];
        state->contract = -1;
        state->pace_us = -1;
        state->used = port_chosen(&run->plan, port);
        if (!state->used)
            continue;
        state->seat = plan_seat_of_port(&run->plan, port);
        watch_setup_waiting(run, port, &run->watch_setup[port]);
        run->watch[port] = watch_new(&run->watch_setup[port], err);
        if (!run->watch[port])
            return -1;
    }
    return 0;
}

/* What the profile's recovery stage allows; where it says nothing, all that the bench has. */
static unsigned rungs_allowed(const struct profile_plan *profile)
{
    for (size_t s = 0; s < profile->stages_len; s++)
        if (profile->stages[s].kind == STAGE_RECOVER && profile->stages[s].rungs)
            return profile->stages[s].rungs;
    return (1u << RUNGS) - 1;
}

struct run *run_new(const struct test_plan *plan, struct error *err)
{
    struct run *run = calloc(1, sizeof *run);
    if (!run) {
        error_set(err, ERROR_MEMORY, "no memory for the run");
        return NULL;
    }
    run->plan = *plan;
    run->phase_due_us = NEVER_US;
    run->rungs = rungs_allowed(&plan->profile);
    if (ports_build(run, err) < 0 || sequence_build(run, err) < 0) {
        run_free(run);
        return NULL;
    }
    run->estimate_us = plan_estimate_us(plan);
    return run;
}

void run_free(struct run *run)
{
    if (!run)
        return;
    for (int port = 0; port < PORTS_MAX; port++)
        watch_free(run->watch[port]);
    free(run);
}

/* ---- a call ---- */

static bool call_begin(struct run *run, int64_t now_us, struct run_out *out)
{
    run->out = out;
    if (now_us > run->now_us)
        run->now_us = now_us;
    return run->phase != PHASE_OVER && run->phase != PHASE_NEW;
}

/* Before the input goes on the load's answers are those to a dozen orders, and on a slow line no reading fits between: each order has a deadline of its own. */
static bool busy_with_orders(const struct run *run, int port)
{
    return port == run_port(run) && !run->ports[port].input_on && (run->phase == PHASE_SELECT || run->phase == PHASE_BRING_UP);
}

static int64_t silence_us(const struct run *run, int port, int periods)
{
    const struct port_state *state = &run->ports[port];
    int64_t pace_us = state->pace_us > 0 ? state->pace_us : 0;
    int64_t grace_us = !state->heard ? FIRST_US : busy_with_orders(run, port) ? BUSY_US : 0;
    return run->plan.profile.tolerate_silence_us + periods * pace_us + state->slack_us + grace_us;
}

static int64_t later(int64_t a_us, int64_t b_us)
{
    return a_us > b_us ? a_us : b_us;
}

static int64_t silence_due_us(const struct run *run, int port)
{
    const struct port_state *state = &run->ports[port];
    int64_t heard_us = later(state->heard_us, state->obeyed_us) + silence_us(run, port, 1);
    int64_t trusted_us = later(state->trusted_us, state->obeyed_us) + silence_us(run, port, 3);
    return heard_us < trusted_us ? heard_us : trusted_us;
}

static void check_silence(struct run *run)
{
    for (int port = 0; port < PORTS_MAX && run->phase != PHASE_OVER; port++) {
        if (!run->ports[port].used || run->now_us < silence_due_us(run, port))
            continue;
        const struct port_state *state = &run->ports[port];
        bool mute = run->now_us >= later(state->heard_us, state->obeyed_us) + silence_us(run, port, 1);
        run_finish(run, RUN_FAULT, "the load %s on port %s %s for %.3g s (tolerate_silence, profile; rode out %u gaps and %u unusable readings before)", run_load(run, port)->name,
                   run_port_name(run, port), mute ? "said nothing" : "said nothing usable", (double)(run->now_us - (mute ? state->heard_us : state->trusted_us)) / (double)US_PER_S, state->gaps,
                   state->untrusted);
    }
}

static void check_watchers(struct run *run)
{
    for (int port = 0; port < PORTS_MAX && run->phase != PHASE_OVER; port++) {
        if (!run->ports[port].used || run->now_us < watch_due_us(run->watch[port]))
            continue;
        struct finding findings[WATCH_OUT_MAX];
        size_t count = watch_tick(run->watch[port], run->now_us, findings);
        for (size_t i = 0; i < count; i++)
            trip_finding(run, &findings[i]);
    }
}

/* Everything that is due by now. A phase may be through several times in one call, when outcomes were there already; bounded all the same. */
static void call_end(struct run *run)
{
    check_silence(run);
    check_watchers(run);
    load_check_due(run);
    for (int i = 0; i < 4 && run->phase != PHASE_OVER; i++)
        phase_tick(run);
    run->out = NULL;
}

void run_begin(struct run *run, int64_t now_us, struct run_out *out)
{
    run->now_us = now_us;
    run->out = out;
    if (run->phase != PHASE_NEW)
        return;
    phase_enter(run, PHASE_CLEAR, NEVER_US);
    run->unit_since_us = now_us;
    for (int port = PORTS_MAX - 1; port >= 0; port--) {
        if (!run->ports[port].used)
            continue;
        run->ports[port].heard_us = run->ports[port].trusted_us = now_us;
        watch_expect_output(run->watch[port], now_us, false);
        load_off(run, port);
    }
    for (int port = 0; port < PORTS_MAX; port++)
        if (run->ports[port].used)
            out_pace(run, port, OTHER_PACE_US);
    if (run->plan.bench.mains >= 0) {
        out_order(run, ORDER_MAINS_ON, -1);
        run->mains_waiting = true;
        run->phase_due_us = now_us + 2 * ORDER_US;
    }
    run->out = NULL;
}

/* A gap is longer than usual and long against what is tolerated: ridden out, counted, and marked, so that nobody takes it for a measurement. */
static void note_gap(struct run *run, struct port_state *state, const struct reading *reading)
{
    double gap_us = (double)(reading->at_us - state->heard_us);
    bool odd = state->heard && state->interval_us > 0 && gap_us > 4.0 * state->interval_us && gap_us > 0.5 * (double)run->plan.profile.tolerate_silence_us;
    if (odd) {
        state->gaps++;
        struct mark *mark = out_mark(run, MARK_GAP);
        mark->port = reading->port;
        mark->from_us = state->heard_us;
        mark->at_us = reading->at_us;
        text_copy(mark->text, sizeof mark->text, "no reading came");
    }
    if (state->heard && gap_us > 0 && !odd)
        state->interval_us = state->interval_us > 0 ? 0.9 * state->interval_us + 0.1 * gap_us : gap_us;
}

static void note_reading(struct run *run, const struct reading *reading)
{
    struct port_state *state = &run->ports[reading->port];
    note_gap(run, state, reading);
    state->heard = true;
    state->slack_us = 0;
    if (reading->at_us > state->heard_us)
        state->heard_us = reading->at_us;
    unsigned bad = QUALITY_NAN | QUALITY_OVER_RANGE | QUALITY_LATE;
    if ((reading->quality & bad) || !isfinite(reading->volts) || !isfinite(reading->amps)) {
        state->untrusted++;
        return;
    }
    if (reading->at_us > state->trusted_us)
        state->trusted_us = reading->at_us;
    state->latest = *reading;
    state->has_latest = true;
}

void run_feed(struct run *run, const struct reading *reading, struct run_out *out)
{
    int port = reading->port;
    if (!call_begin(run, reading->at_us, out) || port < 0 || port >= PORTS_MAX || !run->ports[port].used)
        return;
    note_reading(run, reading);
    struct finding findings[WATCH_OUT_MAX];
    size_t count = watch_feed(run->watch[port], reading, findings);
    for (size_t i = 0; i < count; i++)
        trip_finding(run, &findings[i]);
    if (run->phase != PHASE_OVER) {
        load_feed(run, reading);
        phase_feed(run, reading);
    }
    call_end(run);
}

/* A load that has just obeyed isn't silent. */
static void note_answer(struct run *run, const struct outcome *outcome)
{
    bool of_load = outcome->kind == ORDER_LOAD_SET || outcome->kind == ORDER_LOAD_ON || outcome->kind == ORDER_LOAD_PROTECT || outcome->kind == ORDER_LOAD_OFF;
    if (of_load && outcome->state == OUTCOME_DONE)
        run->ports[outcome->port].obeyed_us = outcome->at_us;
}

void run_outcome(struct run *run, const struct outcome *outcome, struct run_out *out)
{
    bool station = outcome->kind == ORDER_MAINS_OFF || outcome->kind == ORDER_MAINS_ON || outcome->kind == ORDER_ASK;
    bool known = outcome->port >= 0 && outcome->port < PORTS_MAX && run->ports[outcome->port].used;
    if (!call_begin(run, outcome->at_us, out) || !(station || known))
        return;
    if (outcome->kind == ORDER_ASK) {
        struct error ignored = ERROR_INIT;
        run_command(run, RUN_ANSWER, outcome->text, outcome->at_us, out, &ignored);
        return;
    }
    if (known)
        note_answer(run, outcome);
    load_outcome(run, outcome);
    if (run->phase != PHASE_OVER)
        phase_outcome(run, outcome);
    call_end(run);
}

void run_bench_finding(struct run *run, const struct finding *finding, struct run_out *out)
{
    if (!call_begin(run, finding->at_us, out))
        return;
    trip_finding(run, finding);
    call_end(run);
}

void run_abort(struct run *run, enum run_end end, const char *why, int64_t now_us, struct run_out *out)
{
    run->out = out;
    if (now_us > run->now_us)
        run->now_us = now_us;
    run_finish(run, end, "%s", why);
    run->out = NULL;
}

void run_tick(struct run *run, int64_t now_us, struct run_out *out)
{
    if (call_begin(run, now_us, out))
        call_end(run);
}

int64_t run_due_us(const struct run *run)
{
    if (run->phase == PHASE_NEW || run->phase == PHASE_OVER)
        return NEVER_US;
    int64_t due_us = load_check_due_us(run) < run->phase_due_us ? load_check_due_us(run) : run->phase_due_us;
    for (int port = 0; port < PORTS_MAX; port++) {
        if (!run->ports[port].used)
            continue;
        int64_t watch_us = watch_due_us(run->watch[port]), silent_us = silence_due_us(run, port);
        due_us = watch_us < due_us ? watch_us : due_us;
        due_us = silent_us < due_us ? silent_us : due_us;
    }
    return due_us;
}

bool run_over(const struct run *run, enum run_end *ret_end, char *why, size_t why_size)
{
    if (run->phase != PHASE_OVER)
        return false;
    if (ret_end)
        *ret_end = run->end;
    if (why)
        text_cut(why, why_size, run->why);
    return true;
}
