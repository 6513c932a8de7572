/* direction: the few directions in which the nuisances move the evidence.
 *
 * The effect of each nuisance on each item, in units of its noise, is turned by singular value
 * decomposition: directions that move some reading are searched, each a standard normal unknown;
 * the others keep their prior, and add their small effect to the noise of the items. */
#ifndef TRUEWOUND_DIRECTION_H
#define TRUEWOUND_DIRECTION_H

#include <stddef.h>

#include "analyze/infer/evidence.h"
#include "analyze/infer/fault.h"
#include "analyze/infer/likely.h"
#include "analyze/infer/nuisance.h"
#include "analyze/infer/reading.h"
#include "analyze/infer/suppose.h"
#include "analyze/infer/weigh.h"
#include "db/status.h"

struct direction_set {
    size_t count;
    size_t nuisances;
    double turn[SUPPOSE_NUISANCES_MAX]
               [WEIGH_UNKNOWNS_MAX]; /* unknown j moves nuisance i by [i][j] */
    /* Their effect on the items, for aiding and for cancelling limbs: rows of 'count'. */
    double slope[2][EVIDENCE_MAX * WEIGH_UNKNOWNS_MAX];
};

/* Finds those of the scope's evidence about the coil as designed. likely: its noise, that of each
 * item by itself, grows by what is not searched, and its middle is filled. Errors: STATUS_MEMORY,
 * STATUS_NUMERIC when the coil as designed cannot be worked out. */
enum status_code direction_find(const struct fault_scope *scope, const struct nuisance_list *list,
                                const struct reading_plan *plan, struct likely *likely,
                                struct direction_set *out, struct status *st);

/* The nuisances (standard deviations) that z[count] stands for. tail: number of the draw, from
 * which all that is not searched gets its prior (0: its middle). */
void direction_nuisances(const struct direction_set *d, const double *z, size_t tail,
                         double nuisance[SUPPOSE_NUISANCES_MAX]);

#endif
