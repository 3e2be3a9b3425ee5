/* Program messages of the standard and the late shape: units, path rule, dispatch, response message. */
#include "sim/scpi/own.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

enum { PATH_MAX_LEN = 128 };

/* The message being obeyed. */
struct message {
    char path[PATH_MAX_LEN]; /* "MEAS2:" : what a header without leading colon is put behind */
    char response[ANSWER_MAX];
    size_t response_len;
    bool identified, failed;
};

static void refuse(struct server *server, struct message *message, int number, struct text_span what)
{
    message->failed = true;
    status_error(&server->status, number, what.text, what.len);
}

/* 0, or the error that refuses all of the message before any of it is obeyed: half a message with a spoiling byte
 * behind must not act. */
static int check_whole(const char *text, size_t len)
{
    char quote = '\0';
    int depth = 0;
    for (size_t i = 0; i < len; i++) {
        char c = text[i];
        if (c == '!' || (!message_byte_is_legal(c) && !(quote && c > ' ' && c < 0x7f)))
            return -101;
        if (quote)
            quote = c == quote ? '\0' : quote;
        else if (c == '"' || c == '\'')
            quote = c;
        else
            depth += c == '(' ? 1 : c == ')' ? -1 : 0;
        if (depth < 0)
            return -171;
    }
    return quote ? -151 : depth ? -171 : 0;
}

/* Bytes up to the next `stop` outside quotes and brackets, or all. */
static size_t span_to(const char *text, size_t len, char stop)
{
    char quote = '\0';
    int depth = 0;
    for (size_t i = 0; i < len; i++) {
        if (quote)
            quote = text[i] == quote ? '\0' : quote;
        else if (text[i] == '"' || text[i] == '\'')
            quote = text[i];
        else if (text[i] == stop && depth == 0)
            return i;
        else
            depth += text[i] == '(' ? 1 : text[i] == ')' ? -1 : 0;
    }
    return len;
}

static struct text_span trimmed(const char *text, size_t len)
{
    while (len > 0 && isspace((unsigned char)text[0]))
        text++, len--;
    while (len > 0 && isspace((unsigned char)text[len - 1]))
        len--;
    return (struct text_span){text, len};
}

static int split_parameters(const char *text, size_t len, struct call *call)
{
    struct text_span rest = trimmed(text, len);
    if (rest.len == 0)
        return 0;
    for (;;) {
        size_t end = span_to(rest.text, rest.len, ',');
        if (call->parameter_count == PARAMETERS_MAX)
            return -108;
        call->parameters[call->parameter_count] = trimmed(rest.text, end);
        if (call->parameters[call->parameter_count++].len == 0)
            return -103; /* a comma with nothing beside it */
        if (end == rest.len)
            return 0;
        rest.text += end + 1;
        rest.len -= end + 1;
    }
}

static const struct command *table_of(const struct server *server, size_t *ret_count)
{
    bool late = server->setup.shape == SHAPE_LATE;
    *ret_count = late ? late_command_count : standard_command_count;
    return late ? late_commands : standard_commands;
}

static bool has_any_role(const struct server *server, unsigned roles)
{
    return server->setup.role == SERVER_ALL ? (roles & ~ROLE(SERVER_METER)) != 0 /* MEAS:VOLT? is the load's there */
                                            : (roles & ROLE(server->setup.role)) != 0;
}

static const struct command *find(const struct server *server, const char *text, size_t len, struct call *call,
                                  int *ret_error)
{
    struct header header;
    size_t count;
    const struct command *rows = table_of(server, &count);
    *ret_error = text[0] == '*' ? 0 : header_split(text, len, &header);
    if (*ret_error)
        return NULL;
    *ret_error = -113;
    for (size_t i = 0; i < count; i++) {
        enum pattern_match match;
        if (!has_any_role(server, rows[i].roles))
            continue;
        if (rows[i].pattern[0] == '*' || text[0] == '*')
            match = rows[i].pattern[0] == text[0] && strlen(rows[i].pattern) == len &&
                            strncasecmp(rows[i].pattern, text, len) == 0
                        ? PATTERN_YES
                        : PATTERN_NO;
        else
            match = pattern_fits(rows[i].pattern, &header, &call->suffix);
        if (match == PATTERN_SUFFIX)
            *ret_error = -114;
        if (match == PATTERN_YES && (rows[i].forms & (call->asks ? ASKS : SETS)))
            return &rows[i];
    }
    call->suffix = -1;
    return NULL;
}

/* The header as counted from the root; moves the path. Common commands neither use nor move it. */
static bool rooted(struct message *message, struct text_span header, char *to, size_t size)
{
    const char *last = NULL;
    int len;
    if (header.text[0] == '*')
        len = snprintf(to, size, "%.*s", (int)header.len, header.text);
    else if (header.text[0] == ':')
        len = snprintf(to, size, "%.*s", (int)header.len - 1, header.text + 1);
    else
        len = snprintf(to, size, "%s%.*s", message->path, (int)header.len, header.text);
    if (len < 1 || (size_t)len >= size)
        return false;
    if (header.text[0] == '*')
        return true;
    last = strrchr(to, ':');
    snprintf(message->path, sizeof message->path, "%.*s", last ? (int)(last - to) + 1 : 0, to);
    return true;
}

static int count_error(const struct call *call)
{
    size_t max = call->asks ? call->command->ask_parameters_max : call->command->parameters_max;
    size_t min = call->asks ? 0 : call->command->parameters_min;
    return call->parameter_count < min ? -109 : call->parameter_count > max ? -108 : 0;
}

static int add_response(struct message *message, const struct call *call)
{
    if (message->response_len + call->answer_len + 1 > sizeof message->response)
        return -430;
    if (message->response_len > 0)
        message->response[message->response_len++] = ';';
    memcpy(message->response + message->response_len, call->answer, call->answer_len);
    message->response_len += call->answer_len;
    return 0;
}

static int call_command(struct server *server, struct message *message, struct call *call)
{
    int error = count_error(call);
    if (error)
        return error;
    if (call->asks && message->identified)
        return -440;
    server_refresh(server);
    call->command->obey(call);
    if (call->error || !call->asks)
        return call->error;
    message->identified = call->command->obey == common_idn;
    return add_response(message, call);
}

static int obey_unit(struct server *server, struct message *message, struct text_span unit)
{
    struct call call = {.server = server, .suffix = -1};
    char whole[PATH_MAX_LEN];
    size_t len = 0;
    int error;
    while (len < unit.len && (isalnum((unsigned char)unit.text[len]) || strchr(":_*", unit.text[len])))
        len++;
    if (len == 0)
        return -110;
    call.asks = len < unit.len && unit.text[len] == '?';
    if (len + call.asks < unit.len && !isspace((unsigned char)unit.text[len + call.asks]))
        return -111;
    if (!rooted(message, (struct text_span){unit.text, len}, whole, sizeof whole))
        return -110;
    call.command = find(server, whole, strlen(whole), &call, &error);
    if (!call.command)
        return error;
    error = split_parameters(unit.text + len + call.asks, unit.len - len - call.asks, &call);
    return error ? error : call_command(server, message, &call);
}

void message_obey(struct server *server, const char *text, size_t len)
{
    struct message message = {.path = ""};
    struct text_span rest = trimmed(text, len);
    int error = check_whole(rest.text, rest.len);
    if (error)
        refuse(server, &message, error, (struct text_span){NULL, 0});
    if (error || rest.len == 0)
        return;
    for (bool more = true; more;) {
        size_t end = span_to(rest.text, rest.len, ';');
        struct text_span unit = trimmed(rest.text, end);
        more = end < rest.len;
        rest.text += end + more;
        rest.len -= end + more;
        if (unit.len == 0 && !more)
            break; /* a semicolon at the very end is harmless */
        error = unit.len == 0 ? -102 : obey_unit(server, &message, unit);
        if (error)
            refuse(server, &message, error, unit);
        if (error <= -100 && error > -200)
            break; /* after a command error the parser has lost its place: the rest is discarded */
    }
    if (message.response_len > 0)
        server_say(server, message.response, message.response_len);
    if (!message.failed) {
        server->heard_us = server->now_us;
        server->timed_out = false;
    }
}

/* ---- what commands use ---- */

void call_refuse(struct call *call, int error)
{
    call->error = call->error ? call->error : error;
}

void call_answer(struct call *call, const char *text)
{
    size_t len = strlen(text), comma = call->answer_len > 0;
    if (call->answer_len + comma + len > sizeof call->answer) {
        call_refuse(call, -223);
        return;
    }
    if (comma)
        call->answer[call->answer_len++] = ',';
    memcpy(call->answer + call->answer_len, text, len);
    call->answer_len += len;
}

void call_answer_integer(struct call *call, long value)
{
    char text[32];
    snprintf(text, sizeof text, "%ld", value);
    call_answer(call, text);
}

void call_answer_number(struct call *call, double value, int decimals)
{
    char text[64];
    if (isnan(value))
        snprintf(text, sizeof text, "9.91E37");
    else if (fabs(value) >= 9.9e37)
        snprintf(text, sizeof text, "%s9.9E37", value < 0 ? "-" : "");
    else if (call->server->setup.shape == SHAPE_LATE)
        snprintf(text, sizeof text, "%.5E", value);
    else
        snprintf(text, sizeof text, "%.*f", decimals, value);
    call_answer(call, text);
}

bool call_target(struct call *call, enum server_role role, size_t *ret)
{
    size_t first, count = server_span(call->server, role, &first);
    size_t index = call->suffix >= 0 ? (size_t)call->suffix - 1 : role == SERVER_LOAD ? call->server->selected : 0;
    if (call->suffix == 0 || index >= count) {
        call_refuse(call, -114);
        return false;
    }
    *ret = first + index;
    return true;
}

bool call_number(struct call *call, size_t parameter, const char *unit, double min, double max, double dflt,
                 double *ret)
{
    struct value value = {VALUE_NUMBER, NAN};
    const struct text_span *text = &call->parameters[parameter];
    int error = value_number(text->text, text->len, unit, &value);
    double number = value.kind == VALUE_MINIMUM   ? min
                    : value.kind == VALUE_MAXIMUM ? max
                    : value.kind == VALUE_DEFAULT ? dflt
                                                  : value.number;
    if (!error && !(number >= min && number <= max))
        error = -222;
    if (error)
        call_refuse(call, error);
    else
        *ret = number;
    return !error;
}

bool call_boolean(struct call *call, size_t parameter, bool *ret)
{
    int error = value_boolean(call->parameters[parameter].text, call->parameters[parameter].len, ret);
    if (error)
        call_refuse(call, error);
    return !error;
}
