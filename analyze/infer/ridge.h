/* ridge: a part of the proposal that follows a posterior which is no ellipsoid.
 *
 * The size of a fault may bend the posterior. So one unknown is held at places along the ridge, the
 * others are settled at each, and between those places their mode is interpolated (cubic); across
 * the ridge the density is normal, along it a histogram. */
#ifndef TRUEWOUND_RIDGE_H
#define TRUEWOUND_RIDGE_H

#include <stdbool.h>
#include <stddef.h>

#include "analyze/infer/integrand.h"
#include "analyze/infer/mode.h"
#include "analyze/infer/precision.h"
#include "analyze/infer/weigh.h"

#define RIDGE_NODES 15
#define RIDGE_CELLS 6 /* between two nodes */

struct ridge {
    bool use; /* there is one; else nothing below holds */
    size_t held, nodes;
    double at[RIDGE_NODES];
    double mode[RIDGE_NODES][WEIGH_UNKNOWNS_MAX];
    struct precision precision[RIDGE_NODES];      /* of the others; 'held' has 1 by itself */
    double height[RIDGE_NODES];                   /* log density of the held unknown there */
    double mass[(RIDGE_NODES - 1) * RIDGE_CELLS]; /* of each cell; sums to 1 */
};

/* Follows the ridge through 'lead' along the least known of the model's bending unknowns, with the
 * costly items from their parabolas. Leaves ridge->use false when no unknown bends it, or the ridge
 * cannot be followed for three nodes or more. */
void ridge_follow(struct integrand *f, const struct mode *lead, struct ridge *ridge);

/* Log density at z[n] of draws from the ridge. */
double ridge_density(const struct ridge *r, size_t n, const double *z);

/* The point on the ridge that uniform u[n] stands for. scale: MODE_NEAR or MODE_WIDE, of the spread
 * across it. */
void ridge_point(const struct ridge *r, size_t n, const double *u, double scale, double *z);

#endif
