/* A clock that is wrong: what a program is told of the time of day is off by CLOCK_OFF seconds; its monotonic clock is right. */
#define _GNU_SOURCE
#include <stdlib.h>
#include <sys/time.h>
#include <time.h>

static time_t off(void)
{
    const char *said = getenv("CLOCK_OFF");
    return said ? atol(said) : 0;
}

int gettimeofday(struct timeval *at, void *zone)
{
    struct timespec now;
    (void)zone;
    clock_gettime(CLOCK_REALTIME, &now);
    at->tv_sec = now.tv_sec + off();
    at->tv_usec = now.tv_nsec / 1000;
    return 0;
}

time_t time(time_t *at)
{
    struct timespec now;
    clock_gettime(CLOCK_REALTIME, &now);
    now.tv_sec += off();
    if (at)
        *at = now.tv_sec;
    return now.tv_sec;
}
