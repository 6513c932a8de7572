#include "reports/plot.h"

#include "reports/figure.h"
#include "reports/text.h"
#include <errno.h>
#include <math.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define SERIES_MAX  48
#define MARKS_MAX   32
#define TICKS_MAX   64
#define MARGIN      8.0
#define LETTERS     11.0 /* size of ticks and labels */
#define TITLE       13.5
#define SMALL       9.5
#define MARK_SIZE   7.0
#define BESIDE_MOST 0.30 /* of the width that direct labels at the right may take */

enum kind { KIND_LINE, KIND_STEPS, KIND_BAND, KIND_ENVELOPE, KIND_POINTS, KIND_CENSORED };

struct series {
    enum kind kind;
    char *label;
    size_t n;
    double *x, *y, *high; /* y is the low side of a band or envelope */
    double *ux, *uy;      /* or NULL */
    enum canvas_shape shape;
    enum plot_direction direction;
    int colour;
};

struct axis {
    char *name, *unit;
    enum plot_scale scale;
    bool fixed;
    double lo, hi;     /* fixed range */
    double include[8]; /* values to include */
    int includes;
};

struct mark {
    enum plot_side side;
    double value;
    char *label;
};

struct plot {
    char *title, *subtitle, *note, *description;
    double width, height;
    struct axis axis[2];
    struct series series[SERIES_MAX];
    size_t count;
    struct mark mark[MARKS_MAX];
    size_t marks;
    int colours;
    const char *broken;
};

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
        struct series *s = &plot->series[i];
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
    struct axis *axis = &plot->axis[side == PLOT_Y];
    keep_text(plot, &axis->name, name);
    keep_text(plot, &axis->unit, unit);
    axis->scale = scale;
}

void plot_range(struct plot *plot, enum plot_side side, double lo, double hi)
{
    struct axis *axis = &plot->axis[side == PLOT_Y];
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
    struct axis *axis = &plot->axis[side == PLOT_Y];
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

static struct series *add(struct plot *plot, enum kind kind, const char *label, size_t n,
                          const double *x, const double *y, const double *high)
{
    if (plot->count == SERIES_MAX) {
        broken(plot, "a plot takes at most 48 series");
        return NULL;
    }
    struct series *s = &plot->series[plot->count++];
    *s = (struct series){.kind = kind, .n = n};
    keep_text(plot, &s->label, label);
    s->x = copied(plot, n, x);
    s->y = copied(plot, n, y);
    s->high = copied(plot, n, high);
    /* A line right after a band is the line in that band and shares its colour. */
    const struct series *before = plot->count > 1 ? s - 1 : NULL;
    if (before && before->kind == KIND_BAND && (kind == KIND_LINE || kind == KIND_STEPS))
        s->colour = before->colour;
    else
        s->colour = plot->colours++ % 6;
    return s;
}

void plot_line(struct plot *plot, const char *label, size_t n, const double *x, const double *y)
{
    add(plot, KIND_LINE, label, n, x, y, NULL);
}

void plot_steps(struct plot *plot, const char *label, size_t n, const double *x, const double *y)
{
    add(plot, KIND_STEPS, label, n, x, y, NULL);
}

void plot_band(struct plot *plot, const char *label, size_t n, const double *x, const double *low,
               const double *high)
{
    add(plot, KIND_BAND, label, n, x, low, high);
}

void plot_envelope(struct plot *plot, const char *label, size_t n, const double *x,
                   const double *low, const double *high)
{
    add(plot, KIND_ENVELOPE, label, n, x, low, high);
}

void plot_points(struct plot *plot, const char *label, enum canvas_shape shape, size_t n,
                 const double *x, const double *y, const double *ux, const double *uy)
{
    struct series *s = add(plot, KIND_POINTS, label, n, x, y, NULL);
    if (s) {
        s->shape = shape;
        s->ux = copied(plot, n, ux);
        s->uy = copied(plot, n, uy);
    }
}

void plot_censored(struct plot *plot, const char *label, enum canvas_shape shape,
                   enum plot_direction direction, size_t n, const double *x, const double *y)
{
    struct series *s = add(plot, KIND_CENSORED, label, n, x, y, NULL);
    if (s) {
        s->shape = shape;
        s->direction = direction;
    }
}

void plot_mark(struct plot *plot, enum plot_side side, double value, const char *label)
{
    if (plot->marks == MARKS_MAX) {
        broken(plot, "a plot takes at most 32 marks");
        return;
    }
    struct mark *mark = &plot->mark[plot->marks++];
    mark->side = side;
    mark->value = value;
    keep_text(plot, &mark->label, label);
}

/* ---- axes ---- */

struct tick {
    double value;
    char text[40];
    bool minor;
};

struct scale {
    const struct axis *axis;
    double lo, hi;   /* in data units */
    double from, to; /* in points */
    double factor;   /* of the prefix */
    const char *prefix;
    struct tick tick[TICKS_MAX];
    int ticks;
    char date[40]; /* of a time axis: what the ticks leave unsaid */
};

static double place(const struct scale *s, double value)
{
    double part = s->axis->scale == PLOT_LOG ? log(value / s->lo) / log(s->hi / s->lo)
                                             : (value - s->lo) / (s->hi - s->lo);
    return s->from + part * (s->to - s->from);
}

static bool usable(const struct axis *axis, double value)
{
    /* Beyond these no quantity of this trade lies, and differences and steps would overflow. */
    if (axis->scale == PLOT_TIME)
        return fabs(value) <= 1e11; /* some three thousand years either way */
    return fabs(value) <= 1e100 && (axis->scale != PLOT_LOG || value >= 1e-100);
}

struct extent {
    double lo, hi;
};

static void stretch(struct extent *e, const struct axis *axis, double value)
{
    if (!usable(axis, value))
        return;
    e->lo = fmin(e->lo, value);
    e->hi = fmax(e->hi, value);
}

static struct extent data_extent(const struct plot *plot, enum plot_side side)
{
    const struct axis *axis = &plot->axis[side];
    struct extent e = {INFINITY, -INFINITY};
    for (size_t i = 0; i < plot->count; i++) {
        const struct series *s = &plot->series[i];
        const double *v = side == PLOT_X ? s->x : s->y, *u = side == PLOT_X ? s->ux : s->uy;
        for (size_t k = 0; k < s->n; k++) {
            stretch(&e, axis, v[k]);
            if (u && isfinite(u[k])) {
                stretch(&e, axis, v[k] - u[k]);
                stretch(&e, axis, v[k] + u[k]);
            }
            if (side == PLOT_Y && s->high)
                stretch(&e, axis, s->high[k]);
        }
    }
    for (size_t i = 0; i < plot->marks; i++)
        if (plot->mark[i].side == side)
            stretch(&e, axis, plot->mark[i].value);
    for (int i = 0; i < axis->includes; i++)
        stretch(&e, axis, axis->include[i]);
    return e;
}

/* A step of 1, 2 or 5 times a power of ten that gives at most count steps over span. */
static double round_step(double span, double count)
{
    double raw = span / count, power = pow(10, floor(log10(raw)));
    static const double steps[] = {1, 2, 5, 10};
    for (int i = 0; i < 4; i++)
        if (steps[i] * power >= raw * 0.999999)
            return steps[i] * power;
    return 10 * power;
}

static void add_tick(struct scale *s, double value, bool minor, const char *format, ...)
    __attribute__((format(printf, 4, 5)));

static void add_tick(struct scale *s, double value, bool minor, const char *format, ...)
{
    if (s->ticks == TICKS_MAX || value < s->lo - 1e-9 * (s->hi - s->lo) ||
        value > s->hi + 1e-9 * (s->hi - s->lo))
        return;
    struct tick *tick = &s->tick[s->ticks++];
    tick->value = value;
    tick->minor = minor;
    va_list list;
    va_start(list, format);
    vsnprintf(tick->text, sizeof tick->text, format, list);
    va_end(list);
}

static void linear_ticks(struct scale *s, double count)
{
    double step = round_step((s->hi - s->lo) / s->factor, count);
    int decimals = step < 1 ? (int)ceil(-log10(step) - 1e-9) : 0;
    for (double k = ceil(s->lo / s->factor / step - 1e-9); s->ticks < TICKS_MAX; k++) {
        double value = k * step * s->factor;
        if (value > s->hi + 1e-9 * (s->hi - s->lo))
            break;
        char text[FIGURE_TEXT_SIZE];
        if (fabs(k * step) >= 1e7 || (step < 1e-6))
            snprintf(text, sizeof text, "%.6g", k * step);
        else
            figure_decimals(text, k * step, decimals);
        /* A true minus sign is as wide as a digit. */
        add_tick(s, value, false, "%s%.30s", text[0] == '-' ? "−" : "", text + (text[0] == '-'));
    }
}

static void log_ticks(struct scale *s, double count)
{
    double decades = log10(s->hi / s->lo);
    int first = (int)floor(log10(s->lo) - 1e-9), last = (int)ceil(log10(s->hi) + 1e-9);
    int every = (int)ceil(decades / count);
    every = every < 1 ? 1 : every;
    bool fine = decades * 3 <= count * 1.5, minors = count >= 2.2 * decades;
    for (int power = first; power <= last; power++) {
        for (int d = 1; d <= 9; d++) {
            double value = d * pow(10, power);
            bool named = d == 1 ? power % every == 0 : fine && (d == 2 || d == 5);
            if (!named && d != 1 && !minors)
                continue;
            char text[FIGURE_TEXT_SIZE];
            const char *prefix = "";
            /* A prefix only where plain numbers get long: '500 m' beside 'N' is taken for metres.
             */
            double factor = s->lo > 0.99e-3 && s->hi < 1.01e5
                                ? 1
                                : figure_prefix(value, s->axis->unit, &prefix);
            snprintf(text, sizeof text, "%.4g", value / factor);
            add_tick(s, value, !named, "%.30s%s%s", named ? text : "", named && *prefix ? " " : "",
                     named ? prefix : "");
        }
    }
}

/* Ticks of a time axis: seconds to years, on round times in UTC. */
static void time_ticks(struct scale *s, double count)
{
    static const double steps[] = {1,     2,     5,     10,    15,     30,     60,
                                   120,   300,   600,   900,   1800,   3600,   7200,
                                   10800, 21600, 43200, 86400, 172800, 604800, 1209600};
    static const int step_count = sizeof steps / sizeof steps[0];
    double span = s->hi - s->lo, step = 0;
    for (int i = 0; i < step_count; i++) {
        /* Labels with a date take more room than times. */
        double most = steps[i] >= 86400 ? count : count * 1.1;
        if (span / steps[i] <= most) {
            step = steps[i];
            break;
        }
    }
    struct tm t;
    time_t start = (time_t)s->lo, end = (time_t)s->hi;
    if (step > 0) {
        /* 1970-01-05 was a Monday: weeks begin there. */
        double origin = step >= 604800 ? 4 * 86400 : 0;
        for (double k = ceil((s->lo - origin) / step); s->ticks < TICKS_MAX; k++) {
            double value = origin + k * step;
            if (value > s->hi)
                break;
            time_t at = (time_t)value;
            if (!gmtime_r(&at, &t))
                break;
            char text[40] = "";
            bool midnight = t.tm_hour == 0 && t.tm_min == 0 && t.tm_sec == 0;
            strftime(text, sizeof text,
                     step >= 86400 || (midnight && span > 43200) ? "%-d %b"
                     : step < 60                                 ? "%H:%M:%S"
                                                                 : "%H:%M",
                     &t);
            add_tick(s, value, false, "%s", text);
        }
    } else {
        int months = 1;
        static const int choices[] = {1, 2, 3, 6, 12, 24, 60, 120, 240};
        for (size_t i = 0; i < sizeof choices / sizeof choices[0]; i++) {
            months = choices[i];
            if (span / (months * 2629746.0) <= count)
                break;
        }
        if (!gmtime_r(&start, &t))
            return;
        int month = (t.tm_year * 12 + t.tm_mon) / months * months;
        for (int guard = 0; guard < 2000 && s->ticks < TICKS_MAX; guard++, month += months) {
            struct tm at = {.tm_year = month / 12, .tm_mon = month % 12, .tm_mday = 1};
            time_t value = timegm(&at);
            if (value > end)
                break;
            char text[40] = "";
            strftime(text, sizeof text,
                     months >= 12      ? "%Y"
                     : month % 12 == 0 ? "%b %Y"
                                       : "%b",
                     &at);
            add_tick(s, (double)value, false, "%s", text);
        }
    }
    /* What day, or year, the ticks are of. */
    struct tm a, b;
    if (!gmtime_r(&start, &a) || !gmtime_r(&end, &b))
        return;
    char first[24] = "", last[24] = "";
    bool days = step > 0 && step < 86400 && span <= 43200;
    if (days || (a.tm_year == b.tm_year && a.tm_yday == b.tm_yday)) {
        strftime(s->date, sizeof s->date, "%-d %b %Y, UTC", &a);
    } else {
        strftime(first, sizeof first, "%Y", &a);
        strftime(last, sizeof last, "%Y", &b);
        snprintf(s->date, sizeof s->date, a.tm_year == b.tm_year ? "%s, UTC" : "%s to %s, UTC",
                 first, last);
    }
}

static void set_range(const struct plot *plot, struct scale *s, enum plot_side side, double count,
                      bool tight)
{
    const struct axis *axis = s->axis = &plot->axis[side];
    struct extent e = data_extent(plot, side);
    bool log_scale = axis->scale == PLOT_LOG;
    if (axis->fixed && usable(axis, axis->lo) && usable(axis, axis->hi)) {
        e.lo = axis->lo;
        e.hi = axis->hi;
    } else if (e.lo > e.hi) { /* nothing to show */
        e.lo = log_scale ? 1 : 0;
        e.hi = log_scale ? 10 : axis->scale == PLOT_TIME ? 86400 : 1;
    } else if (log_scale) {
        if (e.hi < e.lo * 1.5) {
            e.lo /= 2;
            e.hi *= 2;
        }
        double room = pow(e.hi / e.lo, tight ? 0 : 0.04);
        e.lo /= room;
        e.hi *= room;
    } else {
        double span = e.hi - e.lo;
        if (!(span > 1e-12 * fmax(fabs(e.lo), fabs(e.hi)) && span > 1e-100)) {
            double half = axis->scale == PLOT_TIME ? 1800
                          : fabs(e.lo) > 1e-99     ? fabs(e.lo) * 0.1
                                                   : 1;
            e.lo -= half;
            e.hi += half;
        } else if (axis->scale == PLOT_LINEAR && side == PLOT_Y) {
            /* Ends on a tick, so that the axis says what its ends are. */
            double step = round_step(span * 1.04, count);
            double lo = e.lo == 0 ? 0 : e.lo - 0.02 * span, hi = e.hi == 0 ? 0 : e.hi + 0.04 * span;
            lo = e.lo >= 0 && lo < 0 ? 0 : lo;
            e.lo = floor(lo / step + 1e-9) * step;
            e.hi = ceil(hi / step - 1e-9) * step;
        } else {
            /* Lines run to the edge, where their labels stand; marks are kept off it. */
            double room = tight || axis->scale == PLOT_TIME ? 0 : 0.03;
            bool from_zero = e.lo == 0;
            e.lo -= from_zero ? 0 : room * span;
            e.hi += room * span;
        }
    }
    s->lo = e.lo;
    s->hi = e.hi;
    s->factor = 1;
    s->prefix = "";
    if (axis->scale == PLOT_LINEAR)
        s->factor = figure_prefix(fmax(fabs(e.lo), fabs(e.hi)), axis->unit, &s->prefix);
}

static void make_ticks(struct scale *s, double count)
{
    s->ticks = 0;
    count = count < 3 ? 3 : count;
    if (s->axis->scale == PLOT_LOG)
        log_ticks(s, count);
    else if (s->axis->scale == PLOT_TIME)
        time_ticks(s, count);
    else
        linear_ticks(s, count);
}

static char *axis_title(const struct scale *s)
{
    char *text = NULL;
    const char *name = s->axis->name, *unit = s->axis->unit;
    int n;
    if (s->axis->scale == PLOT_TIME)
        n = asprintf(&text, "%s%s%s", name, *name && s->date[0] ? ", " : "", s->date);
    else
        n = asprintf(&text, "%s%s%s%s", name, *name && *unit ? ", " : "", *unit ? s->prefix : "",
                     unit);
    return n < 0 ? NULL : text;
}

/* ---- drawing of series ---- */

struct frame {
    const struct plot *plot;
    struct canvas *canvas;
    struct scale x, y;
    struct canvas_box area;
    bool empty;
    bool key_mark[MARKS_MAX]; /* marks named in the key, having found no room beside their line */
    bool lost[MARKS_MAX];     /* marks that found none just now */
    size_t outside, dropped;  /* points not shown: out of range; not on a log axis */
};

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

static double clamp(double v, double lo, double hi)
{
    return v < lo ? lo : v > hi ? hi : v;
}

/* Liang and Barsky's clipping of one segment to the area of the plot. */
static bool clip(const struct canvas_box *b, double *x0, double *y0, double *x1, double *y1)
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

static double dash_of(const struct series *s)
{
    static const double dashes[] = {0, 6, 2.5, 10, 4, 1.2};
    return s->kind == KIND_STEPS ? 0 : dashes[s->colour];
}

static enum canvas_ink ink_of(const struct series *s)
{
    return (enum canvas_ink)(CANVAS_SERIES_0 + s->colour);
}

static enum canvas_ink tint_of(const struct series *s)
{
    return (enum canvas_ink)(CANVAS_TINT_0 + s->colour);
}

static void draw_path(struct frame *f, const struct path *p, enum canvas_ink ink, double width,
                      double dash)
{
    size_t start = 0;
    struct path part = {0};
    for (size_t i = 0; i < p->n; i++) {
        if (i == start)
            continue;
        double x0 = p->x[i - 1], y0 = p->y[i - 1], x1 = p->x[i], y1 = p->y[i];
        bool seen = clip(&f->area, &x0, &y0, &x1, &y1);
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
static void draw_line(struct frame *f, const struct series *s)
{
    struct path p = {0};
    double column = -INFINITY, low = 0, high = 0, first_x = 0, last_y = 0, low_x = 0, high_x = 0,
           last_x = 0;
    bool many = (double)s->n > 4 * (f->area.x1 - f->area.x0), open = false;
    for (size_t i = 0; i <= s->n; i++) {
        bool good = i < s->n && usable(f->x.axis, s->x[i]) && usable(f->y.axis, s->y[i]);
        double x = good ? clamp(place(&f->x, s->x[i]), -1e6, 1e6) : 0;
        double y = good ? clamp(place(&f->y, s->y[i]), -1e6, 1e6) : 0;
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
            if (s->kind == KIND_STEPS && open)
                path_add(&p, x, p.y[p.n - 1]);
            path_add(&p, x, y);
            column = floor(2 * x);
            first_x = low_x = high_x = last_x = x;
            low = high = last_y = y;
            open = true;
        } else {
            draw_path(f, &p, ink_of(s), 1.6, dash_of(s));
            p.n = 0;
            open = false;
        }
        if (p.failed)
            break;
    }
    path_free(&p);
}

static void draw_band_part(struct frame *f, const struct series *s, size_t start, size_t end)
{
    struct path p = {0};
    const struct canvas_box *b = &f->area;
    for (size_t i = start; i < end; i++)
        path_add(&p, clamp(place(&f->x, s->x[i]), b->x0, b->x1),
                 clamp(place(&f->y, s->y[i]), b->y0, b->y1));
    for (size_t i = end; i-- > start;)
        path_add(&p, clamp(place(&f->x, s->x[i]), b->x0, b->x1),
                 clamp(place(&f->y, s->high[i]), b->y0, b->y1));
    if (!p.failed)
        canvas_area(f->canvas, p.n, p.x, p.y, s->kind == KIND_BAND ? tint_of(s) : ink_of(s));
    path_free(&p);
}

/* An envelope over columns: from the smallest low to the largest high in each half point. */
static void draw_envelope(struct frame *f, const struct series *s)
{
    struct path low = {0}, high = {0};
    for (size_t i = 0; i <= s->n; i++) {
        bool good = i < s->n && usable(f->x.axis, s->x[i]) && usable(f->y.axis, s->y[i]) &&
                    usable(f->y.axis, s->high[i]);
        if (good) {
            const struct canvas_box *b = &f->area;
            double x = place(&f->x, s->x[i]);
            if (x < b->x0 - 1e-6 || x > b->x1 + 1e-6)
                continue;
            double l = clamp(place(&f->y, s->y[i]), b->y0, b->y1);
            double h = clamp(place(&f->y, s->high[i]), b->y0, b->y1);
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
                canvas_area(f->canvas, low.n, low.x, low.y, tint_of(s));
                path_add(&low, low.x[0], low.y[0]);
            }
            if (!low.failed)
                canvas_polyline(f->canvas, low.n, low.x, low.y, ink_of(s), 0.9, 0);
        }
        low.n = high.n = 0;
    }
    path_free(&low);
    path_free(&high);
}

static void draw_band(struct frame *f, const struct series *s)
{
    size_t start = 0;
    for (size_t i = 0; i <= s->n; i++) {
        bool good = i < s->n && usable(f->x.axis, s->x[i]) && usable(f->y.axis, s->y[i]) &&
                    usable(f->y.axis, s->high[i]);
        if (good)
            continue;
        if (i - start >= 2)
            draw_band_part(f, s, start, i);
        start = i + 1;
    }
}

static bool within(const struct frame *f, double x, double y)
{
    return x >= f->area.x0 - 0.01 && x <= f->area.x1 + 0.01 && y >= f->area.y0 - 0.01 &&
           y <= f->area.y1 + 0.01;
}

static void bar(struct frame *f, double x0, double y0, double x1, double y1, enum canvas_ink ink)
{
    if (!clip(&f->area, &x0, &y0, &x1, &y1))
        return;
    canvas_line(f->canvas, x0, y0, x1, y1, ink, 1.1, 0);
    double tx = x0 == x1 ? 2.5 : 0, ty = x0 == x1 ? 0 : 2.5;
    canvas_line(f->canvas, x0 - tx, y0 - ty, x0 + tx, y0 + ty, ink, 1.1, 0);
    canvas_line(f->canvas, x1 - tx, y1 - ty, x1 + tx, y1 + ty, ink, 1.1, 0);
}

/* The end of a bar; one that no axis can show (below zero on a log axis, say) is at the edge. */
static double spot(const struct scale *s, double value, double edge)
{
    return usable(s->axis, value) ? clamp(place(s, value), -1e6, 1e6) : edge;
}

static void draw_points(struct frame *f, const struct series *s)
{
    static const double way[4][2] = {
        [PLOT_UP] = {0, 1}, [PLOT_DOWN] = {0, -1}, [PLOT_LEFT] = {-1, 0}, [PLOT_RIGHT] = {1, 0}};
    enum canvas_ink ink = ink_of(s);
    for (size_t i = 0; i < s->n; i++) {
        if (!usable(f->x.axis, s->x[i]) || !usable(f->y.axis, s->y[i])) {
            f->dropped += isfinite(s->x[i]) && isfinite(s->y[i]);
            continue;
        }
        double x = place(&f->x, s->x[i]), y = place(&f->y, s->y[i]);
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
        if (s->kind == KIND_CENSORED) {
            const double *d = way[s->direction];
            canvas_arrow(f->canvas, x, y, x + 20 * d[0], y + 20 * d[1], ink, 1.3);
        }
        canvas_mark(f->canvas, x, y, s->shape, MARK_SIZE, ink);
        struct canvas_box kept = {x - 4, y - 4, x + 4, y + 4};
        if (s->n <= 400)
            canvas_keep(f->canvas, kept);
    }
}

/* ---- labels of series ---- */

static bool is_points(const struct series *s)
{
    return s->kind == KIND_POINTS || s->kind == KIND_CENSORED;
}

/* Where a line leaves the plot at the right, in points; false if it shows nothing. */
static bool end_of(const struct frame *f, const struct series *s, double *x, double *y)
{
    for (size_t i = s->n; i-- > 0;) {
        double value =
            s->high && s->kind != KIND_ENVELOPE && s->kind != KIND_BAND ? s->high[i] : s->y[i];
        if (s->high)
            value = (s->y[i] + s->high[i]) / 2;
        if (!usable(f->x.axis, s->x[i]) || !usable(f->y.axis, value))
            continue;
        double px = place(&f->x, s->x[i]), py = place(&f->y, value);
        if (px > f->area.x1 + 0.5)
            continue;
        *x = px;
        *y = clamp(py, f->area.y0, f->area.y1);
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

static void key_sample(struct frame *f, const struct series *s, double x, double y)
{
    double middle = y + LETTERS * 0.32;
    switch (s->kind) {
    case KIND_LINE:
    case KIND_STEPS:
        canvas_line(f->canvas, x, middle, x + 16, middle, ink_of(s), 1.8, dash_of(s) / 1.6);
        break;
    case KIND_BAND:
    case KIND_ENVELOPE: {
        struct canvas_box box = {x, middle - 4, x + 16, middle + 4};
        canvas_rectangle(f->canvas, box, tint_of(s));
        if (s->kind == KIND_ENVELOPE)
            canvas_outline(f->canvas, box, ink_of(s), 0.9);
        break;
    }
    case KIND_CENSORED:
        canvas_mark(f->canvas, x + 4, middle, s->shape, MARK_SIZE, ink_of(s));
        if (s->direction == PLOT_UP || s->direction == PLOT_DOWN) {
            double d = s->direction == PLOT_UP ? 7 : -7;
            canvas_arrow(f->canvas, x + 13, middle - d * 0.8, x + 13, middle + d * 0.8, ink_of(s),
                         1.1);
        } else {
            double d = s->direction == PLOT_RIGHT ? 5 : -5;
            canvas_arrow(f->canvas, x + 13 - d, middle, x + 13 + d, middle, ink_of(s), 1.1);
        }
        break;
    case KIND_POINTS:
        canvas_mark(f->canvas, x + 10, middle, s->shape, MARK_SIZE, ink_of(s));
        break;
    }
}

#define KEY_SAMPLE 22.0
#define KEY_GAP    14.0

static double label_width(struct frame *f, const char *text, double size)
{
    struct canvas_box box = canvas_text_box(f->canvas, 0, 0, CANVAS_START, size, false, text);
    return box.x1 - box.x0;
}

/* Writes the key in rows from height top down and returns the height taken. With write false it
 * only measures. */
static double key(struct frame *f, const bool *in_key, double top, bool write)
{
    const struct plot *plot = f->plot;
    double x = MARGIN, row = LETTERS * 1.45, right = plot->width - MARGIN, taken = 0;
    for (size_t i = 0; i < plot->count; i++) {
        const struct series *s = &plot->series[i];
        if (!in_key[i])
            continue;
        struct canvas_box box =
            canvas_text_box(f->canvas, 0, 0, CANVAS_START, LETTERS, false, s->label);
        double width = fmin(box.x1 - box.x0, right - MARGIN - KEY_SAMPLE) + KEY_SAMPLE;
        if (taken == 0) {
            taken = row;
        } else if (x + width > right) {
            x = MARGIN;
            taken += row;
        }
        /* A key that would fill the picture ends; the description still names every series. */
        if (taken > plot->height * 0.35) {
            taken -= row;
            break;
        }
        if (write) {
            double y = top - taken + LETTERS * 0.35;
            key_sample(f, s, x, y);
            canvas_text_fit(f->canvas, x + KEY_SAMPLE, y, CANVAS_START, LETTERS, false, false,
                            CANVAS_INK, s->label, right - x - KEY_SAMPLE + 0.01);
        }
        x += width + KEY_GAP;
    }
    for (size_t i = 0; i < plot->marks; i++) {
        if (!f->key_mark[i])
            continue;
        const struct mark *m = &plot->mark[i];
        double width =
            fmin(label_width(f, m->label, LETTERS), right - MARGIN - KEY_SAMPLE) + KEY_SAMPLE;
        if (taken == 0) {
            taken = row;
        } else if (x + width > right) {
            x = MARGIN;
            taken += row;
        }
        if (write) {
            double y = top - taken + LETTERS * 0.35, middle = y + LETTERS * 0.32;
            if (m->side == PLOT_X)
                canvas_line(f->canvas, x + 9, middle - 6, x + 9, middle + 6, CANVAS_SOFT, 1.1, 2.5);
            else
                canvas_line(f->canvas, x, middle, x + 17, middle, CANVAS_SOFT, 1.1, 3.5);
            canvas_text_fit(f->canvas, x + KEY_SAMPLE, y, CANVAS_START, LETTERS, false, false,
                            CANVAS_SOFT, m->label, right - x - KEY_SAMPLE + 0.01);
        }
        x += width + KEY_GAP;
    }
    return taken;
}

/* Ink under a place, as a count of data points near it, to find the emptiest spot for a label. */
static double crowding(const struct frame *f, struct canvas_box box)
{
    double count = 0;
    for (size_t i = 0; i < f->plot->count; i++) {
        const struct series *s = &f->plot->series[i];
        size_t every = s->n / 500 + 1;
        double px = NAN, py = NAN;
        for (size_t k = 0; k < s->n; k += every) {
            if (!usable(f->x.axis, s->x[k]) || !usable(f->y.axis, s->y[k])) {
                px = NAN;
                continue;
            }
            double x = place(&f->x, s->x[k]), y = place(&f->y, s->y[k]);
            if (!is_points(s) && s->kind != KIND_BAND && isfinite(px)) {
                double x0 = px, y0 = py, x1 = x, y1 = y;
                count += clip(&box, &x0, &y0, &x1, &y1);
            } else if (x > box.x0 - 4 && x < box.x1 + 4 && y > box.y0 - 4 && y < box.y1 + 4) {
                count += is_points(s) ? 5 : 0.5;
            }
            px = x;
            py = y;
        }
    }
    return count;
}

/* The label of a line that ends before the right edge, next to its end if the place is free. */
static bool write_at_end(struct frame *f, const struct series *s, double x, double y)
{
    double width = label_width(f, s->label, LETTERS);
    static const double places[][2] = {{5, -0.34}, {5, 0.5}, {5, -1.2}};
    for (size_t i = 0; i < sizeof places / sizeof places[0]; i++) {
        double at = x + places[i][0], base = y + places[i][1] * LETTERS;
        struct canvas_box box = {at, base - LETTERS * 0.24, at + width, base + LETTERS * 0.8};
        if (box.x1 < f->area.x1 && box.y0 > f->area.y0 && box.y1 < f->area.y1 &&
            crowding(f, box) < 0.5 &&
            canvas_text(f->canvas, at, base, CANVAS_START, LETTERS, false, true, ink_of(s),
                        s->label))
            return true;
    }
    return false;
}

/* Direct labels at the right: as near to their line's end as the others allow. */
static void write_beside(struct frame *f, const bool *direct, double room)
{
    const struct plot *plot = f->plot;
    struct beside list[SERIES_MAX];
    size_t n = 0;
    double pitch = LETTERS * 1.15;
    for (size_t i = 0; i < plot->count; i++) {
        double x, y;
        if (direct[i] && end_of(f, &plot->series[i], &x, &y))
            list[n++] = (struct beside){i, y, x, y};
    }
    qsort(list, n, sizeof *list, by_height);
    double lowest = f->area.y0 + LETTERS * 0.3, highest = f->area.y1 - LETTERS * 0.3;
    for (size_t i = 0; i < n; i++) {
        list[i].y = clamp(list[i].wanted, lowest, highest);
        if (i && list[i].y < list[i - 1].y + pitch)
            list[i].y = list[i - 1].y + pitch;
    }
    for (size_t i = n; i-- > 0;) {
        double most = i + 1 < n ? list[i + 1].y - pitch : highest;
        if (list[i].y > most)
            list[i].y = most;
    }
    for (size_t i = 0; i < n; i++) {
        const struct series *s = &plot->series[list[i].series];
        if (list[i].x < f->area.x1 - 14 && write_at_end(f, s, list[i].x, list[i].wanted))
            continue;
        double y = list[i].y, left = f->area.x1 + 5;
        bool far = fabs(y - list[i].wanted) > 3 || list[i].x < f->area.x1 - 6;
        if (far)
            canvas_line(f->canvas, fmax(list[i].x, f->area.x0) + 1.5, list[i].wanted, left + 5, y,
                        ink_of(s), 0.6, 0);
        canvas_text_fit(f->canvas, left + 7, y - LETTERS * 0.33, CANVAS_START, LETTERS, false,
                        false, ink_of(s), s->label, room - 9);
    }
}

/* ---- the whole ---- */

static void draw_axes(struct frame *f)
{
    struct canvas *c = f->canvas;
    const struct canvas_box *a = &f->area;
    for (int i = 0; i < f->y.ticks; i++) {
        const struct tick *t = &f->y.tick[i];
        double y = place(&f->y, t->value);
        canvas_line(c, a->x0, y, a->x1, y, CANVAS_GRID, t->minor ? 0.4 : 0.8, 0);
    }
    for (int i = 0; i < f->x.ticks; i++) {
        const struct tick *t = &f->x.tick[i];
        double x = place(&f->x, t->value);
        canvas_line(c, x, a->y0, x, a->y1, CANVAS_GRID, t->minor ? 0.4 : 0.8, 0);
    }
}

static void write_axes(struct frame *f)
{
    struct canvas *c = f->canvas;
    const struct canvas_box *a = &f->area;
    canvas_line(c, a->x0, a->y0, a->x1, a->y0, CANVAS_INK, 1, 0);
    if (f->y.lo < 0 && f->y.hi > 0 && f->y.axis->scale == PLOT_LINEAR) {
        double zero = place(&f->y, 0);
        canvas_line(c, a->x0, zero, a->x1, zero, CANVAS_SOFT, 0.8, 0);
    }
    for (int i = 0; i < f->y.ticks; i++) {
        const struct tick *t = &f->y.tick[i];
        if (!t->minor)
            canvas_text(c, a->x0 - 5, place(&f->y, t->value) - LETTERS * 0.34, CANVAS_END, LETTERS,
                        false, false, CANVAS_INK, t->text);
    }
    for (int i = 0; i < f->x.ticks; i++) {
        const struct tick *t = &f->x.tick[i];
        double x = place(&f->x, t->value);
        canvas_line(c, x, a->y0, x, a->y0 - (t->minor ? 2 : 4), CANVAS_INK, 0.8, 0);
        if (t->minor)
            continue;
        /* A label at the very edge moves in rather than being lost. */
        double half = label_width(f, t->text, LETTERS) / 2;
        double at = clamp(x, half + 1, f->plot->width - half - 1);
        canvas_text(c, at, a->y0 - 7.5 - LETTERS * 0.8, CANVAS_MIDDLE, LETTERS, false, false,
                    CANVAS_INK, t->text);
    }
}

static void draw_marks(struct frame *f)
{
    const struct plot *plot = f->plot;
    const struct canvas_box *a = &f->area;
    for (size_t i = 0; i < plot->marks; i++) {
        const struct mark *m = &plot->mark[i];
        const struct scale *s = m->side == PLOT_X ? &f->x : &f->y;
        if (!usable(s->axis, m->value) || m->value < s->lo || m->value > s->hi)
            continue;
        double at = place(s, m->value);
        if (m->side == PLOT_X)
            canvas_line(f->canvas, at, a->y0, at, a->y1, CANVAS_SOFT, 1.1, 3.5);
        else
            canvas_line(f->canvas, a->x0, at, a->x1, at, CANVAS_SOFT, 1.1, 3.5);
    }
}

static void write_marks(struct frame *f)
{
    const struct plot *plot = f->plot;
    const struct canvas_box *a = &f->area;
    for (size_t i = 0; i < plot->marks; i++) {
        const struct mark *m = &plot->mark[i];
        const struct scale *s = m->side == PLOT_X ? &f->x : &f->y;
        if (!m->label[0] || f->key_mark[i] || !usable(s->axis, m->value) || m->value < s->lo ||
            m->value > s->hi)
            continue;
        double at = place(s, m->value), best = INFINITY, bx = 0, by = 0;
        enum canvas_anchor anchor = CANVAS_START;
        double width = label_width(f, m->label, LETTERS);
        double room = fmin(width, (a->x1 - a->x0) * 0.6) + 0.01;
        for (int k = 0; k < 40; k++) {
            double x, y;
            enum canvas_anchor way = k % 2 ? CANVAS_END : CANVAS_START;
            if (m->side == PLOT_X) { /* beside the line, from the top down */
                x = at + (k % 2 ? -4 : 4);
                int rung = k / 2;
                y = a->y1 - LETTERS - rung * (a->y1 - a->y0 - LETTERS * 1.5) / 20;
            } else { /* above or below the line, from the left on, from the right on */
                int rung = k / 4;
                x = k % 2 ? a->x1 - 4 - rung * 0.09 * (a->x1 - a->x0)
                          : a->x0 + 4 + rung * 0.09 * (a->x1 - a->x0);
                y = k / 2 % 2 ? at - LETTERS * 1.05 : at + LETTERS * 0.4;
            }
            struct canvas_box box = {way == CANVAS_START ? x : x - room, y - LETTERS * 0.24,
                                     way == CANVAS_START ? x + room : x, y + LETTERS * 0.8};
            if (box.x0 < a->x0 || box.x1 > a->x1 || box.y0 < a->y0 || box.y1 > a->y1 + 1 ||
                !canvas_clear(f->canvas, box))
                continue;
            double cost = crowding(f, box) + 0.02 * k;
            for (size_t j = 0; j < plot->marks; j++) { /* other lines through the words */
                const struct mark *o = &plot->mark[j];
                const struct scale *os = o->side == PLOT_X ? &f->x : &f->y;
                double oat = usable(os->axis, o->value) ? place(os, o->value) : -1;
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
        f->lost[i] = !isfinite(best) || !canvas_text_fit(f->canvas, bx, by, anchor, LETTERS, false,
                                                         true, CANVAS_SOFT, m->label, room);
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
    const struct axis *x = &plot->axis[0], *y = &plot->axis[1];
    if (plot->subtitle && plot->subtitle[0])
        fprintf(out, "%s. ", plot->subtitle);
    fprintf(out, "%s%s%s against %s%s%s.", y->name, *y->unit ? " in " : "", y->unit, x->name,
            *x->unit ? " in " : "", x->unit);
    for (size_t i = 0; i < plot->count; i++) {
        const struct series *s = &plot->series[i];
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
static bool draw(struct frame *f, char **out, size_t *size, struct report_error *error)
{
    const struct plot *plot = f->plot;
    struct canvas *canvas = f->canvas;
    bool direct[SERIES_MAX] = {false}, in_key[SERIES_MAX] = {false};
    double right = plot->width - MARGIN, room = 0;
    size_t lines = 0;
    bool points = false;
    double y_count = fmax(2, plot->height / 55), x_count = fmax(2, plot->width / 85);

    for (size_t i = 0; i < plot->count; i++) {
        const struct series *s = &plot->series[i];
        points = points || (is_points(s) && s->n < 400);
        if (!s->label[0])
            continue;
        double width = label_width(f, s->label, LETTERS) + 14;
        direct[i] = !is_points(s) && width <= plot->width * BESIDE_MOST;
        in_key[i] = !direct[i];
        lines += direct[i];
    }
    /* Too many to stand beside the plot: all go into the key. */
    bool crowded = (double)lines * LETTERS * 1.2 > plot->height * 0.5;
    for (size_t i = 0; i < plot->count; i++) {
        in_key[i] = in_key[i] || (crowded && direct[i]);
        direct[i] = direct[i] && !crowded;
        if (direct[i])
            room = fmax(room, label_width(f, plot->series[i].label, LETTERS) + 14);
    }

    double top = plot->height - MARGIN;
    if (plot->title[0]) {
        top -= TITLE;
        canvas_text_fit(canvas, MARGIN, top + TITLE * 0.2, CANVAS_START, TITLE, true, false,
                        CANVAS_INK, plot->title, plot->width - 2 * MARGIN);
        top -= 3;
    }
    if (plot->subtitle && plot->subtitle[0]) {
        top -= LETTERS * 1.2;
        canvas_text_fit(canvas, MARGIN, top + LETTERS * 0.24, CANVAS_START, LETTERS, false, false,
                        CANVAS_SOFT, plot->subtitle, plot->width - 2 * MARGIN);
        top -= 1;
    }
    top -= key(f, in_key, top, true);

    set_range(plot, &f->x, PLOT_X, x_count, room > 0 && !points);
    set_range(plot, &f->y, PLOT_Y, y_count, false);
    make_ticks(&f->y, y_count);
    struct extent shown = data_extent(plot, PLOT_Y);
    f->empty = shown.lo > shown.hi;
    double left = MARGIN;
    for (int i = 0; i < f->y.ticks; i++)
        left = fmax(left, MARGIN + label_width(f, f->y.tick[i].text, LETTERS) + 6);
    left = fmin(left, plot->width * 0.4);
    f->area.x0 = f->x.from = left;
    f->area.x1 = f->x.to = right - room - (room > 0 ? 0 : 4);
    double x_room = 70;
    if (plot->axis[0].scale == PLOT_LINEAR) {
        make_ticks(&f->x, (f->area.x1 - f->area.x0) / x_room);
        for (int i = 0; i < f->x.ticks; i++)
            x_room = fmax(x_room, label_width(f, f->x.tick[i].text, LETTERS) * 1.4);
    }
    make_ticks(&f->x, (f->area.x1 - f->area.x0) / x_room);
    char *x_title = axis_title(&f->x), *y_title = axis_title(&f->y);
    double bottom = MARGIN;
    if (plot->note && plot->note[0]) {
        canvas_text_fit(canvas, MARGIN, bottom, CANVAS_START, SMALL, false, false, CANVAS_SOFT,
                        plot->note, plot->width - 2 * MARGIN);
        bottom += SMALL * 1.35;
    }
    if (x_title && x_title[0]) {
        canvas_text_fit(canvas, f->area.x1, bottom + LETTERS * 0.1, CANVAS_END, LETTERS, false,
                        false, CANVAS_INK, x_title, plot->width - 2 * MARGIN - room);
        bottom += LETTERS * 1.25;
    }
    bottom += LETTERS * 1.3 + 6;
    if (y_title && y_title[0]) {
        top -= LETTERS * 1.15 + 4;
        canvas_text_fit(canvas, MARGIN, top + LETTERS * 0.24, CANVAS_START, LETTERS, false, false,
                        CANVAS_INK, y_title, plot->width - 2 * MARGIN);
    }
    top -= LETTERS * 0.65;
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
        if (plot->series[i].kind == KIND_BAND)
            draw_band(f, &plot->series[i]);
    }
    draw_axes(f);
    draw_marks(f);
    write_axes(f);
    for (size_t i = 0; i < plot->count; i++) {
        const struct series *s = &plot->series[i];
        if (s->kind == KIND_ENVELOPE)
            draw_envelope(f, s);
        else if (s->kind == KIND_LINE || s->kind == KIND_STEPS)
            draw_line(f, s);
    }
    for (size_t i = 0; i < plot->count; i++)
        if (is_points(&plot->series[i]))
            draw_points(f, &plot->series[i]);
    if (f->empty)
        canvas_text(canvas, (f->area.x0 + f->area.x1) / 2, (f->area.y0 + f->area.y1) / 2,
                    CANVAS_MIDDLE, LETTERS, false, true, CANVAS_SOFT, "no data to show");
    write_beside(f, direct, room);
    write_marks(f);
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

/* Chooses marks for the key out of those that found no room; all lines look alike there, so more
 * than two would tell nothing. A mark with the words of another that found room needs no more. */
static bool marks_to_key(struct frame *f)
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

static bool draw_as(const struct plot *plot, enum canvas_format format, int pixels, char **out,
                    size_t *size, struct report_error *error)
{
    *out = NULL;
    *size = 0;
    if (plot->broken)
        return report_error_set(error, "%s", plot->broken);
    struct frame *f = calloc(1, sizeof *f);
    if (!f)
        return report_error_set(error, "no memory for a plot");
    f->plot = plot;
    bool good = false;
    for (int pass = 0; pass < 2; pass++) {
        f->canvas = canvas_new(format, plot->width, plot->height, pixels, error);
        good = f->canvas && draw(f, out, size, error);
        canvas_free(f->canvas);
        if (!good || pass || !marks_to_key(f))
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

bool plot_write(const struct plot *plot, const char *path, struct report_error *error)
{
    const char *ending = strrchr(path, '.');
    enum canvas_format format;
    if (ending && !strcmp(ending, ".svg"))
        format = CANVAS_SVG;
    else if (ending && !strcmp(ending, ".png"))
        format = CANVAS_PNG;
    else if (ending && !strcmp(ending, ".ps"))
        format = CANVAS_PS;
    else
        return report_error_set(error, "'%.150s': a plot is written as .svg, .png or .ps", path);
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
