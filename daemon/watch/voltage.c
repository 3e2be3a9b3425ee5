/* Over-voltage (hard limit, one whole reading) and droop. */
#include "daemon/watch/watch_own.h"

#include <math.h>

/* Beyond one and a half times the load's range a number is no voltage any more: that is the over-range watcher's. In between a whole reading counts, so that doubt ends with the load off. */
static bool believable(const struct watch_setup *setup, double volts)
{
    return setup->load_max_volts <= 0.0 || volts <= 1.5 * setup->load_max_volts;
}

enum evidence over_voltage_look(const struct watch *watch, const struct seen *seen)
{
    const struct watch_setup *s = &watch->setup;
    if (!seen->trusted || !(s->hard_over_volts > 0.0))
        return EVIDENCE_NONE;
    if (seen->r->volts > s->hard_over_volts && believable(s, seen->r->volts))
        return EVIDENCE_FOR;
    return seen->r->volts < s->hard_over_volts - volts_margin(watch) ? EVIDENCE_AGAINST : EVIDENCE_NONE;
}

void over_voltage_say(const struct watch *watch, const struct seen *seen, struct finding *ret)
{
    const struct watch_setup *s = &watch->setup;
    ret->limit = s->hard_over_volts;
    finding_say(ret, "over-voltage, %.3f V on the %.2f V contract, limit %.3f V (%s); the load is turned off at one reading", seen->r->volts, s->nominal_volts, s->hard_over_volts,
                s->hard_over_from[0] ? s->hard_over_from : "hard limit of the profile");
}

/* Below the window with the current where it was set: the source still delivers, only not at its voltage. At another contract's level it is that contract, not a droop; next to nothing on sense wires is theirs. */
enum evidence droop_look(const struct watch *watch, const struct seen *seen)
{
    const struct watch_setup *s = &watch->setup;
    if (!seen->trusted || !seen->settled || !watch->expected)
        return EVIDENCE_NONE;
    if (!watch->order.input_on || !seen->at_set || seen->level == LEVEL_OTHER || (s->four_wire && seen->r->volts < away_volts(s)))
        return EVIDENCE_AGAINST;
    if (seen->r->volts < s->low_volts)
        return EVIDENCE_FOR;
    return seen->r->volts > s->low_volts + volts_margin(watch) ? EVIDENCE_AGAINST : EVIDENCE_NONE; /* hysteresis: U or three deviations */
}

void droop_say(const struct watch *watch, const struct seen *seen, struct finding *ret)
{
    const struct watch_setup *s = &watch->setup;
    ret->limit = s->low_volts;
    finding_say(ret, "droop, %.3f V at %.3f A, which is at its set-point; the %.2f V contract's window begins at %.3f V (supply file, low_volts)", seen->r->volts, seen->r->amps,
                s->nominal_volts, s->low_volts);
}
