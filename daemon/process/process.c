/* What the files of this room share: the daemon's handles, and the few calls everybody makes. */
#include "daemon/process/process.h"

#include "daemon/base/text.h"

#include <stdlib.h>
#include <time.h>
#include <unistd.h>

void process_pass(struct daemon *d)
{
    if (d->pump)
        pump_pass(d->pump);
}

void process_say(void *context, const char *sentence)
{
    struct daemon *d = context;
    tell(d->say, TELL_NOTICE, "%s", sentence);
}

int64_t process_wall_ms(void)
{
    struct timespec ts;
    clock_gettime(CLOCK_REALTIME, &ts);
    return (int64_t)ts.tv_sec * 1000 + ts.tv_nsec / 1000000;
}

void process_publish(struct daemon *d, const char *kind, json_t *params)
{
    if (d->serve)
        serve_publish(d->serve, kind, params);
    else
        json_decref(params);
}

/* A worker may come back when the clients' socket is closed already. */
void process_answer(struct daemon *d, uint64_t ticket, json_t *result, const struct error *err)
{
    if (d->serve)
        serve_answer(d->serve, ticket, result, err);
    else
        json_decref(result);
}

/* A line that can't be opened is the first thing to look at, and the pump knows why. */
bool process_ready(const struct daemon *d, char *why_not, size_t size)
{
    bool ready = bench_ready(station_bench(d->station), why_not, size);
    for (size_t i = 0; !ready && i < d->bench.instruments_len; i++) {
        int line = station_line_of(d->station, i);
        const char *trouble = line < 0 ? "" : pump_trouble(d->pump, (size_t)line);
        if (!*trouble)
            continue;
        why_not[0] = '\0';
        text_add(why_not, size, "%s: %s", d->bench.instruments[i].name, trouble);
        break;
    }
    return ready;
}

void process_facts(struct daemon *d, struct ways_facts *ret)
{
    shown_facts(d->station, &d->bench, ret);
    ret->guard = !d->options.no_guard && arming_guard_up(d->arming);
    ret->drilled = d->drilled;
    ret->mains_drilled = d->mains_drilled;
}

int process_open(struct daemon *d, struct error *err)
{
    const struct pump_does lines = lines_does(d);
    const struct arming_does arming = armed_does(d);
    const struct serve_does serves = answers_does(d);
    uint64_t seed = 1;
    uv_random(NULL, NULL, &seed, sizeof seed, 0, NULL);
    if (!(d->keep = keep_new()))
        return error_set(err, ERROR_MEMORY, "no memory for the station");
    if (!(d->station = station_new(&d->bench, d->dialect_of, seed, err)) || !(d->pump = pump_new(&d->loop, d->station, &lines, err)) ||
        !(d->arming = arming_new(&d->loop, &arming, d->standing, err)) || place_make_for(d->options.socket, 0755, err) < 0)
        return -1;
    pump_begin(d->pump);
    d->serve = serve_new(&d->loop, d->options.socket, d->bench.control_group, &serves, err);
    return d->serve ? 0 : -1;
}

int process_fail(struct daemon *d, const struct error *err)
{
    tell(d->say, TELL_ERROR, "%s", err->text);
    return err->kind == ERROR_FILE || err->kind == ERROR_USAGE || err->kind == ERROR_RATING ? EXIT_USAGE
           : err->kind == ERROR_BUSY || err->kind == ERROR_REFUSED                        ? EXIT_REFUSED
                                                                                           : EXIT_BENCH;
}

struct daemon *process_new(void)
{
    struct daemon *d = calloc(1, sizeof *d);
    if (!d || !(d->say = tell_new(STDERR_FILENO))) {
        free(d);
        return NULL;
    }
    return d;
}

void process_free(struct daemon *d)
{
    station_free(d->station);
    keep_free(d->keep);
    for (size_t i = 0; i < d->dialects_len; i++)
        dialect_free(d->dialects[i]);
    json_decref(d->bench_json);
    tell_free(d->say);
    free(d);
}
