#include "analyze/infer/rise.h"

#include <gsl/gsl_blas.h>
#include <gsl/gsl_cdf.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_matrix.h>
#include <gsl/gsl_multifit_nlinear.h>
#include <gsl/gsl_vector.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define STEPS_MAX   400
#define STEPS_LOOK  20    /* of them, until it is looked whether they still lead anywhere */
#define STILL       1e-10 /* relative fall of the sum of squares that is none */
#define RISE_STEP   1e-7  /* where the form is not quite true, the last digits take for ever */
#define SECOND_P    0.001 /* the second exponential must be this unlikely to come by chance */
#define SHARE_LEAST 0.004 /* and have this share of the rise */
#define FORM_P      0.001 /* residuals in so few runs by chance: the form does not hold */
#define AREA_TAUS   4     /* time constants that a capture must last for its area to be trusted */
#define MISSED      0.25  /* of what the form missed of the inductance stays in doubt */

/* ---- general least squares ---- */

typedef void (*curve)(const void *context, const double *parameter, double *y);

struct task {
    curve curve;
    const void *context;
    const double *y;
    size_t n, p;
    double step; /* relative change of the parameters below which the fit has settled */
    double *scratch;
};

static int residuals(const gsl_vector *x, void *context, gsl_vector *f)
{
    struct task *t = context;
    double parameter[8];

    for (size_t j = 0; j < t->p; j++)
        parameter[j] = gsl_vector_get(x, j);
    t->curve(t->context, parameter, t->scratch);
    for (size_t i = 0; i < t->n; i++) {
        double r = t->scratch[i] - t->y[i];

        if (!isfinite(r))
            return GSL_EDOM;
        gsl_vector_set(f, i, r);
    }
    return GSL_SUCCESS;
}

static double sum_of_squares(const gsl_multifit_nlinear_workspace *w)
{
    const gsl_vector *f = gsl_multifit_nlinear_residual(w);
    double ss = 0;

    gsl_blas_ddot(f, f, &ss);
    return ss;
}

/* Steps until the parameters stand still, or the sum of squares does: at a corner of the form (a
 * start that coincides with a sample) steps are taken for ever and lead nowhere. */
static int drive(gsl_multifit_nlinear_workspace *w, double step)
{
    double before = sum_of_squares(w);
    int info = 0, result = GSL_EMAXITER;

    for (int done = 0; done < STEPS_MAX && result == GSL_EMAXITER; done += STEPS_LOOK) {
        double now;

        result = gsl_multifit_nlinear_driver(STEPS_LOOK, step, 1e-14, 0, NULL, NULL, &info, w);
        now = sum_of_squares(w);
        if (result == GSL_EMAXITER && before - now <= STILL * before)
            return GSL_SUCCESS;
        before = now;
    }
    return result;
}

/* Fits; parameter in and out. covariance (p x p by rows, scaled by the residual variance) may be
 * NULL. */
static enum status_code least_squares(struct task *t, double *parameter, double *covariance,
                                      double *residual_ss, struct status *st)
{
    gsl_multifit_nlinear_parameters options = gsl_multifit_nlinear_default_parameters();
    gsl_multifit_nlinear_workspace *w;
    gsl_multifit_nlinear_fdf fdf;
    gsl_error_handler_t *handler;
    gsl_matrix *c = gsl_matrix_alloc(t->p, t->p);
    gsl_vector_view start = gsl_vector_view_array(parameter, t->p);
    enum status_code code = STATUS_OK;
    int result;

    options.trs = gsl_multifit_nlinear_trs_lm;
    options.scale = gsl_multifit_nlinear_scale_more;
    options.solver = gsl_multifit_nlinear_solver_qr;
    options.fdtype = GSL_MULTIFIT_NLINEAR_CTRDIFF;
    options.h_df = 1e-6;
    memset(&fdf, 0, sizeof fdf);
    fdf.f = residuals;
    fdf.n = t->n;
    fdf.p = t->p;
    fdf.params = t;
    t->scratch = malloc(t->n * sizeof *t->scratch);
    w = gsl_multifit_nlinear_alloc(gsl_multifit_nlinear_trust, &options, t->n, t->p);
    if (!w || !c || !t->scratch) {
        code = status_fail(st, STATUS_MEMORY, "no memory for a fit of %zu points", t->n);
        goto out;
    }
    handler = gsl_set_error_handler_off();
    result = gsl_multifit_nlinear_init(&start.vector, &fdf, w);
    if (result == GSL_SUCCESS)
        result = drive(w, t->step);
    gsl_set_error_handler(handler);
    /* GSL_ENOPROG: no step makes it better, which is what a minimum looks like. */
    if (result != GSL_SUCCESS && result != GSL_ENOPROG) {
        code = status_fail(st, STATUS_NUMERIC, "the fit of %zu points did not settle: %s", t->n,
                           gsl_strerror(result));
        goto out;
    }
    *residual_ss = sum_of_squares(w);
    for (size_t j = 0; j < t->p; j++)
        parameter[j] = gsl_vector_get(gsl_multifit_nlinear_position(w), j);
    if (covariance) {
        gsl_multifit_nlinear_covar(gsl_multifit_nlinear_jac(w), 0, c);
        for (size_t i = 0; i < t->p; i++)
            for (size_t j = 0; j < t->p; j++)
                covariance[i * t->p + j] =
                    gsl_matrix_get(c, i, j) * *residual_ss / (double)(t->n - t->p);
    }
out:
    if (w)
        gsl_multifit_nlinear_free(w);
    gsl_matrix_free(c);
    free(t->scratch);
    t->scratch = NULL;
    return code;
}

static void pointwise(const void *context, const double *parameter, double *y)
{
    const struct rise_problem *p = context;

    for (size_t i = 0; i < p->n; i++)
        y[i] = p->model(p->x[i], parameter);
}

enum status_code rise_least_squares(const struct rise_problem *problem, double *parameter,
                                    double *error, double *residual_ss, struct status *st)
{
    struct task t = {.curve = pointwise,
                     .context = problem,
                     .y = problem->y,
                     .n = problem->n,
                     .p = problem->p,
                     .step = 1e-12};
    double covariance[64];
    enum status_code code;

    if (problem->p < 1 || problem->p > 8)
        return status_fail(st, STATUS_INPUT, "%zu parameters cannot be fitted; expected 1 to 8",
                           problem->p);
    if (problem->n <= problem->p)
        return status_fail(st, STATUS_INPUT, "%zu points are too few for %zu parameters",
                           problem->n, problem->p);
    code = least_squares(&t, parameter, covariance, residual_ss, st);
    if (code == STATUS_OK && error)
        for (size_t j = 0; j < problem->p; j++)
            error[j] = sqrt(covariance[j * problem->p + j]);
    return code == STATUS_OK ? status_ok(st) : code;
}

/* ---- the rise ----
 *
 * Winding R, L with a ring (shorted turn, or eddy path) coupled to it: the current for a voltage is
 * V/R through (1 - w) / (1 + s t1) + w / (1 + s t2). Comparing with the two-circuit equations,
 * L / R = (1 - w) t1 + w t2, and the ring's own time constant is (1 - w) t2 + w t1.
 *
 * Parameters: 0 conductance x volt, or conductance with a voltage trace; 1 ln t1; 2 start in
 * samples, plus one (so that a start of nothing still has a step to take slopes by); 3 logit w;
 * 4 logit t2/t1. With a voltage trace there is no start: the trace shows it. */

struct rise {
    const struct rise_capture *capture;
    double dt; /* s, mean, from sample to sample */
    bool trace, second;
};

static double logistic(double x)
{
    return 1 / (1 + exp(-x));
}

/* Response of one first-order lag to the voltage trace, straight between samples. */
static void lag(const struct rise_capture *c, double tau, double weight, double *y)
{
    double out = 0;

    y[0] += weight * out;
    for (size_t i = 1; i < c->count; i++) {
        double dt = c->time[i] - c->time[i - 1], e = exp(-dt / tau);
        double slope = (c->voltage[i] - c->voltage[i - 1]) / dt;

        /* Exact for a ramp: particular solution v(t) - slope tau. */
        out = c->voltage[i] - slope * tau + (out - c->voltage[i - 1] + slope * tau) * e;
        y[i] += weight * out;
    }
}

static void rise_curve(const void *context, const double *p, double *y)
{
    const struct rise *r = context;
    const struct rise_capture *c = r->capture;
    double t1 = exp(p[1]);
    size_t k = r->trace ? 2 : 3;
    double w = r->second ? logistic(p[k]) : 0, t2 = r->second ? t1 * logistic(p[k + 1]) : t1;

    if (r->trace) {
        memset(y, 0, c->count * sizeof *y);
        lag(c, t1, p[0] * (1 - w), y);
        if (r->second)
            lag(c, t2, p[0] * w, y);
        return;
    }
    for (size_t i = 0; i < c->count; i++) {
        double t = c->time[i] - (p[2] - 1) * r->dt;

        y[i] = t <= 0 ? 0 : p[0] * (1 - (1 - w) * exp(-t / t1) - w * exp(-t / t2));
    }
}

static enum status_code check(const struct rise_capture *c, double *top, struct status *st)
{
    size_t tail;
    double mean = 0, head = 0;

    if (c->count < 8)
        return status_fail(st, STATUS_INPUT, "a rise of %zu samples; expected 8 or more", c->count);
    for (size_t i = 0; i < c->count; i++) {
        if (!isfinite(c->time[i]) || !isfinite(c->current[i]) ||
            (c->voltage && !isfinite(c->voltage[i])))
            return status_fail(st, STATUS_INPUT, "sample %zu of the rise is not a number", i + 1);
        if (i && !(c->time[i] > c->time[i - 1]))
            return status_fail(st, STATUS_INPUT,
                               "sample %zu of the rise is not later than the one "
                               "before it",
                               i + 1);
    }
    if (!c->voltage && !(c->supply > 0 && isfinite(c->supply)))
        return status_fail(st, STATUS_INPUT,
                           "the supply of the rise, %g V, cannot be; expected "
                           "above 0",
                           c->supply);
    if (!(c->source_ohm >= 0) || !isfinite(c->source_ohm))
        return status_fail(st, STATUS_INPUT,
                           "the source resistance of the rise, %g ohm, cannot "
                           "be; expected 0 or more",
                           c->source_ohm);
    tail = c->count / 8 > 2 ? c->count / 8 : 2;
    for (size_t i = c->count - tail; i < c->count; i++)
        mean += c->current[i] / (double)tail;
    for (size_t i = 0; i < 2; i++)
        head += c->current[i] / 2;
    *top = mean;
    if (!(mean > 0) || mean - head < 0.2 * mean)
        return status_fail(st, STATUS_INPUT,
                           "the current does not rise: it starts at %g A and ends at %g A", head,
                           mean);
    return status_ok(st);
}

/* Time at which the current first passes a share of its end value. */
static double passing(const struct rise_capture *c, double level)
{
    for (size_t i = 1; i < c->count; i++) {
        if (c->current[i] >= level) {
            double d = c->current[i] - c->current[i - 1];
            double f = d > 0 ? (level - c->current[i - 1]) / d : 1;

            return c->time[i - 1] + fmax(0, fmin(1, f)) * (c->time[i] - c->time[i - 1]);
        }
    }
    return c->time[c->count - 1];
}

/* Wald and Wolfowitz: probability of a number of runs at least as far from its mean. */
static double runs(const double *residual, size_t n)
{
    double plus = 0, minus = 0, count = 1, mean, variance;

    for (size_t i = 0; i < n; i++) {
        plus += residual[i] > 0;
        minus += residual[i] <= 0;
        if (i && (residual[i] > 0) != (residual[i - 1] > 0))
            count++;
    }
    if (plus < 1 || minus < 1)
        return 0;
    mean = 1 + 2 * plus * minus / (plus + minus);
    variance = (mean - 1) * (mean - 2) / (plus + minus - 1);
    if (!(variance > 0))
        return 1;
    return 2 * gsl_cdf_ugaussian_Q(fabs(count - mean) / sqrt(variance));
}

/* Standard uncertainty of a function of the parameters, by first order. */
static double spread_of(double (*value)(const struct rise *, const double *), const struct rise *r,
                        const double *parameter, const double *covariance, size_t p)
{
    double slope[8], moved[8], sum = 0;

    memcpy(moved, parameter, p * sizeof *moved);
    for (size_t j = 0; j < p; j++) {
        double h = 1e-5 * fmax(1e-3, fabs(parameter[j])), up, down;

        moved[j] = parameter[j] + h;
        up = value(r, moved);
        moved[j] = parameter[j] - h;
        down = value(r, moved);
        moved[j] = parameter[j];
        slope[j] = (up - down) / (2 * h);
    }
    for (size_t i = 0; i < p; i++)
        for (size_t j = 0; j < p; j++)
            sum += slope[i] * slope[j] * covariance[i * p + j];
    return sqrt(fmax(0, sum));
}

/* Total resistance (source included, unless the voltage was captured). */
static double total_ohm(const struct rise *r, const double *p)
{
    return r->trace ? 1 / p[0] : r->capture->supply / p[0];
}

static double share(const struct rise *r, const double *p)
{
    return r->second ? logistic(p[r->trace ? 2 : 3]) : 0;
}

static double main_tau(const struct rise *r, const double *p)
{
    (void)r;
    return exp(p[1]);
}

static double ring_tau(const struct rise *r, const double *p)
{
    double w = share(r, p), t1 = exp(p[1]);
    double t2 = t1 * (r->second ? logistic(p[r->trace ? 3 : 4]) : 1);

    return (1 - w) * t2 + w * t1;
}

static double henry(const struct rise *r, const double *p)
{
    double w = share(r, p), t1 = exp(p[1]);
    double t2 = t1 * (r->second ? logistic(p[r->trace ? 3 : 4]) : 1);

    return total_ohm(r, p) * ((1 - w) * t1 + w * t2);
}

/* Slope of ln(1 - i / I) between two shares of the rise: time constant there. */
static double local_tau(const struct rise_capture *c, double end, double from, double to)
{
    double t0 = passing(c, from * end), t1 = passing(c, to * end);

    return (t1 - t0) / (log(1 - from) - log(1 - to));
}

/* H, the flux linkage over the current at the end, from the samples themselves: R times the area
 * between the current and its end, over that end (Faraday's law, integrated). It holds whatever the
 * iron does, where the form is off by some per cent: a core of solid iron is no single ring, and
 * iron that saturates has no one inductance. The form gives only the level of the end and what is
 * left of the rise after the last sample. left: samples less form. NaN with a voltage trace, or
 * when the capture ends early. */
static double henry_by_area(const struct rise *r, const double *p, const double *left)
{
    const struct rise_capture *c = r->capture;
    size_t n = c->count, tail = n / 8 > 2 ? n / 8 : 2;
    double w, t1, start, end, area = 0, before, low;

    if (r->trace)
        return NAN;
    w = share(r, p);
    t1 = exp(p[1]);
    end = p[0];
    for (size_t i = n - tail; i < n; i++)
        end += left[i] / (double)tail;
    /* The start is where the first of the rise points back to: that of the form gives way to the
     * rest of it. A first sample without current was not after it. */
    low = passing(c, 0.05 * end);
    start = low - 0.5 * (passing(c, 0.15 * end) - low);
    if (c->current[0] < 0.02 * end)
        start = fmax(start, c->time[0]);
    if (c->time[n - 1] - start < AREA_TAUS * t1)
        return NAN;
    for (size_t i = 1; i < n; i++)
        area += (end - 0.5 * (c->current[i] + c->current[i - 1])) * (c->time[i] - c->time[i - 1]);
    before = c->time[0] - start;
    area += before * (before > 0 ? end - 0.5 * c->current[0] : end);
    area += p[0] * (1 - w) * t1 * exp(-(c->time[n - 1] - start) / t1);
    return c->supply / end * area / end;
}

enum status_code rise_fit(const struct rise_capture *capture, struct rise_fit *fit,
                          struct status *st)
{
    struct rise r = {.capture = capture, .trace = capture->voltage != NULL};
    double one[8] = {0}, two[8], covariance[64], ss = 0, ss2 = INFINITY, top = 0, tau, dt;
    double *parameter = one, *left = NULL, source, gain, fit_u, missed, area;
    size_t p = r.trace ? 2 : 3, n = capture->count;
    struct task t = {.curve = rise_curve,
                     .context = &r,
                     .y = capture->current,
                     .n = n,
                     .p = p,
                     .step = RISE_STEP};
    enum status_code code = check(capture, &top, st);
    struct status why;

    memset(fit, 0, sizeof *fit);
    fit->second_tau = fit->second_tau_u = fit->second_share = fit->second_share_u = NAN;
    fit->second_limit = fit->sag = NAN;
    if (code != STATUS_OK)
        return code;
    dt = (capture->time[n - 1] - capture->time[0]) / (double)(n - 1);
    r.dt = dt;
    tau = fmax(local_tau(capture, top, 0.1, 0.63), 0.3 * dt);
    if (r.trace) {
        double volt = 0;

        for (size_t i = n - n / 4 - 1; i < n; i++)
            volt += capture->voltage[i] / (double)(n / 4 + 1);
        if (!(volt > 0))
            return status_fail(st, STATUS_INPUT,
                               "the voltage across the coil ends at %g V; "
                               "expected above 0",
                               volt);
        one[0] = top / volt;
    } else {
        one[0] = top;
        one[2] = 1 + (passing(capture, 0.1 * top) + tau * log(1 - 0.1)) / dt;
    }
    one[1] = log(tau);
    code = least_squares(&t, one, covariance, &ss, st);
    if (code != STATUS_OK)
        return code;
    if (n >= p + 6) {
        /* A second exponential, from several starts; it must earn its place. */
        static const double start_share[3] = {0.1, 0.3, 0.05}, start_ratio[3] = {0.1, 0.3, 0.03};

        r.second = true;
        t.p = p + 2;
        for (int k = 0; k < 3; k++) {
            double trial[8], cov[64], s;

            memcpy(trial, one, p * sizeof *trial);
            trial[p] = log(start_share[k] / (1 - start_share[k]));
            trial[p + 1] = log(start_ratio[k] / (1 - start_ratio[k]));
            if (least_squares(&t, trial, cov, &s, &why) == STATUS_OK && s < ss2) {
                double w = share(&r, trial), t2 = main_tau(&r, trial) * logistic(trial[p + 1]);

                if (!(w > SHARE_LEAST && w < 0.97) || !(t2 > 0.3 * dt) ||
                    logistic(trial[p + 1]) > 0.8)
                    continue;
                ss2 = s;
                memcpy(two, trial, sizeof two);
            }
        }
        if (isfinite(ss2) && ss2 < ss) {
            double f = (ss - ss2) / 2 / (fmax(ss2, 1e-300) / (double)(n - p - 2));

            r.second = gsl_cdf_fdist_Q(f, 2, (double)(n - p - 2)) < SECOND_P;
        } else {
            r.second = false;
        }
        if (r.second) {
            parameter = two;
            p += 2;
            t.p = p;
            code = least_squares(&t, parameter, covariance, &ss, st);
            if (code != STATUS_OK)
                return code;
        }
    }
    left = malloc(n * sizeof *left);
    if (!left)
        return status_fail(st, STATUS_MEMORY, "no memory for %zu residuals", n);
    rise_curve(&r, parameter, left);
    for (size_t i = 0; i < n; i++)
        left[i] = capture->current[i] - left[i];
    fit->runs_p = runs(left, n);
    area = henry_by_area(&r, parameter, left);
    free(left);
    fit->noise = sqrt(ss / (double)(n - p));
    source = r.trace ? 0 : capture->source_ohm;
    gain = hypot(capture->gain_u,
                 r.trace || !(capture->supply_u > 0) ? 0 : capture->supply_u / capture->supply);
    fit->resistance = total_ohm(&r, parameter) - source;
    fit_u = spread_of(total_ohm, &r, parameter, covariance, p);
    fit->resistance_u =
        hypot(hypot(fit_u, gain * (fit->resistance + source)), r.trace ? 0 : capture->source_ohm_u);
    fit->inductance = henry(&r, parameter);
    /* A form that holds makes the best of the noise. */
    missed = area > 0 && fit->runs_p < FORM_P ? area - fit->inductance : 0;
    fit->inductance += missed;
    fit->inductance_u =
        hypot(hypot(spread_of(henry, &r, parameter, covariance, p), MISSED * missed),
              gain * fit->inductance);
    fit->tau = main_tau(&r, parameter);
    fit->tau_u = spread_of(main_tau, &r, parameter, covariance, p);
    fit->start = r.trace ? 0 : (parameter[2] - 1) * dt;
    fit->start_u = r.trace ? 0 : sqrt(covariance[2 * p + 2]) * dt;
    fit->second = r.second;
    if (r.second) {
        fit->second_tau = ring_tau(&r, parameter);
        fit->second_tau_u = spread_of(ring_tau, &r, parameter, covariance, p);
        fit->second_share = share(&r, parameter);
        fit->second_share_u = spread_of(share, &r, parameter, covariance, p);
    } else {
        /* A 5 % share leaves about 0.3 x 5 % of the end current over t2 after the refit; it shows
         * when its sum over the samples is five times the noise. */
        double ratio = 5 * fit->noise / (0.05 * 0.3 * top);

        fit->second_limit = fmax(dt, 2 * dt * ratio * ratio);
    }
    if (r.trace) {
        double most = capture->voltage[0];

        for (size_t i = 1; i < n; i++)
            most = fmax(most, capture->voltage[i]);
        fit->sag = most - capture->voltage[n - 1];
    }
    fit->complete = capture->time[n - 1] - fit->start >= 3 * fit->tau;
    {
        double end = r.trace ? top : parameter[0];
        double early = local_tau(capture, end, 0.1, 0.45),
               late = local_tau(capture, end, 0.45, 0.8);
        /* Noise of a passing time: noise over the slope of the rise there. */
        double u = fit->noise / end * fit->tau * 4;

        fit->saturating = fit->complete && early - late > fmax(0.12 * early, 3 * u);
    }
    if (!(fit->resistance > 0))
        return status_fail(st, STATUS_INPUT,
                           "the rise gives %g ohm for the coil after the source's %g ohm: check "
                           "supply and source resistance",
                           fit->resistance, source);
    return status_ok(st);
}

double rise_current(const struct rise_fit *fit, double supply, double source_ohm, double t)
{
    double w = fit->second ? fit->second_share : 0, t2 = fit->tau;

    t -= fit->start;
    if (!(t > 0))
        return 0;
    /* ring = (1 - w) t2 + w t1 */
    if (fit->second && w < 1)
        t2 = fmax(1e-12, (fit->second_tau - w * fit->tau) / (1 - w));
    return supply / (fit->resistance + source_ohm) *
           (1 - (1 - w) * exp(-t / fit->tau) - w * exp(-t / t2));
}
