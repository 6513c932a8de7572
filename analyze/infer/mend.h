/* mend: adds parts to a proposal where a first sample of it found it thin.
 *
 * Few draws that weigh nearly everything mean that the proposal misses the bulk. What those draws
 * say of it (their mean and covariance, and where the heaviest are) makes further parts: population
 * Monte Carlo; Cappe et al., J. Comput. Graph. Stat. 13 (2004) 907-929 (from memory). */
#ifndef TRUEWOUND_MEND_H
#define TRUEWOUND_MEND_H

#include <stdbool.h>

#include "analyze/infer/proposal.h"
#include "analyze/infer/sample.h"

/* True when so few draws count that mending is worth a further sample. */
bool mend_needed(const struct sample *s);

/* Adds parts to *p from a sample of it in which some draw counts, of one unknown or more, and
 * shares the proposal out anew. False, and *p as before, when nothing could be added. */
bool mend_proposal(struct proposal *p, const struct sample *s);

#endif
