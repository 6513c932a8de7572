#include "analyze/infer/depart.h"

#include <math.h>

/* The widths are judgement (common practice, no source), most of them in units of the table's own
 * doubt of its curve, so that a chemistry known less well is believed less;
 * tests/bench/bench_analyze_forecast.c scores them on three unlike kinds of physics. */
#define LEVEL    1.5   /* curve.u */
#define GAIN     0.004 /* of the meter */
#define SLOW     1.7   /* curve.u, over SLOW_X of the rated charge */
#define SLOW_X   0.35
#define FINE     0.25
#define FINE_X   0.15
#define FRESH_U  0.03 /* V more at the fresh end, within FRESH_X */
#define FRESH_X  0.06
#define SPENT_U  0.03 /* V more at the spent end, where the curve is steep, within SPENT_X */
#define SPENT_X  0.12
#define SPENT_L  0.12
#define UNSEEN_X 0.2
#define STEPS    400.0 /* of DEPART_NEAR, in a unit of depth */

static double alike(double a, double b, double length)
{
    double off = (a - b) / length;

    return exp(-0.5 * off * off);
}

void depart_make(const struct cell_kind *kind, double dip, struct depart *d)
{
    double level = hypot(LEVEL * kind->curve.u, GAIN * kind->nominal_v.value);
    double slow = SLOW * kind->curve.u, fine = FINE * kind->curve.u;

    if (dip > 0.0) { /* the table knows the resistance to a half, and its growth to as much */
        level = hypot(level, 0.5 * dip * kind->nominal_v.value);
        slow = hypot(slow, dip * kind->nominal_v.value);
    }
    for (int i = 0; i < DEPART_NEAR; i++) {
        double off = (double)i / STEPS;

        d->near[i] = level * level + slow * slow * alike(0.0, off, SLOW_X) +
                     fine * fine * alike(0.0, off, FINE_X);
    }
}

struct depart_place depart_at(const struct depart *d, int curve, double stretch, double x,
                              double kelvin)
{
    struct depart_place p = {.x = x,
                             .s = x * stretch,
                             .kelvin = kelvin,
                             .scale = curve == FADE_LIKE ? d->like_scale : 1.0};

    p.fresh = p.scale * FRESH_U * exp(-fmax(0.0, x) / FRESH_X);
    p.spent = p.scale * SPENT_U * (x >= 1.0 ? 1.0 : exp(-(1.0 - x) / SPENT_X));
    if (curve == FADE_LIKE)
        p.unseen = d->unseen[(int)fmin(FADE_POINTS - 1, fmax(0.0, x) * (FADE_POINTS - 1))];
    return p;
}

double depart_covariance(const struct depart *d, const struct depart_place *a,
                         const struct depart_place *b)
{
    double at = fmin(fabs(a->s - b->s) * STEPS, DEPART_NEAR - 1.001);
    int i = (int)at;
    double sum = a->scale * b->scale * (d->near[i] + (at - i) * (d->near[i + 1] - d->near[i])) +
                 DEPART_KELVIN_U * DEPART_KELVIN_U * a->kelvin * b->kelvin;
    double fresh = a->fresh * b->fresh, spent = a->spent * b->spent, unseen = a->unseen * b->unseen;

    if (fresh > 1e-8)
        sum += fresh * alike(a->x, b->x, FRESH_X);
    if (spent > 1e-8)
        sum += spent * alike(a->x, b->x, SPENT_L);
    if (unseen > 1e-8)
        sum += unseen * alike(a->x, b->x, UNSEEN_X);
    return sum;
}
