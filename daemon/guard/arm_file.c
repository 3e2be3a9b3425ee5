/* The armed file and the guard's report, from the daemon's side. */
#include "daemon/guard/arm_entry.h"

#include "daemon/base/text.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

enum { FIELDS = 13, FILE_SIZE_MAX = 64 * 1024, LINE_MAX_LEN = 2048 };

/* ---- writing ---- */

/* Fields are parted by spaces; what would break that is written %XX. */
static void put_text(FILE *to, const char *text)
{
    for (; *text; text++)
        if ((unsigned char)*text <= ' ' || *text == '%' || *text == 0x7f)
            fprintf(to, "%%%02x", (unsigned char)*text);
        else
            fputc(*text, to);
    fputc(' ', to);
}

static void put_hex(FILE *to, const unsigned char *bytes, size_t len)
{
    if (len == 0)
        fputc('-', to);
    for (size_t i = 0; i < len; i++)
        fprintf(to, "%02x", bytes[i]);
    fputc(' ', to);
}

static void put_entry(FILE *to, const struct arm_entry *e)
{
    fputs("entry ", to);
    put_text(to, e->name);
    put_text(to, e->address);
    fprintf(to, "%d %d %c %d %c ", e->baud, e->data_bits, e->parity ? e->parity : 'n', e->stop_bits, e->flow ? e->flow : 'n');
    put_hex(to, e->spoil, e->spoil_len);
    put_hex(to, e->off, e->off_len);
    put_hex(to, e->query, e->query_len);
    put_hex(to, e->answer_off, e->answer_off_len);
    fprintf(to, "%d %d\n", e->attempt_ms, e->mains);
}

static void boot_id(char ret[40])
{
    FILE *file = fopen("/proc/sys/kernel/random/boot_id", "re");
    if (!file || !fgets(ret, 40, file))
        strcpy(ret, "-");
    ret[strcspn(ret, "\n")] = '\0';
    if (file)
        fclose(file);
}

/* Field 22 of /proc/self/stat: with the pid and the boot's id it names this process and no later one. */
static unsigned long long own_starttime(void)
{
    char text[1024] = "";
    unsigned long long ticks = 0;
    FILE *file = fopen("/proc/self/stat", "re");
    size_t len = file ? fread(text, 1, sizeof text - 1, file) : 0;
    if (file)
        fclose(file);
    text[len] = '\0';
    const char *behind_name = strrchr(text, ')');
    if (!behind_name ||
        sscanf(behind_name + 1, " %*c %*d %*d %*d %*d %*d %*u %*u %*u %*u %*u %*u %*u %*d %*d %*d %*d %*d %*d %llu", &ticks) != 1)
        return 0;
    return ticks;
}

static int entry_check(const struct arm_entry *e, struct error *err)
{
    if (!e->name[0] || !e->address[0])
        return error_set(err, ERROR_RANGE, "a line to be armed has no name or no address");
    if (e->off_len == 0 || e->off_len > sizeof e->off || e->spoil_len > sizeof e->spoil || e->query_len > sizeof e->query ||
        e->answer_off_len > sizeof e->answer_off)
        return error_set(err, ERROR_RANGE, "%s can't be armed: no off bytes, or too many", e->name);
    if (e->attempt_ms < 1 || e->attempt_ms > 60000)
        return error_set(err, ERROR_RANGE, "%s can't be armed: %d ms for an attempt, expected 1 to 60000", e->name, e->attempt_ms);
    return 0;
}

static int file_fill(int fd, const struct arm_entry *entries, size_t count)
{
    char boot[40];
    FILE *file = fdopen(fd, "w");
    if (!file) {
        int why = errno;
        close(fd);
        return why;
    }
    boot_id(boot);
    fprintf(file, "brunt-armed 1\npid %ld %llu %s\n", (long)getpid(), own_starttime(), boot);
    for (size_t i = 0; i < count; i++)
        put_entry(file, &entries[i]);
    fputs("end\n", file);
    int why = fflush(file) != 0 || fsync(fd) < 0 || ferror(file) ? errno : 0;
    if (fclose(file) != 0 && !why)
        why = errno;
    return why;
}

int arm_write(const char *dir, const struct arm_entry *entries, size_t count, struct error *err)
{
    if (count == 0 || count > ARM_ENTRIES_MAX)
        return error_set(err, ERROR_RANGE, "%zu lines can't be armed, expected 1 to %d", count, ARM_ENTRIES_MAX);
    for (size_t i = 0; i < count; i++)
        if (entry_check(&entries[i], err) < 0)
            return -1;
    int folder = open(dir, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (folder < 0)
        return error_errno(err, ERROR_SYSTEM, errno, "%s can't be opened for the armed file", dir);
    int fd = openat(folder, "armed.new", O_WRONLY | O_CREAT | O_TRUNC | O_NOFOLLOW | O_CLOEXEC, 0600);
    int why = fd < 0 ? errno : file_fill(fd, entries, count);
    if (!why && (renameat(folder, "armed.new", folder, "armed") < 0 || fsync(folder) < 0))
        why = errno;
    if (why)
        unlinkat(folder, "armed.new", 0);
    close(folder);
    return why ? error_errno(err, ERROR_STORAGE, why, "%s/armed can't be written, so nothing is switched on", dir) : 0;
}

static int remove_one(const char *dir, const char *name, struct error *err)
{
    int folder = open(dir, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (folder < 0)
        return errno == ENOENT ? 0 : error_errno(err, ERROR_SYSTEM, errno, "%s can't be opened", dir);
    int why = unlinkat(folder, name, 0) < 0 && errno != ENOENT ? errno : 0;
    if (!why && fsync(folder) < 0)
        why = errno;
    close(folder);
    return why ? error_errno(err, ERROR_STORAGE, why, "%s/%s can't be removed", dir, name) : 0;
}

int arm_remove(const char *dir, struct error *err)
{
    return remove_one(dir, "armed", err);
}

/* ---- reading ---- */

static bool take_hex(const char *word, unsigned char *to, size_t size, size_t *ret_len)
{
    size_t digits = strlen(word), len = 0;
    *ret_len = 0;
    if (strcmp(word, "-") == 0)
        return true;
    if (digits % 2 || digits / 2 > size || strspn(word, "0123456789abcdef") != digits)
        return false;
    for (; len < digits / 2; len++) {
        unsigned value;
        if (sscanf(word + 2 * len, "%2x", &value) != 1)
            return false;
        to[len] = (unsigned char)value;
    }
    *ret_len = len;
    return true;
}

static bool take_text(const char *word, char *to, size_t size)
{
    size_t len = 0;
    for (; *word; word++) {
        unsigned value = (unsigned char)*word;
        if (*word == '%') {
            if (sscanf(word + 1, "%2x", &value) != 1 || value == 0)
                return false;
            word += 2;
        }
        if (len + 1 >= size)
            return false;
        to[len++] = (char)value;
    }
    to[len] = '\0';
    return len > 0;
}

static bool take_number(const char *word, int max, int *ret)
{
    long long value;
    if (!text_to_int64(word, 0, max, &value))
        return false;
    *ret = (int)value;
    return true;
}

static bool take_entry(char *words[FIELDS], struct arm_entry *e)
{
    int mains;
    if (strlen(words[4]) != 1 || strlen(words[6]) != 1)
        return false;
    e->parity = words[4][0];
    e->flow = words[6][0];
    bool fine = take_text(words[0], e->name, sizeof e->name) && take_text(words[1], e->address, sizeof e->address) &&
                take_number(words[2], 100000000, &e->baud) && take_number(words[3], 8, &e->data_bits) &&
                take_number(words[5], 2, &e->stop_bits) && take_hex(words[7], e->spoil, sizeof e->spoil, &e->spoil_len) &&
                take_hex(words[8], e->off, sizeof e->off, &e->off_len) &&
                take_hex(words[9], e->query, sizeof e->query, &e->query_len) &&
                take_hex(words[10], e->answer_off, sizeof e->answer_off, &e->answer_off_len) &&
                take_number(words[11], 60000, &e->attempt_ms) && take_number(words[12], 1, &mains);
    e->mains = fine && mains;
    return fine && e->off_len > 0 && e->attempt_ms > 0;
}

static bool read_entry(char *line, struct arm_entry *e)
{
    char *words[FIELDS];
    size_t count = 0;
    memset(e, 0, sizeof *e);
    for (char *word = strsep(&line, " "); word && count < FIELDS; word = strsep(&line, " "))
        words[count++] = word;
    if (count == FIELDS && take_entry(words, e))
        return true;
    memset(e, 0, sizeof *e);
    return false;
}

struct reading_state {
    long count;
    int line;
    bool end, pid;
    char odd[120]; /* of the first line that is not understood */
};

static void read_line(char *line, struct arm_entry *ret, struct reading_state *r)
{
    bool fine;
    r->line++;
    if (r->line == 1)
        fine = strcmp(line, "brunt-armed 1") == 0;
    else if (strncmp(line, "pid ", 4) == 0)
        fine = r->pid = true;
    else if (strcmp(line, "end") == 0)
        fine = r->end = true;
    else
        fine = strncmp(line, "entry ", 6) == 0 && r->count < ARM_ENTRIES_MAX && read_entry(line + 6, &ret[r->count]) && ++r->count;
    if (!fine && !r->odd[0])
        snprintf(r->odd, sizeof r->odd, "line %d is not understood", r->line);
}

/* No file: nothing is armed, if there is a folder at all in which it would stand. */
static long not_opened(const char *dir, const char *path, struct error *err)
{
    int why = errno, folder = why == ENOENT ? open(dir, O_RDONLY | O_DIRECTORY | O_CLOEXEC) : -1;
    if (folder >= 0) {
        close(folder);
        return 0;
    }
    return error_set(err, ERROR_STORAGE, "can't read the armed file %s (%s): what is on stays unknown", path, strerror(why));
}

long arm_read(const char *dir, struct arm_entry ret[ARM_ENTRIES_MAX], struct error *err)
{
    struct reading_state r = {0};
    char path[4200], line[LINE_MAX_LEN];
    memset(ret, 0, ARM_ENTRIES_MAX * sizeof ret[0]);
    if (!text_add((path[0] = '\0', path), sizeof path, "%s/armed", dir))
        return error_set(err, ERROR_SYSTEM, "the directory's name is too long");
    int fd = open(path, O_RDONLY | O_NOFOLLOW | O_NONBLOCK | O_CLOEXEC);
    FILE *file = fd < 0 ? NULL : fdopen(fd, "r");
    if (!file)
        return not_opened(dir, path, err);
    while (fgets(line, sizeof line, file)) {
        size_t len = strlen(line);
        if (len == 0 || line[len - 1] != '\n')
            break; /* torn in the middle of a line: that line doesn't count */
        line[len - 1] = '\0';
        read_line(line, ret, &r);
    }
    fclose(file);
    if (r.end && r.pid && r.count && !r.odd[0])
        return r.count;
    if (!r.count)
        return error_set(err, ERROR_STORAGE, "can't read the armed file %s (torn: %s): what is on stays unknown", path,
                         r.odd[0] ? r.odd : "it doesn't reach its end");
    return error_set(err, ERROR_STORAGE, "%s is torn (%s): %ld of its lines can be obeyed; look at the bench for others", path,
                     r.odd[0] ? r.odd : "it doesn't reach its end", r.count);
}

/* ---- the guard's report ---- */

static void report_line(const char *line, struct arm_report *ret)
{
    char role[16], how[16], name[80];
    long long ms;
    int tries;
    if (strncmp(line, "at ", 3) == 0)
        text_cut(ret->at, sizeof ret->at, line + 3);
    else if (strncmp(line, "why ", 4) == 0)
        text_cut(ret->why, sizeof ret->why, line + 4);
    else if (strncmp(line, "end ", 4) == 0)
        text_cut(ret->end, sizeof ret->end, line + 4);
    else if (strncmp(line, "daemon ", 7) == 0)
        text_cut(ret->daemon, sizeof ret->daemon, line + 7);
    else if (sscanf(line, "line %79s %15s %15s %lld %d", name, role, how, &ms, &tries) == 5) {
        bool confirmed = strcmp(how, "confirmed") == 0;
        if (strcmp(role, "mains") == 0)
            ret->mains_off |= confirmed;
        else if (confirmed) {
            ret->loads_confirmed++;
            ret->slowest_ms = ms > ret->slowest_ms ? ms : ret->slowest_ms;
        } else
            ret->loads_unconfirmed++;
    }
}

int arm_report_read(const char *dir, struct arm_report *ret, struct error *err)
{
    char path[4200] = "", line[400];
    memset(ret, 0, sizeof *ret);
    if (!text_add(path, sizeof path, "%s/guarded", dir))
        return error_set(err, ERROR_SYSTEM, "the directory's name is too long");
    int fd = open(path, O_RDONLY | O_NOFOLLOW | O_NONBLOCK | O_CLOEXEC);
    FILE *file = fd < 0 ? NULL : fdopen(fd, "r");
    if (!file)
        return errno == ENOENT ? 0 : error_errno(err, ERROR_STORAGE, errno, "%s can't be read", path);
    while (fgets(line, sizeof line, file)) {
        line[strcspn(line, "\n")] = '\0';
        report_line(line, ret);
    }
    fclose(file);
    return 1;
}

int arm_report_remove(const char *dir, struct error *err)
{
    return remove_one(dir, "guarded", err);
}
