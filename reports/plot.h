/* plot: one style for every figure. A plot is filled with series in data units and then drawn as
 * SVG, PNG or PostScript. Series have direct labels where they fit and differ in shape or dash as
 * well as in colour. Values are in the SI unit of the axis; the axis chooses the prefix.
 *
 * Arrays are copied. NaN in x or y breaks a line and drops a point. A failed call (no memory) marks
 * the plot as broken, and drawing it then fails with the reason: check only the drawing. Labels may
 * be NULL and are cleaned. */
#ifndef TRUEWOUND_PLOT_H
#define TRUEWOUND_PLOT_H

#include "reports/canvas.h"
#include "reports/report_error.h"
#include <stdbool.h>
#include <stddef.h>

struct plot;

enum plot_scale {
    PLOT_LINEAR,
    PLOT_LOG, /* values <= 0 are dropped, and the drawing says how many */
    PLOT_TIME /* seconds since 1970-01-01 UTC; ticks at seconds to years, in UTC */
};

enum plot_side { PLOT_X, PLOT_Y };

enum plot_direction { PLOT_UP, PLOT_DOWN, PLOT_LEFT, PLOT_RIGHT };

/* Returns a new plot with a title, or NULL without memory. */
struct plot *plot_new(const char *title);
void plot_free(struct plot *plot);

/* The line under the title; the source note under the axis; the description read aloud instead of
 * the picture (if none is given, one is made from axes and series). */
void plot_subtitle(struct plot *plot, const char *text);
void plot_note(struct plot *plot, const char *text);
void plot_describe(struct plot *plot, const char *text);

/* Size of the drawing in points, 200 to 2000 by 120 to 2000; 640 x 400 if never called. Letters do
 * not grow with it, so give about the size at which it will be shown (a half A4 page: 340 x 230).*/
void plot_size(struct plot *plot, double width, double height);

/* Names an axis: what it shows, its SI unit (NULL or "" for a number) and its scale. */
void plot_axis(struct plot *plot, enum plot_side side, const char *name, const char *unit,
               enum plot_scale scale);

/* Fixes the range of an axis (lo < hi, finite); without it the range follows the data. */
void plot_range(struct plot *plot, enum plot_side side, double lo, double hi);

/* Makes the range of an axis at least include a value (0 for a pull, say). */
void plot_include(struct plot *plot, enum plot_side side, double value);

/* The series added next takes colour 0 to 5 instead of the next in turn, and the turn stays where
 * it was: for what means the same in several drawings. */
void plot_colour(struct plot *plot, int colour);

/* Series. A long line is thinned to the smallest and largest value in each column, so that no dip
 * is lost. A band and the line in it share a colour if added one after the other, band first. */
void plot_line(struct plot *plot, const char *label, size_t n, const double *x, const double *y);
void plot_steps(struct plot *plot, const char *label, size_t n, const double *x, const double *y);
void plot_band(struct plot *plot, const char *label, size_t n, const double *x, const double *low,
               const double *high);
void plot_envelope(struct plot *plot, const char *label, size_t n, const double *x,
                   const double *low, const double *high);

/* Points with a shape; ux and uy are standard uncertainties drawn as bars of +-1 u, or NULL. */
void plot_points(struct plot *plot, const char *label, enum canvas_shape shape, size_t n,
                 const double *x, const double *y, const double *ux, const double *uy);

/* Points known only as 'more than' (PLOT_UP, PLOT_RIGHT) or 'less than': an arrow leaves each. */
void plot_censored(struct plot *plot, const char *label, enum canvas_shape shape,
                   enum plot_direction direction, size_t n, const double *x, const double *y);

/* A line right across at x or y = value, with its label beside it. */
void plot_mark(struct plot *plot, enum plot_side side, double value, const char *label);

/* Draws. *out is to be freed; *size excludes the zero that ends it. inline_in_page leaves out the
 * XML declaration and the style sheet (style_css has it). pixels: width of the PNG, 0 for twice the
 * width in points. */
bool plot_svg(const struct plot *plot, bool inline_in_page, char **out, size_t *size,
              struct report_error *error);
bool plot_png(const struct plot *plot, int pixels, char **out, size_t *size,
              struct report_error *error);
bool plot_ps(const struct plot *plot, char **out, size_t *size, struct report_error *error);

/* Whether path has an ending that plot_write takes; else false and a sentence. For a path that a
 * person typed, before the work is done. */
bool plot_path(const char *path, struct report_error *error);

/* Draws into the file at path, by its ending: .svg, .png or .ps. */
bool plot_write(const struct plot *plot, const char *path, struct report_error *error);

#endif
