#include "tests/serve/with_daemon.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include <cmocka.h>

enum { TURNS_MAX = 20000 };

static void note(struct daemon *d, const char *what, const char *text)
{
    size_t at = strlen(d->heard);
    snprintf(d->heard + at, sizeof d->heard - at, "%s %s\n", what, text);
}

static json_t *says_status(void *context, struct error *err)
{
    (void)err;
    note(context, "status", "");
    return json_pack("{s:s}", "state", "idle");
}

static json_t *says_bench(void *context, struct error *err)
{
    note(context, "bench", "");
    error_set(err, ERROR_INSTRUMENT, "load1 does not answer");
    return NULL;
}

static json_t *says_start(void *context, const struct serve_who *who, const json_t *params, struct error *err)
{
    struct daemon *d = context;
    const char *title = json_string_value(json_object_get(params, "title"));
    note(d, "start", title ? title : "");
    d->last_uid = who->uid;
    if (d->later)
        d->ticket = serve_defer(d->serve, err);
    return d->later ? NULL : json_pack("{s:s}", "id", "run-1");
}

static json_t *says_command(void *context, const struct serve_who *who, const char *method, const char *text, struct error *err)
{
    (void)err;
    ((struct daemon *)context)->last_uid = who->uid;
    note(context, method, text);
    return json_object();
}

static json_t *says_drill(void *context, const struct serve_who *who, const json_t *params, struct error *err)
{
    (void)who, (void)params, (void)err;
    note(context, "drill", "");
    return json_object();
}

static json_t *says_runs(void *context, struct error *err)
{
    (void)err;
    note(context, "runs", "");
    return json_array();
}

struct daemon *daemon_new(void)
{
    struct daemon *d = calloc(1, sizeof *d);
    strcpy(d->dir, "/tmp/brunt-serve-XXXXXX");
    assert_non_null(mkdtemp(d->dir));
    snprintf(d->path, sizeof d->path, "%s/socket", d->dir);
    assert_int_equal(uv_loop_init(&d->loop), 0);
    return d;
}

void daemon_begin(struct daemon *d)
{
    const struct serve_does does = {d, says_status, says_bench, says_start, says_command, says_drill, says_runs};
    struct error err = ERROR_INIT;
    d->serve = serve_new(&d->loop, d->path, d->group, &does, &err);
    if (!d->serve)
        fail_msg("%s", err.text);
}

void daemon_free(struct daemon *d)
{
    serve_close(d->serve);
    uv_run(&d->loop, UV_RUN_DEFAULT);
    assert_int_equal(uv_loop_close(&d->loop), 0); /* busy: a handle was forgotten */
    unlink(d->path);
    rmdir(d->dir);
    free(d);
}

void daemon_turn(struct daemon *d)
{
    if (!uv_run(&d->loop, UV_RUN_NOWAIT))
        return;
    poll(NULL, 0, 0);
}

struct raw raw_open(struct daemon *d)
{
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    struct raw raw = {.fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0)};
    strcpy(address.sun_path, d->path);
    assert_int_equal(connect(raw.fd, (struct sockaddr *)&address, sizeof address), 0);
    fcntl(raw.fd, F_SETFL, O_NONBLOCK);
    daemon_turn(d);
    return raw;
}

void raw_close(struct raw *raw)
{
    close(raw->fd);
    free(raw->in);
    *raw = (struct raw){.fd = -1};
}

void raw_send(struct daemon *d, struct raw *raw, const char *bytes, size_t len)
{
    for (int turns = 0; len && turns < TURNS_MAX; turns++) {
        ssize_t n = send(raw->fd, bytes, len, MSG_NOSIGNAL);
        if (n < 0 && errno != EAGAIN)
            return;
        bytes += n > 0 ? n : 0;
        len -= n > 0 ? (size_t)n : 0;
        daemon_turn(d);
    }
    assert_int_equal(len, 0);
}

void raw_say(struct daemon *d, struct raw *raw, const char *line)
{
    raw_send(d, raw, line, strlen(line));
    raw_send(d, raw, "\n", 1);
}

bool raw_take(struct raw *raw)
{
    if (raw->size - raw->len < 65536)
        raw->in = realloc(raw->in, raw->size += 131072);
    ssize_t n = recv(raw->fd, raw->in + raw->len, raw->size - raw->len, 0);
    raw->closed = raw->closed || n == 0 || (n < 0 && errno != EAGAIN);
    raw->len += n > 0 ? (size_t)n : 0;
    return n > 0;
}

static json_t *take_line(struct raw *raw)
{
    char *newline = raw->len ? memchr(raw->in, '\n', raw->len) : NULL;
    if (!newline)
        return NULL;
    json_t *json = json_loadb(raw->in, (size_t)(newline - raw->in), 0, NULL);
    assert_non_null(json);
    raw->len -= (size_t)(newline + 1 - raw->in);
    memmove(raw->in, newline + 1, raw->len);
    return json;
}

json_t *raw_hear(struct daemon *d, struct raw *raw)
{
    json_t *json = take_line(raw);
    for (int turns = 0; !json && !raw->closed && turns < 200; turns++) {
        daemon_turn(d);
        raw_take(raw);
        json = take_line(raw);
    }
    return json;
}

json_t *raw_ask(struct daemon *d, struct raw *raw, const char *line)
{
    raw_say(d, raw, line);
    return raw_hear(d, raw);
}

long long number_of(json_t *message, const char *a, const char *b)
{
    const json_t *at = json_object_get(json_object_get(message, a), b);
    return json_is_integer(at) ? json_integer_value(at) : -1;
}
