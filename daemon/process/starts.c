/* Starting a run: may it, what goes into its record, and the first orders. The record is created on a worker. */
#include "daemon/process/process.h"

#include "daemon/base/text.h"
#include "daemon/base/units.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { TEXTS_MAX = 8 + INSTRUMENTS_MAX };

struct start_job {
    uv_work_t work;
    struct daemon *daemon;
    uint64_t ticket;
    struct record_head head;
    struct record_text texts[TEXTS_MAX];
    char *owned[TEXTS_MAX];
    char names[INSTRUMENTS_MAX][NAME_SIZE + 16];
    struct record_writer *writer;
    struct error err;
};

static void on_notify(void *context)
{
    struct daemon *d = context;
    uv_async_send(&d->stored);
}

static void work_create(uv_work_t *work)
{
    struct start_job *job = work->data;
    job->writer = record_create(job->daemon->options.dir, &job->head, on_notify, job->daemon, &job->err);
}

static void free_job(struct start_job *job)
{
    for (size_t i = 0; i < TEXTS_MAX; i++)
        free(job->owned[i]);
    free(job);
}

/* Takes text (NULL: not added). */
static void add_text(struct start_job *job, const char *name, char *text)
{
    size_t i = job->head.texts_len;
    if (!text || i == TEXTS_MAX)
        return;
    job->owned[i] = text;
    job->texts[i] = (struct record_text){name, text};
    job->head.texts_len++;
}

static char *dumped(const json_t *json)
{
    return json ? json_dumps(json, JSON_COMPACT | JSON_ENCODE_ANY) : NULL;
}

static char *text_in(const json_t *document)
{
    const char *text = json_string_value(json_object_get(document, "text"));
    return text ? strdup(text) : NULL;
}

/* Everything that a later judgement needs, as the client sent it and as the bench was. */
static void add_texts(struct start_job *job, const json_t *params)
{
    struct daemon *d = job->daemon;
    add_text(job, "start", dumped(params)); /* with it and "bench" the plan can be made again */
    add_text(job, "bench", dumped(d->bench_json));
    add_text(job, "supply-text", text_in(json_object_get(params, "supply")));
    add_text(job, "profile-text", text_in(json_object_get(params, "profile")));
    add_text(job, "bench-text", text_in(d->bench_json));
    for (size_t i = 0; i < d->bench.instruments_len; i++) {
        struct bench_state state = {0};
        bench_instrument_state(station_bench(d->station), i, &state);
        snprintf(job->names[i], sizeof job->names[i], "identity %s", d->bench.instruments[i].name);
        add_text(job, job->names[i], strdup(state.identity));
    }
}

static void refuse_start(struct start_job *job, const struct error *err)
{
    struct daemon *d = job->daemon;
    d->run.starting = false;
    process_answer(d, job->ticket, NULL, err);
}

static void station_wants_arm(void *context)
{
    struct daemon *d = context;
    arming_want(d->arming, true);
}

static void station_wants_disarm(void *context)
{
    struct daemon *d = context;
    arming_want(d->arming, false);
}

static void begin_run(struct start_job *job)
{
    struct daemon *d = job->daemon;
    const struct station_keep keep = keep_table(d->keep);
    const struct station_guard guard = {d, station_wants_arm, station_wants_disarm};
    d->run.writer = job->writer;
    d->run.active = d->had_run = true;
    d->run.starting = false;
    d->run.begin_us = d->run.ack_us = pump_now_us();
    process_publish(d, "begin", json_pack("{s:I, s:s, s:o, s:s, s:I, s:I}", "seq", (json_int_t)0, "id", d->run.id, "title", wire_text(d->run.title), "user",
                                  d->run.user, "wall_ms", (json_int_t)d->run.wall_ms, "begin_us", (json_int_t)d->run.begin_us));
    int failed = station_start(d->station, &d->run.plan, &keep, &guard, d->run.begin_us, &job->err);
    pump_flush(d->pump);
    if (failed < 0) {
        runs_close_record(d, d->run.begin_us, RUN_FAULT, job->err.text);
        refuse_start(job, &job->err);
        return;
    }
    runs_note(d, d->run.user, "start");
    tell(d->say, TELL_NOTICE, "run %s of %s begins: %s", d->run.id, d->run.user, d->run.title);
    process_answer(d, job->ticket, json_pack("{s:s, s:s, s:o, s:f}", "run", d->run.id, "id", d->run.id, "title", wire_text(d->run.title), "estimate_s",
                                                  (double)plan_estimate_us(&d->run.plan) / US_PER_S), NULL);
}

static void after_create(uv_work_t *work, int status)
{
    struct start_job *job = work->data;
    struct daemon *d = job->daemon;
    static const struct error cancelled = {ERROR_REFUSED, "stopped before it began"};
    (void)status;
    if (!job->writer) {
        tell(d->say, TELL_ERROR, "%s", job->err.text);
        refuse_start(job, &job->err);
    } else if (d->run.cancelled || d->quit_asked) {
        d->run.writer = job->writer;
        runs_close_record(d, pump_now_us(), RUN_STOPPED, cancelled.text);
        refuse_start(job, &cancelled);
    } else {
        begin_run(job);
    }
    free_job(job);
    process_pass(d);
}

int runs_may_start(struct daemon *d, struct error *err)
{
    char why[SENTENCE_SIZE];
    if (d->quit_asked)
        return error_set(err, ERROR_REFUSED, "the daemon is ending");
    if (d->run.active && d->run.ended_us)
        return error_set(err, ERROR_BUSY, "run %s has ended, its load is being watched until it is surely off: try again in a few seconds", d->run.id);
    if (d->run.starting || d->run.active)
        return error_set(err, ERROR_REFUSED, "run %s (%s) of %s is in progress: follow it, or stop it first", d->run.id, d->run.title, d->run.user);
    if (d->run.finishing)
        return error_set(err, ERROR_BUSY, "the record of run %s is being closed: try again in a moment", d->run.id);
    if (d->drill)
        return error_set(err, ERROR_BUSY, "a drill is under way: try again in a moment");
    if (!process_ready(d, why, sizeof why))
        return error_set(err, ERROR_INSTRUMENT, "the bench is not ready: %s", why);
    return 0;
}

static void name_run(struct daemon *d, const struct serve_who *who, const json_t *params)
{
    const char *title = json_string_value(json_object_get(params, "title"));
    uint64_t random = 0;
    uv_random(NULL, NULL, &random, sizeof random, 0, NULL);
    d->run.wall_ms = process_wall_ms();
    record_id_new(d->run.id, d->run.wall_ms, random);
    text_cut(d->run.user, sizeof d->run.user, who->name);
    if (title && *title)
        text_cut(d->run.title, sizeof d->run.title, title);
    else
        snprintf(d->run.title, sizeof d->run.title, "%s, %s", d->run.plan.supply.name, d->run.plan.profile.name);
}

json_t *runs_start(void *context, const struct serve_who *who, const json_t *params, struct error *err)
{
    struct daemon *d = context;
    if (runs_may_start(d, err) < 0)
        return NULL;
    struct start_job *job = calloc(1, sizeof *job);
    struct test_plan *plan = calloc(1, sizeof *plan);
    if (!job || !plan || test_plan_from_json(params, &d->bench, plan, err) < 0 || !(job->ticket = serve_defer(d->serve, err))) {
        if (!job || !plan)
            error_set(err, ERROR_MEMORY, "no memory for the run");
        free(plan);
        free(job);
        return NULL;
    }
    d->run = (struct run_now){.starting = true, .plan = *plan};
    free(plan);
    name_run(d, who, params);
    job->daemon = d;
    job->work.data = job;
    job->head = (struct record_head){.wall_ms = d->run.wall_ms, .begin_us = pump_now_us(), .software = BRUNT_VERSION, .title = d->run.title,
                                     .supply = d->run.plan.supply.name, .profile = d->run.plan.profile.name, .user = d->run.user, .texts = job->texts};
    text_copy(job->head.id, sizeof job->head.id, d->run.id);
    add_texts(job, params);
    uv_queue_work(&d->loop, &job->work, work_create, after_create);
    return NULL;
}
