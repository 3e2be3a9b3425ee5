/* PURE statistics that watchers and judges share. */
#ifndef BRUNT_FIGURES_FIGURES_H
#define BRUNT_FIGURES_FIGURES_H

#include "daemon/base/error.h"
#include "daemon/terms/terms.h"

struct mean { /* Welford; start from {0} */
    size_t count;
    double mean, m2, min, max;
};
void mean_add(struct mean *mean, double x); /* NaN is skipped */
double mean_deviation(const struct mean *mean); /* sample standard deviation, NAN under 2 */
double mean_u(const struct mean *mean);         /* of the mean: s / sqrt(n), NAN under 2 */

struct line_fit {
    size_t count;
    double intercept, slope, intercept_u, slope_u, residual_deviation, r_squared; /* _u: one standard deviation; NAN where not defined */
};
/* Least squares y = intercept + slope x. ERROR_RANGE: fewer than 2 points, or all x the same. NIST StRD Norris to 1e-9. */
int line_fit(const double *x, const double *y, size_t count, struct line_fit *ret, struct error *err);

double median(double *values, size_t count); /* sorts values in place; NAN for none */

/* Small deterministic generator for jitter and nonces: splitmix64. */
uint64_t figures_random(uint64_t *state);

/* Accuracy statement +-(percent of reading + percent of range): half-width, then standard uncertainty a / sqrt(3) (rectangular; JCGM 100 4.3.7 from memory). */
double accuracy_half_width(double reading, double percent_of_reading, double percent_of_range, double range);
double uncertainty_rectangular(double half_width);

/* Guard band w = U, four outcomes (ILAC-G8:09/2019 4.2). Equality as in the table of the same: pass includes y = limit +- U. Compared with 1e-9 relative slack. */
enum verdict { VERDICT_PASS, VERDICT_CONDITIONAL_PASS, VERDICT_CONDITIONAL_FAIL, VERDICT_FAIL, VERDICT_NONE, VERDICTS };
const char *verdict_name(enum verdict verdict); /* "pass", "conditional pass", "conditional fail", "fail", "not judged" */
enum verdict verdict_upper(double y, double limit, double u_expanded);
enum verdict verdict_lower(double y, double limit, double u_expanded);
enum verdict verdict_worse(enum verdict a, enum verdict b); /* NONE is worse than nothing else: pass < conditional pass < conditional fail < fail; NONE yields the other */

#endif
