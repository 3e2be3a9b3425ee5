/*
 * Stands between bruntd and a simulated load: a pseudo-terminal on one side, the load's Unix socket on the other. Bytes pass unchanged, until "VOLTS" comes on
 * standard input: then the next whole reading says so many volts instead, and the time from just before its bytes are written to when the first byte of what the daemon sends
 * next is here is printed, with that message: "LATENCY_US MESSAGE". Both waits (the daemon's for our bytes, ours for its) are in it.
 * At the end of standard input: "COUNT MEDIAN 99TH LONGEST" of the same time between each ordinary reading and the next query. Nothing is decided there: what is long in it
 * is the computer.
 * over_volts UNIX_SOCKET PTY_LINK
 */
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

enum { USUAL_MAX = 200000 };

struct between {
    int master, load;
    char asked[256], answer[256]; /* the line that is coming */
    size_t asked_len, answer_len;
    bool measures; /* the last message asked for a reading */
    double volts;  /* 0: nothing is to be changed */
    double struck_us, heard_us; /* 0: not yet */
    double passed_us, asked_us; /* an ordinary reading went to the daemon; what came next */
    float usual_us[USUAL_MAX];
    size_t usual_len;
};

static double now_us(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec * 1e6 + (double)now.tv_nsec * 1e-3;
}

static int open_master(const char *link)
{
    struct termios settings;
    char name[64];
    int master = posix_openpt(O_RDWR | O_NOCTTY);
    if (master < 0 || grantpt(master) < 0 || unlockpt(master) < 0 || ptsname_r(master, name, sizeof name) != 0)
        return -1;
    int slave = open(name, O_RDWR | O_NOCTTY); /* stays open: a daemon that closes is no hang-up */
    if (slave < 0 || tcgetattr(slave, &settings) < 0)
        return -1;
    cfmakeraw(&settings);
    return tcsetattr(slave, TCSANOW, &settings) < 0 || symlink(name, link) < 0 ? -1 : master;
}

static int open_load(const char *path)
{
    struct sockaddr_un at = {.sun_family = AF_UNIX};
    int fd = socket(AF_UNIX, SOCK_STREAM, 0);
    if (fd < 0 || strlen(path) >= sizeof at.sun_path)
        return -1;
    memcpy(at.sun_path, path, strlen(path) + 1);
    return connect(fd, (struct sockaddr *)&at, sizeof at) < 0 ? -1 : fd;
}

static void send_all(int fd, const char *bytes, size_t len)
{
    while (len > 0) {
        ssize_t n = write(fd, bytes, len);
        if (n <= 0)
            exit(4);
        bytes += n;
        len -= (size_t)n;
    }
}

/* What begins with a spoil byte is the off order just as well: its line is not what it is known by. */
static void end_message(struct between *b)
{
    b->asked[b->asked_len - 1] = '\0';
    b->measures = strncmp(b->asked, "MEAS:VOLT", 9) == 0;
    if (b->passed_us > 0.0 && b->measures && b->usual_len < USUAL_MAX)
        b->usual_us[b->usual_len++] = (float)(b->asked_us - b->passed_us);
    b->passed_us = b->asked_us = 0.0;
    if (b->heard_us > 0.0 && b->asked[0] != '!') {
        printf("%.1f %s\n", b->heard_us - b->struck_us, b->asked);
        fflush(stdout);
        b->struck_us = b->heard_us = 0.0;
    }
    b->asked_len = 0;
}

static void from_daemon(struct between *b)
{
    char bytes[256];
    ssize_t n = read(b->master, bytes, sizeof bytes);
    if (n <= 0)
        exit(4);
    double here_us = now_us();
    if (b->struck_us > 0.0 && b->heard_us <= 0.0)
        b->heard_us = here_us;
    if (b->passed_us > 0.0 && b->asked_us <= 0.0)
        b->asked_us = here_us;
    send_all(b->load, bytes, (size_t)n);
    for (ssize_t i = 0; i < n; i++) {
        if (b->asked_len == sizeof b->asked)
            exit(4);
        b->asked[b->asked_len++] = bytes[i];
        if (bytes[i] == '\n')
            end_message(b);
    }
}

static void end_answer(struct between *b)
{
    char struck[64];
    const char *amps = memchr(b->answer, ';', b->answer_len);
    if (b->volts > 0.0 && b->measures && amps) {
        int len = snprintf(struck, sizeof struck, "%.4f%.*s", b->volts, (int)(b->answer + b->answer_len - amps), amps);
        b->volts = 0.0;
        b->struck_us = now_us();
        send_all(b->master, struck, (size_t)len);
    } else {
        b->passed_us = b->measures && amps ? now_us() : 0.0;
        send_all(b->master, b->answer, b->answer_len);
    }
    b->answer_len = 0;
}

static void from_load(struct between *b)
{
    char bytes[256];
    ssize_t n = read(b->load, bytes, sizeof bytes);
    if (n <= 0)
        exit(4);
    for (ssize_t i = 0; i < n; i++) {
        if (b->answer_len == sizeof b->answer)
            exit(4);
        b->answer[b->answer_len++] = bytes[i];
        if (bytes[i] == '\n')
            end_answer(b);
    }
}

static int by_value(const void *a, const void *b)
{
    const float *left = a, *right = b;
    return (*left > *right) - (*left < *right);
}

static void say_usual(struct between *b)
{
    size_t n = b->usual_len;
    qsort(b->usual_us, n, sizeof b->usual_us[0], by_value);
    printf("%zu %.1f %.1f %.1f\n", n, n ? b->usual_us[n / 2] : 0.0F, n ? b->usual_us[n * 99 / 100] : 0.0F, n ? b->usual_us[n - 1] : 0.0F);
    fflush(stdout);
}

static void from_person(struct between *b)
{
    char line[64];
    ssize_t n = read(STDIN_FILENO, line, sizeof line - 1);
    if (n <= 0) {
        say_usual(b);
        exit(0);
    }
    line[n] = '\0';
    b->volts = atof(line);
}

int main(int argc, char **argv)
{
    static struct between b;
    if (argc != 3 || (b.master = open_master(argv[2])) < 0 || (b.load = open_load(argv[1])) < 0) {
        perror("over_volts");
        return 4;
    }
    (void)prctl(PR_SET_TIMERSLACK, 1000UL);
    for (;;) {
        struct pollfd polls[] = {{b.master, POLLIN, 0}, {b.load, POLLIN, 0}, {STDIN_FILENO, POLLIN, 0}};
        if (poll(polls, 3, -1) < 0 && errno != EINTR)
            return 4;
        if (polls[0].revents)
            from_daemon(&b);
        if (polls[1].revents)
            from_load(&b);
        if (polls[2].revents)
            from_person(&b);
    }
}
