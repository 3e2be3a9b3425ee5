/* The record's rows: one statement for readings, one for events of every kind. Shared by writer, recovery and reader. */
#ifndef BRUNT_RECORD_ROWS_H
#define BRUNT_RECORD_ROWS_H

#include "daemon/record/record.h"

#include <sqlite3.h>

enum item_kind { ITEM_READING, ITEM_ORDER, ITEM_OUTCOME, ITEM_FINDING, ITEM_MARK, ITEM_NOTE };

struct item { /* what the ring holds */
    uint64_t seq;
    int64_t at_us;
    enum item_kind kind;
    union {
        struct reading reading;
        struct order order;
        struct outcome outcome;
        struct finding finding;
        struct mark mark;
        struct {
            char who[NAME_SIZE], text[SENTENCE_SIZE];
        } note;
    } of;
};

struct rows { /* a connection with its prepared statements */
    sqlite3 *db;
    sqlite3_stmt *reading, *event;
    int64_t begin_us; /* run's clock at the record's time 0 */
};

int rows_execute(sqlite3 *db, const char *sql, struct error *err);
int rows_sqlite_error(sqlite3 *db, const char *doing, struct error *err); /* sets *err (ERROR_FILE: the file is damaged; ERROR_STORAGE: it could not be written or read now), returns -1 */
int rows_create_schema(sqlite3 *db, struct error *err);
int rows_set_meta(sqlite3 *db, const char *name, const char *value, struct error *err);
int rows_set_document(sqlite3 *db, const char *name, const char *text, struct error *err);
int rows_prepare(struct rows *rows, struct error *err);
void rows_end(struct rows *rows); /* finalizes and closes; half-built is fine */
int rows_put(struct rows *rows, const struct item *item, struct error *err);

/* Opens a live record: exclusive, WAL, FULL. */
int rows_open_live(const char *path, int flags, sqlite3 **ret, struct error *err);
/* Checkpoint, journal_mode=DELETE, close, rename open/ID -> records/ID, 0444, both folders fsynced. rows is ended in any case. */
int rows_seal(struct rows *rows, const char *dir, const char *id, char *ret_path, size_t path_size, struct error *err);
int rows_set_end(struct rows *rows, int64_t at_us, enum run_end end, const char *why, struct error *err);

#endif
