/* Windings against geometry that must hold (parallel curves, closest packing, Pappus) and against
 * common practice of the bench. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "analyze/model/winding.h"

static void assert_near(double got, double want, double relative)
{
    if (!(fabs(got - want) <= relative * fabs(want)))
        fail_msg("got %.12g, expected %.12g within %g", got, want, relative);
}

static struct winding_form bolt(void)
{
    struct winding_form f = {.shape = DESIGN_ROUND,
                             .width = 9.5e-3,
                             .depth = 9.5e-3,
                             .wrap = 0.3e-3,
                             .layers = DESIGN_ORTHOCYCLIC,
                             .fill = 0.97,
                             .length = 37e-3,
                             .overall = 0.274e-3,
                             .in_hand = 1,
                             .sections = 1};
    return f;
}

/* Steiner: a curve at distance o outside a convex one is longer by 2 pi o. */
static void parallel_curves(void **state)
{
    struct winding_form f = bolt();
    struct winding_result r;
    struct status st;

    (void)state;
    assert_near(winding_perimeter(DESIGN_ROUND, 0.01, 0.0), M_PI * 0.01, 1e-15);
    assert_near(winding_perimeter(DESIGN_RECTANGULAR, 0.012, 0.007), 0.038, 1e-15);
    assert_near(winding_perimeter(DESIGN_STADIUM, 0.012, 0.007), 0.010 + M_PI * 0.007, 1e-15);
    assert_near(winding_perimeter(DESIGN_STADIUM, 0.01, 0.01), M_PI * 0.01, 1e-15);
    for (int shape = DESIGN_ROUND; shape <= DESIGN_STADIUM; shape++) {
        double turn;

        f.shape = (enum design_shape)shape;
        f.depth = shape == DESIGN_ROUND ? f.width : 6.5e-3;
        assert_int_equal(winding_lay(&f, 100, &r, &st), STATUS_OK); /* within one layer */
        turn =
            winding_perimeter(f.shape, f.width, f.depth) + 2.0 * M_PI * (0.3e-3 + 0.5 * 0.274e-3);
        assert_near(r.mean_turn, hypot(turn, 0.274e-3), 1e-8);
        assert_near(r.layers, 1.0, 0.0);
        assert_near(r.outside_width, 9.5e-3 + 2.0 * (0.3e-3 + 0.274e-3), 1e-12);
    }
}

/* Densest packing of circles pi / (2 sqrt 3) = 0.9069 (Lagrange, Thue); square packing pi / 4. */
static void packing(void **state)
{
    struct winding_form f = bolt();
    struct winding_result r;
    struct status st;
    const double wire = M_PI / 4.0 * 0.274e-3 * 0.274e-3;
    double n = 20000.0;

    (void)state;
    f.fill = 1.0;
    f.length = 137.25e-3; /* room for the shift of every second layer: no turn is lost */
    assert_int_equal(winding_lay(&f, (long)n, &r, &st), STATUS_OK);
    assert_near(n * wire / (r.height * f.length), M_PI / (2.0 * sqrt(3.0)), 0.01);
    f.layers = DESIGN_SQUARE;
    assert_int_equal(winding_lay(&f, (long)n, &r, &st), STATUS_OK);
    assert_near(n * wire / (r.height * f.length), M_PI / 4.0, 0.01);
}

/* Pappus: a scramble winding on a round core fills the ring between two cylinders. */
static void scramble_volume(void **state)
{
    struct winding_form f = bolt();
    struct winding_result r;
    double inner = 0.5 * 9.5e-3 + 0.3e-3, outer;

    (void)state;
    f.layers = DESIGN_SCRAMBLE;
    f.fill = 0.613;
    assert_true(winding_smooth(&f, 2347.0, &r));
    outer = inner + r.height;
    assert_near(r.wire * (M_PI / 4.0) * 0.274e-3 * 0.274e-3 / 0.613,
                M_PI * (outer * outer - inner * inner) * 37e-3, 1e-4);
    assert_near(r.outside_width, 2.0 * outer, 1e-12);
    /* leaning ends: the same volume as the trapezium turned about the axis */
    f.taper = 1.3;
    assert_true(winding_smooth(&f, 1200.0, &r));
    {
        double sum = 0.0, h = r.height;
        const int n = 2000;

        for (int i = 0; i < n; i++) {
            double y = (i + 0.5) * h / n;

            sum += 2.0 * M_PI * (inner + y) * (37e-3 - 1.3 * y) * h / n;
        }
        assert_near(r.wire * (M_PI / 4.0) * 0.274e-3 * 0.274e-3 / 0.613, sum, 1e-4);
    }
}

/* Whole layers by hand, small numbers: 10 to a layer, 25 turns. */
static void layers_by_hand(void **state)
{
    struct winding_form f = {.shape = DESIGN_ROUND,
                             .width = 8e-3,
                             .depth = 8e-3,
                             .layers = DESIGN_SQUARE,
                             .fill = 1.0,
                             .length = 10.2e-3,
                             .overall = 1e-3,
                             .in_hand = 1,
                             .sections = 1};
    struct winding_result r;
    struct status st;
    long most;

    (void)state;
    /* 10 turns of 9 pi, 10 of 11 pi, 5 of 13 pi mm */
    assert_int_equal(winding_lay(&f, 25, &r, &st), STATUS_OK);
    assert_near(r.layers, 3.0, 0.0);
    assert_near(r.mean_turn, M_PI * 1e-3 * (90.0 + 110.0 + 65.0) / 25.0, 1e-3);
    assert_near(r.outside_width, 14e-3, 1e-12);
    /* no room to shift: every second orthocyclic layer has one turn less: 10 + 9 + 6 */
    f.layers = DESIGN_ORTHOCYCLIC;
    assert_int_equal(winding_lay(&f, 25, &r, &st), STATUS_OK);
    assert_near(r.outside_width, 8e-3 + 2e-3 * (1.0 + sqrt(3.0)), 1e-9);
    /* tapered: 10, 8, 6, 4, 2 and no more: 30 */
    f.layers = DESIGN_SQUARE;
    f.taper = 2.0;
    assert_int_equal(winding_most(&f, INFINITY, &most, &st), STATUS_OK);
    assert_int_equal(most, 30);
    assert_int_equal(winding_lay(&f, 30, &r, &st), STATUS_OK);
    assert_near(r.layers, 5.0, 0.0);
    assert_int_equal(winding_lay(&f, 31, &r, &st), STATUS_INPUT);
    assert_non_null(strstr(st.text, "31 turns do not fit"));
    assert_non_null(strstr(st.text, "30 turns fit"));
    /* a window of 12 mm holds two layers */
    f.taper = 0.0;
    assert_int_equal(winding_most(&f, 12e-3, &most, &st), STATUS_OK);
    assert_int_equal(most, 20);
    assert_int_equal(winding_most(&f, 8.5e-3, &most, &st), STATUS_OK);
    assert_int_equal(most, 0);
}

/* Two wires in hand: in parallel each makes every turn; in series they share the turns. Two
 * sections: half the turns each, on half the length less the wall. */
static void in_hand_and_sections(void **state)
{
    struct winding_form f = bolt(), two = bolt();
    struct winding_result a, b;

    (void)state;
    assert_true(winding_smooth(&f, 400.0, &a));
    two.in_hand = 2;
    two.in_hand_connection = DESIGN_PARALLEL;
    assert_true(winding_smooth(&two, 200.0, &b));
    assert_int_equal(b.paths, 2);
    assert_near(b.layers, a.layers, 1e-9);
    assert_near(b.wire, a.wire, 1e-3);
    assert_near(b.path, 0.5 * a.path, 1e-3);
    two.in_hand_connection = DESIGN_SERIES;
    assert_true(winding_smooth(&two, 400.0, &b));
    assert_int_equal(b.paths, 1);
    assert_near(b.wire, a.wire, 1e-3);
    f.sections = 2;
    f.section_wall = 1e-3;
    assert_true(winding_smooth(&f, 400.0, &b));
    assert_near(b.turns_per_layer, 0.97 * 18e-3 / 0.274e-3, 1e-12);
    assert_true(b.layers > a.layers && b.mean_turn > a.mean_turn);
}

/* 'About a thousand turns, 500 a limb, of 0.25 mm copper come to about 17 ohm on a core of bolt
 * size' (common practice, no source). At the nominal 0.3482 ohm/m that is 48.8 m, a mean turn of
 * 48.8 mm: 15.5 mm mean diameter. On an insulated core of 8 to 11 mm the winding must then stand
 * 4.5 to 7.5 mm high: a short, loosely filled limb. The geometry has to allow just that. */
static void seventeen_ohms(void **state)
{
    static const double cores[] = {8e-3, 11e-3};
    struct status st;
    struct wire w;
    struct wire_resistance r;
    double mean;

    (void)state;
    assert_int_equal(wire_make(&w, WIRE_COPPER, WIRE_DIAMETER, 0, 0.25e-3, 1, WIRE_ENAMEL_1, &st),
                     STATUS_OK);
    assert_int_equal(wire_resistance(&w, 20.0, &r, &st), STATUS_OK);
    mean = 17.0 / 1000.0 / r.nom;
    printf("17 ohm of 1000 turns of 0.25 mm: mean turn %.1f mm, mean diameter %.1f mm "
           "(%.1f to %.1f over the tolerance of the wire)\n",
           mean * 1e3, mean / M_PI * 1e3, 17.0 / r.max / M_PI, 17.0 / r.min / M_PI);
    assert_near(mean, 48.8e-3, 0.005);
    for (int i = 0; i < 2; i++) {
        struct winding_form f = bolt();
        struct winding_result at;
        double low = 3e-3, high = 60e-3;

        f.width = f.depth = cores[i];
        f.wrap = 0.0;
        f.overall = w.overall_nom;
        f.layers = DESIGN_SCRAMBLE;
        f.fill = 0.55;
        for (int k = 0; k < 60; k++) { /* shorter limb, longer mean turn */
            double mid = 0.5 * (low + high);

            f.length = mid;
            assert_true(winding_smooth(&f, 500.0, &at));
            if (at.mean_turn > mean)
                low = mid;
            else
                high = mid;
        }
        printf("  on %.0f mm core: %.1f mm long, %.1f mm high, %.1f mm outside; a limb 40 mm long "
               "in tidy layers would have ",
               cores[i] * 1e3, f.length * 1e3, at.height * 1e3, at.outside_width * 1e3);
        assert_true(f.length > 5e-3 && f.length < 20e-3);
        f.length = 40e-3;
        f.layers = DESIGN_ORTHOCYCLIC;
        f.fill = 0.97;
        assert_true(winding_smooth(&f, 500.0, &at));
        printf("%.1f ohm\n", 1000.0 * at.mean_turn * r.nom);
        assert_true(1000.0 * at.mean_turn * r.nom > 9.0);
        assert_true(1000.0 * at.mean_turn * r.nom < 17.0);
    }
    /* a coil of 17 ohm: 88 mA at 1.5 V, 176 mA at 3 V (common practice, no source) */
    assert_near(1.5 / 17.0, 0.088, 0.003);
    assert_near(3.0 / 17.0, 0.176, 0.003);
}

static struct winding_form any_form(gsl_rng *rng, double *outside)
{
    struct winding_form f = {.shape = (enum design_shape)gsl_rng_uniform_int(rng, 3),
                             .layers = (enum design_layers)gsl_rng_uniform_int(rng, 3),
                             .sections = 1 + (int)gsl_rng_uniform_int(rng, 2),
                             .in_hand = 1 + (int)gsl_rng_uniform_int(rng, 2)};

    f.in_hand_connection = (enum design_connection)gsl_rng_uniform_int(rng, 2);
    f.depth = 3e-3 + 15e-3 * gsl_rng_uniform(rng);
    f.width = f.depth * (1.0 + gsl_rng_uniform(rng));
    if (f.shape == DESIGN_ROUND)
        f.depth = f.width;
    f.wrap = 1e-3 * gsl_rng_uniform(rng);
    f.interlayer = gsl_rng_uniform(rng) < 0.5 ? 0.0 : 0.1e-3 * gsl_rng_uniform(rng);
    f.fill = f.layers == DESIGN_SCRAMBLE ? 0.4 + 0.3 * gsl_rng_uniform(rng)
                                         : 0.9 + 0.1 * gsl_rng_uniform(rng);
    f.length = 20e-3 + 60e-3 * gsl_rng_uniform(rng);
    f.section_wall = 1e-3 * gsl_rng_uniform(rng);
    f.taper = gsl_rng_uniform(rng) < 0.5 ? 0.0 : 2.0 * gsl_rng_uniform(rng);
    f.overall = 0.06e-3 * exp(2.5 * gsl_rng_uniform(rng));
    f.offset = 1e-3 * (gsl_rng_uniform(rng) - 0.5);
    *outside = f.width + 2.0 * f.wrap + f.overall * (3.0 + 20.0 * gsl_rng_uniform(rng));
    return f;
}

/* Over random forms: more turns have more wire, longer mean turn, greater outside; turns come back
 * from length, mass and resistance; whole and smooth layers agree; what fits, fits, and one more
 * does not. */
static void properties(void **state)
{
    const unsigned long seed = 20260;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    struct status st;
    struct wire w;
    double worst = 0.0;
    int compared = 0, limited = 0;

    (void)state;
    printf("seed %lu\n", seed);
    gsl_rng_set(rng, seed);
    assert_int_equal(wire_make(&w, WIRE_COPPER, WIRE_SWG, 32, 0.0, 1, WIRE_ENAMEL_2, &st),
                     STATUS_OK);
    for (int i = 0; i < 3000; i++) {
        double outside;
        struct winding_form f = any_form(rng, &outside);
        struct winding_result r, more, whole;
        struct wire_resistance ohm;
        double turns, back;
        long most;

        if (winding_most(&f, outside, &most, &st))
            fail_msg("%s", st.text);
        if (most < 50)
            continue;
        turns = 10.0 + (double)(most - 20) * gsl_rng_uniform(rng);
        assert_true(winding_smooth(&f, turns, &r));
        assert_true(winding_smooth(&f, turns * 1.01, &more) || turns * 1.01 > (double)most * 0.95);
        if (winding_smooth(&f, turns * 1.01, &more)) {
            assert_true(more.wire > r.wire * 1.0099);
            assert_true(more.mean_turn >= r.mean_turn * (1.0 - 1e-12));
            assert_true(more.outside_width >= r.outside_width);
            assert_true(more.layers > r.layers);
        }
        assert_int_equal(winding_turns_of_length(&f, r.wire, &back, &st), STATUS_OK);
        assert_near(back, turns, 1e-9);
        assert_int_equal(winding_turns_of_mass(&f, &w, r.wire * wire_mass_covered(&w), &back, &st),
                         STATUS_OK);
        assert_near(back, turns, 1e-9);
        assert_int_equal(wire_resistance(&w, 20.0, &ohm, &st), STATUS_OK);
        assert_int_equal(
            winding_turns_of_resistance(&f, &w, r.path / r.paths * ohm.nom, 20.0, &back, &st),
            STATUS_OK);
        assert_near(back, turns, 1e-9);
        if (winding_lay(&f, (long)turns, &whole, &st) == STATUS_OK &&
            winding_smooth(&f, floor(turns), &r) && r.turns_per_layer > 30.0 && r.layers > 1.5) {
            worst = fmax(worst, fabs(whole.mean_turn / r.mean_turn - 1.0));
            compared++;
        }
        if (f.layers != DESIGN_SCRAMBLE && f.taper == 0.0) {
            assert_int_equal(winding_lay(&f, most, &whole, &st), STATUS_OK);
            assert_true(whole.outside_width <= outside * (1.0 + 1e-9));
            assert_int_equal(winding_lay(&f, most + 1, &whole, &st), STATUS_OK);
            assert_true(whole.outside_width > outside);
            limited++;
        }
    }
    printf("whole against smooth layers: mean turn within %.3f %% in %d forms; %d windows\n",
           worst * 100.0, compared, limited);
    assert_true(compared > 300 && limited > 300);
    assert_true(worst < 0.01);
    gsl_rng_free(rng);
}

static void refuses_bad_figures(void **state)
{
    struct winding_form f = bolt();
    struct winding_result r;
    struct status st;
    struct wire w;
    double turns;
    long most;

    (void)state;
    assert_false(winding_smooth(&f, NAN, &r));
    assert_false(winding_smooth(&f, -1.0, &r));
    assert_int_equal(winding_lay(&f, -5, &r, &st), STATUS_INPUT);
    assert_non_null(strstr(st.text, "-5"));
    assert_int_equal(winding_most(&f, NAN, &most, &st), STATUS_INPUT);
    assert_int_equal(winding_turns_of_length(&f, -1.0, &turns, &st), STATUS_INPUT);
    assert_int_equal(winding_turns_of_length(&f, INFINITY, &turns, &st), STATUS_INPUT);
    f.taper = 10.0;
    assert_int_equal(winding_turns_of_length(&f, 1000.0, &turns, &st), STATUS_INPUT);
    assert_non_null(strstr(st.text, "more than fits"));
    assert_int_equal(wire_make(&w, WIRE_COPPER, WIRE_SWG, 32, 0.0, 1, WIRE_BARE, &st), STATUS_OK);
    assert_int_equal(winding_turns_of_resistance(&f, &w, 10.0, NAN, &turns, &st), STATUS_INPUT);
    f.overall = NAN;
    assert_false(winding_smooth(&f, 10.0, &r));
    assert_int_equal(winding_lay(&f, 10, &r, &st), STATUS_INPUT);
    f = bolt();
    f.length = 0.0;
    assert_int_equal(winding_most(&f, 0.02, &most, &st), STATUS_INPUT);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(parallel_curves),      cmocka_unit_test(packing),
        cmocka_unit_test(scramble_volume),      cmocka_unit_test(layers_by_hand),
        cmocka_unit_test(in_hand_and_sections), cmocka_unit_test(seventeen_ohms),
        cmocka_unit_test(properties),           cmocka_unit_test(refuses_bad_figures),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
