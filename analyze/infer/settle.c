#include "analyze/infer/settle.h"

#include <math.h>
#include <string.h>

#include <gsl/gsl_fit.h>

/* A slope of fewer standard errors than this cannot be told from none (about one in 100). */
#define SIGNIFICANT 2.6

/* Share of one digit that a rounded reading is uncertain by: 1/sqrt(12) (JCGM 100 F.2.2.1). */
#define DIGIT_U 0.28867513459481287

struct settle_options settle_options_default(void)
{
    return (struct settle_options){
        .stretch = 2.0, .least = 6, .resolution = NAN, .allowance = 0.0005};
}

static enum status_code check(const double *times, const double *values, size_t n,
                              const struct settle_options *o, struct status *st)
{
    if (n > SETTLE_READINGS_MAX)
        return status_fail(st, STATUS_INPUT, "%zu readings; expected at most %d", n,
                           SETTLE_READINGS_MAX);
    if (!(o->stretch > 0.0) || o->stretch > 3600.0 || o->least < 5 || !(o->allowance >= 0.0) ||
        o->allowance > 1.0 || o->resolution < 0.0)
        return status_fail(st, STATUS_INPUT,
                           "settling over %g s of at least %zu readings cannot be judged; expected "
                           "0 to 3600 s and 5 or more",
                           o->stretch, o->least);
    for (size_t i = 0; i < n; ++i) {
        if (!isfinite(values[i]) || !isfinite(times[i]))
            return status_fail(st, STATUS_INPUT, "reading %zu is not a number", i);
        if (i && times[i] < times[i - 1])
            return status_fail(st, STATUS_INPUT, "reading %zu is before the one before it", i);
    }
    return STATUS_OK;
}

/* Autocorrelation of neighbours about the fitted line, not below 0. */
static double neighbours(const double *t, const double *y, size_t n, double c0, double c1)
{
    double product = 0.0;
    double square = 0.0;

    for (size_t i = 0; i < n; ++i) {
        double r = y[i] - c0 - c1 * t[i];

        square += r * r;
        if (i)
            product += r * (y[i - 1] - c0 - c1 * t[i - 1]);
    }
    return square > 0.0 ? fmin(0.95, fmax(0.0, product / square)) : 0.0;
}

enum status_code settle_test(const double *times, const double *values, size_t n,
                             const struct settle_options *o, struct settle_result *r,
                             struct status *st)
{
    double t[SETTLE_READINGS_MAX];
    double c0;
    double c1;
    double v00;
    double v01;
    double v11;
    double square;
    double digit = isfinite(o->resolution) ? o->resolution : 0.0;
    double lag;
    double allowed;
    size_t first = n;
    const double *y;

    memset(r, 0, sizeof *r);
    r->mean = r->u = r->sd = r->drift = NAN;
    r->needed = o->stretch;
    if (check(times, values, n, o, st) != STATUS_OK)
        return st->code;
    while (first > 0 && (times[n - 1] - times[first - 1] <= o->stretch || n - first < o->least))
        --first;
    r->n = n - first;
    r->seconds = n ? times[n - 1] - times[first] : 0.0;
    /* the stretch is full when the reading before it lies outside, or it is nearly as long */
    r->needed = fmax(0.0, o->stretch * 0.8 - r->seconds);
    if (r->n < 5)
        return status_ok(st);
    y = values + first;
    for (size_t i = 0; i < r->n; ++i)
        t[i] = times[first + i] - times[n - 1];
    r->mean = 0.0;
    for (size_t i = 0; i < r->n; ++i)
        r->mean += (y[i] - r->mean) / (double)(i + 1);
    if (!(r->seconds > 0.0))
        return status_ok(st);
    gsl_fit_linear(t, 1, y, 1, r->n, &c0, &c1, &v00, &v01, &v11, &square);
    r->sd = sqrt(square / (double)(r->n - 2));
    r->drift = c1 * r->seconds;
    lag = neighbours(t, y, r->n, c0, c1);
    r->u = hypot(r->sd * sqrt((1.0 + lag) / (1.0 - lag) / (double)r->n), digit * DIGIT_U);
    allowed = fmax(digit, o->allowance * fabs(r->mean));
    r->settled = r->n >= o->least && r->needed == 0.0 &&
                 (fabs(r->drift) <= allowed ||
                  (fabs(c1) <= SIGNIFICANT * sqrt(v11) && fabs(r->drift) <= 1.5 * r->sd));
    return status_ok(st);
}
