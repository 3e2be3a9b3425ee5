/* Messages and answers as text: number forms, not-a-number, the short form and the path rule. */
#include "with_fake.h"

#include "daemon/bench/answer.h"
#include "daemon/bench/message.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const struct dialect plain = {.line = {.message_end = END_LF,
                                              .longest_message = 200,
                                              .compound = COMPOUND_PATH,
                                              .separator = ';',
                                              .answer_separator = ';'}};

/* IEEE 488.2 response data: NR1 integer, NR2 explicit point, NR3 point and exponent (fetched from the documents of two
 * public SCPI libraries). */
static void numbers_are_read_in_their_announced_form_only(void **state)
{
    static const struct {
        enum form form;
        int decimals;
        const char *text;
        enum answer_value want;
        double value;
    } rows[] = {
        {FORM_NR1, -1, "12", ANSWER_NUMBER, 12},
        {FORM_NR1, -1, "-1", ANSWER_NUMBER, -1},
        {FORM_NR1, -1, "+7", ANSWER_NUMBER, 7},
        {FORM_NR1, -1, "12.0", ANSWER_WRONG, 0},
        {FORM_NR1, -1, "1E1", ANSWER_WRONG, 0},
        {FORM_NR2, -1, "5.0012", ANSWER_NUMBER, 5.0012},
        {FORM_NR2, 4, "5.0012", ANSWER_NUMBER, 5.0012},
        {FORM_NR2, 4, "-0.0001", ANSWER_NUMBER, -0.0001},
        {FORM_NR2, 4, "5.001", ANSWER_WRONG, 0},
        {FORM_NR2, 4, "5.00123", ANSWER_WRONG, 0},
        {FORM_NR2, -1, "5", ANSWER_WRONG, 0},
        {FORM_NR2, -1, "5.", ANSWER_WRONG, 0},
        {FORM_NR2, -1, ".5", ANSWER_WRONG, 0},
        {FORM_NR2, -1, "5,1", ANSWER_WRONG, 0},
        {FORM_NR2, -1, "5.0.1", ANSWER_WRONG, 0},
        {FORM_NR2, -1, " 5.0", ANSWER_WRONG, 0},
        {FORM_NR2, -1, "5.0 ", ANSWER_WRONG, 0},
        {FORM_NR2, -1, "5.0V", ANSWER_WRONG, 0},
        {FORM_NR2, -1, "--5.0", ANSWER_WRONG, 0},
        {FORM_NR2, -1, "", ANSWER_WRONG, 0},
        {FORM_NR2, -1, "-", ANSWER_WRONG, 0},
        {FORM_NR3, -1, "5.00120E+00", ANSWER_NUMBER, 5.0012},
        {FORM_NR3, -1, "-1.5E-3", ANSWER_NUMBER, -0.0015},
        {FORM_NR3, -1, "5.00120E+", ANSWER_WRONG, 0},
        {FORM_NR3, -1, "5.00120E", ANSWER_WRONG, 0},
        {FORM_NR3, -1, "5.00120", ANSWER_WRONG, 0},
        {FORM_NR3, -1, "1.0E9999", ANSWER_WRONG, 0},
        {FORM_NR3, -1, "1.0E999", ANSWER_WRONG, 0},
        {FORM_NUMBER, -1, "5", ANSWER_NUMBER, 5},
        {FORM_NUMBER, -1, "0x10", ANSWER_WRONG, 0},
        {FORM_NUMBER, -1, "nan", ANSWER_WRONG, 0},
        {FORM_NUMBER, -1, "inf", ANSWER_WRONG, 0},
        {FORM_NUMBER, -1, "1e1", ANSWER_NUMBER, 10},
    };
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct command command = {.scale = 1.0, .form = rows[i].form, .answer_decimals = rows[i].decimals};
        double said = -77.0;
        enum answer_value got = answer_number(&plain, &command, rows[i].text, strlen(rows[i].text), &said);
        if (got != rows[i].want)
            fail_msg("\"%s\" in form %d with %d decimals gave %d", rows[i].text, rows[i].form, rows[i].decimals, got);
        assert_float_equal(said, got == ANSWER_NUMBER ? rows[i].value : -77.0, 1e-12);
    }
}

/* Not-a-number 9.91E37, infinity 9.9E37 and -9.9E37: SCPI-99 (fetched from a public SCPI library; section [memory]). */
static void the_standards_not_a_number_and_infinities_are_no_readings_in_any_form(void **state)
{
    static const struct {
        const char *text;
        enum answer_value want;
    } rows[] = {
        {"9.91E37", ANSWER_NAN},           {"9.91000E+37", ANSWER_NAN},  {"9.910000E+37", ANSWER_NAN},
        {"9.9E37", ANSWER_OVERFLOW},       {"-9.9E37", ANSWER_OVERFLOW}, {"9.90000E+37", ANSWER_OVERFLOW},
        {"-9.90000E+37", ANSWER_OVERFLOW}, {"9.9E+37", ANSWER_OVERFLOW},
    };
    (void)state;
    for (int form = 0; form < FORMS; form++) {
        for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
            struct command command = {.scale = 0.001, .form = (enum form)form, .answer_decimals = 4};
            double said = 0.0;
            assert_int_equal(answer_number(&plain, &command, rows[i].text, strlen(rows[i].text), &said), rows[i].want);
            assert_true(isnan(said));
        }
    }
}

static void words_of_a_dialects_own_for_no_value_are_understood(void **state)
{
    struct dialect terse = plain;
    struct command command = {.scale = 1.0, .form = FORM_NR2, .answer_decimals = 3};
    double said = 0.0;
    (void)state;
    strcpy(terse.line.not_a_number, "OPEN");
    strcpy(terse.line.overflow, "OVER");
    assert_int_equal(answer_number(&terse, &command, "OPEN", 4, &said), ANSWER_NAN);
    assert_int_equal(answer_number(&terse, &command, "OVER", 4, &said), ANSWER_OVERFLOW);
    assert_int_equal(answer_number(&terse, &command, "-OVER", 5, &said), ANSWER_OVERFLOW);
    assert_int_equal(answer_number(&terse, &command, "OPE", 3, &said), ANSWER_WRONG);
    assert_int_equal(answer_number(&plain, &command, "OPEN", 4, &said), ANSWER_WRONG);
}

static void exactly_as_many_values_as_asked_make_an_answer(void **state)
{
    struct command command = {.scale = 1.0, .form = FORM_NR2, .answer_decimals = 2};
    double said[3];
    (void)state;
    assert_int_equal(answer_numbers(&plain, &command, "1.00,2.00", ',', 2, said), ANSWER_NUMBER);
    assert_int_equal(answer_numbers(&plain, &command, "1.00", ',', 2, said), ANSWER_WRONG);
    assert_int_equal(answer_numbers(&plain, &command, "1.00,2.00,3.00", ',', 2, said), ANSWER_WRONG);
    assert_int_equal(answer_numbers(&plain, &command, "1.00,", ',', 2, said), ANSWER_WRONG);
    assert_int_equal(answer_numbers(&plain, &command, ",2.00", ',', 2, said), ANSWER_WRONG);
    assert_int_equal(answer_numbers(&plain, &command, "1.00;2.00", ',', 2, said), ANSWER_WRONG);
    assert_int_equal(answer_numbers(&plain, &command, "1.00,9.91E37", ',', 2, said), ANSWER_NAN);
    assert_float_equal(said[0], 1.0, 0);
    assert_true(isnan(said[1]));
}

static void units_of_the_instrument_become_ours(void **state)
{
    struct command millivolts = {.scale = 0.001, .form = FORM_NR2, .answer_decimals = -1, .decimals = 1};
    double said;
    char text[32];
    (void)state;
    assert_int_equal(answer_number(&plain, &millivolts, "1250.0", 6, &said), ANSWER_NUMBER);
    assert_float_equal(said, 1.25, 1e-12);
    assert_true(message_number(text, sizeof text, &millivolts, 1.25));
    assert_string_equal(text, "1250");
}

/* A set-point with an exponent or a suffix could be cut into another number (house.md, promise 2). */
static void set_points_are_plain_decimals(void **state)
{
    struct command amps = {.scale = 1.0, .decimals = 4};
    char text[32];
    (void)state;
    assert_true(message_number(text, sizeof text, &amps, 0.00001));
    assert_string_equal(text, "0");
    assert_true(message_number(text, sizeof text, &amps, 1234567.5));
    assert_string_equal(text, "1234567.5");
    assert_true(message_number(text, sizeof text, &amps, 3.0600000001));
    assert_string_equal(text, "3.06");
    assert_false(message_number(text, sizeof text, &amps, NAN));
    assert_false(message_number(text, sizeof text, &amps, INFINITY));
}

/* Mnemonic rule: up to 4 letters whole; else the first 4, or 3 where the 4th is a vowel. SCPI-99 (fetched from a public
 * SCPI library). */
static void mnemonics_are_shortened_by_the_standards_rule(void **state)
{
    static const char *const rows[][2] = {
        {"POWer?", "POW?"},
        {"TEMPerature?", "TEMP?"},
        {"VOLTage?", "VOLT?"},
        {"CURRent {value}", "CURR {value}"},
        {"INPut{channel} ON", "INP{channel} ON"},
        {"OUTPut OFF", "OUTP OFF"},
        {"MEASure{channel}:VOLTage?", "MEAS{channel}:VOLT?"},
        {"SYSTem:COMMunicate:TIMeout {value}", "SYST:COMM:TIM {value}"},
        {"MEAS:TEMP? (@{value})", "MEAS:TEMP? (@{value})"},
        {"*IDN?", "*IDN?"},
        {"ID?", "ID?"},
        {"FUNCtion{channel} Resistance", "FUNC{channel} Resistance"}, /* parameters stay */
    };
    char right[80];
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        char form[80];
        strcpy(form, rows[i][0]);
        assert_null(message_shorten(form, right, sizeof right));
        assert_string_equal(form, rows[i][1]);
    }
    char wrong[80] = "MEASure:VOLtage?";
    assert_non_null(message_shorten(wrong, right, sizeof right));
    assert_string_equal(right, "VOLt"); /* four letters: the fourth is no vowel */
    strcpy(wrong, "INPUt?");
    assert_non_null(message_shorten(wrong, right, sizeof right));
    assert_string_equal(right, "INP");
}

/* After ';' a header without leading ':' goes on at the node before it; ':' goes to the root; '*' neither has nor moves
 * a path (path rule fetched from a public SCPI library's tests; the statement on '*' [memory]). */
static void compound_messages_are_cut_as_the_path_rule_allows(void **state)
{
    static const char *const rows[][3] = {
        {"MEAS:VOLT?", "MEAS:CURR?", "MEAS:VOLT?;CURR?"},
        {"MEAS2:VOLT?", "MEAS2:CURR?", "MEAS2:VOLT?;CURR?"},
        {"MEAS1:VOLT?", "MEAS2:CURR?", "MEAS1:VOLT?;:MEAS2:CURR?"},
        {"CURR1 1.5", "CURR1?", "CURR1 1.5;CURR1?"},
        {"CURR1:PROT 3", "CURR1:PROT?", "CURR1:PROT 3;PROT?"},
        {"VOLT1:PROT:UND 2.5", "VOLT1:PROT:UND?", "VOLT1:PROT:UND 2.5;UND?"},
        {"SYST:COMM:TIM 5", "SYST:COMM:TIM?", "SYST:COMM:TIM 5;TIM?"},
        {"MEAS:VOLT?", "INP?", "MEAS:VOLT?;:INP?"},
        {"INP?", "MEAS:VOLT?", "INP?;MEAS:VOLT?"},
        {"SYST:COMM:TIM 5", "SYST:ERR?", "SYST:COMM:TIM 5;:SYST:ERR?"},
        {"*CLS", "MEAS:VOLT?", "*CLS;MEAS:VOLT?"},
        {"MEAS:VOLT?", "*ESR?", "MEAS:VOLT?;*ESR?"},
    };
    char both[100];
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        assert_true(message_join(both, sizeof both, &plain, rows[i][0], rows[i][1]));
        assert_string_equal(both, rows[i][2]);
    }
}

static void without_the_path_rule_each_header_stands_in_full(void **state)
{
    struct dialect full = plain;
    char both[100];
    (void)state;
    full.line.compound = COMPOUND_FULL;
    assert_true(message_join(both, sizeof both, &full, "MEAS:VOLT?", "MEAS:CURR?"));
    assert_string_equal(both, "MEAS:VOLT?;MEAS:CURR?");
    full.line.compound = COMPOUND_NONE;
    assert_false(message_join(both, sizeof both, &full, "MEAS:VOLT?", "MEAS:CURR?"));
    full.line.compound = COMPOUND_PATH;
    full.line.longest_message = 16;
    assert_false(message_join(both, sizeof both, &full, "MEAS:VOLT?", "MEAS:CURR?")); /* 17 with its end */
    full.line.longest_message = 17;
    assert_true(message_join(both, sizeof both, &full, "MEAS:VOLT?", "MEAS:CURR?"));
}

static void identities_match_by_stars(void **state)
{
    (void)state;
    assert_true(answer_matches("BRUNT-SIM,*", "BRUNT-SIM,load1,0,1"));
    assert_true(answer_matches("*,load*,*", "BRUNT-SIM,load1,0,1"));
    assert_true(answer_matches("*", ""));
    assert_false(answer_matches("BRUNT-SIM,*", "BRUNT"));
    assert_false(answer_matches("brunt-sim,*", "BRUNT-SIM,x"));
    assert_false(answer_matches("A*B", "AxC"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(numbers_are_read_in_their_announced_form_only),
        cmocka_unit_test(the_standards_not_a_number_and_infinities_are_no_readings_in_any_form),
        cmocka_unit_test(words_of_a_dialects_own_for_no_value_are_understood),
        cmocka_unit_test(exactly_as_many_values_as_asked_make_an_answer),
        cmocka_unit_test(units_of_the_instrument_become_ours),
        cmocka_unit_test(set_points_are_plain_decimals),
        cmocka_unit_test(mnemonics_are_shortened_by_the_standards_rule),
        cmocka_unit_test(compound_messages_are_cut_as_the_path_rule_allows),
        cmocka_unit_test(without_the_path_rule_each_header_stands_in_full),
        cmocka_unit_test(identities_match_by_stars),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
