/* Time: looking changes nothing, seeds decide everything, no joule is lost. */
#include "tests/world/with_world.h"

#include <time.h>

#include "sim/world/inside.h"

static const char busy_text[] =
    "supply = { budget_watts = 60.0; budget = \"withdraw\"; throttle_celsius = 60.0; ports = ("
    "{ joint_ohms = 0.2; joint_time = \"3 s\"; dryness = 0.3; compensation_ohms = 0.02; contract_intermittent = \"90 "
    "s\"; limit = \"hiccup\";"
    "  contracts = ( { volts = 5.0; amps = 3.0; }, { volts = 20.0; amps = 3.25; limit = \"hard-reset\"; } ); },"
    "{ connector = \"fixed\"; limit = \"foldback\"; contracts = ( { volts = 12.0; amps = 2.0; } ); } ); };"
    "channels = ( { port = 1; volts_noise_volts = 0.002; }, { port = 2; sense = \"two-wire\"; lead_ohms = 0.05; } );"
    "drift_kelvin_per_hour = 1.0;";

struct order {
    double at_s;
    int what;
};

static void obey(struct world *w, int what)
{
    switch (what) {
    case 0:
        world_select(w, 0, 20.0, 0.0);
        break;
    case 1:
        draw(w, 0, 3.0);
        break;
    case 2:
        draw(w, 1, 1.7);
        break;
    case 3:
        world_load_set(w, 0, WORLD_CURRENT, 5.0);
        break;
    case 4:
        world_load_set(w, 1, WORLD_CURRENT, 4.0);
        break;
    case 5:
        world_load_input(w, 0, false);
        break;
    case 6:
        world_load_set(w, 1, WORLD_CURRENT, 0.5);
        break;
    case 7:
        world_mains(w, false);
        break;
    case 8:
        world_mains(w, true);
        break;
    case 9:
        draw(w, 0, 1.2);
        break;
    case 10:
        world_load_mode(w, 1, WORLD_VOLTAGE);
        world_load_set(w, 1, WORLD_VOLTAGE, 8.0);
        break;
    default:
        break;
    }
}

/* The same orders at the same moments; in between looks every look_us (0: none), each with all that can be looked at.
 */
static struct world *play(uint64_t seed, int64_t look_us, double scale)
{
    static const struct order orders[] = {{2.0, 0},  {4.0, 1},  {5.00037, 2}, {20.0, 3}, {31.0, 5},
                                          {35.0, 0}, {37.0, 4}, {41.0, 6},    {44.0, 9}, {60.0, 7},
                                          {62.5, 8}, {66.0, 0}, {68.0, 10},   {90.0, 11}};
    struct world *w = text_world(busy_text, seed);
    double volts, amps, watts;
    for (size_t i = 0; i < sizeof orders / sizeof orders[0]; i++) {
        int64_t to_us = llround(orders[i].at_s * scale * 1e6);
        while (look_us && world_now_us(w) + look_us < to_us) {
            world_advance(w, world_now_us(w) + look_us);
            for (size_t c = 0; c < 2; c++) {
                world_load_measure(w, c, &volts, &amps, &watts);
                (void)world_receptacle_volts(w, c);
                (void)truth_of(w, c);
            }
            (void)world_celsius(w, 1);
            (void)world_mains_watts(w);
        }
        world_advance(w, to_us);
        obey(w, orders[i].what);
    }
    return w;
}

static void the_result_does_not_depend_on_how_often_one_looks(void **state)
{
    static const int64_t looks_us[] = {1000, 137, 50000, 999999};
    struct world *jumped = play(5, 0, 1.0);
    (void)state;
    for (size_t i = 0; i < sizeof looks_us / sizeof looks_us[0]; i++) {
        struct world *looked = play(5, looks_us[i], 1.0);
        assert_memory_equal(jumped, looked, sizeof *jumped); /* to the last bit */
        world_free(looked);
    }
    world_free(jumped);
}

static void a_true_capacity_in_between_changes_nothing(void **state)
{
    struct world *a = play(5, 0, 1.0), *b = play(5, 0, 1.0);
    (void)state;
    (void)world_true_capacity(a, 1, 11.0, 13.0, 1000000);
    assert_memory_equal(a, b, sizeof *a);
    world_free(a);
    world_free(b);
}

static void the_same_seed_gives_the_same_world_and_another_one_another(void **state)
{
    struct world *a = play(5, 1000, 1.0), *b = play(5, 1000, 1.0), *c = play(6, 1000, 1.0);
    (void)state;
    assert_memory_equal(a, b, sizeof *a);
    assert_true(shown_volts(a, 0) == shown_volts(b, 0));
    assert_true(shown_volts(a, 0) != shown_volts(c, 0));
    world_free(a);
    world_free(b);
    world_free(c);
}

static void time_does_not_go_back(void **state)
{
    struct world *w = fixed_world("");
    (void)state;
    world_advance(w, 1000000);
    world_advance(w, 500000);
    assert_int_equal(world_now_us(w), 1000000);
    world_free(w);
}

static void every_joule_that_goes_in_is_found_again(void **state)
{
    static const double scales[] = {1.0, 10.0, 100.0};
    (void)state;
    for (size_t i = 0; i < sizeof scales / sizeof scales[0]; i++) {
        struct world *w = play(9, 0, scales[i]);
        struct world_truth t = truth_of(w, 0);
        double missing = t.joules_in - t.joules_out - t.joules_lost - t.joules_stored;
        assert_true(t.joules_in > 100.0);
        assert_near(missing / t.joules_in, 0.0, 0.001); /* within 0.1 % */
        world_free(w);
    }
}

/* The books above are the model's own; here the energy is summed up from what meters outside would see. */
static void meters_outside_find_the_same_energy(void **state)
{
    struct world *w = fixed_world("");
    double in = 0.0, out = 0.0;
    (void)state;
    pass_s(w, 1.0);
    struct world_truth begin = truth_of(w, 0);
    draw(w, 0, 4.0);
    for (int i = 0; i < 36000; i++) {
        pass_s(w, 0.05);
        struct world_truth t = truth_of(w, 0);
        in += world_mains_watts(w) * 0.05;
        out += t.volts * t.amps * 0.05;
        if (i == 18000)
            world_load_set(w, 0, WORLD_CURRENT, 2.0);
    }
    struct world_truth end = truth_of(w, 0);
    assert_near(in / (end.joules_in - begin.joules_in), 1.0, 0.001);
    assert_near(out / (end.joules_out - begin.joules_out), 1.0, 0.001);
    assert_near((in - out) / (end.joules_lost + end.joules_stored - begin.joules_lost - begin.joules_stored), 1.0,
                0.001);
    world_free(w);
}

static void an_hour_of_steady_state_is_a_few_steps_only(void **state)
{
    struct world *w = fixed_world("");
    (void)state;
    draw(w, 0, 4.0);
    pass_s(w, 10.0);
    clock_t begin = clock();
    pass_s(w, 3600.0);
    print_message("an hour took %.1f ms of processor\n", 1e3 * (double)(clock() - begin) / CLOCKS_PER_SEC);
    assert_int_equal(w->step_us, STEP_COARSE_US);
    world_free(w);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_result_does_not_depend_on_how_often_one_looks),
        cmocka_unit_test(a_true_capacity_in_between_changes_nothing),
        cmocka_unit_test(the_same_seed_gives_the_same_world_and_another_one_another),
        cmocka_unit_test(time_does_not_go_back),
        cmocka_unit_test(every_joule_that_goes_in_is_found_again),
        cmocka_unit_test(meters_outside_find_the_same_energy),
        cmocka_unit_test(an_hour_of_steady_state_is_a_few_steps_only),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
