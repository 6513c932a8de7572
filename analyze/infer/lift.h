/* lift: the pull at which a magnet lets go, from trials that held or fell.
 *
 * From one seating of the keeper to the next the logarithm of the pull scatters normally about mu
 * with standard deviation 'scatter'. A trial only says on which side of its load that pull was; a
 * load known only as 'more than' says less; a scale that was pulled until it let go, or a curve of
 * unloading, says the pull itself. That is a location and scale model with censored data: maximum
 * likelihood with a profile interval (W. Q. Meeker, L. A. Escobar, Statistical Methods for
 * Reliability Data, 1998, ch. 8; from memory). Few trials say little of the scatter, so it may be
 * given a prior; without one this is plain maximum likelihood.
 *
 * Everything is in natural logarithms of the load (or of the current that holds a given load),
 * brought to one reference state by the caller. Pure: no clock, no input or output. */
#ifndef TRUEWOUND_LIFT_H
#define TRUEWOUND_LIFT_H

#include <stdbool.h>
#include <stddef.h>

#include "db/status.h"

#define LIFT_TRIALS_MAX 256

/* Seating scatter of a hand-placed keeper: median and spread (of its logarithm). Common practice,
 * no source: 95 % between 1 % and 18 % of the pull. */
#define LIFT_SCATTER        0.045
#define LIFT_SCATTER_SPREAD 0.7

enum lift_side {
    LIFT_ABOVE,  /* held, or 'more than': the pull was above value */
    LIFT_BELOW,  /* dropped or not lifted: below value */
    LIFT_EXACT,  /* the pull was value */
    LIFT_BETWEEN /* above value and below upper */
};

struct lift_trial {
    enum lift_side side;
    double value; /* ln of the load */
    double upper; /* ln; LIFT_BETWEEN only */
    double u;     /* standard uncertainty of value: load, current, reduction; 0 or more */
    double lapse; /* 0 to 0.5: probability that the outcome says nothing (bad seating, slip of the
                     pen); not for LIFT_EXACT */
    double slope; /* what the fitted slope multiplies, 0 at the reference state; else 0 */
};

struct lift_options {
    bool slope;            /* fit mu + b x slope, b unknown; else b = 0 */
    double scatter;        /* median of the scatter's prior; NaN: no prior, plain likelihood */
    double scatter_spread; /* standard deviation of the logarithm of the scatter */
    double shared_u;       /* uncertainty of the logarithm that all trials share (gain of scale and
                              ammeter): widens the interval */
    bool few;              /* widen the interval for few trials: Student's t for as many degrees of
                              freedom as trials and prior tell of the scatter; else chi-square */
    double confidence;     /* 0.5 to 0.999 */
};

enum lift_kind {
    LIFT_NOTHING,  /* no trial said anything */
    LIFT_INTERVAL, /* mu with a lower and an upper end */
    LIFT_AT_LEAST, /* everything held: only low holds, at the confidence, one-sided */
    LIFT_AT_MOST   /* everything fell: only high */
};

struct lift_fit {
    enum lift_kind kind;
    double mu;             /* ln of the load held in half of all seatings; NaN unless INTERVAL */
    double slope;          /* fitted b; 0 unless asked for */
    double scatter;        /* maximum likelihood (with prior: penalised); NaN unless INTERVAL */
    double low, high;      /* ends for mu; -INFINITY or INFINITY where open */
    double log_likelihood; /* at the maximum, without the prior */
    size_t above, below, exact;
    bool overlap; /* something fell at or below a load that held: the trials themselves show a
                     scatter */
};

/* Prior scatter, no slope, confidence 0.95, shared_u 0. */
struct lift_options lift_options_default(void);

/* Fits n trials. All held, or all fallen, is no fit but a one-sided bound: the load at which such a
 * run of luck would have had the probability 1 - confidence. STATUS_INPUT for a trial that cannot
 * be (names it), for more than LIFT_TRIALS_MAX, and for trials that say nothing of the scatter when
 * it has no prior; STATUS_NUMERIC when the maximum is not found. */
enum status_code lift_fit(const struct lift_trial *trial, size_t n,
                          const struct lift_options *options, struct lift_fit *fit,
                          struct status *st);

/* 2 (l_max - l(mu)), the profile deviance at mu: 0 at the estimate, 3.84 at the 95 % ends. Only of
 * the same trials and options that gave fit, of kind INTERVAL. */
double lift_deviance(const struct lift_trial *trial, size_t n, const struct lift_options *options,
                     const struct lift_fit *fit, double mu);

/* Probability that a load of ln value is held in one seating. NaN unless INTERVAL. */
double lift_probability(const struct lift_fit *fit, double value);

/* ---- up and down ---- */

enum lift_advice {
    LIFT_TRY,        /* try next */
    LIFT_PRECISE,    /* stop: the interval is as narrow as wanted */
    LIFT_ENOUGH,     /* stop: as many trials as were wanted */
    LIFT_OUT_OF_LOAD /* stop: it holds the greatest load there is; the bound is the answer */
};

struct lift_plan_options {
    double start;  /* ln of the first load: the predicted pull; NaN: next is NaN until a trial */
    double most;   /* ln of the greatest load to be had; INFINITY: no limit */
    double width;  /* stop when half the interval is narrower, ln; 0.1 */
    size_t trials; /* stop after so many; 24 */
};

struct lift_plan {
    enum lift_advice advice;
    double next; /* ln of the load to try; NaN on stopping */
    double step; /* ln */
};

/* What to try after the trials so far, in the order they were made. Strides until both outcomes
 * were seen, halves the space between, then goes up a step after a hold and down a step after a
 * fall (W. J. Dixon, A. M. Mood, J. Am. Stat. Assoc. 43 (1948) 109), the step being about the
 * scatter. */
struct lift_plan lift_next(const struct lift_trial *trial, size_t n, const struct lift_fit *fit,
                           const struct lift_plan_options *options);

/* Mean and standard deviation of an up-and-down run by the closed formulas of Dixon and Mood (1948)
 * as printed in D. Caliskan et al., Frattura ed Integrita Strutturale 58 (2021) 344, p. 347: a
 * check beside the likelihood, for equal steps only. value[i] ln of the load, held[i] the outcome.
 * STATUS_INPUT when the loads are not whole steps apart, or one outcome is missing. */
enum status_code lift_dixon_mood(const double *value, const bool *held, size_t n, double step,
                                 double *mean, double *deviation, struct status *st);

#endif
