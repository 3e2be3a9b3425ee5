/* A bench's ordinary day with each shape: up, identified, protected, set, on, sampled, off. */
#include "with_fake.h"

#include "daemon/base/units.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static void order_and_run(struct play *play, struct order order, int64_t for_us)
{
    play_order(play, order);
    play_run(play, for_us);
}

static void whole_day(enum fake_shape shape)
{
    struct play play;
    play_start(&play, shape);
    play_up(&play);
    assert_true(bench_all_off(play.bench));
    order_and_run(&play, (struct order){.kind = ORDER_LOAD_PROTECT, .volts = 12.0, .amps = 4.0, .watts = 40.0, .floor_volts = 2.0}, 3 * US_PER_S);
    assert_int_equal(play_outcome(&play, ORDER_LOAD_PROTECT)->state, OUTCOME_DONE);
    assert_float_equal(play.fake.over_volts, 12.0, 1e-9);
    assert_float_equal(play.fake.under_volts, 2.0, 1e-9);
    order_and_run(&play, (struct order){.kind = ORDER_LOAD_SET, .mode = LOAD_CURRENT, .value = 1.5}, 3 * US_PER_S);
    assert_int_equal(play_outcome(&play, ORDER_LOAD_SET)->state, OUTCOME_DONE);
    assert_float_equal(play_outcome(&play, ORDER_LOAD_SET)->value, 1.5, 1e-3);
    bench_sampling(play.bench, true);
    order_and_run(&play, (struct order){.kind = ORDER_LOAD_ON}, 3 * US_PER_S);
    assert_int_equal(play_outcome(&play, ORDER_LOAD_ON)->state, OUTCOME_DONE);
    assert_true(play.fake.on[1]);
    assert_true(play.readings > 10);
    assert_float_equal(play.reading.volts, 9.0, 1e-3);
    assert_float_equal(play.reading.amps, 1.5, 1e-3);
    assert_true(play.reading.input_on);
    assert_float_equal(play.reading.set_point, 1.5, 1e-9);
    assert_int_equal(play.reading.quality & ~QUALITY_RESYNC, 0);
    order_and_run(&play, (struct order){.kind = ORDER_LOAD_OFF}, 3 * US_PER_S);
    assert_int_equal(play_outcome(&play, ORDER_LOAD_OFF)->state, OUTCOME_DONE);
    assert_false(play.fake.on[1]);
    assert_true(bench_all_off(play.bench));
    assert_int_equal(play.findings, 0);
    play_end(&play);
}

static void a_standard_load_has_an_ordinary_day(void **state)
{
    (void)state;
    whole_day(FAKE_STANDARD);
}

static void a_terse_load_has_an_ordinary_day(void **state)
{
    (void)state;
    whole_day(FAKE_TERSE);
}

static void a_late_load_has_an_ordinary_day(void **state)
{
    (void)state;
    whole_day(FAKE_LATE);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_standard_load_has_an_ordinary_day),
        cmocka_unit_test(a_terse_load_has_an_ordinary_day),
        cmocka_unit_test(a_late_load_has_an_ordinary_day),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
