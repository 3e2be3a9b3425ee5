/*
 * Opening a line for the off at restart: a few lines of termios and sockets of our own. The links room has better ones, but the way off
 * must not hang on a library, a lock or a rule about kinds; and brunt-guard has its own again, so that no error is in both.
 */
#include "daemon/guard/arm_entry.h"

#include "daemon/base/text.h"

#include <errno.h>
#include <fcntl.h>
#include <netdb.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

int64_t arm_now_ms(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec * 1000LL + t.tv_nsec / 1000000;
}

static speed_t speed_of(int baud)
{
    static const struct { int baud; speed_t speed; } speeds[] = {
        {300, B300},       {600, B600},       {1200, B1200},     {2400, B2400},     {4800, B4800},     {9600, B9600},
        {19200, B19200},   {38400, B38400},   {57600, B57600},   {115200, B115200}, {230400, B230400}, {460800, B460800},
        {500000, B500000}, {576000, B576000}, {921600, B921600}, {1000000, B1000000}, {2000000, B2000000},
    };
    for (size_t i = 0; i < sizeof speeds / sizeof speeds[0]; i++)
        if (speeds[i].baud == baud)
            return speeds[i].speed;
    return baud == 0 ? B115200 : B0;
}

static void frame_set(struct termios *t, const struct arm_entry *e)
{
    static const tcflag_t sizes[] = {CS5, CS6, CS7, CS8};
    speed_t speed = speed_of(e->baud);
    cfmakeraw(t);
    t->c_cflag &= ~(CSIZE | PARENB | PARODD | CSTOPB | CRTSCTS | HUPCL);
    t->c_cflag |= CLOCAL | CREAD | sizes[e->data_bits < 5 || e->data_bits > 8 ? 3 : e->data_bits - 5];
    if (e->parity == 'e' || e->parity == 'o')
        t->c_cflag |= e->parity == 'o' ? PARENB | PARODD : PARENB;
    if (e->stop_bits == 2)
        t->c_cflag |= CSTOPB;
    if (e->flow == 'r')
        t->c_cflag |= CRTSCTS;
    t->c_iflag &= ~(IXON | IXOFF | IXANY);
    if (e->flow == 'x')
        t->c_iflag |= IXON | IXOFF;
    if (speed != B0) /* an odd rate: what the dead daemon set still stands in the driver */
        cfsetspeed(t, speed);
    t->c_cc[VMIN] = 1;
    t->c_cc[VTIME] = 0;
}

static int terminal_open(const struct arm_entry *e, const char *path, struct error *err)
{
    struct termios t;
    int fd = open(path, O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    if (fd < 0)
        return error_errno(err, ERROR_LINK, errno, "%s can't be opened", e->address);
    if (tcgetattr(fd, &t) < 0) {
        int why = errno;
        close(fd);
        return error_errno(err, ERROR_LINK, why, "%s is no terminal", e->address);
    }
    frame_set(&t, e);
    tcsetattr(fd, TCSANOW, &t);
    tcflush(fd, TCIOFLUSH);
    return fd;
}

static int socket_open(const struct arm_entry *e, const char *rest, struct error *err)
{
    char host[sizeof e->address];
    struct addrinfo hints = {.ai_socktype = SOCK_STREAM}, *found = NULL;
    text_copy(host, sizeof host, rest);
    char *port = strrchr(host, ':'), *name = host;
    if (!port)
        return error_set(err, ERROR_LINK, "%s has no port", e->address);
    *port++ = '\0';
    if (name[0] == '[' && name[strlen(name) - 1] == ']') {
        name[strlen(name) - 1] = '\0';
        name++;
    }
    int why = getaddrinfo(name, port, &hints, &found);
    if (why)
        return error_set(err, ERROR_LINK, "%s: the host is not known: %s", e->address, gai_strerror(why));
    int fd = socket(found->ai_family, SOCK_STREAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0);
    int failed = fd < 0 || (connect(fd, found->ai_addr, found->ai_addrlen) < 0 && errno != EINPROGRESS) ? errno : 0;
    freeaddrinfo(found);
    if (!failed)
        return fd;
    if (fd >= 0)
        close(fd);
    return error_errno(err, ERROR_LINK, failed, "%s can't be reached", e->address);
}

int arm_line_open(const struct arm_entry *entry, struct error *err)
{
    const char *rest = strchr(entry->address, ':');
    if (!rest)
        return error_set(err, ERROR_LINK, "%s is no address", entry->address);
    return strncmp(entry->address, "tcp:", 4) == 0 ? socket_open(entry, rest + 1, err) : terminal_open(entry, rest + 1, err);
}
