/* mode: the posterior's mode for one way the items may be sound or mistaken, and the normal
 * approximation there.
 *
 * Damped Newton steps, with slopes by differences where those of the search (the caller's rough
 * ones, put right by Broyden's correction) do not lead up. */
#ifndef TRUEWOUND_MODE_H
#define TRUEWOUND_MODE_H

#include <stdbool.h>
#include <stddef.h>

#include "analyze/infer/integrand.h"
#include "analyze/infer/precision.h"
#include "analyze/infer/weigh.h"

/* How a normal approximation is drawn from: its spread widened by the one factor, and a share of
 * the draws by the other, for tails that are heavier than normal. */
#define MODE_NEAR       1.1
#define MODE_WIDE       2.2
#define MODE_WIDE_SHARE 0.15

#define MODE_WALL 8.0 /* standard deviations of the prior beyond which nothing is searched */

struct mode {
    bool mistaken[WEIGH_ITEMS_MAX];
    double at[WEIGH_UNKNOWNS_MAX];
    double scalar[WEIGH_ITEMS_MAX];                    /* there */
    struct precision precision;                        /* there */
    double slope[WEIGH_ITEMS_MAX][WEIGH_UNKNOWNS_MAX]; /* of the scalars there */
    double log_evidence;                               /* by the normal approximation */
    bool holding; /* unknown 'held' is held at 'hold' while the others settle */
    size_t held;
    double hold;
};

/* Climbs from c->at to the mode with c->mistaken, and fills the rest of *c. exact: slopes by
 * differences at every step; else those of the model (or, when 'keep', those in *c), corrected as
 * it goes. False if there is no likelihood; *c is then of no use. */
bool mode_search(struct integrand *f, struct mode *c, bool exact, bool keep);

/* From c->at, c->scalar and c->slope: the gradient there (of model->unknowns) and c->precision.
 * False if that is not positive definite. */
bool mode_normal(const struct weigh_model *m, struct mode *c, double *gradient);

/* Puts right the slopes of the items that are not costly, by differences, and the precision with
 * them: those items are often so sharp that a slope off by some per cent makes a proposal useless.
 * The model must have quick(). False as mode_normal(). */
bool mode_sharpen(const struct weigh_model *m, struct mode *c);

/* Squared distance of the evidence from what the model expects: that of the mode from the middle of
 * the prior, and what each item not taken as a mistake adds. items: how many did. */
double mode_misfit(const struct weigh_model *m, const struct mode *c, double *items);

#endif
