#include "daemon/serve/serve_own.h"

#include "daemon/base/text.h"

#include <errno.h>
#include <grp.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

enum { BACKLOG = 16 };

static int new_socket(struct error *err)
{
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    return fd >= 0 ? fd : error_errno(err, ERROR_SYSTEM, errno, "can't make a socket");
}

/* A socket file outlives its process; only the attempt to connect tells a dead one from a live one. */
static int clear_path(const struct sockaddr_un *address, struct error *err)
{
    struct stat st;
    if (lstat(address->sun_path, &st) < 0)
        return errno == ENOENT ? 0 : error_errno(err, ERROR_SYSTEM, errno, "can't look at the socket's path %s", address->sun_path);
    if (!S_ISSOCK(st.st_mode))
        return error_set(err, ERROR_BUSY, "%s stands where the daemon's socket should be and is none: remove it, or name another path with --socket",
                         address->sun_path);
    int fd = new_socket(err);
    if (fd < 0)
        return -1;
    int connected = connect(fd, (const struct sockaddr *)address, sizeof *address), why = errno;
    close(fd);
    if (connected == 0 || why == EAGAIN)
        return error_set(err, ERROR_BUSY, "a daemon listens at %s already: use it, or name another path with --socket", address->sun_path);
    if (why != ECONNREFUSED)
        return error_errno(err, ERROR_SYSTEM, why, "can't tell whether a daemon listens at %s", address->sun_path);
    return unlink(address->sun_path) < 0 ? error_errno(err, ERROR_SYSTEM, errno, "can't remove the dead socket %s", address->sun_path) : 0;
}

static int find_group(struct serve *serve, const char *name, struct error *err)
{
    if (!*name)
        return 0;
    const struct group *group = getgrnam(name);
    if (!group)
        return error_set(err, ERROR_FILE, "there is no group \"%s\" (bench file, control_group): create it with `groupadd %s`, or leave the key out", name, name);
    serve->control_gid = group->gr_gid;
    serve->has_control_group = true;
    return 0;
}

/* Nobody can connect between bind and listen, so the permissions are right from the first connection on. */
static int bind_path(struct serve *serve, const struct sockaddr_un *address, struct error *err)
{
    struct stat st;
    const char *path = address->sun_path;
    if (bind(serve->fd, (const struct sockaddr *)address, sizeof *address) < 0)
        return error_errno(err, ERROR_SYSTEM, errno, "can't make the socket %s", path);
    if (stat(path, &st) < 0)
        return error_errno(err, ERROR_SYSTEM, errno, "the socket %s has vanished", path);
    text_copy(serve->path, sizeof serve->path, path);
    serve->inode = st.st_ino;
    if (serve->has_control_group && chown(path, (uid_t)-1, serve->control_gid) < 0)
        return error_errno(err, ERROR_SYSTEM, errno, "can't give the socket %s to the control group: the daemon's user must be a member of it", path);
    if (chmod(path, 0660) < 0)
        return error_errno(err, ERROR_SYSTEM, errno, "can't set the permissions of the socket %s", path);
    return listen(serve->fd, BACKLOG) < 0 ? error_errno(err, ERROR_SYSTEM, errno, "can't listen at %s", path) : 0;
}

static void on_connection(uv_poll_t *poll, int status, int events)
{
    struct serve *serve = poll->data;
    (void)events;
    int fd = status < 0 ? -1 : accept4(serve->fd, NULL, NULL, SOCK_CLOEXEC | SOCK_NONBLOCK);
    if (fd >= 0)
        client_accept(serve, fd);
}

static int serve_open(struct serve *serve, const char *path, const char *control_group, struct error *err)
{
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    if (!text_copy(address.sun_path, sizeof address.sun_path, path))
        return error_set(err, ERROR_USAGE, "the socket's path is longer than %zu bytes: %.200s", sizeof address.sun_path - 1, path);
    if (find_group(serve, control_group, err) < 0 || clear_path(&address, err) < 0 || (serve->fd = new_socket(err)) < 0 ||
        bind_path(serve, &address, err) < 0)
        return -1;
    if (uv_poll_init(serve->loop, &serve->poll, serve->fd) < 0)
        return error_set(err, ERROR_SYSTEM, "the event loop does not take the socket %s", path);
    serve->handles = 1;
    serve->poll.data = serve;
    uv_poll_start(&serve->poll, UV_READABLE, on_connection);
    return 0;
}

struct serve *serve_new(uv_loop_t *loop, const char *path, const char *control_group, const struct serve_does *does, struct error *err)
{
    struct serve *serve = calloc(1, sizeof *serve);
    if (!serve) {
        error_set(err, ERROR_MEMORY, "no memory for the client socket");
        return NULL;
    }
    serve->loop = loop;
    serve->fd = -1;
    serve->does = *does;
    if (serve_open(serve, path, control_group, err) < 0) {
        serve_close(serve);
        return NULL;
    }
    return serve;
}

static void serve_free(struct serve *serve)
{
    for (size_t i = 0; i < TICKETS_MAX; i++)
        json_decref(serve->tickets[i].id);
    tape_free(&serve->tape);
    free(serve);
}

void serve_handle_closed(struct serve *serve)
{
    if (--serve->handles == 0 && serve->closing)
        serve_free(serve);
}

static void on_listener_closed(uv_handle_t *handle)
{
    serve_handle_closed(handle->data);
}

static void remove_socket(const struct serve *serve)
{
    struct stat st;
    if (serve->path[0] && lstat(serve->path, &st) == 0 && st.st_ino == serve->inode)
        unlink(serve->path);
}

void serve_close(struct serve *serve)
{
    if (!serve)
        return;
    serve->closing = true;
    remove_socket(serve);
    while (serve->clients_len)
        client_close(serve->clients[serve->clients_len - 1]);
    while (serve->parting_len)
        client_close(serve->parting[0]);
    if (serve->handles) {
        uv_poll_stop(&serve->poll);
        uv_close((uv_handle_t *)&serve->poll, on_listener_closed);
    }
    if (serve->fd >= 0)
        close(serve->fd);
    if (!serve->handles)
        serve_free(serve);
}

struct client *serve_client_of(struct serve *serve, uint64_t serial)
{
    for (size_t i = 0; i < serve->clients_len; i++)
        if (serve->clients[i]->serial == serial)
            return serve->clients[i];
    return NULL;
}

size_t serve_clients(const struct serve *serve)
{
    return serve->clients_len;
}

static void flush_followers(struct serve *serve)
{
    /* Backwards: a client that has gone is replaced by the last one, which has had its turn. */
    for (size_t i = serve->clients_len; i-- > 0;)
        if (serve->clients[i]->following && !(serve->clients[i]->events & UV_WRITABLE))
            client_flush(serve->clients[i]);
}

void serve_publish(struct serve *serve, const char *kind, json_t *params)
{
    const json_t *json = json_object_get(params, "seq");
    bool has_seq = json_is_integer(json);
    uint64_t seq = has_seq ? (uint64_t)json_integer_value(json) : 0;
    struct item *item = item_new(params ? wire_notice(kind, params) : NULL);
    if (item)
        tape_put(&serve->tape, item, kind, has_seq ? &seq : NULL);
    flush_followers(serve);
}

void serve_publish_reading(struct serve *serve, const struct reading *reading, uint64_t seq)
{
    struct item *item = item_pack(reading, seq);
    if (item)
        tape_put(&serve->tape, item, "reading", &seq);
    flush_followers(serve);
}
