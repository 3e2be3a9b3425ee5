/* The instrument itself: not-a-number, over-range, stale, stuck. */
#include "daemon/watch/watch_own.h"

#include <math.h>

enum evidence nan_look(const struct watch *watch, const struct seen *seen)
{
    (void)watch;
    if (seen->r->quality & (QUALITY_OVER_RANGE | QUALITY_LATE))
        return EVIDENCE_NONE;
    bool nan = seen->r->quality & QUALITY_NAN || isnan(seen->r->volts) || isnan(seen->r->amps);
    return nan ? EVIDENCE_FOR : EVIDENCE_AGAINST;
}

void nan_say(const struct watch *watch, const struct seen *seen, struct finding *ret)
{
    (void)seen;
    finding_say(ret, "the load answers not-a-number instead of volts and amps, 3 readings or more (IEEE 488.2 / SCPI: 9.91E37); the last good one was %.3f V, %.3f A", watch->sampling.last.volts,
                watch->sampling.last.amps);
}

static bool beyond(double value, double limit, double factor)
{
    return limit > 0.0 && fabs(value) > factor * limit;
}

/* 5 % beyond the range is still what a display shows at its end. */
enum evidence range_look(const struct watch *watch, const struct seen *seen)
{
    const struct reading *r = seen->r;
    if (r->quality & (QUALITY_NAN | QUALITY_LATE))
        return EVIDENCE_NONE;
    bool over = r->quality & QUALITY_OVER_RANGE || isinf(r->volts) || isinf(r->amps) || beyond(r->amps, watch->setup.load_max_amps, 1.05)
                || beyond(r->volts, watch->setup.load_max_volts, 1.05);
    return over ? EVIDENCE_FOR : EVIDENCE_AGAINST;
}

void range_say(const struct watch *watch, const struct seen *seen, struct finding *ret)
{
    ret->limit = watch->setup.load_max_volts;
    finding_say(ret, "the load says over-range: %.3g V, %.3g A, ratings %.3f V and %.3f A (bench file, max_volts and max_amps)", seen->r->volts, seen->r->amps, watch->setup.load_max_volts,
                watch->setup.load_max_amps);
}

/* ---- stale: shows by absence ---- */

static int64_t stale_us(const struct watch *watch)
{
    double usual_s = fmax(watch->sampling.interval, seconds_between(0, watch->pace_us));
    return (int64_t)(fmax(1.0, 5.0 * usual_s) * (double)US_PER_S);
}

int64_t stale_due_us(const struct watch *watch)
{
    if (watch->sampling.seen == 0 || watch->stale_lasting)
        return NEVER_US;
    return watch->sampling.last_us + stale_us(watch) * (watch->stale ? 3 : 1);
}

void stale_tick(struct watch *watch, int64_t now_us, struct out *out)
{
    if (now_us < stale_due_us(watch))
        return;
    enum severity severity = watch->stale ? SEVERITY_ABORT : SEVERITY_WARNING;
    watch->stale_lasting = watch->stale;
    watch->stale = true;
    struct finding *f = finding_begin(watch, out, FINDING_INSTRUMENT_STALE, severity, &watch->sampling.last, watch->sampling.last_us);
    f->limit = seconds_between(0, stale_us(watch));
    finding_say(f, "the load has given no reading for %.2f s, limit %.2f s (1 s or five usual intervals of %.3f s); the last was %.3f V, %.3f A",
                seconds_between(watch->sampling.last_us, now_us), f->limit, watch->sampling.interval, watch->sampling.last.volts, watch->sampling.last.amps);
}

void stale_back(struct watch *watch, const struct reading *reading, struct out *out)
{
    if (!watch->stale)
        return;
    watch->stale = watch->stale_lasting = false;
    struct finding *f = finding_begin(watch, out, FINDING_INSTRUMENT_STALE, SEVERITY_NOTE, reading, watch->sampling.last_us);
    f->over = true;
    finding_say(f, "readings are back after %.2f s", seconds_between(watch->sampling.last_us, reading->at_us));
}

/* ---- stuck: equal digits are a question, only an order that had to change them is the proof ---- */

/* Large enough to leave the last digit and the band of the readback, small enough to upset no supply. */
double nudge_amps(const struct watch_setup *setup)
{
    return fmax(fmax(0.01 * setup->rated_amps, 2.0 * setup->amps_u), 0.02);
}

static bool order_must_show(const struct watch *watch)
{
    const struct load_order *a = &watch->before, *b = &watch->order;
    if (a->at_us == INT64_MIN)
        return false;
    if (a->input_on && b->input_on && a->mode == LOAD_CURRENT && b->mode == LOAD_CURRENT)
        return fabs(a->set_point - b->set_point) >= 0.5 * nudge_amps(&watch->setup);
    /* Turning the input over is proof only with an instrument known to flicker: a shorted power stage shows equal digits as well where nothing flickers. */
    return a->input_on != b->input_on && watch->sampling.noise_seen && (a->input_on ? a->mode : b->mode) == LOAD_CURRENT;
}

static bool is_stuck(const struct watch *watch, const struct seen *seen)
{
    const struct sampling *s = &watch->sampling;
    if (!seen->settled || seen->level != LEVEL_GOOD || !order_must_show(watch) || s->same_since_us >= watch->order.at_us)
        return false;
    double since_settled = seconds_between(watch->order.at_us, watch->now_us) - settle_s(watch);
    return since_settled >= fmax(3.0 * s->interval, fmax(2.0 * s->hold, 0.3));
}

void stuck_feed(struct watch *watch, const struct seen *seen, struct out *out)
{
    if (!seen->trusted)
        return;
    bool moved = watch->sampling.same_since_us == watch->now_us;
    if (moved && watch->stuck.on) {
        watch->stuck.on = false;
        struct finding *f = finding_begin(watch, out, FINDING_INSTRUMENT_STUCK, SEVERITY_NOTE, seen->r, watch->now_us);
        f->over = true;
        finding_say(f, "the load's reading moves again, %.3f V, %.3f A", seen->r->volts, seen->r->amps);
    }
    if (watch->stuck.on || !is_stuck(watch, seen))
        return;
    watch->stuck.on = true;
    struct finding *f = finding_begin(watch, out, FINDING_INSTRUMENT_STUCK, SEVERITY_ABORT, seen->r, watch->sampling.same_since_us);
    finding_say(f, "the load's reading is stuck at %.4f V, %.4f A for %.2f s: not a digit changed when %.3f A %s became %.3f A %s (proof by set-point)", seen->r->volts, seen->r->amps,
                seconds_between(watch->sampling.same_since_us, watch->now_us), watch->before.set_point, watch->before.input_on ? "on" : "off", watch->order.set_point,
                watch->order.input_on ? "on" : "off");
}

/* Wanted after 5 s and 20 intervals without a changed digit, at most once a minute (watch_ordered() sees to that): a quiet instrument of few digits is not to be shaken all the time. */
bool watch_wants_nudge(const struct watch *watch, double *ret_amps)
{
    const struct sampling *s = &watch->sampling;
    if (s->seen < 20 || watch->stuck.on || !watch->order.input_on || watch->order.mode != LOAD_CURRENT || !watch->armed || watch->episode.open)
        return false;
    double same_s = seconds_between(s->same_since_us, s->last_us);
    if (same_s < fmax(5.0, 20.0 * s->interval) || s->last_us < watch->stuck.block_until_us)
        return false;
    /* Downwards, away from every limit, unless that would end at nothing. */
    double step = nudge_amps(&watch->setup);
    *ret_amps = watch->order.set_point > 2.0 * step ? -step : step;
    return true;
}
