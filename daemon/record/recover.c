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
#include <unistd.h>

#define ENDING ".brunt"

static int64_t one_number(sqlite3 *db, const char *sql, int64_t otherwise)
{
    sqlite3_stmt *statement = NULL;
    int64_t number = otherwise;
    if (sqlite3_prepare_v2(db, sql, -1, &statement, NULL) == SQLITE_OK && sqlite3_step(statement) == SQLITE_ROW &&
        sqlite3_column_type(statement, 0) != SQLITE_NULL)
        number = sqlite3_column_int64(statement, 0);
    sqlite3_finalize(statement);
    return number;
}

static int64_t last_us(sqlite3 *db)
{
    return one_number(db, "SELECT max(at_us) FROM (SELECT max(at_us) AS at_us FROM reading UNION ALL SELECT max(at_us) FROM event)", 0);
}

/* Time since the last row, by the wall clock of both ends; never negative. */
static int64_t gap_end_us(sqlite3 *db, int64_t last, int64_t wall_ms_now)
{
    int64_t began_ms = one_number(db, "SELECT CAST(value AS INTEGER) FROM meta WHERE name='wall_ms'", wall_ms_now);
    int64_t now = (wall_ms_now - began_ms) * US_PER_MS;
    return now > last ? now : last;
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

static int close_crashed(const char *dir, const char *id, int64_t wall_ms_now, const char *who, const char *note, struct error *err)
{
    char path[600];
    struct rows rows = {0};
    snprintf(path, sizeof path, "%s/open/%s" ENDING, dir, id);
    if (rows_open_live(path, SQLITE_OPEN_READWRITE | SQLITE_OPEN_NOMUTEX, &rows.db, err) < 0)
        return -1;
    int64_t last = last_us(rows.db);
    struct item gap = {.kind = ITEM_MARK, .at_us = gap_end_us(rows.db, last, wall_ms_now)};
    gap.seq = (uint64_t)one_number(rows.db, "SELECT max(seq) FROM (SELECT max(seq) AS seq FROM reading UNION ALL SELECT max(seq) FROM event)", 0) + 1;
    gap.of.mark = (struct mark){.at_us = gap.at_us, .from_us = last, .kind = MARK_GAP, .stage = -1, .port = -1, .contract = -1,
                                .set_point = NAN, .number = NAN};
    text_copy(gap.of.mark.text, sizeof gap.of.mark.text, "the daemon died; nothing was measured from here to its next start");
    if (rows_prepare(&rows, err) < 0 || rows_put(&rows, &gap, err) < 0 || put_note(&rows, gap.seq + 1, gap.at_us, who, note, err) < 0 ||
        rows_set_end(&rows, last, RUN_CRASHED, "the daemon died during the run", err) < 0) {
        rows_end(&rows);
        return -1;
    }
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

static void tell_closed(void (*say)(void *, const char *), void *context, const char *id)
{
    char sentence[SENTENCE_SIZE];
    snprintf(sentence, sizeof sentence, "run %s: its daemon died; the record is closed as crashed", id);
    if (say)
        say(context, sentence);
}

static void tell_damaged(void (*say)(void *, const char *), void *context, const char *id, const char *why)
{
    char sentence[SENTENCE_SIZE * 2];
    snprintf(sentence, sizeof sentence, "run %s: its record can't be closed (%s); it stands in records/ with the ending .damaged", id, why);
    if (say)
        say(context, sentence);
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
        struct error why = ERROR_INIT;
        if (close_crashed(dir, id, wall_ms_now, who, note, &why) == 0) {
            tell_closed(say, context, id);
            closed++;
        } else {
            set_aside(dir, id);
            tell_damaged(say, context, id, why.text);
        }
    }
    closedir(folder);
    return closed;
}
