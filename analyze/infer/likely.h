/* likely: how likely an item of evidence is, given what it should read.
 *
 * Each item is either sound, with normal errors on its scale (a probability where it is only a
 * bound or a trial), or a bench mistake: a wrong limb, a slipped decimal, a misread line. */
#ifndef TRUEWOUND_LIKELY_H
#define TRUEWOUND_LIKELY_H

#include <stdbool.h>
#include <stddef.h>

#include "analyze/infer/evidence.h"

struct likely {
    const struct evidence_set *set;
    double noise[EVIDENCE_MAX];  /* of each item on its scale */
    double middle[EVIDENCE_MAX]; /* what the coil as designed would read, on the scale */
    double mistake;              /* probability that an item is a bench mistake */
};

/* True for the item that stands for all polarities; the others are weighed with it. */
bool likely_leads_polarity(const struct likely *l, size_t item);

/* Distance of a reading from the item's value in units of its noise: the scalar of weigh.h. For
 * polarities the reading itself; READING_NONE stays far. */
double likely_scalar(const struct likely *l, size_t item, double reading);

/* Log density (or probability) of the item when it is sound, and when it is a mistake. */
double likely_sound(const struct likely *l, size_t item, double scalar);
double likely_mistaken(const struct likely *l, size_t item, double scalar);

/* Probability beforehand that the item is a mistake. */
double likely_mistake(const struct likely *l, size_t item);

/* What a sound item adds to a sum of squares; negative: it does not count. */
double likely_misfit(const struct likely *l, size_t item, double scalar);

/* Log likelihood of all items when nothing is known of the coil but its design. */
double likely_unknown(const struct likely *l);

/* What solid iron shows as a second time constant without any short, on its scale. */
void likely_eddy(double *reading, double *noise);

#endif
