/* Good files: what comes out of them, defaults, limits, joining. */
#include "with_files.h"

#include <jansson.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>
#include <stdio.h>
#include <string.h>

static struct test_plan plan;

static void read_good(void)
{
    struct files files;
    struct error err = ERROR_INIT;
    files_good(&files);
    if (files_read(&files, &plan, &err) < 0)
        fail_msg("%s", err.text);
}

static void a_bench_file_is_read_into_its_fields(void **state)
{
    (void)state;
    read_good();
    const struct bench_instrument *load = &plan.bench.instruments[0];
    assert_int_equal(plan.bench.instruments_len, 4);
    assert_string_equal(load->name, "load1");
    assert_int_equal(load->link, LINK_SERIAL);
    assert_string_equal(load->address, "/dev/ttyS1");
    assert_int_equal(load->line.baud, 115200);
    assert_int_equal(load->channels, 2);
    assert_int_equal(load->communications_timeout_us, 5000000);
    assert_float_equal(load->max_watts, 150.0, 0.0);
    assert_float_equal(load->volts.percent_of_reading, 0.05, 0.0);
    assert_float_equal(load->volts.range, 60.0, 0.0); /* by default the rating */
    assert_float_equal(load->amps.range, 10.0, 0.0);
    assert_true(load->constant_voltage_mode && !load->constant_resistance_mode);
    assert_string_equal(load->calibrated, "2026-05-01");
    assert_string_equal(plan.bench.instruments[1].address, "localhost:5025");
    assert_string_equal(plan.bench.instruments[2].address, "mains1");
    assert_int_equal(plan.bench.mains, 2);
    assert_true(plan.bench.hardware_cutoff);
    assert_int_equal(plan.bench.seats[0].selector, 1);
    assert_int_equal(plan.bench.seats[0].lead.sense, SENSE_FOUR_WIRE);
    assert_float_equal(plan.bench.seats[0].cable_amps, 5.0, 0.0);
    assert_true(plan.bench.probes[1].live && plan.bench.probes[1].channel == 2);
    assert_string_equal(plan.bench.file, "bench.cfg");
    assert_int_equal(load->line_no, 5);
}

static void a_pty_path_is_looked_up_beside_the_bench_file(void **state)
{
    static const struct {
        const char *file, *link, *want;
    } rows[] = {
        {"/run/demo/bench.cfg", "pty:./load1", "/run/demo/load1"}, {"/run/demo/bench.cfg", "pty:load1", "/run/demo/load1"},
        {"bench.cfg", "pty:./load1", "./load1"},                   {"demo/bench.cfg", "pty:./a/b", "demo/a/b"},
        {"/run/demo/bench.cfg", "pty:/dev/pts/7", "/dev/pts/7"},   {"/bench.cfg", "pty:./load1", "/load1"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct files files;
        struct error err = ERROR_INIT;
        static struct bench_plan bench;
        files_good(&files);
        files_spoil(&files, FILE_BENCH, "pty:./thermo1", rows[i].link);
        struct tree *tree = tree_read_text(rows[i].file, files.text[FILE_BENCH], &err);
        assert_non_null(tree);
        assert_int_equal(bench_plan_read(tree, &bench, &err), 0);
        assert_string_equal(bench.instruments[3].address, rows[i].want);
        tree_free(tree);
    }
}

static void a_profile_is_read_into_its_fields(void **state)
{
    (void)state;
    read_good();
    const struct profile_plan *profile = &plan.profile;
    assert_int_equal(profile->stages_len, 8);
    assert_int_equal(profile->on_trip, ON_TRIP_RELOAD);
    assert_int_equal(profile->watch_us, 60000000);
    assert_int_equal(profile->reload_max, 2);
    assert_int_equal(profile->sample_period_us, 100000);
    assert_true(profile->recheck_first && profile->each == EACH_CONTRACT);
    assert_int_equal(profile->stages[0].settle_us, 500000);
    assert_int_equal(profile->stages[1].settle_us, 750000); /* a quarter of the dwell */
    assert_int_equal(profile->stages[1].fractions_len, 3);
    assert_float_equal(profile->stages[1].fractions[1], 0.5, 1e-12);
    assert_float_equal(profile->stages[2].fractions[1], 1.05, 1e-12);
    assert_string_equal(profile->stages[3].name, "rated");
    assert_string_equal(profile->stages[7].name, "soak");
    assert_int_equal(profile->stages[4].trips_max, 3);
    assert_float_equal(profile->stages[4].resolution_fraction, 0.01, 1e-12);
    assert_float_equal(profile->stages[5].trace_from, 0.95, 1e-12);
    assert_int_equal(profile->stages[5].trace_points, 10);
    assert_int_equal(profile->stages[6].rungs, 1u << RUNG_WAIT | 1u << RUNG_REQUEST | 1u << RUNG_DETACH | 1u << RUNG_MAINS);
    assert_int_equal(profile->stages[7].dwell_us, 9000LL * 1000000);
}

static void what_a_profile_leaves_out_has_its_default(void **state)
{
    static struct profile_plan profile;
    struct error err = ERROR_INIT;
    struct tree *tree = tree_read_text("p.cfg",
                                       "profile = { name = \"p\"; stages = ( { kind = \"capacity\"; dwell = \"1 s\"; }, { kind = \"trace\"; dwell "
                                       "= \"1 s\"; }, { kind = \"recover\"; } ); };",
                                       &err);
    (void)state;
    assert_int_equal(profile_plan_read(tree, &profile, &err), 0);
    tree_free(tree);
    assert_int_equal(profile.on_trip, ON_TRIP_STOP);
    assert_int_equal(profile.each, EACH_CONTRACT);
    assert_int_equal(profile.tolerate_silence_us, 1000000);
    assert_int_equal(profile.select_timeout_us, 2000000);
    assert_int_equal(profile.sample_period_us, 0);
    assert_float_equal(profile.over_volts_percent, 20.0, 0.0);
    assert_float_equal(profile.stages[0].cap_fraction, 1.5, 0.0);
    assert_float_equal(profile.stages[0].resolution_fraction, 0.01, 1e-12);
    assert_float_equal(profile.stages[1].trace_from, 0.95, 1e-12);
    assert_float_equal(profile.stages[1].trace_to, 0.20, 1e-12);
    assert_int_equal(profile.stages[2].rungs, (1u << RUNGS) - 1);
}

/* ---- published windows and offers ---- */

/* vSrcNew, USB PD R3.2 V1.2 table 4.6 (R3.1: table 7-23), second-hand: 0.95 to 1.05 of the object's voltage at the receptacle. */
static void the_default_window_of_a_usb_c_contract_is_that_of_a_fixed_source(void **state)
{
    static const double rows[][3] = {{5, 4.75, 5.25},      {9, 8.55, 9.45},       {12, 11.4, 12.6},  {15, 14.25, 15.75},
                                     {20, 19.0, 21.0},     {28, 26.6, 29.4},      {36, 34.2, 37.8},  {48, 45.6, 50.4}};
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        static struct supply_plan supply;
        struct error err = ERROR_INIT;
        char text[300];
        snprintf(text, sizeof text,
                 "supply = { name = \"s\"; total_watts = 240.0; ports = ( { name = \"C1\"; connector = \"usb-c\"; contracts = ( { volts = %.1f; "
                 "amps = 1.0; } ); } ); };",
                 rows[i][0]);
        struct tree *tree = tree_read_text("s.cfg", text, &err);
        assert_int_equal(supply_plan_read(tree, &supply, &err), 0);
        tree_free(tree);
        assert_float_equal(supply.ports[0].contracts[0].low_volts, rows[i][1], 1e-9);
        assert_float_equal(supply.ports[0].contracts[0].high_volts, rows[i][2], 1e-9);
    }
}

/* USB PD power rules, normative fixed voltages (second-hand; the rows above 100 W from memory). */
static void the_power_rules_give_the_published_offers(void **state)
{
    static const struct {
        double watts;
        size_t len;
        double last_volts, last_amps;
    } rows[] = {
        {10, 1, 5, 2.0},    {15, 1, 5, 3.0},     {18, 2, 9, 2.0},    {20, 2, 9, 2.222},  {27, 2, 9, 3.0},   {30, 3, 15, 2.0},
        {36, 3, 15, 2.4},   {45, 3, 15, 3.0},    {50, 4, 20, 2.5},   {60, 4, 20, 3.0},   {65, 4, 20, 3.25}, {100, 4, 20, 5.0},
        {120, 5, 28, 4.2857}, {140, 5, 28, 5.0}, {160, 6, 36, 4.4444}, {180, 6, 36, 5.0}, {200, 7, 48, 4.1667}, {240, 7, 48, 5.0},
    };
    struct power_offer offers[POWER_OFFERS_MAX];
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        size_t len = plan_power_rule(rows[i].watts, offers);
        assert_int_equal(len, rows[i].len);
        assert_float_equal(offers[len - 1].volts, rows[i].last_volts, 0.0);
        assert_float_equal(offers[len - 1].amps, rows[i].last_amps, 0.0005);
        for (size_t below = 0; below + 1 < len; below++) /* "3 A" at 5, 9, 15 V; 5 A at 20 V and above where a higher voltage follows */
            assert_float_equal(offers[below].amps, offers[below].volts < 20.0 ? 3.0 : 5.0, 0.0);
    }
    assert_int_equal(plan_power_rule(0.4, offers), 0);
    assert_int_equal(plan_power_rule(241.0, offers), 0);
    assert_int_equal(plan_power_rule(NAN, offers), 0);
}

static void a_label_that_skips_a_normative_voltage_gets_a_remark_and_no_refusal(void **state)
{
    static struct plan_remark remarks[8];
    struct error err = ERROR_INIT;
    (void)state;
    read_good(); /* 65 W without 15 V; port C2, 12 W, with the 2.4 A that the rule wants */
    assert_int_equal(plan_check(&plan, &err), 0);
    assert_int_equal(plan_remarks(&plan, remarks, 8), 1);
    assert_int_equal(remarks[0].kind, ERROR_NONE);
    assert_non_null(strstr(remarks[0].text, "supply.cfg:5: port \"C1\" offers 65.0 W but not 15 V, expected 3.000 A there (USB PD power rules)"));
}

static void plan_remarks_names_every_refusal_and_plan_check_the_first(void **state)
{
    static struct plan_remark remarks[4];
    struct error err = ERROR_INIT;
    (void)state;
    read_good();
    plan.bench.seats[0].cable_amps = 3.0;
    plan.bench.instruments[0].constant_voltage_mode = false;
    size_t len = plan_remarks(&plan, remarks, 4);
    assert_true(len > 4); /* more than there was room for: counted, not written */
    assert_int_equal(plan_check(&plan, &err), -1);
    assert_string_equal(err.text, remarks[0].text);
    assert_int_equal(plan_remarks(&plan, NULL, 0), len);
}

/* ---- limits ---- */

static void the_cap_is_the_least_of_all_limits_and_says_which(void **state)
{
    char from[200];
    (void)state;
    read_good();
    assert_float_equal(plan_cap_amps(&plan, 0, 0, 1.5, from, sizeof from), 4.5, 1e-9);
    assert_non_null(strstr(from, "cap_percent 150 % of rated 3.00 A, profile file"));
    assert_float_equal(plan_cap_amps(&plan, 0, 0, 0.0, from, sizeof from), 5.0, 1e-9);
    assert_non_null(strstr(from, "cable_amps of seat \"A\""));
    plan.bench.instruments[0].max_watts = 63.0;
    assert_float_equal(plan_cap_amps(&plan, 0, 2, 1.5, from, sizeof from), 3.0, 1e-9);
    assert_non_null(strstr(from, "max_watts 63.0 W of load1 at up to 21.00 V"));
    plan.bench.seats[0].lead.max_amps = 1.0;
    assert_float_equal(plan_cap_amps(&plan, 0, 2, 1.5, from, sizeof from), 1.0, 1e-9);
    assert_non_null(strstr(from, "max_amps of the lead of seat \"A\", bench file line 20"));
    assert_float_equal(plan_cap_amps(&plan, 0, 2, 1.5, NULL, 0), 1.0, 1e-9);
}

static void nothing_may_be_drawn_from_a_port_that_sits_nowhere(void **state)
{
    char from[200];
    (void)state;
    read_good();
    assert_int_equal(plan_seat_of_port(&plan, 1), -1);
    assert_float_equal(plan_cap_amps(&plan, 1, 0, 1.5, from, sizeof from), 0.0, 0.0);
    assert_float_equal(plan_cap_amps(&plan, 0, 15, 1.5, from, sizeof from), 0.0, 0.0);
    assert_float_equal(plan_cap_amps(&plan, -1, 0, 1.5, from, sizeof from), 0.0, 0.0);
}

/* 1.05 times 3 A is a little more than 3.15 A in binary: no reason to refuse a lead of 3.15 A. */
static void a_limit_that_is_just_met_is_met(void **state)
{
    struct error err = ERROR_INIT;
    (void)state;
    read_good();
    for (int i = 1; i < CONTRACTS_MAX; i++)
        plan.contract_chosen[0][i] = false;
    plan.bench.seats[0].lead.max_amps = 3.15;
    assert_int_equal(plan_check(&plan, &err), 0);
    plan.bench.seats[0].lead.max_amps = 3.1499;
    assert_int_equal(plan_check(&plan, &err), -1);
    plan.bench.seats[0].lead.max_amps = NAN;
    assert_int_equal(plan_check(&plan, &err), -1);
}

static void a_plan_without_a_chosen_contract_or_with_a_port_in_two_seats_is_refused(void **state)
{
    struct error err = ERROR_INIT;
    (void)state;
    read_good();
    memset(plan.contract_chosen, 0, sizeof plan.contract_chosen);
    assert_int_equal(plan_check(&plan, &err), -1);
    assert_non_null(strstr(err.text, "no contract is chosen"));
    read_good();
    plan.contract_chosen[1][0] = true;
    assert_int_equal(plan_check(&plan, &err), -1);
    assert_non_null(strstr(err.text, "supply.cfg:9: port \"C2\" is to be tested and sits in no seat"));
    read_good();
    plan.bench.seats[1] = plan.bench.seats[0];
    plan.bench.seats_len = 2;
    plan.port_of_seat[1] = 0;
    assert_int_equal(plan_check(&plan, &err), -1);
    assert_non_null(strstr(err.text, "port \"C1\" sits in two seats, allowed one"));
    plan.port_of_seat[1] = 7;
    assert_int_equal(plan_check(&plan, &err), -1);
    assert_non_null(strstr(err.text, "holds port number 7, allowed 0 to 1"));
}

static void a_bench_whose_operator_selects_gets_time_and_fewer_rungs(void **state)
{
    static struct test_plan joined;
    (void)state;
    read_good();
    plan.bench.seats[0].selector = -1;
    plan.bench.mains = -1;
    plan.profile.select_timeout_stated = false;
    plan.profile.stages[6].rungs_stated = false;
    test_plan_make(&plan.bench, &plan.supply, &plan.profile, &joined);
    assert_int_equal(joined.profile.select_timeout_us, 300LL * 1000000);
    assert_int_equal(joined.profile.stages[6].rungs, 1u << RUNG_WAIT | 1u << RUNG_REQUEST | 1u << RUNG_OPERATOR);
}

static void the_estimate_counts_each_chosen_contract_and_the_recheck(void **state)
{
    (void)state;
    read_good();
    int64_t three = plan_estimate_us(&plan);
    plan.contract_chosen[0][1] = plan.contract_chosen[0][2] = false;
    int64_t one = plan_estimate_us(&plan);
    plan.profile.recheck_first = false;
    int64_t bare = plan_estimate_us(&plan);
    assert_true(three > 3 * 9000LL * 1000000 && three < 4 * 9000LL * 1000000);
    assert_true(one > bare && bare > 9000LL * 1000000);
    assert_true(three > one + 2 * 9000LL * 1000000);
    memset(plan.contract_chosen, 0, sizeof plan.contract_chosen);
    assert_int_equal(plan_estimate_us(&plan), 0);
}

static void every_enum_has_a_word(void **state)
{
    (void)state;
    for (unsigned i = 0; i < ROLES; i++)
        assert_string_not_equal(instrument_role_name(i), "unknown");
    for (unsigned i = 0; i < LINK_KINDS; i++)
        assert_string_not_equal(link_kind_name(i), "unknown");
    for (unsigned i = 0; i < CONNECTORS; i++)
        assert_string_not_equal(connector_name(i), "unknown");
    for (unsigned i = 0; i < STAGE_KINDS; i++)
        assert_string_not_equal(stage_kind_name(i), "unknown");
    for (unsigned i = 0; i < ON_TRIPS; i++)
        assert_string_not_equal(on_trip_name(i), "unknown");
    assert_string_equal(stage_kind_name(STAGE_KINDS), "unknown");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_bench_file_is_read_into_its_fields),
        cmocka_unit_test(a_pty_path_is_looked_up_beside_the_bench_file),
        cmocka_unit_test(a_profile_is_read_into_its_fields),
        cmocka_unit_test(what_a_profile_leaves_out_has_its_default),
        cmocka_unit_test(the_default_window_of_a_usb_c_contract_is_that_of_a_fixed_source),
        cmocka_unit_test(the_power_rules_give_the_published_offers),
        cmocka_unit_test(a_label_that_skips_a_normative_voltage_gets_a_remark_and_no_refusal),
        cmocka_unit_test(plan_remarks_names_every_refusal_and_plan_check_the_first),
        cmocka_unit_test(the_cap_is_the_least_of_all_limits_and_says_which),
        cmocka_unit_test(nothing_may_be_drawn_from_a_port_that_sits_nowhere),
        cmocka_unit_test(a_limit_that_is_just_met_is_met),
        cmocka_unit_test(a_plan_without_a_chosen_contract_or_with_a_port_in_two_seats_is_refused),
        cmocka_unit_test(a_bench_whose_operator_selects_gets_time_and_fewer_rungs),
        cmocka_unit_test(the_estimate_counts_each_chosen_contract_and_the_recheck),
        cmocka_unit_test(every_enum_has_a_word),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
