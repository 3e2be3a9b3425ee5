#include "client/verbs/verbs.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

static const struct verb verbs[] = {
    {"check", "SUPPLY", "check each contract of a supply against its label", TAKES_SOCKET | TAKES_PROFILE | TAKES_PORT, 1, 1, verb_check},
    {"characterise", "SUPPLY", "also capacity, how it lets go and comes back", TAKES_SOCKET | TAKES_PROFILE | TAKES_PORT, 1, 1, verb_characterise},
    {"start", "SUPPLY PROFILE", "start a profile; --detach leaves it to the daemon", TAKES_SOCKET | TAKES_PORT | TAKES_DETACH, 2, 2, verb_start},
    {"follow", "", "follow the run under way until it ends", TAKES_SOCKET, 0, 0, verb_follow},
    {"stop", "[WHY]", "load off, end the run", TAKES_SOCKET, 0, 1, verb_command},
    {"hold", "[WHY]", "load off, the run waits", TAKES_SOCKET, 0, 1, verb_command},
    {"resume", "[WHY]", "go on with a run on hold", TAKES_SOCKET, 0, 1, verb_command},
    {"note", "TEXT", "write a note into the record", TAKES_SOCKET, 1, 1, verb_command},
    {"answer", "TEXT", "answer what the run asks the operator", TAKES_SOCKET, 1, 1, verb_command},
    {"acknowledge", "[TEXT]", "say that somebody watches an attended run", TAKES_SOCKET, 0, 1, verb_command},
    {"runs", "", "list finished runs, newest first", TAKES_SOCKET | TAKES_DIR, 0, 0, verb_runs},
    {"judge", "RUN", "judge a record again (its id or its file)", TAKES_SOCKET | TAKES_DIR, 1, 1, verb_judge},
    {"export", "RUN", "print a record's readings as CSV", TAKES_SOCKET | TAKES_DIR, 1, 1, verb_export},
    {"bench", "", "show instruments and the table of ways off", TAKES_SOCKET, 0, 0, verb_bench},
    {"drill", "", "drill the ways off, with every input off", TAKES_SOCKET | TAKES_MAINS, 0, 0, verb_drill},
    {"probe", "KIND:ADDRESS", "find line settings and dialect of an instrument", TAKES_DIALECTS | TAKES_BAUD, 1, 1, verb_probe},
};
enum { VERBS = sizeof verbs / sizeof verbs[0] };

static const struct {
    unsigned bit; /* 0: every verb */
    struct argp_option option;
} options_known[] = {
    {0, {"json", 'j', 0, 0, "print one JSON document and nothing else", 0}},
    {TAKES_SOCKET, {"socket", 's', "PATH", 0, "the daemon's socket", 0}},
    {TAKES_PROFILE, {"profile", 'f', "FILE", 0, "another profile than the usual one", 0}},
    {TAKES_PORT, {"port", 'p', "NAME", 0, "only this port of the supply", 0}},
    {TAKES_PORT, {"contract", 'c', "VOLTS", 0, "only this contract; may be given several times", 0}},
    {TAKES_PORT, {"title", 't', "TEXT", 0, "a title for the record", 0}},
    {TAKES_DETACH, {"detach", 'd', 0, 0, "don't wait for the end", 0}},
    {TAKES_DIALECTS, {"dialects", 'D', "DIR", 0, "folder of dialect files", 0}},
    {TAKES_BAUD, {"baud", 'b', "BAUD", 0, "try only this speed", 0}},
    {TAKES_MAINS, {"mains", 'm', 0, 0, "drill the mains switch too", 0}},
    {TAKES_DIR, {"dir", 'r', "DIR", 0, "the daemon's folder, without asking it", 0}},
};
enum { OPTIONS = sizeof options_known / sizeof options_known[0] };

static error_t take(int key, char *value, struct argp_state *state)
{
    struct verb_options *o = state->input;
    switch (key) {
    case 'j': o->json = true; return 0;
    case 's': o->socket = value; return 0;
    case 'f': o->profile = value; return 0;
    case 'p': o->port = value; return 0;
    case 't': o->title = value; return 0;
    case 'd': o->detach = true; return 0;
    case 'D': o->dialects = value; return 0;
    case 'b': o->baud = atoi(value); return 0;
    case 'm': o->mains = true; return 0;
    case 'r': o->dir = value; return 0;
    case 'c':
        if (o->contracts_len == CONTRACT_WORDS_MAX)
            argp_error(state, "more than %d contracts", CONTRACT_WORDS_MAX);
        else
            o->contracts[o->contracts_len++] = value;
        return 0;
    case ARGP_KEY_ARG:
        if (o->words_len >= o->words_max)
            argp_error(state, "\"%s\" is one word too many", value);
        else
            o->words[o->words_len++] = value;
        return 0;
    case ARGP_KEY_END:
        if (o->words_len < o->words_min)
            argp_error(state, "something is missing");
        return 0;
    default: return ARGP_ERR_UNKNOWN;
    }
}

static int run_verb(const struct verb *verb, int argc, char **argv)
{
    struct argp_option options[OPTIONS + 1] = {0};
    struct verb_options filled = {.words_min = verb->words_min, .words_max = verb->words_max};
    char name[64];
    size_t count = 0;
    for (size_t i = 0; i < OPTIONS; i++)
        if (!options_known[i].bit || verb->takes & options_known[i].bit)
            options[count++] = options_known[i].option;
    const struct argp argp = {options, take, verb->words, verb->help, NULL, NULL, NULL};
    snprintf(name, sizeof name, "brunt %s", verb->name);
    argv[0] = name;
    argp_parse(&argp, argc, argv, 0, NULL, &filled);
    return verb->run(verb, &filled);
}

static void usage(FILE *to)
{
    fputs("Usage: brunt VERB [OPTION...] [...]\nTests power supplies on the loads of a bench; the daemon bruntd must run.\n\n", to);
    for (size_t i = 0; i < VERBS; i++)
        fprintf(to, "  %-12s %-15s %.*s\n", verbs[i].name, verbs[i].words, 49, verbs[i].help);
    fputs("\nbrunt VERB --help tells more. Exit status: 0 passed or done, 1 a verdict failed,\n2 wrong command line or file, 3 no daemon or refused, 4 instrument or bench\n"
          "failed, 5 stopped or tripped.\n",
          to);
}

int main(int argc, char **argv)
{
    argp_err_exit_status = EXIT_WRONG;
    argp_program_version = "brunt " BRUNT_VERSION;
    if (argc < 2 || strcmp(argv[1], "--help") == 0 || strcmp(argv[1], "help") == 0) {
        usage(argc < 2 ? stderr : stdout);
        return argc < 2 ? EXIT_WRONG : EXIT_PASSED;
    }
    if (strcmp(argv[1], "--version") == 0)
        return puts(argp_program_version) < 0 ? EXIT_WRONG : EXIT_PASSED;
    for (size_t i = 0; i < VERBS; i++)
        if (strcmp(argv[1], verbs[i].name) == 0)
            return run_verb(&verbs[i], argc - 1, argv + 1);
    fprintf(stderr, "brunt: there is no verb \"%s\"; brunt --help lists them\n", argv[1]);
    return EXIT_WRONG;
}
