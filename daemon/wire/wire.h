/*
 * The client protocol's messages: JSON-RPC 2.0, one message per line, over a Unix socket. Methods and fields: docs/protocol.md.
 * Both sides use these: the daemon (serve/) encodes, the client decodes, and the other way round. Numbers that are NAN travel as null.
 */
#ifndef BRUNT_WIRE_WIRE_H
#define BRUNT_WIRE_WIRE_H

#include "daemon/base/error.h"
#include "daemon/terms/terms.h"

#include <jansson.h>

#define WIRE_PROTOCOL 1
enum { WIRE_LINE_MAX = 1024 * 1024 }; /* bytes of one message, newline included; a longer one is refused and the connection closed */

/* RPC error codes: JSON-RPC's own, and ours by error_kind: -32000 - kind. */
int wire_code_of(enum error_kind kind);
enum error_kind wire_kind_of(int code);

/* Terms to JSON (new reference; NULL: no memory) and back (0, or -1 with ERROR_PROTOCOL naming the field). */
json_t *wire_reading(const struct reading *reading, uint64_t seq);
int wire_to_reading(const json_t *json, struct reading *ret, uint64_t *ret_seq, struct error *err);
json_t *wire_finding(const struct finding *finding, uint64_t seq);
int wire_to_finding(const json_t *json, struct finding *ret, uint64_t *ret_seq, struct error *err);
json_t *wire_mark(const struct mark *mark, uint64_t seq);
int wire_to_mark(const json_t *json, struct mark *ret, uint64_t *ret_seq, struct error *err);
json_t *wire_order(const struct order *order, int64_t at_us, uint64_t seq);
json_t *wire_outcome(const struct outcome *outcome, uint64_t seq);

/* Messages. Each gives a malloc'd line with its newline (free()), or NULL: no memory. `params`/`result` are stolen. */
char *wire_request(long long id, const char *method, json_t *params);
char *wire_result(const json_t *id, json_t *result);
char *wire_error(const json_t *id, const struct error *error);
char *wire_notice(const char *method, json_t *params);

struct wire_message {
    json_t *root;          /* owned; wire_message_end() */
    const char *method;    /* NULL: it is an answer */
    const json_t *id;      /* NULL: a notification */
    const json_t *params, *result, *error; /* borrowed; NULL if absent */
};
/* One line without its newline. ERROR_PROTOCOL: no JSON (code -32700), no JSON-RPC 2.0 (-32600); *ret_code says which. Duplicate keys, deep nesting, bad UTF-8 are refused. */
int wire_parse(const char *line, size_t len, struct wire_message *ret, int *ret_code, struct error *err);
void wire_message_end(struct wire_message *message);

/* Text of an error answer into *err with its kind. Always -1. */
int wire_error_of(const json_t *error, struct error *err);

/* ---- blocking client ---- */

struct wire_client;
/* path NULL: $BRUNT_SOCKET, else $XDG_RUNTIME_DIR/brunt/socket, else /run/brunt/socket. ERROR_LINK: nobody there (says how to start the daemon), no permission (which group). */
struct wire_client *wire_connect(const char *path, struct error *err);
void wire_disconnect(struct wire_client *client);
/* Sends and waits up to timeout_ms for the answer with the same id; notices that come meanwhile are kept for wire_next(). Gives a new reference. */
json_t *wire_call(struct wire_client *client, const char *method, json_t *params, int timeout_ms, struct error *err);
/* Next notice: 1 and *ret (owned), 0 time-out, -1 connection lost. timeout_ms < 0 waits for ever. */
int wire_next(struct wire_client *client, int timeout_ms, struct wire_message *ret, struct error *err);
int wire_descriptor(const struct wire_client *client);

/* Where the socket of a daemon with that directory is. */
void wire_socket_path(const char *dir, char *ret, size_t size);

/* ---- added for serve/ and main.c ---- */

/* JSON-RPC's own codes, where error_kind says too little. */
enum { WIRE_NO_JSON = -32700, WIRE_NO_REQUEST = -32600, WIRE_NO_METHOD = -32601, WIRE_BAD_PARAMS = -32602 };
/* Like wire_error() with a code of the caller's choice. */
char *wire_error_code(const json_t *id, int code, const struct error *error);
/* Text as JSON; what isn't UTF-8 (a sentence cut within a letter) becomes '?'. NULL: no memory. */
json_t *wire_text(const char *text);
/* A number as JSON; NAN and infinities become null. */
json_t *wire_number(double value);
/* Where a daemon without --dir and --socket listens: $BRUNT_SOCKET, $XDG_RUNTIME_DIR/brunt/socket, /run/brunt/socket (root), ~/.local/state/brunt/socket.
 * The client takes the first of these that exists. */
void wire_default_socket(char *ret, size_t size);

#endif
