/* The evidence of whole findings against plain Monte Carlo over their priors: draws of every
 * unknown, the mean of the likelihood (the definition of the marginal likelihood; GSL's generator),
 * for resistances alone and with inductance and a lift trial; and what a supposed fault does to the
 * readings. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>

#include <cmocka.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "analyze/infer/suppose.h"
#include "tests/signal_arm.h"

static void design_make(struct design *d)
{
    struct status st;

    signal_arm_begin(d);
    d->core.limb.width = amount_of(9e-3, 0.05e-3);
    d->core.limb_length = amount_of(60e-3, 0.3e-3);
    d->core.spacing = amount_of(24e-3, 0.3e-3);
    d->core.yoke.depth = d->core.keeper.depth = amount_of(6e-3, 0.1e-3);
    d->core.keeper_length = amount_of(34e-3, 0.3e-3);
    d->core.gap = amount_of(0.03e-3, 0.006e-3);
    assert_int_equal(
        wire_make(&d->winding.wire, WIRE_COPPER, WIRE_DIAMETER, 0, 0.25e-3, 1, WIRE_ENAMEL_1, &st),
        STATUS_OK);
    d->winding.turns[0] = d->winding.turns[1] = amount_of(900, 0);
    d->winding.wound_length = amount_of(52e-3, 0.3e-3);
    d->supply.voltage = amount_of(1.5, 0.03);
    signal_arm_end(d);
}

static void add(struct evidence_set *set, const char *quantity, const char *place, double value,
                double u)
{
    struct evidence_record r = evidence_record_empty();
    struct status st;

    r.quantity = quantity;
    r.place = place;
    r.value = value;
    r.u = u;
    r.wires = strcmp(quantity, "resistance") == 0 ? 4 : 0;
    r.at.temperature = 21;
    r.at.temperature_u = 1;
    r.at.current = 0.066;
    r.at.gap = 0;
    r.at.keeper = true;
    assert_int_equal(evidence_add(set, &r, &st), STATUS_OK);
}

static struct suppose *prepare(const struct design *d, const struct evidence_set *set)
{
    struct finding_prior prior = finding_prior_default();
    struct suppose *s;
    struct status st;

    if (suppose_new(d, set, NULL, &prior, &s, &st) != STATUS_OK)
        fail_msg("%s", st.text);
    return s;
}

static size_t row_of(const char *name)
{
    const struct finding *f = finding_by_name(name);

    assert_non_null(f);
    return (size_t)(f - finding_table(NULL));
}

/* Logarithm of the mean likelihood over draws of the prior, and its standard error. */
static double plain(const struct weigh_model *m, size_t draws, double *u)
{
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    double sum = 0, sum2 = 0;

    gsl_rng_set(rng, 4711);
    for (size_t d = 0; d < draws; d++) {
        double z[WEIGH_UNKNOWNS_MAX], f[WEIGH_ITEMS_MAX], l = 0;

        for (size_t j = 0; j < m->unknowns; j++)
            z[j] = gsl_ran_gaussian_ziggurat(rng, 1);
        if (!m->scalars(m->context, z, f))
            continue;
        for (size_t i = 0; i < m->items; i++) {
            double c = m->mistake(m->context, i);

            f[i] = fmax(-WEIGH_FAR, fmin(WEIGH_FAR, f[i]));
            l += weigh_log_add(log1p(-c) + m->sound(m->context, i, f[i]),
                               log(c) + m->mistaken(m->context, i, f));
        }
        sum += exp(l);
        sum2 += exp(2 * l);
    }
    gsl_rng_free(rng);
    *u = sqrt(sum2) / sum;
    return log(sum / (double)draws);
}

static void compare(struct suppose *s, const char *name, size_t which, size_t draws, double slack)
{
    struct suppose_variant v[SUPPOSE_VARIANTS_MAX];
    size_t n = suppose_variants(s, row_of(name), v);
    struct weigh_options o = weigh_options_default();
    struct weigh_model m;
    struct weigh_result r;
    struct status st;
    double truth, u;

    assert_true(which < n);
    m = suppose_model(s, &v[which]);
    assert_int_equal(weigh_integrate(&m, &o, 32, &r, &st), STATUS_OK);
    truth = plain(&m, draws, &u);
    if (!(fabs(r.log_evidence - truth) < 4 * hypot(u, r.log_evidence_u) + slack))
        fail_msg("%s: %.3f +- %.3f, plain Monte Carlo %.3f +- %.3f", name, r.log_evidence,
                 r.log_evidence_u, truth, u);
    assert_true(r.log_evidence_u < 0.4);
    assert_int_equal(r.draws, 32);
    weigh_free(&r);
}

static const char *const names[] = {"as-designed", "turns-b", "shorted-b",  "joint-pair",
                                    "gauge",       "warm",    "cancelling", "leads"};

static void test_electric(void **state)
{
    struct design d;
    struct evidence_set set;
    struct suppose_variant v[SUPPOSE_VARIANTS_MAX];
    struct suppose *s;
    double a, b;

    (void)state;
    design_make(&d);
    evidence_clear(&set);
    s = prepare(&d, &set);
    a = suppose_expected(s)->y[COIL_RESISTANCE_A];
    b = suppose_expected(s)->y[COIL_RESISTANCE_B];
    suppose_free(s);
    add(&set, "resistance", "a", 1.01 * a, 0.012 * a);
    add(&set, "resistance", "b", 0.96 * b, 0.012 * b);
    add(&set, "resistance", "pair", 1.97 * a + 0.02 * a, 0.012 * a);
    /* Leads are in no reading by four wires. */
    s = prepare(&d, &set);
    assert_int_equal(suppose_variants(s, row_of("leads"), v), 0);
    suppose_free(s);
    set.item[2].wires = 2;
    s = prepare(&d, &set);
    for (size_t i = 0; i < sizeof names / sizeof *names; i++)
        compare(s, names[i], 0, 150000, 0.03);
    suppose_free(s);
}

/* Drops of both limbs share a current, weights of both limbs a dressing: the likelihood is narrow
 * in their ratios and wide in the rest. */
static void test_drops(void **state)
{
    static const char *const names_of_drops[] = {"as-designed", "turns-b", "shorted-b", "joint-b"};
    struct design d;
    struct evidence_set set;
    struct suppose *s;
    double limb;

    (void)state;
    design_make(&d);
    evidence_clear(&set);
    s = prepare(&d, &set);
    limb = suppose_expected(s)->y[COIL_WIRE_MASS] / 2;
    suppose_free(s);
    add(&set, "volt-drop", "a", 0.757, 0.003);
    add(&set, "volt-drop", "b", 0.734, 0.003);
    add(&set, "wire-mass", "a", 1.004 * limb, 0.004 * limb);
    add(&set, "wire-mass", "b", 0.998 * limb, 0.004 * limb);
    for (size_t i = 0; i < 2; i++) { /* by the supply, not by a current */
        set.item[i].at.current = set.item[i].at.current_u = NAN;
        set.item[i].at.voltage = 1.5;
        set.item[i].at.voltage_u = 0.02;
    }
    s = prepare(&d, &set);
    for (size_t i = 0; i < sizeof names_of_drops / sizeof *names_of_drops; i++)
        compare(s, names_of_drops[i], 0, 200000, 0.05);
    suppose_free(s);
}

/* A warm coil cools while it is watched, and is cooler still when current is passed. */
static void test_cooling(void **state)
{
    struct design d;
    struct evidence_set set;
    struct suppose *s;
    struct evidence_record r = evidence_record_empty();
    struct status st;
    double a;

    (void)state;
    design_make(&d);
    evidence_clear(&set);
    s = prepare(&d, &set);
    a = suppose_expected(s)->y[COIL_RESISTANCE_A];
    suppose_free(s);
    add(&set, "resistance", "a", 1.09 * a, 0.01 * a);
    r.quantity = "drift";
    r.value = -0.04;
    r.u = 0.005;
    r.at.duration = 600;
    assert_int_equal(evidence_add(&set, &r, &st), STATUS_OK);
    r = evidence_record_empty();
    r.quantity = "current";
    r.value = 1.5 / (2.06 * a);
    r.u = 0.01 * r.value;
    r.at.voltage = 1.5;
    assert_int_equal(evidence_add(&set, &r, &st), STATUS_OK);
    s = prepare(&d, &set);
    compare(s, "warm", 0, 200000, 0.03);
    compare(s, "gauge-warm", 0, 200000, 0.05);
    suppose_free(s);
}

static void test_magnetic(void **state)
{
    struct design d;
    struct evidence_set set;
    struct suppose *s;
    double a;

    (void)state;
    design_make(&d);
    evidence_clear(&set);
    s = prepare(&d, &set);
    a = suppose_expected(s)->y[COIL_RESISTANCE_A];
    suppose_free(s);
    add(&set, "resistance", "a", 1.01 * a, 0.02 * a);
    add(&set, "resistance", "b", 0.95 * a, 0.02 * a);
    add(&set, "inductance", "pair", 0.9, 0.09);
    add(&set, "lift", "pair", 9, 0.2);
    s = prepare(&d, &set);
    compare(s, "as-designed", 0, 6000, 0.1);
    compare(s, "turns-b", 0, 6000, 0.15);
    compare(s, "gap", 0, 6000, 0.15);
    compare(s, "hard", 0, 6000, 0.15);
    suppose_free(s);
}

/* Directions that the evidence does not see keep their prior: over many tails the spread of a
 * dimension that resistance does not feel is the design's. */
static void test_tail(void **state)
{
    struct design d;
    struct evidence_set set;
    struct suppose *s;
    struct suppose_variant v[SUPPOSE_VARIANTS_MAX];
    double sum = 0, square = 0;
    const int n = 2000;

    (void)state;
    design_make(&d);
    evidence_clear(&set);
    add(&set, "resistance", "a", 11, 0.1);
    s = prepare(&d, &set);
    assert_int_equal(suppose_variants(s, 0, v), 1);
    for (int i = 1; i <= n; i++) {
        struct reading_state state_;
        double z[WEIGH_UNKNOWNS_MAX] = {0};

        suppose_state(s, &v[0], z, (size_t)i, &state_);
        sum += state_.specimen.keeper_length;
        square += pow(state_.specimen.keeper_length - 34e-3, 2);
    }
    assert_true(fabs(sum / n - 34e-3) < 0.03e-3);
    assert_true(fabs(sqrt(square / n) / 0.3e-3 - 1) < 0.06);
    suppose_free(s);
}

/* What faults do to readings, by first principles. */
static double reads(struct suppose *s, const char *finding, size_t which, double z,
                    const struct evidence_item *item)
{
    struct suppose_variant v[SUPPOSE_VARIANTS_MAX];
    size_t n = suppose_variants(s, row_of(finding), v);
    struct reading_state state;
    double unknown[WEIGH_UNKNOWNS_MAX], reading, noise;

    assert_true(which < n);
    for (size_t j = 0; j < WEIGH_UNKNOWNS_MAX; j++)
        unknown[j] = 0;
    for (size_t j = suppose_model(s, &v[which]).unknowns; j-- > 0;) {
        unknown[j] = z; /* the finding's own unknown is the last */
        break;
    }
    suppose_state(s, &v[which], unknown, 0, &state);
    assert_true(suppose_read(s, &state, item, &reading, &noise));
    assert_true(noise > 0);
    return reading_unscale(item->kind, reading);
}

static void test_faults(void **state)
{
    struct design d;
    struct evidence_set set;
    struct suppose *s;
    const struct evidence_item *a, *pair, *mass, *pole, *rise;
    double right, fewer;

    (void)state;
    design_make(&d);
    evidence_clear(&set);
    add(&set, "resistance", "a", 11, 0.1);
    add(&set, "resistance", "pair", 22, 0.1);
    add(&set, "wire-mass", "pair", 0.05, 0.001);
    add(&set, "polarity", "a", 1, 1);
    add(&set, "inductance", "pair", 0.5, 0.05);
    s = prepare(&d, &set);
    a = &set.item[0];
    pair = &set.item[1];
    mass = &set.item[2];
    pole = &set.item[3];
    rise = &set.item[4];
    right = reads(s, "as-designed", 0, 0, a);
    /* Shorted turns take resistance off but leave the weight; missing turns take both. */
    fewer = reads(s, "shorted-a", 0, 0.5, a) / right;
    assert_true(fewer < 0.98);
    assert_true(
        fabs(reads(s, "shorted-a", 0, 0.5, mass) / reads(s, "as-designed", 0, 0, mass) - 1) < 1e-9);
    assert_true(reads(s, "turns-a", 0, 0.5, mass) < reads(s, "as-designed", 0, 0, mass));
    /* A cancelling limb: same resistance, like poles, far less inductance with the keeper on. */
    assert_true(reads(s, "cancelling", 0, 0, a) == right);
    assert_true(reads(s, "cancelling", 0, 0, pair) == reads(s, "as-designed", 0, 0, pair));
    assert_true(reads(s, "as-designed", 0, 0, pole) == 1);
    assert_true(reads(s, "cancelling", 0, 0, pole) == -1);
    assert_true(reads(s, "cancelling", 0, 0, rise) < 0.5 * reads(s, "as-designed", 0, 0, rise));
    /* 0.393 % a degree (IEC 60028). */
    assert_true(reads(s, "warm", 0, 0, a) > right);
    /* A joint between the limbs shows on the pair alone. */
    assert_true(reads(s, "joint-pair", 0, 0, a) == right);
    assert_true(reads(s, "joint-pair", 0, 0, pair) > reads(s, "as-designed", 0, 0, pair) + 0.1);
    assert_true(isinf(reads(s, "open-a", 0, 0, a)));
    suppose_free(s);
}

/* What stays in the iron is less than what the current put there, however hard the iron; and hard
 * iron keeps a larger share of it than soft. */
static void test_hard(void **state)
{
    struct design d;
    struct evidence_set set;
    struct suppose *s;
    double soft;

    (void)state;
    design_make(&d);
    evidence_clear(&set);
    add(&set, "pull", "pair", 9, 0.2);
    add(&set, "residual-pull", "pair", 0.5, 0.1);
    s = prepare(&d, &set);
    soft =
        reads(s, "as-designed", 0, 0, &set.item[1]) / reads(s, "as-designed", 0, 0, &set.item[0]);
    for (double z = -2.5; z <= 2.5; z += 0.5) {
        double hard = reads(s, "hard", 0, z, &set.item[1]) / reads(s, "hard", 0, z, &set.item[0]);

        assert_true(hard > soft && hard < 1);
    }
    suppose_free(s);
}

/* A solid core has a second time constant by itself: length / (8 pi resistivity) times the flux of
 * an ampere-turn, the inductance over the square of the turns. A few turns of thin wire closed on
 * themselves conduct next to nothing beside it; a whole limb does. */
static void test_second_time(void **state)
{
    struct design d;
    struct evidence_set set;
    struct suppose *s;
    double iron, henry, turns, least;

    (void)state;
    design_make(&d);
    evidence_clear(&set);
    for (int keeper = 0; keeper < 2; keeper++) {
        struct evidence_record r = evidence_record_empty();
        struct status st;

        r.quantity = keeper ? "second-time" : "inductance";
        r.value = keeper ? 8e-3 : 0.5;
        r.at.keeper = true;
        r.at.current = 0.1;
        assert_int_equal(evidence_add(&set, &r, &st), STATUS_OK);
    }
    s = prepare(&d, &set);
    henry = reads(s, "as-designed", 0, 0, &set.item[0]);
    iron = reads(s, "as-designed", 0, 0, &set.item[1]);
    turns = suppose_nominal(s)->turns[0] + suppose_nominal(s)->turns[1];
    least = henry / (turns * turns) * 2 * d.core.limb_length.value / (8 * M_PI * 0.11e-6);
    assert_true(iron > least && iron < 4 * least); /* limbs alone, and with yoke and keeper */
    assert_true(reads(s, "shorted-a", 0, 0, &set.item[1]) < 1.5 * iron);
    assert_true(reads(s, "bypassed-a", 0, 0, &set.item[1]) > 2 * iron);
    suppose_free(s);
}

/* Inductance is the slope of the flux linkage with the current, d(psi)/di, whatever the iron does
 * (definition, IEC 60050-131-12-19 and -25 from memory). */
static void test_linkage(void **state)
{
    struct design d;
    struct coil *coil;
    struct status st;
    double worst = 0;

    (void)state;
    design_make(&d);
    assert_int_equal(coil_new(&d, &coil, &st), STATUS_OK);
    for (int cancel = 0; cancel < 2; cancel++) {
        for (double current = 0.02; current < 2; current *= 2) {
            struct coil_conditions k;
            struct coil_observables low, middle, high;
            struct coil_specimen p;
            double step = 1e-3 * current;

            coil_specimen_nominal(coil, &p);
            p.sense[1] = cancel ? -1 : 1;
            coil_conditions_nominal(coil, &k);
            k.voltage = NAN;
            k.current = current - step;
            assert_int_equal(coil_forward(coil, &p, &k, COIL_INDUCTANCE, &low, &st), STATUS_OK);
            k.current = current;
            assert_int_equal(coil_forward(coil, &p, &k, COIL_INDUCTANCE, &middle, &st), STATUS_OK);
            k.current = current + step;
            assert_int_equal(coil_forward(coil, &p, &k, COIL_INDUCTANCE, &high, &st), STATUS_OK);
            worst =
                fmax(worst,
                     fabs((high.linkage_on * (current + step) - low.linkage_on * (current - step)) /
                              (2 * step) / middle.y[COIL_INDUCTANCE_ON] -
                          1));
            worst = fmax(worst, fabs((high.linkage_off * (current + step) -
                                      low.linkage_off * (current - step)) /
                                         (2 * step) / middle.y[COIL_INDUCTANCE_OFF] -
                                     1));
        }
    }
    assert_true(worst < 2e-3);
    coil_free(coil);
}

/* Two readings of one ohmmeter may both be off by its digits; that they differ by as much is not
 * the meter. A build is higher by hand than layers laid in each other's grooves, and its turns
 * longer. */
static void test_shared(void **state)
{
    struct evidence_set set;
    struct evidence_record r = evidence_record_empty();
    struct reading_state middle;
    double z[WEIGH_UNKNOWNS_MAX] = {0}, a, b, noise;
    struct design d;
    struct suppose *s;
    struct status st;

    (void)state;
    design_make(&d);
    evidence_clear(&set);
    r.quantity = "resistance";
    r.instrument = "meter";
    r.value = 20;
    r.wires = 4;
    r.u = 0.01;
    r.accuracy_abs = 0.5;
    r.place = "a";
    assert_int_equal(evidence_add(&set, &r, &st), STATUS_OK);
    r.place = "b";
    assert_int_equal(evidence_add(&set, &r, &st), STATUS_OK);
    s = prepare(&d, &set);
    suppose_state(s, NULL, z, 0, &middle);
    assert_true(suppose_read(s, &middle, &set.item[0], &a, &noise));
    assert_true(noise < 0.2 * 0.5);
    middle.zero[0] = 1;
    assert_true(suppose_read(s, &middle, &set.item[0], &b, &noise));
    assert_true(fabs(b - a - 0.5 / sqrt(3)) < 1e-9);
    assert_true(a > suppose_expected(s)->y[COIL_RESISTANCE_A]);
    suppose_free(s);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_electric), cmocka_unit_test(test_cooling),
        cmocka_unit_test(test_drops),    cmocka_unit_test(test_magnetic),
        cmocka_unit_test(test_tail),     cmocka_unit_test(test_faults),
        cmocka_unit_test(test_hard),     cmocka_unit_test(test_second_time),
        cmocka_unit_test(test_linkage),  cmocka_unit_test(test_shared),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
