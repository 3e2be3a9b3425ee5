/* A serve room on a loop of its own, and raw clients, all in one thread: the test turns the loop. */
#ifndef TEST_WITH_DAEMON_H
#define TEST_WITH_DAEMON_H

#include "daemon/serve/serve.h"

#include <stdbool.h>

struct daemon {
    char dir[64], path[96];
    uv_loop_t loop;
    struct serve *serve;
    char group[64];             /* control group, before daemon_begin() */
    char heard[8192];           /* what the functions of the table were asked, a line each */
    bool later;                 /* start defers its answer ... */
    uint64_t ticket;            /* ... this one */
    unsigned last_uid;
};

struct daemon *daemon_new(void);
void daemon_begin(struct daemon *d);
void daemon_free(struct daemon *d);
void daemon_turn(struct daemon *d); /* once, without waiting for long */

struct raw { /* a client of raw bytes */
    int fd;
    char *in;
    size_t len, size;
    bool closed;
};
struct raw raw_open(struct daemon *d);
void raw_close(struct raw *raw);
void raw_send(struct daemon *d, struct raw *raw, const char *bytes, size_t len); /* turns the loop while the socket is full */
void raw_say(struct daemon *d, struct raw *raw, const char *line);               /* with a newline */
json_t *raw_hear(struct daemon *d, struct raw *raw);                             /* next line as JSON; NULL: closed, or nothing comes */
json_t *raw_ask(struct daemon *d, struct raw *raw, const char *line);
bool raw_take(struct raw *raw);                                                  /* what is there, into `in` */

long long number_of(json_t *message, const char *a, const char *b); /* message.a.b; -1 none */

#endif
