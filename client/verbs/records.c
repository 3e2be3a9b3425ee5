/* Verbs that read finished records. */
#include "client/verbs/verbs.h"

#include "daemon/record/record.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

static int folder_of(const struct verb_options *options, char *ret, size_t size, struct error *err)
{
    if (options->dir) {
        snprintf(ret, size, "%s", options->dir);
        return 0;
    }
    json_t *status = verb_call(options, "status", NULL, err);
    const char *dir = json_string_value(json_object_get(status, "dir"));
    if (status)
        snprintf(ret, size, "%s", dir ? dir : ".");
    json_decref(status);
    return status ? 0 : -1;
}

int verb_find_record(const struct verb_options *options, const char *word, char *ret, size_t size, struct error *err)
{
    char dir[400];
    if (strchr(word, '/') || access(word, R_OK) == 0) {
        snprintf(ret, size, "%s", word);
        return 0;
    }
    if (folder_of(options, dir, sizeof dir, err) < 0)
        return -1;
    snprintf(ret, size, "%s/records/%s.brunt", dir, word);
    return access(ret, R_OK) == 0 ? 0 : error_set(err, ERROR_USAGE, "there is no finished run %.40s in %s/records; brunt runs lists them", word, dir);
}

static json_t *entry_json(const struct record_entry *e)
{
    return json_pack("{s:s, s:I, s:s, s:s, s:s, s:f, s:I, s:s}", "id", e->id, "wall_ms", (json_int_t)e->wall_ms, "supply", e->supply, "profile",
                     e->profile, "end", e->end, "duration_s", e->duration_s, "readings", (json_int_t)e->readings, "path", e->path);
}

static void print_entry(const struct record_entry *e)
{
    char when[32];
    time_t second = (time_t)(e->wall_ms / 1000);
    struct tm local;
    localtime_r(&second, &local);
    strftime(when, sizeof when, "%Y-%m-%d %H:%M", &local);
    printf("%-20s %s %-8s %6.0f s %7ld  %.20s, %.14s\n", e->id, when, e->end, e->duration_s, e->readings, e->supply, e->profile);
}

int verb_runs(const struct verb *verb, const struct verb_options *options)
{
    struct error err = ERROR_INIT;
    struct record_entry *entries = NULL;
    char dir[400];
    long count = folder_of(options, dir, sizeof dir, &err) < 0 ? -1 : record_list(dir, &entries, &err);
    (void)verb;
    if (count < 0)
        return verb_fail(&err);
    json_t *list = options->json ? json_array() : NULL;
    for (long i = 0; i < count; i++)
        if (list)
            json_array_append_new(list, entry_json(&entries[i]));
        else
            print_entry(&entries[i]);
    if (list)
        verb_print_json(list);
    else if (count == 0)
        puts("no finished runs yet");
    free(entries);
    return EXIT_PASSED;
}

int verb_judge(const struct verb *verb, const struct verb_options *options)
{
    struct error err = ERROR_INIT;
    char path[512];
    (void)verb;
    if (verb_find_record(options, options->words[0], path, sizeof path, &err) < 0)
        return verb_fail(&err);
    return verb_print_judged(path, options->json);
}

/* ---- export ---- */

static void csv_number(double value)
{
    if (isfinite(value))
        printf(",%.9g", value);
    else
        putchar(',');
}

static int csv_row(void *context, uint64_t seq, const struct reading *r)
{
    (void)context;
    printf("%llu,%.6f,%d,%d,%s,%d,%u", (unsigned long long)seq, (double)r->at_us * 1e-6, r->port, r->contract, load_mode_name(r->mode), r->input_on, r->quality);
    csv_number(r->set_point);
    csv_number(r->volts);
    csv_number(r->amps);
    csv_number(r->load_volts);
    for (int i = 0; i < PROBES_MAX; i++)
        csv_number(r->celsius[i]);
    putchar('\n');
    return ferror(stdout);
}

static int json_row(void *context, uint64_t seq, const struct reading *r)
{
    return json_array_append_new(context, wire_reading(r, seq));
}

int verb_export(const struct verb *verb, const struct verb_options *options)
{
    struct error err = ERROR_INIT;
    char path[512];
    (void)verb;
    struct record *record = verb_find_record(options, options->words[0], path, sizeof path, &err) < 0 ? NULL : record_open(path, &err);
    if (!record)
        return verb_fail(&err);
    json_t *list = options->json ? json_array() : NULL;
    if (!list) {
        printf("seq,time_s,port,contract,mode,input_on,quality,set_point,volts_V,amps_A,load_volts_V");
        for (int i = 0; i < PROBES_MAX; i++)
            printf(",probe%d_celsius", i);
        putchar('\n');
    }
    long rows = record_readings(record, INT64_MIN, INT64_MAX, list ? json_row : csv_row, list, &err);
    record_close(record);
    if (list)
        verb_print_json(list);
    return rows < 0 ? verb_fail(&err) : EXIT_PASSED;
}
