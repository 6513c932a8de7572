/* store_retain: letting old raw readings go; roll-ups stay for ever. */
#ifndef TRUEWOUND_STORE_RETAIN_H
#define TRUEWOUND_STORE_RETAIN_H

#include "db/store.h"

/* Removes raw readings older than raw_before (taken down to a whole UTC day), after making sure
 * that their minutes, hours and days are rolled up, and gives the pages back to the disk. Does at
 * most max_rows readings a call (0: 20000), so that a daemon stays responsive; *left is true
 * while there is more to do. STORE_DAEMON only. */
enum status_code store_retain(struct store *store, int64_t raw_before, int64_t max_rows, bool *left,
                              struct status *st);

#endif
