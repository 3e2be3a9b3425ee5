/* A run on the loop: its record is created, kept, watched and closed. What blocks runs on workers. */
#include "daemon/process/process.h"

#include "daemon/base/text.h"
#include "daemon/base/units.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define HELD_BACK_US     5000             /* 200 readings a second: what the queue's 60 s are reckoned by */
#define END_LIMIT_US     (3 * US_PER_S)   /* for the off to be confirmed, at the end of a run, before its record is closed */
#define END_SETTLE_US    (1200 * US_PER_MS) /* the bench looks a second after off whether current flows: what it finds belongs in the record */
#define FAILING_LIMIT_US (60 * US_PER_S)  /* the writer's queue holds as much */
#define ACK_ASK_US       (600 * US_PER_S) /* attended: somebody says every ten minutes that he is there ... */
#define ACK_LIMIT_US     (900 * US_PER_S) /* ... or the load goes off */

/* ---- keeping: after the bytes of the pass are out ---- */

static void tell_finding(struct daemon *d, const struct finding *finding)
{
    enum tell_level level = finding->severity >= SEVERITY_TRIP ? TELL_WARNING : TELL_NOTICE;
    if (d->run.writer)
        tell(d->say, level, "run %s: %s", d->run.id, finding->text);
    else
        tell(d->say, level, "after run %s, no longer in its record: %s", d->run.id, finding->text);
}

/* false: the record's queue is full. */
static bool keep_one(struct daemon *d, const struct keep_item *item)
{
    struct record_writer *writer = d->run.writer;
    uint64_t seq = 0;
    if (item->kind == KEEP_FINDING)
        tell_finding(d, &item->is.finding); /* with a record or without */
    if (!writer)
        return true;
    switch (item->kind) {
    case KEEP_READING:
        seq = record_reading(writer, &item->is.reading);
        if (d->serve)
            serve_publish_reading(d->serve, &item->is.reading, seq);
        break;
    case KEEP_ORDER:
        seq = record_order(writer, item->at_us, &item->is.order);
        process_publish(d, "order", wire_order(&item->is.order, item->at_us, seq));
        break;
    case KEEP_OUTCOME:
        seq = record_outcome(writer, &item->is.outcome);
        process_publish(d, "outcome", wire_outcome(&item->is.outcome, seq));
        break;
    case KEEP_FINDING:
        seq = record_finding(writer, &item->is.finding);
        process_publish(d, "finding", wire_finding(&item->is.finding, seq));
        break;
    case KEEP_MARK:
        seq = record_mark(writer, &item->is.mark);
        process_publish(d, "mark", wire_mark(&item->is.mark, seq));
        break;
    }
    return seq != 0;
}

/* A fast instrument brings in half a second what the queue was made to hold for a minute: rather fewer readings than a load that goes off because the disk was busy. */
static void hold_back(struct daemon *d)
{
    struct record_status s = {0};
    if (!d->run.writer)
        return;
    record_status(d->run.writer, &s);
    if (s.fill >= 0.5)
        bench_hold_back(station_bench(d->station), HELD_BACK_US);
    else if (s.fill < 0.25)
        bench_hold_back(station_bench(d->station), 0);
}

void runs_keep(struct daemon *d)
{
    struct keep_item item;
    bool full = false;
    while (keep_next(d->keep, &item))
        full = !keep_one(d, &item) || full;
    hold_back(d);
    if (!full || !station_running(d->station))
        return;
    station_abort(d->station, RUN_FAULT, "the record's queue is full (60 s of readings that the disk did not take): the load is off", pump_now_us());
    pump_flush(d->pump);
    while (keep_next(d->keep, &item))
        keep_one(d, &item);
}

void runs_note(struct daemon *d, const char *who, const char *text)
{
    if (d->run.writer)
        record_note(d->run.writer, pump_now_us(), who, text);
}

/* ---- the end of a run ---- */

struct finish_job {
    uv_work_t work;
    struct daemon *daemon;
    struct record_writer *writer;
    int64_t at_us;
    enum run_end end;
    char why[SENTENCE_SIZE], path[PATH_SIZE], not_off[SENTENCE_SIZE];
    struct error err;
    int failed;
};

static void work_finish(uv_work_t *work)
{
    struct finish_job *job = work->data;
    job->failed = record_finish(job->writer, job->at_us, job->end, job->why, job->path, sizeof job->path, &job->err);
}

static void after_finish(uv_work_t *work, int status)
{
    struct finish_job *job = work->data;
    struct daemon *d = job->daemon;
    char trouble[SENTENCE_SIZE * 2] = "";
    (void)status;
    if (job->failed < 0)
        tell(d->say, TELL_ERROR, "run %s: %s", d->run.id, job->err.text);
    text_add(trouble, sizeof trouble, "%s%s%s", job->not_off, job->not_off[0] && job->failed < 0 ? "; " : "", job->failed < 0 ? job->err.text : "");
    tell(d->say, TELL_NOTICE, "run %s ended: %s%s%s", d->run.id, run_end_name(job->end), job->why[0] ? ", " : "", job->why);
    process_publish(d, "end", json_pack("{s:s, s:s, s:o, s:s, s:o}", "id", d->run.id, "end", run_end_name(job->end), "why", wire_text(job->why), "path",
                                job->failed < 0 ? "" : job->path, "trouble", wire_text(trouble)));
    station_clear(d->station);
    d->run.finishing = false;
    free(job);
    process_pass(d);
}

static void close_record(struct daemon *d, int64_t at_us, enum run_end end, const char *why, const char *not_off)
{
    struct finish_job *job = calloc(1, sizeof *job);
    if (!job)
        return; /* tried again at the next tick */
    *job = (struct finish_job){.daemon = d, .writer = d->run.writer, .at_us = at_us, .end = end, .work.data = job};
    text_cut(job->why, sizeof job->why, why);
    text_cut(job->not_off, sizeof job->not_off, not_off);
    if (*not_off) {
        tell(d->say, TELL_ERROR, "run %s: %s", d->run.id, not_off);
        runs_note(d, "daemon", not_off);
    }
    d->run.writer = NULL;
    d->run.active = d->run.starting = false;
    d->run.finishing = true;
    uv_queue_work(&d->loop, &job->work, work_finish, after_finish);
}

void runs_close_record(struct daemon *d, int64_t at_us, enum run_end end, const char *why)
{
    close_record(d, at_us, end, why, "");
}

static void finish_run(struct daemon *d, bool off)
{
    enum run_end end = RUN_FAULT;
    char why[SENTENCE_SIZE] = "", not_off[SENTENCE_SIZE] = "", reason[SENTENCE_SIZE] = "";
    run_over(station_run(d->station), &end, why, sizeof why);
    if (!off) {
        process_ready(d, reason, sizeof reason);
        text_add(not_off, sizeof not_off, "NOT confirmed off: go there and take the mains away from the supply%s%s", reason[0] ? "; " : "", reason);
    }
    close_record(d, d->run.ended_us, end, why, not_off);
}

/* The record stays open until the off is confirmed, and the look at the current behind it is over, so that both stand in it; but not for ever. */
void runs_watch_end(struct daemon *d)
{
    int64_t now_us = pump_now_us();
    if (!d->run.active || station_running(d->station))
        return;
    bool off = bench_all_off(station_bench(d->station));
    if (!d->run.ended_us)
        d->run.ended_us = d->run.not_off_us = now_us;
    if (!off)
        d->run.not_off_us = now_us;
    int64_t waited_us = now_us - d->run.ended_us;
    if (off ? now_us - d->run.not_off_us >= END_SETTLE_US || waited_us > END_LIMIT_US + END_SETTLE_US : waited_us > END_LIMIT_US)
        finish_run(d, off);
}

/* ---- once in a while ---- */

json_t *runs_stored_json(struct daemon *d)
{
    struct record_status s = {0};
    if (!d->run.writer)
        return json_null();
    record_status(d->run.writer, &s);
    return json_pack("{s:I, s:I, s:f, s:b, s:o, s:f}", "seq", (json_int_t)s.stored, "taken", (json_int_t)s.taken, "fill", s.fill, "failing", s.failing,
                     "trouble", wire_text(s.trouble), "longest_commit_ms", (double)s.longest_commit_us / US_PER_MS);
}

void runs_watch_record(struct daemon *d)
{
    struct record_status s = {0};
    int64_t now_us = pump_now_us();
    if (!d->run.writer)
        return;
    record_status(d->run.writer, &s);
    if (!s.failing)
        d->run.failing_since_us = 0;
    else if (!d->run.failing_since_us)
        d->run.failing_since_us = now_us;
    if (s.fill >= 0.75 && !d->run.nearly_full) {
        runs_note(d, "daemon", "the record's queue is three quarters full: the disk does not keep up");
        tell(d->say, TELL_WARNING, "run %s: the record's queue is three quarters full: %s", d->run.id, s.trouble[0] ? s.trouble : "the disk does not keep up");
    }
    d->run.nearly_full = s.fill >= 0.75 || (d->run.nearly_full && s.fill > 0.5);
    if (d->run.failing_since_us && now_us - d->run.failing_since_us > FAILING_LIMIT_US && station_running(d->station)) {
        station_abort(d->station, RUN_FAULT, "the record could not be written for 60 s: the load is off", now_us);
        process_pass(d);
    }
}

void runs_on_stored(uv_async_t *async)
{
    struct daemon *d = async->data;
    if (!d->run.writer)
        return;
    process_publish(d, "stored", runs_stored_json(d));
    runs_watch_record(d);
}

void runs_watch_presence(struct daemon *d, int64_t now_us)
{
    struct ways_facts facts;
    int64_t silent_us = now_us - d->run.ack_us;
    if (!station_running(d->station) || silent_us < ACK_ASK_US)
        return;
    process_facts(d, &facts);
    if (strcmp(ways_class(&facts, NULL, 0), "attended") != 0)
        return;
    if (silent_us > ACK_LIMIT_US) {
        station_abort(d->station, RUN_STOPPED, "nobody acknowledged for 15 min that this attended run is watched (brunt bench says why it is attended)", now_us);
        process_pass(d);
    } else if (now_us - d->run.ack_asked_us > 60 * US_PER_S) {
        d->run.ack_asked_us = now_us;
        process_publish(d, "acknowledge", json_pack("{s:f}", "due_s", (double)(ACK_LIMIT_US - silent_us) / US_PER_S));
        tell(d->say, TELL_WARNING, "run %s is attended: acknowledge within %.0f s, or the load goes off", d->run.id, (double)(ACK_LIMIT_US - silent_us) / US_PER_S);
    }
}
