#include "daemon/serve/pump.h"

#include "daemon/base/units.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <sys/timerfd.h>
#include <unistd.h>

enum { RETRY_MS = 250, READ_CHUNK = 4096, READS_A_TURN = 8, TICKS_A_PASS = 4, LATE_US = 200 };

struct line {
    struct pump *pump;
    size_t number;
    void *link;               /* NULL: not open */
    uv_poll_t *poll;          /* own allocation: it outlives the line by a turn of the loop */
    int events;
    uv_work_t work;
    bool working;
    void *opened, *to_close;  /* of the worker */
    struct error err;         /* of the worker */
    char trouble[sizeof((struct error *)0)->text];
    uv_timer_t retry;
};

struct pump {
    uv_loop_t *loop;
    struct station *station;
    struct pump_does does;
    struct line lines[BENCH_LINES_MAX];
    size_t lines_len, handles;
    int timer_fd;
    uv_poll_t timer;
    int64_t timer_due_us;
    bool closing;
};

static void start_open(struct line *line);
static void on_poll(uv_poll_t *poll, int status, int events);

/* ---- beginning and end ---- */

static void release(struct pump *pump)
{
    bool working = false;
    for (size_t i = 0; i < pump->lines_len; i++)
        working = working || pump->lines[i].working;
    if (!pump->closing || pump->handles || working)
        return;
    if (pump->timer_fd >= 0)
        close(pump->timer_fd);
    free(pump);
}

static void on_handle_closed(uv_handle_t *handle)
{
    struct pump *pump = handle->data;
    pump->handles--;
    release(pump);
}

static void on_tick(uv_poll_t *poll, int status, int events)
{
    struct pump *pump = poll->data;
    uint64_t times;
    (void)status, (void)events;
    if (read(pump->timer_fd, &times, sizeof times) < 0 && errno != EAGAIN)
        return;
    pump->timer_due_us = NEVER_US;
    pump_pass(pump);
}

static int open_timer(struct pump *pump, struct error *err)
{
    pump->timer_fd = timerfd_create(CLOCK_MONOTONIC, TFD_CLOEXEC | TFD_NONBLOCK); /* uv_hrtime()'s clock */
    if (pump->timer_fd < 0)
        return error_errno(err, ERROR_SYSTEM, errno, "can't make a timer");
    if (uv_poll_init(pump->loop, &pump->timer, pump->timer_fd) < 0)
        return error_set(err, ERROR_SYSTEM, "the event loop does not take the timer");
    pump->handles = 1;
    pump->timer.data = pump;
    pump->timer_due_us = NEVER_US;
    uv_poll_start(&pump->timer, UV_READABLE, on_tick);
    return 0;
}

struct pump *pump_new(uv_loop_t *loop, struct station *station, const struct pump_does *does, struct error *err)
{
    struct pump *pump = calloc(1, sizeof *pump);
    if (!pump) {
        error_set(err, ERROR_MEMORY, "no memory for the lines");
        return NULL;
    }
    pump->loop = loop;
    pump->station = station;
    pump->does = *does;
    pump->timer_fd = -1;
    if (open_timer(pump, err) < 0) {
        pump->closing = true;
        release(pump);
        return NULL;
    }
    pump->lines_len = bench_lines(station_bench(station));
    for (size_t i = 0; i < pump->lines_len; i++) {
        struct line *line = &pump->lines[i];
        line->pump = pump;
        line->number = i;
        line->work.data = line;
        uv_timer_init(loop, &line->retry);
        line->retry.data = pump;
        pump->handles++;
    }
    return pump;
}

void pump_begin(struct pump *pump)
{
    for (size_t i = 0; i < pump->lines_len; i++)
        start_open(&pump->lines[i]);
}

static void on_poll_closed(uv_handle_t *handle)
{
    struct pump *pump = handle->data;
    free(handle);
    pump->handles--;
    release(pump);
}

static void drop_poll(struct line *line)
{
    if (!line->poll)
        return;
    uv_poll_stop(line->poll);
    line->poll->data = line->pump;
    uv_close((uv_handle_t *)line->poll, on_poll_closed);
    line->poll = NULL;
}

void pump_close(struct pump *pump)
{
    if (!pump)
        return;
    pump->closing = true;
    uv_poll_stop(&pump->timer);
    uv_close((uv_handle_t *)&pump->timer, on_handle_closed);
    for (size_t i = 0; i < pump->lines_len; i++) {
        struct line *line = &pump->lines[i];
        drop_poll(line);
        uv_timer_stop(&line->retry);
        uv_close((uv_handle_t *)&line->retry, on_handle_closed);
        if (line->link && !line->working)
            pump->does.close(line->link); /* the daemon is on its way out: nobody waits for this loop any more */
        line->link = NULL;
    }
}

/* ---- opening and closing, on workers ---- */

static void work_open(uv_work_t *work)
{
    struct line *line = work->data;
    line->opened = line->pump->does.open(line->pump->does.context, line->number, &line->err);
}

static void on_retry(uv_timer_t *timer)
{
    struct pump *pump = timer->data;
    for (size_t i = 0; i < pump->lines_len; i++)
        if (&pump->lines[i].retry == timer)
            start_open(&pump->lines[i]);
}

static void say_trouble(struct line *line, const char *why)
{
    bool news = strcmp(line->trouble, why) != 0;
    memcpy(line->trouble, why, strlen(why) + 1);
    if (news)
        line->pump->does.changed(line->pump->does.context, line->number, false, line->trouble);
}

static void set_events(struct line *line, int events)
{
    if (line->poll && events != line->events) {
        line->events = events;
        uv_poll_start(line->poll, events, on_poll);
    }
}

static int begin_poll(struct line *line)
{
    line->poll = malloc(sizeof *line->poll);
    if (!line->poll || uv_poll_init(line->pump->loop, line->poll, line->pump->does.descriptor(line->link)) < 0) {
        free(line->poll);
        line->poll = NULL;
        return -1;
    }
    line->poll->data = line;
    line->pump->handles++;
    line->events = 0;
    set_events(line, UV_READABLE);
    return 0;
}

static void lose(struct line *line, const char *why);

static void after_open(uv_work_t *work, int status)
{
    struct line *line = work->data;
    struct pump *pump = line->pump;
    line->working = false;
    line->link = status == 0 ? line->opened : NULL;
    if (pump->closing) {
        if (line->link)
            pump->does.close(line->link);
        line->link = NULL;
        release(pump);
        return;
    }
    if (!line->link) {
        say_trouble(line, line->err.text);
        uv_timer_start(&line->retry, on_retry, RETRY_MS, 0);
        return;
    }
    if (begin_poll(line) < 0) {
        lose(line, "the event loop does not take the line");
        return;
    }
    line->trouble[0] = '\0';
    station_line_up(pump->station, line->number, pump_now_us());
    pump_flush(pump);
    pump->does.changed(pump->does.context, line->number, true, "");
    pump_pass(pump);
}

static void start_open(struct line *line)
{
    line->err = (struct error)ERROR_INIT;
    line->opened = NULL;
    line->working = uv_queue_work(line->pump->loop, &line->work, work_open, after_open) == 0;
    if (!line->working)
        uv_timer_start(&line->retry, on_retry, RETRY_MS, 0);
}

static void work_close(uv_work_t *work)
{
    struct line *line = work->data;
    line->pump->does.close(line->to_close);
}

static void after_close(uv_work_t *work, int status)
{
    struct line *line = work->data;
    (void)status;
    line->working = false;
    line->to_close = NULL;
    if (line->pump->closing)
        release(line->pump);
    else
        uv_timer_start(&line->retry, on_retry, RETRY_MS, 0);
}

static void lose(struct line *line, const char *why)
{
    struct pump *pump = line->pump;
    drop_poll(line);
    line->to_close = line->link;
    line->link = NULL;
    station_line_down(pump->station, line->number, pump_now_us(), why);
    line->working = uv_queue_work(pump->loop, &line->work, work_close, after_close) == 0;
    say_trouble(line, why);
}

/* ---- bytes ---- */

static bool write_pending(struct line *line)
{
    struct bench *bench = station_bench(line->pump->station);
    struct error err = ERROR_INIT;
    const void *bytes;
    size_t len;
    bool any = false;
    while (line->link && (bytes = bench_pending(bench, line->number, &len)) && len) {
        long n = line->pump->does.write(line->link, bytes, len, &err);
        if (n < 0) {
            lose(line, err.text);
            return true;
        }
        if (n > 0)
            bench_sent(bench, line->number, (size_t)n, pump_now_us());
        any = any || n > 0;
        if ((size_t)n < len) {
            set_events(line, UV_READABLE | UV_WRITABLE);
            return any;
        }
    }
    set_events(line, UV_READABLE);
    return any;
}

/* Again while something moved: the loss of one line may order another one off. */
void pump_flush(struct pump *pump)
{
    bool any = true;
    for (int round = 0; any && round < 4; round++) {
        any = false;
        for (size_t i = 0; i < pump->lines_len; i++)
            any = (pump->lines[i].link && write_pending(&pump->lines[i])) || any;
    }
}

static void read_line(struct line *line)
{
    char bytes[READ_CHUNK];
    struct error err = ERROR_INIT;
    for (int i = 0; line->link && i < READS_A_TURN; i++) {
        long n = line->pump->does.read(line->link, bytes, sizeof bytes, &err);
        if (n == 0)
            return;
        if (n < 0) {
            lose(line, err.text);
            return;
        }
        station_bytes(line->pump->station, line->number, bytes, (size_t)n, pump_now_us());
        pump_flush(line->pump);
        if ((size_t)n < sizeof bytes)
            return; /* that was all; what has come since makes the descriptor readable again */
    }
}

static void on_poll(uv_poll_t *poll, int status, int events)
{
    struct line *line = poll->data;
    if (line->poll != poll)
        return;
    if (status < 0)
        lose(line, "the line has hung up");
    else if (events & UV_READABLE)
        read_line(line);
    pump_pass(line->pump);
}

/* ---- time ---- */

/* A timer that stands earlier is left alone: it finds nothing due and is set again. With each answer the deadline moves on, and so it is set ten times a second instead of with each sample. */
static void arm_timer(struct pump *pump, int64_t due_us)
{
    struct itimerspec at = {{0, 0}, {0, 0}};
    if (due_us >= pump->timer_due_us)
        return;
    at.it_value.tv_sec = due_us / US_PER_S;
    at.it_value.tv_nsec = due_us % US_PER_S * 1000;
    timerfd_settime(pump->timer_fd, TFD_TIMER_ABSTIME, &at, NULL);
    pump->timer_due_us = due_us;
}

/* A due time that stays in the past must not keep the loop busy for ever: it comes back in LATE_US. */
static void keep_time(struct pump *pump)
{
    int64_t due_us = station_due_us(pump->station), now_us = pump_now_us();
    for (int i = 0; due_us <= now_us && i < TICKS_A_PASS; i++) {
        station_tick(pump->station, now_us);
        pump_flush(pump);
        now_us = pump_now_us();
        due_us = station_due_us(pump->station);
    }
    arm_timer(pump, due_us <= now_us ? now_us + LATE_US : due_us);
}

void pump_pass(struct pump *pump)
{
    if (pump->closing)
        return;
    pump_flush(pump);
    keep_time(pump);
    pump->does.passed(pump->does.context);
    if (pump->closing)
        return;
    pump_flush(pump);
    keep_time(pump);
}

int pump_descriptor(const struct pump *pump, size_t line)
{
    return line < pump->lines_len && pump->lines[line].link ? pump->does.descriptor(pump->lines[line].link) : -1;
}

const char *pump_trouble(const struct pump *pump, size_t line)
{
    return line < pump->lines_len ? pump->lines[line].trouble : "";
}
