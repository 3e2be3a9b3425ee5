/* Lines as the bench sees them: talking, refusing with the right word, noticing that they are gone. */
#include "tests/links/with_far_end.h"
#include "tests/links/with_pty_as_serial.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>
#include <errno.h>
#include <fcntl.h>
#include <grp.h>
#include <netinet/in.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <termios.h>
#include <unistd.h>

static struct link *opened(const char *address, const struct link_settings *settings)
{
    struct error err = ERROR_INIT;
    struct link *link = link_open(address, settings, &err);
    if (!link)
        fail_msg("%s", err.text);
    return link;
}

static void refused(const char *address, const struct link_settings *settings, enum error_kind kind, const char *part)
{
    struct error err = ERROR_INIT;
    struct link *link = link_open(address, settings, &err);
    if (link)
        fail_msg("%s was opened, expected: %s", address, part);
    if (!strstr(err.text, part))
        fail_msg("'%s' doesn't say '%s'", err.text, part);
    assert_int_equal(err.kind, kind);
}

static void talk(struct link *link, struct far_end *far)
{
    struct error err = ERROR_INIT;
    char got[32];
    assert_int_equal(link_read(link, got, sizeof got, &err), 0); /* silence is no loss */
    assert_int_equal(link_write(link, "MEAS:VOLT?\n", 11, &err), 11);
    assert_true(far_end_gets(far, "MEAS:VOLT?\n"));
    assert_int_equal(write(far->fd, "\x11\x13\r5.0012\n", 10), 10); /* XON, XOFF and CR are bytes like others */
    assert_int_equal(link_read_wanted(link, got, 10, &err), 10);
    assert_memory_equal(got, "\x11\x13\r5.0012\n", 10);
    assert_int_equal(link_read(link, got, sizeof got, &err), 0);
    assert_int_equal(fcntl(link_descriptor(link), F_GETFD) & FD_CLOEXEC, FD_CLOEXEC);
    assert_int_equal(fcntl(link_descriptor(link), F_GETFL) & O_NONBLOCK, O_NONBLOCK);
}

/* ---- pseudo-terminal ---- */

static void a_pty_carries_bytes_both_ways(void **state)
{
    (void)state;
    struct far_end far = far_end_pty();
    struct link *link = opened(far.address, NULL);
    talk(link, &far);
    assert_string_equal(link_address(link), far.address);
    assert_string_equal(link_device(link), far.path);
    link_close(link);
    far_end_close(&far);
}

static void a_symlink_to_a_pty_is_followed(void **state)
{
    (void)state;
    struct far_end far = far_end_pty();
    char path[] = "/tmp/brunt-link-XXXXXX", address[80];
    assert_non_null(mkdtemp(path));
    assert_int_equal(rmdir(path), 0);
    assert_int_equal(symlink(far.path, path), 0);
    snprintf(address, sizeof address, "pty:%s", path);
    struct link *link = opened(address, NULL);
    assert_string_equal(link_device(link), far.path);
    link_close(link);
    unlink(path);
    far_end_close(&far);
}

static void a_pty_whose_instrument_went_is_lost_with_a_sentence(void **state)
{
    (void)state;
    struct far_end far = far_end_pty();
    struct error err = ERROR_INIT;
    struct link *link = opened(far.address, NULL);
    far_end_close(&far);
    assert_true(link_gets_lost(link, &err));
    assert_int_equal(err.kind, ERROR_LINK);
    assert_non_null(strstr(err.text, "the line is lost: hung up"));
    assert_int_equal(link_write(link, "X\n", 2, &err), -1);
    link_close(link);
}

static void a_full_line_takes_nothing_and_blocks_nobody(void **state)
{
    (void)state;
    struct far_end far = far_end_pty();
    struct error err = ERROR_INIT;
    struct link *link = opened(far.address, NULL);
    char much[4096];
    long n = 1, total = 0;
    memset(much, 'x', sizeof much);
    while (n > 0 && total < 10000000) {
        n = link_write(link, much, sizeof much, &err);
        total += n;
    }
    assert_int_equal(n, 0);
    link_close(link); /* and closing doesn't wait for it either: the test would hang */
    far_end_close(&far);
}

/* ---- busy ---- */

static void a_line_in_use_is_busy_and_its_holder_named(void **state)
{
    (void)state;
    struct far_end far = far_end_pty();
    int ready[2];
    char address[80], part[60], byte;
    snprintf(address, sizeof address, "%s", far.address);
    assert_int_equal(pipe(ready), 0);
    pid_t holder = fork();
    if (holder == 0) {
        struct link *link = link_open(address, NULL, NULL);
        if (!link || write(ready[1], "r", 1) != 1)
            _exit(1);
        pause();
    }
    assert_int_equal(read(ready[0], &byte, 1), 1);
    snprintf(part, sizeof part, "is in use by process %ld (links_test_links", (long)holder);
    part[strlen(part) - 3] = '\0'; /* the kernel cuts names at 15 */
    refused(address, NULL, ERROR_BUSY, part);
    kill(holder, SIGKILL);
    waitpid(holder, NULL, 0);
    struct link *link = opened(address, NULL); /* dead holders hold nothing */
    refused(address, NULL, ERROR_BUSY, "is in use by this process itself");
    link_close(link);
    link_close(opened(address, NULL));
    close(ready[0]);
    close(ready[1]);
    far_end_close(&far);
}

/* The guard holds a copy of the descriptor; closing must free the line all the same. */
static void a_closed_line_is_free_even_if_the_guard_holds_a_copy(void **state)
{
    (void)state;
    for (int serial = 0; serial < 2; serial++) {
        struct far_end far = far_end_pty();
        char address[80];
        pty_as_serial(serial);
        snprintf(address, sizeof address, "%s:%s", serial ? "serial" : "pty", far.path);
        struct link *link = opened(address, NULL);
        int copy = dup(link_descriptor(link));
        link_close(link);
        link_close(opened(address, NULL));
        close(copy);
        pty_as_serial(false);
        far_end_close(&far);
    }
}

/* ---- refusals ---- */

static void a_wrong_address_is_refused_with_what_to_write(void **state)
{
    static const struct { const char *address, *part; } wrong[] = {
        {"", "expected serial:/dev/..., pty:/path or tcp:host:port"},
        {"/dev/ttyS0", "expected serial:/dev/..., pty:/path or tcp:host:port"},
        {"usb:1", "unknown kind of line"},
        {"serial:ttyS0", "expected a full path, as in serial:/dev/..."},
        {"pty:", "expected a full path"},
        {"pty:/nowhere/at/all", "/nowhere/at/all is not there: is the instrument plugged in"},
        {"serial:/dev/serial/by-id/none", "is not there"},
        {"serial:/tmp", "/tmp is a directory, expected a serial port"},
        {"pty:/tmp", "/tmp is a directory, expected a pseudo-terminal"},
        {"serial:/etc/passwd", "/etc/passwd is a regular file"},
        {"pty:/dev/null", "/dev/null is no pseudo-terminal: write serial:/dev/null if"},
        {"serial:/dev/null", "/dev/null is no serial port"},
        {"tcp:", "expected tcp:host:port"},
        {"tcp:localhost", "expected tcp:host:port"},
        {"tcp::5025", "expected tcp:host:port"},
        {"tcp:localhost:0", "with a port from 1 to 65535"},
        {"tcp:localhost:65536", "with a port from 1 to 65535"},
        {"tcp:localhost:5025x", "with a port from 1 to 65535"},
        {"tcp:127.0.0.1:1", "nobody listens there"},
        {"tcp:[::1:5025", "is not known"},
        {"tcp:no such host:5025", "the host no such host is not known"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++)
        refused(wrong[i].address, NULL, ERROR_LINK, wrong[i].part);
}

static void the_other_kind_of_terminal_is_refused_with_the_right_word(void **state)
{
    (void)state;
    struct far_end far = far_end_pty();
    char address[80], part[120];
    snprintf(address, sizeof address, "serial:%s", far.path);
    snprintf(part, sizeof part, "%s is a pseudo-terminal, no serial port: write pty:%s", far.path, far.path);
    refused(address, NULL, ERROR_LINK, part);
    pty_as_serial(true);
    snprintf(part, sizeof part, "%s is no pseudo-terminal: write serial:%s", far.path, far.path);
    refused(far.address, NULL, ERROR_LINK, part);
    pty_as_serial(false);
    far_end_close(&far);
}

static void settings_that_cannot_be_are_refused(void **state)
{
    static const struct { struct link_settings settings; const char *part; } wrong[] = {
        {{.baud = -1}, "-1 baud can't be set"},
        {{.baud = 5000000}, "5000000 baud can't be set"},
        {{.data_bits = 4}, "4 data bits"},
        {{.data_bits = 9}, "9 data bits"},
        {{.stop_bits = 3}, "3 stop bits"},
        {{.parity = 'm'}, "parity 'm' is unknown"},
        {{.flow = 'd'}, "flow control 'd' is unknown"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++)
        refused("serial:/dev/null", &wrong[i].settings, ERROR_LINK, wrong[i].part);
}

/* Runs as another user, since root may everything: 0 if the sentence holds `part`. */
static int refused_as_other(const char *address, const char *part)
{
    pid_t child = fork();
    int status = 0;
    if (child == 0) {
        struct error err = ERROR_INIT;
        if (setgroups(0, NULL) < 0 || setgid(65534) < 0 || setuid(65534) < 0)
            _exit(3);
        _exit(link_open(address, NULL, &err) ? 1 : strstr(err.text, part) ? 0 : 2);
    }
    waitpid(child, &status, 0);
    return WEXITSTATUS(status);
}

static void without_permission_the_helping_group_is_named(void **state)
{
    (void)state;
    struct group *dialout = getgrnam("dialout");
    if (geteuid() != 0 || !dialout)
        skip();
    struct far_end far = far_end_pty();
    assert_int_equal(chown(far.path, 0, dialout->gr_gid), 0);
    assert_int_equal(chmod(far.path, 0660), 0);
    assert_int_equal(refused_as_other(far.address, "it is open to group dialout, so add the user (adduser USER dialout) and log in again"), 0);
    assert_int_equal(chmod(far.path, 0600), 0);
    assert_int_equal(refused_as_other(far.address, "no group would help"), 0);
    far_end_close(&far);
}

/* ---- tcp ---- */

static void a_tcp_socket_carries_bytes_both_ways_at_once(void **state)
{
    (void)state;
    struct far_end far = far_end_tcp();
    struct link *link = opened(far.address, NULL);
    int nodelay = 0;
    socklen_t len = sizeof nodelay;
    far_end_accept(&far);
    talk(link, &far);
    assert_int_equal(getsockopt(link_descriptor(link), IPPROTO_TCP, 1 /* TCP_NODELAY */, &nodelay, &len), 0);
    assert_int_equal(nodelay, 1);
    assert_string_equal(link_device(link), far.address + 4);
    link_close(link);
    far_end_close(&far);
}

static void a_closed_or_reset_connection_is_lost_with_a_sentence(void **state)
{
    (void)state;
    for (int reset = 0; reset < 2; reset++) {
        struct far_end far = far_end_tcp();
        struct error err = ERROR_INIT;
        struct link *link = opened(far.address, NULL);
        struct linger hard = {.l_onoff = 1, .l_linger = 0};
        far_end_accept(&far);
        if (reset)
            setsockopt(far.fd, SOL_SOCKET, SO_LINGER, &hard, sizeof hard);
        far_end_close(&far);
        assert_true(link_gets_lost(link, &err));
        assert_non_null(strstr(err.text, reset ? "the line is lost: Connection reset" : "the line is lost: closed by the other side"));
        for (int i = 0; i < 10 && link_write(link, "X\n", 2, &err) >= 0; i++) /* no SIGPIPE: it would end the test */
            poll(NULL, 0, 2);
        link_close(link);
    }
}

static void what_came_before_the_end_is_still_read(void **state)
{
    (void)state;
    struct far_end far = far_end_tcp();
    struct error err = ERROR_INIT;
    struct link *link = opened(far.address, NULL);
    char got[8];
    far_end_accept(&far);
    assert_int_equal(write(far.fd, "5.001\n", 6), 6);
    far_end_close(&far);
    assert_int_equal(link_read_wanted(link, got, 6, &err), 6);
    assert_true(link_gets_lost(link, &err));
    link_close(link);
}

/* A listener whose queue is full drops what knocks: as an address where nothing answers. */
static void a_host_that_does_not_answer_is_given_up(void **state)
{
    (void)state;
    struct sockaddr_in at = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    socklen_t len = sizeof at;
    char address[60];
    int listener = socket(AF_INET, SOCK_STREAM, 0), filler[4];
    assert_int_equal(bind(listener, (struct sockaddr *)&at, len), 0);
    assert_int_equal(listen(listener, 0), 0);
    assert_int_equal(getsockname(listener, (struct sockaddr *)&at, &len), 0);
    for (size_t i = 0; i < 4; i++) {
        filler[i] = socket(AF_INET, SOCK_STREAM | SOCK_NONBLOCK, 0);
        connect(filler[i], (struct sockaddr *)&at, len);
    }
    poll(NULL, 0, 50);
    snprintf(address, sizeof address, "tcp:127.0.0.1:%d", ntohs(at.sin_port));
    refused(address, NULL, ERROR_LINK, "no answer within 2 s: is the instrument on");
    for (size_t i = 0; i < 4; i++)
        close(filler[i]);
    close(listener);
}

/* ---- serial: libserialport on a pretended port ---- */

struct port {
    struct far_end far;
    char address[80];
};

static struct port port_make(void)
{
    struct port p = {.far = far_end_pty()};
    snprintf(p.address, sizeof p.address, "serial:%s", p.far.path);
    pty_as_serial(true);
    return p;
}

static void port_end(struct port *p)
{
    pty_as_serial(false);
    far_end_close(&p->far);
}

static void a_serial_port_carries_bytes_both_ways(void **state)
{
    (void)state;
    struct port p = port_make();
    struct link *link = opened(p.address, NULL);
    char identity[80];
    talk(link, &p.far);
    link_identity(link, identity, sizeof identity);
    assert_string_equal(identity, ""); /* no USB behind it */
    assert_string_equal(link_device(link), p.far.path);
    link_close(link);
    port_end(&p);
}

static void a_serial_port_is_set_as_asked_and_left_without_traps(void **state)
{
    (void)state;
    struct port p = port_make();
    struct termios t;
    int exclusive = 0;
    struct link *link = opened(p.address, &(struct link_settings){.baud = 9600, .stop_bits = 2});
    assert_int_equal(tcgetattr(link_descriptor(link), &t), 0);
    assert_int_equal(cfgetospeed(&t), B9600);
    assert_int_equal(cfgetispeed(&t), B9600);
    assert_true(t.c_cflag & CSTOPB);
    assert_int_equal(t.c_cflag & CSIZE, CS8);
    assert_false(t.c_cflag & (HUPCL | CRTSCTS | PARENB));
    assert_true(t.c_cflag & CLOCAL);
    assert_false(t.c_iflag & (IXON | IXOFF | IXANY | ICRNL | ISTRIP));
    assert_false(t.c_oflag & OPOST);
    assert_false(t.c_lflag & (ICANON | ECHO | ISIG));
    assert_int_equal(ioctl(link_descriptor(link), TIOCGEXCL, &exclusive), 0);
    assert_true(exclusive);
    link_close(link);
    link = opened(p.address, &(struct link_settings){.baud = 250000}); /* no B constant: set by number */
    link_close(link);
    port_end(&p);
}

static void a_serial_port_in_use_is_left_undisturbed(void **state)
{
    (void)state;
    struct port p = port_make();
    struct termios before = {0}, after = {0}; /* padding is compared too */
    int other = open(p.far.path, O_RDWR | O_NOCTTY | O_CLOEXEC);
    assert_int_equal(flock(other, LOCK_EX), 0);
    assert_int_equal(tcgetattr(other, &before), 0);
    refused(p.address, &(struct link_settings){.baud = 300}, ERROR_BUSY, "is in use by this process itself");
    assert_int_equal(tcgetattr(other, &after), 0);
    assert_memory_equal(&before, &after, sizeof before);
    flock(other, LOCK_UN);
    ioctl(other, TIOCEXCL); /* the other convention: root would get in nevertheless */
    refused(p.address, NULL, ERROR_BUSY, "is in use");
    ioctl(other, TIOCNXCL);
    close(other);
    link_close(opened(p.address, NULL));
    port_end(&p);
}

static void flow_control_is_read_back_and_missing_means_refused(void **state)
{
    (void)state;
    struct port p = port_make();
    struct termios t;
    struct link *link = opened(p.address, &(struct link_settings){.flow = 'r'});
    assert_int_equal(tcgetattr(link_descriptor(link), &t), 0);
    assert_true(t.c_cflag & CRTSCTS);
    assert_false(t.c_iflag & IXON);
    link_close(link);
    link = opened(p.address, &(struct link_settings){.flow = 'x'});
    assert_int_equal(tcgetattr(link_descriptor(link), &t), 0);
    assert_true((t.c_iflag & IXON) && (t.c_iflag & IXOFF));
    assert_false(t.c_cflag & CRTSCTS);
    link_close(link);
    pty_as_serial_without_flow_control(true);
    refused(p.address, &(struct link_settings){.flow = 'r'}, ERROR_LINK, "did not take flow control 'r': its driver has none");
    pty_as_serial_without_flow_control(false);
    port_end(&p);
}

/* A pty is always 8 bits without parity (measured): exactly a driver that can't. */
static void what_the_driver_cannot_set_is_refused(void **state)
{
    (void)state;
    struct port p = port_make();
    refused(p.address, &(struct link_settings){.data_bits = 7}, ERROR_LINK, "choose other line settings");
    refused(p.address, &(struct link_settings){.parity = 'e'}, ERROR_LINK, "choose other line settings");
    link_close(opened(p.address, NULL)); /* and nothing of it is left open or locked */
    port_end(&p);
}

static void a_pulled_serial_plug_is_no_silence(void **state)
{
    (void)state;
    struct port p = port_make();
    struct error err = ERROR_INIT;
    struct link *link = opened(p.address, NULL);
    char got[8];
    for (int i = 0; i < 5; i++)
        assert_int_equal(link_read(link, got, sizeof got, &err), 0);
    far_end_close(&p.far);
    assert_true(link_gets_lost(link, &err));
    assert_non_null(strstr(err.text, "was the plug pulled?"));
    assert_int_equal(link_write(link, "X\n", 2, &err), -1);
    link_close(link);
    port_end(&p);
}

static void a_full_serial_line_takes_nothing_and_blocks_nobody(void **state)
{
    (void)state;
    struct port p = port_make();
    struct error err = ERROR_INIT;
    struct link *link = opened(p.address, NULL);
    char much[4096];
    long n = 1, total = 0;
    memset(much, 'x', sizeof much);
    while (n > 0 && total < 10000000) {
        n = link_write(link, much, sizeof much, &err);
        total += n;
    }
    assert_int_equal(n, 0); /* libserialport calls this a failure with EAGAIN */
    link_close(link);
    port_end(&p);
}

/* The kernel raises both when a port is opened, here the pretence; nobody of us may drop them: some instruments reset then. */
static void modem_lines_are_not_dropped(void **state)
{
    (void)state;
    struct port p = port_make();
    struct link *link = opened(p.address, NULL);
    assert_int_equal(pty_as_serial_modem_lines() & (TIOCM_DTR | TIOCM_RTS), TIOCM_DTR | TIOCM_RTS);
    link_close(link);
    assert_int_equal(pty_as_serial_modem_lines() & (TIOCM_DTR | TIOCM_RTS), TIOCM_DTR | TIOCM_RTS);
    port_end(&p);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_pty_carries_bytes_both_ways),
        cmocka_unit_test(a_symlink_to_a_pty_is_followed),
        cmocka_unit_test(a_pty_whose_instrument_went_is_lost_with_a_sentence),
        cmocka_unit_test(a_full_line_takes_nothing_and_blocks_nobody),
        cmocka_unit_test(a_line_in_use_is_busy_and_its_holder_named),
        cmocka_unit_test(a_closed_line_is_free_even_if_the_guard_holds_a_copy),
        cmocka_unit_test(a_wrong_address_is_refused_with_what_to_write),
        cmocka_unit_test(the_other_kind_of_terminal_is_refused_with_the_right_word),
        cmocka_unit_test(settings_that_cannot_be_are_refused),
        cmocka_unit_test(without_permission_the_helping_group_is_named),
        cmocka_unit_test(a_tcp_socket_carries_bytes_both_ways_at_once),
        cmocka_unit_test(a_closed_or_reset_connection_is_lost_with_a_sentence),
        cmocka_unit_test(what_came_before_the_end_is_still_read),
        cmocka_unit_test(a_host_that_does_not_answer_is_given_up),
        cmocka_unit_test(a_serial_port_carries_bytes_both_ways),
        cmocka_unit_test(a_serial_port_is_set_as_asked_and_left_without_traps),
        cmocka_unit_test(a_serial_port_in_use_is_left_undisturbed),
        cmocka_unit_test(flow_control_is_read_back_and_missing_means_refused),
        cmocka_unit_test(what_the_driver_cannot_set_is_refused),
        cmocka_unit_test(a_pulled_serial_plug_is_no_silence),
        cmocka_unit_test(a_full_serial_line_takes_nothing_and_blocks_nobody),
        cmocka_unit_test(modem_lines_are_not_dropped),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
