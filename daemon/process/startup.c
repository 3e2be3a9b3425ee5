/* What happens before the loop, in main's order, and the stop command. Blocking. */
#include "daemon/process/process.h"

#include "daemon/base/text.h"

#include <dirent.h>
#include <errno.h>
#include <signal.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

enum { RESTART_OFF_MS = 5000, STOP_OFF_MS = 30000, BESIDE_OFF_MS = 2000, TENTHS_TO_OFF = 10, TENTHS_TO_KILL = 80 };

/* ---- what an earlier daemon left ---- */

/* Off for each entry. True: all of them, and all there can be, are confirmed. In a torn file a load may be missing. */
static bool left_is_off(struct daemon *d, int deadline_ms, bool *ret_stood)
{
    struct arm_entry entries[ARM_ENTRIES_MAX];
    struct error err = ERROR_INIT;
    long count = arm_read(d->options.dir, entries, &err);
    bool whole = count >= 0;
    if (!whole)
        tell(d->say, TELL_WARNING, "%s", err.text);
    if (!whole) /* what is whole in it is obeyed */
        for (count = 0; count < ARM_ENTRIES_MAX && entries[count].name[0];)
            count++;
    *ret_stood = count > 0 || !whole;
    if (count == 0)
        return whole;
    tell(d->say, TELL_WARNING, "%ld loads were left armed: turning them off first", count);
    if (whole)
        return arm_off_now(entries, (size_t)count, deadline_ms, process_say, d) == 0;
    arm_off_torn(entries, (size_t)count, deadline_ms, process_say, d);
    return false;
}

/* The armed file goes only when everything was confirmed off; until then guard and next start have it to go by. */
static void turn_left_off(struct daemon *d, int deadline_ms, bool may_remove)
{
    struct error err = ERROR_INIT;
    bool off = left_is_off(d, deadline_ms, &d->left);
    d->standing = d->left && (!off || !may_remove);
    if (!d->left || d->standing || arm_remove(d->options.dir, &err) == 0)
        return;
    tell(d->say, TELL_WARNING, "%s", err.text);
    d->standing = true;
}

void startup_off(struct daemon *d)
{
    turn_left_off(d, RESTART_OFF_MS, true);
}

/* A guard that was still at it finds the armed file gone when it is spoken to, ends, and writes its report before it answers. */
static void hear_guard(const struct daemon *d)
{
    struct error ignored = ERROR_INIT;
    if (d->left && !d->standing)
        arm_guard_close(arm_guard_connect(d->options.dir, NULL, &ignored)); /* no guard there: nothing to hear */
}

/* The guard's report stays until the record of the run that died has it. */
void startup_recover(struct daemon *d)
{
    struct arm_report report;
    struct error err = ERROR_INIT;
    char did[SENTENCE_SIZE] = "";
    hear_guard(d);
    int reported = arm_report_read(d->options.dir, &report, &err);
    if (reported < 0)
        tell(d->say, TELL_WARNING, "%s", err.text);
    if (reported > 0) {
        armed_report_sentence(&report, !d->standing, did);
        tell(d->say, TELL_NOTICE, "%s", did);
    }
    if (record_recover_noting(d->options.dir, process_wall_ms(), "guard", did, process_say, d, &err) < 0)
        tell(d->say, TELL_ERROR, "%s", err.text);
    else if (reported > 0 && arm_report_remove(d->options.dir, &err) < 0)
        tell(d->say, TELL_WARNING, "%s", err.text);
}

/* ---- the stop command ---- */

/* Stopped by a signal: it will not end by an order, and woken up it would go on where it was. */
static bool is_stopped(long pid)
{
    char path[40], text[256] = "";
    snprintf(path, sizeof path, "/proc/%ld/stat", pid);
    FILE *file = fopen(path, "re");
    size_t len = file ? fread(text, 1, sizeof text - 1, file) : 0;
    if (file)
        fclose(file);
    text[len] = '\0';
    const char *behind_name = strrchr(text, ')');
    return behind_name && strncmp(behind_name, ") T", 3) == 0;
}

/* Asked first, for its own off is the cleaner one. Who has not ended after a second hangs: then the loads don't wait for it any longer, and
 * once more they are turned off when it is gone. */
static void press_holder(struct daemon *d, long pid, int tenths)
{
    bool stood;
    if (tenths == 0)
        kill((pid_t)pid, SIGTERM);
    if (tenths == TENTHS_TO_KILL || is_stopped(pid))
        kill((pid_t)pid, SIGKILL);
    else if (tenths == TENTHS_TO_OFF)
        left_is_off(d, BESIDE_OFF_MS, &stood);
}

/* 0: nobody holds the bench any more, but we; 1: that can't be told; -1: somebody still does. */
static int end_holder(struct daemon *d)
{
    struct error err = ERROR_INIT;
    long pid = 0;
    int lock = place_lock(d->options.dir, &pid, &err);
    for (int tenths = 0; lock < 0 && err.kind == ERROR_BUSY && pid > 0 && tenths < 150; tenths++) {
        press_holder(d, pid, tenths);
        usleep(100000);
        lock = place_lock(d->options.dir, &pid, &err);
    }
    if (lock >= 0)
        return 0;
    tell(d->say, TELL_WARNING, "%s", err.text);
    return err.kind == ERROR_BUSY ? -1 : 1;
}

/* The sentence that goes with the exit status; what is wrong in detail has been said before. */
static int stop_said(struct daemon *d, int held)
{
    if (d->standing && access(d->options.dir, F_OK) < 0)
        tell(d->say, TELL_ERROR, "there is no folder %s: look at the bench, and name the daemon's folder with --dir", d->options.dir);
    else if (d->standing)
        tell(d->say, TELL_ERROR, "not everything could be confirmed off: look at the bench (%s/armed stays for the guard and the next start)", d->options.dir);
    else if (held)
        tell(d->say, TELL_ERROR, held < 0 ? "nothing is armed now, but the daemon could not be ended: look at the bench"
                                          : "no armed file stands, but whether a daemon is at the bench can't be told: what is on stays unknown");
    else
        tell(d->say, TELL_NOTICE, "nothing is armed");
    return d->standing || held ? EXIT_BENCH : 0;
}

/* Whoever holds the bench ends first, then what stands armed is turned off. Beside a daemon that did not end the file stays: it may switch on again. */
int startup_stop(struct daemon *d)
{
    int held = end_holder(d);
    turn_left_off(d, STOP_OFF_MS, held == 0);
    return stop_said(d, held);
}

/* ---- bench file and dialects ---- */

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

int startup_bench(struct daemon *d, struct error *err)
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

int startup_check(struct daemon *d)
{
    struct error err = ERROR_INIT;
    if (startup_bench(d, &err) < 0 || !(d->station = station_new(&d->bench, d->dialect_of, 1, &err)))
        return process_fail(d, &err);
    printf("%s: bench %s, %zu instruments, %zu seats: no fault found\n", d->options.bench, d->bench.name, d->bench.instruments_len, d->bench.seats_len);
    return 0;
}
