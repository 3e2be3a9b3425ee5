/* The label against itself and against the USB PD power rules. */
#include "daemon/plan/plan_own.h"

#include <math.h>

/* Labels print two decimals: 20 V x 3.34 A for "66.7 W" is no contradiction. */
#define LABEL_ROUNDING 1.005

static double watts_of(const struct supply_contract *contract)
{
    return contract->volts * contract->amps;
}

static void check_combination(const struct supply_plan *supply, size_t i, struct complaints *c)
{
    double sum = 0.0;
    for (size_t port = 0; port < supply->ports_len; port++) {
        int contract = supply->combinations[i].contract[port];
        sum += contract >= 0 ? watts_of(&supply->ports[port].contracts[contract]) : 0.0;
    }
    if (sum > supply->total_watts * LABEL_ROUNDING)
        complain(c, ERROR_FILE, supply->file, supply->combination_lines[i],
                 "the combination sums up to %.2f W, allowed %.2f W (total_watts, line %d): correct the one or the other", sum, supply->total_watts,
                 supply->total_watts_line);
}

void check_label_sums(const struct test_plan *plan, struct complaints *c)
{
    const struct supply_plan *supply = &plan->supply;
    for (size_t port = 0; port < supply->ports_len; port++)
        for (size_t i = 0; i < supply->ports[port].contracts_len; i++) {
            const struct supply_contract *one = &supply->ports[port].contracts[i];
            if (watts_of(one) > supply->total_watts * LABEL_ROUNDING)
                complain(c, ERROR_FILE, supply->file, one->line_no,
                         "%.2f V x %.3f A is %.2f W, allowed %.2f W (total_watts, line %d): correct the one or the other", one->volts, one->amps,
                         watts_of(one), supply->total_watts, supply->total_watts_line);
        }
    for (size_t i = 0; i < supply->combinations_len; i++)
        check_combination(supply, i, c);
}

/* USB PD power rules, normative fixed voltages: up to which power a voltage is the top one, and the current it then has to give at
 * least where a higher one follows. Above 100 W: extended power range. */
static const struct {
    double volts, full_amps, up_to_watts;
} levels[POWER_OFFERS_MAX] = {
    {5.0, 3.0, 15.0}, {9.0, 3.0, 27.0}, {15.0, 3.0, 45.0}, {20.0, 5.0, 100.0}, {28.0, 5.0, 140.0}, {36.0, 5.0, 180.0}, {48.0, 5.0, 240.0}};

size_t plan_power_rule(double pdp_watts, struct power_offer *ret)
{
    size_t len = 0;
    if (!(pdp_watts >= 0.5 && pdp_watts <= 240.0))
        return 0;
    for (size_t i = 0; i < POWER_OFFERS_MAX; i++) {
        bool top = pdp_watts <= levels[i].up_to_watts;
        ret[len++] = (struct power_offer){levels[i].volts, top ? pdp_watts / levels[i].volts : levels[i].full_amps};
        if (top)
            break;
    }
    return len;
}

static double best_amps(const struct supply_port *port, double volts)
{
    double amps = 0.0;
    for (size_t i = 0; i < port->contracts_len; i++)
        if (fabs(port->contracts[i].volts - volts) < 0.05 && !port->contracts[i].programmable)
            amps = fmax(amps, port->contracts[i].amps);
    return amps;
}

static void remark_port(const struct supply_plan *supply, const struct supply_port *port, struct complaints *c)
{
    struct power_offer offers[POWER_OFFERS_MAX];
    double watts = 0.0;
    for (size_t i = 0; i < port->contracts_len; i++)
        if (!port->contracts[i].programmable)
            watts = fmax(watts, watts_of(&port->contracts[i]));
    size_t len = plan_power_rule(watts, offers);
    for (size_t i = 0; i < len; i++) {
        double amps = best_amps(port, offers[i].volts);
        if (amps == 0.0)
            complain(c, ERROR_NONE, supply->file, port->line_no, "port \"%s\" offers %.1f W but not %.0f V, expected %.3f A there (USB PD power rules)",
                     port->name, watts, offers[i].volts, offers[i].amps);
        else if (amps < offers[i].amps - 0.01) /* objects are told in steps of 10 mA */
            complain(c, ERROR_NONE, supply->file, port->line_no,
                     "port \"%s\" offers %.1f W but only %.3f A at %.0f V, expected %.3f A (USB PD power rules)", port->name, watts, amps,
                     offers[i].volts, offers[i].amps);
    }
}

void remark_power_rules(const struct test_plan *plan, struct complaints *c)
{
    for (size_t port = 0; port < plan->supply.ports_len; port++)
        if (plan->supply.ports[port].connector == CONNECTOR_USB_C)
            remark_port(&plan->supply, &plan->supply.ports[port], c);
}
