/* The threshold of lift against published data with censoring, scipy, and closed forms. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>

#include <cmocka.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "analyze/infer/lift.h"

static bool near(double a, double b, double within)
{
    bool is = fabs(a - b) <= within;

    if (!is)
        print_error("%.9g is not %.9g within %g\n", a, b, within);
    return is;
}

static struct lift_options plain(void)
{
    struct lift_options o = lift_options_default();

    o.scatter = NAN;
    o.few = false;
    return o;
}

/* The prior of the reference, and chi-square ends. */
static struct lift_options with_prior(void)
{
    struct lift_options o = lift_options_default();

    o.scatter = 0.08;
    o.scatter_spread = 0.7;
    o.few = false;
    return o;
}

/* Motorettes: hours to failure of insulation at four temperatures. W. Nelson, G. J. Hahn,
 * Technometrics 14 (1972) 247-276, as data set 'motors' of the R package MASS (Venables, Ripley,
 * Modern Applied Statistics with S, 4th ed. 2002, ch. 13). */
static size_t motorettes(struct lift_trial *t, double reference_c, double only_c)
{
    static const struct {
        double celsius, end;
        int unfailed;
        double failed[8];
    } group[] = {{150, 8064, 10, {0}},
                 {170, 5448, 3, {1764, 2772, 3444, 3542, 3780, 4860, 5196}},
                 {190, 1680, 5, {408, 408, 1344, 1344, 1440}},
                 {220, 528, 5, {408, 408, 504, 504, 504}}};
    size_t n = 0;

    for (size_t g = 0; g < 4; ++g) {
        double slope = 1000 / (group[g].celsius + 273.2);

        if (!isnan(reference_c))
            slope -= 1000 / (reference_c + 273.2);
        if (!isnan(only_c) && group[g].celsius != only_c)
            continue;
        for (int i = 0; i < 8 && group[g].failed[i] > 0; ++i)
            t[n++] = (struct lift_trial){
                .side = LIFT_EXACT, .value = log(group[g].failed[i]), .slope = slope};
        for (int i = 0; i < group[g].unfailed; ++i)
            t[n++] =
                (struct lift_trial){.side = LIFT_ABOVE, .value = log(group[g].end), .slope = slope};
    }
    return n;
}

/* Lognormal in 1000/T: -13.859834, 9.927013, scale 0.596790, ln L -148.537430 by R's survival
 * 3.5-3 (survreg), and scipy 1.10.1 alike (tests/published/lift/recompute). In common logarithms
 * this is the -6.019, 4.311, 0.2592 printed by J. Schmee, G. J. Hahn, Technometrics 21 (1979) 417
 * (from memory). */
static void test_motorettes(void **state)
{
    struct lift_trial t[64];
    struct lift_options o = plain();
    struct lift_fit f;
    struct status st;
    size_t n = motorettes(t, NAN, NAN);
    double hours = 0;

    (void)state;
    o.slope = true;
    assert_int_equal(n, 40);
    assert_int_equal(lift_fit(t, n, &o, &f, &st), STATUS_OK);
    assert_int_equal(f.kind, LIFT_INTERVAL);
    assert_true(near(f.mu, -13.859834, 2e-5));
    assert_true(near(f.slope, 9.927013, 1e-5));
    assert_true(near(f.scatter, 0.596790, 1e-6));
    for (size_t i = 0; i < n; ++i)
        hours += t[i].side == LIFT_EXACT ? t[i].value : 0; /* density of T, not of ln T */
    assert_true(near(f.log_likelihood - hours, -148.537430, 1e-5));
    assert_true(near(f.mu / M_LN10, -6.019, 5e-4) && near(f.slope / M_LN10, 4.311, 5e-4) &&
                near(f.scatter / M_LN10, 0.2592, 5e-5));
    assert_int_equal(f.above, 23);
    assert_int_equal(f.exact, 17);
}

/* Median life at 130 C with its profile interval: scipy. */
static void test_profile(void **state)
{
    struct lift_trial t[64];
    struct lift_options o = plain();
    struct lift_fit f;
    struct status st;
    size_t n = motorettes(t, 130, NAN);

    (void)state;
    o.slope = true;
    assert_int_equal(lift_fit(t, n, &o, &f, &st), STATUS_OK);
    assert_true(near(f.mu, 10.7607345, 1e-5));
    assert_true(near(f.low, 10.160840, 1e-4) && near(f.high, 11.592714, 1e-4));
    n = motorettes(t, NAN, 170);
    o.slope = false;
    assert_int_equal(lift_fit(t, n, &o, &f, &st), STATUS_OK);
    assert_true(near(f.mu, 8.3709373, 1e-6) && near(f.scatter, 0.4668448, 1e-6));
    assert_true(near(f.low, 8.050799, 1e-5) && near(f.high, 8.782267, 1e-5));
    assert_true(near(lift_deviance(t, n, &o, &f, f.high), 3.841459, 1e-4));
    assert_true(near(lift_deviance(t, n, &o, &f, f.mu), 0, 1e-6));
    /* an uncertainty that all share widens both ends, in quadrature */
    o.shared_u = 0.2;
    assert_int_equal(lift_fit(t, n, &o, &f, &st), STATUS_OK);
    assert_true(near(f.mu - f.low, hypot(8.3709373 - 8.050799, 0.2 * 1.959964), 1e-5));
}

/* 6-MP remission times (Freireich et al. 1963; 'gehan' of MASS): lognormal by scipy. */
static void test_remission(void **state)
{
    static const double failed[] = {6, 6, 6, 7, 10, 13, 16, 22, 23};
    static const double on[] = {6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35};
    struct lift_trial t[32];
    struct lift_options o = plain();
    struct lift_fit f;
    struct status st;
    size_t n = 0;

    (void)state;
    for (size_t i = 0; i < 9; ++i)
        t[n++] = (struct lift_trial){.side = LIFT_EXACT, .value = log(failed[i])};
    for (size_t i = 0; i < 12; ++i)
        t[n++] = (struct lift_trial){.side = LIFT_ABOVE, .value = log(on[i])};
    assert_int_equal(lift_fit(t, n, &o, &f, &st), STATUS_OK);
    assert_true(near(f.mu, 3.2030677, 1e-6) && near(f.scatter, 0.9787248, 1e-6));
    assert_true(near(f.log_likelihood, -19.492307, 1e-6));
    assert_true(near(f.low, 2.722344, 1e-5) && near(f.high, 4.004544, 1e-5));
}

/* ---- held and fell ---- */

struct outcome {
    double value;
    bool held;
};

/* The run in tests/published/lift/recompute. */
static const struct outcome up_and_down[] = {{-0.3, 1}, {-0.2, 1}, {-0.1, 1}, {0.0, 1},  {0.1, 0},
                                             {0.0, 1},  {0.1, 0},  {0.0, 0},  {-0.1, 1}, {0.0, 1},
                                             {0.1, 1},  {0.2, 0},  {0.1, 0},  {0.0, 1},  {0.1, 0},
                                             {0.0, 0},  {-0.1, 1}, {0.0, 0},  {-0.1, 1}, {0.0, 1}};
#define RUN (sizeof up_and_down / sizeof *up_and_down)

static size_t put_run(struct lift_trial *t, const struct outcome *run, size_t n)
{
    for (size_t i = 0; i < n; ++i)
        t[i] = (struct lift_trial){.side = run[i].held ? LIFT_ABOVE : LIFT_BELOW,
                                   .value = run[i].value};
    return n;
}

static void test_probit(void **state)
{
    static const struct outcome apart[] = {{0, 1}, {0.25, 1}, {0.5, 0}, {0.375, 0}};
    struct lift_trial t[32];
    struct lift_options o = plain();
    struct lift_fit f;
    struct status st;

    (void)state;
    put_run(t, up_and_down, RUN);
    assert_int_equal(lift_fit(t, RUN, &o, &f, &st), STATUS_OK);
    assert_true(f.overlap);
    assert_true(near(f.mu, 0.0310509, 1e-5) && near(f.scatter, 0.0701530, 1e-5));
    assert_true(near(f.low, -0.025923, 1e-5) && near(f.high, 0.106205, 1e-5));
    assert_true(near(f.log_likelihood, -7.989923, 1e-6));
    assert_true(near(lift_probability(&f, f.mu), 0.5, 1e-12));
    assert_true(near(lift_probability(&f, f.mu - f.scatter), 0.841345, 1e-6));
    o = with_prior();
    assert_int_equal(lift_fit(t, RUN, &o, &f, &st), STATUS_OK);
    assert_true(near(f.mu, 0.0313285, 1e-5) && near(f.scatter, 0.0727764, 1e-5));
    assert_true(near(f.low, -0.024814, 1e-5) && near(f.high, 0.098390, 1e-5));
    /* Apart: only the prior says how much a seating scatters, and the interval reaches beyond the
     * loads on both sides. */
    put_run(t, apart, 4);
    assert_int_equal(lift_fit(t, 4, &o, &f, &st), STATUS_OK);
    assert_false(f.overlap);
    assert_true(near(f.mu, 0.3122389, 1e-4) && near(f.scatter, 0.0602635, 1e-4));
    assert_true(near(f.low, 0.118119, 1e-4) && near(f.high, 0.474493, 1e-4));
    o = plain();
    assert_int_equal(lift_fit(t, 4, &o, &f, &st), STATUS_INPUT);
    assert_non_null(strstr(st.text, "scatter"));
}

static void test_mixed(void **state)
{
    struct lift_trial t[] = {{.side = LIFT_ABOVE, .value = 0.0},
                             {.side = LIFT_EXACT, .value = 0.1},
                             {.side = LIFT_EXACT, .value = 0.16},
                             {.side = LIFT_BELOW, .value = 0.3},
                             {.side = LIFT_ABOVE, .value = 0.05}};
    struct lift_options o = with_prior();
    struct lift_fit f, g;
    struct status st;

    (void)state;
    assert_int_equal(lift_fit(t, 5, &o, &f, &st), STATUS_OK);
    assert_true(near(f.mu, 0.1317131, 1e-6) && near(f.scatter, 0.0440191, 1e-6));
    assert_true(near(f.low, 0.063496, 1e-5) && near(f.high, 0.220044, 1e-5));
    assert_true(near(f.log_likelihood, 3.908729, 1e-6));
    /* A narrow bracket says what its middle says; an unbounded one what its end says. */
    t[1] = (struct lift_trial){.side = LIFT_BETWEEN, .value = 0.0999, .upper = 0.1001};
    assert_int_equal(lift_fit(t, 5, &o, &g, &st), STATUS_OK);
    assert_true(near(g.mu, f.mu, 1e-5) && near(g.low, f.low, 1e-4));
    t[1] = (struct lift_trial){.side = LIFT_BETWEEN, .value = 0.1, .upper = 30};
    assert_int_equal(lift_fit(t, 5, &o, &f, &st), STATUS_OK);
    t[1] = (struct lift_trial){.side = LIFT_ABOVE, .value = 0.1};
    assert_int_equal(lift_fit(t, 5, &o, &g, &st), STATUS_OK);
    assert_true(near(g.mu, f.mu, 1e-6) && near(g.high, f.high, 1e-5));
    /* A trial in which nobody trusts says nearly nothing. */
    t[1] = (struct lift_trial){.side = LIFT_BELOW, .value = -2, .lapse = 0.5};
    assert_int_equal(lift_fit(t, 5, &o, &f, &st), STATUS_OK);
    t[1] = t[4];
    assert_int_equal(lift_fit(t, 4, &o, &g, &st), STATUS_OK);
    assert_true(near(g.mu, f.mu, 1e-4) && near(g.high, f.high, 1e-3));
}

/* Everything held, or everything fell: a bound and never a number. */
static void test_one_sided(void **state)
{
    struct lift_trial t[] = {{.side = LIFT_ABOVE, .value = 0.0},
                             {.side = LIFT_ABOVE, .value = 0.25},
                             {.side = LIFT_ABOVE, .value = 0.5}};
    struct lift_options o = with_prior();
    struct lift_fit f;
    struct status st;
    double low;

    (void)state;
    assert_int_equal(lift_fit(t, 0, &o, &f, &st), STATUS_OK);
    assert_int_equal(f.kind, LIFT_NOTHING);
    assert_true(isnan(f.mu) && isinf(f.low) && isinf(f.high));
    assert_int_equal(lift_fit(t, 1, &o, &f, &st), STATUS_OK);
    assert_int_equal(f.kind, LIFT_AT_LEAST);
    assert_true(near(f.low, -0.188427, 5e-4)); /* scipy */
    assert_true(isinf(f.high) && isnan(f.mu) && isnan(lift_probability(&f, 0)));
    assert_int_equal(lift_fit(t, 3, &o, &f, &st), STATUS_OK);
    assert_true(near(f.low, 0.347752, 5e-4));
    low = f.low;
    for (int i = 0; i < 3; ++i) {
        t[i].side = LIFT_BELOW;
        t[i].value = -t[i].value;
    }
    assert_int_equal(lift_fit(t, 3, &o, &f, &st), STATUS_OK);
    assert_int_equal(f.kind, LIFT_AT_MOST);
    assert_true(near(f.high, -low, 1e-9) && isinf(f.low) && f.low < 0);
    /* Closed form: one trial, a known scatter: the load less 1.645 of it. */
    o.scatter = 0.1;
    o.scatter_spread = 1e-6;
    t[0] = (struct lift_trial){.side = LIFT_ABOVE, .value = 1.0};
    assert_int_equal(lift_fit(t, 1, &o, &f, &st), STATUS_OK);
    assert_true(near(f.low, 1 - 0.1644854, 1e-5));
}

/* For few trials the ends are Student's: wider than chi-square's, and the closer the more there
 * are. Exact pulls with their own scatter: n trials and the prior's 1 / (2 x 0.7^2), less one. */
static void test_few(void **state)
{
    struct lift_trial t[40];
    struct lift_options o = with_prior();
    struct lift_options few = o;
    struct lift_fit f, g;
    struct status st;
    double t20;

    (void)state;
    few.few = true;
    for (int i = 0; i < 20; ++i)
        t[i] = (struct lift_trial){.side = LIFT_EXACT, .value = 0.1 * ((i * 7) % 20 - 9.5) / 9.5};
    assert_int_equal(lift_fit(t, 20, &o, &f, &st), STATUS_OK);
    assert_int_equal(lift_fit(t, 20, &few, &g, &st), STATUS_OK);
    assert_true(near(g.mu, f.mu, 1e-9));
    /* t(0.975; 20.02) = 2.0859 by a table of Student's t (20: 2.086) */
    t20 = lift_deviance(t, 20, &few, &g, g.high);
    assert_true(near(sqrt(t20), 2.086, 2e-3));
    assert_true(g.high - g.low > f.high - f.low);
}

static void test_refused(void **state)
{
    struct lift_trial t[] = {{.side = LIFT_ABOVE, .value = 0.0}, {.side = LIFT_BELOW, .value = 1}};
    struct lift_options o = lift_options_default();
    struct lift_fit f;
    struct status st;

    (void)state;
    t[1].value = NAN;
    assert_int_equal(lift_fit(t, 2, &o, &f, &st), STATUS_INPUT);
    assert_non_null(strstr(st.text, "trial 2"));
    t[1].value = 1;
    t[1].u = -1;
    assert_int_equal(lift_fit(t, 2, &o, &f, &st), STATUS_INPUT);
    t[1].u = 0;
    t[1].lapse = 0.7;
    assert_int_equal(lift_fit(t, 2, &o, &f, &st), STATUS_INPUT);
    t[1].lapse = 0;
    o.confidence = 1;
    assert_int_equal(lift_fit(t, 2, &o, &f, &st), STATUS_INPUT);
    o = lift_options_default();
    assert_int_equal(lift_fit(t, LIFT_TRIALS_MAX + 1, &o, &f, &st), STATUS_INPUT);
    assert_int_equal(
        lift_fit(t, 1, &(struct lift_options){.scatter = NAN, .confidence = 0.9}, &f, &st),
        STATUS_INPUT);
}

/* ---- up and down ---- */

/* Formulas of Dixon and Mood (1948) as printed by Caliskan et al. (2021), worked by hand on the run
 * above without its first three strides: 9 of 17 held, so falls are the rarer: at 0.0 3, at 0.1 4,
 * at 0.2 1. F 8, A 0 x 3 + 1 x 4 + 2 x 1 = 6, B 4 + 4 = 8. Mean 0.0 + 0.1 (6/8 - 1/2) = 0.025;
 * (8 x 8 - 36)/64 = 0.4375, s = 1.62 x 0.1 x 0.4665 = 0.075573. */
static void test_dixon_mood(void **state)
{
    double value[RUN];
    bool held[RUN];
    double mean, s;
    struct status st;

    (void)state;
    for (size_t i = 3; i < RUN; ++i) {
        value[i - 3] = up_and_down[i].value;
        held[i - 3] = up_and_down[i].held;
    }
    assert_int_equal(lift_dixon_mood(value, held, RUN - 3, 0.1, &mean, &s, &st), STATUS_OK);
    assert_true(near(mean, 0.025, 1e-12) && near(s, 0.075573, 1e-9));
    /* Turned over, holds are the rarer and the half step has the other sign. */
    for (size_t i = 0; i < RUN - 3; ++i) {
        value[i] = -value[i];
        held[i] = !held[i];
    }
    assert_int_equal(lift_dixon_mood(value, held, RUN - 3, 0.1, &mean, &s, &st), STATUS_OK);
    assert_true(near(mean, -0.025, 1e-12) && near(s, 0.075573, 1e-9));
    /* Too little spread: 0.53 step. */
    assert_int_equal(
        lift_dixon_mood((double[]){0, 0.1, 0, 0.1}, (bool[]){1, 0, 1, 0}, 4, 0.1, &mean, &s, &st),
        STATUS_OK);
    assert_true(near(mean, 0.05, 1e-12) && near(s, 0.053, 1e-12));
    assert_int_equal(
        lift_dixon_mood((double[]){0, 0.15, 0.1}, (bool[]){1, 0, 1}, 3, 0.1, &mean, &s, &st),
        STATUS_INPUT);
    assert_int_equal(lift_dixon_mood((double[]){0, 0.1}, (bool[]){1, 1}, 2, 0.1, &mean, &s, &st),
                     STATUS_INPUT);
}

/* On long runs with a step of about the scatter both must find what was put in. */
static void test_long_run(void **state)
{
    enum { LONG = 200 };
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    struct lift_options o = plain();
    double ml = 0, dm = 0, ml_s = 0, dm_s = 0;
    struct status st;

    (void)state;
    gsl_rng_set(rng, 20240611);
    for (int k = 0; k < 60; ++k) {
        struct lift_trial t[LONG];
        double value[LONG];
        bool held[LONG];
        struct lift_fit f;
        double mean, s, at = 3;

        for (int i = 0; i < LONG; ++i) {
            value[i] = at;
            held[i] = 3.04 + 0.1 * gsl_ran_ugaussian(rng) > at;
            t[i] = (struct lift_trial){.side = held[i] ? LIFT_ABOVE : LIFT_BELOW, .value = at};
            at += held[i] ? 0.1 : -0.1;
        }
        assert_int_equal(lift_fit(t, LONG, &o, &f, &st), STATUS_OK);
        assert_int_equal(lift_dixon_mood(value, held, LONG, 0.1, &mean, &s, &st), STATUS_OK);
        ml += f.mu / 60;
        dm += mean / 60;
        ml_s += f.scatter / 60;
        dm_s += s / 60;
    }
    gsl_rng_free(rng);
    assert_true(near(ml, 3.04, 0.006) && near(dm, 3.04, 0.006) && near(ml, dm, 0.002));
    assert_true(near(ml_s, 0.1, 0.012) && near(dm_s, 0.1, 0.02));
}

static void test_plan(void **state)
{
    struct lift_options o = lift_options_default();
    struct lift_plan_options po = {.start = 2.0, .most = 4.0, .width = 0.1, .trials = 24};
    struct lift_trial t[32];
    struct lift_fit f;
    struct lift_plan p;
    struct status st;
    size_t n = 0;

    (void)state;
    lift_fit(t, 0, &o, &f, &st);
    p = lift_next(t, 0, &f, &po);
    assert_int_equal(p.advice, LIFT_TRY);
    assert_true(near(p.next, 2.0, 0));
    /* strides up while it holds, and stops at the heaviest lump there is */
    while (n < 20 && p.advice == LIFT_TRY) {
        t[n++] = (struct lift_trial){.side = LIFT_ABOVE, .value = p.next};
        assert_int_equal(lift_fit(t, n, &o, &f, &st), STATUS_OK);
        p = lift_next(t, n, &f, &po);
    }
    assert_int_equal(p.advice, LIFT_OUT_OF_LOAD);
    assert_true(isnan(p.next) && n < 15 && near(t[n - 1].value, 4.0, 1e-9));
    /* finds 2.7 and stops when it knows it */
    n = 0;
    po.most = INFINITY;
    lift_fit(t, 0, &o, &f, &st);
    p = lift_next(t, 0, &f, &po);
    while (n < 30 && p.advice == LIFT_TRY) {
        t[n++] =
            (struct lift_trial){.side = p.next < 2.7 ? LIFT_ABOVE : LIFT_BELOW, .value = p.next};
        assert_int_equal(lift_fit(t, n, &o, &f, &st), STATUS_OK);
        p = lift_next(t, n, &f, &po);
    }
    assert_int_equal(p.advice, LIFT_PRECISE);
    assert_true(f.low < 2.7 && f.high > 2.7 && f.high - f.low <= 0.2 && n < 20);
    po.width = 1e-9;
    po.trials = n;
    assert_int_equal(lift_next(t, n, &f, &po).advice, LIFT_ENOUGH);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_motorettes), cmocka_unit_test(test_profile),
        cmocka_unit_test(test_remission),  cmocka_unit_test(test_probit),
        cmocka_unit_test(test_mixed),      cmocka_unit_test(test_few),
        cmocka_unit_test(test_one_sided),  cmocka_unit_test(test_refused),
        cmocka_unit_test(test_dixon_mood), cmocka_unit_test(test_long_run),
        cmocka_unit_test(test_plan)};

    return cmocka_run_group_tests(tests, NULL, NULL);
}
