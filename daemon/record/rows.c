#include "daemon/record/rows.h"

#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define CELSIUS_COLUMNS "c0,c1,c2,c3,c4,c5,c6,c7,c8,c9,c10,c11,c12,c13,c14,c15"
_Static_assert(PROBES_MAX == 16, "the reading table has sixteen temperature columns");

static const char schema[] =
    "CREATE TABLE meta (name TEXT PRIMARY KEY, value TEXT NOT NULL);"
    "CREATE TABLE document (name TEXT PRIMARY KEY, text TEXT NOT NULL);"
    "CREATE TABLE reading (seq INTEGER PRIMARY KEY, at_us INTEGER NOT NULL, asked_us INTEGER, port INTEGER NOT NULL, volts REAL,"
    " amps REAL, load_volts REAL, mode TEXT, set_point REAL, input_on INTEGER, contract INTEGER, quality INTEGER,"
    " c0 REAL,c1 REAL,c2 REAL,c3 REAL,c4 REAL,c5 REAL,c6 REAL,c7 REAL,c8 REAL,c9 REAL,c10 REAL,c11 REAL,c12 REAL,c13 REAL,c14 REAL,c15 REAL);"
    "CREATE TABLE event (seq INTEGER PRIMARY KEY, at_us INTEGER NOT NULL, kind TEXT NOT NULL, name TEXT, from_us INTEGER, stage INTEGER,"
    " port INTEGER, contract INTEGER, severity TEXT, mode TEXT, held INTEGER, over INTEGER, set_point REAL, number REAL, volts REAL,"
    " amps REAL, watts REAL, bound REAL, period_s REAL, duty REAL, text TEXT);";

static const char insert_reading[] =
    "INSERT INTO reading (seq,at_us,asked_us,port,volts,amps,load_volts,mode,set_point,input_on,contract,quality," CELSIUS_COLUMNS
    ") VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)";

enum event_column { /* bind index in insert_event */
    E_SEQ = 1, E_AT, E_KIND, E_NAME, E_FROM, E_STAGE, E_PORT, E_CONTRACT, E_SEVERITY, E_MODE, E_HELD, E_OVER, E_SET_POINT, E_NUMBER,
    E_VOLTS, E_AMPS, E_WATTS, E_BOUND, E_PERIOD, E_DUTY, E_TEXT
};
static const char insert_event[] =
    "INSERT INTO event (seq,at_us,kind,name,from_us,stage,port,contract,severity,mode,held,over,set_point,number,volts,amps,watts,bound,"
    "period_s,duty,text) VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)";

/* What the file itself says wrong; all else (a full disk, I/O, permissions, memory) may be better at the next attempt. */
static bool is_damage(sqlite3 *db)
{
    int code = db ? sqlite3_errcode(db) : SQLITE_NOMEM; /* primary codes: extended ones aren't switched on */
    return code == SQLITE_CORRUPT || code == SQLITE_NOTADB || code == SQLITE_ERROR || code == SQLITE_CONSTRAINT;
}

int rows_sqlite_error(sqlite3 *db, const char *doing, struct error *err)
{
    return error_set(err, is_damage(db) ? ERROR_FILE : ERROR_STORAGE, "%s: %s", doing, db ? sqlite3_errmsg(db) : "no memory");
}

int rows_execute(sqlite3 *db, const char *sql, struct error *err)
{
    return sqlite3_exec(db, sql, NULL, NULL, NULL) == SQLITE_OK ? 0 : rows_sqlite_error(db, "the record refuses", err);
}

int rows_create_schema(sqlite3 *db, struct error *err)
{
    char version[96];
    snprintf(version, sizeof version, "PRAGMA user_version=%d; PRAGMA application_id=1112692052;", RECORD_SCHEMA_VERSION);
    return rows_execute(db, version, err) < 0 ? -1 : rows_execute(db, schema, err);
}

static int put_pair(sqlite3 *db, const char *sql, const char *name, const char *value, struct error *err)
{
    sqlite3_stmt *statement = NULL;
    bool done = sqlite3_prepare_v2(db, sql, -1, &statement, NULL) == SQLITE_OK &&
                sqlite3_bind_text(statement, 1, name, -1, SQLITE_STATIC) == SQLITE_OK &&
                sqlite3_bind_text(statement, 2, value ? value : "", -1, SQLITE_STATIC) == SQLITE_OK &&
                sqlite3_step(statement) == SQLITE_DONE;
    int answer = done ? 0 : rows_sqlite_error(db, "can't write into the record", err);
    sqlite3_finalize(statement);
    return answer;
}

int rows_set_meta(sqlite3 *db, const char *name, const char *value, struct error *err)
{
    return put_pair(db, "INSERT OR REPLACE INTO meta VALUES (?,?)", name, value, err);
}

int rows_set_document(sqlite3 *db, const char *name, const char *text, struct error *err)
{
    return put_pair(db, "INSERT OR REPLACE INTO document VALUES (?,?)", name, text, err);
}

int rows_prepare(struct rows *rows, struct error *err)
{
    if (sqlite3_prepare_v2(rows->db, insert_reading, -1, &rows->reading, NULL) != SQLITE_OK ||
        sqlite3_prepare_v2(rows->db, insert_event, -1, &rows->event, NULL) != SQLITE_OK)
        return rows_sqlite_error(rows->db, "the record's tables aren't what this version writes", err);
    return 0;
}

void rows_end(struct rows *rows)
{
    sqlite3_finalize(rows->reading);
    sqlite3_finalize(rows->event);
    sqlite3_close(rows->db);
    rows->reading = rows->event = NULL;
    rows->db = NULL;
}

/* ---- rows ---- */

static void bind_real(sqlite3_stmt *statement, int column, double value)
{
    if (isfinite(value))
        sqlite3_bind_double(statement, column, value);
    else
        sqlite3_bind_null(statement, column);
}

static void bind_text(sqlite3_stmt *statement, int column, const char *text)
{
    sqlite3_bind_text(statement, column, text, -1, SQLITE_STATIC);
}

static void bind_reading(sqlite3_stmt *statement, const struct item *item, int64_t begin_us)
{
    const struct reading *r = &item->of.reading;
    sqlite3_bind_int64(statement, 1, (sqlite3_int64)item->seq);
    sqlite3_bind_int64(statement, 2, r->at_us - begin_us);
    sqlite3_bind_int64(statement, 3, r->asked_us - begin_us);
    sqlite3_bind_int(statement, 4, r->port);
    bind_real(statement, 5, r->volts);
    bind_real(statement, 6, r->amps);
    bind_real(statement, 7, r->load_volts);
    bind_text(statement, 8, load_mode_name(r->mode));
    bind_real(statement, 9, r->set_point);
    sqlite3_bind_int(statement, 10, r->input_on);
    sqlite3_bind_int(statement, 11, r->contract);
    sqlite3_bind_int(statement, 12, (int)r->quality);
    for (int i = 0; i < PROBES_MAX; i++)
        bind_real(statement, 13 + i, r->celsius[i]);
}

static void bind_order(sqlite3_stmt *s, const struct order *o)
{
    bind_text(s, E_KIND, "order");
    bind_text(s, E_NAME, order_kind_name(o->kind));
    sqlite3_bind_int(s, E_PORT, o->port);
    sqlite3_bind_int(s, E_CONTRACT, o->contract);
    bind_text(s, E_MODE, o->kind == ORDER_LOAD_SET ? load_mode_name(o->mode) : NULL);
    bind_real(s, E_SET_POINT, o->kind == ORDER_LOAD_SET ? o->value : NAN);
    bind_real(s, E_NUMBER, o->kind == ORDER_PACE ? (double)o->period_us * 1e-6 : NAN);
    bind_real(s, E_VOLTS, o->volts);
    bind_real(s, E_AMPS, o->amps);
    bind_real(s, E_WATTS, o->watts);
    bind_real(s, E_BOUND, o->floor_volts);
    bind_text(s, E_TEXT, o->kind == ORDER_FINISH && !o->text[0] ? run_end_name(o->end) : o->text);
}

static void bind_outcome(sqlite3_stmt *s, const struct outcome *o)
{
    bind_text(s, E_KIND, "outcome");
    bind_text(s, E_NAME, order_kind_name(o->kind));
    sqlite3_bind_int(s, E_PORT, o->port);
    sqlite3_bind_int(s, E_CONTRACT, o->contract);
    bind_text(s, E_SEVERITY, outcome_state_name(o->state));
    bind_real(s, E_NUMBER, o->value);
    sqlite3_bind_int(s, E_HELD, (int)o->proof);
    bind_text(s, E_TEXT, o->text);
}

static void bind_finding(sqlite3_stmt *s, const struct finding *f, int64_t begin_us)
{
    bind_text(s, E_KIND, "finding");
    bind_text(s, E_NAME, finding_kind_name(f->kind));
    sqlite3_bind_int64(s, E_FROM, f->since_us - begin_us);
    sqlite3_bind_int(s, E_PORT, f->port);
    sqlite3_bind_int(s, E_CONTRACT, f->contract);
    bind_text(s, E_SEVERITY, severity_name(f->severity));
    sqlite3_bind_int(s, E_OVER, f->over);
    bind_real(s, E_VOLTS, f->volts);
    bind_real(s, E_AMPS, f->amps);
    bind_real(s, E_BOUND, f->limit);
    bind_real(s, E_PERIOD, f->period_s);
    bind_real(s, E_DUTY, f->duty);
    bind_text(s, E_TEXT, f->text);
}

static void bind_mark(sqlite3_stmt *s, const struct mark *m, int64_t begin_us)
{
    bind_text(s, E_KIND, "mark");
    bind_text(s, E_NAME, mark_kind_name(m->kind));
    sqlite3_bind_int64(s, E_FROM, m->from_us - begin_us);
    sqlite3_bind_int(s, E_STAGE, m->stage);
    sqlite3_bind_int(s, E_PORT, m->port);
    sqlite3_bind_int(s, E_CONTRACT, m->contract);
    bind_text(s, E_MODE, load_mode_name(m->mode));
    sqlite3_bind_int(s, E_HELD, m->held);
    bind_real(s, E_SET_POINT, m->set_point);
    bind_real(s, E_NUMBER, m->number);
    bind_text(s, E_TEXT, m->text);
}

static void bind_event(sqlite3_stmt *s, const struct item *item, int64_t begin_us)
{
    sqlite3_clear_bindings(s);
    sqlite3_bind_int64(s, E_SEQ, (sqlite3_int64)item->seq);
    sqlite3_bind_int64(s, E_AT, item->at_us - begin_us);
    switch (item->kind) {
    case ITEM_ORDER: bind_order(s, &item->of.order); break;
    case ITEM_OUTCOME: bind_outcome(s, &item->of.outcome); break;
    case ITEM_FINDING: bind_finding(s, &item->of.finding, begin_us); break;
    case ITEM_MARK: bind_mark(s, &item->of.mark, begin_us); break;
    case ITEM_NOTE:
        bind_text(s, E_KIND, "note");
        bind_text(s, E_NAME, item->of.note.who);
        bind_text(s, E_TEXT, item->of.note.text);
        break;
    case ITEM_READING: break;
    }
}

int rows_put(struct rows *rows, const struct item *item, struct error *err)
{
    sqlite3_stmt *statement = item->kind == ITEM_READING ? rows->reading : rows->event;
    if (item->kind == ITEM_READING)
        bind_reading(statement, item, rows->begin_us);
    else
        bind_event(statement, item, rows->begin_us);
    int code = sqlite3_step(statement);
    int answer = code == SQLITE_DONE ? 0 : rows_sqlite_error(rows->db, "can't write a row", err);
    sqlite3_reset(statement);
    return answer;
}

/* ---- opening, ending ---- */

int rows_open_live(const char *path, int flags, sqlite3 **ret, struct error *err)
{
    sqlite3 *db = NULL;
    /* EXCLUSIVE before WAL: no shared memory file, and no second connection that could meet the WAL-reset defect of this SQLite. */
    if (sqlite3_open_v2(path, &db, flags, NULL) != SQLITE_OK) {
        error_set(err, ERROR_STORAGE, "%s: %s", path, db ? sqlite3_errmsg(db) : "no memory");
        sqlite3_close(db);
        return -1;
    }
    if (rows_execute(db, "PRAGMA locking_mode=EXCLUSIVE; PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL; PRAGMA wal_autocheckpoint=1000; PRAGMA cache_size=-1024;", err) < 0) {
        error_prefix(err, "%s", path);
        sqlite3_close(db);
        return -1;
    }
    *ret = db;
    return 0;
}

int rows_set_end(struct rows *rows, int64_t at_us, enum run_end end, const char *why, struct error *err)
{
    char number[32];
    snprintf(number, sizeof number, "%lld", (long long)(at_us - rows->begin_us));
    if (rows_execute(rows->db, "SAVEPOINT ending", err) < 0) /* recovery has a transaction open already */
        return -1;
    if (rows_set_meta(rows->db, "end", run_end_name(end), err) < 0 || rows_set_meta(rows->db, "why", why, err) < 0 ||
        rows_set_meta(rows->db, "end_us", number, err) < 0) {
        rows_execute(rows->db, "ROLLBACK TO ending; RELEASE ending", NULL);
        return -1;
    }
    return rows_execute(rows->db, "RELEASE ending", err);
}

static int sync_folder(const char *path)
{
    int fd = open(path, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (fd < 0)
        return -1;
    int answer = fsync(fd);
    close(fd);
    return answer;
}

int rows_seal(struct rows *rows, const char *dir, const char *id, char *ret_path, size_t path_size, struct error *err)
{
    char from[600], to[600], folder[600];
    snprintf(from, sizeof from, "%s/open/%s.brunt", dir, id);
    snprintf(to, sizeof to, "%s/records/%s.brunt", dir, id);
    sqlite3_finalize(rows->reading);
    sqlite3_finalize(rows->event);
    rows->reading = rows->event = NULL;
    int answer = rows_execute(rows->db, "PRAGMA wal_checkpoint(TRUNCATE); PRAGMA journal_mode=DELETE;", err);
    rows_end(rows);
    if (answer < 0)
        return -1;
    if (chmod(from, 0444) < 0 || rename(from, to) < 0)
        return error_errno(err, ERROR_STORAGE, errno, "can't move the finished record to %s", to);
    snprintf(folder, sizeof folder, "%s/records", dir);
    sync_folder(folder);
    snprintf(folder, sizeof folder, "%s/open", dir);
    sync_folder(folder);
    if (ret_path)
        snprintf(ret_path, path_size, "%s", to);
    return 0;
}
