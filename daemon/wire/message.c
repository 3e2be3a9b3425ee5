#include "daemon/wire/wire.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { DEPTH_MAX = 32 }; /* a plan is some 20 deep; jansson would go on to 2048, on our stack */

/* Takes `message`. NULL in, NULL out: an allocation before this one failed. */
static char *as_line(json_t *message)
{
    char *text = message ? json_dumps(message, JSON_COMPACT | JSON_ENSURE_ASCII) : NULL;
    size_t len = text ? strlen(text) : 0;
    char *line = text ? malloc(len + 2) : NULL;
    if (line) {
        memcpy(line, text, len);
        memcpy(line + len, "\n", 2);
    }
    free(text);
    json_decref(message);
    return line;
}

static json_t *envelope(void)
{
    json_t *message = json_object();
    if (message && json_object_set_new(message, "jsonrpc", json_string("2.0")) == 0)
        return message;
    json_decref(message);
    return NULL;
}

static char *with_members(json_t *message, const char *key, json_t *id, const char *method, json_t *body)
{
    int failed = !message || (id && json_object_set_new(message, "id", id) < 0) ||
                 (method && json_object_set_new(message, "method", json_string(method)) < 0);
    if (failed || json_object_set_new(message, key, body) < 0) {
        if (failed)
            json_decref(body);
        json_decref(message);
        return NULL;
    }
    return as_line(message);
}

char *wire_request(long long id, const char *method, json_t *params)
{
    return with_members(envelope(), "params", json_integer(id), method, params ? params : json_object());
}

char *wire_notice(const char *method, json_t *params)
{
    return with_members(envelope(), "params", NULL, method, params ? params : json_object());
}

static json_t *id_copy(const json_t *id)
{
    return id ? json_deep_copy(id) : json_null();
}

char *wire_result(const json_t *id, json_t *result)
{
    return with_members(envelope(), "result", id_copy(id), NULL, result ? result : json_null());
}

char *wire_error_code(const json_t *id, int code, const struct error *error)
{
    json_t *message = wire_text(error->text);
    json_t *body = message ? json_pack("{s:i, s:o, s:{s:s}}", "code", code, "message", message, "data", "kind",
                                       error_kind_name(error->kind))
                           : NULL;
    return body ? with_members(envelope(), "error", id_copy(id), NULL, body) : NULL;
}

char *wire_error(const json_t *id, const struct error *error)
{
    return wire_error_code(id, wire_code_of(error->kind), error);
}

/* Brackets outside of strings. jansson recurses, so its own bound is too far down for a thread with a small stack. */
static int too_deep(const char *line, size_t len)
{
    int depth = 0, in_string = 0;
    for (size_t i = 0; i < len; i++) {
        char c = line[i];
        if (in_string) {
            if (c == '\\')
                i++;
            else if (c == '"')
                in_string = 0;
        } else if (c == '"')
            in_string = 1;
        else if (c == '[' || c == '{') {
            if (++depth > DEPTH_MAX)
                return 1;
        } else if (c == ']' || c == '}')
            depth--;
    }
    return 0;
}

static int refuse(struct wire_message *message, int code, int *ret_code, struct error *err, const char *why)
{
    wire_message_end(message);
    if (ret_code)
        *ret_code = code;
    return error_set(err, ERROR_PROTOCOL, "%s", why);
}

static const char *shape_fault(const struct wire_message *m)
{
    const json_t *version = json_object_get(m->root, "jsonrpc");
    if (!json_is_object(m->root))
        return "not a JSON-RPC 2.0 message: expected one JSON object a line";
    if (!json_is_string(version) || strcmp(json_string_value(version), "2.0") != 0)
        return "not a JSON-RPC 2.0 message: expected \"jsonrpc\": \"2.0\"";
    if (json_object_get(m->root, "method") && !m->method)
        return "not a JSON-RPC 2.0 message: \"method\" must be text";
    if (m->id && !json_is_integer(m->id) && !json_is_string(m->id) && !json_is_null(m->id))
        return "not a JSON-RPC 2.0 message: \"id\" must be an integer, text or null";
    if (m->method ? m->params && !json_is_object(m->params) : !m->result == !m->error)
        return m->method ? "\"params\" must be an object" : "not a JSON-RPC 2.0 message: no \"method\", no answer";
    if (m->error && !json_is_object(m->error))
        return "not a JSON-RPC 2.0 message: \"error\" must be an object";
    return NULL;
}

int wire_parse(const char *line, size_t len, struct wire_message *ret, int *ret_code, struct error *err)
{
    struct wire_message message = {0};
    json_error_t where;
    char why[256];
    if (len >= WIRE_LINE_MAX)
        return refuse(&message, WIRE_NO_REQUEST, ret_code, err, "the message is longer than 1 MiB");
    if (too_deep(line, len))
        return refuse(&message, WIRE_NO_JSON, ret_code, err, "the message is nested deeper than 32 levels");
    message.root = json_loadb(line, len, JSON_REJECT_DUPLICATES, &where);
    if (!message.root) {
        snprintf(why, sizeof why, "not JSON at column %d: %s", where.column, where.text);
        return refuse(&message, WIRE_NO_JSON, ret_code, err, why);
    }
    message.method = json_string_value(json_object_get(message.root, "method"));
    message.id = json_object_get(message.root, "id");
    message.params = json_object_get(message.root, "params");
    message.result = json_object_get(message.root, "result");
    message.error = json_object_get(message.root, "error");
    const char *fault = shape_fault(&message);
    if (fault)
        return refuse(&message, WIRE_NO_REQUEST, ret_code, err, fault);
    *ret = message;
    return 0;
}

void wire_message_end(struct wire_message *message)
{
    json_decref(message->root);
    *message = (struct wire_message){0};
}
