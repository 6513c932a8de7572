/* dialogue: one instrument at run time: its port, its driver, and what went wrong with it.
 *
 * A dialogue never waits: the loop tells it when its descriptor is ready and when its time has
 * come, and asks it when to come back. Time is an argument, so a test can run a year in a second.
 *
 *   state      port   meaning                               left when
 *   CLOSED     no     waits for the next attempt to open    the attempt succeeds -> WAKING
 *   WAKING     yes    the instrument starts up              `wake` is over -> OPEN
 *   OPEN       yes    talks                                 hung up, refused or mute -> CLOSED
 * In OPEN, `good` says whether readings arrive as they should; the moment it turns false is the
 * beginning of a gap, which is put on record when it ends. */
#ifndef TRUEWOUND_DIALOGUE_H
#define TRUEWOUND_DIALOGUE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "acquire/benchfile.h"
#include "acquire/driver.h"
#include "acquire/logger.h"
#include "db/status.h"

struct dialogue;

enum dialogue_state { DIALOGUE_CLOSED, DIALOGUE_WAKING, DIALOGUE_OPEN };

struct dialogue_status {
    enum dialogue_state state;
    bool good;           /* readings arrive */
    const char *trouble; /* one sentence; "" when there is none */
    const char *identity;
    uint64_t bytes, messages, garbage, timeouts, opened;
};

/* Called once when a capture has ended: code and text (a sentence when it failed), id its row. */
typedef void (*dialogue_captured)(void *to, enum status_code code, const char *text, int64_t id);

/* Makes the dialogue of instrument number `index` of the bench file, which it keeps alive. before
 * (may be NULL) is the dialogue that had that instrument; its open port is taken over when the
 * line settings are the same, so that no byte is lost. */
enum status_code dialogue_new(struct benchfile *bench, size_t index, struct logger *logger,
                              struct dialogue *before, const struct driver_time *now,
                              struct dialogue **dialogue, struct status *st);

/* Closes the port and frees the dialogue. NULL is allowed. */
void dialogue_free(struct dialogue *dialogue, const struct driver_time *now);

/* True when both bench files say the same of the instrument and all its channels. */
bool dialogue_is_same(const struct dialogue *dialogue, const struct benchfile *bench, size_t index);

const struct benchfile_instrument *dialogue_instrument(const struct dialogue *dialogue);

/* The descriptor to watch, -1 without one; generation changes each time a port is opened. */
int dialogue_descriptor(const struct dialogue *dialogue);
uint64_t dialogue_generation(const struct dialogue *dialogue);
bool dialogue_wants_write(const struct dialogue *dialogue);

/* When dialogue_tick must be called at the latest (mono); INT64_MAX: no time is set. */
int64_t dialogue_due(const struct dialogue *dialogue);

/* The descriptor is ready for reading, writing, or hung up. */
void dialogue_ready(struct dialogue *dialogue, bool readable, bool writable, bool hung_up,
                    const struct driver_time *now);

/* Does what is due. */
void dialogue_tick(struct dialogue *dialogue, const struct driver_time *now);

/* Hands a command to the driver. For DRIVER_CAPTURE done is called exactly once later, unless the
 * command is refused. */
enum status_code dialogue_command(struct dialogue *dialogue, const struct driver_command *command,
                                  dialogue_captured done, void *to, const struct driver_time *now,
                                  struct status *st);

/* Forgets whom to tell of the running capture (the asker has gone). */
void dialogue_forget_asker(struct dialogue *dialogue, const void *to);

void dialogue_status(const struct dialogue *dialogue, struct dialogue_status *status);

/* The last reading of a channel. */
const struct logger_last *dialogue_last(const struct dialogue *dialogue, size_t channel);

/* Number of the channel of that name; SIZE_MAX when there is none. */
size_t dialogue_channel(const struct dialogue *dialogue, const char *name);

#endif
