/* The electronic load: modes, readings, protections, power. */
#include "tests/world/with_world.h"

static struct world *load_world(const char *channel)
{
    char text[2000];
    snprintf(text, sizeof text,
             "supply = { ports = ( { connector = \"fixed\"; output_ohms = 0.002; ripple_volts = 0.0; limit = "
             "\"constant-current\"; limit_ratio = 2.0;"
             " contracts = ( { volts = 5.0; amps = 5.0; } ); } ); }; channels = ( { %s } );",
             channel);
    struct world *w = text_world(text, 11);
    pass_s(w, 1.0);
    return w;
}

#define NOISELESS "volts_noise_volts = 0.0; amps_noise_amps = 0.0; "

static void each_mode_takes_what_it_is_told(void **state)
{
    static const struct {
        enum world_load_mode mode;
        double value, amps;
    } says[] = {
        {WORLD_CURRENT, 2.5, 2.5}, {WORLD_RESISTANCE, 2.0, 2.5}, {WORLD_POWER, 10.0, 2.0}, {WORLD_CURRENT, 0.0, 0.0}};
    struct world *w = load_world(NOISELESS);
    (void)state;
    world_load_input(w, 0, true);
    for (size_t i = 0; i < sizeof says / sizeof says[0]; i++) {
        world_load_set(w, 0, says[i].mode, says[i].value);
        world_load_mode(w, 0, says[i].mode);
        pass_s(w, 0.5);
        assert_near(truth_of(w, 0).amps, says[i].amps, 0.01);
        assert_near(shown_amps(w, 0), says[i].amps, 0.01);
    }
    world_free(w);
}

static void a_voltage_load_pulls_a_limiting_source_to_its_voltage(void **state)
{
    struct world *w = load_world(NOISELESS);
    (void)state;
    world_load_mode(w, 0, WORLD_VOLTAGE);
    world_load_set(w, 0, WORLD_VOLTAGE, 3.0);
    world_load_input(w, 0, true);
    pass_s(w, 1.0);
    assert_near(truth_of(w, 0).volts, 3.0, 0.3);
    assert_near(truth_of(w, 0).amps, 10.0, 0.1);
    world_free(w);
}

static void a_current_load_pulls_a_limiting_source_to_its_minimum_voltage_within_milliseconds(void **state)
{
    struct world *w = load_world(NOISELESS "min_volts = 1.2; floor_volts = 0.6; lead_ohms = 0.0; relay_on = \"1 ms\";");
    (void)state;
    draw(w, 0, 12.0);
    pass_s(w, 0.030); /* relay, blanking 15 ms, then milliseconds */
    assert_true(truth_of(w, 0).volts >= 0.6 && truth_of(w, 0).volts <= 1.2);
    assert_near(truth_of(w, 0).amps, 10.0, 0.1); /* cannot sink full current there, but what the source gives */
    world_free(w);
}

static void near_no_volts_it_cannot_sink_its_current(void **state)
{
    struct world *w = load_world(NOISELESS "min_volts = 2.0; floor_volts = 1.0; lead_ohms = 0.0;");
    (void)state;
    draw(w, 0, 8.0);
    pass_s(w, 0.5);
    assert_near(truth_of(w, 0).amps, 8.0, 0.01);
    world_mains(w, false);
    pass_s(w, 0.3);
    assert_near(truth_of(w, 0).amps, 0.0, 1e-3);
    assert_true(truth_of(w, 0).volts > 0.5); /* the rest only bleeds away */
    world_free(w);
}

static void a_set_point_is_rounded_and_clipped(void **state)
{
    struct world *w = load_world("resolution_amps = 0.01; max_amps = 12.0;");
    (void)state;
    assert_near(world_load_set(w, 0, WORLD_CURRENT, 1.2345), 1.23, 1e-9);
    assert_near(world_load_set(w, 0, WORLD_CURRENT, 99.0), 12.0, 1e-9);
    assert_near(world_load_set(w, 0, WORLD_CURRENT, -1.0), 0.0, 1e-9);
    assert_near(world_load_set(w, 0, WORLD_CURRENT, NAN), 0.0, 1e-9); /* refused: what was stays */
    assert_near(world_load_range(w, 0, WORLD_CURRENT), 12.0, 1e-9);
    world_free(w);
}

static void programming_and_readback_have_their_own_errors(void **state)
{
    struct world *w = load_world(
        NOISELESS
        "program_gain_percent = 1.0; program_offset_amps = 0.01; amps_gain_percent = -2.0; amps_offset_amps = 0.003;"
        " volts_gain_percent = 0.5; volts_offset_volts = 0.02;");
    (void)state;
    draw(w, 0, 2.0);
    pass_s(w, 0.5);
    assert_near(truth_of(w, 0).amps, 2.03, 1e-6);
    assert_near(shown_amps(w, 0), 2.03 * 0.98 + 0.003, 1e-4);
    assert_near(shown_volts(w, 0), truth_of(w, 0).volts * 1.005 + 0.02, 1e-4);
    world_free(w);
}

static void the_current_rises_at_the_slew(void **state)
{
    struct world *w = load_world(NOISELESS "relay_on = \"0 s\";");
    (void)state;
    world_load_slew(w, 0, 2.0);
    draw(w, 0, 4.0);
    pass_s(w, 1.0);
    assert_near(truth_of(w, 0).amps, 2.0, 0.02);
    pass_s(w, 2.0);
    assert_near(truth_of(w, 0).amps, 4.0, 1e-6);
    world_load_set(w, 0, WORLD_CURRENT, 3.0);
    pass_s(w, 0.25);
    assert_near(truth_of(w, 0).amps, 3.5, 0.02);
    world_free(w);
}

static void two_looks_within_one_conversion_are_the_same(void **state)
{
    struct world *w = load_world("update = \"100 ms\"; conversion = \"80 ms\"; skew = \"0 ms\"; volts_noise_volts = "
                                 "0.01; volts_step_volts = 0.0;");
    int changes = 0;
    (void)state;
    pass_s(w, 1.0);
    double last = shown_volts(w, 0);
    for (int i = 0; i < 1000; i++) {
        pass_s(w, 0.001);
        assert_true(shown_volts(w, 0) == shown_volts(w, 0));
        changes += shown_volts(w, 0) != last;
        last = shown_volts(w, 0);
    }
    assert_int_equal(changes, 10);
    world_free(w);
}

static void a_conversion_is_a_mean_over_its_window(void **state)
{
    struct world *w = load_world(
        NOISELESS
        "update = \"100 ms\"; conversion = \"100 ms\"; skew = \"0 ms\"; relay_on = \"0 s\"; amps_step_amps = 0.0;"
        " lead_ohms = 0.0;");
    (void)state;
    draw(w, 0, 1.0);
    pass_s(w, 1.0);
    world_load_slew(w, 0, 0.5); /* a slow ramp: each result is the ramp's middle over its window */
    world_load_set(w, 0, WORLD_CURRENT, 3.0);
    double last = shown_amps(w, 0);
    for (int i = 0; i < 1500; i++) {
        pass_s(w, 0.001);
        double now = shown_amps(w, 0);
        if (now != last && last > 1.06) {
            assert_near(now - last, 0.05, 0.002);
            assert_near(now, 1.0 + 0.5 * 0.001 * (i + 1) - 0.025, 0.003);
        }
        last = now;
    }
    assert_true(last > 1.6);
    world_free(w);
}

static void volts_and_amps_of_one_answer_may_stem_from_different_moments(void **state)
{
    struct world *w =
        load_world(NOISELESS "update = \"100 ms\"; conversion = \"10 ms\"; skew = \"50 ms\"; relay_on = \"0 s\";");
    bool apart = false;
    (void)state;
    world_load_set(w, 0, WORLD_RESISTANCE, 1.0);
    world_load_mode(w, 0, WORLD_RESISTANCE);
    world_load_input(w, 0, true);
    pass_s(w, 1.0);
    assert_true(shown_amps(w, 0) > 4.5);
    world_mains(w, false);
    for (int i = 0; i < 400; i++) {
        pass_s(w, 0.001);
        apart = apart || (shown_volts(w, 0) < 1.0 && shown_amps(w, 0) > 4.0) ||
                (shown_volts(w, 0) > 4.0 && shown_amps(w, 0) < 1.0);
    }
    assert_true(apart);
    world_free(w);
}

static void the_input_follows_its_relay(void **state)
{
    struct world *w = load_world(NOISELESS "relay_on = \"20 ms\"; relay_off = \"5 ms\";");
    (void)state;
    draw(w, 0, 2.0);
    assert_true(world_load_input_is_on(w, 0));
    pass_s(w, 0.015);
    assert_false(world_load_conducts(w, 0));
    pass_s(w, 0.010);
    assert_true(world_load_conducts(w, 0));
    assert_near(truth_of(w, 0).amps, 2.0, 1e-6);
    world_load_input(w, 0, false);
    assert_false(world_load_input_is_on(w, 0));
    pass_s(w, 0.010);
    assert_near(truth_of(w, 0).amps, 0.0, 1e-9);
    world_free(w);
}

static void two_wires_lose_the_drop_of_the_leads_and_four_do_not(void **state)
{
    /* 5.00 V source, 3 A, 50 mOhm per lead: two-wire reads 4.700 V, 14.10 W; four-wire 5.000 V, 15.00 W (computed). */
    static const struct {
        const char *sense;
        double volts, watts;
    } says[] = {{"two-wire", 4.700, 14.10}, {"four-wire", 5.000, 15.00}};
    (void)state;
    for (size_t i = 0; i < 2; i++) {
        char channel[200];
        double volts, amps, watts;
        snprintf(channel, sizeof channel, NOISELESS "lead_ohms = 0.1; sense = \"%s\";", says[i].sense);
        struct world *w = load_world(channel);
        draw(w, 0, 3.0);
        pass_s(w, 0.5);
        world_load_measure(w, 0, &volts, &amps, &watts);
        assert_near(volts, says[i].volts, 0.007);
        assert_near(watts, says[i].watts, 0.025);
        assert_near(world_receptacle_volts(w, 0), 5.000, 0.009);
        world_free(w);
    }
}

struct protection {
    enum world_trip trip;
    double level, amps;
};

static void each_protection_latches_and_reports(void **state)
{
    static const struct protection says[] = {
        {TRIP_OVER_VOLTAGE, 4.9, 1.0},      {TRIP_OVER_CURRENT, 1.5, 2.0},  {TRIP_OVER_POWER, 9.0, 2.0},
        {TRIP_OVER_TEMPERATURE, 24.0, 4.0}, {TRIP_UNDER_VOLTAGE, 5.5, 1.0},
    };
    (void)state;
    for (size_t i = 0; i < sizeof says / sizeof says[0]; i++) {
        struct world *w = load_world("");
        draw(w, 0, says[i].amps);
        pass_s(w, 0.5);
        assert_int_equal(world_load_trips(w, 0), 0);
        world_load_protect(w, 0, says[i].trip, says[i].level);
        assert_near(world_load_protect_now(w, 0, says[i].trip), says[i].level, 1e-9);
        pass_s(w, 60.0);
        assert_int_equal(world_load_trips(w, 0), says[i].trip);
        assert_false(world_load_input_is_on(w, 0));
        assert_near(truth_of(w, 0).amps, 0.0, 1e-9);
        world_load_input(w, 0, true); /* refused while tripped */
        pass_s(w, 0.5);
        assert_false(world_load_conducts(w, 0));
        world_load_protect(w, 0, says[i].trip, 0.0);
        world_load_clear(w, 0);
        world_load_input(w, 0, true);
        pass_s(w, 0.5);
        assert_true(world_load_conducts(w, 0));
        world_free(w);
    }
}

static void under_voltage_trips_within_milliseconds_of_a_collapse(void **state)
{
    struct world *w = load_world("protect_time = \"5 ms\";");
    (void)state;
    world_load_protect(w, 0, TRIP_UNDER_VOLTAGE, 3.0);
    draw(w, 0, 12.0);
    pass_s(w, 0.05);
    assert_int_equal(world_load_trips(w, 0), TRIP_UNDER_VOLTAGE);
    world_free(w);
}

static void a_power_cycle_brings_the_input_back_off(void **state)
{
    struct world *w = load_world("boot_time = \"2 s\";");
    (void)state;
    draw(w, 0, 2.0);
    pass_s(w, 0.5);
    world_load_power(w, 0, false);
    assert_false(world_load_has_power(w, 0));
    pass_s(w, 0.5);
    assert_near(truth_of(w, 0).amps, 0.0, 1e-9);
    world_load_power(w, 0, true);
    pass_s(w, 1.5);
    assert_false(world_load_has_power(w, 0));
    pass_s(w, 1.0);
    assert_true(world_load_has_power(w, 0));
    assert_false(world_load_input_is_on(w, 0));
    assert_near(world_load_set_now(w, 0, WORLD_CURRENT), 0.0, 1e-9);
    world_free(w);
}

static void an_instrument_that_returns_on_does_so_with_its_former_current(void **state)
{
    struct world *w = load_world("boot_time = \"2 s\"; returns_on = true;");
    (void)state;
    draw(w, 0, 2.0);
    pass_s(w, 0.5);
    world_load_power(w, 0, false);
    world_load_power(w, 0, true);
    pass_s(w, 3.0);
    assert_true(world_load_input_is_on(w, 0));
    assert_near(truth_of(w, 0).amps, 2.0, 1e-6);
    world_free(w);
}

static void a_reset_switches_off_and_forgets(void **state)
{
    struct world *w = load_world("");
    (void)state;
    draw(w, 0, 2.0);
    world_load_protect(w, 0, TRIP_UNDER_VOLTAGE, 3.0);
    pass_s(w, 0.5);
    world_load_reset(w, 0);
    pass_s(w, 0.5);
    assert_false(world_load_conducts(w, 0));
    assert_near(world_load_protect_now(w, 0, TRIP_UNDER_VOLTAGE), 0.0, 1e-9);
    assert_int_equal(world_load_mode_now(w, 0), WORLD_CURRENT);
    world_free(w);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_mode_takes_what_it_is_told),
        cmocka_unit_test(a_voltage_load_pulls_a_limiting_source_to_its_voltage),
        cmocka_unit_test(a_current_load_pulls_a_limiting_source_to_its_minimum_voltage_within_milliseconds),
        cmocka_unit_test(near_no_volts_it_cannot_sink_its_current),
        cmocka_unit_test(a_set_point_is_rounded_and_clipped),
        cmocka_unit_test(programming_and_readback_have_their_own_errors),
        cmocka_unit_test(the_current_rises_at_the_slew),
        cmocka_unit_test(two_looks_within_one_conversion_are_the_same),
        cmocka_unit_test(a_conversion_is_a_mean_over_its_window),
        cmocka_unit_test(volts_and_amps_of_one_answer_may_stem_from_different_moments),
        cmocka_unit_test(the_input_follows_its_relay),
        cmocka_unit_test(two_wires_lose_the_drop_of_the_leads_and_four_do_not),
        cmocka_unit_test(each_protection_latches_and_reports),
        cmocka_unit_test(under_voltage_trips_within_milliseconds_of_a_collapse),
        cmocka_unit_test(a_power_cycle_brings_the_input_back_off),
        cmocka_unit_test(an_instrument_that_returns_on_does_so_with_its_former_current),
        cmocka_unit_test(a_reset_switches_off_and_forgets),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
