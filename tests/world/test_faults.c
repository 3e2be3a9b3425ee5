/* Each fault acts, and ends. */
#include "tests/world/with_world.h"

static void strike(struct world *w, const char *line)
{
    struct error err = ERROR_INIT;
    if (world_fault(w, line, &err) < 0)
        fail_msg("%s: %s", line, err.text);
}

static struct world *drawing_world(const char *more, double amps)
{
    struct world *w = fixed_world(more);
    pass_s(w, 1.0);
    draw(w, 0, amps);
    pass_s(w, 1.0);
    return w;
}

static void a_shorted_power_stage_conducts_though_ordered_off(void **state)
{
    struct world *w = drawing_world("", 2.0);
    (void)state;
    strike(w, "power-stage-short channel 1 6");
    world_load_input(w, 0, false);
    pass_s(w, 1.0);
    assert_false(world_load_input_is_on(w, 0));
    assert_true(world_load_conducts(w, 0));
    assert_near(truth_of(w, 0).amps, 2.0, 0.05);
    assert_near(shown_amps(w, 0), 2.0, 0.05);
    strike(w, "power-stage-short off");
    pass_s(w, 1.0);
    assert_near(truth_of(w, 0).amps, 0.0, 1e-9);
    world_free(w);
}

static void an_ignored_input_says_off_and_stays_on(void **state)
{
    struct world *w = drawing_world("", 2.0);
    (void)state;
    strike(w, "input-ignored");
    world_load_input(w, 0, false);
    pass_s(w, 1.0);
    assert_false(world_load_input_is_on(w, 0));
    assert_near(truth_of(w, 0).amps, 2.0, 1e-6);
    strike(w, "input-ignored off");
    pass_s(w, 1.0);
    assert_near(truth_of(w, 0).amps, 0.0, 1e-9);
    world_free(w);
}

static void sense_wires_come_off_or_swap(void **state)
{
    static const struct {
        const char *on, *off;
        double volts;
    } says[] = {{"sense-open", "sense-open off", 11.9 * 0.02}, {"sense-reversed", "sense-reversed off", -11.9}};
    (void)state;
    for (size_t i = 0; i < 2; i++) {
        struct world *w = drawing_world("", 2.0);
        strike(w, says[i].on);
        pass_s(w, 1.0);
        assert_near(shown_volts(w, 0), says[i].volts, 0.01);
        assert_near(world_receptacle_volts(w, 0), 11.9, 0.01);
        strike(w, says[i].off);
        pass_s(w, 1.0);
        assert_near(shown_volts(w, 0), 11.9, 0.01);
        world_free(w);
    }
}

static void the_readback_drifts(void **state)
{
    struct world *w = drawing_world("", 2.0);
    (void)state;
    strike(w, "readback-drift channel 1 1.0");
    pass_s(w, 300.0);
    assert_near(shown_amps(w, 0), 2.0 * 1.05, 0.002);
    assert_near(truth_of(w, 0).amps, 2.0, 1e-6);
    strike(w, "readback-drift off");
    assert_near(shown_amps(w, 0), 2.0, 0.002);
    world_free(w);
}

static void a_stuck_reading_stays(void **state)
{
    struct world *w = drawing_world("", 2.0);
    (void)state;
    double before = shown_amps(w, 0);
    strike(w, "reading-stuck");
    world_load_set(w, 0, WORLD_CURRENT, 3.0);
    pass_s(w, 1.0);
    assert_true(shown_amps(w, 0) == before);
    assert_near(truth_of(w, 0).amps, 3.0, 1e-6);
    strike(w, "reading-stuck off");
    assert_near(shown_amps(w, 0), 3.0, 0.002);
    world_free(w);
}

static void a_power_cycle_takes_the_instrument_away_and_back(void **state)
{
    struct world *w = drawing_world("", 2.0);
    (void)state;
    strike(w, "instrument-power-cycle 1.0");
    assert_false(world_load_has_power(w, 0));
    pass_s(w, 2.9);
    assert_false(world_load_has_power(w, 0));
    pass_s(w, 0.2);
    assert_true(world_load_has_power(w, 0));
    pass_s(w, 1.0);
    assert_near(truth_of(w, 0).amps, 0.0, 1e-9);
    world_free(w);
}

static void after_a_power_cycle_the_input_may_return_on(void **state)
{
    struct world *w = drawing_world("", 2.0);
    (void)state;
    strike(w, "input-on-after-power");
    strike(w, "instrument-power-cycle 1.0");
    pass_s(w, 4.0);
    assert_true(world_load_input_is_on(w, 0));
    assert_near(truth_of(w, 0).amps, 2.0, 1e-6);
    strike(w, "input-on-after-power off");
    strike(w, "instrument-power-cycle 1.0");
    pass_s(w, 4.0);
    assert_false(world_load_input_is_on(w, 0));
    world_free(w);
}

static void an_instrument_is_off_until_switched_on(void **state)
{
    struct world *w = drawing_world("", 2.0);
    (void)state;
    strike(w, "instrument-power-off");
    pass_s(w, 100.0);
    assert_false(world_load_has_power(w, 0));
    assert_near(truth_of(w, 0).amps, 0.0, 1e-9);
    strike(w, "instrument-power-on");
    pass_s(w, 3.0);
    assert_true(world_load_has_power(w, 0));
    world_free(w);
}

static void a_bad_joint_makes_the_voltage_jump_under_load(void **state)
{
    struct world *w = drawing_world("", 2.0);
    double least = 99.0, most = 0.0;
    (void)state;
    strike(w, "solder-joint port 1 0.5");
    for (int i = 0; i < 1200; i++) {
        pass_s(w, 0.1);
        least = fmin(least, truth_of(w, 0).volts);
        most = fmax(most, truth_of(w, 0).volts);
    }
    assert_true(most > 11.85 && least < 11.7 && least >= 11.9 - 1.01);
    strike(w, "solder-joint off");
    pass_s(w, 1.0);
    assert_near(truth_of(w, 0).volts, 11.9, 0.01);
    world_free(w);
}

static void a_dry_capacitor_ripples_and_limits_early(void **state)
{
    struct world *w = drawing_world("ripple_volts = 0.01", 2.0);
    double least = 99.0, most = 0.0;
    (void)state;
    double limit = truth_of(w, 0).limit_amps;
    strike(w, "dried-capacitor 1.0");
    assert_near(truth_of(w, 0).limit_amps, 0.85 * limit, 1e-9);
    for (int i = 0; i < 300; i++) {
        pass_s(w, 0.1);
        least = fmin(least, shown_volts(w, 0));
        most = fmax(most, shown_volts(w, 0));
    }
    assert_true(most - least > 0.1);
    strike(w, "dried-capacitor off");
    assert_near(truth_of(w, 0).limit_amps, limit, 1e-9);
    struct world_truth t = truth_of(w, 0);
    assert_near(t.joules_in - t.joules_out - t.joules_lost - t.joules_stored, 0.0, 0.001 * t.joules_in);
    world_free(w);
}

static void an_intermittent_contract_chip_loses_the_contract(void **state)
{
    struct world *w = usb_c_world("");
    bool lost = false;
    (void)state;
    settle_at(w, 0, 20.0);
    strike(w, "contract-intermittent 5");
    for (int i = 0; i < 600 && !lost; i++) {
        pass_s(w, 0.1);
        lost = world_contract_volts(w, 0) == 0.0;
    }
    assert_true(lost);
    pass_s(w, 1.0);
    assert_near(truth_of(w, 0).volts, 5.0, 0.01);
    strike(w, "contract-intermittent off");
    world_select(w, 0, 20.0, 0.0);
    pass_s(w, 600.0);
    assert_near(world_contract_volts(w, 0), 20.0, 1e-9);
    world_free(w);
}

static void an_over_voltage_comes_and_goes(void **state)
{
    struct world *w = drawing_world("", 2.0);
    (void)state;
    strike(w, "over-voltage 25");
    pass_s(w, 1.0);
    assert_near(truth_of(w, 0).volts, 15.0 - 0.1, 0.01);
    strike(w, "over-voltage off");
    pass_s(w, 1.0);
    assert_near(truth_of(w, 0).volts, 11.9, 0.01);
    world_free(w);
}

static void a_hard_reset_strikes_once(void **state)
{
    struct world *w = usb_c_world("");
    (void)state;
    settle_at(w, 0, 20.0);
    strike(w, "hard-reset");
    pass_s(w, 0.6);
    assert_true(truth_of(w, 0).volts < 0.8);
    pass_s(w, 2.0);
    assert_near(truth_of(w, 0).volts, 5.0, 0.01);
    world_free(w);
}

static void a_brown_out_stops_the_supply_until_it_ends(void **state)
{
    struct world *w = drawing_world("", 2.0);
    (void)state;
    strike(w, "brown-out 60");
    assert_near(world_mains_volts_now(w), 60.0, 1e-9);
    pass_s(w, 1.0);
    assert_true(truth_of(w, 0).volts < 1.0);
    strike(w, "brown-out off");
    pass_s(w, 1.0);
    assert_near(truth_of(w, 0).volts, 11.9, 0.01);
    world_free(w);
}

static void a_short_drop_out_is_ridden_through_and_a_long_one_is_not(void **state)
{
    struct world *w = drawing_world("", 2.0);
    (void)state;
    strike(w, "drop-out 20");
    for (int i = 0; i < 300; i++) {
        pass_s(w, 0.001);
        assert_true(truth_of(w, 0).volts > 11.0);
    }
    strike(w, "drop-out 500");
    pass_s(w, 0.4);
    assert_true(truth_of(w, 0).volts < 1.0);
    pass_s(w, 1.0);
    assert_near(truth_of(w, 0).volts, 11.9, 0.01);
    world_free(w);
}

static void a_probe_opens_or_falls_off(void **state)
{
    struct world *w = drawing_world("", 5.0);
    (void)state;
    pass_s(w, 3600.0);
    double hot = world_celsius(w, 1);
    assert_true(hot > 50.0);
    strike(w, "probe-off place hot");
    pass_s(w, 30.0);
    assert_near(world_celsius(w, 1), 23.0, 1.0);
    strike(w, "probe-off place hot off");
    pass_s(w, 30.0);
    assert_near(world_celsius(w, 1), hot, 1.0);
    strike(w, "probe-open place 2");
    assert_true(isnan(world_celsius(w, 1)));
    strike(w, "probe-open place 2 off");
    assert_near(world_celsius(w, 1), hot, 1.0);
    world_free(w);
}

static void a_bad_fault_line_says_what_was_expected(void **state)
{
    static const struct {
        const char *line, *says;
    } bad[] = {{"", "there is no fault"},
               {"flood", "there is no fault \"flood\""},
               {"sense-open channel 4", "counted from 1"},
               {"sense-open channel", "which channel"},
               {"sense-open 7", "expected 0 to 1"},
               {"opened 3", "takes no value"},
               {"over-voltage port 1 10 20", "one word too many"},
               {"probe-open place attic", "none of the"},
               {"brown-out nan", "expected 0 to 300"}};
    struct world *w = fixed_world("");
    (void)state;
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        struct error err = ERROR_INIT;
        assert_int_equal(world_fault(w, bad[i].line, &err), -1);
        assert_int_equal(err.kind, ERROR_USAGE);
        if (!strstr(err.text, bad[i].says))
            fail_msg("\"%s\" got: %s", bad[i].line, err.text);
    }
    world_free(w);
}

/* Every line of the help begins with names of faults; each must be known. */
static void the_help_names_faults_that_exist(void **state)
{
    static const char *const all[] = {
        "power-stage-short",
        "input-ignored",
        "sense-open",
        "sense-reversed",
        "readback-drift",
        "reading-stuck",
        "input-on-after-power",
        "instrument-power-cycle",
        "instrument-power-off",
        "instrument-power-on",
        "solder-joint",
        "dried-capacitor",
        "contract-intermittent",
        "over-voltage",
        "hard-reset",
        "brown-out",
        "drop-out",
        "overheat",
        "opened",
        "probe-open",
        "probe-off",
    };
    struct world *w = fixed_world("");
    (void)state;
    for (size_t i = 0; i < sizeof all / sizeof all[0]; i++) {
        char line[80];
        snprintf(line, sizeof line, "%s off", all[i]);
        strike(w, line);
        assert_non_null(strstr(world_fault_help(), all[i]));
    }
    world_free(w);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_shorted_power_stage_conducts_though_ordered_off),
        cmocka_unit_test(an_ignored_input_says_off_and_stays_on),
        cmocka_unit_test(sense_wires_come_off_or_swap),
        cmocka_unit_test(the_readback_drifts),
        cmocka_unit_test(a_stuck_reading_stays),
        cmocka_unit_test(a_power_cycle_takes_the_instrument_away_and_back),
        cmocka_unit_test(after_a_power_cycle_the_input_may_return_on),
        cmocka_unit_test(an_instrument_is_off_until_switched_on),
        cmocka_unit_test(a_bad_joint_makes_the_voltage_jump_under_load),
        cmocka_unit_test(a_dry_capacitor_ripples_and_limits_early),
        cmocka_unit_test(an_intermittent_contract_chip_loses_the_contract),
        cmocka_unit_test(an_over_voltage_comes_and_goes),
        cmocka_unit_test(a_hard_reset_strikes_once),
        cmocka_unit_test(a_brown_out_stops_the_supply_until_it_ends),
        cmocka_unit_test(a_short_drop_out_is_ridden_through_and_a_long_one_is_not),
        cmocka_unit_test(a_probe_opens_or_falls_off),
        cmocka_unit_test(a_bad_fault_line_says_what_was_expected),
        cmocka_unit_test(the_help_names_faults_that_exist),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
