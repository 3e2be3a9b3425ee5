/*
 * The source's and the load's curves, and where they meet. The voltage at a port is that of its output capacitor,
 * solved implicitly: C (V - V_before) / h = I_source(V) - I_loads(V) - I_bleed(V)
 */
#include "sim/world/inside.h"

#define CV_AMPS_PER_VOLT 40.0 /* loop gain of a load in voltage mode */
#define LEAST_OHMS       0.002

double source_bound_amps(const struct world *w, const struct port *p, double volts)
{
    double limit = port_limit_amps(w, p);
    double regulated = p->target_volts > 0.1 ? p->target_volts : 0.1;
    if (!p->engaged)
        return limit * p->set.peak_ratio;
    switch (port_behaviour(p)) {
    case LIMIT_FOLDBACK: {
        double part = volts < regulated ? volts / regulated : 1.0;
        return limit * (p->set.foldback_ratio + (1.0 - p->set.foldback_ratio) * part);
    }
    case LIMIT_CONSTANT_POWER: {
        double most = limit * p->set.peak_ratio;
        double amps = limit * regulated / (volts > 0.1 ? volts : 0.1);
        return amps < most ? amps : most;
    }
    default:
        return limit;
    }
}

static double open_volts(const struct port *p)
{
    return p->set_volts * (1.0 + p->over_voltage_percent / 100.0) + p->set.compensation_ohms * p->compensated_amps;
}

double source_amps(const struct world *w, const struct port *p, double volts)
{
    double ohms = p->set.output_ohms + p->joint_now_ohms;
    double amps = (open_volts(p) - volts) / (ohms > LEAST_OHMS ? ohms : LEAST_OHMS);
    if (!port_output_on(p) || amps <= 0.0)
        return 0.0;
    double most = source_bound_amps(w, p, volts);
    return amps < most ? amps : most;
}

/* What the power stage can sink at all, seen from the port. */
static double sinkable_amps(const struct channel *c, double volts)
{
    double slope = c->set.max_amps / (c->set.min_volts - c->set.floor_volts);
    double amps = slope * (volts - c->set.floor_volts) / (1.0 + slope * c->set.lead_ohms);
    if (amps <= 0.0)
        return 0.0;
    return amps < c->set.max_amps * 1.02 ? amps : c->set.max_amps * 1.02;
}

static double programmed(const struct channel *c, enum world_load_mode mode)
{
    double value = c->set_point[mode] * (1.0 + c->set.program_gain_percent / 100.0) + c->set.program_offset[mode];
    return value > 0.0 ? value : 0.0;
}

double terminal_volts(const struct channel *c, double volts, double amps)
{
    return volts - amps * c->set.lead_ohms;
}

double sensed_volts(const struct channel *c, double volts, double amps)
{
    if (!c->set.remote_sense)
        return terminal_volts(c, volts, amps);
    if (c->sense == SENSE_OPEN)
        return volts * c->sense_open_fraction;
    return c->sense == SENSE_REVERSED ? -volts : volts;
}

/* Part of the port's voltage that the control loop sees: remote sense sees it whole, two wires see it less the drop. */
static double seen(const struct channel *c)
{
    return c->set.remote_sense ? sensed_volts(c, 1.0, 0.0) : 1.0;
}

static double power_amps(const struct channel *c, double volts, double watts)
{
    double ohms = c->set.remote_sense ? 0.0 : c->set.lead_ohms;
    double sees = volts * seen(c);
    double root = sees * sees - 4.0 * ohms * watts;
    if (sees <= 0.0 || root < 0.0)
        return INFINITY;
    return ohms > 0.0 ? (sees - sqrt(root)) / (2.0 * ohms) : watts / sees;
}

static double mode_amps(const struct channel *c, double volts)
{
    double ohms = c->set.remote_sense ? 0.0 : c->set.lead_ohms;
    double value = programmed(c, c->mode);
    double sees = volts * seen(c);
    switch (c->mode) {
    case WORLD_VOLTAGE:
        return sees > value ? CV_AMPS_PER_VOLT * (sees - value) / (1.0 + CV_AMPS_PER_VOLT * ohms) : 0.0;
    case WORLD_RESISTANCE:
        return sees > 0.0 ? sees / (value + ohms > 1e-6 ? value + ohms : 1e-6) : 0.0;
    case WORLD_POWER:
        return power_amps(c, volts, value);
    case WORLD_CURRENT:
        break;
    }
    return INFINITY; /* the ramp is the set-point */
}

double load_amps(const struct channel *c, double volts)
{
    double most = sinkable_amps(c, volts);
    double amps = 0.0;
    if (load_passes(c)) {
        amps = mode_amps(c, volts);
        if (amps > c->ramp_amps)
            amps = c->ramp_amps;
        if (amps > most)
            amps = most;
    }
    if (c->short_ohms > 0.0 && volts > 0.0)
        amps = fmax(amps, volts / (c->short_ohms + c->set.lead_ohms));
    return amps;
}

double board_amps(const struct port *p, double volts)
{
    if (p->set.connector != CONNECTOR_USB_C || !p->attached || volts < p->set.board_brown_out_volts)
        return 0.0;
    return p->set.board_watts / volts;
}

/* A source pulls its output down when there is to be less, gently where little is missing. */
static double bleed_amps(const struct port *p, double volts)
{
    bool away = p->state == PORT_RESET_FALL || p->state == PORT_RESET_RECOVER || p->state == PORT_WAITING;
    double strong = volts / p->set.discharge_ohms, excess = volts - open_volts(p);
    if (away)
        return strong;
    if (p->state != PORT_ON || excess <= 0.0)
        return volts / p->set.bleed_ohms;
    return volts / p->set.bleed_ohms + fmin(strong, excess);
}

static double loads_amps(const struct world *w, size_t port, double volts)
{
    const struct port *p = &w->ports[port];
    double amps = board_amps(p, volts);
    if (!p->attached)
        return 0.0;
    if (isfinite(p->probe_amps))
        return amps + (volts > 0.2 ? p->probe_amps : p->probe_amps * volts / 0.2);
    for (size_t i = 0; i < w->channels_len; i++)
        if (w->channels[i].set.port == (int)port)
            amps += load_amps(&w->channels[i], volts);
    return amps;
}

struct node { /* of the solver */
    const struct world *w;
    size_t port;
    double amps_per_volt, before;
};

static double excess(const struct node *n, double volts)
{
    const struct port *p = &n->w->ports[n->port];
    return n->amps_per_volt * (volts - n->before) - source_amps(n->w, p, volts) + loads_amps(n->w, n->port, volts) +
           bleed_amps(p, volts);
}

/* Bracketed false position with halving of the stale end's weight, then bisection should it crawl. */
static double root_between(const struct node *n, double low, double high, double at_low, double at_high)
{
    int side = 0;
    for (int i = 0; i < 80 && high - low > 1e-9; i++) {
        double mid = i < 30 ? low + (high - low) * (at_low / (at_low - at_high)) : 0.5 * (low + high);
        double at_mid = excess(n, mid);
        if (fabs(at_mid) < 1e-9)
            return mid;
        if (at_mid < 0.0) {
            low = mid;
            at_low = at_mid;
            at_high *= side == -1 ? 0.5 : 1.0;
            side = -1;
        } else {
            high = mid;
            at_high = at_mid;
            at_low *= side == 1 ? 0.5 : 1.0;
            side = 1;
        }
    }
    return 0.5 * (low + high);
}

/* The root next to the former voltage: the bracket grows from there, so that of several branches the one the source is
 * on is kept. */
static double nearest_root(const struct node *n)
{
    double here = n->before, at_here = excess(n, here), width = 0.001;
    if (fabs(at_here) < 1e-9)
        return here;
    for (;;) {
        double next = at_here < 0.0 ? here + width : fmax(here - width, 0.0);
        double at_next = excess(n, next);
        if (at_here < 0.0 && at_next >= 0.0)
            return root_between(n, here, next, at_here, at_next);
        if (at_here > 0.0 && at_next <= 0.0)
            return root_between(n, next, here, at_next, at_here);
        if (next <= 0.0 || next > 1000.0)
            return next;
        here = next;
        at_here = at_next;
        width *= 4.0;
    }
}

void port_solve(struct world *w, size_t port, int64_t step_us)
{
    struct port *p = &w->ports[port];
    double farads = p->set.capacitance_farads * (1.0 - 0.8 * p->set.dryness);
    bool whole =
        !port_output_on(p) || step_us < STEP_SOLVE_US; /* a discharge has one branch only, and takes its time */
    double h = 1e-6 * (double)(whole ? step_us : STEP_SOLVE_US);
    struct node n = {w, port, farads / h, p->volts};
    p->volts = nearest_root(&n);
    p->source_amps = source_amps(w, p, p->volts);
    p->bleed_amps = bleed_amps(p, p->volts);
    p->load_amps = loads_amps(w, port, p->volts);
    for (size_t i = 0; i < w->channels_len; i++)
        if (w->channels[i].set.port == (int)port)
            w->channels[i].amps = p->attached && !isfinite(p->probe_amps) ? load_amps(&w->channels[i], p->volts) : 0.0;
    double follow = 1.0 - exp(-1e-6 * (double)step_us / 0.005);
    p->compensated_amps += (p->load_amps - p->compensated_amps) * follow;
}
