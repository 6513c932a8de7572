#include "analyze/model/surrogate.h"

#include <gsl/gsl_blas.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_linalg.h>
#include <gsl/gsl_matrix.h>
#include <gsl/gsl_rng.h>
#include <gsl/gsl_vector.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* An input gets products with others when it makes at least this part of some result's standard
 * uncertainty. */
#define ACTIVE 0.03

/* An input is strong, and gets all third-order products with the other strong ones, when it makes
 * at least this part of some result's standard uncertainty; there are at most STRONG_MOST of them.
 */
#define STRONG      0.20
#define STRONG_MOST 6

/* Fresh draws that measure the error and give the misses. */
#define FRESH 512

/* Training draws are spread this much wider than the inputs, so that tails are inside. */
#define SPREAD 1.4

enum kind { FIXED, PLAIN, LOGARITHM };

struct surrogate {
    size_t n, m, terms, active, strong;
    double centre[UNCERTAIN_INPUTS_MAX], scale[UNCERTAIN_INPUTS_MAX];
    double offset[UNCERTAIN_INPUTS_MAX]; /* above 0: the logarithm of the input plus this */
    size_t which[UNCERTAIN_INPUTS_MAX];  /* strong first, then active, then the rest */
    size_t fitted;                       /* results with a surface of their own */
    size_t *column;                      /* of each: which result */
    enum kind *kind;                     /* of each of the m results */
    double *sign;
    double *constant;
    double *coefficients; /* terms x fitted */
    double *misses;       /* FRESH x fitted, in what is fitted */
};

/* A length that is doubtful by a good part of itself, such as a small gap, acts more by its ratio
 * than by its difference. */
static double warp(const struct surrogate *s, size_t k, double x)
{
    return s->offset[k] > 0.0 ? log(x + s->offset[k]) : x;
}

static void features(const struct surrogate *s, const double *x, double *p)
{
    double z[UNCERTAIN_INPUTS_MAX];
    size_t t = 0;

    p[t++] = 1.0;
    for (size_t i = 0; i < s->n; i++) {
        size_t k = s->which[i];

        z[i] = (warp(s, k, x[k]) - s->centre[k]) * s->scale[k];
        p[t++] = z[i];
        p[t++] = z[i] * z[i];
    }
    for (size_t i = 0; i < s->active; i++)
        for (size_t j = 0; j < i; j++)
            p[t++] = z[i] * z[j];
    for (size_t i = 0; i < s->strong; i++) {
        for (size_t j = 0; j <= i; j++)
            for (size_t k = 0; k <= j; k++)
                p[t++] = z[i] * z[j] * z[k];
        p[t++] = z[i] * z[i] * z[i] * z[i];
    }
}

static size_t count_terms(size_t n, size_t active, size_t strong)
{
    return 1 + 2 * n + active * (active - (active > 0)) / 2 +
           strong * (strong + 1) * (strong + 2) / 6 + strong;
}

#define TERMS_MAX                                                                                  \
    (1 + 3 * UNCERTAIN_INPUTS_MAX + UNCERTAIN_INPUTS_MAX * UNCERTAIN_INPUTS_MAX / 2 + 100)

void surrogate_run(const struct surrogate *s, const double *x, size_t miss, double *y)
{
    double p[TERMS_MAX], sum[UNCERTAIN_INPUTS_MAX * 2];
    const double *c = s->coefficients;

    features(s, x, p);
    if (miss == SURROGATE_SMOOTH)
        memset(sum, 0, s->fitted * sizeof *sum);
    else
        memcpy(sum, s->misses + miss % FRESH * s->fitted, s->fitted * sizeof *sum);
    for (size_t t = 0; t < s->terms; t++, c += s->fitted)
        for (size_t j = 0; j < s->fitted; j++)
            sum[j] += p[t] * c[j];
    memcpy(y, s->constant, s->m * sizeof *y);
    for (size_t j = 0; j < s->fitted; j++) {
        size_t q = s->column[j];

        y[q] = s->kind[q] == LOGARITHM ? s->sign[q] * exp(sum[j]) : sum[j];
    }
}

void surrogate_free(struct surrogate *s)
{
    if (!s)
        return;
    free(s->column);
    free(s->kind);
    free(s->sign);
    free(s->constant);
    free(s->coefficients);
    free(s->misses);
    free(s);
}

static void draw_point(gsl_rng *rng, const struct uncertain_input *x, size_t n, double spread,
                       double *point)
{
    for (size_t i = 0; i < n; i++) {
        double v = x[i].value + spread * x[i].u * uncertain_draw(rng, x[i].shape);

        point[i] = fmin(fmax(v, x[i].low), x[i].high);
    }
}

/* Runs the model at 'runs' drawn points. xs: runs x n, ys: runs x m. */
static enum status_code sample(uncertain_model f, void *context, const struct uncertain_input *x,
                               size_t n, size_t m, gsl_rng *rng, double spread, size_t runs,
                               double *xs, double *ys, struct status *st)
{
    size_t failed = 0;
    struct status local;

    for (size_t k = 0; k < runs;) {
        draw_point(rng, x, n, spread, xs + k * n);
        if (f(context, xs + k * n, ys + k * m, &local) == STATUS_OK) {
            k++;
            continue;
        }
        if (++failed > runs / 10 + 10)
            return status_fail(st, STATUS_NUMERIC,
                               "more than one trial in ten could not be worked out; the last: "
                               "%.300s",
                               local.text);
    }
    return STATUS_OK;
}

/* Which results vary, and how each is best fitted. */
static void sort_results(struct surrogate *s, const double *nominal, const double *ys, size_t runs)
{
    s->fitted = 0;
    for (size_t q = 0; q < s->m; q++) {
        bool varies = false, finite = isfinite(nominal[q]), one_sign = nominal[q] != 0.0;

        for (size_t k = 0; k < runs; k++) {
            double y = ys[k * s->m + q];

            finite = finite && isfinite(y);
            varies = varies || y != nominal[q];
            one_sign = one_sign && y * nominal[q] > 0.0;
        }
        s->constant[q] = nominal[q];
        s->kind[q] = !finite || !varies ? FIXED : one_sign ? LOGARITHM : PLAIN;
        s->sign[q] = nominal[q] < 0.0 ? -1.0 : 1.0;
        if (s->kind[q] != FIXED)
            s->column[s->fitted++] = q;
    }
}

static double transformed(const struct surrogate *s, size_t q, double y)
{
    return s->kind[q] == LOGARITHM ? log(y * s->sign[q]) : y;
}

/* Least squares for all results at once by the normal equations; the inputs are standardised, and a
 * hair of ridge keeps products of unused combinations harmless. */
static enum status_code solve(struct surrogate *s, const double *xs, const double *ys, size_t runs,
                              struct status *st)
{
    enum status_code code = STATUS_OK;
    gsl_error_handler_t *handler = gsl_set_error_handler_off();
    gsl_matrix *a = gsl_matrix_alloc(runs, s->terms),
               *normal = gsl_matrix_alloc(s->terms, s->terms);
    gsl_vector *y = gsl_vector_alloc(runs), *b = gsl_vector_alloc(s->terms);

    if (!a || !normal || !y || !b) {
        code = status_fail(st, STATUS_MEMORY, "no memory for a surface of %zu terms", s->terms);
        goto out;
    }
    for (size_t k = 0; k < runs; k++)
        features(s, xs + k * s->n, gsl_matrix_ptr(a, k, 0));
    gsl_blas_dsyrk(CblasLower, CblasTrans, 1.0, a, 0.0, normal);
    for (size_t t = 0; t < s->terms; t++)
        *gsl_matrix_ptr(normal, t, t) += 1e-9 * (double)runs;
    if (gsl_linalg_cholesky_decomp1(normal)) {
        code =
            status_fail(st, STATUS_NUMERIC, "the surface of %zu terms has no unique fit", s->terms);
        goto out;
    }
    for (size_t j = 0; j < s->fitted; j++) {
        size_t q = s->column[j];

        for (size_t k = 0; k < runs; k++)
            gsl_vector_set(y, k, transformed(s, q, ys[k * s->m + q]));
        gsl_blas_dgemv(CblasTrans, 1.0, a, y, 0.0, b);
        gsl_linalg_cholesky_svx(normal, b);
        for (size_t t = 0; t < s->terms; t++)
            s->coefficients[t * s->fitted + j] = gsl_vector_get(b, t);
    }
out:
    gsl_matrix_free(a);
    gsl_matrix_free(normal);
    gsl_vector_free(y);
    gsl_vector_free(b);
    gsl_set_error_handler(handler);
    return code;
}

static double measure_error(struct surrogate *s, const double *xs, const double *ys,
                            double *scratch)
{
    double worst = 0.0;

    for (size_t j = 0; j < s->fitted; j++) {
        size_t q = s->column[j];
        double mean = 0.0, spread = 0.0, error = 0.0;

        for (size_t k = 0; k < FRESH; k++)
            mean += ys[k * s->m + q] / FRESH;
        for (size_t k = 0; k < FRESH; k++) {
            double y = ys[k * s->m + q];

            surrogate_run(s, xs + k * s->n, SURROGATE_SMOOTH, scratch);
            spread += (y - mean) * (y - mean);
            error += (y - scratch[q]) * (y - scratch[q]);
            if (s->kind[q] == PLAIN || y * s->sign[q] > 0.0)
                s->misses[k * s->fitted + j] = transformed(s, q, y) - transformed(s, q, scratch[q]);
        }
        /* what hardly varies at all need not be followed */
        if (sqrt(spread / FRESH) > 1e-7 * fabs(mean))
            worst = fmax(worst, sqrt(error / spread));
    }
    return worst;
}

/* Orders the inputs by the greatest part they have in the uncertainty of any result. */
static void rank_inputs(struct surrogate *s, const double *components)
{
    double part[UNCERTAIN_INPUTS_MAX] = {0};

    for (size_t q = 0; q < s->m; q++) {
        const double *c = components + q * s->n;
        double total = 0.0;

        for (size_t i = 0; i < s->n; i++)
            total += c[i] * c[i];
        for (size_t i = 0; i < s->n && isfinite(total) && total > 0.0; i++)
            part[i] = fmax(part[i], fabs(c[i]) / sqrt(total));
    }
    for (size_t i = 0; i < s->n; i++) {
        size_t k = i;

        for (; k > 0 && part[s->which[k - 1]] < part[i]; k--)
            s->which[k] = s->which[k - 1];
        s->which[k] = i;
        s->active += part[i] > ACTIVE;
        s->strong += part[i] > STRONG;
    }
    s->strong = s->strong < STRONG_MOST ? s->strong : STRONG_MOST;
}

enum status_code surrogate_fit(uncertain_model f, void *context, const struct uncertain_input *x,
                               size_t n, size_t m, const double *components, unsigned long seed,
                               struct surrogate **out, double *error, struct status *st)
{
    struct surrogate *s = calloc(1, sizeof *s);
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    double centre[UNCERTAIN_INPUTS_MAX], *xs = NULL, *ys = NULL, *nominal;
    enum status_code code;
    size_t runs;

    *out = NULL;
    *error = NAN;
    if (!s || !rng || n > UNCERTAIN_INPUTS_MAX || m > 2 * UNCERTAIN_INPUTS_MAX)
        goto memory;
    s->n = n;
    s->m = m;
    for (size_t i = 0; i < n; i++) {
        centre[i] = x[i].value;
        s->scale[i] = x[i].u > 0.0 ? 1.0 / x[i].u : 0.0;
        if (x[i].low >= 0.0 && x[i].value >= 0.0 && x[i].u > 0.05 * x[i].value) {
            s->offset[i] = x[i].u;
            s->scale[i] = (x[i].value + x[i].u) / x[i].u;
        }
        s->centre[i] = warp(s, i, centre[i]);
    }
    rank_inputs(s, components);
    s->terms = count_terms(n, s->active, s->strong);
    runs = 3 * s->terms + 50;
    xs = malloc((runs > FRESH ? runs : FRESH) * n * sizeof *xs + sizeof *xs);
    ys = malloc(((runs > FRESH ? runs : FRESH) + 1) * m * sizeof *ys);
    s->column = calloc(m, sizeof *s->column);
    s->kind = calloc(m, sizeof *s->kind);
    s->sign = calloc(m, sizeof *s->sign);
    s->constant = calloc(m, sizeof *s->constant);
    s->coefficients = calloc(s->terms * m, sizeof *s->coefficients);
    s->misses = calloc(FRESH * m, sizeof *s->misses);
    if (!xs || !ys || !s->column || !s->kind || !s->sign || !s->constant || !s->coefficients ||
        !s->misses)
        goto memory;
    nominal = ys + (runs > FRESH ? runs : FRESH) * m;
    gsl_rng_set(rng, seed);
    code = f(context, centre, nominal, st);
    if (!code)
        code = sample(f, context, x, n, m, rng, SPREAD, runs, xs, ys, st);
    if (!code) {
        sort_results(s, nominal, ys, runs);
        code = solve(s, xs, ys, runs, st);
    }
    if (!code)
        code = sample(f, context, x, n, m, rng, 1.0, FRESH, xs, ys, st);
    if (!code)
        *error = measure_error(s, xs, ys, nominal);
    goto out;
memory:
    code = status_fail(st, STATUS_MEMORY, "no memory for a surface of %zu inputs", n);
out:
    gsl_rng_free(rng);
    free(xs);
    free(ys);
    if (code) {
        surrogate_free(s);
        return code;
    }
    *out = s;
    return status_ok(st);
}
