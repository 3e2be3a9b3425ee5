/* Errors, bounded text, durations. */
#include "daemon/base/error.h"
#include "daemon/base/text.h"
#include "daemon/base/units.h"

#include <errno.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>
#include <stdlib.h>
#include <string.h>

static void an_error_carries_kind_and_sentence_and_each_layer_its_own_part(void **state)
{
    struct error err = ERROR_INIT;
    (void)state;
    assert_int_equal(error_set(&err, ERROR_LINK, "port %d", 7), -1);
    assert_int_equal(error_prefix(&err, "load \"%s\"", "a"), -1);
    assert_int_equal(err.kind, ERROR_LINK);
    assert_string_equal(err.text, "load \"a\": port 7");
    assert_int_equal(error_errno(&err, ERROR_SYSTEM, ENOENT, "open"), -1);
    assert_string_equal(err.text, "open: No such file or directory");
    assert_int_equal(error_set(NULL, ERROR_LINK, "x"), -1);
    assert_int_equal(error_errno(NULL, ERROR_LINK, 1, "x"), -1);
    assert_int_equal(error_prefix(NULL, "x"), -1);
}

static void a_long_sentence_is_cut_and_never_overruns(void **state)
{
    struct error err = ERROR_INIT;
    char longer[2000];
    (void)state;
    memset(longer, 'x', sizeof longer - 1);
    longer[sizeof longer - 1] = '\0';
    error_set(&err, ERROR_FILE, "%s", longer);
    assert_int_equal(strlen(err.text), sizeof err.text - 1);
    error_prefix(&err, "%s", longer);
    assert_int_equal(strlen(err.text), sizeof err.text - 1);
    error_errno(&err, ERROR_FILE, EIO, "%s", longer);
    assert_int_equal(strlen(err.text), sizeof err.text - 1);
}

static void every_error_kind_has_a_name_of_its_own(void **state)
{
    (void)state;
    for (unsigned i = 0; i < ERROR_KINDS; i++)
        assert_int_equal(error_kind_of(error_kind_name(i)), i);
    assert_string_equal(error_kind_name(ERROR_KINDS), "unknown");
    assert_int_equal(error_kind_of("nonsense"), ERROR_NONE);
    assert_int_equal(error_kind_of(NULL), ERROR_NONE);
}

static void a_copy_that_does_not_fit_is_refused_whole_and_a_cut_one_shows_it(void **state)
{
    char to[8] = "before", none[1] = {'x'};
    (void)state;
    assert_true(text_copy(to, sizeof to, "1234567"));
    assert_false(text_copy(to, sizeof to, "12345678"));
    assert_string_equal(to, "");
    text_cut(to, sizeof to, "123456789");
    assert_string_equal(to, "1234...");
    text_cut(to, sizeof to, "1234567");
    assert_string_equal(to, "1234567");
    assert_true(text_copy(to, sizeof to, "abc") && text_add(to, sizeof to, "%d", 1234));
    assert_false(text_add(to, sizeof to, "5"));
    assert_string_equal(to, "abc1234");
    assert_false(text_copy(none, 0, "x"));
    assert_int_equal(none[0], 'x');
}

static void a_set_point_is_a_plain_decimal_without_exponent(void **state)
{
    static const struct {
        double value;
        int decimals;
        const char *want;
    } rows[] = {{3.25, 4, "3.25"},   {3.0, 3, "3"},     {0.0, 2, "0"},      {-0.0001, 2, "0"},   {1e-9, 9, "0.000000001"}, {0.1 + 0.2, 3, "0.3"},
                {100.0, 2, "100"},   {1e9, 0, ""},      {-1.5, 1, "-1.5"},  {999999999.0, 0, "999999999"}, {2.0004, 3, "2"}, {1.0, 10, ""}};
    char to[32];
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        assert_int_equal(text_decimal(to, sizeof to, rows[i].value, rows[i].decimals), rows[i].want[0] != '\0');
        assert_string_equal(to, rows[i].want);
        assert_null(strpbrk(to, "eE+ "));
    }
    assert_false(text_decimal(to, sizeof to, NAN, 3));
    assert_false(text_decimal(to, sizeof to, INFINITY, 3));
    assert_string_equal(to, "");
    assert_false(text_decimal(to, 3, 12.5, 1)); /* doesn't fit: nothing, rather than another number */
    assert_string_equal(to, "");
}

static void a_number_is_read_whole_or_not_at_all(void **state)
{
    static const char *const bad[] = {"", " 1", "1 ", "1.2.3", "nan", "inf", "-inf", "0x10", "1e400", "1,5", "abc", "+", "1e", "--1"};
    double value = 7.0;
    long long whole = 7;
    (void)state;
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++)
        if (text_to_double(bad[i], &value))
            fail_msg("\"%s\" was read as %g", bad[i], value);
    assert_float_equal(value, 7.0, 0.0);
    assert_true(text_to_double("-1.5E+2", &value) && value == -150.0);
    assert_true(text_to_int64("-12", -20, 20, &whole) && whole == -12);
    assert_false(text_to_int64("21", -20, 20, &whole));
    assert_false(text_to_int64("99999999999999999999", INT64_MIN, INT64_MAX, &whole));
    assert_false(text_to_int64("1.0", 0, 9, &whole) || text_to_int64("", 0, 9, &whole) || text_to_int64(" 1", 0, 9, &whole));
    assert_int_equal(whole, -12);
}

static void a_name_is_safe_as_a_file_name(void **state)
{
    (void)state;
    assert_true(text_is_name("load-1") && text_is_name("a.b_c") && text_is_name("7"));
    assert_false(text_is_name("") || text_is_name("..") || text_is_name("-x") || text_is_name("a/b") || text_is_name("a b") || text_is_name("\xc3\xa4"));
    assert_false(text_is_name("0123456789012345678901234567890123456789012345678901234567890123")); /* 64 */
    assert_true(text_is_name("012345678901234567890123456789012345678901234567890123456789012"));  /* 63 */
}

static void bytes_are_shown_printable(void **state)
{
    char to[64], small[6];
    (void)state;
    text_printable(to, sizeof to, "a\r\n\t\x01\xff~", 7);
    assert_string_equal(to, "a\\r\\n\\t\\x01\\xff~");
    text_printable(small, sizeof small, "abcdefghij", 10);
    assert_int_equal(strlen(small), 5);
}

static void durations_are_read_with_their_units(void **state)
{
    static const struct {
        const char *text;
        int64_t us;
    } rows[] = {{"90 s", 90000000},      {"2 h 30 min", 9000000000}, {"250 ms", 250000}, {"1.5 s", 1500000}, {"0 s", 0}, {"3us", 3},
                {"1d", 86400000000},     {" 5 min ", 300000000},     {"1 h 1 ms", 3600001000}};
    int64_t us;
    struct error err = ERROR_INIT;
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        assert_int_equal(duration_parse(rows[i].text, &us, &err), 0);
        assert_int_equal(us, rows[i].us);
    }
}

static void durations_without_or_with_odd_units_are_refused(void **state)
{
    static const struct {
        const char *text, *sentence;
    } rows[] = {{"2", "lacks a unit"},         {"", "is empty"},          {"s", "is no duration"},     {"-1 s", "is no duration"}, {"nan s", "is no duration"},
                {"0x1 s", "is no duration"}, {"1e3 s", "is no duration"}, {"1 s 2 h", "out of order"}, {"1 s 1 s", "out of order"}, {"400 d", "longer than 365 days"},
                {"1..5 s", "is no duration"},  {"1 S", "lacks a unit"},   {"1 sec", "unknown unit"},   {"inf h", "is no duration"}};
    int64_t us = 42;
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct error err = ERROR_INIT;
        if (duration_parse(rows[i].text, &us, &err) != -1 || !strstr(err.text, rows[i].sentence))
            fail_msg("\"%s\": %s", rows[i].text, err.text);
    }
    assert_int_equal(us, 42);
}

static void what_is_formatted_is_read_back_to_the_same_microsecond(void **state)
{
    const char *given = getenv("BRUNT_TEST_SEED");
    uint64_t seed = given ? strtoull(given, NULL, 10) : 5;
    (void)state;
    print_message("seed %llu (BRUNT_TEST_SEED sets it)\n", (unsigned long long)seed);
    for (int i = 0; i < 2000; i++) {
        char text[48];
        int64_t back = -1;
        seed = seed * 6364136223846793005u + 1442695040888963407u;
        int64_t us = (int64_t)((seed >> 20) % (365ull * 86400000000ull)) >> (i % 44);
        duration_format(text, sizeof text, us);
        assert_int_equal(duration_parse(text, &back, NULL), 0);
        assert_int_equal(back, us);
    }
}

static void the_progress_clock_shows_hours_only_where_there_are_some(void **state)
{
    char text[24];
    (void)state;
    duration_clock(text, sizeof text, 3723 * US_PER_S);
    assert_string_equal(text, "1:02:03");
    duration_clock(text, sizeof text, 123 * US_PER_S + 999999);
    assert_string_equal(text, "02:03");
    duration_clock(text, sizeof text, -5);
    assert_string_equal(text, "00:00");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(an_error_carries_kind_and_sentence_and_each_layer_its_own_part),
        cmocka_unit_test(a_long_sentence_is_cut_and_never_overruns),
        cmocka_unit_test(every_error_kind_has_a_name_of_its_own),
        cmocka_unit_test(a_copy_that_does_not_fit_is_refused_whole_and_a_cut_one_shows_it),
        cmocka_unit_test(a_set_point_is_a_plain_decimal_without_exponent),
        cmocka_unit_test(a_number_is_read_whole_or_not_at_all),
        cmocka_unit_test(a_name_is_safe_as_a_file_name),
        cmocka_unit_test(bytes_are_shown_printable),
        cmocka_unit_test(durations_are_read_with_their_units),
        cmocka_unit_test(durations_without_or_with_odd_units_are_refused),
        cmocka_unit_test(what_is_formatted_is_read_back_to_the_same_microsecond),
        cmocka_unit_test(the_progress_clock_shows_hours_only_where_there_are_some),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
