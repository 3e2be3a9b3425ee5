/* Where one reading stands: the only place that holds volts against levels. */
#include "daemon/watch/watch_own.h"

#include <math.h>

/* vSafe0V ends at 0.8 V (USB PD R3.0 Table 7-24, second-hand). A 24 V or 48 V supply leaves more on its capacitors and in the offset of a wide range: 5 % of nominal. */
double away_volts(const struct watch_setup *setup)
{
    return fmax(0.8, 0.05 * setup->nominal_volts);
}

/* 3 % of the rating is below any limit or short-circuit current worth a name, and above offset and noise: four deviations leave 3 in 100,000. */
double flow_amps(const struct watch *watch)
{
    const struct watch_setup *s = &watch->setup;
    return fmax(fmax(0.03 * s->rated_amps, 0.02), fmax(3.0 * s->amps_u, 4.0 * watch->sampling.noise_amps));
}

/* Twice the readback's U, since the set-point has an accuracy of its own and nobody states it apart; half a percent and 10 mA where U is not given. */
double set_band_amps(const struct watch *watch)
{
    const struct watch_setup *s = &watch->setup;
    return 2.0 * s->amps_u + 4.0 * watch->sampling.noise_amps + 0.005 * fabs(watch->order.set_point) + 0.010;
}

double volts_margin(const struct watch *watch)
{
    return fmax(watch->setup.volts_u, 3.0 * watch->sampling.noise_volts);
}

/* A level's window is vSrcNew (+-5 %, USB PD R3.2 Table 4.6, second-hand) and another 5 % downwards for the drop of cable and contacts under load. */
static bool near_level(const struct watch_setup *setup, double volts, double level)
{
    bool own = fabs(level - setup->nominal_volts) < 0.07 * setup->nominal_volts; /* below its own window a contract droops, it isn't lost */
    return level > 0.0 && !own && volts >= 0.90 * level && volts <= 1.06 * level;
}

bool level_other(const struct watch_setup *setup, double volts, double *ret_level)
{
    if (volts >= setup->low_volts && volts <= setup->high_volts)
        return false;
    for (size_t i = 0; i < setup->other_volts_len && i < CONTRACTS_MAX; i++)
        if (near_level(setup, volts, setup->other_volts[i])) {
            *ret_level = setup->other_volts[i];
            return true;
        }
    *ret_level = setup->default_volts;
    return near_level(setup, volts, setup->default_volts);
}

static enum level level_unloaded(const struct watch *watch, double volts, double *ret_other)
{
    if (volts >= watch->setup.low_volts - volts_margin(watch) && !level_other(&watch->setup, volts, ret_other))
        return LEVEL_GOOD;
    if (volts < away_volts(&watch->setup))
        return LEVEL_AWAY;
    return level_other(&watch->setup, volts, ret_other) ? LEVEL_OTHER : LEVEL_BETWEEN;
}

static enum level level_current(const struct watch *watch, const struct seen *seen, double *ret_other)
{
    double volts = seen->r->volts;
    enum level level = level_unloaded(watch, volts, ret_other);
    if (level == LEVEL_GOOD || !seen->flowing)
        return level;
    if (!watch->order.input_on) /* the display still shows what was before, or the input is on: input.c looks into that */
        return LEVEL_BETWEEN;
    if (level == LEVEL_OTHER && seen->at_set)
        return LEVEL_OTHER;
    /* Where a current load can't sink its set-point, or no output can be told from none, it is at its floor, however near to the set-point the limit lies. */
    bool at_floor = volts < fmax(away_volts(&watch->setup), 1.1 * watch->setup.load_min_volts);
    return seen->at_set && !at_floor ? LEVEL_SAGGING : LEVEL_FLOOR;
}

void level_judge(const struct watch *watch, struct seen *seen)
{
    const struct load_order *order = &watch->order;
    double amps = seen->r->amps;
    seen->flowing = amps > flow_amps(watch);
    seen->at_set = order->mode == LOAD_CURRENT && order->input_on && fabs(amps - order->set_point) <= set_band_amps(watch);
    if (order->mode == LOAD_CURRENT || !order->input_on)
        seen->level = level_current(watch, seen, &seen->other_volts);
    else if (seen->flowing)
        seen->level = LEVEL_HELD;
    else
        seen->level = level_unloaded(watch, seen->r->volts, &seen->other_volts);
}
