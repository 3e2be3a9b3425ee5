/*
 * Each fault of the simulator struck in each kind of stage, at seeded moments: the run ends or goes on, and at the end the load is off in the world itself.
 * Whole campaign with another seed: whole_test_faults SEED
 */
#include "tests/whole/with_bench.h"

#include "daemon/figures/figures.h"

#define LONGEST_US (1500 * US_PER_S) /* the ladder with mains off and an operator who never comes, several times */
#define AFTER_US   (12 * US_PER_S)   /* the load's own time-out and another off have passed by then */
#define LOOK_US    (50 * US_PER_MS)

static uint64_t seed = 20261;

static const char world[] = "supply = { name = \"Plain 30\"; budget_watts = 60.0; budget_ratio = 3.0; ports = ( { limit = \"hiccup\"; limit_ratio = 1.12;\n"
                            "contracts = ( { volts = 5.0; amps = 3.0; }, { volts = 9.0; amps = 3.0; } ); } ); }; channels = ( { port = 1; } );";
static const char label[] = "supply = { name = \"Plain 30\"; total_watts = 30.0; ports = ( { name = \"C1\"; connector = \"usb-c\"; contracts = (\n"
                            "{ volts = 5.0; amps = 3.0; }, { volts = 9.0; amps = 3.0; } ); } ); };\n";
static const char profile[] = "profile = { name = \"every-kind\"; each = \"contract\"; on_trip = \"next\"; sample_period = \"40 ms\"; stages = (\n"
                              "{ kind = \"idle\"; name = \"idle\"; dwell = \"1 s\"; settle = \"300 ms\"; },\n"
                              "{ kind = \"step\"; name = \"step\"; rated_percent = [ 50.0, 100.0 ]; dwell = \"800 ms\"; settle = \"200 ms\"; },\n"
                              "{ kind = \"ramp\"; name = \"ramp\"; from_percent = 10.0; to_percent = 100.0; slew_amps_per_s = 2.0; },\n"
                              "{ kind = \"hold\"; name = \"hold\"; rated_percent = 100.0; dwell = \"1500 ms\"; settle = \"300 ms\"; },\n"
                              "{ kind = \"soak\"; name = \"soak\"; rated_percent = 80.0; dwell = \"2 s\"; settle = \"300 ms\"; },\n"
                              "{ kind = \"capacity\"; name = \"capacity\"; dwell = \"600 ms\"; settle = \"200 ms\"; cap_percent = 150.0; resolution_percent = 4.0; slew_amps_per_s = 4.0; trips_max = 2; },\n"
                              "{ kind = \"recover\"; name = \"recover\"; },\n"
                              "{ kind = \"trace\"; name = \"trace\"; dwell = \"300 ms\"; settle = \"100 ms\"; from_percent = 95.0; to_percent = 60.0; points = 4; max_joules = 500.0; } ); };\n";

/* Unpaced: what the fault does to the bytes is the same, and a campaign costs a third. The paced one is slow enough for a byte to matter. */
static const struct {
    const char *shape;
    int baud;
} benches[] = {{"standard", 0}, {"terse", 0}, {"late", 0}, {"standard", 115200}};
enum { BENCHES = sizeof benches / sizeof benches[0] };

static struct whole *bench(size_t which)
{
    const struct whole_setup setup = {.shape = benches[which].shape, .baud = benches[which].baud, .world_text = world, .supply_text = label, .profile_text = profile, .only_volts = 9.0, .cable_amps = 5, .seed = 11};
    return whole_new(&setup);
}

/* ---- when each kind of stage is under way, in a run without faults ---- */

static struct {
    int64_t from_us, to_us;
} spans[BENCHES][STAGE_KINDS];

static bool span_bench(size_t which)
{
    struct whole *w = bench(which);
    whole_run(w, LONGEST_US);
    for WHOLE_EACH (struct mark, mark, w->marks) {
        enum stage_kind kind = mark->stage >= 0 ? w->plan.profile.stages[mark->stage].kind : STAGE_KINDS;
        if (mark->kind == MARK_STAGE_BEGIN)
            spans[which][kind].from_us = mark->at_us - w->begin_us;
        if (mark->kind == MARK_STAGE_END)
            spans[which][kind].to_us = mark->at_us - w->begin_us;
    }
    bool good = w->end == RUN_DONE && !whole_conducts(w);
    for (int kind = 0; kind < STAGE_KINDS; kind++)
        good = good && spans[which][kind].to_us > spans[which][kind].from_us;
    if (!good)
        whole_print(w);
    whole_free(w);
    return good;
}

static int setup_spans(void **state)
{
    (void)state;
    print_message("seed %llu\n", (unsigned long long)seed);
    for (size_t which = 0; which < BENCHES; which++)
        if (!span_bench(which))
            return -1;
    return 0;
}

static double uniform(void)
{
    return (double)(figures_random(&seed) >> 11) * 0x1p-53;
}

static int64_t moment_in(size_t which, enum stage_kind kind)
{
    return spans[which][kind].from_us + (int64_t)(uniform() * (double)(spans[which][kind].to_us - spans[which][kind].from_us));
}

/* ---- one fault, one moment ---- */

struct fault {
    const char *line;
    const char *names;     /* an instrument that the sentence has to name if the run ends early; NULL: the supply's doing, the port is named */
    bool supply_may_seem; /* to have given way: what the instrument does wrong can't be told from that */
    bool off_is_not_enough; /* no order switches this load off: the mains has to go */
};

struct tally {
    size_t runs, ends[RUN_ENDS];
    double slowest_s; /* from the fault to the load off, where the run ended for it */
};

static bool is_safe(struct whole *w, const struct fault *fault)
{
    return !whole_conducts(w) || (fault->off_is_not_enough && !world_mains_is_on(whole_world(w)));
}

/* Steps on while looking from outside; returns when it was last seen unsafe. */
static int64_t look_on(struct whole *w, const struct fault *fault)
{
    struct run *run = station_run(rehearsal_station(w->rehearsal));
    int64_t unsafe_us = rehearsal_now_us(w->rehearsal), over_us = NEVER_US;
    for (;;) {
        int64_t now_us = rehearsal_now_us(w->rehearsal);
        if (!is_safe(w, fault))
            unsafe_us = now_us;
        if (over_us == NEVER_US && run_over(run, &w->end, w->why, sizeof w->why))
            over_us = w->end_us = now_us;
        if (now_us > w->begin_us + LONGEST_US || (over_us != NEVER_US && now_us > over_us + AFTER_US))
            return unsafe_us;
        rehearsal_wait(w->rehearsal, now_us + (now_us < unsafe_us + US_PER_S || over_us != NEVER_US ? LOOK_US : US_PER_S));
    }
}

static bool says_who(const struct whole *w, const struct fault *fault)
{
    if (w->end == RUN_DONE)
        return true;
    if (!w->why[0])
        return false;
    if (fault->names)
        return whole_says(w, fault->names) && (w->end == RUN_FAULT || fault->supply_may_seem);
    return whole_says(w, "port");
}

static bool struck(const struct fault *fault, size_t which, enum stage_kind kind, struct tally *tally)
{
    int64_t at_us = moment_in(which, kind);
    struct whole *w = bench(which);
    whole_start(w);
    rehearsal_wait(w->rehearsal, w->begin_us + at_us);
    whole_strike(w, 0, fault->line);
    int64_t unsafe_us = look_on(w, fault);
    bool over = run_over(station_run(rehearsal_station(w->rehearsal)), NULL, NULL, 0);
    bool good = over && is_safe(w, fault) && says_who(w, fault);
    if (!good) {
        whole_print(w);
        print_message("\"%s\" in %s at %.3f s, %s dialect: %s, %s, %s\n", fault->line, stage_kind_name(kind), (double)at_us * 1e-6, benches[which].shape, over ? "ended" : "NEVER ENDED", is_safe(w, fault) ? "safe" : "NOT SAFE",
                      says_who(w, fault) ? "and says who" : "but DOESN'T SAY WHO");
    }
    tally->runs++;
    tally->ends[w->end]++;
    double took_s = (double)(unsafe_us - w->begin_us - at_us) * 1e-6;
    if (w->end != RUN_DONE && took_s > tally->slowest_s)
        tally->slowest_s = took_s;
    whole_free(w);
    return good;
}

static void strike_all(const struct fault *faults, size_t count, size_t kinds_each)
{
    size_t bad = 0;
    print_message("table: fault | runs | done | tripped | fault | slowest s from the fault to load off\n");
    for (size_t i = 0; i < count; i++) {
        struct tally tally = {0};
        size_t first = (size_t)(uniform() * STAGE_KINDS);
        for (size_t k = 0; k < kinds_each; k++) {
            enum stage_kind kind = (enum stage_kind)((first + k) % STAGE_KINDS);
            bad += !struck(&faults[i], (i + k) % BENCHES, kind, &tally);
        }
        print_message("table: %s | %zu | %zu | %zu | %zu | %.2f\n", faults[i].line, tally.runs, tally.ends[RUN_DONE], tally.ends[RUN_TRIPPED], tally.ends[RUN_FAULT], tally.slowest_s);
    }
    assert_int_equal(bad, 0);
}

#define STRIKE(faults, kinds_each) strike_all(faults, sizeof(faults) / sizeof(faults)[0], kinds_each)

static void a_line_to_the_load_that_goes_wrong_ends_with_the_load_off(void **state)
{
    static const struct fault faults[] = {
        {"wire load1 drop", "load1", false, false},     {"wire load1 corrupt", "load1", false, false},    {"wire load1 duplicate", "load1", false, false}, {"wire load1 truncate", "load1", false, false},
        {"wire load1 delay 700", "load1", false, false}, {"wire load1 merge", "load1", false, false},     {"wire load1 stale", "load1", false, false},     {"wire load1 garbage", "load1", false, false},
        {"wire load1 nan", "load1", false, false},      {"wire load1 over-range", "load1", false, false}, {"wire load1 silence", "load1", false, false},   {"wire load1 hang-up", "load1", false, false},
    };
    (void)state;
    STRIKE(faults, STAGE_KINDS);
}

static void a_short_upset_of_the_line_ends_with_the_load_off(void **state)
{
    static const struct fault faults[] = {
        {"wire load1 drop next", "load1", false, false},    {"wire load1 corrupt for 2", "load1", false, false},  {"wire load1 duplicate next", "load1", false, false}, {"wire load1 truncate next", "load1", false, false},
        {"wire load1 delay 300 next", "load1", false, false}, {"wire load1 merge next", "load1", false, false},   {"wire load1 stale for 3", "load1", false, false},    {"wire load1 garbage next", "load1", false, false},
        {"wire load1 nan next", "load1", false, false},     {"wire load1 over-range next", "load1", false, false},
    };
    (void)state;
    STRIKE(faults, 3);
}

static void a_line_to_another_instrument_that_goes_wrong_ends_with_the_load_off(void **state)
{
    static const struct fault faults[] = {
        {"wire selector1 silence", "selector1", false, false}, {"wire selector1 garbage", "selector1", false, false}, {"wire selector1 hang-up", "selector1", false, false}, {"power selector1 cycle", "selector1", false, false},
        {"wire mains1 silence", "mains1", false, false},       {"wire mains1 hang-up", "mains1", false, false},       {"wire thermo1 silence", "thermo1", false, false},     {"wire thermo1 corrupt", "thermo1", false, false},
        {"wire thermo1 hang-up", "thermo1", false, false},
    };
    (void)state;
    STRIKE(faults, 3);
}

static void a_load_that_goes_wrong_ends_with_the_load_off(void **state)
{
    static const struct fault faults[] = {
        {"power-stage-short", "load1", true, true}, {"input-ignored", "load1", true, true},          {"sense-open", "port", true, false},            {"sense-reversed", "port", true, false},
        {"readback-drift 60", "port", true, false}, {"reading-stuck", "port", true, false},          {"instrument-power-cycle", "load1", false, false}, {"instrument-power-off", "load1", false, false},
        {"power load1 cycle", "load1", false, false}, {"input-on-after-power", "load1", false, false},
    };
    (void)state;
    STRIKE(faults, STAGE_KINDS);
}

static void a_supply_or_mains_that_goes_wrong_ends_with_the_load_off(void **state)
{
    static const struct fault faults[] = {
        {"solder-joint 1.5", NULL, true, false}, {"dried-capacitor", NULL, true, false}, {"contract-intermittent 2", NULL, true, false}, {"over-voltage 25", NULL, true, false}, {"hard-reset", NULL, true, false},
        {"brown-out 60", NULL, true, false},     {"drop-out 300", NULL, true, false},    {"overheat 130", NULL, true, false},            {"opened", NULL, true, false},          {"probe-open place 6", NULL, true, false},
        {"probe-off place 6", NULL, true, false},
    };
    (void)state;
    STRIKE(faults, 4);
}

/* ---- three that have a story ---- */

static void a_load_that_comes_back_from_a_power_cycle_with_its_input_on_is_turned_off(void **state)
{
    (void)state;
    for (int kind = STAGE_STEP; kind <= STAGE_SOAK; kind++) {
        if (kind == STAGE_RECOVER)
            continue;
        struct tally tally = {0};
        const struct fault cycle = {"instrument-power-cycle 0.5", "load1", false, false};
        struct whole *w = bench(0);
        int64_t at_us = moment_in(0, (enum stage_kind)kind);
        whole_start(w);
        whole_strike(w, 0, "input-on-after-power");
        rehearsal_wait(w->rehearsal, w->begin_us + at_us);
        whole_strike(w, 0, cycle.line);
        look_on(w, &cycle);
        tally.ends[w->end]++;
        if (whole_conducts(w) || w->end == RUN_DONE || !whole_says(w, "load1"))
            whole_print(w);
        assert_false(whole_conducts(w));
        assert_int_not_equal(w->end, RUN_DONE);
        assert_true(whole_says(w, "load1"));
        whole_free(w);
    }
}

static void a_power_stage_that_shorts_takes_the_mains_off_and_is_named(void **state)
{
    (void)state;
    const struct fault shorted = {"power-stage-short 0.5", "load1", true, true};
    struct whole *w = bench(0);
    whole_start(w);
    rehearsal_wait(w->rehearsal, w->begin_us + moment_in(0, STAGE_HOLD));
    whole_strike(w, 0, shorted.line);
    look_on(w, &shorted);
    if (world_mains_is_on(whole_world(w)))
        whole_print(w);
    assert_false(world_mains_is_on(whole_world(w)));
    assert_int_equal(w->end, RUN_FAULT);
    assert_non_null(whole_finding(w, FINDING_INPUT_ON));
    assert_true(whole_says(w, "load1"));
    whole_free(w);
}

/* Found only when the run is over already: the sentence belongs in its record all the same. */
static void found_after_the_end(const char *line)
{
    const struct fault shorted = {line, "load1", true, true};
    struct error err = ERROR_INIT;
    struct whole *w = bench(0);
    whole_start(w);
    rehearsal_wait(w->rehearsal, w->begin_us + moment_in(0, STAGE_SOAK));
    whole_strike(w, 0, shorted.line);
    rehearsal_wait(w->rehearsal, rehearsal_now_us(w->rehearsal) + US_PER_MS);
    assert_int_equal(station_command(rehearsal_station(w->rehearsal), RUN_STOP, "", rehearsal_now_us(w->rehearsal), &err), 0);
    look_on(w, &shorted);
    if (!whole_finding(w, FINDING_INPUT_ON))
        whole_print(w);
    assert_int_equal(w->end, RUN_STOPPED);
    assert_non_null(whole_finding(w, FINDING_INPUT_ON));
    assert_false(world_mains_is_on(whole_world(w)));
    whole_free(w);
}

static void a_short_found_after_the_end_is_told(void **state)
{
    (void)state;
    found_after_the_end("power-stage-short 15");  /* draws steadily */
    found_after_the_end("power-stage-short 0.5"); /* the supply hiccups into it */
}

/* The link comes back, the run doesn't: nothing resumes by itself. The bench is ready for the next run. */
static void a_link_that_hangs_up_and_returns_leaves_the_load_off_and_the_bench_ready(void **state)
{
    (void)state;
    const struct fault gone = {"wire load1 hang-up", "load1", false, false};
    struct whole *w = bench(0);
    char why[SENTENCE_SIZE] = "";
    whole_start(w);
    rehearsal_wait(w->rehearsal, w->begin_us + moment_in(0, STAGE_HOLD));
    whole_strike(w, 0, gone.line);
    whole_strike(w, 700 * US_PER_MS, "wire load1 off");
    look_on(w, &gone);
    assert_false(whole_conducts(w));
    assert_int_equal(w->end, RUN_FAULT);
    assert_true(whole_says(w, "load1"));
    assert_true(whole_says(w, "mains goes off"));
    bool ready = bench_ready(station_bench(rehearsal_station(w->rehearsal)), why, sizeof why);
    if (!ready)
        print_message("%s\n", why);
    assert_true(ready);
    assert_true(bench_all_off(station_bench(rehearsal_station(w->rehearsal))));
    whole_free(w);
}

int main(int argc, char **argv)
{
    if (argc > 1)
        seed = strtoull(argv[1], NULL, 10);
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_load_that_comes_back_from_a_power_cycle_with_its_input_on_is_turned_off),
        cmocka_unit_test(a_power_stage_that_shorts_takes_the_mains_off_and_is_named),
        cmocka_unit_test(a_short_found_after_the_end_is_told),
        cmocka_unit_test(a_link_that_hangs_up_and_returns_leaves_the_load_off_and_the_bench_ready),
        cmocka_unit_test(a_line_to_the_load_that_goes_wrong_ends_with_the_load_off),
        cmocka_unit_test(a_short_upset_of_the_line_ends_with_the_load_off),
        cmocka_unit_test(a_line_to_another_instrument_that_goes_wrong_ends_with_the_load_off),
        cmocka_unit_test(a_load_that_goes_wrong_ends_with_the_load_off),
        cmocka_unit_test(a_supply_or_mains_that_goes_wrong_ends_with_the_load_off),
    };
    return cmocka_run_group_tests(tests, setup_spans, NULL);
}
