#include "with_traces.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum behaviour { B_SOLID, B_CC, B_CP, B_FOLD, B_HICCUP, B_DEAD, B_RESET, B_FALL, B_RESTART };
enum scene { SCENE_OFF_AT_ONCE, SCENE_STAYS_ON, SCENE_TRACE_CV, SCENE_TRACE_CR, SCENE_STEADY };
enum fault { F_NONE, F_DROOP, F_OVER, F_OPEN, F_REVERSED, F_STALE, F_STUCK, F_NAN, F_RANGE, F_DISAGREES, F_INPUT_OFF, F_INPUT_ON, F_GLITCH, F_METER };

static const struct kind {
    const char *text;
    enum finding_kind label;
    enum scene scene;
    enum behaviour behaviour;
    enum fault fault;
    double lasts_min_s, lasts_max_s;
} kinds[TRACE_KINDS] = {
    {"healthy steps", FINDING_KINDS, SCENE_STEADY, B_SOLID, F_NONE, 6, 12},
    {"healthy with single outliers", FINDING_KINDS, SCENE_STEADY, B_SOLID, F_GLITCH, 6, 12},
    {"droop", FINDING_DROOP, SCENE_STEADY, B_SOLID, F_DROOP, 6, 12},
    {"over-voltage", FINDING_OVER_VOLTAGE, SCENE_STEADY, B_SOLID, F_OVER, 6, 12},
    {"sense open", FINDING_SENSE, SCENE_STEADY, B_SOLID, F_OPEN, 8, 12},
    {"sense reversed", FINDING_SENSE, SCENE_STEADY, B_SOLID, F_REVERSED, 8, 12},
    {"stale", FINDING_INSTRUMENT_STALE, SCENE_STEADY, B_SOLID, F_STALE, 10, 14},
    {"stuck", FINDING_INSTRUMENT_STUCK, SCENE_STEADY, B_SOLID, F_STUCK, 12, 16},
    {"not-a-number", FINDING_INSTRUMENT_NAN, SCENE_STEADY, B_SOLID, F_NAN, 8, 12},
    {"over-range", FINDING_INSTRUMENT_RANGE, SCENE_STEADY, B_SOLID, F_RANGE, 8, 12},
    {"set-point disagrees", FINDING_INSTRUMENT_DISAGREES, SCENE_STEADY, B_SOLID, F_DISAGREES, 10, 14},
    {"meter disagrees", FINDING_INSTRUMENT_DISAGREES, SCENE_STEADY, B_SOLID, F_METER, 10, 14},
    {"input found off", FINDING_INPUT_OFF, SCENE_STEADY, B_SOLID, F_INPUT_OFF, 10, 14},
    {"input found on", FINDING_INPUT_ON, SCENE_STEADY, B_SOLID, F_INPUT_ON, 10, 14},
    {"shutdown, load off", FINDING_SHUTDOWN, SCENE_OFF_AT_ONCE, B_DEAD, F_NONE, 5, 8},
    {"latch-off, load off", FINDING_LATCH_OFF, SCENE_OFF_AT_ONCE, B_DEAD, F_NONE, 13, 18},
    {"hard reset, load off", FINDING_HARD_RESET, SCENE_OFF_AT_ONCE, B_RESET, F_NONE, 6, 9},
    {"contract lost, load off", FINDING_CONTRACT_LOST, SCENE_OFF_AT_ONCE, B_FALL, F_NONE, 5, 9},
    {"constant current, load off", FINDING_COLLAPSED, SCENE_OFF_AT_ONCE, B_CC, F_NONE, 5, 9},
    {"constant current, load stays", FINDING_COLLAPSED, SCENE_STAYS_ON, B_CC, F_NONE, 5, 9},
    {"hiccup, load stays", FINDING_HICCUP, SCENE_STAYS_ON, B_HICCUP, F_NONE, 8, 25},
    {"restart after a short pause, load off", FINDING_UNCERTAIN, SCENE_OFF_AT_ONCE, B_RESTART, F_NONE, 5, 9},
    {"constant current, trace", FINDING_CONSTANT_CURRENT, SCENE_TRACE_CV, B_CC, F_NONE, 0, 0},
    {"constant power, trace", FINDING_CONSTANT_POWER, SCENE_TRACE_CV, B_CP, F_NONE, 0, 0},
    {"foldback, trace", FINDING_FOLDBACK, SCENE_TRACE_CV, B_FOLD, F_NONE, 0, 0},
    {"hiccup, trace", FINDING_HICCUP, SCENE_TRACE_CV, B_HICCUP, F_NONE, 0, 0},
    {"latch-off, trace", FINDING_LATCH_OFF, SCENE_TRACE_CV, B_DEAD, F_NONE, 0, 0},
    {"contract lost, trace", FINDING_CONTRACT_LOST, SCENE_TRACE_CV, B_FALL, F_NONE, 0, 0},
    {"hard reset, trace", FINDING_HARD_RESET, SCENE_TRACE_CV, B_RESET, F_NONE, 0, 0},
    {"foldback, load off", FINDING_COLLAPSED, SCENE_OFF_AT_ONCE, B_FOLD, F_NONE, 5, 9},
    {"foldback, load stays", FINDING_COLLAPSED, SCENE_STAYS_ON, B_FOLD, F_NONE, 5, 9},
    {"latch-off, load stays", FINDING_LATCH_OFF, SCENE_STAYS_ON, B_DEAD, F_NONE, 13, 18},
    {"shutdown, load stays", FINDING_SHUTDOWN, SCENE_STAYS_ON, B_DEAD, F_NONE, 5, 8},
    {"contract lost, load stays", FINDING_CONTRACT_LOST, SCENE_STAYS_ON, B_FALL, F_NONE, 5, 8},
};

const char *trace_kind_text(unsigned which)
{
    return kinds[which].text;
}

static double uniform(uint64_t *random, double low, double high)
{
    return low + (high - low) * (double)(figures_random(random) >> 11) / 9007199254740992.0;
}

static double normal(uint64_t *random)
{
    double sum = -6.0;
    for (int i = 0; i < 12; i++)
        sum += uniform(random, 0.0, 1.0);
    return sum;
}

enum { STEPS_MAX = 60000 }; /* milliseconds */
static const double other_levels[] = {5, 9, 12, 15, 20};

struct world { /* true volts and amps by the millisecond */
    struct trace *t;
    const struct kind *kind;
    uint64_t *random;
    enum scene scene;
    double open_volts, ohms, limit, short_amps, watts_limit, power_ceiling, floor_volts;
    double on_s, off_s, blank_s, away_s, droop_volts;
    double change_s, off_at_s, end_s, nudge_s;
    int steps;
    /* running */
    double trip_at_s, now_s, output_volts;
    bool tripped, stiff, regular; /* stiff: bursts of a hiccup show at full voltage. regular: asked at even intervals */
    float volts[STEPS_MAX], amps[STEPS_MAX];
};

static void order(struct world *w, double at_s, bool on, enum load_mode mode, double set)
{
    if (w->t->orders_count < TRACE_ORDERS)
        w->t->orders[w->t->orders_count++] = (struct watch_event){.at_us = (int64_t)(at_s * 1e6), .input_on = on, .mode = mode, .set_point = set};
}

static const struct watch_event *order_at(const struct world *w, double at_s)
{
    static const struct watch_event none = {.mode = LOAD_CURRENT};
    const struct watch_event *found = &none;
    for (size_t i = 0; i < w->t->orders_count && (double)w->t->orders[i].at_us <= at_s * 1e6; i++)
        found = &w->t->orders[i];
    return found;
}

/* What the source gives into a load that would hold it at `volts`. */
static double source_amps(const struct world *w, double volts)
{
    double straight = (w->open_volts - volts) / w->ohms, limit = w->limit;
    if (w->kind->behaviour == B_CP)
        limit = fmin(w->watts_limit / fmax(volts, 0.1), w->power_ceiling);
    if (w->kind->behaviour == B_FOLD)
        limit = w->short_amps + (w->limit - w->short_amps) * volts / w->open_volts;
    bool fallen = w->kind->behaviour == B_FALL && w->tripped && w->scene == SCENE_STAYS_ON;
    bool burst = w->stiff && w->tripped && w->kind->behaviour == B_HICCUP && w->scene == SCENE_STAYS_ON;
    if (w->kind->behaviour == B_SOLID || fallen || burst)
        limit = 100.0; /* the default contract holds what a current load asks */
    return fmax(0.0, fmin(straight, limit));
}

static double load_amps(const struct world *w, const struct watch_event *o, double volts)
{
    if (!o->input_on)
        return 0.0;
    if (o->mode == LOAD_RESISTANCE)
        return volts / o->set_point;
    if (o->mode == LOAD_VOLTAGE)
        return volts > o->set_point ? 100.0 : 0.0;
    return volts >= w->floor_volts ? o->set_point : o->set_point * volts / w->floor_volts;
}

/* Where source and load meet, by halving; both are monotonic enough in volts. */
static double meet(const struct world *w, const struct watch_event *o, double open_volts)
{
    double low = 0.0, high = open_volts;
    for (int i = 0; i < 30; i++) {
        double middle = 0.5 * (low + high);
        if (load_amps(w, o, middle) > source_amps(w, middle))
            high = middle;
        else
            low = middle;
    }
    return low;
}

static bool overloaded(const struct world *w, const struct watch_event *o)
{
    return o->input_on && (o->mode != LOAD_CURRENT ? true : o->set_point > w->limit);
}

/* Is the output up, and at what open voltage? Moves the state. */
static double supply_level(struct world *w, const struct watch_event *o)
{
    double since = w->now_s - w->trip_at_s;
    if (!w->tripped && overloaded(w, o) && w->kind->behaviour >= B_HICCUP) {
        w->tripped = true;
        w->trip_at_s = w->now_s + w->blank_s;
        since = -w->blank_s;
    }
    if (!w->tripped || since < 0.0)
        return w->open_volts;
    switch (w->kind->behaviour) {
    case B_HICCUP:
        if (since < w->off_s)
            return 0.0;
        if (!overloaded(w, o))
            return w->open_volts;
        if (since >= w->off_s + w->on_s)
            w->trip_at_s += w->off_s + w->on_s;
        return w->open_volts;
    case B_RESET: return since < w->away_s ? 0.0 : 5.06;
    case B_FALL: return 5.06;
    case B_RESTART: return since < w->away_s ? 0.0 : w->open_volts;
    default: return 0.0;
    }
}

static void step(struct world *w, int i)
{
    w->now_s = i / 1000.0;
    const struct watch_event *o = order_at(w, w->now_s);
    double level = supply_level(w, o);
    /* Without load the output capacitor empties slowly and a fall between levels slews. */
    double tau = o->input_on && o->mode != LOAD_VOLTAGE ? 0.004 : level < w->output_volts ? 0.08 : 0.01;
    w->output_volts += (level - w->output_volts) * (1.0 - exp(-0.001 / tau));
    double open = w->open_volts, volts, amps;
    if (w->kind->fault == F_DROOP && w->now_s > w->change_s && o->input_on)
        w->output_volts = w->droop_volts + 0.0 * open;
    if (w->kind->fault == F_OVER && w->now_s > w->change_s)
        w->output_volts = 1.35 * w->t->setup.nominal_volts;
    w->open_volts = w->output_volts;
    volts = o->input_on ? meet(w, o, w->output_volts) : w->output_volts;
    if (w->kind->behaviour == B_SOLID)
        volts = w->output_volts - w->ohms * (o->input_on ? o->set_point : 0.0);
    w->open_volts = open;
    if (o->input_on && o->mode == LOAD_VOLTAGE)
        amps = level > o->set_point && volts >= o->set_point - 0.01 ? (w->open_volts = w->output_volts, source_amps(w, o->set_point)) : 0.0;
    else
        amps = load_amps(w, o, volts);
    w->open_volts = open;
    if (w->kind->fault == F_INPUT_OFF && w->now_s > w->change_s) {
        amps = 0.0;
        volts = w->output_volts;
    }
    if (w->kind->fault == F_INPUT_ON && w->now_s > w->off_at_s)
        amps = w->t->setup.rated_amps * 0.5;
    w->volts[i] = (float)volts;
    w->amps[i] = (float)amps;
}

static double average(const float *values, int steps, double until_s, double over_s)
{
    int to = (int)(until_s * 1000.0), from = (int)((until_s - over_s) * 1000.0);
    double sum = 0.0;
    from = from < 0 ? 0 : from;
    to = to >= steps ? steps - 1 : to;
    if (to <= from)
        from = to > 0 ? to - 1 : 0, to = from + 1;
    for (int i = from; i < to; i++)
        sum += (double)values[i];
    return sum / (double)(to - from);
}

static void disturb(struct world *w, struct reading *r, double at_s, bool *ret_drop)
{
    double nominal = w->t->setup.nominal_volts;
    bool on = at_s > w->change_s && order_at(w, at_s)->input_on;
    *ret_drop = w->kind->fault == F_STALE && at_s > w->change_s && at_s < w->change_s + w->away_s;
    if (w->kind->fault == F_OPEN && on)
        r->volts = r->load_volts = 0.02 * r->volts * uniform(w->random, 0.8, 1.2);
    if (w->kind->fault == F_REVERSED && at_s > w->change_s)
        r->volts = r->load_volts = -r->volts;
    if (w->kind->fault == F_NAN && at_s > w->change_s)
        r->quality = QUALITY_NAN, r->volts = r->amps = NAN;
    if (w->kind->fault == F_RANGE && at_s > w->change_s)
        r->quality = QUALITY_OVER_RANGE, r->volts = 9.9e37;
    if (w->kind->fault == F_DISAGREES && on)
        r->amps *= 0.88;
    if (w->kind->fault == F_METER && at_s > w->change_s)
        r->load_volts = r->volts + 0.06 * nominal;
}

static double round_to(double value, double digit)
{
    return digit * round(value / digit);
}

static void look(struct world *w)
{
    struct trace *t = w->t;
    const struct trace_how *h = &t->how;
    double shown_at = -1.0, volts = 0.0, amps = 0.0, first = uniform(w->random, 0.0, 1.0 / h->rate_hz), outlier_at = -1.0;
    for (double at = first; at < w->end_s && t->count < TRACE_READINGS; at += (w->regular ? 1.0 : uniform(w->random, 0.9, 1.1)) / h->rate_hz) {
        double conversion_end = h->update_s > 0.0 ? floor((at - 0.001) / h->update_s) * h->update_s : at - 0.001;
        bool frozen = w->kind->fault == F_STUCK && at > w->change_s;
        if (conversion_end != shown_at && !frozen) {
            shown_at = conversion_end;
            volts = average(w->volts, w->steps, conversion_end, h->conversion_s) + h->noise_volts * normal(w->random);
            amps = average(w->amps, w->steps, conversion_end - h->skew_s, h->conversion_s) + h->noise_amps * normal(w->random);
            if (w->kind->fault == F_GLITCH && at - outlier_at > 3.0 && uniform(w->random, 0.0, 1.0) < 0.1 && at > 1.0)
                volts *= uniform(w->random, 0.0, 1.1), outlier_at = at;
            volts = round_to(volts, 0.001);
            amps = round_to(amps, 0.001);
        }
        const struct watch_event *o = order_at(w, at - 0.005);
        struct reading r = {.at_us = (int64_t)(at * 1e6), .asked_us = (int64_t)((at - 0.004) * 1e6), .volts = volts, .amps = amps, .load_volts = volts, .mode = o->mode, .set_point = o->set_point,
                            .input_on = o->input_on && w->kind->fault != F_INPUT_OFF, .contract = 1};
        bool drop;
        disturb(w, &r, at, &drop);
        if (!drop)
            t->readings[t->count++] = r;
    }
}

static void random_how(struct trace *t, uint64_t *random)
{
    struct trace_how *h = &t->how;
    h->rate_hz = exp(uniform(random, log(2.0), log(50.0)));
    h->conversion_s = exp(uniform(random, log(0.002), log(0.15)));
    h->update_s = uniform(random, 0, 1) < 0.5 ? 0.0 : fmax(h->conversion_s, uniform(random, 0.02, 0.3));
    h->skew_s = uniform(random, 0, 1) < 0.5 ? 0.0 : uniform(random, 0.0, 1.0) * h->conversion_s;
    h->conversion_known = uniform(random, 0, 1) < 0.7;
    h->noise_volts = uniform(random, 0, 1) < 0.1 ? 0.0 : exp(uniform(random, log(0.0002), log(0.02)));
    h->noise_amps = uniform(random, 0, 1) < 0.1 ? 0.0 : exp(uniform(random, log(0.0002), log(0.01)));
}

static void random_setup(struct world *w)
{
    struct watch_setup *s = &w->t->setup;
    uint64_t *random = w->random;
    bool needs_level = w->kind->behaviour == B_RESET || w->kind->behaviour == B_FALL;
    size_t level = needs_level ? 1 + figures_random(random) % 4 : figures_random(random) % 5;
    s->nominal_volts = other_levels[level];
    s->low_volts = 0.95 * s->nominal_volts;
    s->high_volts = 1.05 * s->nominal_volts;
    for (size_t i = 0; i < 5; i++)
        if (i != level)
            s->other_volts[s->other_volts_len++] = other_levels[i];
    s->default_volts = 5.0;
    s->rated_amps = uniform(random, 1.5, 5.0);
    s->hard_over_volts = 1.2 * s->nominal_volts;
    strcpy(s->hard_over_from, "profile, over_volts_percent 20");
    s->load_min_volts = uniform(random, 0.2, 1.0);
    s->load_max_amps = 10.0;
    s->load_max_volts = 60.0;
    bool stated = figures_random(random) % 5 > 0;
    s->amps_u = stated ? 0.012 : 0.0;
    s->volts_u = stated ? 0.02 : 0.0;
    s->settle_s = uniform(random, 0.05, 0.4);
    if (!needs_level && figures_random(random) % 4 == 0) { /* a plain supply: one level, nothing without it */
        s->default_volts = 0.0;
        s->other_volts_len = 0;
    }
    s->conversion_s = w->t->how.conversion_known ? w->t->how.conversion_s : 0.0;
    s->four_wire = w->kind->fault == F_OPEN || w->kind->fault == F_REVERSED || figures_random(random) % 2;
}

static void random_supply(struct world *w)
{
    const struct watch_setup *s = &w->t->setup;
    uint64_t *random = w->random;
    w->open_volts = s->nominal_volts * uniform(random, 1.0, 1.015);
    w->output_volts = w->open_volts;
    w->ohms = 0.02 * s->nominal_volts / s->rated_amps * uniform(random, 0.3, 1.0);
    w->limit = s->rated_amps * uniform(random, 1.06, 1.30);
    w->short_amps = w->limit * uniform(random, 0.15, 0.72);
    w->watts_limit = w->limit * s->nominal_volts;
    w->power_ceiling = fmin(w->limit * uniform(random, 1.6, 4.0), 0.98 * s->load_max_amps);
    w->floor_volts = s->load_min_volts;
    w->on_s = exp(uniform(random, log(0.02), log(0.4)));
    w->off_s = exp(uniform(random, log(0.1), log(1.5)));
    w->blank_s = uniform(random, 0.001, 0.05);
    w->away_s = w->kind->behaviour == B_RESTART ? uniform(random, 0.3, 2.0) : w->kind->fault == F_STALE ? uniform(random, 4.0, 6.0) : uniform(random, 0.7, 1.9);
    w->stiff = figures_random(random) % 2;
    w->regular = figures_random(random) % 3 == 0;
    w->droop_volts = s->nominal_volts * uniform(random, 0.86, 0.92);
    double level;
    while (w->droop_volts < w->open_volts && (level = s->nominal_volts == 5.0 ? 0.0 : s->nominal_volts - 3.0, fabs(w->droop_volts / level - 1.0) < 0.08))
        w->droop_volts += 0.01 * s->nominal_volts;
}

static void plan_steady(struct world *w)
{
    double rated = w->t->setup.rated_amps;
    order(w, 1.0, true, LOAD_CURRENT, 0.5 * rated);
    w->change_s = uniform(w->random, 3.0, 4.0) + 3.0 / w->t->how.rate_hz;
    if (w->kind->fault == F_STUCK)
        order(w, w->change_s + 4.0, true, LOAD_CURRENT, 0.5 * rated + fmax(0.01 * rated, 0.024) + 0.001);
    else
        order(w, w->change_s - 1.0, true, LOAD_CURRENT, rated);
    w->end_s = fmax(w->end_s, w->change_s + 7.0 + 10.0 / w->t->how.rate_hz);
    w->off_at_s = w->end_s - 3.0 - 4.0 / w->t->how.rate_hz;
    if (w->kind->fault == F_STALE)
        w->end_s = w->change_s + w->away_s + 2.0;
    if (w->kind->fault == F_INPUT_ON || w->kind->fault == F_NONE)
        order(w, w->off_at_s, false, LOAD_CURRENT, rated);
}

static void plan_overload(struct world *w)
{
    double rated = w->t->setup.rated_amps, interval = 1.0 / w->t->how.rate_hz;
    double lag = fmax(w->t->how.update_s, w->t->how.conversion_s);
    w->change_s = 2.5 + 3.0 * interval;
    order(w, 1.0, true, LOAD_CURRENT, rated);
    order(w, w->change_s, true, LOAD_CURRENT, w->limit * uniform(w->random, 1.03, 1.15));
    w->off_at_s = w->change_s + w->blank_s + lag + interval * uniform(w->random, 2.2, 6.0) + (w->kind->behaviour == B_CC || w->kind->behaviour == B_FOLD ? 2.0 * lag + 2.0 * interval : 0.0);
    if (w->kind->behaviour == B_RESTART)
        w->away_s = fmin(w->off_at_s - w->change_s + uniform(w->random, 0.1, 0.8), 2.3);
    if (w->scene == SCENE_OFF_AT_ONCE)
        order(w, w->off_at_s, false, LOAD_CURRENT, rated);
    w->end_s += w->change_s;
}

static void plan_trace(struct world *w)
{
    double nominal = w->t->setup.nominal_volts, at = 1.0 + 4.0 / w->t->how.rate_hz, dwell = uniform(w->random, 1.0, 2.0);
    int points = 8 + (int)(figures_random(w->random) % 9);
    w->change_s = at;
    for (int i = 0; i < points; i++, at += dwell) {
        double volts = nominal * (0.95 - 0.75 * i / (points - 1));
        if (w->scene == SCENE_TRACE_CV)
            order(w, at, true, LOAD_VOLTAGE, volts);
        else
            order(w, at, true, LOAD_RESISTANCE, volts / w->limit);
    }
    w->off_at_s = at;
    order(w, at, false, LOAD_CURRENT, 0.1);
    w->end_s = w->kind->behaviour == B_DEAD ? fmax(at, w->change_s + 11.0) : at + 1.0;
}

/* Where the data can't show the name. */
static bool can_show(const struct world *w)
{
    const struct trace_how *h = &w->t->how;
    double looks_s = fmax(1.0 / h->rate_hz, h->update_s);
    if (w->kind->behaviour == B_HICCUP) {
        double seen_s = (w->scene == SCENE_STAYS_ON ? w->end_s : w->off_at_s) - w->change_s, period = w->on_s + w->off_s;
        double looks_on = seen_s / looks_s * w->on_s / period;
        double beat = fabs(looks_s / period - round(looks_s / period)); /* looks in step with the bursts see the same moment of each */
        return beat > 0.1 && w->on_s >= 2.0 * h->conversion_s && seen_s >= 4.0 * period && looks_on >= 8.0;
    }
    if (w->kind->behaviour == B_RESET)
        return looks_s < 0.5;
    return true;
}

void trace_make(struct trace *t, unsigned which, uint64_t *random)
{
    static struct world world; /* 480 kB: tests run in one thread */
    struct world *w = &world;
    memset(w, 0, sizeof *w);
    memset(t, 0, offsetof(struct trace, readings));
    t->count = t->orders_count = 0;
    w->t = t;
    w->kind = &kinds[which];
    w->random = random;
    w->scene = w->kind->scene == SCENE_TRACE_CV && figures_random(random) % 2 ? SCENE_TRACE_CR : w->kind->scene;
    random_how(t, random);
    random_setup(w);
    random_supply(w);
    w->end_s = uniform(random, w->kind->lasts_min_s, w->kind->lasts_max_s);
    if (w->scene == SCENE_STEADY)
        plan_steady(w);
    else if (w->scene == SCENE_TRACE_CV || w->scene == SCENE_TRACE_CR)
        plan_trace(w);
    else
        plan_overload(w);
    w->steps = (int)(w->end_s * 1000.0) < STEPS_MAX ? (int)(w->end_s * 1000.0) : STEPS_MAX;
    for (int i = 0; i < w->steps; i++)
        step(w, i);
    look(w);
    t->label = w->kind->label;
    t->shows = can_show(w);
    snprintf(t->note, sizeof t->note, "%s: %.0f V %.2f A, %.1f/s conv %.3f%s upd %.3f skew %.3f noise %.4f %.4f on %.3f off %.3f away %.2f %s", w->kind->text, t->setup.nominal_volts,
             t->setup.rated_amps, t->how.rate_hz, t->how.conversion_s, t->how.conversion_known ? "" : "?", t->how.update_s, t->how.skew_s, t->how.noise_volts, t->how.noise_amps, w->on_s,
             w->off_s, w->away_s, w->scene == SCENE_TRACE_CR ? "CR" : "");
}
