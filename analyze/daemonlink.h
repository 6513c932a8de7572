/* daemonlink: asks the running daemon to do something at the bench, over its control socket
 * (truewoundd(8), "CONTROL SOCKET"). */
#ifndef TRUEWOUND_DAEMONLINK_H
#define TRUEWOUND_DAEMONLINK_H

#include <jansson.h>

#include "db/status.h"

/* Sends one request (its reference is taken) to the daemon that owns the database and waits up to
 * timeout seconds for the answer. On STATUS_OK *answer is the daemon's object, to be released.
 * STATUS_NOT_FOUND: no daemon runs on this database. STATUS_TIMEOUT. Otherwise the daemon's own
 * refusal, with its sentence. */
enum status_code daemonlink_ask(const char *database, json_t *request, double timeout,
                                json_t **answer, struct status *st);

/* Asks for one channel, named "instrument.channel", to be the one that its instrument polls; a
 * channel that is always polled needs no asking and is STATUS_OK too. */
enum status_code daemonlink_select(const char *database, const char *channel, struct status *st);

/* Ends that: the instrument polls its usual channels again. */
enum status_code daemonlink_release(const char *database, const char *instrument,
                                    struct status *st);

#endif
