/* The table of ways off, the ring between station and record, and sentences that never block. */
#include "daemon/serve/keep.h"
#include "daemon/serve/tell.h"
#include "daemon/serve/ways.h"

#include <fcntl.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

static const struct ways_facts full = {true, true, true, true, true, true, true, true};

static void a_full_bench_that_was_drilled_may_be_left_alone(void **state)
{
    char why[200];
    (void)state;
    assert_string_equal(ways_class(&full, why, sizeof why), "unattended");
    assert_string_equal(why, "");
    for (int death = 0; death < DEATHS; death++)
        assert_false(ways_none(&full, (enum death)death));
}

static void a_bench_with_nothing_says_so_for_each_death_it_can_not_survive(void **state)
{
    const struct ways_facts bare = {.has_load = true};
    char why[480];
    (void)state;
    for (int death = 0; death < DEATHS; death++)
        assert_int_equal(ways_none(&bare, (enum death)death), death != DEATH_CLIENT && death != DEATH_POWER_CYCLE);
    assert_string_equal(ways_class(&bare, why, sizeof why), "attended");
    assert_non_null(strstr(why, "daemon killed"));
    json_t *json = ways_to_json(&bare);
    json_t *rows = json_object_get(json, "ways_off");
    assert_int_equal(json_array_size(rows), DEATHS);
    assert_true(json_is_true(json_object_get(json_array_get(rows, DEATH_PC), "none")));
    json_decref(json);
}

static void taking_any_one_thing_away_is_never_made_good_by_the_rest_unsaid(void **state)
{
    struct ways_facts f = full;
    (void)state;
    f.drilled = false;
    assert_string_equal(ways_class(&f, NULL, 0), "attended");
    f = full;
    f.mains_drilled = false;
    assert_string_equal(ways_class(&f, NULL, 0), "attended");
    f = full;
    f.load_timeout = f.cutoff = false; /* nothing is left when the computer has no power */
    assert_true(ways_none(&f, DEATH_PC));
    assert_string_equal(ways_class(&f, NULL, 0), "attended");
    f = full;
    f.mains_other_line = false;
    assert_false(ways_has(&f, DEATH_LINK, WAY_MAINS)); /* pulled with the load's line */
    assert_true(ways_has(&full, DEATH_LINK, WAY_MAINS));
}

static void the_ring_gives_back_what_it_took_and_refuses_when_full(void **state)
{
    struct keep *keep = keep_new();
    struct station_keep table = keep_table(keep);
    struct keep_item item;
    (void)state;
    for (int round = 0; round < 3; round++) {
        for (int i = 0; i < KEEP_MAX; i++)
            assert_true(i % 2 ? table.reading(table.context, &(struct reading){.at_us = i}) : table.order(table.context, i, &(struct order){.port = i}));
        assert_false(table.finding(table.context, &(struct finding){0}));
        for (int i = 0; i < KEEP_MAX; i++) {
            assert_true(keep_next(keep, &item));
            assert_int_equal(item.kind, i % 2 ? KEEP_READING : KEEP_ORDER);
            assert_int_equal(i % 2 ? item.is.reading.at_us : item.at_us, i);
        }
        assert_false(keep_next(keep, &item));
    }
    keep_free(keep);
}

static void a_reader_that_sleeps_never_holds_us_up_and_hears_what_it_missed(void **state)
{
    int ends[2];
    char bytes[4096];
    ssize_t n, total = 0;
    (void)state;
    assert_int_equal(pipe(ends), 0);
    struct tell *out = tell_new(ends[1]);
    for (int i = 0; i < 5000; i++) /* more than any pipe holds; if this blocks, the test never ends */
        tell(out, TELL_WARNING, "line %d of a very talkative hour, with\na line end in it", i);
    fcntl(ends[0], F_SETFL, O_NONBLOCK);
    while ((n = read(ends[0], bytes, sizeof bytes)) > 0)
        total += n;
    assert_true(total > 4096);
    tell(out, TELL_ERROR, "after");
    n = read(ends[0], bytes, sizeof bytes - 1);
    assert_true(n > 0);
    bytes[n] = '\0';
    assert_memory_equal(bytes, "<3>bruntd: (", 12);
    assert_non_null(strstr(bytes, "were lost) after\n"));
    assert_false(fcntl(ends[1], F_GETFL) & O_NONBLOCK); /* the shell's own descriptor stays as it was */
    tell_free(out);
    close(ends[0]);
    close(ends[1]);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_full_bench_that_was_drilled_may_be_left_alone),
        cmocka_unit_test(a_bench_with_nothing_says_so_for_each_death_it_can_not_survive),
        cmocka_unit_test(taking_any_one_thing_away_is_never_made_good_by_the_rest_unsaid),
        cmocka_unit_test(the_ring_gives_back_what_it_took_and_refuses_when_full),
        cmocka_unit_test(a_reader_that_sleeps_never_holds_us_up_and_hears_what_it_missed),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
