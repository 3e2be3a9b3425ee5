/* Verbs that start a run or follow one. */
#include "client/verbs/verbs.h"

#include "daemon/base/text.h"
#include "daemon/base/units.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static json_t *tree_document(const char *path, struct error *err)
{
    struct tree *tree = tree_read_file(path, err);
    if (!tree)
        return NULL;
    json_t *json = tree_to_json(tree);
    tree_free(tree);
    if (!json)
        error_set(err, ERROR_MEMORY, "no memory");
    return json;
}

/* Refuses what is wrong with a file here already, with its file and line, before the daemon is asked. */
static int read_supply(const char *path, struct supply_plan *ret, struct error *err)
{
    struct tree *tree = tree_read_file(path, err);
    int answer = tree ? supply_plan_read(tree, ret, err) : -1;
    tree_free(tree);
    return answer;
}

static int read_profile(const char *path, struct error *err)
{
    struct profile_plan ignored;
    struct tree *tree = tree_read_file(path, err);
    int answer = tree ? profile_plan_read(tree, &ignored, err) : -1;
    tree_free(tree);
    return answer;
}

static int add_contract(json_t *list, const struct supply_port *port, const char *word, struct error *err)
{
    double volts;
    if (!text_to_double(word, &volts))
        return error_set(err, ERROR_USAGE, "--contract %.40s: expected volts, such as 9", word);
    for (size_t i = 0; i < port->contracts_len; i++)
        if (port->contracts[i].volts == volts) {
            json_array_append_new(list, json_pack("{s:s, s:f}", "port", port->name, "volts", volts));
            return 0;
        }
    return error_set(err, ERROR_USAGE, "port %s has no contract of %g V (supply file)", port->name, volts);
}

static int choose(const struct supply_plan *supply, const struct verb_options *o, json_t *list, struct error *err)
{
    bool found = false;
    for (size_t p = 0; p < supply->ports_len; p++) {
        const struct supply_port *port = &supply->ports[p];
        if (o->port ? strcmp(port->name, o->port) != 0 : p > 0)
            continue;
        found = true;
        for (size_t i = 0; i < o->contracts_len; i++)
            if (add_contract(list, port, o->contracts[i], err) < 0)
                return -1;
        for (size_t i = 0; !o->contracts_len && i < port->contracts_len; i++)
            json_array_append_new(list, json_pack("{s:s, s:f}", "port", port->name, "volts", port->contracts[i].volts));
    }
    return found ? 0 : error_set(err, ERROR_USAGE, "the supply has no port \"%.60s\" (supply file)", o->port);
}

static json_t *start_params(const struct verb_options *o, const char *supply_path, const char *profile_path, struct error *err)
{
    struct supply_plan *supply = calloc(1, sizeof *supply);
    json_t *list = json_array(), *supply_json = NULL, *profile_json = NULL, *params = NULL;
    if (supply && read_supply(supply_path, supply, err) == 0 && read_profile(profile_path, err) == 0 && choose(supply, o, list, err) == 0 &&
        (supply_json = tree_document(supply_path, err)) && (profile_json = tree_document(profile_path, err)))
        params = json_pack("{s:O, s:O, s:O, s:s}", "supply", supply_json, "profile", profile_json, "contracts", list, "title",
                           o->title ? o->title : supply->name);
    free(supply);
    json_decref(list);
    json_decref(supply_json);
    json_decref(profile_json);
    return params;
}

/* ---- following ---- */

struct follower {
    bool json, terminal, line_open;
    char last[120], latest[32]; /* latest: volts and amps */
    char *path;
    size_t path_size;
    int status;
    bool ended;
};

static void clear_line(struct follower *f)
{
    if (f->line_open)
        fputs("\r\033[K", stderr);
    f->line_open = false;
}

static const char *text_in(const json_t *json, const char *key)
{
    const char *text = json_string_value(json_object_get(json, key));
    return text ? text : "";
}

static double number_in(const json_t *json, const char *key)
{
    return json_number_value(json_object_get(json, key));
}

static void show_progress(struct follower *f, const json_t *p)
{
    char where[160] = "", togo[32];
    duration_clock(togo, sizeof togo, (int64_t)(number_in(p, "remaining_s") * 1e6));
    if (number_in(p, "volts") > 0.0)
        text_add(where, sizeof where, "%s %g V ", text_in(p, "port_name"), number_in(p, "volts"));
    text_add(where, sizeof where, "%.20s: %.30s", text_in(p, "stage_name"), text_in(p, "doing"));
    if (f->terminal) {
        fprintf(stderr, "\r\033[K%3.0f %%  %.40s  %s to go %s", number_in(p, "fraction") * 100.0, where, f->latest, togo);
        f->line_open = true;
    } else if (strcmp(where, f->last) != 0) {
        fprintf(stderr, "%3.0f %%  %s, to go %s\n", number_in(p, "fraction") * 100.0, where, togo);
    }
    if (json_is_true(json_object_get(p, "asking")) && strcmp(where, f->last) != 0) {
        clear_line(f);
        fprintf(stderr, "asks: %s\n      (answer with: brunt answer TEXT)\n", text_in(p, "question"));
    }
    text_cut(f->last, sizeof f->last, where);
}

static void show_finding(struct follower *f, const json_t *p)
{
    char sentence[SENTENCE_SIZE + 16] = "";
    text_add(sentence, sizeof sentence, "%s: %s", text_in(p, "severity"), text_in(p, "text"));
    clear_line(f);
    report_wrapped(stderr, sentence);
}

static void show_end(struct follower *f, const json_t *p)
{
    const char *end = text_in(p, "end"), *why = text_in(p, "why");
    clear_line(f);
    f->status = verb_status_of_end(end);
    if (!f->json)
        fprintf(stderr, "run %s%s%s\n", end, why[0] && strcmp(why, end) != 0 ? ": " : "", strcmp(why, end) == 0 ? "" : strncmp(why, end, strlen(end)) == 0 && why[strlen(end)] == ':' ? why + strlen(end) + 2 : why);
    text_copy(f->path, f->path_size, text_in(p, "path"));
    f->ended = true;
}

static void show_acknowledge(struct follower *f, const json_t *p)
{
    clear_line(f);
    fprintf(stderr, "This bench is attended: brunt acknowledge within %.0f s, or the load goes off\n", number_in(p, "due_s"));
}

static void take_reading(struct follower *f, const json_t *p)
{
    f->latest[0] = '\0';
    if (json_is_number(json_object_get(p, "volts")) && json_is_number(json_object_get(p, "amps")))
        text_add(f->latest, sizeof f->latest, "%.3f V %.3f A ", number_in(p, "volts"), fabs(number_in(p, "amps")));
}

static void show_mark(struct follower *f, const json_t *p)
{
    const char *kind = text_in(p, "kind");
    if (strcmp(kind, "note") != 0 && strcmp(kind, "hold") != 0 && strcmp(kind, "resume") != 0)
        return;
    clear_line(f);
    fprintf(stderr, "%s: %s\n", kind, text_in(p, "text"));
}

static void show(struct follower *f, const struct wire_message *m)
{
    if (!m->method)
        return;
    if (strcmp(m->method, "end") == 0)
        show_end(f, m->params);
    else if (!f->json && strcmp(m->method, "progress") == 0)
        show_progress(f, m->params);
    else if (!f->json && strcmp(m->method, "finding") == 0)
        show_finding(f, m->params);
    else if (!f->json && strcmp(m->method, "acknowledge") == 0)
        show_acknowledge(f, m->params);
    else if (!f->json && strcmp(m->method, "mark") == 0)
        show_mark(f, m->params);
    else if (f->terminal && strcmp(m->method, "reading") == 0)
        take_reading(f, m->params);
}

int verb_follow_run(struct wire_client *client, bool json, char *ret_path, size_t path_size)
{
    struct follower f = {.json = json, .terminal = isatty(STDERR_FILENO), .path = ret_path, .path_size = path_size, .status = EXIT_DAEMON};
    struct error err = ERROR_INIT;
    ret_path[0] = '\0';
    while (!f.ended) {
        struct wire_message message;
        int got = wire_next(client, -1, &message, &err);
        if (got < 0) {
            clear_line(&f);
            return verb_fail(&err);
        }
        if (got > 0) {
            show(&f, &message);
            wire_message_end(&message);
        }
    }
    return f.status;
}

static int judged(int run_status, const char *path, bool json)
{
    if (!path[0])
        return run_status;
    int verdict = verb_print_judged(path, json);
    if (!json)
        printf("\nRecord: %s\nLook further, with that file as RUN:\n  brunt judge RUN      this table again\n  brunt export RUN     all readings as CSV\n", path);
    return run_status != EXIT_PASSED ? run_status : verdict;
}

static int start_and_follow(const struct verb_options *o, const char *profile_path)
{
    struct error err = ERROR_INIT;
    char path[512] = "";
    json_t *params = start_params(o, o->words[0], profile_path, &err), *started = NULL;
    struct wire_client *client = params ? wire_connect(o->socket, &err) : NULL;
    if (!client) {
        json_decref(params);
        return verb_fail(&err);
    }
    if (!o->json)
        verb_cautions();
    json_t *followed = wire_call(client, "follow", NULL, 10000, &err);
    if (followed)
        started = wire_call(client, "start", params, 30000, &err);
    else
        json_decref(params);
    json_decref(followed);
    if (!started) {
        wire_disconnect(client);
        if (err.kind == ERROR_STORAGE)
            err.kind = ERROR_REFUSED; /* the daemon's disk, and no file of the command line */
        return verb_fail(&err);
    }
    if (o->detach && !o->json)
        printf("run %s started; brunt follow shows it, brunt stop ends it\n", text_in(started, "run"));
    else if (o->detach)
        verb_print_json(json_incref(started));
    json_decref(started);
    int status = o->detach ? EXIT_PASSED : verb_follow_run(client, o->json, path, sizeof path);
    wire_disconnect(client);
    return o->detach ? status : judged(status, path, o->json);
}

static int with_usual_profile(const struct verb_options *o, const char *name)
{
    char path[512];
    const char *folder = getenv("BRUNT_PROFILES");
    snprintf(path, sizeof path, "%s/%s", folder ? folder : BRUNT_PROFILES, name);
    return start_and_follow(o, o->profile ? o->profile : path);
}

int verb_check(const struct verb *verb, const struct verb_options *options)
{
    (void)verb;
    return with_usual_profile(options, "check.cfg");
}

int verb_characterise(const struct verb *verb, const struct verb_options *options)
{
    (void)verb;
    return with_usual_profile(options, "characterise.cfg");
}

int verb_start(const struct verb *verb, const struct verb_options *options)
{
    (void)verb;
    return start_and_follow(options, options->words[1]);
}

int verb_follow(const struct verb *verb, const struct verb_options *options)
{
    struct error err = ERROR_INIT;
    char path[512];
    (void)verb;
    struct wire_client *client = wire_connect(options->socket, &err);
    json_t *status = client ? wire_call(client, "status", NULL, 10000, &err) : NULL;
    json_t *followed = status ? wire_call(client, "follow", NULL, 10000, &err) : NULL;
    bool idle = status && !json_is_object(json_object_get(status, "run"));
    json_decref(status);
    json_decref(followed);
    if (!followed || idle) {
        wire_disconnect(client);
        if (followed)
            error_set(&err, ERROR_REFUSED, "no run is under way; brunt runs lists the finished ones");
        return verb_fail(&err);
    }
    int answer = verb_follow_run(client, options->json, path, sizeof path);
    wire_disconnect(client);
    return judged(answer, path, options->json);
}
