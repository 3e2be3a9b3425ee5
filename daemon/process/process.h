/*
 * The daemon as a process: one handle of everything that lives on the loop, and the files that wire the rooms together. What there is to decide is decided in the rooms;
 * what stands here is who calls whom, and in which order. main.c gives the order of the start.
 *
 * On the loop's thread, but for what is named work_... or stands in a table "on a worker".
 */
#ifndef BRUNT_PROCESS_PROCESS_H
#define BRUNT_PROCESS_PROCESS_H

#include "daemon/bench/links/link.h"
#include "daemon/guard/arm.h"
#include "daemon/plan/plan.h"
#include "daemon/record/record.h"
#include "daemon/serve/arming.h"
#include "daemon/serve/drill.h"
#include "daemon/serve/keep.h"
#include "daemon/serve/place.h"
#include "daemon/serve/pump.h"
#include "daemon/serve/serve.h"
#include "daemon/serve/shown.h"
#include "daemon/serve/tell.h"

enum { EXIT_USAGE = 2, EXIT_REFUSED = 3, EXIT_BENCH = 4 };
enum { PATH_SIZE = 512, DIALECTS_MAX = 64 };

struct options {
    char dir[PATH_SIZE], dialects[PATH_SIZE], bench[PATH_SIZE], socket[PATH_SIZE], guard[PATH_SIZE];
    bool dir_given, no_guard, off, check;
};

struct run_now {
    char id[RECORD_ID_SIZE], title[NAME_SIZE * 2 + 4], user[NAME_SIZE];
    struct record_writer *writer;
    bool starting, active, finishing, cancelled; /* starting: record being created; active: until its record is being closed */
    int64_t begin_us, wall_ms, ended_us, not_off_us /* when it was last seen not confirmed off, after its end */, failing_since_us, ack_us, ack_asked_us;
    bool nearly_full;
    struct test_plan plan;
};

struct daemon {
    struct options options;
    struct tell *say;
    uv_loop_t loop;
    struct bench_plan bench;
    json_t *bench_json;
    struct dialect *dialects[DIALECTS_MAX];
    size_t dialects_len;
    const struct dialect *dialect_of[INSTRUMENTS_MAX];
    struct station *station;
    struct pump *pump;
    struct arming *arming;
    struct keep *keep;
    struct serve *serve;
    uv_timer_t tick;
    uv_async_t stored;
    uv_signal_t signals[3];
    struct run_now run;
    struct drill *drill;
    uint64_t drill_ticket;
    bool drilled, mains_drilled;
    bool standing; /* an armed file of an earlier daemon: until everything is confirmed off */
    bool left;     /* such a file stood at the start */
    struct arm_entry entries[ARM_ENTRIES_MAX];
    int entry_line[ARM_ENTRIES_MAX];
    size_t entries_len;
    int64_t begin_us, quit_us, second_us; /* second_us: when something was last done that is done once a second */
    int quit_asked;
    bool closed, had_run;
    int exit_status;
    char guard_did[SENTENCE_SIZE]; /* by an earlier daemon's guard, found too late for that run's record; "": nothing */
};

/* options.c: the command line, with defaults for what it leaves out. Ends the process on --help and on a wrong option. */
int options_read(struct options *options, int argc, char **argv, struct error *err);

/* process.c */
struct daemon *process_new(void);                       /* NULL: no memory */
int process_open(struct daemon *d, struct error *err);  /* station, lines, guard, clients: onto the loop */
void process_free(struct daemon *d);
int process_fail(struct daemon *d, const struct error *err); /* says it; the exit status that belongs to it */
void process_pass(struct daemon *d);                    /* what waits goes out on the lines, then is kept */
void process_publish(struct daemon *d, const char *kind, json_t *params);                                    /* takes params */
void process_answer(struct daemon *d, uint64_t ticket, json_t *result, const struct error *err);             /* takes result; NULL: err is the answer */
bool process_ready(const struct daemon *d, char *why_not, size_t size);
void process_facts(struct daemon *d, struct ways_facts *ret);
void process_say(void *daemon, const char *sentence);   /* context first, for the tables of other rooms */
int64_t process_wall_ms(void);

/* startup.c: blocking, before the loop runs */
void startup_off(struct daemon *d);                     /* what an earlier daemon left armed, knowing only what the armed file says */
void startup_recover(struct daemon *d);                 /* records left open are closed, with what the guard did */
int startup_bench(struct daemon *d, struct error *err); /* bench file and dialects */
int startup_stop(struct daemon *d);                     /* --off; these two give the exit status */
int startup_check(struct daemon *d);                    /* --check */

/* loop.c */
void loop_start(struct daemon *d);
void loop_passed(void *daemon);                         /* after each pass: its bytes are out */
void loop_close(struct daemon *d);

/* lines.c */
struct pump_does lines_does(struct daemon *d);
const struct bench_instrument *lines_instrument(const struct daemon *d, size_t line);
struct link_settings lines_settings(const struct line_settings *line);
void lines_address(const struct bench_instrument *instrument, char *ret, size_t size);

/* armed.c */
struct arming_does armed_does(struct daemon *d);
/* off_since: what the guard left unconfirmed has been confirmed off by this daemon. */
void armed_report_sentence(const struct arm_report *report, bool off_since, char ret[SENTENCE_SIZE]);

/* starts.c: a run's begin */
int runs_may_start(struct daemon *d, struct error *err);
json_t *runs_start(void *daemon, const struct serve_who *who, const json_t *params, struct error *err);

/* runs.c: its record */
void runs_keep(struct daemon *d);                       /* what the pass left in the queue: into the record, to the followers */
void runs_note(struct daemon *d, const char *who, const char *text);
void runs_close_record(struct daemon *d, int64_t at_us, enum run_end end, const char *why);
void runs_watch_end(struct daemon *d);
void runs_watch_record(struct daemon *d);
void runs_watch_presence(struct daemon *d, int64_t now_us);
void runs_on_stored(uv_async_t *async);
json_t *runs_stored_json(struct daemon *d);

/* drills.c */
json_t *drills_start(void *daemon, const struct serve_who *who, const json_t *params, struct error *err);
void drills_watch(struct daemon *d);

/* answers.c */
struct serve_does answers_does(struct daemon *d);

#endif
