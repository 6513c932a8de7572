/* rim: the near field of one pole: the air between its face with its rim and the keeper, and
 * between the limb's flank just below and the keeper. Round the face a plane field of an edge is
 * laid (permeance.h), as wide as the keeper reaches beyond it there. */
#ifndef TRUEWOUND_RIM_H
#define TRUEWOUND_RIM_H

#include "analyze/model/magnet.h"
#include "analyze/model/permeance.h"
#include "analyze/model/shape.h"

/* Permeances in H, their slopes with the gap in H/m. */
struct rim {
    struct permeance face;            /* of the face with its rim */
    struct permeance tip[SHAPE_TIPS]; /* of each tip segment to the keeper */
    double area;                      /* m2, of the face over the keeper */
    double spill;                     /* H, from the part of the face that the keeper leaves bare */
};

/* Finds the near field of pole k (0 or 1) of a magnet with a keeper that magnet_check() has passed;
 * cut: shape_cut(). */
void rim_find(const struct magnet *m, int k, const double cut[SHAPE_SEGMENTS + 1], struct rim *r);

#endif
