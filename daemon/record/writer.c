/* The record's writer: a thread that owns the only connection. It forgets an item only after a commit that said so. */
#include "daemon/record/ring.h"

#include "daemon/base/text.h"
#include "daemon/base/units.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <pthread.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

enum { COMMIT_MS = 800 /* leaves 200 ms of the promised second to the disk */, RETRY_MS = 250, BATCH = 4000, FINISH_TRIES = 20,
       HURRY = RING_READINGS / 4 /* so many readings don't wait for the second: a line without pacing brings them in a tenth of it */ };

struct record_writer {
    struct ring readings, events;
    struct rows rows;
    char dir[512], id[RECORD_ID_SIZE];
    void (*notify)(void *context);
    void *context;
    pthread_t thread;
    bool started, made; /* made: the file is ours to remove */
    int wake; /* eventfd */
    uint64_t seq;
    atomic_bool closing, failing;
    atomic_uint_fast64_t stored;
    atomic_int_fast64_t longest_commit_us;
    pthread_mutex_t trouble_lock; /* held for a copy of one sentence only */
    char trouble[SENTENCE_SIZE];
};

static int64_t now_us(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec * US_PER_S + t.tv_nsec / 1000;
}

void record_id_new(char ret[RECORD_ID_SIZE], int64_t wall_ms, uint64_t random)
{
    static const char letters[] = "abcdefghjkmnpqrstuvwxyz23456789";
    time_t second = (time_t)(wall_ms / 1000);
    struct tm utc;
    gmtime_r(&second, &utc);
    size_t len = strftime(ret, RECORD_ID_SIZE, "%Y%m%d-%H%M%S-", &utc);
    for (int i = 0; i < 4; i++, random /= sizeof letters - 1)
        ret[len++] = letters[random % (sizeof letters - 1)];
    ret[len] = '\0';
}

/* ---- the thread ---- */

static void say_trouble(struct record_writer *w, const char *text)
{
    pthread_mutex_lock(&w->trouble_lock);
    text_cut(w->trouble, sizeof w->trouble, text);
    pthread_mutex_unlock(&w->trouble_lock);
    atomic_store(&w->failing, text[0] != '\0');
}

/* Of both rings the item with the lower sequence number: rows stand in the order in which things happened. */
static const struct item *next_item(struct record_writer *w, size_t taken_readings, size_t taken_events, bool *ret_is_reading)
{
    const struct item *reading = ring_peek(&w->readings, taken_readings), *event = ring_peek(&w->events, taken_events);
    *ret_is_reading = reading && (!event || reading->seq < event->seq);
    return *ret_is_reading ? reading : event;
}

static int commit_batch(struct record_writer *w, size_t *ret_count, struct error *err)
{
    size_t readings = 0, events = 0;
    uint64_t last = 0;
    bool is_reading;
    const struct item *item;
    if (rows_execute(w->rows.db, "BEGIN", err) < 0)
        return -1;
    while (readings + events < BATCH && (item = next_item(w, readings, events, &is_reading))) {
        if (rows_put(&w->rows, item, err) < 0) {
            rows_execute(w->rows.db, "ROLLBACK", NULL);
            return -1;
        }
        last = item->seq;
        *(is_reading ? &readings : &events) += 1;
    }
    if (rows_execute(w->rows.db, "COMMIT", err) < 0) {
        rows_execute(w->rows.db, "ROLLBACK", NULL);
        return -1;
    }
    ring_drop(&w->readings, readings);
    ring_drop(&w->events, events);
    atomic_store(&w->stored, last);
    *ret_count = readings + events;
    return 0;
}

/* All that waits now. What comes meanwhile waits for the next time: else a fast line would have a commit for every few readings. */
static int commit_all(struct record_writer *w, struct error *err)
{
    size_t waiting = ring_waiting(&w->readings) + ring_waiting(&w->events), count = 0;
    for (; waiting > 0; waiting -= count < waiting ? count : waiting) {
        int64_t begin_us = now_us();
        if (commit_batch(w, &count, err) < 0)
            return -1;
        int64_t took_us = now_us() - begin_us;
        if (took_us > atomic_load(&w->longest_commit_us))
            atomic_store(&w->longest_commit_us, took_us);
        if (w->notify)
            w->notify(w->context);
    }
    return 0;
}

static void try_to_commit(struct record_writer *w)
{
    struct error err = ERROR_INIT;
    if (commit_all(w, &err) == 0) {
        if (atomic_load(&w->failing))
            say_trouble(w, "");
        return;
    }
    say_trouble(w, err.text);
    if (w->notify)
        w->notify(w->context);
    nanosleep(&(struct timespec){.tv_nsec = RETRY_MS * 1000000L}, NULL);
}

static void *write_on(void *context)
{
    struct record_writer *w = context;
    while (!atomic_load(&w->closing)) {
        struct pollfd wake = {.fd = w->wake, .events = POLLIN};
        uint64_t ignored;
        if (poll(&wake, 1, COMMIT_MS) > 0 && read(w->wake, &ignored, sizeof ignored) < 0)
            continue;
        try_to_commit(w);
    }
    for (int i = 0; i < FINISH_TRIES && ring_waiting(&w->readings) + ring_waiting(&w->events); i++)
        try_to_commit(w);
    return NULL;
}

/* ---- creation ---- */

static int make_folder(const char *dir, const char *name, mode_t mode, struct error *err)
{
    char path[600];
    snprintf(path, sizeof path, "%s%s%s", dir, name[0] ? "/" : "", name);
    if (mkdir(path, mode) < 0 && errno != EEXIST)
        return error_errno(err, ERROR_STORAGE, errno, "can't make the folder %s for records", path);
    return 0;
}

static int write_head(struct record_writer *w, const struct record_head *head, struct error *err)
{
    char wall[32], version[16];
    snprintf(wall, sizeof wall, "%lld", (long long)head->wall_ms);
    snprintf(version, sizeof version, "%d", RECORD_SCHEMA_VERSION);
    const struct record_text metas[] = {{"id", head->id},           {"wall_ms", wall},      {"software", head->software},
                                        {"title", head->title},     {"supply", head->supply}, {"profile", head->profile},
                                        {"user", head->user},       {"schema", version},    {"end", ""}};
    for (size_t i = 0; i < sizeof metas / sizeof metas[0]; i++)
        if (rows_set_meta(w->rows.db, metas[i].name, metas[i].value, err) < 0)
            return -1;
    for (size_t i = 0; i < head->texts_len; i++)
        if (rows_set_document(w->rows.db, head->texts[i].name, head->texts[i].value, err) < 0)
            return -1;
    return 0;
}

static int open_file(struct record_writer *w, const struct record_head *head, struct error *err)
{
    char path[600];
    snprintf(path, sizeof path, "%s/open/%s.brunt", w->dir, w->id);
    int fd = open(path, O_RDWR | O_CREAT | O_EXCL | O_CLOEXEC, 0600);
    if (fd < 0)
        return error_errno(err, ERROR_STORAGE, errno, "can't begin the record in %s", w->dir);
    close(fd);
    w->made = true;
    if (rows_open_live(path, SQLITE_OPEN_READWRITE | SQLITE_OPEN_NOMUTEX, &w->rows.db, err) < 0 || rows_execute(w->rows.db, "BEGIN", err) < 0 || rows_create_schema(w->rows.db, err) < 0 ||
        write_head(w, head, err) < 0 || rows_execute(w->rows.db, "COMMIT", err) < 0 || rows_prepare(&w->rows, err) < 0) {
        if (err)
            err->kind = ERROR_STORAGE; /* a new file isn't a damaged one */
        return error_prefix(err, "can't begin the record in %s", w->dir);
    }
    return 0;
}

static void writer_free(struct record_writer *w)
{
    rows_end(&w->rows);
    ring_free(&w->readings);
    ring_free(&w->events);
    if (w->wake >= 0)
        close(w->wake);
    pthread_mutex_destroy(&w->trouble_lock);
    free(w);
}

/* Else the next start would find a run that never was. */
static void remove_file(struct record_writer *w)
{
    char path[600];
    static const char *const parts[] = {"", "-wal", "-journal"};
    rows_end(&w->rows);
    for (size_t i = 0; w->made && i < sizeof parts / sizeof parts[0]; i++) {
        snprintf(path, sizeof path, "%s/open/%s.brunt%s", w->dir, w->id, parts[i]);
        unlink(path);
    }
}

static int start_thread(struct record_writer *w, struct error *err)
{
    sigset_t all, old;
    sigfillset(&all); /* signals belong to the loop */
    pthread_sigmask(SIG_SETMASK, &all, &old);
    int code = pthread_create(&w->thread, NULL, write_on, w);
    pthread_sigmask(SIG_SETMASK, &old, NULL);
    w->started = code == 0;
    return code ? error_errno(err, ERROR_SYSTEM, code, "can't start the record's writer") : 0;
}

struct record_writer *record_create(const char *dir, const struct record_head *head, void (*notify)(void *context), void *context,
                                    struct error *err)
{
    struct record_writer *w = calloc(1, sizeof *w);
    if (!w) {
        error_set(err, ERROR_MEMORY, "no memory for the record");
        return NULL;
    }
    pthread_mutex_init(&w->trouble_lock, NULL);
    w->wake = eventfd(0, EFD_NONBLOCK | EFD_CLOEXEC);
    w->notify = notify;
    w->context = context;
    w->rows.begin_us = head->begin_us;
    text_copy(w->id, sizeof w->id, head->id);
    if (!text_copy(w->dir, sizeof w->dir, dir))
        error_set(err, ERROR_STORAGE, "the path of the records' folder is too long");
    else if (make_folder(dir, "", 0755, err) == 0 && make_folder(dir, "open", 0700, err) == 0 &&
             make_folder(dir, "records", 0755, err) == 0 && ring_new(&w->readings, RING_READINGS, err) == 0 &&
             ring_new(&w->events, RING_EVENTS, err) == 0 && open_file(w, head, err) == 0 && start_thread(w, err) == 0)
        return w;
    remove_file(w);
    writer_free(w);
    return NULL;
}

/* ---- taking ---- */

static uint64_t take(struct record_writer *w, struct ring *ring, struct item *slot, enum item_kind kind, int64_t at_us)
{
    slot->kind = kind;
    slot->at_us = at_us;
    slot->seq = ++w->seq;
    ring_push(ring);
    if (kind != ITEM_READING || ring_waiting(ring) == HURRY) {
        uint64_t one = 1;
        if (write(w->wake, &one, sizeof one) < 0) {
            /* the counter is full: the writer is awake already */
        }
    }
    return slot->seq;
}

uint64_t record_reading(struct record_writer *w, const struct reading *reading)
{
    struct item *slot = ring_slot(&w->readings);
    if (!slot)
        return 0;
    slot->of.reading = *reading;
    return take(w, &w->readings, slot, ITEM_READING, reading->at_us);
}

uint64_t record_order(struct record_writer *w, int64_t at_us, const struct order *order)
{
    struct item *slot = ring_slot(&w->events);
    if (!slot)
        return 0;
    slot->of.order = *order;
    return take(w, &w->events, slot, ITEM_ORDER, at_us);
}

uint64_t record_outcome(struct record_writer *w, const struct outcome *outcome)
{
    struct item *slot = ring_slot(&w->events);
    if (!slot)
        return 0;
    slot->of.outcome = *outcome;
    return take(w, &w->events, slot, ITEM_OUTCOME, outcome->at_us);
}

uint64_t record_finding(struct record_writer *w, const struct finding *finding)
{
    struct item *slot = ring_slot(&w->events);
    if (!slot)
        return 0;
    slot->of.finding = *finding;
    return take(w, &w->events, slot, ITEM_FINDING, finding->at_us);
}

uint64_t record_mark(struct record_writer *w, const struct mark *mark)
{
    struct item *slot = ring_slot(&w->events);
    if (!slot)
        return 0;
    slot->of.mark = *mark;
    return take(w, &w->events, slot, ITEM_MARK, mark->at_us);
}

uint64_t record_note(struct record_writer *w, int64_t at_us, const char *who, const char *text)
{
    struct item *slot = ring_slot(&w->events);
    if (!slot)
        return 0;
    text_cut(slot->of.note.who, sizeof slot->of.note.who, who);
    text_cut(slot->of.note.text, sizeof slot->of.note.text, text);
    return take(w, &w->events, slot, ITEM_NOTE, at_us);
}

void record_status(struct record_writer *w, struct record_status *ret)
{
    memset(ret, 0, sizeof *ret);
    ret->taken = w->seq;
    ret->stored = atomic_load(&w->stored);
    ret->fill = (double)ring_waiting(&w->readings) / RING_READINGS;
    ret->failing = atomic_load(&w->failing);
    ret->longest_commit_us = atomic_load(&w->longest_commit_us);
    if (ret->failing && pthread_mutex_trylock(&w->trouble_lock) == 0) {
        text_cut(ret->trouble, sizeof ret->trouble, w->trouble);
        pthread_mutex_unlock(&w->trouble_lock);
    }
}

int record_finish(struct record_writer *w, int64_t at_us, enum run_end end, const char *why, char *ret_path, size_t path_size,
                  struct error *err)
{
    uint64_t one = 1;
    int answer = -1;
    atomic_store(&w->closing, true);
    if (write(w->wake, &one, sizeof one) < 0) {
        /* full: it wakes anyway */
    }
    if (w->started)
        pthread_join(w->thread, NULL);
    size_t lost = ring_waiting(&w->readings) + ring_waiting(&w->events);
    if (lost)
        error_set(err, ERROR_STORAGE, "%zu rows could not be stored (%s); what was stored stands in %s/open/%s.brunt", lost, w->trouble,
                  w->dir, w->id);
    else if (rows_set_end(&w->rows, at_us, end, why, err) == 0)
        answer = rows_seal(&w->rows, w->dir, w->id, ret_path, path_size, err);
    writer_free(w);
    return answer;
}
