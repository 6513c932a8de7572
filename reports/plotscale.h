/* plotscale: the axes of a plot: what range they show, where a value lies, and their ticks. */
#ifndef TRUEWOUND_PLOTSCALE_H
#define TRUEWOUND_PLOTSCALE_H

#include "reports/plot_private.h"

/* Where a value lies, in points. The value must be usable. */
double plotscale_place(const struct plot_ruler *s, double value);

/* Whether an axis can show a value at all: finite, above zero where logarithmic. */
bool plotscale_usable(const struct plot_axis *axis, double value);

/* The range of all data and marks of one side; lo > hi when there are none. */
struct plot_extent plotscale_extent(const struct plot *plot, enum plot_side side);

/* Chooses what the scale shows, with room for about count steps; tight leaves no room at its ends.
 * Sets the prefix of its unit, too. */
void plotscale_range(const struct plot *plot, struct plot_ruler *s, enum plot_side side,
                     double count, bool tight);

/* Sets about count ticks. */
void plotscale_ticks(struct plot_ruler *s, double count);

/* The name with unit or date (free it), or NULL without memory. */
char *plotscale_title(const struct plot_ruler *s);

#endif
