#include "analyze/daemonlink.h"

#include <errno.h>
#include <math.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <time.h>
#include <unistd.h>

/* The status answer of a bench with many instruments is the longest. */
#define ANSWER_MAX (1 << 20)

static double now(void)
{
    struct timespec t;

    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static enum status_code dial(const char *database, int *fd, struct status *st)
{
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    int length = snprintf(address.sun_path, sizeof address.sun_path, "%s.socket", database);

    if (length < 0 || (size_t)length >= sizeof address.sun_path)
        return status_fail(st, STATUS_INPUT, "%s.socket: path too long for a socket", database);
    *fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (*fd < 0)
        return status_fail(st, STATUS_IO, "no socket: %s", strerror(errno));
    if (connect(*fd, (struct sockaddr *)&address, sizeof address) == 0)
        return STATUS_OK;
    status_fail(st, errno == EACCES ? STATUS_IO : STATUS_NOT_FOUND,
                "truewoundd does not answer at %s: %s; is it running on this database?",
                address.sun_path, strerror(errno));
    close(*fd);
    return st->code;
}

static enum status_code push(int fd, const char *text, size_t length, struct status *st)
{
    while (length > 0) {
        ssize_t sent = send(fd, text, length, MSG_NOSIGNAL);

        if (sent < 0 && errno == EINTR)
            continue;
        if (sent <= 0)
            return status_fail(st, STATUS_IO, "truewoundd hung up: %s", strerror(errno));
        text += sent;
        length -= (size_t)sent;
    }
    return STATUS_OK;
}

/* Reads up to a line end. */
static enum status_code pull(int fd, double deadline, char *text, struct status *st)
{
    size_t length = 0;

    while (length < ANSWER_MAX) {
        struct pollfd wait = {.fd = fd, .events = POLLIN};
        double left = deadline - now();
        ssize_t got;

        if (left <= 0.0)
            return status_fail(st, STATUS_TIMEOUT, "truewoundd did not answer in time");
        if (poll(&wait, 1, (int)ceil(left * 1e3)) <= 0)
            continue;
        got = read(fd, text + length, ANSWER_MAX - length);
        if (got < 0 && errno == EINTR)
            continue;
        if (got <= 0)
            return status_fail(st, STATUS_IO, "truewoundd hung up before it answered");
        length += (size_t)got;
        if (text[length - 1] == '\n') {
            text[length - 1] = '\0';
            return STATUS_OK;
        }
    }
    return status_fail(st, STATUS_IO, "the answer of truewoundd is too long");
}

/* The daemon's own word for what went wrong, back to a code. */
static enum status_code code_of(const char *word)
{
    for (int code = STATUS_INPUT; code <= STATUS_MEMORY; ++code)
        if (word && strcmp(status_word((enum status_code)code), word) == 0)
            return (enum status_code)code;
    return STATUS_IO;
}

static enum status_code understand(const char *text, json_t **answer, struct status *st)
{
    json_error_t error;
    json_t *object = json_loads(text, 0, &error);
    const char *sentence;

    if (!json_is_object(object)) {
        json_decref(object);
        return status_fail(st, STATUS_IO, "the answer of truewoundd cannot be read");
    }
    if (json_is_true(json_object_get(object, "ok"))) {
        *answer = object;
        return status_ok(st);
    }
    sentence = json_string_value(json_object_get(object, "error"));
    status_fail(st, code_of(json_string_value(json_object_get(object, "code"))), "%s",
                sentence ? sentence : "refused without a reason");
    json_decref(object);
    return st->code;
}

enum status_code daemonlink_ask(const char *database, json_t *request, double timeout,
                                json_t **answer, struct status *st)
{
    char *line = request ? json_dumps(request, JSON_COMPACT) : NULL;
    char *text = malloc(ANSWER_MAX + 1);
    enum status_code code;
    int fd = -1;

    *answer = NULL;
    json_decref(request);
    if (!line || !text)
        code = status_fail(st, STATUS_MEMORY, "no memory");
    else
        code = dial(database, &fd, st);
    if (code == STATUS_OK)
        code = push(fd, line, strlen(line), st);
    if (code == STATUS_OK)
        code = push(fd, "\n", 1, st);
    if (code == STATUS_OK)
        code = pull(fd, now() + timeout, text, st);
    if (code == STATUS_OK)
        code = understand(text, answer, st);
    if (fd >= 0)
        close(fd);
    free(text);
    free(line);
    return code;
}

enum status_code daemonlink_select(const char *database, const char *channel, struct status *st)
{
    const char *dot = strchr(channel, '.');
    json_t *answer = NULL;
    enum status_code code;

    if (!dot)
        return status_fail(st, STATUS_INPUT, "channel '%s': expected INSTRUMENT.CHANNEL", channel);
    code = daemonlink_ask(database,
                          json_pack("{s:s, s:s%, s:s}", "do", "select", "instrument", channel,
                                    (size_t)(dot - channel), "channel", dot + 1),
                          10.0, &answer, st);
    json_decref(answer);
    return code;
}

enum status_code daemonlink_release(const char *database, const char *instrument, struct status *st)
{
    json_t *answer = NULL;
    enum status_code code =
        daemonlink_ask(database, json_pack("{s:s, s:s}", "do", "select", "instrument", instrument),
                       10.0, &answer, st);

    json_decref(answer);
    return code;
}
