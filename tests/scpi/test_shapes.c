/* Roles and the two other shapes. */
#include "tests/scpi/with_world.h"

#include <math.h>
#include <stdarg.h>
#include <setjmp.h>
#include <cmocka.h>
#include <stdlib.h>
#include <string.h>

static void check(enum server_role role, enum server_shape shape, const char *const says[][2], size_t count)
{
    struct world *world = still_world();
    struct server *server = still_server(world, role, shape);
    for (size_t i = 0; i < count; i++) {
        const char *answer = say(server, says[i][0]);
        if (strcmp(answer, says[i][1]) != 0)
            fail_msg("%s -> %s instead of %s", says[i][0], answer, says[i][1]);
    }
    server_free(server);
    world_free(world);
}
#define CHECK(role, shape, says) check(role, shape, says, sizeof says / sizeof says[0])

static void a_selector_tells_its_offers_and_takes_a_contract(void **state)
{
    static const char *const says[][2] = {
        {"CONT:CAT?\n", "5.000,5.000,3.000,3.300,11.000,5.000\n"},
        {"CONT:COUN?;SETT?;CABL?;PORT?\n", "2;1;5.0;1\n"},
        {"CONT1:SEL 5,2.5\n", ""},
        {"CONT:SEL?\n", "5.000,2.500\n"},
        {"CONT:SEL 13\n", ""},
        {"SYST:ERR?\n", "-221,\"Settings conflict;CONT:SEL 13\"\n"},
        {"CONT:ATT OFF;ATT?;COUN?;CAT?\n", "0;0;\"\"\n"},
        {"INP ON\n", ""},
        {"SYST:ERR?\n", "-113,\"Undefined header;INP ON\"\n"},
    };
    (void)state;
    CHECK(SERVER_SELECTOR, SHAPE_STANDARD, says);
}

static void a_thermometer_answers_lists_and_marks_an_open_couple(void **state)
{
    static const char *const says[][2] = {
        {"MEAS:TEMP?\n", "23.46,100.00,9.91E37,-5.00\n"},
        {"MEAS:TEMP? (@2)\n", "100.00\n"},
        {"MEAS:TEMP? (@4,1:2)\n", "-5.00,23.46,100.00\n"},
        {"MEAS:TEMP? (@5)\n", ""},
        {"SYST:ERR?\n", "-222,\"Data out of range;MEAS:TEMP? (@5)\"\n"},
        {"MEAS:TEMP? (@1\n", ""},
        {"SYST:ERR?\n", "-171,\"Invalid expression\"\n"},
        {"SENS:COUN?;:SENS1:NAME?\n", "4;\"case top\"\n"},
    };
    (void)state;
    CHECK(SERVER_THERMOMETER, SHAPE_STANDARD, says);
}

/* ITS-90 type K: 4.096 mV at 100 celsius, 0.959743 mV at 24.0 (NIST tables); the junction stands at 24.6 celsius at
 * time 0. */
static void raw_millivolts_and_cold_junction_add_up(void **state)
{
    struct world *world = still_world();
    struct server *server = still_server(world, SERVER_THERMOMETER, SHAPE_STANDARD);
    double junction = strtod(say(server, "MEAS:REF?\n"), NULL);
    double volts = strtod(say(server, "MEAS:EMF? (@2)\n"), NULL);
    (void)state;
    assert_float_equal(junction, 24.6, 0.31);
    assert_float_equal(volts * 1e3 + 0.959743 + (junction - 24.0) * 0.0405, 4.096, 0.002);
    server_free(server);
    world_free(world);
}

static void mains_and_meters_answer(void **state)
{
    static const char *const mains[][2] = {
        {"OUTP?\n", "1\n"},
        {"OUTP OFF;:OUTP?\n", "0\n"},
        {"OUTP:VOLT 115\n", ""},
        {"OUTP:VOLT?\n", "115.00\n"},
        {"OUTP:VOLT 40\n", ""},
        {"SYST:ERR:COUN?\n", "1\n"},
        {"MEAS:POW:AC?\n", "46.000\n"},
    };
    static const char *const meter[][2] = {{"MEAS:VOLT?\n", "4.9500\n"}, {"MEAS1:REC?\n", "4.9500\n"}};
    static const char *const ac[][2] = {{"MEAS:VOLT:AC?;:MEAS:CURR:AC?;:MEAS:PFAC?\n", "230.00;0.4000;0.500\n"},
                                        {"OUTP OFF\n", ""},
                                        {"SYST:ERR:COUN?\n", "1\n"}};
    static const char *const all[][2] = {{"MEAS:VOLT?;REC?;TEMP? (@2)\n", "5.0012;4.9500;100.00\n"},
                                         {"CONT:COUN?\n", "2\n"},
                                         {"OUTP OFF;:OUTP?;:INP?\n", "0;0\n"}};
    (void)state;
    CHECK(SERVER_MAINS, SHAPE_STANDARD, mains);
    CHECK(SERVER_METER, SHAPE_STANDARD, meter);
    CHECK(SERVER_POWER_METER, SHAPE_STANDARD, ac);
    CHECK(SERVER_ALL, SHAPE_STANDARD, all);
}

static void the_terse_load_takes_one_thing_a_message(void **state)
{
    static const char *const says[][2] = {
        {"I 1.5\n", ""},
        {"I?\n", "1.500\r\n"},
        {"I2?\r", "0.000\r\n"},
        {"L 1\n", ""},
        {"L?\n", "1\r\n"},
        {"X\n", ""},
        {"l?\n", "0\r\n"},
        {"V?\n", "5.001\r\n"},
        {"A2?\n", "OPEN\r\n"},
        {"P2?\n", "OVER\r\n"},
        {"B R\n", ""},
        {"B?\n", "R\r\n"},
        {"E?\n", "0\r\n"},
        {"V?;A?\n", ""},
        {"E?\n", "1\r\n"},
        {"E?\n", "0\r\n"},
        {"I 99\n", ""},
        {"E?\n", "3\r\n"},
        {"L3 1\n", ""},
        {"E?\n", "3\r\n"},
        {"L ON\n", ""},
        {"E?\n", "3\r\n"},
        {"INP ON\n", ""},
        {"E?\n", "1\r\n"},
        {"UV 4.2\n", ""},
        {"UV?\n", "4.200\r\n"},
        {"Q?\n", "0\r\n"},
        {"K\n", ""},
        {"N?\n", "2\r\n"},
        {"L 1", ""},
        {"!\n", ""},
        {"E?\n", "2\r\n"},
        {"L?\n", "0\r\n"},
        {"L 1", ""},
        {"\n", ""},
        {"L?\n", "1\r\n"},
        {"RES\n", ""},
        {"L?\n", "0\r\n"},
        {"I1\n", ""},
        {"E?\n", "1\r\n"},
        {"L 1                                                              \n", ""},
        {"E?\n", "4\r\n"},
        {"L?\n", "0\r\n"},
    };
    (void)state;
    CHECK(SERVER_LOAD, SHAPE_TERSE, says);
}

static void the_other_terse_instruments_answer(void **state)
{
    static const char *const selector[][2] = {{"C 5\n", ""},     {"C?\n", "5.000\r\n"}, {"C 13\n", ""},
                                              {"E?\n", "5\r\n"}, {"C 5,2\n", ""},       {"E?\n", "3\r\n"},
                                              {"G 0\n", ""},     {"G?\n", "0\r\n"},     {"NC?\n", "1\r\n"}};
    static const char *const thermo[][2] = {
        {"T2?\n", "100.00\r\n"}, {"T3?\n", "OPEN\r\n"}, {"Y3?\n", "OPEN\r\n"}, {"NT?\n", "4\r\n"}};
    static const char *const mains[][2] = {
        {"M 0\n", ""}, {"M?\n", "0\r\n"}, {"MV 120\n", ""}, {"MV?\n", "120.000\r\n"}, {"MW?\n", "46.000\r\n"}};
    (void)state;
    CHECK(SERVER_SELECTOR, SHAPE_TERSE, selector);
    CHECK(SERVER_THERMOMETER, SHAPE_TERSE, thermo);
    CHECK(SERVER_MAINS, SHAPE_TERSE, mains);
}

/* CR and LF in any order and number count as one line end here. */
static void expect_late(struct server *server, const char *text, const char *echo, const char *answer)
{
    char copy[4096], *rest, *line;
    strcpy(copy, say(server, text));
    assert_true(copy[0] != '\r' && copy[0] != '\n');
    line = strtok_r(copy, "\r\n", &rest);
    assert_string_equal(line, echo);
    line = strtok_r(NULL, "\r\n", &rest);
    if (answer)
        assert_string_equal(line, answer);
    else
        assert_null(line);
}

static void the_late_shape_echoes_and_answers_with_exponents(void **state)
{
    struct world *world = still_world();
    struct server *server = still_server(world, SERVER_ALL, SHAPE_LATE);
    (void)state;
    expect_late(server, "READ1:BOTH?\n", "READ1:BOTH?", "5.00120E+00,1.49980E+00");
    expect_late(server, "READ:VOLT?;CURR?\n", "READ:VOLT?;CURR?", "5.00120E+00;1.49980E+00");
    expect_late(server, "LEV2:CURR 500 MA\n", "LEV2:CURR 500 MA", NULL);
    expect_late(server, "LEV2:CURR?\n", "LEV2:CURR?", "5.00000E-01");
    expect_late(server, "REG CV;:REG?\n", "REG CV;:REG?", "CV");
    expect_late(server, "ABS2 ON;:ABS2?\n", "ABS2 ON;:ABS2?", "1");
    expect_late(server, "ABS:ALL OFF;:ABS2?\n", "ABS:ALL OFF;:ABS2?", "0");
    expect_late(server, "RAIL:WANT 5;NOW?;BOTH?\n", "RAIL:WANT 5;NOW?;BOTH?", "5.00000E+00,3.00000E+00");
    expect_late(server, "SYST:ERR?\n", "SYST:ERR?", "-113,\"Undefined header;BOTH?\"");
    expect_late(server, "RAIL:READY?\n", "RAIL:READY?", "1");
    expect_late(server, "PROB:TEMP? (@2,3)\n", "PROB:TEMP? (@2,3)", "1.00000E+02,9.91E37");
    expect_late(server, "LINE:VOLT?;POW?\n", "LINE:VOLT?;POW?", "2.30000E+02;4.60000E+01");
    expect_late(server, "TIP:VOLT?\n", "TIP:VOLT?", "4.95000E+00");
    expect_late(server, "INP ON\n", "INP ON", NULL);
    server_free(server);
    world_free(world);
}

static void the_echo_comes_at_once_and_the_answer_late(void **state)
{
    struct world *world = still_world();
    struct server *server = still_server(world, SERVER_LOAD, SHAPE_LATE);
    char text[64];
    bool echo = false;
    (void)state;
    server_bytes(server, "*OPC?\n", 6, 5000);
    assert_int_equal(server_answer_line(server, text, sizeof text, 5000, &echo), 7);
    assert_true(echo);
    assert_int_equal(server_answer_line(server, text, sizeof text, 5999, &echo), 0);
    assert_int_equal(server_answer_line(server, text, sizeof text, 6000, &echo), 3);
    assert_false(echo);
    server_free(server);
    world_free(world);
}

static void a_channel_the_world_lacks_is_refused_with_a_sentence(void **state)
{
    struct world *world = still_world();
    struct server_setup setup = {.name = "load9", .role = SERVER_LOAD, .first = 1, .count = 2};
    struct error err = ERROR_INIT;
    (void)state;
    assert_null(server_new(&setup, world, 1, &err));
    assert_int_equal(err.kind, ERROR_FILE);
    assert_string_equal(err.text, "address load9: load 2 to 3, but the world has only 2");
    world_free(world);
}

/* Pieces of commands and plain noise, glued at random. Whatever came before: a spoiled line and the server obeys again.
 */
static void noise_never_breaks_a_server(void **state)
{
    static const char *const pieces[] = {"MEAS",      "2",
                                         ":",         "VOLT",
                                         "?",         ";",
                                         " ",         "(@1:",
                                         ",",         ")",
                                         "\"",        "1E",
                                         "MAX",       "CURR",
                                         "*",         "IDN",
                                         "ESE",       "#H",
                                         "-",         "99999999999",
                                         "\n",        "\r",
                                         "!",         "\x1b",
                                         "L",         "T",
                                         "OV",        "SYST:ERR?",
                                         "CONT:CAT?", "STAT:QUES:ENAB",
                                         ".",         "ABCDEFGHIJKLMNOP",
                                         "INST:NSEL", "\xff"};
    const char *wanted = getenv("BRUNT_SEED");
    unsigned seed = wanted ? (unsigned)strtoul(wanted, NULL, 10) : 20240229u;
    (void)state;
    print_message("seed %u (BRUNT_SEED)\n", seed);
    srand(seed);
    for (int shape = 0; shape < SHAPES; shape++) {
        struct world *world = still_world();
        struct server *server = still_server(world, SERVER_ALL, (enum server_shape)shape);
        for (int i = 0; i < 20000; i++) {
            const char *piece = pieces[(size_t)rand() % (sizeof pieces / sizeof pieces[0])];
            char out[700];
            server_bytes(server, piece, strlen(piece), now_us());
            if (i % 50 == 0)
                server_answer(server, out, sizeof out, now_us());
        }
        say(server, "!\n");
        assert_non_null(strstr(say(server, shape == SHAPE_TERSE ? "ID?\n" : "*IDN?\n"), "BRUNT-SIM,still1,0,"));
        server_free(server);
        world_free(world);
    }
}

int main(void)
{
    static const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_selector_tells_its_offers_and_takes_a_contract),
        cmocka_unit_test(a_thermometer_answers_lists_and_marks_an_open_couple),
        cmocka_unit_test(raw_millivolts_and_cold_junction_add_up),
        cmocka_unit_test(mains_and_meters_answer),
        cmocka_unit_test(the_terse_load_takes_one_thing_a_message),
        cmocka_unit_test(the_other_terse_instruments_answer),
        cmocka_unit_test(the_late_shape_echoes_and_answers_with_exponents),
        cmocka_unit_test(the_echo_comes_at_once_and_the_answer_late),
        cmocka_unit_test(noise_never_breaks_a_server),
        cmocka_unit_test(a_channel_the_world_lacks_is_refused_with_a_sentence),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
