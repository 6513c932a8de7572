/* chart: one figure of many coils in the order they were wound: limits computed from the data,
 * outliers, runs and drift.
 *
 * The chart of individual values with moving ranges (Shewhart): centre = mean, limits = mean +-
 * 3 R / 1.128, R = mean of |x(i) - x(i-1)|; 1.128 is d2 for two values (NIST/SEMATECH e-Handbook of
 * Statistical Methods, 6.3.2.2, from memory). A few wild values would widen such limits until none
 * is odd: they are set aside first, by the generalized extreme Studentized deviate test (Rosner;
 * the same handbook, 1.3.5.17.3, from memory), and limits, runs and drift are those of the rest.
 * That test looks for up to a third of the values and finds one in a clean batch one time in a
 * hundred. Drift is the least-squares slope against the order, tested by Student's t. */
#ifndef TRUEWOUND_CHART_H
#define TRUEWOUND_CHART_H

#include <stdbool.h>
#include <stddef.h>

#include "db/status.h"

#define CHART_LEAST 4 /* values, for limits to mean anything */
#define CHART_MOST  4096
#define CHART_RUN   8 /* in a row on one side of the centre: no accident (1 in 128) */

struct chart {
    size_t n;
    size_t wild; /* of them set aside before the limits were drawn */
    double centre;
    double low, high; /* limits */
    double sd;        /* within, from the moving range */
    size_t outside;   /* values beyond the limits, the wild ones among them */
    size_t run;       /* longest run on one side of the centre */
    double slope;     /* a coil */
    double slope_u;
    double drift_p; /* chance of such a slope without drift, two-sided */
};

/* How many of n values (3 to CHART_MOST) are outliers by the generalized extreme Studentized
 * deviate test: at most 'most' of them (at most n - 2), in a clean sample of a normal distribution
 * any with probability alpha. outlier[] gets the indices of the 'most' most extreme ones, the most
 * extreme first; the first so many of them are the outliers. */
size_t chart_outliers(const double *value, size_t n, size_t most, double alpha, size_t *outlier);

/* Computes a chart of n values in order. STATUS_INPUT: fewer than CHART_LEAST or more than
 * CHART_MOST values, or one that is not finite (which one). Values all alike give limits equal to
 * the centre. */
enum status_code chart_make(const double *value, size_t n, struct chart *chart, struct status *st);

/* True when a value lies beyond the limits. */
bool chart_outside(const struct chart *chart, double value);

#endif
