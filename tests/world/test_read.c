/* Strict reading; the presets. */
#include "tests/world/with_world.h"

#define PORT(more) "supply = { ports = ( { " more " contracts = ( { volts = 5.0; amps = 3.0; } ); } ); };"

static void a_broken_world_says_where_and_what_was_expected(void **state)
{
    static const struct {
        const char *text, *says;
    } bad[] = {
        {"ambient_celsius = 20.0;", "supply"},
        {"supply = { };", "ports"},
        {"supply = { ports = ( ); };", "ports"},
        {"supply = { ports = ( { } ); };", "contracts"},
        {"supply = { ports = ( { contracts = ( { volts = 5.0; } ); } ); };", "amps"},
        {"supply = { ports = ( { contracts = ( { volts = 500.0; amps = 1.0; } ); } ); };", "volts"},
        {"supply = { ports = ( { contracts = ( { volts = 3.3; amps = 1.0; max_volts = 11.0; } ); } ); };",
         "programmable"},
        {PORT("limit = \"sometimes\";"), "hiccup"},
        {PORT("blanking = 20;"), "blanking"},
        {PORT("recover = \"2 s\";"), "recover"},
        {PORT("output_ohm = 0.1;"), "output_ohm"},
        {PORT("connector = \"usb-b\";"), "usb-c"},
        {PORT("attached = 1;"), "attached"},
        {PORT("") " channels = ( { port = 2; } );", "port"},
        {PORT("") " channels = ( { conversion = \"50 ms\"; update = \"20 ms\"; } );", "update"},
        {PORT("") " channels = ( { floor_volts = 2.0; } );", "min_volts"},
        {PORT("") " channels = ( { sense = \"three-wire\"; } );", "four-wire"},
        {PORT("") " places = ( { at = \"attic\"; } );", "transformer"},
        {PORT("") " mains = { volts = 400.0; };", "volts"},
        {PORT("") " colour = \"grey\";", "colour"},
        {"supply = { thermal = { hot_share = 0.9; }; ports = ( { contracts = ( { volts = 5.0; amps = 3.0; } ); } ); };",
         "make 1"},
        {"supply = { shutdown_celsius = 80.0; restart_celsius = 90.0; ports = ( { contracts = ( { volts = 5.0; amps = "
         "3.0; } ); } ); };",
         "shutdown_celsius"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        struct error err = ERROR_INIT;
        struct tree *tree = tree_read_text("bad.cfg", bad[i].text, &err);
        struct world *w = tree ? world_new(tree_root(tree), 1, &err) : NULL;
        if (w && tree_all_taken(tree, &err) == 0)
            fail_msg("accepted: %s", bad[i].text);
        if (!strstr(err.text, bad[i].says) || !strstr(err.text, "bad.cfg:") || err.kind != ERROR_FILE)
            fail_msg("%s\n got: %s", bad[i].text, err.text);
        world_free(w);
        tree_free(tree);
    }
}

static struct world *preset(const char *name)
{
    char path[400];
    struct error err = ERROR_INIT;
    snprintf(path, sizeof path, "%s/profiles/sim/%s.cfg", SOURCE_DIR, name);
    struct tree *tree = tree_read_file(path, &err);
    struct world *w = tree ? world_new(tree_root(tree), 1, &err) : NULL;
    if (!w || tree_all_taken(tree, &err) < 0)
        fail_msg("%s", err.text);
    tree_free(tree);
    return w;
}

static void the_sample_supply_holds_each_contract_at_its_rated_current(void **state)
{
    static const double volts[] = {5.0, 9.0, 12.0, 15.0, 20.0}, amps[] = {3.0, 3.0, 3.0, 3.0, 3.25};
    struct world *w = preset("demo");
    struct world_offer offers[WORLD_CONTRACTS_MAX];
    (void)state;
    pass_s(w, 2.0);
    assert_int_equal(world_offers(w, 0, offers), 5);
    for (size_t i = 0; i < 5; i++) {
        settle_at(w, 0, volts[i]);
        draw(w, 0, amps[i]);
        pass_s(w, 10.0);
        assert_near(truth_of(w, 0).volts, volts[i], 0.05 * volts[i]); /* vSrcNew, USB PD R3.2 Table 4.6, second-hand */
        double most = world_true_capacity(w, 0, 0.95 * volts[i], 1.05 * volts[i], 1000000);
        assert_true(most > 1.05 * amps[i] && most < 1.30 * amps[i]);
        world_load_input(w, 0, false);
        pass_s(w, 0.5);
    }
    world_free(w);
}

static void the_barrel_supply_latches_off_until_its_mains_are_cycled(void **state)
{
    struct world *w = preset("barrel");
    (void)state;
    pass_s(w, 1.0);
    draw(w, 0, 4.5);
    pass_s(w, 1.0);
    assert_true(truth_of(w, 0).latched);
    world_free(w);
}

static void the_foldback_supply_folds(void **state)
{
    struct world *w = preset("foldback");
    (void)state;
    pass_s(w, 1.0);
    draw(w, 0, 7.5);
    pass_s(w, 1.0);
    assert_near(truth_of(w, 0).amps, 1.7, 0.2);
    world_free(w);
}

static void the_tired_supply_misses_its_rating_at_15_volts_only(void **state)
{
    static const double volts[] = {5.0, 9.0, 15.0, 20.0}, amps[] = {3.0, 3.0, 3.0, 2.25};
    struct world *w = preset("tired");
    (void)state;
    for (size_t i = 0; i < 4; i++) {
        settle_at(w, 0, volts[i]);
        double most = world_true_capacity(w, 0, 0.95 * volts[i], 1.05 * volts[i], 1000000);
        assert_true(i == 2 ? most < amps[i] : most >= amps[i]);
    }
    world_free(w);
}

static void a_supply_may_come_from_another_tree(void **state)
{
    struct error err = ERROR_INIT;
    struct tree *supply = tree_read_text("supply.cfg", PORT(""), &err);
    struct tree *rest =
        tree_read_text("rest.cfg", "ambient_celsius = 31.0; mains = { volts = 115.0; on = false; };", &err);
    struct tree_at group;
    (void)state;
    assert_int_equal(tree_need_group(tree_root(supply), "supply", &group, &err), 0);
    struct world *w = world_new_with_supply(group, tree_root(rest), 1, &err);
    assert_non_null(w);
    assert_false(world_mains_is_on(w));
    pass_s(w, 1.0);
    assert_near(world_celsius(w, 1), 31.0, 0.5);
    world_free(w);
    tree_free(supply);
    tree_free(rest);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_broken_world_says_where_and_what_was_expected),
        cmocka_unit_test(the_sample_supply_holds_each_contract_at_its_rated_current),
        cmocka_unit_test(the_barrel_supply_latches_off_until_its_mains_are_cycled),
        cmocka_unit_test(the_foldback_supply_folds),
        cmocka_unit_test(the_tired_supply_misses_its_rating_at_15_volts_only),
        cmocka_unit_test(a_supply_may_come_from_another_tree),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
