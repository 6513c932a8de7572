/* candidate: every way of being that a coil could have (each variant of each finding), weighed
 * against the evidence.
 *
 * The list has the findings of finding.h one by one, so that probabilities, ranks, intervals and
 * doubts are all sums over it. */
#ifndef TRUEWOUND_CANDIDATE_H
#define TRUEWOUND_CANDIDATE_H

#include <stdbool.h>
#include <stddef.h>

#include "analyze/infer/evidence.h"
#include "analyze/infer/suppose.h"
#include "analyze/infer/verdict.h"
#include "analyze/infer/weigh.h"
#include "db/status.h"

#define CANDIDATE_MAX 256

/* One variant of one finding, weighed. */
struct candidate {
    struct suppose_variant variant;
    struct weigh_result result;
    double log_prior;
    double probability;
};

/* Fills 'list' (CANDIDATE_MAX) and weighs what is not ruled out, keeping draws of those that count;
 * adds to verdict->evaluations. The results are to be freed with weigh_free. */
enum status_code candidate_weigh(const struct design *design, const struct evidence_set *evidence,
                                 struct suppose *s, const struct verdict_options *o,
                                 struct candidate *list, size_t *count, struct verdict *v,
                                 struct status *st);

/* Probabilities of all; returns that of 'something else', whose weight is given. */
double candidate_normalise(struct candidate *list, size_t count, double log_unknown);

/* Copies draws of each in proportion to its probability into verdict->draw. */
enum status_code candidate_gather(struct suppose *s, const struct candidate *list, size_t count,
                                  struct verdict *v, struct status *st);

#endif
