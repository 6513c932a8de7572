#include "analyze/infer/lift.h"

#include <math.h>
#include <string.h>

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_multimin.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_roots.h>
#include <gsl/gsl_sf_erf.h>

/* Fewer degrees of freedom than this make the ends jump about. This and the prior are set so that
 * the intervals cover what they promise on sittings of simulated magnets (tests/bench). */
#define FREEDOM_LEAST 16.0

#define SCATTER_LEAST 1e-4
#define SCATTER_MOST  20.0
#define GRID          33   /* scatters looked at, and the quadrature over their prior */
#define PLACES        40   /* thresholds looked at before climbing */
#define FAR           40.0 /* ln; nobody's load is that far from another's */
#define HALF_LOG_2PI  0.9189385332046727

struct lift_options lift_options_default(void)
{
    return (struct lift_options){.scatter = LIFT_SCATTER,
                                 .scatter_spread = LIFT_SCATTER_SPREAD,
                                 .few = true,
                                 .confidence = 0.95};
}

/* ln of the normal integral up to z; GSL's log erfc keeps the far tail. */
static double log_cdf(double z)
{
    return gsl_sf_log_erfc(-z / M_SQRT2) - M_LN2;
}

static double one_log_likelihood(const struct lift_trial *t, double centre, double scatter)
{
    double sd = hypot(scatter, t->u);
    double z = (centre - t->value) / sd;
    double log_p;

    switch (t->side) {
    case LIFT_EXACT:
        return -0.5 * z * z - log(sd) - HALF_LOG_2PI;
    case LIFT_ABOVE:
        log_p = log_cdf(z);
        break;
    case LIFT_BELOW:
        log_p = log_cdf(-z);
        break;
    default: {
        double upper = (centre - t->upper) / sd;
        /* the difference in the tail where neither term is near one */
        double a = z + upper > 0.0 ? log_cdf(-upper) : log_cdf(z);
        double b = z + upper > 0.0 ? log_cdf(-z) : log_cdf(upper);

        log_p = a + log1p(-fmin(exp(b - a), 1.0 - 1e-15));
        break;
    }
    }
    return t->lapse > 0.0 ? log((1.0 - t->lapse) * exp(log_p) + 0.5 * t->lapse) : log_p;
}

struct problem {
    const struct lift_trial *trial;
    size_t n;
    const struct lift_options *options;
    double fixed_mu; /* NaN: free */
};

static double log_likelihood(const struct problem *p, double mu, double slope, double scatter)
{
    double sum = 0.0;

    for (size_t i = 0; i < p->n; ++i)
        sum += one_log_likelihood(&p->trial[i], mu + slope * p->trial[i].slope, scatter);
    return sum;
}

static double log_prior(const struct lift_options *o, double log_scatter)
{
    double z;

    if (!isfinite(o->scatter))
        return 0.0;
    z = (log_scatter - log(o->scatter)) / o->scatter_spread;
    return -0.5 * z * z;
}

static double goal(const struct problem *p, double mu, double slope, double log_scatter)
{
    if (log_scatter < log(SCATTER_LEAST) || log_scatter > log(SCATTER_MOST))
        return -1e100;
    return log_likelihood(p, mu, slope, exp(log_scatter)) + log_prior(p->options, log_scatter);
}

/* ---- maximum over the scatter alone ---- */

static double golden(const struct problem *p, double mu, double low, double high, double *at)
{
    const double ratio = 0.6180339887498949;
    double a = low;
    double b = high;
    double c = b - ratio * (b - a);
    double d = a + ratio * (b - a);
    double fc = goal(p, mu, 0.0, c);
    double fd = goal(p, mu, 0.0, d);

    while (b - a > 1e-6) {
        if (fc > fd) {
            b = d;
            d = c;
            fd = fc;
            c = b - ratio * (b - a);
            fc = goal(p, mu, 0.0, c);
        } else {
            a = c;
            c = d;
            fc = fd;
            d = a + ratio * (b - a);
            fd = goal(p, mu, 0.0, d);
        }
    }
    *at = 0.5 * (a + b);
    return goal(p, mu, 0.0, *at);
}

/* Many trials of few loads can give two hills: look along the whole range first. */
static double best_scatter(const struct problem *p, double mu, double *log_scatter)
{
    const struct lift_options *o = p->options;
    bool prior = isfinite(o->scatter);
    double low = prior ? fmax(log(SCATTER_LEAST), log(o->scatter) - 5.0 * o->scatter_spread)
                       : log(SCATTER_LEAST);
    double high = prior ? fmin(log(SCATTER_MOST), log(o->scatter) + 5.0 * o->scatter_spread)
                        : log(SCATTER_MOST);
    double step = (high - low) / (GRID - 1);
    double best = -INFINITY;
    int at = 0;

    for (int i = 0; i < GRID; ++i) {
        double value = goal(p, mu, 0.0, low + step * i);

        if (value > best) {
            best = value;
            at = i;
        }
    }
    return golden(p, mu, low + step * (at > 0 ? at - 1 : 0),
                  low + step * (at + 1 < GRID ? at + 1 : GRID - 1), log_scatter);
}

/* ---- maximum over everything that is free ---- */

static double minus_goal(const gsl_vector *x, void *user)
{
    const struct problem *p = user;
    size_t i = 0;
    double mu = isfinite(p->fixed_mu) ? p->fixed_mu : gsl_vector_get(x, i++);
    double log_scatter = gsl_vector_get(x, i++);
    double slope = p->options->slope ? gsl_vector_get(x, i) : 0.0;

    return -goal(p, mu, slope, log_scatter);
}

struct top {
    double mu, slope, log_scatter, value;
};

/* Simplex, begun again from where it ended until that helps no more. */
static enum status_code climb(const struct problem *p, struct top *top, struct status *st)
{
    size_t n = 1 + (isfinite(p->fixed_mu) ? 0U : 1U) + (p->options->slope ? 1U : 0U);
    gsl_multimin_function f = {minus_goal, n, (void *)(size_t)p};
    gsl_multimin_fminimizer *m =
        gsl_multimin_fminimizer_alloc(gsl_multimin_fminimizer_nmsimplex2, n);
    gsl_vector *x = gsl_vector_alloc(n);
    gsl_vector *step = gsl_vector_alloc(n);
    double last = INFINITY;
    bool good = m && x && step;

    for (int round = 0; good && round < 40; ++round) {
        size_t i = 0;

        if (!isfinite(p->fixed_mu))
            gsl_vector_set(x, i++, top->mu);
        gsl_vector_set(x, i++, top->log_scatter);
        if (p->options->slope)
            gsl_vector_set(x, i, top->slope);
        gsl_vector_set_all(step, round == 0 ? 0.3 : 0.03);
        if (gsl_multimin_fminimizer_set(m, &f, x, step) != GSL_SUCCESS)
            break;
        for (int k = 0; k < 4000; ++k)
            if (gsl_multimin_fminimizer_iterate(m) != GSL_SUCCESS ||
                gsl_multimin_test_size(gsl_multimin_fminimizer_size(m), 1e-10) == GSL_SUCCESS)
                break;
        i = 0;
        top->mu = isfinite(p->fixed_mu) ? p->fixed_mu : gsl_vector_get(m->x, i++);
        top->log_scatter = gsl_vector_get(m->x, i++);
        top->slope = p->options->slope ? gsl_vector_get(m->x, i) : 0.0;
        top->value = -m->fval;
        if (fabs(last - m->fval) < 1e-11 * (1.0 + fabs(m->fval)) && round > 1)
            break;
        last = m->fval;
    }
    gsl_multimin_fminimizer_free(m);
    gsl_vector_free(x);
    gsl_vector_free(step);
    if (!good)
        return status_fail(st, STATUS_MEMORY, "no memory");
    if (!isfinite(top->value) || top->value < -1e99)
        return status_fail(st, STATUS_NUMERIC, "the most likely pull could not be found");
    return status_ok(st);
}

/* ln of the profile at mu. */
static double profile(struct problem *p, const struct lift_fit *fit, double mu)
{
    struct top top = {.mu = mu, .slope = fit->slope, .log_scatter = log(fit->scatter)};
    double log_scatter;
    struct status st;

    if (!p->options->slope)
        return best_scatter(p, mu, &log_scatter);
    p->fixed_mu = mu;
    if (climb(p, &top, &st) != STATUS_OK)
        top.value = -INFINITY;
    p->fixed_mu = NAN;
    return top.value;
}

double lift_deviance(const struct lift_trial *trial, size_t n, const struct lift_options *options,
                     const struct lift_fit *fit, double mu)
{
    struct problem p = {trial, n, options, NAN};
    double most;

    if (fit->kind != LIFT_INTERVAL)
        return NAN;
    most = fit->log_likelihood + log_prior(options, log(fit->scatter));
    return 2.0 * (most - profile(&p, fit, mu));
}

/* ---- ends ---- */

struct end {
    struct problem *problem;
    const struct lift_fit *fit;
    double cut; /* ln of the profile at the end */
};

static double above_cut(double mu, void *user)
{
    const struct end *end = user;

    return profile(end->problem, end->fit, mu) - end->cut;
}

static double root(double (*f)(double, void *), void *user, double a, double b)
{
    gsl_function function = {f, user};
    gsl_root_fsolver *solver = gsl_root_fsolver_alloc(gsl_root_fsolver_brent);
    double at = NAN;

    if (!solver)
        return NAN;
    if (gsl_root_fsolver_set(solver, &function, fmin(a, b), fmax(a, b)) == GSL_SUCCESS)
        for (int i = 0; i < 100; ++i) {
            gsl_root_fsolver_iterate(solver);
            at = gsl_root_fsolver_root(solver);
            if (gsl_root_test_interval(gsl_root_fsolver_x_lower(solver),
                                       gsl_root_fsolver_x_upper(solver), 1e-7, 0.0) == GSL_SUCCESS)
                break;
        }
    gsl_root_fsolver_free(solver);
    return at;
}

/* What the fit says of one exact pull is worth 1, of an outcome at most 2/pi: its share in the
 * information about mu (Fisher). */
static double worth(const struct lift_trial *t, const struct lift_fit *fit)
{
    double z = (fit->mu + fit->slope * t->slope - t->value) / hypot(fit->scatter, t->u);
    double density = gsl_ran_ugaussian_pdf(z);

    if (t->side == LIFT_EXACT || t->side == LIFT_BETWEEN)
        return 1.0;
    return fabs(z) > 8.0 ? 0.0
                         : density * density / (gsl_cdf_ugaussian_P(z) * gsl_cdf_ugaussian_Q(z));
}

/* The deviance at the ends. */
static double deviance_cut(const struct problem *p, const struct lift_fit *fit)
{
    const struct lift_options *o = p->options;
    double freedom = -1.0;
    double t;

    if (!o->few)
        return gsl_cdf_chisq_Pinv(o->confidence, 1.0);
    /* a spread w of ln scatter is worth 1 / (2 w^2) degrees of freedom */
    if (isfinite(o->scatter))
        freedom += 0.5 / (o->scatter_spread * o->scatter_spread);
    for (size_t i = 0; i < p->n; ++i)
        freedom += worth(&p->trial[i], fit);
    t = gsl_cdf_tdist_Pinv(0.5 + 0.5 * o->confidence, fmax(FREEDOM_LEAST, freedom));
    return t * t;
}

/* The end of the interval on one side (way -1 or +1), INFINITY when the profile stays high. */
static double profile_end(struct problem *p, const struct lift_fit *fit, double most, int way)
{
    struct end end = {p, fit, most - 0.5 * deviance_cut(p, fit)};
    double step = fmax(1e-3, 0.5 * fit->scatter);
    double inside = fit->mu;

    for (double reach = step; reach < FAR; reach *= 1.6) {
        double outside = fit->mu + way * reach;

        if (above_cut(outside, &end) < 0.0)
            return root(above_cut, &end, inside, outside);
        inside = outside;
    }
    return way > 0 ? INFINITY : -INFINITY;
}

/* Probability of the whole run at mu, over the prior of the scatter. */
static double run_log_probability(const struct problem *p, double mu)
{
    const struct lift_options *o = p->options;
    double sum = 0.0;
    double weight = 0.0;

    for (int i = 0; i < GRID; ++i) {
        double z = -4.0 + 8.0 * i / (GRID - 1);
        double w = exp(-0.5 * z * z);

        weight += w;
        sum += w * exp(log_likelihood(p, mu, 0.0, o->scatter * exp(z * o->scatter_spread)));
    }
    return log(fmax(sum / weight, 1e-300));
}

static double above_chance(double mu, void *user)
{
    const struct end *end = user;

    return run_log_probability(end->problem, mu) - end->cut;
}

static void one_sided(struct problem *p, struct lift_fit *fit)
{
    struct end end = {p, fit, log(1.0 - p->options->confidence)};
    bool held = fit->above > 0;
    double edge = p->trial[0].value;

    for (size_t i = 1; i < p->n; ++i)
        edge = held ? fmax(edge, p->trial[i].value) : fmin(edge, p->trial[i].value);
    fit->kind = held ? LIFT_AT_LEAST : LIFT_AT_MOST;
    fit->low = -INFINITY;
    fit->high = INFINITY;
    if (above_chance(edge - FAR, &end) * above_chance(edge + FAR, &end) < 0.0) {
        double at = root(above_chance, &end, edge - FAR, edge + FAR);
        double more = gsl_cdf_ugaussian_Pinv(p->options->confidence) * p->options->shared_u;

        if (held)
            fit->low = at - more;
        else
            fit->high = at + more;
    }
}

/* ---- the door ---- */

static enum status_code check(const struct lift_trial *trial, size_t n,
                              const struct lift_options *o, struct status *st)
{
    if (n > LIFT_TRIALS_MAX)
        return status_fail(st, STATUS_INPUT, "%zu lift trials; at most %d are weighed together", n,
                           LIFT_TRIALS_MAX);
    if (!(o->confidence >= 0.5 && o->confidence <= 0.999))
        return status_fail(st, STATUS_INPUT, "confidence %g; expected 0.5 to 0.999", o->confidence);
    if (!isnan(o->scatter) && !(o->scatter > SCATTER_LEAST && o->scatter < SCATTER_MOST &&
                                o->scatter_spread > 0.0 && o->scatter_spread < 5.0))
        return status_fail(st, STATUS_INPUT, "scatter %g with a spread of %g cannot be", o->scatter,
                           o->scatter_spread);
    if (!(o->shared_u >= 0.0 && isfinite(o->shared_u)))
        return status_fail(st, STATUS_INPUT, "shared uncertainty %g; expected 0 or more",
                           o->shared_u);
    for (size_t i = 0; i < n; ++i) {
        const struct lift_trial *t = &trial[i];

        if (!isfinite(t->value) || !(t->u >= 0.0 && isfinite(t->u)) || !isfinite(t->slope) ||
            !(t->lapse >= 0.0 && t->lapse <= 0.5) ||
            (t->side == LIFT_BETWEEN && !(isfinite(t->upper) && t->upper > t->value)))
            return status_fail(st, STATUS_INPUT,
                               "lift trial %zu cannot be weighed: ln load %g, upper %g, "
                               "uncertainty %g, lapse %g",
                               i + 1, t->value, t->upper, t->u, t->lapse);
    }
    return status_ok(st);
}

static void count(const struct lift_trial *trial, size_t n, struct lift_fit *fit)
{
    double highest = -INFINITY;
    double lowest = INFINITY;

    for (size_t i = 0; i < n; ++i)
        switch (trial[i].side) {
        case LIFT_ABOVE:
            ++fit->above;
            highest = fmax(highest, trial[i].value);
            break;
        case LIFT_BELOW:
            ++fit->below;
            lowest = fmin(lowest, trial[i].value);
            break;
        default:
            ++fit->exact;
            break;
        }
    fit->overlap = lowest <= highest;
}

/* Where the hill may be. A lapse can make two: look along the whole range first. */
static struct top beginning(const struct problem *p)
{
    const struct lift_trial *trial = p->trial;
    const struct lift_options *o = p->options;
    size_t n = p->n;
    double least = INFINITY;
    double most = -INFINITY;
    double mean = 0.0;
    double square = 0.0;
    double margin;
    struct top top;

    for (size_t i = 0; i < n; ++i) {
        mean += trial[i].value / (double)n;
        least = fmin(least, trial[i].value);
        most = fmax(most, trial[i].value);
    }
    for (size_t i = 0; i < n; ++i)
        square += pow(trial[i].value - mean, 2.0) / (double)n;
    top = (struct top){.mu = mean,
                       .value = -INFINITY,
                       .log_scatter =
                           log(isfinite(o->scatter) ? o->scatter : fmax(0.02, sqrt(square)))};
    margin = fmax(0.02, exp(top.log_scatter));
    for (int i = 0; i < PLACES && !o->slope; ++i) {
        double mu = least - margin + (most - least + 2.0 * margin) * i / (PLACES - 1);
        double log_scatter;
        double value = best_scatter(p, mu, &log_scatter);

        if (value > top.value)
            top = (struct top){.mu = mu, .log_scatter = log_scatter, .value = value};
    }
    return top;
}

enum status_code lift_fit(const struct lift_trial *trial, size_t n,
                          const struct lift_options *options, struct lift_fit *fit,
                          struct status *st)
{
    struct problem p = {trial, n, options, NAN};
    gsl_error_handler_t *handler;
    struct top top;
    enum status_code code = check(trial, n, options, st);

    memset(fit, 0, sizeof *fit);
    fit->mu = fit->scatter = NAN;
    fit->low = -INFINITY;
    fit->high = INFINITY;
    if (code != STATUS_OK || n == 0)
        return code;
    count(trial, n, fit);
    if (!fit->exact && (!fit->above || !fit->below)) {
        if (!isfinite(options->scatter))
            return status_fail(st, STATUS_INPUT,
                               "every trial ended the same way: without a prior scatter there is "
                               "no bound");
        handler = gsl_set_error_handler_off();
        one_sided(&p, fit);
        gsl_set_error_handler(handler);
        return status_ok(st);
    }
    if (!isfinite(options->scatter) && !options->slope && !fit->overlap && fit->exact < 2)
        return status_fail(st, STATUS_INPUT,
                           "the loads that held and those that fell do not overlap: the trials say "
                           "nothing of the scatter, which has no prior");
    handler = gsl_set_error_handler_off();
    top = beginning(&p);
    code = climb(&p, &top, st);
    if (code == STATUS_OK) {
        double wide = gsl_cdf_ugaussian_Pinv(0.5 + 0.5 * options->confidence) * options->shared_u;

        fit->kind = LIFT_INTERVAL;
        fit->mu = top.mu;
        fit->slope = top.slope;
        fit->scatter = exp(top.log_scatter);
        fit->log_likelihood = log_likelihood(&p, top.mu, top.slope, fit->scatter);
        fit->low = profile_end(&p, fit, top.value, -1);
        fit->high = profile_end(&p, fit, top.value, 1);
        fit->low = fit->mu - hypot(fit->mu - fit->low, wide);
        fit->high = fit->mu + hypot(fit->high - fit->mu, wide);
    }
    gsl_set_error_handler(handler);
    return code;
}

double lift_probability(const struct lift_fit *fit, double value)
{
    if (fit->kind != LIFT_INTERVAL)
        return NAN;
    return gsl_cdf_ugaussian_P((fit->mu - value) / fit->scatter);
}

/* ---- up and down ---- */

/* First strides: a quarter more or less. */
#define STRIDE 0.25

struct lift_plan lift_next(const struct lift_trial *trial, size_t n, const struct lift_fit *fit,
                           const struct lift_plan_options *options)
{
    struct lift_plan plan = {LIFT_TRY, options->start, STRIDE};
    double held = -INFINITY;
    double fell = INFINITY;
    const struct lift_trial *last = NULL;

    for (size_t i = 0; i < n; ++i) {
        if (trial[i].side == LIFT_ABOVE)
            held = fmax(held, trial[i].value);
        else if (trial[i].side == LIFT_BELOW)
            fell = fmin(fell, trial[i].value);
        else
            continue;
        last = &trial[i];
    }
    if (fit->kind == LIFT_INTERVAL && isfinite(fit->low) && isfinite(fit->high) &&
        0.5 * (fit->high - fit->low) <= options->width)
        plan.advice = LIFT_PRECISE;
    else if (n >= options->trials)
        plan.advice = LIFT_ENOUGH;
    else if (held >= options->most - 1e-9 && !isfinite(fell))
        plan.advice = LIFT_OUT_OF_LOAD;
    if (plan.advice != LIFT_TRY) {
        plan.next = NAN;
        return plan;
    }
    if (fit->kind == LIFT_INTERVAL)
        plan.step = fmin(STRIDE, fmax(0.03, fit->scatter));
    if (!last) {
        if (isfinite(fit->mu))
            plan.next = fit->mu; /* a curve of unloading came first */
    } else if (!isfinite(fell))
        plan.next = held + STRIDE;
    else if (!isfinite(held))
        plan.next = fell - STRIDE;
    else if (fell - held > 2.0 * plan.step)
        plan.next = 0.5 * (held + fell);
    else
        plan.next = last->value + (last->side == LIFT_ABOVE ? plan.step : -plan.step);
    plan.next = fmin(plan.next, options->most);
    return plan;
}

enum status_code lift_dixon_mood(const double *value, const bool *held, size_t n, double step,
                                 double *mean, double *deviation, struct status *st)
{
    size_t holds = 0;
    double base = INFINITY;
    double f = 0.0;
    double a = 0.0;
    double b = 0.0;
    double spread;
    bool rare; /* the outcome that came less often */

    if (!(step > 0.0) || n < 2)
        return status_fail(st, STATUS_INPUT, "%zu trials in steps of %g: not an up-and-down run", n,
                           step);
    for (size_t i = 0; i < n; ++i)
        holds += held[i];
    if (holds == 0 || holds == n)
        return status_fail(st, STATUS_INPUT, "every trial %s: an up-and-down run needs both",
                           holds ? "held" : "fell");
    rare = 2 * holds <= n;
    for (size_t i = 0; i < n; ++i)
        if (held[i] == rare)
            base = fmin(base, value[i]);
    for (size_t i = 0; i < n; ++i) {
        double level = (value[i] - base) / step;

        if (fabs(level - round(level)) > 0.01)
            return status_fail(st, STATUS_INPUT, "load %zu is not a whole number of steps away",
                               i + 1);
        if (held[i] != rare)
            continue;
        level = round(level);
        f += 1.0;
        a += level;
        b += level * level;
    }
    spread = (f * b - a * a) / (f * f);
    *mean = base + step * (a / f + (rare ? 0.5 : -0.5));
    *deviation = spread >= 0.3 ? 1.62 * step * (spread + 0.029) : 0.53 * step;
    return status_ok(st);
}
