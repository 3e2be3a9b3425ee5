#include "daemon/serve/arming.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { BEAT_MS = 200, RECONNECT_MS = 2000, ANSWER_MS = 2000 };

enum state { DOWN, WRITING, ASKING, ARMED, REMOVING };

struct arming {
    uv_loop_t *loop;
    struct arming_does does;
    enum state state;
    bool wanted, announce, closing;
    uv_work_t file_work, connect_work;
    bool file_working, connect_working;
    struct error file_err, connect_err;
    void *guard, *connected;
    char last_why[sizeof((struct error *)0)->text];
    uv_poll_t *poll;
    uv_timer_t beat, reconnect, answer;
    size_t handles;
};

static void step(struct arming *arming);
static void start_connect(struct arming *arming);

static void release(struct arming *arming)
{
    if (arming->closing && !arming->handles && !arming->file_working && !arming->connect_working)
        free(arming);
}

static void on_timer_closed(uv_handle_t *handle)
{
    struct arming *arming = handle->data;
    arming->handles--;
    release(arming);
}

static void on_poll_closed(uv_handle_t *handle)
{
    struct arming *arming = handle->data;
    free(handle);
    arming->handles--;
    release(arming);
}

static void announce(struct arming *arming, bool armed, const char *why_not)
{
    bool due = arming->announce;
    arming->announce = false;
    arming->wanted = arming->wanted && armed; /* what stands half armed is taken down again */
    if (due)
        arming->does.armed(arming->does.context, armed, why_not);
}

/* ---- the guard ---- */

static void drop_guard(struct arming *arming)
{
    if (arming->poll) {
        uv_poll_stop(arming->poll);
        uv_close((uv_handle_t *)arming->poll, on_poll_closed);
        arming->poll = NULL;
    }
    if (arming->guard)
        arming->does.close(arming->guard);
    arming->guard = NULL;
}

static void on_reconnect(uv_timer_t *timer)
{
    start_connect(timer->data);
}

static void lose_guard(struct arming *arming, const char *why)
{
    bool while_armed = arming->state == ASKING || arming->state == ARMED;
    drop_guard(arming);
    uv_timer_start(&arming->reconnect, on_reconnect, RECONNECT_MS, 0);
    arming->does.guard_changed(arming->does.context, false, while_armed, why);
    if (arming->state == ASKING) {
        arming->state = ARMED; /* the file stands */
        announce(arming, false, "the guard went away while it was being armed: without it no input goes on");
        step(arming);
    }
}

/* While nothing is asked it is the answer to a line sent again: the file and the guard's earlier descriptors stand. */
static void be_refused(struct arming *arming)
{
    char why[sizeof((struct error *)0)->text];
    if (arming->state != ASKING)
        return;
    snprintf(why, sizeof why, "the guard refused to arm: %s", arming->does.refusal(arming->guard));
    arming->state = ARMED; /* the file stands */
    uv_timer_stop(&arming->answer);
    announce(arming, false, why);
    step(arming);
}

static void on_guard(uv_poll_t *poll, int status, int events)
{
    struct arming *arming = poll->data;
    (void)events;
    enum arming_news news = status < 0 ? ARMING_GONE : ARMING_NOTHING;
    while (arming->poll == poll && (news == ARMING_GONE || (news = arming->does.read(arming->guard)) != ARMING_NOTHING)) {
        if (news == ARMING_GONE) {
            lose_guard(arming, "the guard has ended");
            return;
        }
        if (news == ARMING_REFUSED) {
            be_refused(arming);
            return;
        }
        if (news == ARMING_ARMED && arming->state == ASKING) {
            arming->state = ARMED;
            uv_timer_stop(&arming->answer);
            announce(arming, true, "");
            step(arming);
        }
    }
}

static void on_beat(uv_timer_t *timer)
{
    struct arming *arming = timer->data;
    struct error err = ERROR_INIT;
    if (arming->guard && arming->does.beat(arming->guard, &err) < 0)
        lose_guard(arming, err.text);
}

static void work_connect(uv_work_t *work)
{
    struct arming *arming = work->data;
    arming->connected = arming->does.connect(arming->does.context, &arming->connect_err);
}

static int watch_guard(struct arming *arming)
{
    arming->poll = malloc(sizeof *arming->poll);
    if (!arming->poll || uv_poll_init(arming->loop, arming->poll, arming->does.descriptor(arming->guard)) < 0) {
        free(arming->poll);
        arming->poll = NULL;
        return -1;
    }
    arming->poll->data = arming;
    arming->handles++;
    return uv_poll_start(arming->poll, UV_READABLE, on_guard);
}

static void no_guard(struct arming *arming, const char *why)
{
    uv_timer_start(&arming->reconnect, on_reconnect, RECONNECT_MS, 0);
    if (strcmp(arming->last_why, why) != 0)
        arming->does.guard_changed(arming->does.context, false, false, why);
    memcpy(arming->last_why, why, strlen(why) + 1);
}

static void after_connect(uv_work_t *work, int status)
{
    struct arming *arming = work->data;
    arming->connect_working = false;
    arming->guard = status == 0 ? arming->connected : NULL;
    if (arming->closing) {
        drop_guard(arming);
        release(arming);
        return;
    }
    if (!arming->guard || watch_guard(arming) < 0) {
        drop_guard(arming);
        no_guard(arming, arming->connect_err.text);
        return;
    }
    arming->last_why[0] = '\0';
    on_beat(&arming->beat);
    if (arming->guard)
        arming->does.guard_changed(arming->does.context, true, false, "");
    arming_resend(arming);
}

static void start_connect(struct arming *arming)
{
    if (!arming->does.connect || arming->connect_working)
        return;
    arming->connect_err = (struct error)ERROR_INIT;
    arming->connect_working = uv_queue_work(arming->loop, &arming->connect_work, work_connect, after_connect) == 0;
}

/* ---- the file ---- */

static void on_no_answer(uv_timer_t *timer)
{
    struct arming *arming = timer->data;
    if (arming->state != ASKING)
        return;
    arming->state = ARMED;
    announce(arming, false, "the guard did not acknowledge within 2 s: without it no input goes on");
    step(arming);
}

static void ask_guard(struct arming *arming)
{
    struct error err = ERROR_INIT;
    arming->state = ARMED;
    if (!arming->does.connect) {
        announce(arming, true, "");
    } else if (!arming->guard) {
        announce(arming, false, "the guard is not running: without it no input goes on (start bruntd with --guard none to go without it, attended)");
    } else if (arming->does.send_arm(arming->does.context, arming->guard, &err) < 0) {
        lose_guard(arming, err.text);
        announce(arming, false, err.text);
    } else {
        arming->state = ASKING;
        uv_timer_start(&arming->answer, on_no_answer, ANSWER_MS, 0);
    }
}

static void work_file(uv_work_t *work)
{
    struct arming *arming = work->data;
    int (*act)(void *, struct error *) = arming->state == WRITING ? arming->does.write : arming->does.remove;
    arming->file_err = (struct error)ERROR_INIT;
    if (act(arming->does.context, &arming->file_err) == 0)
        arming->file_err.kind = ERROR_NONE;
}

static void after_file(uv_work_t *work, int status)
{
    struct arming *arming = work->data;
    bool failed = status < 0 || arming->file_err.kind != ERROR_NONE, wrote = arming->state == WRITING;
    arming->file_working = false;
    if (arming->closing) {
        release(arming);
        return;
    }
    if (wrote && !failed) {
        ask_guard(arming);
    } else {
        arming->state = wrote || !failed ? DOWN : ARMED;
        if (wrote)
            announce(arming, false, arming->file_err.text);
        else if (!failed)
            arming->does.disarmed(arming->does.context);
        if (!wrote && failed)
            arming->wanted = true; /* it stands, and is tried again at the next end */
    }
    step(arming);
}

static void work_on_file(struct arming *arming, enum state state)
{
    if (state == WRITING)
        arming->does.prepare(arming->does.context);
    arming->state = state;
    arming->file_working = uv_queue_work(arming->loop, &arming->file_work, work_file, after_file) == 0;
}

static void step(struct arming *arming)
{
    struct error err = ERROR_INIT;
    if (arming->file_working || arming->state == ASKING)
        return;
    if (arming->wanted && (arming->state == DOWN || arming->announce)) {
        work_on_file(arming, WRITING);
    } else if (!arming->wanted && arming->state == ARMED) {
        if (arming->guard && arming->does.send_disarm(arming->guard, &err) < 0)
            lose_guard(arming, err.text);
        work_on_file(arming, REMOVING);
    }
}

void arming_want(struct arming *arming, bool armed)
{
    arming->wanted = armed;
    arming->announce = armed;
    step(arming);
}

void arming_resend(struct arming *arming)
{
    struct error err = ERROR_INIT;
    if (arming->guard && arming->state == ARMED && arming->wanted && arming->does.send_arm(arming->does.context, arming->guard, &err) < 0)
        lose_guard(arming, err.text);
}

bool arming_is_armed(const struct arming *arming)
{
    return arming->state == ARMED;
}

bool arming_is_down(const struct arming *arming)
{
    return arming->state == DOWN && !arming->file_working;
}

bool arming_guard_up(const struct arming *arming)
{
    return arming->guard != NULL;
}

static void add_timer(struct arming *arming, uv_timer_t *timer)
{
    uv_timer_init(arming->loop, timer);
    timer->data = arming;
    arming->handles++;
}

struct arming *arming_new(uv_loop_t *loop, const struct arming_does *does, bool standing, struct error *err)
{
    struct arming *arming = calloc(1, sizeof *arming);
    if (!arming) {
        error_set(err, ERROR_MEMORY, "no memory for arming");
        return NULL;
    }
    arming->loop = loop;
    arming->does = *does;
    arming->state = standing ? ARMED : DOWN;
    arming->wanted = standing;
    arming->file_work.data = arming->connect_work.data = arming;
    add_timer(arming, &arming->beat);
    add_timer(arming, &arming->reconnect);
    add_timer(arming, &arming->answer);
    uv_timer_start(&arming->beat, on_beat, BEAT_MS, BEAT_MS);
    start_connect(arming);
    return arming;
}

void arming_close(struct arming *arming)
{
    if (!arming)
        return;
    arming->closing = true;
    drop_guard(arming);
    uv_close((uv_handle_t *)&arming->beat, on_timer_closed);
    uv_close((uv_handle_t *)&arming->reconnect, on_timer_closed);
    uv_close((uv_handle_t *)&arming->answer, on_timer_closed);
}
