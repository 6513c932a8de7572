/* costly: items that cost much more than the others are worked out seldom.
 *
 * About the mode of the leading case their scalars are fitted by parabolas; all draws are weighed
 * with those, and the integral is put right by the exact scalars at a few draws. */
#ifndef TRUEWOUND_COSTLY_H
#define TRUEWOUND_COSTLY_H

#include <stdbool.h>

#include "analyze/infer/integrand.h"
#include "analyze/infer/mode.h"
#include "analyze/infer/sample.h"

/* Fits f->parabola about the mode of *c, of a model that has quick(), and puts right the slopes and
 * precision of *c with what was learnt. False without memory, or when the precision there cannot be
 * worked out. */
bool costly_fit(struct integrand *f, struct mode *c);

/* Mean of exact over near likelihood on draws of a sample taken by their weight, 0 or more, and its
 * relative standard error. */
double costly_ratio(struct integrand *f, const struct sample *s, double *u);

#endif
