#include "daemon/bench/answer.h"

#include "daemon/base/text.h"

#include <ctype.h>
#include <math.h>
#include <string.h>

static size_t digits(const char *text)
{
    size_t n = 0;
    while (isdigit((unsigned char)text[n]))
        n++;
    return n;
}

/* What of a number's shape was seen. Digits are asked for on both sides of the point: what lacks one side was cut. */
struct shape {
    bool point, exponent;
    size_t decimals;
};

static bool shape_of(const char *text, struct shape *ret)
{
    *ret = (struct shape){0};
    if (*text == '+' || *text == '-')
        text++;
    size_t whole = digits(text);
    if (!whole)
        return false;
    text += whole;
    if (*text == '.') {
        ret->point = true;
        ret->decimals = digits(++text);
        if (!ret->decimals)
            return false;
        text += ret->decimals;
    }
    if (*text == 'E' || *text == 'e') {
        ret->exponent = true;
        text++;
        if (*text == '+' || *text == '-')
            text++;
        size_t power = digits(text);
        if (!power || power > 3)
            return false;
        text += power;
    }
    return *text == '\0';
}

static bool in_form(const struct command *command, const struct shape *shape)
{
    if (command->answer_decimals >= 0 && shape->decimals != (size_t)command->answer_decimals)
        return false;
    switch (command->form) {
    case FORM_NR1:
        return !shape->point && !shape->exponent;
    case FORM_NR2:
        return shape->point && !shape->exponent;
    case FORM_NR3:
        return shape->point && shape->exponent;
    case FORM_NUMBER:
    case FORMS:
        break;
    }
    return true;
}

/* SCPI-99: 9.91E37 is not-a-number, +-9.9E37 infinity; as values, since some write 9.91000E+37. */
static enum answer_value special(const struct dialect *dialect, const char *text, double value)
{
    if (dialect->line.not_a_number[0] && strcmp(text, dialect->line.not_a_number) == 0)
        return ANSWER_NAN;
    if (dialect->line.overflow[0] && strcmp(text[0] == '-' ? text + 1 : text, dialect->line.overflow) == 0)
        return ANSWER_OVERFLOW;
    if (fabs(value / 9.91e37 - 1.0) < 1e-4)
        return ANSWER_NAN;
    if (fabs(value) >= 9.89e37)
        return ANSWER_OVERFLOW;
    return ANSWER_NUMBER;
}

enum answer_value answer_number(const struct dialect *dialect, const struct command *command, const char *text,
                                size_t len, double *ret)
{
    char copy[48];
    struct shape shape;
    double value = 0.0;
    if (len == 0 || len >= sizeof copy || memchr(text, '\0', len))
        return ANSWER_WRONG;
    memcpy(copy, text, len);
    copy[len] = '\0';
    bool whole = shape_of(copy, &shape) && text_to_double(copy, &value);
    enum answer_value kind = special(dialect, copy, whole ? value : 0.0);
    if (kind != ANSWER_NUMBER) {
        *ret = NAN;
        return kind;
    }
    if (!whole || !in_form(command, &shape))
        return ANSWER_WRONG;
    *ret = value * command->scale;
    return ANSWER_NUMBER;
}

enum answer_value answer_numbers(const struct dialect *dialect, const struct command *command, const char *text,
                                 char separator, size_t want, double ret[])
{
    enum answer_value worst = ANSWER_NUMBER;
    for (size_t i = 0; i < want; i++) {
        const char *end = strchr(text, separator);
        if ((i + 1 < want) != (end != NULL))
            return ANSWER_WRONG;
        size_t len = end ? (size_t)(end - text) : strlen(text);
        enum answer_value kind = answer_number(dialect, command, text, len, &ret[i]);
        if (kind == ANSWER_WRONG)
            return ANSWER_WRONG;
        if (kind > worst)
            worst = kind;
        text += len + 1;
    }
    return worst;
}

bool answer_integer(const char *text, long long *ret)
{
    const char *number = *text == '+' || *text == '-' ? text + 1 : text;
    size_t n = digits(number);
    return n && number[n] == '\0' && text_to_int64(text, -1000000000LL, 1000000000LL, ret);
}

bool answer_matches(const char *pattern, const char *text)
{
    while (*pattern && *pattern != '*')
        if (*pattern++ != *text++)
            return false;
    if (!*pattern)
        return *text == '\0';
    while (*pattern == '*')
        pattern++;
    for (;; text++) {
        if (answer_matches(pattern, text))
            return true;
        if (!*text)
            return false;
    }
}
