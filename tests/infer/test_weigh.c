/* The evidence integral against closed forms. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>

#include <cmocka.h>
#include <gsl/gsl_linalg.h>
#include <gsl/gsl_sf_gamma.h>
#include <math.h>
#include <string.h>

#include <gsl/gsl_cdf.h>

#include "analyze/infer/weigh.h"

/* ---- linear model: y = A z + noise, noise 1: log N(y; 0, I + A A') in closed form ---- */

#define ITEMS    7
#define UNKNOWNS 4

struct linear {
    double a[ITEMS][UNKNOWNS];
    double y[ITEMS];
    double chance;
    double broad;
};

static bool linear_scalars(void *context, const double *z, double *scalar)
{
    const struct linear *l = context;

    for (size_t i = 0; i < ITEMS; i++) {
        scalar[i] = -l->y[i];
        for (size_t j = 0; j < UNKNOWNS; j++)
            scalar[i] += l->a[i][j] * z[j];
    }
    return true;
}

static double linear_sound(void *context, size_t item, double scalar)
{
    (void)context;
    (void)item;
    return -0.5 * scalar * scalar - 0.5 * log(2 * M_PI);
}

static double linear_mistaken(void *context, size_t item, const double *scalar)
{
    const struct linear *l = context;

    (void)item;
    (void)scalar;
    return -log(l->broad);
}

static double linear_chance(void *context, size_t item)
{
    const struct linear *l = context;

    (void)item;
    return l->chance;
}

/* A high-entropy matrix and vector. */
static struct linear linear_make(void)
{
    struct linear l = {.chance = 0, .broad = 200};

    for (size_t i = 0; i < ITEMS; i++) {
        for (size_t j = 0; j < UNKNOWNS; j++)
            l.a[i][j] = 2.385 * sin(1.7 * (double)i + 2.9 * (double)j + 0.31);
        l.y[i] = 1.733 * cos(2.3 * (double)i + 0.77);
    }
    return l;
}

/* log N(y; 0, I + A A') over the items not in 'left_out'. */
static double closed_form(const struct linear *l, const bool *left_out, double *square)
{
    size_t n = 0, of[ITEMS];
    gsl_matrix *c;
    gsl_vector *y, *x;
    double log_det = 0, result;

    for (size_t i = 0; i < ITEMS; i++)
        if (!left_out[i])
            of[n++] = i;
    c = gsl_matrix_calloc(n, n);
    y = gsl_vector_alloc(n);
    x = gsl_vector_alloc(n);
    for (size_t p = 0; p < n; p++) {
        gsl_vector_set(y, p, l->y[of[p]]);
        for (size_t q = 0; q < n; q++) {
            double s = p == q ? 1 : 0;

            for (size_t j = 0; j < UNKNOWNS; j++)
                s += l->a[of[p]][j] * l->a[of[q]][j];
            gsl_matrix_set(c, p, q, s);
        }
    }
    gsl_linalg_cholesky_decomp1(c);
    gsl_linalg_cholesky_solve(c, y, x);
    result = 0;
    for (size_t p = 0; p < n; p++) {
        log_det += 2 * log(gsl_matrix_get(c, p, p));
        result += gsl_vector_get(x, p) * gsl_vector_get(y, p);
    }
    if (square)
        *square = result;
    result = -0.5 * result - 0.5 * log_det - 0.5 * (double)n * log(2 * M_PI);
    gsl_matrix_free(c);
    gsl_vector_free(y);
    gsl_vector_free(x);
    return result;
}

static struct weigh_model linear_model(struct linear *l)
{
    struct weigh_model m = {.unknowns = UNKNOWNS,
                            .items = ITEMS,
                            .context = l,
                            .scalars = linear_scalars,
                            .sound = linear_sound,
                            .mistaken = l->chance > 0 ? linear_mistaken : NULL,
                            .mistake = l->chance > 0 ? linear_chance : NULL};

    return m;
}

/* Closed form: marginal likelihood of the linear normal model (C. M. Bishop, Pattern Recognition
 * and Machine Learning, 2006, equation 2.115), worked out by GSL's Cholesky decomposition. */
static void test_linear(void **state)
{
    struct linear l = linear_make();
    struct weigh_model m = linear_model(&l);
    struct weigh_options o = weigh_options_default();
    struct weigh_result r;
    struct status st;
    bool none[ITEMS] = {false};
    double square, truth = closed_form(&l, none, &square);

    (void)state;
    assert_int_equal(weigh_integrate(&m, &o, 0, &r, &st), STATUS_OK);
    assert_true(fabs(r.laplace - truth) < 1e-3);
    assert_true(fabs(r.log_evidence - truth) < 0.03);
    assert_true(r.log_evidence_u < 0.03);
    assert_true(fabs(r.log_evidence - truth) < 5 * r.log_evidence_u + 1e-3);
    /* y' C^-1 y is what the misfit must be, by the matrix inversion lemma. */
    assert_true(fabs(r.misfit - square) < 1e-2);
    assert_true(r.freedom == ITEMS);
    weigh_free(&r);
}

/* With mistakes the evidence is the sum over all 2^7 ways of taking items as mistakes. */
static void test_mistakes(void **state)
{
    struct linear l = linear_make();
    struct weigh_model m;
    struct weigh_options o = weigh_options_default();
    struct weigh_result r;
    struct status st;
    double truth = -INFINITY, with_item_2 = -INFINITY;

    (void)state;
    l.chance = 0.02;
    l.y[2] += 31.7; /* one reading far off */
    m = linear_model(&l);
    for (unsigned set = 0; set < 1u << ITEMS; set++) {
        bool out[ITEMS];
        double term = 0;

        for (size_t i = 0; i < ITEMS; i++) {
            out[i] = set >> i & 1;
            term += out[i] ? log(l.chance) - log(l.broad) : log1p(-l.chance);
        }
        if (set + 1 < 1u << ITEMS)
            term += closed_form(&l, out, NULL);
        else
            continue;
        truth = weigh_log_add(truth, term);
        if (out[2])
            with_item_2 = weigh_log_add(with_item_2, term);
    }
    o.draws = 256;
    assert_int_equal(weigh_integrate(&m, &o, 0, &r, &st), STATUS_OK);
    assert_true(fabs(r.log_evidence - truth) < 0.05);
    assert_true(fabs(r.mistaken[2] - exp(with_item_2 - truth)) < 0.02);
    assert_true(r.mistaken[2] > 0.95);
    assert_true(r.mistaken[0] < 0.2);
    weigh_free(&r);
}

/* ---- the Euro coin: 140 heads in 250 spins ---- */

struct coin {
    double heads, spins;
};

static bool coin_scalars(void *context, const double *z, double *scalar)
{
    (void)context;
    scalar[0] = z[0];
    return true;
}

static double coin_sound(void *context, size_t item, double scalar)
{
    const struct coin *c = context;

    (void)item;
    return c->heads * log(gsl_cdf_ugaussian_P(scalar)) +
           (c->spins - c->heads) * log(gsl_cdf_ugaussian_Q(scalar));
}

/* D. J. C. MacKay, Information Theory, Inference, and Learning Algorithms (Cambridge 2003),
 * exercise 3.15: a Belgian euro came up heads 140 times in 250. With a uniform prior of the bias
 * the evidence is 140! 110! / 251!, and the ratio to a fair coin 0.48 (the printed ratio is from
 * memory; the factorials are exact). */
static void test_euro_coin(void **state)
{
    struct coin c = {140, 250};
    struct weigh_model m = {
        .unknowns = 1, .items = 1, .context = &c, .scalars = coin_scalars, .sound = coin_sound};
    struct weigh_options o = weigh_options_default();
    struct weigh_result r;
    struct status st;
    double exact = gsl_sf_lnfact(140) + gsl_sf_lnfact(110) - gsl_sf_lnfact(251);
    double fair = -250 * log(2), ratio;

    (void)state;
    assert_int_equal(weigh_integrate(&m, &o, 64, &r, &st), STATUS_OK);
    assert_true(fabs(r.log_evidence - exact) < 0.01);
    ratio = exp(r.log_evidence - fair);
    assert_true(fabs(ratio - 0.48) < 0.005);
    /* The posterior is Beta(141, 111): mean 141/252, from the same chapter. */
    assert_int_equal(r.draws, 64);
    ratio = 0;
    for (size_t i = 0; i < r.draws; i++)
        ratio += gsl_cdf_ugaussian_P(r.draw[i].z[0]) / 64;
    assert_true(fabs(ratio - 141.0 / 252) < 0.006);
    weigh_free(&r);
}

/* A bounded likelihood far from normal: P(z > 1.5) by a step of the log likelihood. */
static double step_sound(void *context, size_t item, double scalar)
{
    (void)context;
    (void)item;
    return log(gsl_cdf_ugaussian_P(scalar));
}

static bool step_scalars(void *context, const double *z, double *scalar)
{
    (void)context;
    scalar[0] = (z[0] - 1.5) / 0.4;
    return true;
}

/* Closed form: E Phi((z - m)/s) = Phi(-m / sqrt(1 + s^2)) for standard normal z. */
static void test_censored(void **state)
{
    struct weigh_model m = {
        .unknowns = 1, .items = 1, .scalars = step_scalars, .sound = step_sound};
    struct weigh_options o = weigh_options_default();
    struct weigh_result r;
    struct status st;
    double exact = log(gsl_cdf_ugaussian_P(-1.5 / sqrt(1 + 0.16)));

    (void)state;
    assert_int_equal(weigh_integrate(&m, &o, 0, &r, &st), STATUS_OK);
    assert_true(fabs(r.log_evidence - exact) < 0.02);
    weigh_free(&r);
}

static void test_same_answer(void **state)
{
    struct linear l = linear_make();
    struct weigh_model m = linear_model(&l);
    struct weigh_options o = weigh_options_default();
    struct weigh_result r, again;
    struct status st;

    (void)state;
    assert_int_equal(weigh_integrate(&m, &o, 16, &r, &st), STATUS_OK);
    assert_int_equal(weigh_integrate(&m, &o, 16, &again, &st), STATUS_OK);
    assert_true(r.log_evidence == again.log_evidence);
    assert_memory_equal(r.draw, again.draw, 16 * sizeof *r.draw);
    weigh_free(&r);
    weigh_free(&again);
}

static bool never(void *context, const double *z, double *scalar)
{
    (void)context;
    (void)z;
    (void)scalar;
    return false;
}

static void test_refusals(void **state)
{
    struct linear l = linear_make();
    struct weigh_model m = linear_model(&l);
    struct weigh_options o = weigh_options_default();
    struct weigh_result r;
    struct status st;

    (void)state;
    m.unknowns = WEIGH_UNKNOWNS_MAX + 1;
    assert_int_equal(weigh_integrate(&m, &o, 0, &r, &st), STATUS_INPUT);
    m = linear_model(&l);
    m.items = WEIGH_ITEMS_MAX + 1;
    assert_int_equal(weigh_integrate(&m, &o, 0, &r, &st), STATUS_INPUT);
    m = linear_model(&l);
    o.draws = 3;
    assert_int_equal(weigh_integrate(&m, &o, 0, &r, &st), STATUS_INPUT);
    o = weigh_options_default();
    o.replicates = 1;
    assert_int_equal(weigh_integrate(&m, &o, 0, &r, &st), STATUS_INPUT);
    o = weigh_options_default();
    m.scalars = never;
    assert_int_equal(weigh_integrate(&m, &o, 0, &r, &st), STATUS_NUMERIC);
    assert_true(strlen(st.text) > 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_linear),      cmocka_unit_test(test_mistakes),
        cmocka_unit_test(test_euro_coin),   cmocka_unit_test(test_censored),
        cmocka_unit_test(test_same_answer), cmocka_unit_test(test_refusals),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
