/* The computer's clock is set, or the computer sleeps: for a program under LD_PRELOAD.

The file named by MOVED_CLOCK holds two doubles, seconds to add to the wall clock and to the time since boot with sleep.
The clock that stands still in a sleep is left alone: the kernel's waits go by it. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <math.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

static volatile double *moved;
static int (*real)(clockid_t, struct timespec *);

__attribute__((constructor)) static void begin(void)
{
    const char *name = getenv("MOVED_CLOCK");
    int file = name ? open(name, O_RDONLY | O_CLOEXEC) : -1;
    if (file < 0)
        return;
    void *found = mmap(NULL, 2 * sizeof(double), PROT_READ, MAP_SHARED, file, 0);
    close(file);
    if (found != MAP_FAILED)
        moved = found;
}

int clock_gettime(clockid_t clock, struct timespec *now)
{
    if (!real)
        real = (int (*)(clockid_t, struct timespec *))dlsym(RTLD_NEXT, "clock_gettime");
    int failed = real(clock, now);
    int which = clock == CLOCK_REALTIME || clock == CLOCK_REALTIME_COARSE ? 0 : clock == CLOCK_BOOTTIME ? 1 : -1;
    if (!failed && moved && which >= 0)
        now->tv_sec += (time_t)floor(moved[which]);
    return failed;
}

int gettimeofday(struct timeval *restrict now, void *restrict zone)
{
    struct timespec found;
    (void)zone;
    int failed = clock_gettime(CLOCK_REALTIME, &found);
    if (now) {
        now->tv_sec = found.tv_sec;
        now->tv_usec = found.tv_nsec / 1000;
    }
    return failed;
}

time_t time(time_t *kept)
{
    struct timespec found;
    clock_gettime(CLOCK_REALTIME, &found);
    if (kept)
        *kept = found.tv_sec;
    return found.tv_sec;
}
