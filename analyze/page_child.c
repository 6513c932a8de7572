#include "analyze/page_child.h"

#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <spawn.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

int64_t page_child_now(void)
{
    struct timespec t;

    clock_gettime(CLOCK_MONOTONIC, &t);
    return (int64_t)t.tv_sec * 1000000 + t.tv_nsec / 1000;
}

static int spawn(pid_t *pid, char **argv, const int out[2], const int err[2])
{
    posix_spawn_file_actions_t actions;
    posix_spawnattr_t attributes;
    sigset_t none, usual;
    int error;

    if (posix_spawn_file_actions_init(&actions) != 0)
        return ENOMEM;
    if (posix_spawnattr_init(&attributes) != 0) {
        posix_spawn_file_actions_destroy(&actions);
        return ENOMEM;
    }
    /* The page blocks and ignores signals that a command should have. */
    sigemptyset(&none);
    sigemptyset(&usual);
    sigaddset(&usual, SIGPIPE);
    posix_spawnattr_setsigmask(&attributes, &none);
    posix_spawnattr_setsigdefault(&attributes, &usual);
    error = posix_spawnattr_setflags(&attributes, POSIX_SPAWN_SETSIGMASK | POSIX_SPAWN_SETSIGDEF);
    if (!error)
        error = posix_spawn_file_actions_addopen(&actions, STDIN_FILENO, "/dev/null", O_RDONLY, 0);
    if (!error)
        error = posix_spawn_file_actions_adddup2(&actions, out[1], STDOUT_FILENO);
    if (!error)
        error = posix_spawn_file_actions_adddup2(&actions, err[1], STDERR_FILENO);
    if (!error)
        error = posix_spawn(pid, "/proc/self/exe", &actions, &attributes, argv, environ);
    posix_spawnattr_destroy(&attributes);
    posix_spawn_file_actions_destroy(&actions);
    return error;
}

enum status_code page_child_start(struct page_child *child, const char *database,
                                  const char *const *words, double seconds, struct status *st)
{
    const char *argv[PAGE_CHILD_ARGUMENTS + 4] = {"truewound", "--db", database};
    char *passed[PAGE_CHILD_ARGUMENTS + 4] = {0};
    int out[2], err[2];
    size_t n = 3;
    int error;

    if (child->pid)
        return status_fail(st, STATUS_BUSY, "the page is still busy with something else");
    if (!child->text)
        child->text = malloc(PAGE_CHILD_TEXT_MAX);
    if (!child->text)
        return status_fail(st, STATUS_MEMORY, "no memory");
    for (; *words && n < PAGE_CHILD_ARGUMENTS + 3; ++words)
        argv[n++] = *words;
    memcpy(passed, argv, sizeof passed); /* posix_spawn leaves them as they are */
    if (pipe2(out, O_CLOEXEC) != 0)
        return status_fail(st, STATUS_IO, "no pipe: %s", strerror(errno));
    if (pipe2(err, O_CLOEXEC) != 0) {
        close(out[0]);
        close(out[1]);
        return status_fail(st, STATUS_IO, "no pipe: %s", strerror(errno));
    }
    error = spawn(&child->pid, passed, out, err);
    close(out[1]);
    close(err[1]);
    if (error) {
        close(out[0]);
        close(err[0]);
        child->pid = 0;
        return status_fail(st, STATUS_IO, "truewound cannot be started: %s", strerror(error));
    }
    fcntl(out[0], F_SETFL, O_NONBLOCK);
    fcntl(err[0], F_SETFL, O_NONBLOCK);
    child->out = out[0];
    child->err = err[0];
    child->deadline = page_child_now() + (int64_t)(seconds * 1e6);
    child->length = child->errors_length = 0;
    child->errors[0] = '\0';
    child->text[0] = '\0';
    return status_ok(st);
}

size_t page_child_watch(const struct page_child *child, struct pollfd *fds)
{
    size_t n = 0;

    if (!child->pid)
        return 0;
    if (child->out >= 0)
        fds[n++] = (struct pollfd){.fd = child->out, .events = POLLIN};
    if (child->err >= 0)
        fds[n++] = (struct pollfd){.fd = child->err, .events = POLLIN};
    return n;
}

/* Reads what there is into text of size; what is beyond it is passed over. Closes at the end. */
static void drain(int *fd, char *text, size_t size, size_t *length)
{
    char buffer[4096];
    ssize_t got;

    while (*fd >= 0 && (got = read(*fd, buffer, sizeof buffer)) != 0) {
        size_t room = size - 1 - *length;

        if (got < 0 && errno == EINTR)
            continue;
        if (got < 0 && errno == EAGAIN)
            return;
        if (got < 0)
            break;
        if ((size_t)got < room)
            room = (size_t)got;
        memcpy(text + *length, buffer, room);
        *length += room;
        text[*length] = '\0';
    }
    if (*fd >= 0)
        close(*fd);
    *fd = -1;
}

bool page_child_step(struct page_child *child)
{
    int status = 0;

    if (!child->pid)
        return false;
    if (page_child_left(child) <= 0)
        kill(child->pid, SIGKILL);
    drain(&child->out, child->text, PAGE_CHILD_TEXT_MAX, &child->length);
    drain(&child->err, child->errors, sizeof child->errors, &child->errors_length);
    if (child->out >= 0 || child->err >= 0)
        return false;
    while (waitpid(child->pid, &status, 0) < 0 && errno == EINTR)
        ;
    child->pid = 0;
    child->status = WIFEXITED(status) ? WEXITSTATUS(status) : -1;
    return true;
}

int64_t page_child_left(const struct page_child *child)
{
    return child->pid ? child->deadline - page_child_now() : INT64_MAX;
}

void page_child_free(struct page_child *child)
{
    if (child->pid) {
        kill(child->pid, SIGTERM);
        if (child->out >= 0)
            close(child->out);
        if (child->err >= 0)
            close(child->err);
        while (waitpid(child->pid, NULL, 0) < 0 && errno == EINTR)
            ;
    }
    free(child->text);
    *child = (struct page_child){0};
}
