#include "analyze/model/stray.h"

#include <math.h>
#include <stdbool.h>
#include <string.h>

#include "analyze/model/iron.h"

/* Bars of one half of a magnet with a keeper, below the limb's tip. A bar must not be much shorter
 * than it is thick, or thin bars say nothing true. */
#define FAR_BARS 3

/* What geometry alone does not give a network of so few parts, here and in shape.c, sleeve.c and
 * network.c. Chosen once, so that the pull agrees with a field solver over some eighty U magnets
 * (tests/published/field); each has a meaning that bounds it. */
#define EVEN_REACH 0.6  /* widths that the limb's first bar is long, equal poles */
#define ODD_REACH  2.4  /* the same, opposite poles */
#define LEAST_BAR  1.5  /* radii that the limb's other bars are long at least */
#define EVEN_DEPTH 0.85 /* thicknesses above the keeper's underside at which its charge sits */
#define ODD_DEPTH  1.0
#define BAR_END    0.3    /* radii by which flat ends make keeper and yoke longer than they are */
#define CAP_RING   0.7214 /* (1/sqrt(2 - sqrt 3) + 1/sqrt(2 + sqrt 3))/2 x 3 pi/16 */

/* Cholesky factor of a (n by n) in l, its diagonal inverted. False if a is not positive definite.
 */
static bool split(double a[STRAY_BARS][STRAY_BARS], double l[STRAY_BARS][STRAY_BARS], int n)
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
static bool invert(double a[STRAY_BARS][STRAY_BARS], int n)
{
    double l[STRAY_BARS][STRAY_BARS];
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

/* Cuts the limb into bars for one stray field. */
static void cut_bars(const double segment[SHAPE_SEGMENTS + 1], struct stray *f, bool keeper,
                     double shoe, double reach, double radius)
{
    double length = segment[SHAPE_SEGMENTS], low, high, *cut;
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
        n = (int)fmin(fmax(floor((length - shoe) / radius), 1), STRAY_OPEN_BARS);
        for (i = 0; i < n; i++)
            cut[i + 1] = shoe + (length - shoe) * (i + 1) / n;
    }
    f->limb_bars = f->shoe + n;
    for (i = 0; i < f->limb_bars; i++) {
        for (j = 0; j < SHAPE_SEGMENTS; j++) {
            low = fmax(f->cut[i], segment[j]);
            high = fmin(f->cut[i + 1], segment[j + 1]);
            f->share[i][j] = fmax(high - low, 0) / (f->cut[i + 1] - f->cut[i]);
        }
    }
}

static double pole_radius(const struct magnet *m)
{
    const struct magnet_section a = shape_pole(&m->limb[0]), b = shape_pole(&m->limb[1]);

    return shape_mean(shape_radius(&a), shape_radius(&b), shape_limbs(m));
}

/* A flat end as a bar of next to no length: charge spread evenly over a disc has a mean potential
 * of 16/(3 pi radius), which two rings of CAP_RING of its radius have as permeance_bars() takes
 * them. */
static struct permeance_bar cap(const struct magnet_section *s, double at, double height)
{
    double r = sqrt(shape_area(s) / M_PI);

    return (struct permeance_bar){1, at, height - 0.005 * r, height + 0.005 * r, CAP_RING * r};
}

/* The bars of one half for potentials of that parity (0 even, 1 odd): limb first (from the pole
 * down), then keeper, then yoke. Returns how many. */
static int lay_bars(const struct magnet *m, struct stray *f, int parity, struct permeance_bar *bar)
{
    int limbs = shape_limbs(m), n = 0, i;
    double length = shape_limb_length(m), radius = shape_limb_radius(m);
    double half = m->form == MAGNET_U ? m->spacing / 2 : 0;
    const struct magnet_section pole = shape_pole(&m->limb[0]);

    for (i = 0; i < f->limb_bars; i++)
        bar[n++] = (struct permeance_bar){1, half, length - f->cut[i + 1], length - f->cut[i],
                                          i < f->shoe ? pole_radius(m) : radius};
    if (m->keeper.present) {
        double gap = shape_mean(m->gap[0], m->gap[1], limbs) + m->contact_gap;
        /* charge like that of the limbs sits on the far side of the keeper, opposite on the near */
        double z = length + gap + m->keeper.thickness * (parity ? ODD_DEPTH : EVEN_DEPTH);
        double r = permeance_bar_radius(m->keeper.width, m->keeper.thickness);
        double end = shape_keeper_length(m) / 2 + BAR_END * r;

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
        double end = shape_yoke_length(m) / 2 + BAR_END * r;

        bar[n++] = (struct permeance_bar){0, z, 0, 0.6 * end, r};
        bar[n++] = (struct permeance_bar){0, z, 0.6 * end, end, r};
    }
    f->pole_cap = f->foot_cap = STRAY_NONE;
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
    struct permeance_bar bar[STRAY_BARS], mirrored[STRAY_BARS];
    double potential[STRAY_BARS][STRAY_BARS] = {{0}}, share = 1;
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
    double a[STRAY_BARS][STRAY_BARS], l[STRAY_BARS][STRAY_BARS];
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

enum status_code stray_find(const struct magnet *m, const double cut[SHAPE_SEGMENTS + 1],
                            struct stray f[2], struct status *st)
{
    int limbs = shape_limbs(m), k;
    double length = shape_limb_length(m), width = shape_limb_width(m);
    double radius = shape_limb_radius(m);
    double shoe =
        shape_mean(shape_shoe(&m->limb[0]), limbs == 2 ? shape_shoe(&m->limb[1]) : 0, limbs);

    for (k = 0; k < limbs; k++) {
        cut_bars(cut, &f[k], m->keeper.present, shoe, (k ? ODD_REACH : EVEN_REACH) * width, radius);
        if (!find_stray(m, &f[k], k))
            return status_fail(st, STATUS_NUMERIC,
                               "the proportions of this magnet are too extreme for its stray field "
                               "to be found: limb %g mm long and %g mm wide",
                               length * 1e3, width * 1e3);
    }
    if (m->keeper.present)
        settle_own(f, limbs);
    return STATUS_OK;
}

double stray_spread(const struct stray *f, double length)
{
    double sum = 0;
    int i, j;

    for (i = f->shoe; i < f->limb_bars; i++)
        for (j = f->shoe; j < f->limb_bars; j++)
            sum += f->charge[i][j];
    return fmax(sum, 0) / (2 * M_PI * IRON_MU0 * length);
}

/* How the bars of one stray field weigh on the nodes: bar i has the potential, and shares out the
 * charge, of these nodes. The odd field takes the two halves with opposite signs. */
struct weights {
    int n[STRAY_BARS], node[STRAY_BARS][2 * SHAPE_SEGMENTS];
    double weight[STRAY_BARS][2 * SHAPE_SEGMENTS];
};

static void weigh_bars(const struct stray *f, int parity, const struct stray_nodes *at,
                       struct weights *w)
{
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
            for (j = 0; j < SHAPE_SEGMENTS; j++) {
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

void stray_add(struct circuit *c, const struct stray *f, int parity, const struct stray_nodes *at)
{
    double row[STRAY_BARS][CIRCUIT_NODES], tip[CIRCUIT_NODES];
    struct weights w;
    int i, j, a, b;

    weigh_bars(f, parity, at, &w);
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

double stray_pull(const struct stray *f, int parity, const struct stray_nodes *at, const double *u)
{
    struct weights w;
    double v[STRAY_BARS] = {0}, q[STRAY_BARS], sum = 0;
    int k, i, j;

    weigh_bars(f, parity, at, &w);
    for (i = 0; i < f->bars; i++)
        v[i] = bar_potential(&w, u, i);
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
    return at->limbs * sum;
}
