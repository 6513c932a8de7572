/* control: the socket by which the analyzer talks to the running daemon.
 *
 * A Unix stream socket beside the database, DATABASE.socket, mode 0660. Each request is one JSON
 * object on a line of at most CONTROL_LINE_MAX bytes; each gets one answer of the same form, not
 * necessarily in the order asked (a capture takes its time), with the "id" of the request when it
 * had one. truewoundd(8) documents the requests. */
#ifndef TRUEWOUND_CONTROL_H
#define TRUEWOUND_CONTROL_H

#include <stddef.h>

#include "acquire/dialogue.h"
#include "acquire/driver.h"
#include "acquire/logger.h"
#include "db/status.h"

#define CONTROL_LINE_MAX 4096

struct control;

/* What requests are about. The pointers may change between calls (a reload). */
struct control_bench {
    struct logger *logger;
    struct dialogue **dialogue;
    size_t dialogues;
};

/* Opens the socket for the database; it replaces one left by a daemon that died, which is safe
 * because the caller holds the database's instance lock. epoll is where descriptors are watched,
 * with data.ptr in the range that control_owns recognises. */
enum status_code control_open(const char *database, int epoll, struct control **control,
                              struct status *st);

/* Closes all connections and removes the socket. NULL is allowed. */
void control_close(struct control *control, struct control_bench *bench);

/* True when an epoll event with this pointer belongs to the control socket. */
bool control_owns(const struct control *control, const void *pointer);

/* Handles one epoll event. */
void control_ready(struct control *control, const void *pointer, uint32_t events,
                   struct control_bench *bench, const struct driver_time *now);

/* The path of the socket. */
const char *control_path(const struct control *control);

/* Answers one request line at once: the body of control_ready, for tests. Returns the answer as
 * text that the caller frees; NULL when the answer comes later. asker identifies the connection. */
char *control_answer(struct control_bench *bench, const char *line, size_t length,
                     const struct driver_time *now, dialogue_captured captured, void *asker);

#endif
