/* What the station itself promises: armed before on, off before anything is kept, off when nothing more can be kept. */
#include "tests/whole/with_bench.h"

static const struct whole_setup demo = {.shape = "standard", .baud = 115200, .world_file = "demo.cfg", .supply_file = "supply-sample.cfg", .profile_file = "check.cfg",
                                        .only_volts = 9.0, .cable_amps = 5, .seed = 7};

struct outside {
    struct whole *whole;
    int arm_calls, disarm_calls, readings, full_after;
    bool conducted, off_was_pending, saw_abort, conducted_at_disarm;
};

static void arm(void *context)
{
    ((struct outside *)context)->arm_calls++;
}

static void disarm(void *context)
{
    struct outside *o = context;
    o->disarm_calls++;
    o->conducted_at_disarm = whole_conducts(o->whole);
}

static bool keep_reading(void *context, const struct reading *reading)
{
    struct outside *o = context;
    (void)reading;
    o->conducted |= whole_conducts(o->whole);
    return !o->full_after || ++o->readings < o->full_after;
}

static bool off_among_pending(struct station *station)
{
    struct bench *bench = station_bench(station);
    for (size_t line = 0; line < bench_lines(bench); line++) {
        size_t len;
        const char *bytes = bench_pending(bench, line, &len);
        for (size_t i = 0; bytes && i + 3 <= len; i++)
            if (memcmp(bytes + i, "OFF", 3) == 0)
                return true;
    }
    return false;
}

static bool keep_finding(void *context, const struct finding *finding)
{
    struct outside *o = context;
    if (finding->severity == SEVERITY_ABORT) {
        o->saw_abort = true;
        o->off_was_pending |= off_among_pending(rehearsal_station(o->whole->rehearsal));
    }
    return true;
}

static void start(struct outside *o, bool with_guard)
{
    struct error err = ERROR_INIT;
    struct rehearsal *r = o->whole->rehearsal;
    const struct station_keep keep = {.context = o, .reading = keep_reading, .finding = keep_finding};
    const struct station_guard guard = {.context = o, .arm = arm, .disarm = disarm};
    if (station_start(rehearsal_station(r), &o->whole->plan, &keep, with_guard ? &guard : NULL, rehearsal_now_us(r), &err) < 0)
        fail_msg("%s", err.text);
}

static bool go_on(struct outside *o, int64_t for_us)
{
    return rehearsal_go(o->whole->rehearsal, rehearsal_now_us(o->whole->rehearsal) + for_us);
}

static void wait_for_arm(struct outside *o)
{
    for (int i = 0; i < 6000 && !o->arm_calls; i++)
        go_on(o, 10 * US_PER_MS);
    assert_int_equal(o->arm_calls, 1);
}

static void no_input_goes_on_before_the_guard_has_acknowledged(void **state)
{
    struct outside o = {.whole = whole_new(&demo)};
    (void)state;
    start(&o, true);
    go_on(&o, 6 * US_PER_S);
    assert_int_equal(o.arm_calls, 1);
    assert_false(o.conducted || whole_conducts(o.whole));
    whole_free(o.whole);
}

static void with_the_guards_word_it_goes_on_and_stands_down_only_when_all_is_off(void **state)
{
    struct outside o = {.whole = whole_new(&demo)};
    struct station *station = rehearsal_station(o.whole->rehearsal);
    (void)state;
    start(&o, true);
    wait_for_arm(&o);
    station_armed(station, true, NULL, rehearsal_now_us(o.whole->rehearsal));
    assert_true(go_on(&o, 120 * US_PER_S));
    go_on(&o, 2 * US_PER_S);
    assert_true(o.conducted);
    assert_int_equal(o.disarm_calls, 1);
    assert_false(o.conducted_at_disarm);
    whole_free(o.whole);
}

static void a_guard_that_cannot_arm_ends_the_run_with_the_reason(void **state)
{
    struct outside o = {.whole = whole_new(&demo)};
    struct station *station = rehearsal_station(o.whole->rehearsal);
    enum run_end end = RUN_DONE;
    char why[SENTENCE_SIZE] = "";
    (void)state;
    start(&o, true);
    wait_for_arm(&o);
    station_armed(station, false, "the armed file can't be written", rehearsal_now_us(o.whole->rehearsal));
    go_on(&o, US_PER_S);
    assert_false(station_running(station));
    assert_true(run_over(station_run(station), &end, why, sizeof why));
    assert_int_equal(end, RUN_FAULT);
    assert_non_null(strstr(why, "armed file"));
    assert_false(o.conducted);
    whole_free(o.whole);
}

static void when_a_hard_limit_breaks_off_is_on_its_way_before_the_finding_is_kept(void **state)
{
    struct outside o = {.whole = whole_new(&demo)};
    (void)state;
    whole_strike(o.whole, 8 * US_PER_S, "over-voltage 40");
    start(&o, false);
    go_on(&o, 60 * US_PER_S);
    assert_true(o.conducted && o.saw_abort);
    assert_true(o.off_was_pending);
    assert_false(whole_conducts(o.whole));
    whole_free(o.whole);
}

static void a_record_that_can_take_no_more_turns_the_load_off(void **state)
{
    struct outside o = {.whole = whole_new(&demo), .full_after = 1500};
    enum run_end end = RUN_DONE;
    (void)state;
    start(&o, false);
    go_on(&o, 60 * US_PER_S);
    assert_true(o.conducted);
    assert_true(run_over(station_run(rehearsal_station(o.whole->rehearsal)), &end, NULL, 0));
    assert_int_equal(end, RUN_FAULT);
    assert_false(whole_conducts(o.whole));
    whole_free(o.whole);
}

static void a_second_start_is_refused_while_a_run_is_under_way(void **state)
{
    struct outside o = {.whole = whole_new(&demo)};
    struct error err = ERROR_INIT;
    (void)state;
    start(&o, false);
    assert_int_equal(station_start(rehearsal_station(o.whole->rehearsal), &o.whole->plan, NULL, NULL, rehearsal_now_us(o.whole->rehearsal), &err), -1);
    assert_int_equal(err.kind, ERROR_BUSY);
    whole_free(o.whole);
}

/* "Has answered nothing" would send the tester to the plug; garbage sends him to line speed, cable and ground. */
static void an_instrument_that_babbles_is_told_apart_from_a_silent_one(void **state)
{
    static const struct {
        const char *fault, *says;
        bool babbles;
    } rows[] = {{"wire load1 garbage", "nothing that can be understood", true}, {"wire load1 silence", "answered nothing for", false}};
    (void)state;
    for (size_t i = 0; i < 2; i++) {
        struct whole *whole = whole_new(&demo);
        whole_strike(whole, 8 * US_PER_S, rows[i].fault);
        whole_start(whole);
        whole_go(whole, 60 * US_PER_S);
        if (!whole_says(whole, rows[i].says))
            whole_print(whole);
        assert_true(whole_says(whole, rows[i].says));
        assert_int_equal(whole_says(whole, "can be understood"), rows[i].babbles);
        assert_true(whole_says(whole, "load1"));
        whole_free(whole);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(no_input_goes_on_before_the_guard_has_acknowledged),
        cmocka_unit_test(with_the_guards_word_it_goes_on_and_stands_down_only_when_all_is_off),
        cmocka_unit_test(a_guard_that_cannot_arm_ends_the_run_with_the_reason),
        cmocka_unit_test(when_a_hard_limit_breaks_off_is_on_its_way_before_the_finding_is_kept),
        cmocka_unit_test(a_record_that_can_take_no_more_turns_the_load_off),
        cmocka_unit_test(a_second_start_is_refused_while_a_run_is_under_way),
        cmocka_unit_test(an_instrument_that_babbles_is_told_apart_from_a_silent_one),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
