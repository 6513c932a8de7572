/* compare: what the design says one item of evidence should have read. */
#ifndef TRUEWOUND_COMPARE_H
#define TRUEWOUND_COMPARE_H

#include <stdbool.h>

#include "analyze/infer/evidence.h"
#include "analyze/model/amount.h"
#include "analyze/model/coil.h"
#include "analyze/model/design.h"
#include "db/status.h"

/* Whole air at each pole, m, with a shim between pole and keeper: a design's gap of up to 0.15 mm
 * is taken as paint, plating or a fixed shim that stays under it (as the inference does); a longer
 * one is what the shim stands for, and only the roughness of the faces is left under it. */
double compare_gap(const struct design *design, double shim);

/* Predicts an item at its own temperature, voltage or current, gap and keeper, from the completed
 * design, with its standard uncertainty. exists is false for an item that a design alone says
 * nothing of (insulation, drift, supply sag). Errors are those of the forward model. */
struct compare_prediction {
    bool exists;
    struct amount amount; /* SI */
};
enum status_code compare_item(const struct design *design, const struct evidence_item *item,
                              struct compare_prediction *out, struct status *st);

/* Whether two completed designs are of one coil: same iron, wire and winding, whatever their names,
 * notes, supplies and limits. */
bool compare_same_design(const struct design *a, const struct design *b);

/* Standard uncertainty of the item itself: its own scatter and its instrument's gain together. */
double compare_measured_u(const struct evidence_set *set, const struct evidence_item *item);

#endif
