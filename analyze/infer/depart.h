/* depart: the unknown departure of one make of cell, at one duty, from the curve of its kind.
 *
 * A Gaussian process over depth: a level (makers, the meter), a slow bend, a finer one, and more of
 * both at the fresh hump and at the spent end; and the temperature coefficient, with it. Its bends
 * are long in charge, not in depth: were they long in depth, mere smoothness would speak for a
 * larger capacity, and the end would be said too late. Volts of one cell, kelvin over 20 C. */
#ifndef TRUEWOUND_DEPART_H
#define TRUEWOUND_DEPART_H

#include "analyze/infer/fade.h"
#include "analyze/model/cell.h"

#include <stdbool.h>

#define DEPART_KELVIN_U 0.6e-3 /* V/K, wider than the table: polarisation has its own */
#define DEPART_NEAR     801    /* distances, from 0 to 2 of the rated charge */

struct depart {
    double near[DEPART_NEAR];   /* covariance of level and bends over a distance */
    double like_scale;          /* of those, for the curve like the earlier ones' */
    double unseen[FADE_POINTS]; /* V, that the earlier ones left open of that curve */
};

/* A place on a curve, with what its covariances need. */
struct depart_place {
    double x, s, kelvin, fresh, spent, unseen;
    double scale; /* of the departure */
};

/* dip: where only the loaded voltage is read, what the load takes over the loaded voltage, for
 * that is then part of the departure; else 0. */
void depart_make(const struct cell_kind *kind, double dip, struct depart *d);

/* x: depth. stretch: the charge of this battery over the rated one; 1 where the charge is not
 * known, for there is no other measure than depth. */
struct depart_place depart_at(const struct depart *d, int curve, double stretch, double x,
                              double kelvin);

/* Of the departure at two places of one curve, V^2. */
double depart_covariance(const struct depart *d, const struct depart_place *a,
                         const struct depart_place *b);

#endif
