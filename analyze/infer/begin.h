/* begin: where the search for a mode is to begin.
 *
 * What a fault may amount to spans decades, and Newton's steps from the middle of that can end on a
 * slope from which no step leads up. So the unknowns of the fault are first walked along a grid on
 * the cheap items alone, the other unknowns following in the linear approximation. */
#ifndef TRUEWOUND_BEGIN_H
#define TRUEWOUND_BEGIN_H

#include <stdbool.h>
#include <stddef.h>

#include "analyze/infer/weigh.h"

/* Fills z[model->unknowns], and mistaken[model->items]: items without which the rest fits so much
 * better that they are likely mistakes, and which z therefore does not follow (NULL: none is left
 * out). Returns 1 and how many those are; 0, with z and mistaken all 0, when the model gives
 * nothing to go by: no slopes, no cheap items, or physics without an answer. */
size_t begin_search(const struct weigh_model *model, double *z, bool *mistaken);

#endif
