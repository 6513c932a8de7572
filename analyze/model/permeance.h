/* permeance: what air carries between the parts of a magnet.
 *
 * Near the gap: a plane (two-dimensional) field at each edge of the pole face, mapped exactly where
 * it can be (a corner over a wide plane; two flush corners) and blended between the two for a
 * keeper that reaches beyond the edge by a little. Further out: limbs, yoke and keeper as bars that
 * carry magnetic charge spread along their axes, by the same potential coefficients as in
 * electrostatics. */
#ifndef TRUEWOUND_PERMEANCE_H
#define TRUEWOUND_PERMEANCE_H

/* A permeance and its change with the gap. */
struct permeance {
    double value; /* H, or H/m for an edge */
    double slope; /* d value / d gap */
};

/* Permeance per metre of a corner (a face and, at a right angle, its flank) over a wide plane at
 * `gap` from the face: the flux that the flank carries up to `height`, per ampere and metre of
 * edge. Exact, by the Schwarz-Christoffel map dz/dt = (gap/pi) sqrt(t + 1)/t, which gives
 * (mu0/pi) ln(1 + s2) where s - atan s = pi height / (2 gap). gap > 0, height >= 0, m. The edge of
 * the face itself carries PERMEANCE_CORNER_FACE mu0 more than a uniform field would. */
struct permeance permeance_corner(double gap, double height);
#define PERMEANCE_CORNER_FACE 0.19523 /* (2 - 2 ln 2)/pi */

/* What does not depend on the overhang in permeance_edge(), so that it is found once for a rim. */
struct permeance_flank {
    double gap, height;
    struct permeance wide, flush;
};

struct permeance_flank permeance_flank(double gap, double height);

/* As permeance_corner() for a plane that ends `overhang` (m, >= 0) beyond the edge, its own flank
 * going away from the pole: the flux of the pole's flank up to the flank's height, without the
 * face's share. At overhang 0 it is half the corner over a plane at half the gap (by symmetry); for
 * wide overhang it is permeance_corner(). Between them it is a blend, within 10 % of the pull of
 * the exact map dz/dt ~ sqrt((t + 1)(t - b))/t of two finite corners, and mostly within 3 %. */
struct permeance permeance_edge(const struct permeance_flank *flank, double overhang);

/* Permeance per metre of two corners that face each other across a slanting slit: an iron that
 * fills the quarter below and left of its corner, and one that fills the quarter above and right of
 * its own, `aside` to the right and `above` (m, both >= 0, not both 0). Each wedge of air between
 * them carries flux over faces as far as `reach_below` and `reach_above` from the corners (m, well
 * beyond the slit). slope is with `above`. By the map dz/dt = sqrt((t - 1)(t + b)) t^(-3/2), whose
 * far field gives (2/pi) ln(reach) for each wedge and whose rest, tabled here against the angle,
 * was integrated numerically. */
struct permeance permeance_step(double aside, double above, double reach_below, double reach_above);

/* What the edge of the face carries, per metre, beyond the uniform field, at that overhang. */
struct permeance permeance_face_edge(double gap, double overhang);

/* Area in m2 that a circle of radius r and a rectangle from -left to right and from -half to half
 * about its centre have in common. All >= 0. */
double permeance_overlap(double r, double left, double right, double half);

/* Radius of the round bar that carries charge as a bar of width w and thickness t does: 0.59 of the
 * side of a square, a quarter of the width of a thin strip, linear between (from memory). */
double permeance_bar_radius(double w, double t);

/* A charged bar: along z at x, from a to b (upright), or along x at height z, from a to b. */
struct permeance_bar {
    int upright; /* 1: along z; 0: along x */
    double at;   /* m, its x if upright, else its z */
    double a, b; /* m, ends, a < b */
    double radius;
};

/* Mean potential on bar i of unit charge spread evenly on bar j, times 4 pi mu0, in 1/m; the same
 * with i and j exchanged. A bar's charge lies on its surface: distances r count as
 * sqrt(r2 + (radius_i2 + radius_j2)/2), a kernel that keeps every matrix of bars positive definite
 * and gives a bar's own potential (i = j) as the thin-wire kernel does. lift, if not NULL, gets the
 * change with a shift of bar j towards +z (same unit, per m). */
double permeance_bars(const struct permeance_bar *i, const struct permeance_bar *j, double *lift);

#endif
