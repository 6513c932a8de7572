/* batterynote: what is written down of a battery after it was looked at: changes and alarms. */
#ifndef TRUEWOUND_BATTERYNOTE_H
#define TRUEWOUND_BATTERYNOTE_H

#include <stdbool.h>
#include <stddef.h>

#include "analyze/batterybook.h"
#include "db/status.h"
#include "db/store.h"

/* Confirms or takes back the latest change found from the voltage, recorded or not, and says so in
 * said. STATUS_NOT_FOUND when none waits for a word. */
enum status_code batterynote_settle(struct store *store, const struct batterybook *book,
                                    bool confirm, char *said, size_t size, struct status *st);

/* Stores an alarm as an event, at most once a week each, and a change found as an event and as a
 * battery not confirmed. */
enum status_code batterynote_all(struct store *store, const struct batterybook *book,
                                 struct status *st);

#endif
