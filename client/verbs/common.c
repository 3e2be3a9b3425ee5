#include "client/verbs/verbs.h"

#include "daemon/base/text.h"
#include "daemon/record/record.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

int verb_fail(const struct error *err)
{
    static const int status[ERROR_KINDS] = {
        [ERROR_NONE] = EXIT_WRONG,       [ERROR_USAGE] = EXIT_WRONG,     [ERROR_FILE] = EXIT_WRONG,   [ERROR_RATING] = EXIT_WRONG,
        [ERROR_RANGE] = EXIT_WRONG,      [ERROR_MEMORY] = EXIT_DAEMON,   [ERROR_SYSTEM] = EXIT_DAEMON, [ERROR_LINK] = EXIT_DAEMON,
        [ERROR_INSTRUMENT] = EXIT_BENCH, [ERROR_REFUSED] = EXIT_DAEMON,  [ERROR_BUSY] = EXIT_DAEMON,  [ERROR_STORAGE] = EXIT_WRONG,
        [ERROR_PROTOCOL] = EXIT_DAEMON};
    char sentence[sizeof err->text + 8] = "brunt: ";
    strcat(sentence, err->text);
    report_wrapped(stderr, sentence);
    return status[err->kind];
}

void verb_print_json(json_t *json)
{
    json_dumpf(json, stdout, JSON_INDENT(2) | JSON_REAL_PRECISION(12));
    putchar('\n');
    json_decref(json);
}

json_t *verb_call(const struct verb_options *options, const char *method, json_t *params, struct error *err)
{
    struct wire_client *client = wire_connect(options->socket, err);
    if (!client) {
        json_decref(params);
        return NULL;
    }
    json_t *result = wire_call(client, method, params, 30000, err);
    wire_disconnect(client);
    return result;
}

void verb_cautions(void)
{
    fputs("Caution: a supply under overload can get hot enough to burn skin and start a\n"
          "fire. Use a non-combustible surface, a working smoke detector and a thermal\n"
          "cut-off of the mains side. Nobody touches an open supply; discharge and measure\n"
          "before touching. Local codes and licensed practice come first. A verdict is a\n"
          "measurement, no safety certification.\n",
          stderr);
}

/* ---- judging a record ---- */

struct feed {
    struct judge *judge;
};

static int feed_mark(void *context, uint64_t seq, const struct mark *mark)
{
    (void)seq;
    judge_mark(((struct feed *)context)->judge, mark);
    return 0;
}

static int feed_finding(void *context, uint64_t seq, const struct finding *finding)
{
    (void)seq;
    judge_finding(((struct feed *)context)->judge, finding);
    return 0;
}

static int feed_outcome(void *context, uint64_t seq, const struct outcome *outcome)
{
    (void)seq;
    if (outcome->kind == ORDER_SELECT && outcome->state != OUTCOME_FAILED)
        judge_proof(((struct feed *)context)->judge, outcome->port, outcome->contract, outcome->proof);
    return 0;
}

static int feed_reading(void *context, uint64_t seq, const struct reading *reading)
{
    (void)seq;
    judge_reading(((struct feed *)context)->judge, reading);
    return 0;
}

static json_t *document_json(const struct record *record, const char *name, struct error *err)
{
    const char *text = record_document(record, name);
    json_t *json = text ? json_loads(text, JSON_REJECT_DUPLICATES, NULL) : NULL;
    if (!json)
        error_set(err, ERROR_STORAGE, "the record's document \"%s\" is missing or damaged", name);
    return json;
}

static int read_plan(const struct record *record, struct test_plan *ret, struct error *err)
{
    struct bench_plan bench;
    json_t *bench_json = document_json(record, "bench", err), *start = document_json(record, "start", err);
    struct tree *tree = bench_json && start ? tree_read_json(bench_json, err) : NULL;
    int answer = tree && bench_plan_read(tree, &bench, err) == 0 ? test_plan_from_json(start, &bench, ret, err) : -1;
    tree_free(tree);
    json_decref(bench_json);
    json_decref(start);
    return answer;
}

static struct judge *judge_record(struct record *record, struct error *err)
{
    struct test_plan *plan = calloc(1, sizeof *plan);
    struct feed feed = {NULL};
    if (plan && read_plan(record, plan, err) == 0)
        feed.judge = judge_new(plan, err);
    free(plan);
    if (!feed.judge)
        return NULL;
    if (record_marks(record, feed_mark, &feed, err) < 0 || record_findings(record, feed_finding, &feed, err) < 0 ||
        record_outcomes(record, feed_outcome, &feed, err) < 0 || record_readings(record, INT64_MIN, INT64_MAX, feed_reading, &feed, err) < 0) {
        judge_free(feed.judge);
        return NULL;
    }
    judge_end(feed.judge, record_meta(record, "end"));
    return feed.judge;
}

static int status_of(enum verdict verdict)
{
    return verdict == VERDICT_PASS || verdict == VERDICT_CONDITIONAL_PASS ? EXIT_PASSED : EXIT_VERDICT;
}

int verb_status_of_end(const char *end)
{
    static const struct {
        const char *end;
        int status;
    } ends[] = {{"done", EXIT_PASSED}, {"stopped", EXIT_STOPPED}, {"tripped", EXIT_STOPPED}};
    for (size_t i = 0; i < sizeof ends / sizeof ends[0]; i++)
        if (strcmp(ends[i].end, end) == 0)
            return ends[i].status;
    return EXIT_BENCH; /* fault, crashed */
}

int verb_print_judged(const char *path, bool json)
{
    struct error err = ERROR_INIT;
    struct record *record = record_open(path, &err);
    if (!record)
        return verb_fail(&err);
    struct judge *judge = judge_record(record, &err);
    if (!judge) {
        record_close(record);
        return verb_fail(&err);
    }
    struct report_head head = {.id = record_meta(record, "id"), .title = record_meta(record, "title"), .end = record_meta(record, "end"),
                               .why = record_meta(record, "why"), .path = path, .user = record_meta(record, "user"),
                               .software = record_meta(record, "software"), .wall_ms = atoll(record_meta(record, "wall_ms")),
                               .duration_s = (double)atoll(record_meta(record, "end_us")) * 1e-6};
    int status = status_of(judge_verdict(judge)), ended = verb_status_of_end(head.end);
    if (ended != EXIT_PASSED)
        status = ended;
    if (json)
        verb_print_json(report_json(judge, &head));
    else
        report_table(stdout, judge, &head);
    judge_free(judge);
    record_close(record);
    return status;
}
