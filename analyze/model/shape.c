#include "analyze/model/shape.h"

#include <math.h>

#include "analyze/model/permeance.h"

/* Chosen with the numbers of stray.c. */
#define TIP_REACH 1.0 /* widths down the limb that the mapped field of the rim reaches */

int shape_limbs(const struct magnet *m)
{
    return m->form == MAGNET_U ? 2 : 1;
}

double shape_mean(double a, double b, int limbs)
{
    return limbs == 2 ? 0.5 * (a + b) : a;
}

double shape_half_width(const struct magnet_section *s)
{
    return s->width / 2;
}

double shape_half_depth(const struct magnet_section *s)
{
    return s->outline == MAGNET_ROUND ? s->width / 2 : s->depth / 2;
}

double shape_area(const struct magnet_section *s)
{
    return s->outline == MAGNET_ROUND ? M_PI / 4 * s->width * s->width : s->width * s->depth;
}

double shape_perimeter(const struct magnet_section *s)
{
    return s->outline == MAGNET_ROUND ? M_PI * s->width : 2 * (s->width + s->depth);
}

struct magnet_section shape_pole(const struct magnet_limb *l)
{
    return l->pole.width > 0 ? l->pole : l->section;
}

double shape_shoe(const struct magnet_limb *l)
{
    const struct magnet_section pole = shape_pole(l);
    double out = fmax(shape_half_width(&pole) - shape_half_width(&l->section),
                      shape_half_depth(&pole) - shape_half_depth(&l->section));

    /* less is a rounding of sizes */
    if (!(out > 1e-6 * l->section.width))
        return 0;
    return fmin(out, 0.3 * l->length);
}

double shape_radius(const struct magnet_section *s)
{
    return s->outline == MAGNET_ROUND ? s->width / 2 : permeance_bar_radius(s->width, s->depth);
}

double shape_keeper_length(const struct magnet *m)
{
    double spacing = m->form == MAGNET_U ? m->spacing : 0;

    if (m->keeper.length > 0)
        return m->keeper.length;
    return spacing + shape_mean(m->limb[0].section.width, m->limb[1].section.width, shape_limbs(m));
}

double shape_yoke_length(const struct magnet *m)
{
    if (m->yoke.length > 0)
        return m->yoke.length;
    return m->spacing + shape_mean(m->limb[0].section.width, m->limb[1].section.width, 2);
}

double shape_limb_length(const struct magnet *m)
{
    return shape_mean(m->limb[0].length, m->limb[1].length, shape_limbs(m));
}

double shape_limb_width(const struct magnet *m)
{
    return shape_mean(shape_half_width(&m->limb[0].section) + shape_half_depth(&m->limb[0].section),
                      shape_half_width(&m->limb[1].section) + shape_half_depth(&m->limb[1].section),
                      shape_limbs(m));
}

double shape_limb_radius(const struct magnet *m)
{
    return shape_mean(shape_radius(&m->limb[0].section), shape_radius(&m->limb[1].section),
                      shape_limbs(m));
}

void shape_cut(const struct magnet *m, double cut[SHAPE_SEGMENTS + 1])
{
    double length = shape_limb_length(m);
    double reach = fmin(TIP_REACH * shape_limb_width(m), 0.4 * length);
    int i;

    cut[0] = 0;
    cut[1] = 0.3 * reach;
    for (i = SHAPE_TIPS; i <= SHAPE_SEGMENTS; i++)
        cut[i] = reach + (length - reach) * (i - SHAPE_TIPS) / (SHAPE_SEGMENTS - SHAPE_TIPS);
}

void shape_span(const double cut[SHAPE_SEGMENTS + 1], double length, int i, double *low,
                double *high)
{
    double stretch = length / cut[SHAPE_SEGMENTS]; /* limbs of unequal length share one cut */

    *high = length - stretch * (i == 0 ? 0 : 0.5 * (cut[i - 1] + cut[i]));
    *low = length -
           stretch * (i == SHAPE_SEGMENTS ? cut[SHAPE_SEGMENTS] : 0.5 * (cut[i] + cut[i + 1]));
}

double shape_turns(const struct magnet_limb *l, double low, double high)
{
    double start = l->coil_start, end = l->coil_end;

    if (start == 0 && end == 0)
        end = l->length;
    low = fmax(low, start);
    high = fmin(high, end);
    return high > low ? l->turns * (high - low) / (end - start) : 0;
}

double shape_density(const struct magnet_limb *l)
{
    double span = l->coil_end > 0 ? l->coil_end - l->coil_start : l->length;

    return l->turns / span;
}
