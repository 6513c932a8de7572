/* meaning: what one figure says against the design. The figure as designed is worked out by hand
 * below from turns, mean turn and the section of the wire, so that the sentence cannot agree with a
 * model that is wrong by more than the check allows. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/compare.h"
#include "analyze/designfile.h"
#include "analyze/meaning.h"

/* Limb of fixtures/signal-arm.ini: 500 turns of 0.25 mm copper on a 10 mm core with 1.0 mm of wrap,
 * 12.5 mm long, each turn 0.274 mm wide (its overall diameter in fixtures/railway.ini): 45 turns a
 * layer, 11 layers lying square, so the mean diameter is 10 + 2 x 1.0 + 11 x 0.274 = 15.0 mm.
 * Copper at 20 C: 1/58 ohm mm2/m (IEC 60028). */
#define HAND_OHM (500.0 * M_PI * 15.0e-3 / (58e6 * M_PI / 4.0 * 0.25e-3 * 0.25e-3))

#define MEGOHM 1e6

struct bench {
    struct design design;
    struct gathered gathered;
};

static int setup(void **state)
{
    struct bench *b = calloc(1, sizeof *b);
    struct units *units;
    struct status st;

    if (!b || units_open(&units, &st) != STATUS_OK)
        return -1;
    if (designfile_read(units, TEST_SOURCE_DIR "/fixtures/signal-arm.ini", &b->design, NULL, &st) !=
        STATUS_OK) {
        fprintf(stderr, "%s\n", st.text);
        return -1;
    }
    units_close(units);
    *state = b;
    return 0;
}

static int teardown(void **state)
{
    free(*state);
    return 0;
}

static const char *say(struct bench *b, const char *kind, const char *place, double value,
                       bool overload, char text[MEANING_SIZE])
{
    struct evidence_record record = evidence_record_empty();
    struct status st;

    memset(&b->gathered, 0, sizeof b->gathered);
    evidence_clear(&b->gathered.evidence);
    record.quantity = kind;
    record.place = place;
    record.instrument = "meter";
    record.value = value;
    record.accuracy_rel = 0.001;
    record.wires = 4;
    record.overload = overload;
    record.at.temperature = 20.0;
    record.at.temperature_u = 0.5;
    assert_int_equal(evidence_add(&b->gathered.evidence, &record, &st), STATUS_OK);
    b->gathered.source[0] = 17;
    assert_int_equal(meaning_of(&b->design, &b->gathered, 17, MEGOHM, text, &st), STATUS_OK);
    return text;
}

static void test_resistance(void **state)
{
    char text[MEANING_SIZE];
    const char *at;

    say(*state, "resistance", "a", HAND_OHM, false, text);
    assert_non_null(strstr(text, "It fits."));
    at = strstr(text, "as designed would be ");
    assert_non_null(at);
    assert_true(fabs(atof(at + strlen("as designed would be ")) / HAND_OHM - 1.0) < 0.03);
    assert_non_null(strstr(text, "±"));
    assert_non_null(strstr(text, "Ω"));
    say(*state, "resistance", "a", 1.3 * HAND_OHM, false, text);
    assert_non_null(strstr(text, "more, beyond the doubt of both"));
    say(*state, "resistance", "b", 0.7 * HAND_OHM, false, text);
    assert_non_null(strstr(text, "less, beyond the doubt of both"));
    say(*state, "resistance", "pair", 1e3, true, text);
    assert_non_null(strstr(text, "The circuit is open"));
}

static void test_polarity(void **state)
{
    char text[MEANING_SIZE];

    assert_string_equal(say(*state, "polarity", "a", 1.0, false, text), "north: as designed.");
    say(*state, "polarity", "b", 1.0, false, text);
    assert_non_null(strstr(text, "as designed would be south"));
    say(*state, "polarity", "a", 0.0, false, text);
    assert_non_null(strstr(text, "does not stir"));
    assert_non_null(strstr(text, "no current"));
    assert_null(strstr(text, "as designed"));
}

/* Drops over both limbs, 'a' before 'b'; what the one over limb B says. */
static void say_drops(struct bench *b, double drop_a, double drop_b, char text[MEANING_SIZE])
{
    struct evidence_record record = evidence_record_empty();
    struct status st;

    memset(&b->gathered, 0, sizeof b->gathered);
    evidence_clear(&b->gathered.evidence);
    record.quantity = "volt-drop";
    record.u = 0.001;
    record.at.voltage = 3.0;
    record.at.voltage_u = 0.01;
    record.place = "a";
    record.value = drop_a;
    assert_int_equal(evidence_add(&b->gathered.evidence, &record, &st), STATUS_OK);
    record.place = "b";
    record.value = drop_b;
    assert_int_equal(evidence_add(&b->gathered.evidence, &record, &st), STATUS_OK);
    b->gathered.source[0] = 17;
    b->gathered.source[1] = 18;
    assert_int_equal(meaning_of(&b->design, &b->gathered, 18, MEGOHM, text, &st), STATUS_OK);
}

/* Limbs of as many turns in series have half of the supply each (Kirchhoff's voltage law), and a
 * limb of 480 of 500 turns 0.96 of what the other has, but for the mean turn. */
static void test_volt_drop(void **state)
{
    struct bench *b = *state;
    struct bench other = *b;
    char text[MEANING_SIZE];
    const char *at;

    say_drops(b, 1.50, 1.50, text);
    assert_non_null(strstr(text, "as designed would be 1.4")); /* the joint has a little */
    assert_non_null(strstr(text, "It is 1.000 of that over limb A"));
    assert_non_null(strstr(text, "The limbs agree."));
    say_drops(b, 1.52, 1.459, text);
    assert_non_null(strstr(text, "It is 0.960 of that over limb A"));
    assert_non_null(strstr(text, "One limb has fewer or shorted turns, or a bad joint."));
    other.design.winding.turns[1] = amount_of(480, 0);
    say_drops(&other, 1.52, 1.459, text);
    at = strstr(text, "by their turns it would be ");
    assert_non_null(at);
    assert_true(fabs(atof(at + strlen("by their turns it would be ")) - 0.96) < 0.001);
    assert_non_null(strstr(text, "The limbs agree."));
    /* In parallel each has the whole supply, and their ratio says nothing. */
    other.design.winding.connection = DESIGN_PARALLEL;
    say_drops(&other, 3.00, 3.00, text);
    assert_non_null(strstr(text, "as designed would be 3.000"));
    assert_non_null(strstr(text, "It fits."));
    assert_null(strstr(text, "over limb"));
}

static void test_insulation(void **state)
{
    char text[MEANING_SIZE];

    say(*state, "insulation", "pair", 20e6, true, text);
    assert_non_null(strstr(text, "sound"));
    say(*state, "insulation", "pair", 1e3, true,
        text); /* an overload of a narrow range proves nothing */
    assert_null(strstr(text, "sound"));
    assert_non_null(strstr(text, "wider range"));
    say(*state, "insulation", "pair", 40e3, false, text);
    assert_non_null(strstr(text, "below"));
}

/* A figure without frequency, current or voltage is a bridge's: it is held against the small
 * signal, as one with a frequency, and never against what a current rise at the supply would see.
 */
static void test_inductance_of_a_bridge(void **state)
{
    struct bench *b = *state;
    struct evidence_item item = {
        .kind = EVIDENCE_INDUCTANCE, .place = EVIDENCE_PAIR, .at = evidence_conditions_unknown()};
    struct compare_prediction bare, bridge, rise;
    struct status st;

    item.at.keeper = true;
    assert_int_equal(compare_item(&b->design, &item, &bare, &st), STATUS_OK);
    item.at.frequency = 100.0;
    assert_int_equal(compare_item(&b->design, &item, &bridge, &st), STATUS_OK);
    item.at.frequency = 0.0;
    item.at.voltage = 3.0;
    assert_int_equal(compare_item(&b->design, &item, &rise, &st), STATUS_OK);
    assert_true(bare.exists && bridge.exists && rise.exists);
    assert_true(bare.amount.value == bridge.amount.value);
    assert_true(fabs(rise.amount.value / bridge.amount.value - 1.0) > 0.05);
}

/* A pull is one on the keeper, told or not: Maxwell's B^2 A / (2 mu0) of two faces, by hand for 1
 * mm of air at each pole and none of the iron's share; fringing adds to it, iron takes from it. */
static void test_pull_without_the_keeper_told(void **state)
{
    struct bench *b = *state;
    struct evidence_item item = {
        .kind = EVIDENCE_PULL, .place = EVIDENCE_PAIR, .at = evidence_conditions_unknown()};
    double mu0 = 4e-7 * M_PI;
    double flux_density = mu0 * 2.0 * 500.0 * 0.1 / (2.0 * 1e-3);
    double by_hand = flux_density * flux_density * M_PI / 4.0 * 10e-3 * 10e-3 / mu0;
    struct compare_prediction pull;
    struct status st;

    item.at.current = 0.1;
    item.at.gap = 1e-3;
    assert_int_equal(compare_item(&b->design, &item, &pull, &st), STATUS_OK);
    assert_true(pull.exists);
    assert_true(pull.amount.value > 0.8 * by_hand && pull.amount.value < 2.5 * by_hand);
}

static void test_left_out(void **state)
{
    struct bench *b = *state;
    char text[MEANING_SIZE];
    struct status st;

    memset(&b->gathered, 0, sizeof b->gathered);
    assert_int_equal(meaning_of(&b->design, &b->gathered, 3, MEGOHM, text, &st), STATUS_NOT_FOUND);
    strcpy(b->gathered.note[0], "observation 3 is left out: it is odd");
    b->gathered.notes = 1;
    assert_int_equal(meaning_of(&b->design, &b->gathered, 3, MEGOHM, text, &st), STATUS_OK);
    assert_non_null(strstr(text, "it is odd"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_resistance),
        cmocka_unit_test(test_polarity),
        cmocka_unit_test(test_volt_drop),
        cmocka_unit_test(test_insulation),
        cmocka_unit_test(test_inductance_of_a_bridge),
        cmocka_unit_test(test_pull_without_the_keeper_told),
        cmocka_unit_test(test_left_out),
    };

    return cmocka_run_group_tests_name("meaning", tests, setup, teardown);
}
