#include "analyze/infer/direction.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_eigen.h>
#include <gsl/gsl_matrix.h>
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/infer/scatter.h"

#define LEAST           0.12 /* a direction that moves no reading by this much of its noise */
#define LEFT_FOR_FAULTS 6    /* unknowns that a finding may have of its own */

/* Rows: the items with aiding limbs, then again with cancelling ones. */
struct effects {
    size_t items, rows;
    double (*effect)[SUPPOSE_NUISANCES_MAX]; /* of one standard deviation, in units of the noise */
    gsl_matrix *vectors;                     /* eigenvectors of effect effect', greatest first */
    gsl_vector *values;
};

/* Effect of one standard deviation of each nuisance on each item, in units of its noise. */
static bool find_effects(const struct fault_scope *scope, const struct nuisance_list *list,
                         const struct reading_plan *plan, const double *noise, unsigned faults,
                         double (*effect)[SUPPOSE_NUISANCES_MAX], double *middle)
{
    struct suppose_variant v = {.wire = -1, .instrument = -1};
    struct reading_state state;
    double reading[EVIDENCE_MAX], z[SUPPOSE_NUISANCES_MAX] = {0};

    for (size_t n = 0; n <= list->count; n++) {
        if (n > 0)
            z[n - 1] = 0.5;
        nuisance_state(list, scope->bench, z, &state);
        if (n > 0)
            z[n - 1] = 0;
        fault_apply(scope, &v, faults, NULL, &state);
        if (!reading_all(scope->bench, &state, scope->evidence, plan, true, reading)) {
            if (n == 0)
                return false;
            memcpy(reading, middle, sizeof reading);
        }
        for (size_t i = 0; i < scope->evidence->count; i++) {
            if (n == 0)
                middle[i] = reading[i];
            else
                effect[i][n - 1] = (reading[i] - middle[i]) / 0.5 / noise[i];
        }
    }
    return true;
}

/* Fills e->vectors and e->values. */
static enum status_code decompose(struct effects *e, size_t nuisances, struct status *st)
{
    gsl_matrix *square = gsl_matrix_calloc(e->rows, e->rows);
    gsl_eigen_symmv_workspace *work = gsl_eigen_symmv_alloc(e->rows);
    enum status_code code = STATUS_OK;

    if (!square || !work) {
        code = status_fail(st, STATUS_MEMORY, "no memory for the evidence");
        goto out;
    }
    for (size_t i = 0; i < e->rows; i++) {
        for (size_t j = 0; j < e->rows; j++) {
            double sum = 0;

            for (size_t n = 0; n < nuisances; n++)
                sum += e->effect[i][n] * e->effect[j][n];
            gsl_matrix_set(square, i, j, sum);
        }
    }
    if (gsl_eigen_symmv(square, e->values, e->vectors, work) != 0)
        code = status_fail(st, STATUS_NUMERIC, "the effects of the evidence did not settle");
    else
        gsl_eigen_symmv_sort(e->values, e->vectors, GSL_EIGEN_SORT_VAL_DESC);
out:
    gsl_matrix_free(square);
    if (work)
        gsl_eigen_symmv_free(work);
    return code;
}

/* Fills d->turn with the directions that matter; dropped[]: variance that the others give each
 * item, in units of its noise. */
static void choose(const struct effects *e, struct direction_set *d, double *dropped)
{
    for (size_t j = 0; j < e->rows; j++) {
        double size = sqrt(fmax(0, gsl_vector_get(e->values, j)));

        if (size < 1e-6)
            break;
        if (size >= LEAST && d->count < WEIGH_UNKNOWNS_MAX - LEFT_FOR_FAULTS) {
            for (size_t n = 0; n < d->nuisances; n++) {
                double sum = 0;

                for (size_t i = 0; i < e->rows; i++)
                    sum += e->effect[i][n] * gsl_matrix_get(e->vectors, i, j);
                d->turn[n][d->count] = sum / size;
            }
            d->count++;
        } else {
            for (size_t i = 0; i < e->items; i++) {
                double part = size * gsl_matrix_get(e->vectors, i, j);

                dropped[i] += part * part;
            }
        }
    }
}

static void fill_slopes(const struct effects *e, const double *dropped, struct direction_set *d)
{
    for (size_t r = 0; r < e->rows; r++) {
        size_t i = r % e->items;

        for (size_t j = 0; j < d->count; j++) {
            double sum = 0;

            for (size_t n = 0; n < d->nuisances; n++)
                sum += e->effect[r][n] * d->turn[n][j];
            d->slope[r / e->items][i * d->count + j] = sum / sqrt(1 + dropped[i]);
        }
    }
}

enum status_code direction_find(const struct fault_scope *scope, const struct nuisance_list *list,
                                const struct reading_plan *plan, struct likely *likely,
                                struct direction_set *out, struct status *st)
{
    bool both = scope->bench->limbs > 1;
    struct effects e = {.items = scope->evidence->count};
    double unused[EVIDENCE_MAX], dropped[EVIDENCE_MAX] = {0};
    enum status_code code = STATUS_OK;

    out->count = 0;
    out->nuisances = list->count;
    if (e.items == 0)
        return status_ok(st);
    e.rows = e.items * (both ? 2 : 1);
    e.effect = calloc(e.rows, sizeof *e.effect);
    e.vectors = gsl_matrix_calloc(e.rows, e.rows);
    e.values = gsl_vector_calloc(e.rows);
    if (!e.effect || !e.vectors || !e.values)
        code = status_fail(st, STATUS_MEMORY, "no memory for the evidence");
    else if (!find_effects(scope, list, plan, likely->noise, 0, e.effect, likely->middle) ||
             (both && !find_effects(scope, list, plan, likely->noise, FINDING_CANCEL,
                                    e.effect + e.items, unused)))
        code = status_fail(st, STATUS_NUMERIC,
                           "the coil as designed cannot be worked out under the conditions of the "
                           "evidence");
    else
        code = decompose(&e, list->count, st);
    if (code == STATUS_OK) {
        choose(&e, out, dropped);
        for (size_t i = 0; i < e.items; i++)
            likely->noise[i] *= sqrt(1 + dropped[i]);
        fill_slopes(&e, dropped, out);
    }
    free(e.effect);
    gsl_matrix_free(e.vectors);
    gsl_vector_free(e.values);
    return code;
}

/* Draw 'tail' of the prior, less what of it lies along the directions searched. */
static void draw_rest(const struct direction_set *d, size_t tail, double *nuisance)
{
    double along[WEIGH_UNKNOWNS_MAX] = {0};

    for (size_t i = 0; i < d->nuisances; i++) {
        nuisance[i] = gsl_cdf_ugaussian_Pinv(scatter_unit(tail, i + 1));
        for (size_t j = 0; j < d->count; j++)
            along[j] += nuisance[i] * d->turn[i][j];
    }
    for (size_t i = 0; i < d->nuisances; i++)
        for (size_t j = 0; j < d->count; j++)
            nuisance[i] -= along[j] * d->turn[i][j];
}

void direction_nuisances(const struct direction_set *d, const double *z, size_t tail,
                         double nuisance[SUPPOSE_NUISANCES_MAX])
{
    memset(nuisance, 0, SUPPOSE_NUISANCES_MAX * sizeof *nuisance);
    if (tail > 0)
        draw_rest(d, tail, nuisance);
    for (size_t i = 0; i < d->nuisances; i++)
        for (size_t j = 0; j < d->count; j++)
            nuisance[i] += d->turn[i][j] * z[j];
}
