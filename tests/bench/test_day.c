/* A bench's ordinary day with each shape: up, identified, protected, set, on, sampled, off. */
#include "with_fake.h"

#include "daemon/base/units.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static void order_and_run(struct play *play, struct order order, int64_t for_us)
{
    play_order(play, order);
    play_run(play, for_us);
}

static void whole_day(enum fake_shape shape)
{
    struct play play;
    play_start(&play, shape);
    play_up(&play);
    assert_true(bench_all_off(play.bench));
    order_and_run(
        &play,
        (struct order){.kind = ORDER_LOAD_PROTECT, .volts = 12.0, .amps = 4.0, .watts = 40.0, .floor_volts = 2.0},
        3 * US_PER_S);
    assert_int_equal(play_outcome(&play, ORDER_LOAD_PROTECT)->state, OUTCOME_DONE);
    assert_float_equal(play.fake.over_volts, 12.0, 1e-9);
    assert_float_equal(play.fake.under_volts, 2.0, 1e-9);
    order_and_run(&play, (struct order){.kind = ORDER_LOAD_SET, .mode = LOAD_CURRENT, .value = 1.5}, 3 * US_PER_S);
    assert_int_equal(play_outcome(&play, ORDER_LOAD_SET)->state, OUTCOME_DONE);
    assert_float_equal(play_outcome(&play, ORDER_LOAD_SET)->value, 1.5, 1e-3);
    bench_sampling(play.bench, true);
    order_and_run(&play, (struct order){.kind = ORDER_LOAD_ON}, 3 * US_PER_S);
    assert_int_equal(play_outcome(&play, ORDER_LOAD_ON)->state, OUTCOME_DONE);
    assert_true(play.fake.on[1]);
    assert_true(play.readings > 10);
    assert_float_equal(play.reading.volts, 9.0, 1e-3);
    assert_float_equal(play.reading.amps, 1.5, 1e-3);
    assert_true(play.reading.input_on);
    assert_float_equal(play.reading.set_point, 1.5, 1e-9);
    assert_int_equal(play.reading.quality & ~QUALITY_RESYNC, 0);
    order_and_run(&play, (struct order){.kind = ORDER_LOAD_OFF}, 3 * US_PER_S);
    assert_int_equal(play_outcome(&play, ORDER_LOAD_OFF)->state, OUTCOME_DONE);
    assert_false(play.fake.on[1]);
    assert_true(bench_all_off(play.bench));
    assert_int_equal(play.findings, 0);
    play_end(&play);
}

static void a_standard_load_has_an_ordinary_day(void **state)
{
    (void)state;
    whole_day(FAKE_STANDARD);
}

static void a_terse_load_has_an_ordinary_day(void **state)
{
    (void)state;
    whole_day(FAKE_TERSE);
}

static void a_late_load_has_an_ordinary_day(void **state)
{
    (void)state;
    whole_day(FAKE_LATE);
}

static void whole_station(struct play *play)
{
    play_start_with(play, FAKE_STANDARD, 2, 1);
    play_up(play);
}

static void several_instruments_share_a_line(void **state)
{
    struct play play;
    struct bench_state at;
    (void)state;
    whole_station(&play);
    for (size_t i = 0; i < 4; i++) {
        bench_instrument_state(play.bench, i, &at);
        assert_true(at.identified);
    }
    play_end(&play);
}

static void a_selector_that_states_object_amps_and_cable_proves_a_contract(void **state)
{
    struct play play;
    (void)state;
    whole_station(&play);
    order_and_run(&play, (struct order){.kind = ORDER_SELECT, .contract = 1, .volts = 9.0, .amps = 3.0}, US_PER_S);
    const struct outcome *outcome = play_outcome(&play, ORDER_SELECT);
    assert_int_equal(outcome->state, OUTCOME_DONE);
    assert_int_equal(outcome->proof, PROOF_CONTRACT);
    assert_float_equal(outcome->value, 9.0, 1e-9);
    bench_sampling(play.bench, true);
    play_run(&play, US_PER_S);
    assert_int_equal(play.reading.contract, 1);
    order_and_run(&play, (struct order){.kind = ORDER_SELECT, .contract = 3, .volts = 15.0, .amps = 3.0}, US_PER_S);
    assert_int_equal(play_outcome(&play, ORDER_SELECT)->proof,
                     PROOF_VOLTAGE_ONLY); /* in force, but no object says so */
    order_and_run(&play, (struct order){.kind = ORDER_DETACH}, US_PER_S);
    assert_int_equal(play_outcome(&play, ORDER_DETACH)->state, OUTCOME_DONE);
    assert_false(play.fake.attached);
    assert_int_equal(play.reading.contract, -1);
    play_end(&play);
}

static void without_a_selector_the_operator_is_left_to_confirm(void **state)
{
    struct play play;
    (void)state;
    play_start(&play, FAKE_STANDARD);
    play_up(&play);
    play_order(&play, (struct order){.kind = ORDER_SELECT, .contract = 2, .volts = 12.0, .amps = 3.0});
    assert_int_equal(play_outcome(&play, ORDER_SELECT)->state, OUTCOME_UNCONFIRMED);
    assert_int_equal(play_outcome(&play, ORDER_SELECT)->contract, 2);
    play_end(&play);
}

static void the_mains_switch_is_switched_and_read_back(void **state)
{
    struct play play;
    (void)state;
    whole_station(&play);
    assert_true(play.fake.mains); /* taking the line up doesn't touch it */
    order_and_run(&play, (struct order){.kind = ORDER_MAINS_OFF, .port = -1}, US_PER_S);
    assert_int_equal(play_outcome(&play, ORDER_MAINS_OFF)->state, OUTCOME_DONE);
    assert_false(play.fake.mains);
    order_and_run(&play, (struct order){.kind = ORDER_MAINS_ON, .port = -1}, US_PER_S);
    assert_int_equal(play_outcome(&play, ORDER_MAINS_ON)->state, OUTCOME_DONE);
    assert_true(play.fake.mains);
    assert_int_equal(play.findings, 0);
    play_end(&play);
}

static void temperatures_come_with_the_readings_and_an_open_thermocouple_is_none(void **state)
{
    struct play play;
    (void)state;
    whole_station(&play);
    bench_sampling(play.bench, true);
    play_run(&play, 3 * US_PER_S);
    assert_float_equal(play.reading.celsius[0], 31.5, 1e-9);
    assert_float_equal(play.reading.celsius[1], 42.25, 1e-9);
    assert_true(isnan(play.reading.celsius[2]));
    size_t asked = fake_count(&play.fake, "MEAS:TEMP? (@1,2)");
    assert_true(asked >= 3 && asked <= 5); /* once a second */
    play.fake.celsius_nan = 1;
    play_run(&play, 2 * US_PER_S);
    assert_float_equal(play.reading.celsius[0], 31.5, 1e-9);
    assert_true(isnan(play.reading.celsius[1]));
    play_end(&play);
}

static void a_pace_is_kept_and_as_fast_as_possible_is_the_line_itself(void **state)
{
    struct play play;
    (void)state;
    play_start(&play, FAKE_STANDARD);
    play_up(&play);
    bench_sampling(play.bench, true);
    order_and_run(&play, (struct order){.kind = ORDER_PACE, .period_us = 100000}, US_PER_S);
    size_t before = play.readings;
    play_run(&play, 10 * US_PER_S);
    assert_in_range(play.readings - before, 98, 101);
    order_and_run(&play, (struct order){.kind = ORDER_PACE, .period_us = 0}, US_PER_S);
    before = play.readings;
    play_run(&play, 20 * US_PER_S);
    /* 2 ms an answer and nothing else on this line: 10,000 are possible; looking may take one in a hundred */
    assert_in_range(play.readings - before, 9800, 10001);
    play_end(&play);
}

static void a_set_point_goes_before_the_next_sample_and_is_in_it(void **state)
{
    struct play play;
    (void)state;
    play_start(&play, FAKE_STANDARD);
    play_up(&play);
    order_and_run(&play, (struct order){.kind = ORDER_LOAD_SET, .value = 1.0}, US_PER_S);
    order_and_run(&play, (struct order){.kind = ORDER_LOAD_ON}, US_PER_S);
    bench_sampling(play.bench, true);
    play_run(&play, 500000);
    for (int i = 0; i < 50; i++) {
        double amps = 1.0 + 0.01 * i;
        size_t before = play.readings;
        while (play.readings == before)
            play_turn(&play);
        play_order(&play, (struct order){.kind = ORDER_LOAD_SET, .value = amps});
        size_t len;
        const char *next = bench_pending(play.bench, 0, &len);
        assert_memory_equal(next, "CURR1 ", 6); /* the sample that hadn't gone out gives way */
        before = play.readings;
        while (play.readings == before)
            play_turn(&play);
        assert_float_equal(play.reading.set_point, amps, 1e-12);
        assert_float_equal(play.reading.amps, amps, 1e-4);
    }
    play_end(&play);
}

static void two_channels_of_a_load_take_turns_with_their_numbers(void **state)
{
    struct play play;
    (void)state;
    play_start_with(&play, FAKE_STANDARD, 0, 2);
    play_up(&play);
    bench_sampling(play.bench, true);
    play_run(&play, 5 * US_PER_S);
    size_t first = fake_count(&play.fake, "MEAS1:VOLT?;CURR?"), second = fake_count(&play.fake, "MEAS2:VOLT?;CURR?");
    assert_true(first > 500 && second > 500);
    assert_in_range(first + 5 - second, 0, 10);
    assert_int_equal(fake_count(&play.fake, "MEAS:VOLT?;CURR?"), 0);
    play_end(&play);
}

static void orders_to_ports_and_switches_that_are_not_there_fail(void **state)
{
    struct play play;
    (void)state;
    play_start(&play, FAKE_STANDARD);
    play_up(&play);
    play_order(&play, (struct order){.kind = ORDER_LOAD_ON, .port = 3});
    assert_int_equal(play_outcome(&play, ORDER_LOAD_ON)->state, OUTCOME_FAILED);
    play_order(&play, (struct order){.kind = ORDER_MAINS_OFF});
    assert_int_equal(play_outcome(&play, ORDER_MAINS_OFF)->state, OUTCOME_FAILED);
    play_end(&play);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_standard_load_has_an_ordinary_day),
        cmocka_unit_test(a_terse_load_has_an_ordinary_day),
        cmocka_unit_test(a_late_load_has_an_ordinary_day),
        cmocka_unit_test(several_instruments_share_a_line),
        cmocka_unit_test(a_selector_that_states_object_amps_and_cable_proves_a_contract),
        cmocka_unit_test(without_a_selector_the_operator_is_left_to_confirm),
        cmocka_unit_test(the_mains_switch_is_switched_and_read_back),
        cmocka_unit_test(temperatures_come_with_the_readings_and_an_open_thermocouple_is_none),
        cmocka_unit_test(a_pace_is_kept_and_as_fast_as_possible_is_the_line_itself),
        cmocka_unit_test(a_set_point_goes_before_the_next_sample_and_is_in_it),
        cmocka_unit_test(two_channels_of_a_load_take_turns_with_their_numbers),
        cmocka_unit_test(orders_to_ports_and_switches_that_are_not_there_fail),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
