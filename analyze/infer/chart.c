#include "analyze/infer/chart.h"

#include <math.h>
#include <string.h>

#include <gsl/gsl_cdf.h>

/* Mean range of two values of a normal distribution, in standard deviations. */
#define D2 1.128

static size_t longest_run(const double *value, size_t n, double centre)
{
    size_t longest = 0;
    size_t run = 0;
    int side = 0;

    for (size_t i = 0; i < n; ++i) {
        int now = (value[i] > centre) - (value[i] < centre);

        run = now != 0 && now == side ? run + 1 : now != 0;
        side = now;
        if (run > longest)
            longest = run;
    }
    return longest;
}

/* Least squares of the value against 0, 1, 2 ... */
static void fit_drift(const double *value, struct chart *chart)
{
    double n = (double)chart->n;
    double middle = 0.5 * (n - 1.0);
    double product = 0.0;
    double square = 0.0;
    double rest = 0.0;

    for (size_t i = 0; i < chart->n; ++i) {
        product += ((double)i - middle) * (value[i] - chart->centre);
        square += ((double)i - middle) * ((double)i - middle);
    }
    chart->slope = product / square;
    for (size_t i = 0; i < chart->n; ++i) {
        double r = value[i] - chart->centre - chart->slope * ((double)i - middle);

        rest += r * r;
    }
    chart->slope_u = sqrt(rest / (n - 2.0) / square);
    chart->drift_p = chart->slope_u > 0.0
                         ? 2.0 * gsl_cdf_tdist_Q(fabs(chart->slope) / chart->slope_u, n - 2.0)
                     : chart->slope != 0.0 ? 0.0
                                           : 1.0;
}

enum status_code chart_make(const double *value, size_t n, struct chart *chart, struct status *st)
{
    double range = 0.0;

    memset(chart, 0, sizeof *chart);
    if (n < CHART_LEAST)
        return status_fail(st, STATUS_INPUT, "%zu values; a chart needs %d or more", n,
                           CHART_LEAST);
    for (size_t i = 0; i < n; ++i)
        if (!isfinite(value[i]))
            return status_fail(st, STATUS_INPUT, "value %zu is not a number", i + 1);
    chart->n = n;
    for (size_t i = 0; i < n; ++i)
        chart->centre += (value[i] - chart->centre) / (double)(i + 1);
    for (size_t i = 1; i < n; ++i)
        range += fabs(value[i] - value[i - 1]) / (double)(n - 1);
    chart->sd = range / D2;
    chart->low = chart->centre - 3.0 * chart->sd;
    chart->high = chart->centre + 3.0 * chart->sd;
    for (size_t i = 0; i < n; ++i)
        chart->outside += chart_outside(chart, value[i]);
    chart->run = longest_run(value, n, chart->centre);
    fit_drift(value, chart);
    return status_ok(st);
}

bool chart_outside(const struct chart *chart, double value)
{
    return value < chart->low || value > chart->high;
}
