#include "daemon/base/error.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

static const char *const kind_names[] = {
    [ERROR_NONE] = "none",         [ERROR_USAGE] = "usage",           [ERROR_FILE] = "file",
    [ERROR_RATING] = "rating",     [ERROR_RANGE] = "range",           [ERROR_MEMORY] = "memory",
    [ERROR_SYSTEM] = "system",     [ERROR_LINK] = "link",             [ERROR_INSTRUMENT] = "instrument",
    [ERROR_REFUSED] = "refused",   [ERROR_BUSY] = "busy",             [ERROR_STORAGE] = "storage",
    [ERROR_PROTOCOL] = "protocol",
};
_Static_assert(sizeof kind_names / sizeof kind_names[0] == ERROR_KINDS, "an error kind has no name");

int error_set(struct error *err, enum error_kind kind, const char *format, ...)
{
    if (err) {
        va_list args;
        err->kind = kind;
        va_start(args, format);
        vsnprintf(err->text, sizeof err->text, format, args);
        va_end(args);
    }
    return -1;
}

int error_errno(struct error *err, enum error_kind kind, int errno_value, const char *format, ...)
{
    if (err) {
        va_list args;
        char reason[128];
        err->kind = kind;
        va_start(args, format);
        vsnprintf(err->text, sizeof err->text, format, args);
        va_end(args);
        size_t len = strlen(err->text);
        snprintf(err->text + len, sizeof err->text - len, ": %s", strerror_r(errno_value, reason, sizeof reason));
    }
    return -1;
}

int error_prefix(struct error *err, const char *format, ...)
{
    if (err) {
        char below[sizeof err->text];
        va_list args;
        memcpy(below, err->text, sizeof below);
        va_start(args, format);
        vsnprintf(err->text, sizeof err->text, format, args);
        va_end(args);
        size_t len = strlen(err->text);
        snprintf(err->text + len, sizeof err->text - len, ": %s", below);
    }
    return -1;
}

const char *error_kind_name(enum error_kind kind)
{
    return (unsigned)kind < ERROR_KINDS ? kind_names[kind] : "unknown";
}

enum error_kind error_kind_of(const char *name)
{
    for (unsigned i = 0; i < ERROR_KINDS; i++)
        if (name && strcmp(kind_names[i], name) == 0)
            return (enum error_kind)i;
    return ERROR_NONE;
}
