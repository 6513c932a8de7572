/* doubt: what a pass may not assert for want of measurements.
 *
 * A coil may come out within its limits because most coils are. Here the evidence is asked by
 * itself, without the priors, whether it speaks against each fault. */
#ifndef TRUEWOUND_DOUBT_H
#define TRUEWOUND_DOUBT_H

#include <stdbool.h>
#include <stddef.h>

#include "analyze/infer/candidate.h"
#include "analyze/infer/evidence.h"
#include "analyze/infer/suppose.h"
#include "analyze/infer/verdict.h"
#include "db/status.h"

/* Fills the verdict's doubt, doubt_factor and rivals, and what could be wrong and not show. */
enum status_code doubt_find(struct suppose *s, const struct candidate *list, size_t count,
                            struct verdict *v, struct status *st);

/* True when, without the readings that are taken for mistakes, too little remains to pass by. */
bool doubt_of_mistakes(const struct suppose *s, const struct evidence_set *evidence,
                       const struct verdict *v);

#endif
