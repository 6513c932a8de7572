#include "reports/plotlabels.h"

#include "reports/plotscale.h"
#include "reports/plotseries.h"
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Where a line leaves the plot at the right, in points; false if it shows nothing. */
static bool end_of(const struct plot_frame *f, const struct plot_series *s, double *x, double *y)
{
    for (size_t i = s->n; i-- > 0;) {
        double value = s->high && s->kind != PLOT_KIND_ENVELOPE && s->kind != PLOT_KIND_BAND
                           ? s->high[i]
                           : s->y[i];
        if (s->high)
            value = (s->y[i] + s->high[i]) / 2;
        if (!plotscale_usable(f->x.axis, s->x[i]) || !plotscale_usable(f->y.axis, value))
            continue;
        double px = plotscale_place(&f->x, s->x[i]), py = plotscale_place(&f->y, value);
        if (px > f->area.x1 + 0.5)
            continue;
        *x = px;
        *y = plotseries_clamp(py, f->area.y0, f->area.y1);
        return px >= f->area.x0;
    }
    return false;
}

struct beside {
    size_t series;
    double y, x;
    double wanted;
};

static int by_height(const void *a, const void *b)
{
    const struct beside *p = a, *q = b;
    return p->wanted < q->wanted ? -1 : p->wanted > q->wanted ? 1 : p->series < q->series ? -1 : 1;
}

static void key_sample(struct plot_frame *f, const struct plot_series *s, double x, double y)
{
    double middle = y + PLOT_LETTERS * 0.32;
    switch (s->kind) {
    case PLOT_KIND_LINE:
    case PLOT_KIND_STEPS:
        canvas_line(f->canvas, x, middle, x + 16, middle, plotseries_ink(s), 1.8,
                    plotseries_dash(s) / 1.6);
        break;
    case PLOT_KIND_BAND:
    case PLOT_KIND_ENVELOPE: {
        struct canvas_box box = {x, middle - 4, x + 16, middle + 4};
        canvas_rectangle(f->canvas, box, plotseries_tint(s));
        if (s->kind == PLOT_KIND_ENVELOPE)
            canvas_outline(f->canvas, box, plotseries_ink(s), 0.9);
        break;
    }
    case PLOT_KIND_CENSORED:
        canvas_mark(f->canvas, x + 4, middle, s->shape, PLOT_MARK_SIZE, plotseries_ink(s));
        if (s->direction == PLOT_UP || s->direction == PLOT_DOWN) {
            double d = s->direction == PLOT_UP ? 7 : -7;
            canvas_arrow(f->canvas, x + 13, middle - d * 0.8, x + 13, middle + d * 0.8,
                         plotseries_ink(s), 1.1);
        } else {
            double d = s->direction == PLOT_RIGHT ? 5 : -5;
            canvas_arrow(f->canvas, x + 13 - d, middle, x + 13 + d, middle, plotseries_ink(s), 1.1);
        }
        break;
    case PLOT_KIND_POINTS:
        canvas_mark(f->canvas, x + 10, middle, s->shape, PLOT_MARK_SIZE, plotseries_ink(s));
        break;
    }
}

#define KEY_SAMPLE 22.0
#define KEY_GAP    14.0

double plotlabels_width(struct plot_frame *f, const char *text, double size)
{
    struct canvas_box box = canvas_text_box(f->canvas, 0, 0, CANVAS_START, size, false, text);
    return box.x1 - box.x0;
}

/* Writes the key in rows from height top down and returns the height taken. With write false it
 * only measures. */
double plotlabels_key(struct plot_frame *f, const bool *in_key, double top, bool write)
{
    const struct plot *plot = f->plot;
    double x = PLOT_MARGIN, row = PLOT_LETTERS * 1.45, right = plot->width - PLOT_MARGIN, taken = 0;
    for (size_t i = 0; i < plot->count; i++) {
        const struct plot_series *s = &plot->series[i];
        if (!in_key[i])
            continue;
        struct canvas_box box =
            canvas_text_box(f->canvas, 0, 0, CANVAS_START, PLOT_LETTERS, false, s->label);
        double width = fmin(box.x1 - box.x0, right - PLOT_MARGIN - KEY_SAMPLE) + KEY_SAMPLE;
        if (taken == 0) {
            taken = row;
        } else if (x + width > right) {
            x = PLOT_MARGIN;
            taken += row;
        }
        /* A key that would fill the picture ends; the description still names every series. */
        if (taken > plot->height * 0.35) {
            taken -= row;
            break;
        }
        if (write) {
            double y = top - taken + PLOT_LETTERS * 0.35;
            key_sample(f, s, x, y);
            canvas_text_fit(f->canvas, x + KEY_SAMPLE, y, CANVAS_START, PLOT_LETTERS, false, false,
                            CANVAS_INK, s->label, right - x - KEY_SAMPLE + 0.01);
        }
        x += width + KEY_GAP;
    }
    for (size_t i = 0; i < plot->marks; i++) {
        if (!f->key_mark[i])
            continue;
        const struct plot_mark *m = &plot->mark[i];
        double width =
            fmin(plotlabels_width(f, m->label, PLOT_LETTERS), right - PLOT_MARGIN - KEY_SAMPLE) +
            KEY_SAMPLE;
        if (taken == 0) {
            taken = row;
        } else if (x + width > right) {
            x = PLOT_MARGIN;
            taken += row;
        }
        if (write) {
            double y = top - taken + PLOT_LETTERS * 0.35, middle = y + PLOT_LETTERS * 0.32;
            if (m->side == PLOT_X)
                canvas_line(f->canvas, x + 9, middle - 6, x + 9, middle + 6, CANVAS_SOFT, 1.1, 2.5);
            else
                canvas_line(f->canvas, x, middle, x + 17, middle, CANVAS_SOFT, 1.1, 3.5);
            canvas_text_fit(f->canvas, x + KEY_SAMPLE, y, CANVAS_START, PLOT_LETTERS, false, false,
                            CANVAS_SOFT, m->label, right - x - KEY_SAMPLE + 0.01);
        }
        x += width + KEY_GAP;
    }
    return taken;
}

/* Ink under a place, as a count of data points near it, to find the emptiest spot for a label. */
static double crowding(const struct plot_frame *f, struct canvas_box box)
{
    double count = 0;
    for (size_t i = 0; i < f->plot->count; i++) {
        const struct plot_series *s = &f->plot->series[i];
        size_t every = s->n / 500 + 1;
        double px = NAN, py = NAN;
        for (size_t k = 0; k < s->n; k += every) {
            if (!plotscale_usable(f->x.axis, s->x[k]) || !plotscale_usable(f->y.axis, s->y[k])) {
                px = NAN;
                continue;
            }
            double x = plotscale_place(&f->x, s->x[k]), y = plotscale_place(&f->y, s->y[k]);
            if (!plotseries_is_points(s) && s->kind != PLOT_KIND_BAND && isfinite(px)) {
                double x0 = px, y0 = py, x1 = x, y1 = y;
                count += plotseries_clip(&box, &x0, &y0, &x1, &y1);
            } else if (x > box.x0 - 4 && x < box.x1 + 4 && y > box.y0 - 4 && y < box.y1 + 4) {
                count += plotseries_is_points(s) ? 5 : 0.5;
            }
            px = x;
            py = y;
        }
    }
    return count;
}

/* The label of a line that ends before the right edge, next to its end if the place is free. */
static bool write_at_end(struct plot_frame *f, const struct plot_series *s, double x, double y)
{
    double width = plotlabels_width(f, s->label, PLOT_LETTERS);
    static const double places[][2] = {{5, -0.34}, {5, 0.5}, {5, -1.2}};
    for (size_t i = 0; i < sizeof places / sizeof places[0]; i++) {
        double at = x + places[i][0], base = y + places[i][1] * PLOT_LETTERS;
        struct canvas_box box = {at, base - PLOT_LETTERS * 0.24, at + width,
                                 base + PLOT_LETTERS * 0.8};
        if (box.x1 < f->area.x1 && box.y0 > f->area.y0 && box.y1 < f->area.y1 &&
            crowding(f, box) < 0.5 &&
            canvas_text(f->canvas, at, base, CANVAS_START, PLOT_LETTERS, false, true,
                        plotseries_ink(s), s->label))
            return true;
    }
    return false;
}

/* Direct labels at the right: as near to their line's end as the others allow. */
void plotlabels_beside(struct plot_frame *f, const bool *direct, double room)
{
    const struct plot *plot = f->plot;
    struct beside list[PLOT_SERIES_MAX];
    size_t n = 0;
    double pitch = PLOT_LETTERS * 1.15;
    for (size_t i = 0; i < plot->count; i++) {
        double x, y;
        if (direct[i] && end_of(f, &plot->series[i], &x, &y))
            list[n++] = (struct beside){i, y, x, y};
    }
    qsort(list, n, sizeof *list, by_height);
    double lowest = f->area.y0 + PLOT_LETTERS * 0.3, highest = f->area.y1 - PLOT_LETTERS * 0.3;
    for (size_t i = 0; i < n; i++) {
        list[i].y = plotseries_clamp(list[i].wanted, lowest, highest);
        if (i && list[i].y < list[i - 1].y + pitch)
            list[i].y = list[i - 1].y + pitch;
    }
    for (size_t i = n; i-- > 0;) {
        double most = i + 1 < n ? list[i + 1].y - pitch : highest;
        if (list[i].y > most)
            list[i].y = most;
    }
    for (size_t i = 0; i < n; i++) {
        const struct plot_series *s = &plot->series[list[i].series];
        if (list[i].x < f->area.x1 - 14 && write_at_end(f, s, list[i].x, list[i].wanted))
            continue;
        double y = list[i].y, left = f->area.x1 + 5;
        bool far = fabs(y - list[i].wanted) > 3 || list[i].x < f->area.x1 - 6;
        if (far)
            canvas_line(f->canvas, fmax(list[i].x, f->area.x0) + 1.5, list[i].wanted, left + 5, y,
                        plotseries_ink(s), 0.6, 0);
        canvas_text_fit(f->canvas, left + 7, y - PLOT_LETTERS * 0.33, CANVAS_START, PLOT_LETTERS,
                        false, false, plotseries_ink(s), s->label, room - 9);
    }
}

void plotlabels_marks(struct plot_frame *f)
{
    const struct plot *plot = f->plot;
    const struct canvas_box *a = &f->area;
    for (size_t i = 0; i < plot->marks; i++) {
        const struct plot_mark *m = &plot->mark[i];
        const struct plot_ruler *s = m->side == PLOT_X ? &f->x : &f->y;
        if (!m->label[0] || f->key_mark[i] || !plotscale_usable(s->axis, m->value) ||
            m->value < s->lo || m->value > s->hi)
            continue;
        double at = plotscale_place(s, m->value), best = INFINITY, bx = 0, by = 0;
        enum canvas_anchor anchor = CANVAS_START;
        double width = plotlabels_width(f, m->label, PLOT_LETTERS);
        double room = fmin(width, (a->x1 - a->x0) * 0.6) + 0.01;
        for (int k = 0; k < 40; k++) {
            double x, y;
            enum canvas_anchor way = k % 2 ? CANVAS_END : CANVAS_START;
            if (m->side == PLOT_X) { /* beside the line, from the top down */
                x = at + (k % 2 ? -4 : 4);
                int rung = k / 2;
                y = a->y1 - PLOT_LETTERS - rung * (a->y1 - a->y0 - PLOT_LETTERS * 1.5) / 20;
            } else { /* above or below the line, from the left on, from the right on */
                int rung = k / 4;
                x = k % 2 ? a->x1 - 4 - rung * 0.09 * (a->x1 - a->x0)
                          : a->x0 + 4 + rung * 0.09 * (a->x1 - a->x0);
                y = k / 2 % 2 ? at - PLOT_LETTERS * 1.05 : at + PLOT_LETTERS * 0.4;
            }
            struct canvas_box box = {way == CANVAS_START ? x : x - room, y - PLOT_LETTERS * 0.24,
                                     way == CANVAS_START ? x + room : x, y + PLOT_LETTERS * 0.8};
            if (box.x0 < a->x0 || box.x1 > a->x1 || box.y0 < a->y0 || box.y1 > a->y1 + 1 ||
                !canvas_clear(f->canvas, box))
                continue;
            double cost = crowding(f, box) + 0.02 * k;
            for (size_t j = 0; j < plot->marks; j++) { /* other lines through the words */
                const struct plot_mark *o = &plot->mark[j];
                const struct plot_ruler *os = o->side == PLOT_X ? &f->x : &f->y;
                double oat =
                    plotscale_usable(os->axis, o->value) ? plotscale_place(os, o->value) : -1;
                cost += o->side == PLOT_X ? (oat > box.x0 && oat < box.x1 ? 3 : 0)
                                          : (oat > box.y0 && oat < box.y1 ? 3 : 0);
            }
            if (cost < best) {
                best = cost;
                bx = x;
                by = y;
                anchor = way;
            }
        }
        f->lost[i] = !isfinite(best) || !canvas_text_fit(f->canvas, bx, by, anchor, PLOT_LETTERS,
                                                         false, true, CANVAS_SOFT, m->label, room);
    }
}

/* Chooses marks for the key out of those that found no room; all lines look alike there, so more
 * than two would tell nothing. A mark with the words of another that found room needs no more. */
bool plotlabels_marks_to_key(struct plot_frame *f)
{
    const struct plot *plot = f->plot;
    int chosen = 0;
    for (size_t i = 0; i < plot->marks; i++) {
        bool again = !f->lost[i];
        for (size_t j = 0; j < plot->marks && !again; j++)
            again = i != j && !strcmp(plot->mark[i].label, plot->mark[j].label) &&
                    (f->key_mark[j] || !f->lost[j]);
        f->key_mark[i] = !again;
        chosen += !again;
    }
    if (chosen >= 1 && chosen <= 2) {
        f->outside = f->dropped = 0;
        return true;
    }
    return false;
}
