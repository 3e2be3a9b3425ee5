/*
 * bruntd: wires the rooms together on one event loop. What there is to decide is decided in the rooms; what stands here is who calls whom, and in which order.
 *
 * Order at start (house rule): lock -> armed file -> off for what stands there -> records left open are closed -> bench file and dialects -> guard -> lines -> clients.
 */
#include "daemon/base/text.h"
#include "daemon/base/units.h"
#include "daemon/bench/links/link.h"
#include "daemon/guard/arm.h"
#include "daemon/plan/plan.h"
#include "daemon/record/record.h"
#include "daemon/serve/arming.h"
#include "daemon/serve/drill.h"
#include "daemon/serve/keep.h"
#include "daemon/serve/place.h"
#include "daemon/serve/pump.h"
#include "daemon/serve/tell.h"
#include "daemon/serve/serve.h"
#include "daemon/serve/shown.h"

#include <argp.h>
#include <dirent.h>
#include <errno.h>
#include <math.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <time.h>
#include <unistd.h>

enum { EXIT_USAGE = 2, EXIT_REFUSED = 3, EXIT_BENCH = 4 };
enum { PATH_SIZE = 512, DIALECTS_MAX = 64, TICK_MS = 100, RESTART_OFF_MS = 5000, STOP_OFF_MS = 30000, LAST_EXIT_S = 6 };
#define HELD_BACK_US     5000             /* 200 readings a second: what the queue's 60 s are reckoned by */
#define QUIT_LIMIT_US    (3 * US_PER_S)   /* for the off to be confirmed */
#define END_LIMIT_US     (3 * US_PER_S)   /* likewise, at the end of a run, before its record is closed */
#define FAILING_LIMIT_US (60 * US_PER_S)  /* the writer's queue holds as much */
#define ACK_ASK_US       (600 * US_PER_S) /* attended: somebody says every ten minutes that he is there ... */
#define ACK_LIMIT_US     (900 * US_PER_S) /* ... or the load goes off */

struct options {
    char dir[PATH_SIZE], dialects[PATH_SIZE], bench[PATH_SIZE], socket[PATH_SIZE], guard[PATH_SIZE];
    bool dir_given, no_guard, off, check;
};

struct run_now {
    char id[RECORD_ID_SIZE], title[NAME_SIZE * 2 + 4], user[NAME_SIZE];
    struct record_writer *writer;
    bool starting, active, finishing, cancelled; /* starting: record being created; active: until its record is being closed */
    int64_t begin_us, wall_ms, ended_us, failing_since_us, ack_us, ack_asked_us;
    bool nearly_full;
    struct test_plan plan;
};

struct daemon {
    struct options options;
    struct tell *say;
    uv_loop_t loop;
    struct bench_plan bench;
    json_t *bench_json;
    struct dialect *dialects[DIALECTS_MAX];
    size_t dialects_len;
    const struct dialect *dialect_of[INSTRUMENTS_MAX];
    struct station *station;
    struct pump *pump;
    struct arming *arming;
    struct keep *keep;
    struct serve *serve;
    uv_timer_t tick;
    uv_async_t stored;
    uv_signal_t signals[3];
    struct run_now run;
    struct drill *drill;
    uint64_t drill_ticket;
    bool drilled, mains_drilled, armed_left, standing;
    struct arm_entry entries[ARM_ENTRIES_MAX];
    int entry_line[ARM_ENTRIES_MAX];
    size_t entries_len;
    int64_t begin_us, quit_us, second_us; /* second_us: when something was last done that is done once a second */
    int quit_asked;
    bool closed, had_run;
    int exit_status;
};

static void pass(struct daemon *d)
{
    if (d->pump)
        pump_pass(d->pump);
}

static void say_sentence(void *context, const char *sentence)
{
    struct daemon *d = context;
    tell(d->say, TELL_NOTICE, "%s", sentence);
}

static int64_t wall_ms_now(void)
{
    struct timespec ts;
    clock_gettime(CLOCK_REALTIME, &ts);
    return (int64_t)ts.tv_sec * 1000 + ts.tv_nsec / 1000000;
}

/* ---- keeping: after the bytes of the pass are out ---- */

static void publish(struct daemon *d, const char *kind, json_t *params)
{
    if (d->serve)
        serve_publish(d->serve, kind, params);
    else
        json_decref(params);
}

/* A worker may come back when the clients' socket is closed already. */
static void answer(struct daemon *d, uint64_t ticket, json_t *result, const struct error *err)
{
    if (d->serve)
        serve_answer(d->serve, ticket, result, err);
    else
        json_decref(result);
}

/* false: the record's queue is full. */
static bool keep_one(struct daemon *d, const struct keep_item *item)
{
    struct record_writer *writer = d->run.writer;
    uint64_t seq = 0;
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
        publish(d, "order", wire_order(&item->is.order, item->at_us, seq));
        break;
    case KEEP_OUTCOME:
        seq = record_outcome(writer, &item->is.outcome);
        publish(d, "outcome", wire_outcome(&item->is.outcome, seq));
        break;
    case KEEP_FINDING:
        seq = record_finding(writer, &item->is.finding);
        publish(d, "finding", wire_finding(&item->is.finding, seq));
        tell(d->say, item->is.finding.severity >= SEVERITY_TRIP ? TELL_WARNING : TELL_NOTICE, "run %s: %s", d->run.id, item->is.finding.text);
        break;
    case KEEP_MARK:
        seq = record_mark(writer, &item->is.mark);
        publish(d, "mark", wire_mark(&item->is.mark, seq));
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

static void drain(struct daemon *d)
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

static void note_who(struct daemon *d, const char *who, const char *text)
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
    char why[SENTENCE_SIZE], path[PATH_SIZE];
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
    (void)status;
    if (job->failed < 0)
        tell(d->say, TELL_ERROR, "run %s: %s", d->run.id, job->err.text);
    tell(d->say, TELL_NOTICE, "run %s ended: %s%s%s", d->run.id, run_end_name(job->end), job->why[0] ? ", " : "", job->why);
    publish(d, "end", json_pack("{s:s, s:s, s:o, s:s, s:o}", "id", d->run.id, "end", run_end_name(job->end), "why", wire_text(job->why), "path",
                                job->failed < 0 ? "" : job->path, "trouble", wire_text(job->failed < 0 ? job->err.text : "")));
    station_clear(d->station);
    d->run.finishing = false;
    free(job);
    pass(d);
}

static void close_record(struct daemon *d, int64_t at_us, enum run_end end, const char *why)
{
    struct finish_job *job = calloc(1, sizeof *job);
    if (!job)
        return; /* tried again at the next tick */
    *job = (struct finish_job){.daemon = d, .writer = d->run.writer, .at_us = at_us, .end = end, .work.data = job};
    text_cut(job->why, sizeof job->why, why);
    d->run.writer = NULL;
    d->run.active = d->run.starting = false;
    d->run.finishing = true;
    uv_queue_work(&d->loop, &job->work, work_finish, after_finish);
}

static void finish_run(struct daemon *d)
{
    enum run_end end = RUN_FAULT;
    char why[SENTENCE_SIZE] = "";
    run_over(station_run(d->station), &end, why, sizeof why);
    close_record(d, d->run.ended_us, end, why);
}

/* The record stays open until the off is confirmed, so that the confirmation stands in it. */
static void watch_end(struct daemon *d)
{
    int64_t now_us = pump_now_us();
    if (!d->run.active || station_running(d->station))
        return;
    if (!d->run.ended_us)
        d->run.ended_us = now_us;
    if (bench_all_off(station_bench(d->station)) || now_us - d->run.ended_us > END_LIMIT_US)
        finish_run(d);
}

/* ---- arming ---- */

static void address_of(const struct bench_instrument *instrument, char *ret, size_t size)
{
    ret[0] = '\0';
    text_add(ret, size, "%s:%s", link_kind_name(instrument->link), instrument->address);
}

static struct link_settings settings_of(const struct line_settings *line)
{
    static const char parities[] = {[PARITY_NONE] = 'n', [PARITY_EVEN] = 'e', [PARITY_ODD] = 'o'};
    static const char flows[] = {[FLOW_NONE] = 'n', [FLOW_RTS_CTS] = 'r', [FLOW_XON_XOFF] = 'x'};
    return (struct link_settings){line->baud, line->data_bits, line->stop_bits, parities[line->parity], flows[line->flow]};
}

static const struct bench_instrument *instrument_on(const struct daemon *d, size_t line)
{
    for (size_t i = 0; i < d->bench.instruments_len; i++)
        if (station_line_of(d->station, i) == (int)line)
            return &d->bench.instruments[i];
    return &d->bench.instruments[0];
}

static void entry_from(const struct daemon *d, const struct off_recipe *recipe, struct arm_entry *ret)
{
    const struct bench_instrument *instrument = instrument_on(d, (size_t)recipe->line);
    struct link_settings s = settings_of(&instrument->line);
    size_t bytes = recipe->spoil_len + recipe->off_len + recipe->query_len + recipe->answer_off_len;
    *ret = (struct arm_entry){.baud = s.baud, .data_bits = s.data_bits, .stop_bits = s.stop_bits, .parity = s.parity, .flow = s.flow,
                              .spoil_len = recipe->spoil_len, .off_len = recipe->off_len, .query_len = recipe->query_len,
                              .answer_off_len = recipe->answer_off_len, .mains = recipe->mains};
    text_cut(ret->name, sizeof ret->name, recipe->name);
    address_of(instrument, ret->address, sizeof ret->address);
    memcpy(ret->spoil, recipe->spoil, sizeof ret->spoil);
    memcpy(ret->off, recipe->off, sizeof ret->off);
    memcpy(ret->query, recipe->query, sizeof ret->query);
    memcpy(ret->answer_off, recipe->answer_off, sizeof ret->answer_off);
    ret->attempt_ms = 300 + (s.baud > 0 ? (int)(bytes * 10 * 1000 / (size_t)s.baud) : 0);
}

static void arming_prepare(void *context)
{
    struct daemon *d = context;
    struct off_recipe recipes[ARM_ENTRIES_MAX];
    d->entries_len = bench_off_recipes(station_bench(d->station), recipes, ARM_ENTRIES_MAX);
    for (size_t i = 0; i < d->entries_len; i++) {
        entry_from(d, &recipes[i], &d->entries[i]);
        d->entry_line[i] = recipes[i].line;
    }
}

static int arming_write(void *context, struct error *err)
{
    const struct daemon *d = context;
    return arm_write(d->options.dir, d->entries, d->entries_len, err);
}

static int arming_remove(void *context, struct error *err)
{
    const struct daemon *d = context;
    return arm_remove(d->options.dir, err);
}

static void *guard_connect(void *context, struct error *err)
{
    const struct daemon *d = context;
    return arm_guard_connect(d->options.dir, d->options.guard, err);
}

static void guard_close(void *guard)
{
    arm_guard_close(guard);
}

static int guard_descriptor(void *guard)
{
    return arm_guard_descriptor(guard);
}

static int guard_send_arm(void *context, void *guard, struct error *err)
{
    const struct daemon *d = context;
    const char *names[ARM_ENTRIES_MAX];
    int descriptors[ARM_ENTRIES_MAX];
    size_t count = 0;
    for (size_t i = 0; i < d->entries_len; i++) {
        int fd = pump_descriptor(d->pump, (size_t)d->entry_line[i]);
        if (fd < 0)
            continue;
        names[count] = d->entries[i].name;
        descriptors[count++] = fd;
    }
    return arm_guard_arm(guard, names, descriptors, count, err);
}

static int guard_send_disarm(void *guard, struct error *err)
{
    return arm_guard_disarm(guard, err);
}

static int guard_beat(void *guard, struct error *err)
{
    return arm_guard_beat(guard, err);
}

static enum arming_news guard_read(void *guard)
{
    static const enum arming_news news[] = {
        [ARM_NOTHING] = ARMING_NOTHING, [ARM_ARMED] = ARMING_ARMED, [ARM_DISARMED] = ARMING_DISARMED, [ARM_GUARD_GONE] = ARMING_GONE};
    return news[arm_guard_read(guard)];
}

static void on_armed(void *context, bool armed, const char *why_not)
{
    struct daemon *d = context;
    if (d->drill)
        drill_armed(d->drill, armed, why_not, pump_now_us());
    else
        station_armed(d->station, armed, why_not, pump_now_us());
    if (!armed && !d->drill)
        tell(d->say, TELL_WARNING, "not armed: %s", why_not);
    pass(d);
}

static void on_disarmed(void *context)
{
    struct daemon *d = context;
    d->standing = false;
    if (d->drill)
        drill_disarmed(d->drill, pump_now_us());
    pass(d);
}

static void on_guard_changed(void *context, bool up, bool while_armed, const char *why)
{
    struct daemon *d = context;
    d->drilled = d->mains_drilled = false;
    tell(d->say, up ? TELL_INFO : TELL_WARNING, up ? "the guard is connected%s" : "no guard: %s", why);
    if (while_armed && station_running(d->station)) {
        station_abort(d->station, RUN_FAULT, "the guard is gone: the load is off, since nothing would turn it off if the daemon died", pump_now_us());
        pass(d);
    }
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

static void drill_wants(void *context, bool armed)
{
    struct daemon *d = context;
    arming_want(d->arming, armed);
}

/* ---- lines ---- */

static void *line_open(void *context, size_t line, struct error *err)
{
    const struct daemon *d = context;
    const struct bench_instrument *instrument = instrument_on(d, line);
    struct link_settings settings = settings_of(&instrument->line);
    char address[ADDRESS_SIZE + 16];
    address_of(instrument, address, sizeof address);
    return link_open(address, &settings, err);
}

static void line_close(void *link)
{
    link_close(link);
}

static int line_descriptor(const void *link)
{
    return link_descriptor(link);
}

static long line_read(void *link, void *to, size_t size, struct error *err)
{
    return link_read(link, to, size, err);
}

static long line_write(void *link, const void *from, size_t len, struct error *err)
{
    return link_write(link, from, len, err);
}

static void line_changed(void *context, size_t line, bool up, const char *why)
{
    struct daemon *d = context;
    d->drilled = d->mains_drilled = false;
    if (up) {
        tell(d->say, TELL_INFO, "%s: the line is open", instrument_on(d, line)->name);
        if (d->arming)
            arming_resend(d->arming);
    } else {
        tell(d->say, TELL_WARNING, "%s: %s", instrument_on(d, line)->name, why);
    }
}

static void end_drill(struct daemon *d, json_t *result)
{
    static const struct error no_memory = {ERROR_MEMORY, "no memory for the drill's report"};
    drill_free(d->drill);
    d->drill = NULL;
    answer(d, d->drill_ticket, result, &no_memory);
}

static void watch_drill(struct daemon *d)
{
    json_t *result = NULL;
    bool passed, mains;
    if (!d->drill || !drill_tick(d->drill, pump_now_us(), &result, &passed, &mains))
        return;
    d->drilled = passed && !d->options.no_guard;
    d->mains_drilled = mains;
    end_drill(d, result);
}

static void on_passed(void *context)
{
    struct daemon *d = context;
    drain(d);
    watch_end(d);
    watch_drill(d);
    if (d->standing && d->arming && bench_all_off(station_bench(d->station)) && !d->run.active && !d->run.starting)
        arming_want(d->arming, false);
}

/* ---- starting a run ---- */

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
    answer(d, job->ticket, NULL, err);
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
    publish(d, "begin", json_pack("{s:I, s:s, s:o, s:s, s:I, s:I}", "seq", (json_int_t)0, "id", d->run.id, "title", wire_text(d->run.title), "user",
                                  d->run.user, "wall_ms", (json_int_t)d->run.wall_ms, "begin_us", (json_int_t)d->run.begin_us));
    int failed = station_start(d->station, &d->run.plan, &keep, &guard, d->run.begin_us, &job->err);
    pump_flush(d->pump);
    if (failed < 0) {
        close_record(d, d->run.begin_us, RUN_FAULT, job->err.text);
        refuse_start(job, &job->err);
        return;
    }
    note_who(d, d->run.user, "start");
    tell(d->say, TELL_NOTICE, "run %s of %s begins: %s", d->run.id, d->run.user, d->run.title);
    answer(d, job->ticket, json_pack("{s:s, s:s, s:o, s:f}", "run", d->run.id, "id", d->run.id, "title", wire_text(d->run.title), "estimate_s",
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
        close_record(d, pump_now_us(), RUN_STOPPED, cancelled.text);
        refuse_start(job, &cancelled);
    } else {
        begin_run(job);
    }
    free_job(job);
    pass(d);
}

static int may_start(struct daemon *d, struct error *err)
{
    char why[SENTENCE_SIZE];
    if (d->quit_asked)
        return error_set(err, ERROR_REFUSED, "the daemon is ending");
    if (d->run.starting || d->run.active)
        return error_set(err, ERROR_REFUSED, "run %s (%s) of %s is in progress: follow it, or stop it first", d->run.id, d->run.title, d->run.user);
    if (d->run.finishing)
        return error_set(err, ERROR_BUSY, "the record of run %s is being closed: try again in a moment", d->run.id);
    if (d->drill)
        return error_set(err, ERROR_BUSY, "a drill is under way: try again in a moment");
    if (!bench_ready(station_bench(d->station), why, sizeof why))
        return error_set(err, ERROR_INSTRUMENT, "the bench is not ready: %s", why);
    return 0;
}

static void name_run(struct daemon *d, const struct serve_who *who, const json_t *params)
{
    const char *title = json_string_value(json_object_get(params, "title"));
    uint64_t random = 0;
    uv_random(NULL, NULL, &random, sizeof random, 0, NULL);
    d->run.wall_ms = wall_ms_now();
    record_id_new(d->run.id, d->run.wall_ms, random);
    text_cut(d->run.user, sizeof d->run.user, who->name);
    if (title && *title)
        text_cut(d->run.title, sizeof d->run.title, title);
    else
        snprintf(d->run.title, sizeof d->run.title, "%s, %s", d->run.plan.supply.name, d->run.plan.profile.name);
}

static json_t *do_start(void *context, const struct serve_who *who, const json_t *params, struct error *err)
{
    struct daemon *d = context;
    if (may_start(d, err) < 0)
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

/* ---- what clients ask ---- */

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

static void facts_of(struct daemon *d, struct ways_facts *ret)
{
    shown_facts(d->station, &d->bench, ret);
    ret->guard = !d->options.no_guard && arming_guard_up(d->arming);
    ret->drilled = d->drilled;
    ret->mains_drilled = d->mains_drilled;
}

static json_t *stored_json(struct daemon *d)
{
    struct record_status s = {0};
    if (!d->run.writer)
        return json_null();
    record_status(d->run.writer, &s);
    return json_pack("{s:I, s:I, s:f, s:b, s:o, s:f}", "seq", (json_int_t)s.stored, "taken", (json_int_t)s.taken, "fill", s.fill, "failing", s.failing,
                     "trouble", wire_text(s.trouble), "longest_commit_ms", (double)s.longest_commit_us / US_PER_MS);
}

static json_t *run_json(struct daemon *d)
{
    if (!d->run.active && !d->run.starting && !d->run.finishing)
        return json_null();
    return json_pack("{s:s, s:o, s:o, s:o, s:s, s:I, s:I, s:o, s:o}", "id", d->run.id, "title", wire_text(d->run.title), "supply",
                     wire_text(d->run.plan.supply.name), "profile", wire_text(d->run.plan.profile.name), "user", d->run.user, "wall_ms",
                     (json_int_t)d->run.wall_ms, "begin_us", (json_int_t)d->run.begin_us, "progress",
                     d->run.active ? shown_progress(d->station, &d->run.plan, pump_now_us()) : json_null(), "record", stored_json(d));
}

static json_t *do_status(void *context, struct error *err)
{
    struct daemon *d = context;
    struct ways_facts facts;
    char why[SENTENCE_SIZE] = "";
    int64_t now_us = pump_now_us();
    (void)err;
    facts_of(d, &facts);
    bool ready = bench_ready(station_bench(d->station), why, sizeof why);
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
    facts_of(d, &facts);
    json_t *json = ways_to_json(&facts); /* class, why, ways_off */
    if (!json)
        return NULL;
    json_object_set_new(json, "name", json_string(d->bench.name));
    json_object_set_new(json, "file", wire_text(d->bench.file));
    json_object_set_new(json, "ready", json_boolean(bench_ready(station_bench(d->station), why, sizeof why)));
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
    pass(d);
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
            note_who(d, who->name, noted);
        d->run.ack_us = pump_now_us();
    }
    pass(d);
    return failed < 0 ? NULL : json_pack("{s:b}", "running", station_running(d->station));
}

static json_t *do_drill(void *context, const struct serve_who *who, const json_t *params, struct error *err)
{
    struct daemon *d = context;
    const struct drill_does does = {d, drill_wants, !d->options.no_guard};
    if (may_start(d, err) < 0)
        return NULL;
    if (!arming_is_down(d->arming)) {
        error_set(err, ERROR_BUSY, "the guard is still armed, since an off has not been confirmed: see `brunt bench`");
        return NULL;
    }
    if (!(d->drill_ticket = serve_defer(d->serve, err)))
        return NULL;
    d->drill = drill_new(d->station, &d->bench, &does, json_is_true(json_object_get(params, "mains")), pump_now_us());
    if (!d->drill)
        end_drill(d, NULL);
    tell(d->say, TELL_NOTICE, "drill asked for by %s", who->name);
    pass(d);
    return NULL;
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
    answer(job->daemon, job->ticket, list ? json_pack("{s:o, s:I}", "runs", list, "count", (json_int_t)job->count) : NULL, &job->err);
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

/* ---- once in a while ---- */

static void watch_record(struct daemon *d)
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
        note_who(d, "daemon", "the record's queue is three quarters full: the disk does not keep up");
        tell(d->say, TELL_WARNING, "run %s: the record's queue is three quarters full: %s", d->run.id, s.trouble[0] ? s.trouble : "the disk does not keep up");
    }
    d->run.nearly_full = s.fill >= 0.75 || (d->run.nearly_full && s.fill > 0.5);
    if (d->run.failing_since_us && now_us - d->run.failing_since_us > FAILING_LIMIT_US && station_running(d->station)) {
        station_abort(d->station, RUN_FAULT, "the record could not be written for 60 s: the load is off", now_us);
        pass(d);
    }
}

static void on_stored(uv_async_t *async)
{
    struct daemon *d = async->data;
    if (!d->run.writer)
        return;
    publish(d, "stored", stored_json(d));
    watch_record(d);
}

static void watch_presence(struct daemon *d, int64_t now_us)
{
    struct ways_facts facts;
    int64_t silent_us = now_us - d->run.ack_us;
    if (!station_running(d->station) || silent_us < ACK_ASK_US)
        return;
    facts_of(d, &facts);
    if (strcmp(ways_class(&facts, NULL, 0), "attended") != 0)
        return;
    if (silent_us > ACK_LIMIT_US) {
        station_abort(d->station, RUN_STOPPED, "nobody acknowledged for 15 min that this attended run is watched (brunt bench says why it is attended)", now_us);
        pass(d);
    } else if (now_us - d->run.ack_asked_us > 60 * US_PER_S) {
        d->run.ack_asked_us = now_us;
        publish(d, "acknowledge", json_pack("{s:f}", "due_s", (double)(ACK_LIMIT_US - silent_us) / US_PER_S));
        tell(d->say, TELL_WARNING, "run %s is attended: acknowledge within %.0f s, or the load goes off", d->run.id, (double)(ACK_LIMIT_US - silent_us) / US_PER_S);
    }
}

static void close_all(struct daemon *d)
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
    close_all(d);
}

static void on_tick(uv_timer_t *timer)
{
    struct daemon *d = timer->data;
    int64_t now_us = pump_now_us();
    pass(d);
    if (now_us - d->second_us >= US_PER_S) {
        d->second_us = now_us;
        watch_presence(d, now_us);
        watch_record(d);
        if (d->run.active)
            publish(d, "progress", shown_progress(d->station, &d->run.plan, now_us));
    }
    watch_quit(d, now_us);
}

static void on_signal(uv_signal_t *signal, int number)
{
    struct daemon *d = signal->data;
    station_abort(d->station, RUN_STOPPED, "the daemon was told to end", pump_now_us());
    pass(d);
    tell(d->say, TELL_NOTICE, d->quit_asked ? "signal %d again: still turning the load off" : "signal %d: turning the load off, then ending", number);
    if (!d->quit_asked++)
        d->quit_us = pump_now_us();
}

/* ---- start ---- */

static int read_dialects(struct daemon *d, struct error *err)
{
    DIR *dir = opendir(d->options.dialects);
    const struct dirent *entry;
    int failed = 0;
    if (!dir)
        return error_errno(err, ERROR_FILE, errno, "can't read the folder of dialects %s (name it with --dialects)", d->options.dialects);
    while (failed == 0 && (entry = readdir(dir)) && d->dialects_len < DIALECTS_MAX) {
        char path[PATH_SIZE + 260];
        size_t len = strlen(entry->d_name);
        if (len < 5 || entry->d_name[0] == '.' || strcmp(entry->d_name + len - 4, ".cfg") != 0)
            continue;
        snprintf(path, sizeof path, "%s/%s", d->options.dialects, entry->d_name);
        struct tree *tree = tree_read_file(path, err);
        struct dialect *dialect = tree ? dialect_read(tree, err) : NULL;
        tree_free(tree);
        failed = dialect ? 0 : -1;
        if (dialect)
            d->dialects[d->dialects_len++] = dialect;
    }
    closedir(dir);
    return failed;
}

static int match_dialects(struct daemon *d, struct error *err)
{
    for (size_t i = 0; i < d->bench.instruments_len; i++) {
        const struct bench_instrument *instrument = &d->bench.instruments[i];
        const char *role = instrument_role_name(instrument->role);
        for (size_t k = 0; k < d->dialects_len && !d->dialect_of[i]; k++)
            if (strcmp(dialect_name(d->dialects[k]), instrument->dialect) == 0 && strcmp(dialect_role(d->dialects[k]), role) == 0)
                d->dialect_of[i] = d->dialects[k];
        if (!d->dialect_of[i])
            return error_set(err, ERROR_FILE, "%s:%d: no dialect \"%s\" for the role %s, expected one of the files in %s", d->bench.file, instrument->line_no,
                             instrument->dialect, role, d->options.dialects);
    }
    return 0;
}

static int read_bench(struct daemon *d, struct error *err)
{
    struct tree *tree = tree_read_file(d->options.bench, err);
    int failed = !tree ? -1 : bench_plan_read(tree, &d->bench, err);
    d->bench_json = failed ? NULL : tree_to_json(tree);
    tree_free(tree);
    if (failed < 0)
        return -1;
    if (!d->bench_json)
        return error_set(err, ERROR_MEMORY, "no memory for the bench file");
    return read_dialects(d, err) < 0 || match_dialects(d, err) < 0 ? -1 : 0;
}

/* Before any configuration: what an earlier daemon left armed is turned off, knowing only what the armed file says. */
static void turn_armed_off(struct daemon *d, int deadline_ms)
{
    struct arm_entry entries[ARM_ENTRIES_MAX];
    struct error err = ERROR_INIT;
    long count = arm_read(d->options.dir, entries, &err);
    if (err.kind != ERROR_NONE)
        tell(d->say, TELL_WARNING, "%s", err.text);
    if (count < 0) /* torn: what is whole in it is obeyed */
        for (count = 0; count < ARM_ENTRIES_MAX && entries[count].name[0];)
            count++;
    if (count == 0)
        return;
    tell(d->say, TELL_WARNING, "%ld loads were left armed: turning them off first", count);
    d->armed_left = arm_off_now(entries, (size_t)count, deadline_ms, say_sentence, d) > 0;
    d->standing = d->armed_left;
    if (!d->armed_left && arm_remove(d->options.dir, &err) < 0)
        tell(d->say, TELL_WARNING, "%s", err.text);
}

static int make_rooms(struct daemon *d, struct error *err)
{
    const struct pump_does lines = {d, line_open, line_close, line_descriptor, line_read, line_write, on_passed, line_changed};
    const struct arming_does arming = {d, arming_prepare, arming_write, arming_remove, d->options.no_guard ? NULL : guard_connect, guard_close, guard_descriptor,
                                       guard_send_arm, guard_send_disarm, guard_beat, guard_read, on_armed, on_disarmed, on_guard_changed};
    const struct serve_does serves = {d, do_status, do_bench, do_start, do_command, do_drill, do_runs};
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

static void on_alarm(int number)
{
    (void)number;
    _exit(EXIT_BENCH);
}

static void start_loop(struct daemon *d)
{
    static const int numbers[] = {SIGTERM, SIGINT, SIGHUP};
    uv_timer_init(&d->loop, &d->tick);
    uv_async_init(&d->loop, &d->stored, on_stored);
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

static int fail(struct daemon *d, const struct error *err)
{
    tell(d->say, TELL_ERROR, "%s", err->text);
    return err->kind == ERROR_FILE || err->kind == ERROR_USAGE || err->kind == ERROR_RATING ? EXIT_USAGE
           : err->kind == ERROR_BUSY || err->kind == ERROR_REFUSED                        ? EXIT_REFUSED
                                                                                           : EXIT_BENCH;
}

static int run_daemon(struct daemon *d)
{
    struct error err = ERROR_INIT;
    if (place_make(d->options.dir, 0755, &err) < 0 || place_lock(d->options.dir, NULL, &err) < 0)
        return fail(d, &err);
    turn_armed_off(d, RESTART_OFF_MS);
    if (record_recover(d->options.dir, wall_ms_now(), say_sentence, d, &err) < 0)
        tell(d->say, TELL_ERROR, "%s", err.text);
    if (read_bench(d, &err) < 0)
        return fail(d, &err);
    uv_loop_init(&d->loop);
    d->begin_us = pump_now_us();
    start_loop(d);
    if (make_rooms(d, &err) < 0) {
        int status = fail(d, &err);
        close_all(d);
        uv_run(&d->loop, UV_RUN_DEFAULT);
        uv_loop_close(&d->loop);
        return status;
    }
    tell(d->say, TELL_NOTICE, "bench %s, records in %s, clients at %s", d->bench.name, d->options.dir, d->options.socket);
    uv_run(&d->loop, UV_RUN_DEFAULT);
    uv_loop_close(&d->loop);
    return d->exit_status;
}

/* The stop command of a service: whoever holds the bench ends first, then what stands armed is turned off. */
static int run_off(struct daemon *d)
{
    struct error err = ERROR_INIT;
    long pid = 0;
    int lock = place_lock(d->options.dir, &pid, &err);
    for (int tenths = 0; lock < 0 && err.kind == ERROR_BUSY && pid > 0 && tenths < 150; tenths++) {
        if (tenths == 0 || tenths == 80)
            kill((pid_t)pid, tenths ? SIGKILL : SIGTERM);
        usleep(100000);
        lock = place_lock(d->options.dir, &pid, &err);
    }
    if (lock < 0)
        tell(d->say, TELL_WARNING, "%s", err.text);
    turn_armed_off(d, STOP_OFF_MS);
    tell(d->say, d->armed_left ? TELL_ERROR : TELL_NOTICE, d->armed_left ? "not every load could be confirmed off: look at the bench" : "nothing is armed");
    return d->armed_left ? EXIT_BENCH : 0;
}

static int run_check(struct daemon *d)
{
    struct error err = ERROR_INIT;
    if (read_bench(d, &err) < 0 || !(d->station = station_new(&d->bench, d->dialect_of, 1, &err)))
        return fail(d, &err);
    printf("%s: bench %s, %zu instruments, %zu seats: no fault found\n", d->options.bench, d->bench.name, d->bench.instruments_len, d->bench.seats_len);
    return 0;
}

/* ---- command line ---- */

const char *argp_program_version = "bruntd " BRUNT_VERSION;

static const struct argp_option option_rows[] = {
    {"dir", 'd', "DIR", 0, "records, lock and armed file (default: $XDG_STATE_HOME/brunt, ~/.local/state/brunt; root: /var/lib/brunt)", 0},
    {"bench", 'b', "FILE", 0, "bench file (default: bench.cfg in the folder of --dir)", 0},
    {"dialects", 'D', "DIR", 0, "folder of dialect files (default: the installed ones)", 0},
    {"socket", 's', "PATH", 0, "where clients connect (default: DIR/socket with --dir, else $XDG_RUNTIME_DIR/brunt/socket; root: /run/brunt/socket)", 0},
    {"guard", 'g', "PATH", 0, "the guard's program, or \"none\": then every run is attended (default: brunt-guard beside bruntd)", 0},
    {"off", 'o', 0, 0, "end the daemon of DIR, turn off what stands armed there, and exit", 0},
    {"check", 'c', 0, 0, "read bench file and dialects, say what is wrong, and exit", 0},
    {0},
};

static int set_path(char *to, const char *from, struct argp_state *state)
{
    if (!text_copy(to, PATH_SIZE, from))
        argp_error(state, "the path is too long: %.80s", from);
    return 0;
}

static error_t on_option(int key, char *arg, struct argp_state *state)
{
    struct options *o = state->input;
    switch (key) {
    case 'd':
        o->dir_given = true;
        return set_path(o->dir, arg, state);
    case 'b':
        return set_path(o->bench, arg, state);
    case 'D':
        return set_path(o->dialects, arg, state);
    case 's':
        return set_path(o->socket, arg, state);
    case 'g':
        o->no_guard = strcmp(arg, "none") == 0;
        return set_path(o->guard, arg, state);
    case 'o':
        o->off = true;
        return 0;
    case 'c':
        o->check = true;
        return 0;
    case ARGP_KEY_ARG:
        argp_error(state, "unexpected argument: %s", arg);
        return 0;
    default:
        return ARGP_ERR_UNKNOWN;
    }
}

/* The armed file and the guard name these paths: they must hold from any working folder. */
static int make_absolute(char *path, struct error *err)
{
    char whole[PATH_SIZE * 2], here[PATH_SIZE];
    if (!*path || *path == '/')
        return 0;
    if (!getcwd(here, sizeof here))
        return error_errno(err, ERROR_SYSTEM, errno, "can't tell the working folder");
    snprintf(whole, sizeof whole, "%s/%s", here, strncmp(path, "./", 2) == 0 ? path + 2 : path);
    return text_copy(path, PATH_SIZE, whole) ? 0 : error_set(err, ERROR_USAGE, "the path is too long: %.300s", whole);
}

static int default_options(struct options *o, struct error *err)
{
    if (!o->dir[0] && place_default_dir(o->dir, sizeof o->dir, err) < 0)
        return -1;
    if (make_absolute(o->dir, err) < 0 || make_absolute(o->bench, err) < 0 || (!o->no_guard && make_absolute(o->guard, err) < 0))
        return -1;
    if (!o->bench[0] && snprintf(o->bench, sizeof o->bench, "%s/bench.cfg", o->dir) >= (int)sizeof o->bench)
        return error_set(err, ERROR_USAGE, "the path of --dir is too long");
    if (!o->dialects[0])
        place_default_dialects(o->dialects, sizeof o->dialects);
    if (!o->socket[0] && o->dir_given)
        wire_socket_path(o->dir, o->socket, sizeof o->socket);
    if (!o->socket[0])
        wire_default_socket(o->socket, sizeof o->socket);
    if (!o->guard[0])
        place_beside("brunt-guard", o->guard, sizeof o->guard);
    if (!o->guard[0] && !o->off && !o->check)
        return error_set(err, ERROR_USAGE, "brunt-guard is not beside bruntd: name it with --guard PATH, or go without it (attended) with --guard none");
    return 0;
}

static void free_daemon(struct daemon *d)
{
    station_free(d->station);
    keep_free(d->keep);
    for (size_t i = 0; i < d->dialects_len; i++)
        dialect_free(d->dialects[i]);
    json_decref(d->bench_json);
    tell_free(d->say);
    free(d);
}

int main(int argc, char **argv)
{
    static const struct argp argp = {option_rows, on_option, NULL, "bruntd holds a test bench: it runs tests, records them, and sees to it that loads go off. It stays in the foreground.", NULL, NULL, NULL};
    struct daemon *d = calloc(1, sizeof *d);
    struct error err = ERROR_INIT;
    argp_err_exit_status = EXIT_USAGE;
    if (!d || !(d->say = tell_new(STDERR_FILENO))) {
        free(d);
        return EXIT_BENCH;
    }
    argp_parse(&argp, argc, argv, 0, NULL, &d->options);
    int status = default_options(&d->options, &err) < 0 ? fail(d, &err) : d->options.off ? run_off(d) : d->options.check ? run_check(d) : run_daemon(d);
    free_daemon(d);
    return status;
}
