/* Accuracy and the guard-band decision against published and worked values. */
#include "daemon/figures/figures.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#define COUNT(table) (sizeof(table) / sizeof(table)[0])

/* Outcomes by ILAC-G8:09/2019 4.2 with w = U; the numbers are worked examples (computed). Which side an equality falls on is a choice of this program. */
static void outcomes_agree_with_the_decision_rule_at_each_side_of_each_border(void **state)
{
    static const struct { char side; double y, limit, u; enum verdict want; } says[] = {
        {'u', 75.0, 77.0, 1.8, VERDICT_PASS},
        {'u', 75.2, 77.0, 1.8, VERDICT_PASS},
        {'u', 76.0, 77.0, 1.8, VERDICT_CONDITIONAL_PASS},
        {'u', 77.0, 77.0, 1.8, VERDICT_CONDITIONAL_PASS},
        {'u', 77.5, 77.0, 1.8, VERDICT_CONDITIONAL_FAIL},
        {'u', 78.8, 77.0, 1.8, VERDICT_CONDITIONAL_FAIL},
        {'u', 79.0, 77.0, 1.8, VERDICT_FAIL},
        {'l', 0.8836, 0.8800, 0.0035, VERDICT_PASS},
        {'l', 0.8835, 0.8800, 0.0035, VERDICT_PASS},
        {'l', 0.8820, 0.8800, 0.0035, VERDICT_CONDITIONAL_PASS},
        {'l', 0.8800, 0.8800, 0.0035, VERDICT_CONDITIONAL_PASS},
        {'l', 0.8790, 0.8800, 0.0035, VERDICT_CONDITIONAL_FAIL},
        {'l', 0.8765, 0.8800, 0.0035, VERDICT_CONDITIONAL_FAIL},
        {'l', 0.8764, 0.8800, 0.0035, VERDICT_FAIL},
        {'l', 4.781, 4.75, 0.030, VERDICT_PASS},
        {'l', 4.760, 4.75, 0.030, VERDICT_CONDITIONAL_PASS},
        {'l', 4.740, 4.75, 0.030, VERDICT_CONDITIONAL_FAIL},
        {'l', 4.719, 4.75, 0.030, VERDICT_FAIL},
        {'u', NAN, 77.0, 1.8, VERDICT_NONE},
        {'u', 75.0, NAN, 1.8, VERDICT_NONE},
        {'l', 75.0, 77.0, NAN, VERDICT_NONE},
        {'l', 75.0, 77.0, -1.0, VERDICT_NONE},
    };
    (void)state;
    for (size_t i = 0; i < COUNT(says); i++) {
        enum verdict got = says[i].side == 'u' ? verdict_upper(says[i].y, says[i].limit, says[i].u)
                                               : verdict_lower(says[i].y, says[i].limit, says[i].u);
        if (got != says[i].want)
            fail_msg("%.4f against %.4f, U %.4f: %s, expected %s", says[i].y, says[i].limit, says[i].u, verdict_name(got), verdict_name(says[i].want));
    }
}

static void the_worse_of_two_verdicts_counts_and_none_counts_for_nothing(void **state)
{
    (void)state;
    assert_int_equal(verdict_worse(VERDICT_PASS, VERDICT_FAIL), VERDICT_FAIL);
    assert_int_equal(verdict_worse(VERDICT_CONDITIONAL_FAIL, VERDICT_CONDITIONAL_PASS), VERDICT_CONDITIONAL_FAIL);
    assert_int_equal(verdict_worse(VERDICT_NONE, VERDICT_PASS), VERDICT_PASS);
    assert_int_equal(verdict_worse(VERDICT_FAIL, VERDICT_NONE), VERDICT_FAIL);
    assert_int_equal(verdict_worse(VERDICT_NONE, VERDICT_NONE), VERDICT_NONE);
}

/* Worked (computed): voltage 0.05 % of reading + 0.02 % of 60 V, current 0.10 % + 0.05 % of 10 A, input power 0.10 % + 0.10 % of 75 W; rectangular. */
static void accuracy_statements_agree_with_the_worked_table(void **state)
{
    static const struct { double reading, of_reading, of_range, range, a, u; } says[] = {
        {20.050, 0.05, 0.02, 60.0, 0.022025, 0.012716},
        {3.2500, 0.10, 0.05, 10.0, 0.008250, 0.004763},
        {72.900, 0.10, 0.10, 75.0, 0.147900, 0.085390},
        {5.100, 0.05, 0.02, 60.0, 0.014550, 0.008400},
        {0.5000, 0.10, 0.05, 10.0, 0.005500, 0.003175},
    };
    (void)state;
    for (size_t i = 0; i < COUNT(says); i++) {
        double a = accuracy_half_width(says[i].reading, says[i].of_reading, says[i].of_range, says[i].range);
        assert_true(fabs(a - says[i].a) < 1e-9);
        assert_true(fabs(uncertainty_rectangular(a) - says[i].u) < 0.6e-6); /* printed with six decimals */
        assert_true(fabs(accuracy_half_width(-says[i].reading, says[i].of_reading, says[i].of_range, says[i].range) - a) < 1e-12);
    }
}

static void each_verdict_has_the_name_of_the_rule(void **state)
{
    (void)state;
    assert_string_equal(verdict_name(VERDICT_PASS), "pass");
    assert_string_equal(verdict_name(VERDICT_CONDITIONAL_PASS), "conditional pass");
    assert_string_equal(verdict_name(VERDICT_CONDITIONAL_FAIL), "conditional fail");
    assert_string_equal(verdict_name(VERDICT_FAIL), "fail");
    assert_string_equal(verdict_name(VERDICT_NONE), "not judged");
    assert_string_equal(verdict_name(VERDICTS), "unknown");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(outcomes_agree_with_the_decision_rule_at_each_side_of_each_border),
        cmocka_unit_test(the_worse_of_two_verdicts_counts_and_none_counts_for_nothing),
        cmocka_unit_test(accuracy_statements_agree_with_the_worked_table),
        cmocka_unit_test(each_verdict_has_the_name_of_the_rule),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
