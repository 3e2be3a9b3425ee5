#include "tests/run/with_fake.h"

static void a_check_of_five_contracts_selects_each_and_marks_its_points(void **state)
{
    (void)state;
    struct fake *fake = fake_new(1);
    fake_begin(fake);
    assert_int_equal(fake_to_end(fake), RUN_DONE);
    for (int c = 0; c < 5; c++) {
        const struct mark *contract = fake_mark(fake, MARK_CONTRACT, c, 0);
        assert_non_null(contract);
        assert_true(contract->held);
        assert_true(contract->number > 0.05 && contract->number < 1.5);
        assert_int_equal(fake_count(fake, MARK_IDLE, c), 1);
        assert_int_equal(fake_count(fake, MARK_POINT, c), 5);
        assert_int_equal(fake_count(fake, MARK_STAGE_BEGIN, c), 3);
        assert_int_equal(fake_count(fake, MARK_STAGE_END, c), 3);
    }
    assert_int_equal(fake->findings_len, 0);
    assert_true(fake->now_us < 120 * US_PER_S);
    fake_free(fake);
}

static void the_window_of_a_point_leaves_out_the_settling(void **state)
{
    (void)state;
    struct fake *fake = fake_new(2);
    fake_begin(fake);
    fake_to_end(fake);
    const struct mark *point = fake_mark(fake, MARK_POINT, 1, 2);
    assert_non_null(point);
    assert_int_equal(point->at_us - point->from_us, 3 * US_PER_S / 2);
    assert_float_equal(point->number, 0.75, 1e-9);
    assert_float_equal(point->set_point, 2.25, 1e-9);
    fake_free(fake);
}

static void a_contract_that_is_not_reached_is_said_and_the_next_is_tested(void **state)
{
    (void)state;
    struct fake *fake = fake_new(3);
    fake->bad_volts[2] = 10.2;
    fake->selector_refuses[3] = true;
    fake_begin(fake);
    assert_int_equal(fake_to_end(fake), RUN_DONE);
    assert_false(fake_mark(fake, MARK_CONTRACT, 2, 0)->held);
    assert_false(fake_mark(fake, MARK_CONTRACT, 3, 0)->held);
    assert_int_equal(fake_count(fake, MARK_POINT, 2), 0);
    assert_int_equal(fake_count(fake, MARK_POINT, 4), 5);
    const struct finding *finding = fake_finding(fake, FINDING_CONTRACT_LOST);
    assert_non_null(finding);
    assert_non_null(strstr(finding->text, "12 V"));
    assert_non_null(strstr(finding->text, "10.2"));
    fake_free(fake);
}

static void a_selector_that_never_answers_fails_each_contract_and_not_the_run(void **state)
{
    (void)state;
    struct fake *fake = fake_new(4);
    fake->dumb_selector = true;
    fake_begin(fake);
    assert_int_equal(fake_to_end(fake), RUN_DONE);
    assert_int_equal(fake_count(fake, MARK_CONTRACT, -1), 5);
    assert_int_equal(fake_orders(fake, ORDER_LOAD_ON), 0);
    fake_free(fake);
}

static void without_a_selector_the_operator_is_asked_and_the_voltage_confirms(void **state)
{
    (void)state;
    struct fake *fake = fake_new(5);
    fake->plan.bench.seats[0].selector = -1;
    fake->operator_answers = true;
    fake_begin(fake);
    assert_int_equal(fake_to_end(fake), RUN_DONE);
    assert_int_equal(fake_orders(fake, ORDER_ASK), 5);
    assert_int_equal(fake_count(fake, MARK_POINT, -1), 25);
    assert_string_equal(fake_mark(fake, MARK_CONTRACT, 1, 0)->text, "voltage only");
    bool found = false;
    for (size_t i = 0; i < fake->orders_len; i++)
        found |= fake->orders[i].kind == ORDER_ASK && strstr(fake->orders[i].text, "9 V") && strstr(fake->orders[i].text, "C1");
    assert_true(found);
    fake_free(fake);
}

static void an_operator_who_does_not_come_is_not_waited_for_for_ever(void **state)
{
    (void)state;
    struct fake *fake = fake_new(6);
    fake->plan.bench.seats[0].selector = -1;
    fake_begin(fake);
    assert_int_equal(fake_to_end(fake), RUN_DONE);
    assert_int_equal(fake_count(fake, MARK_POINT, 4), 0);
    assert_true(fake->now_us < 30 * 60 * US_PER_S);
    fake_free(fake);
}

static void the_loads_own_protections_are_set_before_each_loaded_stage_and_lie_above_what_it_needs(void **state)
{
    (void)state;
    struct fake *fake = fake_new(7);
    fake_begin(fake);
    fake_to_end(fake);
    size_t protects = 0;
    for (size_t i = 0; i < fake->orders_len; i++) {
        const struct order *order = &fake->orders[i];
        if (order->kind == ORDER_LOAD_ON) {
            assert_int_equal(fake->orders[i - 1].kind, ORDER_LOAD_SET);
            assert_true(fake->orders[i - 1].value <= 0.1);
            assert_int_equal(fake->orders[i - 2].kind, ORDER_LOAD_PROTECT);
        }
        if (order->kind != ORDER_LOAD_PROTECT || fake->orders[i + 1].kind == ORDER_SELECT) /* the latter with the input off */
            continue;
        protects++;
        assert_true(order->amps > 3.0 && order->amps <= 5.0);
        assert_true(order->floor_volts > 0 && order->floor_volts < 0.95 * order->volts);
        assert_true(order->watts > 0 && order->watts <= 300);
    }
    assert_int_equal(protects, 10);
    fake_free(fake);
}

static void a_load_without_read_back_is_off_when_a_reading_shows_it(void **state)
{
    (void)state;
    struct fake *fake = fake_new(8);
    fake->unconfirmed_off = true;
    fake_begin(fake);
    assert_int_equal(fake_to_end(fake), RUN_DONE);
    assert_int_equal(fake_count(fake, MARK_POINT, -1), 25);
    fake_free(fake);
}

static void a_collapse_at_rated_current_fails_the_contract_and_the_next_is_tested(void **state)
{
    (void)state;
    struct fake *fake = fake_new(9);
    fake->limit[2] = 2.4;
    fake->manner = MANNER_PAUSE;
    fake_begin(fake);
    assert_int_equal(fake_to_end(fake), RUN_DONE);
    assert_int_equal(fake_count(fake, MARK_POINT, 2), 3); /* 25, 50, 75 % */
    assert_int_equal(fake_count(fake, MARK_LET_GO, 2), 1);
    assert_int_equal(fake_count(fake, MARK_POINT, 3), 5);
    const struct mark *rung = fake_mark(fake, MARK_RUNG, 2, 0);
    assert_true(rung->held);
    assert_int_equal((int)rung->number, RUNG_WAIT);
    fake_free(fake);
}

static void on_trip_stop_ends_the_run_as_tripped(void **state)
{
    (void)state;
    struct fake *fake = fake_new(10);
    fake->plan.profile.on_trip = ON_TRIP_STOP;
    fake->limit[1] = 2.4;
    fake->manner = MANNER_LATCH;
    fake_begin(fake);
    assert_int_equal(fake_to_end(fake), RUN_TRIPPED);
    assert_int_equal((int)fake_mark(fake, MARK_LET_GO, 1, 0)->number, FINDING_LATCH_OFF);
    assert_int_equal(fake_count(fake, MARK_CONTRACT, 2), 0);
    fake_free(fake);
}

static void on_trip_watch_looks_at_it_unloaded_before_it_ends(void **state)
{
    (void)state;
    struct fake *fake = fake_new(11);
    fake->plan.profile.on_trip = ON_TRIP_WATCH;
    fake->limit[0] = 2.4;
    fake_begin(fake);
    assert_int_equal(fake_to_end(fake), RUN_TRIPPED);
    assert_true(fake->now_us - fake_mark(fake, MARK_LET_GO, 0, 0)->at_us >= 30 * US_PER_S);
    fake_free(fake);
}

static void on_trip_reload_waits_until_it_is_cool_and_tries_no_more_often_than_stated(void **state)
{
    (void)state;
    struct fake *fake = fake_new(12);
    fake->plan.profile.on_trip = ON_TRIP_RELOAD;
    fake->plan.profile.reload_max = 2;
    fake->plan.profile.reload_below_celsius = 60;
    fake->celsius = 90;
    fake->limit[0] = 2.4;
    fake->manner = MANNER_PAUSE;
    fake_begin(fake);
    fake_play(fake, 600 * US_PER_S);
    assert_int_equal(fake_count(fake, MARK_LET_GO, 0), 1);
    fake->celsius = 50;
    assert_int_equal(fake_to_end(fake), RUN_TRIPPED);
    assert_int_equal(fake_count(fake, MARK_LET_GO, 0), 3);
    fake_free(fake);
}

static void over_voltage_turns_off_with_its_first_order_and_ends_the_run(void **state)
{
    (void)state;
    struct fake *fake = fake_new(13);
    fake_begin(fake);
    while (!fake->on[0])
        fake_step(fake);
    fake_play(fake, fake->now_us + US_PER_S);
    struct reading reading = fake->last[0];
    reading.at_us = fake->now_us;
    reading.volts = 6.5;
    run_feed(fake->run, &reading, &fake->out);
    assert_int_equal(fake->out.orders[0].kind, ORDER_LOAD_OFF);
    fake_take(fake, true);
    enum run_end end;
    char why[SENTENCE_SIZE];
    assert_true(run_over(fake->run, &end, why, sizeof why));
    assert_int_equal(end, RUN_TRIPPED);
    assert_true(strlen(why) > 10);
    fake_free(fake);
}

static void a_short_silence_is_ridden_out_and_marked_as_a_gap(void **state)
{
    (void)state;
    struct fake *fake = fake_new(14);
    fake_begin(fake);
    fake->silent_from_us = 8 * US_PER_S;
    fake->silent_to_us = 8 * US_PER_S + 700 * US_PER_MS;
    assert_int_equal(fake_to_end(fake), RUN_DONE);
    assert_int_equal(fake_count(fake, MARK_GAP, -1), 1);
    assert_true(fake_mark(fake, MARK_GAP, -1, 0)->at_us - fake_mark(fake, MARK_GAP, -1, 0)->from_us >= 700 * US_PER_MS);
    fake_free(fake);
}

static void a_load_that_falls_silent_anywhere_in_the_run_is_off_within_the_tolerated_time(void **state)
{
    (void)state;
    for (int64_t from_us = 1 * US_PER_S; from_us < 60 * US_PER_S; from_us += 1700 * US_PER_MS) {
        struct fake *fake = fake_new(15);
        fake_begin(fake);
        fake->silent_from_us = from_us;
        fake->silent_to_us = NEVER_US;
        assert_int_equal(fake_to_end(fake), RUN_FAULT);
        char why[SENTENCE_SIZE];
        run_over(fake->run, NULL, why, sizeof why);
        assert_true(fake->now_us - from_us <= 2100 * US_PER_MS); /* 1 s, and while the load is told things before its input goes on a little more */
        assert_non_null(strstr(why, "load1"));
        assert_non_null(strstr(why, "tolerate_silence"));
        fake_free(fake);
    }
}

static void a_slow_line_gets_the_readings_it_needs(void **state)
{
    (void)state;
    struct fake *fake = fake_new(16);
    fake->reading_us = 500 * US_PER_MS;
    fake->plan.profile.tolerate_silence_us = 2 * US_PER_S;
    fake_begin(fake);
    assert_int_equal(fake_to_end(fake), RUN_DONE);
    assert_int_equal(fake_count(fake, MARK_POINT, -1), 25);
    fake_free(fake);
}

static void the_loads_own_cut_off_counts_as_letting_go(void **state)
{
    (void)state;
    struct fake *fake = fake_new(17);
    fake_begin(fake);
    fake_play(fake, 6 * US_PER_S);
    assert_true(fake->on[0]);
    fake->cut_off = true;
    assert_int_equal(fake_to_end(fake), RUN_DONE);
    assert_int_equal(fake_count(fake, MARK_LET_GO, 0), 1);
    assert_int_equal((int)fake_mark(fake, MARK_LET_GO, 0, 0)->number, FINDING_COLLAPSED);
    assert_int_equal(fake_count(fake, MARK_POINT, 1), 5);
    fake_free(fake);
}

static void no_set_point_is_above_what_the_cable_takes_even_if_the_profile_says_so(void **state)
{
    (void)state;
    struct fake *fake = fake_new(22);
    fake_characterise(fake);
    fake->plan.bench.seats[0].cable_amps = 2; /* plan_check() would refuse it; each set-point is looked at by the watchman */
    assert_float_equal(plan_cap_amps(&fake->plan, 0, 0, 0, NULL, 0), 2.0, 1e-9);
    fake_begin(fake);
    fake_to_end(fake);
    assert_int_equal(fake_count(fake, MARK_POINT, 1), 5);
    fake_free(fake);
}

static void a_ramp_goes_no_faster_than_its_slew(void **state)
{
    (void)state;
    struct fake *fake = fake_new(18);
    fake->plan.profile.stages_len = 0;
    fake_stage(fake, STAGE_RAMP);
    fake_begin(fake);
    assert_int_equal(fake_to_end(fake), RUN_DONE);
    double last = 0;
    int64_t last_us = 0;
    size_t sets = 0;
    for (size_t i = 0; i < fake->orders_len; i++) {
        if (fake->orders[i].kind != ORDER_LOAD_SET)
            continue;
        if (fake->orders[i].value > 0.31 && last >= 0.3)
            assert_true(fake->orders[i].value - last <= 2.0 * (double)(fake->orders_us[i] - last_us) / 1e6 + 1e-6);
        last = fake->orders[i].value;
        last_us = fake->orders_us[i];
        sets++;
    }
    assert_true(sets > 5 * 10);
    assert_int_equal(fake_count(fake, MARK_POINT, -1), 5);
    fake_free(fake);
}

static void a_soak_of_three_hours_marks_a_point_a_minute(void **state)
{
    (void)state;
    struct fake *fake = fake_new(19);
    fake->plan.profile.stages_len = 0;
    fake_stage(fake, STAGE_SOAK)->dwell_us = 3 * 3600 * US_PER_S;
    fake->plan.profile.sample_period_us = US_PER_S;
    for (int c = 0; c < 4; c++)
        fake->plan.contract_chosen[0][c] = false;
    fake_begin(fake);
    assert_int_equal(fake_to_end(fake), RUN_DONE);
    assert_int_equal(fake_count(fake, MARK_POINT, 4), 180);
    fake_free(fake);
}

static void progress_rises_to_one_and_the_time_to_go_falls(void **state)
{
    (void)state;
    struct fake *fake = fake_new(20);
    fake_begin(fake);
    double last = 0;
    while (fake_step(fake)) {
        struct run_progress progress;
        run_progress(fake->run, fake->now_us, &progress);
        assert_true(progress.fraction >= last - 1e-9 && progress.fraction <= 1.0);
        assert_true(progress.remaining_us >= 0);
        assert_true(progress.doing && *progress.doing);
        last = progress.fraction;
    }
    assert_float_equal(last, 1.0, 0.001);
    fake_free(fake);
}

static void a_plan_without_anything_to_do_is_refused(void **state)
{
    (void)state;
    struct fake *fake = fake_new(21);
    struct error error = ERROR_INIT;
    fake->plan.profile.stages_len = 0;
    assert_null(run_new(&fake->plan, &error));
    assert_true(strlen(error.text) > 10);
    fake_free(fake);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_check_of_five_contracts_selects_each_and_marks_its_points),
        cmocka_unit_test(the_window_of_a_point_leaves_out_the_settling),
        cmocka_unit_test(a_contract_that_is_not_reached_is_said_and_the_next_is_tested),
        cmocka_unit_test(a_selector_that_never_answers_fails_each_contract_and_not_the_run),
        cmocka_unit_test(without_a_selector_the_operator_is_asked_and_the_voltage_confirms),
        cmocka_unit_test(an_operator_who_does_not_come_is_not_waited_for_for_ever),
        cmocka_unit_test(the_loads_own_protections_are_set_before_each_loaded_stage_and_lie_above_what_it_needs),
        cmocka_unit_test(a_load_without_read_back_is_off_when_a_reading_shows_it),
        cmocka_unit_test(a_collapse_at_rated_current_fails_the_contract_and_the_next_is_tested),
        cmocka_unit_test(on_trip_stop_ends_the_run_as_tripped),
        cmocka_unit_test(on_trip_watch_looks_at_it_unloaded_before_it_ends),
        cmocka_unit_test(on_trip_reload_waits_until_it_is_cool_and_tries_no_more_often_than_stated),
        cmocka_unit_test(over_voltage_turns_off_with_its_first_order_and_ends_the_run),
        cmocka_unit_test(a_short_silence_is_ridden_out_and_marked_as_a_gap),
        cmocka_unit_test(a_load_that_falls_silent_anywhere_in_the_run_is_off_within_the_tolerated_time),
        cmocka_unit_test(a_slow_line_gets_the_readings_it_needs),
        cmocka_unit_test(the_loads_own_cut_off_counts_as_letting_go),
        cmocka_unit_test(no_set_point_is_above_what_the_cable_takes_even_if_the_profile_says_so),
        cmocka_unit_test(a_ramp_goes_no_faster_than_its_slew),
        cmocka_unit_test(a_soak_of_three_hours_marks_a_point_a_minute),
        cmocka_unit_test(progress_rises_to_one_and_the_time_to_go_falls),
        cmocka_unit_test(a_plan_without_anything_to_do_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
