/* Shapes from points, and how they join with what the raw readings show. */
#include "daemon/watch/watch.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#define COUNT(table) (sizeof(table) / sizeof(table)[0])

static struct watch_setup twelve_volts(void)
{
    return (struct watch_setup){.nominal_volts = 12, .low_volts = 11.4, .high_volts = 12.6, .rated_amps = 5, .default_volts = 5, .other_volts = {5, 9}, .other_volts_len = 2, .hard_over_volts = 14.4};
}

static struct trace_shape shape_of_curve(double (*amps_at)(double volts))
{
    struct trace_point points[11];
    struct trace_shape shape;
    struct watch_setup setup = twelve_volts();
    for (size_t i = 0; i < COUNT(points); i++) {
        double volts = 12.0 * (0.95 - 0.075 * (double)i);
        points[i] = (struct trace_point){.volts = volts, .amps = amps_at(volts), .amps_deviation = 0.002, .count = 10};
    }
    watch_shape(points, COUNT(points), &setup, &shape);
    return shape;
}

/* I = Isc + (Imax - Isc) V / Vreg with 6.0 A, 1.5 A, 12 V: 6.000 / 4.875 / 3.750 / 2.625 / 1.500 A at 12/9/6/3/0 V (computed). */
static double folds(double volts) { return 1.5 + 4.5 * volts / 12.0; }
static double leans(double volts) { return 5.10 + 0.90 * volts / 12.0; }     /* ratio 0.85: neither */
static double straight(double volts) { return 5.90 + 0.10 * volts / 12.0; }  /* ratio 0.98 */
static double power(double volts) { return 66.0 / volts; }
static double power_with_ceiling(double volts) { return fmin(66.0 / volts, 9.0); }
static double weak(double volts) { return 1.2 + 0.0 * volts; }               /* a fifth of the rating all along */

static void each_curve_gets_its_name(void **state)
{
    static const struct { double (*amps_at)(double); enum finding_kind want; } says[] = {
        {folds, FINDING_FOLDBACK}, {straight, FINDING_CONSTANT_CURRENT}, {power, FINDING_CONSTANT_POWER},
        {power_with_ceiling, FINDING_CONSTANT_POWER}, {leans, FINDING_UNCERTAIN}, {weak, FINDING_UNCERTAIN},
    };
    (void)state;
    for (size_t i = 0; i < COUNT(says); i++) {
        struct trace_shape shape = shape_of_curve(says[i].amps_at);
        if (shape.kind != says[i].want)
            fail_msg("curve %zu: %s, expected %s", i, shape.text, finding_kind_name(says[i].want));
        assert_non_null(strstr(shape.text, finding_kind_name(says[i].want)));
    }
}

static void foldback_finds_the_short_circuit_current_of_its_line(void **state)
{
    (void)state;
    struct trace_shape shape = shape_of_curve(folds);
    assert_true(fabs(shape.short_amps - 1.5) < 1e-9);
    assert_true(fabs(shape.limit_amps - folds(11.4)) < 1e-9);
    assert_true(fabs(shape.ratio - 1.5 / folds(11.4)) < 1e-9);
    assert_true(fabs(shape_of_curve(power).limit_watts - 66.0) < 1e-9);
}

static void too_few_points_have_no_shape(void **state)
{
    (void)state;
    struct watch_setup setup = twelve_volts();
    struct trace_shape shape;
    const struct trace_point points[] = {{.volts = 11, .amps = 6, .count = 5}, {.volts = 9, .amps = 6, .count = 5}, {.volts = 6, .amps = 6, .count = 5}};
    watch_shape(points, COUNT(points), &setup, &shape);
    assert_int_equal(shape.kind, FINDING_UNCERTAIN);
    watch_shape(NULL, 0, &setup, &shape);
    assert_int_equal(shape.kind, FINDING_UNCERTAIN);
}

static void a_narrow_curve_has_no_shape(void **state)
{
    (void)state;
    struct watch_setup setup = twelve_volts();
    struct trace_shape shape;
    struct trace_point points[8];
    for (size_t i = 0; i < COUNT(points); i++)
        points[i] = (struct trace_point){.volts = 11.3 - 0.2 * (double)i, .amps = 6.0, .count = 5};
    watch_shape(points, COUNT(points), &setup, &shape);
    assert_int_equal(shape.kind, FINDING_UNCERTAIN);
}

static void points_that_flicker_are_no_curve(void **state)
{
    (void)state;
    struct watch_setup setup = twelve_volts();
    struct trace_shape shape;
    struct trace_point points[8];
    for (size_t i = 0; i < COUNT(points); i++)
        points[i] = (struct trace_point){.volts = 11.0 - (double)i, .amps = 0.5, .amps_deviation = 1.2, .count = 20};
    watch_shape(points, COUNT(points), &setup, &shape);
    assert_int_equal(shape.kind, FINDING_HICCUP);
    watch_shape(points, 3, &setup, &shape);
    assert_int_equal(shape.kind, FINDING_UNCERTAIN);
}

static void points_at_another_level_are_a_lost_contract_and_dead_ones_a_shutdown(void **state)
{
    (void)state;
    struct watch_setup setup = twelve_volts();
    struct trace_shape shape;
    struct trace_point lost[6], dead[6];
    for (size_t i = 0; i < 6; i++) {
        lost[i] = (struct trace_point){.volts = 5.05, .amps = 0.5 * (double)i, .count = 5};
        dead[i] = (struct trace_point){.volts = 0.01, .amps = 0.0, .count = 5};
    }
    watch_shape(lost, 6, &setup, &shape);
    assert_int_equal(shape.kind, FINDING_CONTRACT_LOST);
    watch_shape(dead, 6, &setup, &shape);
    assert_int_equal(shape.kind, FINDING_SHUTDOWN);
}

static void bursts_outrank_a_shape_and_a_shape_outranks_collapsed(void **state)
{
    static const struct { enum finding_kind raw, shape, want; } says[] = {
        {FINDING_KINDS, FINDING_FOLDBACK, FINDING_FOLDBACK},
        {FINDING_COLLAPSED, FINDING_CONSTANT_CURRENT, FINDING_CONSTANT_CURRENT},
        {FINDING_COLLAPSED, FINDING_UNCERTAIN, FINDING_COLLAPSED},
        {FINDING_HICCUP, FINDING_CONSTANT_CURRENT, FINDING_HICCUP},
        {FINDING_LATCH_OFF, FINDING_SHUTDOWN, FINDING_LATCH_OFF},
        {FINDING_UNCERTAIN, FINDING_CONSTANT_POWER, FINDING_UNCERTAIN},
        {FINDING_UNCERTAIN, FINDING_HICCUP, FINDING_HICCUP},
        {FINDING_KINDS, FINDING_UNCERTAIN, FINDING_UNCERTAIN},
    };
    (void)state;
    for (size_t i = 0; i < COUNT(says); i++) {
        struct finding verdict = {.kind = says[i].raw};
        struct trace_shape shape = {.kind = says[i].shape};
        assert_int_equal(watch_combined(&verdict, &shape), says[i].want);
    }
    assert_int_equal(watch_combined(NULL, NULL), FINDING_KINDS);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_curve_gets_its_name),
        cmocka_unit_test(foldback_finds_the_short_circuit_current_of_its_line),
        cmocka_unit_test(too_few_points_have_no_shape),
        cmocka_unit_test(a_narrow_curve_has_no_shape),
        cmocka_unit_test(points_that_flicker_are_no_curve),
        cmocka_unit_test(points_at_another_level_are_a_lost_contract_and_dead_ones_a_shutdown),
        cmocka_unit_test(bursts_outrank_a_shape_and_a_shape_outranks_collapsed),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
