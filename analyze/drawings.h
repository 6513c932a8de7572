/* drawings: hands the figures of a coil to the drawing kit. */
#ifndef TRUEWOUND_DRAWINGS_H
#define TRUEWOUND_DRAWINGS_H

#include "analyze/compare.h"
#include "analyze/curves.h"
#include "analyze/infer/evidence.h"
#include "analyze/model/coil.h"
#include "analyze/model/design.h"
#include "analyze/model/prediction.h"
#include "reports/coildraw.h"
#include "reports/plot.h"

/* A curve with its band and the design's working point. evidence may be NULL; its lift trials are
 * drawn over a pull curve: held, dropped or not lifted, and 'more than', each with its own shape.
 * NULL without memory. */
struct plot *drawings_curve(const struct design *design, const struct curve *curve,
                            const struct evidence_set *evidence);

/* What a lift trial showed. In every drawing each has the same shape, colour and label. */
enum drawings_outcome {
    DRAWINGS_HELD,
    DRAWINGS_FELL, /* dropped, or not lifted */
    DRAWINGS_MORE, /* held, and the pull is more than the load */
    DRAWINGS_OUTCOMES
};
enum drawings_outcome drawings_outcome_of(const struct evidence_item *item);

/* Puts n trials of one outcome into a plot; nothing when n is 0. direction is where 'more' points.
 */
void drawings_outcome(struct plot *plot, enum drawings_outcome outcome,
                      enum plot_direction direction, size_t n, const double *x, const double *y);

/* Measured against predicted, item by item, in per cent of the prediction with one standard
 * uncertainty. prediction has one entry for each item. NULL without memory. */
struct plot *drawings_deviations(const struct evidence_set *evidence,
                                 const struct compare_prediction *prediction);

/* The coil to scale. The strings in *shape are those of label, which must live as long. */
struct drawings_labels {
    char title[128];
    char limb[2][64];
};
void drawings_coil(const struct design *design, const struct prediction *prediction,
                   struct coildraw *shape, struct drawings_labels *labels);

#endif
