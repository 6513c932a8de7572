/* Cholesky factors against GSL's linear algebra. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>

#include <cmocka.h>
#include <gsl/gsl_blas.h>
#include <gsl/gsl_linalg.h>
#include <math.h>
#include <string.h>

#include "analyze/infer/precision.h"

#define N 6

static void assert_near(double got, double expected, double tolerance)
{
    if (!(fabs(got - expected) <= tolerance))
        fail_msg("%.15g, expected %.15g", got, expected);
}

/* A positive definite matrix without any pattern: B B' + I. */
static void fill(struct precision *p, gsl_matrix *m)
{
    double b[N][N];

    memset(p, 0, sizeof *p);
    for (size_t i = 0; i < N; i++)
        for (size_t j = 0; j < N; j++)
            b[i][j] = 1.9 * sin(2.3 * (double)i + 1.1 * (double)(j * j) + 0.4);
    for (size_t i = 0; i < N; i++) {
        for (size_t j = 0; j < N; j++) {
            double sum = i == j ? 1 : 0;

            for (size_t k = 0; k < N; k++)
                sum += b[i][k] * b[j][k];
            /* What is above the diagonal is nobody's business. */
            p->root[i][j] = j <= i ? sum : NAN;
            gsl_matrix_set(m, i, j, sum);
        }
    }
}

static void test_factor_and_solve(void **state)
{
    gsl_matrix *m = gsl_matrix_alloc(N, N);
    gsl_vector *b = gsl_vector_alloc(N), *x = gsl_vector_alloc(N);
    struct precision p;
    double rhs[N], got[N];

    (void)state;
    fill(&p, m);
    assert_true(precision_factor(&p, N));
    assert_int_equal(gsl_linalg_cholesky_decomp1(m), 0);
    for (size_t i = 0; i < N; i++) {
        for (size_t j = 0; j <= i; j++)
            assert_near(p.root[i][j], gsl_matrix_get(m, i, j), 1e-12);
        rhs[i] = cos(1.7 * (double)i);
        gsl_vector_set(b, i, rhs[i]);
    }
    precision_solve(&p, N, rhs, got);
    assert_int_equal(gsl_linalg_cholesky_solve(m, b, x), 0);
    for (size_t i = 0; i < N; i++)
        assert_near(got[i], gsl_vector_get(x, i), 1e-12);
    gsl_matrix_free(m);
    gsl_vector_free(b);
    gsl_vector_free(x);
}

static void test_determinant(void **state)
{
    gsl_matrix *m = gsl_matrix_alloc(N, N);
    gsl_permutation *order = gsl_permutation_alloc(N);
    struct precision p;
    int sign;

    (void)state;
    fill(&p, m);
    assert_true(precision_factor(&p, N));
    assert_int_equal(gsl_linalg_LU_decomp(m, order, &sign), 0);
    assert_near(precision_log_root(&p, N), 0.5 * gsl_linalg_LU_lndet(m), 1e-12);
    gsl_matrix_free(m);
    gsl_permutation_free(order);
}

static void test_distance_and_point(void **state)
{
    gsl_matrix *m = gsl_matrix_alloc(N, N);
    gsl_vector *d = gsl_vector_alloc(N), *md = gsl_vector_calloc(N);
    struct precision p;
    double a[N], b[N], normal[N], z[N], square, length = 0;

    (void)state;
    fill(&p, m);
    assert_true(precision_factor(&p, N));
    for (size_t i = 0; i < N; i++) {
        a[i] = sin(3.1 * (double)i + 1);
        b[i] = 2 * cos(0.9 * (double)i);
        normal[i] = sin(5.3 * (double)i + 2);
        length += normal[i] * normal[i];
        gsl_vector_set(d, i, a[i] - b[i]);
    }
    assert_int_equal(gsl_blas_dgemv(CblasNoTrans, 1, m, d, 0, md), 0);
    assert_int_equal(gsl_blas_ddot(d, md, &square), 0);
    assert_near(precision_square(&p, N, a, b), square, 1e-11 * square);
    precision_point(&p, N, b, normal, z);
    assert_near(precision_square(&p, N, z, b), length, 1e-11 * length);
    gsl_matrix_free(m);
    gsl_vector_free(d);
    gsl_vector_free(md);
}

static void test_not_definite(void **state)
{
    struct precision p;

    (void)state;
    memset(&p, 0, sizeof p);
    p.root[0][0] = 1;
    p.root[1][0] = 2;
    p.root[1][1] = 3; /* 1 * 3 < 2^2 */
    assert_false(precision_factor(&p, 2));
    assert_true(precision_factor(&p, 0));
    assert_near(precision_log_root(&p, 0), 0, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_factor_and_solve),
        cmocka_unit_test(test_determinant),
        cmocka_unit_test(test_distance_and_point),
        cmocka_unit_test(test_not_definite),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
