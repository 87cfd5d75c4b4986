/* Logs every write, truncate, unlink and sync of files under SHIM_FOLDER, in order, to SHIM_LOG.
   A record: kind, path length, path, offset, length, bytes. Loaded with LD_PRELOAD. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <pthread.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <sys/syscall.h>
#include <sys/types.h>
#include <unistd.h>

#define MAX_FD 4096
static char *names[MAX_FD];
static int log_fd = -1;
static const char *folder;
static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;

__attribute__((constructor)) static void start(void) {
  folder = getenv("SHIM_FOLDER");
  const char *path = getenv("SHIM_LOG");
  if (path) log_fd = syscall(SYS_openat, AT_FDCWD, path, O_WRONLY | O_CREAT | O_APPEND, 0600);
}

static void put(const void *data, size_t n) {
  while (n) {
    ssize_t done = syscall(SYS_write, log_fd, data, n);
    if (done <= 0) _exit(97);
    data = (const char *)data + done;
    n -= done;
  }
}

static void note(char kind, const char *name, int64_t offset, const void *data, int64_t n) {
  if (log_fd < 0 || !name) return;
  uint16_t length = strlen(name);
  pthread_mutex_lock(&lock);
  put(&kind, 1);
  put(&length, 2);
  put(name, length);
  put(&offset, 8);
  put(&n, 8);
  if (data) put(data, n);
  pthread_mutex_unlock(&lock);
}

static const char *name_of(int fd) { return fd >= 0 && fd < MAX_FD ? names[fd] : 0; }

static int opened(int fd, const char *path) {
  if (fd >= 0 && fd < MAX_FD) {
    free(names[fd]);
    names[fd] = folder && !strncmp(path, folder, strlen(folder)) ? strdup(path) : 0;
    if (names[fd]) note('o', names[fd], 0, 0, 0);
  }
  return fd;
}

#define OPEN(NAME)                                                     \
  int NAME(const char *path, int flags, ...) {                         \
    va_list more;                                                      \
    va_start(more, flags);                                             \
    int mode = va_arg(more, int);                                      \
    va_end(more);                                                      \
    return opened(syscall(SYS_openat, AT_FDCWD, path, flags, mode), path); \
  }
OPEN(open)
OPEN(open64)

#define REAL(TYPE, NAME) TYPE real = (TYPE)dlsym(RTLD_NEXT, NAME)
typedef ssize_t (*pwrite_t)(int, const void *, size_t, off64_t);
typedef ssize_t (*write_t)(int, const void *, size_t);
typedef int (*truncate_t)(int, off64_t);
typedef int (*fd_t)(int);
typedef int (*path_t)(const char *);

ssize_t pwrite64(int fd, const void *data, size_t n, off64_t at) {
  REAL(pwrite_t, "pwrite64");
  ssize_t done = real(fd, data, n, at);
  if (done > 0) note('w', name_of(fd), at, data, done);
  return done;
}
ssize_t write(int fd, const void *data, size_t n) {
  REAL(write_t, "write");
  ssize_t done = real(fd, data, n);
  if (done > 0 && name_of(fd)) note('a', name_of(fd), 0, data, done);
  return done;
}
int ftruncate64(int fd, off64_t size) {
  REAL(truncate_t, "ftruncate64");
  int code = real(fd, size);
  if (!code) note('t', name_of(fd), size, 0, 0);
  return code;
}
int fdatasync(int fd) {
  REAL(fd_t, "fdatasync");
  int code = real(fd);
  if (!code) note('s', name_of(fd), 0, 0, 0);
  return code;
}
int fsync(int fd) {
  REAL(fd_t, "fsync");
  int code = real(fd);
  if (!code) note('s', name_of(fd), 0, 0, 0);
  return code;
}
int unlink(const char *path) {
  REAL(path_t, "unlink");
  int code = real(path);
  if (!code && folder && !strncmp(path, folder, strlen(folder))) note('u', path, 0, 0, 0);
  return code;
}
