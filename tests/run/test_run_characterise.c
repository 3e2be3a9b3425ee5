#include "tests/run/with_fake.h"

static struct fake *characterising(uint64_t seed, enum manner manner)
{
    struct fake *fake = fake_new(seed);
    fake_characterise(fake);
    fake->manner = manner;
    return fake;
}

static void only(struct fake *fake, int contract)
{
    for (int c = 0; c < 5; c++)
        fake->plan.contract_chosen[0][c] = c == contract;
}

static void the_capacity_interval_contains_the_limit_and_is_as_narrow_as_the_resolution(void **state)
{
    (void)state;
    for (double limit = 3.03; limit < 4.45; limit += 0.0437) {
        struct fake *fake = characterising(100, MANNER_PAUSE);
        only(fake, 2);
        fake->limit[2] = limit;
        fake_begin(fake);
        assert_int_equal(fake_to_end(fake), RUN_DONE);
        const struct mark *capacity = fake_mark(fake, MARK_CAPACITY, 2, 0);
        assert_non_null(capacity);
        assert_true(capacity->number <= limit && capacity->set_point >= limit);
        assert_true(capacity->set_point - capacity->number <= 0.032);
        assert_true(fake_count(fake, MARK_LET_GO, 2) <= 4); /* three trips, and the trace */
        fake_free(fake);
    }
}

static void a_supply_stronger_than_the_cap_is_censored_and_no_failure(void **state)
{
    (void)state;
    struct fake *fake = characterising(101, MANNER_FLOOR);
    only(fake, 1);
    fake->limit[1] = 20;
    fake->plan.profile.stages_len = 4; /* up to the capacity search */
    fake_begin(fake);
    assert_int_equal(fake_to_end(fake), RUN_DONE);
    const struct mark *capacity = fake_mark(fake, MARK_CAPACITY, 1, 0);
    assert_non_null(capacity);
    assert_true(isnan(capacity->set_point));
    assert_float_equal(capacity->number, 4.5, 0.02);
    assert_int_equal(fake_count(fake, MARK_LET_GO, 1), 0);
    fake_free(fake);
}

static void droop_below_tolerance_is_the_end_of_capacity(void **state)
{
    (void)state;
    struct fake *fake = characterising(102, MANNER_FLOOR);
    only(fake, 0);
    fake->plan.profile.stages_len = 4;
    fake->limit[0] = 20;
    fake->ohms = 0.25 / 3.7; /* 5 % of 5 V at 3.7 A */
    fake_begin(fake);
    assert_int_equal(fake_to_end(fake), RUN_DONE);
    const struct mark *capacity = fake_mark(fake, MARK_CAPACITY, 0, 0);
    assert_true(capacity->number <= 3.72 && capacity->set_point >= 3.68);
    assert_int_equal((int)fake_mark(fake, MARK_LET_GO, 0, 0)->number, FINDING_DROOP);
    fake_free(fake);
}

static void a_search_that_fails_at_rated_current_fails_the_contract(void **state)
{
    (void)state;
    struct fake *fake = characterising(103, MANNER_PAUSE);
    only(fake, 3);
    fake->plan.profile.stages[0] = fake->plan.profile.stages[3]; /* capacity at once */
    fake->plan.profile.stages_len = 1;
    fake->plan.profile.recheck_first = false;
    fake->limit[3] = 2.2;
    fake_begin(fake);
    assert_int_equal(fake_to_end(fake), RUN_DONE);
    const struct mark *capacity = fake_mark(fake, MARK_CAPACITY, 3, 0);
    assert_true(capacity->number < 2.2 && capacity->set_point >= 2.2);
    bool trips = false;
    for (size_t i = 0; i < fake->findings_len; i++)
        trips |= fake->findings[i].severity == SEVERITY_TRIP && strstr(fake->findings[i].text, "rated");
    assert_true(trips);
    fake_free(fake);
}

static void what_is_expected_in_a_search_is_a_note_and_no_trip(void **state)
{
    (void)state;
    struct fake *fake = characterising(104, MANNER_PAUSE);
    fake_begin(fake);
    assert_int_equal(fake_to_end(fake), RUN_DONE);
    assert_int_equal(fake_count(fake, MARK_CAPACITY, -1), 5);
    for (size_t i = 0; i < fake->findings_len; i++)
        assert_true(fake->findings[i].severity < SEVERITY_TRIP);
    fake_free(fake);
}

static void stages_go_over_all_contracts_by_rising_power_and_the_first_is_checked_again_at_the_end(void **state)
{
    (void)state;
    struct fake *fake = characterising(105, MANNER_PAUSE);
    fake->plan.supply.ports[0].contracts[4].amps = 0.5; /* 20 V, 10 W: the least power */
    fake->limit[4] = 0.6;
    fake_begin(fake);
    assert_int_equal(fake_to_end(fake), RUN_DONE);
    static const int order[] = {4, 0, 1, 2, 3};
    size_t begins = 0;
    for (size_t i = 0; i < fake->marks_len; i++) {
        const struct mark *mark = &fake->marks[i];
        if (mark->kind != MARK_STAGE_BEGIN)
            continue;
        if (begins < 30) {
            assert_int_equal(mark->stage, (int)(begins / 5));
            assert_int_equal(mark->contract, order[begins % 5]);
        } else {
            assert_int_equal(mark->contract, 4);
            assert_true(mark->number > 0);
        }
        begins++;
    }
    assert_int_equal(begins, 32); /* idle and step of the first once more */
    fake_free(fake);
}

static void a_trace_of_constant_current_and_of_foldback_says_so(void **state)
{
    (void)state;
    static const struct {
        enum manner manner;
        enum finding_kind want;
        double limit_amps; /* at the first point, 95 % of the volts */
    } rows[] = {{MANNER_FLOOR, FINDING_CONSTANT_CURRENT, 3.6}, {MANNER_FOLDBACK, FINDING_FOLDBACK, 3.6 * (0.3 + 0.7 * 0.95)}};
    for (size_t i = 0; i < 2; i++) {
        struct fake *fake = characterising(106, rows[i].manner);
        only(fake, 4);
        fake_begin(fake);
        assert_int_equal(fake_to_end(fake), RUN_DONE);
        assert_int_equal(fake_count(fake, MARK_TRACE, 4), 12);
        size_t last = fake_count(fake, MARK_LET_GO, 4) - 1;
        assert_int_equal((int)fake_mark(fake, MARK_LET_GO, 4, last)->number, rows[i].want);
        assert_float_equal(fake_mark(fake, MARK_LET_GO, 4, last)->set_point, rows[i].limit_amps, 0.05);
        fake_free(fake);
    }
}

static void the_under_voltage_cut_off_is_disarmed_for_the_trace_alone(void **state)
{
    (void)state;
    struct fake *fake = characterising(107, MANNER_FLOOR);
    only(fake, 1);
    fake_begin(fake);
    fake_to_end(fake);
    size_t disarmed = 0;
    for (size_t i = 0; i < fake->orders_len; i++) {
        if (fake->orders[i].kind != ORDER_LOAD_PROTECT || fake->orders[i + 1].kind == ORDER_SELECT) /* the latter with the input off */
            continue;
        bool trace = fake->orders[i + 1].kind == ORDER_LOAD_SET && fake->orders[i + 1].mode == LOAD_VOLTAGE;
        assert_true((fake->orders[i].floor_volts == 0.0) == trace);
        disarmed += trace;
    }
    assert_int_equal(disarmed, 1);
    fake_free(fake);
}

static void a_trace_stops_at_its_energy_bound(void **state)
{
    (void)state;
    struct fake *fake = characterising(108, MANNER_FLOOR);
    only(fake, 4);
    fake->plan.profile.stages[4].max_joules = 100;
    fake_begin(fake);
    assert_int_equal(fake_to_end(fake), RUN_DONE);
    size_t points = fake_count(fake, MARK_TRACE, 4);
    assert_true(points >= 1 && points <= 3);
    fake_free(fake);
}

static void a_source_that_gives_more_than_the_lead_takes_ends_the_trace_at_once(void **state)
{
    (void)state;
    struct fake *fake = characterising(109, MANNER_FLOOR);
    only(fake, 4);
    fake->limit[4] = 25;
    fake_begin(fake);
    assert_int_equal(fake_to_end(fake), RUN_DONE);
    assert_non_null(fake_finding(fake, FINDING_OVERLOAD));
    assert_int_equal(fake_count(fake, MARK_TRACE, 4), 0);
    fake_free(fake);
}

static void a_burst_before_the_limit_acts_does_not_end_the_trace_but_what_lasts_does(void **state)
{
    (void)state;
    for (int lasts = 0; lasts < 2; lasts++) {
        struct fake *fake = characterising(116, MANNER_FLOOR);
        only(fake, 4);
        fake_begin(fake);
        while (!(fake->on[0] && fake->mode[0] == LOAD_VOLTAGE && fake_count(fake, MARK_TRACE, 4) == 2))
            assert_true(fake_step(fake));
        for (int i = 0; i < 30 && fake->on[0]; i++) { /* 5 A is what the lead's cable takes */
            struct reading reading = fake->last[0];
            reading.at_us = fake->now_us += 20 * US_PER_MS;
            reading.asked_us = reading.at_us - 5000;
            reading.amps = lasts || i % 10 == 0 ? 7 : 3.6;
            run_feed(fake->run, &reading, &fake->out);
            fake_take(fake, false);
        }
        assert_int_equal(fake->on[0], !lasts);
        fake_to_end(fake);
        assert_true((fake_finding(fake, FINDING_OVERLOAD) != NULL) == lasts);
        fake_free(fake);
    }
}

static void a_load_with_resistance_mode_alone_traces_with_it(void **state)
{
    (void)state;
    struct fake *fake = characterising(110, MANNER_PAUSE);
    only(fake, 1);
    fake->plan.bench.instruments[0].constant_voltage_mode = false;
    fake_begin(fake);
    fake_to_end(fake);
    const struct mark *trace = fake_mark(fake, MARK_TRACE, 1, 0);
    assert_non_null(trace);
    assert_int_equal(trace->mode, LOAD_RESISTANCE);
    fake_free(fake);
}

static void a_supply_that_latches_comes_back_by_the_mains_switch_and_the_rung_is_recorded(void **state)
{
    (void)state;
    struct fake *fake = characterising(111, MANNER_LATCH);
    only(fake, 2);
    fake->plan.bench.mains = 2;
    fake_begin(fake);
    assert_int_equal(fake_to_end(fake), RUN_DONE);
    bool by_mains = false;
    for (size_t i = 0; i < fake->marks_len; i++)
        by_mains |= fake->marks[i].kind == MARK_RUNG && fake->marks[i].held && (int)fake->marks[i].number == RUNG_MAINS;
    assert_true(by_mains);
    assert_int_equal(fake_count(fake, MARK_CAPACITY, 2), 1);
    int64_t off_us = 0;
    for (size_t i = 0; i < fake->orders_len; i++) {
        if (fake->orders[i].kind == ORDER_MAINS_OFF)
            off_us = fake->orders_us[i];
        if (fake->orders[i].kind == ORDER_MAINS_ON && off_us)
            assert_true(fake->orders_us[i] - off_us >= 60 * US_PER_S);
    }
    fake_free(fake);
}

static void a_fall_back_to_five_volts_is_named_and_the_contract_requested_again(void **state)
{
    (void)state;
    struct fake *fake = characterising(112, MANNER_FALLBACK);
    only(fake, 4);
    fake->plan.profile.stages_len = 4;
    fake_begin(fake);
    assert_int_equal(fake_to_end(fake), RUN_DONE);
    assert_int_equal((int)fake_mark(fake, MARK_LET_GO, 4, 0)->number, FINDING_CONTRACT_LOST);
    assert_int_equal((int)fake_mark(fake, MARK_RUNG, 4, 0)->number, RUNG_WAIT);
    assert_false(fake_mark(fake, MARK_RUNG, 4, 0)->held);
    assert_int_equal((int)fake_mark(fake, MARK_RUNG, 4, 1)->number, RUNG_REQUEST);
    assert_true(fake_mark(fake, MARK_RUNG, 4, 1)->held);
    fake_free(fake);
}

static void detaching_is_tried_where_the_selector_can(void **state)
{
    (void)state;
    struct fake *fake = characterising(113, MANNER_LATCH);
    only(fake, 4);
    fake->can_detach = true;
    fake_begin(fake);
    assert_int_equal(fake_to_end(fake), RUN_DONE);
    const struct mark *rung = fake_mark(fake, MARK_RUNG, 4, 2);
    assert_int_equal((int)rung->number, RUNG_DETACH);
    assert_true(rung->held);
    fake_free(fake);
}

static void when_no_rung_works_the_operator_is_called_and_without_him_the_run_ends_tripped(void **state)
{
    (void)state;
    for (int comes = 0; comes < 2; comes++) {
        struct fake *fake = characterising(114, MANNER_LATCH);
        only(fake, 4);
        fake->operator_answers = fake->operator_revives = comes;
        fake_begin(fake);
        assert_int_equal(fake_to_end(fake), comes ? RUN_DONE : RUN_TRIPPED);
        assert_true(fake_orders(fake, ORDER_ASK) > 0);
        fake_free(fake);
    }
}

static void rungs_that_the_profile_leaves_out_are_not_climbed(void **state)
{
    (void)state;
    struct fake *fake = characterising(115, MANNER_LATCH);
    only(fake, 4);
    fake->plan.bench.mains = 2;
    fake->plan.profile.stages[5].rungs = 1u << RUNG_WAIT | 1u << RUNG_REQUEST;
    fake_begin(fake);
    assert_int_equal(fake_to_end(fake), RUN_TRIPPED);
    assert_int_equal(fake_orders(fake, ORDER_MAINS_OFF), 0);
    assert_int_equal(fake_orders(fake, ORDER_ASK), 0);
    fake_free(fake);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_capacity_interval_contains_the_limit_and_is_as_narrow_as_the_resolution),
        cmocka_unit_test(a_supply_stronger_than_the_cap_is_censored_and_no_failure),
        cmocka_unit_test(droop_below_tolerance_is_the_end_of_capacity),
        cmocka_unit_test(a_search_that_fails_at_rated_current_fails_the_contract),
        cmocka_unit_test(what_is_expected_in_a_search_is_a_note_and_no_trip),
        cmocka_unit_test(stages_go_over_all_contracts_by_rising_power_and_the_first_is_checked_again_at_the_end),
        cmocka_unit_test(a_trace_of_constant_current_and_of_foldback_says_so),
        cmocka_unit_test(the_under_voltage_cut_off_is_disarmed_for_the_trace_alone),
        cmocka_unit_test(a_trace_stops_at_its_energy_bound),
        cmocka_unit_test(a_source_that_gives_more_than_the_lead_takes_ends_the_trace_at_once),
        cmocka_unit_test(a_burst_before_the_limit_acts_does_not_end_the_trace_but_what_lasts_does),
        cmocka_unit_test(a_load_with_resistance_mode_alone_traces_with_it),
        cmocka_unit_test(a_supply_that_latches_comes_back_by_the_mains_switch_and_the_rung_is_recorded),
        cmocka_unit_test(a_fall_back_to_five_volts_is_named_and_the_contract_requested_again),
        cmocka_unit_test(detaching_is_tried_where_the_selector_can),
        cmocka_unit_test(when_no_rung_works_the_operator_is_called_and_without_him_the_run_ends_tripped),
        cmocka_unit_test(rungs_that_the_profile_leaves_out_are_not_climbed),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
