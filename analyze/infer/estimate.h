/* estimate: the figures of a coil that a verdict knows, each with its 95 % interval. */
#ifndef TRUEWOUND_ESTIMATE_H
#define TRUEWOUND_ESTIMATE_H

#include <stdbool.h>
#include <stddef.h>

#include "analyze/infer/suppose.h"
#include "analyze/infer/verdict.h"

enum estimate_quantity {
    ESTIMATE_TURNS_A,
    ESTIMATE_TURNS_B,
    ESTIMATE_RESISTANCE_A,
    ESTIMATE_RESISTANCE_B,
    ESTIMATE_RESISTANCE,
    ESTIMATE_WIRE,
    ESTIMATE_TEMPERATURE,
    ESTIMATE_MEAN_TURN,
    ESTIMATE_WIRE_LOT,
    ESTIMATE_GAP,
    ESTIMATE_JOINT,
    ESTIMATE_SHORTED_A,
    ESTIMATE_SHORTED_B,
    ESTIMATE_LEAKAGE,
    ESTIMATE_HEAT,
    ESTIMATE_LEADS,
    ESTIMATE_QUANTITIES
};

/* Interval of a quantity over the draws of one finding (a row of finding_table; SIZE_MAX: over
 * all). False when too few draws speak of it. */
bool estimate_of(const struct suppose *s, const struct verdict *v, enum estimate_quantity q,
                 size_t finding, struct verdict_estimate *e);

/* Fills the verdict's estimates. */
void estimate_all(const struct suppose *s, struct verdict *v);

/* See verdict_figures. */
size_t estimate_figures(const struct verdict *verdict, size_t rank,
                        struct verdict_estimate figure[VERDICT_FIGURES_MAX]);

#endif
