#include "daemon/terms/terms.h"

#include <string.h>

#define COUNT(table) (sizeof(table) / sizeof(table)[0])

static const char *const load_modes[] = {[LOAD_CURRENT] = "current", [LOAD_VOLTAGE] = "voltage", [LOAD_RESISTANCE] = "resistance"};
_Static_assert(COUNT(load_modes) == LOAD_MODES, "a load mode has no name");

static const char *const order_kinds[] = {
    [ORDER_LOAD_OFF] = "load-off", [ORDER_LOAD_ON] = "load-on", [ORDER_LOAD_SET] = "load-set", [ORDER_LOAD_PROTECT] = "load-protect",
    [ORDER_SELECT] = "select",     [ORDER_DETACH] = "detach",   [ORDER_ATTACH] = "attach",     [ORDER_MAINS_OFF] = "mains-off",
    [ORDER_MAINS_ON] = "mains-on", [ORDER_ASK] = "ask",         [ORDER_PACE] = "pace",         [ORDER_FINISH] = "finish"};
_Static_assert(COUNT(order_kinds) == ORDER_KINDS, "an order has no name");

static const char *const run_ends[] = {
    [RUN_DONE] = "done", [RUN_STOPPED] = "stopped", [RUN_TRIPPED] = "tripped", [RUN_FAULT] = "fault", [RUN_CRASHED] = "crashed"};
_Static_assert(COUNT(run_ends) == RUN_ENDS, "a run's end has no name");

static const char *const outcome_states[] = {
    [OUTCOME_DONE] = "done", [OUTCOME_FAILED] = "failed", [OUTCOME_UNCONFIRMED] = "unconfirmed"};
_Static_assert(COUNT(outcome_states) == OUTCOME_STATES, "an outcome has no name");

static const char *const finding_kinds[] = {
    [FINDING_DROOP] = "droop",
    [FINDING_OVER_VOLTAGE] = "over-voltage",
    [FINDING_SHUTDOWN] = "shutdown",
    [FINDING_HICCUP] = "hiccup",
    [FINDING_LATCH_OFF] = "latch-off",
    [FINDING_HARD_RESET] = "hard reset",
    [FINDING_CONTRACT_LOST] = "contract lost",
    [FINDING_CONSTANT_CURRENT] = "constant current",
    [FINDING_CONSTANT_POWER] = "constant power",
    [FINDING_FOLDBACK] = "foldback",
    [FINDING_COLLAPSED] = "collapsed",
    [FINDING_SENSE] = "sense wire",
    [FINDING_INSTRUMENT_STALE] = "instrument stale",
    [FINDING_INSTRUMENT_STUCK] = "instrument stuck",
    [FINDING_INSTRUMENT_NAN] = "instrument not-a-number",
    [FINDING_INSTRUMENT_RANGE] = "instrument over-range",
    [FINDING_INSTRUMENT_DISAGREES] = "instrument disagrees",
    [FINDING_INPUT_OFF] = "input found off",
    [FINDING_INPUT_ON] = "input found on",
    [FINDING_LINK] = "link",
    [FINDING_OVERLOAD] = "overload",
    [FINDING_UNCERTAIN] = "uncertain",
};
_Static_assert(COUNT(finding_kinds) == FINDING_KINDS, "a finding has no name");

static const char *const severities[] = {
    [SEVERITY_NOTE] = "note", [SEVERITY_WARNING] = "warning", [SEVERITY_TRIP] = "trip", [SEVERITY_ABORT] = "abort"};

static const char *const mark_kinds[] = {
    [MARK_STAGE_BEGIN] = "stage-begin", [MARK_STAGE_END] = "stage-end", [MARK_CONTRACT] = "contract", [MARK_IDLE] = "idle",
    [MARK_POINT] = "point",             [MARK_TRIED] = "tried",         [MARK_CAPACITY] = "capacity", [MARK_TRACE] = "trace",
    [MARK_LET_GO] = "let-go",           [MARK_RUNG] = "rung",           [MARK_HOLD] = "hold",         [MARK_RESUME] = "resume",
    [MARK_NOTE] = "note",               [MARK_GAP] = "gap"};
_Static_assert(COUNT(mark_kinds) == MARK_KINDS, "a mark has no name");

static const char *const rungs[] = {[RUNG_WAIT] = "by itself",
                                    [RUNG_REQUEST] = "contract requested again",
                                    [RUNG_DETACH] = "detached and attached",
                                    [RUNG_MAINS] = "mains off and on",
                                    [RUNG_OPERATOR] = "operator"};
_Static_assert(COUNT(rungs) == RUNGS, "a rung has no name");

static const char *name_in(const char *const *table, size_t count, unsigned i)
{
    return i < count ? table[i] : "unknown";
}

static unsigned index_in(const char *const *table, size_t count, const char *name)
{
    unsigned i = 0;
    while (i < count && strcmp(table[i], name) != 0)
        i++;
    return i;
}

const char *load_mode_name(enum load_mode mode)
{
    return name_in(load_modes, COUNT(load_modes), mode);
}

const char *order_kind_name(enum order_kind kind)
{
    return name_in(order_kinds, COUNT(order_kinds), kind);
}

const char *run_end_name(enum run_end end)
{
    return name_in(run_ends, COUNT(run_ends), end);
}

const char *outcome_state_name(enum outcome_state state)
{
    return name_in(outcome_states, COUNT(outcome_states), state);
}

const char *finding_kind_name(enum finding_kind kind)
{
    return name_in(finding_kinds, COUNT(finding_kinds), kind);
}

enum finding_kind finding_kind_of(const char *name)
{
    return (enum finding_kind)index_in(finding_kinds, COUNT(finding_kinds), name);
}

const char *severity_name(enum severity severity)
{
    return name_in(severities, COUNT(severities), severity);
}

const char *mark_kind_name(enum mark_kind kind)
{
    return name_in(mark_kinds, COUNT(mark_kinds), kind);
}

enum mark_kind mark_kind_of(const char *name)
{
    return (enum mark_kind)index_in(mark_kinds, COUNT(mark_kinds), name);
}

const char *rung_name(enum rung rung)
{
    return name_in(rungs, COUNT(rungs), rung);
}
