/* What the readings themselves tell of the instrument: how often it is asked, how long one conversion is shown, how much it flickers. */
#include "daemon/watch/watch_own.h"

#include <math.h>
#include <string.h>

double seconds_between(int64_t from_us, int64_t to_us)
{
    return (double)(to_us - from_us) / (double)US_PER_S;
}

void spread_add(struct spread *spread, double value)
{
    spread->values[spread->next] = value;
    spread->next = (spread->next + 1) % SPREAD_MAX;
    if (spread->len < SPREAD_MAX)
        spread->len++;
}

double spread_median(const struct spread *spread)
{
    double sorted[SPREAD_MAX];
    memcpy(sorted, spread->values, spread->len * sizeof sorted[0]);
    return spread->len ? median(sorted, spread->len) : 0.0;
}

static bool same_digits(const struct reading *a, const struct reading *b)
{
    return a->volts == b->volts && a->amps == b->amps;
}

/* Median of |difference of two normal values| is 0.954 of one deviation: 0.6745 * sqrt(2). Fewer than 6 steps say nothing. */
static double noise_of(const struct spread *steps)
{
    return steps->len < 6 ? 0.0 : spread_median(steps) / 0.954;
}

static void learn_noise(struct sampling *s, const struct reading *reading)
{
    spread_add(&s->step_volts, fabs(reading->volts - s->last.volts));
    spread_add(&s->step_amps, fabs(reading->amps - s->last.amps));
    s->noise_volts = noise_of(&s->step_volts);
    s->noise_amps = noise_of(&s->step_amps);
    s->noise_seen = s->noise_volts > 0.0 || s->noise_amps > 0.0;
}

/* A display that is renewed at its own pace repeats its digits for about the same time again and again; few digits and little noise repeat them at random, also once only. So the median counts
 * only where the shorter runs are near it. A second is the slowest display to be believed. */
static void learn_hold(struct sampling *s, const struct reading *reading)
{
    double sorted[SPREAD_MAX];
    spread_add(&s->hold_s, seconds_between(s->same_since_us, reading->at_us));
    if (s->hold_s.len < 6)
        return;
    memcpy(sorted, s->hold_s.values, s->hold_s.len * sizeof sorted[0]);
    double middle = median(sorted, s->hold_s.len), low = sorted[s->hold_s.len / 5];
    s->hold = fmin(low >= 0.6 * middle ? middle : low, 1.0);
}

/* A repeat counts as a new conversion after one and a half of the time that one is shown; where nothing is known, 50 ms: few instruments convert slower without
 * their file saying so, and none of what is decided by repeats is a hard limit. */
static bool is_fresh(const struct watch *watch, const struct reading *reading, bool same)
{
    const struct sampling *s = &watch->sampling;
    double shown = fmax(fmax(watch->setup.conversion_s, s->hold), 0.05);
    return !same || seconds_between(s->fresh_us, reading->at_us) >= 1.5 * shown;
}

bool sampling_feed(struct watch *watch, const struct reading *reading, bool trusted, bool steady)
{
    struct sampling *s = &watch->sampling;
    if (s->seen > 0 && reading->at_us > s->last_us) {
        spread_add(&s->interval_s, seconds_between(s->last_us, reading->at_us));
        s->interval = spread_median(&s->interval_s);
    }
    s->last_us = reading->at_us;
    if (!trusted)
        return true; /* garbage is always new */
    bool same = s->seen > 0 && same_digits(reading, &s->last);
    bool fresh = s->seen == 0 || is_fresh(watch, reading, same);
    if (fresh && s->seen > 0 && steady) /* equal digits of a new conversion are a step of nothing: without them a quiet instrument would have the noise of its few steps */
        learn_noise(s, reading);
    bool between_orders = s->same_since_us > watch->order.at_us; /* what an order changed says nothing of the display's pace */
    if (!same && s->seen > 0 && between_orders)
        learn_hold(s, reading);
    if (!same || s->seen == 0)
        s->same_since_us = reading->at_us;
    if (fresh)
        s->fresh_us = reading->at_us;
    s->last = *reading;
    s->seen++;
    return fresh;
}

double conversion_s(const struct watch *watch)
{
    const struct sampling *s = &watch->sampling;
    /* Runs of equal digits as long as the sampling interval are no repeats: nothing is learnt from them. */
    return fmax(watch->setup.conversion_s, s->hold > 1.5 * s->interval ? s->hold : 0.0);
}

/* After an order two conversions may still show what was before: the one under way, and, with skew between volts and amps, the one after. */
double settle_s(const struct watch *watch)
{
    return fmax(watch->setup.settle_s, 2.0 * conversion_s(watch) + watch->sampling.hold);
}
