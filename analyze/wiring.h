/* wiring: with how many leads the bench's ohmmeters are on the coil, as the bench file states it.
 */
#ifndef TRUEWOUND_WIRING_H
#define TRUEWOUND_WIRING_H

#include "db/status.h"

#define WIRING_NAME_SIZE 72

/* Settles which channel measures a resistance and with how many leads.
 *
 * channel: the one the person named, "instrument.channel" or "channel"; empty: none. *wires: 2, 4,
 * or 0 where the person said nothing. Without a name, a channel is chosen when the bench file says
 * of just one that it has the wires wanted; without wires, they are those of the channel, or of the
 * only one there is. What the bench file does not state stays as it was, and so does all of it when
 * no daemon runs on the database.
 * STATUS_INPUT when the channel is stated to have other wires than the person says. */
enum status_code wiring_settle(const char *database, char channel[WIRING_NAME_SIZE], int *wires,
                               struct status *st);

#endif
