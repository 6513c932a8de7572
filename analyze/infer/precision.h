/* precision: a normal distribution by the precision matrix about its mode.
 *
 * The precision (the inverse of the covariance) is held as its lower Cholesky factor L, P = L L'.
 * Only the lower triangle is ever read or written. */
#ifndef TRUEWOUND_PRECISION_H
#define TRUEWOUND_PRECISION_H

#include <stdbool.h>
#include <stddef.h>

#include "analyze/infer/weigh.h"

struct precision {
    double root[WEIGH_UNKNOWNS_MAX][WEIGH_UNKNOWNS_MAX];
};

/* Turns a symmetric matrix, given by its lower triangle, into its factor in place. n: rows, 0 to
 * WEIGH_UNKNOWNS_MAX, here and below. False if it is not positive definite; the triangle is then
 * spoilt. */
bool precision_factor(struct precision *p, size_t n);

/* Solves L L' x = b. With b a unit vector, x is a column of the covariance. */
void precision_solve(const struct precision *p, size_t n, const double *b, double *x);

/* |L'(a - b)|^2: the squared distance of two points in standard deviations. */
double precision_square(const struct precision *p, size_t n, const double *a, const double *b);

/* Half the logarithm of the determinant of P: the sum of the logarithms of L's diagonal. */
double precision_log_root(const struct precision *p, size_t n);

/* Solves L'(z - mode) = normal: the point that so many standard deviations stand for. */
void precision_point(const struct precision *p, size_t n, const double *mode, const double *normal,
                     double *z);

#endif
