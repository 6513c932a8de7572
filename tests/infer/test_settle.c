/* The settled-reading test: built from known truths plus noise, judged by what was put in. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#include <cmocka.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>

#include "analyze/infer/settle.h"

#define N_MOST 4000

struct stream {
    double time[N_MOST];
    double value[N_MOST];
    size_t n;
};

/* final + amplitude exp(-t/tau) + slope t, noise, rounded to the digit. */
static void make(struct stream *s, size_t n, double dt, double final, double amplitude, double tau,
                 double slope, double noise, double digit, gsl_rng *rng)
{
    s->n = n;
    for (size_t i = 0; i < n; ++i) {
        double t = dt * (double)i;
        double v = final + amplitude * exp(-t / tau) + slope * t;

        v += noise > 0.0 ? gsl_ran_gaussian(rng, noise) : 0.0;
        s->time[i] = t;
        s->value[i] = digit > 0.0 ? round(v / digit) * digit : v;
    }
}

static struct settle_result judge(const struct stream *s, size_t n, const struct settle_criteria *c)
{
    struct settle_result result;

    settle_judge(s->time, s->value, n, c, &result);
    return result;
}

/* The time at which the stream is first called steady; NaN: never. */
static double first_steady(const struct stream *s, const struct settle_criteria *c,
                           struct settle_result *result)
{
    for (size_t n = 1; n <= s->n; ++n) {
        *result = judge(s, n, c);
        if (result->state == SETTLE_STEADY)
            return s->time[n - 1];
    }
    return NAN;
}

static void nothing_and_little(void **state)
{
    static const double time[] = {0, 1, 2};
    static const double value[] = {17.03, 17.03, NAN};
    struct settle_result result;

    (void)state;
    settle_judge(NULL, NULL, 0, NULL, &result);
    assert_int_equal((int)result.state, (int)SETTLE_MORE);
    assert_true(isnan(result.mean) && isnan(result.u));
    settle_judge(time, value, 2, NULL, &result);
    assert_int_equal((int)result.state, (int)SETTLE_MORE);
    assert_int_equal(result.n, 2);
    assert_true(fabs(result.more - 2.0) < 1e-9);
    settle_judge(time, value, 3, NULL, &result);
    assert_int_equal((int)result.state, (int)SETTLE_LOST);
}

/* All digits equal: steady after the shortest window; the digit is the uncertainty, as a rectangle
 * of its width (JCGM 100, F.2.2.1: digit / sqrt 12). */
static void frozen_digits(void **state)
{
    struct stream s;
    const struct settle_criteria c = {.resolution = 0.01};
    struct settle_result result;
    double when;

    (void)state;
    make(&s, 100, 0.25, 17.03, 0, 1, 0, 0, 0.01, NULL);
    when = first_steady(&s, &c, &result);
    assert_true(fabs(when - 3.0) < 1e-9);
    assert_true(fabs(result.mean - 17.03) < 1e-9);
    assert_true(fabs(result.u - 0.01 / sqrt(12.0)) < 1e-9);
    assert_true(result.more == 0.0);
}

/* White noise of two digits about a constant: steady in good time in nearly every case, and the
 * true value within two u in about 95 of 100. */
static void noise_about_rest(void **state)
{
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    const struct settle_criteria c = {.resolution = 0.01};
    int covered = 0, cases = 400;
    double slowest = 0.0;

    (void)state;
    gsl_rng_set(rng, 2385);
    for (int k = 0; k < cases; ++k) {
        struct stream s;
        struct settle_result result = {0};
        double when;

        make(&s, 2000, 0.1, 17.0317, 0, 1, 0, 0.02, 0.01, rng);
        when = first_steady(&s, &c, &result);
        assert_true(when >= 0.0);
        slowest = when > slowest ? when : slowest;
        covered += fabs(result.mean - 17.0317) <= 2.0 * result.u;
    }
    gsl_rng_free(rng);
    printf("covered %d of %d, slowest %.1f s\n", covered, cases, slowest);
    assert_true(covered >= cases * 90 / 100);
    assert_true(slowest < 60.0);
}

/* A steady drift of a digit a second never counts as rest, whatever the noise. */
static void drift_is_not_rest(void **state)
{
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    const struct settle_criteria c = {.resolution = 0.01, .timeout = 60.0};
    int wrong = 0, cases = 200;

    (void)state;
    gsl_rng_set(rng, 77);
    for (int k = 0; k < cases; ++k) {
        struct stream s;
        struct settle_result result = {0};

        make(&s, 610, 0.1, 17.0, 0, 1, 0.0137, 0.002 * (double)(k % 8), 0.01, rng);
        if (!isnan(first_steady(&s, &c, &result)))
            ++wrong;
        else
            assert_int_equal((int)result.state, (int)SETTLE_TIMEOUT);
    }
    gsl_rng_free(rng);
    printf("drift called rest in %d of %d\n", wrong, cases);
    assert_true(wrong <= cases / 20);
}

/* A slow approach (a warming coil, a creeping scale) is not called steady while more than a few
 * digits are still to come, though its display stands still for seconds. */
static void slow_approach(void **state)
{
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    const struct settle_criteria c = {.resolution = 0.01};
    int early = 0, cases = 0;

    (void)state;
    gsl_rng_set(rng, 4711);
    for (double tau = 2.0; tau <= 60.0; tau *= 1.7)
        for (int k = 0; k < 20; ++k) {
            struct stream s;
            struct settle_result result = {0};
            double amplitude = (k % 2 ? 1.0 : -1.0) * (0.5 + 0.1 * (double)k);
            double when;

            make(&s, 3000, 0.2, 17.0, amplitude, tau, 0, 0.003, 0.01, rng);
            when = first_steady(&s, &c, &result);
            assert_true(when >= 0.0);
            ++cases;
            /* Twice the tolerance of three digits. */
            early += fabs(amplitude) * exp(-when / tau) > 0.06;
        }
    gsl_rng_free(rng);
    printf("called steady too early in %d of %d\n", early, cases);
    assert_true(early <= cases / 20);
}

/* After a step (a lead connected) it is at rest soon; the old level does not count. */
static void step(void **state)
{
    struct stream s;
    const struct settle_criteria c = {.resolution = 0.01};
    struct settle_result result;

    (void)state;
    make(&s, 200, 0.2, 17.03, 0, 1, 0, 0, 0.01, NULL);
    for (size_t i = 0; i < 50; ++i)
        s.value[i] = 0.0;
    result = judge(&s, 55, &c);
    assert_int_equal((int)result.state, (int)SETTLE_MORE);
    result = judge(&s, 50 + 30, &c); /* 6 s after the step */
    assert_int_equal((int)result.state, (int)SETTLE_STEADY);
    assert_true(fabs(result.mean - 17.03) < 1e-9);
}

/* The remaining approach and the time still needed are of the right size. */
static void foresight(void **state)
{
    struct stream s;
    const struct settle_criteria c = {.resolution = 0.001};
    struct settle_result result;

    (void)state;
    make(&s, 200, 0.1, 5.0, 1.0, 4.0, 0, 0, 0, NULL);
    result = judge(&s, 81, &c); /* 8 s: exp(-2) = 0.1353 still to come, downwards */
    assert_int_equal((int)result.state, (int)SETTLE_MORE);
    assert_true(fabs(result.remaining + exp(-2.0)) < 0.1 * exp(-2.0));
    /* Until 0.003 is left: 4 s ln(0.1353 / 0.003) = 15.2 s from here. */
    assert_true(result.more > 8.0 && result.more < 30.0);
}

static void clock_goes_back(void **state)
{
    struct stream s;
    const struct settle_criteria c = {.resolution = 0.01};
    struct settle_result result;

    (void)state;
    make(&s, 60, 0.2, 17.03, 0, 1, 0, 0, 0.01, NULL);
    for (size_t i = 50; i < 60; ++i)
        s.time[i] -= 100.0; /* the clock was set back: only what came after counts */
    result = judge(&s, 60, &c);
    assert_int_equal((int)result.state, (int)SETTLE_MORE);
    assert_true(result.n <= 10);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(nothing_and_little), cmocka_unit_test(frozen_digits),
        cmocka_unit_test(noise_about_rest),   cmocka_unit_test(drift_is_not_rest),
        cmocka_unit_test(slow_approach),      cmocka_unit_test(step),
        cmocka_unit_test(foresight),          cmocka_unit_test(clock_goes_back),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
