/* stray: the field of a magnet away from its gaps: from limb to limb, to the keeper, and to the
 * space around. Limbs, keeper and yoke are bars that carry magnetic charge (permeance_bars()), flat
 * ends in the open as discs of it. It is found twice, for halves of the magnet at equal (even) and
 * at opposite (odd) potentials; any two potentials are a sum of those, so that one half is enough.
 * A bar magnet has only the first. */
#ifndef TRUEWOUND_STRAY_H
#define TRUEWOUND_STRAY_H

#include "analyze/model/circuit.h"
#include "analyze/model/magnet.h"
#include "analyze/model/permeance.h"
#include "analyze/model/shape.h"
#include "db/status.h"

/* Bars of one half at most: those of a limb whose pole is open, which are more than below a keeper;
 * half a keeper; half a yoke; flat ends (a pole without a keeper, the foot of a bar); and a shoe.
 */
#define STRAY_OPEN_BARS   6
#define STRAY_KEEPER_BARS 2
#define STRAY_YOKE_BARS   2
#define STRAY_CAPS        2
#define STRAY_BARS        (1 + STRAY_OPEN_BARS + STRAY_KEEPER_BARS + STRAY_YOKE_BARS + STRAY_CAPS)

#define STRAY_NONE (-1) /* of bars and nodes that a magnet does not have */

/* One of the two fields. Bars are numbered limb first, from the pole down, then keeper, yoke, flat
 * ends. Open so that a caller can keep it in a workspace. */
struct stray {
    int bars, limb_bars, keeper_bars;
    int pole_cap, foot_cap;          /* their bars, or STRAY_NONE */
    int shoe;                        /* 1: the first bar of the limb is a shoe */
    double cut[STRAY_OPEN_BARS + 2]; /* m below the pole face: bounds of the limb's bars */
    double share[STRAY_OPEN_BARS + 1][SHAPE_SEGMENTS]; /* part of each limb bar in each segment */
    double level[STRAY_BARS]; /* potential of a level bar in that above the limb */
    /* Wb/A, flux out of each bar for the potential of each */
    double charge[STRAY_BARS][STRAY_BARS];
    /* A/(Wb m), change of the potential coefficients with the keeper's height */
    double lift[STRAY_BARS][STRAY_BARS];
    struct permeance own[STRAY_KEEPER_BARS]; /* coupling of tip and keeper in this field */
};

/* The nodes of the network that its bars hang on, for each limb; keeper and yoke by halves. */
struct stray_nodes {
    int limbs;
    int pole[2], segment[2][SHAPE_SEGMENTS], foot[2], keeper[2], yoke[2];
};

/* Finds the even and, for a U, the odd field of a magnet that magnet_check() has passed; cut:
 * shape_cut(). STATUS_NUMERIC for proportions so extreme that bars cannot tell the field. */
enum status_code stray_find(const struct magnet *m, const double cut[SHAPE_SEGMENTS + 1],
                            struct stray f[2], struct status *st);

/* How fast this field's potential falls with the logarithm of the distance from a limb's axis, as a
 * part of that at the surface, for limbs `length` m long. A limb that sends out the flux p u per
 * metre at potential u has round it the radial field of a line charge:
 * u (1 - p / (2 pi mu0) log(r / radius)). */
double stray_spread(const struct stray *f, double length);

/* Adds the field of that parity (0 even, 1 odd) to a network, with as many halves as there are
 * limbs. The coupling of tip and keeper is left out: the mapped one (rim.h) stands in its place. */
void stray_add(struct circuit *c, const struct stray *f, int parity, const struct stray_nodes *at);

/* What that field gives of the pull on the keeper, N, towards the poles positive, at the potentials
 * u (A) of the nodes: minus the change of its energy with the gap. 0 without a keeper. */
double stray_pull(const struct stray *f, int parity, const struct stray_nodes *at, const double *u);

#endif
