#include "tests/guard/with_instrument.h"

#include <errno.h>
#include <fcntl.h>
#include <netinet/in.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

int64_t now_ns(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec * 1000000000LL + t.tv_nsec;
}

void sleep_ms(int ms)
{
    poll(NULL, 0, ms);
}

bool comes_to(const volatile bool *flag, bool want, int limit_ms)
{
    for (int waited = 0; waited < limit_ms && *flag != want; waited += 2)
        sleep_ms(2);
    return *flag == want;
}

struct buffer {
    char text[256];
    size_t len;
    bool illegal;
};

static void answer(struct instrument_state *s, int fd, const char *text)
{
    if (s->silent)
        return;
    if (s->answer_delay_ms)
        sleep_ms(s->answer_delay_ms);
    if (write(fd, text, strlen(text)) < 0)
        return;
}

static void set_input(struct instrument_state *s, bool on)
{
    if (s->on && !on)
        s->off_ns = now_ns();
    s->on = on;
    s->ons += on;
}

static void execute(struct instrument_state *s, int fd, const char *text)
{
    double value;
    char unit[8] = "";
    if (s->echo) {
        answer(s, fd, text);
        answer(s, fd, "\r\n");
    }
    if (strcmp(text, "INP ON") == 0)
        set_input(s, true);
    else if (strcmp(text, "INP OFF") == 0)
        set_input(s, false);
    else if (strcmp(text, "INP?") == 0)
        answer(s, fd, s->on ? "1\n" : "0\n");
    else if (sscanf(text, "CURR %lf %7s", &value, unit) >= 1) {
        s->amps = strcmp(unit, "MA") == 0 ? value / 1000 : value;
        s->sets++;
    }
    s->executed++;
}

static void take(struct instrument_state *s, struct buffer *b, int fd, const char *bytes, size_t len)
{
    for (size_t i = 0; i < len; i++) {
        if (bytes[i] != '\n') {
            b->illegal |= bytes[i] == '!';
            if (b->len + 1 < sizeof b->text && bytes[i] != '\r')
                b->text[b->len++] = bytes[i];
            continue;
        }
        b->text[b->len] = '\0';
        b->len = 0;
        if (b->illegal)
            s->dropped++;
        else
            execute(s, fd, b->text);
        b->illegal = false;
    }
}

/* EIO: nobody has the other end open. The next opener comes. */
static void play_pty(struct instrument_state *s, int master)
{
    struct buffer b = {.len = 0};
    char got[256];
    ssize_t n;
    while ((n = read(master, got, sizeof got)) > 0 || (n < 0 && (errno == EINTR || errno == EIO)))
        if (n > 0)
            take(s, &b, master, got, (size_t)n);
        else
            sleep_ms(2);
}

/* One buffer for all connections: harsher than most, for a half message outlives its writer. */
static void play_tcp(struct instrument_state *s, int listener)
{
    struct buffer b = {.len = 0};
    struct pollfd p[9] = {{.fd = listener, .events = POLLIN}};
    for (size_t i = 1; i < 9; i++)
        p[i] = (struct pollfd){.fd = -1, .events = POLLIN};
    while (poll(p, 9, 50) >= 0) {
        char got[256];
        if (p[0].revents)
            for (size_t i = 1; i < 9; i++)
                if (p[i].fd < 0) {
                    p[i].fd = accept(listener, NULL, NULL);
                    s->connections++;
                    break;
                }
        for (size_t i = 1; i < 9; i++) {
            ssize_t n = p[i].fd >= 0 && p[i].revents ? read(p[i].fd, got, sizeof got) : -2;
            if (n > 0)
                take(s, &b, p[i].fd, got, (size_t)n);
            if ((n != -2 && n <= 0) || (p[i].fd >= 0 && s->hang_up_next)) {
                close(p[i].fd);
                p[i].fd = -1;
            }
        }
        s->hang_up_next = false;
    }
}

static int pty_make(struct instrument *it, uid_t owner)
{
    char name[64];
    struct termios t;
    int master = posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC);
    if (master < 0 || grantpt(master) < 0 || unlockpt(master) < 0 || ptsname_r(master, name, sizeof name) != 0)
        abort();
    it->keep = open(name, O_RDWR | O_NOCTTY | O_CLOEXEC);
    if (it->keep < 0 || tcgetattr(it->keep, &t) < 0)
        abort();
    cfmakeraw(&t);
    tcsetattr(it->keep, TCSANOW, &t);
    if (owner && chown(name, owner, (gid_t)-1) < 0)
        abort();
    snprintf(it->address, sizeof it->address, "pty:%s", name);
    return master;
}

static int tcp_make(struct instrument *it)
{
    struct sockaddr_in at = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    socklen_t len = sizeof at;
    it->keep = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (it->keep < 0 || bind(it->keep, (struct sockaddr *)&at, len) < 0 || listen(it->keep, 8) < 0 ||
        getsockname(it->keep, (struct sockaddr *)&at, &len) < 0)
        abort();
    snprintf(it->address, sizeof it->address, "tcp:127.0.0.1:%d", ntohs(at.sin_port));
    return it->keep;
}

struct instrument instrument_start(enum instrument_line line, uid_t owner)
{
    struct instrument it = {.keep = -1};
    void *shared = mmap(NULL, sizeof *it.state, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
    if (shared == MAP_FAILED)
        abort();
    it.state = shared;
    int fd = line == ON_PTY ? pty_make(&it, owner) : tcp_make(&it);
    it.pid = fork();
    if (it.pid < 0)
        abort();
    if (it.pid == 0) {
        prctl(PR_SET_PDEATHSIG, SIGKILL);
        signal(SIGPIPE, SIG_IGN);
        if (line == ON_PTY) {
            close(it.keep);
            play_pty(it.state, fd);
        } else
            play_tcp(it.state, fd);
        _exit(0);
    }
    if (line == ON_PTY) {
        close(fd);
        close(it.keep);
        it.keep = -1;
    }
    return it;
}

void instrument_stop(struct instrument *it)
{
    kill(it->pid, SIGKILL);
    waitpid(it->pid, NULL, 0);
    if (it->keep >= 0)
        close(it->keep);
    munmap(it->state, sizeof *it->state);
}

static size_t put(unsigned char *to, const char *text)
{
    memcpy(to, text, strlen(text));
    return strlen(text);
}

struct arm_entry instrument_entry(const struct instrument *it, const char *name)
{
    struct arm_entry e = {.baud = 115200, .data_bits = 8, .stop_bits = 1, .parity = 'n', .flow = 'n', .attempt_ms = 120};
    snprintf(e.name, sizeof e.name, "%s", name);
    snprintf(e.address, sizeof e.address, "%s", it->address);
    e.spoil_len = put(e.spoil, "!\n");
    e.off_len = put(e.off, "INP OFF\n");
    e.query_len = put(e.query, "INP?\n");
    e.answer_off_len = put(e.answer_off, "0");
    return e;
}
