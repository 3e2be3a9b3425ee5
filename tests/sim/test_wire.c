/* The wire: pacing, faults, determinism; all in virtual time against the sample supply's world. */
#include "sim/wire/fault.h"
#include "sim/wire/pace.h"
#include "sim/wire/sim.h"

#include <stdarg.h>
#include <setjmp.h>
#include <cmocka.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char bench[] =
    "sim = { seed = 7; world_file = \"demo.cfg\"; addresses = (\n"
    "  { name = \"load1\"; role = \"load\"; baud = 9600; answer_delay = \"2 ms\"; },\n"
    "  { name = \"fast1\"; role = \"load\"; first = 2; count = 1; answer_delay = \"0 ms\"; tcp = 0; },\n"
    "  { name = \"selector1\"; role = \"selector\"; shape = \"terse\"; unix = \"selector.sock\"; baud = 115200; },\n"
    "  { name = \"late1\"; role = \"all\"; shape = \"late\"; tcp = 5025; pty = true; }\n"
    "); };\n";
enum { LOAD, FAST, SELECTOR, LATE };

struct bench {
    struct tree *tree;
    struct sim *sim;
    int64_t now_us;
};

static struct bench *bench_new(uint64_t seed)
{
    struct bench *b = calloc(1, sizeof *b);
    struct error err = ERROR_INIT;
    b->tree = tree_read_text("bench", bench, &err);
    b->sim = b->tree ? sim_new(b->tree, SOURCE_DIR "/profiles/sim", seed, &err) : NULL;
    if (!b->sim || tree_all_taken(b->tree, &err) < 0)
        fail_msg("%s", err.text);
    return b;
}

static void bench_free(struct bench *b)
{
    sim_free(b->sim);
    tree_free(b->tree);
    free(b);
}

static int set_up(void **state)
{
    *state = bench_new(0);
    return 0;
}

static int tear_down(void **state)
{
    bench_free(*state);
    return 0;
}

/* Sends, lets wait_us pass, returns all that came. */
static const char *ask(struct bench *b, size_t address, const char *text, int64_t wait_us)
{
    static char answer[8192];
    size_t len;
    sim_write(b->sim, address, text, strlen(text), b->now_us);
    b->now_us += wait_us;
    len = sim_read(b->sim, address, answer, sizeof answer - 1, b->now_us);
    answer[len] = '\0';
    return answer;
}

static void command(struct bench *b, const char *line)
{
    char answer[16384];
    struct error err = ERROR_INIT;
    if (sim_command(b->sim, line, answer, sizeof answer, &err) < 0)
        fail_msg("%s: %s", line, err.text);
    assert_string_equal(answer, "ok");
}

static void a_byte_takes_ten_bits_and_fractions_do_not_add_up(void **state)
{
    static const int bauds[] = {1200, 9600, 19200, 57600, 115200, 921600};
    struct pace *pace = calloc(1, sizeof *pace);
    char bytes[1000] = {0};
    (void)state;
    for (size_t i = 0; i < sizeof bauds / sizeof bauds[0]; i++) {
        int64_t last_us = 50 + (10000LL * 1000000 + bauds[i] - 1) / bauds[i];
        pace_clear(pace);
        pace->baud = bauds[i];
        assert_int_equal(pace_put(pace, bytes, 1000, 50), 1000);
        assert_int_equal(pace_take(pace, bytes, 1000, 50), 0);
        assert_int_equal(pace_due_us(pace), 50 + (10 * 1000000 + bauds[i] - 1) / bauds[i]);
        assert_int_equal(pace_take(pace, bytes, 1000, last_us - 1), 999);
        assert_int_equal(pace_take(pace, bytes, 1000, last_us), 1);
        assert_true(pace_due_us(pace) == INT64_MAX);
    }
    free(pace);
}

static void bytes_queue_behind_what_is_still_on_its_way(void **state)
{
    struct pace *pace = calloc(1, sizeof *pace);
    char bytes[10];
    (void)state;
    pace->baud = 10000; /* a millisecond a byte */
    pace_put(pace, "ab", 2, 0);
    pace_put(pace, "c", 1, 1500);
    pace_put(pace, "d", 1, 10000);
    assert_int_equal(pace_chunk_due_us(pace, 3), 3000);
    assert_int_equal(pace_chunk_due_us(pace, 16), 11000);
    assert_int_equal(pace_take(pace, bytes, 10, 2999), 2);
    assert_int_equal(pace_take(pace, bytes, 10, 3000), 1);
    assert_int_equal(pace_take(pace, bytes, 10, 10999), 0);
    assert_int_equal(pace_take(pace, bytes, 10, 11000), 1);
    free(pace);
}

static void a_full_line_loses_bytes_but_never_reorders_them(void **state)
{
    struct pace *pace = calloc(1, sizeof *pace);
    unsigned char out[PACE_MAX], byte = 0;
    (void)state;
    for (size_t i = 0; i < PACE_MAX + 100; i++, byte++)
        pace_put(pace, &byte, 1, 0);
    assert_int_equal(pace_room(pace), 0);
    assert_int_equal(pace_take(pace, out, sizeof out, 0), PACE_MAX);
    for (size_t i = 0; i < PACE_MAX; i++)
        assert_int_equal(out[i], i & 255);
    free(pace);
}

/* *OPC? LF is 6 bytes at 9600 baud, 2 ms delay, answer 2 bytes: 6250 + 2000 + 2084 us, each rounded up. */
static void question_delay_and_answer_take_their_time(void **state)
{
    struct bench *b = *state;
    char text[16];
    sim_write(b->sim, LOAD, "*OPC?\n", 6, 0);
    assert_int_equal(sim_read(b->sim, LOAD, text, sizeof text, 8250 + 2083), 1);
    assert_int_equal(sim_due_us(b->sim), 8250 + 2084);
    assert_int_equal(sim_due_chunk_us(b->sim, 16), 8250 + 2084);
    assert_int_equal(sim_read(b->sim, LOAD, text, sizeof text, 8250 + 2084), 1);
    assert_true(sim_due_us(b->sim) == INT64_MAX);
}

static void an_unpaced_address_without_delay_answers_at_once(void **state)
{
    struct bench *b = *state;
    assert_string_equal(ask(b, FAST, "*OPC?\n", 0), "1\n");
    assert_string_equal(ask(b, FAST, "*OPC?;*OPC?\n*OPC?\n", 0), "1;1\n1\n");
}

static void what_the_file_says_of_an_address_is_told(void **state)
{
    struct bench *b = *state;
    assert_int_equal(sim_addresses(b->sim), 4);
    assert_int_equal(sim_address_index(b->sim, "selector1"), SELECTOR);
    assert_int_equal(sim_address_index(b->sim, "nobody"), -1);
    assert_int_equal(sim_address_baud(b->sim, LOAD), 9600);
    assert_true(sim_address_wants_pty(b->sim, LOAD) && !sim_address_wants_pty(b->sim, FAST) &&
                !sim_address_wants_pty(b->sim, SELECTOR));
    assert_true(sim_address_wants_pty(b->sim, LATE));
    assert_int_equal(sim_address_tcp_port(b->sim, LOAD), -1);
    assert_int_equal(sim_address_tcp_port(b->sim, LATE), 5025);
    assert_string_equal(sim_address_unix_name(b->sim, SELECTOR), "selector.sock");
}

static void each_fault_does_what_it_is_called(void **state)
{
    static const struct {
        const char *fault, *first, *second;
    } says[] = {
        {"drop", "", "255\n"},
        {"truncate", "25", "255\n"},
        {"merge", "255", "255\n"},
        {"duplicate", "255\n255\n", "255\n"},
        {"stale", "7\n", "255\n"},
        {"nan", "9.91E37\n", "255\n"},
        {"over-range", "9.9E37\n", "255\n"},
    };
    struct bench *b = *state;
    for (size_t i = 0; i < sizeof says / sizeof says[0]; i++) {
        char line[64];
        assert_string_equal(ask(b, FAST, "*ESE 7;*ESE?\n", 1000), "7\n");
        ask(b, FAST, "*ESE 255\n", 1000);
        snprintf(line, sizeof line, "wire fast1 %s next", says[i].fault);
        command(b, line);
        assert_string_equal(ask(b, FAST, "*ESE?\n", 1000), says[i].first);
        assert_string_equal(ask(b, FAST, "*ESE?\n", 1000), says[i].second);
    }
}

static void corruption_changes_exactly_one_byte_and_no_line_end(void **state)
{
    struct bench *b = *state;
    const char *whole = "BRUNT-SIM,fast1,0," BRUNT_VERSION "\n";
    command(b, "wire fast1 corrupt for 100");
    for (int i = 0; i < 100; i++) {
        const char *got = ask(b, FAST, "*IDN?\n", 1000);
        int differ = 0;
        assert_int_equal(strlen(got), strlen(whole));
        for (size_t k = 0; whole[k]; k++)
            differ += got[k] != whole[k];
        assert_int_equal(differ, 1);
        assert_int_equal(strcspn(got, "\n"), strlen(whole) - 1);
    }
    assert_string_equal(ask(b, FAST, "*IDN?\n", 1000), whole);
}

static void garbage_stands_in_front_and_the_answer_behind_it_is_whole(void **state)
{
    struct bench *b = *state;
    char text[64];
    size_t len;
    command(b, "wire fast1 garbage next");
    sim_write(b->sim, FAST, "*OPC?\n", 6, 10);
    len = sim_read(b->sim, FAST, text, sizeof text, 20); /* may hold NUL bytes */
    assert_in_range(len, 3, 18);
    assert_memory_equal(text + len - 2, "1\n", 2);
    assert_null(memchr(text, '\n', len - 1));
}

static void a_delayed_answer_comes_late_and_in_order(void **state)
{
    struct bench *b = *state;
    command(b, "wire fast1 delay 300 next");
    assert_string_equal(ask(b, FAST, "*OPC?\n", 200000), "");
    assert_string_equal(ask(b, FAST, "*ESE?\n", 99999), "");
    assert_string_equal(ask(b, FAST, "", 1), "1\n0\n");
}

static void a_silent_line_carries_nothing_either_way(void **state)
{
    struct bench *b = *state;
    command(b, "wire fast1 silence");
    assert_string_equal(ask(b, FAST, "*ESE 9\n*OPC?\n", 5000000), "");
    command(b, "wire fast1 off");
    assert_string_equal(ask(b, FAST, "*ESE?\n", 1000), "0\n");
}

static void a_pulled_plug_loses_the_line_but_not_the_instruments_buffer(void **state)
{
    struct bench *b = *state;
    ask(b, FAST, "INP ON", 1000);
    command(b, "wire fast1 hang-up");
    assert_true(sim_hung_up(b->sim, FAST));
    assert_string_equal(ask(b, FAST, "\n*OPC?\n", 1000), "");
    assert_false(world_load_input_is_on(sim_world(b->sim), 1));
    command(b, "wire fast1 return-as load7");
    assert_false(sim_hung_up(b->sim, FAST));
    assert_string_equal(sim_address_link_name(b->sim, FAST), "load7");
    assert_string_equal(sim_address_name(b->sim, FAST), "fast1");
    ask(b, FAST, "\n", 1000);
    assert_true(world_load_input_is_on(sim_world(b->sim), 1));
}

static void a_power_cycle_empties_the_buffer_and_sets_the_bit(void **state)
{
    struct bench *b = *state;
    ask(b, SELECTOR, "G 0\n", 100000);
    ask(b, SELECTOR, "G 1", 100000);
    command(b, "power selector1 cycle");
    assert_string_equal(ask(b, SELECTOR, "ID?\n", 1000000), ""); /* still starting */
    ask(b, SELECTOR, "", 2000000);
    assert_string_equal(ask(b, SELECTOR, "\nG?\n", 100000), "0\r\n");
    command(b, "power load1 off");
    assert_string_equal(ask(b, LOAD, "*OPC?\n", 100000), "");
    command(b, "power load1 on");
    ask(b, LOAD, "", 30000000);
    assert_string_equal(ask(b, LOAD, "*ESR?\n", 100000), "128\n");
}

static void the_late_address_answers_late(void **state)
{
    struct bench *b = *state;
    assert_int_equal(strncmp(ask(b, LATE, "*OPC?\n", 79999), "*OPC?", 5), 0); /* the echo alone */
    assert_int_equal(ask(b, LATE, "", 1)[0], '1');
}

static void the_same_seed_gives_the_same_bytes_and_another_one_others(void **state)
{
    char texts[3][8192] = {"", "", ""};
    (void)state;
    for (int run = 0; run < 3; run++) {
        struct bench *b = bench_new(run == 2 ? 4711 : 7);
        command(b, "wire fast1 corrupt");
        command(b, "wire fast1 garbage");
        ask(b, LATE, "RAIL1:PLUG ON;WANT 9\n", 3000000);
        ask(b, LATE, "ABS1 ON;:LEV1:CURR 1\n", 1000000);
        for (int i = 0; i < 40; i++) {
            size_t at = strlen(texts[run]);
            snprintf(texts[run] + at, sizeof texts[run] - at, "%s", ask(b, LATE, "READ1:BOTH?\n", 200000));
            at = strlen(texts[run]);
            snprintf(texts[run] + at, sizeof texts[run] - at, "%s", ask(b, FAST, "*IDN?\n", 1000));
        }
        bench_free(b);
    }
    assert_string_equal(texts[0], texts[1]);
    assert_string_not_equal(texts[0], texts[2]);
}

static void it_does_not_matter_how_often_one_looks(void **state)
{
    char texts[2][4096] = {"", ""};
    (void)state;
    for (int run = 0; run < 2; run++) {
        struct bench *b = bench_new(0);
        size_t len = 0;
        ask(b, LOAD, "CURR 1;:INP ON\n", 1000000);
        for (int i = 0; i < 20; i++) {
            sim_write(b->sim, LOAD, "MEAS:VOLT?;CURR?\n", 17, b->now_us);
            for (int64_t end_us = b->now_us + 100000; b->now_us < end_us;) {
                b->now_us += run ? 100000 : 700;
                b->now_us = b->now_us > end_us ? end_us : b->now_us;
                len += sim_read(b->sim, LOAD, texts[run] + len, sizeof texts[run] - 1 - len, b->now_us);
            }
        }
        bench_free(b);
    }
    assert_true(strlen(texts[0]) > 200);
    assert_string_equal(texts[0], texts[1]);
}

static void a_loaded_port_is_measured_through_bytes_alone(void **state)
{
    struct bench *b = *state;
    double volts, amps;
    ask(b, SELECTOR, "G1 1\n", 3000000);
    ask(b, SELECTOR, "C1 9\n", 3000000);
    assert_string_equal(ask(b, SELECTOR, "C1?\n", 100000), "9.000\r\n");
    ask(b, LOAD, "CURR1 2;:INP1 ON\n", 2000000);
    assert_int_equal(sscanf(ask(b, LOAD, "MEAS1:VOLT?;CURR?\n", 100000), "%lf;%lf", &volts, &amps), 2);
    assert_float_equal(volts, 9.0, 0.45);
    assert_float_equal(amps, 2.0, 0.05);
    ask(b, LOAD, "INP:ALL OFF\n", 2000000);
    assert_float_equal(strtod(ask(b, LOAD, "MEAS1:CURR?\n", 100000), NULL), 0.0, 0.05);
}

static void a_wrong_command_is_refused_with_a_sentence(void **state)
{
    static const char *const lines[] = {"",
                                        "wire",
                                        "wire nobody drop",
                                        "wire fast1",
                                        "wire fast1 explode",
                                        "wire fast1 drop for",
                                        "wire fast1 drop for 0",
                                        "wire fast1 drop sometimes",
                                        "wire fast1 hang-up next",
                                        "wire fast1 return-as a/b",
                                        "wire fast1 delay -5",
                                        "power fast1",
                                        "power fast1 maybe",
                                        "truth 0",
                                        "truth 9",
                                        "truth",
                                        "no-such-fault"};
    struct bench *b = *state;
    for (size_t i = 0; i < sizeof lines / sizeof lines[0]; i++) {
        char answer[16384];
        struct error err = ERROR_INIT;
        if (sim_command(b->sim, lines[i], answer, sizeof answer, &err) == 0 || err.kind != ERROR_USAGE ||
            strlen(err.text) < 10)
            fail_msg("\"%s\" -> %s", lines[i], err.text);
    }
}

static void status_truth_and_help_are_one_line_each(void **state)
{
    static const char *const lines[] = {"status", "truth 1", "help"};
    struct bench *b = *state;
    char answer[16384];
    command(b, "wire fast1 merge");
    for (size_t i = 0; i < sizeof lines / sizeof lines[0]; i++) {
        struct error err = ERROR_INIT;
        assert_int_equal(sim_command(b->sim, lines[i], answer, sizeof answer, &err), 0);
        assert_true(strlen(answer) > 40 && strchr(answer, '\n') == NULL);
        if (i == 0)
            assert_non_null(strstr(
                answer, "\"name\":\"fast1\",\"link\":\"fast1\",\"baud\":0,\"hung_up\":false,\"faults\":[\"merge\"]"));
    }
}

static void a_wrong_bench_file_is_refused_with_line_and_reason(void **state)
{
    static const struct {
        const char *text, *says;
    } wrong[] = {
        {"sim = { addresses = ( { name = \"a\"; role = \"load\"; } ); };", "neither world nor world_file"},
        {"sim = { world_file = \"no-such.cfg\"; addresses = ( { name = \"a\"; role = \"load\"; } ); };", "no-such.cfg"},
        {"sim = { world_file = \"demo.cfg\"; addresses = ( ); };", "addresses"},
        {"sim = { world_file = \"demo.cfg\"; addresses = ( { name = \"a\"; role = \"toaster\"; } ); };", "thermometer"},
        {"sim = { world_file = \"demo.cfg\"; addresses = ( { name = \"a\"; role = \"load\"; baud = 7; } ); };",
         "unpaced"},
        {"sim = { world_file = \"demo.cfg\"; addresses = ( { name = \"a\"; role = \"load\"; first = 3; } ); };",
         "has only 2"},
        {"sim = { world_file = \"demo.cfg\"; addresses = ( { name = \"a\"; role = \"load\"; }, { name = \"a\"; role = "
         "\"mains\"; } ); };",
         "used twice"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        struct error err = ERROR_INIT;
        struct tree *tree = tree_read_text("bench", wrong[i].text, &err);
        struct sim *sim = tree ? sim_new(tree, SOURCE_DIR "/profiles/sim", 0, &err) : NULL;
        if (sim || !strstr(err.text, wrong[i].says))
            fail_msg("%s\n-> %s", wrong[i].text, err.text);
        tree_free(tree);
    }
}

static void the_benches_that_come_with_it_can_be_read(void **state)
{
    static const char *const names[] = {"bench-demo.cfg", "bench-terse.cfg", "bench-late.cfg"};
    static const char *const addresses[] = {"load1", "selector1", "mains1", "thermo1"};
    (void)state;
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        char path[512];
        struct error err = ERROR_INIT;
        struct tree *tree;
        struct sim *sim;
        snprintf(path, sizeof path, SOURCE_DIR "/profiles/sim/%s", names[i]);
        tree = tree_read_file(path, &err);
        sim = tree ? sim_new(tree, SOURCE_DIR "/profiles/sim", 0, &err) : NULL;
        if (!sim || tree_all_taken(tree, &err) < 0)
            fail_msg("%s", err.text);
        for (size_t k = 0; k < sizeof addresses / sizeof addresses[0]; k++)
            assert_true(sim_address_index(sim, addresses[k]) >= 0);
        sim_free(sim);
        tree_free(tree);
    }
}

int main(void)
{
#define T(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)
    static const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_byte_takes_ten_bits_and_fractions_do_not_add_up),
        cmocka_unit_test(bytes_queue_behind_what_is_still_on_its_way),
        cmocka_unit_test(a_full_line_loses_bytes_but_never_reorders_them),
        T(question_delay_and_answer_take_their_time),
        T(an_unpaced_address_without_delay_answers_at_once),
        T(what_the_file_says_of_an_address_is_told),
        T(each_fault_does_what_it_is_called),
        T(corruption_changes_exactly_one_byte_and_no_line_end),
        T(garbage_stands_in_front_and_the_answer_behind_it_is_whole),
        T(a_delayed_answer_comes_late_and_in_order),
        T(a_silent_line_carries_nothing_either_way),
        T(a_pulled_plug_loses_the_line_but_not_the_instruments_buffer),
        T(a_power_cycle_empties_the_buffer_and_sets_the_bit),
        T(the_late_address_answers_late),
        cmocka_unit_test(the_same_seed_gives_the_same_bytes_and_another_one_others),
        cmocka_unit_test(it_does_not_matter_how_often_one_looks),
        T(a_loaded_port_is_measured_through_bytes_alone),
        T(a_wrong_command_is_refused_with_a_sentence),
        T(status_truth_and_help_are_one_line_each),
        cmocka_unit_test(the_benches_that_come_with_it_can_be_read),
        cmocka_unit_test(a_wrong_bench_file_is_refused_with_line_and_reason),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
