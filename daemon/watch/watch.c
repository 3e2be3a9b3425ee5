/* One port's watchers, joined: what is ordered and what is read go in here. */
#include "daemon/watch/watch_own.h"

#include <math.h>
#include <stdlib.h>

static int setup_check(const struct watch_setup *s, struct error *err)
{
    if (!(s->nominal_volts > 0.0) || !(s->low_volts > 0.0) || !(s->high_volts > s->low_volts))
        return error_set(err, ERROR_RANGE, "port %d: watchers need a contract with 0 < low_volts < high_volts, got %.3f V, %.3f V of %.3f V", s->port + 1, s->low_volts, s->high_volts,
                         s->nominal_volts);
    return 0;
}

static void watch_clear(struct watch *watch, const struct watch_setup *setup)
{
    *watch = (struct watch){.setup = *setup, .live = FINDING_KINDS, .expected = true};
    watch->order.at_us = watch->before.at_us = INT64_MIN;
    watch->order.mode = watch->before.mode = LOAD_CURRENT;
}

struct watch *watch_new(const struct watch_setup *setup, struct error *err)
{
    if (setup_check(setup, err) < 0)
        return NULL;
    struct watch *watch = malloc(sizeof *watch);
    if (!watch) {
        error_set(err, ERROR_MEMORY, "no memory for the watchers of port %d", setup->port + 1);
        return NULL;
    }
    watch_clear(watch, setup);
    return watch;
}

void watch_free(struct watch *watch)
{
    free(watch);
}

/* What was learnt of the instrument and what is ordered of the load outlive a contract: the load doesn't change with it. */
void watch_reset(struct watch *watch, const struct watch_setup *setup)
{
    struct sampling sampling = watch->sampling;
    struct load_order order = watch->order, before = watch->before;
    int64_t pace_us = watch->pace_us, block_until_us = watch->stuck.block_until_us, now_us = watch->now_us;
    bool stale = watch->stale, lasting = watch->stale_lasting;
    watch_clear(watch, setup);
    watch->sampling = sampling;
    watch->order = order;
    watch->before = before;
    watch->pace_us = pace_us;
    watch->stuck.block_until_us = block_until_us;
    watch->now_us = now_us;
    watch->stale = stale;
    watch->stale_lasting = lasting;
}

static bool same_order(const struct load_order *a, bool input_on, enum load_mode mode, double set_point)
{
    return a->at_us != INT64_MIN && a->input_on == input_on && a->mode == mode && a->set_point == set_point;
}

static bool is_nudge(const struct watch *watch)
{
    const struct load_order *a = &watch->before, *b = &watch->order;
    bool same_state = a->at_us != INT64_MIN && a->input_on && b->input_on && a->mode == b->mode;
    return same_state && fabs(a->set_point - b->set_point) <= 1.5 * nudge_amps(&watch->setup);
}

void watch_ordered(struct watch *watch, int64_t at_us, bool input_on, enum load_mode mode, double set_point)
{
    if (same_order(&watch->order, input_on, mode, set_point))
        return; /* a repetition settles nothing anew */
    /* Loaded again while good: what happens from here on is another story. */
    if (input_on && !watch->order.input_on && watch->episode.open && watch->good_hits > 0)
        letgo_close(watch);
    watch->before = watch->order;
    watch->order = (struct load_order){.at_us = at_us, .input_on = input_on, .mode = mode, .set_point = set_point};
    if (is_nudge(watch))
        watch->stuck.block_until_us = at_us + 60 * US_PER_S;
}

void watch_expect_output(struct watch *watch, int64_t at_us, bool expected)
{
    (void)at_us;
    if (watch->expected == expected)
        return;
    watch->expected = expected;
    watch->armed = false;
    letgo_close(watch);
}

void watch_pace(struct watch *watch, int64_t period_us)
{
    watch->pace_us = period_us > 0 ? period_us : 0;
}

static bool is_trusted(const struct reading *r)
{
    return !(r->quality & (QUALITY_NAN | QUALITY_OVER_RANGE | QUALITY_LATE)) && isfinite(r->volts) && isfinite(r->amps);
}

static bool is_settled(const struct watch *watch, const struct reading *r)
{
    int64_t asked_us = r->asked_us > 0 && r->asked_us <= r->at_us ? r->asked_us : r->at_us;
    if (watch->order.at_us == INT64_MIN)
        return true;
    if (r->quality & QUALITY_TRANSITION || seconds_between(watch->order.at_us, asked_us) < settle_s(watch))
        return false;
    /* Digits from before the order may be a conversion from before it; after a second no display is that slow. */
    const struct sampling *s = &watch->sampling;
    bool unchanged = s->seen > 0 && r->volts == s->last.volts && r->amps == s->last.amps && s->same_since_us < watch->order.at_us;
    return !unchanged || seconds_between(watch->order.at_us, asked_us) >= 1.0;
}

size_t watch_feed(struct watch *watch, const struct reading *reading, struct finding out_list[WATCH_OUT_MAX])
{
    struct out out = {.list = out_list};
    watch->now_us = reading->at_us;
    if (reading->quality & QUALITY_LATE) /* an old answer proves nothing, not even that somebody is there */
        return watch_tick(watch, reading->at_us, out_list);
    stale_back(watch, reading, &out);
    struct seen seen = {.r = reading, .trusted = is_trusted(reading), .settled = is_settled(watch, reading)};
    if (seen.trusted)
        level_judge(watch, &seen);
    bool steady = seen.settled && (seen.level == LEVEL_GOOD || seen.level == LEVEL_SAGGING) && watch->low_hits == 0 && !watch->episode.open;
    seen.fresh = sampling_feed(watch, reading, seen.trusted, steady);
    watchers_feed(watch, &seen, &out);
    stuck_feed(watch, &seen, &out);
    letgo_feed(watch, &seen, &out);
    return out.len;
}

size_t watch_tick(struct watch *watch, int64_t now_us, struct finding out_list[WATCH_OUT_MAX])
{
    struct out out = {.list = out_list};
    if (now_us > watch->now_us)
        watch->now_us = now_us;
    stale_tick(watch, now_us, &out);
    return out.len;
}

int64_t watch_due_us(const struct watch *watch)
{
    return stale_due_us(watch);
}

enum finding_kind watch_verdict(const struct watch *watch, struct finding *ret)
{
    struct finding finding;
    enum finding_kind kind = episode_name(watch, &watch->episode, &finding);
    if (ret)
        *ret = finding;
    return kind;
}
