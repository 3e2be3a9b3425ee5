/* Records whose daemon died: closed honestly, with what is known and nothing else. */
#include "daemon/record/rows.h"

#include "daemon/base/text.h"
#include "daemon/base/units.h"

#include <dirent.h>
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define ENDING ".brunt"

/* *ret stays as it is where there is no number. */
static int one_number(sqlite3 *db, const char *sql, int64_t *ret, struct error *err)
{
    sqlite3_stmt *statement = NULL;
    int code = sqlite3_prepare_v2(db, sql, -1, &statement, NULL);
    if (code == SQLITE_OK)
        code = sqlite3_step(statement);
    if (code == SQLITE_ROW && sqlite3_column_type(statement, 0) != SQLITE_NULL)
        *ret = sqlite3_column_int64(statement, 0);
    int answer = code == SQLITE_ROW || code == SQLITE_DONE ? 0 : rows_sqlite_error(db, "can't read the record", err);
    sqlite3_finalize(statement);
    return answer;
}

struct left { /* what a record says that its daemon left */
    int64_t last_us, last_seq, began_ms, has_end;
};

static int look(sqlite3 *db, struct left *ret, struct error *err)
{
    return one_number(db, "SELECT max(at_us) FROM (SELECT max(at_us) AS at_us FROM reading UNION ALL SELECT max(at_us) FROM event)", &ret->last_us, err) < 0 ||
                   one_number(db, "SELECT max(seq) FROM (SELECT max(seq) AS seq FROM reading UNION ALL SELECT max(seq) FROM event)", &ret->last_seq, err) < 0 ||
                   one_number(db, "SELECT CAST(value AS INTEGER) FROM meta WHERE name='wall_ms'", &ret->began_ms, err) < 0 ||
                   one_number(db, "SELECT 1 FROM meta WHERE name='end' AND value<>''", &ret->has_end, err) < 0
               ? -1
               : 0;
}

static int put_note(struct rows *rows, uint64_t seq, int64_t at_us, const char *who, const char *note, struct error *err)
{
    struct item item = {.kind = ITEM_NOTE, .seq = seq, .at_us = at_us};
    if (!note || !*note)
        return 0;
    text_cut(item.of.note.who, sizeof item.of.note.who, who);
    text_cut(item.of.note.text, sizeof item.of.note.text, note);
    return rows_put(rows, &item, err);
}

/* All in one transaction: what fails here is tried again at the next start, and must not find half of it. */
static int put_end(struct rows *rows, const struct left *left, int64_t wall_ms_now, const char *who, const char *note, struct error *err)
{
    int64_t now_us = (wall_ms_now - left->began_ms) * US_PER_MS; /* by the wall clock of both ends; the gap is never negative */
    struct item gap = {.kind = ITEM_MARK, .at_us = now_us > left->last_us ? now_us : left->last_us, .seq = (uint64_t)left->last_seq + 1};
    gap.of.mark = (struct mark){.at_us = gap.at_us, .from_us = left->last_us, .kind = MARK_GAP, .stage = -1, .port = -1, .contract = -1,
                                .set_point = NAN, .number = NAN};
    text_copy(gap.of.mark.text, sizeof gap.of.mark.text, "the daemon died; nothing was measured from here to its next start");
    if (rows_execute(rows->db, "BEGIN", err) < 0 || rows_prepare(rows, err) < 0 || rows_put(rows, &gap, err) < 0 ||
        put_note(rows, gap.seq + 1, gap.at_us, who, note, err) < 0 ||
        rows_set_end(rows, left->last_us, RUN_CRASHED, "the daemon died during the run", err) < 0)
        return -1;
    return rows_execute(rows->db, "COMMIT", err);
}

/* *ret_had_end: only the move into records/ was lacking. */
static int close_left(const char *dir, const char *id, int64_t wall_ms_now, const char *who, const char *note, bool *ret_had_end, struct error *err)
{
    char path[600];
    struct rows rows = {0};
    struct left left = {.began_ms = wall_ms_now};
    snprintf(path, sizeof path, "%s/open/%s" ENDING, dir, id);
    chmod(path, 0600); /* a seal that failed halfway has taken the right to write */
    if (rows_open_live(path, SQLITE_OPEN_READWRITE | SQLITE_OPEN_NOMUTEX, &rows.db, err) < 0)
        return -1;
    if (look(rows.db, &left, err) < 0 || (!left.has_end && put_end(&rows, &left, wall_ms_now, who, note, err) < 0)) {
        rows_end(&rows);
        return -1;
    }
    *ret_had_end = left.has_end;
    return rows_seal(&rows, dir, id, NULL, 0, err);
}

static void set_aside(const char *dir, const char *id)
{
    char from[600], to[600];
    static const char *const parts[] = {"", "-wal", "-journal"};
    for (size_t i = 0; i < sizeof parts / sizeof parts[0]; i++) {
        snprintf(from, sizeof from, "%s/open/%s" ENDING "%s", dir, id, parts[i]);
        snprintf(to, sizeof to, "%s/records/%s.damaged%s", dir, id, parts[i]);
        rename(from, to);
    }
}

static void tell(void (*say)(void *, const char *), void *context, const char *id, const char *what, const char *why)
{
    char sentence[SENTENCE_SIZE * 2];
    snprintf(sentence, sizeof sentence, "run %s: %s%s", id, what, why);
    if (say)
        say(context, sentence);
}

/* Whether it is closed. Only a damaged file is set aside: a full disk will have room again. */
static bool recover_one(const char *dir, const char *id, int64_t wall_ms_now, const char *who, const char *note, void (*say)(void *, const char *), void *context)
{
    struct error why = ERROR_INIT;
    bool had_end = false;
    if (close_left(dir, id, wall_ms_now, who, note, &had_end, &why) == 0) {
        tell(say, context, id, had_end ? "its record is moved to records/, with the end that it had" : "its daemon died; the record is closed as crashed", "");
        return true;
    }
    if (why.kind == ERROR_FILE) {
        set_aside(dir, id);
        tell(say, context, id, "its record is damaged and stands in records/ with the ending .damaged: ", why.text);
    } else {
        tell(say, context, id, "its record can't be closed now; it stays in open/ for the next start, make room or repair the disk before: ", why.text);
    }
    return false;
}

int record_recover(const char *dir, int64_t wall_ms_now, void (*say)(void *context, const char *sentence), void *context, struct error *err)
{
    return record_recover_noting(dir, wall_ms_now, NULL, NULL, say, context, err);
}

int record_recover_noting(const char *dir, int64_t wall_ms_now, const char *who, const char *note, void (*say)(void *context, const char *sentence), void *context,
                          struct error *err)
{
    char path[600];
    int closed = 0;
    snprintf(path, sizeof path, "%s/open", dir);
    DIR *folder = opendir(path);
    if (!folder)
        return errno == ENOENT ? 0 : error_errno(err, ERROR_STORAGE, errno, "can't look into %s", path);
    for (struct dirent *entry; (entry = readdir(folder));) {
        char id[RECORD_ID_SIZE];
        size_t len = strlen(entry->d_name), end = strlen(ENDING);
        if (len <= end || len - end >= sizeof id || strcmp(entry->d_name + len - end, ENDING) != 0)
            continue;
        snprintf(id, sizeof id, "%.*s", (int)(len - end), entry->d_name);
        closed += recover_one(dir, id, wall_ms_now, who, note, say, context);
    }
    closedir(folder);
    return closed;
}
