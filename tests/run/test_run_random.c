/* Whatever comes in, in whatever order: the watchman of with_fake.c looks at each call. BRUNT_SEED=n repeats one. */
#include "tests/run/with_fake.h"

#include <stdlib.h>

static uint64_t roll(struct fake *fake, uint64_t sides)
{
    return figures_random(&fake->seed) % sides;
}

static double some_number(struct fake *fake)
{
    static const double odd[] = {0, -1, 1e9, 5, 9, 12, 15, 20, 3, 0.3};
    uint64_t i = roll(fake, 14);
    return i < 10 ? odd[i] : i == 10 ? (double)NAN : i == 11 ? (double)INFINITY : (double)roll(fake, 24000) / 1000.0;
}

static void some_reading(struct fake *fake)
{
    struct reading reading = fake->last[0];
    reading.at_us = fake->now_us - (int64_t)roll(fake, 100000);
    reading.asked_us = reading.at_us - 10000;
    reading.port = (int)roll(fake, 8) == 0 ? (int)roll(fake, 7) - 2 : 0;
    if (roll(fake, 2))
        reading.volts = some_number(fake);
    if (roll(fake, 3) == 0)
        reading.amps = some_number(fake);
    reading.quality = roll(fake, 5) == 0 ? (unsigned)roll(fake, 32) : 0;
    reading.input_on = roll(fake, 2);
    run_feed(fake->run, &reading, &fake->out);
}

static void some_outcome(struct fake *fake)
{
    struct outcome outcome = {.at_us = fake->now_us, .kind = (enum order_kind)roll(fake, ORDER_KINDS), .port = (int)roll(fake, 6) - 1, .contract = (int)roll(fake, 6) - 1};
    outcome.state = roll(fake, 12) == 0 ? OUTCOME_FAILED : (enum outcome_state)(roll(fake, 2) * OUTCOME_UNCONFIRMED);
    outcome.value = some_number(fake);
    if (outcome.kind == ORDER_LOAD_OFF && outcome.port == 0 && outcome.state == OUTCOME_DONE && !fake->on[0])
        fake->off_confirmed[0] = true; /* the bench says so; then it is so */
    else if (outcome.kind == ORDER_LOAD_OFF && outcome.port == 0 && outcome.state != OUTCOME_FAILED)
        return; /* a bench that lies about off is another matter */
    run_outcome(fake->run, &outcome, &fake->out);
}

static void some_finding(struct fake *fake)
{
    struct finding finding = {.at_us = fake->now_us, .kind = (enum finding_kind)roll(fake, FINDING_KINDS), .port = (int)roll(fake, 5) - 1, .text = "by chance", .over = roll(fake, 3) == 0};
    uint64_t i = roll(fake, 40);
    finding.severity = i == 0 ? SEVERITY_ABORT : i < 10 ? SEVERITY_TRIP : SEVERITY_WARNING;
    run_bench_finding(fake->run, &finding, &fake->out);
}

static void some_command(struct fake *fake)
{
    uint64_t i = roll(fake, 40);
    enum run_command command = i == 0 ? RUN_STOP : i < 14 ? RUN_HOLD : i < 28 ? RUN_RESUME : i < 34 ? RUN_ANSWER : RUN_NOTE;
    struct error error = ERROR_INIT;
    run_command(fake->run, command, roll(fake, 2) ? "by chance" : NULL, fake->now_us, &fake->out, &error);
}

static void some_plan(struct fake *fake)
{
    fake->manner = (enum manner)roll(fake, 5);
    fake->plan.profile.on_trip = (enum on_trip)roll(fake, ON_TRIPS);
    fake->plan.profile.reload_max = 2;
    fake->plan.profile.reload_below_celsius = 60;
    fake->plan.bench.mains = roll(fake, 2) ? 2 : -1;
    fake->can_detach = roll(fake, 2);
    fake->operator_answers = roll(fake, 2);
    fake->operator_revives = roll(fake, 2);
    fake->unconfirmed_off = roll(fake, 4) == 0;
    if (roll(fake, 4) == 0)
        fake->plan.bench.seats[0].selector = -1;
    fake->plan.bench.seats[0].cable_amps = roll(fake, 2) ? 5 : 2;
    if (roll(fake, 2))
        fake_characterise(fake);
    if (roll(fake, 3) == 0)
        fake_stage(fake, STAGE_RAMP);
    for (int c = 0; c < 5; c++)
        fake->limit[c] = 1.0 + (double)roll(fake, 5000) / 1000.0;
}

static void upset(struct fake *fake)
{
    static void (*const ways[])(struct fake *) = {some_reading, some_outcome, some_finding, some_command};
    ways[roll(fake, 4)](fake);
    fake_take(fake, false);
}

static void play_one(uint64_t seed, uint64_t upsets_in_1000)
{
    struct fake *fake = fake_new(seed);
    for (int i = 0; i < 10; i++)
        roll(fake, 2);
    some_plan(fake);
    fake->reading_us = 100 * US_PER_MS;
    fake_begin(fake);
    uint64_t steps = 0;
    while (fake_step(fake)) {
        if (roll(fake, 1000) < upsets_in_1000 && !run_over(fake->run, NULL, NULL, 0))
            upset(fake);
        if (fake->orders_len > ORDERS_KEPT / 2)
            fake->orders_len = fake->marks_len = fake->findings_len = 0;
        assert_true(++steps < 5000000);
    }
    assert_true(fake->finished);
    assert_false(fake->on[0]);
    fake_free(fake);
}

static void play_many(uint64_t first, uint64_t count, uint64_t upsets_in_1000)
{
    const char *stated = getenv("BRUNT_SEED");
    if (stated)
        first = strtoull(stated, NULL, 10), count = 1;
    for (uint64_t seed = first; seed < first + count; seed++) {
        if (stated || getenv("BRUNT_SEEDS_SHOWN"))
            print_message("seed %llu\n", (unsigned long long)seed);
        play_one(seed, upsets_in_1000);
    }
    print_message("seeds %llu to %llu, %llu upsets in 1000 steps\n", (unsigned long long)first, (unsigned long long)(first + count - 1), (unsigned long long)upsets_in_1000);
}

static void runs_upset_now_and_then_keep_every_promise_and_end(void **state)
{
    (void)state;
    play_many(1000, 250, 5);
}

static void runs_upset_all_the_time_keep_every_promise_and_end(void **state)
{
    (void)state;
    play_many(5000, 500, 400);
}

static void runs_left_in_peace_keep_every_promise_and_end(void **state)
{
    (void)state;
    play_many(9000, 60, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(runs_left_in_peace_keep_every_promise_and_end),
        cmocka_unit_test(runs_upset_now_and_then_keep_every_promise_and_end),
        cmocka_unit_test(runs_upset_all_the_time_keep_every_promise_and_end),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
