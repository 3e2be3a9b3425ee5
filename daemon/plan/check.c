/* Everything that is checked before the first order: bench, label and profile against each other. */
#include "daemon/plan/plan_own.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>

/* Amps, volts and watts in files are decimal: 1.05 * 3 A may not stand above 3.15 A by a rounding. */
#define ROUNDING 1e-9

void complain(struct complaints *c, enum error_kind kind, const char *file, int line, const char *format, ...)
{
    char sentence[500];
    va_list args;
    va_start(args, format);
    vsnprintf(sentence, sizeof sentence, format, args);
    va_end(args);
    if (kind != ERROR_NONE && !c->refused) {
        c->refused = true;
        error_set(c->first, kind, "%s:%d: %s", file, line, sentence);
    }
    if (c->len < c->max) {
        c->all[c->len].kind = kind;
        snprintf(c->all[c->len].text, sizeof c->all[c->len].text, "%.90s:%d: %s", file, line, sentence);
    }
    c->len++;
}

static bool exceeds(double asked, double allowed)
{
    return !(asked <= allowed + ROUNDING * fabs(allowed)); /* so that NaN exceeds */
}

double stage_top_fraction(const struct profile_stage *stage)
{
    double top = stage->kind == STAGE_CAPACITY ? 1.0 : 0.0; /* the search begins at rated current; its cap is bounded by plan_cap_amps() */
    for (size_t i = 0; i < stage->fractions_len; i++)
        top = fmax(top, stage->fractions[i]);
    return top;
}

/* ---- seats and chosen contracts ---- */

static void check_port_in_seat(const struct test_plan *plan, size_t seat, struct complaints *c)
{
    const struct bench_seat *at = &plan->bench.seats[seat];
    int port = plan->port_of_seat[seat];
    if (port < -1 || port >= (int)plan->supply.ports_len) {
        complain(c, ERROR_FILE, plan->bench.file, at->line_no, "seat \"%s\" holds port number %d, allowed 0 to %zu (ports, supply file)", at->name, port,
                 plan->supply.ports_len - 1);
        return;
    }
    if (port >= 0 && plan_seat_of_port(plan, port) != (int)seat)
        complain(c, ERROR_FILE, plan->bench.file, at->line_no, "port \"%s\" sits in two seats, allowed one", plan->supply.ports[port].name);
}

static void check_chosen(const struct test_plan *plan, struct complaints *c)
{
    size_t chosen = 0;
    for (int port = 0; port < PORTS_MAX; port++)
        for (int contract = 0; contract < CONTRACTS_MAX; contract++) {
            if (!plan->contract_chosen[port][contract])
                continue;
            chosen++;
            if (port >= (int)plan->supply.ports_len || contract >= (int)plan->supply.ports[port].contracts_len)
                complain(c, ERROR_FILE, plan->supply.file, 0, "contract %d of port %d is chosen, which the supply file does not list", contract, port);
            else if (plan_seat_of_port(plan, port) < 0)
                complain(c, ERROR_FILE, plan->supply.file, plan->supply.ports[port].line_no,
                         "port \"%s\" is to be tested and sits in no seat, allowed are ports in the seats of the bench (%s)",
                         plan->supply.ports[port].name, plan->bench.file);
        }
    if (chosen == 0)
        complain(c, ERROR_FILE, plan->supply.file, 0, "no contract is chosen, allowed are 1 or more of the ports in the seats of the bench (%s)", plan->bench.file);
}

/* ---- volts ---- */

static void check_volts(const struct test_plan *plan, int port, int contract, struct complaints *c)
{
    const struct supply_contract *one = &plan->supply.ports[port].contracts[contract];
    const struct bench_seat *seat = &plan->bench.seats[plan_seat_of_port(plan, port)];
    const struct bench_instrument *load = &plan->bench.instruments[seat->load];
    const struct bench_instrument *selector = seat->selector >= 0 ? &plan->bench.instruments[seat->selector] : NULL;
    double hard = one->volts * (1.0 + plan->profile.over_volts_percent / 100.0);
    const char *file = plan->supply.file;
    if (!(one->high_volts < hard))
        complain(c, ERROR_FILE, file, one->line_no, "high_volts is %.3f V, allowed below the hard limit %.3f V (over_volts_percent %.0f %%, %s line %d)",
                 one->high_volts, hard, plan->profile.over_volts_percent, plan->profile.file, plan->profile.line_no);
    if (exceeds(hard, load->max_volts))
        complain(c, ERROR_RATING, file, one->line_no, "%.3f V may reach %.3f V before the hard limit acts (over_volts_percent, profile file), allowed "
                 "%.3f V (max_volts of %s, bench file line %d)", one->volts, hard, load->max_volts, load->name, load->line_no);
    if (exceeds(hard, seat->lead.max_volts))
        complain(c, ERROR_RATING, file, one->line_no, "%.3f V may reach %.3f V before the hard limit acts (over_volts_percent, profile file), allowed "
                 "%.3f V (max_volts of the lead of seat \"%s\", bench file line %d)", one->volts, hard, seat->lead.max_volts, seat->name, seat->line_no);
    if (selector && selector->max_volts > 0.0 && exceeds(one->volts, selector->max_volts))
        complain(c, ERROR_RATING, file, one->line_no, "%.3f V asked, allowed %.3f V (max_volts of %s, bench file line %d)", one->volts,
                 selector->max_volts, selector->name, selector->line_no);
    if (one->low_volts < load->min_volts)
        complain(c, ERROR_RATING, file, one->line_no, "%.3f V is asked for down to %.3f V, allowed from %.3f V (min_volts of %s, bench file line %d)",
                 one->volts, one->low_volts, load->min_volts, load->name, load->line_no);
}

/* ---- amps ---- */

static void check_amps(const struct test_plan *plan, const struct profile_stage *stage, int port, int contract, struct complaints *c)
{
    const struct supply_contract *one = &plan->supply.ports[port].contracts[contract];
    struct amps_limit limits[AMPS_LIMITS_MAX];
    double fraction = stage_top_fraction(stage), asked = fraction * one->amps;
    size_t len = amps_limits(plan, port, contract, 0.0, limits);
    for (size_t i = 0; i < len; i++)
        if (exceeds(asked, limits[i].amps))
            complain(c, ERROR_RATING, plan->profile.file, stage->line_no,
                     "stage \"%s\" asks %.3f A at %.2f V (%.0f %% of rated %.3f A, %s line %d), allowed %.3f A (%s)", stage->name, asked, one->volts,
                     100.0 * fraction, one->amps, plan->supply.file, one->line_no, limits[i].amps, limits[i].from);
}

/* ---- what single kinds of stages need ---- */

static void check_trace(const struct test_plan *plan, const struct profile_stage *stage, int port, int contract, struct complaints *c)
{
    const struct supply_contract *one = &plan->supply.ports[port].contracts[contract];
    const struct bench_instrument *load = &plan->bench.instruments[plan->bench.seats[plan_seat_of_port(plan, port)].load];
    double lowest = stage->trace_to * one->volts, floor = load->min_volts * fmin(1.0, 1.5 * one->amps / load->max_amps);
    if (!load->constant_voltage_mode && !load->constant_resistance_mode)
        complain(c, ERROR_RATING, plan->profile.file, stage->line_no,
                 "stage \"%s\" traces a limit, allowed only with constant_voltage_mode or constant_resistance_mode (ratings of %s, bench file line %d)",
                 stage->name, load->name, load->line_no);
    if (lowest < floor)
        complain(c, ERROR_RATING, plan->profile.file, stage->line_no,
                 "stage \"%s\" walks down to %.3f V at %.2f V (to_percent), allowed from %.3f V (min_volts of %s at 1.5 times rated current, bench file line %d)",
                 stage->name, lowest, one->volts, floor, load->name, load->line_no);
}

static void check_rungs(const struct test_plan *plan, const struct profile_stage *stage, int port, struct complaints *c)
{
    const struct bench_seat *seat = &plan->bench.seats[plan_seat_of_port(plan, port)];
    if (!stage->rungs_stated)
        return;
    if ((stage->rungs & 1u << RUNG_MAINS) && plan->bench.mains < 0)
        complain(c, ERROR_FILE, plan->profile.file, stage->line_no,
                 "stage \"%s\" recovers by mains, allowed only with a mains switch (the bench file %s names none in mains)", stage->name, plan->bench.file);
    if ((stage->rungs & 1u << RUNG_DETACH) && seat->selector < 0)
        complain(c, ERROR_FILE, plan->profile.file, stage->line_no,
                 "stage \"%s\" recovers by detach, allowed only with a selector (seat \"%s\" has none, bench file line %d)", stage->name, seat->name,
                 seat->line_no);
}

static void check_contract(const struct test_plan *plan, int port, int contract, struct complaints *c)
{
    check_volts(plan, port, contract, c);
    for (size_t i = 0; i < plan->profile.stages_len; i++) {
        const struct profile_stage *stage = &plan->profile.stages[i];
        check_amps(plan, stage, port, contract, c);
        if (stage->kind == STAGE_TRACE)
            check_trace(plan, stage, port, contract, c);
        if (stage->kind == STAGE_RECOVER)
            check_rungs(plan, stage, port, c);
    }
}

/* ---- reloading after a trip ---- */

static void check_reload(const struct test_plan *plan, struct complaints *c)
{
    const struct profile_plan *profile = &plan->profile;
    const struct bench_plan *bench = &plan->bench;
    if (profile->on_trip != ON_TRIP_RELOAD)
        return;
    if (bench->probes_len == 0)
        complain(c, ERROR_FILE, profile->file, profile->on_trip_line,
                 "reload below %.1f °C after a trip, allowed only with a thermocouple (the bench file %s has no probes)", profile->reload_below_celsius,
                 bench->file);
    if (bench->mains < 0 && !bench->hardware_cutoff)
        complain(c, ERROR_FILE, profile->file, profile->on_trip_line,
                 "reload after a trip, allowed only with a mains switch or a hardware_cutoff (the bench file %s has neither)", bench->file);
    for (size_t i = 0; i < bench->probes_len; i++) {
        const struct bench_instrument *thermometer = &bench->instruments[bench->probes[i].thermometer];
        if (!(profile->reload_below_celsius > thermometer->min_celsius && profile->reload_below_celsius < thermometer->max_celsius))
            complain(c, ERROR_RATING, profile->file, profile->on_trip_line,
                     "reload below %.1f °C, allowed %.1f to %.1f °C (range of %s, bench file line %d)", profile->reload_below_celsius,
                     thermometer->min_celsius, thermometer->max_celsius, thermometer->name, thermometer->line_no);
    }
}

/* ---- all ---- */

static void check_all(const struct test_plan *plan, struct complaints *c)
{
    for (size_t seat = 0; seat < plan->bench.seats_len; seat++)
        check_port_in_seat(plan, seat, c);
    check_chosen(plan, c);
    if (c->refused)
        return; /* what follows takes the seating for granted */
    check_label_sums(plan, c);
    for (int port = 0; port < (int)plan->supply.ports_len; port++)
        for (int contract = 0; contract < (int)plan->supply.ports[port].contracts_len; contract++)
            if (plan->contract_chosen[port][contract])
                check_contract(plan, port, contract, c);
    check_reload(plan, c);
}

int plan_check(const struct test_plan *plan, struct error *err)
{
    struct complaints c = {.first = err};
    check_all(plan, &c);
    return c.refused ? -1 : 0;
}

size_t plan_remarks(const struct test_plan *plan, struct plan_remark *ret, size_t max)
{
    struct complaints c = {.all = ret, .max = max};
    check_all(plan, &c);
    remark_power_rules(plan, &c);
    return c.len;
}
