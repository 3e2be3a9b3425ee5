#include "tests/run/with_fake.h"

static void until_loaded(struct fake *fake)
{
    while (!fake->on[0])
        assert_true(fake_step(fake));
    fake_play(fake, fake->now_us + US_PER_S);
    assert_true(fake->on[0]);
}

static void stop_turns_off_first_and_ends_the_run_as_stopped(void **state)
{
    (void)state;
    struct fake *fake = fake_new(200);
    fake_begin(fake);
    until_loaded(fake);
    fake_command(fake, RUN_STOP, "lunch");
    enum run_end end;
    char why[SENTENCE_SIZE];
    assert_true(run_over(fake->run, &end, why, sizeof why));
    assert_int_equal(end, RUN_STOPPED);
    assert_non_null(strstr(why, "lunch"));
    fake_free(fake);
}

static void hold_switches_off_and_resume_selects_again_and_repeats_the_interrupted_dwell(void **state)
{
    (void)state;
    struct fake *fake = fake_new(201);
    fake_begin(fake);
    until_loaded(fake);
    fake_command(fake, RUN_HOLD, "");
    assert_false(fake->on[0]);
    fake_play(fake, fake->now_us + 3600 * US_PER_S);
    assert_false(fake->on[0]);
    size_t selects = fake_orders(fake, ORDER_SELECT);
    fake_command(fake, RUN_RESUME, "");
    assert_int_equal(fake_orders(fake, ORDER_SELECT), selects + 1);
    assert_int_equal(fake_to_end(fake), RUN_DONE);
    assert_int_equal(fake_count(fake, MARK_POINT, 0), 5);
    assert_int_equal(fake_count(fake, MARK_CONTRACT, 0), 2);
    assert_int_equal(fake_count(fake, MARK_HOLD, -1), 1);
    assert_int_equal(fake_count(fake, MARK_RESUME, -1), 1);
    for (size_t i = 0; i < 5; i++)
        assert_int_equal(fake_mark(fake, MARK_POINT, 0, i)->at_us - fake_mark(fake, MARK_POINT, 0, i)->from_us, 3 * US_PER_S / 2);
    fake_free(fake);
}

static void a_hold_at_any_moment_ends_in_a_load_that_stays_off_and_a_run_that_can_be_finished(void **state)
{
    (void)state;
    for (int64_t at_us = 0; at_us < 200 * US_PER_S; at_us += 3100 * US_PER_MS) {
        struct fake *fake = fake_new(202);
        fake_characterise(fake);
        fake->manner = MANNER_FALLBACK;
        for (int c = 0; c < 4; c++)
            fake->plan.contract_chosen[0][c] = false;
        fake_begin(fake);
        fake_play(fake, at_us);
        if (run_over(fake->run, NULL, NULL, 0)) {
            fake_free(fake);
            return;
        }
        fake_command(fake, RUN_HOLD, "");
        fake_play(fake, fake->now_us + 200 * US_PER_S);
        assert_false(fake->on[0]);
        struct run_progress progress;
        run_progress(fake->run, fake->now_us, &progress);
        assert_true(progress.held);
        assert_string_equal(progress.doing, "held");
        fake_command(fake, RUN_RESUME, "");
        assert_int_equal(fake_to_end(fake), RUN_DONE);
        assert_int_equal(fake_count(fake, MARK_CAPACITY, 4), 1);
        fake_free(fake);
    }
}

static void refused_commands_change_nothing(void **state)
{
    (void)state;
    struct fake *fake = fake_new(203);
    fake_begin(fake);
    until_loaded(fake);
    static const enum run_command refused[] = {RUN_RESUME, RUN_ANSWER, RUN_NOTE, RUN_COMMANDS};
    for (size_t i = 0; i < 4; i++) {
        struct error error = ERROR_INIT;
        assert_int_equal(run_command(fake->run, refused[i], "", fake->now_us, &fake->out, &error), -1);
        assert_true(strlen(error.text) > 10);
        assert_int_equal(fake->out.orders_len + fake->out.marks_len + fake->out.findings_len, 0);
    }
    assert_int_equal(fake_to_end(fake), RUN_DONE);
    struct error error = ERROR_INIT;
    assert_int_equal(run_command(fake->run, RUN_STOP, "", fake->now_us, &fake->out, &error), -1);
    fake_free(fake);
}

static void nobody_resumes_for_a_day_and_the_run_ends_as_stopped(void **state)
{
    (void)state;
    struct fake *fake = fake_new(204);
    fake->reading_us = 900 * US_PER_MS;
    fake_begin(fake);
    until_loaded(fake);
    fake_command(fake, RUN_HOLD, "");
    assert_int_equal(fake_to_end(fake), RUN_STOPPED);
    fake_free(fake);
}

static void a_note_stands_in_the_marks(void **state)
{
    (void)state;
    struct fake *fake = fake_new(205);
    fake_begin(fake);
    fake_command(fake, RUN_NOTE, "coil whine at 9 V");
    assert_string_equal(fake_mark(fake, MARK_NOTE, -1, 0)->text, "coil whine at 9 V");
    fake_to_end(fake);
    fake_free(fake);
}

static void an_abort_of_the_station_is_off_first_and_a_fault_with_its_sentence(void **state)
{
    (void)state;
    struct fake *fake = fake_new(206);
    fake_begin(fake);
    until_loaded(fake);
    run_abort(fake->run, RUN_FAULT, "the record is full", fake->now_us, &fake->out);
    assert_int_equal(fake->out.findings_len, 1);
    assert_string_equal(fake->out.findings[0].text, "the record is full");
    fake_take(fake, true);
    assert_true(fake->finished);
    run_abort(fake->run, RUN_FAULT, "again", fake->now_us, &fake->out);
    assert_int_equal(fake->out.orders_len, 0);
    fake_free(fake);
}

static void bench_findings_are_recorded_and_answered_by_their_severity(void **state)
{
    (void)state;
    static const struct {
        enum finding_kind kind;
        enum severity severity;
        bool over, ends;
    } rows[] = {{FINDING_LINK, SEVERITY_WARNING, false, false}, {FINDING_LINK, SEVERITY_TRIP, false, true},  {FINDING_LINK, SEVERITY_ABORT, true, false},
                {FINDING_INPUT_ON, SEVERITY_ABORT, false, true}, {FINDING_SENSE, SEVERITY_ABORT, false, true}, {FINDING_OVERLOAD, SEVERITY_NOTE, false, false}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct fake *fake = fake_new(207);
        fake_begin(fake);
        until_loaded(fake);
        struct finding finding = {.at_us = fake->now_us, .kind = rows[i].kind, .severity = rows[i].severity, .over = rows[i].over, .port = i == 1 ? -1 : 0, .text = "said by the bench"};
        run_bench_finding(fake->run, &finding, &fake->out);
        assert_int_equal(fake->out.findings_len, 1);
        fake_take(fake, rows[i].ends);
        enum run_end end = RUN_DONE;
        assert_int_equal(run_over(fake->run, &end, NULL, 0), rows[i].ends);
        assert_true(!rows[i].ends || end == RUN_FAULT);
        fake_free(fake);
    }
}

static void a_load_that_refuses_or_ignores_what_it_must_do_is_a_fault(void **state)
{
    (void)state;
    static const enum order_kind kinds[] = {ORDER_LOAD_OFF, ORDER_LOAD_PROTECT, ORDER_LOAD_SET, ORDER_LOAD_ON};
    for (size_t i = 0; i < 8; i++) {
        struct fake *fake = fake_new(208);
        fake_begin(fake);
        while (!run_over(fake->run, NULL, NULL, 0)) {
            for (size_t p = 0; p < fake->pending_len; p++) {
                if (fake->pending[p].kind != kinds[i / 2])
                    continue;
                if (i % 2)
                    fake->pending[p].state = OUTCOME_FAILED;
                else
                    fake->pending[p].at_us = NEVER_US;
            }
            fake_step(fake);
        }
        enum run_end end;
        char why[SENTENCE_SIZE];
        run_over(fake->run, &end, why, sizeof why);
        assert_int_equal(end, RUN_FAULT);
        assert_non_null(strstr(why, "load1"));
        assert_true(fake->now_us < 40 * US_PER_S);
        fake_free(fake);
    }
}

static void two_ports_are_tested_one_after_the_other_and_both_are_off_at_the_end(void **state)
{
    (void)state;
    struct fake *fake = fake_new(209);
    fake->plan.bench.seats[1] = fake->plan.bench.seats[0];
    fake->plan.bench.seats[1].channel = 2;
    fake->plan.bench.seats_len = 2;
    fake->plan.supply.ports[1] = fake->plan.supply.ports[0];
    strcpy(fake->plan.supply.ports[1].name, "C2");
    fake->plan.supply.ports_len = 2;
    fake->plan.port_of_seat[1] = 1;
    fake->plan.contract_chosen[1][0] = true; /* gives nothing in this fake */
    fake_begin(fake);
    assert_int_equal(fake_to_end(fake), RUN_DONE);
    size_t reached = 0, failed = 0;
    for (size_t i = 0; i < fake->marks_len; i++) {
        reached += fake->marks[i].kind == MARK_CONTRACT && fake->marks[i].held && fake->marks[i].port == 0;
        failed += fake->marks[i].kind == MARK_CONTRACT && !fake->marks[i].held && fake->marks[i].port == 1;
    }
    assert_int_equal(reached, 5);
    assert_int_equal(failed, 1);
    fake_free(fake);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(stop_turns_off_first_and_ends_the_run_as_stopped),
        cmocka_unit_test(hold_switches_off_and_resume_selects_again_and_repeats_the_interrupted_dwell),
        cmocka_unit_test(a_hold_at_any_moment_ends_in_a_load_that_stays_off_and_a_run_that_can_be_finished),
        cmocka_unit_test(refused_commands_change_nothing),
        cmocka_unit_test(nobody_resumes_for_a_day_and_the_run_ends_as_stopped),
        cmocka_unit_test(a_note_stands_in_the_marks),
        cmocka_unit_test(an_abort_of_the_station_is_off_first_and_a_fault_with_its_sentence),
        cmocka_unit_test(bench_findings_are_recorded_and_answered_by_their_severity),
        cmocka_unit_test(a_load_that_refuses_or_ignores_what_it_must_do_is_a_fault),
        cmocka_unit_test(two_ports_are_tested_one_after_the_other_and_both_are_off_at_the_end),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
