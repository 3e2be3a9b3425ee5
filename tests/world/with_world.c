#include "tests/world/with_world.h"

struct world *text_world(const char *text, uint64_t seed)
{
    struct error err = ERROR_INIT;
    struct tree *tree = tree_read_text("test.cfg", text, &err);
    struct world *w = tree ? world_new(tree_root(tree), seed, &err) : NULL;
    if (!w || tree_all_taken(tree, &err) < 0)
        fail_msg("%s", err.text);
    tree_free(tree);
    return w;
}

#define QUIET "channels = ( { volts_noise_volts = 0.0; amps_noise_amps = 0.0; } ); breath_kelvin = 0.0; "

static struct world *plain_world(const char *connector, const char *more, const char *contracts)
{
    static const char *const plain[][2] = {
        {"board_watts", "0.0"},  {"limit_drift_percent_per_kelvin", "0.0"},
        {"ripple_volts", "0.0"}, {"output_ohms", "0.05"},
        {"peak_ratio", "1.0"},
    };
    char text[4000];
    int len = snprintf(text, sizeof text, "supply = { ports = ( { connector = \"%s\"; contracts = ( %s ); ", connector,
                       contracts);
    for (size_t i = 0; i < sizeof plain / sizeof plain[0]; i++)
        if (!strstr(more, plain[i][0]))
            len += snprintf(text + len, sizeof text - (size_t)len, "%s = %s; ", plain[i][0], plain[i][1]);
    snprintf(text + len, sizeof text - (size_t)len, "%s%s } ); }; " QUIET, more, *more ? ";" : "");
    return text_world(text, 7);
}

struct world *usb_c_world(const char *more)
{
    return plain_world("usb-c", more,
                       "{ volts = 5.0; amps = 3.0; }, { volts = 9.0; amps = 3.0; }, { volts = 20.0; amps = 3.0; }");
}

struct world *fixed_world(const char *more)
{
    return plain_world("fixed", more, "{ volts = 12.0; amps = 5.0; }");
}

void pass_s(struct world *w, double seconds)
{
    world_advance(w, world_now_us(w) + llround(seconds * 1e6));
}

struct world_truth truth_of(const struct world *w, size_t port)
{
    struct world_truth t;
    world_truth(w, port, &t);
    return t;
}

double shown_volts(struct world *w, size_t channel)
{
    double volts, amps, watts;
    world_load_measure(w, channel, &volts, &amps, &watts);
    return volts;
}

double shown_amps(struct world *w, size_t channel)
{
    double volts, amps, watts;
    world_load_measure(w, channel, &volts, &amps, &watts);
    return amps;
}

void draw(struct world *w, size_t channel, double amps)
{
    world_load_set(w, channel, WORLD_CURRENT, amps);
    world_load_input(w, channel, true);
}

void settle_at(struct world *w, size_t port, double volts)
{
    pass_s(w, 1.5);
    assert_true(world_select(w, port, volts, 0.0));
    pass_s(w, 1.0);
    assert_true(world_settled(w, port));
    assert_near(world_contract_volts(w, port), volts, 1e-9);
}

void assert_near_at(double is, double want, double within, const char *what, const char *file, int line)
{
    if (!(fabs(is - want) <= within)) {
        print_error("%s is %.6f, expected %.6f within %.6f\n", what, is, want, within);
        _fail(file, line);
    }
}
