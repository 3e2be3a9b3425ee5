/* The armed file: written whole, read back, torn at every byte; off at restart from nothing but that file. */
#include "tests/guard/with_stand_in.h"

#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

enum { LONG_MS = 20000 };

static char *slurp(const char *path, size_t *ret_len)
{
    static char text[8192];
    FILE *file = fopen(path, "re");
    assert_non_null(file);
    *ret_len = fread(text, 1, sizeof text - 1, file);
    text[*ret_len] = '\0';
    fclose(file);
    return text;
}

static void spill(const char *path, const char *text, size_t len)
{
    FILE *file = fopen(path, "we");
    assert_non_null(file);
    assert_int_equal(fwrite(text, 1, len, file), len);
    fclose(file);
}

static struct arm_entry entry_of(const char *name, const char *address)
{
    struct instrument nobody = {.keep = -1};
    snprintf(nobody.address, sizeof nobody.address, "%s", address);
    return instrument_entry(&nobody, name);
}

static void what_is_armed_is_read_back_as_it_was(void **state)
{
    (void)state;
    struct place p = place_make(geteuid());
    struct error err = ERROR_INIT;
    struct arm_entry all[] = {entry_of("load", "serial:/dev/serial/by-id/a b%c"), entry_of("mains", "tcp:[::1]:5025")}, got[ARM_ENTRIES_MAX];
    char path[200];
    struct stat st;
    all[0].baud = 9600;
    all[0].parity = 'e';
    all[0].flow = 'r';
    all[0].stop_bits = 2;
    all[1].mains = true;
    all[1].spoil_len = all[1].query_len = all[1].answer_off_len = 0;
    for (int i = 0; i < 128; i++)
        all[1].off[i] = (unsigned char)(i * 2 + 1);
    all[1].off_len = 128;
    assert_int_equal(arm_read(p.dir, got, &err), 0);
    assert_int_equal(arm_write(p.dir, all, 2, &err), 0);
    assert_int_equal(arm_read(p.dir, got, &err), 2);
    for (int i = 0; i < 2; i++) {
        assert_string_equal(got[i].name, all[i].name);
        assert_string_equal(got[i].address, all[i].address);
        assert_int_equal(got[i].off_len, all[i].off_len);
        assert_memory_equal(got[i].off, all[i].off, all[i].off_len);
        assert_int_equal(got[i].spoil_len, all[i].spoil_len);
        assert_memory_equal(got[i].spoil, all[i].spoil, all[i].spoil_len);
        assert_int_equal(got[i].query_len, all[i].query_len);
        assert_int_equal(got[i].answer_off_len, all[i].answer_off_len);
        assert_int_equal(got[i].attempt_ms, all[i].attempt_ms);
        assert_int_equal(got[i].mains, all[i].mains);
    }
    assert_int_equal(got[0].baud, 9600);
    assert_int_equal(got[0].parity, 'e');
    assert_int_equal(got[0].flow, 'r');
    assert_int_equal(got[0].stop_bits, 2);
    snprintf(path, sizeof path, "%s/armed", p.dir);
    assert_int_equal(stat(path, &st), 0);
    assert_int_equal(st.st_mode & 0777, 0600);
    assert_int_equal(arm_remove(p.dir, &err), 0);
    assert_int_equal(arm_remove(p.dir, &err), 0);
    assert_int_equal(arm_read(p.dir, got, &err), 0);
    place_remove(&p);
}

static void what_could_not_be_turned_off_is_not_armed(void **state)
{
    (void)state;
    struct place p = place_make(geteuid());
    struct error err = ERROR_INIT;
    struct arm_entry e = entry_of("load", "pty:/x");
    assert_int_equal(arm_write(p.dir, &e, 0, &err), -1);
    e.off_len = 0;
    assert_int_equal(arm_write(p.dir, &e, 1, &err), -1);
    assert_non_null(strstr(err.text, "no off bytes"));
    e = entry_of("load", "pty:/x");
    assert_int_equal(arm_write("/nowhere/at/all", &e, 1, &err), -1);
    assert_non_null(strstr(err.text, "/nowhere/at/all"));
    e.attempt_ms = 0;
    assert_int_equal(arm_write(p.dir, &e, 1, &err), -1);
    place_remove(&p);
}

/* How many entries stand whole before `cut`. */
static size_t whole_entries(const char *text, size_t cut)
{
    size_t count = 0, line = 0;
    for (size_t i = 0; i < cut; i++)
        if (text[i] == '\n') {
            count += strncmp(text + line, "entry ", 6) == 0;
            line = i + 1;
        }
    return count;
}

static void a_file_torn_anywhere_gives_the_entries_that_are_whole(void **state)
{
    (void)state;
    struct place p = place_make(geteuid());
    struct error err = ERROR_INIT;
    struct arm_entry all[] = {entry_of("one", "pty:/1"), entry_of("two", "tcp:h:2"), entry_of("three", "serial:/3")}, got[ARM_ENTRIES_MAX];
    char path[200];
    size_t len;
    snprintf(path, sizeof path, "%s/armed", p.dir);
    assert_int_equal(arm_write(p.dir, all, 3, &err), 0);
    char *text = strdup(slurp(path, &len));
    for (size_t cut = 0; cut < len; cut++) {
        size_t found = 0;
        spill(path, text, cut);
        assert_int_equal(arm_read(p.dir, got, &err), -1);
        assert_non_null(strstr(err.text, "torn"));
        while (found < ARM_ENTRIES_MAX && got[found].name[0])
            found++;
        assert_int_equal(found, whole_entries(text, cut));
        for (size_t i = 0; i < found; i++)
            assert_string_equal(got[i].address, all[i].address);
    }
    free(text);
    place_remove(&p);
}

/* Whatever stands in its place: never "nothing is armed". */
static void an_armed_file_that_is_none_leaves_unknown_what_is_on(void **state)
{
    (void)state;
    struct place p = place_make(geteuid());
    struct error err = ERROR_INIT;
    struct arm_entry got[ARM_ENTRIES_MAX];
    char path[200], odd[256];
    snprintf(path, sizeof path, "%s/armed", p.dir);
    assert_int_equal(arm_read(p.dir, got, &err), 0);
    for (int what = 0; what < 5; what++) {
        err = (struct error)ERROR_INIT;
        for (size_t i = 0; i < sizeof odd; i++)
            odd[i] = (char)(i * 167 + 13);
        if (what == 0)
            assert_int_equal(symlink("/dev/null", path), 0);
        else if (what == 1)
            assert_int_equal(mkfifo(path, 0600), 0);
        else if (what == 2)
            assert_int_equal(mkdir(path, 0700), 0);
        else
            spill(path, odd, what == 3 ? 0 : sizeof odd);
        assert_int_equal(arm_read(p.dir, got, &err), -1);
        assert_non_null(strstr(err.text, "can't read the armed file"));
        assert_non_null(strstr(err.text, "what is on stays unknown"));
        assert_int_equal(remove(path), 0);
    }
    assert_int_equal(arm_read("/nowhere/at/all", got, &err), -1);
    assert_non_null(strstr(err.text, "what is on stays unknown"));
    place_remove(&p);
}

static pid_t guard_on(const struct place *p)
{
    pid_t pid = fork();
    if (pid == 0) {
        int null = open("/dev/null", O_WRONLY);
        dup2(null, 2);
        execl(p->guard, "brunt-guard", p->dir, (char *)NULL);
        _exit(127);
    }
    return pid;
}

static void report_comes(const struct place *p, struct arm_report *ret)
{
    for (int waited = 0; waited < LONG_MS && arm_report_read(p->dir, ret, NULL) != 1; waited += 2)
        sleep_ms(2);
    assert_int_equal(arm_report_read(p->dir, ret, NULL), 1);
    assert_int_equal(arm_report_remove(p->dir, NULL), 0);
}

/* As after a power cut, or when the guard itself was killed: it finds a file, of a process that is dead, and possibly torn. */
static void a_guard_that_finds_a_torn_file_turns_off_what_it_still_names(void **state)
{
    (void)state;
    struct place p = place_make(geteuid());
    struct instrument one = instrument_start(ON_PTY, geteuid()), two = instrument_start(ON_TCP, geteuid());
    struct arm_entry all[] = {instrument_entry(&one, "one"), instrument_entry(&two, "two")};
    char path[200];
    size_t len;
    all[0].attempt_ms = all[1].attempt_ms = 60;
    snprintf(path, sizeof path, "%s/armed", p.dir);
    pid_t writer = fork(); /* the file must not name this process: it would be killed */
    if (writer == 0)
        _exit(arm_write(p.dir, all, 2, NULL) < 0);
    int status;
    waitpid(writer, &status, 0);
    assert_int_equal(status, 0);
    char *text = strdup(slurp(path, &len));
    for (size_t cut = 0; cut <= len; cut++) {
        struct arm_report report;
        size_t whole = whole_entries(text, cut);
        one.state->on = two.state->on = true;
        spill(path, text, cut);
        pid_t guard = guard_on(&p);
        report_comes(&p, &report);
        assert_int_equal(one.state->on, whole < 1);
        assert_int_equal(two.state->on, whole < 2);
        assert_int_equal(report.loads_confirmed, whole);
        assert_int_equal(strcmp(report.end, "all loads say they are off") == 0, cut == len);
        kill(guard, SIGTERM);
        assert_int_equal(waitpid(guard, &status, 0), guard);
        assert_int_equal(status, 0);
    }
    free(text);
    instrument_stop(&one);
    instrument_stop(&two);
    place_remove(&p);
}

/* ---- off at restart ---- */

struct said {
    char text[2000];
};

static void listen_to(void *context, const char *sentence)
{
    struct said *said = context;
    strncat(said->text, sentence, sizeof said->text - strlen(said->text) - 2);
    strcat(said->text, "\n");
}

static void restart_turns_off_what_was_armed(void **state)
{
    (void)state;
    for (int line = ON_PTY; line <= ON_TCP; line++) {
        struct instrument it = instrument_start((enum instrument_line)line, geteuid());
        struct arm_entry e = instrument_entry(&it, "load");
        struct said said = {""};
        it.state->on = true;
        assert_int_equal(arm_off_now(&e, 1, 5000, listen_to, &said), 0);
        assert_false(it.state->on);
        assert_string_equal(said.text, "load says it is off\n");
        instrument_stop(&it);
    }
}

static void restart_never_completes_half_a_message(void **state)
{
    static const char *const messages[] = {"INP ON\n", "CURR 500 MA\n"};
    (void)state;
    for (size_t m = 0; m < 2; m++)
        for (size_t len = 1; len < strlen(messages[m]); len++) {
            struct instrument it = instrument_start(ON_PTY, geteuid());
            struct arm_entry e = instrument_entry(&it, "load");
            int fd = open(it.address + 4, O_RDWR | O_NOCTTY | O_CLOEXEC);
            assert_int_equal(write(fd, messages[m], len), (ssize_t)len);
            close(fd);
            sleep_ms(5); /* until the instrument has read it */
            assert_int_equal(arm_off_now(&e, 1, 5000, NULL, NULL), 0);
            assert_int_equal(it.state->ons, 0);
            assert_int_equal(it.state->sets, 0);
            instrument_stop(&it);
        }
}

static void restart_names_what_it_could_not_turn_off(void **state)
{
    (void)state;
    struct instrument mute = instrument_start(ON_PTY, geteuid()), mains = instrument_start(ON_TCP, geteuid());
    struct arm_entry all[] = {instrument_entry(&mute, "mute"), entry_of("gone", "pty:/nowhere/load"), entry_of("refusing", "tcp:127.0.0.1:1"),
                              instrument_entry(&mains, "mains")};
    struct said said = {""};
    all[3].mains = true;
    mute.state->silent = mute.state->on = mains.state->on = true;
    assert_int_equal(arm_off_now(all, 4, 1500, listen_to, &said), 3);
    assert_false(mute.state->on); /* told all the same */
    assert_false(mains.state->on);
    assert_non_null(strstr(said.text, "mute could NOT be confirmed off"));
    assert_non_null(strstr(said.text, "gone could NOT be confirmed off (pty:/nowhere/load can't be opened: No such file"));
    assert_non_null(strstr(said.text, "refusing could NOT"));
    assert_non_null(strstr(said.text, "mains says it is off"));
    instrument_stop(&mute);
    instrument_stop(&mains);
}

static void restart_leaves_the_mains_on_when_each_load_is_confirmed(void **state)
{
    (void)state;
    struct instrument load = instrument_start(ON_TCP, geteuid()), mains = instrument_start(ON_TCP, geteuid());
    struct arm_entry all[] = {instrument_entry(&mains, "mains"), instrument_entry(&load, "load")};
    all[0].mains = true;
    all[1].attempt_ms = 500;
    load.state->on = mains.state->on = true;
    load.state->echo = true;
    load.state->answer_delay_ms = 80;
    assert_int_equal(arm_off_now(all, 2, 8000, NULL, NULL), 0);
    assert_false(load.state->on);
    assert_true(mains.state->on);
    instrument_stop(&load);
    instrument_stop(&mains);
}

static void behind_a_torn_file_the_mains_go_off_with_the_loads(void **state)
{
    (void)state;
    struct instrument load = instrument_start(ON_TCP, geteuid()), mains = instrument_start(ON_TCP, geteuid());
    struct arm_entry all[] = {instrument_entry(&mains, "mains"), instrument_entry(&load, "load")};
    all[0].mains = true;
    load.state->on = mains.state->on = true;
    assert_int_equal(arm_off_torn(all, 2, 8000, NULL, NULL), 0);
    assert_false(load.state->on);
    assert_false(mains.state->on);
    instrument_stop(&load);
    instrument_stop(&mains);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_is_armed_is_read_back_as_it_was),
        cmocka_unit_test(what_could_not_be_turned_off_is_not_armed),
        cmocka_unit_test(a_file_torn_anywhere_gives_the_entries_that_are_whole),
        cmocka_unit_test(an_armed_file_that_is_none_leaves_unknown_what_is_on),
        cmocka_unit_test(a_guard_that_finds_a_torn_file_turns_off_what_it_still_names),
        cmocka_unit_test(restart_turns_off_what_was_armed),
        cmocka_unit_test(restart_never_completes_half_a_message),
        cmocka_unit_test(restart_names_what_it_could_not_turn_off),
        cmocka_unit_test(restart_leaves_the_mains_on_when_each_load_is_confirmed),
        cmocka_unit_test(behind_a_torn_file_the_mains_go_off_with_the_loads),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
