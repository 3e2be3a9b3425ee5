#include "daemon/base/units.h"

#include "daemon/base/text.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const struct {
    const char *name;
    int64_t us;
} units[] = {/* largest first */
             {"d", 86400 * US_PER_S}, {"h", 3600 * US_PER_S}, {"min", 60 * US_PER_S},
             {"s", US_PER_S},         {"ms", US_PER_MS},      {"us", 1}};
enum { UNITS = sizeof units / sizeof units[0] };
#define LONGEST_US (365 * 86400 * US_PER_S)
#define EXPECTED   "expected a duration with its unit, such as \"90 s\" or \"2 h 30 min\""

static int unit_of(const char *word, size_t len)
{
    for (int i = 0; i < UNITS; i++)
        if (strlen(units[i].name) == len && strncmp(units[i].name, word, len) == 0)
            return i;
    return -1;
}

int duration_parse(const char *text, int64_t *ret_us, struct error *err)
{
    double total_us = 0.0;
    int last_unit = -1;
    const char *at = text;
    while (isspace((unsigned char)*at))
        at++;
    if (!*at)
        return error_set(err, ERROR_FILE, "\"%.60s\" is empty; " EXPECTED, text);
    while (*at) {
        char *end;
        if (!isdigit((unsigned char)*at)) /* so that a sign, nan, inf and hexadecimal are refused */
            return error_set(err, ERROR_FILE, "\"%.60s\" is no duration; " EXPECTED, text);
        size_t digits = strspn(at, "0123456789.");
        double number = strtod(at, &end);
        if (end != at + digits)
            return error_set(err, ERROR_FILE, "\"%.60s\" is no duration; " EXPECTED, text);
        while (isspace((unsigned char)*end))
            end++;
        size_t len = strspn(end, "abcdefghijklmnopqrstuvwxyz");
        if (len == 0)
            return error_set(err, ERROR_FILE, "\"%.60s\" lacks a unit; " EXPECTED, text);
        int unit = unit_of(end, len);
        if (unit < 0)
            return error_set(err, ERROR_FILE, "\"%.60s\" has the unknown unit \"%.*s\"; units are d, h, min, s, ms, us", text,
                             (int)(len < 20 ? len : 20), end);
        if (unit <= last_unit)
            return error_set(err, ERROR_FILE, "\"%.60s\" has its units out of order; " EXPECTED, text);
        last_unit = unit;
        total_us += number * (double)units[unit].us;
        at = end + len;
        while (isspace((unsigned char)*at))
            at++;
    }
    if (!(total_us <= (double)LONGEST_US))
        return error_set(err, ERROR_FILE, "\"%.60s\" is longer than 365 days", text);
    *ret_us = llround(total_us);
    return 0;
}

void duration_format(char *to, size_t size, int64_t duration_us)
{
    if (size)
        to[0] = '\0';
    if (duration_us <= 0) {
        text_add(to, size, "0 s");
        return;
    }
    for (int i = 0; i < UNITS; i++) {
        int64_t count = duration_us / units[i].us;
        duration_us -= count * units[i].us;
        if (count)
            text_add(to, size, "%s%lld %s", to[0] ? " " : "", (long long)count, units[i].name);
    }
}

void duration_clock(char *to, size_t size, int64_t duration_us)
{
    long long s = duration_us > 0 ? duration_us / US_PER_S : 0;
    if (s >= 3600)
        snprintf(to, size, "%lld:%02lld:%02lld", s / 3600, s / 60 % 60, s % 60);
    else
        snprintf(to, size, "%02lld:%02lld", s / 60, s % 60);
}
