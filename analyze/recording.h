/* recording: puts what was measured into the store: an observation with its conditions, in the
 * sitting it belongs to, all of it or nothing. */
#ifndef TRUEWOUND_RECORDING_H
#define TRUEWOUND_RECORDING_H

#include <stdint.h>

#include "analyze/coilbook.h"
#include "analyze/conditions.h"
#include "db/status.h"
#include "db/store.h"
#include "db/store_evidence.h"

/* Begins a transaction and finds, or begins, the run of the coil that measurements belong to now.
 * On a failure nothing is left begun. */
enum status_code recording_begin(struct store *store, const struct coilbook_entry *entry,
                                 int64_t *run, struct status *st);

/* Ends it: kept when code is STATUS_OK, else undone. Returns code, or what went wrong at the end.
 */
enum status_code recording_end(struct store *store, enum status_code code, struct status *st);

/* Adds an observation with the conditions it was made under; it takes the place of the observation
 * 'supersedes' (0: of none). observation->conditions is not used. */
enum status_code recording_add(struct store *store, const struct store_observation *observation,
                               const struct conditions *conditions, int64_t supersedes, int64_t *id,
                               struct status *st);

#endif
