#include "daemon/record/rows.h"

#include "daemon/base/text.h"

#include <dirent.h>
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum { TEXTS_MAX = 64 };

struct record {
    sqlite3 *db;
    char *names[TEXTS_MAX], *values[TEXTS_MAX]; /* metas first, then documents with a '/' before their name */
    size_t texts;
};

void record_close(struct record *record)
{
    if (!record)
        return;
    for (size_t i = 0; i < record->texts; i++) {
        free(record->names[i]);
        free(record->values[i]);
    }
    sqlite3_close(record->db);
    free(record);
}

static int load_texts(struct record *record, const char *sql, struct error *err)
{
    sqlite3_stmt *statement = NULL;
    if (sqlite3_prepare_v2(record->db, sql, -1, &statement, NULL) != SQLITE_OK)
        return rows_sqlite_error(record->db, "this is no record of a run", err);
    while (record->texts < TEXTS_MAX && sqlite3_step(statement) == SQLITE_ROW) {
        const char *name = (const char *)sqlite3_column_text(statement, 0), *value = (const char *)sqlite3_column_text(statement, 1);
        record->names[record->texts] = strdup(name ? name : "");
        record->values[record->texts] = strdup(value ? value : "");
        record->texts++;
    }
    sqlite3_finalize(statement);
    return 0;
}

static int check_version(struct record *record, const char *path, struct error *err)
{
    sqlite3_stmt *statement = NULL;
    int version = -1;
    if (sqlite3_prepare_v2(record->db, "PRAGMA user_version", -1, &statement, NULL) == SQLITE_OK && sqlite3_step(statement) == SQLITE_ROW)
        version = sqlite3_column_int(statement, 0);
    sqlite3_finalize(statement);
    if (version > RECORD_SCHEMA_VERSION)
        return error_set(err, ERROR_STORAGE, "%s has schema version %d; this program reads up to %d: use a newer one", path, version,
                         RECORD_SCHEMA_VERSION);
    return version >= 1 ? 0 : error_set(err, ERROR_STORAGE, "%s is no record of a run", path);
}

struct record *record_open(const char *path, struct error *err)
{
    struct record *record = calloc(1, sizeof *record);
    if (!record) {
        error_set(err, ERROR_MEMORY, "no memory");
        return NULL;
    }
    if (access(path, R_OK) < 0)
        error_errno(err, ERROR_STORAGE, errno, "%s", path);
    else if (sqlite3_open_v2(path, &record->db, SQLITE_OPEN_READONLY, NULL) != SQLITE_OK)
        rows_sqlite_error(record->db, path, err);
    else if (check_version(record, path, err) == 0 && load_texts(record, "SELECT name, value FROM meta", err) == 0 &&
             load_texts(record, "SELECT '/'||name, text FROM document", err) == 0)
        return record;
    record_close(record);
    return NULL;
}

static const char *text_of(const struct record *record, const char *prefix, const char *name)
{
    size_t len = strlen(prefix);
    for (size_t i = 0; i < record->texts; i++)
        if (strncmp(record->names[i], prefix, len) == 0 && strcmp(record->names[i] + len, name) == 0)
            return record->values[i];
    return NULL;
}

const char *record_meta(const struct record *record, const char *name)
{
    const char *value = text_of(record, "", name);
    return value ? value : "";
}

const char *record_document(const struct record *record, const char *name)
{
    return text_of(record, "/", name);
}

/* ---- columns ---- */

static double real_at(sqlite3_stmt *s, int column)
{
    return sqlite3_column_type(s, column) == SQLITE_NULL ? NAN : sqlite3_column_double(s, column);
}

static const char *text_at(sqlite3_stmt *s, int column)
{
    const char *text = (const char *)sqlite3_column_text(s, column);
    return text ? text : "";
}

static enum load_mode mode_at(sqlite3_stmt *s, int column)
{
    for (int i = 0; i < LOAD_MODES; i++)
        if (strcmp(text_at(s, column), load_mode_name((enum load_mode)i)) == 0)
            return (enum load_mode)i;
    return LOAD_CURRENT;
}

static enum severity severity_at(sqlite3_stmt *s, int column)
{
    for (int i = SEVERITY_NOTE; i <= SEVERITY_ABORT; i++)
        if (strcmp(text_at(s, column), severity_name((enum severity)i)) == 0)
            return (enum severity)i;
    return SEVERITY_NOTE;
}

static void reading_at(sqlite3_stmt *s, struct reading *r)
{
    r->at_us = sqlite3_column_int64(s, 1);
    r->asked_us = sqlite3_column_int64(s, 2);
    r->port = sqlite3_column_int(s, 3);
    r->volts = real_at(s, 4);
    r->amps = real_at(s, 5);
    r->load_volts = real_at(s, 6);
    r->mode = mode_at(s, 7);
    r->set_point = real_at(s, 8);
    r->input_on = sqlite3_column_int(s, 9);
    r->contract = sqlite3_column_int(s, 10);
    r->quality = (unsigned)sqlite3_column_int(s, 11);
    for (int i = 0; i < PROBES_MAX; i++)
        r->celsius[i] = real_at(s, 12 + i);
}

static sqlite3_stmt *query(struct record *record, const char *sql, struct error *err)
{
    sqlite3_stmt *statement = NULL;
    if (sqlite3_prepare_v2(record->db, sql, -1, &statement, NULL) != SQLITE_OK)
        rows_sqlite_error(record->db, "can't read the record", err);
    return statement;
}

static long end_query(struct record *record, sqlite3_stmt *statement, int code, long rows, struct error *err)
{
    if (code != SQLITE_DONE && code != SQLITE_ROW)
        rows = rows_sqlite_error(record->db, "the record is damaged", err);
    sqlite3_finalize(statement);
    return rows;
}

long record_readings(struct record *record, int64_t from_us, int64_t to_us,
                     int (*each)(void *context, uint64_t seq, const struct reading *reading), void *context, struct error *err)
{
    sqlite3_stmt *s = query(record, "SELECT * FROM reading WHERE at_us BETWEEN ? AND ? ORDER BY seq", err);
    long rows = 0;
    int code = SQLITE_DONE;
    if (!s)
        return -1;
    sqlite3_bind_int64(s, 1, from_us);
    sqlite3_bind_int64(s, 2, to_us);
    while ((code = sqlite3_step(s)) == SQLITE_ROW) {
        struct reading reading;
        reading_at(s, &reading);
        rows++;
        if (each(context, (uint64_t)sqlite3_column_int64(s, 0), &reading))
            break;
    }
    return end_query(record, s, code, rows, err);
}

long record_findings(struct record *record, int (*each)(void *context, uint64_t seq, const struct finding *finding), void *context,
                     struct error *err)
{
    sqlite3_stmt *s = query(record,
                            "SELECT seq, at_us, from_us, name, severity, port, contract, volts, amps, bound, period_s, duty, over, text"
                            " FROM event WHERE kind='finding' ORDER BY seq",
                            err);
    long rows = 0;
    int code = SQLITE_DONE;
    if (!s)
        return -1;
    while ((code = sqlite3_step(s)) == SQLITE_ROW) {
        struct finding f = {.at_us = sqlite3_column_int64(s, 1), .since_us = sqlite3_column_int64(s, 2), .kind = finding_kind_of(text_at(s, 3)),
                            .severity = severity_at(s, 4), .port = sqlite3_column_int(s, 5), .contract = sqlite3_column_int(s, 6),
                            .volts = real_at(s, 7), .amps = real_at(s, 8), .limit = real_at(s, 9), .period_s = real_at(s, 10),
                            .duty = real_at(s, 11), .over = sqlite3_column_int(s, 12)};
        text_cut(f.text, sizeof f.text, text_at(s, 13));
        rows++;
        if (each(context, (uint64_t)sqlite3_column_int64(s, 0), &f))
            break;
    }
    return end_query(record, s, code, rows, err);
}

long record_marks(struct record *record, int (*each)(void *context, uint64_t seq, const struct mark *mark), void *context, struct error *err)
{
    sqlite3_stmt *s = query(record,
                            "SELECT seq, at_us, from_us, name, stage, port, contract, mode, set_point, number, held, text"
                            " FROM event WHERE kind='mark' ORDER BY seq",
                            err);
    long rows = 0;
    int code = SQLITE_DONE;
    if (!s)
        return -1;
    while ((code = sqlite3_step(s)) == SQLITE_ROW) {
        struct mark m = {.at_us = sqlite3_column_int64(s, 1), .from_us = sqlite3_column_int64(s, 2), .kind = mark_kind_of(text_at(s, 3)),
                         .stage = sqlite3_column_int(s, 4), .port = sqlite3_column_int(s, 5), .contract = sqlite3_column_int(s, 6),
                         .mode = mode_at(s, 7), .set_point = real_at(s, 8), .number = real_at(s, 9), .held = sqlite3_column_int(s, 10)};
        text_cut(m.text, sizeof m.text, text_at(s, 11));
        rows++;
        if (each(context, (uint64_t)sqlite3_column_int64(s, 0), &m))
            break;
    }
    return end_query(record, s, code, rows, err);
}

static unsigned index_of(const char *name, const char *(*name_of)(unsigned i), unsigned count)
{
    unsigned i = 0;
    while (i < count && strcmp(name, name_of(i)) != 0)
        i++;
    return i < count ? i : 0;
}

static const char *order_name(unsigned i)
{
    return order_kind_name((enum order_kind)i);
}

static const char *state_name(unsigned i)
{
    return outcome_state_name((enum outcome_state)i);
}

long record_outcomes(struct record *record, int (*each)(void *context, uint64_t seq, const struct outcome *outcome), void *context,
                     struct error *err)
{
    sqlite3_stmt *s = query(record,
                            "SELECT seq, at_us, name, severity, port, contract, number, held, text FROM event WHERE kind='outcome' ORDER BY seq", err);
    long rows = 0;
    int code = SQLITE_DONE;
    if (!s)
        return -1;
    while ((code = sqlite3_step(s)) == SQLITE_ROW) {
        struct outcome o = {.at_us = sqlite3_column_int64(s, 1), .kind = (enum order_kind)index_of(text_at(s, 2), order_name, ORDER_KINDS),
                            .state = (enum outcome_state)index_of(text_at(s, 3), state_name, OUTCOME_STATES), .port = sqlite3_column_int(s, 4),
                            .contract = sqlite3_column_int(s, 5), .value = real_at(s, 6), .proof = (enum selection_proof)sqlite3_column_int(s, 7)};
        text_cut(o.text, sizeof o.text, text_at(s, 8));
        rows++;
        if (each(context, (uint64_t)sqlite3_column_int64(s, 0), &o))
            break;
    }
    return end_query(record, s, code, rows, err);
}

long record_events(struct record *record, int (*each)(void *context, uint64_t seq, int64_t at_us, const char *kind, const char *text),
                   void *context, struct error *err)
{
    sqlite3_stmt *s = query(record,
                            "SELECT seq, at_us, kind, printf('%s%s%s%s%s', ifnull(name,''), ifnull(' ['||severity||']',''),"
                            " CASE WHEN set_point IS NULL THEN '' ELSE printf(' set %g', set_point) END, CASE WHEN number IS NULL THEN '' ELSE printf(' number %g', number) END,"
                            " CASE WHEN ifnull(text,'')='' THEN '' ELSE ': '||text END) FROM event ORDER BY seq",
                            err);
    long rows = 0;
    int code = SQLITE_DONE;
    if (!s)
        return -1;
    while ((code = sqlite3_step(s)) == SQLITE_ROW) {
        rows++;
        if (each(context, (uint64_t)sqlite3_column_int64(s, 0), sqlite3_column_int64(s, 1), text_at(s, 2), text_at(s, 3)))
            break;
    }
    return end_query(record, s, code, rows, err);
}
