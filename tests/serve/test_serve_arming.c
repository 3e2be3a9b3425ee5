/* Armed before on: file, then guard, then the word; and what happens when either fails. */
#include "daemon/serve/arming.h"

#include <fcntl.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#include <cmocka.h>

struct fake {
    uv_loop_t loop;
    struct arming *arming;
    char story[400];            /* what happened, in order, a letter each; workers write too */
    uv_mutex_t lock;
    char why[200];
    bool write_fails, no_guard_there, guard_silent, guard_refuses, remove_fails;
    int guard_end;              /* our end of the guard's line */
    unsigned beats;
};

static void tell(struct fake *f, const char *letter)
{
    uv_mutex_lock(&f->lock);
    strcat(f->story, letter);
    uv_mutex_unlock(&f->lock);
}

static void prepare(void *context)
{
    tell(context, "p");
}

static int write_file(void *context, struct error *err)
{
    struct fake *f = context;
    tell(f, "w");
    return f->write_fails ? error_set(err, ERROR_STORAGE, "the disk is full") : 0;
}

static int remove_file(void *context, struct error *err)
{
    struct fake *f = context;
    tell(f, "r");
    return f->remove_fails ? error_set(err, ERROR_STORAGE, "the disk is gone") : 0;
}

static void *connect_guard(void *context, struct error *err)
{
    struct fake *f = context;
    int ends[2];
    if (f->no_guard_there || socketpair(AF_UNIX, SOCK_SEQPACKET | SOCK_NONBLOCK, 0, ends) < 0) {
        error_set(err, ERROR_LINK, "nobody there");
        return NULL;
    }
    int *guard = malloc(sizeof *guard);
    *guard = ends[0];
    f->guard_end = ends[1];
    return guard;
}

static void close_guard(void *guard)
{
    close(*(int *)guard);
    free(guard);
}

static int descriptor(void *guard)
{
    return *(int *)guard;
}

static int send_arm(void *context, void *guard, struct error *err)
{
    struct fake *f = context;
    (void)guard, (void)err;
    tell(f, "a");
    return f->guard_silent || send(f->guard_end, f->guard_refuses ? "R" : "A", 1, 0) == 1 ? 0 : -1;
}

static int send_disarm(void *guard, struct error *err)
{
    (void)err;
    return send(*(int *)guard, "disarm", 6, MSG_NOSIGNAL) == 6 ? 0 : -1;
}

static int beat(void *guard, struct error *err)
{
    return send(*(int *)guard, "beat", 4, MSG_NOSIGNAL) == 4 ? 0 : error_set(err, ERROR_LINK, "the guard is gone");
}

static enum arming_news read_guard(void *guard)
{
    char said[8];
    ssize_t n = recv(*(int *)guard, said, sizeof said, MSG_DONTWAIT);
    return n > 0 ? (said[0] == 'R' ? ARMING_REFUSED : ARMING_ARMED) : n == 0 ? ARMING_GONE : ARMING_NOTHING;
}

static const char *refusal(void *guard)
{
    (void)guard;
    return "another daemon is armed";
}

static void on_armed(void *context, bool armed, const char *why_not)
{
    struct fake *f = context;
    tell(f, armed ? "Y" : "N");
    snprintf(f->why, sizeof f->why, "%s", why_not);
}

static void on_disarmed(void *context)
{
    tell(context, "D");
}

static void on_guard_changed(void *context, bool up, bool while_armed, const char *why)
{
    (void)why;
    tell(context, up ? "U" : while_armed ? "X" : "x");
}

static struct fake *begin(bool with_guard, bool standing, bool there)
{
    struct fake *f = calloc(1, sizeof *f);
    struct error err = ERROR_INIT;
    const struct arming_does does = {f, prepare, write_file, remove_file, with_guard ? connect_guard : NULL, close_guard, descriptor, send_arm,
                                     send_disarm, beat, read_guard, on_armed, on_disarmed, on_guard_changed, refusal};
    f->no_guard_there = !there;
    f->guard_end = -1;
    uv_loop_init(&f->loop);
    uv_mutex_init(&f->lock);
    f->arming = arming_new(&f->loop, &does, standing, &err);
    assert_non_null(f->arming);
    return f;
}

static bool happened(struct fake *f, const char *part)
{
    uv_mutex_lock(&f->lock);
    bool yes = strstr(f->story, part) != NULL;
    uv_mutex_unlock(&f->lock);
    return yes;
}

/* Turns the loop until that part of the story has happened. Gives up after long; then the comparison fails. */
static void until(struct fake *f, const char *part)
{
    for (int i = 0; i < 200 && !happened(f, part); i++)
        uv_run(&f->loop, UV_RUN_ONCE);
    if (!happened(f, part))
        assert_string_equal(f->story, part);
}

static void finish(struct fake *f)
{
    arming_close(f->arming);
    uv_run(&f->loop, UV_RUN_DEFAULT);
    assert_int_equal(uv_loop_close(&f->loop), 0);
    if (f->guard_end >= 0)
        close(f->guard_end);
    uv_mutex_destroy(&f->lock);
    free(f);
}

static void the_word_comes_after_file_and_guard_and_disarming_undoes_both(void **state)
{
    struct fake *f = begin(true, false, true);
    (void)state;
    until(f, "U");
    arming_want(f->arming, true);
    assert_false(happened(f, "Y")); /* never from within the call */
    until(f, "UpwaY");
    assert_true(arming_is_armed(f->arming));
    arming_want(f->arming, false);
    until(f, "UpwaYrD");
    assert_true(arming_is_down(f->arming));
    finish(f);
}

static void without_a_file_there_is_no_arming(void **state)
{
    struct fake *f = begin(true, false, true);
    (void)state;
    until(f, "U");
    f->write_fails = true;
    arming_want(f->arming, true);
    until(f, "UpwN");
    assert_string_equal(f->why, "the disk is full");
    assert_true(arming_is_down(f->arming));
    finish(f);
}

static void without_the_guard_there_is_no_arming_and_the_file_is_taken_away_again(void **state)
{
    struct fake *f = begin(true, false, false);
    (void)state;
    until(f, "x");
    arming_want(f->arming, true);
    until(f, "xpwN");
    assert_non_null(strstr(f->why, "--guard none"));
    until(f, "xpwNrD");
    finish(f);
}

static void a_bench_without_guard_is_armed_by_its_file_alone(void **state)
{
    struct fake *f = begin(false, false, false);
    (void)state;
    arming_want(f->arming, true);
    until(f, "pwY");
    finish(f);
}

static void a_guard_that_does_not_acknowledge_is_no_guard(void **state)
{
    struct fake *f = begin(true, false, true);
    (void)state;
    until(f, "U");
    f->guard_silent = true;
    arming_want(f->arming, true);
    until(f, "UpwaNrD");
    assert_non_null(strstr(f->why, "acknowledge"));
    finish(f);
}

static void a_guard_that_refuses_is_no_guard_and_its_reason_is_passed_on(void **state)
{
    struct fake *f = begin(true, false, true);
    (void)state;
    until(f, "U");
    f->guard_refuses = true;
    arming_want(f->arming, true);
    until(f, "UpwaNrD");
    assert_non_null(strstr(f->why, "another daemon is armed"));
    assert_true(arming_is_down(f->arming));
    finish(f);
}

static void a_refusal_of_a_line_sent_again_takes_no_arming_back(void **state)
{
    struct fake *f = begin(true, false, true);
    (void)state;
    until(f, "U");
    arming_want(f->arming, true);
    until(f, "UpwaY");
    f->guard_refuses = true;
    arming_resend(f->arming);
    uv_run(&f->loop, UV_RUN_ONCE);
    assert_true(arming_is_armed(f->arming));
    assert_false(happened(f, "N"));
    finish(f);
}

static void a_guard_that_ends_while_armed_is_said_so(void **state)
{
    struct fake *f = begin(true, false, true);
    (void)state;
    until(f, "U");
    arming_want(f->arming, true);
    until(f, "Y");
    close(f->guard_end);
    f->guard_end = -1;
    f->no_guard_there = true;
    until(f, "YX");
    assert_false(arming_guard_up(f->arming));
    finish(f);
}

static void a_line_opened_again_sends_its_descriptor_only_while_armed(void **state)
{
    struct fake *f = begin(true, false, true);
    (void)state;
    until(f, "U");
    arming_resend(f->arming);
    assert_string_equal(f->story, "U");
    arming_want(f->arming, true);
    until(f, "UpwaY");
    arming_resend(f->arming);
    assert_string_equal(f->story, "UpwaYa");
    finish(f);
}

static void wanted_again_before_it_is_down_it_is_armed_again(void **state)
{
    struct fake *f = begin(true, false, true);
    (void)state;
    until(f, "U");
    arming_want(f->arming, true);
    until(f, "Y");
    arming_want(f->arming, false);
    arming_want(f->arming, true);
    until(f, "rDpwaY");
    finish(f);
}

static void what_an_earlier_daemon_left_is_removed_when_told(void **state)
{
    struct fake *f = begin(false, true, false);
    (void)state;
    assert_true(arming_is_armed(f->arming));
    arming_want(f->arming, false);
    until(f, "rD");
    assert_true(arming_is_down(f->arming));
    finish(f);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_word_comes_after_file_and_guard_and_disarming_undoes_both),
        cmocka_unit_test(without_a_file_there_is_no_arming),
        cmocka_unit_test(without_the_guard_there_is_no_arming_and_the_file_is_taken_away_again),
        cmocka_unit_test(a_bench_without_guard_is_armed_by_its_file_alone),
        cmocka_unit_test(a_guard_that_does_not_acknowledge_is_no_guard),
        cmocka_unit_test(a_guard_that_refuses_is_no_guard_and_its_reason_is_passed_on),
        cmocka_unit_test(a_refusal_of_a_line_sent_again_takes_no_arming_back),
        cmocka_unit_test(a_guard_that_ends_while_armed_is_said_so),
        cmocka_unit_test(a_line_opened_again_sends_its_descriptor_only_while_armed),
        cmocka_unit_test(wanted_again_before_it_is_down_it_is_armed_again),
        cmocka_unit_test(what_an_earlier_daemon_left_is_removed_when_told),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
