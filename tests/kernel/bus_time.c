/* Waiting for the bus without waiting: with $EMULATED_I2C_WAITS=wire a thread that uses the bus and sleeps lets the
 * wire's own clock pass instead, and every clock of the process is ahead by what was not waited. So a conversion takes
 * its 15 ms of the wire's time whatever the machine does beside, and a poll of 128 probes takes a tenth of a second.
 *
 * With $EMULATED_I2C_IDLE=N as well, time runs N times as fast while nothing is said on the bus: a day in minutes. */
#define _GNU_SOURCE
#include "i2c_dev.h"
#include <dlfcn.h>
#include <errno.h>
#include <pthread.h>
#include <semaphore.h>
#include <stdatomic.h>
#include <stdlib.h>
#include <string.h>
#include <sys/time.h>
#include <time.h>

#define SECOND 1000000000LL
#define SLICE (5 * 1000000LL)      /* how soon a waiting thread notices that time was skipped */
#define IDLE_AFTER (30 * 1000000LL) /* real time without a word on the bus */

static atomic_llong ahead, spoken;
static __typeof__(&clock_gettime) next_gettime;
static __typeof__(&clock_nanosleep) next_nanosleep;

static int skips(void) {
  static int known;
  if (!known) {
    const char *waits = getenv("EMULATED_I2C_WAITS");
    known = waits != NULL && !strcmp(waits, "wire") ? 2 : 1;
  }
  return known == 2;
}

static long long in_ns(const struct timespec *time) { return time->tv_sec * SECOND + time->tv_nsec; }
static struct timespec from_ns(long long ns) { return (struct timespec){ns / SECOND, ns % SECOND}; }

static long long really(clockid_t clock) {
  struct timespec now;
  if (next_gettime == NULL) next_gettime = (__typeof__(&clock_gettime))dlsym(RTLD_NEXT, "clock_gettime");
  next_gettime(clock, &now);
  return in_ns(&now);
}

static int told(clockid_t clock) {
  return skips() && (clock == CLOCK_REALTIME || clock == CLOCK_MONOTONIC || clock == CLOCK_MONOTONIC_RAW ||
                     clock == CLOCK_BOOTTIME || clock == CLOCK_REALTIME_COARSE || clock == CLOCK_MONOTONIC_COARSE);
}

void bus_time_passed(double seconds) {
  if (!skips()) return;
  atomic_fetch_add(&ahead, (long long)(seconds * 1e9));
  atomic_store(&spoken, really(CLOCK_MONOTONIC));
}

static void *pace(void *speed) {
  long long last = really(CLOCK_MONOTONIC);
  for (;;) {
    struct timespec step = from_ns(SLICE);
    next_nanosleep(CLOCK_MONOTONIC, 0, &step, NULL);
    long long now = really(CLOCK_MONOTONIC);
    if (now - atomic_load(&spoken) > IDLE_AFTER) atomic_fetch_add(&ahead, (now - last) * ((long)speed - 1));
    last = now;
  }
  return NULL;
}

__attribute__((constructor)) static void begin(void) {
  const char *speed = getenv("EMULATED_I2C_IDLE");
  pthread_t pacer;
  next_nanosleep = (__typeof__(&clock_nanosleep))dlsym(RTLD_NEXT, "clock_nanosleep");
  atomic_store(&spoken, really(CLOCK_MONOTONIC));
  if (skips() && speed != NULL && atol(speed) > 1) pthread_create(&pacer, NULL, pace, (void *)atol(speed));
}

int clock_gettime(clockid_t clock, struct timespec *now) {
  if (!told(clock)) {
    if (next_gettime == NULL) really(CLOCK_MONOTONIC);
    return next_gettime(clock, now);
  }
  *now = from_ns(really(clock) + atomic_load(&ahead));
  return 0;
}

int gettimeofday(struct timeval *restrict now, void *restrict zone) {
  struct timespec fine;
  (void)zone;
  clock_gettime(CLOCK_REALTIME, &fine);
  now->tv_sec = fine.tv_sec, now->tv_usec = fine.tv_nsec / 1000;
  return 0;
}

time_t time(time_t *now) {
  struct timespec fine;
  clock_gettime(CLOCK_REALTIME, &fine);
  if (now != NULL) *now = fine.tv_sec;
  return fine.tv_sec;
}

int clock_nanosleep(clockid_t clock, int flags, const struct timespec *asked, struct timespec *left) {
  if (!told(clock)) return next_nanosleep(clock, flags, asked, left);
  long long now = really(clock) + atomic_load(&ahead);
  long long until = in_ns(asked) + (flags & TIMER_ABSTIME ? 0 : now);
  if (until <= now || bus_sleep((double)(until - now) / 1e9)) return 0;
  while ((now = really(clock) + atomic_load(&ahead)) < until) {
    struct timespec step = from_ns(until - now < SLICE ? until - now : SLICE);
    int error = next_nanosleep(clock, 0, &step, NULL);
    if (error) return error;
  }
  return 0;
}

int nanosleep(const struct timespec *asked, struct timespec *left) {
  int error = clock_nanosleep(CLOCK_MONOTONIC, 0, asked, left);
  if (!error) return 0;
  errno = error;
  return -1;
}

/* A wait until a time of ours, in slices of real time; `one` waits until a real time and returns ETIMEDOUT after it. */
#define WAITING(clock, until, one)                                               \
  for (;;) {                                                                     \
    long long now_ = really(clock), left_ = in_ns(until) - now_ - atomic_load(&ahead); \
    struct timespec slice = from_ns(now_ + (left_ < SLICE ? left_ : SLICE));     \
    int error_ = left_ <= 0 ? (slice = from_ns(now_), one) : (one);              \
    if (error_ != ETIMEDOUT || left_ <= SLICE) return error_;                    \
  }

static int sem_until(int (*wait)(sem_t *, clockid_t, const struct timespec *), sem_t *sem, clockid_t clock, const struct timespec *slice) {
  return wait(sem, clock, slice) == 0 ? 0 : errno;
}

static int sem_sliced(sem_t *sem, clockid_t clock, const struct timespec *until) {
  static int (*next)(sem_t *, clockid_t, const struct timespec *);
  if (next == NULL) next = (int (*)(sem_t *, clockid_t, const struct timespec *))dlsym(RTLD_NEXT, "sem_clockwait");
  if (!told(clock)) return sem_until(next, sem, clock, until);
  WAITING(clock, until, sem_until(next, sem, clock, &slice))
}

int sem_clockwait(sem_t *sem, clockid_t clock, const struct timespec *until) {
  int error = sem_sliced(sem, clock, until);
  if (!error) return 0;
  errno = error;
  return -1;
}

int sem_timedwait(sem_t *sem, const struct timespec *until) { return sem_clockwait(sem, CLOCK_REALTIME, until); }

int pthread_cond_clockwait(pthread_cond_t *cond, pthread_mutex_t *mutex, clockid_t clock, const struct timespec *until) {
  static int (*next)(pthread_cond_t *, pthread_mutex_t *, clockid_t, const struct timespec *);
  if (next == NULL) next = (__typeof__(next))dlsym(RTLD_NEXT, "pthread_cond_clockwait");
  if (!told(clock)) return next(cond, mutex, clock, until);
  WAITING(clock, until, next(cond, mutex, clock, &slice))
}

/* Which clock the condition was made with is not told; whichever is nearer is meant. */
int pthread_cond_timedwait(pthread_cond_t *cond, pthread_mutex_t *mutex, const struct timespec *until) {
  static int (*next)(pthread_cond_t *, pthread_mutex_t *, const struct timespec *);
  if (next == NULL) {
    /* dlsym gives the one of glibc 2.2 where there are two */
    void *found = dlvsym(RTLD_NEXT, "pthread_cond_timedwait", "GLIBC_2.3.2");
    if (found == NULL) found = dlsym(RTLD_NEXT, "pthread_cond_timedwait");
    next = (__typeof__(next))found;
  }
  if (!skips()) return next(cond, mutex, until);
  clockid_t clock = llabs(in_ns(until) - really(CLOCK_REALTIME)) < llabs(in_ns(until) - really(CLOCK_MONOTONIC)) ? CLOCK_REALTIME : CLOCK_MONOTONIC;
  WAITING(clock, until, next(cond, mutex, &slice))
}
