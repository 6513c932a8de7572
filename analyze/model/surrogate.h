/* surrogate: a cheap stand-in for a costly model near one point.
 *
 * A response surface (Box and Draper, Response Surfaces, Mixtures, and Ridge Analyses): powers of
 * every input and products of those that matter, fitted by least squares to runs of the true model;
 * results that keep one sign are fitted in their logarithm. On runs it has not seen, what it misses
 * is measured and kept; a caller that draws at random adds one of those misses to each draw, so
 * that the spread of the results is that of the model and not of the smoother surface. A caller can
 * refuse a surface that misses too much. Used for Monte Carlo draws of the magnetic circuit. */
#ifndef TRUEWOUND_SURROGATE_H
#define TRUEWOUND_SURROGATE_H

#include <stddef.h>

#include "analyze/model/uncertain.h"
#include "db/status.h"

struct surrogate;

/* Fits a surrogate of f (n inputs, m results) over the distributions of the inputs. components: m x
 * n first-order c_i u_i (uncertain_first_order), which say which inputs matter. Results that are
 * NaN or infinite at the estimates are left out and given back as they are. Runs f about three
 * times the number of terms (a few hundred to a few thousand). *error: the worst, over the results,
 * of root-mean-square error on fresh draws divided by the standard deviation of the result.
 * STATUS_NUMERIC when f fails on more than one run in ten, STATUS_MEMORY. */
enum status_code surrogate_fit(uncertain_model f, void *context, const struct uncertain_input *x,
                               size_t n, size_t m, const double *components, unsigned long seed,
                               struct surrogate **out, double *error, struct status *st);
void surrogate_free(struct surrogate *s);

/* The m results at one point; n and m as fitted. miss: which of the kept misses to add, any number
 * (taken round), or SURROGATE_SMOOTH for the bare surface. */
#define SURROGATE_SMOOTH ((size_t)-1)
void surrogate_run(const struct surrogate *s, const double *x, size_t miss, double *y);

#endif
