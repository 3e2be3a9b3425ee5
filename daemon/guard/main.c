/*
 * brunt-guard DIR: turns armed loads off when the daemon dies or hangs. It shares nothing with the daemon, not even the few lines that
 * parse an armed file or open a port: arm*.c has its own, written differently on purpose, because two errors must not agree. What both
 * obey is docs/safety.md.
 *
 * One thread, one poll(). No allocation after start, nothing that waits for a disk before the first off, no write that could block.
 */
#include <arpa/inet.h>
#include <asm/termbits.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <netdb.h>
#include <netinet/in.h>
#include <poll.h>
#include <signal.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/ioctl.h>
#include <sys/mman.h>
#include <sys/pidfd.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <time.h>
#include <unistd.h>

enum {
    LINES_MAX = 16,
    CLIENTS_MAX = 4,
    FILE_MAX = 64 * 1024,
    BEAT_LOST_MS = 1000,
    START_GRACE_MS = 2000,   /* an armed file found at start: so long may its living daemon take to connect and arm */
    FIRST_TRY_MS = 100,      /* after the first off, if the daemon isn't dead by then */
    DEATH_MS = 5000,         /* a killed process that is still there sits in a system call and sends nothing of its own */
    MAINS_AFTER_MS = 1000,
    REOPEN_MS = 250,
    CONNECT_MS = 2000,
    GIVE_UP_MS = 10 * 60 * 1000,
    IDLE_EXIT_MS = 60 * 1000,
    ANSWERS_WANTED = 2,      /* in a row: one may be the late answer to somebody else's question */
    TURN_MS = 100            /* how often a fence looks whether somebody has taken over */
};

struct bytes {
    unsigned char at[128];
    size_t len;
};

enum state { UNTOUCHED, CLOSED, CONNECTING, SENDING, QUIET, ASKED, CONFIRMED };

struct line {
    char name[64], address[160];
    int baud, data_bits, stop_bits, attempt_ms;
    char parity, flow;
    struct bytes spoil, off, query, answer;
    bool mains;
    int fd;                  /* -1: to be opened by its path */
    struct sockaddr_storage peer;
    socklen_t peer_len;      /* where a TCP line led when its descriptor came: needs no resolver then */
    enum state state;
    unsigned char out[512];
    size_t out_len, out_at;
    char in[160];
    size_t in_len;
    int64_t due_ms, quiet_until_ms, confirmed_ms;
    int answers, tries;
    bool sent_once;
};

struct armed {               /* what one armed file said */
    struct line lines[LINES_MAX];
    size_t count;
    bool whole;
    long pid;
    unsigned long long starttime;
    char boot[40];
    ino_t inode;
    struct timespec changed;
};

struct guard {
    int dir, listener;
    int clients[CLIENTS_MAX]; /* -1: free */
    struct armed now, next;   /* next: being sent by clients[next_client], fds_due still to come */
    int owner, next_client, fds_due;
    unsigned long next_number;
    bool armed, fencing, daemon_dead, mains_needed, file_stood;
    int pidfd;
    int64_t beat_ms, fence_ms, idle_ms;
    char why[200], killed[120];
};

static volatile sig_atomic_t asked_to_leave;

static void on_terminate(int signal_number)
{
    (void)signal_number;
    asked_to_leave = 1;
}

static int64_t clock_ms(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec * 1000LL + t.tv_nsec / 1000000;
}

/* To standard error if it takes it now; a full pipe or a stopped terminal must not hold up the guard. */
static void say(const char *format, ...) __attribute__((format(printf, 1, 2)));
static void say(const char *format, ...)
{
    char text[600];
    struct pollfd p = {.fd = STDERR_FILENO, .events = POLLOUT};
    va_list args;
    int len = snprintf(text, sizeof text, "brunt-guard: ");
    va_start(args, format);
    vsnprintf(text + len, sizeof text - (size_t)len - 1, format, args);
    va_end(args);
    strcat(text, "\n");
    if (poll(&p, 1, 0) == 1 && (p.revents & POLLOUT) && write(STDERR_FILENO, text, strlen(text)) < 0)
        return;
}

/* ---- the armed file ---- */

static int hex_digit(char c)
{
    const char *digits = "0123456789abcdef", *at = c ? strchr(digits, c) : NULL;
    return at ? (int)(at - digits) : -1;
}

static bool hex_bytes(const char *text, struct bytes *ret)
{
    ret->len = 0;
    if (strcmp(text, "-") == 0)
        return true;
    for (; text[0]; text += 2) {
        int high = hex_digit(text[0]), low = high < 0 ? -1 : hex_digit(text[1]);
        if (low < 0 || ret->len == sizeof ret->at)
            return false;
        ret->at[ret->len++] = (unsigned char)(high * 16 + low);
    }
    return ret->len > 0;
}

/* %XX stands for what would break the line apart. */
static bool plain_text(const char *text, char *ret, size_t size)
{
    size_t len = 0;
    while (*text && len + 1 < size) {
        int high = text[0] == '%' ? hex_digit(text[1]) : -1, low = high < 0 ? -1 : hex_digit(text[2]);
        if (text[0] == '%' && low < 0)
            return false;
        ret[len++] = text[0] == '%' ? (char)(high * 16 + low) : text[0];
        text += text[0] == '%' ? 3 : 1;
    }
    ret[len] = '\0';
    return len > 0 && *text == '\0';
}

static bool whole_number(const char *text, int min, int max, int *ret)
{
    char *end;
    long value = strtol(text, &end, 10);
    if (end == text || *end || value < min || value > max)
        return false;
    *ret = (int)value;
    return true;
}

static bool entry_line(char *text, struct line *ret)
{
    char *word[13], *rest = NULL;
    int mains;
    for (size_t i = 0; i < 13; i++)
        if (!(word[i] = strtok_r(i ? NULL : text, " ", &rest)))
            return false;
    memset(ret, 0, sizeof *ret);
    ret->fd = -1;
    ret->parity = word[4][0];
    ret->flow = word[6][0];
    if (!plain_text(word[0], ret->name, sizeof ret->name) || !plain_text(word[1], ret->address, sizeof ret->address) ||
        !whole_number(word[2], 0, 100000000, &ret->baud) || !whole_number(word[3], 0, 8, &ret->data_bits) ||
        !whole_number(word[5], 0, 2, &ret->stop_bits) || !hex_bytes(word[7], &ret->spoil) || !hex_bytes(word[8], &ret->off) ||
        !hex_bytes(word[9], &ret->query) || !hex_bytes(word[10], &ret->answer) ||
        !whole_number(word[11], 1, 60000, &ret->attempt_ms) || !whole_number(word[12], 0, 1, &mains))
        return false;
    ret->mains = mains;
    return ret->off.len > 0;
}

/* Takes in what is whole; ret->whole tells whether that was everything. */
static void armed_parse(char *text, struct armed *ret)
{
    bool odd = false, end = false, first = true;
    for (char *stop; (stop = strchr(text, '\n')); text = stop + 1) {
        *stop = '\0';
        if (first)
            odd |= strcmp(text, "brunt-armed 1") != 0;
        else if (strncmp(text, "pid ", 4) == 0)
            odd |= sscanf(text, "pid %ld %llu %39s", &ret->pid, &ret->starttime, ret->boot) != 3;
        else if (strncmp(text, "entry ", 6) == 0 && ret->count < LINES_MAX && entry_line(text + 6, &ret->lines[ret->count]))
            ret->count++;
        else if (strcmp(text, "end") == 0)
            end = true;
        else
            odd = true;
        first = false;
    }
    ret->whole = end && !odd && *text == '\0';
}

/* false: there is none, or it can't be read. */
static bool armed_load(int dir, struct armed *ret)
{
    static char text[FILE_MAX + 1];
    struct stat st;
    size_t len = 0;
    ssize_t n = 0;
    memset(ret, 0, sizeof *ret);
    int fd = openat(dir, "armed", O_RDONLY | O_NOFOLLOW | O_NONBLOCK | O_CLOEXEC);
    if (fd < 0)
        return false;
    bool fine = fstat(fd, &st) == 0 && S_ISREG(st.st_mode) && (st.st_uid == geteuid() || st.st_uid == 0);
    while (fine && len < FILE_MAX && (n = read(fd, text + len, FILE_MAX - len)) > 0)
        len += (size_t)n;
    close(fd);
    if (!fine)
        return false;
    text[len] = '\0';
    ret->inode = st.st_ino;
    ret->changed = st.st_mtim;
    armed_parse(text, ret);
    return true;
}

static void armed_close(struct armed *a)
{
    for (size_t i = 0; i < a->count; i++) {
        if (a->lines[i].fd >= 0)
            close(a->lines[i].fd);
        a->lines[i].fd = -1;
    }
    a->count = 0;
}

/* ---- the daemon, by a descriptor that can't come to mean another process ---- */

static bool process_starttime(long pid, unsigned long long *ret)
{
    char path[64], text[1024];
    snprintf(path, sizeof path, "/proc/%ld/stat", pid);
    int fd = open(path, O_RDONLY | O_CLOEXEC);
    ssize_t len = fd < 0 ? -1 : read(fd, text, sizeof text - 1);
    if (fd >= 0)
        close(fd);
    if (len <= 0)
        return false;
    text[len] = '\0';
    char *at = strrchr(text, ')'); /* the name may hold spaces and brackets */
    for (int field = 2; at && field < 22; field++)
        at = strchr(at + 1, ' ');
    return at && sscanf(at, "%llu", ret) == 1;
}

static bool same_boot(const char *boot)
{
    char now[40] = "";
    int fd = open("/proc/sys/kernel/random/boot_id", O_RDONLY | O_CLOEXEC);
    ssize_t len = fd < 0 ? -1 : read(fd, now, sizeof now - 1);
    if (fd >= 0)
        close(fd);
    return len >= 36 && strncmp(now, boot, 36) == 0;
}

/* A descriptor of the process the file names, or -1: it is gone, or its number has gone to another. */
static int daemon_find(const struct armed *a)
{
    unsigned long long started;
    if (a->pid <= 1 || !same_boot(a->boot))
        return -1;
    int fd = pidfd_open((pid_t)a->pid, 0);
    if (fd >= 0 && process_starttime(a->pid, &started) && started == a->starttime)
        return fd;
    if (fd >= 0)
        close(fd);
    return -1;
}

/* ---- lines ---- */

static void baud_and_frame(const struct line *l, struct termios2 *t)
{
    static const tcflag_t sizes[] = {CS5, CS6, CS7, CS8};
    t->c_iflag = l->flow == 'x' ? IXON | IXOFF : 0;
    t->c_oflag = 0;
    t->c_lflag = 0;
    t->c_cflag = BOTHER | CREAD | CLOCAL | sizes[l->data_bits >= 5 ? l->data_bits - 5 : 3];
    t->c_cflag |= l->parity == 'e' ? PARENB : l->parity == 'o' ? PARENB | PARODD : 0;
    t->c_cflag |= (l->stop_bits == 2 ? CSTOPB : 0) | (l->flow == 'r' ? CRTSCTS : 0);
    t->c_ispeed = t->c_ospeed = l->baud ? (speed_t)l->baud : 115200;
    t->c_cc[VMIN] = 1;
    t->c_cc[VTIME] = 0;
}

static int terminal_open(const struct line *l, const char *path)
{
    struct termios2 t;
    int fd = open(path, O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    if (fd < 0)
        return -1;
    if (ioctl(fd, TCGETS2, &t) < 0) {
        close(fd);
        return -1;
    }
    baud_and_frame(l, &t);
    ioctl(fd, TCSETS2, &t); /* a driver that refuses may still have the daemon's settings: better than no off */
    return fd;
}

/* Numeric addresses never wait; names only matter if the daemon gave no descriptor to ask for the peer. */
static bool tcp_resolve(struct line *l, const char *rest)
{
    char host[160];
    struct addrinfo hints = {.ai_socktype = SOCK_STREAM}, *list = NULL;
    snprintf(host, sizeof host, "%s", rest[0] == '[' ? rest + 1 : rest);
    char *colon = strrchr(host, ':');
    if (!colon)
        return false;
    *colon = '\0';
    if (rest[0] == '[' && colon > host && colon[-1] == ']')
        colon[-1] = '\0';
    if (getaddrinfo(host, colon + 1, &hints, &list) != 0)
        return false;
    memcpy(&l->peer, list->ai_addr, list->ai_addrlen);
    l->peer_len = list->ai_addrlen;
    freeaddrinfo(list);
    return true;
}

static int tcp_open(struct line *l, const char *rest)
{
    if (!l->peer_len && !tcp_resolve(l, rest))
        return -1;
    int fd = socket(l->peer.ss_family, SOCK_STREAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0);
    if (fd >= 0 && connect(fd, (struct sockaddr *)&l->peer, l->peer_len) < 0 && errno != EINPROGRESS) {
        close(fd);
        return -1;
    }
    return fd;
}

static void line_close(struct line *l)
{
    if (l->fd >= 0)
        close(l->fd);
    l->fd = -1;
}

static void line_fail(struct line *l, int64_t now)
{
    line_close(l);
    l->state = CLOSED;
    l->answers = 0;
    l->due_ms = now + REOPEN_MS;
}

/* Sends what is due to go; true when all of it went. A dead line is closed, to be opened again. */
static bool line_push(struct line *l, int64_t now)
{
    while (l->out_at < l->out_len) {
        ssize_t n = write(l->fd, l->out + l->out_at, l->out_len - l->out_at);
        if (n < 0 && errno == EINTR)
            continue;
        if (n < 0 && errno != EAGAIN)
            line_fail(l, now);
        if (n <= 0)
            return false;
        l->out_at += (size_t)n;
    }
    return true;
}

static void put_out(struct line *l, const struct bytes *a, const struct bytes *b)
{
    memcpy(l->out, a->at, a->len);
    memcpy(l->out + a->len, b->at, b->len);
    l->out_len = a->len + b->len;
    l->out_at = 0;
}

/* Whatever waits in the driver goes: what the dead daemon queued before our off, and answers to its questions. */
static void line_flush(const struct line *l)
{
    ioctl(l->fd, TCFLSH, TCIOFLUSH);
    ioctl(l->fd, TCXONC, TCOON);
    ioctl(l->fd, TIOCNXCL); /* a restarting daemon may be another user's */
}

/* How long a line must be silent before the question: late answers to the daemon are over then. */
static int quiet_ms(const struct line *l)
{
    int ms = l->attempt_ms / 4;
    return ms < 30 ? 30 : ms > 250 ? 250 : ms;
}

static void try_off(struct line *l, int64_t now);

static void line_sent(struct line *l, int64_t now)
{
    if (l->state == SENDING) {
        l->sent_once = true;
        l->state = QUIET;
        l->due_ms = now + quiet_ms(l);
        l->quiet_until_ms = now + l->attempt_ms + 1000; /* a babbling instrument is asked all the same */
    } else if (l->state == ASKED) {
        l->due_ms = now + l->attempt_ms;
    }
}

static void try_off(struct line *l, int64_t now)
{
    static const struct bytes nothing = {.len = 0};
    bool tcp = strncmp(l->address, "tcp:", 4) == 0;
    const char *rest = strchr(l->address, ':');
    l->tries++;
    l->in_len = 0;
    if (l->fd < 0) {
        if (!rest || (l->fd = tcp ? tcp_open(l, rest + 1) : terminal_open(l, rest + 1)) < 0) {
            line_fail(l, now);
            return;
        }
        l->out_len = l->out_at = 0;
        if (tcp) {
            l->state = CONNECTING;
            l->due_ms = now + CONNECT_MS;
            return;
        }
    }
    put_out(l, l->spoil.len ? &l->spoil : &nothing, &l->off);
    l->state = SENDING;
    l->due_ms = now + l->attempt_ms + 200;
    if (line_push(l, now))
        line_sent(l, now);
}

static void ask(struct line *l, int64_t now)
{
    static const struct bytes nothing = {.len = 0};
    l->in_len = 0;
    if (!l->query.len) { /* can't be confirmed: the off goes out again and again, and the mains follow */
        try_off(l, now);
        return;
    }
    put_out(l, &nothing, &l->query);
    l->state = ASKED;
    l->due_ms = now + l->attempt_ms;
    if (line_push(l, now))
        line_sent(l, now);
}

static void line_due(struct line *l, int64_t now)
{
    if (l->state == CONFIRMED || l->state == UNTOUCHED || now < l->due_ms)
        return;
    if (l->state == QUIET) {
        ask(l, now);
        return;
    }
    if (l->state == SENDING && l->fd >= 0)
        line_flush(l); /* stuck: perhaps behind what the daemon queued */
    if (l->state == CONNECTING)
        line_close(l);
    l->answers = 0;
    try_off(l, now);
}

/* As text, or as numbers: an instrument may say 0, +0 or 0.0. */
static bool answer_is_off(const struct line *l, const char *text)
{
    char want[129], *end_a, *end_b;
    memcpy(want, l->answer.at, l->answer.len);
    want[l->answer.len] = '\0';
    want[strcspn(want, "\r\n")] = '\0';
    if (strcmp(want, text) == 0)
        return true;
    double a = strtod(text, &end_a), b = strtod(want, &end_b);
    return end_a != text && end_b != want && !*end_a && !*end_b && a == b;
}

static void line_answer(struct guard *g, struct line *l, int64_t now)
{
    char *text = l->in;
    l->in[l->in_len] = '\0';
    l->in_len = 0;
    while (*text == ' ')
        text++;
    for (size_t len = strlen(text); len && text[len - 1] == ' ';)
        text[--len] = '\0';
    if (l->state != ASKED || !answer_is_off(l, text))
        return;
    if (!g->daemon_dead)
        return; /* it might still switch on */
    if (++l->answers < ANSWERS_WANTED) {
        try_off(l, now);
        return;
    }
    l->state = CONFIRMED;
    l->confirmed_ms = now;
}

static void line_pull(struct guard *g, struct line *l, int64_t now)
{
    char got[256];
    ssize_t n = read(l->fd, got, sizeof got);
    if (n == 0 || (n < 0 && errno != EAGAIN && errno != EINTR)) {
        /* libserialport's VMIN 0 reads 0 for silence too; poll() said readable, so here it means the line is gone. */
        line_fail(l, now);
        return;
    }
    for (ssize_t i = 0; i < n && l->state != CONFIRMED; i++) {
        if (got[i] == '\n' || got[i] == '\r')
            line_answer(g, l, now);
        else if (l->in_len + 1 < sizeof l->in)
            l->in[l->in_len++] = got[i];
        else
            l->in_len = 0;
    }
    if (n > 0 && l->state == QUIET && now + quiet_ms(l) < l->quiet_until_ms)
        l->due_ms = now + quiet_ms(l);
}

static void line_writable(struct line *l, int64_t now)
{
    int why = 0;
    socklen_t len = sizeof why;
    if (l->state != CONNECTING) {
        if (line_push(l, now))
            line_sent(l, now);
        return;
    }
    if (getsockopt(l->fd, SOL_SOCKET, SO_ERROR, &why, &len) < 0 || why)
        line_fail(l, now);
    else
        try_off(l, now);
}

/* ---- the fence ---- */

static void report_write(const struct guard *g, const char *end)
{
    char when[40];
    time_t now = time(NULL);
    struct tm utc;
    int fd = openat(g->dir, "guarded.new", O_WRONLY | O_CREAT | O_TRUNC | O_NOFOLLOW | O_CLOEXEC, 0600);
    FILE *file = fd < 0 ? NULL : fdopen(fd, "w");
    if (!file) {
        say("can't write the report DIR/guarded: %s", strerror(errno));
        return;
    }
    strftime(when, sizeof when, "%Y-%m-%dT%H:%M:%SZ", gmtime_r(&now, &utc));
    fprintf(file, "brunt-guarded 1\nat %s\nwhy %s\ndaemon %ld %s\n", when, g->why, g->now.pid, g->killed);
    for (size_t i = 0; i < g->now.count; i++) {
        const struct line *l = &g->now.lines[i];
        const char *how = l->state == CONFIRMED ? "confirmed" : l->state == UNTOUCHED ? "untouched" : "unconfirmed";
        long long ms = l->state == CONFIRMED ? (long long)(l->confirmed_ms - g->fence_ms) : -1;
        fprintf(file, "line %s %s %s %lld %d\n", l->name, l->mains ? "mains" : "load", how, ms, l->tries);
    }
    fprintf(file, "end %s\n", end);
    fflush(file);
    fsync(fd);
    fclose(file);
    renameat(g->dir, "guarded.new", g->dir, "guarded");
    fsync(g->dir);
}

static void fence_end(struct guard *g, const char *end)
{
    g->fencing = g->armed = false;
    g->idle_ms = clock_ms();
    for (size_t i = 0; i < g->now.count; i++)
        line_close(&g->now.lines[i]); /* gives the lines back: a copy of a descriptor carries its lock */
    report_write(g, end);
    g->now.count = 0;
    if (g->pidfd >= 0)
        close(g->pidfd);
    g->pidfd = -1;
    say("%s", end);
}

static bool file_changed(const struct guard *g)
{
    struct stat st;
    if (fstatat(g->dir, "armed", &st, AT_SYMLINK_NOFOLLOW) < 0)
        return errno == ENOENT;
    return st.st_ino != g->now.inode || st.st_mtim.tv_sec != g->now.changed.tv_sec ||
           st.st_mtim.tv_nsec != g->now.changed.tv_nsec;
}

static void start_tries(struct guard *g, bool mains, int64_t now)
{
    for (size_t i = 0; i < g->now.count; i++) {
        struct line *l = &g->now.lines[i];
        if (l->mains != mains)
            continue;
        if (l->fd >= 0)
            line_flush(l);
        l->answers = 0;
        try_off(l, now);
    }
}

/* What a second file adds (written by the daemon, not yet announced) is turned off too. */
static void fence_add_from_file(struct guard *g)
{
    g->file_stood = armed_load(g->dir, &g->next);
    for (size_t i = 0; i < g->next.count; i++) {
        bool known = false;
        for (size_t j = 0; j < g->now.count; j++)
            known |= strcmp(g->now.lines[j].name, g->next.lines[i].name) == 0;
        if (!known && g->now.count < LINES_MAX)
            g->now.lines[g->now.count++] = g->next.lines[i];
    }
    g->now.inode = g->next.inode;
    g->now.changed = g->next.changed;
    g->next.count = 0;
}

static void daemon_kill(struct guard *g)
{
    struct pollfd p = {.fd = g->pidfd, .events = POLLIN};
    g->daemon_dead = g->pidfd < 0 || poll(&p, 1, 0) == 1;
    if (g->daemon_dead)
        snprintf(g->killed, sizeof g->killed, "was dead already");
    else if (pidfd_send_signal(g->pidfd, SIGKILL, NULL, 0) == 0)
        snprintf(g->killed, sizeof g->killed, "killed by the guard");
    else
        snprintf(g->killed, sizeof g->killed, "could not be killed: %s", strerror(errno));
}

static void fence_begin(struct guard *g, const char *why)
{
    static const struct bytes nothing = {.len = 0};
    int64_t now = clock_ms();
    g->fencing = true;
    g->fence_ms = now;
    g->next_client = -1;
    g->owner = -1;
    armed_close(&g->next); /* half-announced descriptors: the lines are opened by path instead */
    for (size_t i = 0; i < g->now.count; i++) { /* the first off: before anything else, on all lines that are open */
        struct line *l = &g->now.lines[i];
        l->state = UNTOUCHED;
        if (l->fd < 0 || l->mains)
            continue;
        line_flush(l);
        put_out(l, l->spoil.len ? &l->spoil : &nothing, &l->off);
        line_push(l, now);
    }
    daemon_kill(g);
    snprintf(g->why, sizeof g->why, "%s", why);
    fence_add_from_file(g);
    say("%s: loads off; daemon %ld %s", g->why, g->now.pid, g->killed);
    if (g->daemon_dead)
        start_tries(g, false, now);
    else
        for (size_t i = 0; i < g->now.count; i++)
            if (!g->now.lines[i].mains) {
                g->now.lines[i].state = CLOSED;
                g->now.lines[i].due_ms = now + FIRST_TRY_MS;
            }
}

static void daemon_died(struct guard *g, int64_t now)
{
    g->daemon_dead = true;
    start_tries(g, false, now); /* after its death: nothing it queued or half wrote can come behind this */
    if (g->mains_needed)
        start_tries(g, true, now);
}

static int mains_after_ms(const struct line *l)
{
    int two_tries = 2 * (l->attempt_ms + quiet_ms(l));
    return two_tries > MAINS_AFTER_MS ? two_tries : MAINS_AFTER_MS;
}

static void mains_check(struct guard *g, int64_t now)
{
    size_t loads = 0;
    bool needed = !g->now.whole; /* a torn file: a load may be missing in it */
    for (size_t i = 0; i < g->now.count; i++) {
        const struct line *l = &g->now.lines[i];
        loads += !l->mains;
        needed |= !l->mains && l->state != CONFIRMED && now - g->fence_ms >= mains_after_ms(l);
    }
    if (g->mains_needed || !(needed || loads == 0))
        return;
    g->mains_needed = true;
    start_tries(g, true, now);
}

static const char *end_sentence(const struct guard *g)
{
    if (g->now.count == 0)
        return "the armed file is torn and names no line: nothing could be turned off; a person must look at the bench";
    if (!g->now.whole)
        return "all lines that the torn armed file still names say they are off; a person must look for others";
    return g->mains_needed ? "all loads and the mains say they are off" : "all loads say they are off";
}

static void fence_turn(struct guard *g, int64_t now)
{
    size_t open_loads = 0, open_mains = 0;
    if (g->file_stood && file_changed(g)) {
        fence_end(g, "another program has taken over: the armed file is gone or new");
        return;
    }
    if (!g->daemon_dead && now - g->fence_ms >= DEATH_MS)
        daemon_died(g, now);
    mains_check(g, now);
    for (size_t i = 0; i < g->now.count; i++) {
        struct line *l = &g->now.lines[i];
        line_due(l, now);
        open_loads += !l->mains && l->state != CONFIRMED;
        open_mains += l->mains && l->state != CONFIRMED && l->state != UNTOUCHED;
    }
    if (!open_loads && !open_mains)
        fence_end(g, end_sentence(g));
    else if (now - g->fence_ms >= GIVE_UP_MS)
        fence_end(g, "gave up after 10 minutes: NOT all is confirmed off; a person must look at the bench");
}

/* ---- the daemon's messages ---- */

static void reply(const struct guard *g, int client, const char *format, ...) __attribute__((format(printf, 3, 4)));
static void reply(const struct guard *g, int client, const char *format, ...)
{
    char text[200];
    va_list args;
    va_start(args, format);
    vsnprintf(text, sizeof text, format, args);
    va_end(args);
    if (send(g->clients[client], text, strlen(text), MSG_DONTWAIT | MSG_NOSIGNAL) < 0)
        return; /* full or gone: the next reading of the socket tells */
}

static void arm_complete(struct guard *g)
{
    int client = g->next_client;
    int pidfd = daemon_find(&g->next);
    g->next_client = -1;
    if (pidfd < 0) {
        armed_close(&g->next);
        reply(g, client, "refused %lu the armed file names no living process", g->next_number);
        return;
    }
    armed_close(&g->now);
    if (g->pidfd >= 0)
        close(g->pidfd);
    g->now = g->next;
    g->next.count = 0;
    g->pidfd = pidfd;
    g->owner = client;
    g->armed = true;
    g->mains_needed = false;
    g->beat_ms = clock_ms();
    reply(g, client, "armed %lu", g->next_number);
}

static void on_arm(struct guard *g, int client, const char *rest)
{
    unsigned long number;
    int count;
    struct ucred peer;
    socklen_t len = sizeof peer;
    const char *no = NULL;
    if (sscanf(rest, "%lu %d", &number, &count) != 2 || count < 0 || count > LINES_MAX) {
        reply(g, client, "refused 0 expected: arm NUMBER DESCRIPTORS");
        return;
    }
    if (g->fencing)
        no = "loads of a dead daemon are still being turned off: confirm them off, remove the armed file, then arm";
    else if ((g->armed && g->owner >= 0 && g->owner != client) || (g->next_client >= 0 && g->next_client != client))
        no = "another daemon is armed";
    else {
        armed_close(&g->next);
        g->next_client = -1;
        if (!armed_load(g->dir, &g->next) || !g->next.whole || !g->next.count)
            no = "the armed file is missing, torn or empty";
        else if (getsockopt(g->clients[client], SOL_SOCKET, SO_PEERCRED, &peer, &len) < 0 || peer.pid != g->next.pid)
            no = "the armed file names another process";
    }
    if (no) {
        if (!g->fencing && g->next_client < 0)
            armed_close(&g->next);
        reply(g, client, "refused %lu %s", number, no);
        return;
    }
    g->next_client = client;
    g->next_number = number;
    g->fds_due = count;
    if (count == 0)
        arm_complete(g);
}

static void on_descriptor(struct guard *g, int client, const char *name, int fd)
{
    struct line *line = NULL;
    if (client != g->next_client) { /* comes behind an arm that was refused: said once already */
        if (fd >= 0)
            close(fd);
        return;
    }
    for (size_t i = 0; i < g->next.count; i++)
        if (strcmp(g->next.lines[i].name, name) == 0)
            line = &g->next.lines[i];
    if (!line || fd < 0 || line->fd >= 0) {
        reply(g, client, "refused %lu no such line in the armed file: %.60s", g->next_number, name);
        if (fd >= 0)
            close(fd);
        g->next_client = -1; /* never half armed */
        armed_close(&g->next);
        return;
    }
    fcntl(fd, F_SETFL, fcntl(fd, F_GETFL) | O_NONBLOCK);
    line->fd = fd;
    line->peer_len = sizeof line->peer;
    if (getpeername(fd, (struct sockaddr *)&line->peer, &line->peer_len) < 0 ||
        (line->peer.ss_family != AF_INET && line->peer.ss_family != AF_INET6))
        line->peer_len = 0;
    if (--g->fds_due == 0)
        arm_complete(g);
}

static void on_disarm(struct guard *g, int client, const char *rest)
{
    unsigned long number = strtoul(rest, NULL, 10);
    if (g->fencing || (g->armed && g->owner != client)) {
        reply(g, client, "refused %lu this connection armed nothing", number);
        return;
    }
    g->armed = false;
    g->owner = -1;
    g->idle_ms = clock_ms();
    armed_close(&g->now);
    if (g->pidfd >= 0)
        close(g->pidfd);
    g->pidfd = -1;
    reply(g, client, "disarmed %lu", number);
}

static int clients_count(const struct guard *g)
{
    int count = 0;
    for (int i = 0; i < CLIENTS_MAX; i++)
        count += g->clients[i] >= 0;
    return count;
}

static void on_message(struct guard *g, int client, char *text, int fd)
{
    if (g->fencing && g->file_stood && file_changed(g))
        fence_end(g, "another program has taken over: the armed file is gone or new");
    if (strncmp(text, "fd ", 3) == 0) {
        on_descriptor(g, client, text + 3, fd);
        return;
    }
    if (fd >= 0)
        close(fd);
    if (strncmp(text, "beat ", 5) == 0) {
        if (client == g->owner)
            g->beat_ms = clock_ms();
        reply(g, client, "%.30s", text); /* so that a guard that hangs is noticed */
    } else if (strncmp(text, "arm ", 4) == 0)
        on_arm(g, client, text + 4);
    else if (strncmp(text, "disarm ", 7) == 0)
        on_disarm(g, client, text + 7);
    else if (strcmp(text, "hello") == 0)
        reply(g, client, "hello 1");
    else if (strcmp(text, "bye") == 0)
        asked_to_leave = !g->armed && !g->fencing && clients_count(g) == 1;
    else
        reply(g, client, "refused 0 unknown message");
}

static void client_gone(struct guard *g, int client)
{
    close(g->clients[client]);
    g->clients[client] = -1;
    g->idle_ms = clock_ms();
    if (g->next_client == client) {
        g->next_client = -1;
        armed_close(&g->next);
    }
    if (g->owner != client)
        return;
    g->owner = -1;
    if (g->armed && !g->fencing)
        fence_begin(g, "the daemon's connection ended while armed");
}

/* The descriptor that came along, if any; more than one are closed. */
static int message_descriptor(struct msghdr *m)
{
    int got = -1;
    for (struct cmsghdr *c = CMSG_FIRSTHDR(m); c; c = CMSG_NXTHDR(m, c)) {
        if (c->cmsg_level != SOL_SOCKET || c->cmsg_type != SCM_RIGHTS)
            continue;
        for (size_t i = 0; i < (c->cmsg_len - CMSG_LEN(0)) / sizeof(int); i++) {
            int fd;
            memcpy(&fd, CMSG_DATA(c) + i * sizeof fd, sizeof fd);
            if (got < 0)
                got = fd;
            else
                close(fd);
        }
    }
    return got;
}

static void client_read(struct guard *g, int client)
{
    while (g->clients[client] >= 0) {
        char text[256];
        _Alignas(struct cmsghdr) char control[CMSG_SPACE(4 * sizeof(int))];
        struct iovec part = {text, sizeof text - 1};
        struct msghdr m = {.msg_iov = &part, .msg_iovlen = 1, .msg_control = control, .msg_controllen = sizeof control};
        ssize_t n = recvmsg(g->clients[client], &m, MSG_DONTWAIT | MSG_CMSG_CLOEXEC);
        if (n < 0 && (errno == EAGAIN || errno == EINTR))
            return;
        int fd = n >= 0 ? message_descriptor(&m) : -1;
        if (n > 0) {
            text[n] = '\0';
            on_message(g, client, text, fd);
            continue;
        }
        if (fd >= 0)
            close(fd);
        client_gone(g, client);
    }
}

static void client_accept(struct guard *g)
{
    struct ucred peer;
    socklen_t len = sizeof peer;
    int fd = accept4(g->listener, NULL, NULL, SOCK_CLOEXEC | SOCK_NONBLOCK), slot = 0;
    if (fd < 0)
        return;
    while (slot < CLIENTS_MAX && g->clients[slot] >= 0)
        slot++;
    if (slot == CLIENTS_MAX || getsockopt(fd, SOL_SOCKET, SO_PEERCRED, &peer, &len) < 0 ||
        (peer.uid != geteuid() && peer.uid != 0)) {
        close(fd);
        return;
    }
    g->clients[slot] = fd;
}

/* ---- the loop ---- */

struct watch { /* poll()'s array and whose each place is */
    struct pollfd p[2 + CLIENTS_MAX + LINES_MAX];
    nfds_t count;
};

static void watch_add(struct watch *w, int fd, short events)
{
    w->p[w->count++] = (struct pollfd){.fd = fd, .events = events};
}

static void watch_all(const struct guard *g, struct watch *w)
{
    w->count = 0;
    watch_add(w, g->listener, POLLIN);
    watch_add(w, g->armed && !g->daemon_dead ? g->pidfd : -1, POLLIN);
    for (size_t i = 0; i < CLIENTS_MAX; i++)
        watch_add(w, g->clients[i], POLLIN);
    for (size_t i = 0; g->fencing && i < g->now.count; i++) {
        const struct line *l = &g->now.lines[i];
        bool out = l->state == CONNECTING || (l->state != CONFIRMED && l->out_at < l->out_len);
        watch_add(w, l->state == CONFIRMED || l->state == UNTOUCHED ? -1 : l->fd, (short)(POLLIN | (out ? POLLOUT : 0)));
    }
}

static int64_t next_due_ms(const struct guard *g, int64_t now)
{
    int64_t due = now + 1000;
    if (g->armed && !g->fencing && g->beat_ms + BEAT_LOST_MS < due)
        due = g->beat_ms + BEAT_LOST_MS;
    if (g->fencing && now + TURN_MS < due)
        due = now + TURN_MS;
    for (size_t i = 0; g->fencing && i < g->now.count; i++) {
        const struct line *l = &g->now.lines[i];
        if (l->state != CONFIRMED && l->state != UNTOUCHED && l->due_ms < due)
            due = l->due_ms;
    }
    return due > now ? due - now : 0;
}

static void lines_serve(struct guard *g, const struct watch *w, int64_t now)
{
    size_t first = 2 + CLIENTS_MAX;
    for (size_t i = 0; i < g->now.count && first + i < w->count; i++) {
        struct line *l = &g->now.lines[i];
        short got = w->p[first + i].revents;
        if (l->fd < 0 || l->fd != w->p[first + i].fd)
            continue;
        if (got & POLLOUT)
            line_writable(l, now);
        if (l->fd >= 0 && l->state != CONNECTING && (got & (POLLIN | POLLHUP | POLLERR)))
            line_pull(g, l, now);
        else if (l->fd >= 0 && (got & (POLLHUP | POLLERR)))
            line_fail(l, now);
    }
}

/* Messages first: after a sleep of the whole machine the beats wait in the socket, and only their absence means anything. */
static void turn(struct guard *g, const struct watch *w)
{
    bool was_fencing = g->fencing;
    for (int i = 0; i < CLIENTS_MAX; i++)
        if (g->clients[i] >= 0 && g->clients[i] == w->p[2 + i].fd && w->p[2 + i].revents)
            client_read(g, i);
    if (w->p[0].revents & POLLIN)
        client_accept(g);
    if (w->p[1].revents && g->armed && !g->daemon_dead && w->p[1].fd == g->pidfd) {
        if (g->fencing)
            daemon_died(g, clock_ms());
        else
            fence_begin(g, "the daemon died while armed");
    }
    if (g->armed && !g->fencing && clock_ms() - g->beat_ms >= BEAT_LOST_MS)
        fence_begin(g, "no heartbeat of the daemon for one second");
    if (g->fencing && was_fencing)
        lines_serve(g, w, clock_ms());
    if (g->fencing)
        fence_turn(g, clock_ms());
}

static bool may_leave(const struct guard *g)
{
    struct stat st;
    if (g->armed || g->fencing)
        return false;
    if (asked_to_leave)
        return true;
    bool dir_gone = fstat(g->dir, &st) == 0 && st.st_nlink == 0;
    return clients_count(g) == 0 && (dir_gone || clock_ms() - g->idle_ms >= IDLE_EXIT_MS);
}

static void run(struct guard *g)
{
    while (!may_leave(g)) {
        struct watch w;
        if (g->armed || g->fencing)
            asked_to_leave = 0; /* not while a load depends on us */
        if (!g->armed)
            g->daemon_dead = false;
        watch_all(g, &w);
        if (poll(w.p, w.count, (int)next_due_ms(g, clock_ms())) < 0)
            for (nfds_t i = 0; i < w.count; i++)
                w.p[i].revents = 0;
        turn(g, &w);
    }
    unlinkat(g->dir, "guard", 0);
}

/* ---- start ---- */

static int refuse(const char *dir, const char *why)
{
    say("%.200s%s%s", dir ? dir : "", dir ? " " : "", why);
    return 2;
}

static int listen_here(int dir)
{
    struct sockaddr_un name = {.sun_family = AF_UNIX};
    int fd = socket(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    snprintf(name.sun_path, sizeof name.sun_path, "/proc/self/fd/%d/guard", dir); /* a long DIR would not fit */
    unlinkat(dir, "guard", 0);
    if (fd >= 0 && (bind(fd, (struct sockaddr *)&name, sizeof name) < 0 || listen(fd, 8) < 0)) {
        close(fd);
        return -1;
    }
    return fd;
}

static void settle(void)
{
    static const int ignored[] = {SIGINT, SIGHUP, SIGPIPE, SIGQUIT, SIGTSTP, SIGTTIN, SIGTTOU, SIGUSR1, SIGUSR2};
    struct sigaction act = {.sa_handler = SIG_IGN};
    sigset_t none;
    for (size_t i = 0; i < sizeof ignored / sizeof ignored[0]; i++)
        sigaction(ignored[i], &act, NULL);
    act.sa_handler = on_terminate;
    sigaction(SIGTERM, &act, NULL);
    sigemptyset(&none);
    sigprocmask(SIG_SETMASK, &none, NULL);
    setsid(); /* fails if we lead a group already: then there is nothing to leave */
    umask(077);
    mlockall(MCL_CURRENT); /* best effort: a user's limit may be small */
    int fd = open("/proc/self/oom_score_adj", O_WRONLY | O_CLOEXEC);
    if (fd < 0)
        return;
    ssize_t taken = write(fd, "-900", 4); /* an ordinary user may not */
    (void)taken;
    close(fd);
}

/* A file that stands already: its daemon lives and gets a moment to connect, or is dead and gets its loads turned off now. */
static void begin_with_what_stands(struct guard *g)
{
    g->armed = armed_load(g->dir, &g->now);
    if (!g->armed)
        return;
    g->pidfd = daemon_find(&g->now);
    g->beat_ms = clock_ms() + START_GRACE_MS - BEAT_LOST_MS;
    if (g->pidfd < 0)
        fence_begin(g, "an armed file of a dead daemon stood at start");
}

int main(int argc, char **argv)
{
    static struct guard g;
    struct stat st;
    if (argc == 2 && strcmp(argv[1], "--version") == 0)
        return printf("brunt-guard %s\n", BRUNT_VERSION) < 0;
    if (argc != 2 || argv[1][0] == '-')
        return refuse(NULL, "expected: brunt-guard DIR (the daemon's run directory; see docs/safety.md)");
    settle();
    g.dir = open(argv[1], O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (g.dir < 0 || fstat(g.dir, &st) < 0)
        return refuse(argv[1], "can't be opened as a directory");
    if ((st.st_uid != geteuid() && st.st_uid != 0) || (st.st_mode & S_IWOTH))
        return refuse(argv[1], "belongs to somebody else or may be written by all: orders in it could be forged");
    int lock = openat(g.dir, "guard.lock", O_RDWR | O_CREAT | O_NOFOLLOW | O_CLOEXEC, 0600);
    if (lock < 0 || flock(lock, LOCK_EX | LOCK_NB) < 0)
        return refuse(argv[1], "has a guard already, or can't be written");
    g.listener = listen_here(g.dir);
    if (g.listener < 0)
        return refuse(argv[1], "is no place where a socket can be made");
    for (int i = 0; i < CLIENTS_MAX; i++)
        g.clients[i] = -1;
    g.owner = g.next_client = g.pidfd = -1;
    g.idle_ms = clock_ms();
    begin_with_what_stands(&g);
    run(&g);
    return 0;
}
