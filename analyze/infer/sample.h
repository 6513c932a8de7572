/* sample: draws from a proposal and what each weighs.
 *
 * Sobol' points in several replicates, each with its own digital shift: the same on every machine
 * and in every run. */
#ifndef TRUEWOUND_SAMPLE_H
#define TRUEWOUND_SAMPLE_H

#include <gsl/gsl_qrng.h>
#include <stddef.h>

#include "analyze/infer/integrand.h"
#include "analyze/infer/proposal.h"
#include "analyze/infer/weigh.h"
#include "db/status.h"

struct sample {
    size_t unknowns, draws, replicates, total; /* total: of all replicates, one after another */
    double *point;                             /* sample_point() */
    double *log_weight;                        /* -inf where there is no likelihood */
    double *weight;                            /* against the heaviest, 0 to 1 */
    double (*mistaken)[WEIGH_ITEMS_MAX];       /* probability, at each draw, that an item is one */
    double top;                                /* greatest log_weight; -inf: no draw counts */
    double sum;                                /* of the weights */
    double effective;                          /* effective number of draws */
    gsl_qrng *sobol;
};

/* Makes room for so many draws. Error: STATUS_MEMORY, and there is nothing to free. */
enum status_code sample_new(size_t unknowns, size_t draws, size_t replicates, struct sample *s,
                            struct status *st);
void sample_free(struct sample *s);

/* Draws all points anew and weighs them, costly items from their parabolas. */
void sample_draw(struct sample *s, struct integrand *f, const struct proposal *p);

/* z[unknowns] of a draw. */
const double *sample_point(const struct sample *s, size_t draw);

/* A walk along the draws that takes 'count' of them evenly by their weight (systematic resampling):
 * begin with sample_begin(), then sample_next() 'count' times gives the number of a draw each. */
struct sample_walk {
    const struct sample *sample;
    double step, next, seen;
    size_t at;
};
struct sample_walk sample_begin(const struct sample *s, size_t count);
size_t sample_next(struct sample_walk *walk);

#endif
