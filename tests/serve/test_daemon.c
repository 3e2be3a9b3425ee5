/* The daemon as a whole, before the simulated bench: what survives what, and how it ends. */
#include "daemon/record/record.h"
#include "tests/serve/with_processes.h"

#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

#include <cmocka.h>

#define GUARD BINARY_DIR "/brunt-guard"

static const char short_profile[] = "profile = { name = \"short\"; stages = ( { kind = \"hold\"; name = \"rated\"; rated_percent = 100.0; dwell = \"1 s\"; settle = \"250 ms\"; } ); };";
static const char long_profile[] = "profile = { name = \"long\"; stages = ( { kind = \"hold\"; name = \"rated\"; rated_percent = 50.0; dwell = \"10 min\"; settle = \"250 ms\"; } ); };";

static int setup(void **state)
{
    *state = processes_begin();
    return 0;
}

static int teardown(void **state)
{
    processes_end(*state);
    return 0;
}

static bool file_there(const struct bench_of_processes *p, const char *name)
{
    char path[200];
    snprintf(path, sizeof path, "%s/%s", p->state, name);
    return access(path, F_OK) == 0;
}

static const char *text_in(json_t *json, const char *key)
{
    const char *text = json_string_value(json_object_get(json, key));
    return text ? text : "";
}

/* Waits until the load has been read back as on. */
static void await_current(struct wire_client *client)
{
    for (;;) {
        json_t *reading = await_notice(client, "reading");
        bool flows = json_number_value(json_object_get(reading, "amps")) > 0.5;
        json_decref(reading);
        if (flows)
            return;
    }
}

static void begin_long_run(struct wire_client *client)
{
    json_decref(ask(client, "follow", NULL));
    json_decref(ask(client, "start", start_params(long_profile, 9.0)));
    await_current(client);
}

static void a_run_from_start_to_its_record(void **state)
{
    struct bench_of_processes *p = *state;
    struct stat st;
    daemon_start(p, GUARD);
    struct wire_client *client = client_ready(p);
    json_decref(ask(client, "follow", NULL));
    json_decref(ask(client, "start", start_params(short_profile, 9.0)));
    json_t *begin = await_notice(client, "begin"), *end;
    await_current(client);
    assert_true(file_there(p, "armed")); /* armed before on */
    end = await_notice(client, "end");
    assert_string_equal(text_in(end, "end"), "done");
    assert_string_equal(text_in(end, "id"), text_in(begin, "id"));
    assert_int_equal(stat(text_in(end, "path"), &st), 0);
    assert_int_equal(st.st_mode & 0777, 0444);
    json_t *status = ask(client, "status", NULL);
    assert_true(json_is_true(json_object_get(status, "all_off")));
    json_decref(status);
    json_t *runs = ask(client, "runs", NULL);
    assert_int_equal(json_integer_value(json_object_get(runs, "count")), 1);
    json_decref(runs);
    json_decref(begin);
    json_decref(end);
    wire_disconnect(client);
    kill(p->daemon, SIGTERM);
    assert_int_equal(daemon_wait(p), 0);
    assert_false(file_there(p, "armed"));
}

static void a_client_that_disconnects_leaves_the_run_alone_and_a_second_start_is_refused_by_name(void **state)
{
    struct bench_of_processes *p = *state;
    struct error err = ERROR_INIT;
    daemon_start(p, GUARD);
    struct wire_client *client = client_ready(p);
    begin_long_run(client);
    wire_disconnect(client);
    client = client_ready(p);
    json_t *status = ask(client, "status", NULL);
    assert_string_equal(text_in(status, "state"), "running");
    assert_null(wire_call(client, "start", start_params(short_profile, 9.0), 10000, &err));
    assert_int_equal(err.kind, ERROR_REFUSED);
    assert_non_null(strstr(err.text, text_in(json_object_get(status, "run"), "id")));
    assert_non_null(strstr(err.text, text_in(json_object_get(status, "run"), "user")));
    json_decref(ask(client, "follow", NULL));
    json_decref(ask(client, "note", json_pack("{s:s}", "text", "the fan next door started")));
    json_decref(ask(client, "stop", json_pack("{s:s}", "text", "enough")));
    json_t *end = await_notice(client, "end");
    assert_string_equal(text_in(end, "end"), "stopped");
    json_decref(end);
    json_decref(status);
    wire_disconnect(client);
}

static void told_to_end_in_mid_run_it_turns_off_closes_the_record_and_exits_0(void **state)
{
    struct bench_of_processes *p = *state;
    daemon_start(p, GUARD);
    struct wire_client *client = client_ready(p);
    begin_long_run(client);
    kill(p->daemon, SIGTERM);
    kill(p->daemon, SIGINT); /* a second one changes nothing */
    json_t *end = await_notice(client, "end");
    assert_string_equal(text_in(end, "end"), "stopped");
    assert_int_equal(access(text_in(end, "path"), R_OK), 0);
    json_decref(end);
    wire_disconnect(client);
    assert_int_equal(daemon_wait(p), 0);
    assert_false(file_there(p, "armed"));
}

static void killed_in_mid_run_the_next_one_turns_off_first_and_closes_the_record_honestly(void **state)
{
    struct bench_of_processes *p = *state;
    daemon_start(p, "none");
    struct wire_client *client = client_ready(p);
    begin_long_run(client);
    kill(p->daemon, SIGKILL);
    assert_int_equal(daemon_wait(p), -SIGKILL);
    wire_disconnect(client);
    assert_true(file_there(p, "armed"));
    daemon_start(p, "none");
    client = client_ready(p);
    assert_false(file_there(p, "armed"));
    json_t *runs = ask(client, "runs", NULL);
    json_t *first = json_array_get(json_object_get(runs, "runs"), 0);
    assert_string_equal(text_in(first, "end"), "crashed");
    json_decref(runs);
    json_t *status = ask(client, "status", NULL);
    assert_true(json_is_null(json_object_get(status, "run"))); /* nothing resumes by itself */
    assert_true(json_is_true(json_object_get(status, "all_off")));
    json_decref(status);
    wire_disconnect(client);
}

static void a_second_daemon_on_the_same_folder_is_refused_with_the_first_ones_pid(void **state)
{
    struct bench_of_processes *p = *state;
    char want[64], text[65536];
    daemon_start(p, GUARD);
    wire_disconnect(client_ready(p));
    assert_int_equal(daemon_run(p, (const char *const[]){"--guard", "none", NULL}), 3);
    snprintf(want, sizeof want, "already running on %s, pid %d", p->state, (int)p->daemon);
    FILE *file = fopen(p->log, "r");
    text[fread(text, 1, sizeof text - 1, file)] = '\0';
    fclose(file);
    assert_non_null(strstr(text, want));
}

static void the_stop_command_ends_the_daemon_through_off(void **state)
{
    struct bench_of_processes *p = *state;
    daemon_start(p, GUARD);
    struct wire_client *client = client_ready(p);
    begin_long_run(client);
    wire_disconnect(client);
    pid_t daemon = p->daemon;
    p->daemon = 0;
    /* the daemon is our child: it must be waited for before its lock is free, so the stop command runs beside */
    pid_t off = fork();
    if (off == 0)
        _exit(daemon_run(p, (const char *const[]){"--off", NULL}));
    p->daemon = daemon;
    assert_int_equal(daemon_wait(p), 0);
    p->daemon = off;
    assert_int_equal(daemon_wait(p), 0);
    assert_false(file_there(p, "armed"));
}

static void the_stop_command_leaves_the_armed_file_while_a_load_may_be_on(void **state)
{
    struct bench_of_processes *p = *state;
    char path[200], text[4096];
    daemon_start(p, "none");
    struct wire_client *client = client_ready(p);
    begin_long_run(client);
    kill(p->daemon, SIGKILL);
    assert_int_equal(daemon_wait(p), -SIGKILL);
    wire_disconnect(client);
    snprintf(path, sizeof path, "%s/armed", p->state);
    FILE *file = fopen(path, "r");
    size_t len = fread(text, 1, sizeof text, file);
    fclose(file);
    assert_int_equal(truncate(path, (off_t)len - 4), 0); /* without its "end" it is torn: a load may be missing */
    assert_int_equal(daemon_run(p, (const char *const[]){"--off", NULL}), 4);
    assert_true(file_there(p, "armed"));
    file = fopen(path, "w");
    assert_int_equal(fwrite(text, 1, len, file), len);
    fclose(file);
    assert_int_equal(daemon_run(p, (const char *const[]){"--off", NULL}), 0);
    assert_false(file_there(p, "armed"));
    daemon_start(p, "none");
    wire_disconnect(client_ready(p));
}

static void the_drill_shows_off_guard_and_mains(void **state)
{
    struct bench_of_processes *p = *state;
    daemon_start(p, GUARD);
    struct wire_client *client = client_ready(p);
    json_t *bench = ask(client, "bench", NULL);
    assert_string_equal(text_in(bench, "class"), "attended");
    json_decref(bench);
    json_t *drill = ask(client, "drill", json_pack("{s:b}", "mains", 1)), *step;
    size_t i;
    json_array_foreach(json_object_get(drill, "steps"), i, step)
        print_message("%s: %s: %s %s\n", text_in(step, "way"), text_in(step, "what"), json_is_true(json_object_get(step, "passed")) ? "works" : "FAILS", text_in(step, "text"));
    assert_true(json_is_true(json_object_get(drill, "passed")));
    assert_true(i >= 5);
    json_decref(drill);
    bench = ask(client, "bench", NULL);
    print_message("%s: %s\n", text_in(bench, "class"), text_in(bench, "why"));
    assert_string_equal(text_in(bench, "class"), "unattended");
    json_decref(bench);
    wire_disconnect(client);
}

/* A message to the simulated bench's control socket; its answer is not looked at but waited for. */
static void tell_sim(const struct bench_of_processes *p, const char *line)
{
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    char answer[256];
    int fd = socket(AF_UNIX, SOCK_STREAM, 0);
    snprintf(address.sun_path, sizeof address.sun_path, "%s/control", p->dir);
    assert_int_equal(connect(fd, (struct sockaddr *)&address, sizeof address), 0);
    assert_int_equal(write(fd, line, strlen(line)), strlen(line));
    ssize_t n = read(fd, answer, sizeof answer - 1);
    assert_true(n > 0);
    answer[n] = '\0';
    assert_string_equal(answer, "ok\n");
    close(fd);
}

enum { NOTED_NOT_OFF = 1, FOUND_CURRENT = 2 };

static int see_off_event(void *context, uint64_t seq, int64_t at_us, const char *kind, const char *text)
{
    unsigned *seen = context;
    (void)seq, (void)at_us;
    if (strcmp(kind, "note") == 0 && strstr(text, "NOT confirmed off"))
        *seen |= NOTED_NOT_OFF;
    if (strcmp(kind, "finding") == 0 && strstr(text, "still draws"))
        *seen |= FOUND_CURRENT;
    return 0;
}

static unsigned off_events(json_t *end)
{
    struct error err = ERROR_INIT;
    unsigned seen = 0;
    struct record *record = record_open(text_in(end, "path"), &err);
    assert_non_null(record);
    assert_true(record_events(record, see_off_event, &seen, &err) > 0);
    record_close(record);
    return seen;
}

/* It says that it is off; only the current, looked at a second later, tells. */
static void current_that_flows_on_after_the_stop_is_in_the_record(void **state)
{
    struct bench_of_processes *p = *state;
    daemon_start(p, GUARD);
    struct wire_client *client = client_ready(p);
    begin_long_run(client);
    tell_sim(p, "power-stage-short 15\n");
    json_decref(ask(client, "stop", NULL));
    json_t *end = await_notice(client, "end");
    assert_true(off_events(end) & FOUND_CURRENT);
    json_decref(end);
    wire_disconnect(client);
}

static void a_pulled_plug_ends_the_run_and_the_line_comes_back_by_itself(void **state)
{
    struct bench_of_processes *p = *state;
    daemon_start(p, GUARD);
    struct wire_client *client = client_ready(p);
    begin_long_run(client);
    tell_sim(p, "wire load1 hang-up until off\n");
    json_t *end = await_notice(client, "end");
    assert_string_equal(text_in(end, "end"), "fault");
    assert_non_null(strstr(text_in(end, "trouble"), "NOT confirmed off"));
    assert_int_equal(off_events(end), NOTED_NOT_OFF);
    json_decref(end);
    wire_disconnect(client);
    tell_sim(p, "wire load1 off\n");
    client = client_ready(p);
    json_t *status = ask(client, "status", NULL);
    assert_true(json_is_true(json_object_get(status, "all_off")));
    json_decref(status);
    wire_disconnect(client);
    kill(p->daemon, SIGTERM);
    assert_int_equal(daemon_wait(p), 0);
    assert_false(file_there(p, "armed"));
}

static void a_guard_that_dies_in_mid_run_ends_the_run(void **state)
{
    struct bench_of_processes *p = *state;
    daemon_start(p, GUARD);
    struct wire_client *client = client_ready(p);
    begin_long_run(client);
    pid_t pid = guard_pid(p);
    assert_true(pid > 1);
    assert_int_equal(kill(pid, SIGKILL), 0);
    json_t *end = await_notice(client, "end");
    assert_string_equal(text_in(end, "end"), "fault");
    assert_non_null(strstr(text_in(end, "why"), "guard"));
    json_decref(end);
    wire_disconnect(client);
}

static int find_guard_note(void *context, uint64_t seq, int64_t at_us, const char *kind, const char *text)
{
    (void)seq, (void)at_us;
    if (strcmp(kind, "note") == 0 && strstr(text, "the guard acted at ")) {
        print_message("%s\n", text);
        ++*(int *)context;
    }
    return 0;
}

/* The newest record tells that its run crashed and, in one note, what the guard did. */
static void assert_crashed_with_the_guards_note(struct wire_client *client)
{
    struct error err = ERROR_INIT;
    int notes = 0;
    json_t *runs = ask(client, "runs", NULL), *first = json_array_get(json_object_get(runs, "runs"), 0);
    assert_string_equal(text_in(first, "end"), "crashed");
    struct record *record = record_open(text_in(first, "path"), &err);
    assert_non_null(record);
    assert_true(record_events(record, find_guard_note, &notes, &err) > 0);
    assert_int_equal(notes, 1);
    record_close(record);
    json_decref(runs);
}

static void a_daemon_that_hangs_is_killed_by_its_guard_and_the_next_one_finds_the_load_off(void **state)
{
    struct bench_of_processes *p = *state;
    daemon_start(p, GUARD);
    struct wire_client *client = client_ready(p);
    begin_long_run(client);
    wire_disconnect(client);
    kill(p->daemon, SIGSTOP);
    assert_int_equal(daemon_wait(p), -SIGKILL);
    daemon_start(p, GUARD);
    client = client_ready(p);
    json_t *status = ask(client, "status", NULL);
    assert_true(json_is_true(json_object_get(status, "all_off")));
    json_decref(status);
    assert_crashed_with_the_guards_note(client);
    assert_false(file_there(p, "guarded"));
    wire_disconnect(client);
}

static void a_wrong_file_is_exit_2_with_its_line(void **state)
{
    struct bench_of_processes *p = *state;
    FILE *file = fopen(p->bench, "a");
    fputs("\nnonsense = 1;\n", file);
    fclose(file);
    assert_int_equal(daemon_run(p, (const char *const[]){"--check", NULL}), 2);
    assert_int_equal(daemon_run(p, (const char *const[]){"--guard", "none", NULL}), 2);
    assert_int_equal(daemon_run(p, (const char *const[]){"--no-such-option", NULL}), 2);
    assert_int_equal(daemon_run(p, (const char *const[]){"--version", NULL}), 0);
    assert_int_equal(daemon_run(p, (const char *const[]){"--help", NULL}), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(a_wrong_file_is_exit_2_with_its_line, setup, teardown),
        cmocka_unit_test_setup_teardown(a_run_from_start_to_its_record, setup, teardown),
        cmocka_unit_test_setup_teardown(a_client_that_disconnects_leaves_the_run_alone_and_a_second_start_is_refused_by_name, setup, teardown),
        cmocka_unit_test_setup_teardown(told_to_end_in_mid_run_it_turns_off_closes_the_record_and_exits_0, setup, teardown),
        cmocka_unit_test_setup_teardown(killed_in_mid_run_the_next_one_turns_off_first_and_closes_the_record_honestly, setup, teardown),
        cmocka_unit_test_setup_teardown(a_second_daemon_on_the_same_folder_is_refused_with_the_first_ones_pid, setup, teardown),
        cmocka_unit_test_setup_teardown(the_stop_command_ends_the_daemon_through_off, setup, teardown),
        cmocka_unit_test_setup_teardown(the_stop_command_leaves_the_armed_file_while_a_load_may_be_on, setup, teardown),
        cmocka_unit_test_setup_teardown(a_pulled_plug_ends_the_run_and_the_line_comes_back_by_itself, setup, teardown),
        cmocka_unit_test_setup_teardown(current_that_flows_on_after_the_stop_is_in_the_record, setup, teardown),
        cmocka_unit_test_setup_teardown(a_guard_that_dies_in_mid_run_ends_the_run, setup, teardown),
        cmocka_unit_test_setup_teardown(a_daemon_that_hangs_is_killed_by_its_guard_and_the_next_one_finds_the_load_off, setup, teardown),
        cmocka_unit_test_setup_teardown(the_drill_shows_off_guard_and_mains, setup, teardown),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
