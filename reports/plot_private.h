/* plot_private: what a plot is made of, shared by the files that draw one. */
#ifndef TRUEWOUND_PLOT_PRIVATE_H
#define TRUEWOUND_PLOT_PRIVATE_H

#include "reports/canvas.h"
#include "reports/plot.h"
#include <stdbool.h>
#include <stddef.h>

#define PLOT_SERIES_MAX 48
#define PLOT_MARKS_MAX  32
#define PLOT_TICKS_MAX  64
#define PLOT_MARGIN     8.0
#define PLOT_LETTERS    11.0 /* size of ticks and labels */
#define PLOT_MARK_SIZE  7.0

enum plot_kind {
    PLOT_KIND_LINE,
    PLOT_KIND_STEPS,
    PLOT_KIND_BAND,
    PLOT_KIND_ENVELOPE,
    PLOT_KIND_POINTS,
    PLOT_KIND_CENSORED
};

struct plot_series {
    enum plot_kind kind;
    char *label;
    size_t n;
    double *x, *y, *high; /* y is the low side of a band or envelope */
    double *ux, *uy;      /* or NULL */
    enum canvas_shape shape;
    enum plot_direction direction;
    int colour;
};

struct plot_axis {
    char *name, *unit;
    enum plot_scale scale;
    bool fixed;
    double lo, hi;     /* fixed range */
    double include[8]; /* values to include */
    int includes;
};

struct plot_mark {
    enum plot_side side;
    double value;
    char *label;
};

struct plot {
    char *title, *subtitle, *note, *description;
    double width, height;
    struct plot_axis axis[2];
    struct plot_series series[PLOT_SERIES_MAX];
    size_t count;
    struct plot_mark mark[PLOT_MARKS_MAX];
    size_t marks;
    int colours;
    int chosen; /* colour of the next series, plus 1; 0: the next in turn */
    const char *broken;
};

struct plot_tick {
    double value;
    char text[40];
    bool minor;
};

struct plot_ruler {
    const struct plot_axis *axis;
    double lo, hi;   /* in data units */
    double from, to; /* in points */
    double factor;   /* of the prefix */
    const char *prefix;
    struct plot_tick tick[PLOT_TICKS_MAX];
    int ticks;
    char date[40]; /* of a time axis: what the ticks leave unsaid */
};

struct plot_extent {
    double lo, hi;
};

/* A plot as it is set out on a canvas. */
struct plot_frame {
    const struct plot *plot;
    struct canvas *canvas;
    struct plot_ruler x, y;
    struct canvas_box area;
    bool empty;
    bool key_mark[PLOT_MARKS_MAX]; /* named in the key: no room beside their line */
    bool lost[PLOT_MARKS_MAX];     /* marks that found none just now */
    size_t outside, dropped;       /* points not shown: out of range; not on a log axis */
};

#endif
