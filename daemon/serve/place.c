#include "daemon/serve/place.h"

#include "daemon/base/text.h"

#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

int place_default_dir(char *ret, size_t size, struct error *err)
{
    const char *state = getenv("XDG_STATE_HOME"), *home = getenv("HOME");
    int len;
    if (geteuid() == 0)
        len = snprintf(ret, size, "/var/lib/brunt");
    else if (state && *state == '/')
        len = snprintf(ret, size, "%s/brunt", state);
    else if (home && *home == '/')
        len = snprintf(ret, size, "%s/.local/state/brunt", home);
    else
        return error_set(err, ERROR_USAGE, "neither HOME nor XDG_STATE_HOME says where to keep records: name a folder with --dir");
    return len < (int)size ? 0 : error_set(err, ERROR_USAGE, "the path of the records' folder is too long: name another one with --dir");
}

void place_beside(const char *name, char *ret, size_t size)
{
    char path[PATH_MAX];
    ssize_t len = readlink("/proc/self/exe", path, sizeof path - 1);
    ret[0] = '\0';
    if (len < 0)
        return;
    path[len] = '\0';
    char *slash = strrchr(path, '/');
    if (slash)
        *slash = '\0';
    if (snprintf(ret, size, "%s/%s", path, name) >= (int)size || access(ret, F_OK) < 0)
        ret[0] = '\0';
}

void place_default_dialects(char *ret, size_t size)
{
    static const char *const places[] = {"../share/brunt/dialects", "../../profiles/dialects"};
    ret[0] = '\0';
    for (size_t i = 0; !ret[0] && i < sizeof places / sizeof places[0]; i++)
        place_beside(places[i], ret, size);
}

int place_make(const char *dir, unsigned mode, struct error *err)
{
    char path[PATH_MAX];
    struct stat st;
    if (!text_copy(path, sizeof path, dir) || !*path)
        return error_set(err, ERROR_USAGE, "the folder's path is empty or too long");
    for (char *c = path + 1; *c; c++)
        if (*c == '/') {
            *c = '\0';
            if (mkdir(path, 0755) < 0 && errno != EEXIST)
                return error_errno(err, ERROR_SYSTEM, errno, "can't make the folder %s", path);
            *c = '/';
        }
    if (mkdir(path, mode) < 0 && errno != EEXIST)
        return error_errno(err, ERROR_SYSTEM, errno, "can't make the folder %s", path);
    if (stat(path, &st) < 0 || !S_ISDIR(st.st_mode))
        return error_set(err, ERROR_SYSTEM, "%s is no folder", path);
    return 0;
}

int place_make_for(const char *path, unsigned mode, struct error *err)
{
    char dir[PATH_MAX];
    if (!text_copy(dir, sizeof dir, path))
        return error_set(err, ERROR_USAGE, "the path is too long: %.200s", path);
    char *slash = strrchr(dir, '/');
    if (!slash || slash == dir)
        return 0;
    *slash = '\0';
    return place_make(dir, mode, err);
}

static long pid_in(int fd)
{
    char text[32] = "";
    long long pid = 0;
    ssize_t len = pread(fd, text, sizeof text - 1, 0);
    if (len > 0)
        text[strcspn(text, "\n")] = '\0';
    return text_to_int64(text, 1, INT_MAX, &pid) ? (long)pid : 0;
}

int place_lock(const char *dir, long *ret_pid, struct error *err)
{
    char path[PATH_MAX], text[32];
    if (snprintf(path, sizeof path, "%s/lock", dir) >= (int)sizeof path)
        return error_set(err, ERROR_USAGE, "the path of the records' folder is too long");
    int fd = open(path, O_RDWR | O_CREAT | O_CLOEXEC | O_NOFOLLOW, 0644);
    if (fd < 0)
        return error_errno(err, ERROR_SYSTEM, errno, "can't open the lock %s", path);
    if (flock(fd, LOCK_EX | LOCK_NB) < 0) {
        long pid = pid_in(fd);
        close(fd);
        if (ret_pid)
            *ret_pid = pid;
        return error_set(err, ERROR_BUSY, "already running on %s, pid %ld: use that one, or end it first", dir, pid);
    }
    int len = snprintf(text, sizeof text, "%ld\n", (long)getpid());
    if (ftruncate(fd, 0) < 0 || pwrite(fd, text, (size_t)len, 0) != len) {
        error_errno(err, ERROR_SYSTEM, errno, "can't write the lock %s", path);
        close(fd);
        return -1;
    }
    return fd;
}
