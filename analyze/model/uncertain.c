#include "analyze/model/uncertain.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

static double correlation(const double *r, size_t n, size_t i, size_t j)
{
    return i == j ? 1.0 : r ? r[i * n + j] : 0.0;
}

static enum status_code check_inputs(const struct uncertain_input *x, size_t n, const double *r,
                                     struct status *st)
{
    if (n > UNCERTAIN_INPUTS_MAX)
        return status_fail(st, STATUS_INPUT, "%zu uncertain inputs; at most %d are allowed", n,
                           UNCERTAIN_INPUTS_MAX);
    for (size_t i = 0; i < n; i++) {
        if (!isfinite(x[i].value))
            return status_fail(st, STATUS_INPUT, "%s is %g; it must be a number", x[i].name,
                               x[i].value);
        if (!isfinite(x[i].u) || x[i].u < 0.0)
            return status_fail(st, STATUS_INPUT,
                               "the standard uncertainty of %s is %g; it must be 0 or a positive "
                               "number",
                               x[i].name, x[i].u);
        for (size_t j = 0; r && j < n; j++)
            if (!(fabs(r[i * n + j]) <= 1.0) || r[i * n + j] != r[j * n + i] ||
                (i == j && r[i * n + j] != 1.0))
                return status_fail(st, STATUS_INPUT,
                                   "the correlation of %s and %s is %g; the matrix must be "
                                   "symmetric, 1 on the diagonal, between -1 and 1 elsewhere",
                                   x[i].name, x[j].name, r[i * n + j]);
    }
    return STATUS_OK;
}

static double bounded(const struct uncertain_input *x, double value)
{
    if (value < x->low)
        return x->low;
    return value > x->high ? x->high : value;
}

/* Welch and Satterthwaite, G.4.1: effective degrees of freedom of uncorrelated components. */
static double effective_dof(const struct uncertain_input *x, size_t n, const double *c, double u)
{
    double sum = 0.0;

    for (size_t i = 0; i < n; i++)
        if (isfinite(x[i].dof) && x[i].dof > 0.0)
            sum += pow(c[i] / u, 4.0) / x[i].dof;
    return sum > 0.0 ? 1.0 / sum : INFINITY;
}

static double coverage_95(double dof)
{
    if (!(dof < 1e6))
        return 1.959963984540054;
    return gsl_cdf_tdist_Pinv(0.975, fmax(dof, 1.0));
}

enum status_code uncertain_first_order(uncertain_model f, void *context,
                                       const struct uncertain_input *x, size_t n, const double *r,
                                       size_t m, struct uncertain_result *results,
                                       double *components, struct status *st)
{
    double point[UNCERTAIN_INPUTS_MAX];
    double *y, *up, *down, *c;
    enum status_code code = check_inputs(x, n, r, st);

    if (code)
        return code;
    y = malloc((3 * m + m * n + 1) * sizeof *y);
    if (!y)
        return status_fail(st, STATUS_MEMORY, "no memory for %zu results of %zu inputs", m, n);
    up = y + m;
    down = up + m;
    c = down + m;
    for (size_t i = 0; i < n; i++)
        point[i] = x[i].value;
    code = f(context, point, y, st);
    for (size_t i = 0; i < n && !code; i++) {
        double high = bounded(&x[i], x[i].value + x[i].u);
        double low = bounded(&x[i], x[i].value - x[i].u);

        for (size_t j = 0; j < m; j++)
            c[j * n + i] = 0.0;
        if (!(high > low))
            continue;
        point[i] = high;
        code = f(context, point, up, st);
        point[i] = low;
        if (!code)
            code = f(context, point, down, st);
        point[i] = x[i].value;
        /* a bound that cut one side off leaves a shorter step: carry it to the full +-u */
        for (size_t j = 0; j < m && !code; j++)
            c[j * n + i] = (up[j] - down[j]) / (high - low) * x[i].u;
    }
    for (size_t j = 0; j < m && !code; j++) {
        double sum = 0.0;
        const double *row = c + j * n;

        for (size_t i = 0; i < n; i++) {
            sum += row[i] * row[i];
            for (size_t k = i + 1; r && k < n; k++)
                sum += 2.0 * row[i] * row[k] * r[i * n + k];
        }
        results[j].value = y[j];
        results[j].u = isfinite(y[j]) && isfinite(sum) ? sqrt(fmax(sum, 0.0)) : NAN;
        results[j].dof = results[j].u > 0.0 ? effective_dof(x, n, row, results[j].u) : INFINITY;
        results[j].k = coverage_95(results[j].dof);
        results[j].low = y[j] - results[j].k * results[j].u;
        results[j].high = y[j] + results[j].k * results[j].u;
    }
    if (!code && components && n * m > 0)
        memcpy(components, c, m * n * sizeof *c);
    free(y);
    return code ? code : status_ok(st);
}

static double covariance(const double *a, const double *b, size_t n, const double *r)
{
    double sum = 0.0;

    for (size_t i = 0; i < n; i++)
        for (size_t k = 0; k < n; k++)
            sum += a[i] * b[k] * correlation(r, n, i, k);
    return sum;
}

double uncertain_result_correlation(const double *components, size_t n, const double *r, size_t j,
                                    size_t k)
{
    const double *a = components + j * n, *b = components + k * n;
    double va = covariance(a, a, n, r), vb = covariance(b, b, n, r);

    return va > 0.0 && vb > 0.0 ? covariance(a, b, n, r) / sqrt(va * vb) : NAN;
}

void uncertain_shares(const double *components, size_t n, const double *r, size_t j, double *shares)
{
    const double *c = components + j * n;
    double total = covariance(c, c, n, r);

    for (size_t i = 0; i < n; i++) {
        double sum = 0.0;

        for (size_t k = 0; k < n; k++)
            sum += c[i] * c[k] * correlation(r, n, i, k);
        shares[i] = total > 0.0 ? sum / total : 0.0;
    }
}

double uncertain_draw(gsl_rng *rng, enum uncertain_shape shape)
{
    switch (shape) {
    case UNCERTAIN_NORMAL:
        return gsl_ran_gaussian_ziggurat(rng, 1.0);
    case UNCERTAIN_UNIFORM:
        return sqrt(3.0) * (2.0 * gsl_rng_uniform(rng) - 1.0);
    case UNCERTAIN_TRIANGULAR:
        return sqrt(6.0) * (gsl_rng_uniform(rng) - gsl_rng_uniform(rng));
    case UNCERTAIN_ARCSINE:
        return sqrt(2.0) * sin(2.0 * M_PI * gsl_rng_uniform(rng));
    }
    return 0.0;
}

/* The lower triangle of the correlation matrix's Cholesky factor, by rows. */
static enum status_code factor(const double *r, size_t n, const struct uncertain_input *x,
                               double *lower, struct status *st)
{
    for (size_t i = 0; i < n; i++)
        for (size_t j = 0; j <= i; j++) {
            double sum = r[i * n + j];

            for (size_t k = 0; k < j; k++)
                sum -= lower[i * n + k] * lower[j * n + k];
            if (i != j) {
                lower[i * n + j] = lower[j * n + j] > 0.0 ? sum / lower[j * n + j] : 0.0;
            } else if (sum < -1e-9) {
                return status_fail(st, STATUS_INPUT,
                                   "the correlations given for %s and the inputs before it cannot "
                                   "all hold at once",
                                   x[i].name);
            } else {
                lower[i * n + i] = sqrt(fmax(sum, 0.0));
            }
        }
    return STATUS_OK;
}

static void summarise(double *a, size_t n, struct uncertain_result *out)
{
    double mean = 0.0, square = 0.0;
    size_t finite = 0, cut, first;

    for (size_t i = 0; i < n; i++) {
        double d;

        if (!isfinite(a[i]))
            continue;
        a[finite++] = a[i];
        d = a[finite - 1] - mean;
        mean += d / (double)finite;
        square += d * (a[finite - 1] - mean);
    }
    *out = (struct uncertain_result){NAN, NAN, INFINITY, NAN, NAN, NAN};
    if (finite < n || n < 2)
        return; /* open circuits among the draws: no mean can be stated */
    out->value = mean;
    out->u = sqrt(square / (double)(n - 1));
    /* 7.7: q = pM, r = (M - q) / 2 */
    cut = (size_t)(0.95 * (double)n + 0.5);
    first = (n - cut) / 2;
    out->low = gsl_stats_select(a, 1, n, first);
    out->high = gsl_stats_select(a, 1, n, first + cut < n ? first + cut : n - 1);
    out->k = out->u > 0.0 ? 0.5 * (out->high - out->low) / out->u : NAN;
}

enum status_code uncertain_monte_carlo(uncertain_model f, void *context,
                                       const struct uncertain_input *x, size_t n, const double *r,
                                       size_t m, size_t draws, unsigned long seed,
                                       struct uncertain_result *results, size_t *failed,
                                       struct status *st)
{
    double point[UNCERTAIN_INPUTS_MAX], z[UNCERTAIN_INPUTS_MAX];
    double *columns = NULL, *y, *lower = NULL;
    size_t good = 0, bad = 0;
    gsl_rng *rng = NULL;
    struct status local;
    enum status_code code = check_inputs(x, n, r, st);

    if (code)
        return code;
    if (draws < 100 || draws > 10000000)
        return status_fail(st, STATUS_INPUT,
                           "%zu Monte Carlo draws were asked for; from 100 to 10000000 are allowed",
                           draws);
    for (size_t i = 0; r && i < n; i++)
        for (size_t j = 0; j < n; j++)
            if (i != j && r[i * n + j] != 0.0 && x[i].shape != UNCERTAIN_NORMAL)
                return status_fail(st, STATUS_INPUT,
                                   "%s is correlated with %s and must be normal for that",
                                   x[i].name, x[j].name);
    columns = malloc((m * draws + m + n * n + 1) * sizeof *columns);
    rng = gsl_rng_alloc(gsl_rng_mt19937);
    if (!columns || !rng) {
        code = status_fail(st, STATUS_MEMORY, "no memory for %zu draws of %zu results", draws, m);
        goto out;
    }
    y = columns + m * draws;
    if (r) {
        lower = y + m;
        code = factor(r, n, x, lower, st);
        if (code)
            goto out;
    }
    gsl_rng_set(rng, seed);
    for (size_t d = 0; d < draws; d++) {
        for (size_t i = 0; i < n; i++)
            z[i] = uncertain_draw(rng, x[i].shape);
        for (size_t i = 0; i < n; i++) {
            double e = z[i];

            if (lower) {
                e = 0.0;
                for (size_t k = 0; k <= i; k++)
                    e += lower[i * n + k] * z[k];
            }
            point[i] = bounded(&x[i], x[i].value + x[i].u * e);
        }
        if (f(context, point, y, &local)) {
            bad++;
            if (bad > draws / 10 + 10) {
                code = status_fail(st, STATUS_NUMERIC,
                                   "more than one draw in ten could not be worked out; the last: "
                                   "%.300s",
                                   local.text);
                goto out;
            }
            continue;
        }
        for (size_t j = 0; j < m; j++)
            columns[j * draws + good] = y[j];
        good++;
    }
    for (size_t j = 0; j < m; j++)
        summarise(columns + j * draws, good, &results[j]);
    if (failed)
        *failed = bad;
    code = status_ok(st);
out:
    gsl_rng_free(rng);
    free(columns);
    return code;
}

double uncertain_tolerance(double u, int digits)
{
    int exponent;

    if (!(u > 0.0) || !isfinite(u))
        return 0.0;
    exponent = (int)floor(log10(u)) - (digits - 1);
    /* u = c 10^l with c of so many digits; rounding up may carry into the next decade */
    if (round(u / pow(10.0, exponent)) >= pow(10.0, digits))
        exponent++;
    return 0.5 * pow(10.0, exponent);
}

bool uncertain_agree(const struct uncertain_result *first_order,
                     const struct uncertain_result *monte_carlo, int digits)
{
    double delta = uncertain_tolerance(monte_carlo->u, digits);

    return fabs(first_order->low - monte_carlo->low) <= delta &&
           fabs(first_order->high - monte_carlo->high) <= delta;
}
