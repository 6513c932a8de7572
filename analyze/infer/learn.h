/* learn: what coils proven good teach about the shop's own practice.
 *
 * Each learnt figure is a factor (or shift) on a prediction: wire resistance of a lot, mean turn or
 * fill of a winder's hand, contact gap of faced pieces, bias of a meter. Coils differ among
 * themselves, so the model is the normal-normal one with a between-coil spread that is itself
 * unknown: y_i ~ N(mu_i, u_i), mu_i ~ N(mu, t), mu ~ N(prior, prior_u), t half-normal. mu and t are
 * integrated on a grid over t in closed form for mu (Gelman et al., Bayesian Data Analysis, 3rd
 * ed. 2013, section 5.4). */
#ifndef TRUEWOUND_LEARN_H
#define TRUEWOUND_LEARN_H

#include <stddef.h>

#include "db/status.h"

enum learn_quantity {
    LEARN_MEAN_TURN,   /* relative deviation of the mean turn from the geometry */
    LEARN_WIRE_LOT,    /* relative deviation of resistance per metre from the table */
    LEARN_CONTACT_GAP, /* logarithm of the effective contact gap in metres */
    LEARN_METER,       /* relative gain error of one instrument */
    LEARN_QUANTITIES
};

/* One coil's estimate of a quantity, with its own standard uncertainty. */
struct learn_example {
    double value;
    double u;
};

struct learn_prior {
    double mean, u; /* of the shop's own mean */
    double spread;  /* scale of the half-normal prior of the between-coil standard deviation */
};

struct learn_result {
    double mean, u;          /* of the shop's own mean, after the examples */
    double spread, spread_u; /* between-coil standard deviation: posterior mean and sd */
    double next, next_u;     /* prediction for the next coil: mean and standard deviation */
    size_t examples;
    double prior_weight; /* share of the prior in 'mean', 1 without examples */
};

/* The prior of each quantity and a sentence with its reason. */
struct learn_prior learn_prior_of(enum learn_quantity quantity);
const char *learn_reason(enum learn_quantity quantity);

/* Fixed word ("mean-turn") and sentence name ("mean turn against geometry"). */
const char *learn_name(enum learn_quantity quantity);
const char *learn_title(enum learn_quantity quantity);

/* Computes what count examples teach; with none, the prior. STATUS_INPUT for a non-finite value or
 * an uncertainty that is not positive, naming which. */
enum status_code learn_update(const struct learn_prior *prior, const struct learn_example *example,
                              size_t count, struct learn_result *result, struct status *st);

#endif
