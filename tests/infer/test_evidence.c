/* Mapping of stored records to evidence: checks, defaults, shared instruments. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>

#include <cmocka.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "analyze/infer/evidence.h"
#include "analyze/infer/finding.h"

static struct evidence_record resistance(double ohm)
{
    struct evidence_record r = evidence_record_empty();

    r.quantity = "resistance";
    r.place = "a";
    r.instrument = "meter";
    r.value = ohm;
    r.wires = 4;
    r.u = 0.003;
    r.accuracy_rel = 0.005;
    r.accuracy_abs = 0.02;
    r.resolution = 0.01;
    return r;
}

/* Limits of error become standard uncertainties by division by the root of three, a display step
 * by that of twelve (JCGM 100:2008 4.3.7 and F.2.2.1). */
static void test_uncertainty(void **state)
{
    struct evidence_set set;
    struct evidence_record r = resistance(9.13);
    struct status st;
    /* The digits are an offset that readings share, but for three tenths of them. */
    double expect = sqrt(0.003 * 0.003 + 0.09 * 0.02 * 0.02 / 3 + 0.01 * 0.01 / 12);

    (void)state;
    evidence_clear(&set);
    assert_int_equal(evidence_add(&set, &r, &st), STATUS_OK);
    assert_true(fabs(set.item[0].u / expect - 1) < 1e-9);
    assert_true(fabs(set.item[0].zero - 0.02 / sqrt(3)) < 1e-12);
    assert_true(fabs(set.instrument[0].gain_u - 0.005 / sqrt(3)) < 1e-12);
    assert_string_equal(set.item[0].source, "resistance of limb A");
    /* Two wires: how the clips bite comes on top. */
    r.wires = 2;
    assert_int_equal(evidence_add(&set, &r, &st), STATUS_OK);
    assert_true(set.item[1].u > 0.02);
    assert_int_equal(set.instruments, 1);
    assert_int_equal(set.item[1].instrument, set.item[0].instrument);
    /* Nobody knows what an instrument without a name shares: all is the item's own. */
    r.wires = 4;
    r.instrument = "";
    assert_int_equal(evidence_add(&set, &r, &st), STATUS_OK);
    assert_true(set.item[2].zero == 0 && set.item[2].u > 0.02 / sqrt(3));
}

static void test_unknown_is_not_zero(void **state)
{
    struct evidence_set set;
    struct evidence_record r = evidence_record_empty();
    struct status st;

    (void)state;
    evidence_clear(&set);
    r.quantity = "resistance";
    r.value = 17;
    assert_int_equal(evidence_add(&set, &r, &st), STATUS_OK);
    assert_true(set.item[0].u > 0.05);
    assert_true(isnan(set.item[0].at.temperature));
    assert_true(set.item[0].at.temperature_u > 0);
    assert_true(isnan(set.item[0].at.current));
    assert_int_equal(set.item[0].place, EVIDENCE_PAIR);
    assert_int_equal(set.item[0].instrument, -1);
    assert_int_equal(set.item[0].wires, 2);
}

static void refuse(const struct evidence_record *r, enum status_code code, const char *word)
{
    struct evidence_set set, before;
    struct status st;

    evidence_clear(&set);
    before = set;
    assert_int_equal(evidence_add(&set, r, &st), code);
    if (!strstr(st.text, word))
        fail_msg("'%s' does not name '%s'", st.text, word);
    assert_memory_equal(&set, &before, sizeof set);
}

static void test_refusals(void **state)
{
    struct evidence_record r = resistance(9);

    (void)state;
    r.quantity = "resistence";
    refuse(&r, STATUS_INPUT, "resistence");
    r = resistance(-1);
    refuse(&r, STATUS_INPUT, "-1 ohm");
    r = resistance(NAN);
    refuse(&r, STATUS_INPUT, "resistance");
    r = resistance(INFINITY);
    refuse(&r, STATUS_INPUT, "resistance");
    r = resistance(9);
    r.place = "c";
    refuse(&r, STATUS_INPUT, "'c'");
    r = resistance(9);
    r.u = -0.1;
    refuse(&r, STATUS_INPUT, "-0.1");
    r = resistance(9);
    r.wires = 3;
    refuse(&r, STATUS_INPUT, "3 wires");
    r = resistance(9);
    r.at.temperature = 900;
    refuse(&r, STATUS_INPUT, "temperature 900");
    r = resistance(0.4);
    r.quantity = "polarity";
    refuse(&r, STATUS_INPUT, "0.4");
    r = resistance(0.1);
    r.quantity = "current";
    refuse(&r, STATUS_INPUT, "voltage");
    r = resistance(5);
    r.quantity = "lift";
    refuse(&r, STATUS_INPUT, "current");
    r = resistance(0.2);
    r.quantity = "sag";
    refuse(&r, STATUS_INPUT, "internal resistance");
    r = resistance(0.01);
    r.quantity = "drift";
    refuse(&r, STATUS_INPUT, "time");
}

/* The same figure read twice is one item, its mean; a pole read twice is two. Common practice, no
 * source: who reads a meter again sees the same display. */
static void test_read_again(void **state)
{
    struct evidence_set set;
    struct evidence_record r = resistance(9);
    struct status st;
    double once;

    (void)state;
    evidence_clear(&set);
    assert_int_equal(evidence_add(&set, &r, &st), STATUS_OK);
    once = set.item[0].u;
    r.value = 9.02;
    assert_int_equal(evidence_add(&set, &r, &st), STATUS_OK);
    assert_int_equal(set.count, 1);
    assert_int_equal(set.latest, 0);
    assert_int_equal(set.item[0].readings, 2);
    assert_int_equal(evidence_readings(&set), 2);
    assert_true(fabs(set.item[0].value - 9.01) < 1e-12);
    /* better than once, but not as two witnesses would be */
    assert_true(set.item[0].u < once && set.item[0].u > once / sqrt(2));
    r.value = 12; /* does not agree */
    assert_int_equal(evidence_add(&set, &r, &st), STATUS_OK);
    r.value = 9.02;
    r.at.temperature = 35; /* not the same coil any more */
    assert_int_equal(evidence_add(&set, &r, &st), STATUS_OK);
    r = resistance(9);
    r.place = "b";
    assert_int_equal(evidence_add(&set, &r, &st), STATUS_OK);
    r = resistance(9);
    r.instrument = "another meter";
    assert_int_equal(evidence_add(&set, &r, &st), STATUS_OK);
    assert_int_equal(set.count, 5);
    r = resistance(1);
    r.quantity = "polarity";
    r.place = "a";
    for (int i = 0; i < 2; i++)
        assert_int_equal(evidence_add(&set, &r, &st), STATUS_OK);
    assert_int_equal(set.count, 7);
    assert_int_equal(set.latest, 6);
}

static void test_full(void **state)
{
    struct evidence_set set;
    struct evidence_record r = resistance(9);
    struct status st;
    char name[32];

    (void)state;
    evidence_clear(&set);
    for (int i = 0; i < EVIDENCE_MAX; i++, r.value += 9)
        assert_int_equal(evidence_add(&set, &r, &st), STATUS_OK);
    assert_int_equal(evidence_add(&set, &r, &st), STATUS_FULL);
    assert_int_equal(set.count, EVIDENCE_MAX);
    r.value = 9;
    evidence_clear(&set);
    r.instrument = name;
    for (int i = 0; i < EVIDENCE_INSTRUMENT_MAX; i++) {
        snprintf(name, sizeof name, "meter %d", i);
        assert_int_equal(evidence_add(&set, &r, &st), STATUS_OK);
    }
    snprintf(name, sizeof name, "one more");
    assert_int_equal(evidence_add(&set, &r, &st), STATUS_FULL);
    assert_int_equal(set.count, EVIDENCE_INSTRUMENT_MAX);
}

/* Common practice, no source: resistance does not reveal a reversed limb; pole, pull or inductance
 * does. */
static void test_direction(void **state)
{
    struct evidence_set set;
    struct evidence_record r = resistance(9);
    struct status st;

    (void)state;
    evidence_clear(&set);
    assert_int_equal(evidence_add(&set, &r, &st), STATUS_OK);
    r.place = "pair";
    assert_int_equal(evidence_add(&set, &r, &st), STATUS_OK);
    assert_false(evidence_tells_direction(&set));
    r = resistance(1);
    r.quantity = "polarity";
    assert_int_equal(evidence_add(&set, &r, &st), STATUS_OK);
    assert_false(evidence_tells_direction(&set)); /* one pole alone says nothing */
    r.place = "b";
    assert_int_equal(evidence_add(&set, &r, &st), STATUS_OK);
    assert_true(evidence_tells_direction(&set));
    evidence_clear(&set);
    r = resistance(0.08);
    r.quantity = "inductance";
    r.place = "pair";
    assert_int_equal(evidence_add(&set, &r, &st), STATUS_OK);
    assert_true(evidence_tells_direction(&set));
}

static struct evidence_record drop(double volt)
{
    struct evidence_record r = evidence_record_empty();

    r.quantity = "volt-drop";
    r.place = "a";
    r.instrument = "voltmeter";
    r.value = volt;
    return r;
}

/* A voltage across a limb is more than nothing and has limits like any figure. By how much the
 * voltmeter reads high or low is the same of both limbs and falls out of their ratio, so it is in
 * neither item: what is left is how finely it reads (JCGM 100:2008 F.1.2.4, errors that two
 * estimates share; from memory). */
static void test_volt_drop(void **state)
{
    struct evidence_set set;
    struct evidence_record r = drop(1.5);
    struct status st;
    double own;

    (void)state;
    evidence_clear(&set);
    assert_int_equal(evidence_add(&set, &r, &st), STATUS_OK);
    assert_int_equal(set.item[0].kind, EVIDENCE_VOLT_DROP);
    assert_string_equal(set.item[0].source, "volt-drop of limb A");
    assert_string_equal(evidence_unit(EVIDENCE_VOLT_DROP), "V");
    assert_true(set.item[0].u > 0 && set.item[0].u < 0.005 * 1.5);
    /* 1 V and 10 V differ in what a percentage makes of them; accuracy of 5 % adds nothing. */
    r.u = 0.0004;
    r.accuracy_rel = 0;
    r.resolution = 0.001;
    r.value = 1.6;
    assert_int_equal(evidence_add(&set, &r, &st), STATUS_OK);
    own = set.item[1].u;
    assert_true(fabs(own - hypot(0.0004, 0.001 / sqrt(12))) < 1e-9);
    r.accuracy_rel = 0.05;
    r.value = 1.7;
    assert_int_equal(evidence_add(&set, &r, &st), STATUS_OK);
    assert_true(set.item[2].u == own);
    r.instrument = "";
    r.value = 1.8;
    assert_int_equal(evidence_add(&set, &r, &st), STATUS_OK);
    assert_true(set.item[3].u == own);
    assert_int_equal(set.instruments, 0);
    /* Digits are each reading's own. */
    r.accuracy_abs = 0.002;
    r.value = 1.9;
    assert_int_equal(evidence_add(&set, &r, &st), STATUS_OK);
    assert_true(set.item[4].u > 0.001 && set.item[4].u < 0.0021);
    r = drop(0);
    refuse(&r, STATUS_INPUT, "0 V cannot be");
    r = drop(-0.7);
    refuse(&r, STATUS_INPUT, "-0.7");
    r = drop(1001);
    refuse(&r, STATUS_INPUT, "1001");
    r = drop(NAN);
    refuse(&r, STATUS_INPUT, "volt-drop");
    assert_int_equal(set.count, 5);
}

/* North, south, or a needle that does not stir; nothing between. A needle that rests does not tell
 * which way a limb is wound. */
static void test_still_needle(void **state)
{
    struct evidence_set set;
    struct evidence_record r = evidence_record_empty();
    struct status st;

    (void)state;
    evidence_clear(&set);
    r.quantity = "polarity";
    r.place = "a";
    r.value = 0;
    assert_int_equal(evidence_add(&set, &r, &st), STATUS_OK);
    assert_string_equal(evidence_pole(set.item[0].value), "none");
    r.place = "b";
    assert_int_equal(evidence_add(&set, &r, &st), STATUS_OK);
    assert_false(evidence_tells_direction(&set));
    r.value = -1;
    assert_int_equal(evidence_add(&set, &r, &st), STATUS_OK);
    assert_string_equal(evidence_pole(set.item[2].value), "south");
    assert_false(evidence_tells_direction(&set));
    r.place = "a";
    r.value = 1;
    assert_int_equal(evidence_add(&set, &r, &st), STATUS_OK);
    assert_string_equal(evidence_pole(set.item[3].value), "north");
    assert_true(evidence_tells_direction(&set));
    r.value = 0.5;
    refuse(&r, STATUS_INPUT, "0.5");
    r.value = -2;
    refuse(&r, STATUS_INPUT, "expected");
}

/* The table of findings hangs together. */
static void test_findings(void **state)
{
    size_t n;
    const struct finding *f = finding_table(&n);
    double sum = 0;

    (void)state;
    assert_true(n >= 20 && n <= 64);
    assert_int_equal(f[0].faults, 0);
    assert_int_equal(f[0].class, FINDING_GOOD);
    for (size_t i = 0; i < n; i++) {
        assert_true(f[i].prior > 0 && f[i].prior < 1);
        assert_true(strlen(f[i].reason) > 5);
        assert_true(strlen(f[i].title) > 5);
        assert_true(i == 0 || strlen(f[i].remedy) > 10);
        assert_ptr_equal(finding_by_name(f[i].name), &f[i]);
        for (size_t k = i + 1; k < n; k++)
            assert_int_not_equal(f[i].faults, f[k].faults);
        /* A limb B, or a sense, needs two limbs. */
        if (f[i].faults & (FINDING_CANCEL | FINDING_TURNS_B | FINDING_SHORTED_B | FINDING_OPEN_B |
                           FINDING_JOINT_B | FINDING_JOINT_PAIR))
            assert_true(f[i].two_limbs);
        sum += f[i].prior;
    }
    assert_true(sum > 0.9 && sum < 1.15);
    assert_null(finding_by_name("no such thing"));
}

/* What the winder has to mend stays the same when what is wrong at the bench is left out, and the
 * row that is left has nothing more to leave out. */
static void test_plain_finding(void **state)
{
    static const char *const pairs[][2] = {
        {"warm-cancelling", "cancelling"},
        {"leads-cancelling", "cancelling"},
        {"meter-cancelling", "cancelling"},
        {"gap-cancelling", "cancelling"},
        {"gauge-warm", "gauge"},
        {"gauge-turns", "gauge-turns"},
        {"turns-b-cancelling", "turns-b-cancelling"},
        {"warm", "warm"},
        {"leads", "leads"},
        {"meter", "meter"},
        {"gap", "gap"},
        {"as-designed", "as-designed"},
    };
    /* What no rewinding mends: the bench, and how the keeper lies. */
    const unsigned bench = FINDING_WARM | FINDING_METER | FINDING_LEADS | FINDING_GAP;
    size_t n, moved = 0;
    const struct finding *f = finding_table(&n);

    (void)state;
    for (size_t i = 0; i < n; i++) {
        size_t plain = finding_plain(i);

        assert_true(plain < n);
        assert_int_equal(f[plain].faults & ~bench, f[i].faults & ~bench);
        assert_int_equal(f[plain].class, f[i].class);
        assert_int_equal(f[plain].faults & ~f[i].faults, 0);
        assert_string_equal(f[plain].family, f[i].family);
        assert_int_equal(finding_plain(plain), plain);
        moved += plain != i;
        /* A fault of the coil has nothing of the bench in it if the table has it without. */
        for (size_t k = 0; k < n && f[i].class == FINDING_COIL; k++)
            if (f[k].faults == (f[i].faults & ~bench))
                assert_int_equal(plain, k);
    }
    assert_true(moved >= 5);
    for (size_t i = 0; i < sizeof pairs / sizeof *pairs; i++) {
        const struct finding *from = finding_by_name(pairs[i][0]);

        assert_non_null(from);
        assert_string_equal(f[finding_plain((size_t)(from - f))].name, pairs[i][1]);
    }
    assert_int_equal(finding_plain(n), n);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_uncertainty),  cmocka_unit_test(test_unknown_is_not_zero),
        cmocka_unit_test(test_refusals),     cmocka_unit_test(test_read_again),
        cmocka_unit_test(test_full),         cmocka_unit_test(test_direction),
        cmocka_unit_test(test_findings),     cmocka_unit_test(test_volt_drop),
        cmocka_unit_test(test_still_needle), cmocka_unit_test(test_plain_finding),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
