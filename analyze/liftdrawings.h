/* liftdrawings: the plots of a lift study. */
#ifndef TRUEWOUND_LIFTDRAWINGS_H
#define TRUEWOUND_LIFTDRAWINGS_H

#include "analyze/infer/unload.h"
#include "analyze/lifting.h"
#include "reports/plot.h"

/* Pull against current at the study's gap: the design with its band, the coil as it lifted, and
 * the trials (held, dropped or not lifted, more than). NULL without memory. */
struct plot *liftdrawings_current(const struct lifting *lifting);

/* Pull against gap at the study's current, with the trials of every gap brought to that current.
 */
struct plot *liftdrawings_gap(const struct lifting *lifting);

/* Probability that a load is held, with the 95 % band of the threshold, and the trials at 1 and 0.
 * NULL without memory, or when the trials give no interval. */
struct plot *liftdrawings_chance(const struct lifting *lifting);

/* A curve of unloading: rising and falling current, and where it ended. */
struct plot *liftdrawings_unload(const char *coil, const struct unload_curve *curve);

#endif
