/* One file per family of verbs; main.c has the table. A verb gets its own arguments (argv[0] is the verb) and answers with an exit status. */
#ifndef BRUNT_CLIENT_VERBS_VERBS_H
#define BRUNT_CLIENT_VERBS_VERBS_H

#include "client/report/report.h"
#include "daemon/wire/wire.h"

#include <argp.h>

enum exit_status { /* docs/client.md; scripts rely on it */
    EXIT_PASSED = 0,
    EXIT_VERDICT = 1,    /* a verdict failed or a regression was found */
    EXIT_WRONG = 2,      /* the command line or a file is wrong */
    EXIT_DAEMON = 3,     /* the daemon can't be reached or refused */
    EXIT_BENCH = 4,      /* an instrument or the bench failed */
    EXIT_STOPPED = 5     /* the run was stopped or tripped */
};

enum { WORDS_MAX = 8, CONTRACT_WORDS_MAX = 16 };

struct verb_options { /* what the verbs' options fill in; each verb declares which it takes */
    const char *socket, *profile, *port, *title, *dialects, *dir, *from;
    const char *contracts[CONTRACT_WORDS_MAX];
    size_t contracts_len;
    const char *words[WORDS_MAX];
    size_t words_len, words_min, words_max;
    bool json, detach, mains, all, yes;
    int baud;
};

enum verb_option { /* bits */
    TAKES_SOCKET = 1, TAKES_PROFILE = 2, TAKES_PORT = 4, TAKES_DETACH = 8, TAKES_DIALECTS = 16, TAKES_BAUD = 32, TAKES_MAINS = 64, TAKES_DIR = 128
};

struct verb {
    const char *name, *words, *help; /* words: of the command line, for --help */
    unsigned takes;
    size_t words_min, words_max;
    int (*run)(const struct verb *verb, const struct verb_options *options);
};

int verb_check(const struct verb *verb, const struct verb_options *options);
int verb_characterise(const struct verb *verb, const struct verb_options *options);
int verb_start(const struct verb *verb, const struct verb_options *options);
int verb_follow(const struct verb *verb, const struct verb_options *options);
int verb_command(const struct verb *verb, const struct verb_options *options); /* stop hold resume note answer acknowledge */
int verb_runs(const struct verb *verb, const struct verb_options *options);
int verb_judge(const struct verb *verb, const struct verb_options *options);
int verb_export(const struct verb *verb, const struct verb_options *options);
int verb_bench(const struct verb *verb, const struct verb_options *options);
int verb_drill(const struct verb *verb, const struct verb_options *options);
int verb_probe(const struct verb *verb, const struct verb_options *options);

/* ---- shared ---- */

/* Prints the sentence on standard error and gives the exit status of its kind. */
int verb_fail(const struct error *err);
/* Prints one JSON document on standard output; takes it. */
void verb_print_json(json_t *json);
/* Connects, calls, disconnects. NULL: *err. */
json_t *verb_call(const struct verb_options *options, const char *method, json_t *params, struct error *err);
/* Reads a record, judges it and prints table or JSON. Answers the exit status. */
int verb_print_judged(const char *path, bool json);
int verb_status_of_end(const char *end); /* the record's or the notice's "end" */
/* The record of that id or path, through the daemon's folder if it is only an id. */
int verb_find_record(const struct verb_options *options, const char *word, char *ret, size_t size, struct error *err);
/* Follows the run under way until its end; prints progress unless json. *ret_path: the finished record. Answers an exit status that speaks of the run only. */
int verb_follow_run(struct wire_client *client, bool json, char *ret_path, size_t path_size);
void verb_cautions(void); /* on standard error */

#endif
