/* Terms travel as JSON and come back the same. */
#include "daemon/wire/wire.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static bool same(double a, double b)
{
    return (isnan(a) && isnan(b)) || a == b;
}

static struct reading sample_reading(void)
{
    struct reading r = {.at_us = 1234567890123, .asked_us = 1234567880000, .port = 1, .volts = 19.98125, .amps = NAN, .load_volts = 19.9,
                        .mode = LOAD_RESISTANCE, .set_point = 6.2, .input_on = true, .contract = 4, .quality = QUALITY_NAN | QUALITY_RESYNC};
    for (size_t i = 0; i < PROBES_MAX; i++)
        r.celsius[i] = i == 2 ? 41.5 : NAN;
    return r;
}

/* Through text and back, as over the socket. */
static json_t *travelled(json_t *json)
{
    char *text = json_dumps(json, 0);
    json_t *back = json_loads(text, 0, NULL);
    free(text);
    json_decref(json);
    assert_non_null(back);
    return back;
}

static void a_reading_comes_back_as_it_went(void **state)
{
    struct reading before = sample_reading(), after;
    struct error err = ERROR_INIT;
    uint64_t seq = 0;
    (void)state;
    json_t *json = travelled(wire_reading(&before, 77));
    assert_int_equal(wire_to_reading(json, &after, &seq, &err), 0);
    assert_int_equal(seq, 77);
    assert_int_equal(after.at_us, before.at_us);
    assert_int_equal(after.asked_us, before.asked_us);
    assert_true(after.port == 1 && after.contract == 4 && after.input_on && after.mode == LOAD_RESISTANCE);
    assert_true(same(after.volts, before.volts) && isnan(after.amps) && same(after.set_point, before.set_point));
    assert_int_equal(after.quality, before.quality);
    for (size_t i = 0; i < PROBES_MAX; i++)
        assert_true(same(after.celsius[i], before.celsius[i]));
    json_decref(json);
}

static void probes_that_are_not_fitted_cost_no_bytes(void **state)
{
    struct reading r = sample_reading();
    (void)state;
    json_t *json = wire_reading(&r, 1);
    assert_int_equal(json_array_size(json_object_get(json, "celsius")), 3);
    assert_true(json_is_null(json_object_get(json, "amps")));
    json_decref(json);
}

static void each_finding_and_each_mark_comes_back_as_it_went(void **state)
{
    struct error err = ERROR_INIT;
    (void)state;
    for (int kind = 0; kind < FINDING_KINDS; kind++) {
        struct finding before = {.at_us = 5, .since_us = 3, .kind = (enum finding_kind)kind, .severity = SEVERITY_TRIP, .port = -1, .contract = 2,
                                 .volts = 1.5, .amps = NAN, .limit = 24, .period_s = NAN, .duty = 0.25, .over = true, .text = "24 V crossed"}, after;
        json_t *json = travelled(wire_finding(&before, 9));
        assert_int_equal(wire_to_finding(json, &after, NULL, &err), 0);
        assert_true(after.kind == before.kind && after.severity == SEVERITY_TRIP && after.port == -1 && after.over);
        assert_true(same(after.limit, 24) && isnan(after.period_s) && same(after.duty, 0.25));
        assert_string_equal(after.text, before.text);
        json_decref(json);
    }
    for (int kind = 0; kind < MARK_KINDS; kind++) {
        struct mark before = {.at_us = 9, .from_us = 4, .kind = (enum mark_kind)kind, .stage = 3, .port = 1, .contract = -1, .mode = LOAD_VOLTAGE,
                              .set_point = NAN, .number = 3.3, .held = true, .text = "hold"}, after;
        json_t *json = travelled(wire_mark(&before, 9));
        assert_int_equal(wire_to_mark(json, &after, NULL, &err), 0);
        assert_true(after.kind == before.kind && after.stage == 3 && after.contract == -1 && after.held && isnan(after.set_point));
        assert_string_equal(after.text, "hold");
        json_decref(json);
    }
}

static void a_sentence_cut_within_a_letter_still_travels(void **state)
{
    struct finding finding = {.text = "111 \xc2\xb0" "C on the \xc2"};
    (void)state;
    json_t *json = wire_finding(&finding, 1);
    assert_non_null(json);
    assert_string_equal(json_string_value(json_object_get(json, "text")), "111 ??C on the ?");
    json_decref(json);
}

/* Each field in turn is taken away, then made a thing of the wrong kind. */
static void a_missing_or_wrong_field_is_named_and_nothing_is_half_taken(void **state)
{
    struct reading r = sample_reading(), untouched;
    (void)state;
    json_t *whole = wire_reading(&r, 1);
    const char *key;
    json_t *value;
    memset(&untouched, 0x5a, sizeof untouched);
    struct reading ret = untouched;
    json_object_foreach(whole, key, value) {
        for (int wrong = strcmp(key, "seq") == 0; wrong < 2; wrong++) {
            struct error err = ERROR_INIT;
            json_t *broken = json_copy(whole);
            if (wrong)
                json_object_set_new(broken, key, json_object());
            else
                json_object_del(broken, key);
            assert_int_equal(wire_to_reading(broken, &ret, NULL, &err), -1);
            assert_int_equal(err.kind, ERROR_PROTOCOL);
            assert_non_null(strstr(err.text, key));
            assert_memory_equal(&ret, &untouched, sizeof ret);
            json_decref(broken);
        }
    }
    json_decref(whole);
}

static void an_unknown_word_or_an_integer_out_of_range_is_refused(void **state)
{
    struct reading r = sample_reading(), ret;
    struct error err = ERROR_INIT;
    (void)state;
    json_t *json = wire_reading(&r, 1);
    json_object_set_new(json, "mode", json_string("gravity"));
    assert_int_equal(wire_to_reading(json, &ret, NULL, &err), -1);
    json_object_set_new(json, "mode", json_string("current"));
    json_object_set_new(json, "port", json_integer(5000000000));
    assert_int_equal(wire_to_reading(json, &ret, NULL, &err), -1);
    json_object_set_new(json, "port", json_integer(0));
    assert_int_equal(wire_to_reading(json, &ret, NULL, &err), 0);
    json_decref(json);
}

static void orders_and_outcomes_say_their_words(void **state)
{
    struct order order = {.kind = ORDER_FINISH, .end = RUN_TRIPPED, .value = NAN};
    struct outcome outcome = {.kind = ORDER_SELECT, .state = OUTCOME_DONE, .proof = PROOF_VOLTAGE_ONLY, .value = 9.01};
    (void)state;
    json_t *json = wire_order(&order, 42, 7);
    assert_string_equal(json_string_value(json_object_get(json, "kind")), "finish");
    assert_string_equal(json_string_value(json_object_get(json, "end")), "tripped");
    assert_int_equal(json_integer_value(json_object_get(json, "at_us")), 42);
    json_decref(json);
    json = wire_outcome(&outcome, 8);
    assert_string_equal(json_string_value(json_object_get(json, "proof")), "voltage only");
    json_decref(json);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_reading_comes_back_as_it_went),
        cmocka_unit_test(probes_that_are_not_fitted_cost_no_bytes),
        cmocka_unit_test(each_finding_and_each_mark_comes_back_as_it_went),
        cmocka_unit_test(a_sentence_cut_within_a_letter_still_travels),
        cmocka_unit_test(a_missing_or_wrong_field_is_named_and_nothing_is_half_taken),
        cmocka_unit_test(an_unknown_word_or_an_integer_out_of_range_is_refused),
        cmocka_unit_test(orders_and_outcomes_say_their_words),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
