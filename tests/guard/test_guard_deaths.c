/* Every way in which a daemon can die or hang while a load is on: the guard turns it off. Prints how long that took; asserts no time. */
#include "tests/guard/with_stand_in.h"

#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum { LONG_MS = 20000, TIMES_MAX = 300 };

/* ---- times, printed at the end ---- */

static struct times {
    const char *what;
    double ms[TIMES_MAX];
    size_t count;
} after_kill = {.what = "kill -9 to input off"}, after_stop = {.what = "SIGSTOP to input off (heartbeat time-out included)"};

static int by_size(const void *a, const void *b)
{
    double x, y;
    memcpy(&x, a, sizeof x);
    memcpy(&y, b, sizeof y);
    return (x > y) - (x < y);
}

static void times_print(struct times *t)
{
    if (!t->count)
        return;
    qsort(t->ms, t->count, sizeof t->ms[0], by_size);
    print_message("time  %s: n=%zu  min %.3f  median %.3f  90%% %.3f  max %.3f ms\n", t->what, t->count, t->ms[0], t->ms[t->count / 2],
                  t->ms[t->count * 9 / 10], t->ms[t->count - 1]);
}

static void times_add(struct times *t, int64_t ns)
{
    if (t->count < TIMES_MAX)
        t->ms[t->count++] = (double)ns / 1e6;
}

/* ---- one bench: a place, an instrument on a line, a user ---- */

struct bench {
    struct place place;
    struct instrument load;
    struct arm_entry entry;
};

static struct bench bench_make(enum instrument_line line, uid_t uid)
{
    struct bench b = {.place = place_make(uid), .load = instrument_start(line, uid)};
    b.entry = instrument_entry(&b.load, "load");
    return b;
}

static void bench_end(struct bench *b)
{
    instrument_stop(&b->load);
    place_remove(&b->place);
}

/* A stand-in with the load armed and on. */
static struct stand_in load_on(const struct bench *b)
{
    struct stand_in daemon;
    char why[200];
    struct stand_in_wish wish = {.place = &b->place, .entries = &b->entry, .count = 1};
    if (!stand_in_start(&wish, &daemon, why))
        fail_msg("not armed: %s", why);
    stand_in_write(&daemon, 0, "INP ON\n", 7);
    assert_true(comes_to(&b->load.state->on, true, LONG_MS));
    return daemon;
}

/* The guard's report, once it is there. */
static struct arm_report report_comes(const struct place *p)
{
    struct arm_report report;
    struct error err = ERROR_INIT;
    for (int waited = 0; waited < LONG_MS && arm_report_read(p->dir, &report, &err) != 1; waited += 5)
        sleep_ms(5);
    assert_int_equal(arm_report_read(p->dir, &report, &err), 1);
    return report;
}

static void all_lines_and_users(void (*test)(enum instrument_line line, uid_t uid))
{
    for (int line = ON_PTY; line <= ON_TCP; line++) {
        test((enum instrument_line)line, geteuid());
        if (other_user() != (uid_t)-1)
            test((enum instrument_line)line, other_user());
    }
}

/* ---- deaths ---- */

static void killed(enum instrument_line line, uid_t uid)
{
    struct bench b = bench_make(line, uid);
    struct stand_in daemon = load_on(&b);
    int64_t at = now_ns();
    kill(daemon.pid, SIGKILL);
    assert_true(comes_to(&b.load.state->on, false, LONG_MS));
    times_add(&after_kill, b.load.state->off_ns - at);
    assert_int_equal(stand_in_wait(&daemon), SIGKILL);
    struct arm_report report = report_comes(&b.place);
    assert_int_equal(report.loads_confirmed, 1);
    assert_int_equal(report.loads_unconfirmed, 0);
    assert_string_equal(report.end, "all loads say they are off");
    assert_false(b.load.state->on);
    bench_end(&b);
}

static void a_killed_daemon_leaves_no_load_on(void **state)
{
    (void)state;
    for (int i = 0; i < 5; i++)
        all_lines_and_users(killed);
}

static void stopped(enum instrument_line line, uid_t uid)
{
    struct bench b = bench_make(line, uid);
    struct stand_in daemon = load_on(&b);
    int64_t at = now_ns();
    kill(daemon.pid, SIGSTOP);
    /* When it wakes up it would switch on again: that order waits in its pipe already. */
    static const char wake[] = "\0\7INP ON\n";
    assert_int_equal(write(daemon.orders, wake, sizeof wake - 1), sizeof wake - 1);
    assert_true(comes_to(&b.load.state->on, false, LONG_MS));
    times_add(&after_stop, b.load.state->off_ns - at);
    struct arm_report report = report_comes(&b.place);
    kill(daemon.pid, SIGCONT);
    assert_int_equal(stand_in_wait(&daemon), SIGKILL);
    assert_non_null(strstr(report.daemon, "killed by the guard"));
    assert_int_equal(report.loads_confirmed, 1);
    sleep_ms(50);
    assert_false(b.load.state->on);
    assert_int_equal(b.load.state->ons, 1);
    bench_end(&b);
}

static void a_stopped_daemon_is_dead_before_it_can_wake_up(void **state)
{
    (void)state;
    all_lines_and_users(stopped);
}

/* Stopped and woken before the second is over: nothing happens to it. */
static void a_daemon_that_pauses_briefly_lives_on(void **state)
{
    (void)state;
    struct bench b = bench_make(ON_PTY, geteuid());
    struct stand_in daemon = load_on(&b);
    kill(daemon.pid, SIGSTOP);
    sleep_ms(100);
    kill(daemon.pid, SIGCONT);
    sleep_ms(1500);
    assert_true(b.load.state->on);
    stand_in_order(&daemon, 'd');
    assert_int_equal(stand_in_wait(&daemon), 0);
    assert_true(b.load.state->on); /* disarmed: its own business now */
    bench_end(&b);
}

static void hung_up_on_guard(enum instrument_line line, uid_t uid)
{
    struct bench b = bench_make(line, uid);
    struct stand_in daemon = load_on(&b);
    stand_in_order(&daemon, 'c');
    assert_true(comes_to(&b.load.state->on, false, LONG_MS));
    assert_int_equal(stand_in_wait(&daemon), SIGKILL);
    struct arm_report report = report_comes(&b.place);
    assert_non_null(strstr(report.why, "connection ended"));
    bench_end(&b);
}

static void a_daemon_that_drops_its_guard_while_armed_is_fenced(void **state)
{
    (void)state;
    all_lines_and_users(hung_up_on_guard);
}

/* ---- half messages ---- */

static void killed_within(enum instrument_line line, uid_t uid, const char *message)
{
    struct bench b = bench_make(line, uid); /* one guard for all of it: it serves the next daemon too */
    for (size_t len = 0; len <= strlen(message); len++) {
        struct stand_in daemon = load_on(&b);
        int ons = b.load.state->ons, sets = b.load.state->sets;
        bool whole = len == strlen(message);
        stand_in_write(&daemon, 0, message, len);
        kill(daemon.pid, SIGKILL);
        assert_true(comes_to(&b.load.state->on, false, LONG_MS));
        assert_int_equal(stand_in_wait(&daemon), SIGKILL);
        struct arm_report report = report_comes(&b.place);
        assert_int_equal(report.loads_confirmed, 1);
        assert_false(b.load.state->on);
        if (!whole && (b.load.state->ons != ons || b.load.state->sets != sets))
            fail_msg("the first %zu bytes of '%s' were completed by somebody", len, message);
        assert_int_equal(arm_remove(b.place.dir, NULL), 0);
        assert_int_equal(arm_report_remove(b.place.dir, NULL), 0);
    }
    bench_end(&b);
}

static void within_input_on(enum instrument_line line, uid_t uid)
{
    killed_within(line, uid, "INP ON\n");
}

static void within_set_point(enum instrument_line line, uid_t uid)
{
    killed_within(line, uid, "CURR 500 MA\n");
}

static void half_an_input_on_is_never_completed(void **state)
{
    (void)state;
    all_lines_and_users(within_input_on);
}

static void half_a_set_point_is_never_completed(void **state)
{
    (void)state;
    all_lines_and_users(within_set_point);
}

/* ---- lines that are not what they were ---- */

static void without_descriptors(enum instrument_line line, uid_t uid)
{
    struct bench b = bench_make(line, uid);
    struct stand_in daemon;
    char why[200];
    struct stand_in_wish wish = {.place = &b.place, .entries = &b.entry, .count = 1, .keep_descriptors = true};
    assert_true(stand_in_start(&wish, &daemon, why));
    stand_in_write(&daemon, 0, "INP ON\n", 7);
    assert_true(comes_to(&b.load.state->on, true, LONG_MS));
    kill(daemon.pid, SIGSTOP); /* and still has the line open and locked */
    assert_true(comes_to(&b.load.state->on, false, LONG_MS));
    assert_int_equal(report_comes(&b.place).loads_confirmed, 1);
    assert_int_equal(stand_in_wait(&daemon), SIGKILL);
    bench_end(&b);
}

static void a_line_without_descriptor_is_opened_by_its_path(void **state)
{
    (void)state;
    all_lines_and_users(without_descriptors);
}

static void a_tcp_connection_that_broke_is_made_anew(void **state)
{
    (void)state;
    struct bench b = bench_make(ON_TCP, geteuid());
    struct stand_in daemon = load_on(&b);
    b.load.state->hang_up_next = true;
    assert_true(comes_to(&b.load.state->hang_up_next, false, LONG_MS));
    kill(daemon.pid, SIGKILL);
    assert_true(comes_to(&b.load.state->on, false, LONG_MS));
    assert_int_equal(report_comes(&b.place).loads_confirmed, 1);
    assert_true(b.load.state->connections >= 2);
    stand_in_wait(&daemon);
    bench_end(&b);
}

/* The plug was pulled and put back while armed: the same instrument stands behind another device, under the same stable path. */
static void a_line_that_came_back_elsewhere_is_found_by_its_stable_path(void **state)
{
    (void)state;
    struct bench b = bench_make(ON_PTY, geteuid());
    char path[200];
    snprintf(path, sizeof path, "%s/stable", b.place.dir);
    assert_int_equal(symlink(b.load.address + 4, path), 0);
    snprintf(b.entry.address, sizeof b.entry.address, "pty:%s", path);
    struct stand_in daemon = load_on(&b);
    struct instrument again = instrument_start(ON_PTY, geteuid());
    again.state->on = true;
    instrument_stop(&b.load);
    unlink(path);
    assert_int_equal(symlink(again.address + 4, path), 0);
    kill(daemon.pid, SIGKILL);
    assert_true(comes_to(&again.state->on, false, LONG_MS));
    assert_int_equal(report_comes(&b.place).loads_confirmed, 1);
    stand_in_wait(&daemon);
    instrument_stop(&again);
    place_remove(&b.place);
}

/* An instrument that echoes and answers late must still be confirmed, a mute one must cost the mains. */
static void a_late_and_echoing_instrument_is_confirmed(void **state)
{
    (void)state;
    struct bench b = bench_make(ON_PTY, geteuid());
    b.load.state->echo = true;
    b.load.state->answer_delay_ms = 80;
    b.entry.attempt_ms = 500;
    struct stand_in daemon = load_on(&b);
    kill(daemon.pid, SIGKILL);
    assert_int_equal(report_comes(&b.place).loads_confirmed, 1);
    assert_false(b.load.state->on);
    stand_in_wait(&daemon);
    bench_end(&b);
}

static void with_mains(bool load_is_silent)
{
    struct place place = place_make(geteuid());
    struct instrument load = instrument_start(ON_PTY, geteuid()), mains = instrument_start(ON_TCP, geteuid());
    struct arm_entry entries[] = {instrument_entry(&load, "load"), instrument_entry(&mains, "mains")};
    struct stand_in_wish wish = {.place = &place, .entries = entries, .count = 2};
    struct stand_in daemon;
    char why[200];
    entries[1].mains = true;
    mains.state->on = load.state->on = true;
    load.state->silent = load_is_silent;
    assert_true(stand_in_start(&wish, &daemon, why));
    kill(daemon.pid, SIGKILL);
    assert_true(comes_to(&load.state->on, false, LONG_MS)); /* told, heard or not */
    if (load_is_silent)
        assert_true(comes_to(&mains.state->on, false, LONG_MS));
    load.state->silent = false; /* it answers in the end */
    struct arm_report report = report_comes(&place);
    assert_int_equal(report.loads_confirmed, 1);
    assert_int_equal(report.mains_off, load_is_silent);
    assert_int_equal(mains.state->on, !load_is_silent);
    stand_in_wait(&daemon);
    instrument_stop(&load);
    instrument_stop(&mains);
    place_remove(&place);
}

static void the_mains_go_off_only_where_a_load_stays_unconfirmed(void **state)
{
    (void)state;
    with_mains(true);
    with_mains(false);
}

static int print_times(void **state)
{
    (void)state;
    times_print(&after_kill);
    times_print(&after_stop);
    return 0;
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_killed_daemon_leaves_no_load_on),
        cmocka_unit_test(a_stopped_daemon_is_dead_before_it_can_wake_up),
        cmocka_unit_test(a_daemon_that_pauses_briefly_lives_on),
        cmocka_unit_test(a_daemon_that_drops_its_guard_while_armed_is_fenced),
        cmocka_unit_test(half_an_input_on_is_never_completed),
        cmocka_unit_test(half_a_set_point_is_never_completed),
        cmocka_unit_test(a_line_without_descriptor_is_opened_by_its_path),
        cmocka_unit_test(a_tcp_connection_that_broke_is_made_anew),
        cmocka_unit_test(a_line_that_came_back_elsewhere_is_found_by_its_stable_path),
        cmocka_unit_test(a_late_and_echoing_instrument_is_confirmed),
        cmocka_unit_test(the_mains_go_off_only_where_a_load_stays_unconfirmed),
    };
    return cmocka_run_group_tests(tests, NULL, print_times);
}
