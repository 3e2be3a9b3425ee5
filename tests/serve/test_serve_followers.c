/* Who follows, who may control, who is too slow, who is too many. */
#include "tests/serve/with_daemon.h"

#include <grp.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cmocka.h>

#define ASK(id, method) "{\"jsonrpc\":\"2.0\",\"id\":" #id ",\"method\":\"" method "\"}"
#define FOLLOW "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"follow\"}"

static int setup(void **state)
{
    struct daemon *d = daemon_new();
    daemon_begin(d);
    *state = d;
    return 0;
}

static int teardown(void **state)
{
    daemon_free(*state);
    return 0;
}

static void publish(struct daemon *d, const char *kind, long long seq)
{
    serve_publish(d->serve, kind, json_pack("{s:I, s:s}", "seq", (json_int_t)seq, "fill", "................................................................"));
}

static void each_follower_gets_each_notice_once_in_order(void **state)
{
    struct daemon *d = *state;
    struct raw raw[3] = {raw_open(d), raw_open(d), raw_open(d)};
    for (int c = 0; c < 2; c++)
        json_decref(raw_ask(d, &raw[c], FOLLOW));
    for (int seq = 1; seq <= 500; seq++) {
        publish(d, "reading", seq);
        daemon_turn(d);
    }
    for (int c = 0; c < 2; c++)
        for (int seq = 1; seq <= 500; seq++) {
            json_t *notice = raw_hear(d, &raw[c]);
            assert_int_equal(number_of(notice, "params", "seq"), seq);
            assert_null(json_object_get(notice, "id"));
            json_decref(notice);
        }
    assert_null(raw_hear(d, &raw[2])); /* the one who didn't ask gets nothing */
    json_decref(raw_ask(d, &raw[0], ASK(2, "unfollow")));
    publish(d, "reading", 501);
    assert_null(raw_hear(d, &raw[0]));
    for (int c = 0; c < 3; c++)
        raw_close(&raw[c]);
}

static void a_late_follower_starts_where_it_says(void **state)
{
    struct daemon *d = *state;
    struct raw raw = raw_open(d);
    publish(d, "begin", 0);
    for (int seq = 1; seq <= 100; seq++)
        publish(d, "reading", seq);
    json_t *answer = raw_ask(d, &raw, "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"follow\",\"params\":{\"from_seq\":98}}");
    assert_int_equal(number_of(answer, "result", "seq"), 100);
    json_decref(answer);
    for (int seq = 98; seq <= 100; seq++) {
        json_t *notice = raw_hear(d, &raw);
        assert_int_equal(number_of(notice, "params", "seq"), seq);
        json_decref(notice);
    }
    assert_null(raw_hear(d, &raw));
    raw_close(&raw);
}

static void a_reading_published_while_nobody_follows_is_whole_for_who_asks_later(void **state)
{
    struct daemon *d = *state;
    struct raw raw[2] = {raw_open(d), raw_open(d)};
    struct reading reading = {.at_us = 1500000, .asked_us = 1490000, .port = 1, .volts = 5.0625, .amps = 1.5, .load_volts = 5.0, .set_point = 1.5, .input_on = true, .contract = 2};
    publish(d, "begin", 0);
    for (unsigned seq = 1; seq <= 3; seq++)
        serve_publish_reading(d->serve, &reading, seq);
    for (int c = 0; c < 2; c++) { /* the second one gets the line that was made for the first */
        json_decref(raw_ask(d, &raw[c], "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"follow\",\"params\":{\"from_seq\":2}}"));
        for (unsigned seq = 2; seq <= 3; seq++) {
            struct reading heard = {0};
            uint64_t heard_seq = 0;
            struct error err = ERROR_INIT;
            json_t *notice = raw_hear(d, &raw[c]);
            assert_string_equal(json_string_value(json_object_get(notice, "method")), "reading");
            assert_int_equal(wire_to_reading(json_object_get(notice, "params"), &heard, &heard_seq, &err), 0);
            assert_int_equal(heard_seq, seq);
            assert_memory_equal(&heard, &reading, sizeof reading);
            json_decref(notice);
        }
        assert_null(raw_hear(d, &raw[c]));
        raw_close(&raw[c]);
    }
}

static void a_follower_from_the_first_on_never_sees_the_run_before(void **state)
{
    struct daemon *d = *state;
    struct raw raw = raw_open(d);
    for (int seq = 1; seq <= 50; seq++)
        publish(d, "reading", seq);
    publish(d, "begin", 0);
    publish(d, "reading", 1);
    json_decref(raw_ask(d, &raw, "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"follow\",\"params\":{\"from_seq\":0}}"));
    json_t *notice = raw_hear(d, &raw);
    assert_string_equal(json_string_value(json_object_get(notice, "method")), "begin");
    json_decref(notice);
    notice = raw_hear(d, &raw);
    assert_int_equal(number_of(notice, "params", "seq"), 1);
    json_decref(notice);
    assert_null(raw_hear(d, &raw));
    raw_close(&raw);
}

/* It doesn't read while three rings full go by; then it reads on. What came and what the gaps name must together be everything, once. */
static void a_slow_reader_is_told_of_its_gap_and_of_nothing_else(void **state)
{
    struct daemon *d = *state;
    struct raw slow = raw_open(d), quick = raw_open(d);
    long long total = 3LL * SERVE_RING, expected = 1;
    int gaps = 0;
    json_decref(raw_ask(d, &slow, FOLLOW));
    json_decref(raw_ask(d, &quick, FOLLOW));
    for (long long seq = 1; seq <= total; seq++) {
        publish(d, "reading", seq);
        daemon_turn(d);
        json_t *notice = raw_hear(d, &quick);
        assert_int_equal(number_of(notice, "params", "seq"), seq);
        json_decref(notice);
    }
    while (expected <= total) {
        json_t *notice = raw_hear(d, &slow);
        assert_non_null(notice);
        if (strcmp(json_string_value(json_object_get(notice, "method")), "gap") == 0) {
            gaps++;
            assert_int_equal(number_of(notice, "params", "from"), expected);
            expected = number_of(notice, "params", "to") + 1;
        } else {
            assert_int_equal(number_of(notice, "params", "seq"), expected);
            expected++;
        }
        json_decref(notice);
    }
    assert_true(gaps >= 1);
    raw_close(&slow);
    raw_close(&quick);
}

static void a_follower_that_asks_for_what_is_overwritten_is_told_of_the_gap(void **state)
{
    struct daemon *d = *state;
    struct raw raw = raw_open(d);
    for (long long seq = 1; seq <= SERVE_RING + 100; seq++)
        publish(d, "reading", seq);
    json_decref(raw_ask(d, &raw, "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"follow\",\"params\":{\"from_seq\":11}}"));
    json_t *notice = raw_hear(d, &raw);
    assert_string_equal(json_string_value(json_object_get(notice, "method")), "gap");
    assert_int_equal(number_of(notice, "params", "from"), 11);
    assert_int_equal(number_of(notice, "params", "to"), 100);
    json_decref(notice);
    notice = raw_hear(d, &raw);
    assert_int_equal(number_of(notice, "params", "seq"), 101);
    json_decref(notice);
    raw_close(&raw);
}

static void a_follower_that_vanishes_takes_nobody_with_it(void **state)
{
    struct daemon *d = *state;
    struct raw gone = raw_open(d), stays = raw_open(d);
    json_decref(raw_ask(d, &gone, FOLLOW));
    json_decref(raw_ask(d, &stays, FOLLOW));
    for (int seq = 1; seq <= 100; seq++) {
        if (seq == 50)
            raw_close(&gone);
        publish(d, "reading", seq);
    }
    for (int seq = 1; seq <= 100; seq++) {
        json_t *notice = raw_hear(d, &stays);
        assert_int_equal(number_of(notice, "params", "seq"), seq);
        json_decref(notice);
    }
    daemon_turn(d);
    assert_int_equal(serve_clients(d->serve), 1);
    raw_close(&stays);
}

static json_t *begin_and_follow(struct daemon *d, struct raw *raw)
{
    *raw = raw_open(d);
    return raw_ask(d, raw, FOLLOW);
}

static void assert_stop_is_obeyed(struct daemon *d, struct raw *raw)
{
    json_t *answer = raw_ask(d, raw, ASK(2, "stop"));
    assert_non_null(json_object_get(answer, "result"));
    json_decref(answer);
}

static void assert_sent_away(struct daemon *d, struct raw *raw)
{
    json_t *answer = raw_hear(d, raw);
    assert_int_equal(number_of(answer, "error", "code"), -32000 - ERROR_BUSY);
    json_decref(answer);
    assert_null(raw_hear(d, raw));
    assert_true(raw->closed);
}

static void followers_leave_four_places_for_requests(void **state)
{
    struct daemon *d = *state;
    struct raw raw[SERVE_CLIENTS_MAX], stopper;
    for (int i = 0; i < SERVE_CLIENTS_MAX; i++) {
        json_t *answer = begin_and_follow(d, &raw[i]);
        assert_int_equal(number_of(answer, "error", "code"), i < SERVE_CLIENTS_MAX - 4 ? -1 : -32000 - ERROR_BUSY);
        json_decref(answer);
    }
    json_t *again = raw_ask(d, &raw[0], FOLLOW); /* who follows already may say so again */
    assert_non_null(json_object_get(again, "result"));
    json_decref(again);
    stopper = raw_open(d);
    assert_stop_is_obeyed(d, &stopper);
    assert_int_equal(serve_clients(d->serve), SERVE_CLIENTS_MAX);
    assert_sent_away(d, &raw[SERVE_CLIENTS_MAX - 4]); /* of those that don't follow, the first */
    publish(d, "reading", 1);
    for (int i = 0; i < SERVE_CLIENTS_MAX - 4; i++) {
        json_t *notice = raw_hear(d, &raw[i]);
        assert_int_equal(number_of(notice, "params", "seq"), 1);
        json_decref(notice);
    }
    for (int i = 0; i < SERVE_CLIENTS_MAX; i++)
        raw_close(&raw[i]);
    raw_close(&stopper);
}

static void who_is_sent_away_reads_why_though_it_goes_on_writing(void **state)
{
    struct daemon *d = *state;
    struct raw raw[SERVE_CLIENTS_MAX], more[12];
    for (int i = 0; i < SERVE_CLIENTS_MAX; i++)
        raw[i] = raw_open(d), json_decref(raw_ask(d, &raw[i], ASK(1, "status")));
    assert_true(send(raw[0].fd, "{\"half\": ", 9, MSG_NOSIGNAL) == 9); /* unread when its place is taken */
    for (int i = 0; i < 12; i++) { /* more than may be parting at a time: the oldest of these is cut off */
        more[i] = raw_open(d);
        assert_stop_is_obeyed(d, &more[i]);
        if (i == 0) {
            (void)!send(raw[0].fd, "1}\n", 3, MSG_NOSIGNAL);
            assert_sent_away(d, &raw[0]);
        }
    }
    assert_int_equal(serve_clients(d->serve), SERVE_CLIENTS_MAX);
    assert_sent_away(d, &raw[11]);
    for (int i = 0; i < SERVE_CLIENTS_MAX; i++)
        raw_close(&raw[i]);
    for (int i = 0; i < 12; i++)
        raw_close(&more[i]);
}

/* ---- who may: a child with another user id talks to us ---- */

enum { NOBODY = 65534 };

/* Exit status of the child: bit 0 start was obeyed, bit 1 stop was obeyed; 8: it could not even connect. */
static int what_a_stranger_may(struct daemon *d, gid_t group)
{
    int status = 0;
    pid_t child = fork();
    if (child == 0) {
        struct error err = ERROR_INIT;
        if (setgroups(group ? 1 : 0, &group) < 0 || setgid(NOBODY) < 0 || setuid(NOBODY) < 0)
            _exit(16);
        struct wire_client *client = wire_connect(d->path, &err);
        json_t *started = client ? wire_call(client, "start", json_pack("{s:s}", "title", "mine"), 10000, &err) : NULL;
        bool right_word = started || err.kind == ERROR_REFUSED;
        json_t *stopped = client ? wire_call(client, "stop", NULL, 10000, &err) : NULL;
        _exit(!client ? 8 : (started != NULL) | (stopped != NULL) << 1 | !right_word << 2);
    }
    while (waitpid(child, &status, WNOHANG) == 0) {
        daemon_turn(d);
        usleep(500);
    }
    return WIFEXITED(status) ? WEXITSTATUS(status) : -1;
}

static void a_stranger_may_stop_but_not_start(void **state)
{
    struct daemon *d = *state;
    if (geteuid() != 0)
        skip();
    assert_int_equal(chmod(d->dir, 0755), 0);
    assert_int_equal(what_a_stranger_may(d, 0), 8); /* the socket is for its group only */
    assert_int_equal(chmod(d->path, 0666), 0);
    assert_int_equal(what_a_stranger_may(d, 0), 2);
    assert_string_equal(d->heard, "stop \n");
    assert_int_equal(d->last_uid, NOBODY);
}

static void a_member_of_the_control_group_may_start(void **state)
{
    struct stat st;
    const struct group *group = getgrnam("daemon");
    (void)state;
    if (geteuid() != 0 || !group)
        skip();
    struct daemon *d = daemon_new();
    strcpy(d->group, "daemon");
    daemon_begin(d);
    assert_int_equal(chmod(d->dir, 0755), 0);
    assert_int_equal(stat(d->path, &st), 0);
    assert_int_equal(st.st_gid, group->gr_gid);
    assert_int_equal(what_a_stranger_may(d, group->gr_gid), 3);
    assert_int_equal(what_a_stranger_may(d, 0), 8);
    daemon_free(d);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(each_follower_gets_each_notice_once_in_order, setup, teardown),
        cmocka_unit_test_setup_teardown(a_late_follower_starts_where_it_says, setup, teardown),
        cmocka_unit_test_setup_teardown(a_reading_published_while_nobody_follows_is_whole_for_who_asks_later, setup, teardown),
        cmocka_unit_test_setup_teardown(a_follower_from_the_first_on_never_sees_the_run_before, setup, teardown),
        cmocka_unit_test_setup_teardown(a_slow_reader_is_told_of_its_gap_and_of_nothing_else, setup, teardown),
        cmocka_unit_test_setup_teardown(a_follower_that_asks_for_what_is_overwritten_is_told_of_the_gap, setup, teardown),
        cmocka_unit_test_setup_teardown(a_follower_that_vanishes_takes_nobody_with_it, setup, teardown),
        cmocka_unit_test_setup_teardown(followers_leave_four_places_for_requests, setup, teardown),
        cmocka_unit_test_setup_teardown(who_is_sent_away_reads_why_though_it_goes_on_writing, setup, teardown),
        cmocka_unit_test_setup_teardown(a_stranger_may_stop_but_not_start, setup, teardown),
        cmocka_unit_test(a_member_of_the_control_group_may_start),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
