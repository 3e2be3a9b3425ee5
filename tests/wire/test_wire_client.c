/* The blocking client against a scripted daemon on a socket of its own. */
#include "daemon/wire/wire.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cmocka.h>

struct fake {
    char dir[64], path[96];
    int listener;
    pid_t child;
};

static int setup(void **state)
{
    struct fake *f = calloc(1, sizeof *f);
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    strcpy(f->dir, "/tmp/brunt-wire-XXXXXX");
    if (!mkdtemp(f->dir))
        return -1;
    wire_socket_path(f->dir, f->path, sizeof f->path);
    strcpy(address.sun_path, f->path);
    f->listener = socket(AF_UNIX, SOCK_STREAM, 0);
    *state = f;
    return bind(f->listener, (struct sockaddr *)&address, sizeof address) < 0 || listen(f->listener, 4) < 0;
}

static int teardown(void **state)
{
    struct fake *f = *state;
    if (f->child)
        waitpid(f->child, NULL, 0);
    close(f->listener);
    unlink(f->path);
    rmdir(f->dir);
    free(f);
    return 0;
}

/* A child that takes one connection, waits for one line, then says `lines` in pieces of `piece` bytes and hangs up. */
static void daemon_says(struct fake *f, const char *lines, size_t piece)
{
    f->child = fork();
    if (f->child)
        return;
    int c = accept(f->listener, NULL, NULL);
    char heard = 0;
    while (heard != '\n' && read(c, &heard, 1) == 1)
        ;
    for (size_t at = 0, len = strlen(lines); at < len; at += piece)
        if (write(c, lines + at, len - at < piece ? len - at : piece) < 0)
            break;
    close(c);
    _exit(0);
}

static void notices_before_the_answer_are_kept_in_order(void **state)
{
    struct fake *f = *state;
    struct error err = ERROR_INIT;
    struct wire_message m;
    daemon_says(f,
                "{\"jsonrpc\":\"2.0\",\"method\":\"reading\",\"params\":{\"n\":1}}\n{\"jsonrpc\":\"2.0\",\"method\":\"finding\",\"params\":{\"n\":2}}\n"
                "{\"jsonrpc\":\"2.0\",\"id\":1,\"result\":{\"ok\":true}}\n{\"jsonrpc\":\"2.0\",\"method\":\"end\",\"params\":{\"n\":3}}\n", 7);
    struct wire_client *client = wire_connect(f->path, &err);
    assert_non_null(client);
    json_t *result = wire_call(client, "status", NULL, 10000, &err);
    assert_true(json_is_true(json_object_get(result, "ok")));
    json_decref(result);
    for (int n = 1; n <= 3; n++) {
        assert_int_equal(wire_next(client, 10000, &m, &err), 1);
        assert_int_equal(json_integer_value(json_object_get(m.params, "n")), n);
        wire_message_end(&m);
    }
    assert_int_equal(wire_next(client, 10000, &m, &err), -1);
    assert_int_equal(err.kind, ERROR_LINK);
    wire_disconnect(client);
}

static void a_refusal_arrives_with_its_kind(void **state)
{
    struct fake *f = *state;
    struct error err = ERROR_INIT;
    daemon_says(f, "{\"jsonrpc\":\"2.0\",\"id\":1,\"error\":{\"code\":-32009,\"message\":\"a run is in progress\",\"data\":{\"kind\":\"refused\"}}}\n", 1000);
    struct wire_client *client = wire_connect(f->path, &err);
    assert_null(wire_call(client, "start", NULL, 10000, &err));
    assert_int_equal(err.kind, ERROR_REFUSED);
    assert_string_equal(err.text, "a run is in progress");
    wire_disconnect(client);
}

static void silence_and_hang_up_are_told_apart_from_an_answer(void **state)
{
    struct fake *f = *state;
    struct error err = ERROR_INIT;
    struct wire_message m;
    struct wire_client *client = wire_connect(f->path, &err); /* the listener's queue takes it; nobody answers */
    assert_null(wire_call(client, "status", NULL, 20, &err));
    assert_non_null(strstr(err.text, "status"));
    assert_int_equal(wire_next(client, 0, &m, &err), 0);
    wire_disconnect(client);
    int drop = accept(f->listener, NULL, NULL);
    close(drop);
    daemon_says(f, "half a li", 100);
    client = wire_connect(f->path, &err);
    assert_null(wire_call(client, "status", NULL, 10000, &err));
    assert_int_equal(err.kind, ERROR_LINK);
    wire_disconnect(client);
}

static void an_endless_line_of_the_daemon_is_refused(void **state)
{
    struct fake *f = *state;
    struct error err = ERROR_INIT;
    char *flood = malloc(4u << 20);
    memset(flood, ' ', 4u << 20);
    flood[(4u << 20) - 1] = '\0';
    daemon_says(f, flood, 65536);
    struct wire_client *client = wire_connect(f->path, &err);
    assert_null(wire_call(client, "status", NULL, 10000, &err));
    assert_int_equal(err.kind, ERROR_PROTOCOL);
    wire_disconnect(client);
    free(flood);
}

static void nobody_there_says_how_to_start_the_daemon(void **state)
{
    struct error err = ERROR_INIT;
    struct fake *f = *state;
    char path[128];
    snprintf(path, sizeof path, "%s/none", f->dir);
    assert_null(wire_connect(path, &err));
    assert_int_equal(err.kind, ERROR_LINK);
    assert_non_null(strstr(err.text, path));
    assert_non_null(strstr(err.text, "bruntd --bench"));
}

static void a_path_too_long_for_a_socket_is_refused_whole(void **state)
{
    struct error err = ERROR_INIT;
    char path[400];
    (void)state;
    memset(path, 'x', sizeof path - 1);
    path[sizeof path - 1] = '\0';
    assert_null(wire_connect(path, &err));
    assert_non_null(strstr(err.text, "longer than 107"));
}

static void without_a_path_the_environment_says_where(void **state)
{
    struct error err = ERROR_INIT;
    struct fake *f = *state;
    setenv("BRUNT_SOCKET", f->path, 1);
    struct wire_client *client = wire_connect(NULL, &err);
    assert_non_null(client);
    wire_disconnect(client);
    char path[128];
    wire_default_socket(path, sizeof path);
    assert_string_equal(path, f->path);
    unsetenv("BRUNT_SOCKET");
    setenv("XDG_RUNTIME_DIR", "/nowhere", 1);
    wire_default_socket(path, sizeof path);
    assert_string_equal(path, "/nowhere/brunt/socket");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(notices_before_the_answer_are_kept_in_order, setup, teardown),
        cmocka_unit_test_setup_teardown(a_refusal_arrives_with_its_kind, setup, teardown),
        cmocka_unit_test_setup_teardown(silence_and_hang_up_are_told_apart_from_an_answer, setup, teardown),
        cmocka_unit_test_setup_teardown(an_endless_line_of_the_daemon_is_refused, setup, teardown),
        cmocka_unit_test_setup_teardown(nobody_there_says_how_to_start_the_daemon, setup, teardown),
        cmocka_unit_test(a_path_too_long_for_a_socket_is_refused_whole),
        cmocka_unit_test_setup_teardown(without_a_path_the_environment_says_where, setup, teardown),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
