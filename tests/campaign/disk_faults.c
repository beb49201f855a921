/* LD_PRELOAD: writes or syncs of the database fail while the file named by DISK_FAULT exists.
   Its content: the errno, a space, and `w` for writes or `s` for syncs. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/types.h>
#include <unistd.h>

static int fails(int fd, char what) {
  const char *path = getenv("DISK_FAULT");
  char text[16] = {0}, link[64], name[512] = {0};
  int file, number = 0;
  char kind = 0;
  if (path == NULL || (file = open(path, O_RDONLY)) < 0) return 0;
  if (read(file, text, sizeof text - 1) < 0) text[0] = 0;
  close(file);
  snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
  if (sscanf(text, "%d %c", &number, &kind) != 2 || kind != what) return 0;
  if (readlink(link, name, sizeof name - 1) < 0 || strstr(name, "dewkeeper.db") == NULL) return 0;
  errno = number;
  return 1;
}

#define NEXT(type, name, ...) ((type (*)(__VA_ARGS__))dlsym(RTLD_NEXT, name))

ssize_t pwrite64(int fd, const void *data, size_t size, off64_t at) {
  if (fails(fd, 'w')) return -1;
  return NEXT(ssize_t, "pwrite64", int, const void *, size_t, off64_t)(fd, data, size, at);
}
ssize_t pwrite(int fd, const void *data, size_t size, off_t at) {
  if (fails(fd, 'w')) return -1;
  return NEXT(ssize_t, "pwrite", int, const void *, size_t, off_t)(fd, data, size, at);
}
int fsync(int fd) { return fails(fd, 's') ? -1 : NEXT(int, "fsync", int)(fd); }
int fdatasync(int fd) { return fails(fd, 's') ? -1 : NEXT(int, "fdatasync", int)(fd); }
