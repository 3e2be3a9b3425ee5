/* What the files of this room share. Not for other rooms: they have serve.h. */
#ifndef BRUNT_SERVE_OWN_H
#define BRUNT_SERVE_OWN_H

#include "daemon/serve/serve.h"

#include <stdbool.h>

enum { TICKETS_MAX = 64, ANSWERS_MAX = 16 /* unsent; then we stop listening to that client */, READ_SIZE = 65536 };
enum { FOLLOWERS_MAX = SERVE_CLIENTS_MAX - 4 /* places that are kept for requests */, PARTING_MAX = 8 };

/* ---- items: lines, shared by those who still have to send them ---- */

struct item {
    size_t refs, len;
    uint64_t seq; /* of the run's record; an item without one has that of the item before it */
    bool begin;   /* a run begins here */
    bool packed;  /* text holds a struct reading: nobody has asked for its line yet */
    struct item *next; /* in a client's queue of answers */
    char text[];
};

/* Takes `line` (malloc'd; NULL is passed through). */
struct item *item_new(char *line);
struct item *item_pack(const struct reading *reading, uint64_t seq);
struct item *item_ref(struct item *item);
void item_unref(struct item *item); /* NULL is fine */

/* ---- the ring: the last SERVE_RING notices, numbered from 0 ---- */

struct tape {
    struct item *items[SERVE_RING];
    uint64_t next;     /* number of the item that comes next */
    uint64_t last_seq; /* of the newest */
};

uint64_t tape_oldest(const struct tape *tape);
const struct item *tape_at(const struct tape *tape, uint64_t number); /* tape_oldest() <= number < next */
struct item *tape_line(struct tape *tape, uint64_t number); /* likewise, with its line and a reference for the caller; NULL: no memory */
void tape_put(struct tape *tape, struct item *item, const char *kind, const uint64_t *seq /* NULL: has none */);
/* Where a follower that has everything before from_seq goes on. */
uint64_t tape_find(const struct tape *tape, uint64_t from_seq);
void tape_free(struct tape *tape);

/* ---- a client ---- */

struct client {
    struct serve *serve;
    uv_poll_t poll;
    int fd, events;
    uint64_t serial, heard_at;       /* who it is for tickets; when it last said something, in messages of everybody */
    struct serve_who who;
    bool may_control;
    char *in;
    size_t in_len, in_size, scanned; /* bytes of an unfinished line; up to `scanned` there is no newline */
    struct item *answers, **answers_end;
    size_t answers_len, tickets;
    struct item *sending;            /* and how much of it is out */
    size_t sent;
    bool following, deaf, ended;     /* deaf: what comes is thrown away, then closed; ended: it has closed its side, or everything came */
    uint64_t cursor, seen_seq;       /* next number in the tape; last seq that it was sent, or that it said it has */
    size_t discarded;
};

void client_accept(struct serve *serve, int fd);
void client_close(struct client *client);
void client_answer(struct client *client, char *line); /* takes line; NULL (no memory) closes the client */
void client_flush(struct client *client);              /* sends what can be sent; may close it */

/* ---- the whole ---- */

struct ticket {
    uint64_t number, serial; /* 0: free */
    json_t *id;              /* NULL: it was a notification */
};

struct serve {
    uv_loop_t *loop;
    uv_poll_t poll;
    int fd;
    char path[108];
    ino_t inode;
    struct serve_does does;
    unsigned control_gid;
    bool has_control_group, closing;
    struct client *clients[SERVE_CLIENTS_MAX];
    struct client *parting[PARTING_MAX]; /* dismissed, oldest first: they hold no place, they only read why */
    size_t clients_len, parting_len, handles;
    uint64_t serials, messages, tickets_given;
    struct tape tape;
    struct ticket tickets[TICKETS_MAX];
    const struct client *current; /* whose request is being obeyed ... */
    const json_t *current_id;     /* ... and its id */
    bool deferred;
};

void serve_handle_closed(struct serve *serve);
struct client *serve_client_of(struct serve *serve, uint64_t serial); /* NULL: gone */

/* One message of a client: obeyed, and answered where an answer is due. */
void method_obey(struct client *client, const char *line, size_t len);

#endif
