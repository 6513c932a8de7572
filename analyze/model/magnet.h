/* magnet: the nonlinear magnetic circuit of a bar or U electromagnet.
 *
 * Axes: x from limb 1 to limb 2, y across, z along the limbs from the foot (yoke end) to the pole
 * face. The keeper lies across the pole faces. The limbs are cut into segments, each with its share
 * of the turns, its iron, and the air permeances from its flank to the other limb, to the keeper
 * and to the space around; the two gaps carry the face flux. The network is solved for the
 * magnetic potentials by Newton's method on the coenergy (convex, so there is one solution), each
 * step bracketed and shortened by a GSL root finder where a full step overshoots.
 *
 * The pull is the derivative of the coenergy with the gap at constant current. In air that equals
 * the integral of Maxwell's stress over the keeper, fringing included.
 *
 * Everything is SI. The winding is given by its turns and its place on the limb. A solve allocates
 * nothing and is deterministic; one workspace serves one thread. */
#ifndef TRUEWOUND_MAGNET_H
#define TRUEWOUND_MAGNET_H

#include <stdbool.h>

#include "analyze/model/iron.h"
#include "db/status.h"

enum magnet_form {
    MAGNET_BAR, /* limb[0] alone; foot in the open air, pole towards the keeper if there is one */
    MAGNET_U /* two limbs joined by a yoke; a bar with a return path is a U with limb[1] unwound */
};

enum magnet_outline { MAGNET_ROUND, MAGNET_RECTANGLE };

/* A cross-section of limb or pole: round (width = diameter, depth ignored) or a rectangle, width
 * along x and depth along y. 0.5 mm to 0.5 m. */
struct magnet_section {
    enum magnet_outline outline;
    double width; /* m */
    double depth; /* m */
};

struct magnet_limb {
    struct magnet_section section;
    double length;     /* m, foot (yoke surface, or start of the bend) to pole face; 1 mm to 1 m */
    double turns;      /* 0 to 1e6; a fraction is allowed */
    double coil_start; /* m from the foot */
    double coil_end;   /* m from the foot, at most length; both 0: the whole limb */
    /* The pole face where it differs from the limb: a shoe, which is then taken as thick as it
     * stands out, or a narrower nose. Outline as the limb; width 0: as the limb. */
    struct magnet_section pole;
    /* m, from the iron to the winding, and radial height of the winding; both 0: a thin sheet close
     * on the iron. 0 to 0.5 m */
    double coil_clearance, coil_height;
    const struct iron *iron; /* not NULL */
    double h_scale;          /* 1, multiplies H at given B; 0 means 1. 0.05 to 100 */
};

/* The iron that joins the feet. bent: one bar bent to a U, half a circle of the limbs' own section
 * (the section of limb[0]); width, thickness and length are then ignored. Otherwise a block of
 * width (y) by thickness (z) by length (x, over all; 0 means spacing + the limbs' own width). */
struct magnet_yoke {
    bool bent;
    double width;            /* m */
    double thickness;        /* m */
    double length;           /* m */
    double joint_gap;        /* m, effective air at each joint of limb and yoke; 0 to 5 mm */
    const struct iron *iron; /* NULL means that of limb[0] */
    double h_scale;
};

/* The iron that is pulled: a block of length (x) by width (y) by thickness (z), centred over the
 * poles. length 0 means spacing + the limbs' own width (bar: that width). */
struct magnet_keeper {
    bool present;
    double length;           /* m */
    double width;            /* m */
    double thickness;        /* m */
    const struct iron *iron; /* NULL means that of limb[0] */
    double h_scale;
};

struct magnet {
    enum magnet_form form;
    double spacing;             /* m, centre to centre of the limbs (U only) */
    struct magnet_limb limb[2]; /* bar uses limb[0] */
    struct magnet_yoke yoke;    /* U only */
    struct magnet_keeper keeper;
    double gap[2];      /* m, pole face to keeper, shim and plating included; 0 to 0.1 m */
    double contact_gap; /* m, effective air left by roughness, added to each gap; 0 to 1 mm. The sum
                         * of gap and contact gap must be at least 0.1 um */
};

/* The parts a flux density is given for. */
enum magnet_part {
    MAGNET_LIMB1_FOOT,
    MAGNET_LIMB1_POLE,
    MAGNET_LIMB2_FOOT,
    MAGNET_LIMB2_POLE,
    MAGNET_YOKE,
    MAGNET_KEEPER,
    MAGNET_GAP1, /* mean over the pole face */
    MAGNET_GAP2,
    MAGNET_PARTS
};

/* What comes out of a solve. Signs: flux round the core from the foot of limb 1 to its pole,
 * through the keeper, and down limb 2 is positive. Parts that do not exist are NaN in b and flux.
 */
struct magnet_result {
    double flux[MAGNET_PARTS]; /* Wb */
    double b[MAGNET_PARTS];    /* T */
    double b_max[2];           /* T, greatest |B| anywhere along each limb; limb 2 NaN for a bar */
    enum magnet_part limit;    /* the iron part nearest to or furthest beyond its knee */
    double limit_ratio;        /* its |B| over the knee of its iron; above 1 it is saturated */
    double iron_share; /* 1, part of the round-trip ampere-turns spent in iron (0 at I = 0) */
    double gap_mmf[2]; /* A, potential across each gap, pole to keeper */
    double pull;       /* N, on the keeper, towards the poles; 0 without keeper */
    double pull_at[2]; /* N, shares of the two poles */
    double pull_near;  /* N, part of the pull that the pole faces and their rims make; the rest,
                        * mostly a push, comes of the stray field and is known less well */
    double coenergy;   /* J */
    double linkage[2]; /* Wb turns, of each winding, signed with its own current sense */
    double inductance[2][2]; /* H, incremental: d linkage[i] / d current[j] */
    int iterations;          /* Newton steps used */
    double residual;         /* 1, unbalanced flux over the greatest flux; below MAGNET_TOLERANCE */
};

#define MAGNET_TOLERANCE 1e-9

struct magnet_workspace;

/* Makes the workspace of a thread; free it with magnet_workspace_free(). NULL if out of memory. */
struct magnet_workspace *magnet_workspace_create(void);
void magnet_workspace_free(struct magnet_workspace *w);

/* Checks every field of *m: STATUS_INPUT names the quantity, its value and the allowed range. */
enum status_code magnet_check(const struct magnet *m, struct status *st);

/* Solves the magnet with current[0], current[1] in A in the two windings, positive when the limb's
 * ampere-turns drive flux round the core the way of limb 1: equal signs aid, opposite signs
 * cancel. Any finite current to 1e4 A. Fails with STATUS_INPUT as magnet_check(), or STATUS_NUMERIC
 * with the reason; *r is then all NaN. */
enum status_code magnet_solve(struct magnet_workspace *w, const struct magnet *m,
                              const double current[2], struct magnet_result *r, struct status *st);

/* As magnet_solve(), after the current has been switched off: the iron, magnetised once to the
 * flux densities of *before (as it came from magnet_solve()), comes down its demagnetising line
 * from remanence towards coercive force. *pull is the residual pull in N. Fails as magnet_solve().
 */
enum status_code magnet_residual(struct magnet_workspace *w, const struct magnet *m,
                                 const struct magnet_result *before, double *pull,
                                 struct magnet_result *after, struct status *st);

/* A group of shorted turns on one limb, as the second circuit of a transformer. */
struct magnet_short {
    double self;     /* H, of the shorted turns */
    double mutual;   /* H, with the series winding carrying current in both limbs (sense applied) */
    double primary;  /* H, of the remaining series winding */
    double coupling; /* 1, |mutual| / sqrt(self primary), 0 to 1 */
    double low; /* H, inductance of the winding once the short carries its full counter-current:
                 * primary (1 - coupling^2) */
};

/* The incremental inductances of a series coil of both limbs (sense +1 aiding, -1 cancelling; bar:
 * limb 0 alone) with `turns` of limb `limb` shorted as one closed group at the fraction `where`
 * (0 foot end, 1 pole end) of its coil. turns above 0, below that limb's turns. Fails as
 * magnet_solve(). */
enum status_code magnet_shorted(struct magnet_workspace *w, const struct magnet *m, double current,
                                int sense, int limb, double turns, double where,
                                struct magnet_short *s, struct status *st);

/* Effective contact gap in m of two faces with arithmetic mean roughnesses ra1, ra2 (m, 0 to
 * 1 mm): faces touch on their highest points, so the mean surfaces stand apart by about the sum of
 * the peak heights, 3 to 4 Ra each for ground to turned faces (common practice, no source); here
 * 3.5 (ra1 + ra2). */
double magnet_contact_gap(double ra1, double ra2);

/* A short word for a part: "limb 1 foot", "keeper". */
const char *magnet_part_name(enum magnet_part part);

#endif
