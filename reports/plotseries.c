#include "reports/plotseries.h"

#include "reports/plotscale.h"
#include <math.h>
#include <stdlib.h>
#include <string.h>

struct path {
    double *x, *y;
    size_t n, room;
    bool failed;
};

static void path_add(struct path *p, double x, double y)
{
    if (p->n == p->room) {
        size_t room = p->room ? 2 * p->room : 256;
        double *px = realloc(p->x, room * sizeof *px);
        if (px)
            p->x = px;
        double *py = realloc(p->y, room * sizeof *py);
        if (py)
            p->y = py;
        if (!px || !py) {
            p->failed = true;
            return;
        }
        p->room = room;
    }
    p->x[p->n] = x;
    p->y[p->n++] = y;
}

static void path_free(struct path *p)
{
    free(p->x);
    free(p->y);
}

double plotseries_clamp(double v, double lo, double hi)
{
    return v < lo ? lo : v > hi ? hi : v;
}

/* Liang and Barsky's clipping of one segment to the area of the plot. */
bool plotseries_clip(const struct canvas_box *b, double *x0, double *y0, double *x1, double *y1)
{
    double t0 = 0, t1 = 1, dx = *x1 - *x0, dy = *y1 - *y0;
    const double p[4] = {-dx, dx, -dy, dy};
    const double q[4] = {*x0 - b->x0, b->x1 - *x0, *y0 - b->y0, b->y1 - *y0};
    for (int i = 0; i < 4; i++) {
        if (p[i] == 0) {
            if (q[i] < 0)
                return false;
            continue;
        }
        double r = q[i] / p[i];
        if (p[i] < 0)
            t0 = fmax(t0, r);
        else
            t1 = fmin(t1, r);
    }
    if (t0 > t1)
        return false;
    double sx = *x0, sy = *y0;
    *x0 = sx + t0 * dx;
    *y0 = sy + t0 * dy;
    *x1 = sx + t1 * dx;
    *y1 = sy + t1 * dy;
    return true;
}

double plotseries_dash(const struct plot_series *s)
{
    static const double dashes[] = {0, 6, 2.5, 10, 4, 1.2};
    return s->kind == PLOT_KIND_STEPS ? 0 : dashes[s->colour];
}

enum canvas_ink plotseries_ink(const struct plot_series *s)
{
    return (enum canvas_ink)(CANVAS_SERIES_0 + s->colour);
}

enum canvas_ink plotseries_tint(const struct plot_series *s)
{
    return (enum canvas_ink)(CANVAS_TINT_0 + s->colour);
}

static void draw_path(struct plot_frame *f, const struct path *p, enum canvas_ink ink, double width,
                      double dash)
{
    size_t start = 0;
    struct path part = {0};
    for (size_t i = 0; i < p->n; i++) {
        if (i == start)
            continue;
        double x0 = p->x[i - 1], y0 = p->y[i - 1], x1 = p->x[i], y1 = p->y[i];
        bool seen = plotseries_clip(&f->area, &x0, &y0, &x1, &y1);
        if (seen && part.n && (part.x[part.n - 1] != x0 || part.y[part.n - 1] != y0)) {
            canvas_polyline(f->canvas, part.n, part.x, part.y, ink, width, dash);
            part.n = 0;
        }
        if (seen) {
            if (!part.n)
                path_add(&part, x0, y0);
            path_add(&part, x1, y1);
        }
    }
    canvas_polyline(f->canvas, part.n, part.x, part.y, ink, width, dash);
    path_free(&part);
}

/* A line thinned to first, smallest, largest and last in each column of half a point: what the
 * eye would see of all of it, dips and all. */
void plotseries_line(struct plot_frame *f, const struct plot_series *s)
{
    struct path p = {0};
    double column = -INFINITY, low = 0, high = 0, first_x = 0, last_y = 0, low_x = 0, high_x = 0,
           last_x = 0;
    bool many = (double)s->n > 4 * (f->area.x1 - f->area.x0), open = false;
    for (size_t i = 0; i <= s->n; i++) {
        bool good = i < s->n && plotscale_usable(f->x.axis, s->x[i]) &&
                    plotscale_usable(f->y.axis, s->y[i]);
        double x = good ? plotseries_clamp(plotscale_place(&f->x, s->x[i]), -1e6, 1e6) : 0;
        double y = good ? plotseries_clamp(plotscale_place(&f->y, s->y[i]), -1e6, 1e6) : 0;
        if (many && open && good && floor(2 * x) == column) {
            if (y < low) {
                low = y;
                low_x = x;
            }
            if (y > high) {
                high = y;
                high_x = x;
            }
            last_x = x;
            last_y = y;
            continue;
        }
        if (many && open) {
            if (low_x <= high_x) {
                if (low_x > first_x)
                    path_add(&p, low_x, low);
                if (high_x > first_x)
                    path_add(&p, high_x, high);
            } else {
                if (high_x > first_x)
                    path_add(&p, high_x, high);
                path_add(&p, low_x, low);
            }
            path_add(&p, last_x, last_y);
        }
        if (good) {
            if (s->kind == PLOT_KIND_STEPS && open)
                path_add(&p, x, p.y[p.n - 1]);
            path_add(&p, x, y);
            column = floor(2 * x);
            first_x = low_x = high_x = last_x = x;
            low = high = last_y = y;
            open = true;
        } else {
            draw_path(f, &p, plotseries_ink(s), 1.6, plotseries_dash(s));
            p.n = 0;
            open = false;
        }
        if (p.failed)
            break;
    }
    path_free(&p);
}

static void draw_band_part(struct plot_frame *f, const struct plot_series *s, size_t start,
                           size_t end)
{
    struct path p = {0};
    const struct canvas_box *b = &f->area;
    for (size_t i = start; i < end; i++)
        path_add(&p, plotseries_clamp(plotscale_place(&f->x, s->x[i]), b->x0, b->x1),
                 plotseries_clamp(plotscale_place(&f->y, s->y[i]), b->y0, b->y1));
    for (size_t i = end; i-- > start;)
        path_add(&p, plotseries_clamp(plotscale_place(&f->x, s->x[i]), b->x0, b->x1),
                 plotseries_clamp(plotscale_place(&f->y, s->high[i]), b->y0, b->y1));
    if (!p.failed)
        canvas_area(f->canvas, p.n, p.x, p.y,
                    s->kind == PLOT_KIND_BAND ? plotseries_tint(s) : plotseries_ink(s));
    path_free(&p);
}

/* An envelope over columns: from the smallest low to the largest high in each half point. */
void plotseries_envelope(struct plot_frame *f, const struct plot_series *s)
{
    struct path low = {0}, high = {0};
    for (size_t i = 0; i <= s->n; i++) {
        bool good = i < s->n && plotscale_usable(f->x.axis, s->x[i]) &&
                    plotscale_usable(f->y.axis, s->y[i]) && plotscale_usable(f->y.axis, s->high[i]);
        if (good) {
            const struct canvas_box *b = &f->area;
            double x = plotscale_place(&f->x, s->x[i]);
            if (x < b->x0 - 1e-6 || x > b->x1 + 1e-6)
                continue;
            double l = plotseries_clamp(plotscale_place(&f->y, s->y[i]), b->y0, b->y1);
            double h = plotseries_clamp(plotscale_place(&f->y, s->high[i]), b->y0, b->y1);
            if (low.n && floor(2 * low.x[low.n - 1]) == floor(2 * x)) {
                low.y[low.n - 1] = fmin(low.y[low.n - 1], l);
                high.y[high.n - 1] = fmax(high.y[high.n - 1], h);
            } else {
                path_add(&low, x, l);
                path_add(&high, x, h);
            }
            if (low.failed || high.failed)
                break;
            continue;
        }
        size_t n = low.n;
        if (n) {
            for (size_t k = n; k-- > 0;) /* the way back along the upper side */
                path_add(&low, high.x[k], high.y[k]);
            if (n > 1 && !low.failed) {
                canvas_area(f->canvas, low.n, low.x, low.y, plotseries_tint(s));
                path_add(&low, low.x[0], low.y[0]);
            }
            if (!low.failed)
                canvas_polyline(f->canvas, low.n, low.x, low.y, plotseries_ink(s), 0.9, 0);
        }
        low.n = high.n = 0;
    }
    path_free(&low);
    path_free(&high);
}

void plotseries_band(struct plot_frame *f, const struct plot_series *s)
{
    size_t start = 0;
    for (size_t i = 0; i <= s->n; i++) {
        bool good = i < s->n && plotscale_usable(f->x.axis, s->x[i]) &&
                    plotscale_usable(f->y.axis, s->y[i]) && plotscale_usable(f->y.axis, s->high[i]);
        if (good)
            continue;
        if (i - start >= 2)
            draw_band_part(f, s, start, i);
        start = i + 1;
    }
}

static bool within(const struct plot_frame *f, double x, double y)
{
    return x >= f->area.x0 - 0.01 && x <= f->area.x1 + 0.01 && y >= f->area.y0 - 0.01 &&
           y <= f->area.y1 + 0.01;
}

static void bar(struct plot_frame *f, double x0, double y0, double x1, double y1,
                enum canvas_ink ink)
{
    if (!plotseries_clip(&f->area, &x0, &y0, &x1, &y1))
        return;
    canvas_line(f->canvas, x0, y0, x1, y1, ink, 1.1, 0);
    double tx = x0 == x1 ? 2.5 : 0, ty = x0 == x1 ? 0 : 2.5;
    canvas_line(f->canvas, x0 - tx, y0 - ty, x0 + tx, y0 + ty, ink, 1.1, 0);
    canvas_line(f->canvas, x1 - tx, y1 - ty, x1 + tx, y1 + ty, ink, 1.1, 0);
}

/* The end of a bar; one that no axis can show (below zero on a log axis, say) is at the edge. */
static double spot(const struct plot_ruler *s, double value, double edge)
{
    return plotscale_usable(s->axis, value) ? plotseries_clamp(plotscale_place(s, value), -1e6, 1e6)
                                            : edge;
}

void plotseries_points(struct plot_frame *f, const struct plot_series *s)
{
    static const double way[4][2] = {
        [PLOT_UP] = {0, 1}, [PLOT_DOWN] = {0, -1}, [PLOT_LEFT] = {-1, 0}, [PLOT_RIGHT] = {1, 0}};
    enum canvas_ink ink = plotseries_ink(s);
    for (size_t i = 0; i < s->n; i++) {
        if (!plotscale_usable(f->x.axis, s->x[i]) || !plotscale_usable(f->y.axis, s->y[i])) {
            f->dropped += isfinite(s->x[i]) && isfinite(s->y[i]);
            continue;
        }
        double x = plotscale_place(&f->x, s->x[i]), y = plotscale_place(&f->y, s->y[i]);
        if (!within(f, x, y)) {
            f->outside++;
            continue;
        }
        if (s->ux && s->ux[i] > 0)
            bar(f, spot(&f->x, s->x[i] - s->ux[i], f->area.x0), y,
                spot(&f->x, s->x[i] + s->ux[i], f->area.x1), y, ink);
        if (s->uy && s->uy[i] > 0)
            bar(f, x, spot(&f->y, s->y[i] - s->uy[i], f->area.y0), x,
                spot(&f->y, s->y[i] + s->uy[i], f->area.y1), ink);
        if (s->kind == PLOT_KIND_CENSORED) {
            const double *d = way[s->direction];
            canvas_arrow(f->canvas, x, y, x + 20 * d[0], y + 20 * d[1], ink, 1.3);
        }
        canvas_mark(f->canvas, x, y, s->shape, PLOT_MARK_SIZE, ink);
        struct canvas_box kept = {x - 4, y - 4, x + 4, y + 4};
        if (s->n <= 400)
            canvas_keep(f->canvas, kept);
    }
}

bool plotseries_is_points(const struct plot_series *s)
{
    return s->kind == PLOT_KIND_POINTS || s->kind == PLOT_KIND_CENSORED;
}
