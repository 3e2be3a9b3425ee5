/* The table of stage kinds. A new kind is a file with a row, and a line here. */
#include "daemon/run/run_private.h"

#define COUNT(table) (sizeof(table) / sizeof(table)[0])

static const struct stage_row *const rows[] = {
    [STAGE_IDLE] = &stage_idle,   [STAGE_STEP] = &stage_step,       [STAGE_RAMP] = &stage_ramp, [STAGE_HOLD] = &stage_hold, [STAGE_CAPACITY] = &stage_capacity,
    [STAGE_TRACE] = &stage_trace, [STAGE_RECOVER] = &stage_recover, [STAGE_SOAK] = &stage_soak,
};
_Static_assert(COUNT(rows) == STAGE_KINDS, "a stage kind has no row");

const struct stage_row *stage_row(enum stage_kind kind)
{
    return rows[kind];
}

const struct stage_row *run_row(const struct run *run)
{
    return rows[run_stage(run)->kind];
}

/* Expected length: for "how far", not for deciding anything. */
double stage_estimate_us(const struct profile_stage *stage)
{
    double dwell_us = (double)stage->dwell_us, recovery_us = 3.0 * (double)US_PER_S;
    switch (stage->kind) {
    case STAGE_STEP:
        return dwell_us * (double)stage->fractions_len + 0.5 * (double)US_PER_S;
    case STAGE_RAMP:
        return dwell_us + (stage->slew_amps_per_s > 0 ? 3.0 / stage->slew_amps_per_s * (double)US_PER_S : 0.0);
    case STAGE_CAPACITY:
        return dwell_us * 8.0 + stage->trips_max * recovery_us;
    case STAGE_TRACE:
        return dwell_us * (double)stage->trace_points + recovery_us;
    case STAGE_RECOVER:
        return (double)US_PER_S;
    default:
        return dwell_us + 0.5 * (double)US_PER_S;
    }
}
