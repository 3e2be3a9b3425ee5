/* The way off, from any state of the line (house.md, promises 1 and 2). */
#include "with_fake.h"

#include "daemon/base/units.h"
#include "daemon/bench/machine.h"

#include <stdio.h>
#include <string.h>

static const struct order off = {.kind = ORDER_LOAD_OFF}, on = {.kind = ORDER_LOAD_ON};
static const struct order set = {.kind = ORDER_LOAD_SET, .mode = LOAD_CURRENT, .value = 2.5};
static const enum fake_shape shapes[] = {FAKE_STANDARD, FAKE_TERSE, FAKE_LATE};
static const char *const on_lines[] = {"INP1 ON", "L1 1", "ABS1 ON"};

/* Up, set to an ampere, and on if asked. */
static void start_on(struct play *play, enum fake_shape shape, bool input_on)
{
    play_start(play, shape);
    play_up(play);
    play_order(play, (struct order){.kind = ORDER_LOAD_SET, .mode = LOAD_CURRENT, .value = 1.0});
    play_run(play, 2 * US_PER_S);
    if (input_on) {
        play_order(play, on);
        play_run(play, 2 * US_PER_S);
        assert_true(play->fake.on[1]);
    }
    play_collect(play);
}

static void assert_off_confirmed(struct play *play)
{
    play_run(play, 3 * US_PER_S);
    assert_false(play->fake.on[1]);
    assert_true(bench_all_off(play->bench));
    assert_int_equal(play_outcome(play, ORDER_LOAD_OFF)->state, OUTCOME_DONE);
}

/* A message half out when off is ordered, cut behind each of its bytes: what was cut is never obeyed, off always is. */
static void cut_everywhere(enum fake_shape shape, struct order order)
{
    for (size_t cut = 0;; cut++) {
        struct play play;
        start_on(&play, shape, false);
        size_t executed = fake_count(&play.fake, on_lines[shape]), dropped = play.fake.dropped;
        play_order(&play, order);
        size_t len = 0;
        bench_pending(play.bench, 0, &len);
        if (cut >= len) {
            assert_true(len > 0 && cut > 3);
            play_end(&play);
            return;
        }
        if (cut)
            play_write(&play, cut);
        play_order(&play, off);
        size_t before = play.fake.log_len;
        while (play_write(&play, 0)) {
        }
        for (size_t i = before; i < play.fake.log_len;
             i++) /* the first thing obeyed after the cut is off, and nothing is half of anything */
            if (!strstr(play.fake.log[i], "OFF") && strcmp(play.fake.log[i], "L1 0") != 0 &&
                strcmp(play.fake.log[i], "X") != 0 && !strchr(play.fake.log[i], '?'))
                fail_msg("cut behind %zu bytes: it obeyed \"%s\"", cut, play.fake.log[i]);
        assert_off_confirmed(&play);
        assert_int_equal(fake_count(&play.fake, on_lines[shape]), executed);
        assert_float_equal(play.fake.amps[1], 1.0, 1e-9);
        assert_int_equal(play.fake.dropped > dropped,
                         cut > 0); /* spoiled where something was half out, and only there */
        play_end(&play);
    }
}

static void input_on_cut_at_any_byte_is_never_obeyed_and_off_always_is(void **state)
{
    (void)state;
    for (size_t i = 0; i < 3; i++)
        cut_everywhere(shapes[i], on);
}

static void a_set_point_cut_at_any_byte_is_never_obeyed_and_off_always_is(void **state)
{
    (void)state;
    for (size_t i = 0; i < 3; i++)
        cut_everywhere(shapes[i], set);
}

/* What a killed writer left in the instrument's buffer, cut at each byte. */
static void what_a_dead_writer_left_is_never_completed_at_line_up(void **state)
{
    static const char *const left[] = {"INP1 ON", "CURR 500 MA", "INP1 ON;CURR 3", "L1 1", "ABS1 ON"};
    (void)state;
    for (size_t row = 0; row < 5; row++) {
        for (size_t cut = 1; cut <= strlen(left[row]); cut++) {
            struct play play;
            play_start(&play, row == 3 ? FAKE_TERSE : row == 4 ? FAKE_LATE : FAKE_STANDARD);
            memcpy(play.fake.input, left[row], cut);
            play.fake.input_len = cut;
            play_up(&play);
            assert_false(play.fake.on[1]);
            assert_float_equal(play.fake.amps[1], 0.0, 0);
            assert_true(play.fake.dropped >= 1);
            play_end(&play);
        }
    }
}

static void off_is_the_very_first_thing_obeyed_at_line_up(void **state)
{
    static const char *const want[] = {"INP:ALL OFF", "X", "ABS:ALL OFF"};
    (void)state;
    for (size_t i = 0; i < 3; i++) {
        struct play play;
        play_start(&play, shapes[i]);
        play.fake.on[1] = true; /* left on by whoever died */
        bench_line_up(play.bench, 0, play.now_us);
        while (play_write(&play, 0)) {
        }
        assert_string_equal(play.fake.log[0], want[i]);
        assert_false(play.fake.on[1]);
        play_end(&play);
    }
}

/* At whatever moment of ordinary sampling off is ordered: its bytes are the next on the wire, and it ends confirmed. */
static void off_goes_out_at_once_at_any_moment_of_sampling(void **state)
{
    (void)state;
    for (size_t i = 0; i < 3; i++) {
        for (int64_t after_us = 0; after_us < 400000; after_us += 1700) {
            struct play play;
            start_on(&play, shapes[i], true);
            bench_sampling(play.bench, true);
            play.write_at_most = 3;
            play_run(&play, after_us);
            play_order(&play, off);
            size_t len, obeyed = play.fake.log_len;
            const char *next = bench_pending(play.bench, 0, &len);
            assert_true(len > 0 && (next[0] == '!' || next[0] == 'I' || next[0] == 'L' || next[0] == 'A'));
            while (play_write(&play, 0)) {
            }
            assert_false(play.fake.on[1]); /* in the same breath, whatever answer was pending */
            assert_true(play.fake.log_len > obeyed);
            assert_off_confirmed(&play);
            play_end(&play);
        }
    }
}

static void off_beside_a_pending_answer_is_sent_again_after_it(void **state)
{
    (void)state;
    for (size_t i = 0; i < 3; i++) {
        static const char *const off_lines[] = {"INP1 OFF", "L1 0", "ABS1 OFF"};
        struct play play;
        start_on(&play, shapes[i], true);
        bench_sampling(play.bench, true);
        bench_tick(play.bench, play.now_us);
        while (play_write(&play, 0)) {
        }
        size_t before = fake_count(&play.fake, off_lines[i]);
        play_order(&play, off);
        assert_off_confirmed(&play);
        assert_true(fake_count(&play.fake, off_lines[i]) >= before + 2);
        play_end(&play);
    }
}

static void off_after_a_time_out_is_spoiled_sent_and_confirmed(void **state)
{
    (void)state;
    for (size_t i = 0; i < 3; i++) {
        struct play play;
        start_on(&play, shapes[i], true);
        bench_sampling(play.bench, true);
        play.deaf = true;
        play_run(&play, 300000);
        play_order(&play, off);
        play_run(&play, 100000);
        play.deaf = false;
        play_run(&play, 4 * US_PER_S);
        assert_false(play.fake.on[1]);
        assert_true(bench_all_off(play.bench));
        play_end(&play);
    }
}

/* However long nobody hears: as soon as it listens again it is turned off, and no sample, set or on comes before that.
 */
static void after_a_silence_of_any_length_off_is_the_first_thing_obeyed(void **state)
{
    (void)state;
    for (size_t i = 0; i < 3; i++) {
        for (int64_t silence_us = 100000; silence_us < 8 * US_PER_S; silence_us += 770000) {
            struct play play;
            start_on(&play, shapes[i], true);
            bench_sampling(play.bench, true);
            play.deaf = true;
            play_run(&play, 50000);
            play_order(&play, off);
            play_run(&play, silence_us);
            play.deaf = false;
            size_t heard = play.fake.log_len;
            play_run(&play, 5 * US_PER_S);
            assert_false(play.fake.on[1]);
            assert_true(bench_all_off(play.bench));
            for (size_t k = heard; k < play.fake.log_len; k++)
                if (strcmp(play.fake.log[k], on_lines[i]) == 0)
                    fail_msg("it was turned on after a silence");
            play_end(&play);
        }
    }
}

static void orders_that_stand_before_off_are_dropped_and_told_so(void **state)
{
    struct play play;
    (void)state;
    start_on(&play, FAKE_TERSE, false);
    play_order(&play, set);
    play_order(&play, on);
    play_order(&play, off);
    assert_off_confirmed(&play);
    assert_int_equal(play_outcome(&play, ORDER_LOAD_ON)->state, OUTCOME_FAILED);
    assert_int_equal(fake_count(&play.fake, "L1 1"), 0);
    assert_int_equal(fake_count(&play.fake, "I1 2.5"), 0);
    play_end(&play);
}

static void each_off_ordered_gets_its_outcome(void **state)
{
    struct play play;
    (void)state;
    start_on(&play, FAKE_STANDARD, true);
    size_t before = play.outcomes;
    for (int i = 0; i < 5; i++)
        play_order(&play, off);
    assert_off_confirmed(&play);
    assert_int_equal(play.outcomes - before, 5);
    play_end(&play);
}

static void input_on_travels_alone_and_is_said_once(void **state)
{
    (void)state;
    for (size_t i = 0; i < 3; i++) {
        struct play play;
        start_on(&play, shapes[i], true);
        assert_int_equal(fake_count(&play.fake, on_lines[i]), 1);
        for (size_t k = 0; k < play.fake.log_len; k++)
            if (strstr(play.fake.log[k], on_lines[i]))
                assert_string_equal(play.fake.log[k], on_lines[i]);
        play_end(&play);
    }
}

/* The answer that would confirm input-on never comes: it is not said again, and ends off. */
static size_t nothing_comes(struct play *play, char *bytes, size_t len, size_t size)
{
    (void)play;
    (void)bytes;
    (void)len;
    (void)size;
    return 0;
}

static void an_input_on_that_nobody_confirms_ends_off(void **state)
{
    (void)state;
    for (size_t i = 0; i < 3; i++) {
        struct play play;
        start_on(&play, shapes[i], false);
        play.mangle = nothing_comes;
        play_order(&play, on);
        play_run(&play, 8 * US_PER_S);
        assert_true(fake_count(&play.fake, on_lines[i]) <= 1);
        assert_false(play.fake.on[1]);
        assert_int_equal(play_outcome(&play, ORDER_LOAD_ON)->state, OUTCOME_FAILED);
        assert_non_null(play_finding(&play, FINDING_LINK));
        play_end(&play);
    }
}

static void a_load_that_refuses_input_on_is_off_and_says_why(void **state)
{
    struct play play;
    (void)state;
    start_on(&play, FAKE_STANDARD, false);
    play.fake.trips = 16;
    play_order(&play, on);
    play_run(&play, 3 * US_PER_S);
    const struct outcome *outcome = play_outcome(&play, ORDER_LOAD_ON);
    assert_int_equal(outcome->state, OUTCOME_FAILED);

    assert_non_null(strstr(outcome->text, "under-voltage"));
    assert_non_null(strstr(outcome->text, "-221"));
    assert_int_equal(play.fake.trips, 0); /* cleared for the next try */
    play_order(&play, on);
    play_run(&play, 3 * US_PER_S);
    assert_int_equal(play_outcome(&play, ORDER_LOAD_ON)->state, OUTCOME_DONE);
    play_end(&play);
}

static void a_load_that_says_on_after_off_is_an_abort(void **state)
{
    struct play play;
    (void)state;
    start_on(&play, FAKE_STANDARD, true);
    play.fake.stuck_on = true;
    play_order(&play, off);
    play_run(&play, 4 * US_PER_S);
    const struct finding *finding = play_finding(&play, FINDING_INPUT_ON);
    assert_non_null(finding);
    assert_int_equal(finding->severity, SEVERITY_ABORT);
    assert_int_equal(play_outcome(&play, ORDER_LOAD_OFF)->state, OUTCOME_FAILED);
    assert_false(bench_all_off(play.bench));
    assert_true(fake_count(&play.fake, "INP1 OFF") > 10); /* and goes on trying */
    play.fake.stuck_on = false;
    play_run(&play, 4 * US_PER_S);
    assert_true(bench_all_off(play.bench));
    play_end(&play);
}

/* The power stage is shorted: the load says off and draws. 2 % of 10 A is 0.2 A. */
static size_t says_off_but_draws(struct play *play, char *bytes, size_t len, size_t size)
{
    const char *last = play->fake.log[play->fake.log_len - 1];
    (void)size;
    if (strncmp(last, "INP", 3) == 0 && strchr(last, '?') && len == 2)
        bytes[0] = '0';
    return len;
}

static void current_a_second_after_off_is_an_abort_with_and_without_sampling(void **state)
{
    (void)state;
    for (int sampling = 0; sampling < 2; sampling++) {
        struct play play;
        start_on(&play, FAKE_STANDARD, true);
        bench_sampling(play.bench, sampling == 1);
        play.fake.stuck_on = true;
        play.mangle = says_off_but_draws;
        play_order(&play, off);
        play_run(&play, 900000);
        assert_null(play_finding(&play, FINDING_INPUT_ON));
        play_run(&play, 2 * US_PER_S);
        const struct finding *finding = play_finding(&play, FINDING_INPUT_ON);
        assert_non_null(finding);
        assert_int_equal(finding->severity, SEVERITY_ABORT);
        assert_non_null(strstr(finding->text, "2 % of max_amps"));
        assert_false(bench_all_off(play.bench));
        play_end(&play);
    }
}

static void no_current_after_off_is_no_finding(void **state)
{
    struct play play;
    (void)state;
    start_on(&play, FAKE_STANDARD, true);
    play_order(&play, off);
    play_run(&play, 10 * US_PER_S);
    assert_int_equal(play.findings, 0);
    assert_true(bench_all_off(play.bench));
    play_end(&play);
}

static void one_channel_off_leaves_the_other_on(void **state)
{
    struct play play;
    (void)state;
    play_start_with(&play, FAKE_STANDARD, 0, 2);
    play_up(&play);
    for (int port = 0; port < 2; port++) {
        play_order(&play, (struct order){.kind = ORDER_LOAD_SET, .port = port, .value = 1.0 + port});
        play_order(&play, (struct order){.kind = ORDER_LOAD_ON, .port = port});
        play_run(&play, US_PER_S);
    }
    assert_true(play.fake.on[1] && play.fake.on[2]);
    play_order(&play, (struct order){.kind = ORDER_LOAD_OFF, .port = 1});
    play_run(&play, 3 * US_PER_S);
    assert_true(play.fake.on[1]);
    assert_false(play.fake.on[2]);
    assert_int_equal(play.findings, 0);
    bench_off_all(play.bench, play.now_us);
    while (play_write(&play, 0)) {
    }
    assert_false(play.fake.on[1]);
    play_run(&play, 3 * US_PER_S);
    assert_true(bench_all_off(play.bench));
    play_end(&play);
}

static void a_change_of_mode_turns_off_first_and_never_on(void **state)
{
    (void)state;
    for (size_t i = 0; i < 2; i++) {
        struct play play;
        static const char *const mode_lines[] = {"FUNC1 VOLT;FUNC1?", "B1 U"};
        static const char *const off_lines[] = {"INP1 OFF", "L1 0"};
        start_on(&play, shapes[i], true);
        play_order(&play, (struct order){.kind = ORDER_LOAD_SET, .mode = LOAD_VOLTAGE, .value = 8.0});
        play_run(&play, 3 * US_PER_S);
        assert_int_equal(play_outcome(&play, ORDER_LOAD_SET)->state, OUTCOME_DONE);
        assert_false(play.fake.on[1]);
        size_t off_at = 0, mode_at = 0;
        for (size_t k = 0; k < play.fake.log_len; k++) {
            off_at = strcmp(play.fake.log[k], off_lines[i]) == 0 && !mode_at ? k : off_at;
            mode_at = strcmp(play.fake.log[k], mode_lines[i]) == 0 ? k : mode_at;
        }
        assert_true(off_at > 0 && off_at < mode_at);
        assert_float_equal(play.fake.volts, 8.0, 1e-9);
        play_end(&play);
    }
}

/* What goes into the armed file must be enough for somebody who knows nothing else. */
static void the_recipe_alone_turns_the_load_off_from_any_half_message(void **state)
{
    (void)state;
    for (size_t i = 0; i < 3; i++) {
        struct play play;
        struct off_recipe recipe[4];
        play_start(&play, shapes[i]);
        assert_int_equal(bench_off_recipes(play.bench, recipe, 4), 1);
        for (size_t cut = 0; cut <= strlen(on_lines[i]); cut++) {
            struct fake fake;
            fake_start(&fake, shapes[i]);
            fake.on[1] = true;
            memcpy(fake.input, on_lines[i], cut);
            fake.input_len = cut;
            for (size_t k = 0; k < recipe->spoil_len; k++)
                fake_hear(&fake, (char)recipe->spoil[k]);
            for (size_t k = 0; k < recipe->off_len; k++)
                fake_hear(&fake, (char)recipe->off[k]);
            assert_false(fake.on[1]);
            assert_int_equal(fake_count(&fake, on_lines[i]), 0);
            for (size_t k = 0; k < recipe->query_len; k++)
                fake_hear(&fake, (char)recipe->query[k]);
            assert_int_equal(strlen(fake.answer), recipe->answer_off_len);
            assert_memory_equal(fake.answer, recipe->answer_off, recipe->answer_off_len);
        }
        play_end(&play);
    }
}

static void off_on_a_lost_line_fails_at_once_and_happens_when_it_is_back(void **state)
{
    struct play play;
    (void)state;
    start_on(&play, FAKE_STANDARD, true);
    bench_line_down(play.bench, 0, play.now_us, "unplugged");
    play_order(&play, off);
    assert_int_equal(play_outcome(&play, ORDER_LOAD_OFF)->state, OUTCOME_FAILED);
    assert_int_equal(play_finding(&play, FINDING_LINK)->severity, SEVERITY_ABORT);
    assert_false(bench_all_off(play.bench));
    play.out_len = 0;
    play_up(&play);
    assert_false(play.fake.on[1]);
    assert_true(bench_all_off(play.bench));
    play_end(&play);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(input_on_cut_at_any_byte_is_never_obeyed_and_off_always_is),
        cmocka_unit_test(a_set_point_cut_at_any_byte_is_never_obeyed_and_off_always_is),
        cmocka_unit_test(what_a_dead_writer_left_is_never_completed_at_line_up),
        cmocka_unit_test(off_is_the_very_first_thing_obeyed_at_line_up),
        cmocka_unit_test(off_goes_out_at_once_at_any_moment_of_sampling),
        cmocka_unit_test(off_beside_a_pending_answer_is_sent_again_after_it),
        cmocka_unit_test(off_after_a_time_out_is_spoiled_sent_and_confirmed),
        cmocka_unit_test(after_a_silence_of_any_length_off_is_the_first_thing_obeyed),
        cmocka_unit_test(orders_that_stand_before_off_are_dropped_and_told_so),
        cmocka_unit_test(each_off_ordered_gets_its_outcome),
        cmocka_unit_test(input_on_travels_alone_and_is_said_once),
        cmocka_unit_test(an_input_on_that_nobody_confirms_ends_off),
        cmocka_unit_test(a_load_that_refuses_input_on_is_off_and_says_why),
        cmocka_unit_test(a_load_that_says_on_after_off_is_an_abort),
        cmocka_unit_test(current_a_second_after_off_is_an_abort_with_and_without_sampling),
        cmocka_unit_test(no_current_after_off_is_no_finding),
        cmocka_unit_test(one_channel_off_leaves_the_other_on),
        cmocka_unit_test(a_change_of_mode_turns_off_first_and_never_on),
        cmocka_unit_test(the_recipe_alone_turns_the_load_off_from_any_half_message),
        cmocka_unit_test(off_on_a_lost_line_fails_at_once_and_happens_when_it_is_back),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
