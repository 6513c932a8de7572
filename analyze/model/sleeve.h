/* sleeve: the space that a thick winding fills round its limb. The network takes a winding for a
 * thin sheet on the iron; this is what flux between the iron and the outside of the real one adds
 * to linkage and coenergy, to first order. */
#ifndef TRUEWOUND_SLEEVE_H
#define TRUEWOUND_SLEEVE_H

#include "analyze/model/circuit.h"
#include "analyze/model/magnet.h"
#include "analyze/model/shape.h"

/* Open so that a caller can keep it in a workspace. */
struct sleeve {
    int limbs;
    int branch[2]; /* first of the SHAPE_SEGMENTS + 1 branches of each limb, pole first */
    /* H m, of axial flux in the space of each limb, for the stray field along this limb and along
     * the other. */
    double along[2][2];
    double within[2]; /* H, what each winding links of its own field in that space */
};

/* Adds the sleeves of a magnet that magnet_check() has passed to a network that has the branches of
 * its limbs, with their sources: sets the branches' offsets and fills *s. cut: shape_cut(); spread:
 * stray_spread() of the even and the odd field; branch: the first branch of each limb. */
void sleeve_add(struct sleeve *s, const struct magnet *m, const double cut[SHAPE_SEGMENTS + 1],
                const double spread[2], const int branch[2], struct circuit *c);

/* What each branch carries beside its iron, Wb, for sources mmf[branch] in A: offset[branch] for
 * every branch of the circuit. */
void sleeve_offsets(const struct sleeve *s, const struct circuit *c, const double *mmf,
                    double *offset);

/* Flux in Wb that branch i of limb k's winding links beside the iron, from the potentials u (A) of
 * the nodes alone. */
double sleeve_flux(const struct sleeve *s, const struct circuit *c, const double *u, int k, int i);

#endif
