/* Hierarchical learning against a published example and closed forms. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>

#include <cmocka.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdbool.h>
#include <string.h>

#include "analyze/infer/learn.h"

/* Eight schools (Rubin, J. Educ. Stat. 6 (1981) 377-401; Gelman et al., Bayesian Data Analysis,
 * 3rd ed. 2013, table 5.2; data from memory). */
static const struct learn_example schools[8] = {{28, 15}, {8, 10}, {-3, 16}, {7, 11},
                                                {-1, 9},  {1, 11}, {18, 10}, {12, 18}};

static void test_pooled(void **state)
{
    struct learn_prior prior = {.mean = 0, .u = 1e4, .spread = 1e-3};
    struct learn_result r;
    struct status st;
    double weight = 0, sum = 0;

    (void)state;
    /* Without spread between them the mean is the weighted mean: printed 7.7, standard error 4.1
     * (book, from memory); the closed form is worked out here. */
    for (int i = 0; i < 8; i++) {
        weight += 1 / (schools[i].u * schools[i].u);
        sum += schools[i].value / (schools[i].u * schools[i].u);
    }
    assert_int_equal(learn_update(&prior, schools, 8, &r, &st), STATUS_OK);
    /* The grid of spreads reaches to the scatter of the data; the prior holds it at nought. */
    assert_true(fabs(r.mean - sum / weight) < 0.05);
    assert_true(fabs(r.u - 1 / sqrt(weight)) < 0.05);
    assert_true(fabs(r.mean - 7.7) < 0.1 && fabs(r.u - 4.1) < 0.1);
}

/* With no examples the prior comes back. */
static void test_prior(void **state)
{
    struct learn_result r;
    struct status st;

    (void)state;
    for (int q = 0; q < LEARN_QUANTITIES; q++) {
        struct learn_prior prior = learn_prior_of((enum learn_quantity)q);

        assert_int_equal(learn_update(&prior, NULL, 0, &r, &st), STATUS_OK);
        assert_true(fabs(r.mean - prior.mean) < 1e-9 * (1 + fabs(prior.mean)));
        assert_true(fabs(r.u / prior.u - 1) < 1e-6);
        assert_true(r.prior_weight == 1 || fabs(r.prior_weight - 1) < 1e-9);
        /* Mean of a half-normal: scale sqrt(2 / pi). */
        assert_true(fabs(r.spread / (prior.spread * sqrt(2 / M_PI)) - 1) < 0.01);
        assert_true(strlen(learn_reason((enum learn_quantity)q)) > 20);
        assert_true(strlen(learn_name((enum learn_quantity)q)) > 2);
    }
}

/* 300 shops drawn from the prior, ten coils each: 95 % intervals of the mean and of the next coil
 * hold the truth 95 times in a hundred. */
static void test_coverage(void **state)
{
    struct learn_prior prior = {.mean = 0, .u = 0.02, .spread = 0.006};
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    int in_mean = 0, in_next = 0, sharper = 0;

    (void)state;
    gsl_rng_set(rng, 20240);
    for (int shop = 0; shop < 300; shop++) {
        struct learn_example e[10];
        struct learn_result r;
        struct status st;
        double mu = gsl_ran_gaussian(rng, prior.u);
        double t = fabs(gsl_ran_gaussian(rng, prior.spread)), next;

        for (int i = 0; i < 10; i++) {
            e[i].u = 0.004;
            e[i].value = mu + gsl_ran_gaussian(rng, t) + gsl_ran_gaussian(rng, e[i].u);
        }
        next = mu + gsl_ran_gaussian(rng, t);
        assert_int_equal(learn_update(&prior, e, 10, &r, &st), STATUS_OK);
        in_mean += fabs(mu - r.mean) < 1.96 * r.u;
        in_next += fabs(next - r.mean) < 1.96 * r.next_u;
        sharper += r.next_u < prior.u;
    }
    gsl_rng_free(rng);
    assert_true(in_mean >= 276 && in_mean <= 296);
    assert_true(in_next >= 276 && in_next <= 297);
    assert_true(sharper >= 295);
}

static void test_refusals(void **state)
{
    struct learn_prior prior = learn_prior_of(LEARN_WIRE_LOT);
    struct learn_example e[2] = {{0.01, 0.002}, {NAN, 0.002}};
    struct learn_result r;
    struct status st;

    (void)state;
    assert_int_equal(learn_update(&prior, e, 2, &r, &st), STATUS_INPUT);
    assert_non_null(strstr(st.text, "example 2"));
    e[1] = (struct learn_example){0.01, 0};
    assert_int_equal(learn_update(&prior, e, 2, &r, &st), STATUS_INPUT);
    prior.u = 0;
    assert_int_equal(learn_update(&prior, e, 1, &r, &st), STATUS_INPUT);
    prior = learn_prior_of(LEARN_WIRE_LOT);
    prior.spread = -1;
    assert_int_equal(learn_update(&prior, e, 1, &r, &st), STATUS_INPUT);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_pooled),
        cmocka_unit_test(test_prior),
        cmocka_unit_test(test_coverage),
        cmocka_unit_test(test_refusals),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
