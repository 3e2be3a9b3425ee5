/*
 * bruntd: the order of the start, and the loop. The files of process/ wire the rooms together.
 *
 * Order (house rule): lock -> armed file -> off for what stands there -> records left open are closed -> bench file and dialects -> guard -> lines -> clients.
 */
#include "daemon/process/process.h"

/* Opened rooms leave the loop by themselves when told to end; rooms that failed to open are closed here. */
static int turn_loop(struct daemon *d)
{
    struct error err = ERROR_INIT;
    if (process_open(d, &err) < 0) {
        d->exit_status = process_fail(d, &err);
        loop_close(d);
    } else {
        tell(d->say, TELL_NOTICE, "bench %s, records in %s, clients at %s", d->bench.name, d->options.dir, d->options.socket);
    }
    uv_run(&d->loop, UV_RUN_DEFAULT);
    uv_loop_close(&d->loop);
    return d->exit_status;
}

static int run_daemon(struct daemon *d)
{
    struct error err = ERROR_INIT;
    if (place_make(d->options.dir, 0755, &err) < 0 || place_lock(d->options.dir, NULL, &err) < 0)
        return process_fail(d, &err);
    startup_off(d);
    startup_recover(d);
    if (startup_bench(d, &err) < 0)
        return process_fail(d, &err);
    uv_loop_init(&d->loop);
    d->begin_us = pump_now_us();
    loop_start(d);
    return turn_loop(d);
}

int main(int argc, char **argv)
{
    struct daemon *d = process_new();
    struct error err = ERROR_INIT;
    int status;
    if (!d)
        return EXIT_BENCH;
    if (options_read(&d->options, argc, argv, &err) < 0)
        status = process_fail(d, &err);
    else
        status = d->options.off ? startup_stop(d) : d->options.check ? startup_check(d) : run_daemon(d);
    process_free(d);
    return status;
}
