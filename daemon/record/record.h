/*
 * The run's record: one SQLite file a run, a row a reading. Schema, versioned: docs/records.md.
 *
 * Writer: DIR/open/ID.brunt (0700 folder, 0600 file), one connection, locking_mode=EXCLUSIVE, journal_mode=WAL, synchronous=FULL, on a thread of its own. The put functions never block and never
 * allocate: they copy into a bounded ring (60 s at 200 readings a second, room for 4,096 events reserved). Commits once a second and at once for every event. "Stored" = the commit said SQLITE_OK.
 * At the end: checkpoint, journal_mode=DELETE, close, rename to DIR/records/ID.brunt, mode 0444.
 * Reader: finished records only.
 */
#ifndef BRUNT_RECORD_RECORD_H
#define BRUNT_RECORD_RECORD_H

#include "daemon/base/error.h"
#include "daemon/terms/terms.h"

#define RECORD_SCHEMA_VERSION 1
enum { RECORD_ID_SIZE = 48 };

struct record_text { /* what stands in the record's `meta` and `document` tables from the start */
    const char *name;  /* "supply", "profile", "bench", "supply-text", "identity load1", ... */
    const char *value;
};

struct record_head {
    char id[RECORD_ID_SIZE];       /* by record_id_new(): sorts by time, is a name */
    int64_t wall_ms;               /* wall clock at the run's time 0, Unix milliseconds */
    int64_t begin_us;              /* run's clock then */
    const char *software;          /* version */
    const char *title;             /* supply name, profile name: for lists */
    const char *supply, *profile;
    const char *user;              /* who started it */
    const struct record_text *texts;
    size_t texts_len;
};

/* "20261125-140509-k3f9": UTC second and four letters from `random`. */
void record_id_new(char ret[RECORD_ID_SIZE], int64_t wall_ms, uint64_t random);

struct record_writer;
/* Blocking (creates folders and file, writes the head, fsyncs): call on a worker, or before the loop runs. notify is called from the writer's thread after each commit and on trouble; it may only wake the loop. */
struct record_writer *record_create(const char *dir, const struct record_head *head, void (*notify)(void *context), void *context, struct error *err);

/* Each returns the sequence number given (1...), or 0: the ring is full, nothing was taken. Never blocks. One thread only (the loop's). */
uint64_t record_reading(struct record_writer *writer, const struct reading *reading);
uint64_t record_order(struct record_writer *writer, int64_t at_us, const struct order *order);
uint64_t record_outcome(struct record_writer *writer, const struct outcome *outcome);
uint64_t record_finding(struct record_writer *writer, const struct finding *finding);
uint64_t record_mark(struct record_writer *writer, const struct mark *mark);
uint64_t record_note(struct record_writer *writer, int64_t at_us, const char *who, const char *text); /* operator and control actions */

struct record_status {
    uint64_t taken, stored;        /* sequence numbers: last taken, last stored */
    double fill;                   /* 0..1 of the ring for readings */
    bool failing;                  /* last commit failed; it is tried again */
    char trouble[SENTENCE_SIZE];   /* why */
    int64_t longest_commit_us;
};
void record_status(struct record_writer *writer, struct record_status *ret); /* never blocks */

/* Drains, writes how it ended, closes, renames. Blocking: worker. The writer is freed in any case; on failure the file stays in open/ and *err says so. ret_path: of the finished record. */
int record_finish(struct record_writer *writer, int64_t at_us, enum run_end end, const char *why, char *ret_path, size_t path_size, struct error *err);

/* At start: every file left in DIR/open/ belonged to a daemon that died. Closes each honestly: end "crashed", the time of the last stored row, a MARK_GAP to the present, then as at a normal end. Returns how many;
 * what is damaged is renamed to records/ID.damaged; what can't be closed now (disk full, I/O error) stays in open/ for the next start. One that has its end is only moved. say: a sentence each. */
int record_recover(const char *dir, int64_t wall_ms_now, void (*say)(void *context, const char *sentence), void *context, struct error *err);
/* The same; `note` (NULL or "": none), by `who`, goes into each record so closed: what is known of the time when no daemon was there. */
int record_recover_noting(const char *dir, int64_t wall_ms_now, const char *who, const char *note, void (*say)(void *context, const char *sentence), void *context,
                          struct error *err);

/* ---- reader ---- */

struct record;
struct record *record_open(const char *path, struct error *err); /* read-only; refuses a newer schema version, naming both */
void record_close(struct record *record);
const char *record_meta(const struct record *record, const char *name); /* "" if absent: id, wall_ms, begin_us, software, title, supply, profile, user, end, why, end_us, schema */
const char *record_document(const struct record *record, const char *name); /* NULL if absent */
/* In order of seq. The callback answers 0 to go on. Returns rows seen, -1 on error. */
long record_readings(struct record *record, int64_t from_us, int64_t to_us, int (*each)(void *context, uint64_t seq, const struct reading *reading), void *context, struct error *err);
long record_findings(struct record *record, int (*each)(void *context, uint64_t seq, const struct finding *finding), void *context, struct error *err);
long record_marks(struct record *record, int (*each)(void *context, uint64_t seq, const struct mark *mark), void *context, struct error *err);
long record_outcomes(struct record *record, int (*each)(void *context, uint64_t seq, const struct outcome *outcome), void *context, struct error *err);
/* Every event as one line of text, for show and export: kind "order", "outcome", "finding", "mark", "note". */
long record_events(struct record *record, int (*each)(void *context, uint64_t seq, int64_t at_us, const char *kind, const char *text), void *context, struct error *err);

struct record_entry {
    char id[RECORD_ID_SIZE], supply[NAME_SIZE], profile[NAME_SIZE], end[16];
    int64_t wall_ms;
    double duration_s;
    long readings;
    char path[512];
};
/* Finished records of DIR/records, newest first. *ret is allocated; free(). */
long record_list(const char *dir, struct record_entry **ret, struct error *err);

#endif
