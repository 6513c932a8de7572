/* rising: what a captured current rise says of a coil, as evidence: the same whether the rise was
 * just captured, is read back, or comes from elsewhere. */
#ifndef TRUEWOUND_RISING_H
#define TRUEWOUND_RISING_H

#include <stdbool.h>
#include <stddef.h>

#include "analyze/conditions.h"
#include "analyze/infer/rise.h"
#include "db/status.h"

#define RISING_FIGURES 2

/* One figure to be noted as an observation. */
struct rising_figure {
    const char *kind;     /* a word of evidence_quantity() */
    const char *quantity; /* what the store calls it */
    double value, u;      /* SI; u is NaN for a bound */
    bool below;           /* value is an upper bound */
};

/* Fits the rise. at: s from the trigger, ascending; current: A; count samples taken at rate (1/s).
 * Samples before the trigger are left out. conditions: voltage is what the coil was switched to,
 * unloaded, V; source_ohm what lies in series with the coil, ohm, none when not known. STATUS_INPUT
 * when it shows no rise. */
enum status_code rising_fit(const struct conditions *conditions, const double *at,
                            const double *current, size_t count, double rate, struct rise_fit *fit,
                            struct status *st);

/* The figures to be noted of a fit, at most RISING_FIGURES; returns how many. Completes the
 * conditions with the current that the rise ends at, for the iron's sake. */
size_t rising_figures(const struct rise_fit *fit, struct conditions *conditions,
                      struct rising_figure figure[RISING_FIGURES]);

#endif
