/* loop: the daemon's one loop: descriptors, timers and signals; nothing in it waits elsewhere.
 *
 * Order of life: database (with its instance lock), control socket, dialogues, "ready" to the
 * service manager; then the loop; then all of it backwards. */
#ifndef TRUEWOUND_LOOP_H
#define TRUEWOUND_LOOP_H

#include "acquire/log.h"
#include "db/status.h"

struct loop_settings {
    const char *bench;    /* path of the bench file */
    const char *database; /* overrides the bench file's; NULL: the bench file's */
    const struct log *log;
};

/* Runs until SIGTERM or SIGINT, reads the bench file again at SIGHUP. STATUS_OK after a clean
 * stop with everything stored. The signals are blocked on return. */
enum status_code loop_run(const struct loop_settings *settings, struct status *st);

#endif
