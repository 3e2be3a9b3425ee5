/* Random orders at random moments: whatever is done, the world stays finite, loses no joule, and does not care who
 * looks. WORLD_SEED=N plays one again. */
#include "tests/world/with_world.h"

#include <stdlib.h>

static uint64_t next(uint64_t *x)
{
    *x ^= *x << 13;
    *x ^= *x >> 7;
    *x ^= *x << 17;
    return *x;
}

static double part(uint64_t *x)
{
    return (double)(next(x) >> 11) / 9007199254740992.0;
}

static struct world *random_world(uint64_t *x)
{
    static const char *const limits[] = {"constant-current", "foldback",   "constant-power", "hiccup",
                                         "latch-off",        "hard-reset", "fall-back"};
    static const char *const rules[] = {"trip", "withdraw", "less"};
    char text[2000];
    snprintf(text, sizeof text,
             "supply = { budget_watts = %.1f; budget = \"%s\"; shutdown_celsius = 70.0; restart_celsius = 50.0; "
             "throttle_celsius = 60.0; ports = ("
             "{ limit = \"%s\"; output_ohms = %.3f; compensation_ohms = %.3f; peak_ratio = %.2f; contracts = ( { volts "
             "= 5.0; amps = 3.0; },"
             " { volts = 20.0; amps = %.2f; limit = \"%s\"; }, { volts = 3.3; amps = 3.0; max_volts = 16.0; } ); },"
             "{ connector = \"fixed\"; limit = \"%s\"; contracts = ( { volts = 12.0; amps = 3.0; } ); } ); };"
             "channels = ( { port = 1; sense = \"two-wire\"; }, { port = 2; }, { port = 2; load = 2; } );",
             20.0 + 100.0 * part(x), rules[next(x) % 3], limits[next(x) % 7], 0.002 + 0.2 * part(x), 0.1 * part(x),
             1.0 + part(x), 1.0 + 4.0 * part(x), limits[next(x) % 7], limits[next(x) % 7]);
    return text_world(text, next(x));
}

static void act(struct world *w, uint64_t *x)
{
    static const char *const faults[] = {"power-stage-short 0.5",
                                         "power-stage-short off",
                                         "sense-open",
                                         "sense-open off",
                                         "sense-reversed channel 2",
                                         "sense-reversed channel 2 off",
                                         "solder-joint 0.3",
                                         "solder-joint off",
                                         "dried-capacitor",
                                         "dried-capacitor off",
                                         "contract-intermittent 2",
                                         "contract-intermittent off",
                                         "over-voltage 30",
                                         "over-voltage off",
                                         "brown-out 70",
                                         "brown-out off",
                                         "drop-out 50",
                                         "hard-reset",
                                         "instrument-power-cycle channel 2",
                                         "overheat 90",
                                         "opened",
                                         "opened off",
                                         "input-ignored channel 3",
                                         "input-ignored channel 3 off"};
    static const double volts[] = {5.0, 20.0, 9.3};
    size_t c = next(x) % 3;
    double value = part(x);
    switch (next(x) % 12) {
    case 0:
        world_select(w, 0, volts[next(x) % 3], 0.0);
        break;
    case 1:
        world_attach(w, 0, value < 0.6);
        break;
    case 2:
        world_mains(w, value < 0.8);
        break;
    case 3:
        world_mains_volts(w, 60.0 + 200.0 * value);
        break;
    case 4:
        world_load_mode(w, c, (enum world_load_mode)(next(x) % 4));
        break;
    case 5:
        world_load_set(w, c, (enum world_load_mode)(next(x) % 4), 25.0 * value * value);
        break;
    case 6:
        world_load_clear(w, c);
        break;
    case 7:
        world_load_slew(w, c, 100000.0 * value * value * value);
        break;
    case 8:
        world_load_reset(w, c);
        break;
    case 9:
        assert_int_equal(world_fault(w, faults[next(x) % (sizeof faults / sizeof faults[0])], NULL), 0);
        break;
    default:
        world_load_input(w, c, value < 0.7);
        break;
    }
}

static void check(const struct world *w, uint64_t seed)
{
    for (size_t port = 0; port < 2; port++) {
        struct world_truth t = truth_of(w, port);
        double missing = t.joules_in - t.joules_out - t.joules_lost - t.joules_stored;
        bool sane = t.volts >= 0.0 && t.volts < 40.0 && t.amps >= 0.0 && t.amps < 60.0 && t.hot_celsius > 0.0 &&
                    t.hot_celsius < 500.0;
        if (!sane || !(fabs(missing) <= 0.001 * (t.joules_in + 1.0)))
            fail_msg("seed %llu at %.6f s: %.3f V %.3f A %.1f C, %.6f J missing of %.3f", (unsigned long long)seed,
                     1e-6 * (double)world_now_us(w), t.volts, t.amps, t.hot_celsius, missing, t.joules_in);
    }
}

static struct world *play(uint64_t seed, int64_t look_us)
{
    uint64_t x = seed * 2654435761u + 12345u;
    double volts, amps, watts;
    next(&x);
    struct world *w = random_world(&x);
    for (int i = 0; i < 150; i++) {
        double away = part(&x);
        int64_t to_us = world_now_us(w) + 1 + llround(10e6 * away * away * away * away);
        while (look_us && world_now_us(w) + look_us < to_us) {
            world_advance(w, world_now_us(w) + look_us);
            world_load_measure(w, 0, &volts, &amps, &watts);
            assert_true(isfinite(volts) && isfinite(amps));
        }
        world_advance(w, to_us);
        check(w, seed);
        act(w, &x);
    }
    return w;
}

static void whatever_is_done_the_world_stays_sane_and_keeps_its_books(void **state)
{
    const char *chosen = getenv("WORLD_SEED");
    uint64_t first = chosen ? strtoull(chosen, NULL, 10) : 1, last = chosen ? first : 60;
    (void)state;
    for (uint64_t seed = first; seed <= last; seed++) {
        struct world *jumped = play(seed, 0), *looked = play(seed, 1237);
        struct world_truth a = truth_of(jumped, 0), b = truth_of(looked, 0);
        if (a.volts != b.volts || a.joules_in != b.joules_in || a.hot_celsius != b.hot_celsius ||
            shown_volts(jumped, 1) != shown_volts(looked, 1))
            fail_msg("seed %llu: the result depends on looking", (unsigned long long)seed);
        world_free(jumped);
        world_free(looked);
    }
    print_message("seeds %llu to %llu\n", (unsigned long long)first, (unsigned long long)last);
}

/* A conversion that was shown once is shown the same until the next one: no more distinct values than results. */
static void a_conversion_never_changes_after_it_was_shown(void **state)
{
    struct world *w = fixed_world("");
    int changes = 0;
    (void)state;
    pass_s(w, 1.0);
    world_load_slew(w, 0, 0.2);
    draw(w, 0, 4.0);
    double last = shown_amps(w, 0);
    for (int i = 0; i < 20000; i++) {
        world_advance(w, world_now_us(w) + 700);
        double now = shown_amps(w, 0);
        changes += now != last;
        last = now;
    }
    assert_in_range(changes, 600, 20000 * 700 / 20000); /* an update each 20 ms */
    world_free(w);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(whatever_is_done_the_world_stays_sane_and_keeps_its_books),
        cmocka_unit_test(a_conversion_never_changes_after_it_was_shown),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
