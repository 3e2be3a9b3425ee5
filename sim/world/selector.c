/* The selector at the end of the cable: what is offered, what is asked for, who is attached. */
#include "sim/world/inside.h"

/* What can be offered changed: who has a contract asks for it anew, and gets what there is now. */
void ports_renegotiate(struct world *w)
{
    for (size_t i = 0; i < w->ports_len; i++) {
        struct port *p = &w->ports[i];
        if (p->state != PORT_ON || p->negotiation != CONTRACT || p->set.connector != CONNECTOR_USB_C)
            continue;
        p->wanted = p->contract;
        p->wanted_volts = p->requested_volts;
        p->wanted_amps = p->requested_amps;
        port_ask(w, p);
    }
}

size_t world_offers(const struct world *w, size_t port, struct world_offer ret[WORLD_CONTRACTS_MAX])
{
    const struct port *p = &w->ports[port];
    bool there = p->state == PORT_ON &&
                 (p->set.connector != CONNECTOR_USB_C || (p->board_alive && p->negotiation != CAPABILITIES));
    for (size_t i = 0; there && i < p->set.contracts_len; i++) {
        const struct contract *c = &p->set.contracts[i];
        ret[i] = (struct world_offer){c->volts, port_rated_amps(w, p, (int)i), c->programmable,
                                      c->programmable ? c->max_volts : c->volts};
    }
    return there ? p->set.contracts_len : 0;
}

static bool fits(const struct world *w, const struct port *p, int contract, double volts, double amps)
{
    const struct contract *c = &p->set.contracts[contract];
    bool level =
        c->programmable ? volts >= c->volts - 1e-9 && volts <= c->max_volts + 1e-9 : fabs(volts - c->volts) < 0.0251;
    return level && !(amps > port_rated_amps(w, p, contract) + 1e-6);
}

static int fitting(const struct world *w, const struct port *p, double volts, double amps)
{
    for (int programmable = 0; programmable <= 1; programmable++) /* a fixed level is preferred */
        for (int i = 0; i < (int)p->set.contracts_len; i++)
            if (p->set.contracts[i].programmable == (programmable != 0) && fits(w, p, i, volts, amps))
                return i;
    return -1;
}

bool world_select(struct world *w, size_t port, double volts, double amps)
{
    struct port *p = &w->ports[port];
    int found = p->attached ? fitting(w, p, volts, amps) : -1;
    if (found < 0)
        return false;
    world_sync(w);
    p->wanted = found;
    p->wanted_volts = volts;
    p->wanted_amps = amps;
    p->board_gives_up_us = US_NEVER;
    bool ready = p->state == PORT_ON && p->negotiation != CAPABILITIES &&
                 (p->board_alive || p->set.connector != CONNECTOR_USB_C);
    if (ready)
        port_ask(w, p);
    else
        p->asks = true;
    return true;
}

void world_attach(struct world *w, size_t port, bool attached)
{
    struct port *p = &w->ports[port];
    if (p->attached == attached)
        return;
    world_sync(w);
    p->attached = attached;
    p->asks = true;
    if (!attached)
        p->board_alive = false;
    if (w->supply.budget_rule == BUDGET_LESS)
        ports_renegotiate(w);
    if (p->set.connector != CONNECTOR_USB_C || p->state == PORT_DEAD ||
        (p->state == PORT_LATCHED && !p->set.latch_clears_at_detach))
        return;
    port_no_contract(p);
    p->board_gives_up_us = p->board_down_us = US_NEVER;
    port_enter(w, p, attached ? PORT_ATTACHING : PORT_WAITING, attached ? p->set.attach_us : -1);
    p->set_volts = p->target_volts = 0.0;
}

bool world_attached(const struct world *w, size_t port)
{
    return w->ports[port].attached;
}

double world_contract_volts(const struct world *w, size_t port)
{
    const struct port *p = &w->ports[port];
    return port_contract_known(p) ? port_contract_volts(p, p->contract, p->requested_volts) : 0.0;
}

double world_contract_amps(const struct world *w, size_t port)
{
    const struct port *p = &w->ports[port];
    return port_contract_known(p) ? port_rated_amps(w, p, p->contract) : 0.0;
}

bool world_settled(const struct world *w, size_t port)
{
    const struct port *p = &w->ports[port];
    bool moving = p->negotiation != CONTRACT && p->negotiation != NO_CONTRACT;
    bool between = p->state == PORT_ATTACHING || p->state == PORT_RESET_HOLD || p->state == PORT_RESET_FALL ||
                   p->state == PORT_RESET_RECOVER;
    return !moving && !between && (p->state != PORT_ON || p->set_volts == p->target_volts);
}

double world_cable_amps(const struct world *w, size_t port)
{
    return w->ports[port].set.cable_amps;
}
