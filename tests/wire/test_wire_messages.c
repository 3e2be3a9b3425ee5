/* Lines in, messages out; what is no message is refused with JSON-RPC's code (JSON-RPC 2.0 specification, section 5.1). */
#include "daemon/wire/wire.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static void a_request_is_one_line_and_is_read_back(void **state)
{
    struct wire_message m;
    struct error err = ERROR_INIT;
    (void)state;
    char *line = wire_request(7, "note", json_pack("{s:s}", "text", "two\nlines"));
    assert_ptr_equal(strchr(line, '\n'), line + strlen(line) - 1);
    assert_int_equal(wire_parse(line, strlen(line) - 1, &m, NULL, &err), 0);
    assert_string_equal(m.method, "note");
    assert_int_equal(json_integer_value(m.id), 7);
    assert_string_equal(json_string_value(json_object_get(m.params, "text")), "two\nlines");
    wire_message_end(&m);
    free(line);
}

static void an_error_keeps_its_kind_and_its_sentence(void **state)
{
    (void)state;
    for (int kind = ERROR_NONE + 1; kind < ERROR_KINDS; kind++) {
        struct error said = {(enum error_kind)kind, "supply.cfg:3: 9 A asked of load1"}, heard = ERROR_INIT, err = ERROR_INIT;
        struct wire_message m;
        json_t *id = json_integer(3);
        char *line = wire_error(id, &said);
        assert_int_equal(wire_parse(line, strlen(line) - 1, &m, NULL, &err), 0);
        assert_null(m.method);
        assert_int_equal(wire_error_of(m.error, &heard), -1);
        assert_int_equal(heard.kind, kind);
        assert_string_equal(heard.text, said.text);
        assert_int_equal(json_integer_value(json_object_get(m.error, "code")), -32000 - kind);
        assert_int_equal(wire_kind_of(wire_code_of((enum error_kind)kind)), kind);
        wire_message_end(&m);
        json_decref(id);
        free(line);
    }
}

static void what_is_no_message_is_refused_with_its_code(void **state)
{
    static const struct { const char *line; int code; } says[] = {
        {"", WIRE_NO_JSON},
        {"{", WIRE_NO_JSON},
        {"{\"jsonrpc\": \"2.0\", \"method\": \"foobar, \"params\": \"bar\", \"baz]", WIRE_NO_JSON}, /* the specification's own example */
        {"\xff\xfe\x00garbage", WIRE_NO_JSON},
        {"{\"jsonrpc\":\"2.0\",\"method\":\"\xc3\x28\",\"id\":1}", WIRE_NO_JSON},
        {"{\"jsonrpc\":\"2.0\",\"method\":\"stop\",\"id\":1,\"id\":2}", WIRE_NO_JSON},
        {"{\"jsonrpc\":\"2.0\",\"method\":\"stop\",\"id\":1} x", WIRE_NO_JSON},
        {"{\"jsonrpc\":\"2.0\",\"method\":\"stop\",\"id\":99999999999999999999}", WIRE_NO_JSON},
        {"{\"jsonrpc\":\"2.0\",\"method\":\"stop\",\"params\":{\"x\":1e999},\"id\":1}", WIRE_NO_JSON},
        {"[]", WIRE_NO_REQUEST},
        {"[{\"jsonrpc\":\"2.0\",\"method\":\"stop\",\"id\":1}]", WIRE_NO_REQUEST},
        {"{}", WIRE_NO_REQUEST},
        {"{\"jsonrpc\":\"1.0\",\"method\":\"stop\",\"id\":1}", WIRE_NO_REQUEST},
        {"{\"jsonrpc\":\"2.0\",\"method\":1,\"params\":\"bar\"}", WIRE_NO_REQUEST}, /* likewise */
        {"{\"jsonrpc\":\"2.0\",\"method\":\"stop\",\"id\":[1]}", WIRE_NO_REQUEST},
        {"{\"jsonrpc\":\"2.0\",\"method\":\"stop\",\"params\":[1],\"id\":1}", WIRE_NO_REQUEST},
        {"{\"jsonrpc\":\"2.0\",\"id\":1}", WIRE_NO_REQUEST},
        {"{\"jsonrpc\":\"2.0\",\"id\":1,\"result\":1,\"error\":{}}", WIRE_NO_REQUEST},
    };
    (void)state;
    for (size_t i = 0; i < sizeof says / sizeof says[0]; i++) {
        struct wire_message m = {0};
        struct error err = ERROR_INIT;
        int code = 0;
        assert_int_equal(wire_parse(says[i].line, strlen(says[i].line), &m, &code, &err), -1);
        assert_int_equal(code, says[i].code);
        assert_int_equal(err.kind, ERROR_PROTOCOL);
        assert_null(m.root);
    }
}

static void nesting_deeper_than_32_is_refused_however_it_is_dressed(void **state)
{
    char line[200000];
    struct wire_message m;
    struct error err = ERROR_INIT;
    int code = 0;
    (void)state;
    memset(line, '[', sizeof line);
    assert_int_equal(wire_parse(line, sizeof line, &m, &code, &err), -1);
    assert_int_equal(code, WIRE_NO_JSON);
    assert_non_null(strstr(err.text, "32"));
    /* brackets in text are no nesting, and neither is a quote behind a backslash its end */
    char quoted[256] = "{\"jsonrpc\":\"2.0\",\"method\":\"note\",\"id\":1,\"params\":{\"text\":\"\\\"";
    memset(quoted + strlen(quoted), '[', 100);
    strcat(quoted, "\"}}");
    assert_int_equal(wire_parse(quoted, strlen(quoted), &m, &code, &err), 0);
    wire_message_end(&m);
}

static void any_cut_of_a_message_is_refused_or_whole(void **state)
{
    struct error err = ERROR_INIT;
    struct wire_message m;
    (void)state;
    char *line = wire_request(12, "start", json_pack("{s:{s:[i,f,n,b]}, s:s}", "supply", "a", 1, 2.5, 1, "title", "x\\\"y"));
    size_t len = strlen(line) - 1;
    for (size_t cut = 0; cut < len; cut++)
        assert_int_equal(wire_parse(line, cut, &m, NULL, &err), -1);
    assert_int_equal(wire_parse(line, len, &m, NULL, &err), 0);
    wire_message_end(&m);
    free(line);
}

/* Seeded; BRUNT_SEED repeats one. What matters: no crash, no leak (sanitizers), and each refusal has a sentence. */
static void random_damage_never_gets_further_than_a_refusal(void **state)
{
    const char *said = getenv("BRUNT_SEED");
    unsigned seed = said ? (unsigned)strtoul(said, NULL, 10) : 20261125u;
    (void)state;
    print_message("seed %u\n", seed);
    char *line = wire_request(12, "start", json_pack("{s:{s:[i,f,n,b]}, s:s}", "supply", "a", 1, 2.5, 1, "title", "xy"));
    size_t len = strlen(line) - 1;
    char *copy = malloc(len);
    for (int round = 0; round < 20000; round++) {
        struct wire_message m = {0};
        struct error err = ERROR_INIT;
        memcpy(copy, line, len);
        for (int hits = 1 + round % 3; hits; hits--) {
            seed = seed * 1103515245u + 12345u;
            copy[(seed >> 8) % len] = (char)(seed >> 16);
        }
        if (wire_parse(copy, len, &m, NULL, &err) == 0)
            wire_message_end(&m);
        else
            assert_true(err.text[0] != '\0' && m.root == NULL);
    }
    free(copy);
    free(line);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_request_is_one_line_and_is_read_back),
        cmocka_unit_test(an_error_keeps_its_kind_and_its_sentence),
        cmocka_unit_test(what_is_no_message_is_refused_with_its_code),
        cmocka_unit_test(nesting_deeper_than_32_is_refused_however_it_is_dressed),
        cmocka_unit_test(any_cut_of_a_message_is_refused_or_whole),
        cmocka_unit_test(random_damage_never_gets_further_than_a_refusal),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
