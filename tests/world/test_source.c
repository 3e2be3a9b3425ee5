/* Contracts, regulation, mains: what the source gives when nothing is overloaded. */
#include "tests/world/with_world.h"

static void a_usb_c_port_gives_nothing_until_something_attaches(void **state)
{
    struct world *w = usb_c_world("attached = false");
    (void)state;
    pass_s(w, 5.0);
    assert_near(truth_of(w, 0).volts, 0.0, 1e-9);
    world_attach(w, 0, true);
    pass_s(w, 0.05);
    assert_near(truth_of(w, 0).volts, 0.0, 1e-9); /* still debouncing */
    pass_s(w, 0.3);
    assert_near(truth_of(w, 0).volts, 5.0, 0.01);
    assert_near(world_contract_volts(w, 0), 0.0, 1e-9); /* not negotiated yet */
    pass_s(w, 0.7);
    assert_near(world_contract_volts(w, 0), 5.0, 1e-9);
    world_attach(w, 0, false);
    pass_s(w, 1.0);
    assert_near(truth_of(w, 0).volts, 0.0, 0.05);
    assert_near(world_contract_volts(w, 0), 0.0, 1e-9);
    world_free(w);
}

static void a_fixed_supply_gives_its_voltage_as_soon_as_it_has_started(void **state)
{
    struct world *w = fixed_world("");
    (void)state;
    pass_s(w, 0.25);
    assert_near(truth_of(w, 0).volts, 0.0, 1e-9);
    pass_s(w, 0.5);
    assert_near(truth_of(w, 0).volts, 12.0, 0.01);
    assert_true(world_attached(w, 0));
    world_free(w);
}

static void a_request_takes_tens_to_hundreds_of_milliseconds_and_the_output_slews(void **state)
{
    struct world *w = usb_c_world("selection = \"90 ms\"");
    double last = 5.0;
    int64_t took_us = 0;
    (void)state;
    pass_s(w, 2.0);
    assert_true(world_select(w, 0, 20.0, 3.0));
    assert_false(world_settled(w, 0));
    while (!world_settled(w, 0) && took_us < 2000000) {
        world_advance(w, world_now_us(w) + 1000);
        took_us += 1000;
        double volts = truth_of(w, 0).volts;
        assert_true(volts >= last - 0.001 && volts - last <= 0.21); /* 100 V/s: no jump */
        last = volts;
    }
    assert_in_range(took_us, 50000,
                    550000); /* USB PD tPSTransition SPR: at most 550 ms (USB PD R3.1 Table 6-68, second-hand) */
    assert_near(last, 20.0, 0.01);
    assert_near(world_contract_volts(w, 0), 20.0, 1e-9);
    assert_near(world_contract_amps(w, 0), 3.0, 1e-9);
    world_free(w);
}

static void the_former_contract_is_in_force_while_a_request_is_under_way(void **state)
{
    struct world *w = usb_c_world("");
    (void)state;
    settle_at(w, 0, 9.0);
    assert_true(world_select(w, 0, 20.0, 0.0));
    pass_s(w, 0.02);
    assert_near(world_contract_volts(w, 0), 9.0, 1e-9);
    assert_near(truth_of(w, 0).volts, 9.0, 0.01);
    world_free(w);
}

static void a_request_that_nothing_fits_changes_nothing(void **state)
{
    struct world *w = usb_c_world("");
    (void)state;
    settle_at(w, 0, 9.0);
    assert_false(world_select(w, 0, 15.0, 0.0));
    assert_false(world_select(w, 0, 20.0, 3.1));
    pass_s(w, 1.0);
    assert_near(truth_of(w, 0).volts, 9.0, 0.01);
    world_free(w);
}

static void load_off_is_not_detach(void **state)
{
    struct world *w = usb_c_world("");
    (void)state;
    settle_at(w, 0, 20.0);
    draw(w, 0, 2.0);
    pass_s(w, 1.0);
    world_load_input(w, 0, false);
    pass_s(w, 60.0);
    assert_near(world_contract_volts(w, 0), 20.0, 1e-9);
    assert_near(truth_of(w, 0).volts, 20.0, 0.01);
    world_free(w);
}

static void a_trigger_board_asks_again_at_attach(void **state)
{
    struct world *w = usb_c_world("");
    (void)state;
    settle_at(w, 0, 20.0);
    world_attach(w, 0, false);
    pass_s(w, 2.0);
    world_attach(w, 0, true);
    pass_s(w, 2.0);
    assert_near(world_contract_volts(w, 0), 20.0, 1e-9);
    world_free(w);
}

static void a_board_that_browns_out_loses_the_contract_and_the_source_goes_back_to_its_default(void **state)
{
    struct world *w = usb_c_world("limit = \"constant-current\"");
    (void)state;
    settle_at(w, 0, 20.0);
    draw(w, 0, 5.0); /* pulls the limiting source down to the load's minimum voltage */
    pass_s(w, 1.0);
    assert_true(truth_of(w, 0).volts < 1.0);
    assert_near(world_contract_volts(w, 0), 0.0, 1e-9);
    world_load_input(w, 0, false);
    pass_s(w, 0.2);
    assert_near(truth_of(w, 0).volts, 20.0, 0.01); /* the source still believes in it ... */
    pass_s(w, 4.0);
    assert_near(truth_of(w, 0).volts, 5.0, 0.01); /* ... until the board, having heard no capabilities, resets it */
    assert_near(world_contract_volts(w, 0), 0.0, 1e-9);
    assert_true(world_select(w, 0, 20.0, 0.0));
    pass_s(w, 1.0);
    assert_near(world_contract_volts(w, 0), 20.0, 1e-9);
    world_free(w);
}

static void a_load_at_rated_current_upsets_the_way_up(void **state)
{
    struct world *w = usb_c_world("");
    double lowest = 20.0;
    (void)state;
    pass_s(w, 2.0);
    draw(w, 0, 2.9);
    pass_s(w, 0.5);
    world_select(w, 0, 20.0, 0.0);
    for (int i = 0; i < 1000; i++) {
        pass_s(w, 0.001);
        lowest = fmin(lowest, truth_of(w, 0).volts);
    }
    assert_true(lowest < 0.8);
    assert_near(world_contract_volts(w, 0), 0.0, 1e-9);
    world_free(w);
}

static void a_programmable_contract_gives_what_was_asked_and_limits_at_it(void **state)
{
    struct world *w = text_world("supply = { ports = ( { board_watts = 0.0; contracts = ( { volts = 5.0; amps = 3.0; "
                                 "}, { volts = 3.3; amps = 3.0;"
                                 " max_volts = 21.0; limit_ratio = 1.0; } ); } ); };",
                                 1);
    (void)state;
    settle_at(w, 0, 11.3);
    assert_true(world_select(w, 0, 11.3, 1.5));
    pass_s(w, 1.0);
    assert_near(truth_of(w, 0).limit_amps, 1.5, 0.01);
    assert_int_equal(truth_of(w, 0).behaviour, LIMIT_CONSTANT_CURRENT);
    world_free(w);
}

static void the_voltage_falls_by_output_resistance_times_current(void **state)
{
    /* 5.10 V at 0 A and 4.95 V at 3 A are 50.0 mOhm (textbook definition, computed). */
    struct world *w = text_world(
        "supply = { ports = ( { connector = \"fixed\"; output_ohms = 0.05; contracts = ( { volts = 5.0; amps = 3.0;"
        " error_percent = 2.0; } ); } ); };",
        1);
    (void)state;
    pass_s(w, 2.0);
    assert_near(truth_of(w, 0).volts, 5.10, 1e-3);
    draw(w, 0, 3.0);
    pass_s(w, 1.0);
    assert_near(truth_of(w, 0).volts, 4.95, 1e-3);
    world_free(w);
}

static void cable_compensation_lifts_the_voltage_with_the_current(void **state)
{
    struct world *w = fixed_world("compensation_ohms = 0.08");
    (void)state;
    pass_s(w, 2.0);
    draw(w, 0, 4.0);
    pass_s(w, 1.0);
    assert_near(truth_of(w, 0).volts, 12.0 + 4.0 * (0.08 - 0.05), 2e-3);
    world_free(w);
}

static struct world *shared_world(const char *rule, const char *second_attached)
{
    char text[1000];
    snprintf(text, sizeof text,
             "supply = { budget_watts = 65.0; budget = \"%s\"; ports = ("
             "{ contracts = ( { volts = 5.0; amps = 3.0; }, { volts = 20.0; amps = 3.25; } ); },"
             "{ attached = %s; contracts = ( { volts = 5.0; amps = 3.0; }, { volts = 20.0; amps = 3.25; } ); } ); };",
             rule, second_attached);
    return text_world(text, 3);
}

static void an_overrun_of_the_shared_budget_withdraws_the_other_ports_contract(void **state)
{
    struct world *w = shared_world("withdraw", "true");
    (void)state;
    settle_at(w, 0, 20.0);
    settle_at(w, 1, 20.0);
    draw(w, 0, 3.0);
    draw(w, 1, 1.5);
    pass_s(w, 2.0);
    assert_near(truth_of(w, 0).volts, 20.0, 0.5);
    assert_near(truth_of(w, 1).volts, 5.0, 0.3);
    world_free(w);
}

static void an_overrun_of_the_shared_budget_trips_both_ports(void **state)
{
    struct world *w = shared_world("trip", "true");
    (void)state;
    settle_at(w, 0, 20.0);
    settle_at(w, 1, 20.0);
    draw(w, 0, 3.0);
    draw(w, 1, 2.5);
    pass_s(w, 0.1);
    assert_false(truth_of(w, 0).output_on);
    assert_false(truth_of(w, 1).output_on);
    world_free(w);
}

static void attaching_the_second_port_renegotiates_the_first(void **state)
{
    struct world *w = shared_world("less", "false");
    struct world_offer offers[WORLD_CONTRACTS_MAX];
    (void)state;
    settle_at(w, 0, 20.0);
    assert_near(world_contract_amps(w, 0), 3.25, 1e-9);
    world_attach(w, 1, true);
    pass_s(w, 2.0);
    assert_near(world_contract_amps(w, 0), 65.0 * 0.5 / 20.0, 1e-9);
    assert_int_equal(world_offers(w, 0, offers), 2);
    assert_near(offers[1].amps, 1.625, 1e-9);
    assert_false(world_select(w, 0, 20.0, 3.25));
    world_free(w);
}

static void without_mains_it_lives_off_its_capacitor_for_a_moment_only(void **state)
{
    struct world *w = fixed_world("");
    (void)state;
    pass_s(w, 2.0);
    draw(w, 0, 4.0);
    pass_s(w, 1.0);
    world_mains(w, false);
    pass_s(w, 0.01); /* 2.5 J at some 55 W last for some 45 ms */
    assert_true(truth_of(w, 0).volts > 11.0);
    pass_s(w, 0.2);
    assert_true(truth_of(w, 0).volts < 1.0);
    assert_near(world_mains_watts(w), 0.0, 1e-9);
    world_load_input(w, 0, false);
    world_mains(w, true);
    pass_s(w, 1.0);
    assert_near(truth_of(w, 0).volts, 12.0, 0.01);
    world_free(w);
}

static void low_mains_cost_efficiency_and_power(void **state)
{
    struct world *w = fixed_world("limit_ratio = 1.2");
    (void)state;
    pass_s(w, 2.0);
    draw(w, 0, 4.0);
    pass_s(w, 1.0);
    double high_line = world_mains_watts(w);
    world_mains_volts(w, 90.0);
    pass_s(w, 1.0);
    assert_true(world_mains_watts(w) > high_line + 0.3);
    assert_near(truth_of(w, 0).limit_amps, 6.0 * (1.0 - 0.6 * 0.1), 1e-6);
    assert_near(world_mains_volts_now(w), 90.0, 1e-9);
    world_free(w);
}

static void at_no_load_it_draws_its_power_in_bursts(void **state)
{
    struct world *w = fixed_world("bleed_ohms = 1000000.0");
    double sum = 0.0, most = 0.0, least = 1e9;
    (void)state;
    pass_s(w, 10.0);
    for (int i = 0; i < 4000; i++) {
        pass_s(w, 0.01);
        double watts = world_mains_watts(w);
        sum += watts;
        most = fmax(most, watts);
        least = fmin(least, watts);
    }
    assert_near(sum / 4000.0, 0.06, 0.02);
    assert_true(most > 0.5 && least < 0.001);
    world_free(w);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_usb_c_port_gives_nothing_until_something_attaches),
        cmocka_unit_test(a_fixed_supply_gives_its_voltage_as_soon_as_it_has_started),
        cmocka_unit_test(a_request_takes_tens_to_hundreds_of_milliseconds_and_the_output_slews),
        cmocka_unit_test(the_former_contract_is_in_force_while_a_request_is_under_way),
        cmocka_unit_test(a_request_that_nothing_fits_changes_nothing),
        cmocka_unit_test(load_off_is_not_detach),
        cmocka_unit_test(a_trigger_board_asks_again_at_attach),
        cmocka_unit_test(a_board_that_browns_out_loses_the_contract_and_the_source_goes_back_to_its_default),
        cmocka_unit_test(a_load_at_rated_current_upsets_the_way_up),
        cmocka_unit_test(a_programmable_contract_gives_what_was_asked_and_limits_at_it),
        cmocka_unit_test(the_voltage_falls_by_output_resistance_times_current),
        cmocka_unit_test(cable_compensation_lifts_the_voltage_with_the_current),
        cmocka_unit_test(an_overrun_of_the_shared_budget_withdraws_the_other_ports_contract),
        cmocka_unit_test(an_overrun_of_the_shared_budget_trips_both_ports),
        cmocka_unit_test(attaching_the_second_port_renegotiates_the_first),
        cmocka_unit_test(without_mains_it_lives_off_its_capacitor_for_a_moment_only),
        cmocka_unit_test(low_mains_cost_efficiency_and_power),
        cmocka_unit_test(at_no_load_it_draws_its_power_in_bursts),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
