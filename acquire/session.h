/* session: one instrument at run time: its port, its driver, and what went wrong with it.
 *
 * A session never waits: the loop tells it when its descriptor is ready and when its time has
 * come, and asks it when to come back. Time is an argument, so a test can run a year in a second.
 *
 *   state      port   meaning                               left when
 *   CLOSED     no     waits for the next attempt to open    the attempt succeeds -> WAKING
 *   WAKING     yes    the instrument starts up              `wake` is over -> OPEN
 *   OPEN       yes    talks                                 hung up, refused or mute -> CLOSED
 * In OPEN, `good` says whether readings arrive as they should; the moment it turns false is the
 * beginning of a gap, which is put on record when it ends. */
#ifndef TRUEWOUND_SESSION_H
#define TRUEWOUND_SESSION_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "acquire/benchfile.h"
#include "acquire/driver.h"
#include "acquire/logger.h"
#include "db/status.h"

struct session;

enum session_state { SESSION_CLOSED, SESSION_WAKING, SESSION_OPEN };

struct session_status {
    enum session_state state;
    bool good;           /* readings arrive */
    const char *trouble; /* one sentence; "" when there is none */
    const char *identity;
    uint64_t bytes, messages, garbage, timeouts, opened;
};

/* Called once when a capture has ended: code and text (a sentence when it failed), id its row. */
typedef void (*session_captured)(void *to, enum status_code code, const char *text, int64_t id);

/* Makes the session of instrument number `index` of the bench file, which it keeps alive. before
 * (may be NULL) is the session that had that instrument; its open port is taken over when the
 * line settings are the same, so that no byte is lost. */
enum status_code session_new(struct benchfile *bench, size_t index, struct logger *logger,
                             struct session *before, const struct driver_time *now,
                             struct session **session, struct status *st);

/* Closes the port and frees the session. NULL is allowed. */
void session_free(struct session *session, const struct driver_time *now);

/* True when both bench files say the same of the instrument and all its channels. */
bool session_is_same(const struct session *session, const struct benchfile *bench, size_t index);

const struct benchfile_instrument *session_instrument(const struct session *session);

/* The descriptor to watch, -1 without one; generation changes each time a port is opened. */
int session_descriptor(const struct session *session);
uint64_t session_generation(const struct session *session);
bool session_wants_write(const struct session *session);

/* When session_tick must be called at the latest (mono); INT64_MAX: no time is set. */
int64_t session_due(const struct session *session);

/* The descriptor is ready for reading, writing, or hung up. */
void session_ready(struct session *session, bool readable, bool writable, bool hung_up,
                   const struct driver_time *now);

/* Does what is due. */
void session_tick(struct session *session, const struct driver_time *now);

/* Hands a command to the driver. For DRIVER_CAPTURE done is called exactly once later, unless the
 * command is refused. */
enum status_code session_command(struct session *session, const struct driver_command *command,
                                 session_captured done, void *to, const struct driver_time *now,
                                 struct status *st);

/* Forgets whom to tell of the running capture (the asker has gone). */
void session_forget_asker(struct session *session, const void *to);

void session_status(const struct session *session, struct session_status *status);

/* The last reading of a channel. */
const struct logger_last *session_last(const struct session *session, size_t channel);

/* Number of the channel of that name; SIZE_MAX when there is none. */
size_t session_channel(const struct session *session, const char *name);

#endif
