#include "tests/links/with_pty_as_serial.h"

#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/stat.h>
#include <sys/sysmacros.h>
#include <termios.h>
#include <unistd.h>

static struct {
    bool on, no_flow;
    int lines;
} pretend = {.lines = TIOCM_DTR | TIOCM_RTS | TIOCM_CTS | TIOCM_DSR};

static const char sys_folder[] = "/sys/class/tty/pts/";

void pty_as_serial(bool on)
{
    pretend.on = on;
}

void pty_as_serial_without_flow_control(bool on)
{
    pretend.no_flow = on;
}

int pty_as_serial_modem_lines(void)
{
    return pretend.lines;
}

static bool is_slave(dev_t device)
{
    return major(device) >= 136 && major(device) <= 143;
}

static bool is_slave_descriptor(int fd)
{
    struct stat st;
    return fstat(fd, &st) == 0 && S_ISCHR(st.st_mode) && is_slave(st.st_rdev);
}

/* What the links room asks to tell the kinds apart: the slave looks like the first port of an ordinary UART driver. */
int stat(const char *restrict path, struct stat *restrict st)
{
    int done = fstatat(AT_FDCWD, path, st, 0);
    if (done == 0 && pretend.on && S_ISCHR(st->st_mode) && is_slave(st->st_rdev))
        st->st_rdev = makedev(4, 64);
    return done;
}

static bool is_port_entry(const char *path)
{
    return pretend.on && strncmp(path, sys_folder, sizeof sys_folder - 1) == 0;
}

/* libserialport as built by Debian looks for its port with this. */
int __lxstat(int version, const char *path, struct stat *st);
int __lxstat(int version, const char *path, struct stat *st)
{
    (void)version;
    if (!is_port_entry(path))
        return fstatat(AT_FDCWD, path, st, AT_SYMLINK_NOFOLLOW);
    memset(st, 0, sizeof *st);
    st->st_mode = S_IFLNK | 0777;
    return 0;
}

ssize_t readlink(const char *restrict path, char *restrict to, size_t size)
{
    static const char driver[] = "../../devices/platform/pretended";
    if (!is_port_entry(path))
        return readlinkat(AT_FDCWD, path, to, size);
    size_t len = sizeof driver - 1 < size ? sizeof driver - 1 : size;
    memcpy(to, driver, len);
    return (ssize_t)len;
}

static int modem(unsigned long request, int *value)
{
    switch (request) {
    case TIOCMGET:
        *value = pretend.lines;
        return 0;
    case TIOCMSET:
        pretend.lines = *value;
        return 0;
    case TIOCMBIS:
        pretend.lines |= *value;
        return 0;
    case TIOCMBIC:
        pretend.lines &= ~*value;
        return 0;
    default:
        errno = ENOTTY;
        return -1;
    }
}

int ioctl(int fd, unsigned long request, ...)
{
    static int (*real)(int, unsigned long, ...);
    va_list args;
    va_start(args, request);
    void *argument = va_arg(args, void *);
    va_end(args);
    if (!real) {
        void *found = dlsym(RTLD_NEXT, "ioctl");
        memcpy(&real, &found, sizeof real);
    }
    bool is_modem = request == TIOCMGET || request == TIOCMSET || request == TIOCMBIS || request == TIOCMBIC;
    if (pretend.on && is_modem && is_slave_descriptor(fd))
        return modem(request, argument);
    return real(fd, request, argument);
}

int tcsetattr(int fd, int when, const struct termios *t)
{
    static int (*real)(int, int, const struct termios *);
    struct termios copy = *t;
    if (!real) {
        void *found = dlsym(RTLD_NEXT, "tcsetattr");
        memcpy(&real, &found, sizeof real);
    }
    if (pretend.no_flow)
        copy.c_cflag &= ~CRTSCTS;
    return real(fd, when, &copy);
}
