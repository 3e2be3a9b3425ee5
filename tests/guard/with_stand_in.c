#include "tests/guard/with_stand_in.h"

#include <errno.h>
#include <fcntl.h>
#include <netinet/in.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <sys/wait.h>
#include <unistd.h>
#include <dirent.h>
#include <grp.h>

uid_t other_user(void)
{
    return geteuid() == 0 ? 65534 : (uid_t)-1;
}

/* ---- place ---- */

static void copy_file(const char *from, const char *to)
{
    char part[65536];
    ssize_t n;
    int in = open(from, O_RDONLY | O_CLOEXEC), out = open(to, O_WRONLY | O_CREAT | O_CLOEXEC, 0755);
    if (in < 0 || out < 0)
        abort();
    while ((n = read(in, part, sizeof part)) > 0)
        if (write(out, part, (size_t)n) != n)
            abort();
    close(in);
    close(out);
}

struct place place_make(uid_t uid)
{
    struct place p = {.uid = uid};
    snprintf(p.dir, sizeof p.dir, "/tmp/brunt-guard-test-XXXXXX");
    if (!mkdtemp(p.dir))
        abort();
    snprintf(p.guard, sizeof p.guard, "%s/brunt-guard", p.dir);
    copy_file(BINARY_DIR "/brunt-guard", p.guard);
    if (chown(p.guard, uid, (gid_t)-1) < 0 || chown(p.dir, uid, (gid_t)-1) < 0)
        abort();
    return p;
}

static void place_empty(const struct place *p)
{
    DIR *dir = opendir(p->dir);
    for (struct dirent *e; dir && (e = readdir(dir));)
        if (e->d_name[0] != '.')
            unlinkat(dirfd(dir), e->d_name, 0);
    if (dir)
        closedir(dir);
}

/* Again, as long as a guard that is still at work puts its report there. */
void place_remove(struct place *p)
{
    for (int tries = 0; tries < 100; tries++) {
        place_empty(p);
        if (rmdir(p->dir) == 0)
            return;
        sleep_ms(20);
    }
}

/* ---- the process itself ---- */

static int line_open(const char *address)
{
    if (strncmp(address, "pty:", 4) == 0) {
        int fd = open(address + 4, O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
        if (fd < 0 || flock(fd, LOCK_EX | LOCK_NB) < 0)
            _exit(90);
        return fd;
    }
    struct sockaddr_in to = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    to.sin_port = htons((uint16_t)atoi(strrchr(address, ':') + 1));
    int fd = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (fd < 0 || connect(fd, (struct sockaddr *)&to, sizeof to) < 0)
        _exit(91);
    fcntl(fd, F_SETFL, O_NONBLOCK);
    return fd;
}

static void become(uid_t uid)
{
    if (geteuid() == uid)
        return;
    if (setgroups(0, NULL) < 0 || setgid(65534) < 0 || setuid(uid) < 0)
        _exit(92);
    prctl(PR_SET_DUMPABLE, 1); /* as after an ordinary start: /proc/PID stays the user's own */
}

/* Messages that no guard should understand, some with descriptors, straight into its socket. */
static void send_garbage(const char *dir, unsigned seed)
{
    struct sockaddr_un to = {.sun_family = AF_UNIX};
    snprintf(to.sun_path, sizeof to.sun_path, "%.90s/guard", dir);
    int fd = socket(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC, 0);
    if (fd < 0 || connect(fd, (struct sockaddr *)&to, sizeof to) < 0)
        _exit(93);
    static const char *const odd[] = {"arm", "arm x", "arm 1 99", "arm 1 -1", "fd ", "fd load", "disarm", "disarm 9", "beat", "beat 1",
                                      "arm 18446744073709551616 1", "%s%n", "hello hello", " ", "\n", "arm 1 1\n"};
    for (unsigned i = 0; i < 400; i++) {
        char text[300];
        union {
            struct cmsghdr header;
            char room[CMSG_SPACE(2 * sizeof(int))];
        } control = {.header = {.cmsg_level = SOL_SOCKET, .cmsg_type = SCM_RIGHTS, .cmsg_len = CMSG_LEN(2 * sizeof(int))}};
        int two[2] = {0, 0};
        size_t len = (size_t)rand_r(&seed) % sizeof text + 1;
        for (size_t j = 0; j < len; j++)
            text[j] = (char)rand_r(&seed);
        struct iovec part = {text, len};
        if (i < sizeof odd / sizeof odd[0]) {
            part.iov_len = strlen(odd[i]);
            memcpy(text, odd[i], part.iov_len);
        }
        struct msghdr m = {.msg_iov = &part, .msg_iovlen = 1};
        memcpy(CMSG_DATA(&control.header), two, sizeof two);
        if (i % 3 == 0) {
            m.msg_control = control.room;
            m.msg_controllen = sizeof control.room;
        }
        if (sendmsg(fd, &m, MSG_NOSIGNAL) < 0)
            break;
        while (recv(fd, text, sizeof text, MSG_DONTWAIT) > 0)
            ;
    }
    close(fd);
}

struct self {
    struct arm_guard *guard;
    int lines[STAND_IN_MAX];
    const struct stand_in_wish *wish;
    int orders, news;
};

static void tell(const struct self *me, const char *text)
{
    char room[201] = "";
    snprintf(room, sizeof room, "%s", text);
    if (write(me->news, room, 200) != 200)
        _exit(94);
}

static void open_lines(struct self *me)
{
    for (size_t i = 0; i < me->wish->count; i++)
        me->lines[i] = line_open(me->wish->entries[i].address);
}

/* In the order that arm.h asks of a daemon: the guard first, since it may hold lines of a predecessor until then. */
static void arm(struct self *me)
{
    const char *names[STAND_IN_MAX];
    struct error err = ERROR_INIT;
    for (size_t i = 0; i < me->wish->count; i++)
        names[i] = me->wish->entries[i].name;
    if ((!me->wish->already_armed_file && arm_write(me->wish->place->dir, me->wish->entries, me->wish->count, &err) < 0) ||
        !(me->guard = arm_guard_connect(me->wish->place->dir, me->wish->place->guard, &err))) {
        tell(me, err.text);
        _exit(95);
    }
    if (!me->wish->keep_descriptors)
        open_lines(me);
    if (arm_guard_arm(me->guard, names, me->lines, me->wish->keep_descriptors ? 0 : me->wish->count, &err) < 0) {
        tell(me, err.text);
        _exit(95);
    }
    for (;;) {
        struct pollfd p = {.fd = arm_guard_descriptor(me->guard), .events = POLLIN};
        poll(&p, 1, 5000);
        enum arm_news news = arm_guard_read(me->guard);
        if (news == ARM_ARMED)
            break;
        if (news == ARM_NOTHING && p.revents && !arm_guard_refusal(me->guard)[0])
            continue;
        tell(me, arm_guard_refusal(me->guard)[0] ? arm_guard_refusal(me->guard) : "no answer");
        _exit(96);
    }
    if (me->wish->keep_descriptors)
        open_lines(me);
    tell(me, "armed");
}

static void wait_for(struct self *me, enum arm_news what)
{
    for (int i = 0; i < 2000; i++) {
        if (arm_guard_read(me->guard) == what)
            return;
        sleep_ms(2);
    }
    _exit(97);
}

static void obey(struct self *me)
{
    unsigned char order[258];
    if (read(me->orders, order, 2) != 2)
        _exit(0);
    if (order[0] < STAND_IN_MAX) { /* order[1] bytes for that line follow */
        if (read(me->orders, order + 2, order[1]) != order[1] || write(me->lines[order[0]], order + 2, order[1]) != order[1])
            _exit(98);
        tell(me, "written");
        return;
    }
    if (order[0] == 'm') {
        send_garbage(me->wish->place->dir, 4711);
        tell(me, "sent");
    }
    if (order[0] == 'd') {
        arm_guard_disarm(me->guard, NULL);
        wait_for(me, ARM_DISARMED);
        arm_guard_close(me->guard);
        _exit(0);
    }
    if (order[0] == 'c') {
        arm_guard_close(me->guard);
        me->guard = NULL;
    }
    if (order[0] == 'q')
        _exit(0);
}

static void live(struct self *me)
{
    become(me->wish->place->uid);
    arm(me);
    for (;;) {
        struct pollfd p = {.fd = me->orders, .events = POLLIN};
        if (poll(&p, 1, 200) > 0)
            obey(me);
        if (me->guard && arm_guard_beat(me->guard, NULL) < 0)
            me->guard = NULL;
    }
}

/* ---- the test's side ---- */

static bool told(const struct stand_in *s, char text[200])
{
    size_t len = 0;
    ssize_t n;
    while (len < 200 && (n = read(s->news, text + len, 200 - len)) > 0)
        len += (size_t)n;
    return len == 200;
}

bool stand_in_start(const struct stand_in_wish *wish, struct stand_in *ret, char why[200])
{
    int orders[2], news[2];
    if (pipe2(orders, O_CLOEXEC) < 0 || pipe2(news, O_CLOEXEC) < 0)
        abort();
    ret->pid = fork();
    if (ret->pid < 0)
        abort();
    if (ret->pid == 0) {
        struct self me = {.wish = wish, .orders = orders[0], .news = news[1]};
        signal(SIGPIPE, SIG_IGN);
        close(orders[1]);
        close(news[0]);
        live(&me);
    }
    close(orders[0]);
    close(news[1]);
    ret->orders = orders[1];
    ret->news = news[0];
    if (!told(ret, why))
        snprintf(why, 200, "the stand-in died");
    if (strcmp(why, "armed") == 0)
        return true;
    stand_in_wait(ret);
    return false;
}

void stand_in_write(const struct stand_in *s, size_t line, const char *bytes, size_t len)
{
    char order[258] = {(char)line, (char)len}, why[200];
    memcpy(order + 2, bytes, len);
    if (write(s->orders, order, len + 2) != (ssize_t)len + 2 || !told(s, why))
        abort();
}

void stand_in_order(const struct stand_in *s, char order)
{
    char two[2] = {order, 0}, why[200];
    if (write(s->orders, two, 2) != 2 || (order == 'm' && !told(s, why)))
        abort();
}

int stand_in_wait(const struct stand_in *s)
{
    int status = 0;
    while (waitpid(s->pid, &status, 0) < 0 && errno == EINTR)
        ;
    close(s->orders);
    close(s->news);
    return WIFSIGNALED(status) ? WTERMSIG(status) : 0;
}
