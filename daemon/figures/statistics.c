#include "daemon/figures/figures.h"

#include <math.h>
#include <stdlib.h>

/* Welford's recurrence: a plain sum of squares loses all digits of a deviation of millivolts on 20 V after some millions of readings. */
void mean_add(struct mean *mean, double x)
{
    if (isnan(x))
        return;
    mean->min = mean->count == 0 || x < mean->min ? x : mean->min;
    mean->max = mean->count == 0 || x > mean->max ? x : mean->max;
    mean->count++;
    double delta = x - mean->mean;
    mean->mean += delta / (double)mean->count;
    mean->m2 += delta * (x - mean->mean);
}

double mean_deviation(const struct mean *mean)
{
    return mean->count < 2 ? NAN : sqrt(mean->m2 / (double)(mean->count - 1));
}

double mean_u(const struct mean *mean)
{
    return mean_deviation(mean) / sqrt((double)mean->count);
}

struct sums { /* about the means, so that large x do not swallow small residuals */
    double mean_x, mean_y, xx, xy, yy;
};

static struct sums sums_of(const double *x, const double *y, size_t count)
{
    struct sums s = {0};
    for (size_t i = 0; i < count; i++) {
        s.mean_x += x[i] / (double)count;
        s.mean_y += y[i] / (double)count;
    }
    for (size_t i = 0; i < count; i++) {
        s.xx += (x[i] - s.mean_x) * (x[i] - s.mean_x);
        s.xy += (x[i] - s.mean_x) * (y[i] - s.mean_y);
        s.yy += (y[i] - s.mean_y) * (y[i] - s.mean_y);
    }
    return s;
}

static double residual_squares(const double *x, const double *y, size_t count, const struct sums *s, double slope)
{
    double squares = 0.0;
    for (size_t i = 0; i < count; i++) {
        double residual = (y[i] - s->mean_y) - slope * (x[i] - s->mean_x);
        squares += residual * residual;
    }
    return squares;
}

int line_fit(const double *x, const double *y, size_t count, struct line_fit *ret, struct error *err)
{
    if (count < 2)
        return error_set(err, ERROR_RANGE, "a line needs at least 2 points, there are %zu", count);
    struct sums s = sums_of(x, y, count);
    if (!isfinite(s.xx) || !isfinite(s.yy) || !isfinite(s.xy))
        return error_set(err, ERROR_RANGE, "a line can't be fitted: one of the %zu points is no finite number", count);
    if (!(s.xx > 0.0))
        return error_set(err, ERROR_RANGE, "a line can't be fitted: all %zu points stand at %.6g", count, x[0]);
    double slope = s.xy / s.xx;
    double squares = residual_squares(x, y, count, &s, slope);
    double deviation = count > 2 ? sqrt(squares / (double)(count - 2)) : NAN; /* two points lie on their line: nothing is known of the scatter */
    *ret = (struct line_fit){
        .count = count,
        .intercept = s.mean_y - slope * s.mean_x,
        .slope = slope,
        .intercept_u = deviation * sqrt(1.0 / (double)count + s.mean_x * s.mean_x / s.xx),
        .slope_u = deviation / sqrt(s.xx),
        .residual_deviation = deviation,
        .r_squared = s.yy > 0.0 ? 1.0 - squares / s.yy : NAN,
    };
    return 0;
}

enum { FEW = 40 };

static int by_value(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/* The watchers ask for the median of a few values with each reading. */
static void sort_few(double *values, size_t count)
{
    for (size_t i = 1; i < count; i++) {
        double value = values[i];
        size_t at = i;
        for (; at > 0 && values[at - 1] > value; at--)
            values[at] = values[at - 1];
        values[at] = value;
    }
}

double median(double *values, size_t count)
{
    if (count == 0)
        return NAN;
    for (size_t i = 0; i < count; i++)
        if (isnan(values[i]))
            return NAN; /* NaN has no place in an order; a caller that wants to skip it does so knowingly */
    if (count <= FEW)
        sort_few(values, count);
    else
        qsort(values, count, sizeof *values, by_value);
    return count % 2 ? values[count / 2] : 0.5 * (values[count / 2 - 1] + values[count / 2]);
}

uint64_t figures_random(uint64_t *state)
{
    uint64_t z = (*state += 0x9E3779B97F4A7C15u);
    z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9u;
    z = (z ^ (z >> 27)) * 0x94D049BB133111EBu;
    return z ^ (z >> 31);
}
