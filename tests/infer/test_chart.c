/* chart: limits, outliers, runs and drift of many coils. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>

#include "analyze/infer/chart.h"

static void assert_near(double value, double expected, double within)
{
    if (!(fabs(value - expected) <= within))
        fail_msg("%.15g, expected %.15g within %g", value, expected, within);
}

/* NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2, flowrate example: centre 50.81, mean
 * moving range 1.8778, limits 55.8041 and 45.8159 (from memory; the arithmetic is checked here). */
static void limits_of_the_handbook_example(void **state)
{
    static const double flow[] = {49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1};
    struct chart chart;
    struct status st;

    (void)state;
    assert_int_equal(chart_make(flow, 10, &chart, &st), STATUS_OK);
    assert_near(chart.centre, 50.81, 1e-9);
    assert_near(chart.high, 55.8041, 1e-4);
    assert_near(chart.low, 45.8159, 1e-4);
    assert_int_equal(chart.outside, 0);
}

/* The slope of the Norris set's kind of fit in closed form: y = 2 + 0.5 i exactly. */
static void a_straight_drift_is_certain(void **state)
{
    double value[12];
    struct chart chart;
    struct status st;

    (void)state;
    for (int i = 0; i < 12; ++i)
        value[i] = 2.0 + 0.5 * i;
    assert_int_equal(chart_make(value, 12, &chart, &st), STATUS_OK);
    assert_near(chart.slope, 0.5, 1e-12);
    assert_true(chart.drift_p < 1e-9);
    assert_int_equal(chart.run, 6);
}

static void false_alarms_are_as_rare_as_promised(void **state)
{
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    double value[100];
    struct chart chart;
    struct status st;
    int drifts = 0;
    size_t outside = 0;

    (void)state;
    for (int trial = 0; trial < 500; ++trial) {
        for (int i = 0; i < 100; ++i)
            value[i] = 8.7 + gsl_ran_gaussian(rng, 0.1);
        assert_int_equal(chart_make(value, 100, &chart, &st), STATUS_OK);
        drifts += chart.drift_p < 0.05;
        outside += chart.outside;
    }
    gsl_rng_free(rng);
    /* 5 % of 500 is 25 +- 4.9; 0.27 % of 50 000 is 135 (normal distribution beyond 3 sigma) */
    if (drifts < 10 || drifts > 42 || outside < 80 || outside > 260)
        fail_msg("%d drifts of 500, %zu outside of 50000", drifts, outside);
}

static void an_outlier_is_found(void **state)
{
    static const double value[] = {8.7, 8.8, 8.7, 8.6, 8.7, 11.2, 8.8, 8.7, 8.6, 8.7, 8.7, 8.8};
    struct chart chart;
    struct status st;

    (void)state;
    assert_int_equal(chart_make(value, 12, &chart, &st), STATUS_OK);
    assert_int_equal(chart.outside, 1);
    assert_true(chart_outside(&chart, 11.2));
    assert_false(chart_outside(&chart, 8.8));
}

static void what_is_no_chart_is_refused(void **state)
{
    double value[] = {1, 2, NAN, 4, 5};
    struct chart chart;
    struct status st;

    (void)state;
    assert_int_equal(chart_make(value, 3, &chart, &st), STATUS_INPUT);
    assert_int_equal(chart_make(value, 5, &chart, &st), STATUS_INPUT);
    value[0] = value[1] = value[2] = value[3] = value[4] = 3.0;
    assert_int_equal(chart_make(value, 5, &chart, &st), STATUS_OK);
    assert_int_equal(chart.outside, 0);
    assert_near(chart.drift_p, 1.0, 1e-12);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(limits_of_the_handbook_example),
        cmocka_unit_test(a_straight_drift_is_certain),
        cmocka_unit_test(false_alarms_are_as_rare_as_promised),
        cmocka_unit_test(an_outlier_is_found),
        cmocka_unit_test(what_is_no_chart_is_refused),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
