/* Tells a program another time of day (LD_PRELOAD): CLOCKS_SHIFT seconds are added; see clocks.py. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <stdlib.h>
#include <sys/time.h>
#include <time.h>

static long shift(void)
{
    const char *told = getenv("CLOCKS_SHIFT");
    return told ? atol(told) : 0;
}

int clock_gettime(clockid_t which, struct timespec *at)
{
    static int (*real)(clockid_t, struct timespec *);
    if (!real)
        real = (int (*)(clockid_t, struct timespec *))dlsym(RTLD_NEXT, "clock_gettime");
    int ended = real(which, at);
    if (ended == 0 && which == CLOCK_REALTIME)
        at->tv_sec += shift();
    return ended;
}

time_t time(time_t *at)
{
    struct timespec now;
    clock_gettime(CLOCK_REALTIME, &now);
    if (at)
        *at = now.tv_sec;
    return now.tv_sec;
}

int gettimeofday(struct timeval *restrict at, void *restrict zone)
{
    struct timespec now;
    (void)zone;
    clock_gettime(CLOCK_REALTIME, &now);
    at->tv_sec = now.tv_sec;
    at->tv_usec = now.tv_nsec / 1000;
    return 0;
}
