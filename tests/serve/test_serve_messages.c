/* What a client may throw at the daemon, and what comes back. */
#include "tests/serve/with_daemon.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cmocka.h>

#define ASK(id, method) "{\"jsonrpc\":\"2.0\",\"id\":" #id ",\"method\":\"" method "\"}"

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

static void hello_says_who_we_are_and_what_we_may(void **state)
{
    struct raw raw = raw_open(*state);
    json_t *hello = raw_ask(*state, &raw, ASK(1, "hello"));
    json_t *result = json_object_get(hello, "result");
    assert_int_equal(number_of(hello, "result", "protocol"), WIRE_PROTOCOL);
    assert_int_equal(number_of(hello, "result", "pid"), getpid());
    assert_true(json_is_true(json_object_get(json_object_get(result, "you"), "may_control")));
    assert_int_equal(number_of(result, "you", "uid"), geteuid());
    json_decref(hello);
    raw_close(&raw);
}

static void a_function_that_fails_answers_with_its_kind_and_sentence(void **state)
{
    struct raw raw = raw_open(*state);
    json_t *answer = raw_ask(*state, &raw, ASK(1, "bench"));
    assert_int_equal(number_of(answer, "error", "code"), -32000 - ERROR_INSTRUMENT);
    assert_string_equal(json_string_value(json_object_get(json_object_get(answer, "error"), "message")), "load1 does not answer");
    json_decref(answer);
    raw_close(&raw);
}

static void a_message_in_halves_is_obeyed_once_it_is_whole(void **state)
{
    struct daemon *d = *state;
    static const char line[] = ASK(5, "status") "\n";
    struct raw raw = raw_open(d);
    for (size_t i = 0; i < sizeof line - 2; i++) {
        raw_send(d, &raw, line + i, 1);
        assert_false(raw_take(&raw));
    }
    assert_string_equal(d->heard, "");
    raw_send(d, &raw, "\n", 1);
    json_t *answer = raw_hear(d, &raw);
    assert_int_equal(json_integer_value(json_object_get(answer, "id")), 5);
    json_decref(answer);
    raw_close(&raw);
}

static void half_a_message_of_a_dead_client_is_never_obeyed(void **state)
{
    struct daemon *d = *state;
    static const char line[] = ASK(5, "start");
    for (size_t cut = 1; cut < sizeof line; cut += 3) {
        struct raw raw = raw_open(d);
        raw_send(d, &raw, line, cut);
        raw_close(&raw);
        for (int i = 0; i < 5; i++)
            daemon_turn(d);
    }
    assert_string_equal(d->heard, "");
    assert_int_equal(serve_clients(d->serve), 0);
}

static void garbage_gets_a_refusal_and_the_connection_lives_on(void **state)
{
    struct daemon *d = *state;
    static const struct { const char *line; int code; } says[] = {
        {"GET / HTTP/1.1", WIRE_NO_JSON},
        {"\x01\x02\xff\xfe", WIRE_NO_JSON},
        {"[1,2,3]", WIRE_NO_REQUEST},
        {"{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"explode\"}", WIRE_NO_METHOD},
        {"{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"note\"}", WIRE_BAD_PARAMS},
        {"{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"note\",\"params\":{\"text\":5}}", WIRE_BAD_PARAMS},
        {"{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"follow\",\"params\":{\"from_seq\":-1}}", -32000 - ERROR_PROTOCOL},
    };
    struct raw raw = raw_open(d);
    for (size_t i = 0; i < sizeof says / sizeof says[0]; i++) {
        json_t *answer = raw_ask(d, &raw, says[i].line);
        assert_int_equal(number_of(answer, "error", "code"), says[i].code);
        json_decref(answer);
    }
    raw_say(d, &raw, ""); /* an empty line is nothing */
    raw_say(d, &raw, "{\"jsonrpc\":\"2.0\",\"id\":1,\"result\":{}}"); /* an answer to nothing we asked */
    json_t *answer = raw_ask(d, &raw, ASK(9, "status"));
    assert_int_equal(json_integer_value(json_object_get(answer, "id")), 9);
    json_decref(answer);
    assert_string_equal(d->heard, "status \n");
    raw_close(&raw);
}

static void a_note_of_240_bytes_is_refused_whole(void **state)
{
    struct daemon *d = *state;
    struct raw raw = raw_open(d);
    char line[600];
    for (int len = 239; len <= 240; len++) {
        snprintf(line, sizeof line, "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"note\",\"params\":{\"text\":\"%0*d\"}}", len, 7);
        json_t *answer = raw_ask(d, &raw, line);
        assert_int_equal(json_object_get(answer, "result") != NULL, len == 239);
        json_decref(answer);
    }
    raw_close(&raw);
}

static void ten_megabytes_are_refused_and_other_clients_go_on(void **state)
{
    struct daemon *d = *state;
    size_t len = 10u * 1024 * 1024;
    char *bytes = malloc(len);
    struct raw raw = raw_open(d), other = raw_open(d);
    memset(bytes, '1', len);
    raw_send(d, &raw, bytes, len);
    free(bytes);
    json_t *answer = raw_hear(d, &raw);
    assert_int_equal(number_of(answer, "error", "code"), WIRE_NO_REQUEST);
    json_decref(answer);
    assert_null(raw_hear(d, &raw));
    assert_true(raw.closed);
    raw_close(&raw);
    answer = raw_ask(d, &other, ASK(2, "status"));
    assert_non_null(json_object_get(answer, "result"));
    json_decref(answer);
    raw_close(&other);
}

static void the_longest_allowed_message_is_read_and_one_byte_more_is_not(void **state)
{
    struct daemon *d = *state;
    static const char head[] = ASK(1, "status");
    for (size_t more = 0; more < 2; more++) {
        struct raw raw = raw_open(d);
        size_t len = WIRE_LINE_MAX - 1 + more;
        char *line = malloc(len + 1);
        memset(line, ' ', len);
        memcpy(line, head, sizeof head - 1);
        line[len] = '\n';
        raw_send(d, &raw, line, len + 1);
        json_t *answer = raw_hear(d, &raw);
        assert_int_equal(json_object_get(answer, "result") != NULL, more == 0);
        json_decref(answer);
        free(line);
        raw_close(&raw);
    }
}

static void a_thousand_requests_in_one_breath_are_answered_in_order(void **state)
{
    struct daemon *d = *state;
    char *all = calloc(1000, 80);
    struct raw raw = raw_open(d);
    for (int i = 0; i < 1000; i++)
        sprintf(all + strlen(all), "{\"jsonrpc\":\"2.0\",\"id\":%d,\"method\":\"runs\"}\n", i);
    raw_send(d, &raw, all, strlen(all));
    shutdown(raw.fd, SHUT_WR); /* half closed, as `nc -N` does it: it still wants its answers */
    for (int i = 0; i < 1000; i++) {
        json_t *answer = raw_hear(d, &raw);
        assert_int_equal(json_integer_value(json_object_get(answer, "id")), i);
        json_decref(answer);
    }
    assert_null(raw_hear(d, &raw));
    assert_true(raw.closed);
    free(all);
    raw_close(&raw);
}

static void a_notification_is_obeyed_without_an_answer(void **state)
{
    struct daemon *d = *state;
    struct raw raw = raw_open(d);
    raw_say(d, &raw, "{\"jsonrpc\":\"2.0\",\"method\":\"stop\",\"params\":{\"text\":\"smoke\"}}");
    json_t *answer = raw_ask(d, &raw, ASK(3, "runs"));
    assert_int_equal(json_integer_value(json_object_get(answer, "id")), 3);
    assert_string_equal(d->heard, "stop smoke\nruns \n");
    json_decref(answer);
    raw_close(&raw);
}

static void a_deferred_answer_finds_its_client_or_nobody(void **state)
{
    struct daemon *d = *state;
    struct error refused = {ERROR_STORAGE, "the disk is full"};
    struct raw raw = raw_open(d), gone = raw_open(d);
    d->later = true;
    raw_say(d, &raw, ASK(4, "start"));
    json_t *answer = raw_ask(d, &raw, ASK(5, "status")); /* others need not wait for it */
    assert_int_equal(json_integer_value(json_object_get(answer, "id")), 5);
    json_decref(answer);
    serve_answer(d->serve, d->ticket, NULL, &refused);
    answer = raw_hear(d, &raw);
    assert_int_equal(json_integer_value(json_object_get(answer, "id")), 4);
    assert_int_equal(number_of(answer, "error", "code"), -32000 - ERROR_STORAGE);
    json_decref(answer);
    raw_say(d, &gone, ASK(6, "start"));
    uint64_t ticket = d->ticket;
    raw_close(&gone);
    for (int i = 0; i < 5; i++)
        daemon_turn(d);
    serve_answer(d->serve, ticket, json_object(), NULL);
    serve_answer(d->serve, ticket, json_object(), NULL); /* twice: nothing happens */
    raw_close(&raw);
}

static void a_live_socket_is_not_taken_over_and_a_dead_one_is(void **state)
{
    struct daemon *d = *state;
    struct error err = ERROR_INIT;
    struct stat st;
    const struct serve_does none = {0};
    assert_null(serve_new(&d->loop, d->path, "", &none, &err));
    assert_int_equal(err.kind, ERROR_BUSY);
    assert_int_equal(stat(d->path, &st), 0);
    assert_int_equal(st.st_mode & 0777, 0660);
    struct daemon *after = daemon_new();
    daemon_begin(after); /* leaves its file behind as a killed one would */
    char kept[128];
    snprintf(kept, sizeof kept, "%s.kept", after->path);
    assert_int_equal(link(after->path, kept), 0);
    serve_close(after->serve);
    assert_int_equal(rename(kept, after->path), 0);
    daemon_begin(after);
    struct raw raw = raw_open(after);
    json_decref(raw_ask(after, &raw, ASK(1, "status")));
    assert_string_equal(after->heard, "status \n");
    raw_close(&raw);
    daemon_free(after);
}

static void what_is_no_socket_is_left_alone(void **state)
{
    struct daemon *d = *state;
    struct error err = ERROR_INIT;
    const struct serve_does none = {0};
    char path[128];
    snprintf(path, sizeof path, "%s/plain", d->dir);
    FILE *file = fopen(path, "w");
    fclose(file);
    assert_null(serve_new(&d->loop, path, "", &none, &err));
    assert_non_null(strstr(err.text, path));
    assert_int_equal(access(path, F_OK), 0);
    unlink(path);
    assert_null(serve_new(&d->loop, "/nowhere/at/all", "", &none, &err));
    assert_null(serve_new(&d->loop, path, "no-such-group-here", &none, &err));
    assert_non_null(strstr(err.text, "no-such-group-here"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(hello_says_who_we_are_and_what_we_may, setup, teardown),
        cmocka_unit_test_setup_teardown(a_function_that_fails_answers_with_its_kind_and_sentence, setup, teardown),
        cmocka_unit_test_setup_teardown(a_message_in_halves_is_obeyed_once_it_is_whole, setup, teardown),
        cmocka_unit_test_setup_teardown(half_a_message_of_a_dead_client_is_never_obeyed, setup, teardown),
        cmocka_unit_test_setup_teardown(garbage_gets_a_refusal_and_the_connection_lives_on, setup, teardown),
        cmocka_unit_test_setup_teardown(a_note_of_240_bytes_is_refused_whole, setup, teardown),
        cmocka_unit_test_setup_teardown(ten_megabytes_are_refused_and_other_clients_go_on, setup, teardown),
        cmocka_unit_test_setup_teardown(the_longest_allowed_message_is_read_and_one_byte_more_is_not, setup, teardown),
        cmocka_unit_test_setup_teardown(a_thousand_requests_in_one_breath_are_answered_in_order, setup, teardown),
        cmocka_unit_test_setup_teardown(a_notification_is_obeyed_without_an_answer, setup, teardown),
        cmocka_unit_test_setup_teardown(a_deferred_answer_finds_its_client_or_nobody, setup, teardown),
        cmocka_unit_test_setup_teardown(a_live_socket_is_not_taken_over_and_a_dead_one_is, setup, teardown),
        cmocka_unit_test_setup_teardown(what_is_no_socket_is_left_alone, setup, teardown),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
