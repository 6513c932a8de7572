/* verdict: pass, fail or undecided for one coil, with the findings behind it and the reasons.
 *
 * Every finding is weighed (suppose.h, weigh.h) against the evidence. The coil passes when the
 * probability that every limit holds is at least 'sure' and the measurements, not the priors, have
 * brought it there; fails when the probability that some limit is broken is at least 'sure'; and is
 * undecided otherwise, when nothing explains the evidence, or when more than one reading would have
 * to be a mistake.
 *
 * The way there, one module each: candidate (every way the coil could be, weighed), limits (which
 * of them keep the limits), doubt (what a pass may not assert), estimate (figures with intervals),
 * wording (a finding in words), reasons (the sentences). */
#ifndef TRUEWOUND_VERDICT_H
#define TRUEWOUND_VERDICT_H

#include <stdbool.h>
#include <stddef.h>

#include "analyze/infer/evidence.h"
#include "analyze/infer/finding.h"
#include "analyze/infer/suppose.h"
#include "analyze/model/design.h"
#include "db/status.h"

#define VERDICT_FINDINGS_MAX  64
#define VERDICT_ESTIMATES_MAX 16
#define VERDICT_FIGURES_MAX   6
#define VERDICT_LINES_MAX     10
#define VERDICT_LINE_SIZE     240
#define VERDICT_DRAWS_MAX     1024

enum verdict_result { VERDICT_PASS, VERDICT_FAIL, VERDICT_UNDECIDED };

/* Limits the coil is held to. The design's own where it gives them, else trade defaults: turns of
 * a limb +-5 %, resistance at 20 C +-10 %, insulation 1 megohm, joint 2 % of the winding, shorted
 * turns 1 % of a limb (all common practice, no source). The wire is the one designed and the limbs
 * aid, whatever the limits. Warmth breaks none: resistances count at 20 C. */
struct verdict_limits {
    double turns;      /* relative */
    double resistance; /* relative, of a limb against design at 20 C */
    double insulation; /* ohm */
    double joint;      /* relative to the coil's resistance */
    double shorted;    /* relative to the turns of a limb */
    double pull_min;   /* N at the design's working gap and current; NaN none */
    double sure;       /* probability needed to say pass or fail, default 0.95 */
    bool turns_default, resistance_default; /* the trade default is in use */
};

struct verdict_options {
    size_t draws; /* Sobol' points a replicate and hypothesis; 0 for the default */
    struct verdict_limits limits;
    struct suppose_learnt learnt; /* what the shop has learnt; NaN: nothing */
    struct finding_prior prior;
};

/* One finding, ranked. */
struct verdict_finding {
    const struct finding *finding;
    double probability;
    double log_evidence, log_evidence_u; /* of the finding, over its variants */
    char text[VERDICT_LINE_SIZE]; /* one sentence: "turns wrong on limb B: limb B 46 (34 to 58)
                                     turns short of 500", 95 % */
    const char *remedy;
};

/* One estimated quantity given the leading findings (all findings by weight): the median and the
 * interval that holds it with probability 0.95. */
struct verdict_estimate {
    const char *name; /* "turns of limb A", "resistance at 20 C", "coil temperature" ... */
    const char *unit; /* "turns", "ohm", "K", "degC", "m", "" */
    double expected;  /* by the design; NaN if there is none */
    double median, low, high;
    bool leading_only; /* given that the leading finding is true */
};

/* An item that does not fit the rest. */
struct verdict_misfit {
    size_t item;
    double probability; /* that it is a mistake */
};

struct verdict_draw; /* posterior draws for the advisor; see advise.h */

struct verdict {
    enum verdict_result result;
    double pass_probability;                              /* every limit holds */
    double fail_probability;                              /* 1 - pass_probability */
    struct verdict_finding finding[VERDICT_FINDINGS_MAX]; /* most probable first */
    size_t findings;
    double probability_u; /* standard error of the leading probability, from the sampling */
    struct verdict_estimate estimate[VERDICT_ESTIMATES_MAX];
    size_t estimates;
    struct verdict_misfit misfit[EVIDENCE_MAX]; /* probability above one half */
    size_t misfits;
    size_t slips;     /* readings that must be mistakes; one item can be the mean of several */
    double fit_p;     /* chance of evidence this odd if the leading finding were true */
    bool unexplained; /* fit_p below 0.005: none of the findings explains this */
    double unknown_probability; /* of something that is not in the table */
    bool direction_open;        /* nothing yet tells aiding from cancelling */
    bool direction_thin;        /* of a pass: one misread pole could hide that they cancel */
    double cancel_probability;
    struct verdict_limits limits;                    /* as used */
    char line[VERDICT_LINES_MAX][VERDICT_LINE_SIZE]; /* plain sentences, worst first */
    bool reserve[VERDICT_LINES_MAX]; /* the line says what a pass leaves open: it goes with the pass
                                      */
    size_t lines;
    size_t evaluations; /* of the forward model */
    /* Set when the coil would pass on its priors alone: the finding that the measurements hardly
     * tell from a sound coil, and how much less likely they are with it (beyond its limit) than
     * with a coil as designed. NULL otherwise. */
    const struct finding *doubt;
    double doubt_factor;
    /* Of a coil that passes: what could be wrong and not show. Share of a limb's turns that is
     * shorted, ohms of a bad joint, share of the turns missing or over; NaN when any over the limit
     * would show. */
    double shorted_hidden, joint_hidden, turns_hidden;
    struct verdict_draw *draw;
    size_t draws;
    struct verdict_draw *rival; /* coils with that doubt that explain the evidence, for advise.h */
    size_t rivals;
    struct suppose *suppose; /* kept for the advisor */
};

/* Options with trade defaults, then the design's own limits where it gives them. */
struct verdict_options verdict_options_default(const struct design *design);

/* Weighs the evidence on one coil of this (completed, checked) design. An empty set is allowed and
 * gives the priors and 'undecided'. Frees nothing of the caller's; release with verdict_free. */
enum status_code verdict_reach(const struct design *design, const struct evidence_set *evidence,
                               const struct verdict_options *options, struct verdict *verdict,
                               struct status *st);

void verdict_free(struct verdict *verdict);

/* "pass", "fail", "undecided". */
const char *verdict_word(enum verdict_result result);

/* The figures in the text of finding 'rank' as numbers: what it says of turns, wire, joint,
 * leakage, gap and so on, given that it is true. Returns how many, 0 where too few draws speak of
 * it. A wire of another size is its bare diameter, not to be told apart from its neighbours by more
 * than the interval says. */
size_t verdict_figures(const struct verdict *verdict, size_t rank,
                       struct verdict_estimate figure[VERDICT_FIGURES_MAX]);

/* Sum of the probabilities of the findings that contain any of these faults. */
double verdict_fault_probability(const struct verdict *verdict, unsigned faults);

#endif
