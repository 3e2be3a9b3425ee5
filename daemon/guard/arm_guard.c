/* The daemon's end of the guard's socket, and starting a guard where none listens. */
#include "daemon/guard/arm_entry.h"

#include "daemon/base/text.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/pidfd.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <sys/wait.h>
#include <unistd.h>

enum { CONNECT_MS = 2000, TRY_MS = 20, SILENT_BEATS = 8, SILENT_MS = 1500 };

struct arm_guard {
    int fd; /* -1: lost */
    int pidfd; /* the guard's, -1: unknown */
    unsigned long number, beats, answered;
    int64_t waiting_ms; /* since when the oldest beat without answer is out */
    bool armed, silent;
    char refusal[200];
};

/* ---- connecting ---- */

/* A descriptor, or -1 with errno. A long directory would not fit into sun_path, its descriptor's name does. */
static int connect_once(int folder)
{
    struct sockaddr_un name = {.sun_family = AF_UNIX};
    int fd = socket(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC, 0);
    snprintf(name.sun_path, sizeof name.sun_path, "/proc/self/fd/%d/guard", folder);
    if (fd < 0 || connect(fd, (struct sockaddr *)&name, sizeof name) == 0)
        return fd;
    int why = errno;
    close(fd);
    errno = why;
    return -1;
}

/* A guard that is just leaving may have accepted us into its queue: only one that answers counts. */
static bool greeted(int fd, int64_t until_ms)
{
    char text[64];
    struct pollfd p = {.fd = fd, .events = POLLIN};
    if (send(fd, "hello", 5, MSG_NOSIGNAL) != 5)
        return false;
    int64_t left = until_ms - arm_now_ms();
    if (left <= 0 || poll(&p, 1, (int)left) != 1)
        return false;
    ssize_t n = recv(fd, text, sizeof text - 1, MSG_DONTWAIT);
    return n == 7 && memcmp(text, "hello 1", 7) == 0;
}

/* In the grandchild: nothing of the daemon's is left open, and its standard error is not shared, so that whoever waits for the daemon's
 * output to end does not wait for the guard. */
static void become_guard(const char *guard_path, const char *dir, int folder)
{
    sigset_t none;
    int null = open("/dev/null", O_RDWR);
    int log = openat(folder, "guard.log", O_WRONLY | O_CREAT | O_APPEND | O_NOFOLLOW, 0600);
    setsid();
    sigemptyset(&none);
    sigprocmask(SIG_SETMASK, &none, NULL);
    dup2(null, STDIN_FILENO);
    dup2(null, STDOUT_FILENO);
    dup2(log >= 0 ? log : null, STDERR_FILENO);
    close_range(3, ~0U, 0);
    execl(guard_path, "brunt-guard", dir, (char *)NULL);
    _exit(127);
}

/* Forked twice, so that no child of ours is left to wait for. */
static int guard_start(const char *guard_path, const char *dir, int folder, struct error *err)
{
    int status;
    if (access(guard_path, X_OK) < 0)
        return error_errno(err, ERROR_SYSTEM, errno, "the guard %s can't be started", guard_path);
    pid_t child = fork();
    if (child == 0) {
        pid_t guard = fork();
        if (guard == 0)
            become_guard(guard_path, dir, folder);
        _exit(guard < 0);
    }
    if (child < 0)
        return error_errno(err, ERROR_SYSTEM, errno, "the guard can't be started");
    while (waitpid(child, &status, 0) < 0 && errno == EINTR)
        ;
    return 0;
}

/* A descriptor of a guard that answered, or -1. */
static int connect_until(const char *dir, const char *guard_path, int folder, struct error *err)
{
    int64_t until_ms = arm_now_ms() + CONNECT_MS, started_ms = 0;
    for (;;) {
        int fd = connect_once(folder), why = errno;
        if (fd >= 0 && greeted(fd, until_ms))
            return fd;
        if (fd >= 0)
            close(fd);
        if (fd < 0 && !guard_path)
            return error_errno(err, ERROR_LINK, why, "no guard listens at %s/guard", dir);
        if (arm_now_ms() >= until_ms)
            return error_set(err, ERROR_LINK, "the guard at %s/guard does not answer (see guard.log there)", dir);
        if (guard_path && arm_now_ms() - started_ms >= 400) { /* again if the first met a guard that was just leaving */
            if (guard_start(guard_path, dir, folder, err) < 0)
                return -1;
            started_ms = arm_now_ms();
        }
        poll(NULL, 0, TRY_MS);
    }
}

/* Taken while it has just answered, so that the number is still its own. */
static int peer_pidfd(int fd)
{
    struct ucred peer;
    socklen_t len = sizeof peer;
    if (getsockopt(fd, SOL_SOCKET, SO_PEERCRED, &peer, &len) < 0 || peer.pid <= 0 || peer.pid == getpid())
        return -1;
    return pidfd_open(peer.pid, 0);
}

struct arm_guard *arm_guard_connect(const char *dir, const char *guard_path, struct error *err)
{
    int folder = open(dir, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (folder < 0) {
        error_errno(err, ERROR_SYSTEM, errno, "%s can't be opened for the guard", dir);
        return NULL;
    }
    struct arm_guard *guard = calloc(1, sizeof *guard);
    if (!guard)
        error_set(err, ERROR_MEMORY, "no memory for the guard's connection");
    else if ((guard->fd = connect_until(dir, guard_path, folder, err)) < 0) {
        free(guard);
        guard = NULL;
    } else {
        fcntl(guard->fd, F_SETFL, O_NONBLOCK);
        guard->pidfd = peer_pidfd(guard->fd);
    }
    close(folder);
    return guard;
}

/* ---- talking ---- */

static int lost(struct arm_guard *guard, struct error *err)
{
    return error_set(err, ERROR_LINK, "the guard is gone%s", guard->armed ? ": loads must go off" : "");
}

static int tell(struct arm_guard *guard, const char *text, int descriptor, struct error *err)
{
    union {
        struct cmsghdr header;
        char room[CMSG_SPACE(sizeof(int))];
    } control;
    char copy[160] = "";
    text_copy(copy, sizeof copy, text);
    struct iovec part = {copy, strlen(copy)};
    struct msghdr m = {.msg_iov = &part, .msg_iovlen = 1};
    if (descriptor >= 0) {
        memset(&control, 0, sizeof control);
        m.msg_control = control.room;
        m.msg_controllen = sizeof control.room;
        control.header = (struct cmsghdr){.cmsg_level = SOL_SOCKET, .cmsg_type = SCM_RIGHTS, .cmsg_len = CMSG_LEN(sizeof(int))};
        memcpy(CMSG_DATA(&control.header), &descriptor, sizeof descriptor);
    }
    if (guard->fd >= 0 && sendmsg(guard->fd, &m, MSG_DONTWAIT | MSG_NOSIGNAL) >= 0)
        return 0;
    if (guard->fd >= 0 && errno == EBADF && descriptor >= 0)
        return error_set(err, ERROR_LINK, "the line's descriptor %d is closed: the guard can't have it", descriptor);
    return lost(guard, err);
}

int arm_guard_arm(struct arm_guard *guard, const char *const names[], const int descriptors[], size_t count, struct error *err)
{
    char text[120];
    if (count > ARM_ENTRIES_MAX)
        return error_set(err, ERROR_RANGE, "%zu descriptors for the guard, expected at most %d", count, ARM_ENTRIES_MAX);
    snprintf(text, sizeof text, "arm %lu %zu", ++guard->number, count);
    guard->refusal[0] = '\0';
    if (tell(guard, text, -1, err) < 0)
        return -1;
    if (!guard->armed) /* what it owed before does not count */
        guard->answered = guard->beats;
    guard->armed = true; /* from here on the guard may be holding it against us */
    for (size_t i = 0; i < count; i++) {
        snprintf(text, sizeof text, "fd %s", names[i]);
        if (tell(guard, text, descriptors[i], err) < 0)
            return -1;
    }
    return 0;
}

/* Beats and time: a burst of beats after a pause is no proof, nor is one beat before a long sleep of this process. An answer that nobody has
 * read yet is one as well. */
static bool is_silent(const struct arm_guard *guard)
{
    struct pollfd p = {.fd = guard->fd, .events = POLLIN};
    return guard->armed && guard->beats - guard->answered >= SILENT_BEATS && arm_now_ms() - guard->waiting_ms >= SILENT_MS &&
           poll(&p, 1, 0) == 0;
}

/* A guard that hangs would, when it wakes up, find its connection ended and kill us; and until then no other guard can take its place. */
static int give_up(struct arm_guard *guard, struct error *err)
{
    guard->silent = true;
    if (guard->pidfd >= 0)
        pidfd_send_signal(guard->pidfd, SIGKILL, NULL, 0);
    return error_set(err, ERROR_LINK, "the guard hangs: it left %d beats unanswered and was ended; loads must go off", SILENT_BEATS);
}

int arm_guard_beat(struct arm_guard *guard, struct error *err)
{
    char text[40];
    if (guard->fd < 0 || guard->silent)
        return lost(guard, err);
    if (is_silent(guard))
        return give_up(guard, err);
    if (guard->beats == guard->answered)
        guard->waiting_ms = arm_now_ms();
    snprintf(text, sizeof text, "beat %lu", ++guard->beats);
    if (send(guard->fd, text, strlen(text), MSG_DONTWAIT | MSG_NOSIGNAL) < 0 && errno != EAGAIN)
        return lost(guard, err);
    return 0; /* EAGAIN: it has hundreds of beats to read yet, and is soon silent */
}

int arm_guard_disarm(struct arm_guard *guard, struct error *err)
{
    char text[40];
    snprintf(text, sizeof text, "disarm %lu", ++guard->number);
    return tell(guard, text, -1, err);
}

static enum arm_news gone(struct arm_guard *guard)
{
    close(guard->fd);
    guard->fd = -1;
    return ARM_GUARD_GONE;
}

static void beat_answered(struct arm_guard *guard, unsigned long number)
{
    if (number <= guard->answered || number > guard->beats)
        return;
    guard->answered = number;
    guard->waiting_ms = arm_now_ms();
}

static enum arm_news understand(struct arm_guard *guard, char *text)
{
    char word[16];
    unsigned long number;
    int at = 0;
    if (sscanf(text, "%15s %lu%n", word, &number, &at) != 2)
        return ARM_NOTHING;
    if (strcmp(word, "beat") == 0) {
        beat_answered(guard, number);
        return ARM_NOTHING;
    }
    if (strcmp(word, "refused") == 0) {
        text_cut(guard->refusal, sizeof guard->refusal, text[at] ? text + at + 1 : "");
        return ARM_NOTHING;
    }
    if (number != guard->number) /* the answer to an order that a newer one has overtaken */
        return ARM_NOTHING;
    if (strcmp(word, "armed") == 0)
        return ARM_ARMED;
    if (strcmp(word, "disarmed") != 0)
        return ARM_NOTHING;
    guard->armed = false;
    return ARM_DISARMED;
}

enum arm_news arm_guard_read(struct arm_guard *guard)
{
    char text[256];
    if (guard->silent && guard->fd >= 0)
        return gone(guard);
    while (guard->fd >= 0) {
        ssize_t n = recv(guard->fd, text, sizeof text - 1, MSG_DONTWAIT);
        if (n < 0 && (errno == EAGAIN || errno == EINTR))
            return ARM_NOTHING;
        if (n <= 0)
            return gone(guard);
        text[n] = '\0';
        enum arm_news news = understand(guard, text);
        if (news != ARM_NOTHING)
            return news;
    }
    return ARM_NOTHING;
}

const char *arm_guard_refusal(const struct arm_guard *guard)
{
    return guard->refusal;
}

void arm_guard_close(struct arm_guard *guard)
{
    if (!guard)
        return;
    if (guard->fd >= 0 && !guard->armed)
        tell(guard, "bye", -1, NULL);
    if (guard->fd >= 0)
        close(guard->fd);
    if (guard->pidfd >= 0)
        close(guard->pidfd);
    free(guard);
}

int arm_guard_descriptor(const struct arm_guard *guard)
{
    return guard->fd;
}
