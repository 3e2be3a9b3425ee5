/* What serial ports and pseudo-terminals have in common: finding, refusing, claiming a terminal device. */
#include "daemon/bench/links/link_kind.h"

#include <ctype.h>
#include <dirent.h>
#include <errno.h>
#include <grp.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/ioctl.h>
#include <sys/stat.h>
#include <sys/sysmacros.h>
#include <unistd.h>

enum { PTY_MAJOR_FIRST = 136, PTY_MAJOR_LAST = 143 }; /* Linux: Documentation/admin-guide/devices.txt, Unix98 PTY slaves */

static int not_there(const struct link *link, const char *path, int errno_value, struct error *err)
{
    if (errno_value == ENOENT || errno_value == ENOTDIR)
        return error_set(err, ERROR_LINK,
                         "%s: %s is not there: is the instrument plugged in and the path right (ls -l /dev/serial/by-id)?",
                         link->address, path);
    if (errno_value == EACCES)
        return error_set(err, ERROR_LINK, "%s: no permission to look into the folder of %s: ask its owner for the x bit",
                         link->address, path);
    if (errno_value == ELOOP)
        return error_set(err, ERROR_LINK, "%s: %s is a symbolic link that leads to itself", link->address, path);
    return error_errno(err, ERROR_LINK, errno_value, "%s: %s can't be resolved", link->address, path);
}

static int wrong_file(const struct link *link, mode_t mode, struct error *err)
{
    const char *what = S_ISDIR(mode) ? "a directory" : S_ISREG(mode) ? "a regular file" : S_ISBLK(mode) ? "a block device"
                     : S_ISFIFO(mode) ? "a pipe" : S_ISSOCK(mode) ? "a socket" : "no terminal";
    return error_set(err, ERROR_LINK, "%s: %s is %s, expected a %s", link->address, link->device, what,
                     link->kind == &link_kind_pty ? "pseudo-terminal" : "serial port such as /dev/serial/by-id/...");
}

int link_device_find(struct link *link, const char *path, bool want_pty, struct error *err)
{
    struct stat st;
    char resolved[PATH_MAX];
    if (path[0] != '/')
        return error_set(err, ERROR_LINK, "%s: expected a full path, as in %s/dev/...", link->address, link->kind->prefix);
    if (!realpath(path, resolved) || stat(resolved, &st) < 0)
        return not_there(link, path, errno, err);
    memcpy(link->device, resolved, strlen(resolved) + 1);
    if (!S_ISCHR(st.st_mode))
        return wrong_file(link, st.st_mode, err);
    bool is_pty = major(st.st_rdev) >= PTY_MAJOR_FIRST && major(st.st_rdev) <= PTY_MAJOR_LAST;
    if (is_pty && !want_pty)
        return error_set(err, ERROR_LINK, "%s: %s is a pseudo-terminal, no serial port: write pty:%s", link->address,
                         link->device, path);
    if (!is_pty && want_pty)
        return error_set(err, ERROR_LINK, "%s: %s is no pseudo-terminal: write serial:%s if it is a serial port",
                         link->address, link->device, path);
    return 0;
}

/* ret: "group dialout" or "" where the group wouldn't help. */
static void helping_group(const char *device, char *ret, size_t size)
{
    struct stat st;
    struct group group, *found = NULL;
    char room[4096];
    ret[0] = '\0';
    if (stat(device, &st) < 0 || st.st_gid == 0 || (st.st_mode & 0060) != 0060)
        return;
    if (getgrgid_r(st.st_gid, &group, room, sizeof room, &found) == 0 && found)
        snprintf(ret, size, "%s", group.gr_name);
    else
        snprintf(ret, size, "%u", (unsigned)st.st_gid);
}

static int busy(const struct link *link, struct error *err)
{
    char holder[120];
    link_device_holder(link->device, holder, sizeof holder);
    return error_set(err, ERROR_BUSY, "%s: %s is in use%s%s: end that program or choose another port", link->address,
                     link->device, holder[0] ? " by " : " by another program", holder);
}

int link_device_refused(const struct link *link, int errno_value, struct error *err)
{
    char group[80];
    if (errno_value == EBUSY)
        return busy(link, err);
    if (errno_value == ENOENT || errno_value == ENXIO || errno_value == ENODEV)
        return error_set(err, ERROR_LINK, "%s: %s has no device behind it any more: is the instrument plugged in?",
                         link->address, link->device);
    if (errno_value == ENOTTY)
        return error_set(err, ERROR_LINK, "%s: %s is no terminal, expected a serial port", link->address, link->device);
    if (errno_value != EACCES && errno_value != EPERM)
        return error_errno(err, ERROR_LINK, errno_value, "%s: %s can't be opened", link->address, link->device);
    helping_group(link->device, group, sizeof group);
    if (group[0])
        return error_set(err, ERROR_LINK,
                         "%s: no permission for %s: it is open to group %s, so add the user (adduser USER %s) and log in again",
                         link->address, link->device, group, group);
    return error_set(err, ERROR_LINK, "%s: no permission for %s: only its owner may use it, and no group would help",
                     link->address, link->device);
}

static bool pid_has_open(const char *pid, const char *device)
{
    char folder[300], target[PATH_MAX];
    bool has = false;
    snprintf(folder, sizeof folder, "/proc/%s/fd", pid);
    DIR *dir = opendir(folder);
    for (struct dirent *entry; dir && !has && (entry = readdir(dir));) {
        ssize_t len = readlinkat(dirfd(dir), entry->d_name, target, sizeof target - 1);
        has = len > 0 && (size_t)len == strlen(device) && memcmp(target, device, (size_t)len) == 0;
    }
    if (dir)
        closedir(dir);
    return has;
}

static void pid_name(const char *pid, char *ret, size_t size)
{
    char path[300];
    snprintf(path, sizeof path, "/proc/%s/comm", pid);
    FILE *file = fopen(path, "re");
    if (!file || !fgets(ret, (int)size, file))
        snprintf(ret, size, "?");
    ret[strcspn(ret, "\n")] = '\0';
    if (file)
        fclose(file);
}

void link_device_holder(const char *device, char *ret, size_t size)
{
    char self[24], name[40];
    ret[0] = '\0';
    snprintf(self, sizeof self, "%ld", (long)getpid());
    DIR *proc = opendir("/proc");
    for (struct dirent *entry; proc && !ret[0] && (entry = readdir(proc));) {
        if (!isdigit((unsigned char)entry->d_name[0]) || strcmp(entry->d_name, self) == 0 ||
            !pid_has_open(entry->d_name, device))
            continue;
        pid_name(entry->d_name, name, sizeof name);
        snprintf(ret, size, "process %.20s (%s)", entry->d_name, name);
    }
    if (proc)
        closedir(proc);
    if (!ret[0] && pid_has_open("self", device))
        snprintf(ret, size, "this process itself");
}

int link_device_lock(int fd)
{
    int exclusive = 0;
    if (ioctl(fd, TIOCGEXCL, &exclusive) == 0 && exclusive) /* open() tells everybody but root */
        return EBUSY;
    if (flock(fd, LOCK_EX | LOCK_NB) < 0)
        return errno == EWOULDBLOCK ? EBUSY : errno;
    return 0;
}

int link_device_claim(struct link *link, struct error *err)
{
    int why = link_device_lock(link->fd);
    if (why)
        return link_device_refused(link, why, err);
    if (ioctl(link->fd, TIOCEXCL) < 0)
        return link_device_refused(link, errno, err);
    return 0;
}

void link_device_release(struct link *link)
{
    ioctl(link->fd, TIOCNXCL);
    flock(link->fd, LOCK_UN);
}

void link_termios_raw(struct termios *t, int vmin)
{
    cfmakeraw(t);
    t->c_iflag &= (tcflag_t) ~(IXON | IXOFF | IXANY);
    t->c_cflag &= (tcflag_t)~HUPCL;
    t->c_cflag |= CLOCAL | CREAD;
    t->c_cc[VMIN] = (cc_t)vmin;
    t->c_cc[VTIME] = 0;
}
