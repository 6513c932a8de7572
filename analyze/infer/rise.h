/* rise: resistance, inductance and second time constant from a captured current rise.
 *
 * The current after switching V onto R, L with a shorted turn or eddy path coupled to the winding
 * is i(t) = I (1 - (1 - w) exp(-t/t1) - w exp(-t/t2)), t2 < t1, 0 <= w < 1; w = 0 without one. Then
 * L = R ((1 - w) t1 + w t2), and the ring by itself has the time constant (1 - w) t2 + w t1 (from
 * the equations of two coupled circuits). The fit is nonlinear least squares (GSL multifit,
 * Levenberg-Marquardt); the second exponential is kept only if it earns it by the F test at 1 in
 * 1000. Battery sag enters by the source resistance, or sample by sample if the voltage was
 * captured too. The inductance is the flux linkage over the current at the end: that of the
 * form where it holds, else by the area between the samples and their end, for a core of solid iron
 * has eddy currents that are no single ring, and iron that saturates has no one inductance. */
#ifndef TRUEWOUND_RISE_H
#define TRUEWOUND_RISE_H

#include <stdbool.h>
#include <stddef.h>

#include "db/status.h"

struct rise_capture {
    const double *time;    /* s from the trigger, ascending */
    const double *current; /* A */
    const double *voltage; /* V across the coil at each sample, or NULL */
    size_t count;          /* 8 or more */
    double supply;         /* V, unloaded; used when voltage is NULL */
    double supply_u;       /* V */
    double source_ohm;     /* ohm of the supply and shunt in series, 0 if none; its share of the
                              fitted resistance is taken off */
    double source_ohm_u;   /* ohm */
    double gain_u;         /* relative standard uncertainty of the current channel's gain */
};

struct rise_fit {
    double resistance, resistance_u;     /* ohm, of the coil alone */
    double inductance, inductance_u;     /* H */
    double tau, tau_u;                   /* s, main time constant */
    double start, start_u;               /* s, of the rise against the trigger */
    bool second;                         /* a second time constant is seen */
    double second_tau, second_tau_u;     /* s, of the coupled ring by itself: its L / R */
    double second_share, second_share_u; /* 0 to 1 */
    double second_limit; /* s; when not seen: a second time constant above it with a share of 5 %
                            would have been */
    double sag;          /* V, fall of the supply over the capture; NaN without voltage */
    double noise;        /* A, residual standard deviation */
    double runs_p;       /* probability of so few or many runs of residuals: small = shape misfit */
    bool saturating;     /* the rise bends upward: the inductance falls as the current grows */
    bool complete;       /* the capture lasted three time constants or more */
};

/* Fits. STATUS_INPUT names what is wrong with the capture (too few samples, times not ascending,
 * no rise, non-finite value), STATUS_NUMERIC when the fit does not settle. */
enum status_code rise_fit(const struct rise_capture *capture, struct rise_fit *fit,
                          struct status *st);

/* The current of the fitted form at time t, A. */
double rise_current(const struct rise_fit *fit, double supply, double source_ohm, double t);

/* General nonlinear least squares as rise_fit uses it, open to the tests so that it can be held
 * against published sets. model gives y at x for the p parameters. */
struct rise_problem {
    size_t n, p;
    const double *x, *y;
    double (*model)(double x, const double *parameter);
};

/* parameter: start in, solution out; error: standard errors (s sqrt diag (J'J)^-1), p of each;
 * residual_ss: residual sum of squares. */
enum status_code rise_least_squares(const struct rise_problem *problem, double *parameter,
                                    double *error, double *residual_ss, struct status *st);

#endif
