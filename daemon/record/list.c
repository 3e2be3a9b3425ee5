#include "daemon/record/record.h"

#include "daemon/base/text.h"

#include <dirent.h>
#include <errno.h>
#include <limits.h>
#include <sqlite3.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static long count_readings(const char *path)
{
    sqlite3 *db = NULL;
    sqlite3_stmt *s = NULL;
    long count = -1;
    if (sqlite3_open_v2(path, &db, SQLITE_OPEN_READONLY, NULL) == SQLITE_OK &&
        sqlite3_prepare_v2(db, "SELECT count(*) FROM reading", -1, &s, NULL) == SQLITE_OK && sqlite3_step(s) == SQLITE_ROW)
        count = (long)sqlite3_column_int64(s, 0);
    sqlite3_finalize(s);
    sqlite3_close(db);
    return count;
}

static int entry_of(const char *path, struct record_entry *ret)
{
    struct record *record = record_open(path, NULL);
    if (!record)
        return -1;
    memset(ret, 0, sizeof *ret);
    text_cut(ret->id, sizeof ret->id, record_meta(record, "id"));
    text_cut(ret->supply, sizeof ret->supply, record_meta(record, "supply"));
    text_cut(ret->profile, sizeof ret->profile, record_meta(record, "profile"));
    text_cut(ret->end, sizeof ret->end, record_meta(record, "end"));
    ret->wall_ms = atoll(record_meta(record, "wall_ms"));
    ret->duration_s = (double)atoll(record_meta(record, "end_us")) * 1e-6;
    text_copy(ret->path, sizeof ret->path, path);
    record_close(record);
    ret->readings = count_readings(path);
    return 0;
}

static int newer_first(const void *a, const void *b)
{
    return strcmp(((const struct record_entry *)b)->id, ((const struct record_entry *)a)->id);
}

long record_list(const char *dir, struct record_entry **ret, struct error *err)
{
    char folder_path[512], path[PATH_MAX];
    struct record_entry *entries = NULL;
    long count = 0;
    snprintf(folder_path, sizeof folder_path, "%s/records", dir);
    DIR *folder = opendir(folder_path);
    *ret = NULL;
    if (!folder)
        return errno == ENOENT ? 0 : error_errno(err, ERROR_STORAGE, errno, "can't look into %s", folder_path);
    for (struct dirent *entry; (entry = readdir(folder));) {
        size_t len = strlen(entry->d_name);
        if (len < 7 || strcmp(entry->d_name + len - 6, ".brunt") != 0)
            continue;
        struct record_entry *more = realloc(entries, (size_t)(count + 1) * sizeof *more);
        if (!more)
            break;
        entries = more;
        snprintf(path, sizeof path, "%s/%s", folder_path, entry->d_name);
        if (entry_of(path, &entries[count]) == 0)
            count++;
    }
    closedir(folder);
    if (count)
        qsort(entries, (size_t)count, sizeof *entries, newer_first);
    *ret = entries;
    return count;
}
