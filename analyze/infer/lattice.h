/* lattice: the unknowns of a battery that have no closed form, capacity, charge used at the start
 * and self-discharge, on a grid, each point with every curve it may follow. */
#ifndef TRUEWOUND_LATTICE_H
#define TRUEWOUND_LATTICE_H

#include "analyze/infer/belief.h"
#include "analyze/infer/given.h"

#define LATTICE_C      28
#define LATTICE_X      18
#define LATTICE_POINTS (LATTICE_C * LATTICE_X * 3 * FADE_CURVES)

struct lattice_point {
    double log_c, x0, rate;
    int curve;
    double log_w; /* posterior density, but for a constant */
    double share; /* of the whole, by lattice_share */
};

struct lattice {
    double c_low, c_high; /* logarithms */
    double x_low, x_high;
    size_t n;
    struct lattice_point point[LATTICE_POINTS];
};

/* Lays the grid where the weight is, in a few rounds. work: for its own use. STATUS_NUMERIC: more
 * charge drawn than such a battery can hold. */
enum status_code lattice_fill(const struct belief *b, struct lattice *l, struct given *work,
                              struct status *st);

/* Works out the shares from log_w, which the caller may have changed. */
void lattice_share(struct lattice *l);

/* Gives the unknowns of a point. */
void lattice_take(const struct belief *b, const struct lattice_point *p, struct given *g);

#endif
