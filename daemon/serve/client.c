/* One connection: bytes in, lines out. Never blocks, never waits: what can't be sent now goes when the socket says so. */
#include "daemon/serve/serve_own.h"

#include "daemon/base/text.h"

#include <errno.h>
#include <pwd.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

/* LINES_A_TURN, ITEMS_A_TURN: no client, however busy, may keep the loop from its instruments. */
enum { DISCARD_MAX = 64 * 1024 * 1024, GROUPS_MAX = 1024, IDLE_BUFFER = 4096, LINES_A_TURN = 8, ITEMS_A_TURN = 64 };

static void on_event(uv_poll_t *poll, int status, int events);

/* ---- who is it ---- */

/* /etc/passwd alone: the name service may ask a directory somewhere, and this is the loop that holds the load. */
static void user_name(struct serve_who *who)
{
    FILE *file = fopen("/etc/passwd", "re");
    const struct passwd *entry;
    snprintf(who->name, sizeof who->name, "%u", who->uid);
    while (file && (entry = fgetpwent(file)))
        if (entry->pw_uid == who->uid) {
            text_cut(who->name, sizeof who->name, entry->pw_name);
            break;
        }
    if (file)
        fclose(file);
}

static bool in_group(int fd, const struct serve_who *who, unsigned gid)
{
    gid_t groups[GROUPS_MAX];
    socklen_t len = sizeof groups;
    if (who->gid == gid)
        return true;
    if (getsockopt(fd, SOL_SOCKET, SO_PEERGROUPS, groups, &len) < 0)
        return false;
    for (size_t i = 0; i < len / sizeof groups[0]; i++)
        if (groups[i] == gid)
            return true;
    return false;
}

/* From the kernel, not from what the client says. */
static int identify(struct client *client)
{
    struct ucred peer;
    socklen_t len = sizeof peer;
    const struct serve *serve = client->serve;
    if (getsockopt(client->fd, SOL_SOCKET, SO_PEERCRED, &peer, &len) < 0)
        return -1;
    client->who = (struct serve_who){.uid = peer.uid, .gid = peer.gid, .pid = peer.pid};
    user_name(&client->who);
    client->may_control = peer.uid == 0 || peer.uid == geteuid() ||
                          (serve->has_control_group && in_group(client->fd, &client->who, serve->control_gid));
    return 0;
}

/* ---- beginning and end ---- */

/* By when it was last heard, among those that follow, or among those that only stand there. */
static struct client *longest_silent(const struct serve *serve, bool following)
{
    struct client *oldest = NULL;
    for (size_t i = 0; i < serve->clients_len; i++) {
        struct client *client = serve->clients[i];
        if (client->following == following && !client->tickets && (!oldest || client->heard_at < oldest->heard_at))
            oldest = client;
    }
    return oldest;
}

static void forget(struct client *client)
{
    struct serve *serve = client->serve;
    for (size_t i = 0; i < serve->clients_len; i++)
        if (serve->clients[i] == client)
            serve->clients[i] = serve->clients[--serve->clients_len];
    for (size_t i = 0; i < serve->parting_len; i++)
        if (serve->parting[i] == client) {
            memmove(&serve->parting[i], &serve->parting[i + 1], (--serve->parting_len - i) * sizeof serve->parting[0]);
            break;
        }
}

/* Its place is free at once; the connection lives on until it has read why. */
static void dismiss(struct client *client)
{
    static const struct error full = {ERROR_BUSY, "32 clients are connected and another one came: this connection, silent for the longest time, is closed; connect again"};
    struct serve *serve = client->serve;
    if (serve->parting_len == PARTING_MAX)
        client_close(serve->parting[0]);
    forget(client);
    serve->parting[serve->parting_len++] = client;
    client->deaf = true;
    client->following = false;
    client->tickets = client->in_len = client->scanned = 0;
    client_answer(client, wire_error(NULL, &full));
    if (!uv_is_closing((uv_handle_t *)&client->poll))
        client_flush(client);
}

/* Whoever comes gets in: it may be the one who wants to stop the run. */
static void make_place(struct serve *serve)
{
    if (serve->clients_len < SERVE_CLIENTS_MAX)
        return;
    struct client *client = longest_silent(serve, false);
    if (!client)
        client = longest_silent(serve, true);
    dismiss(client ? client : serve->clients[0]);
}

static bool may_obey(const struct client *client)
{
    return client->answers_len < ANSWERS_MAX && client->in_len > client->scanned;
}

/* "Writable" is also how a client that has used up its share of this turn gets the next one. */
static void watch(struct client *client)
{
    int events = 0;
    if (!client->ended && client->answers_len < ANSWERS_MAX && !may_obey(client))
        events |= UV_READABLE;
    if (client->sending || client->answers || may_obey(client) || (client->following && client->cursor < client->serve->tape.next))
        events |= UV_WRITABLE;
    if (events == client->events)
        return;
    client->events = events;
    if (events)
        uv_poll_start(&client->poll, events, on_event);
    else
        uv_poll_stop(&client->poll);
}

void client_accept(struct serve *serve, int fd)
{
    make_place(serve);
    struct client *client = calloc(1, sizeof *client);
    if (!client || uv_poll_init(serve->loop, &client->poll, fd) < 0) {
        free(client);
        close(fd);
        return;
    }
    client->serve = serve;
    client->fd = fd;
    client->poll.data = client;
    client->serial = ++serve->serials;
    client->heard_at = ++serve->messages; /* who has just come is about to speak */
    client->answers_end = &client->answers;
    serve->clients[serve->clients_len++] = client;
    serve->handles++;
    if (identify(client) < 0)
        client_close(client);
    else
        watch(client);
}

static void on_closed(uv_handle_t *handle)
{
    struct client *client = handle->data;
    struct serve *serve = client->serve;
    free(client);
    serve_handle_closed(serve);
}

static void drop_output(struct client *client)
{
    while (client->answers) {
        struct item *item = client->answers;
        client->answers = item->next;
        item_unref(item);
    }
    item_unref(client->sending);
    client->sending = NULL;
}

void client_close(struct client *client)
{
    if (uv_is_closing((uv_handle_t *)&client->poll))
        return;
    forget(client);
    drop_output(client);
    free(client->in);
    client->in = NULL;
    client->ended = true;
    uv_poll_stop(&client->poll);
    close(client->fd);
    uv_close((uv_handle_t *)&client->poll, on_closed);
}

/* ---- lines out ---- */

void client_answer(struct client *client, char *line)
{
    struct item *item = item_new(line);
    if (!item) {
        client_close(client);
        return;
    }
    *client->answers_end = item;
    client->answers_end = &item->next;
    client->answers_len++;
}

/* What was overwritten before this client took it. */
static struct item *gap_item(struct client *client, uint64_t oldest)
{
    const struct item *first = tape_at(&client->serve->tape, oldest);
    uint64_t missed = oldest - client->cursor;
    uint64_t to = first->seq > 0 ? first->seq - 1 : 0;
    uint64_t from = client->seen_seq + 1 <= to ? client->seen_seq + 1 : to; /* of an earlier run: its numbers are gone too */
    json_t *gap = json_pack("{s:I, s:I, s:I}", "from", (json_int_t)from, "to", (json_int_t)to, "items", (json_int_t)missed);
    client->cursor = oldest;
    return item_new(gap ? wire_notice("gap", gap) : NULL);
}

static struct item *next_notice(struct client *client)
{
    struct tape *tape = &client->serve->tape;
    uint64_t oldest = tape_oldest(tape);
    if (!client->following || client->cursor >= tape->next)
        return NULL;
    if (client->cursor < oldest)
        return gap_item(client, oldest);
    struct item *item = tape_line(tape, client->cursor);
    if (item) {
        client->cursor++;
        client->seen_seq = item->seq;
    }
    return item;
}

/* Answers before notices: somebody waits for them. */
static struct item *next_item(struct client *client)
{
    struct item *item = client->answers;
    if (!item)
        return next_notice(client);
    client->answers = item->next;
    client->answers_len--;
    if (!client->answers)
        client->answers_end = &client->answers;
    return item;
}

/* 1: all of it is out, 0: the socket is full, -1: nobody is there. */
static int send_some(struct client *client)
{
    const struct item *item = client->sending;
    while (client->sent < item->len) {
        ssize_t n = send(client->fd, item->text + client->sent, item->len - client->sent, MSG_NOSIGNAL | MSG_DONTWAIT);
        if (n > 0)
            client->sent += (size_t)n;
        else if (errno != EINTR)
            return errno == EAGAIN || errno == ENOBUFS ? 0 : -1;
    }
    return 1;
}

static bool finished(const struct client *client)
{
    return (client->ended || client->deaf) && !client->sending && !client->answers && !client->tickets && client->scanned >= client->in_len;
}

void client_flush(struct client *client)
{
    int out = 1;
    for (int items = 0; out > 0 && items < ITEMS_A_TURN && (client->sending || (client->sending = next_item(client))); items++) {
        out = send_some(client);
        if (out > 0) {
            item_unref(client->sending);
            client->sending = NULL;
            client->sent = 0;
        }
    }
    if (out < 0 || (finished(client) && client->ended)) {
        client_close(client);
        return;
    }
    if (finished(client))
        shutdown(client->fd, SHUT_WR); /* it may still be writing: go on taking its bytes, so that it gets to read why */
    watch(client);
}

/* ---- bytes in ---- */

static void answer_too_long(struct client *client)
{
    static const struct error too_long = {ERROR_PROTOCOL, "the message is longer than 1 MiB; the connection is closed"};
    client->deaf = true;
    client->following = false;
    client->in_len = client->scanned = 0;
    client_answer(client, wire_error_code(NULL, WIRE_NO_REQUEST, &too_long));
}

static bool closing(const struct client *client)
{
    return uv_is_closing((const uv_handle_t *)&client->poll);
}

/* Whole lines, while there is room for answers. What remains is moved to the front. */
static void obey_lines(struct client *client)
{
    size_t begin = 0;
    for (int lines = 0; !closing(client) && lines < LINES_A_TURN && may_obey(client); lines++) {
        char *newline = memchr(client->in + client->scanned, '\n', client->in_len - client->scanned);
        size_t end = newline ? (size_t)(newline - client->in) : client->in_len;
        client->scanned = end;
        if (!newline)
            break;
        client->scanned++;
        client->heard_at = ++client->serve->messages;
        if (end - begin >= WIRE_LINE_MAX) {
            answer_too_long(client);
            return;
        }
        if (end > begin && !(end == begin + 1 && client->in[begin] == '\r'))
            method_obey(client, client->in + begin, end - begin);
        begin = end + 1;
    }
    if (closing(client) || begin == 0)
        return;
    client->in_len -= begin;
    client->scanned -= begin;
    memmove(client->in, client->in + begin, client->in_len);
}

static bool make_room(struct client *client)
{
    size_t want = client->in_len + READ_SIZE;
    if (client->in_size >= want)
        return true;
    size_t size = client->in_size * 2 > want ? client->in_size * 2 : want;
    char *in = realloc(client->in, size);
    if (in) {
        client->in = in;
        client->in_size = size;
    }
    return in != NULL;
}

/* A client that only listens keeps no buffer: 32 of them with room for a plan each would be most of our memory. */
static void give_room_back(struct client *client)
{
    if (client->in_len || client->in_size <= IDLE_BUFFER)
        return;
    free(client->in);
    client->in = NULL;
    client->in_size = 0;
}

static void discard(struct client *client)
{
    char waste[READ_SIZE];
    ssize_t n = recv(client->fd, waste, sizeof waste, MSG_DONTWAIT);
    client->discarded += n > 0 ? (size_t)n : 0;
    if (n == 0 || (n < 0 && errno != EAGAIN && errno != EINTR) || client->discarded > DISCARD_MAX)
        client_close(client);
}

static void take_bytes(struct client *client)
{
    if (client->deaf) {
        discard(client);
        return;
    }
    if (!make_room(client)) {
        client_close(client);
        return;
    }
    ssize_t n = recv(client->fd, client->in + client->in_len, READ_SIZE, MSG_DONTWAIT);
    if (n < 0) {
        if (errno != EAGAIN && errno != EINTR)
            client_close(client);
        return;
    }
    if (n == 0) {
        client->ended = true;
        client->following = false;
    }
    client->in_len += (size_t)n;
    obey_lines(client);
    if (!closing(client) && !client->deaf && client->in_len >= WIRE_LINE_MAX && client->scanned == client->in_len)
        answer_too_long(client);
}

static void on_event(uv_poll_t *poll, int status, int events)
{
    struct client *client = poll->data;
    if (status < 0) {
        client_close(client);
        return;
    }
    if (may_obey(client))
        obey_lines(client); /* lines that had to wait for their turn, or for room for their answers */
    else if (events & UV_READABLE)
        take_bytes(client);
    if (!closing(client))
        client_flush(client);
    if (!closing(client))
        give_room_back(client);
}
