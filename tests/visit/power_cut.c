/* Preloaded under a program: notes every write, truncation and sync of its visit file in the order in which they
   happen, so that a test can put together what a disk may hold when the power fails. Owns: the note. Refuses: to change
   what the program does. A record is: letter, which file, offset, length, data. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <limits.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/types.h>
#include <unistd.h>

static int note_fd = -1;

static ssize_t (*real_write)(int, const void *, size_t);
static ssize_t (*real_pwrite)(int, const void *, size_t, off64_t);
static int (*real_ftruncate)(int, off64_t);
static int (*real_fsync)(int);
static int (*real_fdatasync)(int);

static void find(void) {
    if (real_write) return;
    real_write = dlsym(RTLD_NEXT, "write");
    real_pwrite = dlsym(RTLD_NEXT, "pwrite64");
    real_ftruncate = dlsym(RTLD_NEXT, "ftruncate64");
    real_fsync = dlsym(RTLD_NEXT, "fsync");
    real_fdatasync = dlsym(RTLD_NEXT, "fdatasync");
    const char *path = getenv("POWER_CUT_NOTE");
    if (path) note_fd = open(path, O_WRONLY | O_CREAT | O_APPEND, 0600);
}

/* 'D' the database, 'W' its log, 'A' the acknowledgements of the test; 0 anything else. */
static char which(int fd) {
    char link[64], target[PATH_MAX];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t n = readlink(link, target, sizeof target - 1);
    if (n <= 0) return 0;
    target[n] = 0;
    const char *end = strrchr(target, '.');
    if (!end) return 0;
    if (!strcmp(end, ".visit")) return 'D';
    if (!strcmp(end, ".visit-wal")) return 'W';
    if (!strcmp(end, ".acknowledged")) return 'A';
    return 0;
}

static void note(char what, int fd, int64_t offset, int64_t length, const void *data) {
    char file = note_fd < 0 || fd == note_fd ? 0 : which(fd);
    if (!file) return;
    char head[18] = {what, file};
    memcpy(head + 2, &offset, 8);
    memcpy(head + 10, &length, 8);
    real_write(note_fd, head, sizeof head);
    if (data) real_write(note_fd, data, length);
}

ssize_t write(int fd, const void *data, size_t length) {
    find();
    ssize_t done = real_write(fd, data, length);
    if (done > 0 && note_fd >= 0 && which(fd)) note('w', fd, lseek64(fd, 0, SEEK_CUR) - done, done, data);
    return done;
}

ssize_t pwrite64(int fd, const void *data, size_t length, off64_t offset) {
    find();
    ssize_t done = real_pwrite(fd, data, length, offset);
    if (done > 0) note('w', fd, offset, done, data);
    return done;
}

ssize_t pwrite(int fd, const void *data, size_t length, off_t offset) { return pwrite64(fd, data, length, offset); }

int ftruncate64(int fd, off64_t length) {
    find();
    int done = real_ftruncate(fd, length);
    if (!done) note('t', fd, length, 0, NULL);
    return done;
}

int ftruncate(int fd, off_t length) { return ftruncate64(fd, length); }

int fsync(int fd) {
    find();
    note('s', fd, 0, 0, NULL);
    return real_fsync(fd);
}

int fdatasync(int fd) {
    find();
    note('s', fd, 0, 0, NULL);
    return real_fdatasync(fd);
}
