/* fade: how the voltage of a working cell falls over depth, at rest between pulses.
 *
 * c(x) is the rested curve of cell.h, lowered by what a working cell does not recover between
 * pulses, as far as it is straight; from there a knee leads it to the end point at x = 1, for the
 * capacity is defined by that end point. How sharp the knee is, no table knows: there is one curve
 * for each of a few, and one more that is as earlier batteries of the same kind had it.
 *
 * Depth is the share of charge used, 0 to 1; beyond 1 the curves go on steeply. Volts of one cell,
 * temperatures as kelvin over 20 C. */
#ifndef TRUEWOUND_FADE_H
#define TRUEWOUND_FADE_H

#include "analyze/model/cell.h"

#include <stdbool.h>

#define FADE_POINTS 101 /* of a curve, at depth 0, 0.01 .. 1 */
#define FADE_KNEES  4
#define FADE_LIKE   FADE_KNEES /* the curve that is like the earlier ones' */
#define FADE_CURVES (FADE_KNEES + 1)

struct fade {
    double volt[FADE_CURVES][FADE_POINTS];
    double steepest[FADE_CURVES]; /* beyond 1, V */
    double per_k;                 /* V/K, of the kind of cell */
};

/* Fills all curves but FADE_LIKE. False: no memory. */
bool fade_make(const struct cell_kind *kind, struct fade *f);

/* Fills FADE_LIKE. */
void fade_set_like(struct fade *f, const double volt[FADE_POINTS]);

/* Expected voltage by one curve (0 to FADE_CURVES - 1) at a depth (below 0 counts as 0). */
double fade_volt(const struct fade *f, int curve, double depth, double kelvin);

/* The least that the voltage falls over a share of the charge (0 to 1), by any knee and wherever
 * the share begins. */
double fade_least_fall(const struct fade *f, double share);

#endif
