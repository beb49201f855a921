/* The kernel's I2C devices, emulated for one process that runs unmodified; loaded by LD_PRELOAD.
 * Build: cc -O2 -shared -fPIC -o i2c_dev.so i2c_dev.c bus_time.c -ldl -lpthread   (tests/kernel/emulated.py does it)
 *
 * $EMULATED_I2C is a folder. In it lie plain files dev/i2c-N and a tree sys/, in place of /dev/i2c-N and of what the
 * kernel shows below /sys about I2C: they exist, are listed, locked and refused as the machine's own would be. What is
 * asked of an opened device goes over the folder's `socket` to the chips, one connection a descriptor.
 *
 * Answered as Linux does (Documentation/i2c/dev-interface.rst, drivers/i2c/i2c-dev.c): I2C_RDWR, I2C_SMBUS, I2C_SLAVE
 * with read and write, I2C_SLAVE_FORCE, I2C_FUNCS, I2C_TIMEOUT, I2C_RETRIES. */
#define _GNU_SOURCE
#include "i2c_dev.h"
#include <dirent.h>
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <linux/i2c-dev.h>
#include <linux/i2c.h>
#include <pthread.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

#define MOST_FDS 4096
/* The function of that name which stands behind ours. */
#define NEXT(name)                                                   \
  ({                                                                 \
    static __typeof__(&name) next_;                                  \
    if (next_ == NULL) next_ = (__typeof__(&name))dlsym(RTLD_NEXT, #name); \
    next_;                                                           \
  })

struct device {
  int number; /* of /dev/i2c-N, and 1 more: 0 is no device of ours */
  int connection;
  unsigned short address;
  pthread_mutex_t lock;
};

static struct device devices[MOST_FDS];
static __thread int used_last = -1;

static const char *folder(void) {
  static const char *found;
  static int looked;
  if (!looked) found = getenv("EMULATED_I2C"), looked = 1;
  return found;
}

static struct device *device_of(int fd) {
  return fd >= 0 && fd < MOST_FDS && devices[fd].number ? &devices[fd] : NULL;
}

/* Where a path really lies. */
static const char *moved(const char *path, char *room) {
  static const char *const ours[] = {"/dev/i2c-", "/sys/bus/i2c", "/sys/class/i2c-", "/sys/devices/emulated"};
  if (path == NULL || path[0] != '/' || folder() == NULL) return path;
  for (size_t i = 0; i < sizeof ours / sizeof *ours; i++)
    if (!strncmp(path, ours[i], strlen(ours[i]))) {
      snprintf(room, PATH_MAX, "%s%s", folder(), path);
      return room;
    }
  return path;
}

/* --- talking with the chips --- */

static int whole(int connection, void *data, size_t size, int out) {
  char *at = data;
  while (size > 0) {
    ssize_t done = out ? send(connection, at, size, MSG_NOSIGNAL) : recv(connection, at, size, 0);
    if (done < 0 && errno == EINTR) continue; /* a transfer is not interrupted */
    if (done <= 0) return -1;
    at += done, size -= (size_t)done;
  }
  return 0;
}

static int dial(void) {
  struct sockaddr_un name = {.sun_family = AF_UNIX};
  int connection = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
  if (connection < 0) return -1;
  snprintf(name.sun_path, sizeof name.sun_path, "%s/socket", folder());
  if (connect(connection, (struct sockaddr *)&name, sizeof name) == 0) return connection;
  NEXT(close)(connection);
  return -1;
}

/* One question and its answer; returns 0 or the error's number. `room` takes at most `size` bytes of answer. */
static int ask(struct device *device, char what, long long number, const void *data, size_t length, void *room, size_t size) {
  struct question question = {.what = what, .length = (uint32_t)length, .number = number};
  struct answer answer = {0};
  char spare[PATH_MAX];
  int failed;
  pthread_mutex_lock(&device->lock);
  failed = whole(device->connection, &question, sizeof question, 1) || (length && whole(device->connection, (void *)data, length, 1)) ||
           whole(device->connection, &answer, sizeof answer, 0);
  if (!failed && answer.length > 0)
    failed = answer.length > sizeof spare || whole(device->connection, answer.length <= size ? room : spare, answer.length, 0);
  pthread_mutex_unlock(&device->lock);
  if (failed) return ENODEV; /* the chips went away, and the controller with them */
  bus_time_passed(answer.seconds);
  return answer.error;
}

int bus_sleep(double seconds) {
  struct device *device = device_of(used_last);
  if (device == NULL) return 0;
  ask(device, 's', 0, &seconds, sizeof seconds, NULL, 0);
  return 1;
}

/* --- opening and closing --- */

static int opened(int fd, const char *path) {
  int number, error;
  struct device *device;
  if (fd < 0 || folder() == NULL || sscanf(path, "/dev/i2c-%d", &number) != 1) return fd;
  if (fd >= MOST_FDS) abort();
  device = &devices[fd];
  memset(device, 0, sizeof *device);
  pthread_mutex_init(&device->lock, NULL);
  device->connection = dial();
  error = device->connection < 0 ? ENODEV : ask(device, 'o', number, NULL, 0, NULL, 0);
  if (error) {
    if (device->connection >= 0) NEXT(close)(device->connection);
    NEXT(close)(fd);
    errno = error;
    return -1;
  }
  device->number = number + 1;
  return fd;
}

#define OPENING(name, ...)                                                    \
  {                                                                           \
    char room[PATH_MAX];                                                      \
    mode_t mode = 0;                                                          \
    va_list rest;                                                             \
    va_start(rest, flags);                                                    \
    if (flags & (O_CREAT | O_TMPFILE)) mode = va_arg(rest, mode_t);           \
    va_end(rest);                                                             \
    return opened(NEXT(name)(__VA_ARGS__ moved(path, room), flags, mode), path); \
  }
int open(const char *path, int flags, ...) OPENING(open, )
int open64(const char *path, int flags, ...) OPENING(open64, )
int openat(int at, const char *path, int flags, ...) OPENING(openat, at, )
int openat64(int at, const char *path, int flags, ...) OPENING(openat64, at, )
int __open_2(const char *path, int flags) { return open(path, flags); }
int __open64_2(const char *path, int flags) { return open64(path, flags); }

int close(int fd) {
  struct device *device = device_of(fd);
  if (device != NULL) {
    ask(device, 'c', 0, NULL, 0, NULL, 0); /* so that it is closed when this returns */
    device->number = 0;
    NEXT(close)(device->connection);
  }
  return NEXT(close)(fd);
}

/* --- what is shown of the devices --- */

#define SHOWN(type, name, parameters, ...)        \
  type name parameters {                          \
    char other[PATH_MAX];                         \
    return NEXT(name)(__VA_ARGS__);          \
  }
SHOWN(int, stat, (const char *path, struct stat *found), moved(path, other), found)
SHOWN(int, stat64, (const char *path, struct stat64 *found), moved(path, other), found)
SHOWN(int, lstat, (const char *path, struct stat *found), moved(path, other), found)
SHOWN(int, lstat64, (const char *path, struct stat64 *found), moved(path, other), found)
SHOWN(int, fstatat, (int at, const char *path, struct stat *found, int flags), at, moved(path, other), found, flags)
SHOWN(int, fstatat64, (int at, const char *path, struct stat64 *found, int flags), at, moved(path, other), found, flags)
SHOWN(int, access, (const char *path, int mode), moved(path, other), mode)
SHOWN(int, faccessat, (int at, const char *path, int mode, int flags), at, moved(path, other), mode, flags)
SHOWN(ssize_t, readlink, (const char *path, char *room, size_t size), moved(path, other), room, size)
SHOWN(ssize_t, readlinkat, (int at, const char *path, char *room, size_t size), at, moved(path, other), room, size)

/* A list of /dev shows our devices in place of the machine's. One list at a time is enough here. */
static DIR *dev_list, *our_list;

DIR *opendir(const char *path) {
  char room[PATH_MAX];
  DIR *list = NEXT(opendir)(moved(path, room));
  if (list != NULL && folder() != NULL && (!strcmp(path, "/dev") || !strcmp(path, "/dev/"))) {
    snprintf(room, sizeof room, "%s/dev", folder());
    dev_list = list, our_list = NEXT(opendir)(room);
  }
  return list;
}

#define READING(type, name)                                                                    \
  type *name(DIR *list) {                                                                      \
    type *found;                                                                               \
    do found = NEXT(name)(list);                                                          \
    while (found != NULL && list == dev_list && !strncmp(found->d_name, "i2c-", 4));           \
    if (found == NULL && list == dev_list && our_list != NULL)                                 \
      do found = NEXT(name)(our_list);                                                               \
      while (found != NULL && found->d_name[0] == '.');                                        \
    return found;                                                                              \
  }
READING(struct dirent, readdir)
READING(struct dirent64, readdir64)

int closedir(DIR *list) {
  if (list == dev_list) {
    if (our_list != NULL) NEXT(closedir)(our_list);
    dev_list = our_list = NULL;
  }
  return NEXT(closedir)(list);
}

/* --- the device itself --- */

static int transfer(struct device *device, struct i2c_rdwr_ioctl_data *asked) {
  char out[1 << 16], in[1 << 13];
  size_t length = 0, at = 0, back = 0;
  int error;
  if (asked->nmsgs == 0 || asked->msgs == NULL || asked->nmsgs > I2C_RDWR_IOCTL_MAX_MSGS) return EINVAL;
  for (unsigned i = 0; i < asked->nmsgs; i++) {
    struct i2c_msg *message = &asked->msgs[i];
    struct message head = {message->addr, message->flags, message->len};
    size_t data = message->flags & I2C_M_RD ? 0 : message->len;
    if (message->len > 8192 || length + sizeof head + data > sizeof out) return EINVAL; /* 8192: i2c-dev.c */
    memcpy(out + length, &head, sizeof head), length += sizeof head;
    if (data) memcpy(out + length, message->buf, data), length += data;
    back += message->flags & I2C_M_RD ? message->len : 0;
  }
  if (back > sizeof in) return EINVAL;
  error = ask(device, 't', asked->nmsgs, out, length, in, sizeof in);
  for (unsigned i = 0; !error && i < asked->nmsgs; i++)
    if (asked->msgs[i].flags & I2C_M_RD) memcpy(asked->msgs[i].buf, in + at, asked->msgs[i].len), at += asked->msgs[i].len;
  return error;
}

static int smbus(struct device *device, struct i2c_smbus_ioctl_data *asked) {
  struct smbus_call call = {asked->read_write, asked->command, device->address, asked->size, {0}};
  int error;
  if (asked->data != NULL) memcpy(call.data, asked->data, sizeof call.data);
  error = ask(device, 'b', 0, &call, sizeof call, call.data, sizeof call.data);
  if (!error && asked->data != NULL && asked->read_write == I2C_SMBUS_READ) memcpy(asked->data, call.data, sizeof call.data);
  return error;
}

static int obey(struct device *device, unsigned long what, void *arg) {
  long long number = (long long)(intptr_t)arg;
  int error;
  switch (what) {
    case I2C_RDWR: return transfer(device, arg);
    case I2C_SMBUS: return smbus(device, arg);
    case I2C_FUNCS: return ask(device, 'f', 0, NULL, 0, arg, sizeof(unsigned long));
    case I2C_TIMEOUT: return number > INT_MAX ? EINVAL : ask(device, 'w', number, NULL, 0, NULL, 0);
    case I2C_RETRIES: return number > INT_MAX ? EINVAL : ask(device, 'r', number, NULL, 0, NULL, 0);
    case I2C_SLAVE:
    case I2C_SLAVE_FORCE:
      if (number < 0 || number > 0x7f) return EINVAL;
      error = what == I2C_SLAVE ? ask(device, 'a', number, NULL, 0, NULL, 0) : 0;
      if (!error) device->address = (unsigned short)number;
      return error;
    default: return ENOTTY;
  }
}

int ioctl(int fd, unsigned long what, ...) {
  struct device *device = device_of(fd);
  va_list rest;
  void *arg;
  int error;
  va_start(rest, what), arg = va_arg(rest, void *), va_end(rest);
  if (device == NULL) return NEXT(ioctl)(fd, what, arg);
  used_last = fd;
  error = obey(device, what, arg);
  if (!error) return 0;
  errno = error;
  return -1;
}

/* read and write of a device are one message to the address set by I2C_SLAVE. */
static ssize_t plain(struct device *device, void *data, size_t size, unsigned short flags) {
  struct i2c_msg message = {device->address, flags, (unsigned short)(size > 8192 ? 8192 : size), data};
  struct i2c_rdwr_ioctl_data asked = {&message, 1};
  int error = transfer(device, &asked);
  if (!error) return message.len;
  errno = error;
  return -1;
}

ssize_t read(int fd, void *data, size_t size) {
  struct device *device = device_of(fd);
  return device != NULL ? plain(device, data, size, I2C_M_RD) : NEXT(read)(fd, data, size);
}

ssize_t write(int fd, const void *data, size_t size) {
  struct device *device = device_of(fd);
  return device != NULL ? plain(device, (void *)data, size, 0) : NEXT(write)(fd, data, size);
}
