/* What link_*.c share: the link and the table of its makers. Not for other rooms: they have link.h. */
#ifndef BRUNT_BENCH_LINKS_LINK_KIND_H
#define BRUNT_BENCH_LINKS_LINK_KIND_H

#include "daemon/bench/links/link.h"

#include <sys/types.h>
#include <termios.h>

enum { LINK_ADDRESS_SIZE = 160, LINK_DEVICE_SIZE = 4096, LINK_IDENTITY_SIZE = 200 };

struct sp_port;

struct link {
    const struct link_kind *kind;
    int fd;               /* -1: not open */
    struct sp_port *port; /* serial only; owns fd then */
    char address[LINK_ADDRESS_SIZE], device[LINK_DEVICE_SIZE], identity[LINK_IDENTITY_SIZE];
};

struct link_kind {
    const char *prefix; /* with its colon */
    /* `rest` is the address behind the prefix. On failure link_close() tidies up whatever is set. */
    int (*open)(struct link *link, const char *rest, const struct link_settings *settings, struct error *err);
    long (*read)(struct link *link, void *to, size_t size, struct error *err);
    long (*write)(struct link *link, const void *from, size_t len, struct error *err);
    void (*close)(struct link *link);
};

extern const struct link_kind link_kind_serial, link_kind_pty, link_kind_tcp;

/* Resolves symlinks into link->device and refuses what is no character device, or the other kind of terminal. */
int link_device_find(struct link *link, const char *path, bool want_pty, struct error *err);

/* The sentence for an errno of opening link->device: permission names the group, busy names the holder. */
int link_device_refused(const struct link *link, int errno_value, struct error *err);

/* 0, or an errno: EBUSY if somebody has it exclusively or locked. On 0 the lock is taken. */
int link_device_lock(int fd);

/* flock and TIOCEXCL on link->fd, or ERROR_BUSY. link_device_release() undoes both for every copy of the descriptor: the guard holds one, and
 * would otherwise lock out our own next opening of the same line. */
int link_device_claim(struct link *link, struct error *err);
void link_device_release(struct link *link);

/* "process 1234 (name)" of somebody else who has `device` open, "" if /proc doesn't tell. */
void link_device_holder(const char *device, char *ret, size_t size);

/* Raw, receiver on, no HUPCL, no XON/XOFF. vmin as termios(3): 1 makes a hang-up (0 bytes) differ from silence (EAGAIN). */
void link_termios_raw(struct termios *t, int vmin);

int link_lost(const struct link *link, struct error *err, const char *how);

#endif
