/* The blocking client: one request at a time, notices kept in between. */
#include "daemon/wire/wire.h"

#include "daemon/base/text.h"

#include <errno.h>
#include <fcntl.h>
#include <grp.h>
#include <poll.h>
#include <pwd.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <time.h>
#include <unistd.h>

enum { KEPT_MAX = 65536, READ_CHUNK = 65536 };

struct kept {
    struct kept *next;
    struct wire_message message;
};

struct wire_client {
    int fd;
    long long last_id;
    char path[sizeof((struct sockaddr_un *)0)->sun_path];
    char *buffer;
    size_t len, size, scanned; /* bytes of an unfinished line; up to `scanned` there is no newline */
    struct kept *first, **end;
    size_t kept;
};

static int64_t now_ms(void)
{
    struct timespec ts;
    clock_gettime(CLOCK_MONOTONIC, &ts);
    return (int64_t)ts.tv_sec * 1000 + ts.tv_nsec / 1000000;
}

void wire_socket_path(const char *dir, char *ret, size_t size)
{
    snprintf(ret, size, "%s/socket", dir);
}

/* The places in order; false: there is no i-th one for this user. */
static bool default_place(int i, char *ret, size_t size)
{
    const char *said = getenv(i == 0 ? "BRUNT_SOCKET" : i == 1 ? "XDG_RUNTIME_DIR" : "HOME");
    switch (i) {
    case 0:
        return said && *said && text_copy(ret, size, said);
    case 1:
        return said && *said == '/' && snprintf(ret, size, "%s/brunt/socket", said) < (int)size;
    case 2:
        return text_copy(ret, size, "/run/brunt/socket");
    default:
        return said && *said == '/' && snprintf(ret, size, "%s/.local/state/brunt/socket", said) < (int)size;
    }
}

void wire_default_socket(char *ret, size_t size)
{
    for (int i = 0; i < 4; i++)
        if ((i != 2 || geteuid() == 0) && default_place(i, ret, size))
            return;
    text_copy(ret, size, "/run/brunt/socket");
}

static void find_socket(char *ret, size_t size)
{
    for (int i = 0; i < 4; i++)
        if (default_place(i, ret, size) && (i == 0 || access(ret, F_OK) == 0))
            return;
    wire_default_socket(ret, size);
}

static int say_no_permission(const char *path, struct error *err)
{
    struct stat st;
    if (stat(path, &st) < 0)
        return error_set(err, ERROR_LINK, "no permission to reach the daemon's socket %s: ask the daemon's user to start it with --socket in a folder you may enter", path);
    const struct group *group = getgrgid(st.st_gid);
    const struct passwd *user = getpwuid(st.st_uid);
    return error_set(err, ERROR_LINK, "no permission to open the daemon's socket %s: it belongs to user %s; become a member of group %s (then log in again)",
                     path, user ? user->pw_name : "?", group ? group->gr_name : "?");
}

static int say_not_connected(const char *path, int why, struct error *err)
{
    if (why == EACCES || why == EPERM)
        return say_no_permission(path, err);
    if (why == ENOENT || why == ECONNREFUSED || why == ENOTDIR)
        return error_set(err, ERROR_LINK, "no daemon listens at %s: start one with `bruntd --bench FILE`, or name its socket with --socket or BRUNT_SOCKET", path);
    return error_errno(err, ERROR_LINK, why, "can't connect to the daemon at %s", path);
}

static int client_open(struct wire_client *client, const char *path, struct error *err)
{
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    if (!text_copy(address.sun_path, sizeof address.sun_path, path))
        return error_set(err, ERROR_LINK, "the socket's path is longer than %zu bytes: %.200s", sizeof address.sun_path - 1, path);
    text_copy(client->path, sizeof client->path, path);
    client->fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (client->fd < 0)
        return error_errno(err, ERROR_SYSTEM, errno, "can't make a socket");
    if (connect(client->fd, (const struct sockaddr *)&address, sizeof address) < 0)
        return say_not_connected(path, errno, err);
    if (fcntl(client->fd, F_SETFL, O_NONBLOCK) < 0)
        return error_errno(err, ERROR_SYSTEM, errno, "can't set the daemon's socket up");
    return 0;
}

struct wire_client *wire_connect(const char *path, struct error *err)
{
    char found[512];
    struct wire_client *client = calloc(1, sizeof *client);
    if (!client) {
        error_set(err, ERROR_MEMORY, "no memory for the connection to the daemon");
        return NULL;
    }
    client->fd = -1;
    client->end = &client->first;
    if (!path)
        find_socket(found, sizeof found);
    if (client_open(client, path ? path : found, err) < 0) {
        wire_disconnect(client);
        return NULL;
    }
    return client;
}

void wire_disconnect(struct wire_client *client)
{
    if (!client)
        return;
    while (client->first) {
        struct kept *kept = client->first;
        client->first = kept->next;
        wire_message_end(&kept->message);
        free(kept);
    }
    if (client->fd >= 0)
        close(client->fd);
    free(client->buffer);
    free(client);
}

int wire_descriptor(const struct wire_client *client)
{
    return client->fd;
}

static int lost(const struct wire_client *client, struct error *err)
{
    return error_set(err, ERROR_LINK, "the daemon at %s closed the connection: see its messages; a run in progress goes on without clients", client->path);
}

/* 1 ready, 0 time-out, -1. until_ms < 0: for ever. */
static int wait_for(const struct wire_client *client, short events, int64_t until_ms, struct error *err)
{
    for (;;) {
        int64_t left_ms = until_ms < 0 ? -1 : until_ms - now_ms();
        struct pollfd p = {.fd = client->fd, .events = events};
        int n = poll(&p, 1, until_ms < 0 ? -1 : left_ms > 0 ? (int)left_ms : 0);
        if (n > 0)
            return 1;
        if (n == 0)
            return 0;
        if (errno != EINTR)
            return error_errno(err, ERROR_LINK, errno, "waiting for the daemon failed");
    }
}

static int send_all(struct wire_client *client, const char *line, int64_t until_ms, struct error *err)
{
    size_t len = strlen(line), sent = 0;
    while (sent < len) {
        ssize_t n = send(client->fd, line + sent, len - sent, MSG_NOSIGNAL);
        if (n > 0) {
            sent += (size_t)n;
        } else if (errno == EAGAIN) {
            int ready = wait_for(client, POLLOUT, until_ms, err);
            if (ready <= 0)
                return ready < 0 ? -1 : error_set(err, ERROR_LINK, "the daemon at %s takes no bytes", client->path);
        } else if (errno != EINTR) {
            return lost(client, err);
        }
    }
    return 0;
}

static int make_room(struct wire_client *client, struct error *err)
{
    if (client->size - client->len >= READ_CHUNK)
        return 0;
    if (client->size >= (size_t)WIRE_LINE_MAX + READ_CHUNK)
        return error_set(err, ERROR_PROTOCOL, "the daemon at %s sent a message longer than 1 MiB", client->path);
    size_t size = client->size ? client->size * 2 : 2 * READ_CHUNK;
    char *buffer = realloc(client->buffer, size);
    if (!buffer)
        return error_set(err, ERROR_MEMORY, "no memory for the daemon's message");
    client->buffer = buffer;
    client->size = size;
    return 0;
}

/* 1: a whole message taken out of the buffer; 0: none yet. */
static int take_line(struct wire_client *client, struct wire_message *ret, struct error *err)
{
    char *newline = client->len > client->scanned ? memchr(client->buffer + client->scanned, '\n', client->len - client->scanned) : NULL;
    client->scanned = newline ? 0 : client->len;
    if (!newline)
        return 0;
    size_t len = (size_t)(newline - client->buffer);
    int failed = wire_parse(client->buffer, len, ret, NULL, err);
    client->len -= len + 1;
    memmove(client->buffer, newline + 1, client->len);
    return failed < 0 ? error_prefix(err, "the daemon at %s", client->path) : 1;
}

/* Next message of any kind from the socket: 1, 0 time-out, -1. */
static int receive(struct wire_client *client, int64_t until_ms, struct wire_message *ret, struct error *err)
{
    for (;;) {
        int taken = take_line(client, ret, err);
        if (taken != 0)
            return taken;
        if (make_room(client, err) < 0)
            return -1;
        ssize_t n = recv(client->fd, client->buffer + client->len, client->size - client->len, 0);
        if (n > 0) {
            client->len += (size_t)n;
        } else if (n == 0 || (errno != EAGAIN && errno != EINTR)) {
            return lost(client, err);
        } else {
            int ready = wait_for(client, POLLIN, until_ms, err);
            if (ready <= 0)
                return ready;
        }
    }
}

static int keep(struct wire_client *client, struct wire_message *message, struct error *err)
{
    struct kept *kept = client->kept < KEPT_MAX ? malloc(sizeof *kept) : NULL;
    if (!kept) {
        wire_message_end(message);
        return error_set(err, ERROR_MEMORY, "no room for more notices of the daemon");
    }
    *kept = (struct kept){NULL, *message};
    *client->end = kept;
    client->end = &kept->next;
    client->kept++;
    return 0;
}

static bool answers(const struct wire_message *message, long long id)
{
    return !message->method && json_is_integer(message->id) && json_integer_value(message->id) == id;
}

static json_t *answer_of(struct wire_message *message, struct error *err)
{
    json_t *result = NULL;
    if (message->error)
        wire_error_of(message->error, err);
    else
        result = json_incref(json_object_get(message->root, "result"));
    wire_message_end(message);
    return result;
}

static int await_answer(struct wire_client *client, long long id, const char *method, int64_t until_ms, struct wire_message *ret, struct error *err)
{
    for (;;) {
        int got = receive(client, until_ms, ret, err);
        if (got < 0)
            return -1;
        if (got == 0)
            return error_set(err, ERROR_LINK, "the daemon at %s did not answer \"%s\" in time", client->path, method);
        if (answers(ret, id))
            return 0;
        if (!ret->method && ret->error && json_is_null(ret->id)) /* it could not even read our id */
            return wire_error_of(ret->error, err), wire_message_end(ret), -1;
        if (!ret->method)
            wire_message_end(ret); /* late answer to a request that timed out */
        else if (keep(client, ret, err) < 0)
            return -1;
    }
}

json_t *wire_call(struct wire_client *client, const char *method, json_t *params, int timeout_ms, struct error *err)
{
    struct wire_message message;
    int64_t until_ms = timeout_ms < 0 ? -1 : now_ms() + timeout_ms;
    long long id = ++client->last_id;
    char *line = wire_request(id, method, params);
    if (!line) {
        error_set(err, ERROR_MEMORY, "no memory for the request");
        return NULL;
    }
    int failed = strlen(line) > WIRE_LINE_MAX ? error_set(err, ERROR_PROTOCOL, "the request \"%s\" is longer than 1 MiB", method)
                                              : send_all(client, line, until_ms, err);
    free(line);
    if (failed < 0 || await_answer(client, id, method, until_ms, &message, err) < 0)
        return NULL;
    return answer_of(&message, err);
}

static void take_kept(struct wire_client *client, struct wire_message *ret)
{
    struct kept *kept = client->first;
    *ret = kept->message;
    client->first = kept->next;
    if (!client->first)
        client->end = &client->first;
    client->kept--;
    free(kept);
}

int wire_next(struct wire_client *client, int timeout_ms, struct wire_message *ret, struct error *err)
{
    int64_t until_ms = timeout_ms < 0 ? -1 : now_ms() + timeout_ms;
    if (client->first) {
        take_kept(client, ret);
        return 1;
    }
    for (;;) {
        int got = receive(client, until_ms, ret, err);
        if (got <= 0 || ret->method)
            return got;
        wire_message_end(ret); /* late answer to a request that timed out */
    }
}
