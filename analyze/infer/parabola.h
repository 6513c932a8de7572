/* parabola: what stands in for the costly items near a mode.
 *
 * Each costly scalar is a quadratic along the principal axes of the posterior at the mode, with the
 * mixed terms of those axes that do most. costly.h fits it. */
#ifndef TRUEWOUND_PARABOLA_H
#define TRUEWOUND_PARABOLA_H

#include <stddef.h>

#include "analyze/infer/weigh.h"

#define PARABOLA_CROSS_MAX 7 /* axes between which the twist is looked at */

struct parabola {
    double centre[WEIGH_UNKNOWNS_MAX];
    double axis[WEIGH_UNKNOWNS_MAX][WEIGH_UNKNOWNS_MAX]; /* axis[k]: unit vector k */
    double step[WEIGH_UNKNOWNS_MAX];                     /* along it, in z */
    double value[WEIGH_ITEMS_MAX];                       /* of the scalars at the centre */
    double slope[WEIGH_ITEMS_MAX][WEIGH_UNKNOWNS_MAX];   /* per step */
    double bend[WEIGH_ITEMS_MAX][WEIGH_UNKNOWNS_MAX];
    size_t crosses, cross[PARABOLA_CROSS_MAX];
    double twist[WEIGH_ITEMS_MAX][PARABOLA_CROSS_MAX][PARABOLA_CROSS_MAX];
};

/* Fills the scalars of the model's costly items at z, and leaves the others alone. Beyond a few
 * steps from the centre along an axis the figures of its last step hold. */
void parabola_fill(const struct parabola *p, const struct weigh_model *m, const double *z,
                   double *scalar);

#endif
