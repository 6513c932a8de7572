#include "acquire/control.h"

#include <errno.h>
#include <inttypes.h>
#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

#include "db/quantity.h"

#define CLIENTS_MAX  16
#define OUT_MAX      (512 * 1024) /* bytes waiting for one client; more than this: it does not read */
#define CAPTURES_MAX 4            /* of one client at a time */

struct client;

/* A capture that a client waits for. */
struct capture_wait {
    struct client *client; /* NULL: free */
    json_t *id;
};

struct client {
    int fd; /* -1: free */
    char in[CONTROL_LINE_MAX];
    size_t in_length;
    char *out;
    size_t out_length;
    struct capture_wait capture[CAPTURES_MAX];
    struct control *control;
};

struct control {
    int listener;
    int epoll;
    char path[sizeof((struct sockaddr_un *)0)->sun_path];
    struct client client[CLIENTS_MAX];
};

/* ---- answers ---- */

static json_t *failure(enum status_code code, const char *text)
{
    return json_pack("{s:b, s:s, s:s}", "ok", 0, "code", status_word(code), "error", text);
}

/* NaN has no place in JSON: null. */
static json_t *number(double value)
{
    return isfinite(value) ? json_real(value) : json_null();
}

static json_t *flag_words(uint32_t flags)
{
    json_t *words = json_array();

    for (uint32_t bit = 1; bit != 0 && bit <= flags; bit <<= 1)
        if (flags & bit)
            json_array_append_new(words, json_string(driver_flag_word(bit)));
    return words;
}

static json_t *channel_status(const struct dialogue *dialogue, size_t index)
{
    const struct benchfile_channel *channel = &dialogue_instrument(dialogue)->channel[index];
    const struct logger_last *last = dialogue_last(dialogue, index);
    const struct quantity *quantity = quantity_find(channel->quantity);
    json_t *out = json_object();

    json_object_set_new(out, "name", json_string(channel->name));
    json_object_set_new(out, "quantity", json_string(channel->quantity));
    json_object_set_new(out, "unit", json_string(quantity ? quantity->unit : ""));
    json_object_set_new(out, "wires", channel->wires ? json_integer(channel->wires) : json_null());
    json_object_set_new(out, "when", json_string(channel->asked_only ? "asked" : "always"));
    json_object_set_new(out, "count", json_integer((json_int_t)last->count));
    json_object_set_new(out, "time", last->any ? json_integer(last->time) : json_null());
    json_object_set_new(out, "value", last->any ? number(last->value) : json_null());
    json_object_set_new(out, "raw", last->any ? number(last->raw) : json_null());
    json_object_set_new(out, "flags", flag_words(last->flags));
    return out;
}

static json_t *dialogue_json(const struct dialogue *dialogue)
{
    static const char *const states[] = {"closed", "waking", "open"};
    const struct benchfile_instrument *instrument = dialogue_instrument(dialogue);
    struct dialogue_status status;
    json_t *channels = json_array();
    json_t *out = json_object();

    dialogue_status(dialogue, &status);
    for (size_t i = 0; i < instrument->channels; ++i)
        json_array_append_new(channels, channel_status(dialogue, i));
    json_object_set_new(out, "name", json_string(instrument->name));
    json_object_set_new(out, "driver", json_string(instrument->driver));
    json_object_set_new(out, "port", json_string(instrument->port));
    json_object_set_new(out, "state", json_string(states[status.state]));
    json_object_set_new(out, "good", json_boolean(status.good));
    json_object_set_new(out, "trouble", json_string(status.trouble));
    json_object_set_new(out, "identity", json_string(status.identity));
    json_object_set_new(out, "bytes", json_integer((json_int_t)status.bytes));
    json_object_set_new(out, "messages", json_integer((json_int_t)status.messages));
    json_object_set_new(out, "garbage", json_integer((json_int_t)status.garbage));
    json_object_set_new(out, "timeouts", json_integer((json_int_t)status.timeouts));
    json_object_set_new(out, "opened", json_integer((json_int_t)status.opened));
    json_object_set_new(out, "channels", channels);
    return out;
}

static json_t *do_status(struct control_bench *bench)
{
    struct store_ingest_state state;
    json_t *instruments = json_array();

    logger_state(bench->logger, &state);
    for (size_t i = 0; i < bench->dialogues; ++i)
        json_array_append_new(instruments, dialogue_json(bench->dialogue[i]));
    return json_pack("{s:b, s:s, s:I, s:o, s:{s:s, s:I, s:s, s:I, s:I, s:I, s:I}}", "ok", 1,
                     "version", TRUEWOUND_VERSION, "time", (json_int_t)store_now(), "instruments",
                     instruments, "store", "path", logger_path(bench->logger), "buffered",
                     (json_int_t)state.buffered, "stopped",
                     state.stopped == STATUS_OK ? "" : status_word(state.stopped), "stopped_since",
                     (json_int_t)state.stopped_since, "stored", (json_int_t)state.stored, "lost",
                     (json_int_t)state.lost, "refused", (json_int_t)state.refused);
}

static json_t *do_flush(struct control_bench *bench, const struct driver_time *now)
{
    struct store_ingest_state state;
    struct status st;

    if (logger_flush(bench->logger, now, true, &st) != STATUS_OK)
        return failure(st.code, st.text);
    logger_state(bench->logger, &state);
    return json_pack("{s:b, s:I}", "ok", 1, "stored", (json_int_t)state.stored);
}

static struct dialogue *find_dialogue(const struct control_bench *bench, const json_t *request,
                                      struct status *st)
{
    const char *name = json_string_value(json_object_get(request, "instrument"));

    if (!name) {
        status_fail(st, STATUS_INPUT, "\"instrument\" is missing; it must be a name");
        return NULL;
    }
    for (size_t i = 0; i < bench->dialogues; ++i)
        if (strcmp(dialogue_instrument(bench->dialogue[i])->name, name) == 0)
            return bench->dialogue[i];
    status_fail(st, STATUS_NOT_FOUND, "the bench file has no instrument '%.40s'", name);
    return NULL;
}

static enum status_code find_channel(const struct dialogue *dialogue, const json_t *request,
                                     size_t *channel, struct status *st)
{
    const char *name = json_string_value(json_object_get(request, "channel"));

    if (!name)
        return status_fail(st, STATUS_INPUT, "\"channel\" is missing; it must be a name");
    *channel = dialogue_channel(dialogue, name);
    if (*channel == SIZE_MAX)
        return status_fail(st, STATUS_NOT_FOUND, "%s has no channel '%.40s'",
                           dialogue_instrument(dialogue)->name, name);
    return status_ok(st);
}

/* Fills in the command of a select, send or capture request. */
static enum status_code read_command(const struct dialogue *dialogue, const char *what,
                                     const json_t *request, struct driver_command *command,
                                     struct status *st)
{
    const json_t *samples = json_object_get(request, "samples");
    const json_t *channel = json_object_get(request, "channel");

    if (strcmp(what, "send") == 0) {
        command->kind = DRIVER_SWITCH;
        command->text = json_string_value(json_object_get(request, "command"));
        return command->text ? status_ok(st)
                             : status_fail(st, STATUS_INPUT,
                                           "\"command\" is missing; it must be the name of a "
                                           "command of the bench file");
    }
    if (strcmp(what, "select") == 0) {
        command->kind = DRIVER_SELECT;
        command->channel = SIZE_MAX;
        return !channel || json_is_null(channel)
                   ? status_ok(st)
                   : find_channel(dialogue, request, &command->channel, st);
    }
    command->kind = DRIVER_CAPTURE;
    command->rate = json_number_value(json_object_get(request, "rate"));
    if (!(command->rate > 0.0 && command->rate <= 1e7))
        return status_fail(st, STATUS_INPUT,
                           "\"rate\" must be samples per second, above 0 and at most 1e7");
    if (!json_is_integer(samples) || json_integer_value(samples) < 1 ||
        json_integer_value(samples) > DRIVER_SAMPLES_MAX)
        return status_fail(st, STATUS_INPUT, "\"samples\" must be a whole number from 1 to %d",
                           DRIVER_SAMPLES_MAX);
    command->samples = (size_t)json_integer_value(samples);
    return find_channel(dialogue, request, &command->channel, st);
}

/* NULL: the answer comes later. */
static json_t *do_command(struct control_bench *bench, const char *what, const json_t *request,
                          const struct driver_time *now, dialogue_captured captured, void *asker)
{
    struct status st;
    struct driver_command command = {0};
    struct dialogue *dialogue = find_dialogue(bench, request, &st);

    if (!dialogue || read_command(dialogue, what, request, &command, &st) != STATUS_OK ||
        dialogue_command(dialogue, &command, captured, asker, now, &st) != STATUS_OK)
        return failure(st.code, st.text);
    return command.kind == DRIVER_CAPTURE ? NULL : json_pack("{s:b}", "ok", 1);
}

/* The answer to a request, NULL when it comes later; *id is the request's, to be released. */
static json_t *answer(struct control_bench *bench, const char *line, size_t length,
                      const struct driver_time *now, dialogue_captured captured, void *asker,
                      json_t **id)
{
    json_error_t error;
    json_t *request = json_loadb(line, length, JSON_REJECT_DUPLICATES, &error);
    const char *what;
    json_t *out;

    *id = NULL;
    if (!json_is_object(request)) {
        char text[256];

        snprintf(text, sizeof text, "not a JSON object on one line: %.160s",
                 request ? "another kind of value" : error.text);
        json_decref(request);
        return failure(STATUS_INPUT, text);
    }
    *id = json_incref(json_object_get(request, "id"));
    what = json_string_value(json_object_get(request, "do"));
    if (!what)
        out = failure(STATUS_INPUT, "\"do\" is missing");
    else if (strcmp(what, "status") == 0)
        out = do_status(bench);
    else if (strcmp(what, "flush") == 0)
        out = do_flush(bench, now);
    else if (strcmp(what, "select") == 0 || strcmp(what, "send") == 0 ||
             strcmp(what, "capture") == 0)
        out = do_command(bench, what, request, now, captured, asker);
    else
        out = failure(STATUS_INPUT, "\"do\" must be status, flush, select, send or capture");
    json_decref(request);
    return out;
}

static char *finish(json_t *out, json_t *id)
{
    char *text;

    if (id)
        json_object_set(out, "id", id);
    text = json_dumps(out, JSON_COMPACT);
    json_decref(out);
    return text;
}

char *control_answer(struct control_bench *bench, const char *line, size_t length,
                     const struct driver_time *now, dialogue_captured captured, void *asker)
{
    json_t *id;
    json_t *out = answer(bench, line, length, now, captured, asker, &id);
    char *text = out ? finish(out, id) : NULL;

    json_decref(id);
    return text;
}

/* ---- connections ---- */

static void watch(struct client *client, uint32_t events, int operation)
{
    struct epoll_event event = {.events = events, .data.ptr = client};

    epoll_ctl(client->control->epoll, operation, client->fd, &event);
}

static void drop(struct client *client, struct control_bench *bench)
{
    for (size_t i = 0; i < CAPTURES_MAX; ++i) {
        if (!client->capture[i].client)
            continue;
        for (size_t k = 0; bench && k < bench->dialogues; ++k)
            dialogue_forget_asker(bench->dialogue[k], &client->capture[i]);
        json_decref(client->capture[i].id);
        client->capture[i] = (struct capture_wait){0};
    }
    close(client->fd);
    free(client->out);
    client->fd = -1;
    client->out = NULL;
    client->in_length = client->out_length = 0;
}

/* Sends what waits, as far as the socket takes it. */
static bool push(struct client *client)
{
    ssize_t n;

    if (client->out_length == 0)
        return true;
    n = send(client->fd, client->out, client->out_length, MSG_NOSIGNAL | MSG_DONTWAIT);
    if (n < 0)
        return errno == EAGAIN || errno == EWOULDBLOCK || errno == EINTR;
    client->out_length -= (size_t)n;
    memmove(client->out, client->out + n, client->out_length);
    return true;
}

/* Queues one line of text, which is freed. False when the client must be dropped. */
static bool reply(struct client *client, char *text)
{
    size_t length = text ? strlen(text) : 0;
    char *more;

    if (!text || client->out_length + length + 1 > OUT_MAX ||
        !(more = realloc(client->out, client->out_length + length + 1))) {
        free(text);
        return false;
    }
    client->out = more;
    memcpy(client->out + client->out_length, text, length);
    client->out[client->out_length + length] = '\n';
    client->out_length += length + 1;
    free(text);
    return push(client);
}

static void rewatch(struct client *client)
{
    watch(client, client->out_length > 0 ? EPOLLIN | EPOLLOUT : EPOLLIN, EPOLL_CTL_MOD);
}

static void captured(void *to, enum status_code code, const char *text, int64_t row)
{
    struct capture_wait *wait = to;
    struct client *client = wait->client;
    json_t *out = code == STATUS_OK ? json_pack("{s:b, s:I}", "ok", 1, "capture", (json_int_t)row)
                                    : failure(code, text);
    json_t *id = wait->id;

    *wait = (struct capture_wait){0};
    if (client && client->fd >= 0) {
        /* A client that does not take its answer is found out at its next event. */
        reply(client, finish(out, id));
        rewatch(client);
    } else {
        json_decref(out);
    }
    json_decref(id);
}

/* One request line. False when the client must be dropped. */
static bool serve(struct client *client, const char *line, size_t length,
                  struct control_bench *bench, const struct driver_time *now)
{
    struct capture_wait *wait = NULL;
    json_t *id = NULL;
    json_t *out;
    bool good = true;

    for (size_t i = 0; i < CAPTURES_MAX && !wait; ++i)
        if (!client->capture[i].client)
            wait = &client->capture[i];
    if (!wait)
        return reply(client, finish(failure(STATUS_BUSY, "too many captures at a time"), NULL));
    wait->client = client;
    out = answer(bench, line, length, now, captured, wait, &id);
    if (out) {
        *wait = (struct capture_wait){0};
        good = reply(client, finish(out, id));
    } else if (wait->client) {
        wait->id = json_incref(id);
    }
    json_decref(id);
    return good;
}

static void serve_lines(struct client *client, struct control_bench *bench,
                        const struct driver_time *now)
{
    char *end;

    while ((end = memchr(client->in, '\n', client->in_length))) {
        size_t length = (size_t)(end - client->in);

        if (length > 0 && !serve(client, client->in, length, bench, now)) {
            drop(client, bench);
            return;
        }
        client->in_length -= length + 1;
        memmove(client->in, end + 1, client->in_length);
    }
    if (client->in_length == sizeof client->in) {
        reply(client, finish(failure(STATUS_INPUT, "the line is too long"), NULL));
        drop(client, bench);
        return;
    }
    rewatch(client);
}

static void accept_client(struct control *control)
{
    int fd = accept4(control->listener, NULL, NULL, SOCK_NONBLOCK | SOCK_CLOEXEC);

    if (fd < 0)
        return;
    for (size_t i = 0; i < CLIENTS_MAX; ++i)
        if (control->client[i].fd < 0) {
            control->client[i].fd = fd;
            watch(&control->client[i], EPOLLIN, EPOLL_CTL_ADD);
            return;
        }
    close(fd); /* all places are taken */
}

bool control_owns(const struct control *control, const void *pointer)
{
    const char *at = pointer;

    return control && at >= (const char *)control && at < (const char *)(control + 1);
}

void control_ready(struct control *control, const void *pointer, uint32_t events,
                   struct control_bench *bench, const struct driver_time *now)
{
    struct client *client = NULL;
    ssize_t n;

    if (pointer == control) {
        accept_client(control);
        return;
    }
    for (size_t i = 0; i < CLIENTS_MAX; ++i)
        if (pointer == &control->client[i] && control->client[i].fd >= 0)
            client = &control->client[i];
    if (!client)
        return;
    if ((events & EPOLLOUT) && !push(client)) {
        drop(client, bench);
        return;
    }
    if (!(events & (EPOLLIN | EPOLLHUP | EPOLLERR))) {
        rewatch(client);
        return;
    }
    n = recv(client->fd, client->in + client->in_length, sizeof client->in - client->in_length,
             MSG_DONTWAIT);
    if (n > 0) {
        client->in_length += (size_t)n;
        serve_lines(client, bench, now);
    } else if (n == 0 || (errno != EAGAIN && errno != EWOULDBLOCK && errno != EINTR)) {
        drop(client, bench);
    }
}

/* ---- the socket ---- */

enum status_code control_open(const char *database, int epoll, struct control **result,
                              struct status *st)
{
    struct control *control = calloc(1, sizeof *control);
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    struct epoll_event event = {.events = EPOLLIN, .data.ptr = control};
    mode_t mask;
    bool bound;

    *result = NULL;
    if (!control)
        return status_fail(st, STATUS_MEMORY, "no memory");
    control->epoll = epoll;
    for (size_t i = 0; i < CLIENTS_MAX; ++i) {
        control->client[i].fd = -1;
        control->client[i].control = control;
    }
    if (snprintf(control->path, sizeof control->path, "%s.socket", database) >=
        (int)sizeof control->path) {
        status_fail(st, STATUS_INPUT,
                    "%s.socket: longer than the %zu letters a socket's path may have", database,
                    sizeof control->path - 1);
        free(control);
        return st ? st->code : STATUS_INPUT;
    }
    memcpy(address.sun_path, control->path, sizeof address.sun_path);
    control->listener = socket(AF_UNIX, SOCK_STREAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0);
    unlink(control->path);
    mask = umask(0117); /* from the first moment on no one else may connect */
    bound = control->listener >= 0 &&
            bind(control->listener, (struct sockaddr *)&address, sizeof address) == 0;
    umask(mask);
    if (!bound || listen(control->listener, CLIENTS_MAX) != 0 ||
        epoll_ctl(epoll, EPOLL_CTL_ADD, control->listener, &event) != 0) {
        status_fail(st, STATUS_IO, "%s: %s", control->path, strerror(errno));
        if (control->listener >= 0)
            close(control->listener);
        free(control);
        return st ? st->code : STATUS_IO;
    }
    *result = control;
    return status_ok(st);
}

void control_close(struct control *control, struct control_bench *bench)
{
    if (!control)
        return;
    for (size_t i = 0; i < CLIENTS_MAX; ++i)
        if (control->client[i].fd >= 0)
            drop(&control->client[i], bench);
    close(control->listener);
    unlink(control->path);
    free(control);
}

const char *control_path(const struct control *control)
{
    return control->path;
}
