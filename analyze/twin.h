/* twin: finds a resistance that is that of another place to the last digit, as when the leads were
 * left where they were. Two windings, or a limb and the whole, are hardly ever so alike. */
#ifndef TRUEWOUND_TWIN_H
#define TRUEWOUND_TWIN_H

#include <stdint.h>

#include "db/status.h"
#include "db/store.h"

#define TWIN_SIZE 240

/* A question to the person in text when the observation 'entry' of that run has such a twin, or an
 * empty text: of other quantities, of figures too coarse to tell (a last digit above 0.05 % of the
 * value), and when nothing is alike. Nothing is refused. Errors are those of the store. */
enum status_code twin_question(struct store *store, int64_t coil, int64_t run, int64_t entry,
                               char text[TWIN_SIZE], struct status *st);

#endif
