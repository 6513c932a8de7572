/* advise: which measurement next, by what it is expected to tell per minute of bench time.
 *
 * For each measurement the bench can make, the outcome is predicted from the posterior draws of a
 * verdict; the expected information (Lindley 1956) about which finding is true and whether the coil
 * keeps its limits, in bits, is weighed with what it costs to miss that finding, and divided by its
 * minutes. */
#ifndef TRUEWOUND_ADVISE_H
#define TRUEWOUND_ADVISE_H

#include <stdbool.h>
#include <stddef.h>

#include "analyze/infer/evidence.h"
#include "analyze/infer/verdict.h"
#include "db/status.h"

#define ADVISE_MAX 32

/* A measurement the bench could make: the evidence it would give (value ignored; u, instrument and
 * conditions as expected) and how long it takes. A measurement may give several items. */
struct advise_option {
    const char *name; /* "polarity of both limbs with a compass" */
    struct evidence_record expect[4];
    size_t expects;
    double minutes;
};

struct advise_gain {
    size_t option;
    double bits;           /* expected information on the findings */
    double worth;          /* bits on finding and limits together, those of costly findings more */
    double worth_a_minute; /* what the order goes by */
    double change;         /* probability that the verdict is decided after it, minus that now */
};

struct advise_result {
    struct advise_gain gain[ADVISE_MAX]; /* best first, but nearly as good counts as the best */
    size_t gains;
    double entropy;               /* bits, of the findings now */
    double open;                  /* the same of worth */
    bool enough;                  /* nothing cheap would change the verdict: stop */
    char line[VERDICT_LINE_SIZE]; /* one sentence */
};

/* The usual measurements with their usual minutes (common practice, no source) for this design;
 * leaves out what needs a second limb where there is none. Returns how many, at most max. */
size_t advise_usual(const struct design *design, struct advise_option *option, size_t max);

/* Ranks the options; one whose outcome cannot be worked out has no gain, and when that goes for all
 * of them 'enough' is false and the line says so. 'evidence' is what the verdict was reached from.
 */
enum status_code advise_next(const struct verdict *verdict, const struct evidence_set *evidence,
                             const struct advise_option *option, size_t options,
                             struct advise_result *result, struct status *st);

#endif
