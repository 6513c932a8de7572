/* The proposal and its ridge: the density that the points are said to have is the one they have.
 *
 * An importance sampler is right only if it is. Outside figures: a density integrates to 1 and its
 * moments are those of the points (plain sums over a grid, Sobol' points of GSL). */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>

#include <cmocka.h>
#include <gsl/gsl_qrng.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/infer/cases.h"
#include "analyze/infer/proposal.h"

#define POINTS (1 << 14)
#define END    9.0
#define STEP   0.02

static void assert_near(double got, double expected, double tolerance)
{
    if (!(fabs(got - expected) <= tolerance))
        fail_msg("%.15g, expected %.15g", got, expected);
}

/* One reading, of the sum of one unknown and a bent function of the other: a ridge. */
static bool bent_scalars(void *context, const double *z, double *scalar)
{
    (void)context;
    scalar[0] = 4 * (z[0] + 0.5 * z[1] * z[1] - 0.8);
    return true;
}

static double bent_sound(void *context, size_t item, double scalar)
{
    (void)context;
    (void)item;
    return -0.5 * scalar * scalar - 0.5 * log(2 * M_PI);
}

static struct weigh_model bent(size_t bends)
{
    struct weigh_model m = {
        .unknowns = 2, .items = 1, .scalars = bent_scalars, .sound = bent_sound, .bends = bends};

    return m;
}

/* Proposal of that model. */
static struct proposal *make(const struct weigh_model *m)
{
    struct integrand *f = calloc(1, sizeof *f);
    struct proposal *p = calloc(1, sizeof *p);
    const double start[2] = {0.3, 0.9};

    assert_non_null(f);
    assert_non_null(p);
    f->model = m;
    p->parts = cases_first(f, start, true, p->part);
    assert_int_equal(p->parts, 1);
    ridge_follow(f, &p->part[0], &p->ridge);
    proposal_share(p);
    free(f);
    return p;
}

/* Integral of the density, and its first and second moments, over a grid. */
static void by_grid(const struct proposal *p, double moment[6])
{
    memset(moment, 0, 6 * sizeof *moment);
    for (double x = -END; x <= END; x += STEP) {
        for (double y = -END; y <= END; y += STEP) {
            const double z[2] = {x, y};
            double q = exp(proposal_density(p, 2, z)) * STEP * STEP;

            moment[0] += q;
            moment[1] += q * x;
            moment[2] += q * y;
            moment[3] += q * x * x;
            moment[4] += q * x * y;
            moment[5] += q * y * y;
        }
    }
}

static void by_points(const struct proposal *p, double moment[6])
{
    gsl_qrng *sobol = gsl_qrng_alloc(gsl_qrng_sobol, 3);

    assert_non_null(sobol);
    memset(moment, 0, 6 * sizeof *moment);
    for (size_t i = 0; i < POINTS; i++) {
        double u[3], z[2];

        gsl_qrng_get(sobol, u);
        proposal_point(p, 2, u, z);
        moment[0] += 1.0 / POINTS;
        moment[1] += z[0] / POINTS;
        moment[2] += z[1] / POINTS;
        moment[3] += z[0] * z[0] / POINTS;
        moment[4] += z[0] * z[1] / POINTS;
        moment[5] += z[1] * z[1] / POINTS;
    }
    gsl_qrng_free(sobol);
}

static void check_points(const struct proposal *p)
{
    double grid[6], points[6];

    by_grid(p, grid);
    by_points(p, points);
    assert_near(grid[0], 1, 0.005);
    for (size_t k = 1; k < 6; k++)
        assert_near(points[k], grid[k], 0.01 * (1 + fabs(grid[k])));
}

static void test_without_ridge(void **state)
{
    struct weigh_model m = bent(0);
    struct proposal *p = make(&m);

    (void)state;
    assert_false(p->ridge.use);
    /* A second part of another place and share. */
    p->part[1] = p->part[0];
    p->part[1].at[0] -= 1.5;
    p->part[1].log_evidence -= 0.7;
    p->parts = 2;
    proposal_share(p);
    assert_near(p->share[1] / p->share[0], exp(-0.7), 1e-12);
    check_points(p);
    free(p);
}

static void test_with_ridge(void **state)
{
    struct weigh_model m = bent(1);
    struct proposal *p = make(&m);

    (void)state;
    assert_true(p->ridge.use);
    assert_int_equal(p->ridge.held, 1);
    check_points(p);
    free(p);
}

/* Its nodes lie where the other unknown's mode is: of 0.5 z^2 + 0.5 (4 (z + c))^2, in closed form.
 * Between them too, within what a cubic can be off. */
static void test_ridge_follows(void **state)
{
    struct weigh_model m = bent(1);
    struct proposal *p = make(&m);

    (void)state;
    for (size_t k = 0; k < p->ridge.nodes; k++) {
        double y = p->ridge.at[k], c = 0.5 * y * y - 0.8;

        assert_near(p->ridge.mode[k][0], -16 * c / 17, 0.02);
        assert_near(p->ridge.mode[k][1], y, 0);
    }
    for (double u = 0.05; u < 1; u += 0.05) {
        const double half[2] = {0.5, u};
        double z[2];

        ridge_point(&p->ridge, 2, half, MODE_NEAR, z);
        assert_near(z[0], -16 * (0.5 * z[1] * z[1] - 0.8) / 17, 0.03);
    }
    free(p);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_without_ridge),
        cmocka_unit_test(test_with_ridge),
        cmocka_unit_test(test_ridge_follows),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
