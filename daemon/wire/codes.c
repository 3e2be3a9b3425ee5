#include "daemon/wire/wire.h"

#include <math.h>
#include <string.h>

enum { CODE_BASE = -32000 };

int wire_code_of(enum error_kind kind)
{
    return CODE_BASE - (int)kind;
}

enum error_kind wire_kind_of(int code)
{
    if (code < CODE_BASE && code > CODE_BASE - ERROR_KINDS)
        return (enum error_kind)(CODE_BASE - code);
    return ERROR_PROTOCOL; /* JSON-RPC's own codes, and codes of a newer daemon */
}

int wire_error_of(const json_t *error, struct error *err)
{
    const char *message = json_string_value(json_object_get(error, "message"));
    const char *kind = json_string_value(json_object_get(json_object_get(error, "data"), "kind"));
    enum error_kind said = error_kind_of(kind);
    if (said == ERROR_NONE)
        said = wire_kind_of((int)json_integer_value(json_object_get(error, "code")));
    return error_set(err, said, "%s", message ? message : "the daemon refused and did not say why");
}

json_t *wire_number(double value)
{
    return isfinite(value) ? json_real(value) : json_null();
}

json_t *wire_text(const char *text)
{
    char plain[4096];
    json_t *json = json_string(text);
    if (json || strlen(text) >= sizeof plain)
        return json ? json : json_string("?");
    size_t len = strlen(text);
    for (size_t i = 0; i <= len; i++)
        plain[i] = (unsigned char)text[i] < 0x80 ? text[i] : '?';
    return json_string(plain);
}
