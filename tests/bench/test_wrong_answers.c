/* A reading is trusted only when whole (house.md, promise 5). */
#include "with_fake.h"

#include "daemon/base/units.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const enum fake_shape shapes[] = {FAKE_STANDARD, FAKE_TERSE, FAKE_LATE};
static const char *const shape_names[] = {"standard", "terse", "late"};

static void turn_on(struct play *play)
{
    play_order(play, (struct order){.kind = ORDER_LOAD_SET, .value = 1.0});
    play_order(play, (struct order){.kind = ORDER_LOAD_ON});
}

/* The truth is what the fake measured last: one question is outstanding at a time, so any other answer is a wrong one.
 */
static bool is_true(struct play *play, const struct reading *reading)
{
    if (reading->quality & (QUALITY_NAN | QUALITY_OVER_RANGE | QUALITY_LATE))
        return true; /* recorded, not trusted */
    bool volts = fabs(reading->volts - play->fake.supply_volts) < 0.0006,
         amps = fabs(reading->amps - play->fake.said_amps) < 0.0006;
    if (!volts || !amps)
        fail_msg("a reading of %g V %g A came of a measurement of %g V %g A", reading->volts, reading->amps,
                 play->fake.supply_volts, play->fake.said_amps);
    return true;
}

static void start_sampling(struct play *play, enum fake_shape shape)
{
    play_start(play, shape);
    play->fake.varies = true;
    play->on_reading = is_true;
    play_up(play);
    turn_on(play);
    bench_sampling(play->bench, true);
    play_run(play, US_PER_S);
    assert_true(play->readings > 3);
}

static void assert_recovers(struct play *play, const char *what)
{
    play->mangle = NULL;
    play->delay_us = play->fake.shape == FAKE_LATE ? 80000 : 2000;
    play_run(play, 3 * US_PER_S);
    size_t before = play->readings;
    play_run(play, 2 * US_PER_S);
    if (play->readings < before + 5) {
        char why[300];
        bench_ready(play->bench, why, sizeof why);
        for (size_t i = play->fake.log_len > 8 ? play->fake.log_len - 8 : 0; i < play->fake.log_len; i++)
            print_message("   it obeyed %s\n", play->fake.log[i]);
        fail_msg("%s: no readings any more (%s)", what, why);
    }
}

/* ---- one answer spoilt, at each position ---- */

static size_t cut_at, times;

static size_t truncated(struct play *play, char *bytes, size_t len, size_t size)
{
    (void)play;
    (void)bytes;
    (void)size;
    return times && times-- && cut_at < len ? cut_at : len;
}

static size_t end_in_the_middle(struct play *play, char *bytes, size_t len, size_t size)
{
    (void)play;
    (void)size;
    if (times && times-- && cut_at < len)
        bytes[cut_at] = '\n';
    return len;
}

static size_t not_a_text(struct play *play, char *bytes, size_t len, size_t size)
{
    (void)play;
    (void)size;
    if (times && times-- && cut_at < len)
        bytes[cut_at] = (char)(cut_at % 2 ? 0xff : 0x00);
    return len;
}

static size_t one_missing(struct play *play, char *bytes, size_t len, size_t size)
{
    (void)play;
    (void)size;
    if (!(times && times-- && cut_at < len))
        return len;
    memmove(bytes + cut_at, bytes + cut_at + 1, len - cut_at - 1);
    return len - 1;
}

static size_t twice(struct play *play, char *bytes, size_t len, size_t size)
{
    (void)play;
    if (!(times && times--) || 2 * len > size)
        return len;
    memcpy(bytes + len, bytes, len);
    return 2 * len;
}

static size_t overlong(struct play *play, char *bytes, size_t len, size_t size)
{
    (void)play;
    if (times && times--) {
        memmove(bytes + size - len, bytes, len);
        memset(bytes, '7', size - len);
        return size;
    }
    return len;
}

static void spoil_each(size_t (*mangle)(struct play *, char *, size_t, size_t), const char *what)
{
    for (size_t i = 0; i < 3; i++) {
        struct play play;
        start_sampling(&play, shapes[i]);
        for (cut_at = 0; cut_at < 30; cut_at++) {
            times = 1;
            play.mangle = mangle;
            play_run(&play, 900000);
        }
        assert_recovers(&play, what);
        play_end(&play);
    }
}

static void an_answer_truncated_anywhere_is_no_reading(void **state)
{
    (void)state;
    spoil_each(truncated, "truncated");
}

static void an_answer_with_its_end_in_the_middle_is_no_reading(void **state)
{
    (void)state;
    spoil_each(end_in_the_middle, "cut in two");
}

static void bytes_that_are_no_text_make_no_reading(void **state)
{
    (void)state;
    spoil_each(not_a_text, "no text");
}

static void a_missing_byte_makes_no_reading_or_the_same(void **state)
{
    (void)state;
    spoil_each(one_missing, "a byte missing");
}

static void an_answer_that_comes_twice_counts_once(void **state)
{
    (void)state;
    spoil_each(twice, "twice");
}

static void an_overlong_answer_is_dropped_whole(void **state)
{
    (void)state;
    spoil_each(overlong, "overlong");
}

/* ---- late ---- */

static void a_late_answer_is_no_reading_however_late(void **state)
{
    (void)state;
    for (size_t i = 0; i < 3; i++) {
        for (int64_t late_us = 100000; late_us < 2 * US_PER_S; late_us += 90000) {
            struct play play;
            start_sampling(&play, shapes[i]);
            int64_t usual_us = play.delay_us;
            play.delay_us = late_us;
            play_run(&play, late_us / 2);
            play.delay_us = usual_us;
            assert_recovers(&play, "late");
            play_end(&play);
        }
    }
}

static void after_a_resynchronisation_the_first_reading_says_so(void **state)
{
    struct play play;
    (void)state;
    start_sampling(&play, FAKE_STANDARD);
    assert_int_equal(play.reading.quality & QUALITY_RESYNC, 0);
    times = 1;
    cut_at = 3;
    play.mangle = truncated;
    size_t before = play.readings;
    while (play.readings == before || times)
        play_turn(&play);
    while (!(play.reading.quality & QUALITY_RESYNC))
        play_turn(&play);
    before = play.readings;
    while (play.readings == before)
        play_turn(&play);
    assert_int_equal(play.reading.quality & QUALITY_RESYNC, 0);
    play_end(&play);
}

/* ---- numbers that are none ---- */

static void not_a_number_and_overflow_are_readings_that_say_so(void **state)
{
    static const struct {
        enum fake_shape shape;
        const char *answer;
        unsigned want;
    } rows[] = {
        {FAKE_STANDARD, "9.91E37", QUALITY_NAN},
        {FAKE_STANDARD, "9.9E37", QUALITY_OVER_RANGE},
        {FAKE_STANDARD, "-9.9E37", QUALITY_OVER_RANGE},
        {FAKE_TERSE, "OPEN", QUALITY_NAN},
        {FAKE_TERSE, "OVER", QUALITY_OVER_RANGE},
        {FAKE_LATE, "9.91E37,1.00000E+00", QUALITY_NAN},
        {FAKE_LATE, "5.00000E+00,9.9E37", QUALITY_OVER_RANGE},
    };
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct play play;
        start_sampling(&play, rows[i].shape);
        play.on_reading = NULL;
        play.fake.force_answer = rows[i].answer;
        size_t before = play.readings;
        while (play.fake.force_answer || play.readings == before) {
            before = play.fake.force_answer ? play.readings : before;
            play_turn(&play);
        }
        assert_int_equal(play.reading.quality & rows[i].want, rows[i].want);
        assert_true(isnan(play.reading.volts) || isnan(play.reading.amps));
        play_end(&play);
    }
}

static void a_value_beyond_the_range_is_recorded_as_such(void **state)
{
    struct play play;
    (void)state;
    start_sampling(&play, FAKE_STANDARD);
    play.on_reading = NULL;
    play.fake.varies = false;
    play.fake.supply_volts = 72.5; /* of 60 V, 1.2 times */
    play_run(&play, 100000);
    assert_int_equal(play.reading.quality, QUALITY_OVER_RANGE);
    play.fake.supply_volts = 71.5;
    play_run(&play, 100000);
    assert_int_equal(play.reading.quality, 0);
    play_end(&play);
}

static void bytes_that_nobody_asked_for_are_no_answer_to_the_next_question(void **state)
{
    (void)state;
    for (size_t i = 0; i < 3; i++) {
        static const char *const stray[] = {"7.7777;1.1111\n", "7.777\r\n", "7.77770E+00,1.11110E+00\r\n"};
        struct play play;
        start_sampling(&play, shapes[i]);
        play_order(&play, (struct order){.kind = ORDER_PACE, .period_us = 300000});
        for (int k = 0; k < 40; k++) {
            bench_bytes(play.bench, 0, stray[i], (size_t)(k % 3 ? strlen(stray[i]) : 3), play.now_us);
            play_run(&play, 137000);
        }
        assert_recovers(&play, "stray bytes");
        play_end(&play);
    }
}

/* ---- all of it together, by chance ---- */

static unsigned mishaps;

static uint64_t chance(struct play *play)
{
    play->random = play->random * 6364136223846793005u + 1442695040888963407u;
    return play->random >> 33;
}

/* Digits for digits, and signs, can't be told from the truth by anybody; everything else must be. */
static char no_digit(struct play *play)
{
    static const char some[] = "+.,;:E\r\n\t !?aZ\x7f\xff";
    return some[chance(play) % (sizeof some - 1)];
}

static size_t by_chance(struct play *play, char *bytes, size_t len, size_t size)
{
    int64_t usual_us = play->fake.shape == FAKE_LATE ? 80000 : 2000;
    size_t at = len ? chance(play) % len : 0;
    play->delay_us = usual_us;
    if (chance(play) % 8 || len + 8 > size)
        return len;
    mishaps++;
    switch (chance(play) % 9) {
    case 0:
        return 0;
    case 1:
        return at;
    case 2:
        bytes[at] = no_digit(play);
        return len;
    case 3:
        memmove(bytes + at + 1, bytes + at, len - at);
        bytes[at] = no_digit(play);
        return len + 1;
    case 4:
        times = 1;
        return twice(play, bytes, len, size);
    case 5:
        while (len && (bytes[len - 1] == '\n' || bytes[len - 1] == '\r'))
            len--;
        return len;
    case 6:
        play->delay_us = 100000 * (int64_t)(1 + chance(play) % 12);
        return len;
    case 7:
        memmove(bytes + 3, bytes, len);
        for (size_t i = 0; i < 3; i++)
            bytes[i] = no_digit(play);
        return len + 3;
    default:
        return len > 6 ? len - 1 - chance(play) % 5 : len;
    }
}

static void no_mishap_on_the_line_ever_makes_a_reading_that_is_not_true(void **state)
{
    const char *given = getenv("BRUNT_SEED");
    uint64_t seed = given ? strtoull(given, NULL, 10) : 20261125;
    (void)state;
    print_message("seed %llu (BRUNT_SEED sets another)\n", (unsigned long long)seed);
    for (size_t i = 0; i < 3; i++) {
        struct play play;
        mishaps = 0;
        start_sampling(&play, shapes[i]);
        play.random = seed + i;
        size_t before = play.readings;
        play.mangle = by_chance;
        for (int k = 0; k < 400; k++) {
            play_run(&play, US_PER_S);
            if (!play.fake.on[1])
                turn_on(&play); /* lost and found again: it was turned off */
        }
        print_message("%s: %u mishaps, %zu readings, all true\n", shape_names[i], mishaps, play.readings - before);
        assert_true(mishaps > 200);
        assert_true(play.readings - before > 200);
        assert_recovers(&play, "by chance");
        play_order(&play, (struct order){.kind = ORDER_LOAD_OFF});
        play_run(&play, 5 * US_PER_S);
        assert_false(play.fake.on[1]);
        assert_true(bench_all_off(play.bench));
        play_end(&play);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(an_answer_truncated_anywhere_is_no_reading),
        cmocka_unit_test(an_answer_with_its_end_in_the_middle_is_no_reading),
        cmocka_unit_test(bytes_that_are_no_text_make_no_reading),
        cmocka_unit_test(a_missing_byte_makes_no_reading_or_the_same),
        cmocka_unit_test(an_answer_that_comes_twice_counts_once),
        cmocka_unit_test(an_overlong_answer_is_dropped_whole),
        cmocka_unit_test(a_late_answer_is_no_reading_however_late),
        cmocka_unit_test(after_a_resynchronisation_the_first_reading_says_so),
        cmocka_unit_test(not_a_number_and_overflow_are_readings_that_say_so),
        cmocka_unit_test(a_value_beyond_the_range_is_recorded_as_such),
        cmocka_unit_test(bytes_that_nobody_asked_for_are_no_answer_to_the_next_question),
        cmocka_unit_test(no_mishap_on_the_line_ever_makes_a_reading_that_is_not_true),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
