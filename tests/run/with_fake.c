#include "tests/run/with_fake.h"

#include <stdlib.h>

static double noise(struct fake *fake, double size)
{
    return size * ((double)(figures_random(&fake->seed) >> 11) / 9007199254740992.0 - 0.5) * 2.0;
}

/* ---- plan ---- */

static void make_bench(struct bench_plan *bench)
{
    struct bench_instrument *load = &bench->instruments[0];
    strcpy(load->name, "load1");
    load->role = ROLE_LOAD;
    load->max_volts = 60;
    load->max_amps = 30;
    load->max_watts = 300;
    load->constant_voltage_mode = load->constant_resistance_mode = true;
    load->volts = (struct accuracy){0.05, 0.02, 60};
    load->amps = (struct accuracy){0.05, 0.02, 30};
    strcpy(bench->instruments[1].name, "selector1");
    bench->instruments[1].role = ROLE_SELECTOR;
    bench->instruments_len = 2;
    struct bench_seat *seat = &bench->seats[0];
    strcpy(seat->name, "left");
    seat->channel = 1;
    seat->selector = 1;
    seat->lead = (struct bench_lead){.sense = SENSE_FOUR_WIRE, .max_volts = 60, .max_amps = 10};
    seat->cable_amps = 5;
    bench->seats_len = 1;
    bench->mains = -1;
}

static void make_supply(struct supply_plan *supply)
{
    static const double volts[] = {5, 9, 12, 15, 20};
    struct supply_port *port = &supply->ports[0];
    strcpy(supply->name, "sample");
    strcpy(port->name, "C1");
    port->connector = CONNECTOR_USB_C;
    port->connector_amps = 5;
    for (size_t i = 0; i < 5; i++)
        port->contracts[i] = (struct supply_contract){.volts = volts[i], .amps = 3, .low_volts = 0.95 * volts[i], .high_volts = 1.05 * volts[i]};
    port->contracts_len = 5;
    supply->ports_len = 1;
    supply->total_watts = 60;
    supply->max_no_load_percent = 5;
}

struct profile_stage *fake_stage(struct fake *fake, enum stage_kind kind)
{
    struct profile_stage *stage = &fake->plan.profile.stages[fake->plan.profile.stages_len++];
    memset(stage, 0, sizeof *stage);
    stage->kind = kind;
    strcpy(stage->name, stage_kind_name(kind));
    stage->dwell_us = 2 * US_PER_S;
    stage->settle_us = US_PER_S / 2;
    stage->fractions[0] = kind == STAGE_RAMP ? 0.1 : 1.0;
    stage->fractions_len = 1;
    stage->slew_amps_per_s = 2;
    stage->resolution_fraction = 0.01;
    stage->cap_fraction = 1.5;
    stage->trips_max = 3;
    stage->trace_from = 0.95;
    stage->trace_to = 0.2;
    stage->trace_points = 12;
    stage->max_joules = 2000;
    if (kind == STAGE_CAPACITY || kind == STAGE_TRACE)
        stage->fractions_len = 0;
    if (kind == STAGE_TRACE)
        stage->dwell_us = US_PER_S;
    if (kind == STAGE_RAMP)
        stage->fractions[stage->fractions_len++] = 1.0;
    if (kind == STAGE_STEP) {
        static const double fractions[] = {0.25, 0.5, 0.75, 1.0};
        memcpy(stage->fractions, fractions, sizeof fractions);
        stage->fractions_len = 4;
    }
    return stage;
}

struct fake *fake_new(uint64_t seed)
{
    struct fake *fake = calloc(1, sizeof *fake);
    assert_non_null(fake);
    fake->seed = seed;
    make_bench(&fake->plan.bench);
    make_supply(&fake->plan.supply);
    struct profile_plan *profile = &fake->plan.profile;
    profile->on_trip = ON_TRIP_NEXT;
    profile->select_timeout_us = 2 * US_PER_S;
    profile->tolerate_silence_us = US_PER_S;
    profile->over_volts_percent = 20;
    profile->watch_us = 30 * US_PER_S;
    fake_stage(fake, STAGE_IDLE);
    fake_stage(fake, STAGE_STEP);
    fake_stage(fake, STAGE_HOLD);
    for (int i = 0; i < PORTS_MAX; i++)
        fake->plan.port_of_seat[i] = i == 0 ? 0 : -1;
    for (int i = 0; i < 5; i++) {
        fake->plan.contract_chosen[0][i] = true;
        fake->limit[i] = 3.6;
    }
    fake->ohms = 0.05;
    fake->contract = -1;
    fake->celsius = 30;
    fake->reading_us = 50 * US_PER_MS;
    fake->silent_from_us = NEVER_US;
    return fake;
}

void fake_characterise(struct fake *fake)
{
    fake_stage(fake, STAGE_CAPACITY);
    fake_stage(fake, STAGE_TRACE);
    fake_stage(fake, STAGE_RECOVER);
    fake->plan.profile.each = EACH_STAGE;
    fake->plan.profile.recheck_first = true;
}

void fake_free(struct fake *fake)
{
    run_free(fake->run);
    free(fake);
}

/* ---- supply and load ---- */

static double source_volts(const struct fake *fake)
{
    if (fake->dead || fake->now_us < fake->away_until_us)
        return 0;
    if (fake->contract < 0)
        return 5.0;
    double label = fake->plan.supply.ports[0].contracts[fake->contract].volts;
    double volts = fake->bad_volts[fake->contract] > 0 ? fake->bad_volts[fake->contract] : label;
    double seconds = (double)(fake->now_us - fake->selected_us) / 1e6;
    return volts - (volts - 5.0) * exp(-seconds / 0.05); /* slews, never jumps */
}

static void let_go(struct fake *fake)
{
    if (fake->manner == MANNER_LATCH)
        fake->dead = true;
    if (fake->manner == MANNER_FALLBACK) {
        fake->contract = -1;
    }
    if (fake->manner == MANNER_PAUSE)
        fake->away_until_us = fake->now_us + 3 * US_PER_S;
}

static void in_limit(struct fake *fake, double volts, double limit, double *ret_volts, double *ret_amps)
{
    let_go(fake);
    bool shape = fake->manner == MANNER_FLOOR || fake->manner == MANNER_FOLDBACK;
    double source = source_volts(fake);
    double held = fake->mode[0] == LOAD_VOLTAGE ? fake->set[0] : 0.3;
    double back = fake->manner == MANNER_FOLDBACK ? 0.3 + 0.7 * held / volts : 1.0;
    *ret_volts = shape ? held : fake->mode[0] == LOAD_VOLTAGE ? fmin(source, fake->set[0]) : fmin(source, 0.3);
    *ret_amps = shape ? limit * back : source > 0.3 && fake->mode[0] == LOAD_CURRENT ? 0.5 : 0;
}

static void meet(struct fake *fake, double *ret_volts, double *ret_amps)
{
    double volts = source_volts(fake), limit = fake->contract >= 0 ? fake->limit[fake->contract] : 3.2;
    double wants = 0;
    if (fake->on[0] && !fake->cut_off) {
        if (fake->mode[0] == LOAD_CURRENT)
            wants = fake->set[0];
        else if (fake->mode[0] == LOAD_VOLTAGE)
            wants = fmax((volts - fake->set[0]) / fake->ohms, 0.0);
        else
            wants = volts / (fake->set[0] + fake->ohms);
    }
    *ret_amps = volts > 0.5 ? wants : 0;
    *ret_volts = volts - *ret_amps * fake->ohms;
    if (volts > 0.5 && wants > limit)
        in_limit(fake, volts, limit, ret_volts, ret_amps);
}

static void measure(struct fake *fake, int port, struct reading *reading)
{
    memset(reading, 0, sizeof *reading);
    reading->at_us = fake->now_us;
    reading->asked_us = fake->now_us - 10 * US_PER_MS;
    reading->port = port;
    if (port == 0)
        meet(fake, &reading->volts, &reading->amps);
    reading->volts += noise(fake, 0.001);
    reading->amps += noise(fake, 0.001);
    reading->load_volts = reading->volts;
    reading->mode = fake->mode[port];
    reading->set_point = fake->set[port];
    reading->input_on = fake->on[port];
    reading->contract = port == 0 ? fake->contract : -1;
    for (int i = 0; i < PROBES_MAX; i++)
        reading->celsius[i] = i == 0 ? fake->celsius : (double)NAN;
}

/* ---- orders ---- */

static void answer(struct fake *fake, const struct order *order, enum outcome_state state, int64_t after_us)
{
    assert_true(fake->pending_len < PENDING_MAX);
    struct outcome *outcome = &fake->pending[fake->pending_len++];
    *outcome = (struct outcome){.at_us = fake->now_us + after_us, .kind = order->kind, .port = order->port, .contract = order->contract, .state = state, .value = (double)NAN};
    outcome->proof = order->kind == ORDER_SELECT ? PROOF_CONTRACT : PROOF_NONE;
    if (state == OUTCOME_FAILED)
        strcpy(outcome->text, "refused by the fake");
}

static void obey_select(struct fake *fake, const struct order *order)
{
    if (fake->plan.bench.seats[0].selector < 0) {
        answer(fake, order, OUTCOME_UNCONFIRMED, 1000);
        return;
    }
    if (fake->dumb_selector)
        return;
    bool refused = fake->selector_refuses[order->contract];
    if (!refused && !fake->dead) {
        fake->contract = order->contract;
        fake->selected_us = fake->now_us;
    }
    answer(fake, order, refused ? OUTCOME_FAILED : OUTCOME_DONE, 100 * US_PER_MS);
}

static void obey_load(struct fake *fake, const struct order *order)
{
    int port = order->port;
    if (order->kind == ORDER_LOAD_OFF)
        fake->on[port] = fake->cut_off = false;
    if (order->kind == ORDER_LOAD_ON)
        fake->on[port] = true;
    if (order->kind == ORDER_LOAD_PROTECT)
        fake->protect = *order;
    if (order->kind == ORDER_LOAD_SET) {
        fake->mode[port] = order->mode;
        fake->set[port] = order->value;
    }
    bool unproven = order->kind == ORDER_LOAD_OFF && fake->unconfirmed_off;
    answer(fake, order, unproven ? OUTCOME_UNCONFIRMED : OUTCOME_DONE, 20 * US_PER_MS);
}

static void obey(struct fake *fake, const struct order *order)
{
    switch (order->kind) {
    case ORDER_SELECT:
        obey_select(fake, order);
        return;
    case ORDER_DETACH:
    case ORDER_ATTACH:
        if (fake->can_detach)
            fake->dead = false;
        answer(fake, order, fake->can_detach ? OUTCOME_DONE : OUTCOME_FAILED, 50 * US_PER_MS);
        return;
    case ORDER_MAINS_OFF:
    case ORDER_MAINS_ON:
        fake->dead = order->kind == ORDER_MAINS_OFF;
        fake->contract = -1;
        answer(fake, order, OUTCOME_DONE, 50 * US_PER_MS);
        return;
    case ORDER_ASK:
        if (!fake->operator_answers)
            return;
        if (fake->operator_revives)
            fake->dead = false;
        for (int i = 0; i < 5; i++) {
            char volts[32];
            snprintf(volts, sizeof volts, "Select %.4g V", fake->plan.supply.ports[0].contracts[i].volts);
            if (strncmp(order->text, volts, strlen(volts)) == 0) {
                fake->contract = i;
                fake->selected_us = fake->now_us;
            }
        }
        answer(fake, order, OUTCOME_DONE, 3 * US_PER_S);
        return;
    case ORDER_PACE:
        fake->pace_us[order->port] = order->period_us;
        fake->next_us[order->port] = fake->now_us + (order->period_us > 0 ? order->period_us : fake->reading_us);
        return;
    case ORDER_FINISH:
        return;
    default:
        obey_load(fake, order);
    }
}

/* ---- watchman ---- */

static bool used(const struct fake *fake, int port)
{
    return plan_seat_of_port(&fake->plan, port) >= 0;
}

static void check_order(struct fake *fake, const struct order *order)
{
    assert_false(fake->finished);
    switch (order->kind) {
    case ORDER_LOAD_ON:
        assert_true(fake->off_confirmed[order->port]);
        assert_true(fake->contract_ok[order->port]);
        assert_false(fake->aborted);
        fake->off_confirmed[order->port] = false;
        break;
    case ORDER_LOAD_OFF:
        fake->off_confirmed[order->port] = false;
        break;
    case ORDER_LOAD_SET:
        assert_true(isfinite(order->value) && order->value >= 0);
        for (size_t c = 0; order->mode == LOAD_CURRENT && c < 1; c++)
            assert_true(order->value <= plan_cap_amps(&fake->plan, order->port, 0, 0, NULL, 0) + 1e-9);
        break;
    case ORDER_SELECT:
    case ORDER_DETACH:
        fake->contract_ok[order->port] = false;
        break;
    case ORDER_MAINS_OFF:
        for (int p = 0; p < PORTS_MAX; p++)
            fake->contract_ok[p] = false;
        break;
    case ORDER_FINISH:
        fake->finished = true;
        break;
    default:
        break;
    }
}

static void check_finish(const struct fake *fake)
{
    const struct run_out *out = &fake->out;
    size_t ports = 0;
    for (int p = 0; p < PORTS_MAX; p++)
        ports += used(fake, p);
    assert_true(out->orders_len == ports + 1);
    assert_int_equal(out->orders[out->orders_len - 1].kind, ORDER_FINISH);
    for (size_t i = 0; i < ports; i++)
        assert_int_equal(out->orders[i].kind, ORDER_LOAD_OFF);
}

/* These marks speak of a load that is off. */
static void check_is_off(const struct fake *fake)
{
    static const bool off[MARK_KINDS] = {[MARK_STAGE_END] = true, [MARK_HOLD] = true, [MARK_LET_GO] = true, [MARK_RUNG] = true, [MARK_CONTRACT] = true, [MARK_IDLE] = true};
    for (size_t i = 0; i < fake->out.marks_len; i++)
        if (off[fake->out.marks[i].kind] && fake->out.marks[i].port >= 0)
            assert_false(fake->on[fake->out.marks[i].port]);
}

static void check_mark(struct fake *fake, const struct mark *mark)
{
    if (mark->port < 0)
        return;
    if ((mark->kind == MARK_CONTRACT || mark->kind == MARK_RUNG) && mark->held)
        fake->contract_ok[mark->port] = true;
    if ((mark->kind == MARK_CONTRACT && !mark->held) || mark->kind == MARK_LET_GO || mark->kind == MARK_HOLD)
        fake->contract_ok[mark->port] = false;
    assert_true(mark->from_us <= mark->at_us);
}

void fake_take(struct fake *fake, bool abort_expected_first)
{
    struct run_out *out = &fake->out;
    assert_true(out->orders_len <= RUN_ORDERS_MAX && out->findings_len <= RUN_FINDINGS_MAX && out->marks_len <= RUN_MARKS_MAX);
    bool aborts = abort_expected_first;
    for (size_t i = 0; i < out->findings_len; i++) {
        aborts |= out->findings[i].severity == SEVERITY_ABORT && !out->findings[i].over && !fake->finished;
        if (fake->findings_len < FINDINGS_KEPT)
            fake->findings[fake->findings_len++] = out->findings[i];
    }
    if (aborts)
        assert_true(out->orders_len > 0 && out->orders[0].kind == ORDER_LOAD_OFF);
    for (size_t i = 0; i < out->marks_len; i++) {
        check_mark(fake, &out->marks[i]);
        if (fake->marks_len < MARKS_KEPT)
            fake->marks[fake->marks_len++] = out->marks[i];
    }
    fake->aborted |= aborts;
    for (size_t i = 0; i < out->orders_len; i++) {
        check_order(fake, &out->orders[i]);
        if (fake->orders_len < ORDERS_KEPT) {
            fake->orders_us[fake->orders_len] = fake->now_us;
            fake->orders[fake->orders_len++] = out->orders[i];
        }
        obey(fake, &out->orders[i]);
        if (out->orders[i].kind == ORDER_FINISH)
            check_finish(fake);
    }
    check_is_off(fake);
    memset(out, 0, sizeof *out);
}

/* ---- time ---- */

void fake_begin(struct fake *fake)
{
    struct error error = ERROR_INIT;
    fake->run = run_new(&fake->plan, &error);
    if (!fake->run)
        fail_msg("%s", error.text);
    for (int p = 0; p < PORTS_MAX; p++)
        fake->next_us[p] = used(fake, p) ? fake->now_us + fake->reading_us : NEVER_US;
    run_begin(fake->run, fake->now_us, &fake->out);
    fake_take(fake, true);
    fake->aborted = false;
}

static bool deliver_outcome(struct fake *fake)
{
    for (size_t i = 0; i < fake->pending_len; i++) {
        if (fake->pending[i].at_us > fake->now_us)
            continue;
        struct outcome outcome = fake->pending[i];
        memmove(&fake->pending[i], &fake->pending[i + 1], (fake->pending_len - i - 1) * sizeof outcome);
        fake->pending_len--;
        bool off = outcome.kind == ORDER_LOAD_OFF && outcome.state != OUTCOME_FAILED && !fake->on[outcome.port];
        if (off)
            fake->off_confirmed[outcome.port] = true;
        run_outcome(fake->run, &outcome, &fake->out);
        fake_take(fake, false);
        return true;
    }
    return false;
}

static int64_t next_event_us(const struct fake *fake)
{
    int64_t next_us = run_due_us(fake->run);
    for (size_t i = 0; i < fake->pending_len; i++)
        next_us = fake->pending[i].at_us < next_us ? fake->pending[i].at_us : next_us;
    for (int p = 0; p < PORTS_MAX; p++)
        next_us = fake->next_us[p] < next_us ? fake->next_us[p] : next_us;
    return next_us;
}

static void deliver_readings(struct fake *fake)
{
    for (int p = 0; p < PORTS_MAX; p++) {
        if (fake->next_us[p] > fake->now_us)
            continue;
        fake->next_us[p] = fake->now_us + (fake->pace_us[p] > 0 ? fake->pace_us[p] : fake->reading_us);
        if (fake->now_us >= fake->silent_from_us && fake->now_us < fake->silent_to_us)
            continue;
        measure(fake, p, &fake->last[p]);
        run_feed(fake->run, &fake->last[p], &fake->out);
        fake_take(fake, false);
    }
}

bool fake_step(struct fake *fake)
{
    if (run_over(fake->run, NULL, NULL, 0))
        return false;
    int64_t next_us = next_event_us(fake);
    assert_true(next_us != NEVER_US);
    if (next_us > fake->now_us)
        fake->now_us = next_us;
    if (deliver_outcome(fake))
        return true;
    deliver_readings(fake);
    run_tick(fake->run, fake->now_us, &fake->out);
    fake_take(fake, false);
    return true;
}

void fake_play(struct fake *fake, int64_t until_us)
{
    while (fake->now_us < until_us && fake_step(fake))
        ;
}

enum run_end fake_to_end(struct fake *fake)
{
    int64_t most_us = fake->now_us + 48 * 3600 * US_PER_S;
    fake_play(fake, most_us);
    enum run_end end = RUN_CRASHED;
    assert_true(run_over(fake->run, &end, NULL, 0));
    assert_true(fake->finished);
    for (int p = 0; p < PORTS_MAX; p++)
        assert_false(fake->on[p]);
    return end;
}

void fake_command(struct fake *fake, enum run_command command, const char *text)
{
    struct error error = ERROR_INIT;
    if (run_command(fake->run, command, text, fake->now_us, &fake->out, &error) < 0)
        fail_msg("%s", error.text);
    fake_take(fake, command == RUN_STOP);
}

/* ---- looking ---- */

size_t fake_count(const struct fake *fake, enum mark_kind kind, int contract)
{
    size_t count = 0;
    for (size_t i = 0; i < fake->marks_len; i++)
        count += fake->marks[i].kind == kind && (contract < 0 || fake->marks[i].contract == contract);
    return count;
}

const struct mark *fake_mark(const struct fake *fake, enum mark_kind kind, int contract, size_t nth)
{
    for (size_t i = 0; i < fake->marks_len; i++)
        if (fake->marks[i].kind == kind && (contract < 0 || fake->marks[i].contract == contract) && nth-- == 0)
            return &fake->marks[i];
    return NULL;
}

const struct finding *fake_finding(const struct fake *fake, enum finding_kind kind)
{
    for (size_t i = 0; i < fake->findings_len; i++)
        if (fake->findings[i].kind == kind)
            return &fake->findings[i];
    return NULL;
}

size_t fake_orders(const struct fake *fake, enum order_kind kind)
{
    size_t count = 0;
    for (size_t i = 0; i < fake->orders_len; i++)
        count += fake->orders[i].kind == kind;
    return count;
}
