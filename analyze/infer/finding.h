/* finding: the explanations that a verdict weighs, one row of one table each.
 *
 * A finding changes some fields of an otherwise as-designed coil. A row states what it may do
 * (faults), its prior with the reason for it, its unknowns with their prior, and the sentences a
 * winder reads. To add one: a row in finding.c; if it needs a new kind of fault, also a line in
 * fault.c that turns the fault into fields of the specimen. */
#ifndef TRUEWOUND_FINDING_H
#define TRUEWOUND_FINDING_H

#include <stdbool.h>
#include <stddef.h>

/* What can be wrong, physically. A finding is a set of these. */
enum finding_fault {
    FINDING_TURNS_A = 1 << 0,
    FINDING_TURNS_B = 1 << 1,
    FINDING_TURNS_ALIKE = 1 << 2, /* both limbs by the same fraction */
    FINDING_GAUGE = 1 << 3,
    FINDING_CANCEL = 1 << 4,
    FINDING_SHORTED_A = 1 << 5,
    FINDING_SHORTED_B = 1 << 6,
    FINDING_OPEN_A = 1 << 7,
    FINDING_OPEN_B = 1 << 8,
    FINDING_BYPASS_A = 1 << 9,
    FINDING_BYPASS_B = 1 << 10,
    FINDING_JOINT_A = 1 << 11,
    FINDING_JOINT_B = 1 << 12,
    FINDING_JOINT_PAIR = 1 << 13, /* at the joint between the limbs: seen only on the pair */
    FINDING_LEAKAGE = 1 << 14,
    FINDING_WARM = 1 << 15,
    FINDING_HARD = 1 << 16,
    FINDING_SATURATED = 1 << 17,
    FINDING_GAP = 1 << 18,
    FINDING_METER = 1 << 19,
    FINDING_LEADS = 1 << 20
};

/* Whose fault it is: decides what it does to pass or fail. */
enum finding_class {
    FINDING_GOOD, /* the coil is right */
    FINDING_COIL, /* the coil is wrong */
    FINDING_IRON, /* core, keeper or gap is wrong */
    FINDING_BENCH /* the measurement is wrong; the coil may be right */
};

struct finding {
    const char *name;   /* fixed word for stores and JSON: "turns-a" */
    const char *family; /* findings that a winder would call the same thing: "turns" */
    unsigned faults;    /* set of enum finding_fault */
    enum finding_class class;
    bool two_limbs;     /* makes sense only for a coil of two limbs */
    double prior;       /* weight relative to the others; normalised over those that apply */
    const char *reason; /* why that prior */
    const char *title;  /* "turns wrong on limb A" */
    const char *remedy; /* what to do, in a winder's words */
};

/* The table and its length. Row 0 is 'as designed'. */
const struct finding *finding_table(size_t *count);

/* The row that a winder would act on for this one: of a coil that is wrong and was also measured
 * warm, with a wrong meter, with its leads, or over a larger gap, the row of the coil's fault alone
 * if the table has it; else the row itself. Rows of the table, row 0 to count - 1. */
size_t finding_plain(size_t row);

/* The row with this name, or NULL. */
const struct finding *finding_by_name(const char *name);

/* Prior of the unknowns, common to all findings (reasons in finding.c). */
struct finding_prior {
    double turns_median; /* relative deviation of a limb whose turns are wrong: median */
    double turns_log_sd; /* and standard deviation of its logarithm */
    double turns_short;  /* probability that they are short rather than over */
    double layer_share;  /* probability that it is a whole layer, where layers are known */
    double joint_low;    /* ohm, log-uniform between these; joint_share counts more */
    double joint_high;
    double joint_share;    /* and no less than this share of the coil's resistance */
    double shorted_median; /* fraction of the limb's turns that is shorted */
    double shorted_log_sd;
    double warm_low; /* K above the stated temperature, log-uniform */
    double warm_high;
    double leak_low; /* ohm, log-uniform */
    double leak_high;
    double gap_low; /* m beyond the stated gap, log-uniform */
    double gap_high;
    double meter_log_sd; /* relative error of a meter that is wrong */
    double lead_low;     /* ohm of leads that were not taken off, log-uniform */
    double lead_high;
    double mistake; /* probability that one item is a bench mistake */
};

struct finding_prior finding_prior_default(void);

#endif
