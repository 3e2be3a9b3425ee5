/* The supply file: what the label promises. */
#include "daemon/plan/plan_own.h"

#include "daemon/base/text.h"

#include <math.h>
#include <string.h>

/* Contracts are told apart in files by their volts: nobody writes the sixth decimal of them. */
#define SAME_VOLTS 0.005
#define SAME_AMPS  0.0005

static const double connector_amps[CONNECTORS] = {
    [CONNECTOR_USB_C] = 5.0, [CONNECTOR_USB_A] = 3.0, [CONNECTOR_BARREL] = 5.0, [CONNECTOR_TERMINALS] = 20.0};

/* Default window: 0.95 to 1.05 of nominal at the receptacle, for USB-C the vSrcNew of fixed supplies (USB PD R3.2, table 4.6); for
 * others the same +-5 % by common practice. */
static int read_window(struct tree_at at, struct supply_contract *ret, struct error *err)
{
    ret->low_volts = 0.95 * ret->volts;
    ret->high_volts = 1.05 * ret->volts;
    if (tree_want_number(at, "low_volts", 0.0, 150.0, &ret->low_volts, err) < 0
        || tree_want_number(at, "high_volts", 0.0, 150.0, &ret->high_volts, err) < 0)
        return -1;
    if (!(ret->low_volts < ret->volts && ret->volts < ret->high_volts))
        return tree_refuse(at, err, "has the window %.3f to %.3f V, expected one around its %.3f V", ret->low_volts, ret->high_volts, ret->volts);
    return 0;
}

static int read_contract(struct tree_at at, struct supply_contract *ret, struct error *err)
{
    ret->line_no = tree_line(at);
    if (tree_need_number(at, "volts", 0.5, 120.0, &ret->volts, err) < 0 || tree_need_number(at, "amps", 0.01, 100.0, &ret->amps, err) < 0
        || read_window(at, ret, err) < 0 || tree_want_bool(at, "programmable", &ret->programmable, err) < 0)
        return -1;
    return 0;
}

static bool same_contract(const struct supply_contract *a, const struct supply_contract *b)
{
    return fabs(a->volts - b->volts) < SAME_VOLTS && fabs(a->amps - b->amps) < SAME_AMPS && a->programmable == b->programmable;
}

static int read_contracts(struct tree_at port_at, struct supply_port *ret, struct error *err)
{
    struct tree_at list;
    if (tree_need_list(port_at, "contracts", 1, CONTRACTS_MAX, &list, err) < 0)
        return -1;
    for (size_t i = 0; i < tree_count(list); i++) {
        struct tree_at at = tree_member(list, i);
        if (read_contract(at, &ret->contracts[i], err) < 0)
            return -1;
        for (size_t j = 0; j < i; j++)
            if (same_contract(&ret->contracts[i], &ret->contracts[j]))
                return tree_refuse(at, err, "is the contract of line %d once more, expected each once", ret->contracts[j].line_no);
        ret->contracts_len = i + 1;
    }
    return 0;
}

static int read_port(struct tree_at at, struct supply_port *ret, struct error *err)
{
    int connector;
    ret->line_no = tree_line(at);
    if (tree_need_name(at, "name", ret->name, sizeof ret->name, err) < 0
        || tree_need_word(at, "connector", connector_words, CONNECTORS, &connector, err) < 0)
        return -1;
    ret->connector = (enum connector)connector;
    ret->connector_amps = connector_amps[connector];
    if (tree_want_number(at, "connector_amps", 0.1, 200.0, &ret->connector_amps, err) < 0)
        return -1;
    return read_contracts(at, ret, err);
}

static int read_ports(struct tree_at supply_at, struct supply_plan *ret, struct error *err)
{
    struct tree_at list;
    if (tree_need_list(supply_at, "ports", 1, PORTS_MAX, &list, err) < 0)
        return -1;
    for (size_t i = 0; i < tree_count(list); i++) {
        struct tree_at at = tree_member(list, i);
        if (read_port(at, &ret->ports[i], err) < 0)
            return -1;
        for (size_t j = 0; j < i; j++)
            if (strcmp(ret->ports[i].name, ret->ports[j].name) == 0)
                return tree_refuse(at, err, "is named \"%s\", expected a name of its own (line %d has it)", ret->ports[i].name,
                                   ret->ports[j].line_no);
        ret->ports_len = i + 1;
    }
    return 0;
}

/* ---- combinations ---- */

static int find_port(struct tree_at at, const struct supply_plan *supply, int *ret, struct error *err)
{
    char name[NAME_SIZE], known[300] = "";
    if (tree_need_name(at, "port", name, sizeof name, err) < 0)
        return -1;
    for (size_t i = 0; i < supply->ports_len; i++) {
        if (strcmp(supply->ports[i].name, name) == 0) {
            *ret = (int)i;
            return 0;
        }
        text_add(known, sizeof known, "%s%s", known[0] ? ", " : "", supply->ports[i].name);
    }
    return tree_refuse(at, err, "port is \"%s\", expected one of: %s", name, known);
}

/* amps NAN: by volts alone. */
static int find_contract(struct tree_at at, const struct supply_port *port, double volts, double amps, int *ret, struct error *err)
{
    int found = -1;
    for (size_t i = 0; i < port->contracts_len; i++) {
        const struct supply_contract *one = &port->contracts[i];
        if (fabs(one->volts - volts) >= SAME_VOLTS || (!isnan(amps) && fabs(one->amps - amps) >= SAME_AMPS))
            continue;
        if (found >= 0)
            return tree_refuse(at, err, "is %.3f V, which port \"%s\" has twice (lines %d and %d), expected amps beside it", volts, port->name,
                               port->contracts[found].line_no, one->line_no);
        found = (int)i;
    }
    if (found < 0)
        return tree_refuse(at, err, "asks for %.3f V, expected a contract that port \"%s\" (line %d) lists", volts, port->name, port->line_no);
    *ret = found;
    return 0;
}

static int read_combination(struct tree_at list, const struct supply_plan *supply, struct supply_combination *ret, struct error *err)
{
    for (size_t i = 0; i < PORTS_MAX; i++)
        ret->contract[i] = -1;
    for (size_t i = 0; i < tree_count(list); i++) {
        struct tree_at at = tree_member(list, i);
        int port = 0, contract = 0;
        double volts, amps = NAN;
        if (find_port(at, supply, &port, err) < 0 || tree_need_number(at, "volts", 0.5, 120.0, &volts, err) < 0
            || tree_want_number(at, "amps", 0.01, 100.0, &amps, err) < 0
            || find_contract(at, &supply->ports[port], volts, amps, &contract, err) < 0)
            return -1;
        if (ret->contract[port] >= 0)
            return tree_refuse(at, err, "names port \"%s\" again, expected each port once", supply->ports[port].name);
        ret->contract[port] = contract;
    }
    return 0;
}

static int read_combinations(struct tree_at supply_at, struct supply_plan *ret, struct error *err)
{
    struct tree_at list, members;
    if (!tree_has(supply_at, "combinations"))
        return 0;
    if (tree_need_list(supply_at, "combinations", 1, COMBINATIONS_MAX, &list, err) < 0)
        return -1;
    for (size_t i = 0; i < tree_count(list); i++) {
        struct tree_at at = tree_member(list, i);
        if (tree_need_list(at, "together", 2, PORTS_MAX, &members, err) < 0 || read_combination(members, ret, &ret->combinations[i], err) < 0)
            return -1;
        ret->combination_lines[i] = tree_line(at);
        ret->combinations_len = i + 1;
    }
    return 0;
}

static int read_total_watts(struct tree_at at, struct supply_plan *ret, struct error *err)
{
    ret->total_watts_line = tree_line_of(at, "total_watts");
    return tree_need_number(at, "total_watts", 0.1, 10000.0, &ret->total_watts, err);
}

int supply_plan_read(struct tree *tree, struct supply_plan *ret, struct error *err)
{
    struct supply_plan supply = {.max_no_load_percent = 5.0};
    struct tree_at at;
    text_cut(supply.file, sizeof supply.file, tree_file(tree));
    if (tree_need_group(tree_root(tree), "supply", &at, err) < 0 || tree_need_text(at, "name", supply.name, sizeof supply.name, err) < 0
        || tree_want_text(at, "model", supply.model, sizeof supply.model, err) < 0
        || tree_want_text(at, "serial", supply.serial, sizeof supply.serial, err) < 0
        || tree_want_text(at, "firmware", supply.firmware, sizeof supply.firmware, err) < 0 || read_total_watts(at, &supply, err) < 0
        || tree_want_number(at, "max_no_load_percent", 0.5, 20.0, &supply.max_no_load_percent, err) < 0 || read_ports(at, &supply, err) < 0
        || read_combinations(at, &supply, err) < 0 || tree_all_taken(tree, err) < 0)
        return -1;
    *ret = supply;
    return 0;
}
