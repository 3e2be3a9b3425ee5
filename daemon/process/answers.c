/* What clients ask: each answer as JSON. */
#include "daemon/process/process.h"

#include "daemon/base/text.h"
#include "daemon/base/units.h"

#include <stdlib.h>
#include <string.h>

static const char *state_word(const struct daemon *d)
{
    struct run_progress p = {0};
    if (d->quit_asked)
        return "ending";
    if (d->run.starting)
        return "starting";
    if (d->drill)
        return "drill";
    if (d->run.finishing || !d->run.active)
        return d->run.finishing ? "finishing" : "idle";
    run_progress(station_run(d->station), pump_now_us(), &p);
    return p.held ? "held" : p.asking ? "asking" : "running";
}

static json_t *run_json(struct daemon *d)
{
    if (!d->run.active && !d->run.starting && !d->run.finishing)
        return json_null();
    return json_pack("{s:s, s:o, s:o, s:o, s:s, s:I, s:I, s:o, s:o}", "id", d->run.id, "title", wire_text(d->run.title), "supply",
                     wire_text(d->run.plan.supply.name), "profile", wire_text(d->run.plan.profile.name), "user", d->run.user, "wall_ms",
                     (json_int_t)d->run.wall_ms, "begin_us", (json_int_t)d->run.begin_us, "progress",
                     d->run.active ? shown_progress(d->station, &d->run.plan, pump_now_us()) : json_null(), "record", runs_stored_json(d));
}

static json_t *do_status(void *context, struct error *err)
{
    struct daemon *d = context;
    struct ways_facts facts;
    char why[SENTENCE_SIZE] = "";
    int64_t now_us = pump_now_us();
    (void)err;
    process_facts(d, &facts);
    bool ready = process_ready(d, why, sizeof why);
    return json_pack("{s:s, s:s, s:o, s:s, s:f, s:I, s:s, s:b, s:o, s:b, s:b, s:o, s:o}", "state", state_word(d), "bench", d->bench.name, "dir", wire_text(d->options.dir), "version",
                     BRUNT_VERSION,
                     "uptime_s", (double)(now_us - d->begin_us) / US_PER_S, "now_us", (json_int_t)now_us, "class", ways_class(&facts, NULL, 0), "ready",
                     ready, "not_ready", wire_text(ready ? "" : why), "armed", arming_is_armed(d->arming), "all_off",
                     bench_all_off(station_bench(d->station)), "run", run_json(d), "latest", shown_latest(d->station, d->run.active ? &d->run.plan : NULL));
}

static json_t *do_bench(void *context, struct error *err)
{
    struct daemon *d = context;
    struct ways_facts facts;
    struct shown_line lines[BENCH_LINES_MAX] = {{0}};
    char why[SENTENCE_SIZE] = "";
    (void)err;
    for (size_t i = 0; i < BENCH_LINES_MAX; i++)
        lines[i] = (struct shown_line){pump_descriptor(d->pump, i) >= 0, pump_trouble(d->pump, i)};
    process_facts(d, &facts);
    json_t *json = ways_to_json(&facts); /* class, why, ways_off */
    if (!json)
        return NULL;
    json_object_set_new(json, "name", json_string(d->bench.name));
    json_object_set_new(json, "file", wire_text(d->bench.file));
    json_object_set_new(json, "ready", json_boolean(process_ready(d, why, sizeof why)));
    json_object_set_new(json, "not_ready", wire_text(why));
    json_object_set_new(json, "instruments", shown_instruments(d->station, &d->bench, d->dialect_of, lines, pump_now_us()));
    json_object_set_new(json, "guard", json_pack("{s:b, s:b}", "wanted", !d->options.no_guard, "up", facts.guard));
    json_object_set(json, "plan", d->bench_json);
    return json;
}

static json_t *stop_anyway(struct daemon *d, const char *why)
{
    bool starting = d->run.starting;
    d->run.cancelled = starting;
    station_abort(d->station, RUN_STOPPED, why, pump_now_us()); /* without a run: off on every load */
    process_pass(d);
    return json_pack("{s:b}", "running", starting);
}

static json_t *do_command(void *context, const struct serve_who *who, const char *method, const char *text, struct error *err)
{
    static const struct { const char *method; enum run_command command; } commands[] = {
        {"stop", RUN_STOP}, {"hold", RUN_HOLD}, {"resume", RUN_RESUME}, {"note", RUN_NOTE}, {"answer", RUN_ANSWER}};
    struct daemon *d = context;
    char said[SENTENCE_SIZE] = "", noted[SENTENCE_SIZE] = "";
    size_t i = 0;
    int failed = 0;
    bool answers = strcmp(method, "answer") == 0;
    text_add(said, sizeof said, answers ? "%s%s" : "%s: %s", answers ? "" : who->name, *text || answers ? text : method);
    while (i < sizeof commands / sizeof commands[0] && strcmp(commands[i].method, method) != 0)
        i++;
    if (i == 0 && !station_running(d->station))
        return stop_anyway(d, said);
    if (i < sizeof commands / sizeof commands[0])
        failed = station_command(d->station, commands[i].command, said, pump_now_us(), err);
    else if (!station_running(d->station))
        failed = error_set(err, ERROR_REFUSED, "no run is under way: there is nothing to acknowledge");
    pump_flush(d->pump);
    if (failed == 0 && d->run.writer) {
        text_add(noted, sizeof noted, "%s%s%s", method, *text ? ": " : "", text);
        if (strcmp(method, "note") != 0) /* a note's own mark says who */
            runs_note(d, who->name, noted);
        d->run.ack_us = pump_now_us();
    }
    process_pass(d);
    return failed < 0 ? NULL : json_pack("{s:b}", "running", station_running(d->station));
}

struct runs_job {
    uv_work_t work;
    struct daemon *daemon;
    uint64_t ticket;
    struct record_entry *entries;
    long count;
    struct error err;
};

static void work_runs(uv_work_t *work)
{
    struct runs_job *job = work->data;
    job->count = record_list(job->daemon->options.dir, &job->entries, &job->err);
}

static void after_runs(uv_work_t *work, int status)
{
    enum { SHOWN_MAX = 1000 }; /* newest; keeps the answer below a message's length */
    struct runs_job *job = work->data;
    json_t *list = job->count < 0 ? NULL : json_array();
    (void)status;
    for (long i = 0; list && i < job->count && i < SHOWN_MAX; i++) {
        const struct record_entry *e = &job->entries[i];
        json_array_append_new(list, json_pack("{s:s, s:o, s:o, s:s, s:I, s:o, s:I, s:o}", "id", e->id, "supply", wire_text(e->supply), "profile",
                                              wire_text(e->profile), "end", e->end, "wall_ms", (json_int_t)e->wall_ms, "duration_s",
                                              wire_number(e->duration_s), "readings", (json_int_t)e->readings, "path", wire_text(e->path)));
    }
    process_answer(job->daemon, job->ticket, list ? json_pack("{s:o, s:I}", "runs", list, "count", (json_int_t)job->count) : NULL, &job->err);
    free(job->entries);
    free(job);
}

static json_t *do_runs(void *context, struct error *err)
{
    struct daemon *d = context;
    struct runs_job *job = calloc(1, sizeof *job);
    if (!job || !(job->ticket = serve_defer(d->serve, err))) {
        if (!job)
            error_set(err, ERROR_MEMORY, "no memory for the list of runs");
        free(job);
        return NULL;
    }
    job->daemon = d;
    job->work.data = job;
    uv_queue_work(&d->loop, &job->work, work_runs, after_runs);
    return NULL;
}

struct serve_does answers_does(struct daemon *d)
{
    return (struct serve_does){d, do_status, do_bench, runs_start, do_command, drills_start, do_runs};
}
