/* Each watcher's entry, persistence, hysteresis and exit, one reading at a time. */
#include "daemon/base/units.h"
#include "daemon/watch/watch.h"

#include <ctype.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

struct desk { /* a watch on a 20 V contract at 3 A, read every 100 ms with a millivolt of flicker */
    struct watch *watch;
    int64_t now_us, every_us;
    uint64_t random;
    bool on;
    double set;
    int contract;
    unsigned quality;
    unsigned begun[FINDING_KINDS], ended[FINDING_KINDS];
    struct finding latest[FINDING_KINDS];
};

static struct watch_setup twenty_volts(void)
{
    struct watch_setup s = {.port = 0, .contract = 4, .nominal_volts = 20, .low_volts = 19, .high_volts = 21, .rated_amps = 3, .hard_over_volts = 24, .hard_over_from = "profile, over_volts_percent 20",
                            .default_volts = 5, .other_volts = {5, 9, 12, 15}, .other_volts_len = 4, .load_min_volts = 0.5, .load_max_amps = 30, .load_max_volts = 80, .amps_u = 0.01,
                            .volts_u = 0.02, .settle_s = 0.2, .conversion_s = 0.05, .four_wire = true};
    return s;
}

static void keep(struct desk *d, const struct finding *out, size_t len)
{
    for (size_t i = 0; i < len; i++) {
        assert_true(out[i].kind < FINDING_KINDS);
        (out[i].over ? d->ended : d->begun)[out[i].kind]++;
        if (!out[i].over)
            d->latest[out[i].kind] = out[i];
        size_t text_len = strlen(out[i].text);
        assert_true(text_len > 10 && text_len < SENTENCE_SIZE - 1);
        assert_true(strcmp(out[i].text + text_len - 3, "...") != 0); /* no sentence is cut */
    }
}

static void desk_read(struct desk *d, double volts, double amps, double load_volts)
{
    struct finding out[WATCH_OUT_MAX];
    struct reading r = {.at_us = d->now_us, .asked_us = d->now_us - 3000, .volts = volts, .amps = amps, .load_volts = load_volts, .mode = LOAD_CURRENT, .set_point = d->set, .input_on = d->on,
                        .contract = d->contract, .quality = d->quality};
    keep(d, out, watch_feed(d->watch, &r, out));
    d->now_us += d->every_us;
}

static double flicker(struct desk *d)
{
    return ((double)(figures_random(&d->random) % 2001) - 1000.0) * 1e-6;
}

static void stay(struct desk *d, double volts, double amps, double seconds)
{
    for (int64_t until_us = d->now_us + (int64_t)(seconds * 1e6); d->now_us < until_us;) {
        double v = volts + flicker(d);
        desk_read(d, v, amps > 0.0 ? amps + flicker(d) : 0.0, v);
    }
}

static void order(struct desk *d, bool on, double set)
{
    d->on = on;
    d->set = set;
    watch_ordered(d->watch, d->now_us - d->every_us / 2, on, LOAD_CURRENT, set);
}

static struct desk *desk_new(void)
{
    static struct desk d;
    struct watch_setup setup = twenty_volts();
    d = (struct desk){.now_us = 1000000, .every_us = 100000, .random = 7, .contract = 4};
    d.watch = watch_new(&setup, NULL);
    assert_non_null(d.watch);
    stay(&d, 20.05, 0, 1);
    order(&d, true, 3.0);
    stay(&d, 19.95, 3.0, 2);
    for (size_t i = 0; i < FINDING_KINDS; i++)
        assert_int_equal(d.begun[i], 0);
    return &d;
}

static enum finding_kind desk_end(struct desk *d)
{
    struct finding verdict;
    enum finding_kind kind = watch_verdict(d->watch, &verdict);
    assert_int_equal(kind, verdict.kind);
    size_t len = strlen(verdict.text);
    assert_true(kind == FINDING_KINDS || (len > 10 && strcmp(verdict.text + len - 3, "...") != 0));
    watch_free(d->watch);
    return kind;
}

static void a_dip_shorter_than_the_hold_time_is_no_droop(void **state)
{
    (void)state;
    struct desk *d = desk_new();
    stay(d, 18.5, 3.0, 0.2);
    stay(d, 19.9, 3.0, 1);
    assert_int_equal(d->begun[FINDING_DROOP], 0);
    stay(d, 18.5, 3.0, 1);
    assert_int_equal(d->begun[FINDING_DROOP], 1);
    assert_true(d->latest[FINDING_DROOP].limit == 19.0);
    assert_non_null(strstr(d->latest[FINDING_DROOP].text, "supply file"));
    stay(d, 19.005, 3.0, 1); /* inside the hysteresis: U of 20 mV */
    assert_int_equal(d->ended[FINDING_DROOP], 0);
    stay(d, 19.9, 3.0, 1);
    assert_int_equal(d->ended[FINDING_DROOP], 1);
    assert_int_equal(desk_end(d), FINDING_KINDS);
}

static void low_volts_right_after_a_step_are_no_droop(void **state)
{
    (void)state;
    struct desk *d = desk_new();
    order(d, true, 2.5);
    stay(d, 18.5, 2.5, 0.2);
    stay(d, 19.9, 2.5, 1);
    assert_int_equal(d->begun[FINDING_DROOP], 0);
    desk_end(d);
}

static void one_whole_reading_of_over_voltage_is_enough(void **state)
{
    (void)state;
    struct desk *d = desk_new();
    d->quality = QUALITY_LATE;
    desk_read(d, 24.5, 3.0, 24.5);
    d->quality = QUALITY_OVER_RANGE;
    desk_read(d, 24.5, 3.0, 24.5);
    assert_int_equal(d->begun[FINDING_OVER_VOLTAGE], 0);
    d->quality = 0;
    desk_read(d, 24.001, 3.0, 24.001);
    assert_int_equal(d->begun[FINDING_OVER_VOLTAGE], 1);
    assert_int_equal(d->latest[FINDING_OVER_VOLTAGE].severity, SEVERITY_ABORT);
    assert_non_null(strstr(d->latest[FINDING_OVER_VOLTAGE].text, "over_volts_percent"));
    desk_end(d);
}

static void one_odd_reading_decides_nothing_else(void **state)
{
    (void)state;
    static const double odd[][2] = {{0.0, 0.0}, {0.0, 3.0}, {5.0, 3.0}, {12.0, 0.0}, {-20.0, 3.0}, {20.0, 0.0}, {20.0, 9.0}};
    struct desk *d = desk_new();
    for (size_t i = 0; i < sizeof odd / sizeof odd[0]; i++) {
        desk_read(d, odd[i][0], odd[i][1], odd[i][0]);
        stay(d, 19.95, 3.0, 4);
    }
    for (size_t i = 0; i < FINDING_KINDS; i++)
        assert_int_equal(d->begun[i], 0);
    assert_int_equal(desk_end(d), FINDING_KINDS);
}

static void crossed_and_open_sense_wires_are_told_apart(void **state)
{
    (void)state;
    struct desk *d = desk_new();
    stay(d, -19.9, 3.0, 1);
    assert_int_equal(d->begun[FINDING_SENSE], 1);
    assert_int_equal(d->latest[FINDING_SENSE].severity, SEVERITY_ABORT);
    assert_non_null(strstr(d->latest[FINDING_SENSE].text, "reversed"));
    stay(d, 19.9, 3.0, 2);
    assert_int_equal(d->ended[FINDING_SENSE], 1);
    stay(d, 0.2, 3.0, 1);
    assert_int_equal(d->begun[FINDING_SENSE], 2);
    assert_non_null(strstr(d->latest[FINDING_SENSE].text, "open"));
    assert_int_equal(d->begun[FINDING_COLLAPSED], 0);
    desk_end(d);
}

static void current_after_off_is_found_but_not_what_the_display_still_shows(void **state)
{
    (void)state;
    struct desk *d = desk_new();
    order(d, false, 3.0);
    stay(d, 19.95, 3.0, 0.2);
    stay(d, 20.05, 0, 1);
    assert_int_equal(d->begun[FINDING_INPUT_ON], 0);
    stay(d, 19.95, 3.0, 1);
    assert_int_equal(d->begun[FINDING_INPUT_ON], 1);
    assert_int_equal(d->latest[FINDING_INPUT_ON].severity, SEVERITY_ABORT);
    desk_end(d);
}

static void current_before_any_order_is_found_too(void **state)
{
    (void)state;
    struct desk *d = desk_new();
    struct watch_setup setup = twenty_volts();
    watch_free(d->watch);
    d->watch = watch_new(&setup, NULL);
    d->on = false;
    stay(d, 19.95, 3.0, 1);
    assert_int_equal(d->begun[FINDING_INPUT_ON], 1);
    desk_end(d);
}

static void no_current_after_on_with_good_volts_is_an_input_found_off(void **state)
{
    (void)state;
    struct desk *d = desk_new();
    stay(d, 20.05, 0, 1);
    assert_int_equal(d->begun[FINDING_INPUT_OFF], 1);
    assert_int_equal(d->begun[FINDING_SHUTDOWN], 0);
    desk_end(d);
}

static void amps_off_their_set_point_and_volts_off_the_meter_disagree(void **state)
{
    (void)state;
    struct desk *d = desk_new();
    stay(d, 19.95, 2.7, 1);
    assert_int_equal(d->begun[FINDING_INSTRUMENT_DISAGREES], 1);
    stay(d, 19.95, 3.0, 1);
    assert_int_equal(d->ended[FINDING_INSTRUMENT_DISAGREES], 1);
    for (int i = 0; i < 10; i++)
        desk_read(d, 19.95 + flicker(d), 3.0, 19.6);
    assert_int_equal(d->begun[FINDING_INSTRUMENT_DISAGREES], 2);
    assert_non_null(strstr(d->latest[FINDING_INSTRUMENT_DISAGREES].text, "19.600"));
    desk_end(d);
}

static void three_not_a_numbers_warn_and_three_seconds_of_them_abort(void **state)
{
    (void)state;
    struct desk *d = desk_new();
    d->quality = QUALITY_NAN;
    desk_read(d, NAN, NAN, NAN);
    desk_read(d, NAN, NAN, NAN);
    assert_int_equal(d->begun[FINDING_INSTRUMENT_NAN], 0);
    desk_read(d, NAN, NAN, NAN);
    assert_int_equal(d->latest[FINDING_INSTRUMENT_NAN].severity, SEVERITY_WARNING);
    for (int i = 0; i < 30; i++)
        desk_read(d, NAN, NAN, NAN);
    assert_int_equal(d->begun[FINDING_INSTRUMENT_NAN], 2);
    assert_int_equal(d->latest[FINDING_INSTRUMENT_NAN].severity, SEVERITY_ABORT);
    d->quality = 0;
    stay(d, 19.95, 3.0, 1);
    assert_int_equal(d->ended[FINDING_INSTRUMENT_NAN], 1);
    desk_end(d);
}

static void silence_is_told_when_due_and_again_when_it_lasts(void **state)
{
    (void)state;
    struct desk *d = desk_new();
    struct finding out[WATCH_OUT_MAX];
    int64_t last_us = d->now_us - d->every_us, due_us = watch_due_us(d->watch);
    assert_int_equal(due_us, last_us + US_PER_S);
    keep(d, out, watch_tick(d->watch, due_us - 1, out));
    assert_int_equal(d->begun[FINDING_INSTRUMENT_STALE], 0);
    keep(d, out, watch_tick(d->watch, due_us, out));
    assert_int_equal(d->latest[FINDING_INSTRUMENT_STALE].severity, SEVERITY_WARNING);
    due_us = watch_due_us(d->watch);
    keep(d, out, watch_tick(d->watch, due_us, out));
    assert_int_equal(d->latest[FINDING_INSTRUMENT_STALE].severity, SEVERITY_ABORT);
    assert_int_equal(watch_due_us(d->watch), NEVER_US);
    d->now_us = due_us + 1000;
    stay(d, 19.95, 3.0, 0.5);
    assert_int_equal(d->ended[FINDING_INSTRUMENT_STALE], 1);
    watch_pace(d->watch, 10 * US_PER_S);
    assert_int_equal(watch_due_us(d->watch), d->now_us - d->every_us + 50 * US_PER_S);
    desk_end(d);
}

static void equal_digits_are_stuck_only_after_a_nudge_that_moved_nothing(void **state)
{
    (void)state;
    struct desk *d = desk_new();
    double nudge = 0.0;
    assert_false(watch_wants_nudge(d->watch, &nudge));
    for (int i = 0; i < 100; i++)
        desk_read(d, 19.951, 3.001, 19.951);
    assert_int_equal(d->begun[FINDING_INSTRUMENT_STUCK], 0);
    assert_true(watch_wants_nudge(d->watch, &nudge));
    order(d, true, 3.0 + nudge);
    assert_false(watch_wants_nudge(d->watch, &nudge));
    for (int i = 0; i < 20; i++)
        desk_read(d, 19.951, 3.001, 19.951);
    assert_int_equal(d->begun[FINDING_INSTRUMENT_STUCK], 1);
    assert_int_equal(d->latest[FINDING_INSTRUMENT_STUCK].severity, SEVERITY_ABORT);
    desk_end(d);
}

static void a_quiet_instrument_that_follows_the_nudge_is_not_stuck_and_left_alone_for_a_minute(void **state)
{
    (void)state;
    struct desk *d = desk_new();
    double nudge = 0.0;
    for (int i = 0; i < 100; i++)
        desk_read(d, 19.951, 3.001, 19.951);
    assert_true(watch_wants_nudge(d->watch, &nudge));
    order(d, true, 3.0 + nudge);
    for (int i = 0; i < 500; i++)
        desk_read(d, 19.952, 3.001 + nudge, 19.952);
    assert_int_equal(d->begun[FINDING_INSTRUMENT_STUCK], 0);
    assert_false(watch_wants_nudge(d->watch, &nudge));
    for (int i = 0; i < 200; i++)
        desk_read(d, 19.952, 3.001 + nudge, 19.952);
    assert_true(watch_wants_nudge(d->watch, &nudge));
    desk_end(d);
}

static void gone(struct desk *d)
{
    stay(d, 0.01, 0, 0.3);
    assert_int_equal(d->begun[FINDING_SHUTDOWN], 1);
    assert_int_equal(d->latest[FINDING_SHUTDOWN].severity, SEVERITY_TRIP);
    order(d, false, 3.0);
}

static void how_long_it_stays_away_decides_between_uncertain_shutdown_and_latch_off(void **state)
{
    (void)state;
    struct desk *d = desk_new();
    gone(d);
    stay(d, 0.01, 0, 1.5);
    assert_int_equal(watch_verdict(d->watch, NULL), FINDING_UNCERTAIN);
    stay(d, 0.01, 0, 1.5);
    assert_int_equal(watch_verdict(d->watch, NULL), FINDING_SHUTDOWN);
    stay(d, 0.01, 0, 7);
    assert_int_equal(watch_verdict(d->watch, NULL), FINDING_LATCH_OFF);
    assert_int_equal(d->begun[FINDING_LATCH_OFF], 1);
    /* What the ladder does then changes nothing in how it had let go. */
    watch_expect_output(d->watch, d->now_us, false);
    stay(d, 0.01, 0, 1);
    watch_expect_output(d->watch, d->now_us, true);
    stay(d, 20.05, 0, 2);
    assert_int_equal(d->ended[FINDING_LATCH_OFF], 1);
    assert_int_equal(desk_end(d), FINDING_LATCH_OFF);
}

static void away_for_a_second_and_back_at_the_default_level_is_a_hard_reset(void **state)
{
    (void)state;
    struct desk *d = desk_new();
    gone(d);
    stay(d, 0.01, 0, 0.8);
    stay(d, 5.06, 0, 1);
    assert_int_equal(d->begun[FINDING_HARD_RESET], 1);
    stay(d, 20.05, 0, 2); /* a trigger board agrees anew by itself */
    assert_int_equal(desk_end(d), FINDING_HARD_RESET);
}

static void straight_to_another_level_is_a_lost_contract(void **state)
{
    (void)state;
    struct desk *d = desk_new();
    stay(d, 5.06, 3.0, 1);
    assert_int_equal(d->begun[FINDING_CONTRACT_LOST], 1);
    assert_int_equal(d->begun[FINDING_DROOP], 0);
    assert_int_equal(desk_end(d), FINDING_CONTRACT_LOST);
}

static void back_by_itself_after_a_second_is_uncertain_and_after_five_a_shutdown(void **state)
{
    (void)state;
    struct desk *d = desk_new();
    gone(d);
    stay(d, 0.01, 0, 0.8);
    stay(d, 20.05, 0, 3);
    assert_int_equal(desk_end(d), FINDING_UNCERTAIN);
    d = desk_new();
    gone(d);
    stay(d, 0.01, 0, 5);
    stay(d, 20.05, 0, 3);
    assert_int_equal(desk_end(d), FINDING_SHUTDOWN);
}

static void the_selector_can_prove_a_hard_reset_of_a_default_level_contract(void **state)
{
    (void)state;
    struct desk *d = desk_new();
    struct watch_setup setup = twenty_volts();
    setup.nominal_volts = 5;
    setup.low_volts = 4.75;
    setup.high_volts = 5.25;
    setup.hard_over_volts = 6;
    setup.other_volts[0] = 20;
    watch_reset(d->watch, &setup);
    stay(d, 5.02, 3.0, 2);
    stay(d, 0.01, 0, 0.3);
    order(d, false, 3.0);
    stay(d, 0.01, 0, 0.8);
    stay(d, 5.06, 0, 1);
    assert_int_equal(watch_verdict(d->watch, NULL), FINDING_UNCERTAIN);
    d->contract = -1;
    stay(d, 5.06, 0, 1);
    assert_int_equal(desk_end(d), FINDING_HARD_RESET);
}

static void what_the_tester_takes_away_is_no_shutdown(void **state)
{
    (void)state;
    struct desk *d = desk_new();
    order(d, false, 3.0);
    watch_expect_output(d->watch, d->now_us, false);
    stay(d, 0.01, 0, 15);
    watch_expect_output(d->watch, d->now_us, true);
    stay(d, 9.05, 0, 1); /* not yet seen good: nothing to lose */
    stay(d, 20.05, 0, 2);
    for (size_t i = 0; i < FINDING_KINDS; i++)
        assert_int_equal(d->begun[i], 0);
    assert_int_equal(desk_end(d), FINDING_KINDS);
}

static void a_source_held_at_its_floor_has_collapsed_and_is_back_when_the_load_lets_go(void **state)
{
    (void)state;
    struct desk *d = desk_new();
    order(d, true, 3.6);
    stay(d, 0.44, 3.3, 0.6);
    assert_int_equal(d->begun[FINDING_COLLAPSED], 1);
    order(d, false, 3.6);
    stay(d, 20.05, 0, 2);
    assert_int_equal(desk_end(d), FINDING_COLLAPSED);
}

static void two_periods_are_uncertain_and_three_a_hiccup_with_period_and_duty(void **state)
{
    (void)state;
    struct desk *d = desk_new();
    d->every_us = 20000;
    stay(d, 19.95, 3.0, 1);
    order(d, true, 3.6);
    for (int i = 0; i < 3; i++) {
        stay(d, 0.0, 0, 0.6);
        assert_int_equal(watch_verdict(d->watch, NULL), FINDING_UNCERTAIN);
        stay(d, 0.44, 3.3, 0.2);
    }
    stay(d, 0.0, 0, 0.6);
    struct finding verdict;
    assert_int_equal(watch_verdict(d->watch, &verdict), FINDING_HICCUP);
    assert_true(fabs(verdict.period_s - 0.8) < 0.04);
    assert_true(fabs(verdict.duty - 0.25) < 0.05);
    assert_int_equal(desk_end(d), FINDING_HICCUP);
}

static void hours_of_hiccup_stay_a_hiccup(void **state)
{
    (void)state;
    struct desk *d = desk_new();
    order(d, true, 3.6);
    for (int i = 0; i < 3000; i++) {
        stay(d, 0.0, 0, 0.9);
        stay(d, 0.44, 3.3, 0.3);
    }
    assert_int_equal(d->begun[FINDING_HICCUP], 1);
    assert_int_equal(desk_end(d), FINDING_HICCUP);
}

static void a_new_collapse_after_a_reload_is_a_new_story(void **state)
{
    (void)state;
    struct desk *d = desk_new();
    gone(d);
    stay(d, 0.01, 0, 4);
    stay(d, 20.05, 0, 2);
    assert_int_equal(watch_verdict(d->watch, NULL), FINDING_SHUTDOWN);
    order(d, true, 3.0);
    stay(d, 19.95, 3.0, 3);
    stay(d, 5.06, 3.0, 1);
    assert_int_equal(desk_end(d), FINDING_CONTRACT_LOST);
}

static void a_contract_without_a_window_is_refused(void **state)
{
    (void)state;
    struct watch_setup setup = twenty_volts();
    struct error err = ERROR_INIT;
    setup.low_volts = NAN;
    assert_null(watch_new(&setup, &err));
    assert_int_equal(err.kind, ERROR_RANGE);
    struct finding verdict;
    struct trace_shape shape;
    assert_true(watch_replay(&setup, NULL, 0, NULL, 0, &verdict, &shape) == SIZE_MAX);
    setup.low_volts = 19;
    assert_int_equal(watch_replay(&setup, NULL, 0, NULL, 0, &verdict, &shape), 0);
    assert_int_equal(verdict.kind, FINDING_KINDS);
    assert_int_equal(shape.kind, FINDING_UNCERTAIN);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_dip_shorter_than_the_hold_time_is_no_droop),
        cmocka_unit_test(low_volts_right_after_a_step_are_no_droop),
        cmocka_unit_test(one_whole_reading_of_over_voltage_is_enough),
        cmocka_unit_test(one_odd_reading_decides_nothing_else),
        cmocka_unit_test(crossed_and_open_sense_wires_are_told_apart),
        cmocka_unit_test(current_after_off_is_found_but_not_what_the_display_still_shows),
        cmocka_unit_test(current_before_any_order_is_found_too),
        cmocka_unit_test(no_current_after_on_with_good_volts_is_an_input_found_off),
        cmocka_unit_test(amps_off_their_set_point_and_volts_off_the_meter_disagree),
        cmocka_unit_test(three_not_a_numbers_warn_and_three_seconds_of_them_abort),
        cmocka_unit_test(silence_is_told_when_due_and_again_when_it_lasts),
        cmocka_unit_test(equal_digits_are_stuck_only_after_a_nudge_that_moved_nothing),
        cmocka_unit_test(a_quiet_instrument_that_follows_the_nudge_is_not_stuck_and_left_alone_for_a_minute),
        cmocka_unit_test(how_long_it_stays_away_decides_between_uncertain_shutdown_and_latch_off),
        cmocka_unit_test(away_for_a_second_and_back_at_the_default_level_is_a_hard_reset),
        cmocka_unit_test(straight_to_another_level_is_a_lost_contract),
        cmocka_unit_test(back_by_itself_after_a_second_is_uncertain_and_after_five_a_shutdown),
        cmocka_unit_test(the_selector_can_prove_a_hard_reset_of_a_default_level_contract),
        cmocka_unit_test(what_the_tester_takes_away_is_no_shutdown),
        cmocka_unit_test(a_source_held_at_its_floor_has_collapsed_and_is_back_when_the_load_lets_go),
        cmocka_unit_test(two_periods_are_uncertain_and_three_a_hiccup_with_period_and_duty),
        cmocka_unit_test(hours_of_hiccup_stay_a_hiccup),
        cmocka_unit_test(a_new_collapse_after_a_reload_is_a_new_story),
        cmocka_unit_test(a_contract_without_a_window_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
