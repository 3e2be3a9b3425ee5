/* Durations as a person writes them, and time in whole microseconds. */
#ifndef BRUNT_BASE_UNITS_H
#define BRUNT_BASE_UNITS_H

#include "daemon/base/error.h"

#include <stddef.h>
#include <stdint.h>

#define US_PER_MS 1000LL
#define US_PER_S  1000000LL
#define NEVER_US  INT64_MAX /* a due time that doesn't come */

/* "90 s", "2 h 30 min", "250 ms", "1.5 s": numbers each followed by its unit (us, ms, s, min, h, d), largest first, each unit once.
 * A bare number, an unknown unit, a negative, more than 365 days: ERROR_FILE with what was expected. */
int duration_parse(const char *text, int64_t *ret_us, struct error *err);

/* The shortest form that duration_parse() reads back to the same value: "2 h 30 min", "250 ms", "0 s". size >= 48. */
void duration_format(char *to, size_t size, int64_t duration_us);

/* For a progress line: "1:02:03" or "02:03"; negative counts as 0. size >= 24. */
void duration_clock(char *to, size_t size, int64_t duration_us);

#endif
