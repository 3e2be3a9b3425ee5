/* Joining bench, supply and profile into one test plan, by default or as the start of a run asks for it. */
#include "daemon/plan/plan_own.h"

#include "daemon/base/units.h"

#include <jansson.h>
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

static void choose_all(struct test_plan *plan)
{
    memset(plan->contract_chosen, 0, sizeof plan->contract_chosen);
    for (size_t port = 0; port < plan->supply.ports_len; port++)
        for (size_t i = 0; i < plan->supply.ports[port].contracts_len; i++)
            plan->contract_chosen[port][i] = plan_seat_of_port(plan, (int)port) >= 0;
}

/* What a profile leaves open: an operator at the buttons is slower than a selector; a ladder has the rungs that the bench has. */
static void fit_to_bench(struct test_plan *plan)
{
    bool operator_selects = false, selector = false;
    for (size_t i = 0; i < plan->bench.seats_len; i++) {
        operator_selects |= plan->port_of_seat[i] >= 0 && plan->bench.seats[i].selector < 0;
        selector |= plan->port_of_seat[i] >= 0 && plan->bench.seats[i].selector >= 0;
    }
    if (!plan->profile.select_timeout_stated)
        plan->profile.select_timeout_us = (operator_selects ? 300 : 2) * US_PER_S;
    for (size_t i = 0; i < plan->profile.stages_len; i++) {
        struct profile_stage *stage = &plan->profile.stages[i];
        if (stage->kind != STAGE_RECOVER || stage->rungs_stated)
            continue;
        stage->rungs = (1u << RUNGS) - 1;
        stage->rungs &= selector ? ~0u : ~(1u << RUNG_DETACH);
        stage->rungs &= plan->bench.mains >= 0 ? ~0u : ~(1u << RUNG_MAINS);
    }
}

void test_plan_make(const struct bench_plan *bench, const struct supply_plan *supply, const struct profile_plan *profile, struct test_plan *ret)
{
    memset(ret, 0, sizeof *ret);
    ret->bench = *bench;
    ret->supply = *supply;
    ret->profile = *profile;
    ret->seed = 1;
    for (size_t i = 0; i < PORTS_MAX; i++)
        ret->port_of_seat[i] = i < bench->seats_len && i < supply->ports_len ? (int)i : -1;
    choose_all(ret);
    fit_to_bench(ret);
}

/* ---- from RPC params ---- */

static int index_of_seat(const struct bench_plan *bench, const char *name)
{
    for (size_t i = 0; i < bench->seats_len; i++)
        if (strcmp(bench->seats[i].name, name) == 0)
            return (int)i;
    return -1;
}

static int index_of_port(const struct supply_plan *supply, const char *name)
{
    for (size_t i = 0; name && i < supply->ports_len; i++)
        if (strcmp(supply->ports[i].name, name) == 0)
            return (int)i;
    return -1;
}

static int apply_seats(const json_t *seats, struct test_plan *plan, struct error *err)
{
    const char *seat_name;
    json_t *value, *walked = (json_t *)(uintptr_t)seats; /* jansson's iterator wants it so; nothing is changed */
    if (!seats)
        return 0;
    if (!json_is_object(seats))
        return error_set(err, ERROR_PROTOCOL, "seats is no object, expected {\"seat name\": \"port name\"}");
    for (size_t i = 0; i < PORTS_MAX; i++)
        plan->port_of_seat[i] = -1;
    json_object_foreach(walked, seat_name, value) {
        int seat = index_of_seat(&plan->bench, seat_name), port = index_of_port(&plan->supply, json_string_value(value));
        if (seat < 0)
            return error_set(err, ERROR_FILE, "%s:0: no seat \"%.63s\", expected one that the bench file lists", plan->bench.file, seat_name);
        if (port < 0)
            return error_set(err, ERROR_FILE, "%s:0: no port \"%.63s\" for seat \"%s\", expected one that the supply file lists", plan->supply.file,
                             json_is_string(value) ? json_string_value(value) : "?", plan->bench.seats[seat].name);
        plan->port_of_seat[seat] = port;
    }
    return 0;
}

/* Volts and amps as the file has them; several contracts of the same volts are all meant unless amps tell them apart. */
static int choose(const json_t *one, struct test_plan *plan, struct error *err)
{
    const json_t *volts = json_object_get(one, "volts"), *amps = json_object_get(one, "amps");
    const char *name = json_string_value(json_object_get(one, "port"));
    size_t found = 0;
    if (!name || !json_is_number(volts) || (amps && !json_is_number(amps)))
        return error_set(err, ERROR_PROTOCOL, "contracts has a member that is not understood, expected {\"port\": \"C1\", \"volts\": 9.0}");
    int port = index_of_port(&plan->supply, name);
    if (port < 0)
        return error_set(err, ERROR_FILE, "%s:0: no port \"%.63s\", expected one that the supply file lists", plan->supply.file, name);
    for (size_t i = 0; i < plan->supply.ports[port].contracts_len; i++) {
        const struct supply_contract *contract = &plan->supply.ports[port].contracts[i];
        if (fabs(contract->volts - json_number_value(volts)) >= 0.005 || (amps && fabs(contract->amps - json_number_value(amps)) >= 0.0005))
            continue;
        plan->contract_chosen[port][i] = true;
        found++;
    }
    if (found == 0)
        return error_set(err, ERROR_FILE, "%s:%d: no contract of %.3f V on port \"%s\", expected one that it lists", plan->supply.file,
                         plan->supply.ports[port].line_no, json_number_value(volts), plan->supply.ports[port].name);
    return 0;
}

static int apply_contracts(const json_t *contracts, struct test_plan *plan, struct error *err)
{
    choose_all(plan);
    if (!contracts)
        return 0;
    if (!json_is_array(contracts))
        return error_set(err, ERROR_PROTOCOL, "contracts is no array, expected [{\"port\": \"C1\", \"volts\": 9.0}]");
    memset(plan->contract_chosen, 0, sizeof plan->contract_chosen);
    for (size_t i = 0; i < json_array_size(contracts); i++)
        if (choose(json_array_get(contracts, i), plan, err) < 0)
            return -1;
    return 0;
}

static int apply_seed(const json_t *seed, struct test_plan *plan, struct error *err)
{
    if (!seed)
        return 0;
    if (!json_is_integer(seed) || json_integer_value(seed) < 0)
        return error_set(err, ERROR_PROTOCOL, "seed is no integer from 0 upwards");
    plan->seed = (uint64_t)json_integer_value(seed);
    return 0;
}

static int read_supply(const json_t *params, struct supply_plan *ret, struct error *err)
{
    const json_t *document = json_object_get(params, "supply");
    if (!document)
        return error_set(err, ERROR_PROTOCOL, "params lack supply, expected a supply file as JSON");
    struct tree *tree = tree_read_json(document, err);
    int result = tree ? supply_plan_read(tree, ret, err) : -1;
    tree_free(tree);
    return result;
}

static int read_profile(const json_t *params, struct profile_plan *ret, struct error *err)
{
    const json_t *document = json_object_get(params, "profile");
    if (!document)
        return error_set(err, ERROR_PROTOCOL, "params lack profile, expected a profile file as JSON");
    struct tree *tree = tree_read_json(document, err);
    int result = tree ? profile_plan_read(tree, ret, err) : -1;
    tree_free(tree);
    return result;
}

static int fill(const json_t *params, struct test_plan *plan, struct error *err)
{
    if (read_supply(params, &plan->supply, err) < 0 || read_profile(params, &plan->profile, err) < 0)
        return -1;
    struct supply_plan supply = plan->supply;
    struct profile_plan profile = plan->profile;
    struct bench_plan bench = plan->bench;
    test_plan_make(&bench, &supply, &profile, plan);
    if (apply_seats(json_object_get(params, "seats"), plan, err) < 0 || apply_contracts(json_object_get(params, "contracts"), plan, err) < 0
        || apply_seed(json_object_get(params, "seed"), plan, err) < 0)
        return -1;
    fit_to_bench(plan); /* once more: the seats may be others now */
    return plan_check(plan, err);
}

int test_plan_from_json(const json_t *params, const struct bench_plan *bench, struct test_plan *ret, struct error *err)
{
    if (!json_is_object(params))
        return error_set(err, ERROR_PROTOCOL, "params are no object, expected {\"supply\": ..., \"profile\": ...}");
    struct test_plan *plan = calloc(1, sizeof *plan);
    if (!plan)
        return error_set(err, ERROR_MEMORY, "no memory for a test plan");
    plan->bench = *bench;
    int result = fill(params, plan, err);
    if (result == 0)
        *ret = *plan;
    free(plan);
    return result;
}
