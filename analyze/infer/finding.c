#include "analyze/infer/finding.h"

#include <string.h>

/* Priors are weights for a hand-wound coil that somebody thought worth measuring: of a hundred such
 * coils, about sixty are right. All are common practice, no source; a shop with records of its own
 * puts its own figures here. Pairs of faults take roughly the product of their shares, raised where
 * one mistake invites the other. */
static const struct finding table[] = {
    {"as-designed", "good", 0, FINDING_GOOD, false, 0.55,
     "most coils that reach the bench are right", "as designed", ""},
    {"turns-a", "turns", FINDING_TURNS_A, FINDING_COIL, true, 0.035,
     "counting by hand loses a layer or a hundred now and then", "turns wrong on limb A",
     "wind on or off the turns named on limb A, then measure again"},
    {"turns-b", "turns", FINDING_TURNS_B, FINDING_COIL, true, 0.035, "as for limb A",
     "turns wrong on limb B", "wind on or off the turns named on limb B, then measure again"},
    {"turns-both", "turns", FINDING_TURNS_ALIKE, FINDING_COIL, false, 0.04,
     "a counter that skips or a misread design spoils both limbs alike", "turns wrong throughout",
     "wind on or off the turns named, and check the counter"},
    {"turns-each", "turns", FINDING_TURNS_A | FINDING_TURNS_B, FINDING_COIL, true, 0.005,
     "two separate slips, twice the product: who slips once slips again",
     "turns wrong on both limbs, differently", "wind on or off the turns named on each limb"},
    {"gauge", "gauge", FINDING_GAUGE, FINDING_COIL, false, 0.05,
     "spools of neighbouring gauges look alike and labels are lost", "wrong gauge of wire",
     "measure the bare wire with a micrometer; rewind with the right gauge, or accept the coil for "
     "another supply"},
    {"cancelling", "cancelling", FINDING_CANCEL, FINDING_COIL, true, 0.06,
     "limbs wound the same way and joined the wrong way round is the usual slip",
     "the limbs cancel", "swap the two ends of limb B (or unwind it and wind it the other way)"},
    {"shorted-a", "shorted", FINDING_SHORTED_A, FINDING_COIL, false, 0.015,
     "scraped enamel or a nicked layer", "shorted turns on limb A",
     "unwind limb A to the damaged wire and insulate it; it cannot be cured from outside"},
    {"shorted-b", "shorted", FINDING_SHORTED_B, FINDING_COIL, true, 0.015, "as for limb A",
     "shorted turns on limb B",
     "unwind limb B to the damaged wire and insulate it; it cannot be cured from outside"},
    {"open-a", "open", FINDING_OPEN_A, FINDING_COIL, false, 0.015, "fine wire breaks at its ends",
     "limb A is open", "look for the break at the lead-out of limb A first"},
    {"open-b", "open", FINDING_OPEN_B, FINDING_COIL, true, 0.015, "as for limb A", "limb B is open",
     "look for the break at the lead-out of limb B first"},
    {"open-both", "open", FINDING_OPEN_A | FINDING_OPEN_B, FINDING_COIL, true, 0.002,
     "rare; a dropped coil", "both limbs are open", "look for the breaks at the lead-outs"},
    {"bypassed-a", "bypassed", FINDING_BYPASS_A, FINDING_COIL, true, 0.006,
     "lead-in and lead-out touch, or are soldered together", "limb A is bypassed",
     "part the two ends of limb A where they touch"},
    {"bypassed-b", "bypassed", FINDING_BYPASS_B, FINDING_COIL, true, 0.006, "as for limb A",
     "limb B is bypassed", "part the two ends of limb B where they touch"},
    {"joint-a", "joint", FINDING_JOINT_A, FINDING_COIL, false, 0.012,
     "enamel not scraped off before soldering", "bad joint on limb A",
     "scrape, tin and remake the joints of limb A"},
    {"joint-b", "joint", FINDING_JOINT_B, FINDING_COIL, true, 0.012, "as for limb A",
     "bad joint on limb B", "scrape, tin and remake the joints of limb B"},
    {"joint-pair", "joint", FINDING_JOINT_PAIR, FINDING_COIL, true, 0.012,
     "the joint between the limbs is made last and in the least room",
     "bad joint between the limbs", "scrape, tin and remake the joint between the limbs"},
    {"leakage", "leakage", FINDING_LEAKAGE, FINDING_COIL, false, 0.015,
     "a sharp core edge or a start lead through the tape", "leakage from winding to core",
     "find where the wire touches the core, usually the start lead; tape and rewind"},
    {"warm", "warm", FINDING_WARM, FINDING_BENCH, false, 0.02,
     "measured soon after a run or after soldering", "the coil was warm when measured",
     "let it stand an hour without current and measure again"},
    {"hard", "hard", FINDING_HARD, FINDING_IRON, false, 0.015, "salvaged iron is often tool steel",
     "the core iron is magnetically hard",
     "anneal the core (red heat, cool slowly) or use softer iron; a shim frees a keeper that "
     "sticks"},
    {"saturated", "saturated", FINDING_SATURATED, FINDING_IRON, false, 0.01,
     "iron of less section or poorer than stated", "the iron saturates early",
     "use a thicker core, yoke or keeper, or less current"},
    {"gap", "gap", FINDING_GAP, FINDING_IRON, false, 0.03,
     "faces not flat, plating, dirt, a keeper that rocks", "the gap is larger than stated",
     "file and clean the faces so that the keeper sits flat on both"},
    {"meter", "meter", FINDING_METER, FINDING_BENCH, false, 0.01,
     "a low battery, a wrong range, or kilohms noted as ohms", "an instrument reads wrong",
     "look at the unit of its figures, check it against a known resistor, change its battery, "
     "measure again"},
    {"leads", "leads", FINDING_LEADS, FINDING_BENCH, false, 0.015,
     "clip leads with a bad crimp, not taken off the reading", "the test leads are in the readings",
     "clip the leads together, note the reading and take it off, or measure with four wires"},
    {"turns-a-cancelling", "turns", FINDING_TURNS_A | FINDING_CANCEL, FINDING_COIL, true, 0.003,
     "product of both", "turns wrong on limb A, and the limbs cancel",
     "swap the two ends of limb B, then put limb A's turns right"},
    {"turns-b-cancelling", "turns", FINDING_TURNS_B | FINDING_CANCEL, FINDING_COIL, true, 0.003,
     "product of both", "turns wrong on limb B, and the limbs cancel",
     "swap the two ends of limb B, then put its turns right"},
    {"turns-both-cancelling", "turns", FINDING_TURNS_ALIKE | FINDING_CANCEL, FINDING_COIL, true,
     0.004, "product of both", "turns wrong throughout, and the limbs cancel",
     "swap the two ends of limb B, then put the turns right"},
    {"gauge-cancelling", "gauge", FINDING_GAUGE | FINDING_CANCEL, FINDING_COIL, true, 0.006,
     "product of both, raised: a winder new to it makes both", "wrong gauge, and the limbs cancel",
     "swap the two ends of limb B; then see whether the gauge will do"},
    {"shorted-a-cancelling", "shorted", FINDING_SHORTED_A | FINDING_CANCEL, FINDING_COIL, true,
     0.0015, "product of both", "shorted turns on limb A, and the limbs cancel",
     "rewind limb A, and join the limbs the other way round"},
    {"shorted-b-cancelling", "shorted", FINDING_SHORTED_B | FINDING_CANCEL, FINDING_COIL, true,
     0.0015, "product of both", "shorted turns on limb B, and the limbs cancel",
     "rewind limb B the other way round"},
    {"joint-a-cancelling", "joint", FINDING_JOINT_A | FINDING_CANCEL, FINDING_COIL, true, 0.0012,
     "product of both", "bad joint on limb A, and the limbs cancel",
     "remake the joints, with the two ends of limb B swapped"},
    {"joint-b-cancelling", "joint", FINDING_JOINT_B | FINDING_CANCEL, FINDING_COIL, true, 0.0012,
     "product of both", "bad joint on limb B, and the limbs cancel",
     "remake the joints, with the two ends of limb B swapped"},
    {"joint-pair-cancelling", "joint", FINDING_JOINT_PAIR | FINDING_CANCEL, FINDING_COIL, true,
     0.0012, "product of both", "bad joint between the limbs, and the limbs cancel",
     "remake the joint between the limbs, with the two ends of limb B swapped"},
    {"leakage-cancelling", "leakage", FINDING_LEAKAGE | FINDING_CANCEL, FINDING_COIL, true, 0.0015,
     "product of both", "leakage to the core, and the limbs cancel",
     "tape and rewind the leaking limb, and join the limbs the other way round"},
    {"warm-cancelling", "cancelling", FINDING_WARM | FINDING_CANCEL, FINDING_COIL, true, 0.002,
     "product of both", "the limbs cancel (and the coil was warm when measured)",
     "swap the two ends of limb B (or unwind it and wind it the other way)"},
    {"leads-cancelling", "cancelling", FINDING_LEADS | FINDING_CANCEL, FINDING_COIL, true, 0.0015,
     "product of both", "the limbs cancel (and the test leads are in the readings)",
     "swap the two ends of limb B (or unwind it and wind it the other way)"},
    {"meter-cancelling", "cancelling", FINDING_METER | FINDING_CANCEL, FINDING_COIL, true, 0.001,
     "product of both", "the limbs cancel (and an instrument reads wrong)",
     "swap the two ends of limb B (or unwind it and wind it the other way)"},
    {"gap-cancelling", "cancelling", FINDING_GAP | FINDING_CANCEL, FINDING_COIL, true, 0.003,
     "product of both", "the limbs cancel (and the gap is larger than stated)",
     "swap the two ends of limb B (or unwind it and wind it the other way)"},
    {"gauge-warm", "gauge", FINDING_GAUGE | FINDING_WARM, FINDING_COIL, false, 0.0015,
     "product of both", "wrong gauge (and the coil was warm when measured)",
     "let it cool and measure again, then the bare wire with a micrometer"},
    {"gauge-turns", "gauge", FINDING_GAUGE | FINDING_TURNS_ALIKE, FINDING_COIL, false, 0.004,
     "another gauge was wound to the same size or resistance", "wrong gauge and wrong turns",
     "measure the bare wire with a micrometer and weigh the coil"},
};

const struct finding *finding_table(size_t *count)
{
    if (count)
        *count = sizeof table / sizeof *table;
    return table;
}

size_t finding_plain(size_t row)
{
    const unsigned beside = FINDING_WARM | FINDING_METER | FINDING_LEADS | FINDING_GAP;
    const size_t rows = sizeof table / sizeof *table;

    for (size_t i = 0; row < rows && table[row].class == FINDING_COIL && i < rows; i++)
        if (table[i].faults != 0 && table[i].faults == (table[row].faults & ~beside))
            return i;
    return row;
}

const struct finding *finding_by_name(const char *name)
{
    for (size_t i = 0; name && i < sizeof table / sizeof *table; i++) {
        if (strcmp(table[i].name, name) == 0)
            return &table[i];
    }
    return NULL;
}

struct finding_prior finding_prior_default(void)
{
    struct finding_prior p = {
        /* Miscounts run from a few turns to a third of a limb; half are below 7 %. */
        .turns_median = 0.07,
        .turns_log_sd = 0.8,
        .turns_short = 0.75, /* a tired winder skips more often than he repeats */
        .layer_share = 0.25, /* a layer forgotten or wound twice */
        /* From a dull joint to one that hardly conducts. */
        .joint_low = 0.1,
        .joint_high = 300,
        .joint_share = 0.01, /* half of what is allowed: less is no fault */
        /* One turn to half a limb (two layers touching short all between them). */
        .shorted_median = 0.05,
        .shorted_log_sd = 1.1,
        .warm_low = 4,
        .warm_high = 80,
        .leak_low = 10,
        .leak_high = 1e6,
        /* Less is what faces that touch may leave between them. */
        .gap_low = 0.05e-3,
        .gap_high = 1.5e-3,
        .meter_log_sd = 0.08,
        .lead_low = 0.15,
        .lead_high = 5,
        .mistake = 0.01, /* one figure in a hundred is misread, mistyped or of the wrong limb */
    };

    return p;
}
