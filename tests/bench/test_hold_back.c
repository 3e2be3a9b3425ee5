/* A record that can't keep up asks for fewer readings. */
#include "tests/bench/with_fake.h"

#include "daemon/base/units.h"

static size_t readings_in_a_second(struct play *play)
{
    size_t before = play->readings;
    play_run(play, US_PER_S);
    return play->readings - before;
}

static void no_two_samples_come_closer_than_the_record_can_take(void **state)
{
    struct play play;
    (void)state;
    play_start(&play, FAKE_STANDARD);
    play.wire_us = 1;
    play.delay_us = 10;
    play_up(&play);
    bench_sampling(play.bench, true);
    size_t freely = readings_in_a_second(&play);
    bench_hold_back(play.bench, 5 * US_PER_MS);
    size_t held_back = readings_in_a_second(&play);
    bench_hold_back(play.bench, 0);
    size_t again = readings_in_a_second(&play);
    assert_true(freely > 1000);
    assert_in_range(held_back, 190, 201);
    assert_true(again > 1000);
    play_end(&play);
}

static void who_wants_fewer_still_gets_fewer(void **state)
{
    struct play play;
    (void)state;
    play_start(&play, FAKE_STANDARD);
    play_up(&play);
    bench_sampling(play.bench, true);
    play_order(&play, (struct order){.kind = ORDER_PACE, .period_us = 100 * US_PER_MS});
    bench_hold_back(play.bench, 5 * US_PER_MS);
    assert_in_range(readings_in_a_second(&play), 9, 12);
    play_end(&play);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(no_two_samples_come_closer_than_the_record_can_take),
        cmocka_unit_test(who_wants_fewer_still_gets_fewer),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
