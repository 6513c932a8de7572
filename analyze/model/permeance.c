#include "analyze/model/permeance.h"

#include <math.h>

#include "analyze/model/iron.h"

/* How fast the pull of an edge grows with the overhang x gaps: its share between flush and wide is
 * 1 - exp(-GROWTH x), within 0.02 of the exact map. */
#define GROWTH 1.6

/* Solves s - atan s = y for y >= 0: the function is convex and rising, so Newton from above. */
static double corner_parameter(double y)
{
    double s, f;
    int i;

    if (y < 0.3) {
        s = cbrt(3 * y);
        s *= 1 + 0.2 * s * s; /* next term of the series */
    } else {
        s = y + M_PI_2 - 1 / (y + M_PI_2);
        s = fmax(s, cbrt(3 * y));
    }
    if (y <= 0)
        return 0;
    for (i = 0; i < 6; i++) {
        f = s - atan(s) - y;
        f *= (1 + s * s) / (s * s);
        s -= f;
        if (fabs(f) < 1e-12 * s)
            break;
    }
    return s;
}

struct permeance permeance_corner(double gap, double height)
{
    double s = corner_parameter(M_PI_2 * height / gap);
    struct permeance p = {0, 0};

    if (s > 0) {
        p.value = IRON_MU0 / M_PI * log1p(s * s);
        p.slope = -2 * IRON_MU0 / (M_PI * gap) * (M_PI_2 * height / gap) / s;
    }
    return p;
}

/* Integral of (1 - exp(-y))/y from 0 to x. Beyond 1 by E1 as in Abramowitz and Stegun 5.1.54 (from
 * memory, error below 5e-5). */
static double ein(double x)
{
    double term, sum;
    int k;

    if (x < 2) {
        term = sum = x;
        for (k = 2; k < 20; k++) {
            term *= -x * (k - 1) / ((double)k * k);
            sum += term;
        }
        return sum;
    }
    return log(x) + 0.57721566490153286 +
           (x > 40 ? 0
                   : exp(-x) / x * (x * x + 2.334733 * x + 0.250621) /
                         (x * x + 3.330657 * x + 1.681534));
}

struct permeance permeance_face_edge(double gap, double overhang)
{
    double x = GROWTH * overhang / gap, gone = x < 700 ? exp(-x) : 0;
    const double half = IRON_MU0 * PERMEANCE_CORNER_FACE / 2;

    return (struct permeance){half * (2 - gone), -half * gone * x / gap};
}

struct permeance_flank permeance_flank(double gap, double height)
{
    struct permeance_flank f = {gap, height, permeance_corner(gap, height),
                                permeance_corner(gap / 2, height)};

    /* half the corner over the plane of symmetry; half again for the derivative */
    f.flush.value /= 2;
    f.flush.slope /= 4;
    return f;
}

struct permeance permeance_edge(const struct permeance_flank *flank, double overhang)
{
    struct permeance wide = flank->wide, flush = flank->flush;
    double gap = flank->gap, x = GROWTH * overhang / gap, share;
    double d, d_slope, q, q_slope, limited, by_q;

    if (!(overhang > 0) || !(flank->height > 0))
        return flush;
    share = x < 700 ? 1 - exp(-x) : 1;
    /* What a wide plane adds to flush, d, and what this overhang adds to an endless flank, q,
     * both limit the gain; both in units of mu0/pi. */
    d = (wide.value - flush.value) * M_PI / IRON_MU0;
    d_slope = (wide.slope - flush.slope) * M_PI / IRON_MU0;
    q = ein(x) - M_PI_2 * PERMEANCE_CORNER_FACE * share;
    q_slope = -(share - M_PI_2 * PERMEANCE_CORNER_FACE * (1 - share) * x) / gap;
    if (!(d > 0) || !(q > 0))
        return flush;
    limited = tanh(q / d);
    by_q = 1 - limited * limited;
    flush.value += IRON_MU0 / M_PI * d * limited;
    flush.slope += IRON_MU0 / M_PI * ((limited - q / d * by_q) * d_slope + by_q * q_slope);
    return flush;
}

struct permeance permeance_step(double aside, double above, double reach_below, double reach_above)
{
    double s2 = aside * aside + above * above, d = atan2(above, aside) - M_PI_4;

    return (struct permeance){IRON_MU0 * (2 / M_PI * log(reach_below * reach_above / s2) + 0.67144 +
                                          d * d * (0.50326 + 0.05604 * d * d)),
                              IRON_MU0 / s2 *
                                  (-4 / M_PI * above + d * (1.00652 + 0.22416 * d * d) * aside)};
}

/* Integral of 2 min(sqrt(r2 - x2), half) from 0 to x, 0 <= x <= r. */
static double half_segment(double r, double x, double half)
{
    double corner = half < r ? sqrt(r * r - half * half) : 0;
    double area = 0;

    x = fmin(x, r);
    if (half < r) {
        area = 2 * half * fmin(x, corner);
        if (x <= corner)
            return area;
    }
    return area + x * sqrt(fmax(r * r - x * x, 0)) + r * r * asin(fmin(x / r, 1)) -
           (corner * sqrt(fmax(r * r - corner * corner, 0)) + r * r * asin(fmin(corner / r, 1)));
}

double permeance_overlap(double r, double left, double right, double half)
{
    return half_segment(r, left, half) + half_segment(r, right, half);
}

double permeance_bar_radius(double w, double t)
{
    return w > t ? 0.25 * w + 0.34 * t : 0.25 * t + 0.34 * w;
}

/* asinh(u/d) - asinh(w/d), with one logarithm: far quicker than two inverse functions. */
static double between(double u, double w, double d2)
{
    double x = u < 0 ? d2 / (sqrt(u * u + d2) - u) : u + sqrt(u * u + d2);
    double y = w < 0 ? d2 / (sqrt(w * w + d2) - w) : w + sqrt(w * w + d2);

    return log(x / y);
}

/* Twice integrated 1/sqrt(u2 + d2). */
static double parallel(double u, double d)
{
    double a = fabs(u), root = sqrt(u * u + d * d);

    return a * log((a + root) / d) - root;
}

/* The same, differentiated with respect to d. */
static double parallel_apart(double u, double d)
{
    double root = sqrt(u * u + d * d);

    return -u * u / (d * root) - d / root;
}

/* Two bars of one direction: i from a1 to b1, j from a2 to b2, axes d apart. along: derivative with
 * a shift of j along the axis; apart: with d. */
static double parallel_bars(const struct permeance_bar *i, const struct permeance_bar *j, double d,
                            double *along, double *apart)
{
    double l = (i->b - i->a) * (j->b - j->a);
    double u[4] = {j->b - i->a, j->a - i->a, j->b - i->b, j->a - i->b};

    if (along)
        *along = (between(u[0], u[1], d * d) - between(u[2], u[3], d * d)) / l;
    if (apart)
        *apart = (parallel_apart(u[0], d) - parallel_apart(u[1], d) - parallel_apart(u[2], d) +
                  parallel_apart(u[3], d)) /
                 l;
    return (parallel(u[0], d) - parallel(u[1], d) - parallel(u[2], d) + parallel(u[3], d)) / l;
}

/* Upright bar v against level bar h: the level one exactly, the upright one by two points. away:
 * derivative with the level bar's height. */
static double crossed_bars(const struct permeance_bar *v, const struct permeance_bar *h,
                           double soft, double *away)
{
    static const double point[2] = {-0.57735026918962576, 0.57735026918962576};
    double sum = 0, change = 0, u = h->b - v->at, w = h->a - v->at;
    int k;

    for (k = 0; k < 2; k++) {
        double dz = h->at - 0.5 * (v->a + v->b) - 0.5 * (v->b - v->a) * point[k];
        double square = dz * dz + soft;

        sum += between(u, w, square);
        if (away)
            change += dz / square * (w / sqrt(w * w + square) - u / sqrt(u * u + square));
    }
    if (away)
        *away = 0.5 * change / (h->b - h->a);
    return 0.5 * sum / (h->b - h->a);
}

/* Two rings of radii r1 and r2 on one axis act on each other, averaged round both, as points at
 * distances whose logarithm has the mean log(greater radius) and whose square the mean r1^2 + r2^2
 * more than along the axis. Half the kernel at each of two softenings has both. */
static void ring_softenings(double r1, double r2, double soft[2])
{
    double mean = 0.5 * (r1 * r1 + r2 * r2), greater = fmax(r1, r2), product = pow(greater, 4);
    double root = sqrt(fmax(4 * mean * mean - product, 0));

    soft[0] = 2 * mean - root;
    soft[1] = 2 * mean + root;
}

double permeance_bars(const struct permeance_bar *i, const struct permeance_bar *j, double *lift)
{
    double soft = 0.5 * (i->radius * i->radius + j->radius * j->radius), p;

    if (i->upright != j->upright) {
        p = i->upright ? crossed_bars(i, j, soft, lift) : crossed_bars(j, i, soft, lift);
        if (lift && !i->upright)
            *lift = -*lift; /* raising the upright bar lowers the level one */
        return p;
    } else {
        double apart = j->at - i->at, d = sqrt(apart * apart + soft);

        if (fabs(apart) < 0.1 * (i->radius + j->radius)) {
            double softs[2], one = 0, two = 0;

            ring_softenings(i->radius, j->radius, softs);
            p = 0.5 * (parallel_bars(i, j, sqrt(apart * apart + softs[0]),
                                     i->upright && lift ? &one : 0, 0) +
                       parallel_bars(i, j, sqrt(apart * apart + softs[1]),
                                     i->upright && lift ? &two : 0, 0));
            if (lift)
                *lift = 0.5 * (one + two);
            return p;
        }
        if (i->upright)
            return parallel_bars(i, j, d, lift, 0);
        p = parallel_bars(i, j, d, 0, lift);
        if (lift)
            *lift *= apart / d;
        return p;
    }
}
