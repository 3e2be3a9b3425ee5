/* An episode: from the moment the output gives way until it is good again or the tester takes it away. Kept as stretches of one level, so that it is bounded. */
#include "daemon/watch/watch_own.h"

#include <math.h>
#include <string.h>

/* Two fresh readings in a row open an episode (one decides nothing); a level needs three and 200 ms, since a slewing output passes through the levels. */
enum { OPEN_HITS = 2, OPEN_SCATTERED = 3, OPEN_SAME = 3, GOOD_READINGS_FORGET = 10 };
static const double open_other_s = 0.2;
static const double forget_s = 3.0;  /* longer than any off-time that could be half of a hiccup seen so far */
static const double close_s = 10.0;  /* good for so long: it has recovered; as long as the ladder waits */

static void stretch_add(struct stretch *s, const struct seen *seen, double noise_volts)
{
    const struct reading *r = seen->r;
    /* 4 % is less than the width of any level's window: whatever slews through one leaves the mark. */
    if (fabs(r->volts - s->volts_mark) > fmax(0.04 * fabs(s->volts_mark), 6.0 * noise_volts)) {
        s->volts_mark = r->volts;
        s->mark_us = r->at_us;
        s->mark_count = 0;
    }
    s->mark_count += seen->fresh;
    s->to_us = r->at_us;
    s->count += seen->fresh;
    s->readings++;
    s->volts_last = r->volts;
    s->volts_max = fmax(s->volts_max, r->volts);
    s->amps_sum += r->amps;
    s->contract = r->contract;
}

/* Pauses shorter than a conversion never show as "no current", only as a dip. No limit without pauses swings like that: a steady one moves by its noise, a drifting one in one direction. */
static void swing_add(struct episode *e, const struct seen *seen, const struct load_order *order, double none_amps)
{
    if (!order->input_on || order->mode != LOAD_CURRENT || seen->level == LEVEL_GOOD)
        return;
    double amps = seen->r->amps;
    e->peak_amps = fmax(e->peak_amps, amps);
    if (e->peak_amps < 3.0 * none_amps)
        return;
    e->swings += e->low && amps > 0.7 * e->peak_amps;
    e->low = amps < 0.4 * e->peak_amps || (e->low && amps <= 0.7 * e->peak_amps);
}

static bool continues(const struct stretch *last, const struct seen *seen, const struct load_order *order)
{
    return last->level == seen->level && last->loaded == order->input_on && last->by_current == (order->mode == LOAD_CURRENT) && last->flowing == seen->flowing
           && (seen->level != LEVEL_OTHER || last->other_volts == seen->other_volts);
}

static struct stretch *stretch_new(struct episode *e, const struct seen *seen, const struct load_order *order)
{
    if (e->len == STRETCHES_MAX) { /* on and off for hours: the first tells how it began, the oldest after it tell nothing new */
        memmove(&e->stretches[1], &e->stretches[STRETCHES_MAX / 2], (STRETCHES_MAX - STRETCHES_MAX / 2) * sizeof e->stretches[0]);
        e->len -= STRETCHES_MAX / 2 - 1;
    }
    struct stretch *s = &e->stretches[e->len++];
    *s = (struct stretch){
        .level = seen->level, .loaded = order->input_on, .by_current = order->mode == LOAD_CURRENT, .flowing = seen->flowing, .from_us = seen->r->at_us, .volts_mark = seen->r->volts,
        .mark_us = seen->r->at_us, .volts_max = seen->r->volts, .other_volts = seen->other_volts,
    };
    return s;
}

static void episode_add(struct episode *e, const struct seen *seen, const struct watch *watch)
{
    const struct load_order *order = &watch->order;
    struct stretch *last = e->len ? &e->stretches[e->len - 1] : NULL;
    swing_add(e, seen, order, flow_amps(watch));
    if (!last || !continues(last, seen, order))
        last = stretch_new(e, seen, order);
    stretch_add(last, seen, watch->sampling.noise_volts);
}

static void forget_pending(struct watch *watch, const struct seen *seen)
{
    memset(&watch->pending, 0, offsetof(struct episode, stretches)); /* with each good reading: ten kilobytes of zeros would be most of its cost */
    watch->pending.good_us = seen->r->at_us;
    watch->pending.contract_before = seen->r->contract;
    watch->away_hits = watch->low_hits = watch->other_hits = 0;
}

/* Good long enough that what flickered before was no beginning. */
static void watch_good(struct watch *watch, const struct seen *seen)
{
    if (watch->good_hits == 0)
        watch->good_since_us = seen->r->at_us;
    watch->good_hits += seen->fresh;
    watch->armed = watch->armed || watch->good_hits >= 2;
    watch->low_hits = watch->other_hits = 0;
    double good_s = seconds_between(watch->good_since_us, seen->r->at_us);
    bool quiet = watch->pending.len == 0 || good_s >= forget_s || (watch->pending.len == 1 && watch->good_hits >= GOOD_READINGS_FORGET);
    if (quiet)
        forget_pending(watch, seen);
}

/* Held by a load in voltage or resistance mode is as good as it gets there: it is on, and it may go away from there. */
static bool counts_as_good(enum level level)
{
    return level == LEVEL_GOOD || level == LEVEL_HELD || level == LEVEL_SAGGING;
}

static bool gives_way(struct watch *watch, const struct seen *seen)
{
    /* A voltage or resistance load that gets no current has lost its source, even while a capacitor still holds volts. */
    bool starved = watch->order.input_on && watch->order.mode != LOAD_CURRENT && seen->settled && seen->level == LEVEL_BETWEEN;
    bool by_wire = sense_look(watch, seen) == EVIDENCE_FOR; /* the volts are wrong: the source has not given way */
    bool down = seen->level == LEVEL_AWAY || (seen->level == LEVEL_FLOOR && !by_wire) || starved;
    watch->low_hits = down ? watch->low_hits + seen->fresh : 0;
    watch->away_hits += seen->level == LEVEL_AWAY && seen->fresh;
    watch->other_hits = seen->level == LEVEL_OTHER ? watch->other_hits + seen->fresh : 0;
    const struct stretch *last = &watch->pending.stretches[watch->pending.len - 1];
    bool other = watch->other_hits >= OPEN_SAME && last->mark_count >= OPEN_SAME && seconds_between(last->mark_us, last->to_us) >= open_other_s;
    return watch->low_hits >= OPEN_HITS || watch->away_hits >= OPEN_SCATTERED || other;
}

static enum finding_kind name_of_level(enum level level)
{
    return level == LEVEL_OTHER ? FINDING_CONTRACT_LOST : level == LEVEL_FLOOR ? FINDING_COLLAPSED : FINDING_SHUTDOWN;
}

static void tell_live(struct watch *watch, const struct seen *seen, enum finding_kind kind, const struct finding *named, struct out *out)
{
    if (watch->live != FINDING_KINDS) {
        struct finding *f = finding_begin(watch, out, watch->live, SEVERITY_NOTE, seen->r, watch->episode.good_us);
        f->over = true;
        finding_say(f, "%s: more readings show %s", finding_kind_name(watch->live), finding_kind_name(kind));
    }
    watch->live = kind;
    struct finding *f = finding_begin(watch, out, kind, kind == FINDING_UNCERTAIN ? SEVERITY_WARNING : SEVERITY_TRIP, seen->r, watch->episode.good_us);
    if (named) {
        f->period_s = named->period_s;
        f->duty = named->duty;
        f->limit = named->limit;
        memcpy(f->text, named->text, sizeof f->text);
        return;
    }
    f->limit = kind == FINDING_SHUTDOWN ? away_volts(&watch->setup) : watch->setup.low_volts;
    finding_say(f, "the output gave way, %.3f V at %.3f A, window from %.3f V (supply file, low_volts); %s as far as can be seen now", seen->r->volts, seen->r->amps,
                watch->setup.low_volts, finding_kind_name(kind));
}

static void rename_live(struct watch *watch, const struct seen *seen, struct out *out)
{
    struct finding named;
    enum finding_kind kind = episode_name(watch, &watch->episode, &named);
    if (kind != watch->live && kind != FINDING_UNCERTAIN && kind != FINDING_KINDS)
        tell_live(watch, seen, kind, &named, out);
}

static void tell_closed(struct watch *watch, const struct seen *seen, struct out *out)
{
    watch->say_closed = false;
    struct finding named;
    enum finding_kind kind = episode_name(watch, &watch->episode, &named);
    if (kind != watch->live && kind != FINDING_KINDS)
        tell_live(watch, seen, kind, &named, out);
    if (watch->live == FINDING_KINDS)
        return;
    struct finding *f = finding_begin(watch, out, watch->live, SEVERITY_NOTE, seen->r, watch->episode.good_us);
    f->over = true;
    finding_say(f, "%s has ended, %.3f V", finding_kind_name(watch->live), seen->r->volts);
    watch->live = FINDING_KINDS;
}

void letgo_close(struct watch *watch)
{
    watch->say_closed = watch->say_closed || watch->episode.open;
    watch->episode.open = false;
    watch->pending = (struct episode){0};
    watch->away_hits = watch->low_hits = watch->other_hits = watch->good_hits = 0;
}

static void open_episode(struct watch *watch, const struct seen *seen, struct out *out)
{
    watch->episode = watch->pending;
    watch->episode.any = watch->episode.open = true;
    watch->good_hits = 0;
    tell_live(watch, seen, name_of_level(seen->level), NULL, out);
}

/* A resistance load lets the source choose its volts. Once it has been away, the default level is that level; before, a source in limit may stand there by chance. */
static void see_default(const struct watch *watch, struct seen *seen)
{
    double level;
    if (seen->level == LEVEL_HELD && watch->order.mode == LOAD_RESISTANCE && watch->away_hits > 0 && level_other(&watch->setup, seen->r->volts, &level) && level == watch->setup.default_volts) {
        seen->level = LEVEL_OTHER;
        seen->other_volts = level;
    }
}

static void feed_open(struct watch *watch, const struct seen *as_seen, struct out *out)
{
    struct seen here = *as_seen;
    const struct seen *seen = &here;
    watch->away_hits += here.level == LEVEL_AWAY && here.fresh;
    see_default(watch, &here);
    episode_add(&watch->episode, seen, watch);
    rename_live(watch, seen, out);
    bool good = seen->level == LEVEL_GOOD;
    if (good && watch->good_hits++ == 0)
        watch->good_since_us = seen->r->at_us;
    if (!good)
        watch->good_hits = 0;
    if (good && seconds_between(watch->good_since_us, seen->r->at_us) >= close_s) {
        letgo_close(watch);
        tell_closed(watch, seen, out);
    }
}

void letgo_feed(struct watch *watch, const struct seen *seen, struct out *out)
{
    if (!seen->trusted)
        return;
    if (watch->say_closed)
        tell_closed(watch, seen, out);
    if (!watch->expected)
        return;
    if (watch->episode.open) {
        feed_open(watch, seen, out);
        return;
    }
    bool good = counts_as_good(seen->level);
    if (good)
        watch_good(watch, seen);
    else
        watch->good_hits = 0;
    if (!watch->armed || (good && watch->pending.len == 0))
        return;
    if (watch->pending.len == 0)
        watch->pending.began_loaded = watch->order.input_on;
    episode_add(&watch->pending, seen, watch);
    if (!good && gives_way(watch, seen))
        open_episode(watch, seen, out);
}
