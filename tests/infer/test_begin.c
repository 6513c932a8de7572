/* Where the search for a mode begins: a fault whose size spans decades, read so finely that its
 * likelihood is a needle far from the middle of the prior. The evidence is compared with GSL's
 * adaptive quadrature over the size, the other unknowns being integrated in closed form (marginal
 * likelihood of the linear normal model, C. M. Bishop, Pattern Recognition and Machine Learning,
 * 2006, equation 2.115). */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>

#include <cmocka.h>
#include <gsl/gsl_cdf.h>
#include <gsl/gsl_integration.h>
#include <gsl/gsl_linalg.h>
#include <gsl/gsl_randist.h>
#include <math.h>
#include <string.h>

#include "analyze/infer/begin.h"
#include "analyze/infer/weigh.h"

#define ITEMS     4
#define NUISANCES 2
#define BENDS_MAX 2

/* Item i reads gain[i][k] x the size of fault k, and what the nuisances do to it, in units of its
 * noise. */
struct fault {
    double gain[ITEMS][BENDS_MAX];
    double y[ITEMS];
    double slope[ITEMS * NUISANCES];
    size_t bends;
    double low, high; /* of the size, uniform in its logarithm */
    double chance, broad;
};

static double size_of(const struct fault *f, double z)
{
    return exp(log(f->low) + log(f->high / f->low) * gsl_cdf_ugaussian_P(z));
}

static double z_of(const struct fault *f, double size)
{
    return gsl_cdf_ugaussian_Pinv(log(size / f->low) / log(f->high / f->low));
}

static bool scalars(void *context, const double *z, double *scalar)
{
    const struct fault *f = context;

    for (size_t i = 0; i < ITEMS; i++) {
        scalar[i] = -f->y[i];
        for (size_t k = 0; k < f->bends; k++)
            scalar[i] += f->gain[i][k] * size_of(f, z[NUISANCES + k]);
        for (size_t j = 0; j < NUISANCES; j++)
            scalar[i] += f->slope[i * NUISANCES + j] * z[j];
    }
    return true;
}

static double sound(void *context, size_t item, double scalar)
{
    (void)context;
    (void)item;
    return -0.5 * scalar * scalar - 0.5 * log(2 * M_PI);
}

static double mistaken(void *context, size_t item, const double *scalar)
{
    const struct fault *f = context;

    (void)item;
    (void)scalar;
    return -log(f->broad);
}

static double chance(void *context, size_t item)
{
    const struct fault *f = context;

    (void)item;
    return f->chance;
}

static struct weigh_model model_of(struct fault *f)
{
    struct weigh_model m = {.unknowns = NUISANCES + f->bends,
                            .items = ITEMS,
                            .context = f,
                            .scalars = scalars,
                            .sound = sound,
                            .mistaken = f->chance > 0 ? mistaken : NULL,
                            .mistake = f->chance > 0 ? chance : NULL,
                            .slope = f->slope,
                            .slopes = NUISANCES,
                            .bends = f->bends};

    return m;
}

/* Readings of a fault of that size on a coil a little off in its nuisances, each a little off. */
static struct fault fault_make(double low, double high, double size, double noise)
{
    static const double slope[ITEMS * NUISANCES] = {1.9, -0.7, 0.4, 2.2, -1.1, 0.3, 0.9, 1.6};
    static const double gain[ITEMS] = {1, 0.98, 0.5, 1.5}, off[ITEMS] = {0.31, -0.84, 1.02, -0.2};
    struct fault f = {.bends = 1, .low = low, .high = high, .broad = 5000};

    memcpy(f.slope, slope, sizeof slope);
    for (size_t i = 0; i < ITEMS; i++) {
        f.gain[i][0] = gain[i] / noise;
        f.y[i] = gain[i] / noise * size + 0.6 * slope[i * NUISANCES] -
                 1.1 * slope[i * NUISANCES + 1] + off[i];
    }
    return f;
}

/* ---- the same by quadrature ---- */

struct slice {
    const struct fault *f;
    size_t of[ITEMS], n; /* items that count */
    size_t bend;
    gsl_matrix *factor; /* of I + A A' */
    double log_det, top;
};

/* Log of prior density x likelihood at a size, the nuisances integrated. */
static double height(const struct slice *s, double z)
{
    double residual[ITEMS], along[ITEMS], square;
    gsl_vector_view r, x;

    if (s->n == 0)
        return log(gsl_ran_ugaussian_pdf(z));
    r = gsl_vector_view_array(residual, s->n);
    x = gsl_vector_view_array(along, s->n);
    for (size_t p = 0; p < s->n; p++)
        residual[p] = s->f->gain[s->of[p]][s->bend] * size_of(s->f, z) - s->f->y[s->of[p]];
    gsl_linalg_cholesky_solve(s->factor, &r.vector, &x.vector);
    square = 0;
    for (size_t p = 0; p < s->n; p++)
        square += residual[p] * along[p];
    return -0.5 * square - 0.5 * s->log_det - 0.5 * (double)s->n * log(2 * M_PI) - 0.5 * z * z -
           0.5 * log(2 * M_PI);
}

static double scaled(double z, void *user)
{
    const struct slice *s = user;

    return exp(height(s, z) - s->top);
}

static struct slice slice_make(const struct fault *f, size_t bend, unsigned items)
{
    struct slice s = {.f = f, .bend = bend};

    for (size_t i = 0; i < ITEMS; i++)
        if (items >> i & 1)
            s.of[s.n++] = i;
    if (s.n == 0)
        return s;
    s.factor = gsl_matrix_calloc(s.n, s.n);
    assert_non_null(s.factor);
    for (size_t p = 0; p < s.n; p++) {
        for (size_t q = 0; q < s.n; q++) {
            double sum = p == q ? 1 : 0;

            for (size_t j = 0; j < NUISANCES; j++)
                sum += f->slope[s.of[p] * NUISANCES + j] * f->slope[s.of[q] * NUISANCES + j];
            gsl_matrix_set(s.factor, p, q, sum);
        }
    }
    gsl_linalg_cholesky_decomp1(s.factor);
    for (size_t p = 0; p < s.n; p++)
        s.log_det += 2 * log(gsl_matrix_get(s.factor, p, p));
    return s;
}

/* Log integral over the size of one fault; where it is highest goes to *mode. */
static double quadrature(const struct fault *f, size_t bend, unsigned items, double *mode)
{
    struct slice s = slice_make(f, bend, items);
    gsl_integration_workspace *w = gsl_integration_workspace_alloc(4000);
    gsl_function g = {scaled, &s};
    double best = -INFINITY, at = 0, sum = 0, points[16];
    size_t n = 0;

    for (double z = -7; z <= 7; z += 5e-5) {
        double h = height(&s, z);

        if (h > best) {
            best = h;
            at = z;
        }
    }
    s.top = best;
    points[n++] = -8;
    for (double far = 0.1; far > 5e-6; far /= 10)
        points[n++] = at - far;
    points[n++] = at;
    for (double far = 1e-5; far < 0.2; far *= 10)
        points[n++] = at + far;
    points[n++] = 8;
    for (size_t k = 1; k < n; k++) {
        double part, error;

        assert_int_equal(gsl_integration_qag(&g, points[k - 1], points[k], 1e-10, 1e-7, 4000,
                                             GSL_INTEG_GAUSS21, w, &part, &error),
                         0);
        sum += part;
    }
    gsl_integration_workspace_free(w);
    gsl_matrix_free(s.factor);
    if (mode)
        *mode = at;
    return best + log(sum);
}

/* ---- tests ---- */

static struct weigh_result weighed(struct fault *f)
{
    struct weigh_model m = model_of(f);
    struct weigh_options o = weigh_options_default();
    struct weigh_result r;
    struct status st;

    o.draws = 256;
    if (weigh_integrate(&m, &o, 0, &r, &st) != STATUS_OK)
        fail_msg("%s", st.text);
    assert_true(r.sampled);
    return r;
}

/* Ohms of a joint from a tenth of an ohm to three hundred, to a hundredth; both ends of them, and
 * the middle. */
static void test_needle(void **state)
{
    static const double size[] = {0.13, 0.48, 5.5, 60, 280};

    (void)state;
    for (size_t i = 0; i < sizeof size / sizeof *size; i++) {
        struct fault f = fault_make(0.1, 300, size[i], 0.01 * fmax(1, size[i] / 10));
        struct weigh_model m = model_of(&f);
        bool mistaken[WEIGH_ITEMS_MAX];
        double z[WEIGH_UNKNOWNS_MAX], mode, truth = quadrature(&f, 0, 0xf, &mode);
        struct weigh_result r = weighed(&f);

        assert_int_equal(begin_search(&m, z, mistaken), 1);
        if (!(fabs(z[NUISANCES] - mode) <= 0.25))
            fail_msg("%g ohm: begins at %.3f, mode at %.3f", size[i], z[NUISANCES], mode);
        if (!(fabs(r.mode[NUISANCES] - mode) < 0.002))
            fail_msg("%g ohm: ends at %.4f, mode at %.4f", size[i], r.mode[NUISANCES], mode);
        if (!(fabs(r.log_evidence - truth) < 4 * r.log_evidence_u + 0.005) ||
            !(r.log_evidence_u < 0.1))
            fail_msg("%g ohm: %.4f +- %.4f, quadrature %.4f", size[i], r.log_evidence,
                     r.log_evidence_u, truth);
        /* Where the fault is is where it was put. */
        assert_true(fabs(size_of(&f, mode) / size[i] - 1) < 0.2);
        assert_true(fabs(z_of(&f, size[i]) - mode) < 0.1);
        weigh_free(&r);
    }
}

/* A blunt likelihood, of which the prior takes its share: the same answer by either way. */
static void test_blunt(void **state)
{
    struct fault f = fault_make(0.1, 300, 0.3, 2);
    double truth = quadrature(&f, 0, 0xf, NULL);
    struct weigh_result r = weighed(&f);

    (void)state;
    if (!(fabs(r.log_evidence - truth) < 4 * r.log_evidence_u + 0.005))
        fail_msg("%.4f +- %.4f, quadrature %.4f", r.log_evidence, r.log_evidence_u, truth);
    weigh_free(&r);
}

/* Two faults at once, each seen by items of its own with a nuisance of their own: the integral is
 * the product of two. */
static void test_two_faults(void **state)
{
    struct fault f = fault_make(0.1, 300, 1, 0.05);
    const double size[BENDS_MAX] = {0.2, 150};
    double truth = 0, mode[BENDS_MAX], z[WEIGH_UNKNOWNS_MAX];
    struct weigh_model m;
    bool mistaken[WEIGH_ITEMS_MAX];
    struct weigh_result r;

    (void)state;
    f.bends = 2;
    for (size_t i = 0; i < ITEMS; i++) {
        size_t k = i / 2;

        f.gain[i][1 - k] = 0;
        f.gain[i][k] = (i % 2 ? 1.3 : 1) / (k ? 0.5 : 0.01);
        f.slope[i * NUISANCES + 1 - k] = 0;
        f.slope[i * NUISANCES + k] = i % 2 ? 1.4 : -2;
        f.y[i] = f.gain[i][k] * size[k] + (i % 2 ? 0.7 : -0.3);
    }
    truth = quadrature(&f, 0, 0x3, &mode[0]) + quadrature(&f, 1, 0xc, &mode[1]);
    m = model_of(&f);
    assert_int_equal(begin_search(&m, z, mistaken), 1);
    r = weighed(&f);
    for (size_t k = 0; k < BENDS_MAX; k++) {
        assert_true(fabs(z[NUISANCES + k] - mode[k]) <= 0.25);
        assert_true(fabs(r.mode[NUISANCES + k] - mode[k]) < 0.003);
    }
    if (!(fabs(r.log_evidence - truth) < 4 * r.log_evidence_u + 0.005))
        fail_msg("%.4f +- %.4f, quadrature %.4f", r.log_evidence, r.log_evidence_u, truth);
    weigh_free(&r);
}

/* The sum over all ways of taking items as mistakes, of their integrals; in *share the chance that
 * 'item' is one. */
static double with_mistakes(const struct fault *f, size_t item, double *share)
{
    double all = -INFINITY, its = -INFINITY;

    for (unsigned sound_set = 0; sound_set < 1u << ITEMS; sound_set++) {
        double term = quadrature(f, 0, sound_set, NULL);

        for (size_t i = 0; i < ITEMS; i++)
            term += sound_set >> i & 1 ? log1p(-f->chance) : log(f->chance) - log(f->broad);
        all = weigh_log_add(all, term);
        if (!(sound_set >> item & 1))
            its = weigh_log_add(its, term);
    }
    *share = exp(its - all);
    return all;
}

/* The finest of the readings slipped a decimal: the walk is drawn to where that one reading fits,
 * and the three others have to bring the search back. */
static void test_mistaken_item(void **state)
{
    static const double slip[] = {10, 0.1, 3};

    (void)state;
    for (size_t k = 0; k < sizeof slip / sizeof *slip; k++) {
        struct fault f = fault_make(0.1, 300, 1.3, 0.02);
        double share, truth;
        struct weigh_result r;

        f.chance = 0.01;
        for (size_t j = 0; j < NUISANCES; j++)
            f.slope[j] *= 8;
        f.gain[0][0] *= 8;
        f.y[0] = f.gain[0][0] * slip[k] * 1.3;
        truth = with_mistakes(&f, 0, &share);
        assert_true(share > 0.999);
        r = weighed(&f);
        if (!(fabs(r.log_evidence - truth) < 4 * r.log_evidence_u + 0.02))
            fail_msg("slip %g: %.4f +- %.4f, quadrature %.4f", slip[k], r.log_evidence,
                     r.log_evidence_u, truth);
        assert_true(r.mistaken[0] > 0.99);
        for (size_t i = 1; i < ITEMS; i++)
            assert_true(r.mistaken[i] < 0.1);
        weigh_free(&r);
    }
}

/* Readings so fine that the fault's size is known to a thousandth of a step of the walk: none of
 * them is a mistake. And one that is: it is left out, and the walk ends where the others point. */
static void test_left_out(void **state)
{
    static const double size[] = {0.17, 2.345, 41};
    bool mistaken[WEIGH_ITEMS_MAX];
    double z[WEIGH_UNKNOWNS_MAX];

    (void)state;
    for (size_t k = 0; k < sizeof size / sizeof *size; k++) {
        struct fault f = fault_make(0.1, 300, size[k], 1e-4 * size[k]);
        struct weigh_model m;

        f.chance = 0.01;
        m = model_of(&f);
        assert_int_equal(begin_search(&m, z, mistaken), 1);
        for (size_t i = 0; i < ITEMS; i++)
            assert_false(mistaken[i]);
        assert_true(fabs(size_of(&f, z[NUISANCES]) / size[k] - 1) < 0.01);
        f.y[1] *= 3;
        m = model_of(&f);
        assert_int_equal(begin_search(&m, z, mistaken), 2);
        assert_true(mistaken[1]);
        assert_true(fabs(size_of(&f, z[NUISANCES]) / size[k] - 1) < 0.01);
    }
}

static bool never(void *context, const double *z, double *scalar)
{
    (void)context;
    (void)z;
    (void)scalar;
    return false;
}

/* Nothing to walk by: the caller begins in the middle. */
static void test_nothing_to_walk_by(void **state)
{
    struct fault f = fault_make(0.1, 300, 0.2, 0.01);
    struct weigh_model m = model_of(&f), bad;
    bool mistaken[WEIGH_ITEMS_MAX];
    double z[WEIGH_UNKNOWNS_MAX];

    (void)state;
    for (int k = 1; k < 5; k++) {
        bad = m;
        if (k == 1)
            bad.bends = m.unknowns + 1;
        else if (k == 2)
            bad.slope = NULL;
        else if (k == 3)
            bad.slopes = m.unknowns + 1;
        else
            bad.scalars = never;
        for (size_t j = 0; j < m.unknowns; j++)
            z[j] = 7;
        assert_int_equal(begin_search(&bad, z, mistaken), 0);
        for (size_t j = 0; j < m.unknowns; j++)
            assert_true(z[j] == 0);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_needle),     cmocka_unit_test(test_blunt),
        cmocka_unit_test(test_two_faults), cmocka_unit_test(test_mistaken_item),
        cmocka_unit_test(test_left_out),   cmocka_unit_test(test_nothing_to_walk_by),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
