/*
 * Labelled traces over all behaviours, scored: recall per class, wrong names, "uncertain" where an answer was possible. The generator here was written from the definitions of the behaviours
 * (electrical definitions of current limits: textbook and trade press; hard reset times: USB PD R3.0 Table 7-24, R3.1 Table 6-68), not from the watchers. Seed: argument or BRUNT_SEED, printed.
 *
 * A trace: a supply as a function of time (1 ms grid), a load with conversions (volts and amps skewed, averaged, noisy, quantised), a query loop of 2 to 50 samples a second that may see one
 * conversion twice. `shown`: whether the sampling can show the label (each phase of the behaviour at least three intervals or conversions long, whichever is longer).
 */
#include "daemon/watch/watch.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

enum { TRACES = 1000, READINGS = 6000, ORDERS = 64, GRID = 40000 /* ms */ };

enum label { HEALTHY, DROOP, OVER_VOLTAGE, SHUTDOWN, LATCH_OFF, HARD_RESET, CONTRACT_LOST, HICCUP, COLLAPSED, CONSTANT_CURRENT, CONSTANT_POWER, FOLDBACK,
             SENSE, STUCK, NOT_A_NUMBER, STALE, INPUT_OFF, INPUT_ON, DISAGREES, TOO_SHORT, LABELS };
static const struct {
    const char *name;
    enum finding_kind want;
} labels[LABELS] = {
    [HEALTHY] = {"nothing", FINDING_KINDS},
    [DROOP] = {"droop", FINDING_DROOP},
    [OVER_VOLTAGE] = {"over-voltage", FINDING_OVER_VOLTAGE},
    [SHUTDOWN] = {"shutdown", FINDING_SHUTDOWN},
    [LATCH_OFF] = {"latch-off", FINDING_LATCH_OFF},
    [HARD_RESET] = {"hard reset", FINDING_HARD_RESET},
    [CONTRACT_LOST] = {"contract lost", FINDING_CONTRACT_LOST},
    [HICCUP] = {"hiccup", FINDING_HICCUP},
    [COLLAPSED] = {"collapsed", FINDING_COLLAPSED},
    [CONSTANT_CURRENT] = {"constant current", FINDING_CONSTANT_CURRENT},
    [CONSTANT_POWER] = {"constant power", FINDING_CONSTANT_POWER},
    [FOLDBACK] = {"foldback", FINDING_FOLDBACK},
    [SENSE] = {"sense wire", FINDING_SENSE},
    [STUCK] = {"instrument stuck", FINDING_INSTRUMENT_STUCK},
    [NOT_A_NUMBER] = {"not-a-number", FINDING_INSTRUMENT_NAN},
    [STALE] = {"instrument stale", FINDING_INSTRUMENT_STALE},
    [INPUT_OFF] = {"input found off", FINDING_INPUT_OFF},
    [INPUT_ON] = {"input found on", FINDING_INPUT_ON},
    [DISAGREES] = {"disagrees", FINDING_INSTRUMENT_DISAGREES},
    [TOO_SHORT] = {"uncertain", FINDING_UNCERTAIN},
};

struct trace {
    enum label label;
    bool shown;
    struct watch_setup setup;
    struct reading readings[READINGS];
    size_t count;
    struct watch_event orders[ORDERS];
    size_t orders_count;
    double volts[GRID], amps[GRID]; /* truth, each ms */
    int contract[GRID];
    int length_ms;
    double interval_ms, conversion_ms, noise_volts, noise_amps, skew_ms;
    double step_volts, step_amps;
};

static uint64_t seed;

static double uniform(double low, double high)
{
    return low + (high - low) * (double)(figures_random(&seed) >> 11) / 9007199254740992.0;
}

static double normal(void)
{
    double sum = 0.0; /* twelve uniforms: near enough, and bounded as an instrument's noise is */
    for (int i = 0; i < 12; i++)
        sum += uniform(0.0, 1.0);
    return sum - 6.0;
}

static bool chance(double p)
{
    return uniform(0.0, 1.0) < p;
}

static void fill(struct trace *t, int from_ms, int to_ms, double volts, double amps)
{
    for (int i = from_ms < 0 ? 0 : from_ms; i < to_ms && i < GRID; i++) {
        t->volts[i] = volts;
        t->amps[i] = amps;
        t->contract[i] = 0;
    }
    if (to_ms > t->length_ms)
        t->length_ms = to_ms < GRID ? to_ms : GRID;
}

static void order(struct trace *t, int at_ms, bool on, enum load_mode mode, double set)
{
    t->orders[t->orders_count++] = (struct watch_event){.at_us = (int64_t)at_ms * 1000, .input_on = on, .mode = mode, .set_point = set};
}

static void begin(struct trace *t, enum label label)
{
    static const double levels[] = {5.0, 9.0, 12.0, 15.0, 20.0};
    memset(t, 0, sizeof *t);
    t->label = label;
    double nominal = levels[(int)uniform(label == CONTRACT_LOST || label == HARD_RESET ? 1 : 0, 4.999)];
    t->interval_ms = 1000.0 / exp(uniform(log(2.0), log(50.0)));
    t->conversion_ms = exp(uniform(log(5.0), log(150.0)));
    t->skew_ms = uniform(0.0, t->conversion_ms);
    t->noise_volts = nominal * uniform(0.5e-4, 6e-4);
    t->noise_amps = uniform(0.3e-3, 4e-3);
    t->step_volts = 1e-3;
    t->step_amps = 1e-3;
    struct watch_setup *s = &t->setup;
    *s = (struct watch_setup){.nominal_volts = nominal, .low_volts = nominal * 0.95, .high_volts = nominal * 1.05, .rated_amps = uniform(1.5, 5.0),
                              .hard_over_volts = nominal * 1.2, .default_volts = 5.0, .load_min_volts = 0.8, .load_max_amps = 15.0, .load_max_volts = 80.0,
                              .amps_u = 0.012, .volts_u = 0.02, .settle_s = 0.3, .four_wire = true};
    strcpy(s->hard_over_from, "test");
    for (int i = 0; i < 5; i++)
        if (levels[i] != nominal)
            s->other_volts[s->other_volts_len++] = levels[i];
}

/* Unloaded for 1.5 s, then loaded well inside the window until the story begins. Returns when that is. */
static int prologue(struct trace *t, double amps)
{
    double nominal = t->setup.nominal_volts, volts = nominal * uniform(1.005, 1.03);
    int load_ms = (int)(6.0 * t->interval_ms + uniform(1000.0, 2000.0)), story_ms = load_ms + (int)(8.0 * t->interval_ms + uniform(1500.0, 3000.0));
    order(t, 0, false, LOAD_CURRENT, 0.0);
    fill(t, 0, load_ms, volts, 0.0);
    order(t, load_ms, true, LOAD_CURRENT, amps);
    fill(t, load_ms, story_ms, volts - nominal * uniform(0.005, 0.025), amps);
    return story_ms;
}

static double coarse_ms(const struct trace *t)
{
    return t->interval_ms > t->conversion_ms ? t->interval_ms : t->conversion_ms;
}

/* The tester's program sees the collapse after two or three samples and lets go. */
static int let_go(struct trace *t, int at_ms)
{
    int off_ms = at_ms + (int)(coarse_ms(t) * uniform(2.0, 3.0)) + 5;
    order(t, off_ms, false, LOAD_CURRENT, 0.0);
    return off_ms;
}

static void away(struct trace *t, int from_ms, int to_ms)
{
    fill(t, from_ms, to_ms, uniform(0.0, 0.03), 0.0);
}

static void tell_supply(struct trace *t, double amps)
{
    int at = prologue(t, amps), off, back;
    double nominal = t->setup.nominal_volts;
    switch (t->label) {
    case DROOP:
        fill(t, at, at + 4000 + (int)(10 * coarse_ms(t)), nominal * uniform(0.86, 0.935), amps);
        break;
    case OVER_VOLTAGE:
        fill(t, at, at + 200 + (int)(4 * coarse_ms(t)), nominal * uniform(1.23, 1.5), amps);
        break;
    case SHUTDOWN:
        let_go(t, at);
        back = at + (int)uniform(3500.0, 8000.0) + (int)(3 * coarse_ms(t));
        away(t, at, back);
        if (chance(0.5))
            fill(t, back, back + 2000, nominal * 1.01, 0.0);
        break;
    case LATCH_OFF:
        let_go(t, at);
        away(t, at, at + (int)uniform(11000.0, 20000.0) + (int)(3 * coarse_ms(t)));
        break;
    case HARD_RESET: /* longest gap 1.960 s by the sum of the published maxima; shortest 0.66 s at 0 V */
        let_go(t, at);
        back = at + (int)uniform(750.0, 1850.0);
        away(t, at, back);
        fill(t, back, back + 3000 + (int)(5 * coarse_ms(t)), 5.0 * uniform(0.99, 1.03), 0.0);
        t->shown = coarse_ms(t) * 3.0 < back - at && t->interval_ms + t->conversion_ms < 150.0;
        for (int i = back; i < t->length_ms; i++)
            t->contract[i] = -1;
        return;
    case CONTRACT_LOST:
        off = let_go(t, at);
        fill(t, at, off, 5.0 * uniform(0.97, 1.02), amps);
        fill(t, off, off + 3000 + (int)(5 * coarse_ms(t)), 5.0 * uniform(1.0, 1.03), 0.0);
        break;
    case COLLAPSED:
        off = at + 2500 + (int)(8 * coarse_ms(t));
        fill(t, at, off, uniform(0.8, 0.95), amps * uniform(0.9, 0.99));
        order(t, off, false, LOAD_CURRENT, 0.0);
        fill(t, off, off + 3000 + (int)(5 * coarse_ms(t)), nominal * 1.01, 0.0);
        break;
    default: break;
    }
    t->shown = true;
}

static void tell_hiccup(struct trace *t)
{
    double amps = t->setup.rated_amps * 1.2;
    int at = prologue(t, amps);
    double on_ms = uniform(20.0, 700.0), off_ms = uniform(200.0, 1500.0);
    int periods = (int)uniform(5.0, 7.99);
    bool floor = chance(0.4);
    for (int i = 0; i < periods; i++) {
        away(t, at, at + (int)off_ms);
        at += (int)off_ms;
        fill(t, at, at + (int)on_ms, floor ? uniform(0.85, 1.2) : t->setup.nominal_volts * 0.98, floor ? amps * 0.9 : amps);
        at += (int)on_ms;
    }
    away(t, at, at + (int)off_ms);
    t->shown = on_ms >= 3.0 * coarse_ms(t) && off_ms >= 3.0 * coarse_ms(t);
}

static void tell_too_short(struct trace *t)
{
    int at = prologue(t, t->setup.rated_amps * 1.1), off = let_go(t, at), back = at + (int)uniform(300.0, 600.0);
    if (back < off + 50)
        back = off + 50;
    away(t, at, back);
    if (chance(0.5)) /* back at the contract's own level after a moment: several behaviours look like this */
        fill(t, back, back + 2000 + (int)(5 * coarse_ms(t)), t->setup.nominal_volts * 1.01, 0.0);
    t->shown = back - at >= 3.0 * coarse_ms(t);
}

static double limited_amps(const struct trace *t, double limit, double ratio, double volts)
{
    double x = volts / t->setup.nominal_volts;
    return t->label == CONSTANT_CURRENT ? limit : t->label == CONSTANT_POWER ? limit / (x > 0.15 ? x : 0.15) : limit * (ratio + (1.0 - ratio) * x);
}

static void tell_trace(struct trace *t)
{
    double limit = t->setup.rated_amps * uniform(1.05, 1.3), ratio = uniform(0.1, 0.75), nominal = t->setup.nominal_volts;
    int points = 12, at = prologue(t, t->setup.rated_amps), dwell = (int)(10.0 * t->interval_ms + 6.0 * t->conversion_ms) + 400;
    if (dwell > 2000)
        dwell = 2000;
    if (limit > 5.0 && t->label == CONSTANT_POWER)
        limit = 5.0;
    order(t, at, false, LOAD_VOLTAGE, nominal);
    fill(t, at, at + 1500, nominal * 1.01, 0.0);
    at += 1500;
    for (int i = 0; i < points; i++, at += dwell) {
        double volts = nominal * (0.95 - 0.75 * i / (points - 1)), amps = limited_amps(t, limit, ratio, volts);
        order(t, at, true, LOAD_VOLTAGE, volts);
        fill(t, at, at + dwell, volts, amps > 14.0 ? 14.0 : amps);
    }
    order(t, at, false, LOAD_CURRENT, 0.0);
    fill(t, at, at + 2000, nominal * 1.01, 0.0);
    t->shown = dwell >= 4.0 * coarse_ms(t) + 300.0;
}

static void tell_instrument(struct trace *t)
{
    double amps = t->setup.rated_amps * 0.8, nominal = t->setup.nominal_volts;
    int at = prologue(t, amps), end = at + 5000 + (int)(15 * coarse_ms(t));
    fill(t, at, end, nominal * 0.99, amps);
    t->shown = true;
    if (t->label == HEALTHY && chance(0.6)) { /* a few ordinary steps */
        int third = (end - at) / 3;
        order(t, at, true, LOAD_CURRENT, amps * 0.5);
        fill(t, at, at + third, nominal * 1.0, amps * 0.5);
        order(t, at + third, true, LOAD_CURRENT, amps * 1.2);
        fill(t, at + third, end, nominal * 0.985, amps * 1.2);
    } else if (t->label == STUCK) { /* a nudge of the set-point that no digit follows */
        order(t, at + (end - at) / 3, true, LOAD_CURRENT, amps * 0.9);
        fill(t, at + (end - at) / 3, end, nominal * 0.992, amps * 0.9);
    } else if (t->label == SENSE) {
        bool reversed = chance(0.4);
        fill(t, at, end, reversed ? -nominal * 0.99 : uniform(-0.01, 0.02), amps);
    } else if (t->label == INPUT_OFF) {
        fill(t, at, end, nominal * 1.01, 0.0);
    } else if (t->label == INPUT_ON) {
        order(t, at, false, LOAD_CURRENT, 0.0);
    } else if (t->label == DISAGREES) {
        fill(t, at, end, nominal * 0.99, amps * (chance(0.5) ? uniform(0.8, 0.94) : uniform(1.06, 1.2)));
    }
}

static double shown_value(const double *truth, double end_ms, double width_ms, double noise, double step)
{
    double sum = 0.0;
    int from = (int)(end_ms - width_ms), to = (int)end_ms, count = 0;
    for (int i = from < 0 ? 0 : from; i <= to && i < GRID; i++, count++)
        sum += truth[i];
    return round(((count ? sum / count : 0.0) + noise * normal()) / step) * step;
}

static const struct watch_event *order_at(const struct trace *t, double at_ms)
{
    const struct watch_event *found = &t->orders[0];
    for (size_t i = 0; i < t->orders_count && (double)t->orders[i].at_us * 1e-3 <= at_ms; i++)
        found = &t->orders[i];
    return found;
}

/* The story's moment: the last order of the prologue is the second; the story begins where the truth or the orders change after it. */
static bool spoiled(const struct trace *t, double at_ms, double story_ms)
{
    return at_ms > story_ms && (t->label == STUCK || t->label == NOT_A_NUMBER || t->label == STALE);
}

static void sample(struct trace *t, double story_ms)
{
    double last_end_volts = -1.0, last_end_amps = -1.0, volts = 0.0, amps = 0.0;
    for (double at = t->interval_ms; at < t->length_ms && t->count < READINGS; at += t->interval_ms * uniform(0.95, 1.05)) {
        double end_volts = floor(at / t->conversion_ms) * t->conversion_ms, end_amps = floor((at - t->skew_ms) / t->conversion_ms) * t->conversion_ms + t->skew_ms;
        const struct watch_event *o = order_at(t, at);
        struct reading *r = &t->readings[t->count];
        bool bad = spoiled(t, at, story_ms);
        if (bad && t->label == STALE)
            break;
        if (!(bad && t->label == STUCK)) {
            if (end_volts > last_end_volts)
                volts = shown_value(t->volts, last_end_volts = end_volts, t->conversion_ms, t->noise_volts, t->step_volts);
            if (end_amps > last_end_amps)
                amps = shown_value(t->amps, last_end_amps = end_amps, t->conversion_ms, t->noise_amps, t->step_amps);
        }
        *r = (struct reading){.at_us = (int64_t)(at * 1e3), .asked_us = (int64_t)(at * 1e3) - 2000, .volts = volts, .amps = amps, .load_volts = NAN, .mode = o->mode,
                              .set_point = o->set_point, .input_on = o->input_on, .contract = t->contract[(int)at]};
        if (bad && t->label == NOT_A_NUMBER) {
            r->volts = r->amps = NAN;
            r->quality = QUALITY_NAN;
        }
        for (int p = 0; p < PROBES_MAX; p++)
            r->celsius[p] = NAN;
        t->count++;
    }
    if (t->label == STALE)
        order(t, t->length_ms + 3000 + (int)(10 * t->interval_ms), true, LOAD_CURRENT, t->orders[1].set_point);
}

static void tell(struct trace *t)
{
    double amps = t->setup.rated_amps;
    switch (t->label) {
    case DROOP: case OVER_VOLTAGE: case SHUTDOWN: case LATCH_OFF: case HARD_RESET: case CONTRACT_LOST: case COLLAPSED: tell_supply(t, amps * uniform(1.0, 1.25)); break;
    case HICCUP: tell_hiccup(t); break;
    case TOO_SHORT: tell_too_short(t); break;
    case CONSTANT_CURRENT: case CONSTANT_POWER: case FOLDBACK: tell_trace(t); break;
    default: tell_instrument(t); break;
    }
}

static double story_of(const struct trace *t)
{
    double load_ms = (double)t->orders[1].at_us * 1e-3;
    return load_ms + 8.0 * t->interval_ms + 1500.0; /* not before the loaded part has been seen good */
}

struct score {
    int shown, right, wrong, uncertain, hidden, hidden_wrong;
};

static void count_one(struct score *s, const struct trace *t, enum finding_kind got)
{
    bool right = got == labels[t->label].want, unsure = got == FINDING_UNCERTAIN || (got == FINDING_KINDS && t->label != HEALTHY);
    if (t->shown) {
        s->shown++;
        s->right += right;
        s->uncertain += !right && unsure;
        s->wrong += !right && !unsure;
    } else {
        s->hidden++;
        s->hidden_wrong += !right && !unsure;
    }
}

static void print_scores(const struct score *scores)
{
    print_message("table: %-18s %6s %7s %7s %10s | %7s %6s\n", "behaviour", "shown", "recall", "wrong", "uncertain", "hidden", "wrong");
    for (int i = 0; i < LABELS; i++) {
        const struct score *s = &scores[i];
        double n = s->shown ? s->shown : 1;
        print_message("table: %-18s %6d %6.1f%% %6.1f%% %9.1f%% | %7d %6d\n", labels[i].name, s->shown, 100.0 * s->right / n, 100.0 * s->wrong / n,
                      100.0 * s->uncertain / n, s->hidden, s->hidden_wrong);
    }
}

static void behaviours_are_named_where_the_data_can_show_them(void **state)
{
    struct score scores[LABELS] = {{0}};
    static struct trace t;
    int wrong = 0, shown = 0;
    (void)state;
    const char *given = getenv("BRUNT_SEED");
    seed = given ? strtoull(given, NULL, 10) : 20261125;
    print_message("seed %llu\n", (unsigned long long)seed);
    for (int i = 0; i < TRACES; i++) {
        struct finding verdict = {.kind = FINDING_KINDS};
        struct trace_shape shape = {.kind = FINDING_UNCERTAIN};
        uint64_t own_seed = seed;
        begin(&t, (enum label)(i % LABELS));
        tell(&t);
        sample(&t, story_of(&t));
        watch_replay(&t.setup, t.readings, t.count, t.orders, t.orders_count, &verdict, &shape);
        enum finding_kind got = verdict.kind;
        count_one(&scores[t.label], &t, got);
        if (getenv("BRUNT_SHOW") && t.shown && got != labels[t.label].want)
            print_message("%d seed %llu: %s seen as %s (interval %.0f ms, conversion %.0f ms, %g V): %s\n", i, (unsigned long long)own_seed, labels[t.label].name,
                          got == FINDING_KINDS ? "nothing" : finding_kind_name(got), t.interval_ms, t.conversion_ms, t.setup.nominal_volts, verdict.text);
    }
    print_scores(scores);
    for (int i = 0; i < LABELS; i++) {
        wrong += scores[i].wrong;
        shown += scores[i].shown;
    }
    print_message("table: wrong names %d of %d where the data can show it\n", wrong, shown);
    for (int i = 0; i < LABELS; i++) {
        assert_true(scores[i].right >= 0.95 * scores[i].shown);
        assert_true(scores[i].uncertain <= 0.10 * scores[i].shown);
    }
    assert_true(wrong <= 0.01 * shown);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(behaviours_are_named_where_the_data_can_show_them)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
