/* How a port gives way, as a load sees it. */
#include "tests/world/with_world.h"

/* Volts and amps behind a minute of a load that was ordered to hold `volts`. */
static struct world_truth held_at(struct world *w, double volts)
{
    world_load_mode(w, 0, WORLD_VOLTAGE);
    world_load_set(w, 0, WORLD_VOLTAGE, volts);
    world_load_input(w, 0, true);
    pass_s(w, 2.0);
    return truth_of(w, 0);
}

static void constant_current_keeps_its_current_whatever_the_voltage(void **state)
{
    struct world *w = fixed_world("limit = \"constant-current\"; limit_ratio = 1.2");
    (void)state;
    pass_s(w, 1.0);
    for (double volts = 11.0; volts > 1.5; volts -= 1.9) {
        struct world_truth t = held_at(w, volts);
        assert_near(t.amps, 6.0, 0.01);
        assert_near(t.volts, volts, 0.3);
        assert_true(t.in_limit);
    }
    world_load_input(w, 0, false);
    pass_s(w, 1.0);
    assert_near(truth_of(w, 0).volts, 12.0, 0.01);
    assert_false(truth_of(w, 0).in_limit);
    world_free(w);
}

static void foldback_follows_its_line(void **state)
{
    /* I = Isc + (Imax - Isc) V / Vreg with Imax 6.0, Isc 1.5, Vreg 12 (textbook definition, computed): */
    static const struct {
        double volts, amps;
    } line[] = {{9.0, 4.875}, {6.0, 3.750}, {3.0, 2.625}};
    struct world *w = fixed_world("limit = \"foldback\"; limit_ratio = 1.2; foldback_ratio = 0.25");
    (void)state;
    pass_s(w, 1.0);
    for (size_t i = 0; i < sizeof line / sizeof line[0]; i++) {
        struct world_truth t = held_at(w, line[i].volts);
        assert_near(t.volts, line[i].volts, 0.15);
        assert_near(t.amps, 1.5 + 4.5 * t.volts / 12.0, 0.01);
        assert_near(t.amps, line[i].amps, 0.06);
    }
    world_free(w);
}

static void a_current_load_above_the_limit_collapses_a_folding_source_and_must_go_well_below_to_free_it(void **state)
{
    struct world *w = fixed_world("limit = \"foldback\"; limit_ratio = 1.2; foldback_ratio = 0.25");
    (void)state;
    pass_s(w, 1.0);
    draw(w, 0, 6.3);
    pass_s(w, 1.0);
    assert_near(truth_of(w, 0).amps, 1.7, 0.15); /* towards the short-circuit current */
    assert_true(truth_of(w, 0).volts < 1.0);
    world_load_set(w, 0, WORLD_CURRENT, 4.0); /* well within the rating, yet above the line */
    pass_s(w, 1.0);
    assert_true(truth_of(w, 0).volts < 1.0);
    world_load_set(w, 0, WORLD_CURRENT, 1.0);
    pass_s(w, 1.0);
    assert_near(truth_of(w, 0).volts, 11.95, 0.01);
    world_free(w);
}

static void constant_power_gives_more_current_at_less_voltage(void **state)
{
    struct world *w = fixed_world("limit = \"constant-power\"; limit_ratio = 1.2; peak_ratio = 2.0");
    (void)state;
    pass_s(w, 1.0);
    for (double volts = 11.0; volts > 6.5; volts -= 1.0) {
        struct world_truth t = held_at(w, volts);
        assert_near(t.volts * t.amps, 72.0, 0.1);
    }
    world_free(w);
}

static void hiccup_gives_the_mean_and_rms_of_its_duty(void **state)
{
    /* 6.5 A, 20 ms on, 480 ms off: mean 0.260 A, rms 1.300 A (computed). */
    struct world *w = fixed_world(
        "limit = \"hiccup\"; limit_ratio = 1.3; hiccup_on = \"20 ms\"; hiccup_off = \"480 ms\"; blanking = \"20 ms\";"
        " capacitance_farads = 0.00002; slew_volts_per_s = 30000.0");
    double sum = 0.0, squares = 0.0;
    int count = 0, rises = 0;
    bool on = false;
    (void)state;
    pass_s(w, 1.0);
    draw(w, 0, 10.0);
    pass_s(w, 2.0);
    for (; count < 50000; count++) { /* 10 s */
        pass_s(w, 0.0002);
        double amps = truth_of(w, 0).amps;
        sum += amps;
        squares += amps * amps;
        rises += !on && amps > 3.0;
        on = amps > 3.0;
    }
    assert_near(sum / count, 0.260, 0.006);
    assert_near(sqrt(squares / count), 1.300, 0.02);
    assert_in_range(rises, 19, 21);
    world_free(w);
}

static void hiccup_ends_when_the_overload_goes(void **state)
{
    struct world *w = fixed_world("limit = \"hiccup\"");
    (void)state;
    pass_s(w, 1.0);
    draw(w, 0, 10.0);
    pass_s(w, 5.0);
    world_load_set(w, 0, WORLD_CURRENT, 2.0);
    pass_s(w, 1.5);
    assert_near(truth_of(w, 0).volts, 11.9, 0.01);
    world_free(w);
}

static void latch_off_stays_off_until_the_mains_were_away(void **state)
{
    struct world *w = fixed_world("limit = \"latch-off\"");
    (void)state;
    pass_s(w, 1.0);
    draw(w, 0, 10.0);
    pass_s(w, 1.0);
    assert_true(truth_of(w, 0).latched);
    world_load_input(w, 0, false);
    pass_s(w, 600.0);
    assert_true(truth_of(w, 0).latched);
    assert_true(truth_of(w, 0).volts < 0.1);
    world_mains(w, false);
    pass_s(w, 60.0);
    world_mains(w, true);
    pass_s(w, 1.0);
    assert_false(truth_of(w, 0).latched);
    assert_near(truth_of(w, 0).volts, 12.0, 0.01);
    world_free(w);
}

static void latch_off_of_a_usb_c_port_is_cleared_by_detaching(void **state)
{
    struct world *w = usb_c_world("limit = \"latch-off\"");
    (void)state;
    settle_at(w, 0, 20.0);
    draw(w, 0, 10.0);
    pass_s(w, 1.0);
    world_load_input(w, 0, false);
    pass_s(w, 30.0);
    assert_true(truth_of(w, 0).latched);
    world_attach(w, 0, false);
    pass_s(w, 1.0);
    world_attach(w, 0, true);
    pass_s(w, 2.0);
    assert_near(truth_of(w, 0).volts, 20.0, 0.01);
    world_free(w);
}

static double gap_of_a_hard_reset(struct world *w)
{
    int64_t lost_us = 0, back_us = 0;
    double away_s = 0.0;
    world_load_input(w, 0, false);
    for (int64_t i = 0; i < 40000 && !back_us; i++) {
        world_advance(w, world_now_us(w) + 100);
        double volts = truth_of(w, 0).volts;
        if (!lost_us && volts < 4.75)
            lost_us = world_now_us(w);
        away_s += volts <= 0.8 ? 1e-4 : 0.0; /* vSafe0V: 0 to 0.8 V (USB PD R3.0 Table 7-24, second-hand) */
        if (lost_us && volts >= 4.75)        /* vSafe5V (same) */
            back_us = world_now_us(w);
    }
    assert_true(lost_us && back_us);
    assert_true(away_s >= 0.66 &&
                away_s <= 1.0 + 0.275); /* tSrcRecover 0.66 to 1.0 s, then tSrcTurnOn up to 0.275 s (second-hand) */
    return 1e-6 * (double)(back_us - lost_us);
}

static void a_hard_reset_takes_the_voltage_away_within_the_windows_of_usb_pd(void **state)
{
    static const char *const setups[] = {
        "limit = \"hard-reset\"",
        "limit = \"hard-reset\"; reset_hold = \"35 ms\"; recover = \"1 s\"; slew_volts_per_s = 20.0",
        "limit = \"hard-reset\"; reset_hold = \"25 ms\"; recover = \"660 ms\"; discharge_ohms = 200.0"};
    (void)state;
    for (size_t i = 0; i < sizeof setups / sizeof setups[0]; i++) {
        char more[200];
        snprintf(more, sizeof more, "%s; peak_ratio = 2.5",
                 setups[i]); /* so that the overload alone doesn't bring it down */
        struct world *w = usb_c_world(more);
        settle_at(w, 0, 20.0);
        draw(w, 0, 6.0);
        pass_s(w, 0.035);
        double gap_s = gap_of_a_hard_reset(w);
        assert_true(gap_s > 0.66 && gap_s <= 1.960); /* sum of the maxima, computed from the second-hand values */
        pass_s(w, 3.0);
        assert_near(truth_of(w, 0).volts, 5.0, 0.01);
        assert_near(world_contract_volts(w, 0), 0.0, 1e-9); /* without contract */
        world_free(w);
    }
}

static void a_load_left_on_trips_the_hard_reset_again_and_again(void **state)
{
    struct world *w = usb_c_world("limit = \"hard-reset\"");
    int rises = 0;
    bool up = true;
    (void)state;
    settle_at(w, 0, 20.0);
    draw(w, 0, 6.0);
    for (int i = 0; i < 20000; i++) {
        pass_s(w, 0.0005);
        bool now = truth_of(w, 0).output_on;
        rises += now && !up;
        up = now;
    }
    assert_in_range(rises, 6, 14);
    world_free(w);
}

static void fall_back_goes_to_the_first_contract_and_says_so(void **state)
{
    struct world *w = usb_c_world("limit = \"fall-back\"");
    (void)state;
    settle_at(w, 0, 20.0);
    draw(w, 0, 3.40);
    pass_s(w, 1.0);
    assert_near(truth_of(w, 0).volts, 20.0, 0.3); /* beyond the rating, within the limit */
    world_load_set(w, 0, WORLD_CURRENT, 4.0);
    pass_s(w, 0.02);
    world_load_set(w, 0, WORLD_CURRENT, 1.0);
    pass_s(w, 1.0);
    assert_near(truth_of(w, 0).volts, 4.95, 0.01);
    assert_near(world_contract_volts(w, 0), 5.0, 1e-9);
    world_free(w);
}

static void an_excess_shorter_than_the_blanking_time_is_let_pass(void **state)
{
    struct world *w =
        fixed_world("limit = \"latch-off\"; blanking = \"20 ms\"; limit_ratio = 1.2; capacitance_farads = 0.004");
    (void)state;
    pass_s(w, 1.0);
    draw(w, 0, 5.0);
    pass_s(w, 0.5);
    world_load_set(w, 0, WORLD_CURRENT, 6.1);
    pass_s(w, 0.015);
    world_load_set(w, 0, WORLD_CURRENT, 5.0);
    pass_s(w, 1.0);
    assert_false(truth_of(w, 0).latched);
    world_load_set(w, 0, WORLD_CURRENT, 6.1);
    pass_s(w, 0.030);
    assert_true(truth_of(w, 0).latched);
    world_free(w);
}

static void the_limit_drifts_with_heat(void **state)
{
    struct world *w = fixed_world("limit_ratio = 1.2; limit_drift_percent_per_kelvin = -0.1");
    (void)state;
    pass_s(w, 1.0);
    double cold = truth_of(w, 0).limit_amps;
    draw(w, 0, 5.0);
    pass_s(w, 7200.0);
    struct world_truth t = truth_of(w, 0);
    assert_true(t.hot_celsius > 50.0);
    assert_near(t.limit_amps, 6.0 * (1.0 - 0.001 * (t.hot_celsius - 25.0)), 1e-6);
    assert_true(t.limit_amps < cold - 0.1);
    world_free(w);
}

static void the_true_capacity_is_the_limit_where_the_voltage_holds(void **state)
{
    static const struct {
        const char *kind;
        double amps;
    } kinds[] = {{"constant-current", 6.0},
                 {"foldback", 6.0},
                 {"constant-power", 72.0 / 11.4},
                 {"hiccup", 6.0},
                 {"latch-off", 6.0}};
    (void)state;
    for (size_t i = 0; i < sizeof kinds / sizeof kinds[0]; i++) {
        char more[100];
        snprintf(more, sizeof more, "limit = \"%s\"; limit_ratio = 1.2; peak_ratio = 1.6", kinds[i].kind);
        struct world *w = fixed_world(more);
        pass_s(w, 1.0);
        struct world_truth before = truth_of(w, 0);
        assert_near(world_true_capacity(w, 0, 11.4, 12.6, 1000000), kinds[i].amps, 0.06);
        struct world_truth after = truth_of(w, 0);
        assert_true(before.volts == after.volts && before.joules_in == after.joules_in); /* a copy was asked */
        world_free(w);
    }
}

static void the_true_capacity_is_where_the_voltage_leaves_the_window_if_that_comes_first(void **state)
{
    struct world *w = fixed_world("limit = \"hiccup\"; output_ohms = 0.15; limit_ratio = 1.3");
    (void)state;
    pass_s(w, 1.0);
    assert_near(world_true_capacity(w, 0, 11.4, 12.6, 1000000), 0.6 / 0.15, 0.01);
    world_free(w);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(constant_current_keeps_its_current_whatever_the_voltage),
        cmocka_unit_test(foldback_follows_its_line),
        cmocka_unit_test(a_current_load_above_the_limit_collapses_a_folding_source_and_must_go_well_below_to_free_it),
        cmocka_unit_test(constant_power_gives_more_current_at_less_voltage),
        cmocka_unit_test(hiccup_gives_the_mean_and_rms_of_its_duty),
        cmocka_unit_test(hiccup_ends_when_the_overload_goes),
        cmocka_unit_test(latch_off_stays_off_until_the_mains_were_away),
        cmocka_unit_test(latch_off_of_a_usb_c_port_is_cleared_by_detaching),
        cmocka_unit_test(a_hard_reset_takes_the_voltage_away_within_the_windows_of_usb_pd),
        cmocka_unit_test(a_load_left_on_trips_the_hard_reset_again_and_again),
        cmocka_unit_test(fall_back_goes_to_the_first_contract_and_says_so),
        cmocka_unit_test(an_excess_shorter_than_the_blanking_time_is_let_pass),
        cmocka_unit_test(the_limit_drifts_with_heat),
        cmocka_unit_test(the_true_capacity_is_the_limit_where_the_voltage_holds),
        cmocka_unit_test(the_true_capacity_is_where_the_voltage_leaves_the_window_if_that_comes_first),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
