/* Statistics against published values. */
#include "daemon/figures/figures.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#include <cmocka.h>

#define COUNT(table) (sizeof(table) / sizeof(table)[0])

static void assert_near(double got, double want, double relative)
{
    if (!(fabs(got - want) <= relative * fabs(want)))
        fail_msg("got %.15g, expected %.15g within %.1e", got, want, relative);
}

/* NIST Statistical Reference Datasets, linear regression, "Norris": 36 observations of ozone monitors. */
static const struct { double x, y; } norris[] = {
    {0.2, 0.1}, {337.4, 338.8}, {118.2, 118.1}, {884.6, 888.0}, {10.1, 9.2}, {226.5, 228.1},
    {666.3, 668.5}, {996.3, 998.5}, {448.6, 449.1}, {777.0, 778.9}, {558.2, 559.2}, {0.4, 0.3},
    {0.6, 0.1}, {775.5, 778.1}, {666.9, 668.8}, {338.0, 339.3}, {447.5, 448.9}, {11.6, 10.8},
    {556.0, 557.7}, {228.1, 228.3}, {995.8, 998.0}, {887.6, 888.8}, {120.2, 119.6}, {0.3, 0.3},
    {0.3, 0.6}, {556.8, 557.6}, {339.1, 339.3}, {887.2, 888.0}, {999.0, 998.5}, {779.0, 778.9},
    {11.1, 10.2}, {118.3, 117.6}, {229.2, 228.9}, {669.1, 668.4}, {448.9, 449.2}, {0.5, 0.2},
};

static void norris_data(double *x, double *y)
{
    for (size_t i = 0; i < COUNT(norris); i++) {
        x[i] = norris[i].x;
        y[i] = norris[i].y;
    }
}

static void a_line_agrees_with_the_certified_values_of_norris(void **state)
{
    (void)state;
    double x[COUNT(norris)], y[COUNT(norris)];
    struct line_fit fit;
    norris_data(x, y);
    assert_int_equal(COUNT(norris), 36);
    assert_int_equal(line_fit(x, y, COUNT(norris), &fit, NULL), 0);
    /* Certified: NIST StRD Norris. */
    assert_near(fit.intercept, -0.262323073774029, 1e-9);
    assert_near(fit.slope, 1.00211681802045, 1e-9);
    assert_near(fit.intercept_u, 0.232818234301152, 1e-9);
    assert_near(fit.slope_u, 0.429796848199937E-03, 1e-9);
    assert_near(fit.residual_deviation, 0.884796396144373, 1e-9);
    assert_near(fit.r_squared, 0.999993745883712, 1e-9);
}

static void a_line_far_from_the_origin_keeps_its_slope(void **state)
{
    (void)state;
    double x[COUNT(norris)], y[COUNT(norris)];
    struct line_fit fit;
    norris_data(x, y);
    for (size_t i = 0; i < COUNT(norris); i++)
        x[i] += 1048576.0;
    assert_int_equal(line_fit(x, y, COUNT(norris), &fit, NULL), 0);
    assert_near(fit.slope, 1.00211681802045, 1e-9);
    assert_near(fit.residual_deviation, 0.884796396144373, 1e-9);
}

static void a_line_through_too_little_is_refused_and_leaves_the_result_alone(void **state)
{
    (void)state;
    struct line_fit fit = {.count = 77};
    struct error err = ERROR_INIT;
    const double same[] = {2.0, 2.0, 2.0}, y[] = {1.0, 2.0, 3.0}, bad[] = {1.0, NAN, 3.0};
    assert_int_equal(line_fit(y, y, 1, &fit, &err), -1);
    assert_int_equal(err.kind, ERROR_RANGE);
    assert_int_equal(line_fit(same, y, 3, &fit, &err), -1);
    assert_int_equal(err.kind, ERROR_RANGE);
    assert_int_equal(line_fit(y, bad, 3, &fit, &err), -1);
    assert_int_equal(fit.count, 77);
}

static void two_points_give_a_line_without_scatter(void **state)
{
    (void)state;
    /* Output resistance of 5.10 V at 0 A and 4.95 V at 3 A is 50.0 milliohm (computed from R = (V1 - V2) / (I2 - I1), textbook, from memory). */
    const double amps[] = {0.0, 3.0}, volts[] = {5.10, 4.95};
    struct line_fit fit;
    assert_int_equal(line_fit(amps, volts, 2, &fit, NULL), 0);
    assert_near(fit.slope, -0.050, 1e-9);
    assert_near(fit.intercept, 5.10, 1e-9);
    assert_true(isnan(fit.slope_u) && isnan(fit.intercept_u) && isnan(fit.residual_deviation));
    /* Load regulation of the same: 2.9412 % of no-load, 3.0303 % of full-load, 3.0000 % of nominal volts. */
    double drop = -fit.slope * 3.0;
    assert_near(drop / 5.10 * 100.0, 2.9412, 1e-4);
    assert_near(drop / 4.95 * 100.0, 3.0303, 1e-4);
    assert_near(drop / 5.00 * 100.0, 3.0000, 1e-9);
}

static void a_mean_keeps_millivolts_on_a_large_offset(void **state)
{
    (void)state;
    struct mean m = {0};
    const double steps[] = {4.0, 7.0, 13.0, 16.0}; /* deviation sqrt(30), mean 10: exact by hand */
    for (size_t i = 0; i < COUNT(steps); i++)
        mean_add(&m, 1e9 + steps[i]);
    mean_add(&m, NAN);
    assert_int_equal(m.count, 4);
    assert_near(m.mean, 1e9 + 10.0, 1e-15);
    assert_near(mean_deviation(&m), sqrt(30.0), 1e-9);
    assert_near(mean_u(&m), sqrt(30.0) / 2.0, 1e-9);
    assert_true(m.min == 1e9 + 4.0 && m.max == 1e9 + 16.0);
}

static void one_value_has_no_deviation(void **state)
{
    (void)state;
    struct mean m = {0};
    assert_true(isnan(mean_deviation(&m)) && isnan(mean_u(&m)));
    mean_add(&m, 5.0);
    assert_true(isnan(mean_deviation(&m)) && isnan(mean_u(&m)));
}

/* Five simultaneous readings of JCGM 100:2008 Annex H.2 (from memory; recomputed, the printed results come out). */
static void means_agree_with_the_worked_example_of_the_guide(void **state)
{
    (void)state;
    static const double volts[] = {5.007, 4.994, 5.005, 4.990, 4.999}, milliamps[] = {19.663, 19.639, 19.640, 19.685, 19.678};
    struct mean v = {0}, i = {0};
    for (size_t n = 0; n < 5; n++) {
        mean_add(&v, volts[n]);
        mean_add(&i, milliamps[n]);
    }
    assert_near(v.mean, 4.9990, 1e-9);
    assert_near(i.mean, 19.6610, 1e-9);
    assert_near(mean_u(&v), 0.0032, 0.02);  /* printed with two digits */
    assert_near(mean_u(&i), 0.0095, 0.01);
}

static void the_median_stands_in_the_middle(void **state)
{
    (void)state;
    double odd[] = {9.0, -1.0, 4.0}, even[] = {3.0, 1.0, 2.0, 10.0}, bad[] = {1.0, NAN, 2.0};
    assert_true(median(odd, 3) == 4.0);
    assert_true(median(even, 4) == 2.5);
    assert_true(isnan(median(odd, 0)));
    assert_true(isnan(median(bad, 3)));
}

static void the_generator_gives_the_published_first_values(void **state)
{
    (void)state;
    /* splitmix64 from seed 1234567: the widely reprinted test vector of the public-domain reference (from memory). */
    static const uint64_t want[] = {6457827717110365317u, 3203168211198807973u, 9817491932198370423u, 4593380528125082431u, 16408922859458223821u};
    uint64_t random = 1234567;
    for (size_t i = 0; i < COUNT(want); i++)
        assert_true(figures_random(&random) == want[i]);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_line_agrees_with_the_certified_values_of_norris),
        cmocka_unit_test(a_line_far_from_the_origin_keeps_its_slope),
        cmocka_unit_test(a_line_through_too_little_is_refused_and_leaves_the_result_alone),
        cmocka_unit_test(two_points_give_a_line_without_scatter),
        cmocka_unit_test(a_mean_keeps_millivolts_on_a_large_offset),
        cmocka_unit_test(one_value_has_no_deviation),
        cmocka_unit_test(means_agree_with_the_worked_example_of_the_guide),
        cmocka_unit_test(the_median_stands_in_the_middle),
        cmocka_unit_test(the_generator_gives_the_published_first_values),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
