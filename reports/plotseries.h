/* plotseries: draws the data of a plot: lines, bands, points and their bars. */
#ifndef TRUEWOUND_PLOTSERIES_H
#define TRUEWOUND_PLOTSERIES_H

#include "reports/plot_private.h"

/* Each draws one series within the area of the frame. */
void plotseries_line(struct plot_frame *f, const struct plot_series *s);
void plotseries_band(struct plot_frame *f, const struct plot_series *s);
void plotseries_envelope(struct plot_frame *f, const struct plot_series *s);
/* Counts in the frame those that lie outside, or on no axis. */
void plotseries_points(struct plot_frame *f, const struct plot_series *s);

bool plotseries_is_points(const struct plot_series *s);
enum canvas_ink plotseries_ink(const struct plot_series *s);
enum canvas_ink plotseries_tint(const struct plot_series *s);
double plotseries_dash(const struct plot_series *s);

double plotseries_clamp(double v, double lo, double hi);

/* Liang and Barsky's clipping of one segment to a box; false when none of it is inside. */
bool plotseries_clip(const struct canvas_box *b, double *x0, double *y0, double *x1, double *y1);

#endif
