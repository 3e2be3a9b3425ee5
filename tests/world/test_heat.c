/* Heat: losses, the network, thermostats. */
#include "tests/world/with_world.h"

static struct world *warm_world(const char *more)
{
    char text[2000];
    snprintf(text, sizeof text,
             "supply = { %s ports = ( { connector = \"fixed\"; limit_ratio = 1.3; limit_drift_percent_per_kelvin = 0.0;"
             " contracts = ( { volts = 12.0; amps = 5.0; } ); } ); }; breath_kelvin = 0.0;",
             more);
    struct world *w = text_world(text, 2);
    pass_s(w, 1.0);
    draw(w, 0, 5.0);
    pass_s(w, 1.0);
    return w;
}

static void a_loaded_supply_warms_up_to_an_equilibrium(void **state)
{
    struct world *w = warm_world("");
    (void)state;
    pass_s(w, 600.0);
    double early = truth_of(w, 0).hot_celsius;
    pass_s(w, 6.0 * 3600.0);
    double late = truth_of(w, 0).hot_celsius;
    pass_s(w, 3600.0);
    assert_true(early > 30.0 && late > early + 5.0);
    assert_near(truth_of(w, 0).hot_celsius, late, 0.05);
    world_free(w);
}

static void in_equilibrium_the_losses_leave_through_the_case(void **state)
{
    struct world *w = warm_world("");
    (void)state;
    pass_s(w, 8.0 * 3600.0);
    struct world_truth a = truth_of(w, 0);
    pass_s(w, 600.0);
    struct world_truth b = truth_of(w, 0);
    double loss = world_mains_watts(w) - b.volts * b.amps;
    assert_near((b.joules_lost - a.joules_lost) / 600.0, loss, 0.005 * loss);
    world_free(w);
}

static void a_hot_unit_loses_more(void **state)
{
    struct world *w = warm_world("");
    (void)state;
    double cold = world_mains_watts(w);
    pass_s(w, 2.0 * 3600.0);
    assert_true(world_mains_watts(w) > cold + 0.2);
    world_free(w);
}

static void it_can_run_away(void **state)
{
    struct world *w =
        warm_world("conduction_percent_per_kelvin = 4.0; conduction_ohms = 0.5; shutdown_celsius = 1000.0;");
    (void)state;
    pass_s(w, 3.0 * 3600.0);
    assert_true(truth_of(w, 0).hot_celsius > 150.0);
    world_free(w);
}

static void too_hot_it_shuts_down_and_returns_when_cooler(void **state)
{
    struct world *w = warm_world("shutdown_celsius = 60.0; restart_celsius = 45.0;");
    double most = 0.0;
    int shutdowns = 0;
    bool on = true;
    (void)state;
    for (int i = 0; i < 4 * 3600; i++) {
        pass_s(w, 1.0);
        struct world_truth t = truth_of(w, 0);
        most = fmax(most, t.hot_celsius);
        shutdowns += on && !t.output_on;
        if (!t.output_on)
            assert_true(t.hot_celsius > 44.0);
        on = t.output_on;
    }
    assert_true(shutdowns >= 2);
    assert_true(most < 61.0);
    world_free(w);
}

static void a_throttling_supply_offers_less_when_hot(void **state)
{
    struct world *w = warm_world("throttle_celsius = 45.0; throttle_percent = 50.0;");
    struct world_offer offers[WORLD_CONTRACTS_MAX];
    bool less = false;
    (void)state;
    for (int i = 0; i < 3600; i++) {
        pass_s(w, 1.0);
        if (world_offers(w, 0, offers) && offers[0].amps < 3.0)
            less = true;
    }
    assert_true(less);
    world_load_input(w, 0, false);
    pass_s(w, 7200.0);
    assert_int_equal(world_offers(w, 0, offers), 1);
    assert_near(offers[0].amps, 5.0, 1e-9);
    world_free(w);
}

static void lying_flat_is_hotter_than_standing(void **state)
{
    struct world *standing = warm_world("thermal = { orientation = \"standing\"; };"),
                 *flat = warm_world("thermal = { orientation = \"flat\"; };");
    (void)state;
    pass_s(standing, 7200.0);
    pass_s(flat, 7200.0);
    assert_true(truth_of(flat, 0).hot_celsius > truth_of(standing, 0).hot_celsius + 0.5);
    world_free(standing);
    world_free(flat);
}

static void an_opened_case_cools_what_is_inside(void **state)
{
    struct world *w = warm_world("");
    struct error err = ERROR_INIT;
    (void)state;
    pass_s(w, 7200.0);
    double closed = truth_of(w, 0).hot_celsius;
    assert_int_equal(world_fault(w, "opened", &err), 0);
    pass_s(w, 7200.0);
    assert_true(truth_of(w, 0).hot_celsius < closed - 5.0);
    assert_int_equal(world_fault(w, "opened off", &err), 0);
    pass_s(w, 4.0 * 3600.0);
    assert_near(truth_of(w, 0).hot_celsius, closed, 0.5);
    world_free(w);
}

static void a_probe_lags_behind_its_part(void **state)
{
    struct world *w = text_world(
        "supply = { ports = ( { connector = \"fixed\"; contracts = ( { volts = 12.0; amps = 3.0; } ); } ); };"
        "places = ( { at = \"hot\"; name = \"U1\"; settling_s = 60.0; noise_kelvin = 0.0; } ); breath_kelvin = 0.0;",
        1);
    struct error err = ERROR_INIT;
    (void)state;
    assert_int_equal(world_places(w), 1);
    assert_string_equal(world_place_name(w, 0), "U1");
    pass_s(w, 10.0);
    assert_int_equal(world_fault(w, "overheat 80", &err), 0);
    pass_s(w, 5.0);
    double hot = truth_of(w, 0).hot_celsius;
    assert_true(world_celsius(w, 0) < hot - 30.0);
    pass_s(w, 3600.0);
    assert_near(world_celsius(w, 0), truth_of(w, 0).hot_celsius, 0.5);
    world_free(w);
}

static void the_ambient_breathes_and_drifts(void **state)
{
    struct world *w = text_world(
        "supply = { ports = ( { connector = \"fixed\"; contracts = ( { volts = 12.0; amps = 3.0; } ); } ); };"
        "ambient_celsius = 30.0; breath_kelvin = 1.0; breath_time = \"20 min\"; drift_kelvin_per_hour = 2.0;"
        "places = ( { at = \"ambient\"; noise_kelvin = 0.0; } );",
        1);
    (void)state;
    pass_s(w, 300.0);
    assert_near(world_celsius(w, 0), 31.0 + 2.0 / 12.0, 0.05);
    pass_s(w, 600.0);
    assert_near(world_celsius(w, 0), 29.0 + 0.5, 0.05);
    world_free(w);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_loaded_supply_warms_up_to_an_equilibrium),
        cmocka_unit_test(in_equilibrium_the_losses_leave_through_the_case),
        cmocka_unit_test(a_hot_unit_loses_more),
        cmocka_unit_test(it_can_run_away),
        cmocka_unit_test(too_hot_it_shuts_down_and_returns_when_cooler),
        cmocka_unit_test(a_throttling_supply_offers_less_when_hot),
        cmocka_unit_test(lying_flat_is_hotter_than_standing),
        cmocka_unit_test(an_opened_case_cools_what_is_inside),
        cmocka_unit_test(a_probe_lags_behind_its_part),
        cmocka_unit_test(the_ambient_breathes_and_drifts),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
