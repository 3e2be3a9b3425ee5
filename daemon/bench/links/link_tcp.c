/* A raw socket as many instruments offer it: bytes as on a serial line. */
#include "daemon/bench/links/link_kind.h"

#include "daemon/base/text.h"

#include <errno.h>
#include <netdb.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

enum { CONNECT_MS = 2000 };

static int64_t now_ms(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec * 1000LL + t.tv_nsec / 1000000;
}

/* "host:port" or "[::1]:port". */
static int parts_of(const struct link *link, const char *rest, char *host, size_t size, const char **ret_port, struct error *err)
{
    long long port;
    const char *colon = strrchr(rest, ':');
    size_t len = colon ? (size_t)(colon - rest) : 0;
    if (len == 0 || !text_to_int64(colon + 1, 1, 65535, &port))
        return error_set(err, ERROR_LINK, "%s: expected tcp:host:port with a port from 1 to 65535", link->address);
    if (rest[0] == '[' && rest[len - 1] == ']') {
        rest++;
        len -= 2;
    }
    if (len >= size)
        return error_set(err, ERROR_LINK, "%s: the host's name is too long", link->address);
    memcpy(host, rest, len);
    host[len] = '\0';
    *ret_port = colon + 1;
    return 0;
}

/* A cable pulled from the switch must show within seconds, not after the kernel's two hours. */
static void options_set(int fd)
{
    const struct { int level, name, value; } options[] = {
        {IPPROTO_TCP, TCP_NODELAY, 1},   {SOL_SOCKET, SO_KEEPALIVE, 1}, {IPPROTO_TCP, TCP_KEEPIDLE, 5},
        {IPPROTO_TCP, TCP_KEEPINTVL, 2}, {IPPROTO_TCP, TCP_KEEPCNT, 3}, {IPPROTO_TCP, TCP_USER_TIMEOUT, 10000},
    };
    for (size_t i = 0; i < sizeof options / sizeof options[0]; i++)
        setsockopt(fd, options[i].level, options[i].name, &options[i].value, sizeof options[i].value);
}

/* 0, or an errno. */
static int connect_until(int fd, const struct addrinfo *to, int64_t deadline_ms)
{
    struct pollfd wait = {.fd = fd, .events = POLLOUT};
    int why = 0;
    socklen_t len = sizeof why;
    if (connect(fd, to->ai_addr, to->ai_addrlen) == 0)
        return 0;
    if (errno != EINPROGRESS)
        return errno;
    for (;;) {
        int64_t left = deadline_ms - now_ms();
        int n = left > 0 ? poll(&wait, 1, (int)left) : 0;
        if (n == 0)
            return ETIMEDOUT;
        if (n > 0)
            break;
        if (errno != EINTR)
            return errno;
    }
    return getsockopt(fd, SOL_SOCKET, SO_ERROR, &why, &len) < 0 ? errno : why;
}

static int connect_first(struct link *link, const struct addrinfo *list, struct error *err)
{
    int64_t deadline_ms = now_ms() + CONNECT_MS;
    int why = EADDRNOTAVAIL;
    for (const struct addrinfo *to = list; to; to = to->ai_next) {
        int fd = socket(to->ai_family, SOCK_STREAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0);
        if (fd < 0) {
            why = errno;
            continue;
        }
        if ((why = connect_until(fd, to, deadline_ms)) == 0) {
            options_set(fd);
            link->fd = fd;
            return 0;
        }
        close(fd);
    }
    if (why == ECONNREFUSED)
        return error_set(err, ERROR_LINK, "%s: nobody listens there: is the instrument's socket service switched on, the port right?",
                         link->address);
    if (why == ETIMEDOUT)
        return error_set(err, ERROR_LINK, "%s: no answer within %d s: is the instrument on and its address right?", link->address,
                         CONNECT_MS / 1000);
    return error_errno(err, ERROR_LINK, why, "%s: can't connect", link->address);
}

static int tcp_open(struct link *link, const char *rest, const struct link_settings *settings, struct error *err)
{
    char host[LINK_ADDRESS_SIZE];
    const char *port = NULL;
    struct addrinfo hints = {.ai_socktype = SOCK_STREAM, .ai_family = AF_UNSPEC}, *list = NULL;
    (void)settings;
    if (parts_of(link, rest, host, sizeof host, &port, err) < 0)
        return -1;
    int why = getaddrinfo(host, port, &hints, &list);
    if (why)
        return error_set(err, ERROR_LINK, "%s: the host %s is not known: %s", link->address, host, gai_strerror(why));
    text_copy(link->device, sizeof link->device, rest);
    int done = connect_first(link, list, err);
    freeaddrinfo(list);
    return done;
}

static long tcp_read(struct link *link, void *to, size_t size, struct error *err)
{
    ssize_t n = recv(link->fd, to, size, 0);
    if (n > 0)
        return n;
    if (n < 0 && (errno == EAGAIN || errno == EINTR))
        return 0;
    return link_lost(link, err, n == 0 ? "closed by the other side" : strerror(errno));
}

static long tcp_write(struct link *link, const void *from, size_t len, struct error *err)
{
    ssize_t n = send(link->fd, from, len, MSG_NOSIGNAL);
    if (n >= 0)
        return n;
    if (errno == EAGAIN || errno == EINTR)
        return 0;
    return link_lost(link, err, errno == EPIPE ? "closed by the other side" : strerror(errno));
}

static void tcp_close(struct link *link)
{
    if (link->fd >= 0)
        close(link->fd); /* no SO_LINGER: the kernel sends what is left on its own */
    link->fd = -1;
}

const struct link_kind link_kind_tcp = {"tcp:", tcp_open, tcp_read, tcp_write, tcp_close};
