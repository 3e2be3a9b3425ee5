/* The shape of a limit from settled points, taken with the load in voltage or resistance mode. */
#include "daemon/watch/watch_own.h"
#include "daemon/base/text.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Isc / Ilim of at most 0.8 is foldback (definition of this program). A constant current may lean by 10 % over its whole range, as loops of low gain do; in between the name stays open. */
static const double foldback_ratio = 0.80, straight_ratio = 0.90;
static const double flat_spread = 0.06; /* of amps or watts about their mean: reading noise and a lean of 10 % both fit */
static const double power_rise = 1.25;  /* constant power must show more current at less volts, by a quarter at least */
static const double unsteady = 0.5;     /* deviation over mean within one point: bursts; steady points stay below 0.1 */
static const double span = 0.30;        /* of nominal: less is no curve */
enum { POINTS_MIN = 4, OTHER_MIN = 3, UNSTEADY_MIN = 4 };

struct curve { /* the points in limit, by falling volts */
    double volts[WATCH_TRACE_MAX], amps[WATCH_TRACE_MAX];
    size_t len, dead, at_other, unsteady, given;
    double other_volts;
};

static int by_falling_volts(const void *a, const void *b)
{
    double x = ((const struct trace_point *)a)->volts, y = ((const struct trace_point *)b)->volts;
    return (x < y) - (x > y);
}

static void sort_point(struct curve *c, const struct trace_point *p, const struct watch_setup *setup, double none_amps)
{
    double level;
    if (!isfinite(p->volts) || !isfinite(p->amps) || p->count == 0)
        return;
    c->given++;
    bool bursts = p->count > 2 && p->amps_deviation > unsteady * fabs(p->amps) && p->amps_deviation > none_amps;
    if (bursts) {
        c->unsteady++;
    } else if (p->amps <= none_amps && p->volts < away_volts(setup)) {
        c->dead++;
    } else if (p->amps > none_amps && p->volts < 0.97 * setup->nominal_volts) {
        /* above that a resistance load may not have reached the limit yet */
        c->volts[c->len] = p->volts;
        c->amps[c->len++] = p->amps;
    }
    if (!bursts && level_other(setup, p->volts, &level) && (c->at_other == 0 || level == c->other_volts)) {
        c->at_other++;
        c->other_volts = level;
    }
}

static struct curve curve_of(const struct trace_point *points, size_t count, const struct watch_setup *setup)
{
    struct trace_point sorted[WATCH_TRACE_MAX];
    struct curve c = {0};
    if (count > WATCH_TRACE_MAX)
        count = WATCH_TRACE_MAX;
    for (size_t i = 0; i < count; i++)
        sorted[i] = points[i];
    qsort(sorted, count, sizeof sorted[0], by_falling_volts);
    double none_amps = fmax(fmax(0.03 * setup->rated_amps, 0.02), 3.0 * setup->amps_u);
    for (size_t i = 0; i < count; i++)
        sort_point(&c, &sorted[i], setup, none_amps);
    /* Points with volts in the window and amps rising towards the knee belong to the source's own resistance, not to its limit. */
    while (c.len > POINTS_MIN && c.volts[0] >= setup->low_volts && c.amps[0] < 0.97 * c.amps[1]) {
        memmove(c.volts, c.volts + 1, (c.len - 1) * sizeof c.volts[0]);
        memmove(c.amps, c.amps + 1, (c.len - 1) * sizeof c.amps[0]);
        c.len--;
    }
    return c;
}

static double spread_of(const struct curve *c, size_t count, bool watts, double *ret_mean)
{
    struct mean mean = {0};
    for (size_t i = 0; i < count; i++)
        mean_add(&mean, watts ? c->volts[i] * c->amps[i] : c->amps[i]);
    *ret_mean = mean.mean;
    return mean.count < 2 ? NAN : mean_deviation(&mean) / fabs(mean.mean);
}

/* How many points from the top have the same watts: a constant-power source often has a current ceiling below. */
static size_t same_watts(const struct curve *c)
{
    size_t count = c->len;
    double mean;
    while (count >= 3 && !(spread_of(c, count, true, &mean) <= flat_spread))
        count--;
    return count;
}

static bool constant_power(const struct curve *c, struct trace_shape *ret)
{
    size_t count = same_watts(c);
    if (count < 3 || c->amps[count - 1] < power_rise * c->amps[0])
        return false;
    ret->kind = FINDING_CONSTANT_POWER;
    spread_of(c, count, true, &ret->limit_watts);
    ret->limit_amps = c->amps[0];
    ret->short_amps = c->amps[c->len - 1];
    return true;
}

/* Short-circuit current is the line's value at 0 V; the limit its value at the highest point. */
static void lean(const struct curve *c, struct trace_shape *ret, double *ret_ratio_u, double *ret_residual)
{
    struct line_fit fit;
    *ret_ratio_u = *ret_residual = NAN;
    if (line_fit(c->volts, c->amps, c->len, &fit, NULL) < 0)
        return;
    ret->limit_amps = fit.intercept + fit.slope * c->volts[0];
    ret->short_amps = fmax(fit.intercept, 0.0);
    ret->ratio = ret->short_amps / ret->limit_amps;
    *ret_ratio_u = fit.intercept_u / fabs(ret->limit_amps);
    *ret_residual = fit.residual_deviation / fabs(ret->limit_amps);
}

static enum finding_kind straight_kind(const struct curve *c, struct trace_shape *ret, double rated_amps)
{
    double ratio_u, residual, mean;
    lean(c, ret, &ratio_u, &residual);
    double amps_spread = spread_of(c, c->len, false, &mean);
    if (ret->ratio <= foldback_ratio + ratio_u && ret->ratio < straight_ratio - ratio_u && residual <= 0.15)
        return FINDING_FOLDBACK;
    if (ret->ratio >= straight_ratio - ratio_u && ret->ratio <= 1.0 / straight_ratio + ratio_u && amps_spread <= flat_spread) {
        /* Less than a supply's rating all along: it may have folded back at the knee, before the first point. */
        return mean >= foldback_ratio * rated_amps ? FINDING_CONSTANT_CURRENT : FINDING_UNCERTAIN;
    }
    return FINDING_UNCERTAIN;
}

static void say(struct trace_shape *ret, const struct curve *c, const char *why)
{
    double low = c->len ? c->volts[c->len - 1] : 0.0, high = c->len ? c->volts[0] : 0.0;
    ret->text[0] = '\0';
    switch (ret->kind) {
    case FINDING_CONSTANT_CURRENT:
        text_add(ret->text, sizeof ret->text, "constant current, %.3f A from %.2f to %.2f V (%zu points; straight within 10 %%, rule for this name)", ret->limit_amps, high, low, c->len);
        break;
    case FINDING_CONSTANT_POWER:
        text_add(ret->text, sizeof ret->text, "constant power, %.2f W, current rising from %.3f to %.3f A between %.2f and %.2f V (%zu points; watts within 6 %%, rule for this name)",
                 ret->limit_watts, ret->limit_amps, ret->short_amps, high, low, c->len);
        break;
    case FINDING_FOLDBACK:
        text_add(ret->text, sizeof ret->text, "foldback, %.3f A at %.2f V falling towards %.3f A at 0 V, ratio %.2f (limit 0.80, rule for this name; %zu points down to %.2f V)", ret->limit_amps,
                 high, ret->short_amps, ret->ratio, c->len, low);
        break;
    default:
        text_add(ret->text, sizeof ret->text, "%s, %s (%zu points: %zu in limit from %.2f to %.2f V, %zu at another contract's level, %zu without volts, %zu unsteady)", finding_kind_name(ret->kind), why,
                 c->given, c->len, high, low, c->at_other, c->dead, c->unsteady);
        break;
    }
}

static const char *unsteady_kind(const struct curve *c, struct trace_shape *ret)
{
    ret->kind = c->unsteady >= UNSTEADY_MIN ? FINDING_HICCUP : FINDING_UNCERTAIN;
    return ret->kind == FINDING_HICCUP ? "current on and off within 4 points or more: deviation above half the mean"
                                       : "current is unsteady within points: deviation above half the mean";
}

static const char *judge_curve(const struct curve *c, const struct watch_setup *setup, struct trace_shape *ret)
{
    ret->kind = FINDING_UNCERTAIN;
    if (c->unsteady > 0 && 3 * c->unsteady >= c->given)
        return unsteady_kind(c, ret);
    if (c->at_other >= OTHER_MIN && 2 * c->at_other >= c->given) {
        ret->kind = FINDING_CONTRACT_LOST;
        return "half of the points or more stand at another contract's level, whatever the load";
    }
    if (c->dead >= OTHER_MIN && 2 * c->dead >= c->given) {
        ret->kind = FINDING_SHUTDOWN;
        return "no volts and no amps at most points";
    }
    if (c->len < POINTS_MIN || c->volts[0] - c->volts[c->len - 1] < span * setup->nominal_volts)
        return "fewer than 4 points in limit, or less than 30 % of the volts between them";
    if (!constant_power(c, ret))
        ret->kind = straight_kind(c, ret, setup->rated_amps);
    return "neither constant current (10 %), nor constant power (6 %), nor foldback (ratio 0.80 or less)";
}

void watch_shape(const struct trace_point *points, size_t count, const struct watch_setup *setup, struct trace_shape *ret)
{
    *ret = (struct trace_shape){.kind = FINDING_UNCERTAIN, .limit_amps = NAN, .limit_watts = NAN, .short_amps = NAN, .ratio = NAN};
    struct curve curve = curve_of(points, count, setup);
    say(ret, &curve, judge_curve(&curve, setup, ret));
}

static bool has_shape(const struct trace_shape *shape)
{
    return shape && shape->kind != FINDING_UNCERTAIN && shape->kind != FINDING_KINDS;
}

enum finding_kind watch_combined(const struct finding *verdict, const struct trace_shape *shape)
{
    enum finding_kind raw = verdict ? verdict->kind : FINDING_KINDS;
    bool raw_yields = raw == FINDING_KINDS || raw == FINDING_COLLAPSED;
    if (raw_yields && has_shape(shape))
        return shape->kind;
    /* Means over bursts that the readings were too slow to tell apart agree with "hiccup" only. */
    if (raw == FINDING_UNCERTAIN && shape && shape->kind == FINDING_HICCUP)
        return FINDING_HICCUP;
    return raw == FINDING_KINDS && shape ? shape->kind : raw;
}
