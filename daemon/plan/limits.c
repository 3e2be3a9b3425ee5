/* What bounds the current on a port: load, lead, cable, connector, selector, profile. Each bound says where it comes from. */
#include "daemon/plan/plan_own.h"

#include "daemon/base/text.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

int plan_seat_of_port(const struct test_plan *plan, int port)
{
    for (size_t i = 0; i < plan->bench.seats_len; i++)
        if (plan->port_of_seat[i] == port)
            return (int)i;
    return -1;
}

struct limits {
    struct amps_limit *out;
    size_t len;
};

static void add(struct limits *limits, double amps, const char *format, ...) __attribute__((format(printf, 3, 4)));

static void add(struct limits *limits, double amps, const char *format, ...)
{
    struct amps_limit *one = &limits->out[limits->len++];
    va_list args;
    one->amps = amps;
    va_start(args, format);
    vsnprintf(one->from, sizeof one->from, format, args);
    va_end(args);
}

/* The load's power bounds the current at the highest voltage that the contract allows. */
static void add_load_limits(struct limits *limits, const struct bench_instrument *load, const struct supply_contract *contract)
{
    add(limits, load->max_amps, "max_amps of %s, bench file line %d", load->name, load->line_no);
    add(limits, load->max_watts / contract->high_volts, "max_watts %.1f W of %s at up to %.2f V, bench file line %d", load->max_watts, load->name,
        contract->high_volts, load->line_no);
}

/* A load that reaches max_amps from min_volts upwards is a resistance of min_volts/max_amps at least; a two-wire lead stands before it. */
static void add_floor_limit(struct limits *limits, const struct bench_instrument *load, const struct bench_lead *lead,
                            const struct supply_contract *contract)
{
    double ohms = load->min_volts / load->max_amps + lead->loop_ohms;
    if (ohms > 0.0)
        add(limits, contract->low_volts / ohms, "min_volts %.2f V of %s behind its lead at %.2f V, bench file line %d", load->min_volts, load->name,
            contract->low_volts, load->line_no);
}

size_t amps_limits(const struct test_plan *plan, int port, int contract, double cap_fraction, struct amps_limit out[AMPS_LIMITS_MAX])
{
    struct limits limits = {out, 0};
    const struct supply_port *of = &plan->supply.ports[port];
    const struct supply_contract *one = &of->contracts[contract];
    const struct bench_seat *seat = &plan->bench.seats[plan_seat_of_port(plan, port)];
    const struct bench_instrument *load = &plan->bench.instruments[seat->load];
    const struct bench_instrument *selector = seat->selector >= 0 ? &plan->bench.instruments[seat->selector] : NULL;
    add_load_limits(&limits, load, one);
    add_floor_limit(&limits, load, &seat->lead, one);
    add(&limits, seat->lead.max_amps, "max_amps of the lead of seat \"%s\", bench file line %d", seat->name, seat->line_no);
    if (seat->cable_amps > 0.0)
        add(&limits, seat->cable_amps, "cable_amps of seat \"%s\", the marking of its cable, bench file line %d", seat->name, seat->line_no);
    add(&limits, of->connector_amps, "connector_amps of port \"%s\" (%s), supply file line %d", of->name, connector_name(of->connector),
        of->line_no);
    if (selector && selector->max_amps > 0.0)
        add(&limits, selector->max_amps, "max_amps of %s, bench file line %d", selector->name, selector->line_no);
    if (cap_fraction > 0.0)
        add(&limits, cap_fraction * one->amps, "cap_percent %.0f %% of rated %.2f A, profile file", 100.0 * cap_fraction, one->amps);
    return limits.len;
}

double plan_cap_amps(const struct test_plan *plan, int port, int contract, double cap_fraction, char *from, size_t from_size)
{
    struct amps_limit limits[AMPS_LIMITS_MAX];
    size_t least = 0;
    if (from_size)
        from[0] = '\0';
    if (port < 0 || (size_t)port >= plan->supply.ports_len || contract < 0
        || (size_t)contract >= plan->supply.ports[port].contracts_len || plan_seat_of_port(plan, port) < 0) {
        if (from_size)
            text_cut(from, from_size, "the port sits in no seat of the bench");
        return 0.0; /* nothing may be drawn where nothing is known */
    }
    size_t len = amps_limits(plan, port, contract, cap_fraction, limits);
    for (size_t i = 1; i < len; i++)
        if (limits[i].amps < limits[least].amps)
            least = i;
    if (from_size)
        text_cut(from, from_size, limits[least].from);
    return limits[least].amps;
}
