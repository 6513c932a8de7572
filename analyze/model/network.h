/* network: the parts of a magnet as a circuit: iron branches for limbs, keeper and yoke, and the
 * air of the gaps (rim.h), of the stray field (stray.h) and of the windings (sleeve.h) between
 * them. What depends on the shape alone is kept, so that building the same shape for another
 * current or iron is cheap. */
#ifndef TRUEWOUND_NETWORK_H
#define TRUEWOUND_NETWORK_H

#include "analyze/model/circuit.h"
#include "analyze/model/magnet.h"
#include "analyze/model/rim.h"
#include "analyze/model/shape.h"
#include "analyze/model/sleeve.h"
#include "analyze/model/stray.h"
#include "db/status.h"

#define NETWORK_KEYS 32

/* Open so that a caller can keep it in a workspace. */
struct network {
    struct circuit circuit;
    /* of the last build: where the parts of the magnet stand in the circuit */
    struct stray_nodes at;
    int limb_branch[2];             /* first of SHAPE_SEGMENTS + 1 branches, pole first */
    int keeper_branch, yoke_branch; /* STRAY_NONE without; of two branches but for a bent yoke */
    struct sleeve sleeve;
    /* of the last shape: shape_cut(), and the air */
    double cut[SHAPE_SEGMENTS + 1];
    struct stray stray[2];
    double spread[2]; /* stray_spread() of each */
    struct rim rim[2];
    /* the inputs that these depend on, to know the shape again */
    double key[NETWORK_KEYS];
    int keys;
};

/* Prepares *w for use; network_close() frees it. STATUS_MEMORY. */
enum status_code network_open(struct network *w, struct status *st);
void network_close(struct network *w);

/* Builds the circuit of a magnet that magnet_check() has passed, with current[0] and current[1] in
 * A in its windings, signed as magnet_solve() has them. STATUS_NUMERIC for proportions too extreme
 * (stray_find()). */
enum status_code network_build(struct network *w, const struct magnet *m, const double current[2],
                               struct status *st);

#endif
