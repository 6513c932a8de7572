/* The forward model: what a coil as designed, and a coil gone wrong, must show. The demonstration
 * design is a signal-arm magnet of a miniature railway; its figures are invented. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <gsl/gsl_errno.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "analyze/model/coil.h"
#include "analyze/model/input.h"
#include "analyze/model/prediction.h"
#include "analyze/model/winding.h"

static void assert_near(double got, double want, double relative)
{
    if (!(fabs(got - want) <= relative * fabs(want)))
        fail_msg("got %.12g, expected %.12g within %g", got, want, relative);
}

static struct design signal_arm(void)
{
    struct design d;
    struct status st;

    design_init(&d);
    snprintf(d.name, sizeof d.name, "signal arm");
    d.core.form = DESIGN_U_YOKE;
    d.core.limb = (struct design_section){DESIGN_ROUND, amount_of(9.5e-3, 0.05e-3), amount_none()};
    d.core.limb_length = amount_of(42e-3, 0.2e-3);
    d.core.spacing = amount_of(26e-3, 0.2e-3);
    snprintf(d.core.iron, sizeof d.core.iron, "low-carbon-steel");
    d.core.yoke = (struct design_section){DESIGN_RECTANGULAR, amount_of(12e-3, 0.1e-3),
                                          amount_of(8e-3, 0.1e-3)};
    d.core.keeper = d.core.yoke;
    d.core.gap = amount_of(1e-3, 0.05e-3);
    if (wire_make(&d.winding.wire, WIRE_COPPER, WIRE_DIAMETER, 0, 0.25e-3, 1, WIRE_ENAMEL_1, &st))
        fail_msg("%s", st.text);
    d.winding.turns[0] = d.winding.turns[1] = amount_of(500.0, 2.0);
    d.winding.wound_length = amount_of(36e-3, 0.3e-3);
    d.winding.wrap = amount_of(0.4e-3, 0.1e-3);
    d.supply.voltage = amount_of(3.0, 0.05);
    d.supply.source_resistance = amount_of(0.4, 0.1);
    return d;
}

struct bench {
    struct coil *coil;
    struct coil_specimen s;
    struct coil_conditions k;
    struct coil_observables good;
};

static struct coil_observables forward(struct bench *b, const struct coil_specimen *s)
{
    struct coil_observables o;
    struct status st;

    if (coil_forward(b->coil, s, &b->k, COIL_ALL, &o, &st))
        fail_msg("%s", st.text);
    return o;
}

static struct bench open_bench(const struct design *d)
{
    struct bench b;
    struct status st;

    if (coil_new(d, &b.coil, &st))
        fail_msg("%s", st.text);
    coil_specimen_nominal(b.coil, &b.s);
    coil_conditions_nominal(b.coil, &b.k);
    b.good = forward(&b, &b.s);
    return b;
}

/* Whatever was asked for and exists is there, finite, and of the right sign. */
static void assert_complete(const struct coil_observables *o, bool two, bool keeper)
{
    for (int q = 0; q < COIL_QUANTITIES; q++) {
        const char *name = coil_quantity_name((enum coil_quantity)q);
        bool b = strstr(name, "_b") && strcmp(name + strlen(name) - 2, "_b") == 0;
        bool needs_keeper = q == COIL_PULL || q == COIL_RESIDUAL_PULL || q == COIL_B_KEEPER ||
                            q == COIL_INDUCTANCE_ON || q == COIL_TAU_ON || q == COIL_B_POLE;

        if (q == COIL_RESISTANCE_CORE || q == COIL_TAU_SHORT)
            continue;
        if ((b && !two) || (q == COIL_B_KEEPER && !two) || (q == COIL_B_YOKE && !two) ||
            (needs_keeper && !keeper)) {
            if (!isnan(o->y[q]) && !(needs_keeper && o->y[q] == 0.0))
                fail_msg("%s is %g and cannot exist", name, o->y[q]);
        } else if (!isfinite(o->y[q])) {
            fail_msg("%s is %g", name, o->y[q]);
        }
    }
}

/* Ohm's law from the parts, worked by hand beside the model. */
static void electric_by_hand(void **state)
{
    struct design d = signal_arm();
    struct bench b = open_bench(&d);
    const double *y = b.good.y;
    struct winding_form f;
    struct winding_result r;
    double per_metre = 1.0e-6 / 58.5 / (M_PI / 4.0 * 0.25e-3 * 0.25e-3), limb, pair;

    (void)state;
    winding_form_of(coil_design(b.coil), &f);
    assert_true(winding_smooth(&f, 500.0, &r));
    limb = (500.0 * r.mean_turn + 0.1) * per_metre;          /* half of 0.2 m of leads */
    pair = (1000.0 * r.mean_turn + 0.2 + 0.026) * per_metre; /* and the cross-over */
    assert_near(y[COIL_RESISTANCE_A], limb, 1e-12);
    assert_near(y[COIL_RESISTANCE_B], limb, 1e-12);
    assert_near(y[COIL_RESISTANCE_PAIR], pair, 1e-12);
    assert_true(isinf(y[COIL_RESISTANCE_CORE]));
    assert_near(y[COIL_CURRENT], 3.0 / (pair + 0.4), 1e-12);
    assert_near(y[COIL_VOLTAGE], 3.0 * pair / (pair + 0.4), 1e-12);
    assert_near(y[COIL_POWER], y[COIL_VOLTAGE] * y[COIL_CURRENT], 1e-12);
    assert_near(y[COIL_AMPERE_TURNS], 1000.0 * y[COIL_CURRENT], 1e-12);
    assert_near(y[COIL_METAL_MASS], y[COIL_WIRE_LENGTH] * 8890.0 * M_PI / 4.0 * 6.25e-8, 1e-9);
    assert_near(y[COIL_TAU_ON], y[COIL_INDUCTANCE_ON] / (pair + 0.4), 1e-12);
    assert_complete(&b.good, true, true);
    assert_true(y[COIL_POLARITY_A] == 1.0 && y[COIL_POLARITY_B] == -1.0);
    assert_true(y[COIL_INDUCTANCE_ON] > y[COIL_INDUCTANCE_OFF]);
    assert_true(y[COIL_RESIDUAL_PULL] < y[COIL_PULL]);
    printf("signal arm: %.2f ohm, %.0f mA, %.0f A turns, %.2f N at 1 mm, %.1f mH on, %.1f mH off, "
           "residual %.3f N\n",
           pair, y[COIL_CURRENT] * 1e3, y[COIL_AMPERE_TURNS], y[COIL_PULL],
           y[COIL_INDUCTANCE_ON] * 1e3, y[COIL_INDUCTANCE_OFF] * 1e3, y[COIL_RESIDUAL_PULL]);
    coil_free(b.coil);
}

/* Common practice, no source: 17 ohm draws 88 mA at 1.5 V and 176 mA at 3 V. */
static void seventeen_ohms(void **state)
{
    struct design d = signal_arm();
    struct bench b;

    (void)state;
    d.supply.source_resistance = amount_of(0.0, 0.0);
    b = open_bench(&d);
    /* wound until the meter says 17 ohm */
    for (int i = 0; i < 50; i++) {
        struct coil_observables o = forward(&b, &b.s);

        b.s.turns[0] *= 17.0 / o.y[COIL_RESISTANCE_PAIR];
        b.s.turns[1] = b.s.turns[0];
    }
    b.k.voltage = 1.5;
    assert_near(forward(&b, &b.s).y[COIL_CURRENT], 0.088, 0.003);
    b.k.voltage = 3.0;
    assert_near(forward(&b, &b.s).y[COIL_CURRENT], 0.176, 0.003);
    coil_free(b.coil);
}

/* Common practice, no source: a limb wound in antiphase cancels, and resistance does not show it.
 */
static void cancelling_limb(void **state)
{
    struct design d = signal_arm();
    struct bench b = open_bench(&d);
    struct coil_specimen s = b.s;
    struct coil_observables o;

    (void)state;
    s.sense[1] = -1.0;
    o = forward(&b, &s);
    for (int q = COIL_RESISTANCE_A; q <= COIL_POWER; q++)
        assert_true(o.y[q] == b.good.y[q]);
    assert_true(fabs(o.y[COIL_AMPERE_TURNS]) < 1e-9);
    assert_near(o.y[COIL_AMPERE_TURNS_B], -b.good.y[COIL_AMPERE_TURNS_B], 1e-12);
    assert_true(o.y[COIL_POLARITY_A] == 1.0 && o.y[COIL_POLARITY_B] == 1.0);
    printf("cancelling: pull %.4f of aiding, inductance %.3f of aiding\n",
           o.y[COIL_PULL] / b.good.y[COIL_PULL],
           o.y[COIL_INDUCTANCE_ON] / b.good.y[COIL_INDUCTANCE_ON]);
    assert_true(o.y[COIL_PULL] < 0.2 * b.good.y[COIL_PULL]);
    assert_true(o.y[COIL_INDUCTANCE_ON] < 0.6 * b.good.y[COIL_INDUCTANCE_ON]);
    assert_complete(&o, true, true);
    /* swapped on both limbs: everything as before, with the poles exchanged */
    s.sense[0] = -1.0;
    o = forward(&b, &s);
    assert_near(o.y[COIL_PULL], b.good.y[COIL_PULL], 1e-6);
    assert_true(o.y[COIL_POLARITY_A] == -1.0 && o.y[COIL_POLARITY_B] == 1.0);
    coil_free(b.coil);
}

static void faults(void **state)
{
    struct design d = signal_arm();
    struct bench b = open_bench(&d);
    const double *g = b.good.y;
    struct coil_specimen s;
    struct coil_observables o;

    (void)state;
    s = b.s; /* broken wire in limb b */
    s.open[1] = true;
    o = forward(&b, &s);
    assert_true(isinf(o.y[COIL_RESISTANCE_B]) && isinf(o.y[COIL_RESISTANCE_PAIR]));
    assert_true(o.y[COIL_RESISTANCE_A] == g[COIL_RESISTANCE_A]);
    assert_true(o.y[COIL_CURRENT] == 0.0 && fabs(o.y[COIL_PULL]) < 1e-12);
    assert_true(o.y[COIL_VOLTAGE] == 3.0 && o.y[COIL_POLARITY_A] == 0.0);

    s = b.s; /* limb b shorted out by its ends */
    s.bypass[1] = 0.0;
    o = forward(&b, &s);
    assert_true(o.y[COIL_RESISTANCE_B] < 0.1 * g[COIL_RESISTANCE_B]);
    assert_true(o.y[COIL_AMPERE_TURNS_B] == 0.0);
    assert_true(o.y[COIL_CURRENT] > 1.8 * g[COIL_CURRENT]);
    /* half of it goes round a bypass of the limb's own resistance */
    s.bypass[1] = 500.0 * g[COIL_MEAN_TURN_B] / 58.5e6 / (M_PI / 4.0 * 6.25e-8);
    o = forward(&b, &s);
    assert_near(o.y[COIL_AMPERE_TURNS_B], 0.5 * o.y[COIL_AMPERE_TURNS_A], 1e-9);

    s = b.s; /* a bad joint adds its ohms and takes its current */
    s.joint[0] = 3.7;
    o = forward(&b, &s);
    assert_near(o.y[COIL_RESISTANCE_A] - g[COIL_RESISTANCE_A], 3.7, 1e-9);
    assert_near(o.y[COIL_RESISTANCE_PAIR] - g[COIL_RESISTANCE_PAIR], 3.7, 1e-9);

    s = b.s; /* 60 turns shorted: their ohms and their ampere-turns are gone */
    s.shorted[0] = 60.0;
    o = forward(&b, &s);
    assert_near(o.y[COIL_AMPERE_TURNS_A], o.y[COIL_CURRENT] * 440.0, 1e-12);
    assert_true(o.y[COIL_RESISTANCE_A] < g[COIL_RESISTANCE_A] * 0.90);
    assert_true(o.y[COIL_WIRE_MASS] == g[COIL_WIRE_MASS]); /* weight does not see it */
    assert_true(o.y[COIL_TAU_SHORT] > 0.0 && o.y[COIL_TAU_SHORT] < 0.1);

    s = b.s; /* leakage to the core */
    s.leakage = 1.0 / 4700.0;
    o = forward(&b, &s);
    assert_near(o.y[COIL_RESISTANCE_CORE], 4700.0, 1e-12);
    assert_true(o.y[COIL_RESISTANCE_PAIR] == g[COIL_RESISTANCE_PAIR]);

    s = b.s; /* warm: 0.393 % a degree */
    s.temperature += 30.0;
    o = forward(&b, &s);
    assert_near(o.y[COIL_RESISTANCE_PAIR] / g[COIL_RESISTANCE_PAIR], 1.0 + 0.00393 * 30.0, 1e-12);

    s = b.s; /* test leads add to what is read, and change no current */
    s.lead_resistance = 0.3;
    o = forward(&b, &s);
    assert_near(o.y[COIL_RESISTANCE_A] - g[COIL_RESISTANCE_A], 0.3, 1e-9);
    assert_true(o.y[COIL_CURRENT] == g[COIL_CURRENT]);

    b.k.keeper = false; /* keeper away: field and no pull */
    o = forward(&b, &b.s);
    assert_true(o.y[COIL_PULL] == 0.0 && isnan(o.y[COIL_B_KEEPER]));
    assert_true(o.y[COIL_POLARITY_A] == 1.0 && o.y[COIL_POLARITY_B] == -1.0);
    assert_near(o.y[COIL_INDUCTANCE_ON], g[COIL_INDUCTANCE_ON], 1e-9);
    b.k.keeper = true;
    b.k.drive = COIL_DRIVE_LIMB_B;
    o = forward(&b, &b.s);
    assert_near(o.y[COIL_CURRENT], 3.0 / (g[COIL_RESISTANCE_B] + 0.4), 1e-12);
    assert_true(o.y[COIL_AMPERE_TURNS_A] == 0.0 && o.y[COIL_POLARITY_B] == -1.0);
    coil_free(b.coil);
}

/* Eddy currents of a solid core as one turn about it: length / (8 pi resistivity) of a round bar
 * (from the loss pi a^4 / 8 resistivity (dB/dt)^2 a metre, textbooks), and 0.1406 length /
 * (4 resistivity) of a square one, by the membrane that both this and a twisted bar obey (0.1406:
 * Timoshenko and Goodier, Theory of Elasticity, torsion of rectangular bars, from memory). Shorted
 * turns: their number over the ohms of one. Both have the flux of the same ampere-turns. */
static void closed_rings(void **state)
{
    struct design d = signal_arm();
    struct bench b;
    struct coil_specimen s;
    struct coil_observables o;
    double steel, turn;

    (void)state;
    d.core.yoke.depth = d.core.yoke.width;
    d.core.keeper = d.core.yoke;
    b = open_bench(&d);
    s = b.s;
    s.shorted[0] = 60.0;
    o = forward(&b, &s);
    steel = 2.0 * s.limb_length / (8.0 * M_PI * 0.15e-6) +
            0.1406 * (s.spacing + s.yoke_length) / (4.0 * 0.15e-6);
    turn = o.y[COIL_MEAN_TURN_A] / (58.5e6 * M_PI / 4.0 * 6.25e-8);
    assert_near(o.ring_on / o.eddy_on, 60.0 / turn / steel, 0.01);
    /* 440 and 500 turns link the flux that those rings have */
    assert_near(o.ring_on, o.linkage_on / (940.0 * 940.0) * 60.0 / turn, 0.01);
    assert_true(o.eddy_off < o.eddy_on && o.ring_off < o.ring_on);
    assert_true(b.good.ring_on == 0.0 && b.good.ring_off == 0.0);

    s = b.s; /* a limb bypassed by next to nothing is one ring of all its turns */
    s.bypass[1] = 1e-6;
    o = forward(&b, &s);
    assert_near(o.ring_on / o.eddy_on, 500.0 / turn / steel, 0.01);
    coil_free(b.coil);

    snprintf(d.core.iron, sizeof d.core.iron, "silicon-steel"); /* comes as sheet */
    b = open_bench(&d);
    assert_true(b.good.eddy_on == 0.0 && b.good.eddy_off == 0.0);
    coil_free(b.coil);
}

static void parallel_limbs(void **state)
{
    struct design d = signal_arm();
    struct bench b;
    struct coil_specimen s;
    struct coil_observables o;

    (void)state;
    d.winding.connection = DESIGN_PARALLEL;
    b = open_bench(&d);
    assert_near(
        b.good.y[COIL_RESISTANCE_PAIR],
        0.5 * (b.good.y[COIL_RESISTANCE_A] + 0.5 * 0.026 * 1e-6 / 58.5 / (M_PI / 4.0 * 6.25e-8)),
        1e-9);
    assert_near(b.good.y[COIL_AMPERE_TURNS], 500.0 * b.good.y[COIL_CURRENT], 1e-9);
    s = b.s; /* one limb broken: the other still works, and the poles show it */
    s.open[0] = true;
    o = forward(&b, &s);
    assert_true(isinf(o.y[COIL_RESISTANCE_A]) && isfinite(o.y[COIL_RESISTANCE_PAIR]));
    assert_true(o.y[COIL_AMPERE_TURNS_A] == 0.0 && o.y[COIL_AMPERE_TURNS_B] > 0.0);
    assert_true(o.y[COIL_PULL] > 0.0 && o.y[COIL_PULL] < b.good.y[COIL_PULL]);
    coil_free(b.coil);
}

/* More turns, smaller gap, more volts: more pull; finer wire: more ohms. Fixed seed. */
static void monotone(void **state)
{
    const unsigned long seed = 4711;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    struct design d = signal_arm();
    struct bench b = open_bench(&d);

    (void)state;
    printf("seed %lu\n", seed);
    gsl_rng_set(rng, seed);
    for (int i = 0; i < 200; i++) {
        struct coil_specimen s = b.s, t;
        struct coil_observables o, p;

        s.turns[0] = 100.0 + 600.0 * gsl_rng_uniform(rng);
        s.turns[1] = 100.0 + 600.0 * gsl_rng_uniform(rng);
        s.gap = 0.1e-3 * exp(3.4 * gsl_rng_uniform(rng));
        b.k.voltage = 0.3 * exp(4.0 * gsl_rng_uniform(rng));
        o = forward(&b, &s);
        t = s;
        t.gap *= 1.1;
        p = forward(&b, &t);
        assert_true(p.y[COIL_PULL] < o.y[COIL_PULL]);
        assert_true(p.y[COIL_RESISTANCE_PAIR] == o.y[COIL_RESISTANCE_PAIR]);
        t = s;
        t.turns[0] *= 1.02;
        p = forward(&b, &t);
        assert_true(p.y[COIL_RESISTANCE_A] > o.y[COIL_RESISTANCE_A] * 1.015);
        assert_true(p.y[COIL_WIRE_MASS] > o.y[COIL_WIRE_MASS]);
        t = s;
        t.wire_diameter[0] *= 0.98;
        p = forward(&b, &t);
        assert_near((p.y[COIL_RESISTANCE_A] - 0.0) / o.y[COIL_RESISTANCE_A], 1.0 / (0.98 * 0.98),
                    1e-9);
        b.k.voltage *= 1.05;
        p = forward(&b, &s);
        assert_near(p.y[COIL_AMPERE_TURNS], 1.05 * o.y[COIL_AMPERE_TURNS], 1e-12);
        assert_true(p.y[COIL_PULL] > o.y[COIL_PULL]);
    }
    coil_free(b.coil);
    gsl_rng_free(rng);
}

/* Designs at random: each is either refused in a sentence, or answers with no NaN. Fixed seed. */
/* A stated gap is the whole air, as a field solver takes it; roughness is what is left without
 * one. */
static void gap_and_roughness(void **state)
{
    /* stated gap, roughness, the air that is really there, mm */
    static const double cases[][3] = {
        {0.05, 0.02, 0.05}, {0.2, 0.02, 0.2},   {1.0, 0.5, 1.0},
        {0.0, 0.02, 0.02},  {0.01, 0.03, 0.03},
    };

    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct design d = signal_arm();
        struct bench got;
        struct bench want;

        d.core.gap = amount_of(1e-3 * cases[i][0], 0);
        d.core.roughness = amount_of(1e-3 * cases[i][1], 0);
        got = open_bench(&d);
        d.core.gap = amount_of(1e-3 * cases[i][2], 0);
        d.core.roughness = amount_of(0, 0);
        want = open_bench(&d);
        assert_near(got.good.y[COIL_PULL], want.good.y[COIL_PULL], 1e-4);
        assert_near(got.good.y[COIL_INDUCTANCE_ON], want.good.y[COIL_INDUCTANCE_ON], 1e-4);
        coil_free(got.coil);
        coil_free(want.coil);
    }
}

static void random_designs(void **state)
{
    static const char *const irons[] = {"low-carbon-steel", "cast-iron", "annealed-iron"};
    const unsigned long seed = 90210;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    int worked = 0, refused = 0;

    (void)state;
    printf("seed %lu\n", seed);
    gsl_rng_set(rng, seed);
    for (int i = 0; i < 1500; i++) {
        struct design d;
        struct coil *coil;
        struct coil_specimen s;
        struct coil_conditions k;
        struct coil_observables o;
        struct status st;
        double w = 3e-3 * exp(2.0 * gsl_rng_uniform(rng));
        bool keeper = gsl_rng_uniform(rng) < 0.8;

        design_init(&d);
        d.core.form = (enum design_form)gsl_rng_uniform_int(rng, 3);
        d.core.limb.shape = (enum design_shape)gsl_rng_uniform_int(rng, 3);
        d.core.limb.width = amount_of(w, 0.01 * w);
        d.core.limb.depth = amount_of(w * (0.5 + 0.5 * gsl_rng_uniform(rng)), 0.0);
        d.core.limb_length = amount_of(w * (2.0 + 6.0 * gsl_rng_uniform(rng)), 0.0);
        d.core.spacing = amount_of(w * (1.6 + 3.0 * gsl_rng_uniform(rng)), 0.0);
        snprintf(d.core.iron, sizeof d.core.iron, "%s", irons[gsl_rng_uniform_int(rng, 3)]);
        if (keeper) {
            d.core.keeper.shape = gsl_rng_uniform(rng) < 0.3 ? DESIGN_ROUND : DESIGN_RECTANGULAR;
            d.core.keeper.width = amount_of(w, 0.0);
            d.core.keeper.depth = amount_of(w * (0.3 + gsl_rng_uniform(rng)), 0.0);
        }
        if (gsl_rng_uniform(rng) < 0.2)
            d.core.pole_width = amount_of(w * (0.6 + gsl_rng_uniform(rng)), 0.0);
        d.core.gap = amount_of(gsl_rng_uniform(rng) < 0.1 ? 0.0 : 3e-3 * gsl_rng_uniform(rng), 0.0);
        if (wire_make(&d.winding.wire, WIRE_COPPER, WIRE_SWG,
                      22 + (int)gsl_rng_uniform_int(rng, 22), 0.0, 1,
                      (enum wire_covering)gsl_rng_uniform_int(rng, 8), &st))
            fail_msg("%s", st.text);
        d.winding.layers = (enum design_layers)gsl_rng_uniform_int(rng, 3);
        d.winding.ends = (enum design_ends)gsl_rng_uniform_int(rng, 2);
        d.winding.turns[0] = amount_of(exp(3.0 + 5.0 * gsl_rng_uniform(rng)), 0.0);
        d.winding.connection = (enum design_connection)gsl_rng_uniform_int(rng, 2);
        d.winding.sense = (enum design_sense)gsl_rng_uniform_int(rng, 2);
        d.winding.in_hand = 1 + (int)gsl_rng_uniform_int(rng, 2);
        d.winding.sections = 1 + (int)gsl_rng_uniform_int(rng, 2);
        d.supply.voltage = amount_of(12.0 * gsl_rng_uniform(rng), 0.1);
        if (coil_new(&d, &coil, &st)) {
            assert_true(strlen(st.text) > 20);
            refused++;
            continue;
        }
        coil_specimen_nominal(coil, &s);
        coil_conditions_nominal(coil, &k);
        if (coil_forward(coil, &s, &k, COIL_ALL, &o, &st))
            fail_msg("design %d: %s", i, st.text);
        assert_complete(&o, d.core.form != DESIGN_BAR, keeper);
        worked++;
        coil_free(coil);
    }
    printf("%d worked, %d refused\n", worked, refused);
    assert_true(worked > 500 && refused > 50);
    gsl_rng_free(rng);
}

static void air_coil(void **state)
{
    struct design d = signal_arm();
    struct bench b;

    (void)state;
    d.core.form = DESIGN_BAR;
    d.core.air = true;
    d.core.keeper.width = amount_none();
    b = open_bench(&d);
    /* a long solenoid tends to mu0 N^2 A / l; this one is short: 10 to 30 % less */
    {
        double radius = 0.25 * (9.5e-3 + 0.8e-3 + b.good.y[COIL_OUTSIDE_A]);
        double ideal = 4e-7 * M_PI * 500.0 * 500.0 * M_PI * radius * radius / 36e-3;

        assert_true(b.good.y[COIL_INDUCTANCE_OFF] < 0.92 * ideal);
        assert_true(b.good.y[COIL_INDUCTANCE_OFF] > 0.70 * ideal);
    }
    assert_true(isnan(b.good.y[COIL_PULL]) && isnan(b.good.y[COIL_RESISTANCE_B]));
    assert_near(b.good.y[COIL_RESISTANCE_PAIR], b.good.y[COIL_RESISTANCE_A], 0.0);
    coil_free(b.coil);
}

/* With the wire's tolerance as the only doubt, u(R)/R = 2 u(d)/d: checked by hand. */
static void budget_by_hand(void **state)
{
    struct design d = signal_arm();
    struct coil *coil;
    struct coil_conditions k;
    struct prediction p;
    struct prediction_figure *f = &p.figure[COIL_RESISTANCE_PAIR];
    struct status st;
    double wire, rho, temperature, turns;

    (void)state;
    if (coil_new(&d, &coil, &st))
        fail_msg("%s", st.text);
    coil_conditions_nominal(coil, &k);
    if (prediction_make(coil, &k, COIL_ELECTRIC, 20000, &p, &st))
        fail_msg("%s", st.text);
    wire = 2.0 * 0.004 / sqrt(3.0) / 0.25;
    rho = 0.5 / 58.5 / sqrt(3.0);
    temperature = 0.00393 * 3.0;
    /* two limbs apart; a turn more or less lies in the outer layer, longer than the mean */
    turns = sqrt(2.0) * 2.0 / 1000.0 * 1.06;
    assert_near(sqrt(f->share[INPUT_CAUSE_WIRE]) * f->u / f->value, wire, 0.002);
    assert_near(sqrt(f->share[INPUT_CAUSE_RESISTIVITY]) * f->u / f->value, rho, 0.001);
    assert_near(sqrt(f->share[INPUT_CAUSE_TEMPERATURE]) * f->u / f->value, temperature, 0.001);
    assert_near(sqrt(f->share[INPUT_CAUSE_TURNS]) * f->u / f->value, turns, 0.05);
    printf("resistance %.3f +- %.3f ohm (first order), %.3f +- %.3f (draws), 95 %% %.2f to %.2f\n",
           f->value, f->u, f->mc_mean, f->mc_u, f->low, f->high);
    for (int q = 0; q < COIL_QUANTITIES; q++) {
        double sum = 0.0;

        if (!p.figure[q].exists || !(p.figure[q].u > 0.0))
            continue;
        for (int c = 0; c < INPUT_CAUSES; c++)
            sum += p.figure[q].share[c];
        assert_near(sum, 1.0, 1e-9);
        assert_true(p.figure[q].low < p.figure[q].value && p.figure[q].value < p.figure[q].high);
        if (q != COIL_OUTSIDE_A && q != COIL_OUTSIDE_B)
            assert_near(p.figure[q].mc_u, p.figure[q].u, 0.06);
    }
    assert_true(f->agrees);
    coil_free(coil);
}

static void prediction(void **state)
{
    struct design d = signal_arm();
    struct coil *coil;
    struct coil_conditions k;
    struct prediction p, solved;
    struct status st;

    (void)state;
    if (coil_new(&d, &coil, &st))
        fail_msg("%s", st.text);
    coil_conditions_nominal(coil, &k);
    if (prediction_make(coil, &k, COIL_ALL, 4000, &solved, &st))
        fail_msg("%s", st.text);
    assert_true(isnan(solved.surface_error));
    if (prediction_make(coil, &k, COIL_ALL, 20000, &p, &st))
        fail_msg("%s", st.text);
    for (int q = 0; q < COIL_QUANTITIES; q++) {
        struct prediction_figure *f = &p.figure[q];
        int most = 0;

        if (!f->exists)
            continue;
        for (int c = 1; c < INPUT_CAUSES; c++)
            if (f->share[c] > f->share[most])
                most = c;
        printf("  %-32s %11.5g +- %-9.3g %-4s draws %11.5g +- %-9.3g [%.4g, %.4g]%s most by %s\n",
               coil_quantity_words((enum coil_quantity)q), f->value, f->u,
               coil_quantity_unit((enum coil_quantity)q), f->mc_mean, f->mc_u, f->low, f->high,
               f->agrees ? " agrees," : "", input_cause_words((enum input_cause)most));
    }
    assert_true(p.failed == 0 && p.draws == 20000);
    assert_true(p.surface_error < 0.1);
    /* drawn through the fitted surface or solved draw by draw: the same distribution */
    for (int q = COIL_POLARITY_A; q < COIL_QUANTITIES; q++)
        if (p.figure[q].exists && p.figure[q].u > 0.0) {
            assert_near(p.figure[q].mc_u, solved.figure[q].mc_u, 0.05);
            assert_true(fabs(p.figure[q].mc_mean - solved.figure[q].mc_mean) <
                        0.05 * p.figure[q].mc_u);
            assert_true(fabs(p.figure[q].high - solved.figure[q].high) < 0.15 * p.figure[q].mc_u);
        }
    /* pull is bent (square of the current over the square of the gap): close, and above */
    assert_near(p.figure[COIL_PULL].mc_u, p.figure[COIL_PULL].u, 0.15);
    assert_true(p.figure[COIL_PULL].u > 0.04 * p.figure[COIL_PULL].value);
    coil_free(coil);
}

static void refuses_bad_figures(void **state)
{
    struct design d = signal_arm();
    struct bench b = open_bench(&d);
    struct coil_specimen s;
    struct coil_observables o;
    struct coil_conditions k = b.k;
    struct coil *none;
    struct status st;

    (void)state;
    s = b.s;
    s.gap = NAN;
    assert_int_equal(coil_forward(b.coil, &s, &k, COIL_ALL, &o, &st), STATUS_INPUT);
    assert_non_null(strstr(st.text, "the gap is nan"));
    s = b.s;
    s.temperature = 5000.0;
    assert_int_equal(coil_forward(b.coil, &s, &k, COIL_ALL, &o, &st), STATUS_INPUT);
    assert_non_null(strstr(st.text, "from -60 to 300 C"));
    s = b.s;
    s.shorted[1] = 501.0;
    assert_int_equal(coil_forward(b.coil, &s, &k, COIL_ALL, &o, &st), STATUS_INPUT);
    s = b.s;
    s.wire_overall[0] = 0.1e-3;
    assert_int_equal(coil_forward(b.coil, &s, &k, COIL_ALL, &o, &st), STATUS_INPUT);
    k.voltage = INFINITY;
    assert_int_equal(coil_forward(b.coil, &b.s, &k, COIL_ALL, &o, &st), STATUS_INPUT);
    /* without a supply, what depends on it is unknown, the rest is not */
    k.voltage = NAN;
    assert_int_equal(coil_forward(b.coil, &b.s, &k, COIL_ALL, &o, &st), STATUS_OK);
    assert_true(isnan(o.y[COIL_CURRENT]) && isnan(o.y[COIL_PULL]));
    assert_true(isfinite(o.y[COIL_RESISTANCE_PAIR]));
    coil_free(b.coil);

    d.core.limb.width = amount_of(-1.0, 0.0);
    assert_int_equal(coil_new(&d, &none, &st), STATUS_INPUT);
    assert_non_null(strstr(st.text, "core diameter"));
    assert_null(none);
    d = signal_arm();
    snprintf(d.core.iron, sizeof d.core.iron, "cheese");
    assert_int_equal(coil_new(&d, &none, &st), STATUS_NOT_FOUND);
    d = signal_arm();
    d.winding.outside_max = amount_of(11e-3, 0.0);
    assert_int_equal(coil_new(&d, &none, &st), STATUS_INPUT);
    assert_non_null(strstr(st.text, "turns fit"));
    printf("%s\n", st.text);
    d = signal_arm();
    d.core.gap = amount_of(INFINITY, 0.0);
    assert_int_equal(coil_new(&d, &none, &st), STATUS_INPUT);
    d = signal_arm();
    d.core.gap.u = NAN;
    assert_int_equal(coil_new(&d, &none, &st), STATUS_INPUT);
    d = signal_arm();
    d.winding.turns[0] = amount_of(0.0, 0.0);
    assert_int_equal(coil_new(&d, &none, &st), STATUS_INPUT);
    assert_non_null(strstr(st.text, "turns on limb a is 0"));
    d = signal_arm();
    d.winding.wire.overall_nom = 40e-3;
    assert_int_equal(coil_new(&d, &none, &st), STATUS_INPUT);
}

static void words(void **state)
{
    enum design_form form;
    struct status st;

    (void)state;
    for (int f = DESIGN_BAR; f <= DESIGN_U_YOKE; f++) {
        assert_int_equal(design_form_from_text(design_form_word((enum design_form)f), &form, &st),
                         STATUS_OK);
        assert_int_equal(form, f);
    }
    assert_int_equal(design_form_from_text("horseshoe", &form, &st), STATUS_INPUT);
    assert_non_null(strstr(st.text, "bar, bent or yoke"));
    for (int q = 0; q < COIL_QUANTITIES; q++)
        assert_true(strlen(coil_quantity_words((enum coil_quantity)q)) > 2 &&
                    strcmp(coil_quantity_name((enum coil_quantity)q), "unknown") != 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(electric_by_hand),
        cmocka_unit_test(seventeen_ohms),
        cmocka_unit_test(cancelling_limb),
        cmocka_unit_test(faults),
        cmocka_unit_test(closed_rings),
        cmocka_unit_test(parallel_limbs),
        cmocka_unit_test(monotone),
        cmocka_unit_test(gap_and_roughness),
        cmocka_unit_test(random_designs),
        cmocka_unit_test(air_coil),
        cmocka_unit_test(budget_by_hand),
        cmocka_unit_test(prediction),
        cmocka_unit_test(refuses_bad_figures),
        cmocka_unit_test(words),
    };

    gsl_set_error_handler_off();
    return cmocka_run_group_tests(tests, NULL, NULL);
}
