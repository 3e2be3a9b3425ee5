/* The methods: who may, what they need, what they do. One row says all. */
#include "daemon/serve/serve_own.h"

#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum text_param { TEXT_NONE, TEXT_OPTIONAL, TEXT_NEEDED };

struct method {
    const char *name;
    bool control;         /* only those who may control */
    enum text_param text; /* params.text */
    json_t *(*obey)(struct client *client, const struct method *method, const json_t *params, struct error *err);
};

static json_t *do_hello(struct client *client, const struct method *method, const json_t *params, struct error *err);

static json_t *do_status(struct client *client, const struct method *method, const json_t *params, struct error *err)
{
    const struct serve_does *does = &client->serve->does;
    (void)method, (void)params;
    return does->status(does->context, err);
}

static json_t *do_bench(struct client *client, const struct method *method, const json_t *params, struct error *err)
{
    const struct serve_does *does = &client->serve->does;
    (void)method, (void)params;
    return does->bench(does->context, err);
}

static json_t *do_runs(struct client *client, const struct method *method, const json_t *params, struct error *err)
{
    const struct serve_does *does = &client->serve->does;
    (void)method, (void)params;
    return does->runs(does->context, err);
}

static json_t *do_start(struct client *client, const struct method *method, const json_t *params, struct error *err)
{
    const struct serve_does *does = &client->serve->does;
    (void)method;
    return does->start(does->context, &client->who, params, err);
}

static json_t *do_drill(struct client *client, const struct method *method, const json_t *params, struct error *err)
{
    const struct serve_does *does = &client->serve->does;
    (void)method;
    return does->drill(does->context, &client->who, params, err);
}

static json_t *do_command(struct client *client, const struct method *method, const json_t *params, struct error *err)
{
    const struct serve_does *does = &client->serve->does;
    const char *text = json_string_value(json_object_get(params, "text"));
    return does->command(does->context, &client->who, method->name, text ? text : "", err);
}

static size_t other_followers(const struct client *client)
{
    size_t count = 0;
    for (size_t i = 0; i < client->serve->clients_len; i++)
        count += client->serve->clients[i] != client && client->serve->clients[i]->following;
    return count;
}

static json_t *do_follow(struct client *client, const struct method *method, const json_t *params, struct error *err)
{
    struct tape *tape = &client->serve->tape;
    const json_t *from = json_object_get(params, "from_seq");
    (void)method;
    if (from && (!json_is_integer(from) || json_integer_value(from) < 0)) {
        error_set(err, ERROR_PROTOCOL, "follow: \"from_seq\" must be an integer of at least 0");
        return NULL;
    }
    if (other_followers(client) >= FOLLOWERS_MAX) {
        error_set(err, ERROR_BUSY, "%d clients follow already, the other %d places are kept for requests: end one of them, or ask for \"status\" now and then",
                  FOLLOWERS_MAX, SERVE_CLIENTS_MAX - FOLLOWERS_MAX);
        return NULL;
    }
    uint64_t from_seq = (uint64_t)json_integer_value(from);
    client->following = true;
    client->cursor = from ? tape_find(tape, from_seq) : tape->next;
    client->seen_seq = tape->last_seq;
    if (from && client->cursor == tape_oldest(tape) && client->cursor < tape->next) {
        const struct item *first = tape_at(tape, client->cursor);
        if (!first->begin && first->seq > from_seq && client->cursor > 0) {
            client->seen_seq = from_seq ? from_seq - 1 : 0;
            client->cursor--; /* overwritten: the client is told of the gap */
        }
    }
    return json_pack("{s:I}", "seq", (json_int_t)tape->last_seq);
}

static json_t *do_unfollow(struct client *client, const struct method *method, const json_t *params, struct error *err)
{
    (void)method, (void)params, (void)err;
    client->following = false;
    return json_object();
}

static const struct method methods[] = {
    {"hello", false, TEXT_NONE, do_hello},
    {"status", false, TEXT_NONE, do_status},
    {"bench", false, TEXT_NONE, do_bench},
    {"runs", false, TEXT_NONE, do_runs},
    {"follow", false, TEXT_NONE, do_follow},
    {"unfollow", false, TEXT_NONE, do_unfollow},
    {"stop", false, TEXT_OPTIONAL, do_command}, /* everybody: fail towards off */
    {"note", false, TEXT_NEEDED, do_command},
    {"start", true, TEXT_NONE, do_start},
    {"hold", true, TEXT_OPTIONAL, do_command},
    {"resume", true, TEXT_OPTIONAL, do_command},
    {"answer", true, TEXT_NEEDED, do_command},
    {"acknowledge", true, TEXT_OPTIONAL, do_command},
    {"drill", true, TEXT_NONE, do_drill},
};
enum { METHODS = sizeof methods / sizeof methods[0] };

static json_t *do_hello(struct client *client, const struct method *method, const json_t *params, struct error *err)
{
    json_t *names = json_array();
    (void)method, (void)params, (void)err;
    for (size_t i = 0; i < METHODS; i++)
        if (client->may_control || !methods[i].control)
            json_array_append_new(names, json_string(methods[i].name));
    return json_pack("{s:i, s:s, s:i, s:{s:s, s:i, s:b}, s:o}", "protocol", WIRE_PROTOCOL, "version", BRUNT_VERSION, "pid", (int)getpid(), "you",
                     "user", client->who.name, "uid", (int)client->who.uid, "may_control", client->may_control, "methods", names);
}

static const struct method *find(const char *name)
{
    for (size_t i = 0; i < METHODS; i++)
        if (strcmp(methods[i].name, name) == 0)
            return &methods[i];
    return NULL;
}

/* 0, or the RPC code of the refusal. */
static int refusal(const struct client *client, const struct method *method, const struct wire_message *m, struct error *err)
{
    const json_t *text = json_object_get(m->params, "text");
    size_t len = json_string_length(text);
    if (!method)
        return error_set(err, ERROR_PROTOCOL, "there is no method \"%.60s\"", m->method), WIRE_NO_METHOD;
    if (method->control && !client->may_control)
        return error_set(err, ERROR_REFUSED,
                         "user %s may watch and stop, but not \"%s\": only the daemon's own user, root and members of the control group may (bench file, control_group)",
                         client->who.name, method->name),
               wire_code_of(ERROR_REFUSED);
    if (method->text == TEXT_NEEDED && (!text || len == 0))
        return error_set(err, ERROR_PROTOCOL, "%s: \"text\" is missing", method->name), WIRE_BAD_PARAMS;
    if (method->text != TEXT_NONE && text && (!json_is_string(text) || len >= SENTENCE_SIZE))
        return error_set(err, ERROR_PROTOCOL, "%s: \"text\" must be text of at most %d bytes", method->name, SENTENCE_SIZE - 1), WIRE_BAD_PARAMS;
    return 0;
}

static void answer_error(struct client *client, const json_t *id, int code, const struct error *err)
{
    client_answer(client, wire_error_code(id, code, err));
}

static void obey(struct client *client, const struct method *method, const struct wire_message *m)
{
    struct serve *serve = client->serve;
    struct error err = ERROR_INIT;
    serve->current = client;
    serve->current_id = m->id;
    serve->deferred = false;
    json_t *result = method->obey(client, method, m->params, &err);
    serve->current = NULL;
    if (serve->deferred || !m->id)
        json_decref(result);
    else if (result)
        client_answer(client, wire_result(m->id, result));
    else
        answer_error(client, m->id, wire_code_of(err.kind), &err);
}

void method_obey(struct client *client, const char *line, size_t len)
{
    struct wire_message m;
    struct error err = ERROR_INIT;
    int code = WIRE_NO_REQUEST;
    if (wire_parse(line, len, &m, &code, &err) < 0) {
        answer_error(client, NULL, code, &err);
        return;
    }
    const struct method *method = m.method ? find(m.method) : NULL;
    code = m.method ? refusal(client, method, &m, &err) : 0;
    if (code && m.id)
        answer_error(client, m.id, code, &err);
    else if (!code && m.method) /* an answer is nothing we asked for: passed over */
        obey(client, method, &m);
    wire_message_end(&m);
}

/* ---- answers that take a worker ---- */

uint64_t serve_defer(struct serve *serve, struct error *err)
{
    for (size_t i = 0; i < TICKETS_MAX; i++) {
        struct ticket *ticket = &serve->tickets[i];
        if (ticket->number)
            continue;
        *ticket = (struct ticket){++serve->tickets_given, serve->current->serial, serve->current_id ? json_deep_copy(serve->current_id) : NULL};
        serve_client_of(serve, ticket->serial)->tickets++;
        serve->deferred = true;
        return ticket->number;
    }
    error_set(err, ERROR_BUSY, "%d requests wait for their answer already: wait for one of them", TICKETS_MAX);
    return 0;
}

static void answer_ticket(struct serve *serve, const struct ticket *ticket, json_t *result, const struct error *error)
{
    struct client *client = serve_client_of(serve, ticket->serial);
    if (client)
        client->tickets--;
    if (!client || !ticket->id) {
        json_decref(result);
        if (client)
            client_flush(client);
        return;
    }
    client_answer(client, result ? wire_result(ticket->id, result) : wire_error(ticket->id, error));
    if (serve_client_of(serve, ticket->serial))
        client_flush(client);
}

void serve_answer(struct serve *serve, uint64_t number, json_t *result, const struct error *error)
{
    for (size_t i = 0; i < TICKETS_MAX; i++)
        if (number && serve->tickets[i].number == number) {
            struct ticket ticket = serve->tickets[i];
            serve->tickets[i] = (struct ticket){0};
            answer_ticket(serve, &ticket, result, error);
            json_decref(ticket.id);
            return;
        }
    json_decref(result);
}
