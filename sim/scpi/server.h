/*
 * The simulated instruments' SCPI side. PURE: bytes in, bytes out, time an argument. Written apart from the daemon's
 * bench/. One `struct instrument_server` per address; it looks at and acts on a world. Several addresses share one
 * world.
 */
#ifndef BRUNT_SIM_SCPI_SERVER_H
#define BRUNT_SIM_SCPI_SERVER_H

#include "sim/world/world.h"

enum server_role {
    SERVER_LOAD,
    SERVER_SELECTOR,
    SERVER_THERMOMETER,
    SERVER_MAINS,
    SERVER_METER,
    SERVER_POWER_METER,
    SERVER_ALL /* one address, all of the bench */,
    SERVER_ROLES
};

/* standard: SCPI-1999 long/short forms, compound, path rule, error queue, status model.
 * terse: other headers, no compound queries, one query a message, NR2, no error queue text.
 * late: by the standard's headers with other nouns, answers late, echoes the message, ends lines with CR LF or LF CR at
 * random, NR3. */
enum server_shape { SHAPE_STANDARD, SHAPE_TERSE, SHAPE_LATE, SHAPES };

struct server_setup {
    char name[64]; /* goes into the identity as model; maker "BRUNT-SIM" */
    enum server_role role;
    enum server_shape shape;
    size_t first, count;     /* load: world channels; selector, meter: world ports; thermometer: world places */
    int64_t answer_delay_us; /* per query */
    int64_t communications_timeout_us; /* 0: has none. load: input off when no valid message came for that long */
};

struct server;
int server_setup_read(struct tree_at group, struct server_setup *ret, struct error *err);
struct server *server_new(const struct server_setup *setup, struct world *world, uint64_t seed, struct error *err);
void server_free(struct server *server);

/* Bytes from the line, as they arrive; an unfinished line stays for whoever writes next. */
void server_bytes(struct server *server, const void *bytes, size_t len, int64_t now_us);
/* Answers whose time has come; at most size bytes, the rest stays. */
size_t server_answer(struct server *server, void *to, size_t size, int64_t now_us);
/* Next moment at which server_answer() or server_tick() has something to do; INT64_MAX none. */
int64_t server_due_us(const struct server *server);
void server_tick(struct server *server, int64_t now_us);         /* communications time-out */
void server_power_cycled(struct server *server, int64_t now_us); /* buffers gone, PON bit set */
/* Like server_answer(), but at most one line: *ret_echo says whether it is the echo of a message rather than an answer.
 * size >= 2048 takes any line whole. */
size_t server_answer_line(struct server *server, void *to, size_t size, int64_t now_us, bool *ret_echo);
const struct server_setup *server_setup_of(const struct server *server);

#endif
