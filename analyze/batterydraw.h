/* batterydraw: the plot of a battery: weeks gone and weeks to come. */
#ifndef TRUEWOUND_BATTERYDRAW_H
#define TRUEWOUND_BATTERYDRAW_H

#include "analyze/batterybook.h"
#include "db/store.h"
#include "reports/plot.h"

/* Unloaded and loaded voltage since the battery was fitted, with the least and greatest of every
 * stretch (no dip is lost), the forecast of the loaded voltage with its 50 % and 90 % bands, the
 * end point, and changes. NULL with the reason in *st. */
struct plot *batterydraw(struct store *store, const struct batterybook *book, struct status *st);

#endif
