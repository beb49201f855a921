/* Records what a process reads, writes and syncs in files whose path contains $IOLOG_MATCH; loaded by LD_PRELOAD.
 * Build: cc -O2 -shared -fPIC -o iolog.so iolog.c -ldl. The log, $IOLOG, is binary:
 * u8 what, u8 file (0 database, 1 write-ahead log, 2 journal, 3 other), i64 offset, i32 length, [data if $IOLOG_DATA]
 * what: 1 write 2 fsync 3 fdatasync 4 truncate (offset: new size) 5 unlink 6 read 9 mark (offset: its number) */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/types.h>
#include <unistd.h>

static int log_fd = -2, with_data;
static const char *match;
static ssize_t (*real_write)(int, const void *, size_t);

static void init(void) {
  if (log_fd != -2) return;
  real_write = dlsym(RTLD_NEXT, "write");
  const char *path = getenv("IOLOG");
  match = getenv("IOLOG_MATCH");
  with_data = getenv("IOLOG_DATA") != 0;
  log_fd = path && match ? open(path, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0644) : -1;
}

static int ends(const char *text, const char *end) {
  size_t n = strlen(text), m = strlen(end);
  return n >= m && !strcmp(text + n - m, end);
}

static int kind(const char *path) {
  if (!strstr(path, match)) return -1;
  if (ends(path, "-wal")) return 1;
  if (ends(path, "-journal")) return 2;
  return ends(path, ".db") ? 0 : 3;
}

static int kind_of(int fd) {
  char link[64], path[1024];
  snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
  ssize_t n = readlink(link, path, sizeof path - 1);
  if (n < 0) return -1;
  path[n] = 0;
  return kind(path);
}

static void record(uint8_t what, uint8_t file, int64_t offset, int32_t length, const void *data) {
  size_t more = data && with_data ? (size_t)length : 0;
  char *line = malloc(14 + more);
  line[0] = what, line[1] = file;
  memcpy(line + 2, &offset, 8), memcpy(line + 10, &length, 4);
  if (more) memcpy(line + 14, data, more);
  if (real_write(log_fd, line, 14 + more) < 0) abort(); /* a log with a hole would prove nothing */
  free(line);
}

void iolog_mark(int number) {
  init();
  if (log_fd >= 0) record(9, 0, number, 0, 0);
}

#define REAL(type, name, ...)                                  \
  static type (*real)(__VA_ARGS__);                            \
  if (!real) real = dlsym(RTLD_NEXT, name);                    \
  init()
#define NOTE(what, fd, offset, length, data)                   \
  if (log_fd >= 0) {                                           \
    int file = kind_of(fd);                                    \
    if (file >= 0) record(what, file, offset, length, data);   \
  }

ssize_t pwrite64(int fd, const void *data, size_t n, off64_t offset) {
  REAL(ssize_t, "pwrite64", int, const void *, size_t, off64_t);
  ssize_t done = real(fd, data, n, offset);
  if (done > 0) NOTE(1, fd, offset, done, data)
  return done;
}
ssize_t pwrite(int fd, const void *data, size_t n, off_t offset) { return pwrite64(fd, data, n, offset); }
ssize_t pread64(int fd, void *data, size_t n, off64_t offset) {
  REAL(ssize_t, "pread64", int, void *, size_t, off64_t);
  ssize_t done = real(fd, data, n, offset);
  if (done > 0) NOTE(6, fd, offset, done, 0)
  return done;
}
ssize_t pread(int fd, void *data, size_t n, off_t offset) { return pread64(fd, data, n, offset); }
int fsync(int fd) {
  REAL(int, "fsync", int);
  int done = real(fd);
  NOTE(2, fd, 0, 0, 0)
  return done;
}
int fdatasync(int fd) {
  REAL(int, "fdatasync", int);
  int done = real(fd);
  NOTE(3, fd, 0, 0, 0)
  return done;
}
int ftruncate64(int fd, off64_t size) {
  REAL(int, "ftruncate64", int, off64_t);
  int done = real(fd, size);
  NOTE(4, fd, size, 0, 0)
  return done;
}
int ftruncate(int fd, off_t size) { return ftruncate64(fd, size); }
int unlink(const char *path) {
  REAL(int, "unlink", const char *);
  if (log_fd >= 0 && kind(path) >= 0) record(5, kind(path), 0, 0, 0);
  return real(path);
}
