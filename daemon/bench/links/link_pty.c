/*
 * Pseudo-terminals of a simulated bench: plain termios, since libserialport refuses them. Locked with flock alone: on a pty
 * (measured, Linux 6.18) an exclusive mark outlives its owner as long as the simulator lives, and would lock an ordinary user out for good.
 */
#include "daemon/bench/links/link_kind.h"

#include <errno.h>
#include <fcntl.h>
#include <string.h>
#include <unistd.h>

static int pty_open(struct link *link, const char *path, const struct link_settings *settings, struct error *err)
{
    struct termios t;
    (void)settings; /* a pty has no line speed */
    if (link_device_find(link, path, true, err) < 0)
        return -1;
    link->fd = open(link->device, O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    if (link->fd < 0)
        return link_device_refused(link, errno, err);
    int why = link_device_lock(link->fd);
    if (why) {
        close(link->fd); /* not ours: pty_close() would throw the holder's bytes away */
        link->fd = -1;
        return link_device_refused(link, why, err);
    }
    if (tcgetattr(link->fd, &t) < 0)
        return link_device_refused(link, errno, err);
    link_termios_raw(&t, 1);
    if (tcsetattr(link->fd, TCSANOW, &t) < 0)
        return link_device_refused(link, errno, err);
    return 0;
}

static long pty_read(struct link *link, void *to, size_t size, struct error *err)
{
    ssize_t n = read(link->fd, to, size);
    if (n > 0)
        return n;
    if (n < 0 && (errno == EAGAIN || errno == EINTR))
        return 0;
    return link_lost(link, err, n == 0 || errno == EIO ? "hung up, the simulated instrument is gone" : strerror(errno));
}

static long pty_write(struct link *link, const void *from, size_t len, struct error *err)
{
    ssize_t n = write(link->fd, from, len);
    if (n >= 0)
        return n;
    if (errno == EAGAIN || errno == EINTR)
        return 0;
    return link_lost(link, err, errno == EIO ? "hung up, the simulated instrument is gone" : strerror(errno));
}

static void pty_close(struct link *link)
{
    if (link->fd < 0)
        return;
    link_device_release(link);
    tcflush(link->fd, TCOFLUSH);
    close(link->fd);
    link->fd = -1;
}

const struct link_kind link_kind_pty = {"pty:", pty_open, pty_read, pty_write, pty_close};
