/* Preloaded: fsync and fdatasync take as many seconds longer as the file named by $SLOW_SYNC_FILE says, now. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <stdio.h>
#include <stdlib.h>
#include <unistd.h>

static void hold(void)
{
    const char *name = getenv("SLOW_SYNC_FILE");
    FILE *file = name ? fopen(name, "r") : NULL;
    double seconds = 0;
    if (file != NULL) {
        if (fscanf(file, "%lf", &seconds) != 1)
            seconds = 0;
        fclose(file);
    }
    if (seconds > 0)
        usleep((useconds_t)(seconds * 1e6));
}

int fsync(int fd)
{
    int (*real)(int) = (int (*)(int))dlsym(RTLD_NEXT, "fsync");
    hold();
    return real(fd);
}

int fdatasync(int fd)
{
    int (*real)(int) = (int (*)(int))dlsym(RTLD_NEXT, "fdatasync");
    hold();
    return real(fd);
}
