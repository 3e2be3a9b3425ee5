#include "tests/serve/with_processes.h"

#include "daemon/base/tree.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <ftw.h>
#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cmocka.h>

enum { PATIENCE_MS = 60000 };

static pid_t spawn(const char *log, const char *const argv[])
{
    pid_t pid = fork();
    if (pid)
        return pid;
    int fd = open(log, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0644);
    dup2(fd, 1);
    dup2(fd, 2);
    execv(argv[0], (char *const *)(uintptr_t)argv);
    _exit(127);
}

static bool says(const char *path, const char *word)
{
    char text[65536];
    FILE *file = fopen(path, "r");
    size_t len = file ? fread(text, 1, sizeof text - 1, file) : 0;
    if (file)
        fclose(file);
    text[len] = '\0';
    return strstr(text, word) != NULL;
}

static void copy_file(const char *from, const char *to)
{
    char bytes[65536];
    FILE *in = fopen(from, "r"), *out = fopen(to, "w");
    assert_non_null(in);
    assert_non_null(out);
    size_t len = fread(bytes, 1, sizeof bytes, in);
    assert_int_equal(fwrite(bytes, 1, len, out), len);
    fclose(in);
    fclose(out);
}

void show_log(const struct bench_of_processes *p)
{
    char line[1024];
    FILE *file = fopen(p->log, "r");
    while (file && fgets(line, sizeof line, file))
        print_message("    %s", line);
    if (file)
        fclose(file);
}

struct bench_of_processes *processes_begin(void)
{
    struct bench_of_processes *p = calloc(1, sizeof *p);
    char sim_log[96];
    strcpy(p->dir, "/tmp/brunt-daemon-XXXXXX");
    assert_non_null(mkdtemp(p->dir));
    snprintf(p->state, sizeof p->state, "%s/state", p->dir);
    snprintf(p->socket, sizeof p->socket, "%s/socket", p->dir);
    snprintf(p->bench, sizeof p->bench, "%s/bench.cfg", p->dir);
    snprintf(p->log, sizeof p->log, "%s/daemon.log", p->dir);
    snprintf(sim_log, sizeof sim_log, "%s/sim.log", p->dir);
    copy_file(SOURCE_DIR "/profiles/bench-demo.cfg", p->bench);
    p->sim = spawn(sim_log, (const char *const[]){BINARY_DIR "/brunt-sim", "--dir", p->dir, SOURCE_DIR "/profiles/sim/bench-demo.cfg", NULL});
    for (int ms = 0; !says(sim_log, "ready") && ms < PATIENCE_MS; ms += 20)
        usleep(20000);
    assert_true(says(sim_log, "ready"));
    return p;
}

void daemon_start(struct bench_of_processes *p, const char *guard)
{
    p->daemon = spawn(p->log, (const char *const[]){BINARY_DIR "/bruntd", "--dir", p->state, "--socket", p->socket, "--bench", p->bench, "--dialects",
                                                    SOURCE_DIR "/profiles/dialects", "--guard", guard, NULL});
}

static int status_of(pid_t pid)
{
    int status = 0;
    for (int ms = 0; waitpid(pid, &status, WNOHANG) == 0; ms += 10) {
        if (ms > PATIENCE_MS)
            kill(pid, SIGKILL);
        usleep(10000);
    }
    return WIFEXITED(status) ? WEXITSTATUS(status) : -WTERMSIG(status);
}

int daemon_wait(struct bench_of_processes *p)
{
    int status = status_of(p->daemon);
    p->daemon = 0;
    return status;
}

int daemon_run(const struct bench_of_processes *p, const char *const more[])
{
    const char *argv[16] = {BINARY_DIR "/bruntd", "--dir", p->state, "--bench", p->bench, "--dialects", SOURCE_DIR "/profiles/dialects"};
    size_t n = 7;
    for (size_t i = 0; more[i] && n < 15; i++)
        argv[n++] = more[i];
    return status_of(spawn(p->log, argv));
}

static int remove_one(const char *path, const struct stat *st, int type, struct FTW *ftw)
{
    (void)st, (void)type, (void)ftw;
    return remove(path);
}

static bool is_guard_of(const char *pid, const char *state)
{
    char path[300], line[400] = "";
    snprintf(path, sizeof path, "/proc/%.20s/cmdline", pid);
    FILE *file = fopen(path, "r");
    size_t len = file ? fread(line, 1, sizeof line - 1, file) : 0;
    if (file)
        fclose(file);
    size_t first = strnlen(line, len);
    return first < len && strstr(line, "brunt-guard") && strcmp(line + first + 1, state) == 0;
}

/* The guard lives in a session of its own and tells nobody its number; its folder is ours alone. */
pid_t guard_pid(const struct bench_of_processes *p)
{
    DIR *proc = opendir("/proc");
    const struct dirent *entry;
    pid_t found = 0;
    while (!found && proc && (entry = readdir(proc)))
        if (entry->d_name[0] >= '1' && entry->d_name[0] <= '9' && is_guard_of(entry->d_name, p->state))
            found = (pid_t)strtol(entry->d_name, NULL, 10);
    if (proc)
        closedir(proc);
    return found;
}

/* It ends by itself a while after its daemon; here it is told to. */
static void end_guard(const struct bench_of_processes *p)
{
    pid_t pid = guard_pid(p);
    if (pid > 1)
        kill(pid, SIGTERM);
}

void processes_end(struct bench_of_processes *p)
{
    if (p->daemon > 0) {
        kill(p->daemon, SIGTERM);
        daemon_wait(p);
    }
    end_guard(p);
    kill(p->sim, SIGTERM);
    status_of(p->sim);
    nftw(p->dir, remove_one, 8, FTW_DEPTH | FTW_PHYS);
    free(p);
}

json_t *ask(struct wire_client *client, const char *method, json_t *params)
{
    struct error err = ERROR_INIT;
    json_t *result = wire_call(client, method, params, PATIENCE_MS, &err);
    if (!result)
        fail_msg("%s: %s", method, err.text);
    return result;
}

struct wire_client *client_ready(struct bench_of_processes *p)
{
    struct error err = ERROR_INIT;
    struct wire_client *client = NULL;
    char why[300] = "";
    for (int ms = 0; ms < PATIENCE_MS; ms += 50) {
        usleep(50000);
        if (!client && !(client = wire_connect(p->socket, &err)))
            continue;
        json_t *status = ask(client, "status", NULL);
        bool ready = json_is_true(json_object_get(status, "ready"));
        snprintf(why, sizeof why, "%s", json_string_value(json_object_get(status, "not_ready")));
        json_decref(status);
        if (ready)
            return client;
    }
    show_log(p);
    fail_msg("the bench did not get ready: %s", why);
    return NULL;
}

static json_t *document(struct tree *tree, const struct error *err)
{
    if (!tree)
        fail_msg("%s", err->text);
    json_t *json = tree_to_json(tree);
    tree_free(tree);
    return json;
}

json_t *start_params(const char *profile_text, double volts)
{
    struct error err = ERROR_INIT;
    json_t *supply = document(tree_read_file(SOURCE_DIR "/profiles/supply-sample.cfg", &err), &err);
    json_t *profile = document(tree_read_text("profile", profile_text, &err), &err);
    return json_pack("{s:o, s:o, s:[{s:s, s:f}]}", "supply", supply, "profile", profile, "contracts", "port", "C1", "volts", volts);
}

json_t *await_notice(struct wire_client *client, const char *kind)
{
    struct error err = ERROR_INIT;
    struct wire_message m;
    int got;
    while ((got = wire_next(client, PATIENCE_MS, &m, &err)) > 0) {
        json_t *params = strcmp(m.method, kind) == 0 ? json_deep_copy(m.params) : NULL;
        wire_message_end(&m);
        if (params)
            return params;
    }
    fail_msg("no \"%s\" came: %s", kind, got ? err.text : "nothing for a minute");
    return NULL;
}
