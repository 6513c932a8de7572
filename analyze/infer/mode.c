#include "analyze/infer/mode.h"

#include <math.h>
#include <string.h>

#define STEPS_MAX  12
#define HELD_WIDTH 0.01 /* how firmly an unknown is held while the others settle */
#define SLOPE_STEP 0.02 /* of z, for the Jacobian: well above the tolerance of a magnet solve */

/* Slopes at the mode in unknowns 'from' and on, by differences. */
static void find_slopes(struct integrand *f, struct mode *c, size_t from)
{
    double z[WEIGH_UNKNOWNS_MAX] = {0}, moved[WEIGH_ITEMS_MAX];
    size_t n = f->model->unknowns;

    memcpy(z, c->at, n * sizeof *z);
    for (size_t j = from; j < n; j++) {
        /* Towards 0, where the physics is sure to have an answer. */
        double step = z[j] > 0 ? -SLOPE_STEP : SLOPE_STEP;

        z[j] += step;
        if (!integrand_scalars(f, z, moved)) {
            step = -step;
            z[j] = c->at[j] + step;
            /* Walled in on both sides: as if the evidence did not depend on it. */
            if (!integrand_scalars(f, z, moved))
                memcpy(moved, c->scalar, f->model->items * sizeof *moved);
        }
        z[j] = c->at[j];
        for (size_t i = 0; i < f->model->items; i++)
            c->slope[i][j] = (moved[i] - c->scalar[i]) / step;
    }
}

/* Slopes to begin with: the caller's where there are any. Returns how many unknowns those cover. */
static size_t begin_slopes(const struct weigh_model *m, struct mode *c)
{
    size_t known = m->slope ? (m->slopes < m->unknowns ? m->slopes : m->unknowns) : 0;

    for (size_t i = 0; i < m->items; i++)
        for (size_t j = 0; j < known; j++)
            c->slope[i][j] = m->slope[i * m->slopes + j];
    return known;
}

/* Broyden's rank-one correction of the slopes after a step from (z, scalar) to the mode. */
static void correct_slopes(const struct weigh_model *m, struct mode *c, const double *z,
                           const double *scalar)
{
    double square = 0;

    for (size_t j = 0; j < m->unknowns; j++)
        square += pow(c->at[j] - z[j], 2);
    if (!(square > 0))
        return;
    for (size_t i = 0; i < m->items; i++) {
        double miss = c->scalar[i] - scalar[i];

        if (fabs(c->scalar[i]) >= WEIGH_FAR || fabs(scalar[i]) >= WEIGH_FAR)
            continue;
        for (size_t j = 0; j < m->unknowns; j++)
            miss -= c->slope[i][j] * (c->at[j] - z[j]);
        for (size_t j = 0; j < m->unknowns; j++)
            c->slope[i][j] += miss * (c->at[j] - z[j]) / square;
    }
}

/* First and second derivative of an item's log density in its scalar; the second never positive,
 * so that the precision matrix stays positive definite. */
static void derivatives(const struct weigh_model *m, size_t i, double scalar, double *first,
                        double *second)
{
    double h = 0.01;
    double mid = m->sound(m->context, i, scalar);
    double up = m->sound(m->context, i, scalar + h);
    double down = m->sound(m->context, i, scalar - h);

    *first = (up - down) / (2 * h);
    *second = (up - 2 * mid + down) / (h * h);
    if (!isfinite(*first) || !isfinite(*second))
        *first = *second = 0;
    if (*second > 0)
        *second = 0;
}

bool mode_normal(const struct weigh_model *m, struct mode *c, double *gradient)
{
    size_t n = m->unknowns;

    for (size_t j = 0; j < n; j++) {
        gradient[j] = -c->at[j];
        for (size_t k = 0; k <= j; k++)
            c->precision.root[j][k] = j == k ? 1 : 0;
    }
    if (c->holding) {
        gradient[c->held] -= (c->at[c->held] - c->hold) / (HELD_WIDTH * HELD_WIDTH);
        c->precision.root[c->held][c->held] += 1 / (HELD_WIDTH * HELD_WIDTH);
    }
    for (size_t i = 0; i < m->items; i++) {
        double first, second;

        if (c->mistaken[i])
            continue;
        derivatives(m, i, c->scalar[i], &first, &second);
        for (size_t j = 0; j < n; j++) {
            gradient[j] += first * c->slope[i][j];
            for (size_t k = 0; k <= j; k++)
                c->precision.root[j][k] -= second * c->slope[i][j] * c->slope[i][k];
        }
    }
    return precision_factor(&c->precision, n);
}

/* What the search climbs: the log density of the case, less the pull that holds an unknown. */
static double height(const struct weigh_model *m, const struct mode *c, const double *z,
                     const double *scalar)
{
    double h = integrand_joint(m, c->mistaken, z, scalar);

    if (c->holding)
        h -= 0.5 * pow((z[c->held] - c->hold) / HELD_WIDTH, 2);
    return h;
}

/* One step from the mode so far, of 'scale' times step[] and halved until it leads up, at most
 * 'most' times. False if it never does. now: the height before and after; small: it hardly rose;
 * exact: leaves the slopes alone. */
static bool climb(struct integrand *f, struct mode *c, const double *step, double scale, int most,
                  bool exact, double *now, bool *small)
{
    const struct weigh_model *m = f->model;
    size_t n = m->unknowns;
    double trial[WEIGH_UNKNOWNS_MAX] = {0}, scalar[WEIGH_ITEMS_MAX];

    for (int halving = 0; halving < most; halving++, scale /= 2) {
        double there, before[WEIGH_UNKNOWNS_MAX], was[WEIGH_ITEMS_MAX];

        for (size_t j = 0; j < n; j++)
            trial[j] = fmax(-MODE_WALL, fmin(MODE_WALL, c->at[j] + scale * step[j]));
        if (!integrand_scalars(f, trial, scalar))
            continue;
        there = height(m, c, trial, scalar);
        if (!(there > *now))
            continue;
        *small = there - *now < 0.02;
        memcpy(before, c->at, n * sizeof *before);
        memcpy(was, c->scalar, m->items * sizeof *was);
        memcpy(c->at, trial, n * sizeof *trial);
        memcpy(c->scalar, scalar, m->items * sizeof *scalar);
        *now = there;
        if (!exact)
            correct_slopes(m, c, before, was);
        return true;
    }
    return false;
}

bool mode_search(struct integrand *f, struct mode *c, bool exact, bool keep)
{
    const struct weigh_model *m = f->model;
    size_t n = m->unknowns, known = 0;
    double gradient[WEIGH_UNKNOWNS_MAX], step[WEIGH_UNKNOWNS_MAX];
    double now;
    bool fresh = false;

    if (!integrand_scalars(f, c->at, c->scalar))
        return false;
    now = height(m, c, c->at, c->scalar);
    if (isnan(now))
        return false;
    if (!exact)
        known = keep ? n : begin_slopes(m, c);
    fresh = known == 0;
    find_slopes(f, c, known);
    for (int round = 0; round < STEPS_MAX; round++) {
        double gain = 0, longest = 0;
        bool moved, small = false;

        if (!mode_normal(m, c, gradient))
            return false;
        precision_solve(&c->precision, n, gradient, step);
        for (size_t j = 0; j < n; j++) {
            gain += step[j] * gradient[j];
            longest = fmax(longest, fabs(step[j]));
        }
        if (gain < 0.01)
            break;
        moved =
            climb(f, c, step, longest > 4 ? 4 / longest : 1, fresh ? 8 : 3, exact, &now, &small);
        if (!moved && (fresh || gain < 0.5))
            break;
        if (exact || !moved) {
            find_slopes(f, c, 0);
            fresh = true;
        } else {
            size_t from = m->slope && m->slopes < n ? m->slopes : n;

            find_slopes(f, c, from);
            fresh = false;
        }
        if (small)
            break;
    }
    if (!mode_normal(m, c, gradient))
        return false;
    c->log_evidence =
        integrand_joint(m, c->mistaken, c->at, c->scalar) + 0.5 * (double)n * log(2 * M_PI);
    for (size_t j = 0; j < n; j++)
        c->log_evidence -= log(c->precision.root[j][j]);
    return isfinite(c->log_evidence);
}

bool mode_sharpen(const struct weigh_model *m, struct mode *c)
{
    double z[WEIGH_UNKNOWNS_MAX], up[WEIGH_ITEMS_MAX], down[WEIGH_ITEMS_MAX];
    double gradient[WEIGH_UNKNOWNS_MAX];

    memcpy(z, c->at, sizeof z);
    for (size_t j = 0; j < m->unknowns; j++) {
        bool good;

        memcpy(up, c->scalar, sizeof up);
        memcpy(down, c->scalar, sizeof down);
        z[j] = c->at[j] + SLOPE_STEP;
        good = integrand_quick(m, z, up);
        z[j] = c->at[j] - SLOPE_STEP;
        good = integrand_quick(m, z, down) && good;
        z[j] = c->at[j];
        if (!good)
            continue;
        for (size_t i = 0; i < m->items; i++)
            if (!m->costly[i])
                c->slope[i][j] = (up[i] - down[i]) / (2 * SLOPE_STEP);
    }
    return mode_normal(m, c, gradient);
}

double mode_misfit(const struct weigh_model *m, const struct mode *c, double *items)
{
    double square = 0;

    *items = 0;
    for (size_t j = 0; j < m->unknowns; j++)
        square += c->at[j] * c->at[j];
    for (size_t i = 0; i < m->items; i++) {
        double f = c->scalar[i];

        if (c->mistaken[i])
            continue;
        f = m->item_misfit ? m->item_misfit(m->context, i, f) : f * f;
        if (f >= 0) {
            *items += 1;
            square += f;
        }
    }
    return square;
}
