/* What the stretches of an episode amount to: a story is told once, then a table of rules gives it its name. */
#include "daemon/watch/watch_own.h"

#include <math.h>
#include <string.h>

/* Longest time without volts of a hard reset: 0.035 + 0.650 + 1.000 + 0.275 s = 1.96 s (sum of the maxima of USB PD, computed); shortest at vSafe0V 0.66 s (tSrcRecover, second-hand).
 * Half a second more leaves room for a conversion and separates it from a shutdown; the pauses of a hiccup are shorter too (common practice, no source). */
static const double reset_min_s = 0.66, reset_max_s = 2.0, shutdown_s = 2.5;
/* The ladder's first rung waits 10 s from when the collapse is recognised; a supply that waits that long must be named inside the rung. */
static const double latch_s = 9.5;
static const double collapsed_s = 1.0; /* longer than an on-time of a hiccup at the load's floor (common practice, no source) */
static const double steady_s = 0.2;    /* a level held so long is no slewing output */
enum { HICCUP_PERIODS = 3 };

struct cycles {
    unsigned falls, rises;
    int64_t first_fall_us, last_fall_us, last_on_us; /* last_on: when it was last seen on */
    struct spread on_s, on_upper_s;
    double burst_volts_max, longest_off_s; /* of the pauses that ended */
    unsigned bursts_at_default, bursts_good, bursts;
};

struct story {
    const struct watch *watch;
    const struct episode *episode;
    struct cycles cycles;
    const struct stretch *last;
    double last_s;                   /* how long that has stood */
    double away_min_s, away_max_s;   /* the last time away: at least, at most */
    unsigned floor_readings;         /* with current below the window under a current load */
    double floor_amps;
    bool away_seen, reset_seen;      /* reset_seen: away for as long as a hard reset takes, then steady at the default level */
    const struct stretch *other;     /* where it last stood at another level; NULL: nowhere */
    double back_s;                   /* from when the load let go to the window, at most; NAN: not so */
    double resolution_s;             /* two edges nearer than that are one */
};

enum state { STATE_UNKNOWN, STATE_ON, STATE_OFF };

/* Twice what can be mistaken for none begins a burst: one flicker of a noisy readback would be a period of its own. */
static enum state state_of(const struct watch *watch, const struct stretch *s)
{
    if (!s->loaded)
        return STATE_UNKNOWN;
    if (s->flowing)
        return s->amps_sum > 2.0 * flow_amps(watch) * s->readings ? STATE_ON : STATE_UNKNOWN;
    if (s->level == LEVEL_AWAY || (!s->by_current && s->level != LEVEL_GOOD))
        return STATE_OFF;
    return s->level == LEVEL_GOOD ? STATE_ON : STATE_UNKNOWN;
}

static void count_fall(struct cycles *c, const struct stretch *off, int64_t on_from_us, int64_t off_before_us)
{
    int64_t at_us = c->last_on_us + (off->from_us - c->last_on_us) / 2;
    if (c->falls++ == 0)
        c->first_fall_us = at_us;
    c->last_fall_us = at_us;
    if (off_before_us == INT64_MIN)
        return; /* the first on-time began before the collapse */
    spread_add(&c->on_s, 0.5 * (seconds_between(on_from_us, c->last_on_us) + seconds_between(off_before_us, off->from_us)));
    spread_add(&c->on_upper_s, seconds_between(off_before_us, off->from_us));
}

static void count_burst(const struct watch_setup *setup, struct cycles *c, const struct stretch *s, bool rises)
{
    double level;
    c->rises += rises;
    c->bursts++;
    c->bursts_good += s->level == LEVEL_GOOD || s->level == LEVEL_HELD;
    c->bursts_at_default += s->level == LEVEL_OTHER || (s->level != LEVEL_GOOD && level_other(setup, s->volts_max, &level) && level == setup->default_volts);
    c->burst_volts_max = fmax(c->burst_volts_max, s->volts_max);
}

static void tell_cycles(struct story *story)
{
    const struct episode *e = story->episode;
    struct cycles *c = &story->cycles;
    enum state state = e->began_loaded ? STATE_ON : STATE_UNKNOWN;
    int64_t on_from_us = e->good_us, off_to_us = INT64_MIN;
    c->last_on_us = e->good_us;
    for (size_t i = 0; i < e->len; i++) {
        const struct stretch *s = &e->stretches[i];
        enum state next = state_of(story->watch, s);
        if (next == STATE_OFF && state == STATE_ON)
            count_fall(c, s, on_from_us, off_to_us);
        if (next == STATE_ON && off_to_us != INT64_MIN)
            count_burst(&story->watch->setup, c, s, state == STATE_OFF);
        if (next == STATE_ON && state != STATE_ON)
            on_from_us = s->from_us;
        if (next == STATE_ON && state == STATE_OFF)
            c->longest_off_s = fmax(c->longest_off_s, seconds_between(c->last_on_us, s->from_us));
        if (next == STATE_ON)
            c->last_on_us = s->to_us;
        if (next == STATE_OFF)
            off_to_us = s->to_us;
        state = s->loaded ? (next == STATE_UNKNOWN ? state : next) : STATE_UNKNOWN;
    }
}

/* On the way from one level to another: a conversion across an edge, a decaying capacitor, one outlier, a moment of current before the load lets go. */
static bool passing(const struct stretch *s)
{
    switch (s->level) {
    case LEVEL_BETWEEN: return !s->flowing || s->count < 3;
    case LEVEL_OTHER: return s->mark_count < 3;
    case LEVEL_FLOOR:
    case LEVEL_HELD: return s->count < 3;
    default: return false;
    }
}

static bool established(const struct stretch *s)
{
    return s->count >= 3 && seconds_between(s->from_us, s->to_us) >= steady_s;
}

static bool steady(const struct stretch *s)
{
    return s->mark_count >= 3 && seconds_between(s->mark_us, s->to_us) >= steady_s;
}

static bool is_default(const struct story *story, const struct stretch *s)
{
    return s->level == LEVEL_OTHER && s->other_volts == story->watch->setup.default_volts;
}

static bool away_like_a_reset(const struct story *s)
{
    double slack = s->watch->setup.conversion_s + 0.05;
    return s->away_seen && s->away_max_s >= reset_min_s - slack && s->away_min_s <= reset_max_s + slack;
}

/* The last time without volts: at least from the first to the last reading of it, at most from the last reading that stood before to the first that stood after. */
static void tell_away(struct story *story)
{
    const struct episode *e = story->episode;
    int64_t before_us = e->good_us, from_us = INT64_MIN, to_us = INT64_MIN;
    bool back_good = false; /* at the contract's level since it was away */
    for (size_t i = 0; i < e->len; i++) {
        const struct stretch *s = &e->stretches[i];
        bool away = s->level == LEVEL_AWAY;
        if (away && from_us == INT64_MIN)
            from_us = s->from_us;
        if (away) {
            to_us = s->to_us;
            story->away_seen = true;
        }
        bool stands = !away && !passing(s);
        if (from_us != INT64_MIN) {
            story->away_min_s = seconds_between(from_us, to_us);
            story->away_max_s = seconds_between(before_us, stands ? s->from_us : s->to_us);
            back_good = false;
        }
        back_good = back_good || (s->level == LEVEL_GOOD && established(s));
        story->reset_seen = story->reset_seen || (steady(s) && is_default(story, s) && away_like_a_reset(story) && !back_good);
        if (stands) {
            before_us = s->to_us;
            from_us = INT64_MIN;
        }
    }
}

/* The amps of a reading may be those of the conversion before, so that "current at no volts" shows right after any collapse: what is younger than that is no evidence. */
static void tell_floor(struct story *story)
{
    const struct episode *e = story->episode;
    int64_t since_us = e->good_us + (int64_t)(2.0 * story->resolution_s * (double)US_PER_S);
    double amps_sum = 0.0;
    unsigned readings = 0;
    for (size_t i = 0; i < e->len; i++) {
        const struct stretch *s = &e->stretches[i];
        if (s->level != LEVEL_FLOOR || !s->loaded || !s->by_current || s->to_us < since_us)
            continue;
        story->floor_readings += s->count;
        amps_sum += s->amps_sum;
        readings += s->readings;
    }
    story->floor_amps = readings ? amps_sum / readings : NAN;
}

/* Where it ended: the last stretch that is more than a reading or two. A load in voltage or resistance mode that draws current hides the level which the output had before. */
static const struct stretch *last_of(const struct episode *e)
{
    const struct stretch *held = NULL;
    for (size_t i = e->len; i-- > 0;) {
        const struct stretch *s = &e->stretches[i];
        if (!established(s) || (held && s->level == LEVEL_BETWEEN))
            continue;
        if (s->level == LEVEL_HELD && !held)
            held = s;
        else if (s->level != LEVEL_HELD)
            return held && s->level != LEVEL_OTHER ? held : s;
    }
    return held ? held : &e->stretches[e->len - 1];
}

static void tell_back(struct story *story)
{
    const struct episode *e = story->episode;
    for (size_t i = 1; i < e->len; i++)
        if (e->stretches[i - 1].loaded && !e->stretches[i].loaded) {
            story->back_s = NAN;
            for (size_t k = i; k < e->len && isnan(story->back_s); k++)
                if (e->stretches[k].level == LEVEL_GOOD)
                    story->back_s = seconds_between(e->stretches[i].from_us, e->stretches[k].from_us);
        }
}

static struct story story_of(const struct watch *watch, const struct episode *episode)
{
    struct story story = {.watch = watch, .episode = episode, .floor_amps = NAN, .back_s = NAN};
    story.resolution_s = fmax(conversion_s(watch), watch->sampling.interval);
    tell_cycles(&story);
    tell_away(&story);
    tell_floor(&story);
    story.last = last_of(episode);
    story.last_s = seconds_between(story.last->from_us, story.last->to_us);
    for (size_t i = 0; i < episode->len; i++)
        if (episode->stretches[i].level == LEVEL_OTHER && steady(&episode->stretches[i]))
            story.other = &episode->stretches[i];
    tell_back(&story);
    return story;
}

/* ---- rules ---- */

static unsigned periods(const struct cycles *c)
{
    /* From the collapse: a pause and a burst are one, whether or not the end of the last burst was seen. */
    unsigned by_falls = c->falls ? c->falls - 1 : 0;
    return by_falls > c->rises ? by_falls : c->rises;
}

static unsigned times_of(const struct story *s)
{
    unsigned by_edges = periods(&s->cycles);
    return by_edges > s->episode->swings ? by_edges : s->episode->swings;
}

static double period_s(const struct cycles *c)
{
    return c->falls > 1 ? seconds_between(c->first_fall_us, c->last_fall_us) / (double)(c->falls - 1) : NAN;
}

static bool repeats(const struct story *s)
{
    return periods(&s->cycles) >= HICCUP_PERIODS || s->episode->swings >= HICCUP_PERIODS;
}

/* Half of the bursts or more stand at the default level and none at the contract's own: VBUS comes back without contract, and the load trips it again. */
static bool repeats_at_default(const struct story *s)
{
    return repeats(s) && s->cycles.bursts_good == 0 && 2 * s->cycles.bursts_at_default >= s->cycles.bursts && s->cycles.bursts > 0;
}

static bool hiccup_fits(const struct story *s)
{
    /* An on-time that is certainly shorter than two conversions shows as anything. */
    bool on_shows = s->cycles.on_upper_s.len == 0 || spread_median(&s->cycles.on_upper_s) >= 2.0 * s->watch->setup.conversion_s;
    return repeats(s) && on_shows;
}

/* It ends at another level, or did stand there until somebody (a trigger board by itself) agreed anew. */
static bool stands_at_other(const struct story *s)
{
    return s->other && (s->last == s->other || s->last->level == LEVEL_GOOD || s->last->level == LEVEL_HELD);
}

/* The selector itself says that the contract is gone, where volts can't: the contract's level is the default one. */
static bool contract_gone(const struct story *s)
{
    return s->last->level == LEVEL_GOOD && steady(s->last) && s->episode->contract_before >= 0 && s->last->contract < 0;
}

static bool hard_reset_fits(const struct story *s)
{
    return repeats_at_default(s) || (!repeats(s) && (s->reset_seen || (contract_gone(s) && away_like_a_reset(s))));
}

static double longest_blind_s(const struct story *s)
{
    const struct episode *e = s->episode;
    int64_t before_us = e->good_us;
    double blind = 0.0;
    for (size_t i = 0; i < e->len; i++) {
        blind = fmax(blind, seconds_between(before_us, e->stretches[i].from_us));
        before_us = e->stretches[i].to_us;
    }
    return blind;
}

static bool contract_lost_fits(const struct story *s)
{
    if (!stands_at_other(s) && !contract_gone(s))
        return false;
    bool short_away = !s->away_seen || s->away_max_s < reset_min_s;
    return short_away && longest_blind_s(s) < reset_min_s + s->watch->setup.conversion_s;
}

static bool may_be_hiccup(const struct story *s)
{
    /* It came back before and was loaded again: only a much longer silence tells that it has given up. */
    return s->cycles.rises > 0 && s->away_min_s < 3.0 * s->cycles.longest_off_s;
}

static bool latch_off_fits(const struct story *s)
{
    return s->last->level == LEVEL_AWAY && s->away_min_s >= latch_s && !may_be_hiccup(s);
}

static bool shutdown_fits(const struct story *s)
{
    bool ends = s->last->level == LEVEL_AWAY || ((s->last->level == LEVEL_GOOD || stands_at_other(s)) && s->cycles.rises == 0);
    return ends && s->away_min_s >= shutdown_s - s->watch->setup.conversion_s && !may_be_hiccup(s);
}

/* Current below the window under a current load; either it stays so, or the output is back once the load lets go without ever having been away: a source in limit has nothing to restart.
 * Within a second, which is the slowest display; a reading or two without current at an edge are no time away. */
static bool collapsed_fits(const struct story *s)
{
    if (s->floor_readings < 2 || s->episode->swings >= 2)
        return false;
    if (s->last->level == LEVEL_FLOOR)
        return s->last_s >= collapsed_s;
    bool never_away = !s->away_seen || s->away_min_s <= s->resolution_s || s->away_max_s <= 2.0 * s->resolution_s;
    return s->last->level == LEVEL_GOOD && s->cycles.rises == 0 && never_away && s->back_s <= 1.0;
}

static void hiccup_say(const struct story *s, struct finding *ret)
{
    const struct cycles *c = &s->cycles;
    double period = period_s(c), on = spread_median(&c->on_s);
    /* Four looks a period show the period, two looks and two conversions an on-time show the duty. */
    bool shows_period = period >= 4.0 * s->resolution_s;
    bool shows_duty = shows_period && on >= 2.0 * s->resolution_s;
    ret->period_s = shows_period ? period : NAN;
    ret->duty = shows_duty && on < period ? on / period : NAN;
    if (shows_duty)
        finding_say(ret, "hiccup, on and off %u times while loaded, period %.3f s, on for %.0f %%, up to %.2f V (3 periods at least are asked for by the rule for this name)", times_of(s), period,
                    100.0 * ret->duty, c->burst_volts_max);
    else
        finding_say(ret, "hiccup, on and off %u times while loaded, up to %.2f V; a reading every %.3f s does not show %s (3 periods at least are asked for by the rule for this name)",
                    times_of(s), c->burst_volts_max, s->resolution_s, shows_period ? "the on-time" : "the period");
}

static void hard_reset_say(const struct story *s, struct finding *ret)
{
    ret->limit = reset_max_s;
    double volts = s->other ? s->other->volts_last : s->last->volts_last;
    finding_say(ret, "hard reset, no volts for %.2f to %.2f s, then %.2f V without contract instead of %.2f V (USB PD: 0.66 to 2 s away, then the default level)", s->away_min_s, s->away_max_s, volts,
                s->watch->setup.nominal_volts);
}

static void contract_lost_say(const struct story *s, struct finding *ret)
{
    ret->limit = s->watch->setup.low_volts;
    const struct stretch *at = s->other ? s->other : s->last;
    finding_say(ret, "contract lost, the output stood at %.2f V for %.2f s, where %.2f V was agreed (window from %.3f V, supply file, low_volts)", at->volts_last,
                seconds_between(at->from_us, at->to_us), s->watch->setup.nominal_volts, s->watch->setup.low_volts);
}

static void latch_off_say(const struct story *s, struct finding *ret)
{
    ret->limit = latch_s;
    finding_say(ret, "latch-off, below %.2f V for %.1f s by itself (limit %.1f s: the recovery ladder's 10 s wait less what it takes to recognise a collapse)", away_volts(&s->watch->setup),
                s->away_min_s, latch_s);
}

static void shutdown_say(const struct story *s, struct finding *ret)
{
    ret->limit = shutdown_s;
    if (s->last->level == LEVEL_AWAY)
        finding_say(ret, "shutdown, below %.2f V for %.2f s so far (limit %.1f s: longer than a hard reset of USB PD, 1.96 s, or the pause of a hiccup)", away_volts(&s->watch->setup), s->away_min_s,
                    shutdown_s);
    else
        finding_say(ret, "shutdown, below %.2f V for %.2f to %.2f s, then back by itself at %.2f V (limit %.1f s: longer than a hard reset of USB PD, 1.96 s, or the pause of a hiccup)",
                    away_volts(&s->watch->setup), s->away_min_s, s->away_max_s, s->last->volts_last, shutdown_s);
}

static void collapsed_say(const struct story *s, struct finding *ret)
{
    ret->limit = s->watch->setup.low_volts;
    finding_say(ret, "collapsed, %.3f A still flow below the window (from %.3f V, supply file, low_volts) of the %.2f V contract under a current load; a current load shows no shape", s->floor_amps,
                s->watch->setup.low_volts, s->watch->setup.nominal_volts);
}

static void uncertain_say(const struct story *s, struct finding *ret)
{
    if (s->last->level == LEVEL_AWAY)
        finding_say(ret, "uncertain, below %.2f V for %.2f s so far, back %u times while loaded; a shutdown needs %.1f s, a hiccup 3 periods", away_volts(&s->watch->setup), s->away_min_s,
                    s->cycles.rises, shutdown_s);
    else if (s->last->level == LEVEL_GOOD)
        finding_say(ret, "uncertain, came back at %.2f V after %.2f to %.2f s: a hiccup, a short shutdown and a hard reset (USB PD: up to 2 s) look alike with the load off", s->last->volts_last,
                    s->away_min_s, s->away_max_s);
    else
        finding_say(ret, "uncertain, the output gave way from %.2f V and ends at %.2f V, %s, after readings %.3f s apart, which show none of the known ways", s->watch->setup.nominal_volts,
                    s->last->volts_last, s->last->flowing ? "with current" : "without current", s->resolution_s);
}

static bool always(const struct story *s)
{
    (void)s;
    return true;
}

static const struct {
    enum finding_kind kind;
    bool (*fits)(const struct story *);
    void (*say)(const struct story *, struct finding *);
} rules[] = {
    {FINDING_HARD_RESET, hard_reset_fits, hard_reset_say},
    {FINDING_HICCUP, hiccup_fits, hiccup_say},
    {FINDING_CONTRACT_LOST, contract_lost_fits, contract_lost_say},
    {FINDING_LATCH_OFF, latch_off_fits, latch_off_say},
    {FINDING_SHUTDOWN, shutdown_fits, shutdown_say},
    {FINDING_COLLAPSED, collapsed_fits, collapsed_say},
    {FINDING_UNCERTAIN, always, uncertain_say},
};

enum finding_kind episode_name(const struct watch *watch, const struct episode *episode, struct finding *ret)
{
    *ret = (struct finding){.at_us = watch->now_us, .since_us = episode->good_us, .kind = FINDING_KINDS, .port = watch->setup.port, .contract = watch->setup.contract,
                            .volts = NAN, .amps = NAN, .limit = NAN, .period_s = NAN, .duty = NAN};
    if (!episode->any || episode->len == 0)
        return FINDING_KINDS;
    struct story story = story_of(watch, episode);
    size_t i = 0;
    while (!rules[i].fits(&story))
        i++;
    ret->kind = rules[i].kind;
    ret->severity = ret->kind == FINDING_UNCERTAIN ? SEVERITY_WARNING : SEVERITY_TRIP;
    ret->volts = story.last->volts_last;
    ret->amps = story.last->readings ? story.last->amps_sum / story.last->readings : NAN;
    rules[i].say(&story, ret);
    return ret->kind;
}
