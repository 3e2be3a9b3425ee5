/* The load's input against what was ordered: on though off, off though on, current away from its set-point. */
#include "daemon/watch/watch_own.h"

#include <math.h>

enum evidence input_on_look(const struct watch *watch, const struct seen *seen)
{
    if (watch->order.input_on)
        return EVIDENCE_AGAINST;
    if (!seen->trusted || !seen->settled)
        return EVIDENCE_NONE;
    return seen->flowing || seen->r->input_on ? EVIDENCE_FOR : EVIDENCE_AGAINST;
}

void input_on_say(const struct watch *watch, const struct seen *seen, struct finding *ret)
{
    ret->limit = flow_amps(watch);
    double since_s = watch->order.at_us == INT64_MIN ? 0.0 : seconds_between(watch->order.at_us, watch->now_us); /* never ordered anything: off */
    finding_say(ret, "the load's input is on though off was ordered %.2f s ago: %.3f A (none is below %.3f A: 3 %% of rating, readback U and noise), the load says %s; turn the mains off",
                since_s, seen->r->amps, ret->limit, seen->r->input_on ? "on" : "off");
}

/* What the order would draw at these volts. */
static double asked_amps(const struct load_order *order, double volts, double band_volts)
{
    switch (order->mode) {
    case LOAD_CURRENT: return order->set_point;
    case LOAD_RESISTANCE: return order->set_point > 0.0 ? volts / order->set_point : 0.0;
    default: return volts > order->set_point + band_volts ? INFINITY : 0.0; /* a voltage load pulls whatever it takes */
    }
}

enum evidence input_off_look(const struct watch *watch, const struct seen *seen)
{
    if (!watch->order.input_on)
        return EVIDENCE_AGAINST;
    if (!seen->trusted || !seen->settled)
        return EVIDENCE_NONE;
    if (seen->flowing)
        return EVIDENCE_AGAINST;
    if (seen->level != LEVEL_GOOD) /* no volts, no amps: that is the supply's doing */
        return EVIDENCE_NONE;
    double band_volts = 0.02 * watch->setup.nominal_volts + volts_margin(watch);
    return asked_amps(&watch->order, seen->r->volts, band_volts) > 2.0 * flow_amps(watch) ? EVIDENCE_FOR : EVIDENCE_AGAINST;
}

void input_off_say(const struct watch *watch, const struct seen *seen, struct finding *ret)
{
    ret->limit = flow_amps(watch);
    finding_say(ret, "the load's input is off though on was ordered (%s mode, %.3f): %.3f A at %.3f V, where less than %.3f A is none (3 %% of rating, readback U and noise)",
                load_mode_name(watch->order.mode), watch->order.set_point, seen->r->amps, seen->r->volts, ret->limit);
}

/* Two-wire leads with contacts: up to 750 mV at the rated current is what a USB-C cable may drop (Type-C 4.4.1, second-hand); with sense wires only U and noise. */
static double lead_drop_volts(const struct watch *watch, double amps)
{
    const struct watch_setup *s = &watch->setup;
    return s->four_wire || !(s->rated_amps > 0.0) ? 0.0 : 0.75 * fmax(amps, 0.0) / s->rated_amps;
}

static double meter_band_volts(const struct watch *watch)
{
    return 2.0 * watch->setup.volts_u + 6.0 * watch->sampling.noise_volts + 0.005 * watch->setup.nominal_volts + 0.02;
}

static bool has_meter(const struct seen *seen)
{
    return !isnan(seen->r->load_volts) && seen->r->load_volts != 0.0;
}

static bool meters_disagree(const struct watch *watch, const struct seen *seen)
{
    if (!has_meter(seen))
        return false;
    double difference = seen->r->volts - seen->r->load_volts, band = meter_band_volts(watch);
    return difference < -band || difference > band + lead_drop_volts(watch, seen->r->amps);
}

enum evidence disagrees_look(const struct watch *watch, const struct seen *seen)
{
    if (!seen->trusted || !seen->settled || seen->level != LEVEL_GOOD)
        return EVIDENCE_NONE; /* a supply in limit takes both the amps and the volts away from where they were asked */
    if (meters_disagree(watch, seen))
        return EVIDENCE_FOR;
    bool current_shows = watch->order.input_on && watch->order.mode == LOAD_CURRENT && seen->flowing;
    return current_shows && !seen->at_set ? EVIDENCE_FOR : EVIDENCE_AGAINST;
}

void disagrees_say(const struct watch *watch, const struct seen *seen, struct finding *ret)
{
    if (meters_disagree(watch, seen)) {
        ret->limit = meter_band_volts(watch);
        finding_say(ret, "the load says %.3f V, the connector stands at %.3f V with %.3f A: more apart than %.3f V (readback U and noise) and %.3f V of leads (Type-C 4.4.1)",
                    seen->r->load_volts, seen->r->volts, seen->r->amps, ret->limit, lead_drop_volts(watch, seen->r->amps));
        return;
    }
    ret->limit = set_band_amps(watch);
    finding_say(ret, "the load reads back %.3f A at a set-point of %.3f A with %.3f V in the window: more apart than %.3f A (twice the readback U, noise, 0.5 %%)", seen->r->amps,
                watch->order.set_point, seen->r->volts, ret->limit);
}
