/* uncertain: how uncertainties of inputs become the uncertainty of results.
 *
 * First order (JCGM 100:2008, 'GUM'): components c_i u_i from half the change over +-u_i (5.1.3
 * note 2), law of propagation with correlations (5.2.2, eq. 16), effective degrees of freedom by
 * Welch and Satterthwaite (G.4.1). Monte Carlo (JCGM 101:2008): draws from the stated
 * distributions, mean, standard deviation and the probabilistically symmetric 95 % interval (7.7).
 * Comparison of the two as in JCGM 101 clause 8. */
#ifndef TRUEWOUND_UNCERTAIN_H
#define TRUEWOUND_UNCERTAIN_H

#include <stdbool.h>
#include <stddef.h>

#include <gsl/gsl_rng.h>

#include "db/status.h"

enum uncertain_shape {
    UNCERTAIN_NORMAL,
    UNCERTAIN_UNIFORM,    /* half width u sqrt 3 */
    UNCERTAIN_TRIANGULAR, /* half width u sqrt 6 */
    UNCERTAIN_ARCSINE /* half width u sqrt 2: a cycling quantity, such as a room's temperature */
};

#define UNCERTAIN_INPUTS_MAX 64

struct uncertain_input {
    const char *name;
    enum uncertain_shape shape;
    double value; /* expectation */
    double u;     /* standard uncertainty, >= 0 */
    double dof; /* degrees of freedom of u; INFINITY when known exactly. Used by first order only */
    double low, high; /* physical bounds: a draw outside is moved to the bound; -+INFINITY: none */
};

/* The model: m results y from n inputs x. A failing call returns another code than STATUS_OK. */
typedef enum status_code (*uncertain_model)(void *context, const double *x, double *y,
                                            struct status *st);

struct uncertain_result {
    double value; /* f at the estimates (first order), or the mean of the draws (Monte Carlo) */
    double u;
    double dof;       /* effective, first order; INFINITY for Monte Carlo */
    double k;         /* coverage factor for 95 %: Student's t at dof */
    double low, high; /* 95 % interval: value -+ k u, or quantiles of the draws */
};

/* First order. r: n x n correlation matrix by rows, NULL for uncorrelated. components: m x n signed
 * c_i u_i by rows (result, input), may be NULL. A result that is infinite or NaN at the estimates
 * gets u = NaN. Makes 2 n + 1 model calls. */
enum status_code uncertain_first_order(uncertain_model f, void *context,
                                       const struct uncertain_input *x, size_t n, const double *r,
                                       size_t m, struct uncertain_result *results,
                                       double *components, struct status *st);

/* Correlation of results j and k that comes from shared inputs (JCGM 100 F.1.2.3), from components
 * as above. NaN when either has no uncertainty. */
double uncertain_result_correlation(const double *components, size_t n, const double *r, size_t j,
                                    size_t k);

/* Share of the variance of result j by input, summing to 1 (correlated terms are given half to each
 * of the two inputs, so that a share may be negative). */
void uncertain_shares(const double *components, size_t n, const double *r, size_t j,
                      double *shares);

/* Monte Carlo with a fixed seed: the same draws on every machine. r as above: correlated inputs
 * must all be normal. draws: 100 to 10 000 000. Draws whose model call fails are left out and
 * counted in *failed (may be NULL); more than one in ten failing is STATUS_NUMERIC. Memory:
 * draws x m doubles, freed before return. */
enum status_code uncertain_monte_carlo(uncertain_model f, void *context,
                                       const struct uncertain_input *x, size_t n, const double *r,
                                       size_t m, size_t draws, unsigned long seed,
                                       struct uncertain_result *results, size_t *failed,
                                       struct status *st);

/* One draw of a distribution, with mean 0 and standard deviation 1. */
double uncertain_draw(gsl_rng *rng, enum uncertain_shape shape);

/* Numerical tolerance of u stated to so many significant digits (1 or 2): half a unit of the last
 * (JCGM 101 7.9.2). */
double uncertain_tolerance(double u, int digits);

/* JCGM 101 clause 8.1.3: both ends of the two intervals agree within the tolerance. */
bool uncertain_agree(const struct uncertain_result *first_order,
                     const struct uncertain_result *monte_carlo, int digits);

#endif
