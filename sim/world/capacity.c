/* The truth, for tests: what no instrument of the bench could show. */
#include "sim/world/inside.h"

#include <stdlib.h>

#define ONSET_US 20000 /* the step onto the current may dip below the window for so long */
#define LOOK_US  5000

void world_truth(const struct world *w, size_t port, struct world_truth *ret)
{
    const struct port *p = &w->ports[port];
    double out = 0.0;
    for (size_t i = 0; i < w->ports_len; i++)
        out += w->ports[i].joules_out;
    *ret = (struct world_truth){
        .volts = p->volts,
        .amps = p->load_amps,
        .limit_amps = port_limit_amps(w, p),
        .behaviour = port_behaviour(p),
        .output_on = port_output_on(p) && p->set_volts > 0.0,
        .latched = p->state == PORT_LATCHED,
        .in_limit = p->engaged || p->over_since_us != US_NEVER,
        .contract_volts = port_output_on(p) ? port_contract_volts(p, p->contract, p->requested_volts) : 0.0,
        .hot_celsius = w->heat[HEAT_HOT],
        .joules_in = w->joules_in,
        .joules_out = out,
        .joules_lost = w->joules_lost,
        .joules_stored = joules_stored(w) - w->joules_stored_at_start,
    };
}

struct trial {
    struct world *scratch;
    const struct world *from;
    size_t port;
    double low, high;
    int64_t dwell_us;
};

static bool holds(const struct trial *t, double amps)
{
    struct world *w = t->scratch;
    struct port *p = &w->ports[t->port];
    *w = *t->from;
    w->quiet = true;
    w->step_us = STEP_FINE_US;
    p->probe_amps = amps;
    p->joint_next_us = p->intermittent_next_us = US_NEVER;
    int contract = p->contract;
    int64_t begin_us = w->now_us, end_us = begin_us + t->dwell_us;
    int64_t look_us = t->dwell_us / 2000 > LOOK_US ? t->dwell_us / 2000 : LOOK_US;
    while (w->now_us < end_us) {
        world_advance(w, w->now_us + look_us < end_us ? w->now_us + look_us : end_us);
        bool within = p->volts >= t->low && p->volts <= t->high && port_output_on(p) && p->contract == contract;
        if (!within && w->now_us - begin_us >= ONSET_US)
            return false;
    }
    return true;
}

double world_true_capacity(const struct world *w, size_t port, double low_volts, double high_volts, int64_t dwell_us)
{
    struct world *scratch = malloc(sizeof *scratch);
    struct trial t = {scratch, w, port, low_volts, high_volts, dwell_us < ONSET_US ? ONSET_US : dwell_us};
    double good = 0.0, bad = 4.0 * port_limit_amps(w, &w->ports[port]) + 1.0;
    if (!scratch)
        return NAN;
    if (!holds(&t, 0.0)) {
        free(scratch);
        return 0.0;
    }
    while (bad - good > 1e-4) {
        double middle = 0.5 * (good + bad);
        if (holds(&t, middle))
            good = middle;
        else
            bad = middle;
    }
    free(scratch);
    return good;
}
