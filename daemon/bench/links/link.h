/*
 * The only code that touches a line. Non-blocking, but link_open() and link_close() may take long on USB: call them on a worker.
 * serial: libserialport on real tty devices (symlinks resolved), exclusive (flock and TIOCEXCL), close-on-exec, no HUPCL.
 * pty: termios, pseudo-terminals only.  tcp: raw socket, TCP_NODELAY.
 * (The memory link has no descriptor: station tests and rehearsal join bench and sim in one process.)
 */
#ifndef BRUNT_BENCH_LINKS_LINK_H
#define BRUNT_BENCH_LINKS_LINK_H

#include "daemon/base/error.h"

#include <stdbool.h>
#include <stddef.h>

struct link_settings { /* used on serial; ignored elsewhere */
    int baud, data_bits, stop_bits; /* 0: 115200, 8, 1 */
    char parity;                    /* 'n', 'e', 'o' */
    char flow;                      /* 'n', 'r' RTS/CTS, 'x' XON/XOFF; set with termios and read back, else refused */
};

struct link;

/* address: "serial:/dev/serial/by-id/...", "pty:/path" (symlink allowed), "tcp:host:port". "serial:" on a pseudo-terminal and the reverse are refused with the right word.
 * Errors (ERROR_LINK, ERROR_BUSY) name the path, what is wrong (not there, no permission and which group would help, busy and by whom if it can be found in /proc, not a tty) and what to do. */
struct link *link_open(const char *address, const struct link_settings *settings, struct error *err);
void link_close(struct link *link); /* NULL is fine; never blocks on unsent bytes */
int link_descriptor(const struct link *link);
const char *link_address(const struct link *link); /* as given */
const char *link_device(const struct link *link);  /* resolved path or host:port */

/* > 0 bytes; 0 nothing now; -1 the line is lost (hang-up, pulled plug, closed by the other side): *err says how. */
long link_read(struct link *link, void *to, size_t size, struct error *err);
long link_write(struct link *link, const void *from, size_t len, struct error *err);

/* USB identity for the bench table, "" where there is none. */
void link_identity(const struct link *link, char *ret, size_t size);

#endif
