/* Which contract and stage come next. The whole order is laid out before the first order goes out, so that "how far" is a plain sum. */
#include "daemon/run/run_private.h"

#include <stdio.h>
#include <string.h>

struct listed { /* the chosen contracts of a port, in the order of the run */
    int contract[CONTRACTS_MAX];
    size_t len;
};

static double rated_watts(const struct supply_port *port, int contract)
{
    return port->contracts[contract].volts * port->contracts[contract].amps;
}

static void sort_by_power(const struct supply_port *port, struct listed *listed)
{
    for (size_t i = 1; i < listed->len; i++)
        for (size_t j = i; j > 0 && rated_watts(port, listed->contract[j]) < rated_watts(port, listed->contract[j - 1]); j--) {
            int swapped = listed->contract[j];
            listed->contract[j] = listed->contract[j - 1];
            listed->contract[j - 1] = swapped;
        }
}

static void unit_add(struct run *run, int port, int contract, size_t stage, bool recheck)
{
    if (run->units_len == UNITS_MAX)
        return;
    const struct unit *before = run->units_len ? &run->units[run->units_len - 1] : NULL;
    bool selects = !before || before->port != port || before->contract != contract;
    double weight_us = stage_estimate_us(&run->plan.profile.stages[stage]) + (selects ? 1.5 * (double)US_PER_S : 0.0);
    run->units[run->units_len++] = (struct unit){(short)port, (short)contract, (short)stage, recheck, weight_us};
    run->weight_all_us += weight_us;
}

static void add_by_contract(struct run *run, int port, const struct listed *listed)
{
    for (size_t c = 0; c < listed->len; c++)
        for (size_t s = 0; s < run->plan.profile.stages_len; s++)
            unit_add(run, port, listed->contract[c], s, false);
}

static void add_by_stage(struct run *run, int port, const struct listed *listed)
{
    for (size_t s = 0; s < run->plan.profile.stages_len; s++)
        for (size_t c = 0; c < listed->len; c++)
            unit_add(run, port, listed->contract[c], s, false);
}

/* The first contract once more, up to its first STEP or HOLD: was the sample hurt? */
static void add_recheck(struct run *run, int port, int contract)
{
    const struct profile_plan *profile = &run->plan.profile;
    for (size_t s = 0; s < profile->stages_len; s++) {
        enum stage_kind kind = profile->stages[s].kind;
        if (kind == STAGE_CAPACITY || kind == STAGE_TRACE)
            continue;
        unit_add(run, port, contract, s, true);
        if (kind == STAGE_STEP || kind == STAGE_HOLD)
            return;
    }
}

static void add_port(struct run *run, int port)
{
    const struct supply_port *label = &run->plan.supply.ports[port];
    struct listed listed = {.len = 0};
    for (size_t c = 0; c < label->contracts_len; c++)
        if (run->plan.contract_chosen[port][c])
            listed.contract[listed.len++] = (int)c;
    if (listed.len == 0)
        return;
    if (run->plan.profile.each == EACH_STAGE) {
        sort_by_power(label, &listed);
        add_by_stage(run, port, &listed);
    } else {
        add_by_contract(run, port, &listed);
    }
    if (run->plan.profile.recheck_first)
        add_recheck(run, port, listed.contract[0]);
}

int sequence_build(struct run *run, struct error *err)
{
    for (int port = 0; port < PORTS_MAX; port++)
        if (run->ports[port].used)
            add_port(run, port);
    run->unit = -1;
    if (run->units_len == 0)
        return error_set(err, ERROR_RANGE, "nothing to do: no port sits in a seat with a contract chosen, or the profile has no stages");
    return 0;
}

static void port_changes(struct run *run, int before)
{
    int port = run_port(run);
    if (before >= 0 && before != port)
        out_pace(run, before, OTHER_PACE_US);
    out_pace(run, port, 0);
}

void sequence_next(struct run *run)
{
    int before = run_port(run);
    do {
        if (run->unit >= 0)
            run->weight_done_us += run->units[run->unit].weight_us;
        run->unit++;
    } while (run_unit(run) && run->ports[run_port(run)].contract_failed[run_contract(run)]);
    run->begun = false;
    run->reloads = 0;
    run->unit_since_us = run->now_us;
    if (!run_unit(run)) {
        run_finish(run, RUN_DONE, "all contracts done");
        return;
    }
    port_changes(run, before);
    if (run->ports[run_port(run)].contract == run_contract(run))
        unit_go(run);
    else
        select_begin(run, false);
}

void unit_go(struct run *run)
{
    const struct stage_row *row = run_row(run);
    if (run->hold) {
        phase_enter(run, PHASE_HELD, run->now_us + HELD_US);
        return;
    }
    if (!run->begun) {
        struct mark *mark = out_mark(run, MARK_STAGE_BEGIN);
        text_copy(mark->text, sizeof mark->text, row->name);
        mark->number = run_unit(run)->recheck ? 1 : 0;
        run->begun = true;
        memset(&run->stage, 0, sizeof run->stage);
        if (row->begin)
            row->begin(run);
    }
    if (row->loads) {
        load_bring_up(run);
        return;
    }
    out_pace(run, run_port(run), run->plan.profile.sample_period_us);
    phase_enter(run, PHASE_STAGE, NEVER_US);
    row->enter(run);
}

void stage_end(struct run *run, bool held)
{
    struct mark *mark = out_mark(run, MARK_STAGE_END);
    mark->held = held;
    text_copy(mark->text, sizeof mark->text, run_row(run)->name);
    run->begun = false;
}

void stage_unload(struct run *run)
{
    if (!run_row(run)->loads) {
        stage_end(run, true);
        sequence_next(run);
        return;
    }
    load_off(run, run_port(run));
    phase_enter(run, PHASE_UNLOAD, NEVER_US);
}

void contract_fail(struct run *run)
{
    run->ports[run_port(run)].contract_failed[run_contract(run)] = true;
}
