/* livetext: a live reading as the instrument shows it: to its own last digit, so that a display
 * that rests does not change its length. */
#ifndef TRUEWOUND_LIVETEXT_H
#define TRUEWOUND_LIVETEXT_H

#include <stddef.h>

#include "db/quantity.h"
#include "db/store_bench.h"
#include "db/store_read.h"
#include "db/units.h"

/* Writes an SI value with its unit ("16.190 Ω"). digit: one step of the instrument, SI; NaN or 0
 * when it is not known: four significant figures. Returns buf. */
const char *livetext_make(char buf[UNITS_FORMAT_SIZE], double value, double digit,
                          const struct quantity *quantity);

/* Standard uncertainty of one reading, SI, by what the maker states (limits taken as rectangles,
 * JCGM 100, 4.3.7) and the last digit (NaN: not known). NaN when no accuracy is stated.
 * calibration: the one the reading was taken under; NULL when there was none. */
double livetext_u(const struct store_calibration *calibration, const struct store_reading *reading,
                  double digit);
/* The same, with the reading's calibration looked up. */
double livetext_u_of(struct store *store, const struct store_reading *reading, double digit);

/* Writes "± 0.012 Ω" for a value of that uncertainty, "accuracy not stated" for NaN. */
const char *livetext_sure(char buf[UNITS_FORMAT_SIZE], double value, double u,
                          const struct quantity *quantity);

#endif
