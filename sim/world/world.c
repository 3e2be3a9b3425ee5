/* A world's beginning and end. */
#include "sim/world/inside.h"

#include <stdlib.h>

static void port_start(struct world *w, struct port *p)
{
    port_dead(p);
    p->attached = p->set.connector != CONNECTOR_USB_C || p->set.attached;
    p->wanted_volts = p->set.contracts[0].volts;
    p->probe_amps = NAN;
    p->joint_next_us = p->set.joint_ohms > 0.0 ? world_exponential_us(w, (double)p->set.joint_us) : US_NEVER;
    p->intermittent_next_us =
        p->set.intermittent_us > 0 ? world_exponential_us(w, (double)p->set.intermittent_us) : US_NEVER;
    p->receptacle = (struct converter){.update_us = 100000, .window_us = 80000};
}

static void channel_start(struct world *w, struct channel *c, size_t index)
{
    const struct channel_setup *s = &c->set;
    int64_t phase_us = (int64_t)(noise_uniform(w->seed, 901, index) * (double)s->update_us);
    c->volts = (struct converter){.update_us = s->update_us, .window_us = s->conversion_us, .phase_us = phase_us};
    c->current = c->volts;
    c->current.phase_us = phase_us + s->skew_us;
    c->celsius = w->ambient_celsius;
    c->relay_us = US_NEVER;
    load_power(w, c, false);
    c->boot_us = 0; /* has been switched on long ago */
}

static void begin(struct world *w)
{
    w->step_us = STEP_FINE_US;
    w->brown_out_volts = NAN;
    w->drop_out_until_us = -1;
    w->start_us = w->over_budget_since_us = US_NEVER;
    w->start_celsius = ambient_now(w);
    for (int i = 0; i < HEAT_NODES; i++)
        w->heat[i] = w->start_celsius;
    for (size_t i = 0; i < w->places_len; i++)
        w->places[i].celsius = w->start_celsius;
    for (size_t i = 0; i < w->ports_len; i++)
        port_start(w, &w->ports[i]);
    for (size_t i = 0; i < w->channels_len; i++) {
        channel_start(w, &w->channels[i], i);
        load_events(w, &w->channels[i]);
    }
    w->joules_stored_at_start = joules_stored(w);
}

struct world *world_new_with_supply(struct tree_at supply, struct tree_at group, uint64_t seed, struct error *err)
{
    struct world *w = calloc(1, sizeof *w);
    if (!w) {
        error_set(err, ERROR_MEMORY, "no memory for a simulated bench");
        return NULL;
    }
    w->seed = seed;
    if (supply_read(supply, w, err) < 0 || channels_read(group, w, err) < 0 || surroundings_read(group, w, err) < 0) {
        world_free(w);
        return NULL;
    }
    begin(w);
    return w;
}

struct world *world_new(struct tree_at group, uint64_t seed, struct error *err)
{
    struct tree_at supply;
    if (tree_need_group(group, "supply", &supply, err) < 0)
        return NULL;
    return world_new_with_supply(supply, group, seed, err);
}

void world_free(struct world *w)
{
    free(w);
}

size_t world_ports(const struct world *w)
{
    return w->ports_len;
}

size_t world_channels(const struct world *w)
{
    return w->channels_len;
}

int world_port_of_channel(const struct world *w, size_t channel)
{
    return w->channels[channel].set.port;
}
