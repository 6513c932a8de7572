/* canvas: one sheet to draw on, and every label on it known by its box. Under it is libplot; on
 * top, what libplot does not do: UTF-8 labels with the right signs, text that stays clear of other
 * text, SVG fit to stand in a page, smooth PNG.
 *
 * Units are points of the sheet, origin at the lower left, y upwards. A label is drawn only if its
 * box is clear of every label before it: no two labels of a canvas ever overlap. Widths are those
 * of Helvetica by libplot's tables, widened to cover the wider sans-serif fonts in use. */
#ifndef TRUEWOUND_CANVAS_H
#define TRUEWOUND_CANVAS_H

#include "reports/report_error.h"
#include <stdbool.h>
#include <stddef.h>

struct canvas;

enum canvas_format { CANVAS_SVG, CANVAS_SVG_INLINE, CANVAS_PNG, CANVAS_PS };

/* Inks. CANVAS_SERIES_0 + n for n = 0..5 are the colours of data, chosen so that readers with any
 * of the common kinds of colour blindness tell them apart and each has a contrast of 4.5 to the
 * paper; CANVAS_TINT_0 + n are their pale forms for bands. Dark mode has its own set. */
enum canvas_ink {
    CANVAS_INK,
    CANVAS_PAPER,
    CANVAS_SOFT,
    CANVAS_GRID,
    CANVAS_IRON,
    CANVAS_COPPER,
    CANVAS_SERIES_0,
    CANVAS_TINT_0 = CANVAS_SERIES_0 + 6,
    CANVAS_INKS = CANVAS_TINT_0 + 6
};

enum canvas_anchor { CANVAS_START, CANVAS_MIDDLE, CANVAS_END };

enum canvas_shape {
    CANVAS_CIRCLE,
    CANVAS_SQUARE,
    CANVAS_TRIANGLE,
    CANVAS_CROSS,
    CANVAS_DIAMOND,
    CANVAS_RING,
    CANVAS_PLUS,
    CANVAS_WEDGE,
    CANVAS_SHAPES
};

struct canvas_box {
    double x0, y0, x1, y1;
};

/* Returns a new canvas of width by height points (50 to 2000), or NULL with *error filled.
 * pixels is the width of a PNG (50 to 4000, 0: twice the width); other formats ignore it. */
struct canvas *canvas_new(enum canvas_format format, double width, double height, int pixels,
                          struct report_error *error);
void canvas_free(struct canvas *canvas);

/* Lines. width in points; dash 0 is solid, else the length of dash and gap in points. */
void canvas_line(struct canvas *canvas, double x0, double y0, double x1, double y1,
                 enum canvas_ink ink, double width, double dash);
void canvas_polyline(struct canvas *canvas, size_t n, const double *x, const double *y,
                     enum canvas_ink ink, double width, double dash);

/* A closed area filled with one ink, no outline. */
void canvas_area(struct canvas *canvas, size_t n, const double *x, const double *y,
                 enum canvas_ink ink);
void canvas_rectangle(struct canvas *canvas, struct canvas_box box, enum canvas_ink fill);
void canvas_outline(struct canvas *canvas, struct canvas_box box, enum canvas_ink ink,
                    double width);

/* A mark of the given shape about size points across. */
void canvas_mark(struct canvas *canvas, double x, double y, enum canvas_shape shape, double size,
                 enum canvas_ink ink);

/* An arrow from (x0, y0) with its head at (x1, y1). */
void canvas_arrow(struct canvas *canvas, double x0, double y0, double x1, double y1,
                  enum canvas_ink ink, double width);

/* The box text would take with its baseline anchored at (x, y). */
struct canvas_box canvas_text_box(struct canvas *canvas, double x, double y,
                                  enum canvas_anchor anchor, double size, bool bold,
                                  const char *text);

/* True if box is on the sheet and clear of every label and of every box kept by canvas_keep. */
bool canvas_clear(const struct canvas *canvas, struct canvas_box box);

/* Keeps labels out of box from now on. */
void canvas_keep(struct canvas *canvas, struct canvas_box box);

/* Writes text (cleaned) if its box is clear; returns whether it was written. halo puts paper
 * colour round the letters so that a line under them does not spoil them. */
bool canvas_text(struct canvas *canvas, double x, double y, enum canvas_anchor anchor, double size,
                 bool bold, bool halo, enum canvas_ink ink, const char *text);

/* As canvas_text, cut with U+2026 where it would be wider than room points. */
bool canvas_text_fit(struct canvas *canvas, double x, double y, enum canvas_anchor anchor,
                     double size, bool bold, bool halo, enum canvas_ink ink, const char *text,
                     double room);

/* How many labels were written and how many of their boxes overlap (a self-check; it must be 0). */
size_t canvas_labels(const struct canvas *canvas);
size_t canvas_overlaps(const struct canvas *canvas);

/* Ends the drawing and gives its bytes (free *out; *size without the terminating zero that follows
 * them). title and description are for readers who hear the picture; both are cleaned. The canvas
 * takes no more drawing after this. */
bool canvas_finish(struct canvas *canvas, const char *title, const char *description, char **out,
                   size_t *size, struct report_error *error);

/* The colour of an ink as 0xRRGGBB, on light or dark paper. */
unsigned canvas_ink_colour(enum canvas_ink ink, bool dark);

/* Its short name: class 's-NAME' marks what is drawn with it in SVG, 'f-NAME' what is filled. */
const char *canvas_ink_name(enum canvas_ink ink);

#endif
