#include "daemon/serve/shown.h"

#include "daemon/base/units.h"
#include "daemon/wire/wire.h"

#include <math.h>
#include <string.h>

static const char *port_name(const struct test_plan *plan, int port)
{
    return port >= 0 && (size_t)port < plan->supply.ports_len ? plan->supply.ports[port].name : "";
}

static void add_contract(json_t *to, const struct test_plan *plan, int port, int contract)
{
    if (port < 0 || (size_t)port >= plan->supply.ports_len || contract < 0 || (size_t)contract >= plan->supply.ports[port].contracts_len)
        return;
    const struct supply_contract *c = &plan->supply.ports[port].contracts[contract];
    json_object_set_new(to, "volts", wire_number(c->volts));
    json_object_set_new(to, "amps", wire_number(c->amps));
}

json_t *shown_progress(struct station *station, const struct test_plan *plan, int64_t now_us)
{
    struct run_progress p = {.stage = -1};
    if (!station_run(station))
        return json_null();
    run_progress(station_run(station), now_us, &p);
    json_t *json = json_pack("{s:i, s:s, s:s, s:i, s:s, s:i, s:f, s:f, s:b, s:b, s:b, s:o}", "stage", p.stage, "stage_name",
                             p.stage_name ? p.stage_name : "", "doing", p.doing ? p.doing : "", "port", p.port, "port_name",
                             port_name(plan, p.port), "contract", p.contract, "fraction", isfinite(p.fraction) ? p.fraction : 0.0, "remaining_s",
                             (double)p.remaining_us / US_PER_S, "input_on", p.input_on, "held", p.held, "asking", p.asking, "question",
                             wire_text(p.question));
    if (json)
        add_contract(json, plan, p.port, p.contract);
    return json;
}

json_t *shown_latest(struct station *station, const struct test_plan *plan)
{
    json_t *list = json_array();
    for (int port = 0; port < PORTS_MAX; port++) {
        const struct reading *latest = station_latest(station, port);
        json_t *json = latest ? wire_reading(latest, 0) : NULL;
        if (!json)
            continue;
        json_object_del(json, "seq");
        json_object_set_new(json, "port_name", wire_text(plan ? port_name(plan, port) : ""));
        json_array_append_new(list, json);
    }
    return list;
}

static json_t *lacks_of(const struct dialect *dialect)
{
    json_t *list = json_array();
    const char *lack;
    for (size_t i = 0; dialect && (lack = dialect_lacks(dialect, i)); i++)
        json_array_append_new(list, wire_text(lack));
    return list;
}

static json_t *instrument(const struct bench_instrument *plan, const struct bench_state *state, const struct shown_line *line, int64_t now_us)
{
    double silent_s = state->answered_us == NEVER_US ? NAN : (double)(now_us - state->answered_us) / US_PER_S;
    char address[sizeof plan->address + 16] = "";
    strcat(strcat(strcat(address, link_kind_name(plan->link)), ":"), plan->address);
    json_t *json = json_pack("{s:s, s:s, s:o, s:s, s:o, s:o, s:b, s:b, s:b, s:b, s:b, s:b, s:o}", "name", plan->name, "role",
                             instrument_role_name(plan->role), "address", wire_text(address), "dialect", plan->dialect, "identity",
                             wire_text(state->identity), "trouble", wire_text(state->trouble[0] ? state->trouble : line->trouble), "open", line->open,
                             "up", state->up, "identified", state->identified, "input_known", state->input_known, "protections_set",
                             state->protections_set, "communications_timeout_set", state->communications_timeout_set, "silent_s", wire_number(silent_s));
    if (json && plan->role == ROLE_LOAD)
        json_object_set_new(json, "input_on", state->input_known ? json_boolean(state->input_on) : json_null());
    if (json)
        json_object_set_new(json, "counts", json_pack("{s:I, s:I, s:I, s:I}", "answers", (json_int_t)state->answers, "timeouts", (json_int_t)state->timeouts,
                                                      "resyncs", (json_int_t)state->resyncs, "garbage", (json_int_t)state->garbage));
    return json;
}

json_t *shown_instruments(struct station *station, const struct bench_plan *bench, const struct dialect *const dialects[],
                          const struct shown_line lines[], int64_t now_us)
{
    json_t *list = json_array();
    for (size_t i = 0; i < bench->instruments_len; i++) {
        struct bench_state state = {.answered_us = NEVER_US};
        int line = station_line_of(station, i);
        bench_instrument_state(station_bench(station), i, &state);
        json_t *json = instrument(&bench->instruments[i], &state, &lines[line < 0 ? 0 : line], now_us);
        if (!json)
            continue;
        json_object_set_new(json, "line", json_integer(line));
        json_object_set_new(json, "lacks", lacks_of(dialects[i]));
        json_array_append_new(list, json);
    }
    return list;
}

void shown_facts(struct station *station, const struct bench_plan *bench, struct ways_facts *ret)
{
    int mains_line = bench->mains >= 0 ? station_line_of(station, (size_t)bench->mains) : -1;
    *ret = (struct ways_facts){.mains = bench->mains >= 0, .mains_other_line = true, .load_timeout = true, .cutoff = bench->hardware_cutoff};
    for (size_t i = 0; i < bench->instruments_len; i++) {
        struct bench_state state = {.answered_us = NEVER_US};
        if (bench->instruments[i].role != ROLE_LOAD)
            continue;
        bench_instrument_state(station_bench(station), i, &state);
        ret->has_load = true;
        ret->load_timeout = ret->load_timeout && state.communications_timeout_set;
        if (station_line_of(station, i) == mains_line)
            ret->mains_other_line = false;
    }
}
