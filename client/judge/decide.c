/* From figures to a verdict, and the one sentence that defends it. */
#include "client/judge/judge_own.h"

#include "daemon/base/text.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

struct check { /* one voltage against its window */
    const char *what;
    const struct judged_point *point;
    double low_volts, high_volts;
    const char *from;
};

static void explain(struct judged_contract *c, const struct check *check)
{
    bool below = check->point->volts - check->low_volts < check->high_volts - check->point->volts;
    snprintf(c->why, sizeof c->why, "%.3f V ± %.3f V %s at %.2f A; %s limit %.3f V (%s)", check->point->volts, check->point->volts_u,
             check->what, check->point->amps, below ? "lower" : "upper", below ? check->low_volts : check->high_volts, check->from);
}

static void apply(struct judged_contract *c, const struct check *check)
{
    const struct judged_point *p = check->point;
    if (!p->count)
        return;
    enum verdict verdict = verdict_worse(verdict_lower(p->volts, check->low_volts, p->volts_u),
                                         verdict_upper(p->volts, check->high_volts, p->volts_u));
    if (p->volts_u > (check->high_volts - check->low_volts) / 2.0 / 4.0)
        c->weak = true;
    if (c->verdict != VERDICT_NONE && verdict_worse(c->verdict, verdict) == c->verdict)
        return;
    c->verdict = verdict;
    if (verdict != VERDICT_PASS)
        explain(c, check);
}

static void fail(struct judged_contract *c, const char *why)
{
    c->verdict = VERDICT_FAIL;
    text_cut(c->why, sizeof c->why, why);
}

static void nothing(struct judged_contract *c, const char *why)
{
    c->verdict = VERDICT_NONE;
    text_cut(c->why, sizeof c->why, why);
}

static void apply_windows(const struct judge *judge, struct judged_contract *c)
{
    double percent = judge->plan.supply.max_no_load_percent / 100.0;
    const struct check idle = {"with no load", &c->no_load, c->rated_volts * (1.0 - percent), c->rated_volts * (1.0 + percent),
                               "supply file, max_no_load_percent"};
    apply(c, &idle);
    for (size_t i = 0; i < c->points_len; i++)
        if (c->points[i].fraction <= 1.0 + 1e-6) {
            const struct check loaded = {"loaded", &c->points[i], c->low_volts, c->high_volts, "contract's window, supply file"};
            apply(c, &loaded);
        }
}

/* It missed its rating; how much it did give is the next question. */
static void say_what_was_held(struct judged_contract *c)
{
    double held_amps = 0.0;
    for (size_t i = 0; i < c->points_len; i++)
        if (c->points[i].count && c->points[i].volts >= c->low_volts)
            held_amps = fmax(held_amps, c->points[i].amps);
    if (held_amps > 0.0)
        text_add(c->why, sizeof c->why, "; %.2f A were held before, %.2f A are on the label", held_amps, c->rated_amps);
}

/* A contract passes only if its rated point was measured: fewer points can fail it, but never pass it. */
void judge_decide(struct judge *judge, struct judged_contract *c)
{
    c->verdict = VERDICT_NONE;
    if (!c->tried) {
        nothing(c, "not measured: the run ended before it");
        return;
    }
    if (!c->reached) {
        fail(c, "the supply did not give this contract");
        return;
    }
    apply_windows(judge, c);
    if (judge->lost_at_rating[c->port][c->contract] && !c->rated.count) {
        fail(c, judge->lost_text[c->port][c->contract]);
        say_what_was_held(c);
    }
    else if (!c->rated.count && c->verdict < VERDICT_CONDITIONAL_FAIL)
        nothing(c, "not measured at rated current");
}
