#include "analyze/infer/begin.h"

#include <gsl/gsl_blas.h>
#include <gsl/gsl_linalg.h>
#include <math.h>
#include <string.h>

#define GRID_END    3.0 /* standard deviations of the prior, either way */
#define GRID_STEP   0.25
#define GRID_FINEST 2e-5
#define SWEEPS      2 /* over the unknowns of a fault of several */
/* Log: an item is a mistake less often than not, and a mistake may be anything. */
#define MISTAKE_COSTS 8.0
#define MISTAKES_MAX  4 /* one more than cases.c adds one by one: two are found at a time */

struct walk {
    const struct weigh_model *model;
    const bool *out;              /* items taken as mistakes */
    size_t item[WEIGH_ITEMS_MAX]; /* cheap, and near normal in their scalar */
    size_t items;
    size_t other[WEIGH_ITEMS_MAX]; /* cheap, but not normal: bounds, poles */
    size_t others;
    gsl_matrix *spread;  /* Cholesky factor of the items' covariance under the other unknowns */
    gsl_matrix *inverse; /* of the same covariance */
    gsl_vector *miss, *weight;       /* weight: inverse times miss */
    double height;                   /* the highest so far */
    double without[WEIGH_ITEMS_MAX]; /* the same when item k is left out */
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
    height -= 0.5 * square;
    for (size_t k = 0; k < w->items; k++) {
        double own = gsl_vector_get(w->weight, k);

        w->without[k] =
            fmax(w->without[k], height + 0.5 * own * own / gsl_matrix_get(w->inverse, k, k));
    }
    return height;
}

/* The height with unknown j at x; *at follows the highest. */
static void look(struct walk *w, double *z, size_t j, double x, double *at)
{
    double height;

    z[j] = x;
    height = height_at(w, z);
    if (height > w->height) {
        w->height = height;
        *at = x;
    }
}

/* Along the grid in unknown j, and then closer and closer about its highest point: a good reading
 * pins an unknown down to a small part of a step, and between two points of the grid it would look
 * like a mistake. */
static void walk_along(struct walk *w, double *z, size_t j)
{
    double at = z[j];

    for (double x = -GRID_END; x <= GRID_END; x += GRID_STEP)
        look(w, z, j, x, &at);
    for (double step = 0.5 * GRID_STEP; step > GRID_FINEST; step *= 0.5) {
        double middle = at;

        look(w, z, j, middle - step, &at);
        look(w, z, j, middle + step, &at);
    }
    z[j] = at;
}

static void list_items(struct walk *w)
{
    const struct weigh_model *m = w->model;

    for (size_t i = 0; i < m->items; i++) {
        if (w->out[i] || (m->quick && m->costly[i]))
            continue;
        if (m->item_misfit && m->item_misfit(m->context, i, 0) < 0)
            w->other[w->others++] = i;
        else
            w->item[w->items++] = i;
    }
}

static bool prepare(struct walk *w)
{
    const struct weigh_model *m = w->model;
    bool ok;

    list_items(w);
    if (w->items == 0)
        return false;
    w->inverse = gsl_matrix_alloc(w->items, w->items);
    w->spread = gsl_matrix_alloc(w->items, w->items);
    w->miss = gsl_vector_alloc(w->items);
    w->weight = gsl_vector_calloc(w->items);
    ok = w->inverse && w->spread && w->miss && w->weight;
    for (size_t a = 0; ok && a < w->items; a++) {
        for (size_t b = 0; b < w->items; b++) {
            const double *x = m->slope + w->item[a] * m->slopes;
            const double *y = m->slope + w->item[b] * m->slopes;
            double sum = a == b ? 1 : 0;

            for (size_t j = 0; j < m->slopes; j++)
                sum += x[j] * y[j];
            gsl_matrix_set(w->spread, a, b, sum);
        }
        w->without[a] = -INFINITY;
    }
    return ok && gsl_linalg_cholesky_decomp1(w->spread) == 0 &&
           gsl_matrix_memcpy(w->inverse, w->spread) == 0 &&
           gsl_linalg_cholesky_invert(w->inverse) == 0;
}

static bool can_be_mistaken(const struct walk *w, size_t k)
{
    const struct weigh_model *m = w->model;

    return m->mistake && m->mistake(m->context, w->item[k]) > 0;
}

/* The item, or the two, that left out would let the rest fit better by most, and by more than
 * mistakes cost. Two that slipped alike and share an unknown hide each other: leaving out either
 * alone promises little. Returns how many, 0 to 2. */
static size_t find_suspects(const struct walk *w, size_t suspect[2])
{
    double most = 0;
    size_t count = 0;

    for (size_t a = 0; a < w->items; a++) {
        double x = gsl_vector_get(w->weight, a), p = gsl_matrix_get(w->inverse, a, a), gain;

        if (!can_be_mistaken(w, a))
            continue;
        gain = w->without[a] - w->height - MISTAKE_COSTS;
        if (gain > most) {
            most = gain;
            count = 1;
            suspect[0] = w->item[a];
        }
        for (size_t b = 0; b < a; b++) {
            double y = gsl_vector_get(w->weight, b), q = gsl_matrix_get(w->inverse, b, b);
            double r = gsl_matrix_get(w->inverse, a, b), det = p * q - r * r;

            if (!(det > 1e-12 * p * q) || !can_be_mistaken(w, b))
                continue;
            gain = 0.5 * (q * x * x - 2 * r * x * y + p * y * y) / det - 2 * MISTAKE_COSTS;
            if (gain > most) {
                most = gain;
                count = 2;
                suspect[0] = w->item[a];
                suspect[1] = w->item[b];
            }
        }
    }
    return count;
}

/* Walks with the items that are not out; fills z, and *suspects of suspect[]: find_suspects().
 * False when there is nothing to go by. */
static bool walk(const struct weigh_model *m, const bool *out, double *z, size_t suspect[2],
                 size_t *suspects)
{
    struct walk w = {.model = m, .out = out, .height = -INFINITY};

    *suspects = 0;
    memset(z, 0, m->unknowns * sizeof *z);
    if (prepare(&w)) {
        w.height = height_at(&w, z);
        for (int sweep = 0; sweep < (m->bends > 1 ? SWEEPS : 1); sweep++)
            for (size_t j = m->unknowns - m->bends; j < m->unknowns; j++)
                walk_along(&w, z, j);
        if (isfinite(w.height))
            w.height = height_at(&w, z);
        for (size_t j = 0; isfinite(w.height) && j < m->slopes; j++)
            for (size_t k = 0; k < w.items; k++)
                z[j] -= m->slope[w.item[k] * m->slopes + j] * gsl_vector_get(w.weight, k);
        for (size_t j = 0; j < m->unknowns; j++)
            z[j] = fmax(-4, fmin(4, z[j]));
        *suspects = isfinite(w.height) ? find_suspects(&w, suspect) : 0;
    }
    gsl_matrix_free(w.spread);
    gsl_vector_free(w.miss);
    gsl_vector_free(w.weight);
    gsl_matrix_free(w.inverse);
    return isfinite(w.height);
}

size_t begin_search(const struct weigh_model *model, double *z, bool *mistaken)
{
    const struct weigh_model *m = model;
    bool none[WEIGH_ITEMS_MAX] = {false}, *out = mistaken ? mistaken : none;
    size_t suspect[2], suspects, count = 0;

    memset(z, 0, m->unknowns * sizeof *z);
    memset(out, 0, m->items * sizeof *out);
    if (m->bends > m->unknowns || !m->slope || m->slopes > m->unknowns)
        return 0;
    while (walk(m, out, z, suspect, &suspects)) {
        if (!mistaken || suspects == 0 || count + suspects > MISTAKES_MAX)
            return 1 + count;
        for (size_t k = 0; k < suspects; k++)
            out[suspect[k]] = true;
        count += suspects;
    }
    memset(z, 0, m->unknowns * sizeof *z);
    memset(out, 0, m->items * sizeof *out);
    return 0;
}
