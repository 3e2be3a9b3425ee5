/* The probe: spoil bytes and queries, nothing else; the dialect that fits; why none does. */
#include "with_fake.h"

#include "daemon/base/units.h"

#include <stdio.h>
#include <string.h>

enum { ALL = 15 };
static const char *const names[ALL] = {
    "late-load",     "late-mains",     "late-meter",     "late-selector",     "late-thermometer",
    "standard-load", "standard-mains", "standard-meter", "standard-selector", "standard-thermometer",
    "terse-load",    "terse-mains",    "terse-meter",    "terse-selector",    "terse-thermometer"};

struct probed {
    struct fake fake;
    struct dialect *dialects[ALL];
    struct tree *trees[ALL];
    struct bench_probe_report report;
    int64_t took_us;
    bool babbles, garbles;
};

static void put(char *out, size_t *out_len, const char *text, const char *end)
{
    size_t len = strlen(text), end_len = strlen(end);
    memcpy(out + *out_len, text, len);
    memcpy(out + *out_len + len, end, end_len);
    *out_len += len + end_len;
}

static void hear(struct probed *at, const char *bytes, size_t len, char *out, size_t *out_len)
{
    for (size_t i = 0; i < len; i++) {
        char echo[400];
        memcpy(echo, at->fake.input, at->fake.input_len);
        echo[at->fake.input_len] = '\0';
        if (!fake_hear(&at->fake, bytes[i]))
            continue;
        if (at->fake.shape == FAKE_LATE && !at->fake.dead)
            put(out, out_len, echo, "\n");
        if (at->fake.answer[0])
            put(out, out_len, at->garbles ? "\xf0\x9f\x01" : at->fake.answer,
                at->fake.shape == FAKE_STANDARD ? "\n" : "\r\n");
    }
}

static void probe(struct probed *at)
{
    struct error err = ERROR_INIT;
    for (size_t i = 0; i < ALL; i++)
        at->dialects[i] = dialect_named(names[i], &at->trees[i]);
    struct bench_probe_machine *machine = bench_probe_new((const struct dialect *const *)at->dialects, ALL, 0, &err);
    char out[8192];
    size_t out_len = 0;
    int64_t now_us = 5000000, due_us = 0, began_us = now_us;
    assert_non_null(machine);
    for (int turns = 0; !bench_probe_done(machine, &at->report); turns++) {
        size_t len;
        const char *bytes = bench_probe_pending(machine, &len);
        assert_true(turns < 100000);
        if (len) {
            char copy[1024];
            memcpy(copy, bytes, len);
            bench_probe_sent(machine, len, now_us);
            hear(at, copy, len, out, &out_len);
            due_us = now_us + (at->fake.shape == FAKE_LATE ? 80000 : 2000);
        } else if (at->babbles) {
            bench_probe_bytes(machine, "zx", 2, now_us);
            now_us += 5000;
            bench_probe_tick(machine, now_us);
        } else if (out_len && due_us <= bench_probe_due_us(machine)) {
            now_us = due_us > now_us ? due_us : now_us;
            len = out_len;
            out_len = 0;
            bench_probe_bytes(machine, out, len, now_us);
        } else {
            int64_t due = bench_probe_due_us(machine);
            now_us = due > now_us ? due : now_us;
            bench_probe_tick(machine, now_us);
        }
    }
    at->took_us = now_us - began_us;
    bench_probe_free(machine);
}

static void forget(struct probed *at)
{
    for (size_t i = 0; i < ALL; i++) {
        dialect_free(at->dialects[i]);
        tree_free(at->trees[i]);
    }
}

/* A message that isn't a query would set or switch something. */
static void assert_only_queries(const struct probed *at)
{
    for (size_t i = 0; i < at->fake.log_len; i++)
        if (!strchr(at->fake.log[i], '?') || strchr(at->fake.log[i], ';'))
            fail_msg("the probe said \"%s\"", at->fake.log[i]);
}

static void the_fitting_dialect_is_found_and_nothing_is_set_or_switched(void **state)
{
    static const char *const want[] = {"standard-load", "terse-load", "late-load"};
    (void)state;
    for (int shape = 0; shape < 3; shape++) {
        struct probed at = {.took_us = 0};
        fake_start(&at.fake, (enum fake_shape)shape);
        at.fake.on[1] = true; /* somebody's test is running: it goes on */
        at.fake.amps[1] = 1.25;
        probe(&at);
        assert_only_queries(&at);
        assert_true(at.fake.on[1]);
        assert_float_equal(at.fake.amps[1], 1.25, 0);
        assert_int_equal(at.fake.ese, 0);
        assert_true(at.report.answered);
        assert_string_equal(at.report.identity, "BRUNT-SIM,load1,0,1");
        if (at.report.dialect < 0)
            fail_msg("no dialect for shape %d: %s", shape, at.report.trouble);
        assert_string_equal(names[at.report.dialect], want[shape]);
        assert_true(at.took_us < 30 * US_PER_S);
        forget(&at);
    }
}

static void half_a_message_of_a_dead_writer_is_not_completed_by_the_probe(void **state)
{
    struct probed at = {.took_us = 0};
    (void)state;
    fake_start(&at.fake, FAKE_STANDARD);
    strcpy(at.fake.input, "INP1 ON");
    at.fake.input_len = 7;
    probe(&at);
    assert_false(at.fake.on[1]);
    assert_only_queries(&at);
    forget(&at);
}

static void what_the_instrument_cannot_do_is_said(void **state)
{
    struct probed at = {.took_us = 0};
    (void)state;
    fake_start(&at.fake, FAKE_TERSE);
    probe(&at);
    assert_non_null(strstr(at.report.lacks, "nothing in the load turns it off if the PC dies"));
    forget(&at);
}

static void why_none_fits_is_said(void **state)
{
    static const struct {
        bool dead, babbles, garbles;
        const char *identity, *want;
    } rows[] = {
        {true, false, false, "BRUNT-SIM,load1,0,1", "no answer"},
        {false, true, false, "BRUNT-SIM,load1,0,1", "another speed"},
        {false, false, true, "BRUNT-SIM,load1,0,1", "another speed"},
        {false, false, false, "OTHER,thing,0,1", "no dialect knows"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct probed at = {.babbles = rows[i].babbles, .garbles = rows[i].garbles};
        fake_start(&at.fake, FAKE_STANDARD);
        at.fake.dead = rows[i].dead;
        at.fake.identity = rows[i].identity;
        probe(&at);
        assert_int_equal(at.report.dialect, -1);
        if (!strstr(at.report.trouble, rows[i].want))
            fail_msg("row %zu: %s", i, at.report.trouble);
        forget(&at);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_fitting_dialect_is_found_and_nothing_is_set_or_switched),
        cmocka_unit_test(half_a_message_of_a_dead_writer_is_not_completed_by_the_probe),
        cmocka_unit_test(what_the_instrument_cannot_do_is_said),
        cmocka_unit_test(why_none_fits_is_said),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
