/*
 * Where the energy goes: mains, bulk capacitor, losses, heat. Each joule that leaves one account enters another:
 *     in = out (at the ports) + lost (to the surroundings) + stored (capacitors, heat in the parts)
 */
#include "sim/world/inside.h"

#define REFILL_WATTS      200.0
#define STEFAN_BOLTZMANN  5.670374e-8 /* W/(m2 K4) */
#define KELVIN_AT_0       273.15
#define REFERENCE_CELSIUS 25.0
#define NOMINAL_VOLTS     230.0
#define THROTTLE_KELVIN   10.0 /* hysteresis */

double ambient_now(const struct world *w)
{
    double hours = (double)w->at_us / 3.6e9;
    double breath = w->breath_kelvin * sin(2.0 * M_PI * (double)w->at_us / (double)w->breath_us);
    return w->ambient_celsius + (w->quiet ? 0.0 : breath) + w->drift_kelvin_per_hour * hours;
}

static double mains_volts_now(const struct world *w)
{
    if (!w->mains_on || w->at_us < w->drop_out_until_us)
        return 0.0;
    return isfinite(w->brown_out_volts) ? fmin(w->brown_out_volts, w->mains_volts) : w->mains_volts;
}

double mains_present_volts(const struct world *w)
{
    double volts = mains_volts_now(w);
    return volts >= w->supply.line_minimum_volts ? volts : 0.0;
}

struct flows { /* watts */
    double converted, squared_amps, bleed, output_ohms;
};

static void port_flows(const struct port *p, double former_volts, double seconds, struct flows *f)
{
    double mid = 0.5 * (former_volts + p->volts);
    double farads = p->set.capacitance_farads * (1.0 - 0.8 * p->set.dryness);
    double stored = 0.5 * farads * (p->volts * p->volts - former_volts * former_volts);
    f->converted += mid * (p->load_amps + p->bleed_amps) + stored / seconds;
    f->squared_amps += p->source_amps * p->source_amps;
    f->bleed += mid * p->bleed_amps;
    f->output_ohms += (p->set.output_ohms + p->joint_now_ohms) * p->source_amps * p->source_amps;
}

static double loss_watts(const struct world *w, const struct flows *f)
{
    const struct supply *s = &w->supply;
    double volts = mains_present_volts(w);
    double line = volts > 0.0 ? 1.0 + s->line_loss_percent / 100.0 * (NOMINAL_VOLTS / volts - 1.0) : 1.0;
    double warm = 1.0 + s->conduction_percent_per_kelvin / 100.0 * (w->heat[HEAT_HOT] - REFERENCE_CELSIUS);
    if (!w->alive)
        return volts > 0.0 ? 0.3 * s->no_load_watts : 0.0;
    return s->no_load_watts + line * s->proportional_percent / 100.0 * fmax(f->converted, 0.0) +
           s->conduction_ohms * warm * f->squared_amps;
}

static void spread_heat(struct world *w, double watts, double at_shell, double seconds)
{
    for (int i = 0; i < HEAT_NODES; i++)
        w->pending_joules[i] += watts * w->supply.heat.share[i] * seconds;
    w->pending_joules[HEAT_SHELL] += at_shell * seconds;
}

void energy_step(struct world *w, const double former_volts[], int64_t step_us)
{
    double seconds = 1e-6 * (double)step_us;
    struct flows f = {0};
    for (size_t i = 0; i < w->ports_len; i++) {
        struct port *p = &w->ports[i];
        port_flows(p, former_volts[i], seconds, &f);
        p->joules_out += 0.5 * (former_volts[i] + p->volts) * p->load_amps * seconds;
    }
    double loss = loss_watts(w, &f);
    double wanted = f.converted + loss + f.output_ohms;
    w->input_watts = 0.0;
    if (mains_present_volts(w) > 0.0) {
        double refill = fmin(w->supply.bulk_joules - w->bulk_joules, REFILL_WATTS * seconds);
        w->bulk_joules += refill;
        w->input_watts = wanted + refill / seconds;
    } else {
        w->bulk_joules -= wanted * seconds;
    }
    w->joules_in += w->input_watts * seconds;
    spread_heat(w, loss + f.bleed, f.output_ohms, seconds);
    w->pending_us += step_us;
}

/* ---- the network ---- */

static double case_watts(const struct world *w, enum heat_node face, double ambient)
{
    /* Natural convection by orientation: a face that looks down or lies on the table carries off less. */
    static const double factor[3][2] = {{1.0, 1.0}, {1.15, 0.5}, {1.05, 0.75}};
    const struct heat_setup *h = &w->supply.heat;
    double area = 0.5 * h->case_square_metres, rise = w->heat[face] - ambient;
    double hot = w->heat[face] + KELVIN_AT_0, cold = ambient + KELVIN_AT_0;
    double convection =
        h->convection * factor[h->orientation][face == HEAT_BOTTOM] * area * rise * sqrt(sqrt(fabs(rise)));
    return convection + h->emissivity * STEFAN_BOLTZMANN * area * (hot * hot * hot * hot - cold * cold * cold * cold);
}

static void between(const struct world *w, double joules[], int a, int b, double watts_per_kelvin, double seconds)
{
    double moved = watts_per_kelvin * (w->heat[a] - w->heat[b]) * seconds;
    joules[a] -= moved;
    joules[b] += moved;
}

static void to_ambient(struct world *w, double joules[], int node, double watts, double seconds)
{
    joules[node] -= watts * seconds;
    w->joules_lost += watts * seconds;
}

static void flow(struct world *w, double seconds)
{
    const struct heat_setup *h = &w->supply.heat;
    double joules[HEAT_NODES], ambient = ambient_now(w), inner = w->opened ? 0.2 : 1.0;
    for (int i = 0; i < HEAT_NODES; i++) {
        joules[i] = w->pending_joules[i];
        w->pending_joules[i] = 0.0;
    }
    for (int i = 0; i < HEAT_TOP; i++) {
        between(w, joules, i, HEAT_TOP, inner * h->to_top[i], seconds);
        between(w, joules, i, HEAT_BOTTOM, h->to_bottom[i], seconds);
        if (w->opened)
            to_ambient(w, joules, i, h->opened_watts_per_kelvin * (w->heat[i] - ambient), seconds);
    }
    between(w, joules, HEAT_HOT, HEAT_CAPACITOR, h->hot_to_capacitor, seconds);
    between(w, joules, HEAT_HOT, HEAT_TRANSFORMER, h->hot_to_transformer, seconds);
    between(w, joules, HEAT_SECONDARY, HEAT_TRANSFORMER, h->secondary_to_transformer, seconds);
    between(w, joules, HEAT_SECONDARY, HEAT_SHELL, h->secondary_to_shell, seconds);
    to_ambient(w, joules, HEAT_TOP, case_watts(w, HEAT_TOP, ambient), seconds);
    to_ambient(w, joules, HEAT_BOTTOM, case_watts(w, HEAT_BOTTOM, ambient), seconds);
    to_ambient(w, joules, HEAT_SHELL, h->shell_watts_per_kelvin * (w->heat[HEAT_SHELL] - ambient), seconds);
    for (int i = 0; i < HEAT_NODES; i++)
        w->heat[i] += joules[i] / h->capacity[i];
}

static void probes(struct world *w, double seconds)
{
    double ambient = ambient_now(w);
    for (size_t i = 0; i < w->places_len; i++) {
        struct place *p = &w->places[i];
        double to = p->node < 0 || p->off ? ambient : w->heat[p->node];
        p->celsius += (to - p->celsius) * -expm1(-seconds / p->settling_s);
    }
}

static void thermostats(struct world *w)
{
    double hot = w->heat[HEAT_HOT];
    bool throttled =
        w->throttled ? hot > w->supply.throttle_celsius - THROTTLE_KELVIN : hot > w->supply.throttle_celsius;
    if (throttled != w->throttled) {
        w->throttled = throttled;
        w->step_us = STEP_FINE_US;
    }
    if (!w->hot_shutdown && hot > w->supply.shutdown_celsius) {
        w->hot_shutdown = true;
        w->step_us = STEP_FINE_US;
    }
    if (w->hot_shutdown && hot < w->supply.restart_celsius) {
        w->hot_shutdown = false;
        w->step_us = STEP_FINE_US;
    }
}

void heat_step(struct world *w)
{
    if (w->pending_us < HEAT_EACH_US)
        return;
    double seconds = 1e-6 * (double)w->pending_us;
    w->pending_us = 0;
    flow(w, seconds);
    probes(w, seconds);
    thermostats(w);
}

double joules_stored(const struct world *w)
{
    double joules = w->bulk_joules;
    for (size_t i = 0; i < w->ports_len; i++) {
        const struct port *p = &w->ports[i];
        joules += 0.5 * p->set.capacitance_farads * (1.0 - 0.8 * p->set.dryness) * p->volts * p->volts;
    }
    for (int i = 0; i < HEAT_NODES; i++)
        joules += w->supply.heat.capacity[i] * (w->heat[i] - w->start_celsius) + w->pending_joules[i];
    return joules;
}

/* ---- mains ---- */

void world_mains(struct world *w, bool on)
{
    if (w->mains_on == on)
        return;
    world_sync(w);
    w->mains_on = on;
}

bool world_mains_is_on(const struct world *w)
{
    return w->mains_on;
}

void world_mains_volts(struct world *w, double volts)
{
    if (!(volts >= 0.0))
        return;
    world_sync(w);
    w->mains_volts = fmin(volts, 300.0);
}

/* Below its burst level a supply switches in packets; the mean is right, the moment is all or nothing. */
double world_mains_watts(const struct world *w)
{
    double watts = w->input_watts, duty = watts / w->supply.burst_watts;
    if (watts <= 0.0 || !(duty < 1.0) || w->quiet)
        return watts;
    double part = fmod((double)w->now_us / 400000.0, 1.0);
    return part < fmax(duty, 0.05) ? watts / fmax(duty, 0.05) : 0.0;
}

double world_mains_volts_now(const struct world *w)
{
    return mains_volts_now(w);
}

double world_mains_power_factor(const struct world *w)
{
    double watts = w->input_watts;
    return watts <= 0.0 ? 0.0 : w->supply.power_factor * watts / (watts + 3.0);
}
