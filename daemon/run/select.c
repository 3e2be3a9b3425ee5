/* Getting a contract: the load is off, the supply (or the operator) is asked, and the voltage has to stand in the idle window. */
#include "daemon/run/run_private.h"

#include <stdio.h>
#include <string.h>

static bool by_operator(const struct run *run)
{
    return run_seat(run, run_port(run))->selector < 0;
}

/* A supply with one contract needs nobody: it gives it or it doesn't. */
static bool nobody_to_ask(const struct run *run)
{
    return by_operator(run) && run->plan.supply.ports[run_port(run)].contracts_len == 1;
}

double idle_window_volts(const struct run *run)
{
    return run_label(run)->volts * run->plan.supply.max_no_load_percent / 100.0;
}

/* On a fast link the ring would span less than a slew or a ripple takes: the newest gives way until it stands far enough from the one before. */
void ring_add(struct ring *ring, const struct reading *reading)
{
    if (ring->len > 1 && ring->last[ring->len - 1].at_us - ring->last[ring->len - 2].at_us < RING_APART_US)
        ring->len--;
    if (ring->len == RING_LEN) {
        memmove(&ring->last[0], &ring->last[1], (RING_LEN - 1) * sizeof ring->last[0]);
        ring->len--;
    }
    ring->last[ring->len++] = *reading;
}

static void ring_halves(const struct ring *ring, struct mean *early, struct mean *late, struct mean *squares)
{
    for (size_t i = 0; i < ring->len; i++) {
        double volts = ring->last[i].volts;
        mean_add(i < ring->len / 2 ? early : late, volts);
        if (i > 0)
            mean_add(squares, (volts - ring->last[i - 1].volts) * (volts - ring->last[i - 1].volts));
    }
}

/* All in the window, and no drift that the noise between neighbours wouldn't explain. Neighbours' differences, because a slewing voltage has a large deviation too, but small steps. */
bool ring_settled(const struct ring *ring, double nominal_volts, double window_volts, double *ret_mean)
{
    if (ring->len < SETTLED_READINGS || ring->last[ring->len - 1].at_us - ring->last[0].at_us < 20 * US_PER_MS)
        return false;
    struct mean early = {0}, late = {0}, squares = {0};
    ring_halves(ring, &early, &late, &squares);
    double low = fmin(early.min, late.min), high = fmax(early.max, late.max);
    if (!(low >= nominal_volts - window_volts && high <= nominal_volts + window_volts))
        return false;
    double noise = sqrt(squares.mean / 2.0);
    double drift = fabs(late.mean - early.mean);
    if (ret_mean)
        *ret_mean = (early.mean * (double)early.count + late.mean * (double)late.count) / (double)ring->len;
    return drift <= 2.5 * noise * sqrt(1.0 / (double)early.count + 1.0 / (double)late.count) + 0.001 * nominal_volts;
}

static void fill_levels(const struct run *run, int port, int contract, struct watch_setup *setup)
{
    const struct supply_port *label = &run->plan.supply.ports[port];
    setup->default_volts = label->connector == CONNECTOR_USB_C ? 5.0 : 0.0;
    for (size_t c = 0; c < label->contracts_len; c++)
        if ((int)c != contract)
            setup->other_volts[setup->other_volts_len++] = label->contracts[c].volts;
}

static void fill_load(const struct run *run, int port, double amps, struct watch_setup *setup)
{
    const struct bench_instrument *load = run_load(run, port);
    setup->load_min_volts = load->min_volts;
    setup->load_max_amps = load->max_amps;
    setup->load_max_volts = load->max_volts;
    setup->amps_u = 2 * uncertainty_rectangular(accuracy_half_width(amps, load->amps.percent_of_reading, load->amps.percent_of_range, load->amps.range));
    setup->volts_u = 2 * uncertainty_rectangular(accuracy_half_width(setup->nominal_volts, load->volts.percent_of_reading, load->volts.percent_of_range, load->volts.range));
    setup->four_wire = run_seat(run, port)->lead.sense == SENSE_FOUR_WIRE;
}

static double highest_volts(const struct supply_port *label)
{
    double highest = 0;
    for (size_t c = 0; c < label->contracts_len; c++)
        highest = fmax(highest, label->contracts[c].volts);
    return highest;
}

/* While a contract is being changed the old one's voltage may still stand: then the highest of the port's contracts is what the hard limit is taken from. */
static void fill_setup(const struct run *run, int port, int contract, bool selecting, struct watch_setup *setup)
{
    const struct supply_port *label = &run->plan.supply.ports[port];
    const struct supply_contract *promise = &label->contracts[contract];
    double over = 1.0 + run->plan.profile.over_volts_percent / 100.0;
    memset(setup, 0, sizeof *setup);
    setup->port = port;
    setup->contract = contract;
    setup->nominal_volts = promise->volts;
    setup->low_volts = promise->low_volts;
    setup->high_volts = promise->high_volts;
    setup->rated_amps = promise->amps;
    setup->hard_over_volts = (selecting ? highest_volts(label) : promise->volts) * over;
    text_copy(setup->hard_over_from, sizeof setup->hard_over_from, "over_volts_percent, profile");
    setup->programmable = promise->programmable;
    setup->settle_s = 0.2;
    fill_levels(run, port, contract, setup);
    fill_load(run, port, promise->amps, setup);
}

/* Also for ports that wait (run.c, at the start, contract 0): off, no output expected. */
void watch_setup_active(struct run *run, bool selecting)
{
    int port = run_port(run);
    fill_setup(run, port, run_contract(run), selecting, &run->watch_setup[port]);
    watch_reset(run->watch[port], &run->watch_setup[port]);
    watch_pace(run->watch[port], run->ports[port].pace_us > 0 ? run->ports[port].pace_us : 0);
    watch_ordered(run->watch[port], run->now_us, false, LOAD_CURRENT, 0.0);
    watch_expect_output(run->watch[port], run->now_us, !selecting);
}

void watch_setup_waiting(const struct run *run, int port, struct watch_setup *setup)
{
    fill_setup(run, port, 0, true, setup);
}

/* The watcher has to have seen it good before it can say that it has gone bad. */
void watch_refeed(struct run *run, const struct ring *ring)
{
    struct finding findings[WATCH_OUT_MAX];
    for (size_t i = 0; i < ring->len; i++)
        watch_feed(run->watch[run_port(run)], &ring->last[i], findings);
}

/* The load's own over-voltage limit still stands where the last contract wanted it; a higher contract would trip it with its input off. */
static void widen_protection(struct run *run)
{
    int port = run_port(run);
    const struct bench_instrument *load = run_load(run, port);
    struct order *order = out_order(run, ORDER_LOAD_PROTECT, port);
    order->volts = fmin(highest_volts(&run->plan.supply.ports[port]) * (1.0 + run->plan.profile.over_volts_percent / 100.0), load->max_volts);
    order->amps = fmin(run_label(run)->amps, load->max_amps);
    order->watts = fmin(order->amps * order->volts, load->max_watts);
    order->floor_volts = 0.0; /* input off, and the output may go away for a moment */
}

static void ask_supply(struct run *run)
{
    struct selection *s = &run->selection;
    const struct supply_contract *label = run_label(run);
    widen_protection(run);
    struct order *order = out_order(run, ORDER_SELECT, run_port(run));
    order->contract = run_contract(run);
    order->volts = label->volts;
    order->amps = label->amps;
    s->asked = true;
    s->asked_us = s->since_us = run->now_us;
    s->timeout_us = run->plan.profile.select_timeout_us;
    s->acknowledged = by_operator(run); /* nobody answers then but the voltage */
    if (!by_operator(run) || nobody_to_ask(run))
        return;
    s->timeout_us = s->timeout_us > OPERATOR_US ? s->timeout_us : OPERATOR_US;
    out_ask(run, "Select %.4g V on port %s.", label->volts, run_port_name(run, run_port(run)));
}

void select_begin(struct run *run, bool for_rung)
{
    struct selection *s = &run->selection;
    int port = run_port(run);
    memset(s, 0, sizeof *s);
    run->asking = false;
    s->for_rung = for_rung;
    s->seen_volts = (double)NAN;
    run->ports[port].contract = -1;
    if (run->hold && !for_rung) {
        phase_enter(run, PHASE_HELD, run->now_us + HELD_US);
        return;
    }
    out_pace(run, port, 0);
    if (!load_is_off(run, port))
        load_off(run, port);
    watch_setup_active(run, true);
    phase_enter(run, PHASE_SELECT, NEVER_US);
    select_tick(run);
}

static int64_t timed_out_us(const struct selection *s)
{
    return (s->acknowledged ? s->since_us : s->asked_us + ORDER_US) + s->timeout_us;
}

static void done(struct run *run, double volts)
{
    struct selection *s = &run->selection;
    int port = run_port(run);
    bool proved = s->proof == PROOF_CONTRACT;
    struct mark *mark = out_mark(run, MARK_CONTRACT);
    mark->from_us = s->asked_us;
    mark->at_us = s->ring.last[0].at_us > s->asked_us ? s->ring.last[0].at_us : s->asked_us;
    mark->number = (double)(mark->at_us - mark->from_us) / (double)US_PER_S;
    mark->set_point = volts;
    mark->held = true;
    text_copy(mark->text, sizeof mark->text, proved ? "contract stated by the selector" : "voltage only");
    run->asking = false;
    run->ports[port].contract = run_contract(run);
    watch_setup_active(run, false);
    watch_refeed(run, &s->ring);
    if (s->for_rung)
        ladder_result(run, true);
    else
        unit_go(run);
}

static void not_reached(struct run *run, const char *why)
{
    struct selection *s = &run->selection;
    const struct supply_contract *label = run_label(run);
    int port = run_port(run);
    char seen[64] = "nothing measured";
    if (!isnan(s->seen_volts))
        snprintf(seen, sizeof seen, "%.3f V seen", s->seen_volts);
    run->asking = false;
    out_say(run, FINDING_CONTRACT_LOST, SEVERITY_WARNING, label->volts - idle_window_volts(run),
            "contract %.4g V, %.4g A on port %s not offered or not reached: %s%s%s; idle window %.4g V ± %.3g %% (max_no_load_percent, supply), %.3g s (select_timeout, profile)", label->volts,
            label->amps, run_port_name(run, port), why, *why ? "; " : "", seen, label->volts, run->plan.supply.max_no_load_percent, (double)s->timeout_us / (double)US_PER_S);
    if (s->for_rung) {
        ladder_result(run, false);
        return;
    }
    struct mark *mark = out_mark(run, MARK_CONTRACT);
    mark->from_us = s->asked_us;
    mark->set_point = s->seen_volts;
    text_cut(mark->text, sizeof mark->text, *why ? why : "not reached");
    if (run->begun) /* held, and not found again on resuming */
        stage_end(run, false);
    contract_fail(run);
    sequence_next(run);
}

void select_outcome(struct run *run, const struct outcome *outcome)
{
    struct selection *s = &run->selection;
    if (outcome->kind != ORDER_SELECT || outcome->port != run_port(run) || by_operator(run) || !s->asked)
        return;
    if (outcome->contract >= 0 && outcome->contract != run_contract(run)) /* of an earlier request */
        return;
    if (outcome->state == OUTCOME_FAILED) {
        not_reached(run, outcome->text[0] ? outcome->text : "the selector refused");
        return;
    }
    s->acknowledged = true;
    s->proof = outcome->proof;
    s->since_us = run->now_us;
    s->ring.len = 0;
    select_tick(run);
}

void select_answer(struct run *run)
{
    run->asking = false;
    run->selection.timeout_us = run->plan.profile.select_timeout_us > 2 * US_PER_S ? run->plan.profile.select_timeout_us : 2 * US_PER_S;
    if (run->selection.timeout_us > OPERATOR_US / 10)
        run->selection.timeout_us = OPERATOR_US / 10; /* the operator says it is done: then it stands in seconds */
    run->selection.since_us = run->now_us;
    select_tick(run);
}

void select_feed(struct run *run, const struct reading *reading)
{
    struct selection *s = &run->selection;
    if (!reading_trusted(reading) || !s->asked)
        return;
    s->seen_volts = reading->volts;
    if (!s->acknowledged || reading->at_us < s->since_us)
        return;
    ring_add(&s->ring, reading);
    double mean = 0;
    if (ring_settled(&s->ring, run_label(run)->volts, idle_window_volts(run), &mean) && load_is_off(run, run_port(run)))
        done(run, mean);
}

/* On a slow line a voltage that stands where it should gets the readings it needs to show it. */
static bool deserves_more(const struct run *run)
{
    const struct selection *s = &run->selection;
    bool inside = fabs(s->seen_volts - run_label(run)->volts) <= idle_window_volts(run);
    int64_t most_us = s->timeout_us * 3 > 5 * US_PER_S ? s->timeout_us * 3 : 5 * US_PER_S;
    return s->acknowledged && inside && run->now_us < s->since_us + most_us;
}

void select_tick(struct run *run)
{
    struct selection *s = &run->selection;
    if (!s->asked) {
        if (!load_is_off(run, run_port(run)))
            return; /* load_check_due() watches that it comes */
        ask_supply(run);
    }
    if (run->now_us < timed_out_us(s))
        run->phase_due_us = timed_out_us(s);
    else if (deserves_more(run))
        run->phase_due_us = run->now_us + 100 * US_PER_MS;
    else
        not_reached(run, s->acknowledged ? "" : "the selector doesn't answer");
}
