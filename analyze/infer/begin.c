#include "analyze/infer/begin.h"

#include <gsl/gsl_blas.h>
#include <gsl/gsl_linalg.h>
#include <math.h>
#include <string.h>

#define GRID_END  3.0 /* standard deviations of the prior, either way */
#define GRID_STEP 0.25
#define SWEEPS    2 /* over the unknowns of a fault of several */

struct walk {
    const struct weigh_model *model;
    size_t item[WEIGH_ITEMS_MAX]; /* cheap, and near normal in their scalar */
    size_t items;
    size_t other[WEIGH_ITEMS_MAX]; /* cheap, but not normal: bounds, poles */
    size_t others;
    gsl_matrix *spread; /* Cholesky factor of the items' covariance under the other unknowns */
    gsl_vector *miss, *weight;
};

static bool scalars_at(const struct weigh_model *m, const double *z, double *scalar)
{
    bool ok = m->quick ? m->quick(m->context, z, scalar) : m->scalars(m->context, z, scalar);

    for (size_t i = 0; ok && i < m->items; i++) {
        if (m->quick && m->costly[i])
            continue;
        if (isnan(scalar[i]))
            return false;
        scalar[i] = fmax(-WEIGH_FAR, fmin(WEIGH_FAR, scalar[i]));
    }
    return ok;
}

/* Log density, but for a constant, of what the cheap items say at the fault's unknowns of z; leaves
 * in walk->weight what the other unknowns are drawn along by. */
static double height_at(struct walk *w, const double *z)
{
    const struct weigh_model *m = w->model;
    double scalar[WEIGH_ITEMS_MAX] = {0}, height = 0, square;

    if (!scalars_at(m, z, scalar))
        return -INFINITY;
    for (size_t j = m->unknowns - m->bends; j < m->unknowns; j++)
        height -= 0.5 * z[j] * z[j];
    for (size_t k = 0; k < w->others; k++)
        height += m->sound(m->context, w->other[k], scalar[w->other[k]]);
    for (size_t k = 0; k < w->items; k++)
        gsl_vector_set(w->miss, k, scalar[w->item[k]]);
    if (gsl_linalg_cholesky_solve(w->spread, w->miss, w->weight) != 0 ||
        gsl_blas_ddot(w->miss, w->weight, &square) != 0)
        return -INFINITY;
    return height - 0.5 * square;
}

/* Along the grid in unknown j. */
static double walk_along(struct walk *w, double *z, size_t j, double best)
{
    double at = z[j];

    for (double x = -GRID_END; x <= GRID_END; x += GRID_STEP) {
        double height;

        z[j] = x;
        height = height_at(w, z);
        if (height > best) {
            best = height;
            at = x;
        }
    }
    z[j] = at;
    return best;
}

static bool prepare(struct walk *w, const struct weigh_model *m)
{
    for (size_t i = 0; i < m->items; i++) {
        if (m->quick && m->costly[i])
            continue;
        if (m->item_misfit && m->item_misfit(m->context, i, 0) < 0)
            w->other[w->others++] = i;
        else
            w->item[w->items++] = i;
    }
    if (w->items == 0)
        return false;
    w->spread = gsl_matrix_alloc(w->items, w->items);
    w->miss = gsl_vector_alloc(w->items);
    w->weight = gsl_vector_calloc(w->items);
    if (!w->spread || !w->miss || !w->weight)
        return false;
    for (size_t a = 0; a < w->items; a++) {
        for (size_t b = 0; b < w->items; b++) {
            const double *x = m->slope + w->item[a] * m->slopes;
            const double *y = m->slope + w->item[b] * m->slopes;
            double sum = a == b ? 1 : 0;

            for (size_t j = 0; j < m->slopes; j++)
                sum += x[j] * y[j];
            gsl_matrix_set(w->spread, a, b, sum);
        }
    }
    return gsl_linalg_cholesky_decomp1(w->spread) == 0;
}

bool begin_search(const struct weigh_model *model, double *z)
{
    const struct weigh_model *m = model;
    struct walk w = {.model = m};
    double best = -INFINITY;

    memset(z, 0, m->unknowns * sizeof *z);
    if (m->bends == 0 || m->bends > m->unknowns || !m->slope || m->slopes > m->unknowns)
        return false;
    if (prepare(&w, m)) {
        best = height_at(&w, z);
        for (int sweep = 0; sweep < (m->bends > 1 ? SWEEPS : 1); sweep++)
            for (size_t j = m->unknowns - m->bends; j < m->unknowns; j++)
                best = walk_along(&w, z, j, best);
        if (isfinite(best))
            best = height_at(&w, z);
        for (size_t j = 0; isfinite(best) && j < m->slopes; j++)
            for (size_t k = 0; k < w.items; k++)
                z[j] -= m->slope[w.item[k] * m->slopes + j] * gsl_vector_get(w.weight, k);
        for (size_t j = 0; j < m->unknowns; j++)
            z[j] = fmax(-4, fmin(4, z[j]));
    }
    gsl_matrix_free(w.spread);
    gsl_vector_free(w.miss);
    gsl_vector_free(w.weight);
    return isfinite(best);
}
