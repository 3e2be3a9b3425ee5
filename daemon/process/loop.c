/* The loop's own handles: the tick, the signals, and the way to the end. */
#include "daemon/process/process.h"

#include "daemon/base/units.h"

#include <signal.h>
#include <unistd.h>

enum { TICK_MS = 100, LAST_EXIT_S = 6 };
#define QUIT_LIMIT_US (3 * US_PER_S) /* for the off to be confirmed */

void loop_passed(void *context)
{
    struct daemon *d = context;
    runs_keep(d);
    runs_watch_end(d);
    drills_watch(d);
    if (d->standing && d->arming && bench_all_off(station_bench(d->station)) && !d->run.active && !d->run.starting)
        arming_want(d->arming, false);
}

void loop_close(struct daemon *d)
{
    d->closed = true;
    uv_close((uv_handle_t *)&d->tick, NULL);
    uv_close((uv_handle_t *)&d->stored, NULL);
    for (size_t i = 0; i < 3; i++)
        uv_close((uv_handle_t *)&d->signals[i], NULL);
    serve_close(d->serve);
    d->serve = NULL;
    arming_close(d->arming);
    pump_close(d->pump);
    d->pump = NULL;
    alarm(LAST_EXIT_S); /* a worker that hangs in a driver must not keep us */
}

static void watch_quit(struct daemon *d, int64_t now_us)
{
    bool off = bench_all_off(station_bench(d->station)), late = now_us - d->quit_us > QUIT_LIMIT_US;
    if (!d->quit_asked || d->run.active || d->run.starting || d->run.finishing || d->drill)
        return;
    if (off && !arming_is_down(d->arming) && !late) {
        arming_want(d->arming, false);
        return;
    }
    if (!off && d->had_run && !late)
        return;
    if (!off && d->had_run) {
        tell(d->say, TELL_ERROR, "off could not be confirmed: %s", arming_is_armed(d->arming) && !d->options.no_guard ? "the guard goes on trying" : "look at the load");
        d->exit_status = EXIT_BENCH;
    }
    loop_close(d);
}

static void on_tick(uv_timer_t *timer)
{
    struct daemon *d = timer->data;
    int64_t now_us = pump_now_us();
    process_pass(d);
    if (now_us - d->second_us >= US_PER_S) {
        d->second_us = now_us;
        runs_watch_presence(d, now_us);
        runs_watch_record(d);
        if (d->run.active)
            process_publish(d, "progress", shown_progress(d->station, &d->run.plan, now_us));
    }
    watch_quit(d, now_us);
}

static void on_signal(uv_signal_t *signal, int number)
{
    struct daemon *d = signal->data;
    station_abort(d->station, RUN_STOPPED, "the daemon was told to end", pump_now_us());
    process_pass(d);
    tell(d->say, TELL_NOTICE, d->quit_asked ? "signal %d again: still turning the load off" : "signal %d: turning the load off, then ending", number);
    if (!d->quit_asked++)
        d->quit_us = pump_now_us();
}

static void on_alarm(int number)
{
    (void)number;
    _exit(EXIT_BENCH);
}

void loop_start(struct daemon *d)
{
    static const int numbers[] = {SIGTERM, SIGINT, SIGHUP};
    uv_timer_init(&d->loop, &d->tick);
    uv_async_init(&d->loop, &d->stored, runs_on_stored);
    d->tick.data = d->stored.data = d;
    uv_timer_start(&d->tick, on_tick, TICK_MS, TICK_MS);
    for (size_t i = 0; i < 3; i++) {
        uv_signal_init(&d->loop, &d->signals[i]);
        d->signals[i].data = d;
        uv_signal_start(&d->signals[i], on_signal, numbers[i]);
    }
    signal(SIGPIPE, SIG_IGN);
    signal(SIGALRM, on_alarm);
}
