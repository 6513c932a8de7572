/* curves: how a designed coil behaves over a range: pull, current rise and heating, with bands. */
#ifndef TRUEWOUND_CURVES_H
#define TRUEWOUND_CURVES_H

#include <stddef.h>

#include "analyze/model/design.h"
#include "db/status.h"

#define CURVES_POINTS_MAX 96

enum curves_kind { CURVES_PULL_GAP, CURVES_PULL_CURRENT, CURVES_RISE, CURVES_HEAT, CURVES_KINDS };

/* One curve in SI (temperature in degrees Celsius) with its 95 % band. */
struct curve {
    enum curves_kind kind;
    size_t n;
    double x[CURVES_POINTS_MAX];
    double y[CURVES_POINTS_MAX];
    double low[CURVES_POINTS_MAX];
    double high[CURVES_POINTS_MAX];
    double at;    /* x of the design's own working point; NaN when there is none */
    double limit; /* y that must not be passed (temperature), or is wanted (pull); NaN: none */
};

/* The word of a curve on the command line ("pull-gap"), and back; CURVES_KINDS when unknown. */
const char *curves_word(enum curves_kind kind);
enum curves_kind curves_find(const char *word);

/* Works out a curve of a completed design. reach: the greatest x wanted (m, A or s), NaN for one
 * that shows the working point well. STATUS_INPUT when the design lacks what the curve needs (a
 * keeper, a supply). */
enum status_code curves_make(const struct design *design, enum curves_kind kind, double reach,
                             struct curve *curve, struct status *st);

#endif
