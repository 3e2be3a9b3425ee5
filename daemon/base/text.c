#include "daemon/base/text.h"

#include <ctype.h>
#include <errno.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

bool text_copy(char *to, size_t size, const char *from)
{
    size_t len = strlen(from);
    if (len >= size) {
        if (size)
            to[0] = '\0';
        return false;
    }
    memcpy(to, from, len + 1);
    return true;
}

void text_cut(char *to, size_t size, const char *from)
{
    if (text_copy(to, size, from) || size < 4)
        return;
    memcpy(to, from, size - 4);
    memcpy(to + size - 4, "...", 4);
}

bool text_add(char *to, size_t size, const char *format, ...)
{
    size_t len = strnlen(to, size);
    va_list args;
    if (len >= size)
        return false;
    va_start(args, format);
    int more = vsnprintf(to + len, size - len, format, args);
    va_end(args);
    return more >= 0 && (size_t)more < size - len;
}

bool text_decimal(char *to, size_t size, double value, int decimals)
{
    char digits[32];
    if (size)
        to[0] = '\0';
    if (!(fabs(value) < 1e9) || decimals < 0 || decimals > 9)
        return false;
    snprintf(digits, sizeof digits, "%.*f", decimals, value);
    if (strchr(digits, '.')) {
        char *end = digits + strlen(digits);
        while (end[-1] == '0')
            *--end = '\0';
        if (end[-1] == '.')
            end[-1] = '\0';
    }
    return text_copy(to, size, strcmp(digits, "-0") == 0 ? "0" : digits);
}

bool text_to_double(const char *text, double *ret)
{
    char *end;
    if (!*text || isspace((unsigned char)*text) || strpbrk(text, "xXnN")) /* no hexadecimal, nan, inf */
        return false;
    errno = 0;
    double value = strtod(text, &end);
    if (*end || end == text || !isfinite(value))
        return false;
    *ret = value;
    return true;
}

bool text_to_int64(const char *text, long long min, long long max, long long *ret)
{
    char *end;
    if (!*text || isspace((unsigned char)*text))
        return false;
    errno = 0;
    long long value = strtoll(text, &end, 10);
    if (*end || errno || value < min || value > max)
        return false;
    *ret = value;
    return true;
}

bool text_is_name(const char *text)
{
    size_t len = strlen(text);
    if (len < 1 || len > 63 || text[0] == '.' || text[0] == '-')
        return false;
    for (size_t i = 0; i < len; i++)
        if (!isalnum((unsigned char)text[i]) && !strchr("-_.", text[i]))
            return false;
    return true;
}

void text_printable(char *to, size_t size, const void *bytes, size_t len)
{
    const unsigned char *from = bytes;
    if (!size)
        return;
    to[0] = '\0';
    for (size_t i = 0; i < len; i++) {
        const char *form = from[i] == '\r' ? "\\r" : from[i] == '\n' ? "\\n" : from[i] == '\t' ? "\\t" : NULL;
        bool fits = form                                       ? text_add(to, size, "%s", form)
                    : from[i] >= 0x20 && from[i] < 0x7f ? text_add(to, size, "%c", from[i])
                                                               : text_add(to, size, "\\x%02x", from[i]);
        if (!fits)
            return;
    }
}
