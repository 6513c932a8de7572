#include "reports/plot.h"

#include "reports/figure.h"
#include "reports/plot_private.h"
#include "reports/plotlabels.h"
#include "reports/plotscale.h"
#include "reports/plotseries.h"
#include "reports/text.h"
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define TITLE       13.5
#define SMALL       9.5
#define BESIDE_MOST 0.30 /* of the width that direct labels at the right may take */

/* ---- filling ---- */

static void broken(struct plot *plot, const char *why)
{
    if (!plot->broken)
        plot->broken = why;
}

static void keep_text(struct plot *plot, char **place, const char *text)
{
    char *copy = text_clean(text, 2000);
    if (!copy) {
        broken(plot, "no memory for a plot");
        return;
    }
    free(*place);
    *place = copy;
}

struct plot *plot_new(const char *title)
{
    struct plot *plot = calloc(1, sizeof *plot);
    if (!plot)
        return NULL;
    plot->width = 640;
    plot->height = 400;
    keep_text(plot, &plot->title, title);
    for (int i = 0; i < 2; i++) {
        keep_text(plot, &plot->axis[i].name, "");
        keep_text(plot, &plot->axis[i].unit, "");
    }
    return plot;
}

void plot_free(struct plot *plot)
{
    if (!plot)
        return;
    free(plot->title);
    free(plot->subtitle);
    free(plot->note);
    free(plot->description);
    for (int i = 0; i < 2; i++) {
        free(plot->axis[i].name);
        free(plot->axis[i].unit);
    }
    for (size_t i = 0; i < plot->count; i++) {
        struct plot_series *s = &plot->series[i];
        free(s->label);
        free(s->x);
        free(s->y);
        free(s->high);
        free(s->ux);
        free(s->uy);
    }
    for (size_t i = 0; i < plot->marks; i++)
        free(plot->mark[i].label);
    free(plot);
}

void plot_subtitle(struct plot *plot, const char *text)
{
    keep_text(plot, &plot->subtitle, text);
}

void plot_note(struct plot *plot, const char *text)
{
    keep_text(plot, &plot->note, text);
}

void plot_describe(struct plot *plot, const char *text)
{
    keep_text(plot, &plot->description, text);
}

void plot_size(struct plot *plot, double width, double height)
{
    if (!(width >= 200 && width <= 2000 && height >= 120 && height <= 2000)) {
        broken(plot, "a plot is 200 to 2000 points wide and 120 to 2000 high");
        return;
    }
    plot->width = width;
    plot->height = height;
}

void plot_axis(struct plot *plot, enum plot_side side, const char *name, const char *unit,
               enum plot_scale scale)
{
    struct plot_axis *axis = &plot->axis[side == PLOT_Y];
    keep_text(plot, &axis->name, name);
    keep_text(plot, &axis->unit, unit);
    axis->scale = scale;
}

void plot_range(struct plot *plot, enum plot_side side, double lo, double hi)
{
    struct plot_axis *axis = &plot->axis[side == PLOT_Y];
    if (!(fabs(lo) <= 1e100 && fabs(hi) <= 1e100 && hi - lo > 1e-12 * fmax(fabs(lo), fabs(hi)))) {
        broken(plot, "the range of an axis must be two finite values well apart, the lower first");
        return;
    }
    axis->fixed = true;
    axis->lo = lo;
    axis->hi = hi;
}

void plot_include(struct plot *plot, enum plot_side side, double value)
{
    struct plot_axis *axis = &plot->axis[side == PLOT_Y];
    if (isfinite(value) && axis->includes < 8)
        axis->include[axis->includes++] = value;
}

static double *copied(struct plot *plot, size_t n, const double *values)
{
    if (!values)
        return NULL;
    double *copy = n < SIZE_MAX / sizeof *copy ? malloc((n ? n : 1) * sizeof *copy) : NULL;
    if (copy)
        memcpy(copy, values, n * sizeof *copy);
    else
        broken(plot, "no memory for a plot");
    return copy;
}

static struct plot_series *add(struct plot *plot, enum plot_kind kind, const char *label, size_t n,
                               const double *x, const double *y, const double *high)
{
    if (plot->count == PLOT_SERIES_MAX) {
        broken(plot, "a plot takes at most 48 series");
        return NULL;
    }
    struct plot_series *s = &plot->series[plot->count++];
    *s = (struct plot_series){.kind = kind, .n = n};
    keep_text(plot, &s->label, label);
    s->x = copied(plot, n, x);
    s->y = copied(plot, n, y);
    s->high = copied(plot, n, high);
    /* A line right after a band is the line in that band and shares its colour. */
    const struct plot_series *before = plot->count > 1 ? s - 1 : NULL;
    if (plot->chosen)
        s->colour = plot->chosen - 1;
    else if (before && before->kind == PLOT_KIND_BAND &&
             (kind == PLOT_KIND_LINE || kind == PLOT_KIND_STEPS))
        s->colour = before->colour;
    else
        s->colour = plot->colours++ % 6;
    plot->chosen = 0;
    return s;
}

void plot_colour(struct plot *plot, int colour)
{
    plot->chosen = colour >= 0 && colour < 6 ? colour + 1 : 0;
}

void plot_line(struct plot *plot, const char *label, size_t n, const double *x, const double *y)
{
    add(plot, PLOT_KIND_LINE, label, n, x, y, NULL);
}

void plot_steps(struct plot *plot, const char *label, size_t n, const double *x, const double *y)
{
    add(plot, PLOT_KIND_STEPS, label, n, x, y, NULL);
}

void plot_band(struct plot *plot, const char *label, size_t n, const double *x, const double *low,
               const double *high)
{
    add(plot, PLOT_KIND_BAND, label, n, x, low, high);
}

void plot_envelope(struct plot *plot, const char *label, size_t n, const double *x,
                   const double *low, const double *high)
{
    add(plot, PLOT_KIND_ENVELOPE, label, n, x, low, high);
}

void plot_points(struct plot *plot, const char *label, enum canvas_shape shape, size_t n,
                 const double *x, const double *y, const double *ux, const double *uy)
{
    struct plot_series *s = add(plot, PLOT_KIND_POINTS, label, n, x, y, NULL);
    if (s) {
        s->shape = shape;
        s->ux = copied(plot, n, ux);
        s->uy = copied(plot, n, uy);
    }
}

void plot_censored(struct plot *plot, const char *label, enum canvas_shape shape,
                   enum plot_direction direction, size_t n, const double *x, const double *y)
{
    struct plot_series *s = add(plot, PLOT_KIND_CENSORED, label, n, x, y, NULL);
    if (s) {
        s->shape = shape;
        s->direction = direction;
    }
}

void plot_mark(struct plot *plot, enum plot_side side, double value, const char *label)
{
    if (plot->marks == PLOT_MARKS_MAX) {
        broken(plot, "a plot takes at most 32 marks");
        return;
    }
    struct plot_mark *mark = &plot->mark[plot->marks++];
    mark->side = side;
    mark->value = value;
    keep_text(plot, &mark->label, label);
}

/* ---- the whole ---- */

static void draw_axes(struct plot_frame *f)
{
    struct canvas *c = f->canvas;
    const struct canvas_box *a = &f->area;
    for (int i = 0; i < f->y.ticks; i++) {
        const struct plot_tick *t = &f->y.tick[i];
        double y = plotscale_place(&f->y, t->value);
        canvas_line(c, a->x0, y, a->x1, y, CANVAS_GRID, t->minor ? 0.4 : 0.8, 0);
    }
    for (int i = 0; i < f->x.ticks; i++) {
        const struct plot_tick *t = &f->x.tick[i];
        double x = plotscale_place(&f->x, t->value);
        canvas_line(c, x, a->y0, x, a->y1, CANVAS_GRID, t->minor ? 0.4 : 0.8, 0);
    }
}

static void write_axes(struct plot_frame *f)
{
    struct canvas *c = f->canvas;
    const struct canvas_box *a = &f->area;
    canvas_line(c, a->x0, a->y0, a->x1, a->y0, CANVAS_INK, 1, 0);
    if (f->y.lo < 0 && f->y.hi > 0 && f->y.axis->scale == PLOT_LINEAR) {
        double zero = plotscale_place(&f->y, 0);
        canvas_line(c, a->x0, zero, a->x1, zero, CANVAS_SOFT, 0.8, 0);
    }
    for (int i = 0; i < f->y.ticks; i++) {
        const struct plot_tick *t = &f->y.tick[i];
        if (!t->minor)
            canvas_text(c, a->x0 - 5, plotscale_place(&f->y, t->value) - PLOT_LETTERS * 0.34,
                        CANVAS_END, PLOT_LETTERS, false, false, CANVAS_INK, t->text);
    }
    for (int i = 0; i < f->x.ticks; i++) {
        const struct plot_tick *t = &f->x.tick[i];
        double x = plotscale_place(&f->x, t->value);
        canvas_line(c, x, a->y0, x, a->y0 - (t->minor ? 2 : 4), CANVAS_INK, 0.8, 0);
        if (t->minor)
            continue;
        /* A label at the very edge moves in rather than being lost. */
        double half = plotlabels_width(f, t->text, PLOT_LETTERS) / 2;
        double at = plotseries_clamp(x, half + 1, f->plot->width - half - 1);
        canvas_text(c, at, a->y0 - 7.5 - PLOT_LETTERS * 0.8, CANVAS_MIDDLE, PLOT_LETTERS, false,
                    false, CANVAS_INK, t->text);
    }
}

static void draw_marks(struct plot_frame *f)
{
    const struct plot *plot = f->plot;
    const struct canvas_box *a = &f->area;
    for (size_t i = 0; i < plot->marks; i++) {
        const struct plot_mark *m = &plot->mark[i];
        const struct plot_ruler *s = m->side == PLOT_X ? &f->x : &f->y;
        if (!plotscale_usable(s->axis, m->value) || m->value < s->lo || m->value > s->hi)
            continue;
        double at = plotscale_place(s, m->value);
        if (m->side == PLOT_X)
            canvas_line(f->canvas, at, a->y0, at, a->y1, CANVAS_SOFT, 1.1, 3.5);
        else
            canvas_line(f->canvas, a->x0, at, a->x1, at, CANVAS_SOFT, 1.1, 3.5);
    }
}

static char *describe(const struct plot *plot)
{
    if (plot->description && plot->description[0])
        return strdup(plot->description);
    char *text = NULL;
    size_t size = 0;
    FILE *out = open_memstream(&text, &size);
    if (!out)
        return NULL;
    const struct plot_axis *x = &plot->axis[0], *y = &plot->axis[1];
    if (plot->subtitle && plot->subtitle[0])
        fprintf(out, "%s. ", plot->subtitle);
    fprintf(out, "%s%s%s against %s%s%s.", y->name, *y->unit ? " in " : "", y->unit, x->name,
            *x->unit ? " in " : "", x->unit);
    for (size_t i = 0; i < plot->count; i++) {
        const struct plot_series *s = &plot->series[i];
        if (!s->label[0])
            continue;
        double lo = INFINITY, hi = -INFINITY;
        for (size_t k = 0; k < s->n; k++) {
            lo = isfinite(s->y[k]) ? fmin(lo, s->y[k]) : lo;
            double top = s->high ? s->high[k] : s->y[k];
            hi = isfinite(top) ? fmax(hi, top) : hi;
        }
        fprintf(out, " %s", s->label);
        char a[FIGURE_TEXT_SIZE], b[FIGURE_TEXT_SIZE];
        if (lo <= hi)
            fprintf(out, ": %s to %s", figure_unit_text(a, lo, NAN, y->unit),
                    figure_unit_text(b, hi, NAN, y->unit));
        fputc('.', out);
    }
    for (size_t i = 0; i < plot->marks; i++)
        if (plot->mark[i].label[0])
            fprintf(out, " Marked: %s.", plot->mark[i].label);
    bool good = !ferror(out);
    if (fclose(out) || !good) {
        free(text);
        return NULL;
    }
    return text;
}

/* Sets out the picture from the outside in: title, subtitle, key, the name of the y axis above the
 * plot; note, name of the x axis, ticks below; ticks at the left; direct labels at the right. */
static bool draw(struct plot_frame *f, char **out, size_t *size, struct report_error *error)
{
    const struct plot *plot = f->plot;
    struct canvas *canvas = f->canvas;
    bool direct[PLOT_SERIES_MAX] = {false}, in_key[PLOT_SERIES_MAX] = {false};
    double right = plot->width - PLOT_MARGIN, room = 0;
    size_t lines = 0;
    bool points = false;
    double y_count = fmax(2, plot->height / 55), x_count = fmax(2, plot->width / 85);

    for (size_t i = 0; i < plot->count; i++) {
        const struct plot_series *s = &plot->series[i];
        points = points || (plotseries_is_points(s) && s->n < 400);
        if (!s->label[0])
            continue;
        double width = plotlabels_width(f, s->label, PLOT_LETTERS) + 14;
        direct[i] = !plotseries_is_points(s) && width <= plot->width * BESIDE_MOST;
        in_key[i] = !direct[i];
        lines += direct[i];
    }
    /* Too many to stand beside the plot: all go into the key. */
    bool crowded = (double)lines * PLOT_LETTERS * 1.2 > plot->height * 0.5;
    for (size_t i = 0; i < plot->count; i++) {
        in_key[i] = in_key[i] || (crowded && direct[i]);
        direct[i] = direct[i] && !crowded;
        if (direct[i])
            room = fmax(room, plotlabels_width(f, plot->series[i].label, PLOT_LETTERS) + 14);
    }

    double top = plot->height - PLOT_MARGIN;
    if (plot->title[0]) {
        top -= TITLE;
        canvas_text_fit(canvas, PLOT_MARGIN, top + TITLE * 0.2, CANVAS_START, TITLE, true, false,
                        CANVAS_INK, plot->title, plot->width - 2 * PLOT_MARGIN);
        top -= 3;
    }
    if (plot->subtitle && plot->subtitle[0]) {
        top -= PLOT_LETTERS * 1.2;
        canvas_text_fit(canvas, PLOT_MARGIN, top + PLOT_LETTERS * 0.24, CANVAS_START, PLOT_LETTERS,
                        false, false, CANVAS_SOFT, plot->subtitle, plot->width - 2 * PLOT_MARGIN);
        top -= 1;
    }
    top -= plotlabels_key(f, in_key, top, true);

    plotscale_range(plot, &f->x, PLOT_X, x_count, room > 0 && !points);
    plotscale_range(plot, &f->y, PLOT_Y, y_count, false);
    plotscale_ticks(&f->y, y_count);
    struct plot_extent shown = plotscale_extent(plot, PLOT_Y);
    f->empty = shown.lo > shown.hi;
    double left = PLOT_MARGIN;
    for (int i = 0; i < f->y.ticks; i++)
        left = fmax(left, PLOT_MARGIN + plotlabels_width(f, f->y.tick[i].text, PLOT_LETTERS) + 6);
    left = fmin(left, plot->width * 0.4);
    f->area.x0 = f->x.from = left;
    f->area.x1 = f->x.to = right - room - (room > 0 ? 0 : 4);
    double x_room = 70;
    if (plot->axis[0].scale == PLOT_LINEAR) {
        plotscale_ticks(&f->x, (f->area.x1 - f->area.x0) / x_room);
        for (int i = 0; i < f->x.ticks; i++)
            x_room = fmax(x_room, plotlabels_width(f, f->x.tick[i].text, PLOT_LETTERS) * 1.4);
    }
    plotscale_ticks(&f->x, (f->area.x1 - f->area.x0) / x_room);
    char *x_title = plotscale_title(&f->x), *y_title = plotscale_title(&f->y);
    double bottom = PLOT_MARGIN;
    if (plot->note && plot->note[0]) {
        canvas_text_fit(canvas, PLOT_MARGIN, bottom, CANVAS_START, SMALL, false, false, CANVAS_SOFT,
                        plot->note, plot->width - 2 * PLOT_MARGIN);
        bottom += SMALL * 1.35;
    }
    if (x_title && x_title[0]) {
        canvas_text_fit(canvas, f->area.x1, bottom + PLOT_LETTERS * 0.1, CANVAS_END, PLOT_LETTERS,
                        false, false, CANVAS_INK, x_title, plot->width - 2 * PLOT_MARGIN - room);
        bottom += PLOT_LETTERS * 1.25;
    }
    bottom += PLOT_LETTERS * 1.3 + 6;
    if (y_title && y_title[0]) {
        top -= PLOT_LETTERS * 1.15 + 4;
        canvas_text_fit(canvas, PLOT_MARGIN, top + PLOT_LETTERS * 0.24, CANVAS_START, PLOT_LETTERS,
                        false, false, CANVAS_INK, y_title, plot->width - 2 * PLOT_MARGIN);
    }
    top -= PLOT_LETTERS * 0.65;
    bool fits = top - bottom >= 30 && f->area.x1 - f->area.x0 >= 40;
    f->area.y0 = f->y.from = bottom;
    f->area.y1 = f->y.to = top;

    bool good = x_title && y_title;
    free(x_title);
    free(y_title);
    char *text = describe(plot);
    if (!good || !text) {
        free(text);
        return report_error_set(error, "no memory for a plot");
    }
    if (!fits) {
        free(text);
        return report_error_set(
            error, "a plot of %g by %g points has no room for its labels: make it larger",
            plot->width, plot->height);
    }
    for (size_t i = 0; i < plot->count; i++) {
        if (plot->series[i].kind == PLOT_KIND_BAND)
            plotseries_band(f, &plot->series[i]);
    }
    draw_axes(f);
    draw_marks(f);
    write_axes(f);
    for (size_t i = 0; i < plot->count; i++) {
        const struct plot_series *s = &plot->series[i];
        if (s->kind == PLOT_KIND_ENVELOPE)
            plotseries_envelope(f, s);
        else if (s->kind == PLOT_KIND_LINE || s->kind == PLOT_KIND_STEPS)
            plotseries_line(f, s);
    }
    for (size_t i = 0; i < plot->count; i++)
        if (plotseries_is_points(&plot->series[i]))
            plotseries_points(f, &plot->series[i]);
    if (f->empty)
        canvas_text(canvas, (f->area.x0 + f->area.x1) / 2, (f->area.y0 + f->area.y1) / 2,
                    CANVAS_MIDDLE, PLOT_LETTERS, false, true, CANVAS_SOFT, "no data to show");
    plotlabels_beside(f, direct, room);
    plotlabels_marks(f);
    if (f->outside || f->dropped) {
        char said[80];
        snprintf(said, sizeof said, "%zu not shown: outside the axes", f->outside + f->dropped);
        canvas_text_fit(canvas, f->area.x0 + 4, f->area.y0 + 5, CANVAS_START, SMALL, false, true,
                        CANVAS_SOFT, said, f->area.x1 - f->area.x0 - 8);
    }
    good = canvas_finish(canvas, plot->title[0] ? plot->title : text, text, out, size, error);
    free(text);
    return good;
}

static bool draw_as(const struct plot *plot, enum canvas_format format, int pixels, char **out,
                    size_t *size, struct report_error *error)
{
    *out = NULL;
    *size = 0;
    if (plot->broken)
        return report_error_set(error, "%s", plot->broken);
    struct plot_frame *f = calloc(1, sizeof *f);
    if (!f)
        return report_error_set(error, "no memory for a plot");
    f->plot = plot;
    bool good = false;
    for (int pass = 0; pass < 2; pass++) {
        f->canvas = canvas_new(format, plot->width, plot->height, pixels, error);
        good = f->canvas && draw(f, out, size, error);
        canvas_free(f->canvas);
        if (!good || pass || !plotlabels_marks_to_key(f))
            break;
        free(*out);
        *out = NULL;
    }
    free(f);
    return good;
}

bool plot_svg(const struct plot *plot, bool inline_in_page, char **out, size_t *size,
              struct report_error *error)
{
    return draw_as(plot, inline_in_page ? CANVAS_SVG_INLINE : CANVAS_SVG, 0, out, size, error);
}

bool plot_png(const struct plot *plot, int pixels, char **out, size_t *size,
              struct report_error *error)
{
    return draw_as(plot, CANVAS_PNG, pixels, out, size, error);
}

bool plot_ps(const struct plot *plot, char **out, size_t *size, struct report_error *error)
{
    return draw_as(plot, CANVAS_PS, 0, out, size, error);
}

static bool format_of(const char *path, enum canvas_format *format, struct report_error *error)
{
    const char *ending = strrchr(path, '.');
    if (ending && !strcmp(ending, ".svg"))
        *format = CANVAS_SVG;
    else if (ending && !strcmp(ending, ".png"))
        *format = CANVAS_PNG;
    else if (ending && !strcmp(ending, ".ps"))
        *format = CANVAS_PS;
    else
        return report_error_set(error, "'%.150s': a plot is written as .svg, .png or .ps", path);
    return true;
}

bool plot_path(const char *path, struct report_error *error)
{
    enum canvas_format format;
    return format_of(path, &format, error);
}

bool plot_write(const struct plot *plot, const char *path, struct report_error *error)
{
    enum canvas_format format = CANVAS_SVG;
    if (!format_of(path, &format, error))
        return false;
    char *bytes;
    size_t size;
    if (!draw_as(plot, format, 0, &bytes, &size, error))
        return false;
    FILE *file = fopen(path, "wb");
    bool good = file && fwrite(bytes, 1, size, file) == size;
    if (file && fclose(file))
        good = false;
    free(bytes);
    if (!good)
        return report_error_set(error, "'%.150s' cannot be written: %s", path, strerror(errno));
    return true;
}
