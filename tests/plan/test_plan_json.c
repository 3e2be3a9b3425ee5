/* The start of a run as the daemon gets it: params with two trees, a seating, a choice of contracts. */
#include "with_files.h"

#include <jansson.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>
#include <stdio.h>
#include <string.h>

static struct bench_plan bench;
static struct test_plan plan;

static json_t *tree_document(const struct files *files, enum file_kind kind)
{
    struct error err = ERROR_INIT;
    struct tree *tree = tree_read_text(file_names[kind], files->text[kind], &err);
    assert_non_null(tree);
    json_t *document = tree_to_json(tree);
    tree_free(tree);
    assert_non_null(document);
    return document;
}

/* more: JSON members beside supply and profile, or "". */
static json_t *params_with(const char *more)
{
    struct files files;
    struct error err = ERROR_INIT;
    char text[500];
    files_good(&files);
    struct tree *tree = tree_read_text("bench.cfg", files.text[FILE_BENCH], &err);
    assert_int_equal(bench_plan_read(tree, &bench, &err), 0);
    tree_free(tree);
    snprintf(text, sizeof text, "{%s}", more);
    json_t *params = json_loads(text, 0, NULL);
    assert_non_null(params);
    json_object_set_new(params, "supply", tree_document(&files, FILE_SUPPLY));
    json_object_set_new(params, "profile", tree_document(&files, FILE_PROFILE));
    return params;
}

static int read_with(const char *more, struct error *err)
{
    json_t *params = params_with(more);
    int result = test_plan_from_json(params, &bench, &plan, err);
    json_decref(params);
    return result;
}

static size_t chosen(void)
{
    size_t count = 0;
    for (int port = 0; port < PORTS_MAX; port++)
        for (int i = 0; i < CONTRACTS_MAX; i++)
            count += plan.contract_chosen[port][i];
    return count;
}

static void good_files_give_the_same_plan_by_either_way(void **state)
{
    static struct test_plan here, there;
    struct files files;
    struct error err = ERROR_INIT;
    (void)state;
    files_good(&files);
    assert_int_equal(files_read(&files, &here, &err), 0);
    assert_int_equal(files_read_json(&files, true, &there, &err), 0);
    assert_memory_equal(&here, &there, sizeof here);
}

static void without_a_choice_ports_sit_in_order_and_all_their_contracts_are_tested(void **state)
{
    struct error err = ERROR_INIT;
    (void)state;
    assert_int_equal(read_with("", &err), 0);
    assert_int_equal(plan.port_of_seat[0], 0);
    assert_int_equal(plan.port_of_seat[1], -1);
    assert_int_equal(chosen(), 3);
    assert_int_equal(plan.seed, 1);
}

static void seats_contracts_and_seed_are_taken_from_the_params(void **state)
{
    struct error err = ERROR_INIT;
    (void)state;
    assert_int_equal(read_with("\"seats\": {\"A\": \"C2\"}, \"seed\": 77", &err), 0);
    assert_int_equal(plan.port_of_seat[0], 1);
    assert_int_equal(chosen(), 1);
    assert_true(plan.contract_chosen[1][0] && plan.seed == 77);
    assert_int_equal(read_with("\"contracts\": [{\"port\": \"C1\", \"volts\": 9}, {\"port\": \"C1\", \"volts\": 20.0, \"amps\": 3.25}]", &err), 0);
    assert_int_equal(chosen(), 2);
    assert_true(plan.contract_chosen[0][1] && plan.contract_chosen[0][2]);
    assert_int_equal(read_with("\"note\": \"for somebody else\"", &err), 0);
}

static void malformed_params_are_refused_and_leave_the_plan_alone(void **state)
{
    static const struct {
        const char *more;
        enum error_kind kind;
        const char *sentence;
    } rows[] = {
        {"\"seats\": [\"A\"]", ERROR_PROTOCOL, "seats is no object"},
        {"\"seats\": {\"B\": \"C1\"}", ERROR_FILE, "bench.cfg:0: no seat \"B\""},
        {"\"seats\": {\"A\": \"C9\"}", ERROR_FILE, "no port \"C9\" for seat \"A\""},
        {"\"seats\": {\"A\": 1}", ERROR_FILE, "no port \"?\" for seat \"A\""},
        {"\"seats\": {}", ERROR_FILE, "no contract is chosen"},
        {"\"contracts\": {}", ERROR_PROTOCOL, "contracts is no array"},
        {"\"contracts\": []", ERROR_FILE, "no contract is chosen"},
        {"\"contracts\": [5]", ERROR_PROTOCOL, "contracts has a member that is not understood"},
        {"\"contracts\": [{\"port\": \"C1\", \"volts\": \"9 V\"}]", ERROR_PROTOCOL, "contracts has a member that is not understood"},
        {"\"contracts\": [{\"port\": \"C1\", \"volts\": 12.0}]", ERROR_FILE, "supply.cfg:5: no contract of 12.000 V on port \"C1\""},
        {"\"contracts\": [{\"port\": \"C1\", \"volts\": 9.0, \"amps\": 2.0}]", ERROR_FILE, "no contract of 9.000 V"},
        {"\"contracts\": [{\"port\": \"C2\", \"volts\": 5.0}]", ERROR_FILE, "port \"C2\" is to be tested and sits in no seat"},
        {"\"contracts\": [{\"port\": \"X\", \"volts\": 5.0}]", ERROR_FILE, "no port \"X\""},
        {"\"seed\": -1", ERROR_PROTOCOL, "seed is no integer"},
        {"\"seed\": 1.5", ERROR_PROTOCOL, "seed is no integer"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct error err = ERROR_INIT;
        memset(&plan, 0x5a, sizeof plan);
        assert_int_equal(read_with(rows[i].more, &err), -1);
        if (err.kind != rows[i].kind || !strstr(err.text, rows[i].sentence))
            fail_msg("%s: %s (%s)", rows[i].more, err.text, error_kind_name(err.kind));
        for (size_t byte = 0; byte < sizeof plan; byte++)
            assert_int_equal(((const unsigned char *)&plan)[byte], 0x5a);
    }
}

static void params_without_their_trees_are_refused(void **state)
{
    struct error err = ERROR_INIT;
    (void)state;
    assert_int_equal(test_plan_from_json(NULL, &bench, &plan, &err), -1);
    assert_int_equal(err.kind, ERROR_PROTOCOL);
    json_t *params = params_with("");
    json_object_del(params, "profile");
    assert_int_equal(test_plan_from_json(params, &bench, &plan, &err), -1);
    assert_non_null(strstr(err.text, "params lack profile"));
    json_object_del(params, "supply");
    assert_int_equal(test_plan_from_json(params, &bench, &plan, &err), -1);
    assert_non_null(strstr(err.text, "params lack supply"));
    json_object_set_new(params, "supply", json_string("supply.cfg"));
    assert_int_equal(test_plan_from_json(params, &bench, &plan, &err), -1);
    assert_int_equal(err.kind, ERROR_FILE);
    json_decref(params);
}

static void a_number_changed_on_the_way_is_checked_again_at_the_far_end(void **state)
{
    struct error err = ERROR_INIT;
    json_t *params = params_with("");
    json_t *supply = json_object_get(json_object_get(json_object_get(params, "supply"), "settings"), "supply");
    json_t *contract = json_array_get(json_object_get(json_array_get(json_object_get(supply, "ports"), 0), "contracts"), 1);
    (void)state;
    json_object_set_new(contract, "amps", json_real(5.5));
    assert_int_equal(test_plan_from_json(params, &bench, &plan, &err), -1);
    assert_int_equal(err.kind, ERROR_RATING);
    assert_non_null(strstr(err.text, "rated 5.500 A, supply.cfg line 7"));
    json_object_set_new(contract, "amps", json_integer(5000000000LL));
    assert_int_equal(test_plan_from_json(params, &bench, &plan, &err), -1);
    assert_non_null(strstr(err.text, "supply.cfg:7: supply.ports[0].contracts[1].amps is 5000000000, expected an integer from"));
    json_decref(params);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(good_files_give_the_same_plan_by_either_way),
        cmocka_unit_test(without_a_choice_ports_sit_in_order_and_all_their_contracts_are_tested),
        cmocka_unit_test(seats_contracts_and_seed_are_taken_from_the_params),
        cmocka_unit_test(malformed_params_are_refused_and_leave_the_plan_alone),
        cmocka_unit_test(params_without_their_trees_are_refused),
        cmocka_unit_test(a_number_changed_on_the_way_is_checked_again_at_the_far_end),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
