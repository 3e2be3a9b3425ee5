#include "client/judge/judge.h"
#include "client/report/report.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

enum { PORT = 0 };

static struct test_plan plan;

/* One port, one contract; accuracy in volts and amps as percent of reading and of range. */
static struct judge *begin(double volts, double amps, struct accuracy of_volts, struct accuracy of_amps)
{
    memset(&plan, 0, sizeof plan);
    plan.supply.ports_len = 1;
    strcpy(plan.supply.ports[0].name, "C1");
    plan.supply.ports[0].contracts_len = 1;
    plan.supply.ports[0].contracts[0] = (struct supply_contract){.volts = volts, .amps = amps, .low_volts = 0.95 * volts, .high_volts = 1.05 * volts};
    plan.supply.max_no_load_percent = 5.0;
    plan.bench.instruments_len = 1;
    plan.bench.instruments[0].role = ROLE_LOAD;
    plan.bench.instruments[0].volts = of_volts;
    plan.bench.instruments[0].amps = of_amps;
    plan.bench.seats_len = 1;
    plan.bench.seats[0].selector = -1;
    for (int i = 0; i < PORTS_MAX; i++)
        plan.port_of_seat[i] = i == 0 ? 0 : -1;
    plan.contract_chosen[0][0] = true;
    return judge_new(&plan, NULL);
}

static void mark(struct judge *judge, enum mark_kind kind, int64_t from_ms, int64_t at_ms, double set_point, double number, bool held)
{
    struct mark m = {.kind = kind, .from_us = from_ms * 1000, .at_us = at_ms * 1000, .port = PORT, .contract = 0, .set_point = set_point, .number = number, .held = held};
    judge_mark(judge, &m);
}

static void read_window(struct judge *judge, int64_t from_ms, int64_t at_ms, double volts, double amps)
{
    for (int64_t ms = from_ms + 10; ms <= at_ms; ms += 10) {
        struct reading r = {.at_us = ms * 1000, .asked_us = ms * 1000 - 5000, .port = PORT, .volts = volts, .amps = amps};
        judge_reading(judge, &r);
    }
}

static const struct judged_contract *only(struct judge *judge)
{
    const struct judged_contract *contracts;
    assert_int_equal(judge_contracts(judge, &contracts), 1);
    return &contracts[0];
}

static const struct accuracy exact = {0, 0, 0};

/* Load regulation and output resistance: 5.10 V at 0 A, 4.95 V at 3 A: 3.0000 % (5 V basis), R_out 50.0 mohm. Textbook definitions, from memory; numbers computed. */
static void regulation_and_output_resistance_come_out_as_the_textbook_says(void **state)
{
    (void)state;
    struct judge *judge = begin(5.0, 3.0, exact, exact);
    mark(judge, MARK_CONTRACT, 0, 100, NAN, 0.1, true);
    mark(judge, MARK_IDLE, 100, 200, 0, 0, true);
    mark(judge, MARK_POINT, 200, 300, 0.75, 0.25, true);
    mark(judge, MARK_POINT, 300, 400, 3.0, 1.0, true);
    read_window(judge, 100, 200, 5.10, 0.0);
    read_window(judge, 200, 300, 5.10 - 0.05 * 0.75, 0.75);
    read_window(judge, 300, 400, 4.95, 3.0);
    judge_end(judge, "done");
    const struct judged_contract *c = only(judge);
    assert_float_equal(c->regulation_percent, 3.0, 1e-9);
    assert_float_equal(-c->fit.slope, 0.050, 1e-9);
    assert_float_equal(c->fit.intercept, 5.10, 1e-9);
    assert_int_equal(c->verdict, VERDICT_PASS);
    judge_free(judge);
}

/* Decision rule with guard band w = U, ILAC-G8:09/2019 4.2: 5 V fixed, lower limit 4.75 V, U = 0.030 V: 4.781 pass, 4.760 conditional pass, 4.740 conditional fail, 4.719 fail.
 * U = 2 a / sqrt 3, so a = 0.030 sqrt 3 / 2. */
static void the_four_outcomes_of_the_published_rule_come_out(void **state)
{
    static const struct {
        double volts;
        enum verdict want;
    } rows[] = {{4.781, VERDICT_PASS}, {4.760, VERDICT_CONDITIONAL_PASS}, {4.740, VERDICT_CONDITIONAL_FAIL}, {4.719, VERDICT_FAIL}};
    const struct accuracy a = {0, 100.0, 0.030 * sqrt(3.0) / 2.0};
    (void)state;
    for (size_t i = 0; i < 4; i++) {
        struct judge *judge = begin(5.0, 3.0, a, exact);
        mark(judge, MARK_CONTRACT, 0, 100, NAN, 0.1, true);
        mark(judge, MARK_POINT, 100, 200, 3.0, 1.0, true);
        read_window(judge, 100, 200, rows[i].volts, 3.0);
        judge_end(judge, "done");
        assert_float_equal(only(judge)->rated.volts_u, 0.030, 1e-9);
        assert_int_equal(only(judge)->verdict, rows[i].want);
        assert_int_equal(only(judge)->why[0] == '\0', rows[i].want == VERDICT_PASS);
        judge_free(judge);
    }
}

/* JCGM 100:2008 4.3.7 (from memory): V = 20.050 V at 0.05 % of reading and 0.02 % of 60 V: a = 0.022025 V, u = 0.012716 V; I = 3.2500 A at 0.10 % and 0.05 % of 10 A: u = 0.004763 A. */
static void the_uncertainty_is_that_of_the_worked_example(void **state)
{
    (void)state;
    struct judge *judge = begin(20.0, 3.25, (struct accuracy){0.05, 0.02, 60.0}, (struct accuracy){0.10, 0.05, 10.0});
    mark(judge, MARK_CONTRACT, 0, 100, NAN, 0.1, true);
    mark(judge, MARK_POINT, 100, 200, 3.25, 1.0, true);
    read_window(judge, 100, 200, 20.050, 3.25);
    judge_end(judge, "done");
    assert_float_equal(only(judge)->rated.volts_u, 2 * 0.012716, 2e-6);
    assert_float_equal(only(judge)->rated.amps_u, 2 * 0.004763, 2e-6);
    judge_free(judge);
}

static void the_capacity_lies_between_the_last_good_and_the_first_bad_step(void **state)
{
    (void)state;
    struct judge *judge = begin(9.0, 3.0, exact, (struct accuracy){0, 100.0, 0.01});
    mark(judge, MARK_CONTRACT, 0, 100, NAN, 0.1, true);
    mark(judge, MARK_POINT, 100, 200, 3.0, 1.0, true);
    mark(judge, MARK_TRIED, 200, 300, 3.50, NAN, true);
    mark(judge, MARK_TRIED, 300, 310, 3.53, NAN, false);
    mark(judge, MARK_CAPACITY, 200, 310, 3.53, 3.50, true);
    read_window(judge, 100, 200, 8.9, 3.0);
    read_window(judge, 200, 300, 8.8, 3.51); /* the load sinks 10 mA more than its set-point says */
    judge_end(judge, "done");
    const struct judged_contract *c = only(judge);
    assert_false(c->capped);
    assert_float_equal(c->capacity_amps, 3.525, 1e-9);
    assert_float_equal(c->capacity_u, 0.015 + 2 * 0.01 / sqrt(3.0), 1e-9);
    assert_float_equal(c->margin_percent, 17.5, 1e-6);
    judge_free(judge);
}

static void a_cap_that_came_first_is_a_lower_bound_and_no_failure(void **state)
{
    (void)state;
    struct judge *judge = begin(9.0, 3.0, exact, exact);
    mark(judge, MARK_CONTRACT, 0, 100, NAN, 0.1, true);
    mark(judge, MARK_POINT, 100, 200, 3.0, 1.0, true);
    mark(judge, MARK_TRIED, 200, 300, 5.0, NAN, true);
    mark(judge, MARK_CAPACITY, 200, 300, NAN, 5.0, true);
    read_window(judge, 100, 200, 8.9, 3.0);
    read_window(judge, 200, 300, 8.7, 5.0);
    judge_end(judge, "done");
    assert_true(only(judge)->capped);
    assert_int_equal(judge_verdict(judge), VERDICT_PASS);
    judge_free(judge);
}

static void a_contract_that_the_supply_never_gave_fails(void **state)
{
    (void)state;
    struct judge *judge = begin(12.0, 3.0, exact, exact);
    mark(judge, MARK_CONTRACT, 0, 2000, NAN, NAN, false);
    judge_end(judge, "done");
    assert_int_equal(judge_verdict(judge), VERDICT_FAIL);
    judge_free(judge);
}

static void a_run_that_was_stopped_passes_nothing_that_it_did_not_measure(void **state)
{
    (void)state;
    struct judge *judge = begin(12.0, 3.0, exact, exact);
    judge_end(judge, "stopped");
    assert_int_equal(judge_verdict(judge), VERDICT_NONE);
    judge_free(judge);
    judge = begin(12.0, 3.0, exact, exact); /* half the steps are no pass either */
    mark(judge, MARK_CONTRACT, 0, 100, NAN, 0.1, true);
    mark(judge, MARK_POINT, 100, 200, 1.5, 0.5, true);
    read_window(judge, 100, 200, 12.0, 1.5);
    judge_end(judge, "stopped");
    assert_int_equal(judge_verdict(judge), VERDICT_NONE);
    judge_free(judge);
}

static void a_shutdown_below_the_rating_fails_with_the_findings_own_sentence(void **state)
{
    struct finding f = {.kind = FINDING_SHUTDOWN, .severity = SEVERITY_TRIP, .port = PORT, .contract = 0, .text = "the output went away at 2.9 A"};
    (void)state;
    struct judge *judge = begin(12.0, 3.0, exact, exact);
    mark(judge, MARK_CONTRACT, 0, 100, NAN, 0.1, true);
    mark(judge, MARK_POINT, 100, 200, 2.25, 0.75, true);
    judge_finding(judge, &f);
    read_window(judge, 100, 200, 11.9, 2.25);
    judge_end(judge, "done");
    assert_int_equal(judge_verdict(judge), VERDICT_FAIL);
    assert_string_equal(only(judge)->why, "the output went away at 2.9 A; 2.25 A were held before, 3.00 A are on the label");
    judge_free(judge);
}

static void readings_that_are_not_trusted_or_asked_before_the_window_change_nothing(void **state)
{
    (void)state;
    struct judge *judge = begin(5.0, 3.0, exact, exact);
    mark(judge, MARK_CONTRACT, 0, 100, NAN, 0.1, true);
    mark(judge, MARK_POINT, 100, 200, 3.0, 1.0, true);
    struct reading early = {.at_us = 101000, .asked_us = 99000, .port = PORT, .volts = 1.0, .amps = 0.0};
    struct reading nan = {.at_us = 150000, .asked_us = 149000, .port = PORT, .volts = NAN, .amps = NAN, .quality = QUALITY_NAN};
    struct reading late = {.at_us = 151000, .asked_us = 150000, .port = PORT, .volts = 1.0, .amps = 0.0, .quality = QUALITY_LATE};
    judge_reading(judge, &early);
    judge_reading(judge, &nan);
    judge_reading(judge, &late);
    read_window(judge, 151, 200, 4.9, 3.0);
    judge_end(judge, "done");
    assert_float_equal(only(judge)->rated.volts, 4.9, 1e-12);
    judge_free(judge);
}

static void a_measurement_too_coarse_for_the_tolerance_is_marked_weak(void **state)
{
    (void)state;
    struct judge *judge = begin(5.0, 3.0, (struct accuracy){0, 100.0, 0.10}, exact); /* U = 0.115 V against 0.25 V */
    mark(judge, MARK_CONTRACT, 0, 100, NAN, 0.1, true);
    mark(judge, MARK_POINT, 100, 200, 3.0, 1.0, true);
    read_window(judge, 100, 200, 5.0, 3.0);
    judge_end(judge, "done");
    assert_true(only(judge)->weak);
    judge_free(judge);
}

static void no_line_of_the_table_is_wider_than_a_terminal(void **state)
{
    char *text = NULL;
    size_t size = 0;
    (void)state;
    struct judge *judge = begin(20.0, 3.25, exact, exact);
    mark(judge, MARK_CONTRACT, 0, 100, NAN, 0.1, true);
    mark(judge, MARK_IDLE, 100, 200, 0, 0, true);
    mark(judge, MARK_POINT, 200, 300, 3.25, 1.0, true);
    mark(judge, MARK_TRIED, 300, 400, 10.0, NAN, true);
    mark(judge, MARK_CAPACITY, 300, 400, NAN, 10.0, true);
    mark(judge, MARK_LET_GO, 400, 400, NAN, FINDING_CONSTANT_CURRENT, true);
    mark(judge, MARK_RUNG, 400, 400, NAN, RUNG_REQUEST, true);
    read_window(judge, 100, 200, 20.0, 0.0);
    read_window(judge, 200, 300, 19.001, 3.25);
    read_window(judge, 300, 400, 19.001, 10.0);
    judge_end(judge, "done");
    FILE *to = open_memstream(&text, &size);
    struct report_head head = {.id = "20261125-000000-abcd", .title = "A supply", .end = "done", .why = "", .path = "", .user = "", .software = ""};
    report_table(to, judge, &head);
    fclose(to);
    for (const char *line = text; *line;) {
        size_t columns = 0;
        const char *end = line + strcspn(line, "\n");
        for (const char *c = line; c < end; c++)
            columns += ((unsigned char)*c & 0xc0) != 0x80;
        assert_true(columns <= 80);
        line = *end ? end + 1 : end;
    }
    assert_non_null(strstr(text, "lets go: constant current; comes back: contract requested again"));
    free(text);
    judge_free(judge);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(regulation_and_output_resistance_come_out_as_the_textbook_says),
        cmocka_unit_test(the_four_outcomes_of_the_published_rule_come_out),
        cmocka_unit_test(the_uncertainty_is_that_of_the_worked_example),
        cmocka_unit_test(the_capacity_lies_between_the_last_good_and_the_first_bad_step),
        cmocka_unit_test(a_cap_that_came_first_is_a_lower_bound_and_no_failure),
        cmocka_unit_test(a_contract_that_the_supply_never_gave_fails),
        cmocka_unit_test(a_run_that_was_stopped_passes_nothing_that_it_did_not_measure),
        cmocka_unit_test(a_shutdown_below_the_rating_fails_with_the_findings_own_sentence),
        cmocka_unit_test(readings_that_are_not_trusted_or_asked_before_the_window_change_nothing),
        cmocka_unit_test(a_measurement_too_coarse_for_the_tolerance_is_marked_weak),
        cmocka_unit_test(no_line_of_the_table_is_wider_than_a_terminal),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
