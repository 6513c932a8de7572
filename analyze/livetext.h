/* livetext: a live reading as the instrument shows it: to its own last digit, so that a display
 * that rests does not change its length. */
#ifndef TRUEWOUND_LIVETEXT_H
#define TRUEWOUND_LIVETEXT_H

#include <stddef.h>

#include "db/quantity.h"
#include "db/units.h"

/* Writes an SI value with its unit ("16.190 Ω"). digit: one step of the instrument, SI; NaN or 0
 * when it is not known: four significant figures. Returns buf. */
const char *livetext_make(char buf[UNITS_FORMAT_SIZE], double value, double digit,
                          const struct quantity *quantity);

#endif
