/* The response surface: exact where the model is one, honest where it is not. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdio.h>

#include "analyze/model/surrogate.h"

static const struct uncertain_input inputs[] = {
    {"a", UNCERTAIN_NORMAL, 2.3, 0.2, INFINITY, -INFINITY, INFINITY},
    {"b", UNCERTAIN_UNIFORM, -1.7, 0.5, INFINITY, -INFINITY, INFINITY},
    {"c", UNCERTAIN_NORMAL, 0.9, 0.03, INFINITY, 0.0, INFINITY},
};

static enum status_code model(void *context, const double *x, double *y, struct status *st)
{
    (void)context;
    (void)st;
    y[0] = 3.1 + 2.0 * x[0] - 0.7 * x[1] * x[1] + 1.3 * x[0] * x[1]; /* changes sign: a surface */
    y[1] = 5.0 * pow(x[0], 1.7) * exp(0.4 * x[1]) / x[2];            /* a power law */
    y[2] = NAN;
    y[3] = -4.25;
    y[4] = -exp(x[0]);
    return STATUS_OK;
}

static enum status_code jump(void *context, const double *x, double *y, struct status *st)
{
    (void)context;
    (void)st;
    y[0] = x[1] > -1.7 ? 1.0 : -1.0;
    return STATUS_OK;
}

static enum status_code fails(void *context, const double *x, double *y, struct status *st)
{
    y[0] = x[0];
    return x[0] > *(double *)context ? status_fail(st, STATUS_NUMERIC, "x is %g", x[0]) : STATUS_OK;
}

static void fits(void **state)
{
    struct uncertain_result first[5];
    struct surrogate *s;
    double components[15], error, y[5], truth[5];
    struct status st;
    const double at[3] = {2.51, -2.2, 0.93};

    (void)state;
    assert_int_equal(uncertain_first_order(model, NULL, inputs, 3, NULL, 5, first, components, &st),
                     STATUS_OK);
    if (surrogate_fit(model, NULL, inputs, 3, 5, components, 5u, &s, &error, &st))
        fail_msg("%s", st.text);
    printf("smooth model: misses %.2g u\n", error);
    assert_true(error < 1e-3);
    surrogate_run(s, at, SURROGATE_SMOOTH, y);
    (void)model(NULL, at, truth, &st);
    assert_true(fabs(y[0] - truth[0]) < 1e-6 * fabs(truth[0]));
    assert_true(fabs(y[1] - truth[1]) < 4.0 * error * first[1].u);
    assert_true(isnan(y[2]));
    assert_true(y[3] == -4.25);
    assert_true(fabs(y[4] - truth[4]) < 1e-4 * fabs(truth[4]));
    surrogate_free(s);
}

/* A step cannot be fitted: the miss is reported large, and drawing the misses brings back most of
 * the spread that the smooth surface lost. */
static void admits(void **state)
{
    struct uncertain_result first;
    struct surrogate *s;
    double components[3], error, smooth = 0.0, drawn = 0.0;
    struct status st;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    const size_t n = 20000;

    (void)state;
    gsl_rng_set(rng, 8);
    assert_int_equal(uncertain_first_order(jump, NULL, inputs, 3, NULL, 1, &first, components, &st),
                     STATUS_OK);
    if (surrogate_fit(jump, NULL, inputs, 3, 1, components, 5u, &s, &error, &st))
        fail_msg("%s", st.text);
    for (size_t i = 0; i < n; i++) {
        double x[3], y;

        for (int k = 0; k < 3; k++)
            x[k] = inputs[k].value + inputs[k].u * uncertain_draw(rng, inputs[k].shape);
        surrogate_run(s, x, SURROGATE_SMOOTH, &y);
        smooth += y * y / (double)n;
        surrogate_run(s, x, i, &y);
        drawn += y * y / (double)n;
    }
    printf("step: misses %.2f u; spread 1 true, %.3f smooth, %.3f with misses\n", error,
           sqrt(smooth), sqrt(drawn));
    assert_true(error > 0.3 && error < 0.8);
    assert_true(sqrt(smooth) < 0.96);
    assert_true(1.0 - sqrt(drawn) < 0.5 * (1.0 - sqrt(smooth)));
    surrogate_free(s);
    gsl_rng_free(rng);
}

static void refuses(void **state)
{
    struct surrogate *s;
    double components[1] = {0.2}, error, limit = 2.4;
    struct status st;

    (void)state;
    assert_int_equal(surrogate_fit(fails, &limit, inputs, 1, 1, components, 5u, &s, &error, &st),
                     STATUS_NUMERIC);
    assert_null(s);
    assert_true(isnan(error));
    limit = 1.0; /* not even the estimate works */
    assert_int_equal(surrogate_fit(fails, &limit, inputs, 1, 1, components, 5u, &s, &error, &st),
                     STATUS_NUMERIC);
    surrogate_free(NULL);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(fits),
        cmocka_unit_test(admits),
        cmocka_unit_test(refuses),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
