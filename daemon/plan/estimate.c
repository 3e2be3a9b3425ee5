/* How long a profile takes at most if nothing trips that is not asked for. */
#include "daemon/plan/plan_own.h"

#include "daemon/base/units.h"

#include <math.h>

/* A capacity search goes up in steps of this part of rated current before it closes in by halves. An estimate, not the search's rule. */
#define SEARCH_STEP     0.05
#define RECOVER_US      (30 * US_PER_S)  /* the lower rungs; mains off for 60 s and the operator are no rule */
#define ORDERS_US       (250 * US_PER_MS) /* set-point, input on, slew: before each dwell */
#define SELECT_US       (1 * US_PER_S)   /* by a selector, until settled */
#define OPERATOR_US     (60 * US_PER_S)

static int64_t ramp_us(const struct profile_stage *stage, double rated_amps)
{
    return (int64_t)(fabs(stage->fractions[1] - stage->fractions[0]) * rated_amps / stage->slew_amps_per_s * (double)US_PER_S);
}

/* Up to the cap once, then each further trip a recovery and the halving from a whole step down to the resolution. */
static int64_t capacity_us(const struct test_plan *plan, const struct profile_stage *stage, int port, int contract)
{
    double rated = plan->supply.ports[port].contracts[contract].amps;
    double cap = fmax(rated, plan_cap_amps(plan, port, contract, stage->cap_fraction, NULL, 0));
    double steps = 1.0 + ceil((cap / rated - 1.0) / SEARCH_STEP);
    double halvings = fmax(0.0, ceil(log2(SEARCH_STEP / stage->resolution_fraction)));
    double slew_s = cap / stage->slew_amps_per_s;
    return (int64_t)((steps + halvings) * (double)(stage->dwell_us + ORDERS_US)) + stage->trips_max * (RECOVER_US + (int64_t)(slew_s * (double)US_PER_S));
}

static int64_t stage_us(const struct test_plan *plan, const struct profile_stage *stage, int port, int contract)
{
    switch (stage->kind) {
    case STAGE_IDLE:
    case STAGE_HOLD:
    case STAGE_SOAK:
        return stage->dwell_us + ORDERS_US;
    case STAGE_STEP:
        return (int64_t)stage->fractions_len * (stage->dwell_us + ORDERS_US);
    case STAGE_RAMP:
        return ramp_us(stage, plan->supply.ports[port].contracts[contract].amps) + ORDERS_US;
    case STAGE_CAPACITY:
        return capacity_us(plan, stage, port, contract);
    case STAGE_TRACE:
        return (int64_t)stage->trace_points * (stage->dwell_us + ORDERS_US);
    case STAGE_RECOVER:
        return RECOVER_US;
    case STAGE_KINDS:
        break;
    }
    return 0;
}

static int64_t select_us(const struct test_plan *plan, int port)
{
    int seat = plan_seat_of_port(plan, port);
    bool nothing_to_select = plan->supply.ports[port].contracts_len == 1;
    int64_t usual = nothing_to_select || (seat >= 0 && plan->bench.seats[seat].selector >= 0) ? SELECT_US : OPERATOR_US;
    return usual < plan->profile.select_timeout_us ? usual : plan->profile.select_timeout_us;
}

/* Selection once a contract, or once a stage and contract where the stages go over all of them. */
static int64_t contract_us(const struct test_plan *plan, int port, int contract, size_t stages_len)
{
    const struct profile_plan *profile = &plan->profile;
    int64_t total = profile->each == EACH_CONTRACT ? select_us(plan, port) : 0;
    for (size_t i = 0; i < stages_len; i++) {
        total += profile->each == EACH_STAGE && profile->stages[i].kind != STAGE_RECOVER ? select_us(plan, port) : 0;
        total += stage_us(plan, &profile->stages[i], port, contract);
    }
    return total;
}

/* Up to and with the first stage that loads: what recheck_first repeats. */
static size_t recheck_stages(const struct profile_plan *profile)
{
    for (size_t i = 0; i < profile->stages_len; i++)
        if (profile->stages[i].kind == STAGE_STEP || profile->stages[i].kind == STAGE_HOLD)
            return i + 1;
    return 0;
}

int64_t plan_estimate_us(const struct test_plan *plan)
{
    int64_t total = 0;
    bool first = true;
    for (int port = 0; port < (int)plan->supply.ports_len; port++)
        for (int contract = 0; contract < (int)plan->supply.ports[port].contracts_len; contract++) {
            if (!plan->contract_chosen[port][contract])
                continue;
            total += contract_us(plan, port, contract, plan->profile.stages_len);
            if (first && plan->profile.recheck_first)
                total += contract_us(plan, port, contract, recheck_stages(&plan->profile));
            first = false;
        }
    return total;
}
