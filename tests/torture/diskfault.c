/* A preloaded library that makes one folder's disk slow or failing, switched while the process runs.
 *
 *     gcc -shared -fPIC -O2 -Wall -Wextra -Werror -o diskfault.so diskfault.c -ldl
 *     DISKFAULT_CONTROL=FILE DISKFAULT_UNDER=FOLDER LD_PRELOAD=./diskfault.so PROGRAM
 *
 * FILE is mapped, holds `struct control`, and is shared by whoever sets the fault and all processes that obey it. Calls
 * on files under FOLDER (as /proc/self/fd names them) fail with `error` where it is not 0; fsync, fdatasync and syncfs
 * take `delay_s` longer. What was slowed and refused is counted, so that a test can tell that its fault took place.
 * A delay ends early when it is switched off, as when a card has finished its own housekeeping.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/types.h>
#include <time.h>
#include <unistd.h>

struct control {
    volatile int32_t error;
    volatile int32_t unused;
    volatile double delay_s;
    volatile int64_t syncs;
    volatile int64_t slowed;
    volatile int64_t refused;
};

static struct control *control;
static char under[3072];
static size_t under_length;

__attribute__((constructor)) static void begin(void)
{
    const char *file = getenv("DISKFAULT_CONTROL"), *folder = getenv("DISKFAULT_UNDER");
    if (!file || !folder)
        return;
    int fd = open(file, O_RDWR | O_CLOEXEC);
    if (fd < 0)
        return;
    void *mapped = mmap(NULL, sizeof *control, PROT_READ | PROT_WRITE, MAP_SHARED, fd, 0);
    close(fd);
    under_length = (size_t)snprintf(under, sizeof under, "%s/", folder);
    if (mapped != MAP_FAILED)
        control = mapped;
}

static int path_is_under(const char *path)
{
    return strncmp(path, under, under_length) == 0;
}

static int is_under(int fd)
{
    char link[48], path[4096];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t length = readlink(link, path, sizeof path - 1);
    if (length < 0)
        return 0;
    path[length] = 0;
    return path_is_under(path);
}

/* The error number that a call on `fd` or `path` shall fail with; 0 for none. */
static int refusal(int fd, const char *path)
{
    if (!control || !control->error)
        return 0;
    if (path ? !path_is_under(path) : !is_under(fd))
        return 0;
    __sync_fetch_and_add(&control->refused, 1);
    return control->error;
}

static void hold(int fd)
{
    if (!control || !is_under(fd))
        return;
    __sync_fetch_and_add(&control->syncs, 1);
    double left_s = control->delay_s;
    if (left_s <= 0)
        return;
    __sync_fetch_and_add(&control->slowed, 1);
    struct timespec began, now;
    clock_gettime(CLOCK_MONOTONIC, &began);
    for (;;) {
        clock_gettime(CLOCK_MONOTONIC, &now);
        double gone_s = (double)(now.tv_sec - began.tv_sec) + 1e-9 * (double)(now.tv_nsec - began.tv_nsec);
        if (gone_s >= left_s || control->delay_s <= 0)
            return;
        struct timespec step = {0, 10 * 1000 * 1000};
        nanosleep(&step, NULL);
    }
}

#define NEXT(name) \
    static __typeof__(&name) next; \
    if (!next) \
        next = (__typeof__(&name))dlsym(RTLD_NEXT, #name)

#define REFUSE(fd, path) \
    do { \
        int why = refusal(fd, path); \
        if (why) { \
            errno = why; \
            return -1; \
        } \
    } while (0)

ssize_t write(int fd, const void *data, size_t size)
{
    NEXT(write);
    REFUSE(fd, NULL);
    return next(fd, data, size);
}

ssize_t pwrite(int fd, const void *data, size_t size, off_t offset)
{
    NEXT(pwrite);
    REFUSE(fd, NULL);
    return next(fd, data, size, offset);
}

ssize_t pwrite64(int fd, const void *data, size_t size, off64_t offset)
{
    NEXT(pwrite64);
    REFUSE(fd, NULL);
    return next(fd, data, size, offset);
}

int ftruncate(int fd, off_t size)
{
    NEXT(ftruncate);
    REFUSE(fd, NULL);
    return next(fd, size);
}

int ftruncate64(int fd, off64_t size)
{
    NEXT(ftruncate64);
    REFUSE(fd, NULL);
    return next(fd, size);
}

int fsync(int fd)
{
    NEXT(fsync);
    hold(fd);
    REFUSE(fd, NULL);
    return next(fd);
}

int fdatasync(int fd)
{
    NEXT(fdatasync);
    hold(fd);
    REFUSE(fd, NULL);
    return next(fd);
}

int syncfs(int fd)
{
    NEXT(syncfs);
    hold(fd);
    REFUSE(fd, NULL);
    return next(fd);
}

int mkdir(const char *path, mode_t mode)
{
    NEXT(mkdir);
    REFUSE(-1, path);
    return next(path, mode);
}

int rename(const char *from, const char *to)
{
    NEXT(rename);
    REFUSE(-1, to);
    return next(from, to);
}

/* Making a file fails; opening one that is there does not. */
#define OPEN(name) \
    int name(const char *path, int flags, ...) \
    { \
        static int (*next)(const char *, int, ...); \
        if (!next) \
            next = (int (*)(const char *, int, ...))dlsym(RTLD_NEXT, #name); \
        va_list more; \
        va_start(more, flags); \
        mode_t mode = (flags & O_CREAT) || (flags & O_TMPFILE) == O_TMPFILE ? va_arg(more, mode_t) : 0; \
        va_end(more); \
        if ((flags & O_CREAT) && control && control->error && access(path, F_OK) != 0) \
            REFUSE(-1, path); \
        return next(path, flags, mode); \
    }

OPEN(open)
OPEN(open64)
