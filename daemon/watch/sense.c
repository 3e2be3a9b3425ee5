/* Sense wires: reversed shows as negative volts, open as (almost) none while the full current flows. */
#include "daemon/watch/watch_own.h"

#include <math.h>

static double sensed_volts(const struct reading *r)
{
    return isnan(r->load_volts) || r->load_volts == 0.0 ? r->volts : fmin(r->volts, r->load_volts);
}

/* A tenth of nominal below zero is no offset and no noise. */
static double reversed_volts(const struct watch *watch)
{
    return -fmax(0.1 * watch->setup.nominal_volts, 6.0 * watch->sampling.noise_volts + watch->setup.volts_u);
}

/* Below its minimum voltage a load can't sink its set-point: full current there means that the volts are wrong. And no source within its rating stands where it counts as away.
 * Above the rating a limit just under the set-point leaves the source at the load's floor with nearly full current: only next to nothing is impossible there. */
static double impossible_volts(const struct watch *watch)
{
    double floor_volts = watch->setup.load_min_volts > 0.0 ? watch->setup.load_min_volts : 0.3; /* 0.3 V where the bench file doesn't state it */
    bool beyond_rating = watch->order.set_point > 1.02 * watch->setup.rated_amps;
    return beyond_rating ? 0.25 * floor_volts : fmax(floor_volts, away_volts(&watch->setup));
}

enum evidence sense_look(const struct watch *watch, const struct seen *seen)
{
    if (!seen->trusted || !watch->setup.four_wire)
        return EVIDENCE_NONE;
    double volts = sensed_volts(seen->r);
    if (volts < reversed_volts(watch))
        return EVIDENCE_FOR;
    if (!seen->settled || !watch->order.input_on || !seen->flowing)
        return EVIDENCE_NONE; /* without current no volts mean no output as well as no wire */
    return seen->at_set && volts < impossible_volts(watch) ? EVIDENCE_FOR : EVIDENCE_AGAINST;
}

void sense_say(const struct watch *watch, const struct seen *seen, struct finding *ret)
{
    double volts = sensed_volts(seen->r);
    bool reversed = volts < reversed_volts(watch);
    ret->limit = reversed ? reversed_volts(watch) : impossible_volts(watch);
    if (reversed)
        finding_say(ret, "sense wires reversed: the load reads %.3f V, below %.3f V (a tenth of the %.2f V contract, negative); check the wiring before the load goes on again", volts,
                    ret->limit, watch->setup.nominal_volts);
    else
        finding_say(ret, "sense wire open: the load reads %.3f V while %.3f A flow, its set-point; below %.3f V (the load's minimum volts in the bench file, or no output at all) nothing can give that", volts,
                    seen->r->amps, ret->limit);
}
