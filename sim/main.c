/* brunt-sim: puts a simulated bench behind pseudo-terminals, TCP and Unix sockets. No logic of instruments or physics
 * in here. */
#include "sim/wire/sim.h"

#include "daemon/base/text.h"
#include "daemon/base/units.h"

#include <errno.h>
#include <fcntl.h>
#include <getopt.h>
#include <libgen.h>
#include <limits.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

enum {
    CLIENTS_MAX = 8,
    UNSENT_MAX = 65536,
    UNSENT_PAUSE = 32768,
    CONTROLS_MAX = 8,
    CHUNK_BYTES = 16,
    ANSWER_SIZE = 16384,
    LOOK_US = 40,
    WRITER_PTY = -1
};

struct port { /* one address of the bench, as the host sees it */
    size_t address;
    bool up;
    int master, slave, tcp, unix_socket; /* -1: none */
    int tcp_port;
    char link[PATH_MAX], unix_path[108], link_name[64];
    int clients[CLIENTS_MAX];
    int writer; /* who spoke last gets the answers: WRITER_PTY or an index into clients */
    char unsent[UNSENT_MAX];
    size_t unsent_len;
};

struct control {
    int fd;
    char line[512];
    size_t len;
};

struct host {
    struct sim *sim;
    char dir[PATH_MAX];
    double speed;
    int64_t start_us, sim_start_us;
    int control_socket;
    char control_path[108];
    struct control controls[CONTROLS_MAX];
    struct port ports[SIM_ADDRESSES_MAX];
};

static volatile sig_atomic_t asked_to_stop;

static void on_signal(int number)
{
    (void)number;
    asked_to_stop = 1;
}

static int64_t monotonic_us(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * US_PER_S + now.tv_nsec / 1000;
}

static int64_t sim_now_us(const struct host *host)
{
    int64_t real_us = monotonic_us() - host->start_us;
    return host->sim_start_us + (host->speed == 1.0 ? real_us : (int64_t)((double)real_us * host->speed));
}

static void close_fd(int *fd)
{
    if (*fd >= 0)
        close(*fd);
    *fd = -1;
}

/* ---- opening ---- */

static const struct {
    int baud;
    speed_t speed;
} speeds[] = {{1200, B1200},     {2400, B2400},     {4800, B4800},    {9600, B9600},
              {19200, B19200},   {38400, B38400},   {57600, B57600},  {115200, B115200},
              {230400, B230400}, {460800, B460800}, {921600, B921600}};

static int set_line(int fd, int baud)
{
    struct termios settings;
    if (tcgetattr(fd, &settings) < 0)
        return -1;
    cfmakeraw(&settings);
    for (size_t i = 0; i < sizeof speeds / sizeof speeds[0]; i++)
        if (speeds[i].baud == baud)
            cfsetspeed(&settings, speeds[i].speed);
    return tcsetattr(fd, TCSANOW, &settings);
}

/* The slave stays open on our side: a client that closes is no hang-up. Closing the master is one. */
static int open_pty(struct host *host, struct port *port, struct error *err)
{
    char name[64], fresh[PATH_MAX + 8];
    const char *link_name = sim_address_link_name(host->sim, port->address);
    port->master = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    if (port->master < 0 || grantpt(port->master) < 0 || unlockpt(port->master) < 0 ||
        ptsname_r(port->master, name, sizeof name) != 0)
        return error_errno(err, ERROR_SYSTEM, errno, "no pseudo-terminal for %s", link_name);
    port->slave = open(name, O_RDWR | O_NOCTTY | O_CLOEXEC);
    if (port->slave < 0 || set_line(port->slave, sim_address_baud(host->sim, port->address)) < 0)
        return error_errno(err, ERROR_SYSTEM, errno, "pseudo-terminal %s", name);
    if (snprintf(port->link, sizeof port->link, "%s/%s", host->dir, link_name) >= (int)sizeof port->link)
        return error_set(err, ERROR_USAGE, "--dir: the path is too long");
    snprintf(fresh, sizeof fresh, "%s.new", port->link);
    unlink(fresh);
    if (symlink(name, fresh) < 0 || rename(fresh, port->link) < 0) /* replaces an old link in one step */
        return error_errno(err, ERROR_SYSTEM, errno, "link %s", port->link);
    return 0;
}

static int open_tcp(struct port *port, int wanted_port, struct error *err)
{
    struct sockaddr_in at = {
        .sin_family = AF_INET, .sin_port = htons((uint16_t)wanted_port), .sin_addr = {htonl(INADDR_LOOPBACK)}};
    socklen_t len = sizeof at;
    int yes = 1;
    port->tcp = socket(AF_INET, SOCK_STREAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0);
    if (port->tcp < 0 || setsockopt(port->tcp, SOL_SOCKET, SO_REUSEADDR, &yes, sizeof yes) < 0 ||
        bind(port->tcp, (struct sockaddr *)&at, sizeof at) < 0 || listen(port->tcp, CLIENTS_MAX) < 0 ||
        getsockname(port->tcp, (struct sockaddr *)&at, &len) < 0)
        return error_errno(err, ERROR_SYSTEM, errno, "TCP port %d on 127.0.0.1", wanted_port);
    port->tcp_port = ntohs(at.sin_port);
    return 0;
}

/* A socket file without a listener is a leftover; one with a listener is somebody else's. */
static bool somebody_listens(const struct sockaddr_un *at)
{
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    bool answers = fd >= 0 && connect(fd, (const struct sockaddr *)at, sizeof *at) == 0;
    close_fd(&fd);
    return answers;
}

static int open_unix(const char *dir, const char *name, char path[108], int *ret_fd, struct error *err)
{
    struct sockaddr_un at = {.sun_family = AF_UNIX};
    if (snprintf(path, 108, "%s/%s", dir, name) >= 108) {
        path[0] = '\0';
        return error_set(err, ERROR_USAGE, "--dir %s: too long for a socket's path, which may have 107 characters",
                         dir);
    }
    memcpy(at.sun_path, path, strlen(path) + 1);
    if (somebody_listens(&at)) {
        path[0] = '\0';
        return error_set(err, ERROR_BUSY, "another brunt-sim runs in %s (%s answers there)", dir, name);
    }
    unlink(path);
    *ret_fd = socket(AF_UNIX, SOCK_STREAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0);
    if (*ret_fd < 0 || bind(*ret_fd, (struct sockaddr *)&at, sizeof at) < 0 || listen(*ret_fd, CLIENTS_MAX) < 0)
        return error_errno(err, ERROR_SYSTEM, errno, "socket %s", path);
    return 0;
}

static int port_up(struct host *host, struct port *port, struct error *err)
{
    const char *unix_name = sim_address_unix_name(host->sim, port->address);
    int tcp = sim_address_tcp_port(host->sim, port->address);
    port->up = true;
    port->writer = WRITER_PTY;
    text_copy(port->link_name, sizeof port->link_name, sim_address_link_name(host->sim, port->address));
    if (sim_address_wants_pty(host->sim, port->address) && open_pty(host, port, err) < 0)
        return -1;
    if (tcp >= 0 && open_tcp(port, port->tcp_port ? port->tcp_port : tcp, err) < 0)
        return -1;
    if (unix_name[0] && open_unix(host->dir, unix_name, port->unix_path, &port->unix_socket, err) < 0)
        return -1;
    return 0;
}

static void port_down(struct port *port)
{
    if (port->link[0])
        unlink(port->link);
    if (port->unix_path[0])
        unlink(port->unix_path);
    port->link[0] = port->unix_path[0] = '\0';
    for (size_t c = 0; c < CLIENTS_MAX; c++)
        close_fd(&port->clients[c]);
    close_fd(&port->slave);
    close_fd(&port->master);
    close_fd(&port->tcp);
    close_fd(&port->unix_socket);
    port->unsent_len = 0;
    port->up = false;
}

/* A plug pulled or put back by a command; a new name also makes a new pseudo-terminal. */
static void follow_hang_up(struct host *host, struct port *port)
{
    struct error err = ERROR_INIT;
    bool wants_up = !sim_hung_up(host->sim, port->address);
    if (port->up && (!wants_up || strcmp(port->link_name, sim_address_link_name(host->sim, port->address)) != 0))
        port_down(port);
    if (!port->up && wants_up && port_up(host, port, &err) < 0) {
        fprintf(stderr, "brunt-sim: %s\n", err.text);
        port_down(port);
        port->up = true; /* once is enough; the next hang-up tries again */
    }
}

/* ---- bytes ---- */

static bool line_speed_differs(const struct host *host, const struct port *port)
{
    struct termios settings;
    if (port->writer != WRITER_PTY || !sim_address_strict_baud(host->sim, port->address) ||
        tcgetattr(port->slave, &settings) < 0)
        return false;
    for (size_t i = 0; i < sizeof speeds / sizeof speeds[0]; i++)
        if (speeds[i].speed == cfgetospeed(&settings))
            return speeds[i].baud != sim_address_baud(host->sim, port->address);
    return true;
}

static void spoil_if_speed_differs(const struct host *host, const struct port *port, char *bytes, size_t len)
{
    if (len > 0 && line_speed_differs(host, port))
        for (size_t i = 0; i < len; i++)
            bytes[i] = (char)((bytes[i] ^ 0x5a) | 0x80);
}

static int writer_fd(const struct port *port)
{
    return port->writer == WRITER_PTY ? port->master : port->clients[port->writer];
}

static void send_unsent(struct port *port)
{
    int fd = writer_fd(port);
    ssize_t sent = 0;
    if (port->unsent_len == 0)
        return;
    if (fd >= 0)
        sent = port->writer == WRITER_PTY ? write(fd, port->unsent, port->unsent_len)
                                          : send(fd, port->unsent, port->unsent_len, MSG_NOSIGNAL);
    if (sent < 0 && errno != EAGAIN && errno != EINTR)
        close_fd(port->writer == WRITER_PTY ? &port->master : &port->clients[port->writer]);
    sent = sent < 0 ? 0 : sent;
    port->unsent_len -= (size_t)sent;
    memmove(port->unsent, port->unsent + sent, port->unsent_len);
    if (fd < 0 || port->writer == WRITER_PTY)
        port->unsent_len = 0; /* a serial line doesn't wait for whoever isn't reading */
}

static void answers_out(struct host *host, struct port *port, int64_t now_us)
{
    char bytes[4096];
    size_t len;
    while ((len = sim_read(host->sim, port->address, bytes, sizeof bytes, now_us)) > 0) {
        if (len > UNSENT_MAX - port->unsent_len)
            continue;
        spoil_if_speed_differs(host, port, bytes, len);
        memcpy(port->unsent + port->unsent_len, bytes, len);
        port->unsent_len += len;
    }
    send_unsent(port);
}

static void bytes_in(struct host *host, struct port *port, int writer, int *fd)
{
    char bytes[4096];
    size_t room = sim_write_room(host->sim, port->address);
    ssize_t got = read(*fd, bytes, room < sizeof bytes ? room : sizeof bytes);
    if (got <= 0) {
        if (got == 0 || (errno != EAGAIN && errno != EINTR && errno != EIO))
            close_fd(fd);
        return;
    }
    if (port->writer != writer)
        port->unsent_len = 0;
    port->writer = writer;
    spoil_if_speed_differs(host, port, bytes, (size_t)got);
    sim_write(host->sim, port->address, bytes, (size_t)got, sim_now_us(host));
}

static void accept_client(struct port *port, int listener)
{
    int fd = accept4(listener, NULL, NULL, SOCK_NONBLOCK | SOCK_CLOEXEC), yes = 1;
    if (fd < 0)
        return;
    (void)setsockopt(fd, IPPROTO_TCP, TCP_NODELAY, &yes, sizeof yes); /* fails on a Unix socket, which needs none */
    for (size_t c = 0; c < CLIENTS_MAX; c++)
        if (port->clients[c] < 0) {
            port->clients[c] = fd;
            return;
        }
    close(fd);
}

/* ---- control socket ---- */

static void control_obey(struct host *host, struct control *control)
{
    char answer[ANSWER_SIZE];
    struct error err = ERROR_INIT;
    sim_advance(host->sim, sim_now_us(host));
    if (sim_command(host->sim, control->line, answer, sizeof answer - 1, &err) < 0)
        snprintf(answer, sizeof answer, "error: %s", err.text);
    strcat(answer, "\n");
    for (size_t i = 0; i < sim_addresses(host->sim); i++)
        follow_hang_up(host, &host->ports[i]); /* before the answer: who reads it may rely on the plug being out */
    if (send(control->fd, answer, strlen(answer), MSG_NOSIGNAL) < 0)
        close_fd(&control->fd);
}

static void control_in(struct host *host, struct control *control)
{
    char bytes[512];
    ssize_t got = read(control->fd, bytes, sizeof bytes);
    if (got == 0 || (got < 0 && errno != EAGAIN && errno != EINTR))
        close_fd(&control->fd);
    for (ssize_t i = 0; i < got && control->fd >= 0; i++) {
        if (bytes[i] != '\n' && control->len + 1 < sizeof control->line) {
            control->line[control->len++] = bytes[i];
        } else if (bytes[i] == '\n') {
            control->line[control->len] = '\0';
            control->len = 0;
            control_obey(host, control);
        }
    }
}

static void accept_control(struct host *host)
{
    int fd = accept4(host->control_socket, NULL, NULL, SOCK_NONBLOCK | SOCK_CLOEXEC);
    for (size_t i = 0; fd >= 0 && i < CONTROLS_MAX; i++)
        if (host->controls[i].fd < 0) {
            host->controls[i].fd = fd;
            host->controls[i].len = 0;
            return;
        }
    close_fd(&fd);
}

/* ---- the loop ---- */

enum watched { WATCH_CONTROL_SOCKET, WATCH_CONTROL, WATCH_TCP, WATCH_UNIX, WATCH_PTY, WATCH_CLIENT };

struct watch {
    enum watched what;
    size_t i, client;
};

struct watch_list {
    nfds_t count;
    struct pollfd polls[1 + CONTROLS_MAX + SIM_ADDRESSES_MAX * (3 + CLIENTS_MAX)];
    struct watch watches[1 + CONTROLS_MAX + SIM_ADDRESSES_MAX * (3 + CLIENTS_MAX)];
};

static void watch(struct watch_list *list, int fd, short events, struct watch what)
{
    if (fd < 0)
        return;
    list->polls[list->count] = (struct pollfd){.fd = fd, .events = events};
    list->watches[list->count++] = what;
}

static void watch_port(const struct host *host, const struct port *port, size_t i, struct watch_list *list)
{
    bool room = sim_write_room(host->sim, port->address) > 0;
    watch(list, port->tcp, POLLIN, (struct watch){WATCH_TCP, i, 0});
    watch(list, port->unix_socket, POLLIN, (struct watch){WATCH_UNIX, i, 0});
    watch(list, port->master, room ? POLLIN : 0, (struct watch){WATCH_PTY, i, 0});
    for (size_t c = 0; c < CLIENTS_MAX; c++) {
        bool mine = port->writer == (int)c && port->unsent_len > 0;
        short in = room && !(mine && port->unsent_len > UNSENT_PAUSE) ? POLLIN : 0;
        watch(list, port->clients[c], (short)(in | (mine ? POLLOUT : 0)), (struct watch){WATCH_CLIENT, i, c});
    }
}

static void on_ready(struct host *host, const struct watch *what)
{
    struct port *port = &host->ports[what->i];
    switch (what->what) {
    case WATCH_CONTROL_SOCKET:
        accept_control(host);
        break;
    case WATCH_CONTROL:
        control_in(host, &host->controls[what->i]);
        break;
    case WATCH_TCP:
        accept_client(port, port->tcp);
        break;
    case WATCH_UNIX:
        accept_client(port, port->unix_socket);
        break;
    case WATCH_PTY:
        if (port->master >= 0)
            bytes_in(host, port, WRITER_PTY, &port->master);
        break;
    case WATCH_CLIENT:
        if (port->clients[what->client] >= 0)
            bytes_in(host, port, (int)what->client, &port->clients[what->client]);
        break;
    }
}

static struct timespec time_to(const struct host *host, int64_t due_us, int64_t now_us)
{
    int64_t longest_us = 100 * US_PER_MS, wait_us;
    wait_us = due_us <= now_us                    ? 0
              : due_us - now_us > 3600 * US_PER_S ? longest_us
                                                  : (int64_t)((double)(due_us - now_us) / host->speed);
    /* A sleep ends tens of microseconds late, which a reader would see as a slower line: the last stretch is spent
     * looking. */
    wait_us = wait_us > LOOK_US ? wait_us - LOOK_US : 0;
    wait_us = wait_us > longest_us ? longest_us : wait_us; /* the world goes on in small steps even if nobody asks */
    return (struct timespec){.tv_sec = 0, .tv_nsec = (long)wait_us * 1000};
}

static void turn(struct host *host, struct watch_list *list, const sigset_t *while_waiting)
{
    int64_t now_us = sim_now_us(host);
    struct timespec wait;
    for (size_t i = 0; i < sim_addresses(host->sim); i++)
        answers_out(host, &host->ports[i], now_us);
    list->count = 0;
    watch(list, host->control_socket, POLLIN, (struct watch){WATCH_CONTROL_SOCKET, 0, 0});
    for (size_t i = 0; i < CONTROLS_MAX; i++)
        watch(list, host->controls[i].fd, POLLIN, (struct watch){WATCH_CONTROL, i, 0});
    for (size_t i = 0; i < sim_addresses(host->sim); i++)
        watch_port(host, &host->ports[i], i, list);
    wait = time_to(host, sim_due_chunk_us(host->sim, CHUNK_BYTES), sim_now_us(host));
    if (ppoll(list->polls, list->count, &wait, while_waiting) <= 0)
        return;
    for (nfds_t k = 0; k < list->count; k++)
        if (list->polls[k].revents)
            on_ready(host, &list->watches[k]);
}

/* ---- life ---- */

static void host_close(struct host *host)
{
    for (size_t i = 0; i < SIM_ADDRESSES_MAX; i++)
        port_down(&host->ports[i]);
    for (size_t i = 0; i < CONTROLS_MAX; i++)
        close_fd(&host->controls[i].fd);
    close_fd(&host->control_socket);
    if (host->control_path[0])
        unlink(host->control_path);
}

static int host_open(struct host *host, const char *dir, struct error *err)
{
    if (mkdir(dir, 0700) < 0 && errno != EEXIST)
        return error_errno(err, ERROR_SYSTEM, errno, "--dir %s", dir);
    if (!realpath(dir, host->dir))
        return error_errno(err, ERROR_SYSTEM, errno, "--dir %s", dir);
    if (open_unix(host->dir, "control", host->control_path, &host->control_socket, err) < 0)
        return -1;
    for (size_t i = 0; i < sim_addresses(host->sim); i++)
        if (port_up(host, &host->ports[i], err) < 0)
            return -1;
    return 0;
}

static void host_init(struct host *host, struct sim *sim, double speed)
{
    memset(host, 0, sizeof *host);
    host->sim = sim;
    host->speed = speed;
    host->control_socket = -1;
    for (size_t i = 0; i < CONTROLS_MAX; i++)
        host->controls[i].fd = -1;
    for (size_t i = 0; i < SIM_ADDRESSES_MAX; i++) {
        struct port *port = &host->ports[i];
        port->address = i;
        port->master = port->slave = port->tcp = port->unix_socket = -1;
        for (size_t c = 0; c < CLIENTS_MAX; c++)
            port->clients[c] = -1;
    }
}

static void tell_addresses(const struct host *host)
{
    for (size_t i = 0; i < sim_addresses(host->sim); i++) {
        const struct port *port = &host->ports[i];
        if (port->link[0])
            printf("%s pty %s\n", sim_address_name(host->sim, i), port->link);
        if (port->tcp >= 0)
            printf("%s tcp 127.0.0.1:%d\n", sim_address_name(host->sim, i), port->tcp_port);
        if (port->unix_path[0])
            printf("%s unix %s\n", sim_address_name(host->sim, i), port->unix_path);
    }
    puts("ready");
    fflush(stdout);
}

static void catch_signals(sigset_t *while_waiting)
{
    struct sigaction action = {.sa_handler = on_signal};
    static const int numbers[] = {SIGTERM, SIGINT, SIGHUP};
    sigset_t blocked;
    sigemptyset(&blocked);
    for (size_t i = 0; i < sizeof numbers / sizeof numbers[0]; i++) {
        sigaddset(&blocked, numbers[i]);
        sigaction(numbers[i], &action, NULL);
    }
    signal(SIGPIPE, SIG_IGN);
    sigprocmask(SIG_BLOCK, &blocked, while_waiting); /* seen only inside ppoll(): none slips in between test and wait */
    for (size_t i = 0; i < sizeof numbers / sizeof numbers[0]; i++)
        sigdelset(while_waiting, numbers[i]);
}

static int serve(struct sim *sim, const char *dir, double speed, struct error *err)
{
    struct host *host = malloc(sizeof *host);
    struct watch_list *list = malloc(sizeof *list);
    sigset_t while_waiting;
    int result = -1;
    if (!host || !list) {
        free(host);
        free(list);
        return error_set(err, ERROR_MEMORY, "no memory for the links");
    }
    host_init(host, sim, speed);
    catch_signals(&while_waiting);
    (void)prctl(PR_SET_TIMERSLACK, 1000UL); /* a byte at 115200 baud lasts 87 us; the usual slack is 50 */
    if (host_open(host, dir, err) == 0) {
        host->start_us = monotonic_us();
        host->sim_start_us = world_now_us(sim_world(sim));
        tell_addresses(host);
        while (!asked_to_stop)
            turn(host, list, &while_waiting);
        result = 0;
    }
    host_close(host);
    free(host);
    free(list);
    return result;
}

static const char usage[] =
    "usage: brunt-sim [--dir DIR] [--speed N] [--seed N] FILE\n"
    "Plays the bench that FILE describes until it is told to stop (SIGTERM, Ctrl-C).\n"
    "  --dir DIR   where the links, sockets and the control socket go (default: here); made if it isn't there\n"
    "  --speed N   the world runs N times as fast; never for figures (0.01 to 10000, default 1)\n"
    "  --seed N    instead of the file's seed\n"
    "  --check     only reads FILE and says what is wrong with it\n"
    "  --version, --help\n"
    "Prints one line per link (NAME pty|tcp|unix WHERE), then \"ready\". DIR/control takes one command a line: try "
    "\"help\".\n"
    "FILE, commands and faults: docs/simulator-commands.md; the world: docs/simulator.md.\n";

struct options {
    const char *dir;
    double speed;
    long long seed;
    int check;
};

/* -1: go on; else the exit status. */
static int read_options(int argc, char **argv, struct options *ret)
{
    static const struct option longs[] = {{"dir", required_argument, NULL, 'd'},
                                          {"speed", required_argument, NULL, 's'},
                                          {"seed", required_argument, NULL, 'r'},
                                          {"check", no_argument, NULL, 'c'},
                                          {"help", no_argument, NULL, 'h'},
                                          {"version", no_argument, NULL, 'v'},
                                          {NULL, 0, NULL, 0}};
    *ret = (struct options){.dir = ".", .speed = 1.0};
    for (int c; (c = getopt_long(argc, argv, "", longs, NULL)) != -1;) {
        bool good = c == 'd' || c == 'c';
        ret->dir = c == 'd' ? optarg : ret->dir;
        ret->check = c == 'c' ? 1 : ret->check;
        if (c == 'h')
            return fputs(usage, stdout), 0;
        if (c == 'v')
            return puts("brunt-sim " BRUNT_VERSION), 0;
        if (c == 's')
            good = text_to_double(optarg, &ret->speed) && ret->speed >= 0.01 && ret->speed <= 10000.0;
        if (c == 'r')
            good = text_to_int64(optarg, 1, LLONG_MAX, &ret->seed);
        if (!good) {
            if (c != '?')
                fprintf(stderr, "brunt-sim: %s isn't a %s that it takes\n", optarg, c == 's' ? "speed" : "seed");
            return fputs(usage, stderr), 2;
        }
    }
    if (argc - optind != 1)
        return fputs(usage, stderr), 2;
    return -1;
}

int main(int argc, char **argv)
{
    struct options options;
    struct error err = ERROR_INIT;
    char copy[PATH_MAX] = "";
    struct tree *tree = NULL;
    struct sim *sim = NULL;
    int status = read_options(argc, argv, &options);
    if (status >= 0)
        return status;
    status = 2;
    if (!text_copy(copy, sizeof copy, argv[optind]))
        error_set(&err, ERROR_USAGE, "the file's path is too long");
    else if ((tree = tree_read_file(argv[optind], &err)) &&
             (sim = sim_new(tree, dirname(copy), (uint64_t)options.seed, &err)) && tree_all_taken(tree, &err) == 0)
        status = options.check || serve(sim, options.dir, options.speed, &err) == 0 ? 0 : 4;
    if (status)
        fprintf(stderr, "brunt-sim: %s\n", err.text);
    sim_free(sim);
    tree_free(tree);
    return status;
}
