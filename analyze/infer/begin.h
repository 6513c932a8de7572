/* begin: where the search for a mode is to begin.
 *
 * What a fault may amount to spans decades, and Newton's steps from the middle of that can end on a
 * slope from which no step leads up. So the unknowns of the fault are first walked along a grid on
 * the cheap items alone, the other unknowns following in the linear approximation. */
#ifndef TRUEWOUND_BEGIN_H
#define TRUEWOUND_BEGIN_H

#include <stdbool.h>

#include "analyze/infer/weigh.h"

/* Fills z[model->unknowns]. False, and z all 0, when the model gives nothing to walk by: no bending
 * unknowns, no slopes, or physics without an answer. */
bool begin_search(const struct weigh_model *model, double *z);

#endif
