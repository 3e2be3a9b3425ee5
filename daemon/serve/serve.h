/*
 * JSON-RPC 2.0 over a Unix socket on a libuv loop. Knows the methods and who may call them; what they do comes in as a table of functions (main.c joins them with station, record and guard).
 *
 * Methods (docs/protocol.md): hello; status; bench; start {supply, profile, seats?, contracts?, title?}; stop; hold; resume; note {text}; answer {text}; acknowledge; drill; runs; follow {from_seq?}; unfollow.
 * Watching, stopping, noting: everybody who may open the socket. start, hold, resume, answer, acknowledge, drill: the daemon's own user, root, or members of the control group (peer credentials).
 * follow: notices "begin", "reading", "order", "outcome", "finding", "mark", "progress", "stored", "end", "gap" (a kind that a client doesn't know it passes over). A subscriber is a cursor into a ring of recent items, not a queue: one that is too slow gets {"gap": {"from", "to"}}.
 */
#ifndef BRUNT_SERVE_SERVE_H
#define BRUNT_SERVE_SERVE_H

#include "daemon/wire/wire.h"

#include <uv.h>

enum { SERVE_CLIENTS_MAX = 32, SERVE_RING = 4096 };

struct serve_who {
    unsigned uid, gid;
    long pid;
    char name[NAME_SIZE]; /* user name, or the number */
};

struct serve_does { /* each gives a result (new reference) or NULL with *err set; params may be NULL */
    void *context;
    json_t *(*status)(void *context, struct error *err);
    json_t *(*bench)(void *context, struct error *err);
    json_t *(*start)(void *context, const struct serve_who *who, const json_t *params, struct error *err);
    json_t *(*command)(void *context, const struct serve_who *who, const char *method, const char *text, struct error *err); /* stop hold resume note answer acknowledge */
    json_t *(*drill)(void *context, const struct serve_who *who, const json_t *params, struct error *err);
    json_t *(*runs)(void *context, struct error *err);
};

struct serve;
/* Binds path (0660, group control_group if not ""); removes a dead socket, refuses a live one (ERROR_BUSY). */
struct serve *serve_new(uv_loop_t *loop, const char *path, const char *control_group, const struct serve_does *does, struct error *err);
void serve_close(struct serve *serve); /* closes all handles; freed by the loop's later turns */

/* To all followers. The items are taken over (stolen). kind: the notice's method. "seq" in params is what from_seq and gaps speak of; "begin" starts its count anew. */
void serve_publish(struct serve *serve, const char *kind, json_t *params);
/* The notice "reading"; its JSON is made only if somebody follows. */
void serve_publish_reading(struct serve *serve, const struct reading *reading, uint64_t seq);
size_t serve_clients(const struct serve *serve);

/* ---- added for main.c ---- */

/* For a function of the table whose answer takes a worker: called inside it, gives a ticket (0: too many are open, *err set). What the function then returns is ignored;
 * serve_answer() must follow, once. The client may be gone by then: the answer is dropped. */
uint64_t serve_defer(struct serve *serve, struct error *err);
/* result is stolen; NULL: *error is the answer. */
void serve_answer(struct serve *serve, uint64_t ticket, json_t *result, const struct error *error);

#endif
