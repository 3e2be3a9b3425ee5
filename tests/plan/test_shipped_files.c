/* The example files under profiles/: they read, they fit together, and no part of one can crash a reader. */
#include "daemon/plan/plan.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* libconfig 1.5 forgets to free a text that stands before a syntax error; the leak sanitizer asks for this function. */
const char *__lsan_default_suppressions(void);
const char *__lsan_default_suppressions(void)
{
    return "leak:strbuf_append";
}

static struct bench_plan bench;
static struct supply_plan supply;
static struct profile_plan profile;
static struct test_plan plan;

static struct tree *shipped(const char *name)
{
    char path[400];
    struct error err = ERROR_INIT;
    snprintf(path, sizeof path, "%s/profiles/%s", SOURCE_DIR, name);
    struct tree *tree = tree_read_file(path, &err);
    if (!tree)
        fail_msg("%s", err.text);
    return tree;
}

static int join(const char *bench_name, const char *supply_name, const char *profile_name, struct error *err)
{
    struct tree *b = shipped(bench_name), *s = shipped(supply_name), *p = shipped(profile_name);
    if (bench_plan_read(b, &bench, err) < 0 || supply_plan_read(s, &supply, err) < 0 || profile_plan_read(p, &profile, err) < 0)
        fail_msg("%s", err->text);
    tree_free(b);
    tree_free(s);
    tree_free(p);
    test_plan_make(&bench, &supply, &profile, &plan);
    return plan_check(&plan, err);
}

static void every_shipped_profile_may_run_with_every_shipped_supply_on_the_demo_bench(void **state)
{
    static const char *const supplies[] = {"supply-sample.cfg", "supply-barrel.cfg"}, *const profiles[] = {"check.cfg", "characterise.cfg"};
    (void)state;
    for (size_t s = 0; s < 2; s++)
        for (size_t p = 0; p < 2; p++) {
            struct error err = ERROR_INIT;
            static struct plan_remark remarks[8];
            if (join("bench-demo.cfg", supplies[s], profiles[p], &err) < 0)
                fail_msg("%s", err.text);
            assert_int_equal(plan_remarks(&plan, remarks, 8), 0);
        }
}

static void the_example_bench_with_its_3_amps_cable_takes_the_brick_and_refuses_3_25_amps(void **state)
{
    struct error err = ERROR_INIT;
    (void)state;
    assert_int_equal(join("bench-example.cfg", "supply-barrel.cfg", "check.cfg", &err), 0);
    assert_int_equal(join("bench-example.cfg", "supply-sample.cfg", "check.cfg", &err), -1);
    assert_int_equal(err.kind, ERROR_RATING);
    assert_non_null(strstr(err.text, "allowed 3.000 A (cable_amps of seat \"A\", the marking of its cable"));
}

/* Two minutes for five contracts is what a check may take. */
static void the_check_of_five_contracts_is_estimated_below_two_minutes(void **state)
{
    struct error err = ERROR_INIT;
    (void)state;
    assert_int_equal(join("bench-demo.cfg", "supply-sample.cfg", "check.cfg", &err), 0);
    assert_int_equal(plan.supply.ports[0].contracts_len, 5);
    assert_true(plan_estimate_us(&plan) < 120LL * 1000000);
    assert_true(plan_estimate_us(&plan) > 5 * 15LL * 1000000);
}

static void the_check_overloads_nothing_and_the_characterisation_checks_before_it_searches(void **state)
{
    struct error err = ERROR_INIT;
    size_t first_search = 0;
    (void)state;
    assert_int_equal(join("bench-demo.cfg", "supply-sample.cfg", "check.cfg", &err), 0);
    assert_int_equal(profile.each, EACH_CONTRACT);
    for (size_t i = 0; i < profile.stages_len; i++) {
        assert_true(profile.stages[i].kind == STAGE_IDLE || profile.stages[i].kind == STAGE_STEP || profile.stages[i].kind == STAGE_HOLD);
        for (size_t f = 0; f < profile.stages[i].fractions_len; f++)
            assert_true(profile.stages[i].fractions[f] <= 1.0);
    }
    assert_int_equal(join("bench-demo.cfg", "supply-sample.cfg", "characterise.cfg", &err), 0);
    assert_true(profile.each == EACH_STAGE && profile.recheck_first);
    while (profile.stages[first_search].kind != STAGE_CAPACITY)
        first_search++;
    assert_true(first_search >= 3 && profile.stages[first_search - 1].kind == STAGE_HOLD);
}

/* ---- files cut at every byte ---- */

static void read_any(int which, struct tree *tree)
{
    struct error err = ERROR_INIT;
    int result = which == 0 ? bench_plan_read(tree, &bench, &err) : which == 1 ? supply_plan_read(tree, &supply, &err) : profile_plan_read(tree, &profile, &err);
    assert_true(result == 0 || (err.kind == ERROR_FILE && err.text[0]));
}

static void a_file_cut_at_any_byte_is_refused_or_read_and_never_crashes(void **state)
{
    static const struct {
        const char *name;
        int which;
    } files[] = {{"bench-demo.cfg", 0},   {"bench-example.cfg", 0}, {"supply-sample.cfg", 1},
                 {"supply-barrel.cfg", 1}, {"check.cfg", 2},         {"characterise.cfg", 2}};
    (void)state;
    for (size_t i = 0; i < sizeof files / sizeof files[0]; i++) {
        struct tree *whole = shipped(files[i].name);
        size_t len = strlen(tree_text(whole));
        for (size_t cut = 0; cut < len; cut++) {
            struct error err = ERROR_INIT;
            char *text = strndup(tree_text(whole), cut); /* of its own, so that a byte read behind it is seen */
            struct tree *tree = tree_read_text("cut.cfg", text, &err);
            if (tree)
                read_any(files[i].which, tree);
            else
                assert_true(err.kind == ERROR_FILE && strncmp(err.text, "cut.cfg:", 8) == 0);
            tree_free(tree);
            free(text);
        }
        tree_free(whole);
    }
}

static void a_file_with_any_byte_changed_never_crashes_a_reader(void **state)
{
    const char *given = getenv("BRUNT_TEST_SEED");
    unsigned seed = given ? (unsigned)strtoul(given, NULL, 10) : 20261125u;
    struct tree *whole = shipped("supply-sample.cfg");
    size_t len = strlen(tree_text(whole));
    (void)state;
    print_message("seed %u (BRUNT_TEST_SEED sets it)\n", seed);
    for (size_t at = 0; at < len; at++) {
        struct error err = ERROR_INIT;
        char *text = strdup(tree_text(whole));
        seed = seed * 1664525u + 1013904223u;
        text[at] = (char)(1 + (seed >> 16) % 255);
        struct tree *tree = tree_read_text("changed.cfg", text, &err);
        if (tree)
            read_any(1, tree);
        else
            assert_int_equal(err.kind, ERROR_FILE);
        tree_free(tree);
        free(text);
    }
    tree_free(whole);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_shipped_profile_may_run_with_every_shipped_supply_on_the_demo_bench),
        cmocka_unit_test(the_example_bench_with_its_3_amps_cable_takes_the_brick_and_refuses_3_25_amps),
        cmocka_unit_test(the_check_of_five_contracts_is_estimated_below_two_minutes),
        cmocka_unit_test(the_check_overloads_nothing_and_the_characterisation_checks_before_it_searches),
        cmocka_unit_test(a_file_cut_at_any_byte_is_refused_or_read_and_never_crashes),
        cmocka_unit_test(a_file_with_any_byte_changed_never_crashes_a_reader),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
