/* The magnetic circuit: textbook examples, the law of traction, edges in plane field, energy, and
 * ten thousand random magnets. */
#include <gsl/gsl_rng.h>
#include <gsl/gsl_sf_ellint.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#include "analyze/model/circuit.h"
#include "analyze/model/magnet.h"
#include "analyze/model/permeance.h"

static void near(double got, double want, double relative, const char *what)
{
    if (!(fabs(got - want) <= relative * fabs(want)))
        fail_msg("%s: got %.10g, want %.10g within %g", what, got, want, relative);
}

static struct iron *make(const char *name)
{
    struct iron *iron;
    struct status st;

    if (iron_create(name, &iron, &st))
        fail_msg("%s", st.text);
    return iron;
}

/* An iron of constant permeability to 2 T, as textbooks have it. */
static struct iron *straight(double mu_r)
{
    struct iron_facts facts = {.name = "straight", .saturation = 2.5};
    double h[4], b[4];
    struct iron *iron;
    int i;

    for (i = 0; i < 4; i++) {
        b[i] = 0.5 * (i + 1);
        h[i] = b[i] / (mu_r * IRON_MU0);
    }
    assert_int_equal(iron_create_pairs(&facts, h, b, 4, &iron, NULL), STATUS_OK);
    return iron;
}

/* One round of iron with air gaps in it; the flux at that source. gap_area 0: no gap. */
static double round_flux(const struct iron *iron, double length, double area, double gap,
                         double gap_area, int gaps, double ampere_turns)
{
    struct circuit *c = test_malloc(sizeof *c);
    double flux;
    struct status st;
    int i;

    assert_int_equal(circuit_open(c, NULL), STATUS_OK);
    circuit_clear(c, gaps + 1);
    circuit_air(c, 0, CIRCUIT_SPACE, 1e-7);
    circuit_iron(c, 0, gaps, iron, 1, area, length, ampere_turns);
    for (i = 0; i < gaps; i++)
        circuit_air(c, i, i + 1, IRON_MU0 * gap_area / gap);
    if (circuit_solve(c, &st))
        fail_msg("%s", st.text);
    flux = c->branch[0].flux;
    circuit_close(c);
    test_free(c);
    return flux;
}

/* Chapman, Electric Machinery Fundamentals, Example 1-2, p. 18 (READ: core 40 cm, 12 cm2, gap 0.05
 * cm with 5 % fringing, 400 turns, reluctances 66 300 and 316 000, sum 382 300 A-t/Wb; MEM: mu_r
 * 4000, B 0.5 T, i = 0.602 A). */
static void test_example_chapman(void **state)
{
    struct iron *iron = straight(4000);
    double flux = round_flux(iron, 0.40, 12e-4, 0.05e-2, 12.6e-4, 1, 400 * 0.602);

    (void)state;
    near(400 * 0.602 / flux, 382300, 0.002, "sum of reluctances");
    near(flux / 12.6e-4, 0.5, 0.003, "flux density in the gap");
    near(round_flux(iron, 0.40, 12e-4, 1, 1e6, 1, 1) * 66300, 1, 0.002, "reluctance of the core");
    iron_free(iron);
}

/* Basic Electrical Engineering, Example 5.10, p. 517 (problem READ, answer COMPUTED): relay with
 * two gaps of 1 mm, iron 20 cm, mu_r 500, 8000 turns, 50 mA, 0.5 cm2. */
static void test_example_relay(void **state)
{
    struct iron *iron = straight(500);
    double flux = round_flux(iron, 0.20, 0.5e-4, 1e-3, 0.5e-4, 2, 400);

    (void)state;
    near(400 / flux, 38.197e6, 1e-4, "reluctance");
    near(flux, 10.472e-6, 1e-4, "flux");
    near(8000 * flux / 0.05, 1.6755, 1e-4, "inductance");
    near(flux * flux / (2 * IRON_MU0 * 0.5e-4), 0.8727, 1e-4, "force at one gap");
    iron_free(iron);
}

/* Fitzgerald, Kingsley, Umans, Electric Machinery, Example 1.1 and 1.3 (MEM: i = 0.80 A, L = 0.56
 * H; COMPUTED 0.8026 A, 0.5607 H). */
static void test_example_core_with_gap(void **state)
{
    struct iron *iron = straight(70000);
    double flux = round_flux(iron, 0.30, 9e-4, 0.05e-2, 9e-4, 1, 500 * 0.8026);

    (void)state;
    near(flux / 9e-4, 1.0, 1e-3, "flux density");
    near(500 * flux / 0.8026, 0.5607, 1e-3, "inductance");
    iron_free(iron);
}

/* Theraja, horseshoe magnet (MEM: I = 0.593 A; COMPUTED B 1.140 T, I 0.5923 A): bar 45.7 cm, 6.45
 * cm2, 2 x 500 turns, load 68 kg, mu_r 700, no gap. */
static void test_example_horseshoe(void **state)
{
    struct iron *iron = straight(700);
    double flux = round_flux(iron, 0.457, 6.45e-4, 1, 1e6, 1, 1000 * 0.5923);

    (void)state;
    near(flux / 6.45e-4, 1.140, 1e-3, "flux density");
    near(2 * flux * flux / (2 * IRON_MU0 * 6.45e-4), 68 * 9.81, 2e-3, "load");
    iron_free(iron);
}

static struct magnet round_u(const struct iron *iron, double d, double spacing, double length,
                             double gap)
{
    struct magnet m = {.form = MAGNET_U, .spacing = spacing};
    int k;

    for (k = 0; k < 2; k++) {
        m.limb[k] = (struct magnet_limb){
            .section = {MAGNET_ROUND, d, 0}, .length = length, .turns = 1000, .iron = iron};
        m.gap[k] = gap;
    }
    m.keeper = (struct magnet_keeper){.present = true, .width = 1.2 * d, .thickness = 0.8 * d};
    m.yoke = (struct magnet_yoke){.width = 1.2 * d, .thickness = 0.8 * d};
    return m;
}

static struct magnet_result solved(const struct magnet *m, double first, double second)
{
    struct magnet_workspace *w = magnet_workspace_create();
    double current[2] = {first, second};
    struct magnet_result r;
    struct status st;

    if (magnet_solve(w, m, current, &r, &st))
        fail_msg("%s", st.text);
    magnet_workspace_free(w);
    return r;
}

/* Two textbook magnets of the same kind as ours, which leave out fringing and leakage: a relay
 * (READ as a problem, answer COMPUTED: 79.94 N; core diameter 1.25 cm, 1800 turns, 1 A, two gaps of
 * 0.125 cm, perfect iron) and a U (READ as a problem; COMPUTED 484.02 A in the gaps for 147.2 N,
 * gaps 0.05 cm, 5 cm2). Fringing adds: four edges of (2/pi) gap each way, 25 % and 5 % at most. */
static void test_textbook_magnets(void **state)
{
    struct iron *iron = straight(100000);
    struct magnet m = round_u(iron, 12.5e-3, 40e-3, 40e-3, 1.25e-3);
    struct magnet_result r = solved(&m, 0.45, 0.45);

    (void)state;
    /* at half the current, so that perfect iron needs no more than 2 T: a quarter of the pull */
    assert_true(4 * r.pull > 79.94 && 4 * r.pull < 79.94 * 1.27);
    near(2 * r.b[MAGNET_GAP1], 0.90478, 0.01, "flux density of the relay's gap");
    m = round_u(iron, 25.23e-3, 80e-3, 80e-3, 0.5e-3);
    r = solved(&m, 0.24201, 0.24201);
    assert_true(r.pull > 147.2 && r.pull < 147.2 * 1.06);
    near(r.b[MAGNET_GAP1], 0.60824, 0.005, "flux density of the U's gap");
    iron_free(iron);
}

/* S. P. Thompson, Lectures on the Electromagnet (1891), traction table: formula P = B2/8 pi READ in
 * Encyclopaedia Britannica 1911; kg/cm2 COMPUTED from it, lb/in2 MEM. The pull of a magnet with a
 * gap of 4 um is that law. */
static void test_traction_table(void **state)
{
    static const double row[][3] = {{4000, 0.6492, 9.228},  {8000, 2.5967, 36.95},
                                    {10000, 4.0573, 57.68}, {12000, 5.8425, 83.07},
                                    {14000, 7.9524, 113.1}, {16000, 10.387, 147.7}};
    struct iron *iron = make("low-carbon-steel");
    struct magnet m = round_u(iron, 20e-3, 60e-3, 60e-3, 4e-6);
    size_t i;

    (void)state;
    m.keeper.thickness = m.yoke.thickness = 20e-3;
    m.keeper.width = m.yoke.width = 30e-3;
    for (i = 0; i < sizeof row / sizeof row[0]; i++) {
        double low = 0, high = 40, area_cm2 = M_PI / 4 * 2.0 * 2.0, kg;
        struct magnet_result r;
        int k;

        for (k = 0; k < 60; k++) {
            double middle = 0.5 * (low + high);

            r = solved(&m, middle, middle);
            if (r.b[MAGNET_GAP1] * 1e4 < row[i][0])
                low = middle;
            else
                high = middle;
        }
        kg = r.pull_at[0] / 9.80665 / area_cm2;
        near(kg, row[i][1], 0.002, "kilograms on a square centimetre");
        near(kg / 0.45359237 * 6.4516, row[i][2], 0.004, "pounds on a square inch");
    }
    iron_free(iron);
}

/* Roters, Electromagnetic Devices (1941), ch. V, formulas from memory; numbers COMPUTED from them
 * for w 20, t 10, g 2 mm: half cylinder 6.535e-9 H and half annulus 1.918e-8 H. They are what we
 * call the edge with no overhang; ours is the exact map of flanks of that height. Quarter cylinder
 * and quarter annulus likewise for the wide plane: 0.52 mu0 w and (2 mu0 w/pi) ln(1 + t/g). */
static void test_roters_edges(void **state)
{
    const double w = 20e-3, t = 10e-3, g = 2e-3;
    struct permeance_flank flank = permeance_flank(g, t);

    (void)state;
    near(w * (permeance_edge(&flank, 0).value + permeance_face_edge(g, 0).value),
         6.535e-9 + 1.918e-8, 0.03, "opposed edges");
    near(w * (permeance_corner(g, t).value + PERMEANCE_CORNER_FACE * IRON_MU0),
         IRON_MU0 * w * (0.52 + 2 / M_PI * log(1 + t / g)), 0.05, "edge over a plane");
}

/* A corner over a plane, by the Schwarz-Christoffel map: pull of an endless flank as of (2/pi) gap
 * more face; and the exact map of two corners, integrated numerically (values found with a script
 * of our own, see the header): kappa = -gap dP/dgap / mu0. */
static void test_edges_in_plane_field(void **state)
{
    static const double exact[][4] = {
        /* height/gap, overhang/gap, flank P/mu0, kappa of face and flank */
        {200, 0.0, 2.0517, 0.3175}, {200, 0.1, 2.0831, 0.3643}, {200, 0.25, 2.1295, 0.4229},
        {200, 0.5, 2.2031, 0.4935}, {200, 1.0, 2.3287, 0.5671}, {200, 2.0, 2.5043, 0.6121},
        {200, 4.0, 2.7053, 0.6287}, {8, 0.0, 1.0454, 0.3000},   {8, 0.25, 1.1122, 0.4020},
        {8, 0.5, 1.1745, 0.4694},   {8, 1.0, 1.2781, 0.5376},   {8, 4.0, 1.5387, 0.5828},
        {2, 0.0, 0.6534, 0.2589},   {2, 0.5, 0.7489, 0.4077},   {2, 1.0, 0.8192, 0.4574},
        {2, 10.0, 0.9668, 0.4483},
    };
    size_t i;

    (void)state;
    near(-permeance_corner(1e-3, 10).slope, 2 / M_PI * IRON_MU0 / 1e-3, 0.001, "endless flank");
    for (i = 0; i < sizeof exact / sizeof exact[0]; i++) {
        const double *e = exact[i], gap = 0.7e-3, step = 1e-6;
        struct permeance_flank flank = permeance_flank(gap, e[0] * gap);
        struct permeance_flank more = permeance_flank(gap + step, e[0] * gap);
        struct permeance_flank less = permeance_flank(gap - step, e[0] * gap);
        struct permeance p = permeance_edge(&flank, e[1] * gap);
        struct permeance face = permeance_face_edge(gap, e[1] * gap);

        near(p.value / IRON_MU0, e[2], 0.08, "flank");
        near(-gap * (p.slope + face.slope) / IRON_MU0, e[3], 0.105, "pull of an edge");
        near((permeance_edge(&more, e[1] * gap).value - permeance_edge(&less, e[1] * gap).value) /
                 (2 * step),
             p.slope, 1e-4, "slope of an edge");
    }
    /* step: the slope is the derivative, and both axes are alike */
    near((permeance_step(1e-3, 0.5001e-3, 8e-3, 8e-3).value -
          permeance_step(1e-3, 0.4999e-3, 8e-3, 8e-3).value) /
             0.2e-6,
         permeance_step(1e-3, 0.5e-3, 8e-3, 8e-3).slope, 1e-5, "slope of a step");
    near(permeance_step(1e-3, 0.3e-3, 8e-3, 8e-3).value,
         permeance_step(0.3e-3, 1e-3, 8e-3, 8e-3).value, 1e-12, "step turned over");
}

/* A circle and a rectangle: closed forms. */
static void test_overlap(void **state)
{
    (void)state;
    near(permeance_overlap(1, 2, 2, 2), M_PI, 1e-12, "circle inside");
    near(permeance_overlap(1, 0, 2, 2), M_PI / 2, 1e-12, "half circle");
    near(permeance_overlap(1, 2, 2, 0.5), sqrt(3) / 2 + M_PI / 3, 1e-12, "strip");
    near(permeance_overlap(2, 0.5, 0.25, 0.5), 0.75, 1e-12, "rectangle inside");
}

/* Self potential of a long thin bar: (ln(2 l/r) - 1) 2/l (text-book antenna and earth-rod formula),
 * and of two far apart: 1/distance. */
static void test_bars(void **state)
{
    struct permeance_bar rod = {1, 0, 0, 1.0, 1e-3}, far = {1, 300, 0, 1.0, 1e-3};
    struct permeance_bar level = {0, 0.6, 0.2, 0.7, 0.1}, up = level, down = level;
    double lift;

    (void)state;
    near(permeance_bars(&rod, &rod, NULL), 2 * (log(2e3) - 1), 2e-3, "self potential");
    near(permeance_bars(&rod, &far, NULL), 1 / 300.0, 1e-5, "far apart");
    permeance_bars(&rod, &level, &lift);
    up.at += 1e-5;
    down.at -= 1e-5;
    near(lift, (permeance_bars(&rod, &up, NULL) - permeance_bars(&rod, &down, NULL)) / 2e-5, 1e-5,
         "lift");
    near(permeance_bars(&rod, &level, NULL), permeance_bars(&level, &rod, NULL), 1e-12,
         "both ways");
}

/* Rings and discs of charge against the exact averages of 1/distance: ring to ring 2 K(k)/(pi
 * sqrt(z^2 + (a + b)^2)), k^2 = 4 a b/(z^2 + (a + b)^2) (GSL's complete elliptic integral); a disc
 * on itself 16/(3 pi radius). */
static void test_rings(void **state)
{
    static const double distance[] = {0.3, 0.5, 1, 2, 4, 10};
    static const double radius[] = {1, 0.6};
    size_t i, j;
    struct permeance_bar a = {1, 0, 0, 1e-3, 1}, disc = {1, 0, 0, 1e-4, 0.7214};

    (void)state;
    for (j = 0; j < 2; j++) {
        for (i = 0; i < 6; i++) {
            double z = distance[i], r = radius[j], far = z * z + (1 + r) * (1 + r);
            struct permeance_bar b = {1, 0, z, z + 1e-3, r};
            double exact =
                2 / M_PI * gsl_sf_ellint_Kcomp(sqrt(4 * r / far), GSL_PREC_DOUBLE) / sqrt(far);

            near(permeance_bars(&a, &b, NULL), exact, z < 0.6 ? 0.12 : 0.055, "two rings");
            near(permeance_bars(&a, &b, NULL), permeance_bars(&b, &a, NULL), 1e-9, "turned round");
        }
    }
    near(permeance_bars(&disc, &disc, NULL), 16 / (3 * M_PI), 1e-3, "a disc");
}

/* The pull is the slope of the coenergy with the gap, the linkage its slope with the current, the
 * inductance that of the linkage: central differences. */
static void test_energy(void **state)
{
    static const double current[][2] = {{0.3, 0.3}, {1.5, 1.5}, {0.4, -0.4}, {1.2, -1.1}, {0.5, 0}};
    static const double gap[] = {0.05e-3, 0.5e-3, 3e-3, 0.5e-3};
    struct iron *iron = make("low-carbon-steel");
    struct magnet shod = round_u(iron, 10e-3, 28e-3, 35e-3, gap[3]);
    size_t i, j;
    int k;

    (void)state;
    /* a thick winding over a part of the limb, and a shoe */
    for (k = 0; k < 2; k++) {
        shod.limb[k].coil_start = 4e-3;
        shod.limb[k].coil_end = 28e-3;
        shod.limb[k].coil_clearance = 0.8e-3;
        shod.limb[k].coil_height = k ? 2e-3 : 4e-3;
        shod.limb[k].pole = (struct magnet_section){MAGNET_ROUND, 14e-3, 0};
    }
    for (i = 0; i < 4; i++) {
        for (j = 0; j < 5; j++) {
            struct magnet m = i < 3 ? round_u(iron, 10e-3, 28e-3, 35e-3, gap[i]) : shod;
            double h = 1e-4 * gap[i], di = 2e-5, a = current[j][0], b = current[j][1];
            struct magnet_result r = solved(&m, a, b), more, less;

            m.gap[0] = m.gap[1] = gap[i] + h;
            more = solved(&m, a, b);
            m.gap[0] = m.gap[1] = gap[i] - h;
            less = solved(&m, a, b);
            near(r.pull, (less.coenergy - more.coenergy) / (2 * h), i < 3 ? 1e-4 : 1e-3, "pull");
            m.gap[0] = m.gap[1] = gap[i];
            for (k = 0; k < 2; k++) {
                more = solved(&m, a + (k ? 0 : di), b + (k ? di : 0));
                less = solved(&m, a - (k ? 0 : di), b - (k ? di : 0));
                near(r.linkage[k], (more.coenergy - less.coenergy) / (2 * di), 1e-5, "linkage");
                near(r.inductance[0][k], (more.linkage[0] - less.linkage[0]) / (2 * di), 1e-3,
                     "inductance of limb 1");
                near(r.inductance[1][k], (more.linkage[1] - less.linkage[1]) / (2 * di), 1e-3,
                     "inductance of limb 2");
            }
            near(r.inductance[0][1], r.inductance[1][0], 1e-9, "mutual inductance");
        }
    }
    iron_free(iron);
}

static void test_behaviour(void **state)
{
    struct iron *iron = make("annealed iron");
    struct magnet m = round_u(iron, 8e-3, 24e-3, 30e-3, 0.5e-3), bar, wide;
    struct magnet_result aid, cancel, r, last;
    double gap;
    int i;

    (void)state;
    aid = solved(&m, 0.2, 0.2);
    cancel = solved(&m, 0.2, -0.2);
    assert_true(aid.pull > 10 * cancel.pull && cancel.pull > 0);
    near(aid.pull_at[0], aid.pull_at[1], 1e-6, "even share");
    /* two limbs aiding in series: L11 + L22 + 2M; cancelling: minus 2M */
    assert_true(aid.inductance[0][1] > 0.3 * aid.inductance[0][0]);
    assert_true(aid.inductance[0][0] + aid.inductance[0][1] >
                2 * (cancel.inductance[0][0] - cancel.inductance[0][1]));
    near(cancel.flux[MAGNET_KEEPER] + 1, 1, 1e-9, "no flux along the keeper");
    assert_true(cancel.flux[MAGNET_GAP1] > 0 && cancel.flux[MAGNET_GAP2] < 0);
    r = solved(&m, 0, 0);
    assert_true(r.pull == 0 && r.flux[MAGNET_YOKE] == 0 && r.iron_share == 0);
    assert_true(r.inductance[0][0] > 0 && isfinite(r.inductance[1][1]));
    r = solved(&m, -0.2, -0.2);
    near(r.pull, aid.pull, 1e-9, "the current turned round");
    /* more gap, less pull; more current, more pull */
    last = aid;
    for (gap = 0.6e-3; gap < 12e-3; gap *= 1.3) {
        m.gap[0] = m.gap[1] = gap;
        r = solved(&m, 0.2, 0.2);
        assert_true(r.pull < last.pull);
        assert_true(r.inductance[0][0] <= last.inductance[0][0] * 1.001);
        last = r;
    }
    m.gap[0] = m.gap[1] = 0.5e-3;
    last = solved(&m, 0.01, 0.01);
    for (i = 1; i < 40; i++) {
        r = solved(&m, 0.01 * pow(1.25, i), 0.01 * pow(1.25, i));
        assert_true(r.pull > last.pull);
        last = r;
    }
    assert_true(last.limit_ratio > 1 && last.iron_share > 0.3);
    assert_true(solved(&m, 0.02, 0.02).limit_ratio < 0.5);
    /* a thin yoke saturates first and is named */
    wide = m;
    wide.yoke.thickness = 1e-3;
    r = solved(&wide, 1, 1);
    assert_int_equal(r.limit, MAGNET_YOKE);
    wide = m;
    wide.keeper.thickness = 0.8e-3;
    wide.gap[0] = wide.gap[1] = 0.05e-3;
    r = solved(&wide, 1, 1);
    assert_int_equal(r.limit, MAGNET_KEEPER);
    assert_true(r.limit_ratio > 1);
    /* a joint gap and a limb without current cost pull; a keeper raises the inductance */
    wide = m;
    wide.yoke.joint_gap = 0.2e-3;
    assert_true(solved(&wide, 0.2, 0.2).pull < 0.8 * aid.pull);
    assert_true(solved(&m, 0.2, 0).pull < 0.5 * aid.pull);
    wide = m;
    wide.keeper.present = false;
    r = solved(&wide, 0.2, 0.2);
    assert_true(r.pull == 0 && isnan(r.b[MAGNET_KEEPER]) && isnan(r.b[MAGNET_GAP1]));
    assert_true(r.inductance[0][0] < aid.inductance[0][0]);
    wide = m;
    wide.yoke.bent = true;
    near(solved(&wide, 0.2, 0.2).pull, aid.pull, 0.2, "bent or built up");
    /* a contact gap counts as gap */
    wide = m;
    wide.contact_gap = 0.1e-3;
    wide.gap[0] = wide.gap[1] = 0.4e-3;
    near(solved(&wide, 0.2, 0.2).pull, aid.pull, 1e-9, "contact gap");
    near(magnet_contact_gap(0.8e-6, 3.2e-6), 14e-6, 1e-9, "contact gap of ground on turned");
    /* a bar pulls much less than a U of the same limb */
    bar = m;
    bar.form = MAGNET_BAR;
    bar.keeper.length = 20e-3;
    r = solved(&bar, 0.4, 0);
    assert_true(r.pull > 0 && r.pull < 0.3 * aid.pull);
    assert_true(isnan(r.b[MAGNET_YOKE]) && isnan(r.linkage[1]) && isnan(r.pull_at[1]));
    /* and much more with a return path: a U with an unwound second limb */
    assert_true(solved(&m, 0.4, 0).pull > 3 * r.pull);
    iron_free(iron);
}

/* A core of constant permeability, far from everything: the inductance of a straight bar follows
 * its demagnetising factor. Bozorth and Chapin (1942) curve, from memory: apparent permeability
 * 1/N of long rods with high permeability is about 40 to 48 for length/diameter 10 (MEM). The mean
 * over the length for a coil over the whole is less than in the middle, about 0.75 of it. */
static void test_bar_demagnetising(void **state)
{
    struct iron *iron = straight(20000);
    struct magnet m = {.form = MAGNET_BAR};
    struct magnet_result r;
    double apparent;

    (void)state;
    m.limb[0] = (struct magnet_limb){
        .section = {MAGNET_ROUND, 10e-3, 0}, .length = 100e-3, .turns = 1000, .iron = iron};
    r = solved(&m, 0.02, 0);
    apparent = r.b_max[0] / (IRON_MU0 * 1000 * 0.02 / 0.1);
    assert_true(apparent > 40 && apparent < 62);
    iron_free(iron);
}

static void test_residual(void **state)
{
    static const char *const name[] = {"silicon-steel", "annealed-iron", "mild-steel",
                                       "tool-steel"};
    double last = 0;
    int i;

    (void)state;
    for (i = 0; i < 4; i++) {
        struct iron *iron = make(name[i]);
        struct magnet m = round_u(iron, 10e-3, 30e-3, 35e-3, 0.05e-3);
        struct magnet_workspace *w = magnet_workspace_create();
        double current[2] = {1, 1}, pull, wide;
        struct magnet_result before, after;
        struct status st;

        assert_int_equal(magnet_solve(w, &m, current, &before, &st), STATUS_OK);
        assert_int_equal(magnet_residual(w, &m, &before, &pull, &after, &st), STATUS_OK);
        assert_true(pull > last && pull < before.pull);
        assert_true(after.b[MAGNET_LIMB1_FOOT] > 0);
        assert_true(after.b[MAGNET_LIMB1_FOOT] < iron_facts(iron)->remanence * 1.01);
        /* on the demagnetising line the gap's ampere-turns are at most what coercive force gives
         * along all the iron */
        assert_true(2 * fabs(after.gap_mmf[0]) < iron_facts(iron)->coercivity * (0.07 + 2 * 0.05));
        last = pull;
        m.gap[0] = m.gap[1] = 1e-3;
        assert_int_equal(magnet_residual(w, &m, &before, &wide, &after, &st), STATUS_OK);
        assert_true(wide < 0.2 * pull);
        if (i == 3) /* a hardened core sticks: a tenth of the pull stays */
            assert_true(pull > 0.1 * before.pull);
        before.b[MAGNET_LIMB1_FOOT] = NAN;
        assert_int_equal(magnet_residual(w, &m, &before, &wide, &after, &st), STATUS_INPUT);
        assert_true(isnan(wide));
        magnet_workspace_free(w);
        iron_free(iron);
    }
}

static void test_shorted(void **state)
{
    struct iron *iron = make("annealed-iron");
    struct magnet m = round_u(iron, 10e-3, 30e-3, 40e-3, 1e-3);
    struct magnet_workspace *w = magnet_workspace_create();
    struct magnet_short s, more, top;
    struct magnet_result r = solved(&m, 0.1, 0.1);
    struct status st;

    (void)state;
    assert_int_equal(magnet_shorted(w, &m, 0.1, 1, 0, 1, 0.5, &s, &st), STATUS_OK);
    near(s.primary, r.inductance[0][0] + r.inductance[1][1] + 2 * r.inductance[0][1], 0.01,
         "series inductance");
    assert_true(s.coupling > 0.5 && s.coupling < 1);
    near(s.low, s.primary * (1 - s.coupling * s.coupling), 1e-9, "with the short");
    /* self inductance grows with the square of the shorted turns */
    assert_int_equal(magnet_shorted(w, &m, 0.1, 1, 0, 10, 0.5, &more, &st), STATUS_OK);
    near(more.self, 100 * s.self, 0.02, "ten turns");
    assert_int_equal(magnet_shorted(w, &m, 0.1, 1, 0, 10, 1.0, &top, &st), STATUS_OK);
    assert_true(top.self < more.self);
    assert_int_equal(magnet_shorted(w, &m, 0.1, -1, 1, 10, 0.0, &top, &st), STATUS_OK);
    assert_true(top.primary < more.primary && top.coupling > 0);
    assert_int_equal(magnet_shorted(w, &m, 0.1, 1, 2, 10, 0.5, &s, &st), STATUS_INPUT);
    assert_int_equal(magnet_shorted(w, &m, 0.1, 1, 0, 1000, 0.5, &s, &st), STATUS_INPUT);
    assert_true(isnan(s.self));
    assert_int_equal(magnet_shorted(w, &m, 0.1, 1, 0, NAN, 0.5, &s, &st), STATUS_INPUT);
    assert_int_equal(magnet_shorted(w, &m, 0.1, 1, 0, 10, 1.5, &s, &st), STATUS_INPUT);
    magnet_workspace_free(w);
    iron_free(iron);
}

static double draw(gsl_rng *rng, double low, double high)
{
    return low * pow(high / low, gsl_rng_uniform(rng));
}

static void random_section(gsl_rng *rng, struct magnet_section *s)
{
    s->outline = gsl_rng_uniform(rng) < 0.6 ? MAGNET_ROUND : MAGNET_RECTANGLE;
    s->width = draw(rng, 1e-3, 60e-3);
    s->depth = fmax(s->width * draw(rng, 0.4, 2.5), 0.5e-3);
}

/* Every valid magnet must be solved: ten thousand of them, far wider than anybody winds, seed
 * fixed. */
static void test_ten_thousand(void **state)
{
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    struct magnet_workspace *w = magnet_workspace_create();
    struct iron *iron[16];
    size_t irons = iron_count(), i;
    int steps = 0, most = 0, k, n;

    (void)state;
    gsl_rng_set(rng, 20240);
    for (i = 0; i < irons; i++)
        iron[i] = make(iron_name(i));
    for (n = 0; n < 10000; n++) {
        struct magnet m;
        double current[2], pull;
        struct magnet_result r, other;
        struct status st;

        memset(&m, 0, sizeof m);
        m.form = gsl_rng_uniform(rng) < 0.8 ? MAGNET_U : MAGNET_BAR;
        for (k = 0; k < 2; k++) {
            struct magnet_limb *l = &m.limb[k];

            random_section(rng, &l->section);
            if (k && gsl_rng_uniform(rng) < 0.8)
                l->section = m.limb[0].section;
            l->length = k && gsl_rng_uniform(rng) < 0.9 ? m.limb[0].length : draw(rng, 3e-3, 0.3);
            l->turns = gsl_rng_uniform(rng) < 0.05 ? 0 : draw(rng, 1, 1e5);
            if (gsl_rng_uniform(rng) < 0.3) {
                l->pole = l->section;
                l->pole.width = fmax(l->pole.width * draw(rng, 0.6, 1.6), 0.5e-3);
                l->pole.depth = fmax(l->pole.depth * draw(rng, 0.6, 1.6), 0.5e-3);
            }
            if (gsl_rng_uniform(rng) < 0.7) {
                l->coil_clearance = draw(rng, 1e-5, 2e-3);
                l->coil_height = l->section.width * draw(rng, 0.02, 1.5);
            }
            if (gsl_rng_uniform(rng) < 0.5) {
                l->coil_start = 0.4 * l->length * gsl_rng_uniform(rng);
                l->coil_end = l->length * (0.5 + 0.5 * gsl_rng_uniform(rng));
            }
            l->iron = iron[gsl_rng_uniform_int(rng, irons)];
            l->h_scale = gsl_rng_uniform(rng) < 0.3 ? draw(rng, 0.1, 10) : 0;
            m.gap[k] = draw(rng, 1e-6, 20e-3);
            if (k && gsl_rng_uniform(rng) < 0.8)
                m.gap[1] = m.gap[0];
            current[k] = (gsl_rng_uniform(rng) < 0.5 ? -1 : 1) * draw(rng, 1e-6, 30);
            if (gsl_rng_uniform(rng) < 0.05)
                current[k] = 0;
        }
        m.spacing = (fmax(m.limb[0].section.width, m.limb[0].pole.width) +
                     fmax(m.limb[1].section.width, m.limb[1].pole.width)) /
                    2 * draw(rng, 1.03, 6);
        m.yoke.bent = gsl_rng_uniform(rng) < 0.3;
        m.yoke.width = draw(rng, 1e-3, 60e-3);
        m.yoke.thickness = draw(rng, 1e-3, 40e-3);
        m.yoke.joint_gap = gsl_rng_uniform(rng) < 0.5 ? draw(rng, 1e-6, 1e-3) : 0;
        m.keeper.present = gsl_rng_uniform(rng) < 0.85;
        m.keeper.width = draw(rng, 1e-3, 60e-3);
        m.keeper.thickness = draw(rng, 0.3e-3, 40e-3);
        if (gsl_rng_uniform(rng) < 0.5)
            m.keeper.length = (m.form == MAGNET_U ? m.spacing : 1e-3) * draw(rng, 1.01, 3);
        if (magnet_solve(w, &m, current, &r, &st))
            fail_msg("magnet %d: %s", n, st.text);
        steps += r.iterations;
        most = r.iterations > most ? r.iterations : most;
        assert_true(r.residual < MAGNET_TOLERANCE);
        assert_true(isfinite(r.pull) && isfinite(r.coenergy) && r.coenergy >= 0);
        assert_true(isfinite(r.linkage[0]) && isfinite(r.iron_share) && r.iron_share >= 0);
        assert_true(r.inductance[0][0] >= 0);
        if (m.form == MAGNET_U) {
            double *l = &r.inductance[0][0];

            assert_true(fabs(l[1] - l[2]) <= 1e-6 * sqrt(l[0] * l[3]) + 1e-18);
            assert_true(l[0] * l[3] >= l[1] * l[2] * 0.999999);
            assert_true(isfinite(r.b[MAGNET_YOKE]));
        }
        /* no iron carries more than its own field and saturation allow: flux cannot be invented */
        assert_true(r.b_max[0] < 2.6 + IRON_MU0 *
                                           (fabs(current[0]) * m.limb[0].turns +
                                            fabs(current[1]) * m.limb[1].turns) /
                                           fmin(m.limb[0].length, m.limb[1].length) * 20);
        /* turned round it pulls the same */
        current[0] = -current[0];
        current[1] = -current[1];
        assert_int_equal(magnet_solve(w, &m, current, &other, &st), STATUS_OK);
        assert_true(fabs(other.pull - r.pull) <= 1e-6 * fabs(r.pull) + 1e-15);
        if (magnet_residual(w, &m, &r, &pull, &other, &st))
            fail_msg("magnet %d switched off: %s", n, st.text);
        assert_true(isfinite(pull));
    }
    printf("mean %.1f steps, most %d\n", steps / 10000.0, most);
    for (i = 0; i < irons; i++)
        iron_free(iron[i]);
    magnet_workspace_free(w);
    gsl_rng_free(rng);
}

static void refused(const struct magnet *m, const char *word)
{
    struct magnet_workspace *w = magnet_workspace_create();
    static const double current[2] = {0.1, 0.1};
    struct magnet_result r;
    struct status st;

    assert_int_equal(magnet_solve(w, m, current, &r, &st), STATUS_INPUT);
    if (!strstr(st.text, word))
        fail_msg("'%s' does not name '%s'", st.text, word);
    assert_true(isnan(r.pull) && isnan(r.b[MAGNET_GAP1]) && isnan(r.inductance[0][0]));
    magnet_workspace_free(w);
}

static void test_refusals(void **state)
{
    struct iron *iron = make("cast-iron");
    const struct magnet good = round_u(iron, 8e-3, 24e-3, 30e-3, 0.5e-3);
    struct magnet_workspace *w = magnet_workspace_create();
    double current[2] = {NAN, 0};
    struct magnet_result r;
    struct magnet m;
    struct status st;

    (void)state;
    assert_int_equal(magnet_check(&good, &st), STATUS_OK);
#define REFUSED(change, word)                                                                      \
    do {                                                                                           \
        m = good;                                                                                  \
        change;                                                                                    \
        refused(&m, word);                                                                         \
    } while (0)
    REFUSED(m.limb[0].section.width = NAN, "width of limb 1");
    REFUSED(m.limb[1].section.width = 0, "width of limb 2");
    REFUSED(m.limb[0].length = -1, "length of limb 1");
    REFUSED(m.limb[0].length = INFINITY, "length of limb 1");
    REFUSED(m.limb[1].turns = -5, "turns of limb 2");
    REFUSED(m.limb[1].coil_end = 1, "end of the coil of limb 2");
    REFUSED((m.limb[0].coil_start = 9e-3, m.limb[0].coil_end = 5e-3), "ends at 5 mm");
    REFUSED(m.limb[0].iron = NULL, "iron of limb 1");
    REFUSED(m.limb[0].h_scale = -1, "field scale of limb 1");
    REFUSED(m.spacing = 8e-3, "spacing");
    REFUSED(m.yoke.thickness = 0, "thickness of the yoke");
    REFUSED(m.yoke.length = 1e-3, "length of the yoke");
    REFUSED(m.yoke.joint_gap = 1, "joint gap");
    REFUSED(m.keeper.width = NAN, "width of the keeper");
    REFUSED(m.keeper.length = 1e-3, "length of the keeper");
    REFUSED(m.gap[0] = -1e-3, "gap at pole 1");
    REFUSED(m.gap[1] = NAN, "gap at pole 2");
    REFUSED(m.gap[1] = 0, "gap and contact gap at pole 2");
    REFUSED(m.contact_gap = 1, "contact gap");
    REFUSED(m.form = (enum magnet_form)7, "form");
    REFUSED(m.limb[0].section.outline = (enum magnet_outline)9, "outline");
    assert_int_equal(magnet_solve(w, &good, current, &r, &st), STATUS_INPUT);
    assert_non_null(strstr(st.text, "current in limb 1"));
    current[0] = 2e4;
    assert_int_equal(magnet_solve(w, &good, current, &r, &st), STATUS_INPUT);
    assert_string_equal(magnet_part_name(MAGNET_KEEPER), "keeper");
    assert_string_equal(magnet_part_name(MAGNET_PARTS), "?");
    magnet_workspace_free(w);
    iron_free(iron);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_example_chapman),
        cmocka_unit_test(test_example_relay),
        cmocka_unit_test(test_example_core_with_gap),
        cmocka_unit_test(test_example_horseshoe),
        cmocka_unit_test(test_textbook_magnets),
        cmocka_unit_test(test_traction_table),
        cmocka_unit_test(test_roters_edges),
        cmocka_unit_test(test_edges_in_plane_field),
        cmocka_unit_test(test_overlap),
        cmocka_unit_test(test_bars),
        cmocka_unit_test(test_rings),
        cmocka_unit_test(test_energy),
        cmocka_unit_test(test_behaviour),
        cmocka_unit_test(test_bar_demagnetising),
        cmocka_unit_test(test_residual),
        cmocka_unit_test(test_shorted),
        cmocka_unit_test(test_ten_thousand),
        cmocka_unit_test(test_refusals),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
