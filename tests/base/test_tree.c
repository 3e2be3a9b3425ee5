/* Settings trees: strictness beyond what the plan's broken files show, bounds, and the JSON form from hostile hands. */
#include "daemon/base/tree.h"

#include <jansson.h>
#include <fcntl.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static struct tree *of(const char *text)
{
    struct error err = ERROR_INIT;
    struct tree *tree = tree_read_text("t.cfg", text, &err);
    if (!tree)
        fail_msg("%s", err.text);
    return tree;
}

static void refused(const char *text, const char *sentence)
{
    struct error err = ERROR_INIT;
    struct tree *tree = tree_read_text("t.cfg", text, &err);
    if (tree || err.kind != ERROR_FILE || !strstr(err.text, sentence))
        fail_msg("\"%.60s\": %s", text, tree ? "read" : err.text);
}

/* libconfig 1.5 takes the first of these as 705032704, -2147483648, 2147483647, -1 and -1 without a word. */
static void integers_that_libconfig_would_wrap_are_refused_wherever_they_stand(void **state)
{
    static const char *const literals[] = {"5000000000", "2147483648", "-2147483649", "99999999999999999999", "0xFFFFFFFF", "5000000000L", "0x80000000L"};
    char text[200];
    (void)state;
    for (size_t i = 0; i < sizeof literals / sizeof literals[0]; i++) {
        snprintf(text, sizeof text, "a = %s;", literals[i]);
        refused(text, "t.cfg:1: ");
        snprintf(text, sizeof text, "a =\n[ 1,\n%s ];", literals[i]);
        refused(text, "t.cfg:3: ");
        snprintf(text, sizeof text, "a = ( { b = ( 1, 2.5, %s ); } );", literals[i]);
        refused(text, "is beyond an integer, expected -2147483648 to 2147483647");
    }
}

static void the_largest_integers_are_read_as_they_are(void **state)
{
    struct error err = ERROR_INIT;
    struct tree *tree = of("low = -2147483648; high = 2147483647; hex = 0x7fffffff; long = 7L; zero = 0;");
    int low, high, hex, of_long, zero;
    (void)state;
    assert_int_equal(tree_need_int(tree_root(tree), "low", INT32_MIN, INT32_MAX, &low, &err), 0);
    assert_int_equal(tree_need_int(tree_root(tree), "high", INT32_MIN, INT32_MAX, &high, &err), 0);
    assert_int_equal(tree_need_int(tree_root(tree), "hex", INT32_MIN, INT32_MAX, &hex, &err), 0);
    assert_int_equal(tree_need_int(tree_root(tree), "long", INT32_MIN, INT32_MAX, &of_long, &err), 0);
    assert_int_equal(tree_need_int(tree_root(tree), "zero", INT32_MIN, INT32_MAX, &zero, &err), 0);
    assert_true(low == INT32_MIN && high == INT32_MAX && hex == INT32_MAX && of_long == 7 && zero == 0);
    assert_int_equal(tree_all_taken(tree, &err), 0);
    tree_free(tree);
}

static void numbers_in_comments_and_texts_are_no_literals(void **state)
{
    struct tree *tree = of("# 99999999999\n// 99999999999 {{{{{{{{{{{{{{{{{{{{\n/* 99999999999\n ((((((((((((((((((( */ a = \"99999999999 \\\" 010\"; a5000000000 = 1;");
    (void)state;
    assert_int_equal(tree_count(tree_root(tree)), 2);
    assert_int_equal(tree_line(tree_member(tree_root(tree), 0)), 4);
    tree_free(tree);
}

static void a_physical_quantity_may_be_written_as_an_integer(void **state)
{
    struct error err = ERROR_INIT;
    struct tree *tree = of("limit_amps = 5;");
    double amps = 99.0;
    (void)state;
    assert_int_equal(tree_want_number(tree_root(tree), "limit_amps", 0.0, 10.0, &amps, &err), 0);
    assert_float_equal(amps, 5.0, 0.0); /* libconfig's own float look-up would have left 99 */
    tree_free(tree);
}

static void a_whole_number_is_not_cut_out_of_a_real_one(void **state)
{
    struct error err = ERROR_INIT;
    struct tree *tree = of("n = 5.7;");
    int n = 3;
    (void)state;
    assert_int_equal(tree_want_int(tree_root(tree), "n", 0, 10, &n, &err), -1);
    assert_int_equal(n, 3);
    assert_string_equal(err.text, "t.cfg:1: n is the number 5.7, expected a whole number, 0 to 10");
    tree_free(tree);
}

static void an_absent_key_keeps_the_default_and_a_wrong_one_leaves_it_too(void **state)
{
    struct error err = ERROR_INIT;
    struct tree *tree = of("a = \"text\"; d = \"5 min\"; flag = 1; list = ( 1.0, 7.0 );");
    struct tree_at root = tree_root(tree);
    double number = 1.5, numbers[4] = {9, 9, 9, 9};
    int64_t us = 77;
    bool flag = true;
    size_t count = 44;
    char text[8] = "was";
    (void)state;
    assert_int_equal(tree_want_number(root, "none", 0, 1, &number, &err), 0);
    assert_int_equal(tree_want_number(root, "a", 0, 1, &number, &err), -1);
    assert_float_equal(number, 1.5, 0.0);
    assert_int_equal(tree_want_duration(root, "d", 0, 1000000, &us, &err), -1);
    assert_string_equal(err.text, "t.cfg:1: d is 5 min, expected 0 s to 1 s");
    assert_int_equal(us, 77);
    assert_int_equal(tree_want_bool(root, "flag", &flag, &err), -1);
    assert_true(flag);
    assert_int_equal(tree_want_numbers(root, "list", 0.0, 5.0, numbers, 4, &count, &err), -1);
    assert_true(numbers[0] == 9.0 && count == 44);
    assert_int_equal(tree_want_text(root, "a", text, 4, &err), -1);
    assert_string_equal(err.text, "t.cfg:1: a is 4 bytes long, expected at most 3");
    assert_string_equal(text, "was");
    tree_free(tree);
}

static void what_nobody_took_is_named_with_its_neighbours(void **state)
{
    struct error err = ERROR_INIT;
    struct tree *tree = of("g = {\n  volts = 1.0;\n  wolts = 2.0;\n  max = 3.0; };");
    struct tree_at group;
    double value;
    (void)state;
    assert_int_equal(tree_need_group(tree_root(tree), "g", &group, &err), 0);
    assert_int_equal(tree_need_number(group, "volts", 0, 10, &value, &err), 0);
    assert_int_equal(tree_want_number(group, "amps", 0, 10, &value, &err), 0);
    assert_int_equal(tree_all_taken(tree, &err), -1);
    assert_string_equal(err.text, "t.cfg:3: g.wolts is not a known key, expected one of: volts, amps");
    assert_int_equal(tree_need_number(group, "max_amps", 0, 10, &value, &err), -1);
    assert_string_equal(err.text, "t.cfg:4: max is given without its unit, expected max_amps");
    tree_free(tree);
}

static void nesting_and_size_are_bounded_before_libconfig_sees_them(void **state)
{
    char *text = malloc(60000);
    (void)state;
    memset(text, '(', 50000);
    memcpy(text, "a = ", 4);
    text[50000] = '\0';
    refused(text, "t.cfg:1: nested too deep, expected at most 16 levels");
    free(text);
    text = malloc(TREE_TEXT_MAX + 2);
    memset(text, ' ', TREE_TEXT_MAX + 1);
    text[TREE_TEXT_MAX + 1] = '\0';
    refused(text, "t.cfg:1: more than 262144 bytes");
    text[TREE_TEXT_MAX] = '\0';
    tree_free(of(text));
    free(text);
}

static void more_settings_than_the_bound_are_refused(void **state)
{
    char *text = malloc(TREE_TEXT_MAX), *at = text;
    (void)state;
    at += sprintf(at, "a = [ 0");
    for (int i = 0; i < TREE_NODES_MAX; i++)
        at += sprintf(at, ",1");
    sprintf(at, " ];");
    refused(text, "expected at most 20000 settings in a file");
    free(text);
}

static void include_is_refused_wherever_libconfig_would_obey_it(void **state)
{
    (void)state;
    refused("@include \"x.cfg\"", "t.cfg:1: @include is refused");
    refused("a = 1;\n\t @include \"x.cfg\"\n", "t.cfg:2: @include is refused");
    refused("a = 1;\r\n@include \"x.cfg\"\r\n", "t.cfg:2: @include is refused");
    refused("/*\n@include \"x.cfg\"\n*/", "t.cfg:2: @include is refused");
    refused("a = 1; @include \"x.cfg\"", "t.cfg:1: syntax error");
}

/* ---- files ---- */

static void only_regular_files_are_read(void **state)
{
    char folder[] = "/tmp/brunt-tree-XXXXXX", path[64];
    struct error err = ERROR_INIT;
    (void)state;
    assert_non_null(mkdtemp(folder));
    assert_null(tree_read_file(folder, &err));
    assert_non_null(strstr(err.text, "no regular file"));
    snprintf(path, sizeof path, "%s/fifo", folder);
    assert_int_equal(mkfifo(path, 0600), 0);
    assert_null(tree_read_file(path, &err)); /* comes back at once though nobody writes */
    assert_non_null(strstr(err.text, "no regular file"));
    unlink(path);
    assert_null(tree_read_file(path, &err));
    assert_non_null(strstr(err.text, "can't be opened: No such file"));
    assert_null(tree_read_file("/dev/zero", &err));
    rmdir(folder);
}

static void a_file_with_a_nul_inside_or_too_long_is_refused_and_a_good_one_kept_to_the_byte(void **state)
{
    static const char bytes[] = "a = 1;\0b = 2;";
    char path[] = "/tmp/brunt-tree-XXXXXX";
    struct error err = ERROR_INIT;
    int fd = mkstemp(path);
    (void)state;
    assert_int_equal(write(fd, bytes, sizeof bytes - 1), sizeof bytes - 1);
    assert_null(tree_read_file(path, &err));
    assert_non_null(strstr(err.text, ":1: a NUL byte, expected text"));
    assert_int_equal(ftruncate(fd, TREE_TEXT_MAX + 1), 0);
    assert_null(tree_read_file(path, &err));
    assert_non_null(strstr(err.text, "262145 bytes long, expected at most 262144"));
    assert_int_equal(ftruncate(fd, 6), 0);
    struct tree *tree = tree_read_file(path, &err);
    assert_non_null(tree);
    assert_string_equal(tree_text(tree), "a = 1;");
    assert_string_equal(tree_file(tree), path);
    tree_free(tree);
    close(fd);
    unlink(path);
}

/* ---- JSON ---- */

static void a_tree_comes_back_from_json_with_types_lines_and_text(void **state)
{
    struct error err = ERROR_INIT;
    const char *text = "g = {\n i = 3;\n r = 2.0;\n s = \"\xc2\xb0\\\"\";\n b = true;\n l = ( 1,\n 2.5,\n { x = false; } );\n e = { };\n};";
    struct tree *tree = of(text);
    json_t *document = tree_to_json(tree), *again;
    (void)state;
    tree_free(tree);
    tree = tree_read_json(document, &err);
    assert_non_null(tree);
    assert_string_equal(tree_text(tree), text);
    again = tree_to_json(tree);
    assert_true(json_equal(document, again));
    struct tree_at group = {0}, list;
    int i;
    assert_int_equal(tree_need_group(tree_root(tree), "g", &group, &err), 0);
    assert_int_equal(tree_need_int(group, "i", 0, 9, &i, &err), 0);
    assert_int_equal(tree_need_int(group, "r", 0, 9, &i, &err), -1); /* 2.0 is still no whole number */
    assert_string_equal(err.text, "t.cfg:3: g.r is the number 2, expected a whole number, 0 to 9");
    assert_int_equal(tree_need_list(group, "l", 3, 3, &list, &err), 0);
    assert_int_equal(tree_line(tree_member(list, 1)), 7);
    json_decref(document);
    json_decref(again);
    tree_free(tree);
}

static void json_from_hostile_hands_is_refused_with_a_sentence(void **state)
{
    static const struct {
        const char *json, *sentence;
    } rows[] = {
        {"[]", "no object"},
        {"5", "no object"},
        {"{}", "file is no name"},
        {"{\"file\": 1, \"text\": \"\", \"settings\": {}, \"lines\": {}}", "file is no name"},
        {"{\"file\": \"\", \"text\": \"\", \"settings\": {}, \"lines\": {}}", "file is no name"},
        {"{\"file\": \"a\\nb\", \"text\": \"\", \"settings\": {}, \"lines\": {}}", "control character"},
        {"{\"file\": \"f\", \"settings\": {}, \"lines\": {}}", "text is missing"},
        {"{\"file\": \"f\", \"text\": \"\", \"settings\": [], \"lines\": {}}", "settings is missing"},
        {"{\"file\": \"f\", \"text\": \"\", \"settings\": {}}", "lines is missing"},
        {"{\"file\": \"f\", \"text\": \"\", \"settings\": {}, \"lines\": {}, \"more\": 1}", "unknown member"},
        {"{\"file\": \"f\", \"text\": \"\", \"settings\": {\"a\": null}, \"lines\": {\"a\": 3}}", "f:3: a is null"},
        {"{\"file\": \"f\", \"text\": \"\", \"settings\": {\"a b\": 1}, \"lines\": {}}", "has the key \"a b\""},
        {"{\"file\": \"f\", \"text\": \"\", \"settings\": {\"a\\n\": 1}, \"lines\": {}}", "has the key \"a\\n\""},
        {"{\"file\": \"f\", \"text\": \"\", \"settings\": {\"\": 1}, \"lines\": {}}", "has the key \"\""},
        {"{\"file\": \"f\", \"text\": \"\", \"settings\": {\"a\": 4294967296}, \"lines\": {\"a\": 2}}", "f:2: a is 4294967296, expected an integer"},
        {"{\"file\": \"f\", \"text\": \"\", \"settings\": {\"a\": [[[[[[[[[[[[[[[[[[1]]]]]]]]]]]]]]]]]]}, \"lines\": {}}", "nested too deep"},
        {"{\"file\": \"f\", \"text\": \"\", \"settings\": {\"a\": -2147483649}, \"lines\": {\"a\": -7}}", "f: a is -2147483649"},
        {"{\"file\": \"f\", \"text\": \"\", \"settings\": {\"a\": 9999999999}, \"lines\": {\"a\": \"9\"}}", "f: a is"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct error err = ERROR_INIT;
        json_t *document = json_loads(rows[i].json, JSON_DECODE_ANY, NULL);
        assert_non_null(document);
        struct tree *tree = tree_read_json(document, &err);
        if (tree || err.kind != ERROR_FILE || !strstr(err.text, rows[i].sentence))
            fail_msg("%s: %s", rows[i].json, tree ? "read" : err.text);
        json_decref(document);
    }
    assert_null(tree_read_json(NULL, &(struct error)ERROR_INIT));
}

static void an_unknown_key_without_a_line_is_refused_without_one(void **state)
{
    struct error err = ERROR_INIT;
    json_t *document = json_loads("{\"file\": \"f\", \"text\": \"\", \"settings\": {\"wolts\": 5}, \"lines\": {}}", 0, NULL);
    (void)state;
    assert_non_null(document);
    struct tree *tree = tree_read_json(document, &err);
    assert_non_null(tree);
    assert_int_equal(tree_all_taken(tree, &err), -1);
    assert_string_equal(err.text, "f: wolts is not a known key, expected one of: none");
    tree_free(tree);
    json_decref(document);
}

static void a_text_with_a_nul_inside_does_not_come_in_by_json(void **state)
{
    struct error err = ERROR_INIT;
    json_t *document = json_loads("{\"file\": \"f\", \"text\": \"\", \"settings\": {\"a\": \"x\\u0000y\"}, \"lines\": {}}", JSON_ALLOW_NUL, NULL);
    (void)state;
    assert_non_null(document);
    assert_null(tree_read_json(document, &err));
    assert_non_null(strstr(err.text, "a holds bytes that are no text"));
    json_decref(document);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(integers_that_libconfig_would_wrap_are_refused_wherever_they_stand),
        cmocka_unit_test(the_largest_integers_are_read_as_they_are),
        cmocka_unit_test(numbers_in_comments_and_texts_are_no_literals),
        cmocka_unit_test(a_physical_quantity_may_be_written_as_an_integer),
        cmocka_unit_test(a_whole_number_is_not_cut_out_of_a_real_one),
        cmocka_unit_test(an_absent_key_keeps_the_default_and_a_wrong_one_leaves_it_too),
        cmocka_unit_test(what_nobody_took_is_named_with_its_neighbours),
        cmocka_unit_test(nesting_and_size_are_bounded_before_libconfig_sees_them),
        cmocka_unit_test(more_settings_than_the_bound_are_refused),
        cmocka_unit_test(include_is_refused_wherever_libconfig_would_obey_it),
        cmocka_unit_test(only_regular_files_are_read),
        cmocka_unit_test(a_file_with_a_nul_inside_or_too_long_is_refused_and_a_good_one_kept_to_the_byte),
        cmocka_unit_test(a_tree_comes_back_from_json_with_types_lines_and_text),
        cmocka_unit_test(json_from_hostile_hands_is_refused_with_a_sentence),
        cmocka_unit_test(an_unknown_key_without_a_line_is_refused_without_one),
        cmocka_unit_test(a_text_with_a_nul_inside_does_not_come_in_by_json),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
