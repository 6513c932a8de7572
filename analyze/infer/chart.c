#include "analyze/infer/chart.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include <gsl/gsl_cdf.h>

/* Mean range of two values of a normal distribution, in standard deviations. */
#define D2 1.128

/* Chance of setting a value aside in a batch that has no wild one. */
#define ALPHA 0.01

/* The values that are left, with their places in the order. */
struct kept {
    const double *value;
    bool *out; /* set aside */
    size_t n;  /* all of them */
};

static double mean_of(const struct kept *k, size_t *count)
{
    double mean = 0.0;

    *count = 0;
    for (size_t i = 0; i < k->n; ++i)
        if (!k->out[i])
            mean += (k->value[i] - mean) / (double)(++*count);
    return mean;
}

static double deviation_of(const struct kept *k, double mean, size_t count)
{
    double square = 0.0;

    for (size_t i = 0; i < k->n; ++i)
        if (!k->out[i])
            square += (k->value[i] - mean) * (k->value[i] - mean);
    return sqrt(square / ((double)count - 1.0));
}

/* The critical value of the i-th deviate (from 1) of n: (n - i) t / sqrt((n - i - 1 + t^2)
 * (n - i + 1)), t Student's quantile at 1 - alpha / (2 (n - i + 1)) with n - i - 1 degrees. */
static double critical(size_t n, size_t i, double alpha)
{
    double left = (double)(n - i);
    double t = gsl_cdf_tdist_Qinv(alpha / (2.0 * (left + 1.0)), left - 1.0);

    return left * t / sqrt((left - 1.0 + t * t) * (left + 1.0));
}

size_t chart_outliers(const double *value, size_t n, size_t most, double alpha, size_t *outlier)
{
    bool out[CHART_MOST] = {false};
    struct kept k = {value, out, n};
    size_t found = 0;

    if (n < 3 || n > CHART_MOST)
        return 0;
    if (most > n - 2)
        most = n - 2;
    for (size_t i = 1; i <= most; ++i) {
        size_t count;
        double mean = mean_of(&k, &count);
        double sd = deviation_of(&k, mean, count);
        size_t far = 0;

        while (out[far])
            ++far;
        for (size_t j = far + 1; j < n; ++j)
            if (!out[j] && fabs(value[j] - mean) > fabs(value[far] - mean))
                far = j;
        if (sd > 0.0 && fabs(value[far] - mean) / sd > critical(n, i, alpha))
            found = i;
        out[far] = true;
        outlier[i - 1] = far;
    }
    return found;
}

static size_t longest_run(const struct kept *k, double centre)
{
    size_t longest = 0;
    size_t run = 0;
    int side = 0;

    for (size_t i = 0; i < k->n; ++i) {
        int now = (k->value[i] > centre) - (k->value[i] < centre);

        if (k->out[i])
            continue;
        run = now != 0 && now == side ? run + 1 : now != 0;
        side = now;
        if (run > longest)
            longest = run;
    }
    return longest;
}

/* Least squares of the values that are left against their places 0, 1, 2 ... */
static void fit_drift(const struct kept *k, struct chart *chart)
{
    double middle = 0.0;
    double product = 0.0;
    double square = 0.0;
    double rest = 0.0;
    double n = 0.0;

    for (size_t i = 0; i < k->n; ++i)
        if (!k->out[i])
            middle += ((double)i - middle) / ++n;
    for (size_t i = 0; i < k->n; ++i) {
        if (k->out[i])
            continue;
        product += ((double)i - middle) * (k->value[i] - chart->centre);
        square += ((double)i - middle) * ((double)i - middle);
    }
    chart->slope = product / square;
    for (size_t i = 0; i < k->n; ++i) {
        double r = k->value[i] - chart->centre - chart->slope * ((double)i - middle);

        if (!k->out[i])
            rest += r * r;
    }
    chart->slope_u = sqrt(rest / (n - 2.0) / square);
    chart->drift_p = chart->slope_u > 0.0
                         ? 2.0 * gsl_cdf_tdist_Q(fabs(chart->slope) / chart->slope_u, n - 2.0)
                     : chart->slope != 0.0 ? 0.0
                                           : 1.0;
}

/* Mean of the ranges between neighbours among those that are left. */
static double mean_range(const struct kept *k)
{
    double before = NAN;
    double range = 0.0;
    size_t ranges = 0;

    for (size_t i = 0; i < k->n; ++i) {
        if (k->out[i])
            continue;
        if (isfinite(before))
            range += (fabs(k->value[i] - before) - range) / (double)(++ranges);
        before = k->value[i];
    }
    return range;
}

enum status_code chart_make(const double *value, size_t n, struct chart *chart, struct status *st)
{
    bool out[CHART_MOST] = {false};
    size_t outlier[CHART_MOST];
    struct kept k = {value, out, n};
    size_t count;

    memset(chart, 0, sizeof *chart);
    if (n < CHART_LEAST || n > CHART_MOST)
        return status_fail(st, STATUS_INPUT, "%zu values; a chart needs %d to %d", n, CHART_LEAST,
                           CHART_MOST);
    for (size_t i = 0; i < n; ++i)
        if (!isfinite(value[i]))
            return status_fail(st, STATUS_INPUT, "value %zu is not a number", i + 1);
    chart->n = n;
    chart->wild = chart_outliers(value, n, n / 3, ALPHA, outlier);
    for (size_t i = 0; i < chart->wild; ++i)
        out[outlier[i]] = true;
    chart->centre = mean_of(&k, &count);
    chart->sd = mean_range(&k) / D2;
    chart->low = chart->centre - 3.0 * chart->sd;
    chart->high = chart->centre + 3.0 * chart->sd;
    for (size_t i = 0; i < n; ++i)
        chart->outside += chart_outside(chart, value[i]);
    chart->run = longest_run(&k, chart->centre);
    fit_drift(&k, chart);
    return status_ok(st);
}

bool chart_outside(const struct chart *chart, double value)
{
    return value < chart->low || value > chart->high;
}
