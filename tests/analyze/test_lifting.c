/* What lift trials say together, and a person's words for a load. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>

#include <cmocka.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/coilbook.h"
#include "analyze/designfile.h"
#include "analyze/lifting.h"
#include "analyze/lifttrial.h"

#define POUND 4.4482216152605 /* N, avoirdupois pound at 9.80665 m/s2, exact by definition */

static bool near(double a, double b, double within)
{
    bool is = fabs(a - b) <= within;

    if (!is)
        print_error("%.9g is not %.9g within %g\n", a, b, within);
    return is;
}

static struct units *open_units(void)
{
    struct units *units;
    struct status st;

    assert_int_equal(units_open(&units, &st), STATUS_OK);
    return units;
}

static void test_load_words(void **state)
{
    const struct {
        const char *text;
        double newton, u;
        bool more;
    } good[] = {
        {"1 kg", 9.80665, 0.0980665, false},
        {"9 N", 9, 0.09, false},
        {"2.5 lb", 2.5 * POUND, 0.025 * POUND, false},
        {"2 lb 4 oz", 2.25 * POUND, 0.0225 * POUND, false},
        {"1 kg + 4 oz", 9.80665 + 0.25 * POUND, hypot(0.0980665, 0.0025 * POUND), false},
        {"1 kg +- 30 g", 9.80665, 0.03 * 9.80665 / sqrt(3), false},
        {"500 g +/- 9 g + 500 g +- 12 g", 9.80665, 0.015 * 9.80665 / sqrt(3), false},
        {"more than 5 kg", 49.03325, 0.4903325, true},
        {"> 5 kg", 49.03325, 0.4903325, true},
        {"between 1 kg and 1.2 kg", 1.1 * 9.80665, hypot(0.1 * 9.80665 / sqrt(3), 0.011 * 9.80665),
         false},
    };
    static const char *const bad[] = {
        "",          "kg",           "-1 kg",   "1 kg +",
        "5",         "1 stones",     "0 kg",    "between 2 kg and 1 kg",
        "1 m",       "between 1 kg", "> -2 kg", "1 kg + -1 N",
        "1 kg, 2 kg"};
    struct units *units = open_units();
    struct lifttrial t;
    struct status st;

    (void)state;
    for (size_t i = 0; i < sizeof good / sizeof *good; ++i) {
        lifttrial_init(&t);
        if (lifttrial_load(units, good[i].text, &t, &st) != STATUS_OK)
            fail_msg("%s: %s", good[i].text, st.text);
        assert_true(near(t.load, good[i].newton, 1e-9 * good[i].newton));
        assert_true(near(t.load_u, good[i].u, 1e-9));
        assert_int_equal(t.more_than, good[i].more);
    }
    for (size_t i = 0; i < sizeof bad / sizeof *bad; ++i) {
        lifttrial_init(&t);
        if (lifttrial_load(units, bad[i], &t, &st) != STATUS_INPUT)
            fail_msg("took '%s'", bad[i]);
        assert_true(strlen(st.text) > 10);
    }
    units_close(units);
}

static void test_gap_words(void **state)
{
    struct units *units = open_units();
    struct lifttrial t;
    struct status st;

    (void)state;
    lifttrial_init(&t);
    assert_int_equal(lifttrial_gap(units, "0.5 mm brass", &t, &st), STATUS_OK);
    assert_true(near(t.conditions.gap, 0.5e-3, 1e-12));
    assert_string_equal(t.shim, "brass");
    assert_int_equal(lifttrial_gap(units, "2 thou feeler gauge", &t, &st), STATUS_OK);
    assert_true(near(t.conditions.gap, 50.8e-6, 1e-12)); /* inch: 25.4 mm exactly */
    assert_string_equal(t.shim, "feeler gauge");
    assert_int_equal(lifttrial_gap(units, "contact", &t, &st), STATUS_OK);
    assert_true(t.conditions.gap == 0 && t.shim[0] == '\0');
    assert_int_equal(lifttrial_gap(units, "brass", &t, &st), STATUS_INPUT);
    assert_int_equal(lifttrial_gap(units, "-0.1 mm", &t, &st), STATUS_INPUT);
    assert_int_equal(lifttrial_gap(units, "90 mm", &t, &st), STATUS_INPUT);
    units_close(units);
}

/* ---- a study ---- */

/* A two-limb magnet of a thousand turns on a 10 mm core, with a 17 ohm winding on 3 V. */
static const char design_text[] = "[coil]\n"
                                  "name = bench\n"
                                  "[core]\n"
                                  "form = yoke\n"
                                  "iron = annealed soft iron\n"
                                  "limb = round 10 mm\n"
                                  "limb length = 18 mm\n"
                                  "spacing = 24 mm\n"
                                  "yoke = rectangular 14 mm x 6 mm\n"
                                  "[keeper]\n"
                                  "section = rectangular 14 mm x 6 mm\n"
                                  "length = 36 mm\n"
                                  "gap = 0 mm\n"
                                  "roughness = 0.05 mm +- 0.03 mm\n"
                                  "[wire]\n"
                                  "size = 0.25 mm\n"
                                  "covering = enamel 1\n"
                                  "[winding]\n"
                                  "turns = 500\n"
                                  "layers = square\n"
                                  "wound length = 12.5 mm\n"
                                  "wrap = 1.0 mm\n"
                                  "[supply]\n"
                                  "voltage = 3 V\n";

static void make_entry(struct coilbook_entry *entry)
{
    struct designfile_warnings *warnings = calloc(1, sizeof *warnings);
    struct units *units = open_units();
    struct coil *coil;
    struct status st;

    memset(entry, 0, sizeof *entry);
    if (designfile_parse(units, "test", design_text, &entry->design, warnings, &st) != STATUS_OK)
        fail_msg("%s", st.text);
    assert_int_equal(coil_new(&entry->design, &coil, &st), STATUS_OK);
    entry->design = *coil_design(coil);
    coil_free(coil);
    free(warnings);
    units_close(units);
}

static void add(struct gathered *g, double newton, bool more, enum evidence_outcome outcome,
                double current)
{
    struct evidence_record r = evidence_record_empty();
    struct status st;

    r.quantity = "lift";
    r.place = "pair";
    r.value = newton;
    r.u = 0.01 * newton;
    r.overload = more;
    r.outcome = outcome;
    r.at.current = current;
    r.at.gap = 0;
    r.at.keeper = true;
    r.at.temperature = 20;
    if (evidence_add(&g->evidence, &r, &st) != STATUS_OK)
        fail_msg("%s", st.text);
    g->source[g->evidence.count - 1] = (int64_t)g->evidence.count;
}

static struct lifting *study(const struct coilbook_entry *entry, const struct gathered *g)
{
    struct lifting_options options = lifting_options_default();
    struct lifting *l = NULL;
    struct status st;

    if (lifting_from(entry, g, &options, &l, &st) != STATUS_OK)
        fail_msg("%s", st.text);
    return l;
}

/* Common practice, no source: such a magnet on 3 V (176 mA in 17 ohm) lifts more than the 2.5 lb at
 * which the scale ends, if its faces sit well. As a trial it bounds the pull from below and the air
 * from above: faces that a file leaves have less than that. */
static void test_common_practice(void **state)
{
    struct coilbook_entry *entry = calloc(1, sizeof *entry);
    struct gathered *g = calloc(1, sizeof *g);
    struct lifting *l;

    (void)state;
    make_entry(entry);
    evidence_clear(&g->evidence);
    add(g, 2.5 * POUND, true, EVIDENCE_HELD, 3.0 / 17.0);
    l = study(entry, g);
    print_message("held more than 2.5 lb at %.1f mA: pull at least %.2f N, air at most %.3f mm\n",
                  1e3 * l->current, l->pull.low, 1e3 * l->contact.high);
    assert_int_equal(l->fit.kind, LIFT_AT_LEAST);
    assert_true(isnan(l->pull.value) && isinf(l->pull.high) && isnan(l->contact.value));
    assert_true(l->pull.low > 0.85 * 2.5 * POUND && l->pull.low < 2.5 * POUND);
    /* consistent with the model at a gap that a filed face can have (0.02 to 0.2 mm) */
    assert_int_equal(l->hint, LIFTING_AGREES);
    assert_true(l->contact.high > 0.2e-3 && l->contact.high < 0.6e-3);
    assert_true(lifting_pull(&entry->design, l->current, 0, 0.1e-3) > 2.5 * POUND);
    assert_true(lifting_pull(&entry->design, l->current, 0, 0.6e-3) < 2.5 * POUND);
    /* with one limb cancelling the model has nowhere near it, whatever the faces */
    assert_true(l->cancelling < 0.1 * 2.5 * POUND);
    lifting_free(l);
    free(g);
    free(entry);
}

/* Trials made from the model's own pull at a known air: the study must find that air again. This
 * checks the inversion, not the physics. */
static void test_inversion(void **state)
{
    struct coilbook_entry *entry = calloc(1, sizeof *entry);
    struct gathered *g = calloc(1, sizeof *g);
    struct lifting *l;

    (void)state;
    make_entry(entry);
    for (int k = 0; k < 3; ++k) {
        double air = (double[]){0.03e-3, 0.12e-3, 0.8e-3}[k];
        double pull = lifting_pull(&entry->design, 0.17, 0, air);

        evidence_clear(&g->evidence);
        for (int i = -4; i < 4; ++i) {
            double load = pull * exp(0.05 * (i + 0.5));
            double current = 0.17 * (1 + 0.02 * (i % 2)); /* it must be brought to one current */

            load *= pow(current / 0.17, 1.0);
            add(g, load, false,
                load < lifting_pull(&entry->design, current, 0, air) ? EVIDENCE_HELD
                                                                     : EVIDENCE_NOT_LIFTED,
                current);
        }
        l = study(entry, g);
        assert_int_equal(l->fit.kind, LIFT_INTERVAL);
        assert_true(l->contact.low < air && air < l->contact.high);
        assert_true(near(l->contact.value, air, 0.25 * air + 5e-6));
        assert_int_equal(l->hint, k == 2 ? LIFTING_WIDE_GAP : LIFTING_AGREES);
        assert_true(near(l->safe, l->worst_pull.low / 3.0, 1e-9));
        lifting_free(l);
    }
    free(g);
    free(entry);
}

/* Far too weak, far too strong, never tried. */
static void test_hints(void **state)
{
    struct coilbook_entry *entry = calloc(1, sizeof *entry);
    struct gathered *g = calloc(1, sizeof *g);
    struct lifting *l;

    (void)state;
    make_entry(entry);
    evidence_clear(&g->evidence);
    l = study(entry, g);
    assert_int_equal(l->fit.kind, LIFT_NOTHING);
    assert_int_equal(l->hint, LIFTING_NO_HINT);
    assert_true(isnan(l->pull.value) && isnan(l->safe) && l->predicted.value > 0);
    lifting_free(l);
    add(g, 0.05, false, EVIDENCE_HELD, 0.176);
    add(g, 0.1, false, EVIDENCE_NOT_LIFTED, 0.176);
    l = study(entry, g);
    assert_int_equal(l->hint, LIFTING_TOO_WEAK);
    lifting_free(l);
    evidence_clear(&g->evidence);
    add(g, 400, false, EVIDENCE_HELD, 0.176);
    l = study(entry, g);
    assert_int_equal(l->hint, LIFTING_TOO_STRONG);
    /* no load is named by a design that the trials contradict */
    assert_true(isnan(l->safe) && isnan(l->worst_pull.value) && l->worst_pull.low <= 0);
    lifting_free(l);
    /* tried at a fifth of the working current: what nobody tried is not called safe */
    evidence_clear(&g->evidence);
    add(g, 0.8 * lifting_pull(&entry->design, 0.035, 0, 0.05e-3), false, EVIDENCE_HELD, 0.035);
    add(g, 1.2 * lifting_pull(&entry->design, 0.035, 0, 0.05e-3), false, EVIDENCE_NOT_LIFTED,
        0.035);
    l = study(entry, g);
    assert_int_equal(l->hint, LIFTING_AGREES);
    assert_true(l->worst && l->worst_current > 0.1 && l->untried);
    assert_true(l->worst_pull.low > l->pull.low);
    assert_true(near(l->safe, l->pull.low / l->factor, 1e-9));
    lifting_free(l);
    free(g);
    free(entry);
}

/* P = B^2 / 2 mu0 (Maxwell; Encyclopaedia Britannica 1911, vol. 17, "Magnetism", as B^2 / 8 pi dyn
 * a square centimetre): 10.387 kg/cm2 at 16 000 gauss, so (24/16)^2 as much at 24 000, over two
 * round poles of 1 cm. */
static void test_possible(void **state)
{
    struct coilbook_entry *entry = calloc(1, sizeof *entry);

    (void)state;
    make_entry(entry);
    assert_true(
        near(lifting_possible(&entry->design), 2 * M_PI / 4 * 10.387 * 2.25 * 9.80665, 0.05));
    free(entry);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_load_words),      cmocka_unit_test(test_gap_words),
        cmocka_unit_test(test_common_practice), cmocka_unit_test(test_inversion),
        cmocka_unit_test(test_hints),           cmocka_unit_test(test_possible)};

    return cmocka_run_group_tests(tests, NULL, NULL);
}
