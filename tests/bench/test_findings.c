/* What the bench recognises by itself: found off, found on, switched off and on again, lost, back. */
#include "with_fake.h"

#include "daemon/base/units.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static void start_on(struct play *play, enum fake_shape shape)
{
    play_start(play, shape);
    play_up(play);
    play_order(play, (struct order){.kind = ORDER_LOAD_SET, .value = 1.0});
    play_order(play, (struct order){.kind = ORDER_LOAD_ON});
    bench_sampling(play->bench, true);
    play_run(play, 2 * US_PER_S);
    assert_true(play->fake.on[1]);
    assert_int_equal(play->findings, 0);
}

static const enum fake_shape shapes[] = {FAKE_STANDARD, FAKE_TERSE, FAKE_LATE};

static void an_input_that_went_off_by_itself_is_found_and_named(void **state)
{
    (void)state;
    for (size_t i = 0; i < 3; i++) {
        struct play play;
        start_on(&play, shapes[i]);
        play.fake.on[1] = false;
        play.fake.trips = 16;
        play_run(&play, 25 * US_PER_S);
        const struct finding *finding = play_finding(&play, FINDING_INPUT_OFF);
        assert_non_null(finding);
        assert_int_equal(play.finding_log[0].severity, SEVERITY_TRIP);
        assert_non_null(strstr(play.finding_log[0].text, "under-voltage"));
        assert_int_equal(play.fake.trips, 0);
        play_end(&play);
    }
}

static void an_input_that_went_on_by_itself_is_an_abort_and_turned_off(void **state)
{
    struct play play;
    (void)state;
    play_start(&play, FAKE_STANDARD);
    play_up(&play);
    play_run(&play, 3 * US_PER_S);
    play.fake.on[1] = true;
    play_run(&play, 8 * US_PER_S);
    assert_int_equal(play_finding(&play, FINDING_INPUT_ON)->severity, SEVERITY_ABORT);
    assert_false(play.fake.on[1]);
    play_end(&play);
}

static void a_power_cycle_is_seen_by_the_power_on_bit_and_turned_off(void **state)
{
    struct play play;
    (void)state;
    start_on(&play, FAKE_STANDARD);
    play.fake.esr = 128; /* came back with its input on, its settings gone */
    play.fake.amps[1] = 0.0;
    play.fake.timeout = 0.0;
    play_run(&play, 15 * US_PER_S);
    const struct finding *finding = play_finding(&play, FINDING_INSTRUMENT_DISAGREES);
    assert_non_null(finding);
    assert_int_equal(finding->severity, SEVERITY_ABORT);
    assert_false(play.fake.on[1]);
    assert_true(bench_all_off(play.bench));
    assert_float_equal(play.fake.timeout, 20.0, 1e-9); /* and set up anew */
    play_end(&play);
}

static void a_power_cycle_is_seen_by_its_lost_set_point_where_there_is_no_bit(void **state)
{
    struct play play;
    (void)state;
    start_on(&play, FAKE_TERSE);
    play.fake.amps[1] = 0.0;
    play_run(&play, 20 * US_PER_S);
    assert_non_null(play_finding(&play, FINDING_INSTRUMENT_DISAGREES));
    assert_false(play.fake.on[1]);
    play_end(&play);
}

static void silence_is_a_lost_link_and_an_answer_ends_it(void **state)
{
    (void)state;
    for (size_t i = 0; i < 3; i++) {
        struct play play;
        start_on(&play, shapes[i]);
        play.deaf = true;
        play_run(&play, 450000);
        assert_null(play_finding(&play, FINDING_LINK));
        play_run(&play, 2 * US_PER_S);
        assert_int_equal(play_finding(&play, FINDING_LINK)->severity, SEVERITY_ABORT);
        assert_int_equal(play.findings, 1);
        struct bench_state lost;
        bench_instrument_state(play.bench, 0, &lost);
        assert_false(lost.identified);
        assert_true(lost.timeouts > 0);
        play.deaf = false;
        play_run(&play, 4 * US_PER_S);
        assert_true(play_finding(&play, FINDING_LINK)->over);
        assert_false(play.fake.on[1]); /* nothing resumes by itself */
        char why[200];
        assert_true(bench_ready(play.bench, why, sizeof why));
        play_end(&play);
    }
}

static void a_single_lost_answer_is_no_lost_link(void **state)
{
    (void)state;
    for (size_t i = 0; i < 3; i++) {
        struct play play;
        start_on(&play, shapes[i]);
        play.deaf = true;
        play_run(&play, 20000);
        play.deaf = false;
        play_run(&play, 5 * US_PER_S);
        assert_int_equal(play.findings, 0);
        assert_true(play.fake.on[1]);
        play_end(&play);
    }
}

static void the_loads_own_time_out_is_set_and_read_back(void **state)
{
    struct bench_state at;
    struct play play;
    (void)state;
    play_start(&play, FAKE_STANDARD);
    play_up(&play);
    assert_float_equal(play.fake.timeout, 20.0, 1e-9);
    bench_instrument_state(play.bench, 0, &at);
    assert_true(at.communications_timeout_set);
    assert_string_equal(at.identity, "BRUNT-SIM,load1,0,1");
    assert_false(at.protections_set);
    play_order(&play,
               (struct order){.kind = ORDER_LOAD_PROTECT, .volts = 12, .amps = 4, .watts = 40, .floor_volts = 0});
    play_run(&play, US_PER_S);
    bench_instrument_state(play.bench, 0, &at);
    assert_true(at.protections_set);
    play_end(&play);
}

static void an_instrument_that_is_somebody_else_gets_no_orders(void **state)
{
    struct play play;
    char why[300];
    (void)state;
    play_start(&play, FAKE_STANDARD);
    play.fake.identity = "OTHER,load1,0,1";
    bench_line_up(play.bench, 0, play.now_us);
    play_run(&play, 3 * US_PER_S);
    assert_false(bench_ready(play.bench, why, sizeof why));
    assert_non_null(strstr(why, "identity.match"));
    play_order(&play, (struct order){.kind = ORDER_LOAD_ON});
    assert_int_equal(play_outcome(&play, ORDER_LOAD_ON)->state, OUTCOME_FAILED);
    assert_int_equal(fake_count(&play.fake, "INP1 ON"), 0);
    assert_true(fake_count(&play.fake, "INP:ALL OFF") > 0); /* off went out all the same */
    play_end(&play);
}

static void another_instrument_behind_the_same_line_is_not_taken_for_the_old_one(void **state)
{
    struct play play;
    char why[300];
    (void)state;
    start_on(&play, FAKE_STANDARD);
    bench_line_down(play.bench, 0, play.now_us, "unplugged");
    play.out_len = 0;
    play.fake.identity = "BRUNT-SIM,load9,0,1";
    bench_line_up(play.bench, 0, play.now_us);
    play_run(&play, 3 * US_PER_S);
    assert_false(bench_ready(play.bench, why, sizeof why));
    assert_non_null(strstr(why, "another instrument"));
    play_end(&play);
}

static void a_set_point_out_of_range_fails_with_what_the_load_says(void **state)
{
    struct play play;
    (void)state;
    start_on(&play, FAKE_STANDARD);
    play_order(&play, (struct order){.kind = ORDER_LOAD_SET, .value = NAN});
    play_run(&play, US_PER_S);
    assert_int_equal(play_outcome(&play, ORDER_LOAD_SET)->state, OUTCOME_FAILED);
    play_order(&play, (struct order){.kind = ORDER_LOAD_SET, .mode = LOAD_CURRENT, .value = 2e9});
    play_run(&play, US_PER_S);
    assert_int_equal(play_outcome(&play, ORDER_LOAD_SET)->state, OUTCOME_FAILED);
    assert_true(play.fake.on[1]); /* that's no reason to switch */
    play_end(&play);
}

static void a_channel_selected_by_hand_is_found(void **state)
{
    struct play play;
    (void)state;
    start_on(&play, FAKE_STANDARD);
    assert_int_equal(play.fake.selected, 1);
    assert_true(fake_count(&play.fake, "MEAS:VOLT?;CURR?") > 10); /* the shortest message: no channel number */
    play.fake.selected = 2;
    play_run(&play, 15 * US_PER_S);
    assert_non_null(play_finding(&play, FINDING_INSTRUMENT_DISAGREES));
    assert_true(fake_count(&play.fake, "MEAS1:VOLT?;CURR?") > 10);
    play_end(&play);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(an_input_that_went_off_by_itself_is_found_and_named),
        cmocka_unit_test(an_input_that_went_on_by_itself_is_an_abort_and_turned_off),
        cmocka_unit_test(a_power_cycle_is_seen_by_the_power_on_bit_and_turned_off),
        cmocka_unit_test(a_power_cycle_is_seen_by_its_lost_set_point_where_there_is_no_bit),
        cmocka_unit_test(silence_is_a_lost_link_and_an_answer_ends_it),
        cmocka_unit_test(a_single_lost_answer_is_no_lost_link),
        cmocka_unit_test(the_loads_own_time_out_is_set_and_read_back),
        cmocka_unit_test(an_instrument_that_is_somebody_else_gets_no_orders),
        cmocka_unit_test(another_instrument_behind_the_same_line_is_not_taken_for_the_old_one),
        cmocka_unit_test(a_set_point_out_of_range_fails_with_what_the_load_says),
        cmocka_unit_test(a_channel_selected_by_hand_is_found),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
