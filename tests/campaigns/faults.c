/* Errors of a disk, put between a program and the system (LD_PRELOAD); see faults.py.
 *
 * FAULTS_ON     only files whose path holds this text
 * FAULTS_AFTER  writes and syncs of those files that go well first
 * FAULTS_HOW    full: ENOSPC; error: EIO; short: half of what was to be written;
 *               sync: EIO of a sync; late: a sync takes FAULTS_MS milliseconds
 * FAULTS_MANY   how many fail, then all goes well again; 0 for all that follow
 * FAULTS_COUNT  nothing fails, all that could is said
 * FAULTS_LOG    each fault is said there: a letter in a file
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>
#include <sys/uio.h>

static long done, failed;

static int ours(int fd)
{
    static const char *on;
    char link[64], path[4096];
    ssize_t length;
    if (!on && !(on = getenv("FAULTS_ON")))
        on = "\n";
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    length = readlink(link, path, sizeof path - 1);
    if (length < 0)
        return 0;
    path[length] = 0;
    return strstr(path, on) != NULL;
}

static void say(void)
{
    const char *name = getenv("FAULTS_LOG");
    int fd = name ? open(name, O_WRONLY | O_CREAT | O_APPEND, 0600) : -1;
    if (fd >= 0) {
        if (dprintf(fd, "x") < 0)
            failed += 0;
        close(fd);
    }
}

/* Whether this call is to fail in the way that is named, `wanted` being its letters. */
static int fails(int fd, const char *wanted)
{
    int before = errno;
    const char *how = getenv("FAULTS_HOW"), *after = getenv("FAULTS_AFTER");
    const char *many = getenv("FAULTS_MANY");
    long most = many ? atol(many) : 1;
    int meant = how && strstr(wanted, how) && ours(fd);
    int now = meant && done++ >= (after ? atol(after) : 0) && (most == 0 || failed < most);
    if (meant && getenv("FAULTS_COUNT")) {
        now = 0;
        say();
    }
    if (now) {
        failed++;
        say();
    }
    errno = before;
    return now;
}

static int written(int fd, size_t *count)
{
    const char *how = getenv("FAULTS_HOW");
    if (!fails(fd, "full error short"))
        return 0;
    if (!strcmp(how, "short") && *count > 1) {
        *count /= 2;
        return 0;
    }
    errno = strcmp(how, "error") ? ENOSPC : EIO;
    return -1;
}

#define REAL(name, type) static type real; if (!real) real = (type)dlsym(RTLD_NEXT, name)

typedef ssize_t (*at_t)(int, const void *, size_t, off_t);
typedef ssize_t (*write_t)(int, const void *, size_t);
typedef int (*sync_t)(int);
typedef int (*truncate_t)(int, off_t);

ssize_t pwrite64(int fd, const void *from, size_t count, off_t at)
{
    REAL("pwrite64", at_t);
    return written(fd, &count) ? -1 : real(fd, from, count, at);
}

ssize_t pwrite(int fd, const void *from, size_t count, off_t at)
{
    REAL("pwrite", at_t);
    return written(fd, &count) ? -1 : real(fd, from, count, at);
}

ssize_t write(int fd, const void *from, size_t count)
{
    REAL("write", write_t);
    return written(fd, &count) ? -1 : real(fd, from, count);
}

static int synced(int fd)
{
    const char *ms = getenv("FAULTS_MS"), *how = getenv("FAULTS_HOW");
    if (how && !strcmp(how, "late") && ours(fd)) {
        long long waits = (ms ? atoll(ms) : 5) * 1000000LL;
        struct timespec pause = { waits / 1000000000LL, waits % 1000000000LL };
        nanosleep(&pause, NULL);
    }
    if (!fails(fd, "sync"))
        return 0;
    errno = EIO;
    return -1;
}

int fsync(int fd)
{
    REAL("fsync", sync_t);
    return synced(fd) ? -1 : real(fd);
}

int fdatasync(int fd)
{
    REAL("fdatasync", sync_t);
    return synced(fd) ? -1 : real(fd);
}

int ftruncate64(int fd, off_t length)
{
    REAL("ftruncate64", truncate_t);
    if (fails(fd, "full error")) {
        errno = EIO;
        return -1;
    }
    return real(fd, length);
}
