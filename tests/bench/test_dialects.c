/* Dialect files: those that come with the program are whole; broken ones are refused with file, line and what was
 * expected. */
#include "with_fake.h"

#include "daemon/bench/dialect_inside.h"

#include <dirent.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void each_dialect_that_comes_along_reads_and_is_named_for_its_file(void **state)
{
    DIR *dir = opendir(SOURCE_DIR "/profiles/dialects");
    size_t count = 0;
    (void)state;
    assert_non_null(dir);
    for (struct dirent *entry = readdir(dir); entry; entry = readdir(dir)) {
        char name[300], want[300];
        struct tree *tree;
        size_t len = strlen(entry->d_name);
        if (len < 5 || strcmp(entry->d_name + len - 4, ".cfg") != 0)
            continue;
        snprintf(name, sizeof name, "%.*s", (int)len - 4, entry->d_name);
        struct dialect *dialect = dialect_named(name, &tree);
        snprintf(want, sizeof want, "%s-%s", dialect_name(dialect), dialect_role(dialect));
        assert_string_equal(want, name);
        dialect_free(dialect);
        tree_free(tree);
        count++;
    }
    closedir(dir);
    assert_int_equal(count, 15);
}

static bool lacks(const char *name, const char *part)
{
    struct tree *tree;
    struct dialect *dialect = dialect_named(name, &tree);
    bool found = false;
    for (size_t i = 0; dialect_lacks(dialect, i); i++)
        found = found || strstr(dialect_lacks(dialect, i), part);
    dialect_free(dialect);
    tree_free(tree);
    return found;
}

static void a_dialect_says_what_its_instrument_cannot_do(void **state)
{
    (void)state;
    assert_true(lacks("terse-load", "nothing in the load turns it off if the PC dies"));
    assert_true(lacks("terse-load", "two messages"));
    assert_true(lacks("terse-selector", "takes volts only"));
    assert_false(lacks("standard-load", ""));
    assert_false(lacks("standard-selector", ""));
}

/* A smallest whole load; the table breaks it by replacing a part. */
static const char whole[] =
    "dialect = {\n"
    "  name = \"mine\"; role = \"load\";\n"
    "  line = { message_end = \"LF\"; answer_end = \"LF\"; compound = \"path\"; spoil = \"!\";\n"
    "           longest_message = 100; longest_answer = 100; answer_within = \"100 ms\"; };\n"
    "  identity = { query = \"*IDN?\"; match = ( \"MINE,*\" ); };\n"
    "  input = { on = \"INPut{channel} ON\"; off = \"INPut{channel} OFF\"; query = \"INPut{channel}?\"; };\n"
    "  current = { send = \"CURRent {value}\"; unit = \"A\"; decimals = 3; query = \"CURRent?\"; answer = \"NR2\"; };\n"
    "  volts = { query = \"MEASure:VOLTage?\"; unit = \"V\"; answer = \"NR2\"; };\n"
    "  amps = { query = \"MEASure:CURRent?\"; unit = \"mA\"; answer = \"NR2\"; };\n"
    "};\n";

static const struct {
    const char *part, *instead;
    int line;
    const char *want; /* part of the sentence */
} broken[] = {
    {"role = \"load\"", "role = \"laod\"", 2, "role"},
    {"name = \"mine\"; ", "", 0, "name"},
    {"message_end = \"LF\"", "message_end = \"\\n\"", 3, "message_end"},
    {"message_end = \"LF\"", "message_end = \"any\"", 3, "message_end"},
    {"answer_end = \"LF\"", "answer_end = 10", 3, "answer_end"},
    {"compound = \"path\"", "compound = \"yes\"", 3, "compound"},
    {"spoil = \"!\";", "", 0, "spoil"},
    {"spoil = \"!\"", "spoil = \"X\"", 0, "could be part of a command"},
    {"longest_message = 100", "longest_message = 5", 4, "longest_message"},
    {"longest_message = 100", "longest_message = 16", 0, "longer than line.longest_message"},
    {"longest_message = 100", "longest_message = 4294967312", 4, "beyond an integer"},
    {"longest_answer = 100; ", "", 0, "longest_answer"},
    {"answer_within = \"100 ms\"", "answer_within = 100", 4, "answer_within"},
    {"answer_within = \"100 ms\"", "answer_within = \"100\"", 4, "answer_within"},
    {"answer_within = \"100 ms\"", "answer_within = \"1 h\"", 4, "answer_within"},
    {"match = ( \"MINE,*\" )", "match = ( )", 5, "match"},
    {"query = \"*IDN?\"", "query = \"*IDN\"", 0, "no question mark"},
    {"on = \"INPut{channel} ON\"; ", "", 6, "on"},
    {"on = \"INPut{channel} ON\"", "on = \"INPut{channel} OFF\"", 0, "tell on from off"},
    {"on = \"INPut{channel} ON\"", "on = \"CURRent 1;INPut ON\"", 0, "travel alone"},
    {"off = \"INPut{channel} OFF\"", "off = \"INPut{chanel} OFF\"", 0, "expected {channel} or {value}"},
    {"off = \"INPut{channel} OFF\"", "off = \"INPut[:STATe] OFF\"", 0, "brackets"},
    {"off = \"INPut{channel} OFF\"", "off = \"INPUt OFF\"", 0, "expected INP"},
    {"send = \"CURRent {value}\"", "send = \"CURRent\"", 0, "no {value}"},
    {"send = \"CURRent {value}\"", "send = \"CURRent? {value}\"", 0, "is a query"},
    {"query = \"CURRent?\"", "query = \"CURRent? {value}\"", 0, "expected none"},
    {"unit = \"A\"; ", "", 7, "unit"},
    {"unit = \"A\"", "unit = \"V\"", 7, "unit"},
    {"decimals = 3; ", "", 7, "decimals"},
    {"decimals = 3", "decimals = 12", 7, "decimals"},
    {"decimals = 3", "decimals = 3.5", 7, "decimals"},
    {"answer = \"NR2\"", "answer = \"NR4\"", 7, "answer"},
    {"  volts = { query = \"MEASure:VOLTage?\"; unit = \"V\"; answer = \"NR2\"; };\n", "", 0, "volts"},
    {"  amps = {", "  ampere = {", 0, "amps"},
    {"  amps = {", "  colour = \"red\";\n  amps = {", 9, "colour"},
    {"  amps = {", "  contract = { send = \"C {value}\"; };\n  amps = {", 9, "contract"},
    {"  amps = {", "  voltage = { send = \"VOLTage {value}\"; unit = \"V\"; decimals = 3; };\n  amps = {", 0, "mode"},
    {"  amps = {", "  nonce = { send = \"*ESE {value};*ESE?\"; low = 1; high = 3; };\n  amps = {", 9, "high"},
    {"  amps = {", "  nonce = { send = \"*ESE 1;*ESE?\"; low = 100; high = 200; };\n  amps = {", 0, "no {value}"},
    {"  amps = {", "  channels = { left_out = \"selected\"; };\n  amps = {", 9, "select"},
    {"  amps = {", "@include \"other.cfg\"\n  amps = {", 9, "@include"},
};

static struct dialect *read_text(const char *text, struct error *err)
{
    struct tree *tree = tree_read_text("mine.cfg", text, err);
    struct dialect *dialect = tree ? dialect_read(tree, err) : NULL;
    tree_free(tree);
    return dialect;
}

static void each_broken_dialect_is_refused_with_file_line_and_what_was_expected(void **state)
{
    struct error err = ERROR_INIT;
    (void)state;
    struct dialect *dialect = read_text(whole, &err);
    if (!dialect)
        fail_msg("the whole one is refused: %s", err.text);
    dialect_free(dialect);
    for (size_t i = 0; i < sizeof broken / sizeof broken[0]; i++) {
        char text[4000], place[40];
        const char *at = strstr(whole, broken[i].part);
        assert_non_null(at);
        snprintf(text, sizeof text, "%.*s%s%s", (int)(at - whole), whole, broken[i].instead,
                 at + strlen(broken[i].part));
        err = (struct error)ERROR_INIT;
        dialect = read_text(text, &err);
        if (dialect)
            fail_msg("row %zu (%s) was taken", i, broken[i].instead);
        snprintf(place, sizeof place, "mine.cfg:%d", broken[i].line);
        if (err.kind != ERROR_FILE || !strstr(err.text, broken[i].want) ||
            !strstr(err.text, broken[i].line ? place : "mine.cfg:") || !strstr(err.text, "expected"))
            fail_msg("row %zu (%s): %s", i, broken[i].instead, err.text);
    }
}

static void instruments_that_share_a_line_must_share_its_manners(void **state)
{
    struct error err = ERROR_INIT;
    struct tree *trees[2];
    struct dialect *load = dialect_named("standard-load", &trees[0]),
                   *selector = dialect_named("terse-selector", &trees[1]);
    struct bench_setup setup = {.instruments_len = 2, .mains = -1};
    (void)state;
    strcpy(setup.instruments[0].name, "load1");
    setup.instruments[0].dialect = load;
    strcpy(setup.instruments[1].name, "selector1");
    setup.instruments[1].dialect = selector;
    assert_null(bench_new(&setup, &err));
    assert_non_null(strstr(err.text, "can't share a line"));
    dialect_free(load);
    dialect_free(selector);
    tree_free(trees[0]);
    tree_free(trees[1]);
}

/* ---- the example of docs/dialects.md, against an instrument that knows just that ---- */

/* without: a part that is left out, NULL: nothing */
static struct dialect *example_of_the_document(const char *without)
{
    static char text[20000];
    struct error err = ERROR_INIT;
    FILE *file = fopen(SOURCE_DIR "/docs/dialects.md", "r");
    assert_non_null(file);
    text[fread(text, 1, sizeof text - 1, file)] = '\0';
    fclose(file);
    char *begin = strstr(text, "```\n"), *end = begin ? strstr(begin + 4, "```") : NULL;
    assert_non_null(end);
    *end = '\0';
    char *cut = without ? strstr(begin, without) : NULL;
    assert_int_equal(cut != NULL, without != NULL);
    if (cut)
        memset(cut, ' ', strlen(without));
    struct dialect *dialect = read_text(begin + 4, &err);
    if (!dialect)
        fail_msg("%s", err.text);
    return dialect;
}

struct small {
    bool on, shorted;
    int milliamps;
    char input[60], answer[60];
    size_t len;
};

static void small_obeys(struct small *small)
{
    small->answer[0] = '\0';
    if (strchr(small->input, '!'))
        return;
    if (strcmp(small->input, "WHO?") == 0)
        strcpy(small->answer, "SMALL LOAD 7\r\n");
    else if (strcmp(small->input, "GO") == 0 || strcmp(small->input, "STOP") == 0)
        small->on = small->input[0] == 'G';
    else if (strcmp(small->input, "GO?") == 0)
        strcpy(small->answer, small->on ? "YES\r\n" : "NO\r\n");
    else if (strncmp(small->input, "AMP ", 4) == 0)
        small->milliamps = atoi(small->input + 4);
    else if (strcmp(small->input, "AMP?") == 0 || strcmp(small->input, "MA?") == 0)
        snprintf(small->answer, sizeof small->answer, "%d\r\n",
                 small->on || small->shorted || small->input[1] == 'M' ? small->milliamps : 0);
    else if (strcmp(small->input, "MV?") == 0)
        strcpy(small->answer, "5012\r\n");
}

static void small_runs(struct bench *bench, struct small *small, int64_t *now_us, int64_t for_us)
{
    for (int64_t end = *now_us + for_us; *now_us < end;) {
        size_t len;
        const char *bytes = bench_pending(bench, 0, &len);
        if (!len) {
            int64_t due = bench_due_us(bench);
            *now_us = due > *now_us ? due : *now_us + 1;
            bench_tick(bench, *now_us);
            continue;
        }
        char byte = *bytes;
        *now_us += 1000;
        bench_sent(bench, 0, 1, *now_us);
        if (byte != '\n') {
            small->input[small->len++] = byte;
            continue;
        }
        small->input[small->len] = '\0';
        small->len = 0;
        small_obeys(small);
        bench_bytes(bench, 0, small->answer, strlen(small->answer), *now_us);
    }
}

static void the_documents_example_turns_a_small_load_on_and_off(void **state)
{
    struct dialect *dialect = example_of_the_document(NULL);
    struct bench_setup setup = {.instruments_len = 1, .seats_len = 1, .mains = -1, .tolerate_silence_us = 1000000};
    struct small small = {.on = true};
    struct error err = ERROR_INIT;
    struct reading reading = {.volts = 0.0};
    char why[300];
    int64_t now_us = 1000;
    (void)state;
    setup.instruments[0] =
        (struct bench_setup_instrument){.name = "small1", .dialect = dialect, .max_volts = 30.0, .max_amps = 5.0};
    setup.seats[0] = (struct bench_setup_seat){.channel = 1, .selector = -1};
    struct bench *bench = bench_new(&setup, &err);
    assert_non_null(bench);
    bench_line_up(bench, 0, now_us);
    small_runs(bench, &small, &now_us, 3000000);
    if (!bench_ready(bench, why, sizeof why))
        fail_msg("%s", why);
    assert_false(small.on);
    bench_order(bench, &(struct order){.kind = ORDER_LOAD_SET, .value = 1.5}, now_us);
    bench_order(bench, &(struct order){.kind = ORDER_LOAD_ON}, now_us);
    bench_sampling(bench, true);
    small_runs(bench, &small, &now_us, 1000000);
    assert_true(small.on);
    while (bench_next_reading(bench, &reading)) {
    }
    assert_float_equal(reading.volts, 5.012, 1e-9);
    assert_float_equal(reading.amps, 1.5, 1e-9);
    bench_off_all(bench, now_us);
    small_runs(bench, &small, &now_us, 2000000);
    assert_false(small.on);
    assert_true(bench_all_off(bench));
    bench_free(bench);
    dialect_free(dialect);
}

static void where_off_cannot_be_read_back_the_current_has_to_say_it(void **state)
{
    (void)state;
    for (int shorted = 0; shorted < 2; shorted++) {
        struct dialect *dialect = example_of_the_document("query = \"GO?\";");
        struct bench_setup setup = {.instruments_len = 1, .seats_len = 1, .mains = -1, .tolerate_silence_us = 1000000};
        struct small small = {.on = true, .milliamps = 1500, .shorted = shorted};
        struct error err = ERROR_INIT;
        struct outcome outcome = {.state = OUTCOME_STATES};
        struct finding finding = {.kind = FINDING_KINDS};
        int64_t now_us = 1000;
        setup.instruments[0] =
            (struct bench_setup_instrument){.name = "small1", .dialect = dialect, .max_volts = 30.0, .max_amps = 5.0};
        setup.seats[0] = (struct bench_setup_seat){.channel = 1, .selector = -1};
        struct bench *bench = bench_new(&setup, &err);
        assert_non_null(bench);
        bench_line_up(bench, 0, now_us);
        assert_false(bench_all_off(bench));
        small_runs(bench, &small, &now_us, 500000);
        bench_order(bench, &(struct order){.kind = ORDER_LOAD_OFF}, now_us);
        small_runs(bench, &small, &now_us, 3000000);
        assert_true(bench_next_outcome(bench, &outcome));
        assert_int_equal(outcome.state, OUTCOME_UNCONFIRMED);
        assert_false(small.on);
        assert_int_equal(bench_all_off(bench), !shorted);
        assert_int_equal(bench_next_finding(bench, &finding), shorted);
        assert_int_equal(finding.kind, shorted ? FINDING_INPUT_ON : FINDING_KINDS);
        bench_free(bench);
        dialect_free(dialect);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_dialect_that_comes_along_reads_and_is_named_for_its_file),
        cmocka_unit_test(a_dialect_says_what_its_instrument_cannot_do),
        cmocka_unit_test(each_broken_dialect_is_refused_with_file_line_and_what_was_expected),
        cmocka_unit_test(instruments_that_share_a_line_must_share_its_manners),
        cmocka_unit_test(the_documents_example_turns_a_small_load_on_and_off),
        cmocka_unit_test(where_off_cannot_be_read_back_the_current_has_to_say_it),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
