/* recall: which learnt figures of the store bear on one coil, as the inference wants them. */
#ifndef TRUEWOUND_RECALL_H
#define TRUEWOUND_RECALL_H

#include <stddef.h>

#include "analyze/infer/evidence.h"
#include "analyze/infer/learn.h"
#include "analyze/model/design.h"
#include "db/status.h"
#include "db/store.h"

#define RECALL_TEXT_SIZE 2048

struct suppose_learnt;

struct recall {
    size_t count;                   /* figures found */
    double value[LEARN_QUANTITIES]; /* of a winding's figures; NaN: not learnt */
    double u[LEARN_QUANTITIES];
    double bias[EVIDENCE_INSTRUMENT_MAX];   /* of each instrument of the set; NaN: not learnt */
    double gain_u[EVIDENCE_INSTRUMENT_MAX]; /* what is left of its doubt */
    char text[RECALL_TEXT_SIZE];            /* a line each: key, value and uncertainty in full */
};

/* Finds the figures for a design and the instruments of a set. A figure of the store that cannot be
 * (not finite, or out of all reason) is passed over. A meter's figure, which was learnt on ohms, is
 * used only where that instrument measured nothing else. Errors are those of the store. */
enum status_code recall_find(struct store *store, const struct design *design,
                             const struct evidence_set *set, struct recall *out, struct status *st);

/* Puts them to use: for the verdict's options, and into the instruments of that set. */
void recall_use(const struct recall *recall, struct evidence_set *set,
                struct suppose_learnt *learnt);

#endif
