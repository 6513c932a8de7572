/* plotlabels: puts the words of a plot where they cover nothing: the key, the labels at the ends of
 * lines, those of marked values. */
#ifndef TRUEWOUND_PLOTLABELS_H
#define TRUEWOUND_PLOTLABELS_H

#include "reports/plot_private.h"

/* Width of a text in points. */
double plotlabels_width(struct plot_frame *f, const char *text, double size);

/* Writes the key in rows from height top down and returns the height taken. With write false it
 * only measures. */
double plotlabels_key(struct plot_frame *f, const bool *in_key, double top, bool write);

/* Direct labels at the right: as near to their line's end as the others allow. */
void plotlabels_beside(struct plot_frame *f, const bool *direct, double room);

/* Labels of marked values beside their lines; f->lost tells which found no room. */
void plotlabels_marks(struct plot_frame *f);

/* Chooses marks for the key out of those that found no room: true when the plot is to be drawn once
 * more with them there. */
bool plotlabels_marks_to_key(struct plot_frame *f);

#endif
