/* What the source does: attach, negotiate, slew, give way, come back. Windows of the times: USB PD (docs/simulator.md).
 */
#include "sim/world/inside.h"

#define SAFE_0_VOLTS        0.8
#define OVER_FRACTION       0.9995 /* from here on the limit counts as reached */
#define TRANSITION_BLANK_US 2000
#define UNDER_BLANK_US      2000 /* how long the board's chip lives without its voltage */
#define BOARD_PATIENCE_US                                                                                              \
    450000 /* then a board that heard nothing resets the source; sink waits 310 to 620 ms for capabilities */
#define FALL_AT_MOST_US 650000

enum world_limit port_behaviour(const struct port *p)
{
    const struct contract *c = &p->set.contracts[p->contract];
    return c->programmable ? LIMIT_CONSTANT_CURRENT : (enum world_limit)c->behaviour;
}

bool port_output_on(const struct port *p)
{
    return p->state == PORT_ON || p->state == PORT_RESET_HOLD;
}

static size_t attached_ports(const struct world *w)
{
    size_t count = 0;
    for (size_t i = 0; i < w->ports_len; i++)
        count += w->ports[i].attached;
    return count;
}

double port_rated_amps(const struct world *w, const struct port *p, int contract)
{
    const struct contract *c = &p->set.contracts[contract];
    double amps = c->amps;
    if (w->throttled)
        amps *= w->supply.throttle_percent / 100.0;
    if (w->supply.budget_rule == BUDGET_LESS && attached_ports(w) > 1)
        amps = fmin(amps, w->supply.budget_watts * p->set.share_percent / 100.0 /
                              (c->programmable ? c->max_volts : c->volts));
    return amps;
}

double port_contract_volts(const struct port *p, int contract, double requested_volts)
{
    const struct contract *c = &p->set.contracts[contract];
    return c->programmable ? requested_volts : c->volts;
}

static double contract_limit_amps(const struct world *w, const struct port *p, int contract)
{
    const struct contract *c = &p->set.contracts[contract];
    double drift = 1.0 + p->set.limit_drift_percent_per_kelvin / 100.0 * (w->heat[HEAT_HOT] - 25.0);
    double volts = mains_present_volts(w), line = 1.0;
    double rated = port_rated_amps(w, p, contract);
    if (c->programmable && p->requested_amps > 0.0)
        rated = fmin(rated, p->requested_amps);
    if (volts > 0.0 && volts < w->supply.line_derate_volts)
        line = 1.0 - w->supply.line_derate_percent / 100.0 * (1.0 - volts / w->supply.line_derate_volts);
    return rated * c->limit_ratio * fmax(drift, 0.1) * line * (1.0 - 0.15 * p->set.dryness);
}

/* On its way up to another contract: the source charges its own capacitors, and leaves little for a load. */
static bool rising(const struct port *p)
{
    return p->negotiation == SLEWING && p->target_volts > p->from_volts + 0.1;
}

double port_limit_amps(const struct world *w, const struct port *p)
{
    double limit = contract_limit_amps(w, p, p->contract);
    if (rising(p))
        limit = fmin(limit, contract_limit_amps(w, p, p->former)) * p->set.transition_ratio;
    return limit;
}

static void look_closely(struct world *w)
{
    w->step_us = STEP_FINE_US;
}

void port_enter(struct world *w, struct port *p, enum port_state state, int64_t for_us)
{
    p->state = state;
    p->until_us = for_us < 0 ? US_NEVER : w->at_us + for_us;
    p->engaged = false;
    p->over_since_us = US_NEVER;
    look_closely(w);
}

void port_no_contract(struct port *p)
{
    p->contract = p->former = 0;
    p->requested_amps = 0.0;
    p->negotiation = NO_CONTRACT;
    p->negotiation_us = US_NEVER;
}

static double regulated_volts(const struct port *p)
{
    const struct contract *c = &p->set.contracts[p->contract];
    return port_contract_volts(p, p->contract, p->requested_volts) * (1.0 + c->error_percent / 100.0);
}

void port_dead(struct port *p)
{
    port_no_contract(p);
    p->state = PORT_DEAD;
    p->until_us = US_NEVER;
    p->set_volts = p->target_volts = 0.0;
    p->engaged = p->retrying = false;
    p->over_since_us = US_NEVER;
    p->board_alive = false;
    p->board_gives_up_us = p->board_down_us = US_NEVER;
    p->asks = true;
}

static void output_rises(struct world *w, struct port *p)
{
    port_enter(w, p, PORT_ON, -1);
    p->retrying = false;
    p->set_volts = 0.0;
    p->target_volts = regulated_volts(p);
}

static void default_level(struct world *w, struct port *p)
{
    port_no_contract(p);
    output_rises(w, p);
    if (p->set.connector == CONNECTOR_USB_C) {
        p->negotiation = CAPABILITIES;
        p->negotiation_us = w->at_us + p->set.capabilities_us;
    } else {
        p->contract = p->former = p->wanted;
        p->requested_volts = p->wanted_volts;
        p->target_volts = regulated_volts(p);
        p->negotiation = CONTRACT;
    }
}

void port_begin(struct world *w, struct port *p)
{
    if (p->set.connector != CONNECTOR_USB_C)
        default_level(w, p);
    else if (p->attached)
        port_enter(w, p, PORT_ATTACHING, p->set.attach_us);
    else
        port_enter(w, p, PORT_WAITING, -1);
}

void port_hard_reset(struct world *w, struct port *p)
{
    if (p->state != PORT_ON)
        return;
    p->asks = p->asks || p->set.board_asks_again;
    p->negotiation = NO_CONTRACT;
    p->negotiation_us = US_NEVER;
    p->board_gives_up_us = US_NEVER;
    port_enter(w, p, PORT_RESET_HOLD, p->set.reset_hold_us);
}

/* The source goes to its first contract without taking its voltage away. */
void port_drop_contract(struct world *w, struct port *p, bool known)
{
    p->from_volts = p->target_volts;
    port_no_contract(p);
    p->target_volts = regulated_volts(p);
    p->negotiation = known ? SLEWING : NO_CONTRACT;
    p->engaged = false;
    p->over_since_us = US_NEVER;
    look_closely(w);
}

static void hiccup(struct world *w, struct port *p)
{
    port_enter(w, p, PORT_HICCUP, p->set.hiccup_off_us);
    p->set_volts = 0.0;
}

void port_trip(struct world *w, struct port *p)
{
    switch (port_behaviour(p)) {
    case LIMIT_LATCH_OFF:
        port_enter(w, p, PORT_LATCHED, -1);
        p->set_volts = 0.0;
        break;
    case LIMIT_HARD_RESET:
        port_hard_reset(w, p);
        break;
    case LIMIT_FALL_BACK:
        if (p->contract > 0)
            port_drop_contract(w, p, true);
        else
            hiccup(w, p);
        break;
    case LIMIT_HICCUP:
        hiccup(w, p);
        break;
    default:
        p->engaged = true;
    }
    look_closely(w);
}

/* A request under way changes nothing yet: the former contract is in force. */
bool port_contract_known(const struct port *p)
{
    return p->state != PORT_DEAD && (p->negotiation == CONTRACT || (p->negotiation == PENDING && p->knows));
}

void port_ask(struct world *w, struct port *p)
{
    p->asks = false;
    p->knows = port_contract_known(p);
    p->negotiation = PENDING;
    p->negotiation_us = w->at_us + (int64_t)((double)p->set.selection_us * (0.8 + 0.4 * world_draw(w)));
    look_closely(w);
}

static void accepted(struct world *w, struct port *p)
{
    p->former = p->contract;
    p->from_volts = p->target_volts;
    p->contract = p->wanted;
    p->requested_volts = p->wanted_volts;
    p->requested_amps = p->wanted_amps;
    p->target_volts = regulated_volts(p);
    p->negotiation = SLEWING;
    p->negotiation_us = US_NEVER;
    p->engaged = false;
    p->over_since_us = US_NEVER;
    look_closely(w);
}

static void negotiation_event(struct world *w, struct port *p)
{
    p->negotiation_us = US_NEVER;
    switch (p->negotiation) {
    case CAPABILITIES:
        if (p->state != PORT_ON || !p->board_alive)
            p->negotiation = NO_CONTRACT;
        else if (p->asks)
            port_ask(w, p);
        else
            p->negotiation = NO_CONTRACT;
        break;
    case PENDING:
        if (p->state == PORT_ON && (p->board_alive || p->set.connector != CONNECTOR_USB_C))
            accepted(w, p);
        else
            p->negotiation = NO_CONTRACT;
        break;
    case SETTLING:
        p->negotiation = CONTRACT;
        break;
    default:
        break;
    }
    look_closely(w);
}

static void state_event(struct world *w, struct port *p)
{
    switch (p->state) {
    case PORT_ATTACHING:
        default_level(w, p);
        break;
    case PORT_HICCUP:
        output_rises(w, p);
        p->retrying = true;
        break;
    case PORT_RESET_HOLD:
        port_enter(w, p, PORT_RESET_FALL, FALL_AT_MOST_US);
        p->set_volts = 0.0;
        break;
    case PORT_RESET_FALL:
        port_enter(w, p, PORT_RESET_RECOVER, p->set.recover_us);
        break;
    case PORT_RESET_RECOVER:
        default_level(w, p);
        break;
    default:
        p->until_us = US_NEVER;
    }
}

static void joint_event(struct world *w, struct port *p)
{
    /* A bad joint works the more the hotter it is. */
    double mean_us = (double)p->set.joint_us / (1.0 + fmax(w->heat[HEAT_SHELL] - 25.0, 0.0) / 20.0);
    bool idle = p->set.joint_ohms <= 0.0 || w->quiet;
    if (!idle)
        p->joint_now_ohms = world_draw(w) < 0.5 ? 0.0 : p->set.joint_ohms * (0.2 + 0.8 * world_draw(w));
    p->joint_next_us = idle ? US_NEVER : w->at_us + world_exponential_us(w, mean_us);
    look_closely(w);
}

static void intermittent_event(struct world *w, struct port *p)
{
    bool idle = p->set.intermittent_us <= 0 || w->quiet;
    if (!idle && p->negotiation == CONTRACT && p->state == PORT_ON)
        port_drop_contract(w, p, false);
    p->intermittent_next_us = idle ? US_NEVER : w->at_us + world_exponential_us(w, (double)p->set.intermittent_us);
}

void port_events(struct world *w, struct port *p)
{
    if (p->joint_next_us <= w->at_us)
        joint_event(w, p);
    if (p->intermittent_next_us <= w->at_us)
        intermittent_event(w, p);
    if (p->until_us <= w->at_us)
        state_event(w, p);
    if (p->negotiation_us <= w->at_us)
        negotiation_event(w, p);
    if (p->board_gives_up_us <= w->at_us) {
        p->board_gives_up_us = US_NEVER;
        port_hard_reset(w, p);
    }
}

static int64_t over_blank_us(const struct port *p)
{
    if (rising(p))
        return TRANSITION_BLANK_US;
    return p->retrying && port_behaviour(p) == LIMIT_HICCUP ? p->set.hiccup_on_us : p->set.blanking_us;
}

static int64_t earlier(int64_t a_us, int64_t b_us)
{
    return a_us < b_us ? a_us : b_us;
}

int64_t port_due_us(const struct port *p)
{
    int64_t due = earlier(earlier(p->until_us, p->negotiation_us), earlier(p->joint_next_us, p->intermittent_next_us));
    due = earlier(due, p->board_gives_up_us);
    if (p->over_since_us != US_NEVER && !p->engaged)
        due = earlier(due, p->over_since_us + over_blank_us(p));
    if (p->board_down_us != US_NEVER)
        due = earlier(due, p->board_down_us + UNDER_BLANK_US);
    return due;
}

void port_slew(struct port *p, int64_t step_us)
{
    double most = p->set.slew_volts_per_s * 1e-6 * (double)step_us;
    double way = p->target_volts - p->set_volts;
    if (!port_output_on(p))
        return;
    p->set_volts = fabs(way) <= most ? p->target_volts : p->set_volts + copysign(most, way);
}

/* It came up in the middle of a contract it knows nothing of; or at the default level. */
static void board_wakes(struct world *w, struct port *p)
{
    if (p->contract > 0) {
        p->board_gives_up_us = w->at_us + BOARD_PATIENCE_US;
    } else if (p->asks && p->state == PORT_ON) {
        p->negotiation = CAPABILITIES;
        p->negotiation_us = w->at_us + p->set.capabilities_us;
    }
}

static void watch_board(struct world *w, struct port *p)
{
    int64_t end = w->at_us;
    if (p->attached && p->volts >= p->set.board_brown_out_volts) {
        p->board_down_us = US_NEVER;
        if (!p->board_alive && p->negotiation == NO_CONTRACT)
            board_wakes(w, p);
        p->board_alive = true;
        return;
    }
    if (p->board_alive && p->board_down_us == US_NEVER)
        p->board_down_us = end;
    if (!p->board_alive || end < p->board_down_us + UNDER_BLANK_US)
        return;
    p->board_alive = false;
    p->board_down_us = p->board_gives_up_us = US_NEVER;
    if (p->negotiation != CAPABILITIES)
        p->negotiation = NO_CONTRACT;
    p->negotiation_us = p->negotiation == CAPABILITIES ? p->negotiation_us : US_NEVER;
    p->asks = p->asks || p->set.board_asks_again;
    look_closely(w);
}

static void over_too_long(struct world *w, struct port *p)
{
    bool usb_c = p->set.connector == CONNECTOR_USB_C;
    p->over_since_us = US_NEVER;
    if (rising(p) && usb_c)
        port_hard_reset(w, p); /* a load in the middle of a transition: the source can't reach its voltage in time */
    else
        port_trip(w, p);
}

static void watch_limit(struct world *w, struct port *p)
{
    double limit = port_limit_amps(w, p);
    bool regulating = p->engaged && p->source_amps < 0.995 * source_bound_amps(w, p, p->volts);
    bool over = !p->engaged && p->source_amps >= limit * OVER_FRACTION;
    if (regulating) {
        p->engaged = false;
        look_closely(w);
    }
    if (!over) {
        p->over_since_us = US_NEVER;
    } else if (p->over_since_us == US_NEVER) {
        p->over_since_us = w->at_us;
        look_closely(w);
    } else if (w->at_us >= p->over_since_us + over_blank_us(p)) {
        over_too_long(w, p);
    }
}

static void watch_transition(struct world *w, struct port *p)
{
    double band = 0.03 * p->target_volts + 0.05;
    bool near = p->set_volts == p->target_volts &&
                fabs(p->volts - p->target_volts) < band + p->source_amps * p->set.output_ohms;
    if (p->negotiation != SLEWING || !(near || p->over_voltage_percent != 0.0))
        return;
    p->negotiation = SETTLING;
    p->negotiation_us = w->at_us + p->set.settle_us;
}

void port_watch(struct world *w, struct port *p)
{
    if (p->state == PORT_RESET_FALL && p->volts < SAFE_0_VOLTS) {
        p->until_us = w->at_us;
        look_closely(w);
    }
    if (p->set.connector == CONNECTOR_USB_C)
        watch_board(w, p);
    if (p->state != PORT_ON)
        return;
    watch_limit(w, p);
    watch_transition(w, p);
    if (p->retrying && p->over_since_us == US_NEVER && p->set_volts == p->target_volts &&
        p->volts > 0.9 * p->target_volts)
        p->retrying = false;
}
