/* The real bruntd before a real brunt-sim, each a process of its own, in a folder of its own. */
#ifndef TEST_WITH_PROCESSES_H
#define TEST_WITH_PROCESSES_H

#include "daemon/wire/wire.h"

#include <stdbool.h>
#include <sys/types.h>

struct bench_of_processes {
    char dir[64], state[80], socket[96], bench[96], log[96];
    pid_t sim, daemon;
};

struct bench_of_processes *processes_begin(void);   /* the simulated bench runs, the daemon not yet */
void processes_end(struct bench_of_processes *p);
void daemon_start(struct bench_of_processes *p, const char *guard); /* "none": without */
int daemon_wait(struct bench_of_processes *p);      /* its exit status; -signal */
int daemon_run(const struct bench_of_processes *p, const char *const more[]); /* one more bruntd on the same folder, waited for */
struct wire_client *client_ready(struct bench_of_processes *p);     /* connected, once the bench is ready */
json_t *ask(struct wire_client *client, const char *method, json_t *params); /* fails the test on an error */
json_t *start_params(const char *profile_text, double volts);
/* Waits for a notice of that kind; gives its params (new reference). */
json_t *await_notice(struct wire_client *client, const char *kind);
pid_t guard_pid(const struct bench_of_processes *p);  /* 0: none */
void show_log(const struct bench_of_processes *p);

#endif
