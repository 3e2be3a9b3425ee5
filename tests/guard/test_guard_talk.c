/* Who may talk to the guard, what it refuses, when it leaves, and what survives what. */
#include "tests/guard/with_stand_in.h"

#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>
#include <grp.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <sys/wait.h>
#include <unistd.h>

enum { LONG_MS = 20000 };

static bool there(const struct place *p, const char *name)
{
    char path[200];
    snprintf(path, sizeof path, "%s/%s", p->dir, name);
    return access(path, F_OK) == 0;
}

static struct stand_in start(const struct stand_in_wish *wish)
{
    struct stand_in daemon;
    char why[200];
    if (!stand_in_start(wish, &daemon, why))
        fail_msg("not armed: %s", why);
    return daemon;
}

static void a_disarmed_daemon_takes_its_guard_along(void **state)
{
    (void)state;
    struct place p = place_make(geteuid());
    struct instrument load = instrument_start(ON_TCP, geteuid());
    struct arm_entry e = instrument_entry(&load, "load");
    struct stand_in daemon = start(&(struct stand_in_wish){.place = &p, .entries = &e, .count = 1});
    assert_true(there(&p, "guard"));
    stand_in_order(&daemon, 'd');
    assert_int_equal(stand_in_wait(&daemon), 0);
    for (int waited = 0; waited < LONG_MS && there(&p, "guard"); waited += 5)
        sleep_ms(5);
    assert_false(there(&p, "guard"));
    assert_false(there(&p, "guarded"));
    assert_int_equal(load.state->executed, 0); /* not a byte was sent */
    instrument_stop(&load);
    place_remove(&p);
}

static void nonsense_neither_kills_the_guard_nor_trips_it(void **state)
{
    (void)state;
    struct place p = place_make(geteuid());
    struct instrument load = instrument_start(ON_PTY, geteuid());
    struct arm_entry e = instrument_entry(&load, "load");
    struct stand_in daemon = start(&(struct stand_in_wish){.place = &p, .entries = &e, .count = 1});
    stand_in_write(&daemon, 0, "INP ON\n", 7);
    assert_true(comes_to(&load.state->on, true, LONG_MS));
    for (int i = 0; i < 5; i++)
        stand_in_order(&daemon, 'm');
    sleep_ms(300);
    assert_true(load.state->on);
    assert_false(there(&p, "guarded"));
    kill(daemon.pid, SIGKILL); /* and it still does its work */
    assert_true(comes_to(&load.state->on, false, LONG_MS));
    stand_in_wait(&daemon);
    instrument_stop(&load);
    place_remove(&p);
}

static void a_second_daemon_is_refused_and_the_first_stays_guarded(void **state)
{
    (void)state;
    struct place p = place_make(geteuid());
    struct instrument load = instrument_start(ON_TCP, geteuid());
    struct arm_entry e = instrument_entry(&load, "load");
    struct stand_in_wish wish = {.place = &p, .entries = &e, .count = 1};
    struct stand_in first = start(&wish), second;
    char why[200];
    stand_in_write(&first, 0, "INP ON\n", 7);
    assert_true(comes_to(&load.state->on, true, LONG_MS));
    wish.already_armed_file = true;
    assert_false(stand_in_start(&wish, &second, why));
    assert_string_equal(why, "another daemon is armed");
    assert_true(load.state->on);
    kill(first.pid, SIGKILL);
    assert_true(comes_to(&load.state->on, false, LONG_MS));
    stand_in_wait(&first);
    instrument_stop(&load);
    place_remove(&p);
}

static void an_armed_file_of_another_process_is_refused(void **state)
{
    (void)state;
    struct place p = place_make(geteuid());
    struct instrument load = instrument_start(ON_TCP, geteuid());
    struct arm_entry e = instrument_entry(&load, "load");
    struct stand_in daemon;
    struct error err = ERROR_INIT;
    char why[200];
    struct arm_guard *guard = arm_guard_connect(p.dir, p.guard, &err); /* started before the file stands */
    assert_non_null(guard);
    assert_int_equal(arm_write(p.dir, &e, 1, &err), 0); /* names this process */
    assert_false(stand_in_start(&(struct stand_in_wish){.place = &p, .entries = &e, .count = 1, .already_armed_file = true}, &daemon, why));
    assert_string_equal(why, "the armed file names another process");
    arm_guard_close(guard);
    instrument_stop(&load);
    place_remove(&p);
}

static void arming_without_a_file_is_refused(void **state)
{
    (void)state;
    struct place p = place_make(geteuid());
    struct instrument load = instrument_start(ON_TCP, geteuid());
    struct arm_entry e = instrument_entry(&load, "load");
    struct stand_in daemon;
    char why[200];
    assert_false(stand_in_start(&(struct stand_in_wish){.place = &p, .entries = &e, .count = 1, .already_armed_file = true}, &daemon, why));
    assert_string_equal(why, "the armed file is missing, torn or empty");
    instrument_stop(&load);
    place_remove(&p);
}

/* While a dead daemon's load is unconfirmed nobody may arm; who has confirmed it off himself removes the file and may. */
static void an_unfinished_fence_gives_way_to_who_removed_the_file(void **state)
{
    (void)state;
    struct place p = place_make(geteuid());
    struct instrument load = instrument_start(ON_PTY, geteuid());
    struct arm_entry e = instrument_entry(&load, "load");
    struct stand_in_wish wish = {.place = &p, .entries = &e, .count = 1};
    struct stand_in first = start(&wish), second;
    struct arm_report report;
    char why[200];
    load.state->silent = true;
    kill(first.pid, SIGKILL);
    stand_in_wait(&first);
    sleep_ms(50);
    wish.already_armed_file = true;
    wish.keep_descriptors = true;
    assert_false(stand_in_start(&wish, &second, why));
    assert_non_null(strstr(why, "still being turned off"));
    load.state->silent = false;
    assert_int_equal(arm_off_now(&e, 1, 5000, NULL, NULL), 0);
    assert_int_equal(arm_remove(p.dir, NULL), 0);
    struct arm_guard *guard = arm_guard_connect(p.dir, p.guard, NULL); /* gives the lines back before it answers */
    assert_non_null(guard);
    assert_int_equal(arm_report_read(p.dir, &report, NULL), 1);
    wish.already_armed_file = false;
    wish.keep_descriptors = false;
    second = start(&wish);
    stand_in_order(&second, 'd');
    assert_int_equal(stand_in_wait(&second), 0);
    arm_guard_close(guard);
    instrument_stop(&load);
    place_remove(&p);
}

/* 0: answered; 1: the connection was closed; 2: not even that. */
static int greet_as(const struct place *p, uid_t uid)
{
    pid_t child = fork();
    if (child == 0) {
        struct sockaddr_un to = {.sun_family = AF_UNIX};
        char text[64];
        snprintf(to.sun_path, sizeof to.sun_path, "%.90s/guard", p->dir);
        if (setgroups(0, NULL) < 0 || setgid(65534) < 0 || setuid(uid) < 0)
            _exit(3);
        int fd = socket(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC, 0);
        struct pollfd wait = {.fd = fd, .events = POLLIN};
        if (connect(fd, (struct sockaddr *)&to, sizeof to) < 0)
            _exit(2);
        send(fd, "hello", 5, MSG_NOSIGNAL);
        poll(&wait, 1, LONG_MS);
        _exit(recv(fd, text, sizeof text, MSG_DONTWAIT) > 0 ? 0 : 1);
    }
    int status = 0;
    waitpid(child, &status, 0);
    return WEXITSTATUS(status);
}

static void another_user_is_not_listened_to(void **state)
{
    (void)state;
    if (other_user() == (uid_t)-1)
        skip();
    struct place p = place_make(geteuid());
    struct error err = ERROR_INIT;
    char path[200];
    struct arm_guard *guard = arm_guard_connect(p.dir, p.guard, &err);
    assert_non_null(guard);
    snprintf(path, sizeof path, "%s/guard", p.dir);
    assert_int_equal(greet_as(&p, other_user()), 2); /* the directory is closed */
    chmod(p.dir, 0755);
    assert_int_equal(greet_as(&p, other_user()), 2); /* the socket is */
    chmod(path, 0777);
    assert_int_equal(greet_as(&p, other_user()), 1); /* and the guard looks who it is */
    assert_int_equal(greet_as(&p, 0), 0);
    arm_guard_close(guard);
    place_remove(&p);
}

static void where_no_guard_can_be_had_the_sentence_says_so(void **state)
{
    (void)state;
    struct place p = place_make(geteuid());
    struct error err = ERROR_INIT;
    assert_null(arm_guard_connect(p.dir, NULL, &err));
    assert_non_null(strstr(err.text, "no guard listens"));
    assert_null(arm_guard_connect(p.dir, "/nowhere/brunt-guard", &err));
    assert_non_null(strstr(err.text, "can't be started"));
    assert_null(arm_guard_connect("/nowhere", p.guard, &err));
    chmod(p.dir, 0777); /* everybody could put an armed file there */
    assert_null(arm_guard_connect(p.dir, p.guard, &err));
    assert_non_null(strstr(err.text, "guard.log"));
    place_remove(&p);
}

static void a_lost_guard_is_news(void **state)
{
    (void)state;
    struct place p = place_make(geteuid());
    struct error err = ERROR_INIT;
    struct arm_guard *guard = arm_guard_connect(p.dir, p.guard, &err);
    assert_non_null(guard);
    struct ucred peer;
    socklen_t len = sizeof peer;
    assert_int_equal(getsockopt(arm_guard_descriptor(guard), SOL_SOCKET, SO_PEERCRED, &peer, &len), 0);
    assert_int_equal(arm_guard_beat(guard, &err), 0);
    assert_int_equal(arm_guard_read(guard), ARM_NOTHING);
    kill(peer.pid, SIGINT);
    kill(peer.pid, SIGHUP);
    kill(peer.pid, SIGPIPE);
    sleep_ms(50);
    assert_int_equal(arm_guard_read(guard), ARM_NOTHING); /* these it ignores */
    kill(peer.pid, SIGKILL);
    enum arm_news news = ARM_NOTHING;
    for (int waited = 0; waited < LONG_MS && news == ARM_NOTHING; waited += 5) {
        sleep_ms(5);
        news = arm_guard_read(guard);
    }
    assert_int_equal(news, ARM_GUARD_GONE);
    assert_int_equal(arm_guard_beat(guard, &err), -1);
    assert_non_null(strstr(err.text, "the guard is gone"));
    arm_guard_close(guard);
    guard = arm_guard_connect(p.dir, p.guard, &err); /* its socket still stands there; a new one takes the place */
    assert_non_null(guard);
    arm_guard_close(guard);
    place_remove(&p);
}

/* ---- a guard that hangs ---- */

/* In a process of its own, which the guard may kill: arms, beats, and says what became of it. */
static enum arm_news beat_until(struct arm_guard *guard, int beats, int apart_ms)
{
    enum arm_news news = ARM_NOTHING;
    for (int i = 0; i < beats && news != ARM_GUARD_GONE; i++) {
        bool fine = arm_guard_beat(guard, NULL) == 0;
        sleep_ms(apart_ms);
        news = arm_guard_read(guard);
        if (!fine && news != ARM_GUARD_GONE)
            return ARM_ARMED; /* neither this nor that */
    }
    return news;
}

static int hold_armed(const struct place *p, const struct arm_entry *e, bool stop_it, bool read_late)
{
    struct ucred peer;
    socklen_t len = sizeof peer;
    enum arm_news news = ARM_NOTHING;
    struct arm_guard *guard = arm_write(p->dir, e, 1, NULL) < 0 ? NULL : arm_guard_connect(p->dir, p->guard, NULL);
    if (!guard || arm_guard_arm(guard, NULL, NULL, 0, NULL) < 0 ||
        getsockopt(arm_guard_descriptor(guard), SOL_SOCKET, SO_PEERCRED, &peer, &len) < 0)
        return 10;
    for (int i = 0; i < 500 && news != ARM_ARMED; i++, sleep_ms(2))
        news = arm_guard_read(guard);
    if (news != ARM_ARMED || (stop_it && kill(peer.pid, SIGSTOP) < 0))
        return 11;
    for (int i = 0; read_late && i < 100; i++, sleep_ms(20))
        if (arm_guard_beat(guard, NULL) < 0)
            return 12;
    news = beat_until(guard, stop_it ? 1000 : 100, 20);
    if (news == ARM_NOTHING) {
        arm_guard_disarm(guard, NULL);
        for (int i = 0; i < 500 && arm_guard_read(guard) != ARM_DISARMED; i++)
            sleep_ms(2);
    } else /* whoever hangs is ended, so that the next can take the place */
        for (int i = 0; i < 500 && (arm_guard_close(guard), guard = arm_guard_connect(p->dir, p->guard, NULL)) == NULL; i++)
            sleep_ms(2);
    if (!guard)
        return 13;
    arm_guard_close(guard);
    return news == ARM_GUARD_GONE ? 1 : news == ARM_NOTHING ? 0 : 14;
}

static int held_armed(bool stop_it, bool read_late)
{
    struct place p = place_make(geteuid());
    struct instrument load = instrument_start(ON_TCP, geteuid());
    struct arm_entry e = instrument_entry(&load, "load");
    int status = 0;
    pid_t child = fork();
    if (child == 0)
        _exit(hold_armed(&p, &e, stop_it, read_late));
    assert_int_equal(waitpid(child, &status, 0), child);
    assert_int_equal(arm_remove(p.dir, NULL), 0);
    instrument_stop(&load);
    place_remove(&p);
    return WIFEXITED(status) ? WEXITSTATUS(status) : 100 + WTERMSIG(status);
}

static void a_guard_that_hangs_while_armed_is_gone(void **state)
{
    (void)state;
    assert_int_equal(held_armed(true, false), 1);
}

static void a_guard_that_answers_is_never_gone(void **state)
{
    (void)state;
    assert_int_equal(held_armed(false, false), 0);
}

static void answers_that_are_read_late_are_answers(void **state)
{
    (void)state;
    assert_int_equal(held_armed(false, true), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_disarmed_daemon_takes_its_guard_along),
        cmocka_unit_test(nonsense_neither_kills_the_guard_nor_trips_it),
        cmocka_unit_test(a_second_daemon_is_refused_and_the_first_stays_guarded),
        cmocka_unit_test(an_armed_file_of_another_process_is_refused),
        cmocka_unit_test(arming_without_a_file_is_refused),
        cmocka_unit_test(an_unfinished_fence_gives_way_to_who_removed_the_file),
        cmocka_unit_test(another_user_is_not_listened_to),
        cmocka_unit_test(where_no_guard_can_be_had_the_sentence_says_so),
        cmocka_unit_test(a_lost_guard_is_news),
        cmocka_unit_test(a_guard_that_hangs_while_armed_is_gone),
        cmocka_unit_test(a_guard_that_answers_is_never_gone),
        cmocka_unit_test(answers_that_are_read_late_are_answers),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
