/* The irons: the pairs they were made from, a monotone curve through them, saturation beyond them.
 */
#include <gsl/gsl_errno.h>
#include <gsl/gsl_interp.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "analyze/model/iron.h"

static struct iron *make(const char *name)
{
    struct iron *iron;
    struct status st;

    if (iron_create(name, &iron, &st))
        fail_msg("%s", st.text);
    return iron;
}

static void near(double got, double want, double relative, const char *what)
{
    if (!(fabs(got - want) <= relative * fabs(want)))
        fail_msg("%s: got %.10g, want %.10g within %g", what, got, want, relative);
}

/* READ: Takahashi, Nakata, Morishige, IEEE Trans. Magn. 30(5) (1994) 3483, steel of TEAM
 * problem 20. */
static void test_low_carbon_steel_pairs(void **state)
{
    struct iron *iron = make("low-carbon-steel");

    (void)state;
    near(iron_h(iron, 0.40), 255, 1e-12, "H at 0.4 T");
    near(iron_h(iron, 1.0), 555, 1e-12, "H at 1 T");
    near(iron_h(iron, 1.5), 2130, 1e-12, "H at 1.5 T");
    near(iron_h(iron, 2.0), 26300, 1e-12, "H at 2 T");
    near(iron_b(iron, 135000), 2.3, 1e-12, "B at 135 kA/m");
    assert_int_equal(iron_facts(iron)->kind, IRON_PUBLISHED);
    /* The same source: beyond the table B = mu0 H + 2.16 T. */
    near(iron_b(iron, 1e6) - IRON_MU0 * 1e6, 2.16, 0.003, "polarisation at 1 MA/m");
    iron_free(iron);
}

/* READ: Fleming, Encyclopaedia Britannica, 11th ed. (1911), vol. 9 p. 230, Table IV, cast iron, H
 * in oersted and B in gauss; B/H as printed there under mu. */
static void test_cast_iron_pairs(void **state)
{
    static const double row[][3] = {{2.53, 768, 303},   {4.45, 1898, 427},  {7.16, 3350, 468},
                                    {18.21, 5829, 320}, {56.57, 8548, 151}, {106.35, 10066, 95},
                                    {152.73, 10985, 72}};
    struct iron *iron = make("grey cast iron");
    size_t i;

    (void)state;
    for (i = 0; i < sizeof row / sizeof row[0]; i++) {
        double h = row[i][0] * 79.57747155; /* 1000/(4 pi) */
        double b = iron_b(iron, h);

        near(b, row[i][1] * 1e-4, 1e-9, "B of cast iron");
        near(b / (IRON_MU0 * h), row[i][2], 0.011, "permeability of cast iron");
    }
    iron_free(iron);
}

/* READ: material library of getdp 3.2.0, templates/Lib_Materials.pro. */
static void test_solver_library_pairs(void **state)
{
    struct iron *steel = make("rolled steel"), *sheet = make("dynamo_sheet");

    (void)state;
    near(iron_h(steel, 1.0), 160.50, 1e-12, "generic steel at 1 T");
    near(iron_h(steel, 1.8), 6318.7, 1e-12, "generic steel at 1.8 T");
    near(iron_h(sheet, 1.0), 124.85, 1e-12, "sheet at 1 T");
    near(iron_h(sheet, 1.6), 946.65, 1e-12, "sheet at 1.6 T");
    iron_free(steel);
    iron_free(sheet);
}

/* From memory: Hopkinson's annealed wrought iron as printed by Thompson (1891). READ: single points
 * of a worked solution (problem 4-10): sheet steel 1.0 T at 490 A/m, cast iron 0.2 T at 400 A/m;
 * they are other melts read off other curves, so they only bound the order. */
static void test_other_points(void **state)
{
    struct iron *soft = make("annealed bolt"), *cast = make("cast-iron"), *low = make("ss400");

    (void)state;
    near(iron_h(soft, 1.0), 5 * 79.57747155, 1e-9, "wrought iron at 10 kG");
    near(iron_h(soft, 2.0), 666 * 79.57747155, 1e-9, "wrought iron at 20 kG");
    near(iron_b(cast, 400), 0.2, 0.15, "cast iron at 400 A/m");
    near(iron_b(low, 490), 1.0, 0.15, "low-carbon steel at 490 A/m");
    iron_free(soft);
    iron_free(cast);
    iron_free(low);
}

/* The reference is gsl_interp_steffen itself on pairs and mirror image: our pieces must be it. */
static void test_interpolation_is_steffen(void **state)
{
    size_t k;

    (void)state;
    for (k = 0; k < iron_count(); k++) {
        struct iron *iron = make(iron_name(k));
        const double *h, *b;
        size_t n = iron_pairs(iron, &h, &b), i;
        double x[600], y[600];
        gsl_interp *interp = gsl_interp_alloc(gsl_interp_steffen, 2 * n + 1);

        x[n] = y[n] = 0;
        for (i = 0; i < n; i++) {
            x[n + 1 + i] = b[i];
            y[n + 1 + i] = h[i];
            x[n - 1 - i] = -b[i];
            y[n - 1 - i] = -h[i];
        }
        gsl_interp_init(interp, x, y, 2 * n + 1);
        for (i = 0; i <= 1000; i++) {
            double at = b[n - 2] * (double)i / 1000, slope;
            double got = iron_h_slope(iron, at, &slope);

            near(got + 1, gsl_interp_eval(interp, x, y, at, NULL) + 1, 1e-9, iron_name(k));
            if (slope < 0.999 / IRON_MU0)
                near(slope, gsl_interp_eval_deriv(interp, x, y, at, NULL), 1e-6, iron_name(k));
        }
        gsl_interp_free(interp);
        iron_free(iron);
    }
}

/* Steffen, Astron. Astrophys. 239 (1990) 443, eq. 11 for three chosen points, done by hand: points
 * (0,0), (1,1), (2,4), (4,6): slopes of chords 1, 3, 1; p at x=1 is (1*1+3*1)/2 = 2, limited to
 * min(1, 3, 1)*2 = 2; at x=2 p = (3*2+1*1)/3 = 7/3, limited to 2*min(3, 1, 7/6) = 2. Scaled to A/m
 * by 1000. */
static void test_steffen_by_hand(void **state)
{
    static const double b[] = {0.1, 0.2, 0.4}, h[] = {1000, 4000, 6000};
    struct iron_facts facts = {.name = "made", .saturation = 2.0};
    struct iron *iron;
    double slope;

    (void)state;
    assert_int_equal(iron_create_pairs(&facts, h, b, 3, &iron, NULL), STATUS_OK);
    iron_h_slope(iron, 0.1, &slope);
    near(slope, 2 * 1000 / 0.1, 1e-12, "slope at the first pair");
    iron_h_slope(iron, 0.2, &slope);
    near(slope, 2 * 1000 / 0.1, 1e-12, "slope at the second pair");
    iron_free(iron);
}

static void test_monotone_smooth_and_saturating(void **state)
{
    size_t k;

    (void)state;
    for (k = 0; k < iron_count(); k++) {
        struct iron *iron = make(iron_name(k));
        const struct iron_facts *facts = iron_facts(iron);
        double last_h = 0, last_slope = -1;
        int i;

        for (i = 1; i <= 40000; i++) {
            double b = 4.0 * i / 40000, slope, h = iron_h_slope(iron, b, &slope);

            assert_true(h > last_h);
            assert_true(slope >= 0 && isfinite(slope));
            /* C1: no jump of the slope within a ten-thousandth of the range */
            if (last_slope > 0)
                assert_true(fabs(slope - last_slope) < 0.35 * fmax(slope, last_slope) + 100);
            assert_true(iron_h(iron, -b) == -h);
            last_h = h;
            last_slope = slope;
        }
        near(last_slope, 1 / IRON_MU0, 0.01, "slope in deep saturation");
        near(4.0 - IRON_MU0 * last_h, facts->saturation, 0.005, "polarisation in deep saturation");
        assert_true(facts->knee > 0.3 && facts->knee < facts->saturation);
        assert_true(facts->remanence > 0 && facts->remanence < facts->saturation);
        assert_true(facts->coercivity > 0 && facts->coercivity_spread > 0 && facts->spread > 0);
        iron_free(iron);
    }
}

static void test_inverse_and_energy(void **state)
{
    size_t k;

    (void)state;
    for (k = 0; k < iron_count(); k++) {
        struct iron *iron = make(iron_name(k));
        double energy = 0, before = 0;
        int i;

        for (i = 0; i < 4000; i++) {
            double h = pow(10, -4 + 12.0 * i / 4000), slope, other, b;

            b = iron_b_slope(iron, h, &slope);
            near(iron_h_slope(iron, b, &other), h, 1e-11, iron_name(k));
            near(slope * other, 1, 1e-6, "slopes of inverse functions");
            assert_true(iron_b(iron, -h) == -b);
        }
        /* energy against the midpoint rule */
        for (i = 0; i < 30000; i++) {
            energy += iron_h(iron, (i + 0.5) * 1e-4) * 1e-4;
            if (i % 1000 == 999)
                near(iron_energy(iron, (i + 1) * 1e-4), energy, 2e-5, iron_name(k));
            assert_true(iron_energy(iron, (i + 1) * 1e-4) > before);
            before = iron_energy(iron, (i + 1) * 1e-4);
        }
        assert_true(iron_b(iron, 0) == 0 && iron_h(iron, 0) == 0);
        iron_free(iron);
    }
}

static void test_lookup(void **state)
{
    struct iron *iron;
    struct status st;
    size_t k, published = 0;

    (void)state;
    assert_true(iron_count() >= 5);
    assert_null(iron_name(iron_count()));
    for (k = 0; k < iron_count(); k++) {
        iron = make(iron_name(k));
        assert_string_equal(iron_facts(iron)->name, iron_name(k));
        published += iron_facts(iron)->kind == IRON_PUBLISHED;
        if (iron_facts(iron)->kind == IRON_MEMORY)
            assert_non_null(strstr(iron_facts(iron)->source, "from memory"));
        iron_free(iron);
    }
    assert_true(published >= 4);
    iron = make("Annealed Bolt");
    assert_string_equal(iron_facts(iron)->name, "annealed-iron");
    iron_free(iron);
    iron = make("as_found bolt");
    assert_string_equal(iron_facts(iron)->name, "mild-steel");
    iron_free(iron);
    iron = make("hardened tool steel");
    assert_string_equal(iron_facts(iron)->name, "tool-steel");
    /* a hardened core sticks */
    assert_true(iron_facts(iron)->coercivity > 2000);
    iron_free(iron);
    assert_int_equal(iron_create("cheese", &iron, &st), STATUS_NOT_FOUND);
    assert_null(iron);
    assert_non_null(strstr(st.text, "cheese"));
    assert_non_null(strstr(st.text, "cast-iron"));
    assert_int_equal(iron_create(NULL, &iron, &st), STATUS_NOT_FOUND);
    assert_int_equal(iron_create("", &iron, &st), STATUS_NOT_FOUND);
    assert_int_equal(iron_create("annealed-bol", &iron, &st), STATUS_NOT_FOUND);
}

static void test_refusals(void **state)
{
    static const double h[] = {100, 200, 300}, b[] = {0.5, 1.0, 1.2};
    static const double not_rising[] = {0.5, 0.5, 1.2}, nan_b[] = {0.5, NAN, 1.2};
    static const double steep_h[] = {100, 200, 3e6}, huge_h[] = {100, 200, 2e7};
    struct iron_facts facts = {.name = "made", .saturation = 1.5};
    struct iron *iron;
    struct status st;

    (void)state;
    assert_int_equal(iron_create_pairs(&facts, h, b, 1, &iron, &st), STATUS_INPUT);
    assert_int_equal(iron_create_pairs(&facts, h, not_rising, 3, &iron, &st), STATUS_INPUT);
    assert_non_null(strstr(st.text, "pair 2"));
    assert_int_equal(iron_create_pairs(&facts, h, nan_b, 3, &iron, &st), STATUS_INPUT);
    assert_int_equal(iron_create_pairs(&facts, steep_h, b, 3, &iron, &st), STATUS_INPUT);
    assert_int_equal(iron_create_pairs(&facts, huge_h, b, 3, &iron, &st), STATUS_INPUT);
    facts.saturation = 1.1;
    assert_int_equal(iron_create_pairs(&facts, h, b, 3, &iron, &st), STATUS_INPUT);
    assert_non_null(strstr(st.text, "saturation"));
    facts.saturation = NAN;
    assert_int_equal(iron_create_pairs(&facts, h, b, 3, &iron, &st), STATUS_INPUT);
    facts.saturation = 3;
    assert_int_equal(iron_create_pairs(&facts, h, b, 3, &iron, &st), STATUS_INPUT);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_low_carbon_steel_pairs),
        cmocka_unit_test(test_cast_iron_pairs),
        cmocka_unit_test(test_solver_library_pairs),
        cmocka_unit_test(test_other_points),
        cmocka_unit_test(test_interpolation_is_steffen),
        cmocka_unit_test(test_steffen_by_hand),
        cmocka_unit_test(test_monotone_smooth_and_saturating),
        cmocka_unit_test(test_inverse_and_energy),
        cmocka_unit_test(test_lookup),
        cmocka_unit_test(test_refusals),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
