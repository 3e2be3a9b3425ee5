/*
 * Loaded into bruntd with LD_PRELOAD: while the file named by SLOW_DISK exists, the disk does not answer. Each call that waits for the disk takes five seconds,
 * or less if the file goes. FILE.waiting appears when the first one waits.
 */
#include <dlfcn.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/stat.h>
#include <sys/types.h>
#include <unistd.h>

enum { LOOK_US = 20000, LOOKS = 250 };

int fsync(int fd);
int fdatasync(int fd);
ssize_t pwrite(int fd, const void *bytes, size_t len, off_t at);
ssize_t pwrite64(int fd, const void *bytes, size_t len, off64_t at);

static void wait_for_disk(void)
{
    const char *flag = getenv("SLOW_DISK");
    char waiting[512];
    if (!flag || access(flag, F_OK) < 0)
        return;
    snprintf(waiting, sizeof waiting, "%s.waiting", flag);
    close(open(waiting, O_CREAT | O_WRONLY | O_CLOEXEC, 0600));
    for (int i = 0; i < LOOKS && access(flag, F_OK) == 0; i++)
        usleep(LOOK_US);
}

static void *next(const char *name)
{
    void *function = dlsym(RTLD_NEXT, name);
    if (!function)
        abort();
    return function;
}

int fsync(int fd)
{
    wait_for_disk();
    return ((int (*)(int))next("fsync"))(fd);
}

int fdatasync(int fd)
{
    wait_for_disk();
    return ((int (*)(int))next("fdatasync"))(fd);
}

ssize_t pwrite(int fd, const void *bytes, size_t len, off_t at)
{
    wait_for_disk();
    return ((ssize_t(*)(int, const void *, size_t, off_t))next("pwrite"))(fd, bytes, len, at);
}

ssize_t pwrite64(int fd, const void *bytes, size_t len, off64_t at)
{
    wait_for_disk();
    return ((ssize_t(*)(int, const void *, size_t, off64_t))next("pwrite64"))(fd, bytes, len, at);
}
