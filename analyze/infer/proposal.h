/* proposal: what the draws are taken from.
 *
 * A mixture of normal distributions, one about each mode and as many as are added while drawing,
 * and of the ridge where there is one. Each normal one is drawn from near and, for a share of the
 * draws, wide (mode.h). */
#ifndef TRUEWOUND_PROPOSAL_H
#define TRUEWOUND_PROPOSAL_H

#include <stddef.h>

#include "analyze/infer/cases.h"
#include "analyze/infer/mode.h"
#include "analyze/infer/ridge.h"

#define PROPOSAL_PARTS_MAX (CASES_MAX + 9)

struct proposal {
    struct mode part[PROPOSAL_PARTS_MAX];
    double share[PROPOSAL_PARTS_MAX]; /* of what the ridge leaves; sum to 1 */
    size_t parts;
    struct ridge ridge;
};

/* Fills the shares: by the parts' log_evidence, none below a twentieth of the best but those that
 * are hopeless. */
void proposal_share(struct proposal *p);

/* Log density of the proposal at z[n]. */
double proposal_density(const struct proposal *p, size_t n, const double *z);

/* The point z[n] that a uniform point u[n + 1] stands for; u[n] chooses the part. */
void proposal_point(const struct proposal *p, size_t n, const double *u, double *z);

#endif
