/* settle: steady, drifting, noisy and short streams. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>

#include "analyze/infer/settle.h"

#define N 60

static void stream(double *t, double *y, double level, double tau, double noise, gsl_rng *rng)
{
    for (int i = 0; i < N; ++i) {
        t[i] = 0.1 * i;
        y[i] = level * (1.0 - exp(-t[i] / tau)) + gsl_ran_gaussian(rng, noise);
    }
}

static void a_steady_stream_settles_at_its_mean(void **state)
{
    struct settle_options o = settle_options_default();
    struct settle_result r;
    struct status st;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    double t[N];
    double y[N];
    int settled = 0;
    int within = 0;

    (void)state;
    for (int trial = 0; trial < 400; ++trial) {
        stream(t, y, 8.713, 1e-3, 0.004, rng);
        assert_int_equal(settle_test(t, y, N, &o, &r, &st), STATUS_OK);
        settled += r.settled;
        within += fabs(r.mean - 8.713) < 2.0 * r.u;
    }
    gsl_rng_free(rng);
    /* 2 u covers 95 % of a normal distribution (JCGM 100 table G.1) */
    if (settled < 330 || within < 360)
        fail_msg("settled %d of 400, within 2 u %d of 400", settled, within);
}

static void a_creeping_stream_does_not_settle(void **state)
{
    struct settle_options o = settle_options_default();
    struct settle_result r;
    struct status st;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    double t[N];
    double y[N];

    (void)state;
    for (int trial = 0; trial < 200; ++trial) {
        stream(t, y, 8.713, 4.0, 0.004, rng); /* still rising by volts */
        assert_int_equal(settle_test(t, y, N, &o, &r, &st), STATUS_OK);
        assert_false(r.settled);
    }
    gsl_rng_free(rng);
}

static void a_frozen_digit_counts_as_steady_with_the_digits_uncertainty(void **state)
{
    struct settle_options o = settle_options_default();
    struct settle_result r;
    struct status st;
    double t[N];
    double y[N];

    (void)state;
    for (int i = 0; i < N; ++i)
        t[i] = 0.1 * i, y[i] = 17.3;
    o.resolution = 0.1;
    assert_int_equal(settle_test(t, y, N, &o, &r, &st), STATUS_OK);
    assert_true(r.settled);
    assert_float_equal(r.mean, 17.3, 1e-9);
    /* JCGM 100:2008 F.2.2.1: u = 0.29 of the step */
    assert_float_equal(r.u, 0.029, 0.0005);
}

static void a_short_stream_says_how_long_yet(void **state)
{
    struct settle_options o = settle_options_default();
    struct settle_result r;
    struct status st;
    double t[8] = {0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7};
    double y[8] = {1, 1, 1, 1, 1, 1, 1, 1};

    (void)state;
    assert_int_equal(settle_test(t, y, 8, &o, &r, &st), STATUS_OK);
    assert_false(r.settled);
    assert_true(r.needed > 0.5 && r.needed < 1.5);
    assert_int_equal(settle_test(t, y, 0, &o, &r, &st), STATUS_OK);
    assert_false(r.settled);
}

static void what_is_no_stream_is_refused(void **state)
{
    struct settle_options o = settle_options_default();
    struct settle_result r;
    struct status st;
    double t[6] = {0, 1, 2, 1.5, 4, 5};
    double y[6] = {1, 1, 1, 1, 1, 1};

    (void)state;
    assert_int_equal(settle_test(t, y, 6, &o, &r, &st), STATUS_INPUT);
    t[3] = 3;
    y[2] = NAN;
    assert_int_equal(settle_test(t, y, 6, &o, &r, &st), STATUS_INPUT);
    y[2] = 1;
    o.stretch = 0;
    assert_int_equal(settle_test(t, y, 6, &o, &r, &st), STATUS_INPUT);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_steady_stream_settles_at_its_mean),
        cmocka_unit_test(a_creeping_stream_does_not_settle),
        cmocka_unit_test(a_frozen_digit_counts_as_steady_with_the_digits_uncertainty),
        cmocka_unit_test(a_short_stream_says_how_long_yet),
        cmocka_unit_test(what_is_no_stream_is_refused),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
