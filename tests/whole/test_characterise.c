/* How much more than its rating, how it lets go, and how it comes back: the characterisation from the first order to the verdict. */
#include "tests/whole/with_bench.h"

#define CHARACTERISE_US (3600 * US_PER_S)

/* A port that is asked for its contract, and plain terminals that give 9 V at once. */
static const char asked_label[] = "supply = { name = \"Plain 30\"; total_watts = 30.0; ports = ( { name = \"C1\"; connector = \"usb-c\"; contracts = (\n"
                                  "{ volts = 5.0; amps = 3.0; }, { volts = 9.0; amps = 3.0; } ); } ); };\n";
static const char fixed_label[] = "supply = { name = \"Plain 30\"; total_watts = 30.0; ports = ( { name = \"OUT\"; connector = \"terminals\"; contracts = (\n"
                                  "{ volts = 9.0; amps = 3.0; } ); } ); };\n";

struct sample {
    const char *limit;
    double limit_ratio;
    bool fixed;
    int cable_amps;
};

static const char *world_of(const struct sample *s)
{
    static char text[2048];
    snprintf(text, sizeof text,
             "supply = { name = \"Plain 30\"; budget_watts = 60.0; budget_ratio = 3.0; shutdown_celsius = 300.0; ports = ( { limit = \"%s\"; limit_ratio = %.3f; connector = \"%s\";\n"
             "limit_drift_percent_per_kelvin = 0.0; contracts = ( %s { volts = 9.0; amps = 3.0; } ); } ); };\n"
             "channels = ( { port = 1; } );",
             s->limit, s->limit_ratio, s->fixed ? "fixed" : "usb-c", s->fixed ? "" : "{ volts = 5.0; amps = 3.0; },");
    return text;
}

/* The truth is that of the moment at which the search begins. */
static double truth_amps;

static void note_truth(struct whole *w, const struct mark *mark)
{
    if (mark->kind == MARK_STAGE_BEGIN && strcmp(mark->text, "capacity") == 0)
        truth_amps = world_true_capacity(whole_world(w), 0, 8.55, 9.45, 1500 * US_PER_MS);
}

static struct whole *characterised(const struct sample *s)
{
    const struct whole_setup setup = {.shape = "standard", .baud = 115200, .world_text = world_of(s), .supply_text = s->fixed ? fixed_label : asked_label,
                                      .profile_file = "characterise.cfg", .only_volts = 9.0, .no_selector = s->fixed, .cable_amps = s->cable_amps, .seed = 3};
    struct whole *w = whole_new(&setup);
    truth_amps = NAN;
    w->at_mark = note_truth;
    whole_run(w, CHARACTERISE_US);
    assert_false(whole_conducts(w));
    if (w->end != RUN_DONE)
        whole_print(w);
    assert_int_equal(w->end, RUN_DONE);
    return w;
}

/* ---- each way to give way ---- */

struct way {
    const char *limit;
    bool fixed;
    enum finding_kind how;
    enum rung rung;
};

/* A trigger board dies with the voltage: behind a port that is asked, what hiccups comes back without contract. */
static void each_way_is_named_and_so_is_the_rung_that_worked(void **state)
{
    static const struct way ways[] = {
        {"constant-current", true, FINDING_CONSTANT_CURRENT, RUNG_WAIT},
        {"constant-current", false, FINDING_CONSTANT_CURRENT, RUNG_REQUEST},
        {"foldback", true, FINDING_FOLDBACK, RUNG_WAIT},
        {"constant-power", true, FINDING_CONSTANT_POWER, RUNG_WAIT},
        {"hiccup", true, FINDING_HICCUP, RUNG_WAIT},
        {"hiccup", false, FINDING_HICCUP, RUNG_REQUEST},
        {"latch-off", true, FINDING_LATCH_OFF, RUNG_MAINS},
        {"latch-off", false, FINDING_LATCH_OFF, RUNG_DETACH},
        {"hard-reset", false, FINDING_HARD_RESET, RUNG_REQUEST},
        {"fall-back", false, FINDING_CONTRACT_LOST, RUNG_REQUEST},
    };
    size_t wrong = 0;
    (void)state;
    print_message("table: supply that | is named | came back by | capacity A | truth A | run s\n");
    for (size_t i = 0; i < sizeof ways / sizeof ways[0]; i++) {
        struct whole *w = characterised(&(struct sample){ways[i].limit, 1.15, ways[i].fixed, ways[i].fixed ? 0 : 5});
        const struct judged_contract *c = whole_contract(w, 9.0);
        bool right = c->let_go && c->how == ways[i].how && c->came_back && c->rung == ways[i].rung && c->searched && !c->capped &&
                     fabs(c->capacity_amps - truth_amps) <= c->capacity_u && c->verdict == VERDICT_PASS;
        print_message("table: %s (%s) | %s | %s | %.3f ± %.3f | %.3f | %.0f%s\n", ways[i].limit, ways[i].fixed ? "fixed" : "asked", c->how < FINDING_KINDS ? finding_kind_name(c->how) : "nothing",
                      c->came_back ? rung_name(c->rung) : "nothing", c->capacity_amps, c->capacity_u, truth_amps, whole_seconds(w), right ? "" : " <- wrong");
        wrong += !right;
        if (getenv("SHOW") && (size_t)atoi(getenv("SHOW")) == i)
            whole_print(w);
        whole_free(w);
    }
    assert_int_equal(wrong, 0);
}

/* ---- where the bench is weaker than the supply ---- */

static void what_the_cable_may_carry_caps_the_search_and_is_no_failure(void **state)
{
    (void)state;
    struct whole *w = characterised(&(struct sample){"hiccup", 1.15, false, 3});
    const struct judged_contract *c = whole_contract(w, 9.0);
    assert_true(c->searched && c->capped);
    assert_true(fabs(c->capacity_amps - 3.0) <= c->capacity_u + 0.01);
    assert_int_equal(c->verdict, VERDICT_PASS);
    whole_free(w);
}

static void without_voltage_mode_the_trace_is_walked_in_resistance_mode(void **state)
{
    const struct sample s = {"constant-current", 1.15, true, 0};
    const struct whole_setup setup = {.shape = "standard", .baud = 115200, .world_text = world_of(&s), .supply_text = fixed_label, .profile_file = "characterise.cfg",
                                      .no_selector = true, .no_constant_voltage = true, .seed = 4};
    (void)state;
    struct whole *w = whole_new(&setup);
    whole_run(w, CHARACTERISE_US);
    const struct judged_contract *c = whole_contract(w, 9.0);
    if (w->end != RUN_DONE || c->how != FINDING_CONSTANT_CURRENT)
        whole_print(w);
    assert_int_equal(w->end, RUN_DONE);
    assert_int_equal(c->how, FINDING_CONSTANT_CURRENT);
    assert_false(whole_conducts(w));
    whole_free(w);
}

/* ---- a whole sample ---- */

static void the_sample_is_characterised_in(const char *shape, int baud)
{
    const struct whole_setup setup = {.shape = shape, .baud = baud, .world_file = "demo.cfg", .supply_file = "supply-sample.cfg", .profile_file = "characterise.cfg", .cable_amps = 5, .seed = 5};
    struct whole *w = whole_new(&setup);
    whole_run(w, CHARACTERISE_US);
    assert_false(whole_conducts(w));
    const struct judged_contract *judged;
    size_t count = judge_contracts(w->judge, &judged), good = 0, rechecks = 0;
    for WHOLE_EACH (struct mark, mark, w->marks)
        rechecks += mark->kind == MARK_STAGE_BEGIN && mark->number == 1.0;
    for (size_t i = 0; i < count; i++) {
        const struct judged_contract *c = &judged[i];
        good += c->verdict == VERDICT_PASS && c->searched && !c->capped && c->margin_percent > 5.0 && c->let_go && c->came_back;
        print_message("table: %s, %g V | %s | %.3f ± %.3f A | margin %.1f %% | %s | %s\n", shape, c->rated_volts, verdict_name(c->verdict), c->capacity_amps, c->capacity_u, c->margin_percent,
                      c->how < FINDING_KINDS ? finding_kind_name(c->how) : "nothing", c->came_back ? rung_name(c->rung) : "nothing");
    }
    if (w->end != RUN_DONE || good != 5 || getenv("SHOW"))
        whole_print(w);
    assert_int_equal(w->end, RUN_DONE);
    assert_int_equal(count, 5);
    assert_int_equal(good, 5);
    assert_int_equal(judged[4].how, FINDING_HARD_RESET); /* its trace trips the load's own protection and shows nothing: the search did */
    assert_int_equal(judged[4].rung, RUNG_REQUEST);
    assert_int_equal(rechecks, 2); /* idle and steps of the first contract */
    print_message("figure: characterising five contracts, %s dialect, %d baud: %.0f s of run time\n", shape, baud, whole_seconds(w));
    whole_free(w);
}

static void the_sample_is_characterised_in_the_standard_dialect(void **state)
{
    (void)state;
    the_sample_is_characterised_in("standard", 115200);
}

static void the_sample_is_characterised_in_the_terse_dialect(void **state)
{
    (void)state;
    the_sample_is_characterised_in("terse", 9600);
}

static void the_sample_is_characterised_in_the_late_dialect(void **state)
{
    (void)state;
    the_sample_is_characterised_in("late", 19200);
}

/* What can't give its rated current is said to be so, and nothing above the rating is claimed. */
static void a_contract_below_its_rating_fails_and_the_load_is_off(void **state)
{
    const struct sample s = {"hiccup", 0.95, false, 5};
    const struct whole_setup setup = {.shape = "standard", .baud = 115200, .world_text = world_of(&s), .supply_text = asked_label, .profile_file = "characterise.cfg", .only_volts = 9.0,
                                      .cable_amps = 5, .seed = 6};
    (void)state;
    struct whole *w = whole_new(&setup);
    whole_run(w, CHARACTERISE_US);
    const struct judged_contract *c = whole_contract(w, 9.0);
    assert_int_equal(c->verdict, VERDICT_FAIL);
    assert_true(c->why[0] != '\0');
    assert_false(c->searched && c->capacity_amps > 3.0);
    assert_false(whole_conducts(w));
    whole_free(w);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_the_cable_may_carry_caps_the_search_and_is_no_failure),
        cmocka_unit_test(without_voltage_mode_the_trace_is_walked_in_resistance_mode),
        cmocka_unit_test(the_sample_is_characterised_in_the_standard_dialect),
        cmocka_unit_test(the_sample_is_characterised_in_the_terse_dialect),
        cmocka_unit_test(the_sample_is_characterised_in_the_late_dialect),
        cmocka_unit_test(a_contract_below_its_rating_fails_and_the_load_is_off),
        cmocka_unit_test(each_way_is_named_and_so_is_the_rung_that_worked),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
