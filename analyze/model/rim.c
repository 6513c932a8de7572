#include "analyze/model/rim.h"

#include <math.h>
#include <string.h>

#include "analyze/model/iron.h"

#define ANGLES 8

/* Over a wide plane the flank of a round pole carries this much mu0 more per metre of height than
 * the plane field of its edge, whatever the gap: found here with a boundary-element solution of a
 * round bar over a plane (2.2 to 2.5 for heights of 0.3 to 3 radii). */
#define FLANK_CURVATURE 2.3

/* What the rim of one face needs: flanks at a quarter of the first tip segment (up to there they
 * belong to the face), at its end, ..., and the keeper's own flank. */
struct edges {
    double gap, curvature;
    double cut[SHAPE_TIPS + 1];
    struct permeance_flank low, tip[SHAPE_TIPS], keeper;
};

/* Adds one stretch of the face's rim, `length` long, where the keeper reaches `overhang` beyond
 * the pole's edge (or the pole beyond the keeper's, if negative: then the keeper's flank, as high
 * as it is thick, plays the pole's part). */
static void add_rim(const struct edges *e, double length, double overhang, struct permeance *face,
                    struct permeance *tip, double *spill)
{
    struct permeance p = permeance_face_edge(e->gap, fabs(overhang));
    struct permeance low = permeance_edge(overhang < 0 ? &e->keeper : &e->low, fabs(overhang));
    int i;

    face->value += length * (p.value + low.value);
    face->slope += length * (p.slope + low.slope);
    if (overhang < 0) {
        /* it comes from the face, but from its flank where the two are flush */
        *spill += length * (p.value + low.value) * tanh(-overhang / e->gap);
        return;
    }
    for (i = 0; i < SHAPE_TIPS; i++) {
        double high = e->cut[i + 1], under = e->cut[i];

        if (!(high > under))
            continue;
        p = permeance_edge(&e->tip[i], overhang);
        tip[i].value +=
            length * (p.value - low.value +
                      e->curvature * (high - under) * overhang / (overhang + 0.5 * (high + under)));
        tip[i].slope += length * (p.slope - low.slope);
        low = p;
    }
}

/* cos and sin of angles evenly over a half circle, from the middle of each eighth. */
static const double around[ANGLES][2] = {
    {0.98078528040323043, 0.19509032201612828},  {0.83146961230254524, 0.55557023301960218},
    {0.55557023301960229, 0.83146961230254524},  {0.19509032201612833, 0.98078528040323043},
    {-0.19509032201612819, 0.98078528040323043}, {-0.55557023301960196, 0.83146961230254546},
    {-0.83146961230254535, 0.55557023301960218}, {-0.98078528040323043, 0.19509032201612861},
};

void rim_find(const struct magnet *m, int k, const double cut[SHAPE_SEGMENTS + 1], struct rim *r)
{
    const struct magnet_section face_section = shape_pole(&m->limb[k]), *pole = &face_section;
    double shoe = shape_shoe(&m->limb[k]);
    double gap = m->gap[k] + m->contact_gap;
    double half_keeper = shape_keeper_length(m) / 2, across = m->keeper.width / 2;
    double centre = m->form == MAGNET_U ? m->spacing / 2 : 0;
    double outer = half_keeper - centre;
    /* Inwards the keeper runs on; half way to the other pole the field is shared. */
    double inner = m->form == MAGNET_U ? centre : half_keeper;
    double length = shape_perimeter(pole);
    struct permeance *face = &r->face, *tip = r->tip;
    struct edges e = {.gap = gap};
    int i;

    memset(r, 0, sizeof *r);
    e.curvature = FLANK_CURVATURE * IRON_MU0 / length;
    /* a shoe has no flank beyond its own */
    for (i = 0; i <= SHAPE_TIPS; i++)
        e.cut[i] = shoe > 0 ? fmin(cut[i], shoe) : cut[i];
    e.low = permeance_flank(gap, e.cut[1] / 4);
    for (i = 0; i < SHAPE_TIPS; i++)
        e.tip[i] = permeance_flank(gap, e.cut[i + 1]);
    e.keeper = permeance_flank(gap, m->keeper.thickness);
    if (pole->outline == MAGNET_ROUND) {
        double radius = pole->width / 2;

        r->area = permeance_overlap(radius, inner, outer, across);
        for (i = 0; i < ANGLES; i++) {
            double c = around[i][0], d = around[i][1];
            double to_side = across / d, to_end = c > 0 ? outer / c : -inner / c;
            double edge = fmin(to_side, to_end);
            double arc = 2 * M_PI / ANGLES; /* both halves, y > 0 and y < 0 */

            if (edge >= radius)
                arc *= radius;
            else
                arc *= edge / (to_side < to_end ? d : fabs(c));
            add_rim(&e, arc, edge - radius, face, tip, &r->spill);
        }
    } else {
        double a = pole->width / 2, b = pole->depth / 2;
        double wide = fmin(a, inner) + fmin(a, outer), deep = 2 * fmin(b, across);

        r->area = wide * deep;
        add_rim(&e, deep, outer - a, face, tip, &r->spill);
        add_rim(&e, deep, inner - a, face, tip, &r->spill);
        add_rim(&e, 2 * wide, across - b, face, tip, &r->spill);
    }
    face->value += IRON_MU0 * r->area / gap;
    face->slope -= IRON_MU0 * r->area / (gap * gap);
}
