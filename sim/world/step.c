/*
 * Time. Steps are short while something electrical moves and long when nothing does; how long is decided by the state
 * alone, never by who looks. A step is taken only when it is over by the asked-for moment; a look in between sees what
 * stood at its beginning. Only an order (world_sync()) cuts a step.
 */
#include "sim/world/inside.h"

#define QUIET_CHANGE    0.0005 /* volts or amps a step: the next may be twice as long */
#define LIVELY_CHANGE   0.002  /* the next is to be half as long */
#define BUDGET_BLANK_US 50000

double world_draw(struct world *w)
{
    return noise_uniform(w->seed, 900, w->draws++);
}

int64_t world_exponential_us(struct world *w, double mean_us)
{
    double us = -mean_us * log(1.0 - world_draw(w));
    return us < 1.0 ? 1 : us > 1e15 ? (int64_t)1e15 : (int64_t)us;
}

static void primary_events(struct world *w)
{
    bool fed = mains_present_volts(w) > 0.0;
    if (w->drop_out_until_us <= w->at_us)
        w->drop_out_until_us = -1;
    if (w->alive && (w->hot_shutdown || (!fed && w->bulk_joules <= 0.0))) {
        w->alive = false;
        for (size_t i = 0; i < w->ports_len; i++)
            port_dead(&w->ports[i]);
        w->step_us = STEP_FINE_US;
    }
    if (w->alive)
        return;
    if (!fed || w->hot_shutdown)
        w->start_us = US_NEVER;
    else if (w->start_us == US_NEVER)
        w->start_us = w->at_us + w->supply.start_us;
    if (w->start_us > w->at_us)
        return;
    w->alive = true;
    w->start_us = US_NEVER;
    for (size_t i = 0; i < w->ports_len; i++)
        port_begin(w, &w->ports[i]);
}

static void events(struct world *w)
{
    primary_events(w);
    for (size_t i = 0; i < w->ports_len; i++)
        port_events(w, &w->ports[i]);
    for (size_t i = 0; i < w->channels_len; i++)
        load_events(w, &w->channels[i]);
}

static int64_t next_event_us(const struct world *w)
{
    int64_t due = w->start_us;
    if (w->drop_out_until_us > w->at_us && w->drop_out_until_us < due)
        due = w->drop_out_until_us;
    if (w->over_budget_since_us != US_NEVER && w->over_budget_since_us + BUDGET_BLANK_US < due)
        due = w->over_budget_since_us + BUDGET_BLANK_US;
    for (size_t i = 0; i < w->ports_len; i++) {
        int64_t at = port_due_us(&w->ports[i]);
        due = at < due ? at : due;
    }
    for (size_t i = 0; i < w->channels_len; i++) {
        int64_t at = load_due_us(&w->channels[i]);
        due = at < due ? at : due;
    }
    return due > w->at_us ? due : w->at_us + 1;
}

static bool withdraw_other(struct world *w)
{
    for (size_t i = w->ports_len; i-- > 1;) {
        struct port *p = &w->ports[i];
        if (p->state == PORT_ON && p->contract > 0) {
            port_drop_contract(w, p, true);
            return true;
        }
    }
    return false;
}

static void over_budget(struct world *w)
{
    w->over_budget_since_us = US_NEVER;
    if (w->supply.budget_rule == BUDGET_WITHDRAW && withdraw_other(w))
        return;
    for (size_t i = 0; i < w->ports_len; i++) {
        struct port *p = &w->ports[i];
        if (p->state == PORT_ON && p->source_amps > 0.1)
            port_trip(w, p);
    }
}

static void watch_budget(struct world *w)
{
    double watts = 0.0;
    bool moving = false; /* what has been withdrawn needs its time to go down */
    for (size_t i = 0; i < w->ports_len; i++)
        moving = moving || w->ports[i].negotiation == SLEWING;
    for (size_t i = 0; i < w->ports_len; i++)
        watts += w->ports[i].volts * w->ports[i].source_amps;
    if (moving || watts <= w->supply.budget_watts * w->supply.budget_ratio)
        w->over_budget_since_us = US_NEVER;
    else if (w->over_budget_since_us == US_NEVER)
        w->over_budget_since_us = w->at_us;
    else if (w->at_us >= w->over_budget_since_us + BUDGET_BLANK_US)
        over_budget(w);
}

static void watch(struct world *w, int64_t step_us)
{
    for (size_t i = 0; i < w->ports_len; i++)
        port_watch(w, &w->ports[i]);
    for (size_t i = 0; i < w->channels_len; i++)
        load_watch(w, &w->channels[i], step_us);
    watch_budget(w);
}

static void choose_step(struct world *w, double change)
{
    if (change > LIVELY_CHANGE)
        w->step_us /= 2;
    else if (change < QUIET_CHANGE)
        w->step_us *= 2;
    if (w->step_us < STEP_FINE_US)
        w->step_us = STEP_FINE_US;
    if (w->step_us > STEP_COARSE_US)
        w->step_us = STEP_COARSE_US;
}

static void step(struct world *w, int64_t step_us)
{
    double former_volts[WORLD_PORTS_MAX], change = 0.0;
    bool throttled = w->throttled;
    meters_feed(w, step_us);
    for (size_t i = 0; i < w->channels_len; i++)
        load_ramp(&w->channels[i], step_us);
    for (size_t i = 0; i < w->ports_len; i++) {
        struct port *p = &w->ports[i];
        double former_amps = p->source_amps, former_set = p->set_volts;
        former_volts[i] = p->volts;
        port_slew(p, step_us);
        port_solve(w, i, step_us);
        change = fmax(change, fmax(fabs(p->volts - former_volts[i]), fabs(p->source_amps - former_amps)));
        change = fmax(change, fabs(p->set_volts - former_set));
    }
    energy_step(w, former_volts, step_us);
    w->at_us += step_us;
    choose_step(w, change);
    heat_step(w);
    watch(w, step_us);
    if (throttled != w->throttled)
        ports_renegotiate(w);
}

static void reach(struct world *w)
{
    for (;;) {
        events(w);
        int64_t event_us = next_event_us(w);
        int64_t step_us = event_us - w->at_us < w->step_us ? event_us - w->at_us : w->step_us;
        if (w->at_us + step_us > w->now_us)
            return;
        step(w, step_us);
    }
}

void world_advance(struct world *w, int64_t now_us)
{
    if (now_us <= w->now_us)
        return;
    w->now_us = now_us;
    reach(w);
}

int64_t world_now_us(const struct world *w)
{
    return w->now_us;
}

void world_sync(struct world *w)
{
    if (w->at_us < w->now_us)
        step(w, w->now_us - w->at_us);
    events(w);
    w->step_us = STEP_FINE_US;
}
