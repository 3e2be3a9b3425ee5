/* Program messages of the standard shape: forms, path, numbers, errors, what half a message may and may not do. */
#include "tests/scpi/with_world.h"

#include <math.h>
#include <stdarg.h>
#include <setjmp.h>
#include <cmocka.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct scene {
    struct world *world;
    struct server *server;
};

static int set_up(void **state)
{
    struct scene *scene = calloc(1, sizeof *scene);
    scene->world = still_world();
    scene->server = still_server(scene->world, SERVER_LOAD, SHAPE_STANDARD);
    assert_string_equal(say(scene->server, "*CLS\n"), "");
    *state = scene;
    return 0;
}

static int tear_down(void **state)
{
    struct scene *scene = *state;
    server_free(scene->server);
    world_free(scene->world);
    free(scene);
    return 0;
}

static int next_error(struct server *server)
{
    return atoi(say(server, "SYST:ERR?\n"));
}

/* A public parser's test set, second-hand: *ESE #H20, *SRE #HFF, then an unknown header. */
static void an_unknown_header_walks_through_the_status_registers(void **state)
{
    struct server *server = ((struct scene *)*state)->server;
    say(server, "*ESE #H20;*SRE #HFF\n");
    assert_string_equal(say(server, "NONSENSE:THING\n"), "");
    assert_string_equal(say(server, "*STB?\n"), "100\n");
    assert_string_equal(say(server, "*ESR?\n"), "32\n");
    assert_string_equal(say(server, "*STB?\n"), "68\n");
    assert_string_equal(say(server, "SYST:ERR?\n"), "-113,\"Undefined header;NONSENSE:THING\"\n");
    assert_string_equal(say(server, "*STB?\n"), "0\n");
    assert_string_equal(say(server, "SYSTem:ERRor:NEXT?\n"), "0,\"No error\"\n");
}

static void power_on_sets_its_bit_once(void **state)
{
    struct server *server = ((struct scene *)*state)->server;
    server_power_cycled(server, now_us());
    assert_string_equal(say(server, "*ESR?\n"), "128\n"); /* bit 7 PON, IEEE 488.2 */
    assert_string_equal(say(server, "*ESR?\n"), "0\n");
}

/* SCPI-1999 volume 1, 6.2.1: exactly the short or exactly the long form. */
static void only_the_short_and_the_long_form_are_understood(void **state)
{
    static const struct {
        const char *text;
        int error;
    } says[] = {
        {"CURR 1", 0},          {"CURRENT 1", 0},
        {"current 1", 0},       {"CuRr 1", 0},
        {"CURRE 1", -113},      {"CUR 1", -113},
        {"SOUR:CURR 1", 0},     {"SOURCE1:CURRENT:LEVEL:IMMEDIATE:AMPLITUDE 1", 0},
        {"CURR:AMPL 1", 0},     {":CURR 1", 0},
        {"SOUR:AMPL 1", -113},  {"INPU ON", -113},
        {"INP OFF", 0},         {"INPUT:STATE OFF", 0},
        {"VOLT:PROT:UND 3", 0}, {"VOLT:PROT:UNDER:LEV 3", 0},
    };
    struct server *server = ((struct scene *)*state)->server;
    for (size_t i = 0; i < sizeof says / sizeof says[0]; i++) {
        char line[128];
        snprintf(line, sizeof line, "%s\n", says[i].text);
        say(server, line);
        if (next_error(server) != says[i].error)
            fail_msg("%s", says[i].text);
    }
}

static void a_wrong_message_gets_the_standards_number(void **state)
{
    static const struct {
        const char *text;
        int error;
    } says[] = {
        {"CURR", -109},
        {"CURR 1,2", -108},
        {"CURR ON", -104},
        {"CURR 11", -222},
        {"CURR -1", -222},
        {"CURR NAN", -222},
        {"CURR INF", -222},
        {"CURR 1 V", -131},
        {"CURR 1X", -131},
        {"CURR 1 ABCDEFGHIJKLM", -134},
        {"*ESE 1 A", -138},
        {"CURR 1E40000", -123},
        {"CURR 1.2.3", -121},
        {"CURR +", -121},
        {"CURR #HXY", -121},
        {"CURR #15hello", -168},
        {"CURR,1", -111},
        {"ABCDEFGHIJKLMNO 1", -112},
        {"CURR::LEV 1", -110},
        {";CURR 1", -102},
        {"INP3 ON", -114},
        {"INP0 ON", -114},
        {"SYST2:VERS?", -114},
        {"FUNC FISH", -224},
        {"*ESE 256", -222},
        {"CURR \"one\"", -104},
        {"CURR 1,", -103},
        {"INP (@1", -171},
        {"INP \"ON", -151},
        {"*FOO", -113},
        {"MEAS:VOLT", -113},
        {"*IDN", -113},
        {"CURR? 3", -104},
        {"*IDN?;*OPC?", -440},
        {"IN\x07P ON", -101},
        {"INP\x80 ON", -101},
        {"INP\x1b ON", -101},
        {"INP ON!", -101},
        {"INP:ALL MAYBE", -104},
        {"INST:NSEL 3", -222},
        {"SYST:COMM:TIM 0.01", -222},
    };
    struct scene *scene = *state;
    for (size_t i = 0; i < sizeof says / sizeof says[0]; i++) {
        char line[128];
        int error;
        snprintf(line, sizeof line, "%s\n", says[i].text);
        say(scene->server, line);
        error = next_error(scene->server);
        if (error != says[i].error)
            fail_msg("%s: %d instead of %d", says[i].text, error, says[i].error);
        assert_false(scene->world->channels[0].on);
        assert_true(scene->world->channels[0].levels[WORLD_CURRENT] == 0.0);
    }
}

static void numbers_come_in_every_form_with_multipliers(void **state)
{
    static const struct {
        const char *text;
        double value;
    } says[] = {
        {"CURR 1", 1},           {"CURR 1.5", 1.5},      {"CURR .5", 0.5},     {"CURR 2.", 2},
        {"CURR 15E-1", 1.5},     {"CURR +1.5e+0", 1.5},  {"CURR 500 MA", 0.5}, {"CURR 500MA", 0.5},
        {"CURR 250 ma", 0.25},   {"CURR 1000000 UA", 1}, {"CURR 0.002 KA", 2}, {"CURR 1E9 NA", 1},
        {"CURR 0.000001MAA", 1}, {"CURR #HA", 10},       {"CURR #b101", 5},    {"CURR #Q7", 7},
        {"CURR MAX", 10},        {"CURR MIN", 0},        {"CURR maximum", 10}, {"CURR DEF", 0},
        {"CURR  3  A ", 3},      {"CURR\t4", 4},
    };
    struct scene *scene = *state;
    for (size_t i = 0; i < sizeof says / sizeof says[0]; i++) {
        char line[128];
        snprintf(line, sizeof line, "%s\r\n", says[i].text);
        scene->world->channels[0].levels[WORLD_CURRENT] = -1;
        say(scene->server, line);
        if (fabs(scene->world->channels[0].levels[WORLD_CURRENT] - says[i].value) > 1e-9)
            fail_msg("%s", says[i].text);
    }
    say(scene->server, "RES 0.001 MOHM\n"); /* IEEE 488.2: M before OHM and HZ is mega */
    assert_float_equal(scene->world->channels[0].levels[WORLD_RESISTANCE], 1000.0, 1e-6);
    say(scene->server, "SYST:COMM:TIM 0.5 MIN\n");
    assert_string_equal(say(scene->server, "SYST:COMM:TIM?\n"), "30.0\n");
}

static void booleans_are_words_or_rounded_numbers(void **state)
{
    static const struct {
        const char *text;
        bool on;
    } says[] = {{"INP ON\n", true},  {"INP OFF\n", false}, {"INP 1\n", true},  {"INP 0\n", false},
                {"INP 2.7\n", true}, {"INP 0.4\n", false}, {"INP -1\n", true}, {"INP NAN\n", false}};
    struct scene *scene = *state;
    for (size_t i = 0; i < sizeof says / sizeof says[0]; i++) {
        scene->world->channels[0].on = !says[i].on;
        say(scene->server, says[i].text);
        assert_int_equal(scene->world->channels[0].on, says[i].on);
    }
}

/* SCPI-1999 volume 1, 6.2.4 */
static void the_path_goes_on_after_a_semicolon(void **state)
{
    struct server *server = ((struct scene *)*state)->server;
    assert_string_equal(say(server, "MEAS:VOLT?;CURR?\n"), "5.0012;1.4998\n");
    assert_string_equal(say(server, "MEAS:VOLT?;*OPC?;CURR?\n"), "5.0012;1;1.4998\n");
    assert_string_equal(say(server, "MEAS:VOLT?;:CURR?\n"), "5.0012;0.0000\n");
    assert_string_equal(say(server, "MEAS:VOLT?;:MEAS:CURR?\n"), "5.0012;1.4998\n");
    assert_string_equal(say(server, "MEAS:VOLT?;:SYST:VERS?;ERR:COUN?\n"), "5.0012;1999.0;0\n");
    assert_string_equal(say(server, "MEAS:VOLT?;MEAS:CURR?\n"), "5.0012\n"); /* MEAS:MEAS:CURR? is no header */
    assert_int_equal(next_error(server), -113);
}

static void a_suffix_or_a_selection_names_the_channel(void **state)
{
    struct scene *scene = *state;
    assert_string_equal(say(scene->server, "MEAS2:VOLT?;CURR?;POW?\n"), "9.0000;9.91E37;9.9E37\n");
    say(scene->server, "INST:NSEL 2;:CURR 1.25;:CURR1 3;:FUNC RES\n");
    assert_true(scene->world->channels[1].levels[WORLD_CURRENT] == 1.25);
    assert_true(scene->world->channels[0].levels[WORLD_CURRENT] == 3.0);
    assert_string_equal(say(scene->server, "FUNC?;:FUNC1?;:INST:COUN?;NSEL?\n"), "RES;CURR;2;2\n");
    scene->world->channels[0].on = scene->world->channels[1].on = true;
    say(scene->server, "INP:ALL OFF\n");
    assert_false(scene->world->channels[0].on || scene->world->channels[1].on);
}

static void half_a_message_waits_for_the_next_writers_newline(void **state)
{
    struct scene *scene = *state;
    say(scene->server, "INP ON");
    assert_false(scene->world->channels[0].on);
    say(scene->server, "\n");
    assert_true(scene->world->channels[0].on);
}

static void a_spoil_byte_before_the_newline_drops_the_half(void **state)
{
    static const char *const halves[] = {
        "INP ON", "INP ON;", "CURR 5;:INP ON;CURR 3", "SYST:ERR?;:INP ON;FOO \"abc", "INP O", "INP:STAT 1;BAR (@1"};
    static const char *const spoils[] = {"!\n", "\x1b\n", "\x7f!\n"};
    struct scene *scene = *state;
    for (size_t i = 0; i < sizeof halves / sizeof halves[0]; i++)
        for (size_t k = 0; k < sizeof spoils / sizeof spoils[0]; k++) {
            say(scene->server, halves[i]);
            assert_string_equal(say(scene->server, spoils[k]), "");
            assert_false(scene->world->channels[0].on);
            assert_true(scene->world->channels[0].levels[WORLD_CURRENT] == 0.0);
            assert_int_equal(next_error(scene->server), -101);
        }
}

static void units_before_a_bad_one_are_obeyed_and_those_behind_it_not(void **state)
{
    struct scene *scene = *state;
    say(scene->server, "CURR 2;FOO 1;VOLT 3\n");
    assert_true(scene->world->channels[0].levels[WORLD_CURRENT] == 2.0);
    assert_true(scene->world->channels[0].levels[WORLD_VOLTAGE] == 0.0);
    assert_int_equal(next_error(scene->server), -113);
}

static void too_long_a_line_is_dropped_to_its_end(void **state)
{
    struct scene *scene = *state;
    char line[400];
    memset(line, ' ', sizeof line);
    memcpy(line + sizeof line - 8, "INP ON\n", 8);
    say(scene->server, line);
    assert_false(scene->world->channels[0].on);
    assert_int_equal(next_error(scene->server), -363);
    say(scene->server, "INP ON\n");
    assert_true(scene->world->channels[0].on);
}

static void a_full_error_queue_keeps_the_old_and_marks_the_newest(void **state)
{
    struct server *server = ((struct scene *)*state)->server;
    for (int i = 0; i < 20; i++)
        say(server, "FOO\n");
    say(server, "CURR 99\n");
    assert_string_equal(say(server, "SYST:ERR:COUN?\n"), "16\n");
    for (int i = 0; i < 15; i++)
        assert_int_equal(next_error(server), -113);
    assert_string_equal(say(server, "SYST:ERR?\n"), "-350,\"Queue overflow\"\n");
    assert_int_equal(next_error(server), 0);
    say(server, "FOO\n*RST\n");
    assert_int_equal(next_error(server), -113); /* *RST keeps it */
    say(server, "FOO\n*CLS\n");
    assert_int_equal(next_error(server), 0);
}

static void nobody_reading_loses_whole_answers_only(void **state)
{
    struct server *server = ((struct scene *)*state)->server;
    char answer[8192];
    size_t len;
    for (int i = 0; i < 500; i++)
        server_bytes(server, "*IDN?\n", 6, now_us());
    len = server_answer(server, answer, sizeof answer, now_us() + 900000);
    assert_true(len > 0 && answer[len - 1] == '\n');
    assert_int_equal(next_error(server), -430);
    assert_true(strncmp(say(server, "*IDN?\n"), "BRUNT-SIM,still1,0,", 19) == 0);
}

static void the_answer_comes_after_its_delay_and_not_before(void **state)
{
    struct server *server = ((struct scene *)*state)->server;
    char answer[64];
    int64_t from_us = now_us();
    server_bytes(server, "*OPC?\n*OPC?\n", 12, from_us);
    assert_int_equal(server_due_us(server), from_us + 1000);
    assert_int_equal(server_answer(server, answer, sizeof answer, from_us + 999), 0);
    assert_int_equal(server_answer(server, answer, sizeof answer, from_us + 1000), 2);
    assert_int_equal(server_due_us(server), from_us + 2000); /* one after the other */
    assert_int_equal(server_answer(server, answer, 1, from_us + 2000), 1);
    assert_int_equal(server_answer(server, answer, sizeof answer, from_us + 2000), 1);
    assert_true(server_due_us(server) == INT64_MAX);
}

static void silence_longer_than_the_time_out_switches_every_input_off(void **state)
{
    struct scene *scene = *state;
    int64_t from_us;
    say(scene->server, "SYST:COMM:TIM 2\nINP1 ON\n");
    assert_true(scene->world->channels[0].on);
    scene->world->channels[1].on = true;
    server_tick(scene->server, now_us() + 1000000);
    assert_string_equal(say(scene->server, ""), "");
    assert_false(scene->world->channels[0].on || scene->world->channels[1].on);
    assert_int_equal(next_error(scene->server), -365);
    from_us = now_us() + 5000000;
    server_bytes(scene->server, "INP ON\n", 7, from_us);
    assert_int_equal(server_due_us(scene->server), from_us + 2000000);
    server_bytes(scene->server, "FOO\n", 4, from_us + 1500000); /* a message with an error is no sign of life */
    server_bytes(scene->server, "*OPC", 4, from_us + 1600000);
    server_tick(scene->server, from_us + 1999999);
    assert_true(scene->world->channels[0].on);
    server_tick(scene->server, from_us + 2000000);
    assert_false(scene->world->channels[0].on);
}

static void an_instrument_without_power_hears_and_says_nothing(void **state)
{
    struct scene *scene = *state;
    char answer[64];
    int64_t from_us = now_us();
    server_bytes(scene->server, "*OPC?\nINP ON", 12, from_us);
    scene->world->channels[0].power = false;
    server_bytes(scene->server, "*OPC?\n", 6, from_us + 1000);
    assert_int_equal(server_answer(scene->server, answer, sizeof answer, from_us + 2000000), 0);
    scene->world->channels[0].power = true;
    server_bytes(scene->server, "\n*ESR?\n", 7, from_us + 3000000);
    assert_int_equal(server_answer(scene->server, answer, sizeof answer, from_us + 9000000), 4);
    assert_memory_equal(answer, "128\n", 4);
    assert_false(scene->world->channels[0].on);
}

static void a_trip_is_told_and_bars_the_input(void **state)
{
    struct scene *scene = *state;
    say(scene->server, "STAT:QUES:ENAB 512;:CURR:PROT 5;:VOLT:PROT:UND 3.5\n");
    assert_string_equal(say(scene->server, "CURR:PROT?;:VOLT:PROT:UND?;UND:STAT?\n"), "5.0000;3.5000;1\n");
    say(scene->server, "CURR:PROT:STAT OFF\n");
    assert_string_equal(say(scene->server, "CURR:PROT?\n"), "0.0000\n");
    say(scene->server, "CURR:PROT:STAT ON\n");
    assert_string_equal(say(scene->server, "CURR:PROT?\n"), "5.0000\n");
    scene->world->channels[0].trips = TRIP_UNDER_VOLTAGE;
    assert_string_equal(say(scene->server, "*STB?;:INP:PROT:TRIP?;:STAT:QUES?\n"), "8;16;512\n");
    say(scene->server, "INP ON\n");
    assert_int_equal(next_error(scene->server), -221);
    assert_false(scene->world->channels[0].on);
    say(scene->server, "INP:PROT:CLE;:INP ON\n");
    assert_true(scene->world->channels[0].on);
}

int main(void)
{
#define T(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)
    static const struct CMUnitTest tests[] = {
        T(an_unknown_header_walks_through_the_status_registers),
        T(power_on_sets_its_bit_once),
        T(only_the_short_and_the_long_form_are_understood),
        T(a_wrong_message_gets_the_standards_number),
        T(numbers_come_in_every_form_with_multipliers),
        T(booleans_are_words_or_rounded_numbers),
        T(the_path_goes_on_after_a_semicolon),
        T(a_suffix_or_a_selection_names_the_channel),
        T(half_a_message_waits_for_the_next_writers_newline),
        T(a_spoil_byte_before_the_newline_drops_the_half),
        T(units_before_a_bad_one_are_obeyed_and_those_behind_it_not),
        T(too_long_a_line_is_dropped_to_its_end),
        T(a_full_error_queue_keeps_the_old_and_marks_the_newest),
        T(nobody_reading_loses_whole_answers_only),
        T(the_answer_comes_after_its_delay_and_not_before),
        T(silence_longer_than_the_time_out_switches_every_input_off),
        T(an_instrument_without_power_hears_and_says_nothing),
        T(a_trip_is_told_and_bars_the_input),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
