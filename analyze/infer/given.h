/* given: one battery with its unknowns given: how well its voltages fit, and what they then say of
 * its departure from the curve (depart.h), which is integrated over in closed form. */
#ifndef TRUEWOUND_GIVEN_H
#define TRUEWOUND_GIVEN_H

#include "analyze/infer/belief.h"

struct given {
    /* The unknowns: capacity as of belief.h, depth when it was fitted, self-discharge in 1/s, and
     * which curve of fade.h. */
    double c, x0, rate;
    int curve;
    /* Worked out from them. */
    double x[DAILY_BINS]; /* depth of each bin */
    struct depart_place at[DAILY_BINS];
    double lower[DAILY_BINS][DAILY_BINS]; /* Cholesky */
    double alpha[DAILY_BINS];             /* lower^-1 residual */
    double log_det, log_like;
};

/* Depths of the bins alone. */
void given_depths(const struct belief *b, struct given *g);

/* Depths, and the covariance of the readings there: the same for every knee. */
void given_place(const struct belief *b, struct given *g);

/* How well the curve fits there: log_like, but for a constant. After given_place. */
void given_fit(const struct belief *b, struct given *g);

/* Both. */
void given_weigh(const struct belief *b, struct given *g);

/* Depth on the last day, which is a little after the middle of the last bin. After
 * given_depths. */
double given_depth_now(const struct belief *b, const struct given *g);

/* Mean and standard deviation of the departure at a depth, V a cell. After given_fit. */
void given_departure(const struct belief *b, const struct given *g, double depth, double kelvin,
                     double *mean, double *sd);

#endif
