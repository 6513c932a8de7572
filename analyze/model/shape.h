/* shape: the sizes of a magnet's parts as the rest of the model asks for them, and how a limb is
 * cut into segments. All of a magnet that magnet_check() has passed; SI. */
#ifndef TRUEWOUND_SHAPE_H
#define TRUEWOUND_SHAPE_H

#include "analyze/model/magnet.h"

/* Segments of a limb, counted from the pole. The first SHAPE_TIPS of them lie so near the keeper
 * that their coupling to it comes from the mapped field of an edge. */
#define SHAPE_SEGMENTS 5
#define SHAPE_TIPS     2

/* Half the width and half the depth of a section, m. */
double shape_half_width(const struct magnet_section *s);
double shape_half_depth(const struct magnet_section *s);

/* Area (m2) and perimeter (m) of a section. */
double shape_area(const struct magnet_section *s);
double shape_perimeter(const struct magnet_section *s);

/* Radius in m of the round bar that carries charge as a bar of that section does
 * (permeance_bar_radius()). */
double shape_radius(const struct magnet_section *s);

/* The section of a limb's pole face. */
struct magnet_section shape_pole(const struct magnet_limb *l);

/* How thick a shoe is in m, as far as nobody says: as far as it stands out, at most 0.3 of the
 * limb. 0 without one. */
double shape_shoe(const struct magnet_limb *l);

/* Number of limbs, 1 or 2, and the mean of what they have, which of a bar is what the first has. */
int shape_limbs(const struct magnet *m);
double shape_mean(double a, double b, int limbs);

/* Means over the limbs, m: length, width (half the sum of width and depth) and radius
 * (shape_radius()). */
double shape_limb_length(const struct magnet *m);
double shape_limb_width(const struct magnet *m);
double shape_limb_radius(const struct magnet *m);

/* Length over all in m of the keeper and of the yoke of a U, stated or as magnet.h has it. */
double shape_keeper_length(const struct magnet *m);
double shape_yoke_length(const struct magnet *m);

/* Cuts the limb into segments: their bounds in m below the pole face, from 0 to the mean length of
 * the limbs. Limbs of unequal length share one cut, stretched. */
void shape_cut(const struct magnet *m, double cut[SHAPE_SEGMENTS + 1]);

/* Heights in m above the foot of a limb `length` long between which its iron branch i runs: from
 * the middle of one segment to that of the next, 0 at the pole to SHAPE_SEGMENTS at the foot. */
void shape_span(const double cut[SHAPE_SEGMENTS + 1], double length, int i, double *low,
                double *high);

/* Turns of a limb between two heights above its foot, m. */
double shape_turns(const struct magnet_limb *l, double low, double high);

/* Turns per metre of a limb's winding. */
double shape_density(const struct magnet_limb *l);

#endif
