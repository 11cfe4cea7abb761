/* Preloaded into a program: writes down each change of the files it is told to watch, so that a
 * test can rebuild what a power cut would leave of them. W: written, S: synced, T: cut to length,
 * U: taken away (SQLite syncs the directory after that where it matters). */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/types.h>
#include <sys/uio.h>
#include <unistd.h>

static int kept = -1;

static int watched(int fd, char *path, size_t size)
{
    char link[64];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t length = readlink(link, path, size - 1);
    if (length <= 0)
        return 0;
    path[length] = 0;
    const char *name = getenv("WATCH_FILES");
    return name && strstr(path, name) && !strstr(path, "-shm");
}

static void note(char what, const char *path, const void *data, size_t length, off_t at)
{
    if (kept < 0)
        kept = open(getenv("WATCH_KEPT"), O_WRONLY | O_CREAT | O_APPEND, 0600);
    char head[600];
    int size = snprintf(head, sizeof head, "%c %s %lld %zu\n", what, path, (long long)at, length);
    struct iovec both[2] = {{head, (size_t)size}, {(void *)data, data ? length : 0}};
    if (writev(kept, both, 2) < 0)
        abort();
}

#define REAL(name) ((__typeof__(&name))dlsym(RTLD_NEXT, #name))

static ssize_t noted_pwrite(int fd, const void *data, size_t length, off_t at, ssize_t done)
{
    char path[512];
    if (done > 0 && watched(fd, path, sizeof path))
        note('W', path, data, (size_t)done, at);
    return done;
}

ssize_t pwrite64(int fd, const void *data, size_t length, off64_t at)
{
    return noted_pwrite(fd, data, length, at, REAL(pwrite64)(fd, data, length, at));
}

ssize_t pwrite(int fd, const void *data, size_t length, off_t at)
{
    return noted_pwrite(fd, data, length, at, REAL(pwrite)(fd, data, length, at));
}

ssize_t write(int fd, const void *data, size_t length)
{
    off_t at = lseek(fd, 0, SEEK_CUR);
    return noted_pwrite(fd, data, length, at < 0 ? 0 : at, REAL(write)(fd, data, length));
}

static int noted(char what, int fd, off_t at, int done)
{
    char path[512];
    if (done == 0 && watched(fd, path, sizeof path))
        note(what, path, NULL, 0, at);
    return done;
}

int fsync(int fd) { return noted('S', fd, 0, REAL(fsync)(fd)); }
int fdatasync(int fd) { return noted('S', fd, 0, REAL(fdatasync)(fd)); }
int ftruncate64(int fd, off64_t at) { return noted('T', fd, at, REAL(ftruncate64)(fd, at)); }
int ftruncate(int fd, off_t at) { return noted('T', fd, at, REAL(ftruncate)(fd, at)); }

int unlink(const char *path)
{
    int done = REAL(unlink)(path);
    const char *name = getenv("WATCH_FILES");
    if (done == 0 && name && strstr(path, name) && !strstr(path, "-shm"))
        note('U', path, NULL, 0, 0);
    return done;
}
