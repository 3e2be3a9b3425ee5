/* Accuracy statements and the guard-band decision. */
#include "daemon/figures/figures.h"

#include <math.h>

double accuracy_half_width(double reading, double percent_of_reading, double percent_of_range, double range)
{
    return percent_of_reading / 100.0 * fabs(reading) + percent_of_range / 100.0 * fabs(range);
}

double uncertainty_rectangular(double half_width)
{
    return half_width / sqrt(3.0);
}

static const char *const names[] = {[VERDICT_PASS] = "pass",
                                    [VERDICT_CONDITIONAL_PASS] = "conditional pass",
                                    [VERDICT_CONDITIONAL_FAIL] = "conditional fail",
                                    [VERDICT_FAIL] = "fail",
                                    [VERDICT_NONE] = "not judged"};
_Static_assert(sizeof names / sizeof names[0] == VERDICTS, "a verdict has no name");

const char *verdict_name(enum verdict verdict)
{
    return (unsigned)verdict < VERDICTS ? names[verdict] : "unknown";
}

/* In binary 0.88 + 0.0035 is not 0.8835: what differs by less than this of the size of the numbers counts as equal. */
static const double slack_relative = 1e-9;

enum verdict verdict_upper(double y, double limit, double u_expanded)
{
    if (!isfinite(y) || !isfinite(limit) || !isfinite(u_expanded) || u_expanded < 0.0)
        return VERDICT_NONE;
    double slack = slack_relative * fmax(fabs(y), fabs(limit));
    if (y <= limit - u_expanded + slack)
        return VERDICT_PASS;
    if (y <= limit + slack)
        return VERDICT_CONDITIONAL_PASS;
    return y <= limit + u_expanded + slack ? VERDICT_CONDITIONAL_FAIL : VERDICT_FAIL;
}

enum verdict verdict_lower(double y, double limit, double u_expanded)
{
    return verdict_upper(-y, -limit, u_expanded);
}

enum verdict verdict_worse(enum verdict a, enum verdict b)
{
    if (a == VERDICT_NONE || b == VERDICT_NONE)
        return a == VERDICT_NONE ? b : a;
    return a > b ? a : b;
}
