/* Labelled traces, seeded: recall, wrong names, and "uncertain" where an answer was possible. Another seed: first argument. */
#include "with_traces.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

enum { TRACES_PER_KIND = 40 };
static uint64_t seed = 20260711;
static bool loud;

struct score { unsigned made, shown, right, wrong, uncertain, blind, blind_wrong; };

static void add(struct score *s, const struct trace *t, enum finding_kind got)
{
    bool uncertain = got == FINDING_UNCERTAIN && t->label != FINDING_UNCERTAIN;
    s->made++;
    if (!t->shows) {
        s->blind++;
        s->blind_wrong += got != t->label && !uncertain;
        return;
    }
    s->shown++;
    s->right += got == t->label;
    s->uncertain += uncertain;
    s->wrong += got != t->label && !uncertain;
}

static const char *name_of(enum finding_kind kind)
{
    return kind == FINDING_KINDS ? "nothing" : finding_kind_name(kind);
}

/* One whole sentence with a number and a reason in brackets. */
static void assert_sentence(const struct finding *f)
{
    size_t len = strlen(f->text);
    bool whole = len > 10 && strcmp(f->text + len - 3, "...") != 0 && strpbrk(f->text, "0123456789");
    if (!whole)
        fail_msg("no whole sentence: %s", f->text);
}

static struct score play(unsigned which, uint64_t *random, struct score by_label[FINDING_KINDS + 1])
{
    static struct trace trace;
    struct score score = {0};
    for (int i = 0; i < TRACES_PER_KIND; i++) {
        struct finding verdict;
        struct trace_shape shape;
        trace_make(&trace, which, random);
        size_t began = watch_replay(&trace.setup, trace.readings, trace.count, trace.orders, trace.orders_count, &verdict, &shape);
        assert_true(began != SIZE_MAX);
        add(&score, &trace, verdict.kind);
        add(&by_label[trace.label], &trace, verdict.kind);
        if (verdict.kind != FINDING_KINDS)
            assert_sentence(&verdict);
        if (loud && verdict.kind != trace.label)
            printf("  %s%s -> %s: %s\n", trace.note, trace.shows ? "" : " (can't show)", name_of(verdict.kind), verdict.text);
    }
    return score;
}

static void traces_get_their_names_where_the_data_can_show_them(void **state)
{
    (void)state;
    uint64_t random = seed;
    struct score by_label[FINDING_KINDS + 1] = {{0}};
    unsigned shown = 0, wrong = 0, uncertain = 0, failed = 0;
    printf("seed %llu\n%-40s %6s %6s %7s %6s %6s %6s\n", (unsigned long long)seed, "traces", "made", "shown", "right%", "wrong", "uncert", "blind");
    for (unsigned which = 0; which < TRACE_KINDS; which++) {
        struct score s = play(which, &random, by_label);
        double recall = s.shown ? 100.0 * s.right / s.shown : 100.0;
        printf("%-40s %6u %6u %7.1f %6u %6u %6u\n", trace_kind_text(which), s.made, s.shown, recall, s.wrong, s.uncertain, s.blind);
        shown += s.shown;
        wrong += s.wrong;
        uncertain += s.uncertain;
    }
    for (size_t label = 0; label <= FINDING_KINDS; label++)
        failed += by_label[label].shown && 100.0 * by_label[label].right < 95.0 * by_label[label].shown;
    printf("all: %u shown, %u wrong (%.2f %%), %u uncertain (%.2f %%)\n", shown, wrong, 100.0 * wrong / shown, uncertain, 100.0 * uncertain / shown);
    assert_int_equal(failed, 0);
    assert_true(100.0 * wrong <= 1.0 * shown);
    assert_true(100.0 * uncertain <= 10.0 * shown);
}

int main(int argc, char **argv)
{
    if (argc > 1)
        seed = strtoull(argv[1], NULL, 10);
    loud = argc > 2;
    const struct CMUnitTest tests[] = {cmocka_unit_test(traces_get_their_names_where_the_data_can_show_them)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
