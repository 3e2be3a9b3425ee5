#include "sim/scpi/value.h"

#include "sim/scpi/pattern.h"

#include <ctype.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

enum { DIGITS_MAX = 255, SUFFIX_MAX = 12, EXPONENT_MAX = 32000 };

struct scale {
    const char *name;
    double factor;
};

/* IEEE 488.2 table 7-2 */
static const struct scale multipliers[] = {
    {"EX", 1e18}, {"PE", 1e15}, {"T", 1e12}, {"G", 1e9},   {"MA", 1e6},  {"K", 1e3},
    {"M", 1e-3},  {"U", 1e-6},  {"N", 1e-9}, {"P", 1e-12}, {"F", 1e-15}, {"A", 1e-18},
};
static const struct scale other_seconds[] = {{"MIN", 60.0}, {"HR", 3600.0}};

static const struct {
    const char *word;
    enum value_kind kind;
    double number;
} keywords[] = {
    {"MINimum", VALUE_MINIMUM, 0},        {"MAXimum", VALUE_MAXIMUM, 0},          {"DEFault", VALUE_DEFAULT, 0},
    {"INFinity", VALUE_NUMBER, INFINITY}, {"NINFinity", VALUE_NUMBER, -INFINITY}, {"NAN", VALUE_NUMBER, NAN},
};

static bool is(const char *text, size_t len, const char *word)
{
    return strlen(word) == len && strncasecmp(text, word, len) == 0;
}

static int suffix_factor(const char *text, size_t len, const char *unit, double *ret)
{
    size_t unit_len = strlen(unit), prefix;
    if (len > SUFFIX_MAX)
        return -134;
    if (unit_len == 0)
        return -138;
    for (size_t i = 0; is(unit, unit_len, "S") && i < sizeof other_seconds / sizeof other_seconds[0]; i++)
        if (is(text, len, other_seconds[i].name))
            return *ret = other_seconds[i].factor, 0;
    if (len < unit_len || strncasecmp(text + len - unit_len, unit, unit_len) != 0)
        return -131;
    prefix = len - unit_len;
    if (prefix == 0)
        return *ret = 1.0, 0;
    for (size_t i = 0; i < sizeof multipliers / sizeof multipliers[0]; i++)
        if (is(text, prefix, multipliers[i].name))
            return *ret = is(text, prefix, "M") && is(unit, unit_len, "OHM") ? 1e6 : multipliers[i].factor, 0;
    return -131;
}

static int based_number(const char *text, size_t len, struct value *ret)
{
    char digits[64], *end;
    int base = len < 3                                  ? 0
               : toupper((unsigned char)text[1]) == 'H' ? 16
               : toupper((unsigned char)text[1]) == 'Q' ? 8
               : toupper((unsigned char)text[1]) == 'B' ? 2
                                                        : 0;
    if (base == 0)
        return len >= 2 && isdigit((unsigned char)text[1]) ? -168 : -121;
    if (len - 2 >= sizeof digits)
        return -124;
    memcpy(digits, text + 2, len - 2);
    digits[len - 2] = '\0';
    ret->kind = VALUE_NUMBER;
    ret->number = isalnum((unsigned char)digits[0]) ? (double)strtoull(digits, &end, base) : (end = digits, 0.0);
    return *end == '\0' ? 0 : -121;
}

/* Where the mantissa ends and how many digits it has; exponent with white space before it as IEEE 488.2 permits. */
static size_t number_span(const char *text, size_t len, size_t *ret_digits, size_t *ret_exponent_at)
{
    size_t at = len > 0 && (text[0] == '+' || text[0] == '-'), exponent;
    *ret_digits = 0;
    while (at < len && isdigit((unsigned char)text[at]))
        at++, ++*ret_digits;
    if (at < len && text[at] == '.')
        for (at++; at < len && isdigit((unsigned char)text[at]); at++)
            ++*ret_digits;
    *ret_exponent_at = 0;
    if (at < len && toupper((unsigned char)text[at]) == 'E') {
        exponent = at + 1;
        exponent += exponent < len && (text[exponent] == '+' || text[exponent] == '-');
        if (exponent < len && isdigit((unsigned char)text[exponent])) { /* else it is the suffix EX... */
            *ret_exponent_at = at + 1;
            for (at = exponent; at < len && isdigit((unsigned char)text[at]);)
                at++;
        }
    }
    return at;
}

static int decimal_number(const char *text, size_t len, const char *unit, struct value *ret)
{
    char copy[DIGITS_MAX + 64];
    size_t digits, exponent_at, end = number_span(text, len, &digits, &exponent_at);
    double factor = 1.0;
    if (digits == 0)
        return -121;
    if (digits > DIGITS_MAX || end >= sizeof copy)
        return -124;
    memcpy(copy, text, end);
    copy[end] = '\0';
    if (exponent_at && labs(strtol(copy + exponent_at, NULL, 10)) > EXPONENT_MAX)
        return -123;
    ret->kind = VALUE_NUMBER;
    ret->number = strtod(copy, NULL);
    for (; end < len && (text[end] == ' ' || text[end] == '\t'); end++)
        ;
    if (end < len) {
        int number = isalpha((unsigned char)text[end]) ? suffix_factor(text + end, len - end, unit, &factor) : -121;
        if (number)
            return number;
    }
    ret->number *= factor;
    return 0;
}

int value_number(const char *text, size_t len, const char *unit, struct value *ret)
{
    if (len == 0)
        return -109;
    if (text[0] == '#')
        return based_number(text, len, ret);
    if (!isalpha((unsigned char)text[0]))
        return strchr("0123456789+-.", text[0]) ? decimal_number(text, len, unit, ret) : -104;
    for (size_t i = 0; i < sizeof keywords / sizeof keywords[0]; i++)
        if (mnemonic_is(keywords[i].word, strlen(keywords[i].word), text, len)) {
            ret->kind = keywords[i].kind;
            ret->number = keywords[i].number;
            return 0;
        }
    return -104;
}

int value_boolean(const char *text, size_t len, bool *ret)
{
    struct value value;
    int number;
    if (is(text, len, "ON") || is(text, len, "OFF"))
        return *ret = is(text, len, "ON"), 0;
    number = value_number(text, len, "", &value);
    if (number)
        return number;
    if (value.kind != VALUE_NUMBER)
        return -104;
    *ret = fabs(value.number) >= 0.5; /* NaN is off */
    return 0;
}

static bool channel_number(const char **at, const char *end, size_t *ret)
{
    const char *start = *at;
    for (*ret = 0; *at < end && isdigit((unsigned char)**at) && *ret < 100000; ++*at)
        *ret = *ret * 10 + (size_t)(**at - '0');
    return *at > start;
}

int value_channels(const char *text, size_t len, size_t max, size_t ret[], size_t ret_len, size_t *ret_count)
{
    const char *at = text + 2, *end = text + len - 1;
    *ret_count = 0;
    if (len < 4 || text[0] != '(' || text[1] != '@' || *end != ')')
        return len > 0 && text[0] == '(' ? -171 : -104;
    for (;;) {
        size_t from, to;
        if (!channel_number(&at, end, &from))
            return -171;
        to = from;
        if (at < end && *at == ':' && (at++, !channel_number(&at, end, &to)))
            return -171;
        if (from < 1 || to < 1 || from > max || to > max)
            return -222;
        for (size_t c = from;; c += from <= to ? 1 : (size_t)-1) {
            if (*ret_count == ret_len)
                return -223;
            ret[(*ret_count)++] = c;
            if (c == to)
                break;
        }
        if (at == end)
            return 0;
        if (*at++ != ',')
            return -171;
    }
}
