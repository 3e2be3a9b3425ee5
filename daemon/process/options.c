/* The command line of bruntd. */
#include "daemon/process/process.h"

#include "daemon/base/text.h"

#include <argp.h>
#include <errno.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

const char *argp_program_version = "bruntd " BRUNT_VERSION;

static const struct argp_option option_rows[] = {
    {"dir", 'd', "DIR", 0, "records, lock and armed file (default: $XDG_STATE_HOME/brunt, ~/.local/state/brunt; root: /var/lib/brunt)", 0},
    {"bench", 'b', "FILE", 0, "bench file (default: bench.cfg in the folder of --dir)", 0},
    {"dialects", 'D', "DIR", 0, "folder of dialect files (default: the installed ones)", 0},
    {"socket", 's', "PATH", 0, "where clients connect (default: DIR/socket with --dir, else $XDG_RUNTIME_DIR/brunt/socket; root: /run/brunt/socket)", 0},
    {"guard", 'g', "PATH", 0, "the guard's program, or \"none\": then every run is attended (default: brunt-guard beside bruntd)", 0},
    {"off", 'o', 0, 0, "end the daemon of DIR, turn off what stands armed there, and exit", 0},
    {"check", 'c', 0, 0, "read bench file and dialects, say what is wrong, and exit", 0},
    {0},
};

static int set_path(char *to, const char *from, struct argp_state *state)
{
    if (!text_copy(to, PATH_SIZE, from))
        argp_error(state, "the path is too long: %.80s", from);
    return 0;
}

static error_t on_option(int key, char *arg, struct argp_state *state)
{
    struct options *o = state->input;
    switch (key) {
    case 'd':
        o->dir_given = true;
        return set_path(o->dir, arg, state);
    case 'b':
        return set_path(o->bench, arg, state);
    case 'D':
        return set_path(o->dialects, arg, state);
    case 's':
        return set_path(o->socket, arg, state);
    case 'g':
        o->no_guard = strcmp(arg, "none") == 0;
        return set_path(o->guard, arg, state);
    case 'o':
        o->off = true;
        return 0;
    case 'c':
        o->check = true;
        return 0;
    case ARGP_KEY_ARG:
        argp_error(state, "unexpected argument: %s", arg);
        return 0;
    default:
        return ARGP_ERR_UNKNOWN;
    }
}

/* The armed file and the guard name these paths: they must hold from any working folder. */
static int make_absolute(char *path, struct error *err)
{
    char whole[PATH_SIZE * 2], here[PATH_SIZE];
    if (!*path || *path == '/')
        return 0;
    if (!getcwd(here, sizeof here))
        return error_errno(err, ERROR_SYSTEM, errno, "can't tell the working folder");
    snprintf(whole, sizeof whole, "%s/%s", here, strncmp(path, "./", 2) == 0 ? path + 2 : path);
    return text_copy(path, PATH_SIZE, whole) ? 0 : error_set(err, ERROR_USAGE, "the path is too long: %.300s", whole);
}

static int default_options(struct options *o, struct error *err)
{
    if (!o->dir[0] && place_default_dir(o->dir, sizeof o->dir, err) < 0)
        return -1;
    if (make_absolute(o->dir, err) < 0 || make_absolute(o->bench, err) < 0 || (!o->no_guard && make_absolute(o->guard, err) < 0))
        return -1;
    if (!o->bench[0] && snprintf(o->bench, sizeof o->bench, "%s/bench.cfg", o->dir) >= (int)sizeof o->bench)
        return error_set(err, ERROR_USAGE, "the path of --dir is too long");
    if (!o->dialects[0])
        place_default_dialects(o->dialects, sizeof o->dialects);
    if (!o->socket[0] && o->dir_given)
        wire_socket_path(o->dir, o->socket, sizeof o->socket);
    if (!o->socket[0])
        wire_default_socket(o->socket, sizeof o->socket);
    if (!o->guard[0])
        place_beside("brunt-guard", o->guard, sizeof o->guard);
    if (!o->guard[0] && !o->off && !o->check)
        return error_set(err, ERROR_USAGE, "brunt-guard is not beside bruntd: name it with --guard PATH, or go without it (attended) with --guard none");
    return 0;
}

int options_read(struct options *o, int argc, char **argv, struct error *err)
{
    static const struct argp argp = {option_rows, on_option, NULL, "bruntd holds a test bench: it runs tests, records them, and sees to it that loads go off. It stays in the foreground.", NULL, NULL, NULL};
    argp_err_exit_status = EXIT_USAGE;
    argp_parse(&argp, argc, argv, 0, NULL, o);
    return default_options(o, err);
}
