/* Waiting for the bus without waiting: with $EMULATED_I2C_WAITS=wire a thread that uses the bus and sleeps lets the
 * wire's own clock pass instead. While such a thread works the clocks of the process show the time of the wire and no
 * other; while all of them wait for work they go on as the machine's do. So a conversion takes its 15 ms and a deadline is
 * met or missed whatever the machine does beside, and a poll of 128 probes takes a tenth of a second.
 *
 * With $EMULATED_I2C_WAITS=gone such a sleep passes on the wire too, but for the process it took no time at all: for one
 * whose clock must keep step with another's.
 *
 * With $EMULATED_I2C_IDLE=N beside `wire` they go N times as fast while every thread of the process waits: a day in
 * minutes. */
#define _GNU_SOURCE
#include "i2c_dev.h"
#include <dirent.h>
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <semaphore.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

#define SECOND 1000000000LL
#define SLICE (5 * 1000000LL) /* how soon a waiting thread notices that time was skipped */
#define CLOCKS 8

static atomic_llong ahead;
static atomic_int users, working; /* threads that have used the bus, and those of them that do not wait for work */
static __thread int uses;
static pthread_key_t at_end;
static long idle_speed = 1;
static long long begun[CLOCKS];
static __typeof__(&clock_gettime) next_gettime;
static __typeof__(&clock_nanosleep) next_nanosleep;

static enum { UNKNOWN, REAL, WIRE, GONE } waits(void) {
  static int known = UNKNOWN;
  if (known == UNKNOWN) {
    const char *asked = getenv("EMULATED_I2C_WAITS");
    known = asked == NULL ? REAL : !strcmp(asked, "wire") ? WIRE : !strcmp(asked, "gone") ? GONE : REAL;
  }
  return known;
}

static int skips(void) { return waits() == WIRE; }

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

/* What a clock shows to the process. */
static long long shown(clockid_t clock) {
  return begun[clock] + atomic_load(&ahead);
}

void bus_time_passed(double seconds) {
  if (!skips()) return;
  if (!uses) {
    uses = 1, atomic_fetch_add(&users, 1), atomic_fetch_add(&working, 1);
    pthread_setspecific(at_end, &uses);
  }
  atomic_fetch_add(&ahead, (long long)(seconds * 1e9));
}

static void ended(void *used) {
  (void)used;
  atomic_fetch_add(&users, -1), atomic_fetch_add(&working, -1);
}

static void rest(int begins) {
  if (uses) atomic_fetch_add(&working, begins ? -1 : 1);
}

/* Whether any thread but this one runs, or would if the machine let it: by the state in /proc/self/task/N/stat. */
static int busy(void) {
  DIR *list = opendir("/proc/self/task");
  struct dirent *entry;
  int found = 0;
  while (list != NULL && !found && (entry = readdir(list)) != NULL) {
    char path[300], text[128] = "", *state;
    if (entry->d_name[0] == '.' || atol(entry->d_name) == gettid()) continue;
    snprintf(path, sizeof path, "/proc/self/task/%s/stat", entry->d_name);
    int file = open(path, O_RDONLY | O_CLOEXEC);
    if (file < 0) continue;
    if (read(file, text, sizeof text - 1) > 0 && (state = strrchr(text, ')')) != NULL) found = state[2] == 'R' || state[2] == 'D';
    close(file);
  }
  if (list != NULL) closedir(list);
  return found;
}

static void *pace(void *unused) {
  long long last = really(CLOCK_MONOTONIC);
  (void)unused;
  for (;;) {
    struct timespec step = from_ns(SLICE);
    next_nanosleep(CLOCK_MONOTONIC, 0, &step, NULL);
    long long now = really(CLOCK_MONOTONIC);
    if (atomic_load(&working) == 0) {
      long speed = idle_speed > 1 && atomic_load(&users) && !busy() ? idle_speed : 1;
      atomic_fetch_add(&ahead, (now - last) * speed);
    }
    last = now;
  }
  return NULL;
}

__attribute__((constructor)) static void begin(void) {
  const char *speed = getenv("EMULATED_I2C_IDLE");
  pthread_t pacer;
  next_nanosleep = (__typeof__(&clock_nanosleep))dlsym(RTLD_NEXT, "clock_nanosleep");
  if (!skips()) return;
  pthread_key_create(&at_end, ended);
  for (clockid_t clock = 0; clock < CLOCKS; clock++) begun[clock] = really(clock);
  if (speed != NULL && atol(speed) > 1) idle_speed = atol(speed);
  pthread_create(&pacer, NULL, pace, NULL);
}

int clock_gettime(clockid_t clock, struct timespec *now) {
  if (!told(clock)) {
    if (next_gettime == NULL) really(CLOCK_MONOTONIC);
    return next_gettime(clock, now);
  }
  *now = from_ns(shown(clock));
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
  if (waits() == GONE && clock == CLOCK_MONOTONIC) {
    long long pause = in_ns(asked) - (flags & TIMER_ABSTIME ? really(clock) : 0);
    if (pause <= 0 || bus_sleep((double)pause / 1e9)) return 0;
  }
  if (!told(clock)) return next_nanosleep(clock, flags, asked, left);
  long long now = shown(clock);
  long long until = in_ns(asked) + (flags & TIMER_ABSTIME ? 0 : now);
  if (until <= now || bus_sleep((double)(until - now) / 1e9)) return 0;
  int error = 0;
  rest(1); /* of no bus: time goes on */
  while (!error && (now = shown(clock)) < until) {
    struct timespec step = from_ns(until - now < SLICE ? until - now : SLICE);
    error = next_nanosleep(clock, 0, &step, NULL);
  }
  rest(0);
  return error;
}

int nanosleep(const struct timespec *asked, struct timespec *left) {
  int error = clock_nanosleep(CLOCK_MONOTONIC, 0, asked, left);
  if (!error) return 0;
  errno = error;
  return -1;
}

/* A wait until a time of ours, in slices of real time; `one` waits until a real time and returns ETIMEDOUT after it. */
#define WAITING(clock, until, one)                                                  \
  for (;;) {                                                                        \
    long long left_ = in_ns(until) - shown(clock);                                  \
    struct timespec slice = from_ns(really(clock) + (left_ < 0 ? 0 : left_ < SLICE ? left_ : SLICE)); \
    int error_ = (one);                                                             \
    if (error_ != ETIMEDOUT || left_ <= 0) return error_;                           \
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

int sem_wait(sem_t *sem) {
  static int (*next)(sem_t *);
  if (next == NULL) next = (int (*)(sem_t *))dlsym(RTLD_NEXT, "sem_wait");
  rest(1);
  int failed = next(sem);
  rest(0);
  return failed;
}

int sem_clockwait(sem_t *sem, clockid_t clock, const struct timespec *until) {
  rest(1);
  int error = sem_sliced(sem, clock, until);
  rest(0);
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
