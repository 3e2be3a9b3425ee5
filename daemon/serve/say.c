#include "daemon/serve/say.h"

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

struct say {
    int fd;
    bool own, is_socket, is_terminal;
    unsigned long dropped;
};

/* O_NONBLOCK belongs to the open file, which we share with the shell that started us: a new open of the same thing is ours alone. */
struct say *say_new(int fd)
{
    struct say *say = calloc(1, sizeof *say);
    struct stat st;
    char path[64];
    if (!say)
        return NULL;
    say->fd = fd;
    say->is_terminal = isatty(fd);
    say->is_socket = fstat(fd, &st) == 0 && S_ISSOCK(st.st_mode);
    snprintf(path, sizeof path, "/proc/self/fd/%d", fd);
    int again = say->is_socket ? -1 : open(path, O_WRONLY | O_APPEND | O_NONBLOCK | O_NOCTTY | O_CLOEXEC);
    if (again >= 0) {
        say->fd = again;
        say->own = true;
    }
    return say;
}

void say_free(struct say *say)
{
    if (say && say->own)
        close(say->fd);
    free(say);
}

static bool put(struct say *say, const char *line, size_t len)
{
    struct pollfd room = {.fd = say->fd, .events = POLLOUT};
    if (say->is_socket)
        return send(say->fd, line, len, MSG_DONTWAIT | MSG_NOSIGNAL) == (ssize_t)len;
    if (!say->own && (poll(&room, 1, 0) != 1 || !(room.revents & POLLOUT)))
        return false;
    return write(say->fd, line, len) == (ssize_t)len;
}

void say(struct say *say, enum say_level level, const char *format, ...)
{
    char line[1024] = "";
    va_list args;
    if (!say)
        return;
    if (!say->is_terminal)
        snprintf(line, sizeof line, "<%d>", level);
    text_add(line, sizeof line, "bruntd: ");
    if (say->dropped)
        text_add(line, sizeof line, "(%lu messages before this one were lost) ", say->dropped);
    size_t at = strlen(line);
    va_start(args, format);
    vsnprintf(line + at, sizeof line - 1 - at, format, args);
    va_end(args);
    for (char *c = line + at; *c; c++)
        if (*c == '\n')
            *c = ' ';
    at = strlen(line);
    memcpy(line + at, "\n", 2);
    say->dropped = put(say, line, at + 1) ? 0 : say->dropped + 1;
}
