#include "analyze/model/magnet.h"

#include <float.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/model/circuit.h"
#include "analyze/model/permeance.h"
#include "analyze/model/solenoid.h"

/* Segments of a limb, counted from the pole. The first TIPS of them lie so near the keeper that
 * their coupling to it comes from the mapped field of an edge. */
#define SEGMENTS 5
#define TIPS     2
/* Charged bars of one half of the magnet: the limb's tip and up to FAR_BARS below it, half a
 * keeper, half a yoke. A bar must not be much shorter than it is thick, or thin bars say nothing
 * true. */
#define FAR_BARS    3
#define OPEN_BARS   6 /* the same for a pole without a keeper, whose bars are all alike */
#define KEEPER_BARS 2
#define YOKE_BARS   2
#define CAPS        2 /* flat ends in the open: a pole without a keeper, the foot of a bar */
#define BARS        (1 + OPEN_BARS + KEEPER_BARS + YOKE_BARS + CAPS) /* and a shoe */
#define ANGLES      8

/* Over a wide plane the flank of a round pole carries this much mu0 more per metre of height than
 * the plane field of its edge, whatever the gap: found here with a boundary-element solution of a
 * round bar over a plane (2.2 to 2.5 for heights of 0.3 to 3 radii). */
#define FLANK_CURVATURE 2.3

/* What geometry alone does not give a network of so few parts. Chosen once, so that the pull agrees
 * with a field solver over some eighty U magnets (tests/published/field); each has a meaning that
 * bounds it. */
#define TIP_REACH   1.0  /* widths down the limb that the mapped field of the rim reaches */
#define EVEN_REACH  0.6  /* widths that the limb's first bar is long, equal poles */
#define ODD_REACH   2.4  /* the same, opposite poles */
#define LEAST_BAR   1.5  /* radii that the limb's other bars are long at least */
#define EVEN_DEPTH  0.85 /* thicknesses above the keeper's underside at which its charge sits */
#define ODD_DEPTH   1.0
#define BAR_END     0.3    /* radii by which flat ends make keeper and yoke longer than they are */
#define SLEEVE_MOST 0.7    /* widths of the iron: winding beyond that is not reckoned with */
#define CAP_RING    0.7214 /* (1/sqrt(2 - sqrt 3) + 1/sqrt(2 + sqrt 3))/2 x 3 pi/16 */
#define CORNER      0.3    /* thicknesses of keeper and yoke that turning a corner takes */

/* Less air than an atom at a joint is none, and so weak a source none: beyond them the equations
 * are lost in rounding, or squares in underflow. */
#define JOINT_LEAST  1e-10
#define SOURCE_LEAST 1e-100

#define NONE (-1)

/* The stray field when the two halves of a magnet have equal (even) or opposite (odd) potentials.
 * A bar magnet has only the first. */
struct stray {
    int bars, limb_bars, keeper_bars;
    int pole_cap, foot_cap;                /* their bars, or NONE */
    int shoe;                              /* 1: the first bar of the limb is a shoe */
    double cut[OPEN_BARS + 2];             /* m below the pole face: bounds of the limb's bars */
    double share[OPEN_BARS + 1][SEGMENTS]; /* part of each limb bar that lies in each segment */
    double level[BARS];                    /* potential of a level bar in that above the limb */
    double charge[BARS][BARS];             /* flux out of each bar for the potential of each */
    double lift[BARS][BARS]; /* change of potential coefficients with the keeper's height */
    struct permeance own[KEEPER_BARS]; /* coupling of tip and keeper in this field */
};

/* Everything about the air that depends on the shape alone; kept between solves of one shape. */
struct shape {
    double spread[2]; /* per limb, how fast the stray potential falls with the logarithm of the
                       * distance from a limb's axis, in each stray field; of the surface's */
    double cut[SEGMENTS + 1]; /* m below the pole face: bounds of the segments */
    struct stray stray[2];
    struct permeance face[2];      /* the face with its rim */
    struct permeance tip[2][TIPS]; /* tip segment to own keeper half */
    double area[2];                /* face over keeper, m2 */
    double spill[2];               /* H, from the part of the face that the keeper leaves bare */
};

struct magnet_workspace {
    struct circuit circuit;
    struct shape shape;
    double key[32];
    int keys;
};

/* Where the parts of a magnet stand in the network. */
struct layout {
    int pole[2], segment[2][SEGMENTS], foot[2], keeper[2], yoke[2];
    int keeper_inside, yoke_inside;
    int limb_branch[2]; /* first of SEGMENTS + 1 branches, pole first */
    /* The space that a thick winding fills, per limb: H m of axial flux for the stray field along
     * this limb and along the other, and for the winding's own. */
    double along[2][2];
    double within[2]; /* of it all, for each turn of a winding, times turns per metre: H */
    int keeper_branch, yoke_branch;
    int limbs;
};

struct magnet_workspace *magnet_workspace_create(void)
{
    struct magnet_workspace *w = calloc(1, sizeof *w);

    if (w && circuit_open(&w->circuit, NULL)) {
        free(w);
        return NULL;
    }
    return w;
}

void magnet_workspace_free(struct magnet_workspace *w)
{
    if (w)
        circuit_close(&w->circuit);
    free(w);
}

const char *magnet_part_name(enum magnet_part part)
{
    static const char *const names[MAGNET_PARTS] = {"limb 1 foot", "limb 1 pole", "limb 2 foot",
                                                    "limb 2 pole", "yoke",        "keeper",
                                                    "gap 1",       "gap 2"};

    return (unsigned)part < MAGNET_PARTS ? names[part] : "?";
}

double magnet_contact_gap(double ra1, double ra2)
{
    return 3.5 * (ra1 + ra2);
}

/* ---- checks ---- */

static enum status_code check_range(const char *what, double value, double low, double high,
                                    const char *unit, double scale, struct status *st)
{
    if (value >= low && value <= high)
        return STATUS_OK;
    return status_fail(st, STATUS_INPUT, "%s is %g %s; allowed is %g to %g %s", what, value * scale,
                       unit, low * scale, high * scale, unit);
}

static enum status_code check_length(const char *what, double value, double low, double high,
                                     struct status *st)
{
    return check_range(what, value, low, high, "mm", 1e3, st);
}

static enum status_code check_scale(const char *what, double value, struct status *st)
{
    if (value == 0)
        return STATUS_OK;
    return check_range(what, value, 0.05, 20, "", 1, st);
}

static double half_width(const struct magnet_section *s)
{
    return s->width / 2;
}

static double half_depth(const struct magnet_section *s)
{
    return s->outline == MAGNET_ROUND ? s->width / 2 : s->depth / 2;
}

static double section_area(const struct magnet_section *s)
{
    return s->outline == MAGNET_ROUND ? M_PI / 4 * s->width * s->width : s->width * s->depth;
}

static double perimeter(const struct magnet_section *s)
{
    return s->outline == MAGNET_ROUND ? M_PI * s->width : 2 * (s->width + s->depth);
}

static struct magnet_section pole_of(const struct magnet_limb *l)
{
    return l->pole.width > 0 ? l->pole : l->section;
}

/* How thick a shoe is, as far as nobody says: as far as it stands out. 0 without one. */
static double shoe_thickness(const struct magnet_limb *l)
{
    const struct magnet_section pole = pole_of(l);
    double out = fmax(half_width(&pole) - half_width(&l->section),
                      half_depth(&pole) - half_depth(&l->section));

    /* less is a rounding of sizes */
    if (!(out > 1e-6 * l->section.width))
        return 0;
    return fmin(out, 0.3 * l->length);
}

static double section_radius(const struct magnet_section *s)
{
    return s->outline == MAGNET_ROUND ? s->width / 2 : permeance_bar_radius(s->width, s->depth);
}

static enum status_code check_limb(const struct magnet_limb *l, int k, struct status *st)
{
    char what[64];
    const char *n = k ? "limb 2" : "limb 1";
    enum status_code code;

#define CHECK(call)                                                                                \
    do {                                                                                           \
        code = (call);                                                                             \
        if (code)                                                                                  \
            return code;                                                                           \
    } while (0)
#define NAME(text) (snprintf(what, sizeof what, "%s of %s", text, n), what)

    if (l->section.outline != MAGNET_ROUND && l->section.outline != MAGNET_RECTANGLE)
        return status_fail(st, STATUS_INPUT, "outline of %s is %d; allowed are round and rectangle",
                           n, (int)l->section.outline);
    CHECK(check_length(NAME("width"), l->section.width, 0.5e-3, 0.5, st));
    if (l->section.outline == MAGNET_RECTANGLE)
        CHECK(check_length(NAME("depth"), l->section.depth, 0.5e-3, 0.5, st));
    CHECK(check_length(NAME("length"), l->length, 1e-3, 1.0, st));
    CHECK(check_range(NAME("turns"), l->turns, 0, 1e6, "turns", 1, st));
    CHECK(check_length(NAME("start of the coil"), l->coil_start, 0, l->length, st));
    CHECK(check_length(NAME("end of the coil"), l->coil_end, 0, l->length, st));
    if (l->pole.width != 0) {
        if (l->pole.outline != l->section.outline)
            return status_fail(st, STATUS_INPUT, "the pole of %s has not the outline of the limb",
                               n);
        CHECK(check_length(NAME("width of the pole"), l->pole.width, 0.5e-3, 0.5, st));
        if (l->pole.outline == MAGNET_RECTANGLE)
            CHECK(check_length(NAME("depth of the pole"), l->pole.depth, 0.5e-3, 0.5, st));
    }
    CHECK(check_length(NAME("clearance under the coil"), l->coil_clearance, 0, 0.5, st));
    CHECK(check_length(NAME("height of the coil"), l->coil_height, 0, 0.5, st));
    if (!(l->coil_end > l->coil_start) && !(l->coil_end == 0 && l->coil_start == 0))
        return status_fail(
            st, STATUS_INPUT,
            "the coil of %s ends at %g mm from the foot; it must end beyond its start "
            "at %g mm",
            n, l->coil_end * 1e3, l->coil_start * 1e3);
    if (!l->iron)
        return status_fail(st, STATUS_INPUT, "the iron of %s is not named", n);
    CHECK(check_scale(NAME("field scale"), l->h_scale, st));
    return STATUS_OK;
}

enum status_code magnet_check(const struct magnet *m, struct status *st)
{
    int limbs = m->form == MAGNET_U ? 2 : 1, k;
    enum status_code code;

    if (m->form != MAGNET_BAR && m->form != MAGNET_U)
        return status_fail(st, STATUS_INPUT, "form of the magnet is %d; allowed are bar and U",
                           (int)m->form);
    for (k = 0; k < limbs; k++)
        CHECK(check_limb(&m->limb[k], k, st));
    if (m->form == MAGNET_U) {
        const struct magnet_section a = pole_of(&m->limb[0]), b = pole_of(&m->limb[1]);
        double touching = half_width(&m->limb[0].section) + half_width(&m->limb[1].section);
        double poles = half_width(&a) + half_width(&b);

        CHECK(check_length("spacing of the limbs", m->spacing, 1.02 * touching, 2.0, st));
        CHECK(check_length("spacing of the limbs with such pole faces", m->spacing, 1.02 * poles,
                           2.0, st));
        if (!m->yoke.bent) {
            CHECK(check_length("width of the yoke", m->yoke.width, 0.5e-3, 0.5, st));
            CHECK(check_length("thickness of the yoke", m->yoke.thickness, 0.5e-3, 0.5, st));
            if (m->yoke.length != 0)
                CHECK(check_length("length of the yoke", m->yoke.length, m->spacing, 3.0, st));
            CHECK(check_length("joint gap of the yoke", m->yoke.joint_gap, 0, 5e-3, st));
        }
        CHECK(check_scale("field scale of the yoke", m->yoke.h_scale, st));
    }
    CHECK(check_length("contact gap", m->contact_gap, 0, 1e-3, st));
    if (m->keeper.present) {
        CHECK(check_length("width of the keeper", m->keeper.width, 0.5e-3, 0.5, st));
        CHECK(check_length("thickness of the keeper", m->keeper.thickness, 0.1e-3, 0.5, st));
        if (m->keeper.length != 0)
            CHECK(check_length("length of the keeper", m->keeper.length,
                               m->form == MAGNET_U ? m->spacing : 0.5e-3, 3.0, st));
        CHECK(check_scale("field scale of the keeper", m->keeper.h_scale, st));
        for (k = 0; k < limbs; k++) {
            CHECK(check_length(k ? "gap at pole 2" : "gap at pole 1", m->gap[k], 0, 0.1, st));
            CHECK(
                check_length(k ? "gap and contact gap at pole 2" : "gap and contact gap at pole 1",
                             m->gap[k] + m->contact_gap, 0.1e-6, 0.101, st));
        }
    }
    return status_ok(st);
}

/* ---- the air of a shape ---- */

static double mean(double a, double b, int limbs)
{
    return limbs == 2 ? 0.5 * (a + b) : a;
}

static double keeper_length(const struct magnet *m)
{
    double spacing = m->form == MAGNET_U ? m->spacing : 0;

    if (m->keeper.length > 0)
        return m->keeper.length;
    return spacing +
           mean(m->limb[0].section.width, m->limb[1].section.width, m->form == MAGNET_U ? 2 : 1);
}

static double yoke_length(const struct magnet *m)
{
    if (m->yoke.length > 0)
        return m->yoke.length;
    return m->spacing + mean(m->limb[0].section.width, m->limb[1].section.width, 2);
}

/* What the rim of one face needs: flanks at a quarter of the first tip segment (up to there they
 * belong to the face), at its end, ..., and the keeper's own flank. */
struct rim {
    double gap, curvature;
    double cut[TIPS + 1];
    struct permeance_flank low, tip[TIPS], keeper;
};

/* Adds one stretch of the face's rim, `length` long, where the keeper reaches `overhang` beyond
 * the pole's edge (or the pole beyond the keeper's, if negative: then the keeper's flank, as high
 * as it is thick, plays the pole's part). */
static void add_rim(const struct rim *rim, double length, double overhang, struct permeance *face,
                    struct permeance *tip, double *spill)
{
    struct permeance p = permeance_face_edge(rim->gap, fabs(overhang));
    struct permeance low = permeance_edge(overhang < 0 ? &rim->keeper : &rim->low, fabs(overhang));
    int i;

    face->value += length * (p.value + low.value);
    face->slope += length * (p.slope + low.slope);
    if (overhang < 0) {
        /* it comes from the face, but from its flank where the two are flush */
        *spill += length * (p.value + low.value) * tanh(-overhang / rim->gap);
        return;
    }
    for (i = 0; i < TIPS; i++) {
        double high = rim->cut[i + 1], under = rim->cut[i];

        if (!(high > under))
            continue;
        p = permeance_edge(&rim->tip[i], overhang);
        tip[i].value += length * (p.value - low.value +
                                  rim->curvature * (high - under) * overhang /
                                      (overhang + 0.5 * (high + under)));
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

static void near_field(const struct magnet *m, int k, struct shape *s)
{
    const struct magnet_section face_section = pole_of(&m->limb[k]), *pole = &face_section;
    double shoe = shoe_thickness(&m->limb[k]);
    double gap = m->gap[k] + m->contact_gap;
    double half_keeper = keeper_length(m) / 2, across = m->keeper.width / 2;
    double centre = m->form == MAGNET_U ? m->spacing / 2 : 0;
    double outer = half_keeper - centre;
    /* Inwards the keeper runs on; half way to the other pole the field is shared. */
    double inner = m->form == MAGNET_U ? centre : half_keeper;
    double length = perimeter(pole);
    struct permeance *face = &s->face[k], *tip = s->tip[k];
    struct rim rim = {.gap = gap};
    int i;

    s->spill[k] = 0;
    memset(face, 0, sizeof *face);
    memset(tip, 0, TIPS * sizeof *tip);
    rim.curvature = FLANK_CURVATURE * IRON_MU0 / length;
    /* a shoe has no flank beyond its own */
    for (i = 0; i <= TIPS; i++)
        rim.cut[i] = shoe > 0 ? fmin(s->cut[i], shoe) : s->cut[i];
    rim.low = permeance_flank(gap, rim.cut[1] / 4);
    for (i = 0; i < TIPS; i++)
        rim.tip[i] = permeance_flank(gap, rim.cut[i + 1]);
    rim.keeper = permeance_flank(gap, m->keeper.thickness);
    if (pole->outline == MAGNET_ROUND) {
        double r = pole->width / 2;

        s->area[k] = permeance_overlap(r, inner, outer, across);
        for (i = 0; i < ANGLES; i++) {
            double c = around[i][0], d = around[i][1];
            double to_side = across / d, to_end = c > 0 ? outer / c : -inner / c;
            double edge = fmin(to_side, to_end);
            double arc = 2 * M_PI / ANGLES; /* both halves, y > 0 and y < 0 */

            if (edge >= r)
                arc *= r;
            else
                arc *= edge / (to_side < to_end ? d : fabs(c));
            add_rim(&rim, arc, edge - r, face, tip, &s->spill[k]);
        }
    } else {
        double a = pole->width / 2, b = pole->depth / 2;
        double wide = fmin(a, inner) + fmin(a, outer), deep = 2 * fmin(b, across);

        s->area[k] = wide * deep;
        add_rim(&rim, deep, outer - a, face, tip, &s->spill[k]);
        add_rim(&rim, deep, inner - a, face, tip, &s->spill[k]);
        add_rim(&rim, 2 * wide, across - b, face, tip, &s->spill[k]);
    }
    face->value += IRON_MU0 * s->area[k] / gap;
    face->slope -= IRON_MU0 * s->area[k] / (gap * gap);
}

/* Cholesky factor of a (n by n) in l, its diagonal inverted. False if a is not positive definite.
 */
static bool split(double a[BARS][BARS], double l[BARS][BARS], int n)
{
    int i, j, k;

    for (i = 0; i < n; i++) {
        for (j = 0; j <= i; j++) {
            double s = a[i][j];

            for (k = 0; k < j; k++)
                s -= l[i][k] * l[j][k];
            if (i == j) {
                if (!(s > 0))
                    return false;
                l[i][i] = 1 / sqrt(s);
            } else {
                l[i][j] = s * l[j][j];
            }
        }
    }
    return true;
}

/* Inverts the symmetric positive matrix a (n by n) in place. False, and a as it was, if it is not
 * positive. */
static bool invert(double a[BARS][BARS], int n)
{
    double l[BARS][BARS];
    int i, j, k;

    if (!split(a, l, n))
        return false;
    /* inverse of the lower triangle, then its square */
    for (i = 0; i < n; i++)
        for (j = 0; j < i; j++) {
            double s = 0;

            for (k = j; k < i; k++)
                s -= l[i][k] * (k == j ? l[j][j] : l[k][j]);
            l[i][j] = s * l[i][i];
        }
    for (i = 0; i < n; i++)
        for (j = 0; j <= i; j++) {
            double s = 0;

            for (k = i; k < n; k++)
                s += l[k][i] * l[k][j];
            a[i][j] = a[j][i] = s;
        }
    return true;
}

/* Cuts the limb into segments. */
static void cut_limb(struct shape *s, double length, double width)
{
    double reach = fmin(TIP_REACH * width, 0.4 * length);
    int i;

    s->cut[0] = 0;
    s->cut[1] = 0.3 * reach;
    for (i = TIPS; i <= SEGMENTS; i++)
        s->cut[i] = reach + (length - reach) * (i - TIPS) / (SEGMENTS - TIPS);
}

/* Cuts the limb into bars for one stray field. */
static void cut_bars(const struct shape *s, struct stray *f, bool keeper, double shoe, double reach,
                     double radius)
{
    double length = s->cut[SEGMENTS], low, high, *cut;
    int n, i, j;

    f->shoe = shoe > 0;
    f->cut[0] = 0;
    cut = f->cut + f->shoe;
    *cut = shoe;
    if (keeper) {
        reach = fmin(fmax(reach, 1.5 * shoe), 0.6 * length);
        n = (int)fmin(fmax(floor((length - reach) / (LEAST_BAR * radius)), 1), FAR_BARS);
        for (i = 0; i <= n; i++)
            cut[i + 1] = reach + (length - reach) * i / n;
        n++;
    } else {
        n = (int)fmin(fmax(floor((length - shoe) / radius), 1), OPEN_BARS);
        for (i = 0; i < n; i++)
            cut[i + 1] = shoe + (length - shoe) * (i + 1) / n;
    }
    f->limb_bars = f->shoe + n;
    for (i = 0; i < f->limb_bars; i++) {
        for (j = 0; j < SEGMENTS; j++) {
            low = fmax(f->cut[i], s->cut[j]);
            high = fmin(f->cut[i + 1], s->cut[j + 1]);
            f->share[i][j] = fmax(high - low, 0) / (f->cut[i + 1] - f->cut[i]);
        }
    }
}

static double pole_radius(const struct magnet *m)
{
    const struct magnet_section a = pole_of(&m->limb[0]), b = pole_of(&m->limb[1]);

    return mean(section_radius(&a), section_radius(&b), m->form == MAGNET_U ? 2 : 1);
}

/* A flat end as a bar of next to no length: charge spread evenly over a disc has a mean potential
 * of 16/(3 pi radius), which two rings of CAP_RING of its radius have as permeance_bars() takes
 * them. */
static struct permeance_bar cap(const struct magnet_section *s, double at, double height)
{
    double r = sqrt(section_area(s) / M_PI);

    return (struct permeance_bar){1, at, height - 0.005 * r, height + 0.005 * r, CAP_RING * r};
}

/* The bars of one half for potentials of that parity (0 even, 1 odd): limb first (from the pole
 * down), then keeper, then yoke. Returns how many. */
static int lay_bars(const struct magnet *m, struct stray *f, int parity, struct permeance_bar *bar)
{
    int limbs = m->form == MAGNET_U ? 2 : 1, n = 0, i;
    double length = mean(m->limb[0].length, m->limb[1].length, limbs);
    double radius =
        mean(section_radius(&m->limb[0].section), section_radius(&m->limb[1].section), limbs);
    double half = m->form == MAGNET_U ? m->spacing / 2 : 0;
    const struct magnet_section pole = pole_of(&m->limb[0]);

    for (i = 0; i < f->limb_bars; i++)
        bar[n++] = (struct permeance_bar){1, half, length - f->cut[i + 1], length - f->cut[i],
                                          i < f->shoe ? pole_radius(m) : radius};
    if (m->keeper.present) {
        double gap = mean(m->gap[0], m->gap[1], limbs) + m->contact_gap;
        /* charge like that of the limbs sits on the far side of the keeper, opposite on the near */
        double z = length + gap + m->keeper.thickness * (parity ? ODD_DEPTH : EVEN_DEPTH);
        double r = permeance_bar_radius(m->keeper.width, m->keeper.thickness);
        double end = keeper_length(m) / 2 + BAR_END * r;

        if (limbs == 2) {
            bar[n++] = (struct permeance_bar){0, z, 0, 0.6 * end, r};
            bar[n++] = (struct permeance_bar){0, z, 0.6 * end, end, r};
        } else {
            bar[n++] = (struct permeance_bar){0, z, -end, end, r};
        }
    }
    f->keeper_bars = n - f->limb_bars;
    if (limbs == 2 && m->yoke.bent) {
        /* half an arc as a level and an upright piece of its length */
        bar[n++] = (struct permeance_bar){0, -0.9 * half, 0, 0.75 * half, radius};
        bar[n++] = (struct permeance_bar){1, 0.93 * half, -0.75 * half, 0, radius};
    } else if (limbs == 2) {
        double z = -m->yoke.thickness / 2;
        double r = permeance_bar_radius(m->yoke.width, m->yoke.thickness);
        double end = yoke_length(m) / 2 + BAR_END * r;

        bar[n++] = (struct permeance_bar){0, z, 0, 0.6 * end, r};
        bar[n++] = (struct permeance_bar){0, z, 0.6 * end, end, r};
    }
    f->pole_cap = f->foot_cap = NONE;
    if (!m->keeper.present)
        bar[f->pole_cap = n++] = cap(&pole, half, length);
    if (limbs == 1)
        bar[f->foot_cap = n++] = cap(&m->limb[0].section, half, 0);
    return n;
}

/* The bars of the other half. Two round limbs side by side push their charges apart when alike, and
 * draw them together when opposite, as if the axes stood elsewhere: opposite, the distance of the
 * line charges of two cylinders is r exp(acosh(spacing / 2r)); alike, each is polarised by the
 * field of the other, which lowers the energy as the distance spacing exp((r / spacing)^2) does (4
 * % high where they touch: there the map of two tangent circles has pi^2 r / 4). */
static void mirror_bars(const struct magnet *m, const struct stray *f, int parity,
                        const struct permeance_bar *bar, struct permeance_bar *mirrored)
{
    int i;

    for (i = 0; i < f->bars; i++) {
        double x = bar[i].at, r = bar[i].radius, d = m->spacing, near;

        mirrored[i] = bar[i];
        if (!bar[i].upright) {
            mirrored[i].a = -bar[i].b;
            mirrored[i].b = -bar[i].a;
            continue;
        }
        mirrored[i].at = -x;
        if ((i < f->limb_bars || i == f->pole_cap) && d > 2 * r) {
            near = parity ? r * exp(acosh(d / (2 * r))) : d * exp(r * r / (d * d));
            /* less what permeance_bars() adds for the radius */
            mirrored[i].at = x - sqrt(fmax(near * near - r * r, 0));
        }
    }
}

/* The mean potential along a level bar of one half, zero in the middle of the magnet, rising evenly
 * to 1 at the limb and 1 beyond it. */
static double mean_level(const struct permeance_bar *bar, double limb)
{
    double inside = fmin(bar->b, limb), sum = 0;

    if (bar->a < inside)
        sum = 0.5 * (inside * inside - bar->a * bar->a) / limb;
    if (bar->b > limb)
        sum += bar->b - fmax(bar->a, limb);
    return sum / (bar->b - bar->a);
}

static bool find_stray(const struct magnet *m, struct stray *f, int parity)
{
    const double unit = 1 / (4 * M_PI * IRON_MU0);
    struct permeance_bar bar[BARS], mirrored[BARS];
    double potential[BARS][BARS], share = 1;
    int i, j, k;

    f->bars = lay_bars(m, f, parity, bar);
    for (i = 0; i < f->bars; i++)
        f->level[i] = parity && !bar[i].upright ? mean_level(&bar[i], m->spacing / 2) : 1;
    if (m->form == MAGNET_U)
        mirror_bars(m, f, parity, bar, mirrored);
    for (i = 0; i < f->bars; i++) {
        for (j = 0; j <= i; j++) {
            bool moves = i >= f->limb_bars && i < f->limb_bars + f->keeper_bars;
            bool other = j >= f->limb_bars && j < f->limb_bars + f->keeper_bars;
            bool want = moves != other;
            double lift = 0, more = 0, p, q;

            p = permeance_bars(&bar[i], &bar[j], want ? &lift : NULL);
            if (m->form == MAGNET_U) {
                q = permeance_bars(&bar[i], &mirrored[j], want ? &more : NULL);
                p += parity ? -q : q;
                lift += parity ? -more : more;
            }
            f->charge[i][j] = f->charge[j][i] = unit * p;
            potential[i][j] = potential[j][i] = unit * p;
            /* the derivative is with j rising; a rising i is j sinking */
            f->lift[i][j] = f->lift[j][i] = moves ? -unit * lift : unit * lift;
        }
    }
    /* Limbs shorter than thick and the like can ask more of thin bars than they can say: then what
     * the bars do to each other is taken less until the energy is positive. */
    while (!invert(f->charge, f->bars)) {
        share *= 0.8;
        if (!(share > 1e-6))
            return false;
        for (i = 0; i < f->bars; i++) {
            for (j = 0; j < f->bars; j++) {
                f->charge[i][j] = potential[i][j] * (i == j ? 1 : share);
                f->lift[i][j] *= 0.8;
            }
        }
    }
    /* The bars' own coupling of a tip and its half of the keeper, which gives way to the mapped
     * one: the matrix of charges c changes by -c (change of p) c. */
    for (k = 0; k < f->keeper_bars; k++) {
        const double *c = f->charge[f->limb_bars + k];

        f->own[k] = (struct permeance){-c[0], 0};
        for (i = 0; i < f->bars; i++)
            for (j = 0; j < f->bars; j++)
                f->own[k].slope += f->charge[0][i] * f->lift[i][j] * c[j];
    }
    return true;
}

/* Whether the charges stay those of a positive energy when that share of the own coupling of tip
 * and keeper is taken out. */
static bool own_fits(const struct stray *f, double share)
{
    double a[BARS][BARS], l[BARS][BARS];
    int k;

    memcpy(a, f->charge, sizeof a);
    for (k = 0; k < f->keeper_bars; k++) {
        int b = f->limb_bars + k;
        double own = share * f->own[k].value;

        a[0][0] -= own;
        a[b][b] -= own;
        a[0][b] += own;
        a[b][0] += own;
    }
    return split(a, l, f->bars);
}

/* Makes the own coupling the same in both fields, and no greater than they can lose. Half the sum
 * is a tip with its own half of the keeper; half the difference, a tip with the other half, stays.
 */
static void settle_own(struct stray *f, int limbs)
{
    double share = 1;
    int k, p;

    for (k = 0; limbs == 2 && k < f[0].keeper_bars; k++) {
        struct permeance *even = &f[0].own[k], *odd = &f[1].own[k];

        even->value = odd->value = 0.5 * (even->value + odd->value);
        even->slope = odd->slope = 0.5 * (even->slope + odd->slope);
    }
    /* only shapes nobody winds need less */
    while (share > 0.01 && !(own_fits(&f[0], share) && (limbs == 1 || own_fits(&f[1], share))))
        share *= 0.7;
    if (!(share > 0.01))
        share = 0;
    for (p = 0; p < limbs; p++) {
        for (k = 0; k < f[p].keeper_bars; k++) {
            f[p].own[k].value *= share;
            f[p].own[k].slope *= share;
        }
    }
}

static bool same_section(const struct magnet_section *a, const struct magnet_section *b)
{
    return a->outline == b->outline && a->width == b->width &&
           (a->outline == MAGNET_ROUND || a->depth == b->depth);
}

/* A limb that sends out the flux p u per metre at potential u has round it the radial field of a
 * line charge: u (1 - p / (2 pi mu0) log(r / radius)). */
static void find_spread(struct shape *s, int limbs, double length)
{
    int k, i, j;

    for (k = 0; k < limbs; k++) {
        const struct stray *f = &s->stray[k];
        double sum = 0;

        for (i = f->shoe; i < f->limb_bars; i++)
            for (j = f->shoe; j < f->limb_bars; j++)
                sum += f->charge[i][j];
        s->spread[k] = fmax(sum, 0) / (2 * M_PI * IRON_MU0 * length);
    }
    if (limbs == 1)
        s->spread[1] = s->spread[0];
}

static enum status_code find_shape(const struct magnet *m, struct shape *s, struct status *st)
{
    int limbs = m->form == MAGNET_U ? 2 : 1, k;
    double length = mean(m->limb[0].length, m->limb[1].length, limbs);
    double width = mean(half_width(&m->limb[0].section) + half_depth(&m->limb[0].section),
                        half_width(&m->limb[1].section) + half_depth(&m->limb[1].section), limbs);
    double radius =
        mean(section_radius(&m->limb[0].section), section_radius(&m->limb[1].section), limbs);
    double shoe =
        mean(shoe_thickness(&m->limb[0]), limbs == 2 ? shoe_thickness(&m->limb[1]) : 0, limbs);

    cut_limb(s, length, width);
    for (k = 0; k < limbs; k++) {
        cut_bars(s, &s->stray[k], m->keeper.present, shoe, (k ? ODD_REACH : EVEN_REACH) * width,
                 radius);
        if (!find_stray(m, &s->stray[k], k))
            return status_fail(st, STATUS_NUMERIC,
                               "the proportions of this magnet are too extreme for its stray field "
                               "to be found: limb %g mm long and %g mm wide",
                               length * 1e3, width * 1e3);
    }
    find_spread(s, limbs, length);
    if (m->keeper.present)
        settle_own(s->stray, limbs);
    if (m->keeper.present) {
        near_field(m, 0, s);
        if (limbs == 2 && m->gap[0] == m->gap[1] &&
            same_section(&m->limb[0].section, &m->limb[1].section) &&
            same_section(&m->limb[0].pole, &m->limb[1].pole)) {
            s->face[1] = s->face[0];
            memcpy(s->tip[1], s->tip[0], sizeof s->tip[0]);
            s->area[1] = s->area[0];
            s->spill[1] = s->spill[0];
        } else if (limbs == 2) {
            near_field(m, 1, s);
        }
    }
    return STATUS_OK;
}

/* The inputs that the air depends on, to know a shape again. */
static int shape_key(const struct magnet *m, double *key)
{
    int n = 0, k;

    key[n++] = m->form;
    for (k = 0; k < (m->form == MAGNET_U ? 2 : 1); k++) {
        const struct magnet_limb *l = &m->limb[k];

        key[n++] = l->section.outline;
        key[n++] = l->section.width;
        key[n++] = l->section.outline == MAGNET_ROUND ? 0 : l->section.depth;
        key[n++] = l->pole.width;
        key[n++] = l->pole.width == 0 || l->pole.outline == MAGNET_ROUND ? 0 : l->pole.depth;
        key[n++] = l->length;
        key[n++] = m->gap[k];
    }
    key[n++] = m->contact_gap;
    key[n++] = m->keeper.present;
    if (m->keeper.present) {
        key[n++] = m->keeper.length;
        key[n++] = m->keeper.width;
        key[n++] = m->keeper.thickness;
    }
    if (m->form == MAGNET_U) {
        key[n++] = m->spacing;
        key[n++] = m->yoke.bent;
        key[n++] = m->yoke.bent ? 0 : m->yoke.length;
        key[n++] = m->yoke.bent ? 0 : m->yoke.width;
        key[n++] = m->yoke.bent ? 0 : m->yoke.thickness;
    }
    return n;
}

/* ---- the network ---- */

static double scale_of(double h_scale)
{
    return h_scale == 0 ? 1 : h_scale;
}

/* The turns of limb l between heights low and high above its foot. */
static double turns_between(const struct magnet_limb *l, double low, double high)
{
    double start = l->coil_start, end = l->coil_end;

    if (start == 0 && end == 0)
        end = l->length;
    low = fmax(low, start);
    high = fmin(high, end);
    return high > low ? l->turns * (high - low) / (end - start) : 0;
}

/* Heights above the foot between which limb branch i (0 at the pole) runs. */
static void branch_span(const struct shape *s, double length, int i, double *low, double *high)
{
    double stretch = length / s->cut[SEGMENTS]; /* limbs of unequal length share one cut */

    *high = length - stretch * (i == 0 ? 0 : 0.5 * (s->cut[i - 1] + s->cut[i]));
    *low =
        length - stretch * (i == SEGMENTS ? s->cut[SEGMENTS] : 0.5 * (s->cut[i] + s->cut[i + 1]));
}

/* How the bars of one stray field weigh on the nodes: bar i has the potential, and shares out the
 * charge, of these nodes. The odd field takes the two halves with opposite signs. */
struct weights {
    int n[BARS], node[BARS][2 * SEGMENTS];
    double weight[BARS][2 * SEGMENTS];
};

static void weigh_bars(const struct layout *at, const struct shape *s, int parity,
                       struct weights *w)
{
    const struct stray *f = &s->stray[parity];
    int i, j, k;

    for (i = 0; i < f->bars; i++) {
        w->n[i] = 0;
        for (k = 0; k < at->limbs; k++) {
            /* even and odd parts are half the sum and half the difference */
            double part = at->limbs == 1 ? 1 : k && parity ? -0.5 : 0.5;

            if (i >= f->limb_bars) {
                w->node[i][w->n[i]] = i == f->pole_cap                    ? at->pole[k]
                                      : i == f->foot_cap                  ? at->foot[k]
                                      : i < f->limb_bars + f->keeper_bars ? at->keeper[k]
                                                                          : at->yoke[k];
                w->weight[i][w->n[i]++] = part * f->level[i];
                continue;
            }
            if (i < f->shoe) {
                w->node[i][w->n[i]] = at->pole[k];
                w->weight[i][w->n[i]++] = part;
                continue;
            }
            for (j = 0; j < SEGMENTS; j++) {
                if (f->share[i][j] > 0) {
                    w->node[i][w->n[i]] = at->segment[k][j];
                    w->weight[i][w->n[i]++] = part * f->share[i][j];
                }
            }
        }
    }
}

static double bar_potential(const struct weights *w, const double *u, int i)
{
    double sum = 0;
    int a;

    for (a = 0; a < w->n[i]; a++)
        sum += w->weight[i][a] * u[w->node[i][a]];
    return sum;
}

/* Adds one stray field to the network, with as many halves as there are limbs. The coupling of tip
 * and keeper is taken out again: the mapped one stands in its place. */
static void add_stray(struct circuit *c, const struct shape *s, const struct layout *at, int parity)
{
    const struct stray *f = &s->stray[parity];
    double row[BARS][CIRCUIT_NODES], tip[CIRCUIT_NODES];
    struct weights w;
    int i, j, a, b;

    weigh_bars(at, s, parity, &w);
    for (i = 0; i < f->bars; i++) {
        for (b = 0; b < c->nodes; b++)
            row[i][b] = 0;
        for (j = 0; j < f->bars; j++)
            for (a = 0; a < w.n[j]; a++)
                row[i][w.node[j][a]] += f->charge[i][j] * w.weight[j][a];
        for (a = 0; a < w.n[i]; a++)
            for (b = 0; b < c->nodes; b++)
                c->air[w.node[i][a]][b] += at->limbs * w.weight[i][a] * row[i][b];
    }
    if (f->keeper_bars == 0)
        return;
    for (i = f->limb_bars; i < f->limb_bars + f->keeper_bars; i++) {
        double own = at->limbs * f->own[i - f->limb_bars].value;

        memset(tip, 0, sizeof tip);
        for (a = 0; a < w.n[0]; a++)
            tip[w.node[0][a]] += w.weight[0][a];
        for (a = 0; a < w.n[i]; a++)
            tip[w.node[i][a]] -= w.weight[i][a];
        for (a = 0; a < c->nodes; a++)
            if (tip[a] != 0)
                for (b = 0; b < c->nodes; b++)
                    c->air[a][b] -= own * tip[a] * tip[b];
    }
}

/* A keeper or yoke of that length between the middles of two limbs, `width` wide. Over a limb its
 * flux grows evenly from nothing to all, so what is lost there, averaged over the limb, is the
 * integral of x H(x B) width for x from 0 to 1, taken by the two-point rule for that weight (points
 * 0.355 and 0.845, weights 0.182 and 0.318): the second point as iron of greater section, the
 * first, which never saturates, as a little more length of the middle. */
static void add_bridge(struct circuit *c, int from, int to, int inside, const struct iron *iron,
                       double h_scale, double area, double length, double width)
{
    circuit_iron(c, from, inside, iron, h_scale, area,
                 length - width + 2 * 0.18196 * 0.35505 * width, 0);
    circuit_iron(c, inside, to, iron, h_scale, area / 0.84495, 2 * 0.31804 * width, 0);
}

/* The network takes a winding for a thin sheet on the iron: just outside it the field along the
 * limb is H = du/dz, the rise of the stray potential, which at a distance falls off as that does,
 * by psi. In a winding some way off and of some height a share f of its n ampere-turns per metre
 * lies inside the radius r, so that the field there is psi H + (1 - f) n. To first order the
 * coenergy changes by mu0 n H times the integral of (1 - f) psi over the section and mu0 n^2 / 2
 * times that of (1 - f)^2. Here these two integrals, psi for the even and the odd stray field. A
 * winding much higher than its iron is wide is more than a first order can say. */
static void sleeve_areas(const struct magnet_limb *l, double room, const double spread[2],
                         double along[2], double *within)
{
    static const double point[3] = {0.11270166537925831, 0.5, 0.88729833462074169};
    static const double weight[3] = {5.0 / 18, 8.0 / 18, 5.0 / 18};
    double round = perimeter(&l->section),
           most = fmin(SLEEVE_MOST * sqrt(section_area(&l->section)), room);
    int layer, i, k;

    along[0] = along[1] = *within = 0;
    for (layer = 0; layer < 2; layer++) {
        double start = layer ? fmin(l->coil_clearance, most) : 0;
        double high = fmin(layer ? l->coil_height : l->coil_clearance, most - start);

        for (i = 0; i < 3; i++) {
            double out = start + point[i] * high, free = layer ? 1 - point[i] : 1;
            double area = weight[i] * high * (round + 2 * M_PI * out);
            double fall = log1p(2 * M_PI * out / round);

            for (k = 0; k < 2; k++)
                along[k] += area * free * fmax(1 - spread[k] * fall, 0);
            *within += area * free * free;
        }
    }
}

/* Turns per metre of a winding. */
static double density(const struct magnet_limb *l)
{
    double span = l->coil_end > 0 ? l->coil_end - l->coil_start : l->length;

    return l->turns / span;
}

static void find_sleeves(const struct magnet *m, const struct shape *s, struct layout *at)
{
    int k, i;

    for (k = 0; k < at->limbs; k++) {
        double along[2], within, room = INFINITY;

        /* a winding ends at the other's place, whatever it is said to be */
        if (at->limbs == 2)
            room = 0.5 * m->spacing - half_width(&m->limb[k].section);
        sleeve_areas(&m->limb[k], fmax(room, 0), s->spread, along, &within);
        /* potentials of this limb and the other as half the sum and half the difference */
        at->along[k][0] = IRON_MU0 * (at->limbs == 2 ? 0.5 * (along[0] + along[1]) : along[0]);
        at->along[k][1] = IRON_MU0 * (at->limbs == 2 ? 0.5 * (along[0] - along[1]) : 0);
        at->within[k] = 0;
        for (i = 0; i <= SEGMENTS && m->limb[k].turns > 0; i++) {
            double low, high, turns, open;

            branch_span(s, m->limb[k].length, i, &low, &high);
            turns = turns_between(&m->limb[k], low, high);
            /* where a branch is wound over a part only, H beside the winding is steeper than the
             * branch's mean by that which the iron does not spend */
            open = 1 - turns / density(&m->limb[k]) / (high - low);
            at->within[k] +=
                turns * density(&m->limb[k]) * (IRON_MU0 * within - 2 * at->along[k][0] * open);
        }
    }
}

/* What each limb branch carries beside its iron for sources mmf[branch]. */
static void sleeve_offsets(const struct layout *at, const struct circuit *c, const double *mmf,
                           double *offset)
{
    int k, i;

    memset(offset, 0, sizeof *offset * (size_t)c->branches);
    for (k = 0; k < at->limbs; k++) {
        for (i = 0; i <= SEGMENTS; i++) {
            int n = at->limb_branch[k] + i;
            double slope = mmf[n] / c->branch[n].length;

            offset[n] += at->along[k][0] * slope;
            if (at->limbs == 2)
                offset[at->limb_branch[1 - k] + i] += at->along[k][1] * slope;
        }
    }
}

/* Flux that branch i of limb k's winding links beside the iron, from potentials u alone. */
static double sleeve_flux(const struct layout *at, const struct circuit *c, const double *u, int k,
                          int i)
{
    const struct circuit_branch *b = &c->branch[at->limb_branch[k] + i];
    double flux = at->along[k][0] * (u[b->i] - u[b->j]);

    if (at->limbs == 2) {
        const struct circuit_branch *other = &c->branch[at->limb_branch[1 - k] + i];

        flux += at->along[k][1] * (u[other->i] - u[other->j]);
    }
    return flux / b->length;
}

static void add_sleeves(const struct magnet *m, const struct shape *s, struct layout *at,
                        struct circuit *c)
{
    double mmf[CIRCUIT_BRANCHES] = {0}, offset[CIRCUIT_BRANCHES];
    int k;

    find_sleeves(m, s, at);
    for (k = 0; k < c->branches; k++)
        mmf[k] = c->branch[k].mmf;
    sleeve_offsets(at, c, mmf, offset);
    for (k = 0; k < c->branches; k++)
        c->branch[k].offset = offset[k];
}

static enum status_code build(struct magnet_workspace *w, const struct magnet *m,
                              const double current[2], struct layout *at, struct status *st)
{
    struct circuit *c = &w->circuit;
    struct shape *s = &w->shape;
    double key[32];
    int keys = shape_key(m, key), n = 0, k, i;

    at->limbs = m->form == MAGNET_U ? 2 : 1;
    at->keeper_branch = at->yoke_branch = NONE;
    if (keys != w->keys || memcmp(key, w->key, sizeof key[0] * (size_t)keys) != 0) {
        enum status_code code;

        w->keys = 0;
        code = find_shape(m, s, st);
        if (code)
            return code;
        memcpy(w->key, key, sizeof key[0] * (size_t)keys);
        w->keys = keys;
    }
    for (k = 0; k < at->limbs; k++) {
        at->pole[k] = n++;
        for (i = 0; i < SEGMENTS; i++)
            at->segment[k][i] = n++;
        at->keeper[k] = m->keeper.present ? n++ : NONE;
        if (at->limbs == 2) {
            at->yoke[k] = n++;
            at->foot[k] = !m->yoke.bent && m->yoke.joint_gap > JOINT_LEAST ? n++ : at->yoke[k];
        } else {
            at->yoke[k] = NONE;
            at->foot[k] = n++;
        }
    }
    at->keeper_inside = m->keeper.present && at->limbs == 2 ? n++ : NONE;
    at->yoke_inside = at->limbs == 2 && !m->yoke.bent ? n++ : NONE;
    circuit_clear(c, n);
    for (k = 0; k < at->limbs; k++)
        add_stray(c, s, at, k);
    for (k = 0; k < at->limbs; k++) {
        const struct magnet_limb *l = &m->limb[k];
        double sign = k ? -1 : 1;

        at->limb_branch[k] = c->branches;
        for (i = 0; i <= SEGMENTS; i++) {
            int below = i == SEGMENTS ? at->foot[k] : at->segment[k][i];
            int above = i == 0 ? at->pole[k] : at->segment[k][i - 1];
            double low, high, source;

            branch_span(s, l->length, i, &low, &high);
            source = sign * current[k] * turns_between(l, low, high);
            circuit_iron(c, below, above, l->iron, scale_of(l->h_scale), section_area(&l->section),
                         high - low, fabs(source) > SOURCE_LEAST ? source : 0);
        }
        if (m->keeper.present) {
            circuit_air(c, at->pole[k], at->keeper[k], s->face[k].value);
            for (i = 0; i < TIPS; i++)
                circuit_air(c, at->segment[k][i], at->keeper[k], s->tip[k][i].value);
        }
        if (at->limbs == 2 && at->foot[k] != at->yoke[k])
            circuit_air(c, at->foot[k], at->yoke[k],
                        IRON_MU0 * section_area(&l->section) / m->yoke.joint_gap);
    }
    add_sleeves(m, s, at, c);
    if (at->limbs == 2) {
        double width = mean(m->limb[0].section.width, m->limb[1].section.width, 2);

        if (m->keeper.present) {
            const struct magnet_section a = pole_of(&m->limb[0]), b = pole_of(&m->limb[1]);

            at->keeper_branch = c->branches;
            add_bridge(c, at->keeper[0], at->keeper[1], at->keeper_inside,
                       m->keeper.iron ? m->keeper.iron : m->limb[0].iron,
                       scale_of(m->keeper.h_scale), m->keeper.width * m->keeper.thickness,
                       m->spacing + 2 * CORNER * m->keeper.thickness, mean(a.width, b.width, 2));
        }
        at->yoke_branch = c->branches;
        if (m->yoke.bent)
            circuit_iron(c, at->yoke[1], at->yoke[0], m->yoke.iron ? m->yoke.iron : m->limb[0].iron,
                         scale_of(m->yoke.h_scale), section_area(&m->limb[0].section),
                         M_PI / 2 * m->spacing, 0);
        else
            add_bridge(c, at->yoke[1], at->yoke[0], at->yoke_inside,
                       m->yoke.iron ? m->yoke.iron : m->limb[0].iron, scale_of(m->yoke.h_scale),
                       m->yoke.width * m->yoke.thickness,
                       m->spacing + 2 * CORNER * m->yoke.thickness, width);
    }
    return STATUS_OK;
}

/* ---- results ---- */

static void forget(struct magnet_result *r)
{
    int i;

    memset(r, 0, sizeof *r);
    for (i = 0; i < MAGNET_PARTS; i++)
        r->flux[i] = r->b[i] = NAN;
    r->b_max[0] = r->b_max[1] = NAN;
    r->gap_mmf[0] = r->gap_mmf[1] = NAN;
    r->pull_at[0] = r->pull_at[1] = r->pull_near = NAN;
    r->limit_ratio = r->iron_share = r->pull = r->coenergy = r->residual = NAN;
    r->linkage[0] = r->linkage[1] = NAN;
    for (i = 0; i < 4; i++)
        r->inductance[i / 2][i % 2] = NAN;
}

/* The pull: minus the change of the air's energy with the gap at these potentials. */
static void find_pull(const struct magnet_workspace *w, const struct magnet *m,
                      const struct layout *at, struct magnet_result *r)
{
    const struct shape *s = &w->shape;
    const double *u = w->circuit.u;
    double far = 0;
    int k, i, j, parity;

    r->pull = r->pull_at[0] = r->pull_near = 0;
    if (at->limbs == 2)
        r->pull_at[1] = 0;
    if (!m->keeper.present)
        return;
    for (parity = 0; parity < at->limbs; parity++) {
        const struct stray *f = &s->stray[parity];
        struct weights weights;
        double v[BARS], q[BARS], sum = 0;

        weigh_bars(at, s, parity, &weights);
        for (i = 0; i < f->bars; i++)
            v[i] = bar_potential(&weights, u, i);
        for (i = 0; i < f->bars; i++) {
            q[i] = 0;
            for (j = 0; j < f->bars; j++)
                q[i] += f->charge[i][j] * v[j];
        }
        /* both of a pair (i, j) and (j, i), halved */
        for (i = f->limb_bars; i < f->limb_bars + f->keeper_bars; i++)
            for (j = 0; j < f->bars; j++)
                sum += q[i] * f->lift[i][j] * q[j];
        for (k = 0; k < f->keeper_bars; k++) {
            double d = v[0] - v[f->limb_bars + k];

            sum += 0.5 * d * d * f->own[k].slope;
        }
        far += at->limbs * sum;
    }
    for (k = 0; k < at->limbs; k++) {
        double d = u[at->pole[k]] - u[at->keeper[k]];

        r->pull_at[k] = -0.5 * d * d * s->face[k].slope + far / at->limbs;
        for (i = 0; i < TIPS; i++) {
            d = u[at->segment[k][i]] - u[at->keeper[k]];
            r->pull_at[k] -= 0.5 * d * d * s->tip[k][i].slope;
        }
        r->pull += r->pull_at[k];
        r->pull_near += r->pull_at[k] - far / at->limbs;
    }
}

static void consider_limit(struct magnet_result *r, enum magnet_part part, double b,
                           const struct iron *iron)
{
    double ratio = fabs(b) / iron_facts(iron)->knee;

    if (ratio > r->limit_ratio) {
        r->limit_ratio = ratio;
        r->limit = part;
    }
}

static void set_part(struct magnet_result *r, enum magnet_part part, double flux, double area)
{
    r->flux[part] = flux;
    r->b[part] = flux / area;
}

/* What a winding has without iron. No iron is less permeable than air, so that none leaves it less;
 * deep in saturation, where little is left, the network may. 0 where `found`, H, is plainly more.
 */
static double air_inductance(const struct magnet_limb *l, double found)
{
    double inner = perimeter(&l->section) / (2 * M_PI) + l->coil_clearance;
    double outer = inner + l->coil_height, span = l->turns > 0 ? l->turns / density(l) : 0;

    if (!(l->turns > 0) || found > IRON_MU0 * M_PI * outer * outer * l->turns * l->turns / span)
        return 0;
    return solenoid_inductance(0.5 * (inner + outer), span, fmax(l->coil_height, 1e-3 * inner),
                               l->turns);
}

static void report(const struct magnet_workspace *w, const struct magnet *m,
                   const struct layout *at, const double current[2], struct magnet_result *r)
{
    const struct circuit *c = &w->circuit;
    double iron_mmf = 0, source = 0, coenergy = 0;
    int k, i, j;

    r->iterations = c->iterations;
    r->residual = c->residual;
    r->limit_ratio = 0;
    r->limit = MAGNET_LIMB1_FOOT;
    for (k = 0; k < at->limbs; k++) {
        const struct circuit_branch *b = &c->branch[at->limb_branch[k]];
        enum magnet_part foot = k ? MAGNET_LIMB2_FOOT : MAGNET_LIMB1_FOOT;
        enum magnet_part pole = k ? MAGNET_LIMB2_POLE : MAGNET_LIMB1_POLE;
        double sign = k ? -1 : 1, area = section_area(&m->limb[k].section);
        double linkage = 0;

        r->b_max[k] = 0;
        for (i = 0; i <= SEGMENTS; i++) {
            double low, high;

            branch_span(&w->shape, m->limb[k].length, i, &low, &high);
            linkage += turns_between(&m->limb[k], low, high) *
                       (b[i].flux + sleeve_flux(at, c, c->u, k, i));
            r->b_max[k] = fmax(r->b_max[k], fabs(b[i].b));
            consider_limit(r, i < (SEGMENTS + 1) / 2 ? pole : foot, b[i].b, m->limb[k].iron);
            iron_mmf += fabs(b[i].h) * b[i].length;
            source += fabs(b[i].mmf);
        }
        r->linkage[k] = sign * linkage + at->within[k] * current[k];
        coenergy += 0.5 * at->within[k] * current[k] * current[k];
        set_part(r, foot, sign * b[SEGMENTS].flux, area);
        set_part(r, pole, sign * b[0].flux, area);
        if (m->keeper.present) {
            const struct magnet_section end = pole_of(&m->limb[k]);
            double d = c->u[at->pole[k]] - c->u[at->keeper[k]];

            r->gap_mmf[k] = sign * d;
            set_part(r, k ? MAGNET_GAP2 : MAGNET_GAP1,
                     sign * d *
                         (IRON_MU0 * w->shape.area[k] / (m->gap[k] + m->contact_gap) +
                          w->shape.spill[k]),
                     section_area(&end));
        }
    }
    if (at->keeper_branch != NONE) {
        const struct circuit_branch *b = &c->branch[at->keeper_branch];

        set_part(r, MAGNET_KEEPER, b->flux, b->area);
        iron_mmf += fabs(b->h) * b->length + fabs(b[1].h) * b[1].length;
        consider_limit(r, MAGNET_KEEPER, b->b, b->iron);
    }
    if (at->yoke_branch != NONE) {
        const struct circuit_branch *b = &c->branch[at->yoke_branch];

        set_part(r, MAGNET_YOKE, b->flux, b->area);
        iron_mmf += fabs(b->h) * b->length;
        if (!m->yoke.bent)
            iron_mmf += fabs(b[1].h) * b[1].length;
        consider_limit(r, MAGNET_YOKE, b->b, b->iron);
    }
    r->iron_share = source > 0 ? fmin(iron_mmf / source, 1) : 0;
    r->coenergy = fmax(coenergy + circuit_coenergy(c), 0);
    /* incremental inductances: the answer of the balanced network to one ampere more */
    for (j = 0; j < at->limbs; j++) {
        double dmmf[CIRCUIT_BRANCHES] = {0}, doffset[CIRCUIT_BRANCHES], du[CIRCUIT_NODES];

        for (i = 0; i <= SEGMENTS; i++) {
            double low, high;

            branch_span(&w->shape, m->limb[j].length, i, &low, &high);
            dmmf[at->limb_branch[j] + i] = (j ? -1 : 1) * turns_between(&m->limb[j], low, high);
        }
        sleeve_offsets(at, c, dmmf, doffset);
        circuit_respond(c, dmmf, doffset, du);
        for (k = 0; k < at->limbs; k++) {
            double sum = 0;

            for (i = 0; i <= SEGMENTS; i++) {
                int n = at->limb_branch[k] + i;
                const struct circuit_branch *b = &c->branch[n];
                double low, high;

                branch_span(&w->shape, m->limb[k].length, i, &low, &high);
                sum += turns_between(&m->limb[k], low, high) *
                       (b->area * b->slope / b->length * (du[b->i] - du[b->j] + dmmf[n]) +
                        sleeve_flux(at, c, du, k, i));
            }
            r->inductance[k][j] = (k ? -1 : 1) * sum;
            if (k == j) {
                r->inductance[k][j] += at->within[k];
                r->inductance[k][j] =
                    fmax(r->inductance[k][j], air_inductance(&m->limb[k], r->inductance[k][j]));
            }
        }
    }
    find_pull(w, m, at, r);
}

static enum status_code check_current(const struct magnet *m, const double current[2],
                                      struct status *st)
{
    enum status_code code = magnet_check(m, st);

    if (code)
        return code;
    CHECK(check_range("current in limb 1", current[0], -1e4, 1e4, "A", 1, st));
    if (m->form == MAGNET_U)
        CHECK(check_range("current in limb 2", current[1], -1e4, 1e4, "A", 1, st));
    return STATUS_OK;
}

enum status_code magnet_solve(struct magnet_workspace *w, const struct magnet *m,
                              const double current[2], struct magnet_result *r, struct status *st)
{
    struct layout at;
    enum status_code code;

    forget(r);
    CHECK(check_current(m, current, st));
    CHECK(build(w, m, current, &at, st));
    CHECK(circuit_solve(&w->circuit, st));
    report(w, m, &at, current, r);
    return status_ok(st);
}

/* How much of the remanence and coercive force of a fully magnetised piece is left by a peak flux
 * density b: in proportion below the knee (common practice, no source). */
static double retained(double b, const struct iron *iron)
{
    return fmin(1, fabs(b) / iron_facts(iron)->knee);
}

static void keep_magnetised(struct circuit_branch *b, double peak)
{
    const struct iron_facts *facts = iron_facts(b->iron);
    double part = retained(peak, b->iron);

    if (!(part > 1e-6))
        return;
    b->saturation = facts->saturation;
    b->remanence = copysign(facts->remanence * part, peak);
    b->coercivity = facts->coercivity * b->h_scale * part;
}

enum status_code magnet_residual(struct magnet_workspace *w, const struct magnet *m,
                                 const struct magnet_result *before, double *pull,
                                 struct magnet_result *after, struct status *st)
{
    static const double off[2] = {0, 0};
    struct circuit *c = &w->circuit;
    struct layout at;
    enum status_code code;
    int k, i;

    forget(after);
    *pull = NAN;
    CHECK(magnet_check(m, st));
    CHECK(build(w, m, off, &at, st));
    for (k = 0; k < at.limbs; k++) {
        double sign = k ? -1 : 1;
        double foot = before->b[k ? MAGNET_LIMB2_FOOT : MAGNET_LIMB1_FOOT];
        double pole = before->b[k ? MAGNET_LIMB2_POLE : MAGNET_LIMB1_POLE];

        if (!isfinite(foot) || !isfinite(pole))
            return status_fail(st, STATUS_INPUT,
                               "the flux density of limb %d before switching off is not known",
                               k + 1);
        for (i = 0; i <= SEGMENTS; i++)
            keep_magnetised(&c->branch[at.limb_branch[k] + i],
                            sign * (pole + (foot - pole) * i / SEGMENTS));
    }
    if (at.keeper_branch != NONE && isfinite(before->b[MAGNET_KEEPER]))
        for (i = 0; i < 2; i++)
            keep_magnetised(&c->branch[at.keeper_branch + i], before->b[MAGNET_KEEPER]);
    if (at.yoke_branch != NONE && isfinite(before->b[MAGNET_YOKE]))
        for (i = 0; i < (m->yoke.bent ? 1 : 2); i++)
            keep_magnetised(&c->branch[at.yoke_branch + i], before->b[MAGNET_YOKE]);
    CHECK(circuit_solve(c, st));
    report(w, m, &at, off, after);
    *pull = after->pull;
    return status_ok(st);
}

/* Flux that turns[branch] link when the sources changed by dmmf[branch] and the potentials by du.
 */
static double answer(const struct circuit *c, const struct layout *at, const double *turns,
                     const double *dmmf, const double *du)
{
    double sum = 0;
    int k, i;

    for (k = 0; k < at->limbs; k++) {
        for (i = 0; i <= SEGMENTS; i++) {
            int n = at->limb_branch[k] + i;
            const struct circuit_branch *b = &c->branch[n];

            sum += turns[n] * (b->area * b->slope / b->length * (du[b->i] - du[b->j] + dmmf[n]) +
                               sleeve_flux(at, c, du, k, i));
        }
    }
    return sum;
}

enum status_code magnet_shorted(struct magnet_workspace *w, const struct magnet *m, double current,
                                int sense, int limb, double turns, double where,
                                struct magnet_short *s, struct status *st)
{
    struct magnet left = *m;
    struct magnet_limb ring;
    double both[2] = {current, sense < 0 ? -current : current};
    double primary[CIRCUIT_BRANCHES] = {0}, second[CIRCUIT_BRANCHES] = {0};
    double offset[CIRCUIT_BRANCHES], du[CIRCUIT_NODES];
    double start, end, span, share;
    struct layout at;
    enum status_code code;
    int k, i, n;

    *s = (struct magnet_short){NAN, NAN, NAN, NAN, NAN};
    CHECK(check_current(m, both, st));
    if (limb < 0 || limb >= (m->form == MAGNET_U ? 2 : 1))
        return status_fail(st, STATUS_INPUT, "limb %d has no coil in this magnet", limb + 1);
    if (!(turns > 0 && turns < m->limb[limb].turns))
        return status_fail(
            st, STATUS_INPUT,
            "shorted turns are %g; allowed is more than 0 and less than the limb's %g", turns,
            m->limb[limb].turns);
    CHECK(check_range("place of the shorted turns", where, 0, 1, "of the coil", 1, st));
    /* the ring of shorted turns takes its share of the coil's length about that place */
    ring = m->limb[limb];
    start = ring.coil_start;
    end = ring.coil_end > 0 ? ring.coil_end : ring.length;
    span = (end - start) * turns / ring.turns;
    ring.coil_start = start + where * (end - start - span);
    ring.coil_end = ring.coil_start + span;
    ring.turns = turns;
    left.limb[limb].turns -= turns;
    CHECK(build(w, &left, both, &at, st));
    CHECK(circuit_solve(&w->circuit, st));
    for (k = 0; k < at.limbs; k++) {
        double sign = k ? -1 : 1, way = k && sense < 0 ? -1 : 1;

        for (i = 0; i <= SEGMENTS; i++) {
            double low, high, all, shorted = 0;

            branch_span(&w->shape, m->limb[k].length, i, &low, &high);
            all = turns_between(&m->limb[k], low, high);
            if (k == limb)
                shorted = turns_between(&ring, low, high);
            n = at.limb_branch[k] + i;
            primary[n] = sign * way * (all - shorted);
            second[n] = sign * way * shorted;
        }
    }
    sleeve_offsets(&at, &w->circuit, primary, offset);
    circuit_respond(&w->circuit, primary, offset, du);
    s->primary = answer(&w->circuit, &at, primary, primary, du);
    s->mutual = answer(&w->circuit, &at, second, primary, du);
    sleeve_offsets(&at, &w->circuit, second, offset);
    circuit_respond(&w->circuit, second, offset, du);
    s->self = answer(&w->circuit, &at, second, second, du);
    /* in the space of the winding the two lie beside each other and share no field of their own;
     * there the rest is as dense as the whole was */
    share = m->limb[limb].turns / left.limb[limb].turns;
    for (k = 0; k < at.limbs; k++)
        s->primary += at.within[k] * (k == limb ? share : 1);
    s->self += at.within[limb] * share * turns / left.limb[limb].turns;
    s->coupling = fmin(fabs(s->mutual) / sqrt(s->self * s->primary), 1);
    s->low = s->primary * (1 - s->coupling * s->coupling);
    return status_ok(st);
}
