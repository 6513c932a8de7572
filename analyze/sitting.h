/* sitting: the run that a measurement made now belongs to. */
#ifndef TRUEWOUND_SITTING_H
#define TRUEWOUND_SITTING_H

#include <stdint.h>

#include "analyze/coilbook.h"
#include "db/status.h"
#include "db/store.h"

/* A run left open longer than this was forgotten: the next measurement begins a new one. */
#define SITTING_LONGEST_US (12LL * 3600 * 1000000)

/* The run that is open on the coil, or a new one against its newest design. The design changed
 * since the run began: also a new one. */
enum status_code sitting_join(struct store *store, const struct coilbook_entry *entry, int64_t *run,
                              struct status *st);

/* The run that sitting_join would join, 0 when it would begin a new one. Stores nothing. */
enum status_code sitting_current(struct store *store, const struct coilbook_entry *entry,
                                 int64_t *run, struct status *st);

/* The latest run of the coil, open or not; 0 when it was never measured. */
enum status_code sitting_latest(struct store *store, int64_t coil, int64_t *run, struct status *st);

#endif
