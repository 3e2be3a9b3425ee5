#include "daemon/record/record.h"

#include <math.h>
#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include <cmocka.h>

static char dir[64];

static int make_dir(void **state)
{
    (void)state;
    strcpy(dir, "/tmp/brunt-record-XXXXXX");
    return mkdtemp(dir) ? 0 : -1;
}

static int remove_dir(void **state)
{
    char command[128];
    (void)state;
    snprintf(command, sizeof command, "rm -rf %s", dir);
    return system(command);
}

static const struct record_text texts[] = {{"supply", "supply = { name = \"x\"; };"}, {"bench", "bench = {};"}};

static struct record_writer *begin(const char *id, const char *in)
{
    struct record_head head = {.wall_ms = 1700000000000, .begin_us = 5000000, .software = "0", .title = "t", .supply = "s",
                               .profile = "p", .user = "somebody", .texts = texts, .texts_len = 2};
    struct error err = ERROR_INIT;
    strcpy(head.id, id);
    struct record_writer *w = record_create(in, &head, NULL, NULL, &err);
    if (!w)
        print_message("%s\n", err.text);
    return w;
}

static struct reading a_reading(int i)
{
    struct reading r = {.at_us = 5000000 + i * 1000, .asked_us = 5000000 + i * 1000 - 500, .port = 1, .volts = 5.0 + i * 1e-3,
                        .amps = i == 3 ? NAN : 1.5, .load_volts = 4.9, .mode = LOAD_VOLTAGE, .set_point = 4.5, .input_on = true,
                        .contract = 2, .quality = QUALITY_RESYNC};
    for (int p = 0; p < PROBES_MAX; p++)
        r.celsius[p] = p == 1 ? 40.25 : NAN;
    return r;
}

struct seen {
    long count;
    uint64_t last;
    struct reading reading;
    struct finding finding;
    struct mark mark;
};

static int see_reading(void *context, uint64_t seq, const struct reading *reading)
{
    struct seen *seen = context;
    assert_true(seq > seen->last);
    seen->last = seq;
    seen->count++;
    seen->reading = *reading;
    return 0;
}

static int see_finding(void *context, uint64_t seq, const struct finding *finding)
{
    (void)seq;
    ((struct seen *)context)->finding = *finding;
    return 0;
}

static int see_mark(void *context, uint64_t seq, const struct mark *mark)
{
    (void)seq;
    ((struct seen *)context)->mark = *mark;
    return 0;
}

static int see_event(void *context, uint64_t seq, int64_t at_us, const char *kind, const char *text)
{
    (void)at_us;
    if (seq == 4) {
        assert_string_equal(kind, "note");
        assert_string_equal(text, "somebody: smells warm");
        ++*(int *)context;
    }
    return 0;
}

static void what_was_put_in_comes_out_again(void **state)
{
    char path[256];
    struct error err = ERROR_INIT;
    struct seen seen = {0};
    struct stat file;
    (void)state;
    struct record_writer *w = begin("a1", dir);
    assert_non_null(w);
    struct reading r = a_reading(7);
    struct finding f = {.at_us = 5100000, .since_us = 5050000, .kind = FINDING_HICCUP, .severity = SEVERITY_TRIP, .port = 0, .contract = 1,
                        .volts = 0.1, .amps = 0.2, .limit = NAN, .period_s = 0.5, .duty = 0.04, .over = true, .text = "it goes on and off"};
    struct mark m = {.at_us = 5200000, .from_us = 5150000, .kind = MARK_POINT, .stage = 3, .port = 1, .contract = 2, .mode = LOAD_CURRENT,
                     .set_point = 3.25, .number = 1.0, .held = true, .text = "rated"};
    assert_int_equal(record_reading(w, &r), 1);
    assert_int_equal(record_finding(w, &f), 2);
    assert_int_equal(record_mark(w, &m), 3);
    assert_int_equal(record_note(w, 5300000, "somebody", "smells warm"), 4);
    assert_int_equal(record_finish(w, 5400000, RUN_DONE, "all stages done", path, sizeof path, &err), 0);
    assert_int_equal(stat(path, &file), 0);
    assert_int_equal(file.st_mode & 0777, 0444);

    struct record *record = record_open(path, &err);
    assert_non_null(record);
    assert_string_equal(record_meta(record, "end"), "done");
    assert_string_equal(record_meta(record, "end_us"), "400000");
    assert_string_equal(record_document(record, "supply"), texts[0].value);
    assert_int_equal(record_readings(record, 0, INT64_MAX, see_reading, &seen, &err), 1);
    assert_int_equal(seen.reading.at_us, 7000); /* time 0 is the run's begin */
    assert_true(seen.reading.volts == r.volts && seen.reading.celsius[1] == 40.25 && isnan(seen.reading.celsius[0]));
    assert_int_equal(seen.reading.mode, LOAD_VOLTAGE);
    assert_int_equal(record_findings(record, see_finding, &seen, &err), 1);
    assert_int_equal(seen.finding.kind, FINDING_HICCUP);
    assert_true(seen.finding.severity == SEVERITY_TRIP && seen.finding.over && seen.finding.period_s == 0.5 && isnan(seen.finding.limit));
    assert_int_equal(record_marks(record, see_mark, &seen, &err), 1);
    int notes = 0;
    assert_int_equal(record_events(record, see_event, &notes, &err), 3);
    assert_int_equal(notes, 1);
    assert_true(seen.mark.kind == MARK_POINT && seen.mark.held && seen.mark.number == 1.0 && seen.mark.from_us == 150000);
    record_close(record);
}

/* A child writes, says what the writer called stored, and is killed without warning. */
static uint64_t write_until_killed(const char *id, int events)
{
    int pipe_ends[2];
    uint64_t stored = 0, got;
    assert_int_equal(pipe(pipe_ends), 0);
    pid_t child = fork();
    if (child == 0) {
        struct record_writer *w = begin(id, dir);
        for (int i = 0; w && i < 100000; i++) {
            struct record_status status;
            struct reading r = a_reading(i);
            record_reading(w, &r);
            if (i % events == 0)
                record_note(w, r.at_us, "test", "event");
            record_status(w, &status);
            if (write(pipe_ends[1], &status.stored, sizeof status.stored) < 0)
                _exit(1);
            nanosleep(&(struct timespec){.tv_nsec = 200000}, NULL);
        }
        _exit(0);
    }
    close(pipe_ends[1]);
    while (stored < 60 && read(pipe_ends[0], &got, sizeof got) == sizeof got)
        stored = got;
    kill(child, SIGKILL);
    while (read(pipe_ends[0], &got, sizeof got) == sizeof got)
        stored = got;
    waitpid(child, NULL, 0);
    close(pipe_ends[0]);
    return stored;
}

static void count_sentence(void *context, const char *sentence)
{
    assert_non_null(strstr(sentence, "run k"));
    ++*(int *)context;
}

static void a_killed_writer_loses_nothing_that_it_called_stored(void **state)
{
    char path[256];
    struct error err = ERROR_INIT;
    struct seen seen = {0};
    int sentences = 0;
    (void)state;
    uint64_t stored = write_until_killed("k1", 10);
    assert_true(stored >= 60);
    assert_int_equal(record_recover(dir, 1700000100000, count_sentence, &sentences, &err), 1);
    assert_int_equal(sentences, 1);
    snprintf(path, sizeof path, "%s/records/k1.brunt", dir);
    struct record *record = record_open(path, &err);
    assert_non_null(record);
    assert_string_equal(record_meta(record, "end"), "crashed");
    long readings = record_readings(record, 0, INT64_MAX, see_reading, &seen, &err);
    assert_true(seen.last + 1 >= stored); /* the last may be an event */
    assert_true(readings > 0);
    assert_int_equal(record_marks(record, see_mark, &seen, &err), 1);
    assert_int_equal(seen.mark.kind, MARK_GAP);
    assert_int_equal(seen.mark.at_us, 100000000);
    record_close(record);
}

static int see_guard_note(void *context, uint64_t seq, int64_t at_us, const char *kind, const char *text)
{
    (void)seq, (void)at_us;
    if (strcmp(kind, "note") == 0 && strstr(text, "the guard acted"))
        ++*(int *)context;
    return 0;
}

static void what_is_known_of_the_time_without_a_daemon_stands_in_the_record_so_closed(void **state)
{
    char path[256];
    struct error err = ERROR_INIT;
    int sentences = 0, notes = 0;
    (void)state;
    write_until_killed("k9", 10);
    assert_int_equal(record_recover_noting(dir, 1700000100000, "guard", "the guard acted: 1 load confirmed off", count_sentence, &sentences, &err), 1);
    snprintf(path, sizeof path, "%s/records/k9.brunt", dir);
    struct record *record = record_open(path, &err);
    assert_non_null(record);
    assert_true(record_events(record, see_guard_note, &notes, &err) > 0);
    assert_int_equal(notes, 1);
    record_close(record);
}

static bool stands(const char *folder, const char *name)
{
    char path[256];
    snprintf(path, sizeof path, "%s/%s/%s", dir, folder, name);
    return access(path, F_OK) == 0;
}

/* Writes beyond `bytes` of a file fail from here on: the disk that is full. */
static struct rlimit limit_files(rlim_t bytes)
{
    struct rlimit old, limit;
    assert_int_equal(getrlimit(RLIMIT_FSIZE, &old), 0);
    limit = (struct rlimit){bytes, old.rlim_max};
    signal(SIGXFSZ, SIG_IGN);
    assert_int_equal(setrlimit(RLIMIT_FSIZE, &limit), 0);
    return old;
}

static void a_record_that_a_full_disk_leaves_open_is_closed_at_the_next_start(void **state)
{
    char path[256];
    struct error err = ERROR_INIT;
    struct seen seen = {0};
    int sentences = 0;
    (void)state;
    write_until_killed("k5", 10);
    struct rlimit old = limit_files(512);
    int closed = record_recover(dir, 1700000100000, count_sentence, &sentences, &err);
    setrlimit(RLIMIT_FSIZE, &old);
    assert_int_equal(closed, 0);
    assert_int_equal(sentences, 1);
    assert_true(stands("open", "k5.brunt"));
    assert_false(stands("records", "k5.damaged"));
    assert_int_equal(record_recover(dir, 1700000100000, count_sentence, &sentences, &err), 1);
    snprintf(path, sizeof path, "%s/records/k5.brunt", dir);
    struct record *record = record_open(path, &err);
    assert_non_null(record);
    assert_string_equal(record_meta(record, "end"), "crashed");
    assert_int_equal(record_marks(record, see_mark, &seen, &err), 1); /* one gap, not one an attempt */
    record_close(record);
}

static void a_file_that_is_no_record_is_set_aside_as_damaged(void **state)
{
    char path[256];
    struct error err = ERROR_INIT;
    int sentences = 0;
    (void)state;
    snprintf(path, sizeof path, "%s/open/k6.brunt", dir);
    FILE *file = fopen(path, "w");
    assert_non_null(file);
    for (int i = 0; i < 2000; i++)
        fputs("no record\n", file);
    fclose(file);
    assert_int_equal(record_recover(dir, 1700000100000, count_sentence, &sentences, &err), 0);
    assert_int_equal(sentences, 1);
    assert_false(stands("open", "k6.brunt"));
    assert_true(stands("records", "k6.damaged"));
}

static void a_record_that_could_not_be_begun_leaves_no_file(void **state)
{
    struct error err = ERROR_INIT;
    struct record_head head = {.id = "k7", .software = "", .title = "", .supply = "", .profile = "", .user = ""};
    (void)state;
    struct rlimit old = limit_files(512);
    struct record_writer *w = record_create(dir, &head, NULL, NULL, &err);
    setrlimit(RLIMIT_FSIZE, &old);
    assert_null(w);
    assert_int_equal(err.kind, ERROR_STORAGE);
    assert_false(stands("open", "k7.brunt"));
    assert_false(stands("open", "k7.brunt-wal"));
}

static void a_queue_that_is_full_says_so_and_keeps_room_for_events(void **state)
{
    struct record_status status;
    struct error err = ERROR_INIT;
    char path[256];
    uint64_t taken = 0;
    (void)state;
    struct record_writer *w = begin("f1", dir);
    for (int i = 0; i < 200000; i++) { /* faster than any disk: the ring must fill, or all must be taken */
        struct reading r = a_reading(i);
        uint64_t seq = record_reading(w, &r);
        if (!seq)
            break;
        taken = seq;
    }
    assert_int_not_equal(record_note(w, 5000000, "test", "still room"), 0);
    record_status(w, &status);
    assert_true(status.taken == taken + 1);
    assert_int_equal(record_finish(w, 9000000, RUN_STOPPED, "", path, sizeof path, &err), 0);
}

static void a_folder_that_is_not_writable_is_named(void **state)
{
    struct error err = ERROR_INIT;
    struct record_head head = {.id = "n1", .software = "", .title = "", .supply = "", .profile = "", .user = ""};
    (void)state;
    assert_null(record_create("/proc/no-such", &head, NULL, NULL, &err));
    assert_int_equal(err.kind, ERROR_STORAGE);
    assert_non_null(strstr(err.text, "/proc/no-such"));
}

static void what_is_no_record_is_refused(void **state)
{
    char path[256];
    struct error err = ERROR_INIT;
    (void)state;
    snprintf(path, sizeof path, "%s/junk", dir);
    FILE *file = fopen(path, "w");
    fputs("no database at all, but long enough to be looked at as one; nothing here is a header of any kind", file);
    fclose(file);
    assert_null(record_open(path, &err));
    assert_int_equal(err.kind, ERROR_STORAGE);
    assert_null(record_open("/no/such/record", &err));
    assert_non_null(strstr(err.text, "/no/such/record"));
}

static void a_newer_schema_is_refused_with_both_versions_named(void **state)
{
    char path[256], command[400];
    struct error err = ERROR_INIT;
    (void)state;
    struct record_writer *w = begin("v1", dir);
    assert_int_equal(record_finish(w, 6000000, RUN_DONE, "", path, sizeof path, &err), 0);
    snprintf(command, sizeof command, "chmod 644 %s && sqlite3 %s 'PRAGMA user_version=99'", path, path);
    assert_int_equal(system(command), 0);
    assert_null(record_open(path, &err));
    assert_non_null(strstr(err.text, "99"));
}

static void the_list_has_the_newest_first(void **state)
{
    struct record_entry *entries;
    struct error err = ERROR_INIT;
    (void)state;
    long count = record_list(dir, &entries, &err);
    assert_true(count >= 2);
    for (long i = 1; i < count; i++)
        assert_true(strcmp(entries[i - 1].id, entries[i].id) > 0);
    free(entries);
}

static void other_programs_read_the_record(void **state)
{
    char command[600];
    (void)state;
    snprintf(command, sizeof command,
             "test \"$(sqlite3 %s/records/a1.brunt 'SELECT count(*), volts FROM reading')\" = '1|5.007' && "
             "test \"$(/usr/bin/python3 -c \"import sqlite3; print(sqlite3.connect('%s/records/a1.brunt').execute('select name, period_s from event where seq=2').fetchone())\")\" = \"('hiccup', 0.5)\"",
             dir, dir);
    assert_int_equal(system(command), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_was_put_in_comes_out_again),
        cmocka_unit_test(other_programs_read_the_record),
        cmocka_unit_test(a_killed_writer_loses_nothing_that_it_called_stored),
        cmocka_unit_test(what_is_known_of_the_time_without_a_daemon_stands_in_the_record_so_closed),
        cmocka_unit_test(a_record_that_a_full_disk_leaves_open_is_closed_at_the_next_start),
        cmocka_unit_test(a_file_that_is_no_record_is_set_aside_as_damaged),
        cmocka_unit_test(a_record_that_could_not_be_begun_leaves_no_file),
        cmocka_unit_test(a_queue_that_is_full_says_so_and_keeps_room_for_events),
        cmocka_unit_test(a_folder_that_is_not_writable_is_named),
        cmocka_unit_test(what_is_no_record_is_refused),
        cmocka_unit_test(the_list_has_the_newest_first),
        cmocka_unit_test(a_newer_schema_is_refused_with_both_versions_named),
    };
    return cmocka_run_group_tests(tests, make_dir, remove_dir);
}
