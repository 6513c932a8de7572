/* Chances of what a compass shows, which must add up; and densities of a volt drop, which must
 * integrate to one (axioms of probability; GSL's adaptive quadrature). */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>

#include <cmocka.h>
#include <gsl/gsl_integration.h>
#include <math.h>

#include "analyze/infer/likely.h"
#include "analyze/infer/reading.h"

/* ---- poles ---- */

enum { AIDING, CANCELLING, OPEN, BYPASSED, STATES };

/* What reading.h calls the poles of each. */
static const double poles[STATES] = {1, -1, 0, READING_WEAK_POLE};

static void look(struct evidence_set *set, const char *place, double pole)
{
    struct evidence_record r = evidence_record_empty();
    struct status st;

    r.quantity = "polarity";
    r.place = place;
    r.value = pole;
    assert_int_equal(evidence_add(set, &r, &st), STATUS_OK);
}

static double chance(const struct evidence_set *set, double product)
{
    struct likely l = {.set = set};
    double sum = 0;

    for (size_t i = 0; i < set->count; i++)
        sum += likely_sound(&l, i, product);
    return exp(sum);
}

static double seen(int a, int b, int state)
{
    struct evidence_set set;

    evidence_clear(&set);
    look(&set, "a", a);
    look(&set, "b", b);
    return chance(&set, poles[state]);
}

/* One look at each pole has nine outcomes, one at a single pole three: they are all there is. The
 * supply may be on either way round, so north and south are as likely. */
static void test_poles_add_up(void **unused)
{
    (void)unused;
    for (int s = 0; s < STATES; s++) {
        double sum = 0, single = 0;

        for (int a = -1; a <= 1; a++) {
            struct evidence_set set;

            for (int b = -1; b <= 1; b++) {
                assert_true(seen(a, b, s) > 0);
                assert_true(fabs(seen(a, b, s) / seen(-a, -b, s) - 1) < 1e-12);
                sum += seen(a, b, s);
            }
            evidence_clear(&set);
            look(&set, "b", a);
            single += chance(&set, poles[s]);
        }
        assert_true(fabs(sum - 1) < 1e-12);
        assert_true(fabs(single - 1) < 1e-12);
    }
}

static int likeliest(int a, int b)
{
    int best = 0;

    for (int s = 1; s < STATES; s++)
        if (seen(a, b, s) > seen(a, b, best))
            best = s;
    return best;
}

/* Common practice, no source: unlike poles are aiding limbs, like ones cancelling; a needle that
 * stirs at neither pole has no current to stir it, and after that limbs that cancel; one that stirs
 * at one pole only has a dead limb under the other. */
static void test_poles_mean(void **unused)
{
    (void)unused;
    assert_int_equal(likeliest(1, -1), AIDING);
    assert_true(seen(1, -1, AIDING) > 10 * seen(1, -1, CANCELLING));
    assert_true(seen(1, -1, AIDING) > 10 * seen(1, -1, OPEN));
    assert_int_equal(likeliest(-1, -1), CANCELLING);
    assert_true(seen(1, 1, CANCELLING) > 10 * seen(1, 1, AIDING));
    assert_int_equal(likeliest(0, 0), OPEN);
    assert_true(seen(0, 0, OPEN) > 0.8);
    assert_true(seen(0, 0, CANCELLING) > 2 * seen(0, 0, AIDING));
    assert_int_equal(likeliest(1, 0), BYPASSED);
    assert_true(seen(1, 0, BYPASSED) > seen(1, 0, CANCELLING));
    assert_true(seen(1, 0, CANCELLING) > 10 * seen(1, 0, AIDING));
    /* A needle that stirs at both poles speaks against an open limb. */
    for (int b = -1; b <= 1; b += 2)
        for (int s = 0; s < STATES; s++)
            assert_true(s == OPEN || seen(1, b, s) > seen(1, b, OPEN));
    /* The pole of a dead limb is hard to tell, so like poles do not rule it out as they rule out
     * aiding limbs. */
    assert_true(seen(1, 1, BYPASSED) > 5 * seen(1, 1, AIDING));
    assert_true(seen(1, -1, BYPASSED) > seen(1, 1, BYPASSED));
}

/* To try again what did not stir tells nothing new; to read a pole again does. */
static void test_second_look(void **unused)
{
    (void)unused;
    for (int s = 0; s < STATES; s++) {
        struct evidence_set set;
        double once;

        evidence_clear(&set);
        look(&set, "a", 0);
        look(&set, "b", 0);
        once = chance(&set, poles[s]);
        look(&set, "a", 0);
        look(&set, "b", 0);
        assert_true(fabs(chance(&set, poles[s]) / once - 1) < 1e-12);
    }
    {
        struct evidence_set set;
        double first, second;

        evidence_clear(&set);
        look(&set, "a", 1);
        look(&set, "b", 1);
        first = chance(&set, poles[CANCELLING]) / chance(&set, poles[AIDING]);
        look(&set, "a", 1);
        look(&set, "b", 1);
        second = chance(&set, poles[CANCELLING]) / chance(&set, poles[AIDING]);
        assert_true(second > 5 * first);
    }
}

/* ---- a volt drop ---- */

struct drop {
    struct evidence_set set;
    struct likely l;
    double reading; /* what it should be, on its scale */
    bool mistaken;
};

/* Density in ln volt, on which scale the errors of a drop are even. */
static double density(double log_volt, void *user)
{
    struct drop *d = user;
    double scalar;

    d->set.item[0].value = exp(log_volt);
    scalar = likely_scalar(&d->l, 0, d->reading);
    return exp(d->mistaken ? likely_mistaken(&d->l, 0, scalar) : likely_sound(&d->l, 0, scalar));
}

static double integral(struct drop *d, double low, double high)
{
    gsl_integration_workspace *w = gsl_integration_workspace_alloc(2000);
    double points[] = {
        low, d->reading - M_LN10, d->reading, d->reading + M_LN10, d->reading + 3 * M_LN10, high};
    gsl_function f = {density, d};
    double sum, error;

    assert_non_null(w);
    assert_int_equal(gsl_integration_qagp(&f, points, 6, 0, 1e-8, 2000, w, &sum, &error), 0);
    gsl_integration_workspace_free(w);
    return sum;
}

static void test_drop_densities(void **unused)
{
    struct evidence_record r = evidence_record_empty();
    struct drop d = {.reading = log(1.47)};
    struct status st;

    (void)unused;
    evidence_clear(&d.set);
    r.quantity = "volt-drop";
    r.place = "a";
    r.value = 1.5;
    assert_int_equal(evidence_add(&d.set, &r, &st), STATUS_OK);
    d.l = (struct likely){.set = &d.set, .noise = {0.004}, .middle = {log(1.5)}, .mistake = 0.01};
    assert_true(fabs(integral(&d, log(1e-3), log(1e4)) - 1) < 1e-6);
    /* A mistake may be anything, a little of it below the millivolt at which the scale ends. */
    d.mistaken = true;
    assert_true(fabs(integral(&d, log(1e-3), log(1e3) + 30) - 1) < 0.01);
    /* A slipped decimal is likelier than any other figure as far off. */
    assert_true(density(d.reading + M_LN10, &d) > 2 * density(d.reading + 0.7 * M_LN10, &d));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_poles_add_up),
        cmocka_unit_test(test_poles_mean),
        cmocka_unit_test(test_second_look),
        cmocka_unit_test(test_drop_densities),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
