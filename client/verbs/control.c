/* Verbs that are one call to the daemon. */
#include "client/verbs/verbs.h"

#include <string.h>
#include <time.h>

static const char *text_in(const json_t *json, const char *key)
{
    const char *text = json_string_value(json_object_get(json, key));
    return text ? text : "";
}

/* Stop has done its work only when every input has been read back as off. 0: confirmed; else what is not. */
static bool wait_for_off(const struct verb_options *options, char *trouble, size_t size)
{
    enum { TRIES = 40, PAUSE_MS = 250 };
    for (int i = 0; i < TRIES; i++) {
        struct error err = ERROR_INIT;
        json_t *status = verb_call(options, "status", NULL, &err);
        bool off = json_is_true(json_object_get(status, "all_off"));
        snprintf(trouble, size, "%s", status ? text_in(status, "not_ready") : err.text);
        json_decref(status);
        if (off)
            return true;
        nanosleep(&(struct timespec){.tv_nsec = PAUSE_MS * 1000000L}, NULL);
    }
    return false;
}

static int tell_stopped(const struct verb_options *options, json_t *result)
{
    char trouble[SENTENCE_SIZE] = "", sentence[2 * SENTENCE_SIZE];
    bool off = wait_for_off(options, trouble, sizeof trouble);
    snprintf(sentence, sizeof sentence, "brunt: NOT confirmed off: go there and take the mains away from the supply%s%s", trouble[0] ? "; " : "", trouble);
    if (options->json) {
        json_object_set_new(result, "all_off", json_boolean(off));
        verb_print_json(result);
    } else {
        json_decref(result);
        if (off)
            puts("stop: every load says that its input is off");
    }
    if (!off)
        report_wrapped(stderr, sentence);
    return off ? EXIT_PASSED : EXIT_BENCH;
}

int verb_command(const struct verb *verb, const struct verb_options *options)
{
    struct error err = ERROR_INIT;
    json_t *params = options->words_len ? json_pack("{s:s}", "text", options->words[0]) : NULL;
    json_t *result = verb_call(options, verb->name, params, &err);
    if (!result)
        return verb_fail(&err);
    if (strcmp(verb->name, "stop") == 0)
        return tell_stopped(options, result);
    if (options->json) {
        verb_print_json(result);
        return EXIT_PASSED;
    }
    json_decref(result);
    printf("%s: done\n", verb->name);
    return EXIT_PASSED;
}


static void print_instrument(const json_t *i)
{
    size_t k;
    json_t *lack;
    printf("%-12s %-11s %s\n", text_in(i, "name"), text_in(i, "role"), text_in(i, "address"));
    printf("  %s%s%s\n", json_is_true(json_object_get(i, "identified")) ? "ready" : "not ready", text_in(i, "identity")[0] ? ", " : "",
           text_in(i, "identity"));
    if (text_in(i, "trouble")[0])
        printf("  trouble: %s\n", text_in(i, "trouble"));
    if (strcmp(text_in(i, "role"), "load") == 0)
        printf("  input %s\n", json_is_true(json_object_get(i, "input_on")) ? "ON" : json_is_false(json_object_get(i, "input_on")) ? "off" : "unknown");
    json_array_foreach(json_object_get(i, "lacks"), k, lack)
        printf("  lacks: %s\n", json_string_value(lack));
}

static void print_ways(const json_t *ways)
{
    size_t i, k;
    json_t *row, *way;
    printf("\nIf this fails ...                          ... the load is turned off by\n");
    json_array_foreach(json_object_get(ways, "ways_off"), i, row) {
        printf("%-42s ", text_in(row, "text")[0] ? text_in(row, "text") : text_in(row, "death"));
        json_array_foreach(json_object_get(row, "ways"), k, way)
            printf("%s%s", k ? ", " : "", text_in(way, "way"));
        puts(json_is_true(json_object_get(row, "none")) ? "NOTHING" : "");
    }
    printf("\nClass: %s%s%s\n", text_in(ways, "class"), text_in(ways, "why")[0] ? ", because " : " (every row has a way off, and the drill has shown them)", text_in(ways, "why"));
}

int verb_bench(const struct verb *verb, const struct verb_options *options)
{
    struct error err = ERROR_INIT;
    size_t i;
    json_t *instrument, *bench = verb_call(options, "bench", NULL, &err);
    (void)verb;
    if (!bench)
        return verb_fail(&err);
    if (options->json) {
        verb_print_json(bench);
        return EXIT_PASSED;
    }
    json_array_foreach(json_object_get(bench, "instruments"), i, instrument)
        print_instrument(instrument);
    print_ways(bench);
    if (text_in(bench, "not_ready")[0])
        printf("It is not ready: %s\n", text_in(bench, "not_ready"));
    json_decref(bench);
    return EXIT_PASSED;
}

int verb_drill(const struct verb *verb, const struct verb_options *options)
{
    struct error err = ERROR_INIT;
    size_t i;
    json_t *step, *drill = verb_call(options, "drill", json_pack("{s:b}", "mains", options->mains), &err);
    (void)verb;
    if (!drill)
        return verb_fail(&err);
    int status = json_is_true(json_object_get(drill, "passed")) ? EXIT_PASSED : EXIT_BENCH;
    if (options->json) {
        verb_print_json(drill);
        return status;
    }
    json_array_foreach(json_object_get(drill, "steps"), i, step)
        printf("%-5s  %-12s  %-40s %8.1f ms%s%s\n", json_is_true(json_object_get(step, "passed")) ? "works" : "FAILS", text_in(step, "way"),
               text_in(step, "what"), json_number_value(json_object_get(step, "took_ms")), text_in(step, "text")[0] ? "\n       " : "", text_in(step, "text"));
    json_decref(drill);
    return status;
}
