/* unitbeside: a unit that stands behind a number and that the bench file takes no notice of. A line
 * '12.345 mV' whose pattern takes the number alone would be 12 V, and '1.2 kOHM' of a meter turned
 * to ohms would be volts. */
#ifndef TRUEWOUND_UNITBESIDE_H
#define TRUEWOUND_UNITBESIDE_H

#include <stdbool.h>
#include <stddef.h>

#include "acquire/benchfile.h"

#define UNITBESIDE_WHY_MAX 200

/* True when the text behind a number of this channel begins with a word that is a unit, but not the
 * channel's: why then holds half a sentence about it. A word that names what follows ('A=') is no
 * unit. close: the text follows the last digit; then letters that are no unit are wrong, too, as in
 * '1rst cause', where a board broke off its line and started again. */
bool unitbeside_differs(const struct benchfile_channel *channel, const char *text, size_t length,
                        bool close, char why[UNITBESIDE_WHY_MAX]);

#endif
