/* weigh: the marginal likelihood of one model, with its standard error, and weighted draws from
 * its posterior.
 *
 * The model has unknowns z with a standard normal prior (whatever the physical prior is, the
 * caller maps z to it) and items that depend on z through one scalar each. The integral is done by
 * importance sampling: damped Newton steps find the mode, for the case that every item is sound
 * and for each case in which one item is a mistake; the proposal is the mixture of the normal
 * approximations there and, where the last unknowns bend the posterior into a ridge, of one that
 * follows the ridge; points are Sobol' points with a fixed digital shift for each of several
 * replicates, whose scatter is the stated standard error. Nothing is random: the same input gives
 * the same answer. Method: Evans and Swartz, Approximating Integrals via Monte Carlo and
 * Deterministic Methods (Oxford 2000), chapters 4 and 6; Owen and Zhou, JASA 95 (2000) 135-143 for
 * the mixture proposal (references from memory).
 *
 * The steps are modules of their own, each of which knows only those before it: integrand (the
 * density, and parabola for its costly items), mode, cases (begin), ridge, proposal, sample, mend,
 * costly. */
#ifndef TRUEWOUND_WEIGH_H
#define TRUEWOUND_WEIGH_H

#include <stdbool.h>
#include <stddef.h>

#include "db/status.h"

#define WEIGH_UNKNOWNS_MAX 32
#define WEIGH_ITEMS_MAX    64
#define WEIGH_FAR          1e5

struct weigh_model {
    size_t unknowns; /* 0 to WEIGH_UNKNOWNS_MAX */
    size_t items;    /* 0 to WEIGH_ITEMS_MAX */
    void *context;
    /* Fills scalar[items] for z[unknowns], each in units of its item's own noise, so that a change
     * of 1 is about one standard deviation. False if the physics has no answer there (that z then
     * has no weight). Values beyond +-WEIGH_FAR are taken as that. */
    bool (*scalars)(void *context, const double *z, double *scalar);
    /* Log density of what was observed on one item, sound, given its scalar. Normalised. */
    double (*sound)(void *context, size_t item, double scalar);
    /* The same for an item that is a bench mistake; NULL if there are none. */
    double (*mistaken)(void *context, size_t item, const double *scalar);
    /* Probability that an item is a mistake; NULL means never. */
    double (*mistake)(void *context, size_t item);
    /* Where some items cost much more than others: fills only the others, the costly ones marked.
     * While sampling, the costly scalars are then taken from a quadratic about the mode, and the
     * integral is put right by the exact ones at a few of the draws; the error of that is part of
     * the standard error. NULL: none is costly. */
    bool (*quick)(void *context, const double *z, double *scalar);
    const bool *costly;
    /* Rough derivatives of the scalars (rows of items) in the first 'slopes' unknowns, to begin the
     * search with; NULL: not known. */
    const double *slope;
    size_t slopes;
    /* How many of the last unknowns may bend the posterior into a ridge. */
    size_t bends;
    /* What a sound item adds to 'misfit'; negative: it does not count. NULL: scalar^2. */
    double (*item_misfit)(void *context, size_t item, double scalar);
};

struct weigh_options {
    size_t draws;            /* Sobol' points a replicate, 16 to 65536; default 64 */
    size_t replicates;       /* 2 to 32; default 8 */
    bool exact;              /* slopes by differences all the way: dearer, and a better proposal */
    bool draws_only_if_near; /* skip the sampling when the normal approximation lies more than
                                'margin' below 'best' */
    double best;
    double margin;
    const double *start; /* z to start the search from, or NULL for 0 */
};

struct weigh_draw {
    double z[WEIGH_UNKNOWNS_MAX];
};

struct weigh_result {
    double log_evidence;
    double log_evidence_u; /* standard error of it; NaN when not sampled */
    double laplace;        /* log evidence by the normal approximation alone */
    bool sampled;
    double mode[WEIGH_UNKNOWNS_MAX];
    /* Squared distance of the evidence from what the model expects: |mode|^2 and the item_misfit of
     * each item not taken as a mistake. Chi-squared with 'freedom' degrees when the model is right
     * and near linear (its distribution over the model's own prior). */
    double misfit;
    double freedom;
    double mistaken[WEIGH_ITEMS_MAX]; /* posterior probability that each item is a mistake */
    double effective;                 /* effective number of draws */
    size_t evaluations;               /* of the scalars */
    struct weigh_draw *draw;          /* equally weighted, of the posterior; owned here */
    size_t draws;
};

struct weigh_options weigh_options_default(void);

/* Computes *result. keep: how many equally weighted draws to keep (0 for none). Errors:
 * STATUS_INPUT for sizes out of range, STATUS_NUMERIC when no point has any likelihood,
 * STATUS_MEMORY. */
enum status_code weigh_integrate(const struct weigh_model *model,
                                 const struct weigh_options *options, size_t keep,
                                 struct weigh_result *result, struct status *st);

void weigh_free(struct weigh_result *result);

/* log(exp(a) + exp(b)) without overflow; -inf is log of 0. */
double weigh_log_add(double a, double b);

#endif
