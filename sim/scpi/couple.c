/* Type K, temperature to electromotive force: the ITS-90 reference function (NIST Monograph 175). */
#include "sim/scpi/own.h"

#include <math.h>

static const double below_zero[] = {
    0.000000000000E+00,
    0.394501280250E-01,
    0.236223735980E-04,
    -0.328589067840E-06,
    -0.499048287770E-08,
    -0.675090591730E-10,
    -0.574103274280E-12,
    -0.310888728940E-14,
    -0.104516093650E-16,
    -0.198892668780E-19,
    -0.163226974860E-22,
};
static const double above_zero[] = {
    -0.176004136860E-01,
    0.389212049750E-01,
    0.185587700320E-04,
    -0.994575928740E-07,
    0.318409457190E-09,
    -0.560728448890E-12,
    0.560750590590E-15,
    -0.320207200030E-18,
    0.971511471520E-22,
    -0.121047212750E-25,
};
static const double bump[] = {0.118597600000E+00, -0.118343200000E-03, 0.126968600000E+03}; /* a0 exp(a1 (t - a2)^2), above zero only */

static double horner(const double *coefficients, size_t count, double x)
{
    double sum = 0.0;
    while (count-- > 0)
        sum = sum * x + coefficients[count];
    return sum;
}

double couple_k_volts(double celsius)
{
    double millivolts;
    if (!(celsius >= -270.0 && celsius <= 1372.0))
        return NAN;
    if (celsius < 0.0)
        millivolts = horner(below_zero, sizeof below_zero / sizeof below_zero[0], celsius);
    else
        millivolts = horner(above_zero, sizeof above_zero / sizeof above_zero[0], celsius) +
                     bump[0] * exp(bump[1] * (celsius - bump[2]) * (celsius - bump[2]));
    return millivolts / 1e3;
}
