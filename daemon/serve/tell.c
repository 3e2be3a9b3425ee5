#include "daemon/serve/tell.h"

#include "daemon/base/text.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <unistd.h>

struct tell {
    int fd;
    bool own, is_socket, is_terminal;
    unsigned long dropped;
};

/* O_NONBLOCK belongs to the open file, which we share with the shell that started us: a new open of the same thing is ours alone. */
struct tell *tell_new(int fd)
{
    struct tell *tell = calloc(1, sizeof *tell);
    struct stat st = {0};
    char path[64];
    if (!tell)
        return NULL;
    tell->fd = fd;
    tell->is_terminal = isatty(fd);
    tell->is_socket = fstat(fd, &st) == 0 && S_ISSOCK(st.st_mode);
    snprintf(path, sizeof path, "/proc/self/fd/%d", fd);
    /* A plain file never waits; two open files on it would write over each other. */
    bool may_wait = S_ISFIFO(st.st_mode) || S_ISCHR(st.st_mode);
    int again = may_wait ? open(path, O_WRONLY | O_APPEND | O_NONBLOCK | O_NOCTTY | O_CLOEXEC) : -1;
    if (again >= 0) {
        tell->fd = again;
        tell->own = true;
    }
    return tell;
}

void tell_free(struct tell *tell)
{
    if (tell && tell->own)
        close(tell->fd);
    free(tell);
}

static bool put(struct tell *tell, const char *line, size_t len)
{
    struct pollfd room = {.fd = tell->fd, .events = POLLOUT};
    if (tell->is_socket)
        return send(tell->fd, line, len, MSG_DONTWAIT | MSG_NOSIGNAL) == (ssize_t)len;
    if (!tell->own && (poll(&room, 1, 0) != 1 || !(room.revents & POLLOUT)))
        return false;
    return write(tell->fd, line, len) == (ssize_t)len;
}

void tell(struct tell *tell, enum tell_level level, const char *format, ...)
{
    char line[1024] = "";
    va_list args;
    if (!tell)
        return;
    if (!tell->is_terminal)
        snprintf(line, sizeof line, "<%d>", level);
    text_add(line, sizeof line, "bruntd: ");
    if (tell->dropped)
        text_add(line, sizeof line, "(%lu messages before this one were lost) ", tell->dropped);
    size_t at = strlen(line);
    va_start(args, format);
    vsnprintf(line + at, sizeof line - 1 - at, format, args);
    va_end(args);
    for (char *c = line + at; *c; c++)
        if (*c == '\n')
            *c = ' ';
    at = strlen(line);
    memcpy(line + at, "\n", 2);
    tell->dropped = put(tell, line, at + 1) ? 0 : tell->dropped + 1;
}
