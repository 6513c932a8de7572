/* Verdicts on coils whose figures are worked out by hand here, from the wire table and the geometry
 * of the winding, not by the forward model: right, turns missing, wrong gauge, cancelling, open,
 * bad joint, bypassed, shorted; a bench mistake; something that nothing explains. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>

#include <cmocka.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/infer/advise.h"
#include "analyze/infer/posterior.h"
#include "analyze/infer/verdict.h"
#include "tests/signal_arm.h"

/* What signal_arm_begin() has. */
#define TURNS  500
#define CORE   10e-3
#define WRAP   0.3e-3
#define LENGTH 42e-3
#define ENAMEL 0.024e-3 /* on both sides together, grade 1 */

static void design_make(struct design *d)
{
    signal_arm_begin(d);
    signal_arm_end(d);
}

static double limb_wire(double turns, double bare)
{
    return turns * signal_arm_mean_turn(CORE, WRAP, LENGTH, bare + ENAMEL, turns);
}

static double limb_ohms(double turns, double bare)
{
    return signal_arm_ohm(limb_wire(turns, bare), bare);
}

static double limb_mass(double turns, double bare)
{
    return signal_arm_mass(limb_wire(turns, bare), bare, bare + ENAMEL);
}

static void add(struct evidence_set *set, const char *quantity, const char *place, double value)
{
    struct evidence_record r = evidence_record_empty();
    struct status st;

    r.quantity = quantity;
    r.place = place;
    r.value = value;
    r.at.temperature = 20;
    r.at.temperature_u = 1;
    if (strcmp(quantity, "resistance") == 0) {
        r.wires = 4;
        r.instrument = "meter";
        r.u = 0.002;
        r.accuracy_rel = 0.002;
        if (isinf(value)) {
            r.value = 1e6;
            r.overload = true;
        }
    } else if (strcmp(quantity, "wire-mass") == 0) {
        r.instrument = "scale";
        r.u = 0.1e-3;
    } else if (strcmp(quantity, "insulation") == 0) {
        r.value = 40e6;
        r.overload = true;
    }
    if (evidence_add(set, &r, &st) != STATUS_OK)
        fail_msg("%s", st.text);
}

static void add_limbs(struct evidence_set *set, double a, double b, double pair)
{
    add(set, "resistance", "a", a);
    add(set, "resistance", "b", b);
    add(set, "resistance", "pair", pair);
}

static void add_poles(struct evidence_set *set, int b)
{
    add(set, "polarity", "a", 1);
    add(set, "polarity", "b", b);
}

struct fixture {
    struct design design;
    struct evidence_set set;
    struct verdict verdict;
    double right; /* ohm of a limb as designed, with its half of the leads */
};

/* Ohms of the 0.2 m of leads and of the cross-over that design_complete() takes as usual. */
static double leads_ohm(void)
{
    return 0.2 / (58.5e6 * M_PI / 4 * 0.25e-3 * 0.25e-3);
}

static int set_up(void **state)
{
    struct fixture *f = calloc(1, sizeof *f);

    if (!f)
        return 1;
    *state = f;
    design_make(&f->design);
    evidence_clear(&f->set);
    f->right = limb_ohms(TURNS, 0.25e-3) + 0.5 * leads_ohm();
    return 0;
}

static int tear_down(void **state)
{
    struct fixture *f = *state;

    verdict_free(&f->verdict);
    free(f);
    return 0;
}

static void reach(struct fixture *f)
{
    struct verdict_options o = verdict_options_default(&f->design);
    struct status st;

    verdict_free(&f->verdict);
    if (verdict_reach(&f->design, &f->set, &o, &f->verdict, &st) != STATUS_OK)
        fail_msg("%s", st.text);
    assert_true(f->verdict.lines > 0 && f->verdict.lines <= VERDICT_LINES_MAX);
}

static const struct verdict_estimate *estimate(const struct fixture *f, const char *name)
{
    for (size_t i = 0; i < f->verdict.estimates; i++)
        if (strcmp(f->verdict.estimate[i].name, name) == 0)
            return &f->verdict.estimate[i];
    fail_msg("no estimate of %s", name);
    return NULL;
}

static bool says(const struct fixture *f, const char *words)
{
    for (size_t i = 0; i < f->verdict.lines; i++)
        if (strstr(f->verdict.line[i], words))
            return true;
    return false;
}

static void leads(const struct fixture *f, const char *name, double least)
{
    const struct verdict_finding *v = &f->verdict.finding[0];

    if (strcmp(v->finding->name, name) != 0 || v->probability < least)
        fail_msg("leading: %s (%.3f), expected %s (%.3f or more)", v->finding->name, v->probability,
                 name, least);
}

static void test_nothing(void **state)
{
    struct fixture *f = *state;
    double sum = 0;

    reach(f);
    assert_int_equal(f->verdict.result, VERDICT_UNDECIDED);
    leads(f, "as-designed", 0.4);
    for (size_t i = 0; i < f->verdict.findings; i++)
        sum += f->verdict.finding[i].probability;
    assert_true(fabs(sum + f->verdict.unknown_probability - 1) < 1e-9);
    assert_true(says(f, "Nothing has been measured"));
}

/* Common practice, no source: resistance is the same whichever way a limb is wound. */
static void test_resistance_proves_no_direction(void **state)
{
    struct fixture *f = *state;
    double cancel;

    reach(f);
    cancel = f->verdict.cancel_probability;
    add_limbs(&f->set, f->right, f->right, 2 * f->right + 0.05);
    reach(f);
    leads(f, "as-designed", 0.6);
    assert_int_equal(f->verdict.result, VERDICT_UNDECIDED);
    assert_true(f->verdict.direction_open);
    assert_true(f->verdict.cancel_probability > 0.5 * cancel);
    assert_true(says(f, "aiding"));
    /* The poles settle it. */
    add_poles(&f->set, -1);
    add(&f->set, "insulation", "pair", 0);
    reach(f);
    assert_int_equal(f->verdict.result, VERDICT_PASS);
    assert_true(f->verdict.cancel_probability < 0.02);
}

static void test_cancelling(void **state)
{
    struct fixture *f = *state;

    add_limbs(&f->set, f->right, f->right, 2 * f->right + 0.05);
    add_poles(&f->set, 1);
    reach(f);
    leads(f, "cancelling", 0.6);
    assert_int_not_equal(f->verdict.result, VERDICT_PASS);
    /* A second look at the poles makes it sure. */
    add_poles(&f->set, 1);
    reach(f);
    leads(f, "cancelling", 0.8);
    /* What is left is cancelling with something untried besides. */
    assert_true(f->verdict.cancel_probability > 0.98);
    assert_int_equal(f->verdict.result, VERDICT_FAIL);
    assert_true(says(f, "swap the two ends"));
}

static void test_turns_missing(void **state)
{
    struct fixture *f = *state;
    struct verdict_estimate figure[VERDICT_FIGURES_MAX];
    const struct verdict_estimate *e;

    /* 46 turns short on limb B. */
    add_limbs(&f->set, f->right, limb_ohms(454, 0.25e-3) + 0.5 * leads_ohm(),
              f->right + limb_ohms(454, 0.25e-3) + leads_ohm());
    add_poles(&f->set, -1);
    add(&f->set, "wire-mass", "pair",
        limb_mass(500, 0.25e-3) + limb_mass(454, 0.25e-3) + 0.22 / 500 / 0.0366 * 9e-3);
    reach(f);
    leads(f, "turns-b", 0.6);
    assert_int_equal(f->verdict.result, VERDICT_FAIL);
    e = estimate(f, "turns of limb B");
    assert_true(e->low < 454 && e->high > 454);
    assert_true(e->high - e->low < 60);
    assert_true(fabs(e->expected - 500) < 1e-9);
    assert_true(says(f, "limb B"));
    /* What the sentence says of limb B, as numbers. */
    assert_int_equal(verdict_figures(&f->verdict, 0, figure), 1);
    assert_string_equal(figure[0].name, "turns of limb B");
    assert_string_equal(figure[0].unit, "turns");
    assert_true(figure[0].low < 454 && figure[0].high > 454 && figure[0].high < 500);
    assert_int_equal(verdict_figures(&f->verdict, f->verdict.findings, figure), 0);
}

static void test_gauge(void **state)
{
    struct fixture *f = *state;
    double a = limb_ohms(TURNS, 0.224e-3), lead = 0.1 / (58.5e6 * M_PI / 4 * pow(0.224e-3, 2));

    /* One size finer in the R20 series, 0.224 mm. */
    add_limbs(&f->set, a + lead, a + lead, 2 * a + 2.2 * lead);
    add(&f->set, "wire-mass", "pair", 2 * limb_mass(TURNS, 0.224e-3) * 1.006);
    add_poles(&f->set, -1);
    reach(f);
    leads(f, "gauge", 0.6);
    assert_true(strstr(f->verdict.finding[0].text, "0.224 mm") != NULL);
    add(&f->set, "wire-diameter", "pair", 0.225e-3);
    reach(f);
    leads(f, "gauge", 0.9);
    assert_int_equal(f->verdict.result, VERDICT_FAIL);
}

static void test_open(void **state)
{
    struct fixture *f = *state;

    add_limbs(&f->set, f->right, INFINITY, INFINITY);
    reach(f);
    leads(f, "open-b", 0.9);
    assert_int_equal(f->verdict.result, VERDICT_FAIL);
}

/* Of two limbs in parallel the sound one is all that is left: the pair reads as it does. */
static void test_open_in_parallel(void **state)
{
    struct fixture *f = *state;

    f->design.winding.connection = DESIGN_PARALLEL;
    add_limbs(&f->set, INFINITY, f->right, f->right);
    reach(f);
    leads(f, "open-a", 0.9);
    assert_int_equal(f->verdict.result, VERDICT_FAIL);
    assert_int_equal(f->verdict.misfits, 0);
}

static void test_joint(void **state)
{
    struct fixture *f = *state;
    struct verdict_estimate figure[VERDICT_FIGURES_MAX];
    const struct verdict_estimate *e;

    /* Both limbs right, 4.2 ohm too much in the pair. */
    add_limbs(&f->set, f->right, f->right, 2 * f->right + 4.2);
    reach(f);
    leads(f, "joint-pair", 0.5);
    /* One odd reading may be a slip; the same again is a fact. */
    add(&f->set, "resistance", "pair", 2 * f->right + 4.2);
    reach(f);
    leads(f, "joint-pair", 0.8);
    assert_int_equal(f->verdict.result, VERDICT_FAIL);
    e = estimate(f, "resistance of the bad joint");
    assert_true(e->low < 4.2 && e->high > 4.2 && e->high - e->low < 0.5);
    assert_true(e->leading_only);
    assert_int_equal(verdict_figures(&f->verdict, 0, figure), 1);
    assert_string_equal(figure[0].unit, "ohm");
    assert_true(figure[0].low < 4.2 && figure[0].high > 4.2);
    assert_string_equal(estimate(f, "coil temperature")->unit, "degC");
    assert_true(says(f, ") Ω"));
    assert_false(says(f, "ohm"));
}

/* 1000 turns at 0.17 A over twice 2 mm of air and no share for the iron: 53 mT in faces of
 * 78.5 mm2, 0.18 N both together (pull B^2 A / 2 mu0), fringing left out. Over the stated 1 mm it
 * would be four times as much. */
static void test_gap(void **state)
{
    struct fixture *f = *state;
    const struct verdict_estimate *e;
    struct status st;

    f->design.core.gap = amount_of(1e-3, 0.05e-3);
    assert_int_equal(design_check(&f->design, &st), STATUS_OK);
    add_limbs(&f->set, f->right, f->right, 2 * f->right + 0.05);
    add_poles(&f->set, -1);
    for (int i = 0; i < 3; i++) {
        struct evidence_record r = evidence_record_empty();

        r.quantity = "pull";
        r.value = 0.18;
        r.at.current = 0.17;
        r.at.keeper = true;
        assert_int_equal(evidence_add(&f->set, &r, &st), STATUS_OK);
    }
    reach(f);
    leads(f, "gap", 0.5);
    e = estimate(f, "air at each pole");
    assert_true(fabs(e->expected - 1e-3) < 1e-9);
    assert_true(e->low > 0 && e->low < e->median && e->median < e->high);
    printf("gap %.3g (%.3g to %.3g) mm\n", 1e3 * e->median, 1e3 * e->low, 1e3 * e->high);
    assert_true(e->low < 2e-3 && e->high > 2e-3 && e->median > 1.2e-3);
    assert_true(says(f, "mm of air at each pole, stated 1 mm"));
}

static void test_bypassed(void **state)
{
    struct fixture *f = *state;

    add_limbs(&f->set, 0.04, f->right, f->right + 0.06);
    reach(f);
    leads(f, "bypassed-a", 0.8);
    assert_int_equal(f->verdict.result, VERDICT_FAIL);
}

/* Shorted and missing turns read the same on the meter; the scale tells them apart. */
static void test_shorted(void **state)
{
    struct fixture *f = *state;
    double both;

    add_limbs(&f->set, limb_ohms(420, 0.25e-3) + 0.5 * leads_ohm(), f->right,
              limb_ohms(420, 0.25e-3) + f->right + leads_ohm());
    add_poles(&f->set, -1);
    reach(f);
    both = verdict_fault_probability(&f->verdict, FINDING_SHORTED_A) +
           verdict_fault_probability(&f->verdict, FINDING_TURNS_A);
    assert_true(both > 0.9);
    assert_true(verdict_fault_probability(&f->verdict, FINDING_SHORTED_A) < 0.8);
    add(&f->set, "wire-mass", "pair", 2 * limb_mass(TURNS, 0.25e-3) * 1.006);
    add(&f->set, "wire-diameter", "pair", 0.25e-3);
    reach(f);
    leads(f, "shorted-a", 0.8);
}

/* A slipped decimal is named and does not carry the verdict with it. */
static void test_mistake(void **state)
{
    struct fixture *f = *state;

    add_limbs(&f->set, f->right, 10 * f->right, 2 * f->right + 0.05);
    add_poles(&f->set, -1);
    add(&f->set, "wire-mass", "pair", 2 * limb_mass(TURNS, 0.25e-3) * 1.006);
    reach(f);
    leads(f, "as-designed", 0.6);
    assert_int_equal(f->verdict.misfits, 1);
    assert_int_equal(f->verdict.misfit[0].item, 1);
    assert_true(f->verdict.misfit[0].probability > 0.9);
    assert_true(says(f, "does not fit the rest"));
}

/* Two figures that slipped alike hide each other: the sound coil must not be lost behind them.
 * Common practice, no source: a caliper noted in centimetres is off by ten on both limbs. */
static void test_two_alike(void **state)
{
    struct fixture *f = *state;

    add_limbs(&f->set, f->right, f->right, 2 * f->right + 0.05);
    add_poles(&f->set, -1);
    add(&f->set, "wire-mass", "pair", 2 * limb_mass(TURNS, 0.25e-3));
    add(&f->set, "diameter", "a", 0.144);
    add(&f->set, "diameter", "b", 0.1464);
    reach(f);
    leads(f, "as-designed", 0.5);
    assert_int_equal(f->verdict.slips, 2);
    assert_int_equal(f->verdict.result, VERDICT_UNDECIDED);
    assert_true(f->verdict.pass_probability > 0.8);
}

/* Figures that belong to no such coil at all. */
static void test_unexplained(void **state)
{
    struct fixture *f = *state;

    add_limbs(&f->set, 311, 2.7, 44);
    add(&f->set, "wire-mass", "pair", 0.45);
    add(&f->set, "wire-diameter", "pair", 0.61e-3);
    reach(f);
    assert_int_equal(f->verdict.result, VERDICT_UNDECIDED);
    assert_true(f->verdict.unexplained);
    assert_true(says(f, "None of the findings"));
}

/* A bar of one limb, of so many turns of that wire. */
static void make_bar(struct fixture *f, const char *wire, double turns)
{
    struct status st;
    char warning[256];

    f->design.core.form = DESIGN_BAR;
    f->design.winding.turns[0] = amount_of(turns, 0);
    f->design.winding.turns[1] = amount_none();
    assert_int_equal(
        wire_from_text(wire, WIRE_ENAMEL_1, &f->design.winding.wire, warning, sizeof warning, &st),
        STATUS_OK);
    design_complete(&f->design);
    assert_int_equal(design_check(&f->design, &st), STATUS_OK);
}

static void add_two_wire(struct evidence_set *set, double ohm)
{
    struct evidence_record r = evidence_record_empty();
    struct status st;

    r.quantity = "resistance";
    r.place = "a";
    r.value = ohm;
    r.wires = 2;
    r.instrument = "meter";
    r.resolution = 0.1;
    if (evidence_add(set, &r, &st) != STATUS_OK)
        fail_msg("%s", st.text);
}

/* Common practice, no source: a hand meter with its leads tells next to nothing of 60 turns of
 * thick wire. Nothing speaks against the coil, but nothing speaks for it either: no pass, and what
 * to measure next is named. */
static void test_no_pass_on_priors(void **state)
{
    struct fixture *f = *state;
    struct advise_option option[ADVISE_MAX];
    struct advise_result r;
    struct status st;
    size_t n;

    make_bar(f, "0.8 mm", 60);
    /* 60 turns of 34 mm mean turn: 0.07 ohm. */
    add_two_wire(&f->set, 0.1);
    reach(f);
    leads(f, "as-designed", 0.4);
    assert_int_not_equal(f->verdict.result, VERDICT_PASS);
    n = advise_usual(&f->design, option, ADVISE_MAX);
    assert_int_equal(advise_next(&f->verdict, &f->set, option, n, &r, &st), STATUS_OK);
    assert_false(r.enough);
    assert_non_null(strstr(r.line, "Next:"));
}

/* One resistance, without a thermometer, of turns thrown on anyhow: nothing speaks against the
 * coil, and it was likely to be right beforehand; but 6 % of the turns missing would read much the
 * same. The measurements have yet to show that they are there. */
static void test_priors_do_not_pass(void **state)
{
    struct fixture *f = *state;
    struct advise_option option[ADVISE_MAX];
    struct advise_result r;
    struct evidence_record ohm = evidence_record_empty();
    struct status st;
    size_t n;

    f->design.winding.layers = DESIGN_SCRAMBLE;
    f->design.winding.fill = amount_of(0.45, 0.06);
    make_bar(f, "0.25 mm", 2000);
    reach(f);
    ohm.quantity = "resistance";
    ohm.place = "a";
    ohm.instrument = "meter";
    ohm.value = estimate(f, "resistance of limb A at 20 C")->expected;
    assert_int_equal(evidence_add(&f->set, &ohm, &st), STATUS_OK);
    add(&f->set, "insulation", "pair", 0);
    reach(f);
    leads(f, "as-designed", 0.5);
    assert_int_equal(f->verdict.result, VERDICT_UNDECIDED);
    assert_true(f->verdict.pass_probability > f->verdict.limits.sure);
    assert_non_null(f->verdict.doubt);
    assert_true(f->verdict.doubt->faults &
                (FINDING_TURNS_ALIKE | FINDING_GAUGE | FINDING_SHORTED_A));
    assert_true(says(f, "nothing speaks against"));
    n = advise_usual(&f->design, option, ADVISE_MAX);
    assert_int_equal(advise_next(&f->verdict, &f->set, option, n, &r, &st), STATUS_OK);
    assert_false(r.enough);
    assert_non_null(strstr(r.line, "Next:"));
}

/* A bar has no second limb to compare with: some shorted turns pass for tolerance, and are said to.
 */
static void test_pass_says_what_it_does_not_show(void **state)
{
    struct fixture *f = *state;

    make_bar(f, "0.25 mm", TURNS);
    add(&f->set, "resistance", "a", f->right + 0.5 * leads_ohm());
    add(&f->set, "insulation", "pair", 0);
    reach(f);
    assert_int_equal(f->verdict.result, VERDICT_PASS);
    assert_true(f->verdict.shorted_hidden > f->verdict.limits.shorted);
    assert_true(f->verdict.shorted_hidden < 0.15);
    assert_true(says(f, "Would not show in these readings: fewer than about"));
    assert_true(says(f, "Not tried: iron"));
}

/* Kilohms noted as ohms: the instrument, or one figure, is named, and the coil is not failed. */
static void test_unit_mistaken(void **state)
{
    struct fixture *f = *state;

    add_limbs(&f->set, f->right / 1000, f->right / 1000, 2 * f->right / 1000);
    add_poles(&f->set, -1);
    reach(f);
    leads(f, "meter", 0.5);
    assert_int_not_equal(f->verdict.result, VERDICT_FAIL);
    assert_true(says(f, "unit"));
    /* One of them only. */
    evidence_clear(&f->set);
    add_limbs(&f->set, f->right, 1000 * f->right, 2 * f->right + 0.05);
    add_poles(&f->set, -1);
    reach(f);
    leads(f, "as-designed", 0.5);
    assert_int_equal(f->verdict.misfits, 1);
    /* The only one there is. */
    evidence_clear(&f->set);
    make_bar(f, "0.25 mm", TURNS);
    add(&f->set, "resistance", "a", 1000 * f->right);
    reach(f);
    assert_int_equal(f->verdict.result, VERDICT_UNDECIDED);
}

/* The pole of a bar depends on which end is the start: worth saying, and no fault. */
static void test_bar_reversed(void **state)
{
    struct fixture *f = *state;

    make_bar(f, "0.25 mm", TURNS);
    add(&f->set, "resistance", "a", f->right + 0.5 * leads_ohm());
    add(&f->set, "insulation", "pair", 0);
    add(&f->set, "polarity", "a", 1);
    reach(f);
    assert_int_equal(f->verdict.result, VERDICT_PASS);
    assert_false(says(f, "south pole"));
    f->set.count--;
    add(&f->set, "polarity", "a", -1);
    reach(f);
    assert_int_equal(f->verdict.result, VERDICT_PASS);
    assert_true(says(f, "south pole"));
    assert_true(says(f, "swap the two ends"));
}

static void test_same_answer(void **state)
{
    struct fixture *f = *state;
    struct verdict again;
    struct verdict_options o = verdict_options_default(&f->design);
    struct status st;

    add_limbs(&f->set, f->right, f->right, 2 * f->right + 0.05);
    reach(f);
    assert_int_equal(verdict_reach(&f->design, &f->set, &o, &again, &st), STATUS_OK);
    assert_true(again.pass_probability == f->verdict.pass_probability);
    assert_true(again.finding[0].probability == f->verdict.finding[0].probability);
    assert_true(again.probability_u < 0.05);
    verdict_free(&again);
}

/* Limits of the design are used; without them the trade's are, and are said to be. */
static void test_limits(void **state)
{
    struct fixture *f = *state;

    add_limbs(&f->set, f->right, f->right, 2 * f->right + 0.05);
    reach(f);
    assert_true(says(f, "trade default"));
    f->design.limits.turns = amount_of(0.03, 0);
    f->design.limits.resistance = amount_of(0.04, 0);
    reach(f);
    assert_false(says(f, "trade default"));
    assert_true(f->verdict.limits.turns == 0.03);
}

static void test_bad_input(void **state)
{
    struct fixture *f = *state;
    struct verdict_options o;
    struct status st;
    struct verdict v;

    add_limbs(&f->set, f->right, f->right, 2 * f->right);
    f->design.core.form = DESIGN_BAR;
    f->design.winding.turns[1] = amount_of(0, 0);
    o = verdict_options_default(&f->design);
    assert_int_equal(verdict_reach(&f->design, &f->set, &o, &v, &st), STATUS_INPUT);
    assert_non_null(strstr(st.text, "one limb"));
    verdict_free(&v);
}

/* What a shop has learnt sharpens the verdict: the interval of the turns shrinks. */
static void test_learnt(void **state)
{
    struct fixture *f = *state;
    struct verdict_options o = verdict_options_default(&f->design);
    struct verdict sharp;
    struct status st;
    const struct verdict_estimate *e;
    double before, after = 0;

    /* Turns wrong throughout: resistance alone mixes turns, mean turn and wire. */
    add_limbs(&f->set, 1.12 * f->right, 1.12 * f->right, 2.24 * f->right + 0.05);
    add(&f->set, "wire-diameter", "pair", 0.25e-3);
    reach(f);
    e = estimate(f, "resistance per metre against table");
    before = e->high - e->low;
    o.learnt.wire_lot = 0.001;
    o.learnt.wire_lot_u = 0.002;
    assert_int_equal(verdict_reach(&f->design, &f->set, &o, &sharp, &st), STATUS_OK);
    for (size_t i = 0; i < sharp.estimates; i++)
        if (strcmp(sharp.estimate[i].name, e->name) == 0)
            after = sharp.estimate[i].high - sharp.estimate[i].low;
    assert_true(after > 0 && after < before);
    verdict_free(&sharp);
}

/* Probabilities are probabilities whatever the design and whatever was measured. */
static void sane(const struct fixture *f)
{
    double sum = f->verdict.unknown_probability;

    for (size_t i = 0; i < f->verdict.findings; i++) {
        double p = f->verdict.finding[i].probability;

        assert_true(p >= 0 && p <= 1);
        assert_true(i == 0 || p <= f->verdict.finding[i - 1].probability);
        assert_true(f->verdict.finding[i].text[0]);
        sum += p;
    }
    assert_true(fabs(sum - 1) < 1e-9);
    assert_true(f->verdict.pass_probability >= 0 && f->verdict.pass_probability <= 1);
    for (size_t i = 0; i < f->verdict.estimates; i++) {
        assert_true(f->verdict.estimate[i].low <= f->verdict.estimate[i].median);
        assert_true(f->verdict.estimate[i].median <= f->verdict.estimate[i].high);
    }
}

static void add_of_each_kind(struct evidence_set *set, bool two)
{
    static const struct {
        const char *quantity, *place;
        double value;
    } list[] = {
        {"resistance", "a", 9},
        {"insulation", "pair", 3e6},
        {"current", "pair", 0.17},
        {"sag", "pair", 0.2},
        {"inductance", "pair", 0.06},
        {"second-time", "pair", 2e-3},
        {"polarity", "a", -1},
        {"wire-mass", "pair", 0.04},
        {"diameter", "a", 13e-3},
        {"wire-diameter", "pair", 2.5e-4},
        {"lift", "pair", 5},
        {"pull", "pair", 6},
        {"residual-pull", "pair", 0.1},
        {"drift", "pair", -0.004},
    };

    for (size_t i = 0; i < sizeof list / sizeof *list; i++) {
        struct evidence_record r = evidence_record_empty();
        struct status st;

        r.quantity = list[i].quantity;
        r.place = list[i].place;
        r.value = list[i].value;
        r.at.voltage = 3;
        r.at.current = 0.17;
        r.at.source_ohm = 1;
        r.at.duration = 300;
        r.at.gap = i % 2 ? 0 : 0.2e-3;
        r.at.keeper = i % 3 == 0;
        assert_int_equal(evidence_add(set, &r, &st), STATUS_OK);
    }
    if (two)
        add(set, "polarity", "b", 1);
}

static void test_every_kind_and_design(void **state)
{
    struct fixture *f = *state;
    const struct design plain = f->design;
    struct status st;
    char warning[256];

    for (int form = 0; form < 7; form++) {
        struct design *d = &f->design;
        bool two = true;

        *d = plain;
        switch (form) {
        case 0:
            d->core.form = DESIGN_BAR;
            d->winding.turns[1] = amount_of(0, 0);
            two = false;
            break;
        case 1:
            d->core.form = DESIGN_U_BENT;
            break;
        case 2:
            d->winding.connection = DESIGN_PARALLEL;
            break;
        case 3:
            d->winding.layers = DESIGN_SCRAMBLE;
            d->winding.fill = amount_of(0.55, 0.05);
            break;
        case 4:
            assert_int_equal(wire_from_text("33 SWG", WIRE_COTTON_SINGLE, &d->winding.wire, warning,
                                            sizeof warning, &st),
                             STATUS_OK);
            break;
        case 5:
            assert_int_equal(wire_from_text("7 x 0.1 mm", WIRE_SILK_SINGLE, &d->winding.wire,
                                            warning, sizeof warning, &st),
                             STATUS_OK);
            break;
        default: /* no supply, no keeper */
            d->supply.voltage = amount_none();
            d->core.keeper.width = d->core.keeper.depth = amount_none();
            d->core.keeper_length = amount_none();
            break;
        }
        design_complete(d);
        assert_int_equal(design_check(d, &st), STATUS_OK);
        evidence_clear(&f->set);
        if (form == 6)
            add_limbs(&f->set, 9, 9, 18);
        else
            add_of_each_kind(&f->set, two);
        reach(f);
        sane(f);
    }
}

/* ---- verdict, findings and reasons are one story ---- */

/* Right turns of the right wire, both limbs 5 % over in ohms, and they do not cool: beyond a limit
 * of 2 %, with nothing wrong in the winding. It fails by that figure, and says so everywhere. */
static void test_fails_by_a_figure(void **state)
{
    struct evidence_record drift = evidence_record_empty();
    struct fixture *f = *state;
    struct status st;

    f->design.limits.resistance = amount_of(0.02, 0);
    add_limbs(&f->set, 1.05 * f->right, 1.05 * f->right, 2.1 * f->right + 0.05);
    add_poles(&f->set, -1);
    add(&f->set, "wire-mass", "pair", 2 * limb_mass(TURNS, 0.25e-3));
    drift.quantity = "drift";
    drift.place = "pair";
    drift.value = 0;
    drift.at.duration = 600;
    assert_int_equal(evidence_add(&f->set, &drift, &st), STATUS_OK);
    reach(f);
    leads(f, "as-designed", 0.4);
    assert_true(f->verdict.pass_probability < 0.5);
    assert_non_null(strstr(f->verdict.finding[0].text, "2 % is allowed"));
    assert_null(strstr(f->verdict.finding[0].text, "as designed"));
    assert_int_equal(f->verdict.result, VERDICT_FAIL);
    assert_true(says(f, "No fault of the winding"));
}

/* A warm coil is no failed coil: its ohms count at 20 C. */
static void test_warm_is_no_failure(void **state)
{
    struct fixture *f = *state;
    const double warm = 1 + 0.00393 * 25; /* IEC 60028, 25 K */

    add_limbs(&f->set, warm * f->right, warm * f->right, warm * (2 * f->right + 0.05));
    add_poles(&f->set, -1);
    add(&f->set, "wire-mass", "pair", 2 * limb_mass(TURNS, 0.25e-3));
    reach(f);
    leads(f, "warm", 0.8);
    assert_int_not_equal(f->verdict.result, VERDICT_FAIL);
    assert_true(f->verdict.pass_probability > 0.9);
    assert_true(says(f, "let it stand"));
    assert_false(says(f, "nothing speaks against"));
}

/* The wire is part of the design: ohms within their limit do not make another gauge pass. */
static void test_other_wire_does_not_pass(void **state)
{
    struct fixture *f = *state;

    f->design.limits.resistance = amount_of(0.5, 0);
    add_limbs(&f->set, limb_ohms(TURNS, 0.224e-3), limb_ohms(TURNS, 0.224e-3),
              2 * limb_ohms(TURNS, 0.224e-3) + 0.05);
    add_poles(&f->set, -1);
    add(&f->set, "wire-mass", "pair", 2 * limb_mass(TURNS, 0.224e-3));
    reach(f);
    leads(f, "gauge", 0.9);
    assert_int_equal(f->verdict.result, VERDICT_FAIL);
}

/* Two readings of another coil, against a limb and the pair of this one: more than slips. */
static void test_readings_contradict(void **state)
{
    struct fixture *f = *state;

    add_limbs(&f->set, f->right, f->right, 2 * f->right + 0.05);
    add_poles(&f->set, -1);
    add(&f->set, "wire-mass", "pair", 2 * limb_mass(TURNS, 0.25e-3));
    add(&f->set, "resistance", "b", 0.48 * f->right);
    add(&f->set, "resistance", "b", 0.481 * f->right);
    reach(f);
    assert_true(f->verdict.slips >= 2 || f->verdict.unexplained);
    assert_int_equal(f->verdict.result, VERDICT_UNDECIDED);
    assert_true(says(f, "contradict") || says(f, "None of the findings"));
}

/* Each sentence of a pass on ohms and poles alone: what was tried, and what was not. */
static void test_pass_says_what_was_tried(void **state)
{
    struct fixture *f = *state;

    add_limbs(&f->set, f->right, f->right, 2 * f->right + 0.05);
    add_poles(&f->set, -1);
    add(&f->set, "insulation", "pair", 0);
    reach(f);
    assert_int_equal(f->verdict.result, VERDICT_PASS);
    assert_true(says(f, "as far as was tried"));
    assert_true(says(f, "direction"));
    assert_true(says(f, "Not tried: iron and gap"));
    /* What nothing measured could show is no rival in a sentence. */
    assert_false(says(f, "Or: the gap is larger"));
}

/* ---- advice ---- */

static double bits_of(const struct advise_option *option, const struct advise_result *r,
                      const char *name)
{
    for (size_t i = 0; i < r->gains; i++)
        if (strcmp(option[r->gain[i].option].name, name) == 0)
            return r->gain[i].bits;
    fail_msg("no gain of %s", name);
    return 0;
}

static void test_advice(void **state)
{
    struct fixture *f = *state;
    struct advise_option option[ADVISE_MAX];
    struct advise_result r;
    struct status st;
    size_t n = advise_usual(&f->design, option, ADVISE_MAX);
    const char *poles = "polarity of both poles with a compass";
    const char *micrometer = "bare wire at a lead with a micrometer";
    double poles_before;

    assert_true(n >= 8);
    /* Right by resistance: only the direction is open, and the poles tell it. */
    add_limbs(&f->set, f->right, f->right, 2 * f->right + 0.05);
    add(&f->set, "insulation", "pair", 0);
    reach(f);
    assert_int_equal(advise_next(&f->verdict, &f->set, option, n, &r, &st), STATUS_OK);
    poles_before = bits_of(option, &r, poles);
    assert_true(poles_before > 0.2);
    assert_true(poles_before > bits_of(option, &r, micrometer));
    assert_false(r.enough);
    assert_non_null(strstr(r.line, "Next:"));
    /* Best first; of those near the best, the one that a bench takes first. */
    assert_true(r.gain[0].worth_a_minute >= 0.9 * r.gain[1].worth_a_minute);
    for (size_t i = 2; i < r.gains; i++) {
        assert_true(r.gain[i - 1].worth_a_minute >= r.gain[i].worth_a_minute);
        if (r.gain[i].worth_a_minute >= 0.9 * r.gain[1].worth_a_minute)
            assert_true(r.gain[0].option < r.gain[i].option);
    }
    /* Information cannot exceed what is open. */
    for (size_t i = 0; i < r.gains; i++)
        assert_true(r.gain[i].bits <= r.entropy + 1e-9);
    /* Once seen, the poles have little more to tell, and the verdict stands. */
    add_poles(&f->set, -1);
    reach(f);
    assert_int_equal(advise_next(&f->verdict, &f->set, option, n, &r, &st), STATUS_OK);
    assert_true(bits_of(option, &r, poles) < 0.3 * poles_before);
    assert_true(r.enough);
}

/* Common practice, no source: a compass comes first on two limbs of which nothing is known but the
 * ohms; a limb that cancels is the worst of faults, and no meter shows it. */
static void test_poles_before_insulation(void **state)
{
    struct fixture *f = *state;
    struct advise_option option[ADVISE_MAX];
    struct advise_result r;
    struct status st;
    size_t n = advise_usual(&f->design, option, ADVISE_MAX);

    add_limbs(&f->set, f->right, f->right, 2 * f->right + 0.05);
    reach(f);
    assert_int_equal(advise_next(&f->verdict, &f->set, option, n, &r, &st), STATUS_OK);
    assert_string_equal(option[r.gain[0].option].name, "polarity of both poles with a compass");
    /* No test of the insulation tells more than whether it leaks. */
    assert_true(bits_of(option, &r, "insulation from the winding to the core") < 0.25);
}

static void test_advice_for_gauge(void **state)
{
    struct fixture *f = *state;
    struct advise_option option[ADVISE_MAX];
    struct advise_result r;
    struct status st;
    size_t n = advise_usual(&f->design, option, ADVISE_MAX);

    /* Too high by a quarter on both limbs: gauge or turns. Weight or micrometer tells. */
    add_limbs(&f->set, 1.25 * f->right, 1.25 * f->right, 2.5 * f->right + 0.05);
    add_poles(&f->set, -1);
    reach(f);
    assert_int_equal(advise_next(&f->verdict, &f->set, option, n, &r, &st), STATUS_OK);
    assert_true(bits_of(option, &r, "weight of the wire (coil less bare core)") > 0.4);
    assert_true(bits_of(option, &r, "bare wire at a lead with a micrometer") > 0.4);
    assert_true(bits_of(option, &r, "polarity of both poles with a compass") < 0.1);
    option[0].minutes = 0;
    assert_int_equal(advise_next(&f->verdict, &f->set, option, n, &r, &st), STATUS_INPUT);
}

#define TEST(f) cmocka_unit_test_setup_teardown(f, set_up, tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        TEST(test_nothing),
        TEST(test_resistance_proves_no_direction),
        TEST(test_cancelling),
        TEST(test_turns_missing),
        TEST(test_gauge),
        TEST(test_open),
        TEST(test_joint),
        TEST(test_gap),
        TEST(test_bypassed),
        TEST(test_shorted),
        TEST(test_mistake),
        TEST(test_two_alike),
        TEST(test_unexplained),
        TEST(test_no_pass_on_priors),
        TEST(test_priors_do_not_pass),
        TEST(test_pass_says_what_it_does_not_show),
        TEST(test_unit_mistaken),
        TEST(test_bar_reversed),
        TEST(test_same_answer),
        TEST(test_limits),
        TEST(test_bad_input),
        TEST(test_learnt),
        TEST(test_every_kind_and_design),
        TEST(test_advice),
        TEST(test_advice_for_gauge),
        TEST(test_poles_before_insulation),
        TEST(test_fails_by_a_figure),
        TEST(test_warm_is_no_failure),
        TEST(test_other_wire_does_not_pass),
        TEST(test_readings_contradict),
        TEST(test_pass_says_what_was_tried),
        TEST(test_open_in_parallel),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
