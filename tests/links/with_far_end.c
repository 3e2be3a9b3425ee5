#include "tests/links/with_far_end.h"

#include <fcntl.h>
#include <netinet/in.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <termios.h>
#include <unistd.h>

enum { LIMIT_MS = 5000 };

struct far_end far_end_pty(void)
{
    struct far_end far = {.listener = -1};
    struct termios t;
    far.fd = posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC);
    if (far.fd < 0 || grantpt(far.fd) < 0 || unlockpt(far.fd) < 0 || ptsname_r(far.fd, far.path, sizeof far.path) != 0)
        abort();
    tcgetattr(far.fd, &t);
    cfmakeraw(&t);
    tcsetattr(far.fd, TCSANOW, &t);
    snprintf(far.address, sizeof far.address, "pty:%s", far.path);
    return far;
}

struct far_end far_end_tcp(void)
{
    struct far_end far = {.fd = -1};
    struct sockaddr_in at = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    socklen_t len = sizeof at;
    far.listener = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (far.listener < 0 || bind(far.listener, (struct sockaddr *)&at, len) < 0 || listen(far.listener, 4) < 0 ||
        getsockname(far.listener, (struct sockaddr *)&at, &len) < 0)
        abort();
    snprintf(far.address, sizeof far.address, "tcp:127.0.0.1:%d", ntohs(at.sin_port));
    return far;
}

void far_end_accept(struct far_end *far)
{
    far->fd = accept4(far->listener, NULL, NULL, SOCK_CLOEXEC);
    if (far->fd < 0)
        abort();
}

void far_end_close(struct far_end *far)
{
    if (far->fd >= 0)
        close(far->fd);
    if (far->listener >= 0)
        close(far->listener);
    far->fd = far->listener = -1;
}

long link_read_wanted(struct link *link, char *to, size_t want, struct error *err)
{
    size_t len = 0;
    for (int waited = 0; len < want && waited < LIMIT_MS; waited++) {
        struct pollfd p = {.fd = link_descriptor(link), .events = POLLIN};
        if (poll(&p, 1, 1) == 0)
            continue;
        long n = link_read(link, to + len, want - len, err);
        if (n < 0)
            return -1;
        len += (size_t)n;
    }
    return (long)len;
}

bool link_gets_lost(struct link *link, struct error *err)
{
    char bin[64];
    for (int waited = 0; waited < LIMIT_MS; waited++) {
        if (link_read(link, bin, sizeof bin, err) < 0)
            return true;
        poll(NULL, 0, 1);
    }
    return false;
}

bool far_end_gets(struct far_end *far, const char *text)
{
    char got[256];
    size_t len = 0, want = strlen(text);
    while (len < want) {
        struct pollfd p = {.fd = far->fd, .events = POLLIN};
        if (poll(&p, 1, LIMIT_MS) != 1)
            return false;
        ssize_t n = read(far->fd, got + len, want - len);
        if (n <= 0)
            return false;
        len += (size_t)n;
    }
    return memcmp(got, text, want) == 0;
}
