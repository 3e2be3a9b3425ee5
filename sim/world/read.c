/* The supply's group. Each key and its default: docs/simulator.md. */
#include "sim/world/inside.h"

#include "daemon/base/text.h"
#include "daemon/base/units.h"

#include <stdio.h>

#define AT(type, member) offsetof(struct type, member)
#define ROWS(table)      table, sizeof table / sizeof table[0]

int numbers_read(struct tree_at group, const struct number_row *rows, size_t count, void *base, struct error *err)
{
    for (size_t i = 0; i < count; i++)
        if (tree_want_number(group, rows[i].key, rows[i].min, rows[i].max,
                             (double *)(void *)((char *)base + rows[i].offset), err) < 0)
            return -1;
    return 0;
}

int times_read(struct tree_at group, const struct time_row *rows, size_t count, void *base, struct error *err)
{
    for (size_t i = 0; i < count; i++)
        if (tree_want_duration(group, rows[i].key, rows[i].min_us, rows[i].max_us,
                               (int64_t *)(void *)((char *)base + rows[i].offset), err) < 0)
            return -1;
    return 0;
}

/* ---- contracts ---- */

static const char *const limit_words[LIMITS] = {
    [LIMIT_CONSTANT_CURRENT] = "constant-current",
    [LIMIT_FOLDBACK] = "foldback",
    [LIMIT_CONSTANT_POWER] = "constant-power",
    [LIMIT_HICCUP] = "hiccup",
    [LIMIT_LATCH_OFF] = "latch-off",
    [LIMIT_HARD_RESET] = "hard-reset",
    [LIMIT_FALL_BACK] = "fall-back",
};

static int contract_read(struct tree_at group, struct contract *ret, struct error *err)
{
    static const struct number_row optional[] = {
        {"error_percent", AT(contract, error_percent), -30, 30},
        {"limit_ratio", AT(contract, limit_ratio), 0.2, 5},
    };
    if (tree_need_number(group, "volts", 0.5, 60, &ret->volts, err) < 0 ||
        tree_need_number(group, "amps", 0.01, 100, &ret->amps, err) < 0 ||
        numbers_read(group, ROWS(optional), ret, err) < 0 ||
        tree_want_word(group, "limit", limit_words, LIMITS, &ret->behaviour, err) < 0)
        return -1;
    ret->programmable = tree_has(group, "max_volts");
    ret->max_volts = ret->volts;
    return tree_want_number(group, "max_volts", ret->volts, 60, &ret->max_volts, err);
}

static int contracts_read(struct tree_at group, struct port_setup *ret, struct error *err)
{
    struct tree_at list;
    int behaviour = LIMIT_HICCUP;
    if (tree_want_word(group, "limit", limit_words, LIMITS, &behaviour, err) < 0 ||
        tree_need_list(group, "contracts", 1, WORLD_CONTRACTS_MAX, &list, err) < 0)
        return -1;
    ret->contracts_len = tree_count(list);
    for (size_t i = 0; i < ret->contracts_len; i++) {
        ret->contracts[i] = (struct contract){.limit_ratio = ret->limit_ratio, .behaviour = behaviour};
        if (contract_read(tree_member(list, i), &ret->contracts[i], err) < 0)
            return -1;
    }
    if (ret->contracts[0].programmable)
        return tree_refuse(tree_member(list, 0), err,
                           "is programmable, expected a fixed voltage: the first contract is the default one");
    return 0;
}

/* ---- ports ---- */

static struct port_setup port_default(size_t index)
{
    struct port_setup s = {
        .connector = CONNECTOR_USB_C,
        .output_ohms = 0.030,
        .ripple_volts = 0.004,
        .capacitance_farads = 0.0008,
        .limit_ratio = 1.15,
        .limit_drift_percent_per_kelvin = -0.05,
        .peak_ratio = 1.5,
        .foldback_ratio = 0.3,
        .blanking_us = 15000,
        .hiccup_on_us = 20000,
        .hiccup_off_us = 480000,
        .selection_us = 90000,
        .settle_us = 25000,
        .attach_us = 150000,
        .capabilities_us = 250000,
        .reset_hold_us = 30000,
        .recover_us = 800000,
        .slew_volts_per_s = 100.0,
        .transition_ratio = 0.5,
        .bleed_ohms = 2200.0,
        .discharge_ohms = 60.0,
        .cable_amps = 5.0,
        .board_watts = 0.05,
        .board_brown_out_volts = 3.4,
        .attached = true,
        .latch_clears_at_detach = true,
        .share_percent = 50.0,
        .joint_us = 8000000,
    };
    snprintf(s.name, sizeof s.name, "port-%zu", index + 1);
    return s;
}

static const struct number_row port_numbers[] = {
    {"output_ohms", AT(port_setup, output_ohms), 0.002, 5},
    {"compensation_ohms", AT(port_setup, compensation_ohms), 0, 1},
    {"ripple_volts", AT(port_setup, ripple_volts), 0, 2},
    {"capacitance_farads", AT(port_setup, capacitance_farads), 1e-5, 0.1},
    {"limit_ratio", AT(port_setup, limit_ratio), 0.2, 5},
    {"limit_drift_percent_per_kelvin", AT(port_setup, limit_drift_percent_per_kelvin), -1, 1},
    {"peak_ratio", AT(port_setup, peak_ratio), 1, 5},
    {"foldback_ratio", AT(port_setup, foldback_ratio), 0.01, 1},
    {"slew_volts_per_s", AT(port_setup, slew_volts_per_s), 20, 30000},
    {"transition_ratio", AT(port_setup, transition_ratio), 0.05, 1},
    {"bleed_ohms", AT(port_setup, bleed_ohms), 10, 1e6},
    {"discharge_ohms", AT(port_setup, discharge_ohms), 1, 1000},
    {"cable_amps", AT(port_setup, cable_amps), 0, 10},
    {"board_watts", AT(port_setup, board_watts), 0, 2},
    {"board_brown_out_volts", AT(port_setup, board_brown_out_volts), 0.8, 4.5},
    {"joint_ohms", AT(port_setup, joint_ohms), 0, 5},
    {"dryness", AT(port_setup, dryness), 0, 1},
    {"share_percent", AT(port_setup, share_percent), 1, 100},
};

/* The windows of attach, capabilities and hard reset are those of USB PD and Type-C. */
static const struct time_row port_times[] = {
    {"blanking", AT(port_setup, blanking_us), 200, 10 * US_PER_S},
    {"hiccup_on", AT(port_setup, hiccup_on_us), 500, 60 * US_PER_S},
    {"hiccup_off", AT(port_setup, hiccup_off_us), 1000, 60 * US_PER_S},
    {"selection", AT(port_setup, selection_us), 10000, 500000},
    {"settle", AT(port_setup, settle_us), 1000, 275000},
    {"attach_time", AT(port_setup, attach_us), 100000, 200000},
    {"capabilities_time", AT(port_setup, capabilities_us), 100000, 400000},
    {"reset_hold", AT(port_setup, reset_hold_us), 25000, 35000},
    {"recover", AT(port_setup, recover_us), 660000, 1000000},
    {"joint_time", AT(port_setup, joint_us), 1000, 24 * 3600 * US_PER_S},
    {"contract_intermittent", AT(port_setup, intermittent_us), 10000, 24 * 3600 * US_PER_S},
};

static int port_read(struct tree_at group, struct port_setup *ret, struct error *err)
{
    static const char *const connectors[] = {"usb-c", "fixed"};
    if (tree_want_text(group, "name", ret->name, sizeof ret->name, err) < 0 ||
        tree_want_word(group, "connector", connectors, 2, &ret->connector, err) < 0 ||
        numbers_read(group, ROWS(port_numbers), ret, err) < 0 || times_read(group, ROWS(port_times), ret, err) < 0 ||
        tree_want_bool(group, "attached", &ret->attached, err) < 0 ||
        tree_want_bool(group, "board_asks_again", &ret->board_asks_again, err) < 0 ||
        tree_want_bool(group, "latch_clears_at_detach", &ret->latch_clears_at_detach, err) < 0)
        return -1;
    return contracts_read(group, ret, err);
}

static int ports_read(struct tree_at group, struct world *ret, struct error *err)
{
    struct tree_at list;
    if (tree_need_list(group, "ports", 1, WORLD_PORTS_MAX, &list, err) < 0)
        return -1;
    ret->ports_len = tree_count(list);
    for (size_t i = 0; i < ret->ports_len; i++) {
        ret->ports[i].set = port_default(i);
        if (port_read(tree_member(list, i), &ret->ports[i].set, err) < 0)
            return -1;
    }
    return 0;
}

/* ---- the supply as a whole ---- */

static struct supply supply_default(void)
{
    return (struct supply){
        .name = "unnamed",
        .budget_watts = 1000.0,
        .budget_ratio = 1.2,
        .budget_rule = BUDGET_TRIP,
        .start_us = 300000,
        .no_load_watts = 0.06,
        .proportional_percent = 5.5,
        .conduction_ohms = 0.20,
        .conduction_percent_per_kelvin = 0.4,
        .line_loss_percent = 12.0,
        .line_minimum_volts = 80.0,
        .line_derate_volts = 100.0,
        .line_derate_percent = 60.0,
        .burst_watts = 1.0,
        .power_factor = 0.62,
        .bulk_joules = 2.5,
        .shutdown_celsius = 125.0,
        .restart_celsius = 90.0,
        .throttle_celsius = 1000.0,
        .throttle_percent = 60.0,
        .heat =
            {
                .capacity = {15, 10, 30, 12, 45, 45, 8},
                .to_top = {0.06, 0.05, 0.05, 0.04},
                .to_bottom = {0.05, 0.05, 0.04, 0.03},
                .hot_to_capacitor = 0.02,
                .hot_to_transformer = 0.04,
                .secondary_to_transformer = 0.04,
                .secondary_to_shell = 0.03,
                .share = {0.45, 0.25, 0.22, 0.08},
                .case_square_metres = 0.022,
                .convection = 1.6,
                .emissivity = 0.9,
                .shell_watts_per_kelvin = 0.01,
                .opened_watts_per_kelvin = 0.04,
            },
    };
}

static const struct number_row supply_numbers[] = {
    {"budget_watts", AT(supply, budget_watts), 1, 5000},
    {"budget_ratio", AT(supply, budget_ratio), 1, 3},
    {"no_load_watts", AT(supply, no_load_watts), 0, 20},
    {"proportional_percent", AT(supply, proportional_percent), 0, 50},
    {"conduction_ohms", AT(supply, conduction_ohms), 0, 5},
    {"conduction_percent_per_kelvin", AT(supply, conduction_percent_per_kelvin), 0, 5},
    {"line_loss_percent", AT(supply, line_loss_percent), 0, 100},
    {"line_minimum_volts", AT(supply, line_minimum_volts), 20, 250},
    {"line_derate_volts", AT(supply, line_derate_volts), 0, 264},
    {"line_derate_percent", AT(supply, line_derate_percent), 0, 100},
    {"burst_watts", AT(supply, burst_watts), 0.001, 50},
    {"power_factor", AT(supply, power_factor), 0.2, 1},
    {"bulk_joules", AT(supply, bulk_joules), 0.01, 1000},
    {"shutdown_celsius", AT(supply, shutdown_celsius), 40, 1000},
    {"restart_celsius", AT(supply, restart_celsius), 20, 1000},
    {"throttle_celsius", AT(supply, throttle_celsius), 40, 1000},
    {"throttle_percent", AT(supply, throttle_percent), 5, 100},
};

#define HEAT(member) offsetof(struct supply, heat.member)
static const struct number_row heat_numbers[] = {
    {"hot_joules_per_kelvin", HEAT(capacity[HEAT_HOT]), 2, 1e5},
    {"secondary_joules_per_kelvin", HEAT(capacity[HEAT_SECONDARY]), 2, 1e5},
    {"transformer_joules_per_kelvin", HEAT(capacity[HEAT_TRANSFORMER]), 2, 1e5},
    {"capacitor_joules_per_kelvin", HEAT(capacity[HEAT_CAPACITOR]), 2, 1e5},
    {"top_joules_per_kelvin", HEAT(capacity[HEAT_TOP]), 2, 1e5},
    {"bottom_joules_per_kelvin", HEAT(capacity[HEAT_BOTTOM]), 2, 1e5},
    {"shell_joules_per_kelvin", HEAT(capacity[HEAT_SHELL]), 2, 1e5},
    {"hot_to_top_watts_per_kelvin", HEAT(to_top[HEAT_HOT]), 0, 1},
    {"secondary_to_top_watts_per_kelvin", HEAT(to_top[HEAT_SECONDARY]), 0, 1},
    {"transformer_to_top_watts_per_kelvin", HEAT(to_top[HEAT_TRANSFORMER]), 0, 1},
    {"capacitor_to_top_watts_per_kelvin", HEAT(to_top[HEAT_CAPACITOR]), 0, 1},
    {"hot_to_bottom_watts_per_kelvin", HEAT(to_bottom[HEAT_HOT]), 0, 1},
    {"secondary_to_bottom_watts_per_kelvin", HEAT(to_bottom[HEAT_SECONDARY]), 0, 1},
    {"transformer_to_bottom_watts_per_kelvin", HEAT(to_bottom[HEAT_TRANSFORMER]), 0, 1},
    {"capacitor_to_bottom_watts_per_kelvin", HEAT(to_bottom[HEAT_CAPACITOR]), 0, 1},
    {"hot_to_capacitor_watts_per_kelvin", HEAT(hot_to_capacitor), 0, 1},
    {"hot_to_transformer_watts_per_kelvin", HEAT(hot_to_transformer), 0, 1},
    {"secondary_to_transformer_watts_per_kelvin", HEAT(secondary_to_transformer), 0, 1},
    {"secondary_to_shell_watts_per_kelvin", HEAT(secondary_to_shell), 0, 1},
    {"hot_share", HEAT(share[HEAT_HOT]), 0, 1},
    {"secondary_share", HEAT(share[HEAT_SECONDARY]), 0, 1},
    {"transformer_share", HEAT(share[HEAT_TRANSFORMER]), 0, 1},
    {"capacitor_share", HEAT(share[HEAT_CAPACITOR]), 0, 1},
    {"case_square_metres", HEAT(case_square_metres), 0.001, 2},
    {"convection", HEAT(convection), 0.1, 50},
    {"emissivity", HEAT(emissivity), 0, 1},
    {"shell_watts_per_kelvin", HEAT(shell_watts_per_kelvin), 0, 1},
    {"opened_watts_per_kelvin", HEAT(opened_watts_per_kelvin), 0, 1},
};

static int heat_read(struct tree_at supply, struct supply *ret, struct error *err)
{
    static const char *const orientations[] = {"standing", "flat", "wall"};
    struct tree_at group;
    const double *share = ret->heat.share;
    if (!tree_has(supply, "thermal"))
        return 0;
    if (tree_need_group(supply, "thermal", &group, err) < 0 || numbers_read(group, ROWS(heat_numbers), ret, err) < 0 ||
        tree_want_word(group, "orientation", orientations, 3, &ret->heat.orientation, err) < 0)
        return -1;
    double sum = share[HEAT_HOT] + share[HEAT_SECONDARY] + share[HEAT_TRANSFORMER] + share[HEAT_CAPACITOR];
    if (fabs(sum - 1.0) > 0.001)
        return tree_refuse(
            group, err,
            "has shares that add up to %.3f, expected hot, secondary, transformer and capacitor share to make 1", sum);
    return 0;
}

int supply_read(struct tree_at group, struct world *ret, struct error *err)
{
    static const char *const rules[] = {"trip", "withdraw", "less"};
    static const struct time_row times[] = {{"start_time", AT(supply, start_us), 10000, 10 * US_PER_S}};
    struct supply *s = &ret->supply;
    *s = supply_default();
    if (tree_want_text(group, "name", s->name, sizeof s->name, err) < 0 ||
        numbers_read(group, ROWS(supply_numbers), s, err) < 0 || times_read(group, ROWS(times), s, err) < 0 ||
        tree_want_word(group, "budget", rules, 3, &s->budget_rule, err) < 0 || heat_read(group, s, err) < 0)
        return -1;
    if (s->restart_celsius >= s->shutdown_celsius)
        return tree_refuse(group, err, "restarts at %.1f celsius, expected less than its shutdown_celsius (%.1f)",
                           s->restart_celsius, s->shutdown_celsius);
    return ports_read(group, ret, err);
}
