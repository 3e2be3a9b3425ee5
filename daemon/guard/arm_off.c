/*
 * Off without daemon and guard: for a restart, before all else, and for `bruntd --off`. All lines go through the same round in lockstep
 * (off, listen until it is quiet, ask, listen), unlike the guard, which keeps a clock for each line.
 */
#include "daemon/guard/arm_entry.h"

#include "daemon/base/text.h"

#include <errno.h>
#include <poll.h>
#include <stdio.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

enum { QUIET_MS = 60, QUIET_MAX_MS = 600, MAINS_AFTER_MS = 1000, CONFIRMATIONS = 2, BETWEEN_ROUNDS_MS = 100, FIRST_WRITE_MS = 300 };

struct line {
    const struct arm_entry *entry;
    int fd;
    unsigned char out[160];
    size_t out_len, out_at;
    char in[128];
    size_t in_len;
    bool asked, off_seen;
    int confirmed; /* in a row */
    struct error trouble;
};

struct round {
    struct line lines[ARM_ENTRIES_MAX];
    size_t count;
    int64_t begin_ms, deadline_ms;
    bool mains;
};

static bool takes_part(const struct round *r, const struct line *l)
{
    return l->confirmed < CONFIRMATIONS && (!l->entry->mains || r->mains);
}

static void lose(struct line *l, const char *how)
{
    error_set(&l->trouble, ERROR_LINK, "%s: %s", l->entry->address, how);
    close(l->fd);
    l->fd = -1;
    l->confirmed = 0;
}

/* A peer that closed must not kill us with SIGPIPE before the other lines are off. */
static ssize_t put(int fd, const void *bytes, size_t len)
{
    ssize_t n = send(fd, bytes, len, MSG_NOSIGNAL);
    return n < 0 && errno == ENOTSOCK ? write(fd, bytes, len) : n;
}

static void push(struct line *l)
{
    while (l->fd >= 0 && l->out_at < l->out_len) {
        ssize_t n = put(l->fd, l->out + l->out_at, l->out_len - l->out_at);
        if (n < 0 && errno == EAGAIN)
            return;
        if (n < 0 && errno != EINTR)
            lose(l, strerror(errno));
        else if (n > 0)
            l->out_at += (size_t)n;
    }
}

/* As the bytes say; as numbers too, for an instrument that writes +0 or 0.00. */
static bool says_off(const struct arm_entry *e, const char *line)
{
    char want[sizeof e->answer_off + 1];
    double a, b;
    memcpy(want, e->answer_off, e->answer_off_len);
    want[e->answer_off_len] = '\0';
    want[strcspn(want, "\r\n")] = '\0';
    return strcmp(line, want) == 0 || (text_to_double(line, &a) && text_to_double(want, &b) && a == b);
}

static void take_byte(struct line *l, char c)
{
    if (c != '\n' && c != '\r') {
        if (l->in_len + 1 < sizeof l->in && !(c == ' ' && l->in_len == 0))
            l->in[l->in_len++] = c;
        return;
    }
    while (l->in_len && l->in[l->in_len - 1] == ' ')
        l->in_len--;
    l->in[l->in_len] = '\0';
    if (l->asked && l->in_len && says_off(l->entry, l->in))
        l->off_seen = true;
    l->in_len = 0;
}

static void pull(struct line *l)
{
    char got[256];
    ssize_t n = read(l->fd, got, sizeof got);
    if (n == 0)
        lose(l, "hung up");
    else if (n < 0 && errno != EAGAIN && errno != EINTR)
        lose(l, strerror(errno));
    for (ssize_t i = 0; i < n; i++)
        take_byte(l, got[i]);
}

static bool waits_for(const struct line *l)
{
    return l->out_at < l->out_len || (l->asked && !l->off_seen);
}

/* Serves all lines until until_ms, or, if `quiet_ms` is given, until nothing came for so long; ends early when nobody waits for anything. */
static void serve(struct round *r, int64_t until_ms, int quiet_ms)
{
    int64_t last_ms = arm_now_ms();
    for (;;) {
        struct pollfd p[ARM_ENTRIES_MAX];
        bool waiting = false;
        int64_t now = arm_now_ms(), end = until_ms < r->deadline_ms ? until_ms : r->deadline_ms;
        if (quiet_ms && last_ms + quiet_ms < end)
            end = last_ms + quiet_ms;
        for (size_t i = 0; i < r->count; i++) {
            struct line *l = &r->lines[i];
            bool out = l->out_at < l->out_len;
            waiting |= l->fd >= 0 && takes_part(r, l) && waits_for(l);
            p[i] = (struct pollfd){.fd = l->fd, .events = (short)(POLLIN | (out ? POLLOUT : 0))};
        }
        if (now >= end || (!waiting && !quiet_ms) || poll(p, r->count, (int)(end - now)) < 0)
            return;
        for (size_t i = 0; i < r->count; i++) {
            if (p[i].revents & POLLOUT)
                push(&r->lines[i]);
            if (r->lines[i].fd >= 0 && (p[i].revents & (POLLIN | POLLHUP | POLLERR))) {
                pull(&r->lines[i]);
                last_ms = arm_now_ms();
            }
        }
    }
}

static void send_off(struct line *l)
{
    const struct arm_entry *e = l->entry;
    if (l->fd < 0)
        l->fd = arm_line_open(e, &l->trouble);
    memcpy(l->out, e->spoil, e->spoil_len);
    memcpy(l->out + e->spoil_len, e->off, e->off_len);
    l->out_len = e->spoil_len + e->off_len;
    l->out_at = 0;
    l->asked = l->off_seen = false;
    push(l);
}

static void send_query(struct line *l)
{
    l->in_len = 0;
    if (l->fd < 0 || l->out_at < l->out_len || l->entry->query_len == 0)
        return;
    memcpy(l->out, l->entry->query, l->entry->query_len);
    l->out_len = l->entry->query_len;
    l->out_at = 0;
    l->asked = true;
    push(l);
}

static int longest_attempt_ms(const struct round *r)
{
    int longest = 1;
    for (size_t i = 0; i < r->count; i++)
        if (takes_part(r, &r->lines[i]) && r->lines[i].entry->attempt_ms > longest)
            longest = r->lines[i].entry->attempt_ms;
    return longest;
}

static void judge(struct round *r)
{
    for (size_t i = 0; i < r->count; i++) {
        struct line *l = &r->lines[i];
        if (!takes_part(r, l))
            continue;
        l->confirmed = l->off_seen ? l->confirmed + 1 : 0;
        if (l->off_seen)
            l->trouble.kind = ERROR_NONE;
        else if (l->fd >= 0)
            error_set(&l->trouble, ERROR_INSTRUMENT, "%s: %s", l->entry->address,
                      l->entry->query_len ? "it did not answer that it is off" : "off was sent, but it has no question to confirm it");
    }
}

static void one_round(struct round *r)
{
    for (size_t i = 0; i < r->count; i++)
        if (takes_part(r, &r->lines[i]))
            send_off(&r->lines[i]);
    serve(r, arm_now_ms() + FIRST_WRITE_MS, 0); /* until all of it is sent, TCP connected */
    serve(r, arm_now_ms() + QUIET_MAX_MS, QUIET_MS);
    for (size_t i = 0; i < r->count; i++)
        if (takes_part(r, &r->lines[i]))
            send_query(&r->lines[i]);
    serve(r, arm_now_ms() + longest_attempt_ms(r), 0);
    judge(r);
}

static size_t unconfirmed(const struct round *r, bool mains)
{
    size_t count = 0;
    for (size_t i = 0; i < r->count; i++)
        count += r->lines[i].entry->mains == mains && r->lines[i].confirmed < CONFIRMATIONS;
    return count;
}

/* The mains follow when a load stays unconfirmed for a second (or half the time there is), and at once where no load is named. */
static bool mains_due(const struct round *r)
{
    int64_t spent = arm_now_ms() - r->begin_ms, half = (r->deadline_ms - r->begin_ms) / 2;
    size_t loads = 0;
    for (size_t i = 0; i < r->count; i++)
        loads += !r->lines[i].entry->mains;
    return loads == 0 || (unconfirmed(r, false) && spent >= (half < MAINS_AFTER_MS ? half : MAINS_AFTER_MS));
}

static void tell(const struct round *r, void (*say)(void *context, const char *sentence), void *context)
{
    for (size_t i = 0; say && i < r->count; i++) {
        const struct line *l = &r->lines[i];
        char text[800];
        if (l->entry->mains && !r->mains)
            continue;
        if (l->confirmed >= CONFIRMATIONS)
            snprintf(text, sizeof text, "%s says it is off", l->entry->name);
        else
            snprintf(text, sizeof text, "%s could NOT be confirmed off (%s): look at it, switch it off by hand", l->entry->name,
                     l->trouble.kind ? l->trouble.text : "no answer in time");
        say(context, text);
    }
}

static bool done(const struct round *r)
{
    return unconfirmed(r, false) == 0 && (!(r->mains || mains_due(r)) || unconfirmed(r, true) == 0);
}

/* Those that answered are asked again at once; the others get a moment to come back. */
static void pause_between(const struct round *r)
{
    bool silent = false;
    for (size_t i = 0; i < r->count; i++)
        silent |= takes_part(r, &r->lines[i]) && !r->lines[i].off_seen;
    if (silent)
        poll(NULL, 0, BETWEEN_ROUNDS_MS);
}

static int all_off(const struct arm_entry *entries, size_t count, bool mains, int deadline_ms, void (*say)(void *context, const char *sentence),
                   void *context)
{
    struct round r = {.count = count < ARM_ENTRIES_MAX ? count : ARM_ENTRIES_MAX, .begin_ms = arm_now_ms(), .mains = mains};
    r.deadline_ms = r.begin_ms + deadline_ms;
    for (size_t i = 0; i < r.count; i++)
        r.lines[i] = (struct line){.entry = &entries[i], .fd = -1};
    while (!done(&r)) {
        r.mains |= mains_due(&r);
        one_round(&r);
        if (arm_now_ms() >= r.deadline_ms)
            break;
        pause_between(&r);
    }
    tell(&r, say, context);
    for (size_t i = 0; i < r.count; i++)
        if (r.lines[i].fd >= 0)
            close(r.lines[i].fd);
    return (int)(unconfirmed(&r, false) + (r.mains ? unconfirmed(&r, true) : 0));
}

int arm_off_now(const struct arm_entry *entries, size_t count, int deadline_ms, void (*say)(void *context, const char *sentence),
                void *context)
{
    return all_off(entries, count, false, deadline_ms, say, context);
}

int arm_off_torn(const struct arm_entry *entries, size_t count, int deadline_ms, void (*say)(void *context, const char *sentence),
                 void *context)
{
    return all_off(entries, count, true, deadline_ms, say, context);
}
