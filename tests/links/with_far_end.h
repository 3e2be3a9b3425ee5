/* The other end of a line: a pty's master or a TCP peer, and a deadline for what should come. */
#ifndef TESTS_LINKS_WITH_FAR_END_H
#define TESTS_LINKS_WITH_FAR_END_H

#include "daemon/bench/links/link.h"

struct far_end {
    int fd;             /* master, or the accepted socket (-1 before far_end_accept()) */
    int listener;       /* TCP only, else -1 */
    char path[64];      /* /dev/pts/N */
    char address[80];   /* "pty:..." or "tcp:127.0.0.1:N" */
};

struct far_end far_end_pty(void);
struct far_end far_end_tcp(void);
void far_end_accept(struct far_end *far);
void far_end_close(struct far_end *far);

/* Bytes that came within 5 s; waits until `want` bytes are there or the line is lost (-1). */
long link_read_wanted(struct link *link, char *to, size_t want, struct error *err);
/* Reads until the line is lost: true; 5 s without: false. */
bool link_gets_lost(struct link *link, struct error *err);
bool far_end_gets(struct far_end *far, const char *text);

#endif
