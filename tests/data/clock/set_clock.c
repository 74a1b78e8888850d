/*
 * Shifts the wall clock of a program by the seconds that stand in the file $SET_CLOCK, looked up each time. Steady
 * clocks and sleeps stay as they are: libfaketime 0.9.10 takes the steady clock for the wall clock in
 * clock_nanosleep(2), which Python's time.sleep calls.
 *
 * Source: clock_gettime(2), gettimeofday(2), time(2).
 */
#define _GNU_SOURCE
#include <fcntl.h>
#include <stdlib.h>
#include <sys/syscall.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

static long shift(void)
{
    char text[32] = "";
    const char *path = getenv("SET_CLOCK");
    int file = path ? open(path, O_RDONLY | O_CLOEXEC) : -1;
    if (file < 0)
        return 0;
    ssize_t length = read(file, text, sizeof text - 1);
    close(file);
    return length > 0 ? atol(text) : 0;
}

int clock_gettime(clockid_t clock, struct timespec *moment)
{
    int failed = syscall(SYS_clock_gettime, clock, moment);
    if (!failed && (clock == CLOCK_REALTIME || clock == CLOCK_REALTIME_COARSE))
        moment->tv_sec += shift();
    return failed;
}

int gettimeofday(struct timeval *restrict moment, void *restrict zone)
{
    int failed = syscall(SYS_gettimeofday, moment, zone);
    if (!failed)
        moment->tv_sec += shift();
    return failed;
}

time_t time(time_t *kept)
{
    struct timespec moment;
    clock_gettime(CLOCK_REALTIME, &moment);
    if (kept)
        *kept = moment.tv_sec;
    return moment.tv_sec;
}
