#include "reports/plotscale.h"

#include "reports/figure.h"
#include <math.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

double plotscale_place(const struct plot_ruler *s, double value)
{
    double part = s->axis->scale == PLOT_LOG ? log(value / s->lo) / log(s->hi / s->lo)
                                             : (value - s->lo) / (s->hi - s->lo);
    return s->from + part * (s->to - s->from);
}

bool plotscale_usable(const struct plot_axis *axis, double value)
{
    /* Beyond these no quantity of this trade lies, and differences and steps would overflow. */
    if (axis->scale == PLOT_TIME)
        return fabs(value) <= 1e11; /* some three thousand years either way */
    return fabs(value) <= 1e100 && (axis->scale != PLOT_LOG || value >= 1e-100);
}

static void stretch(struct plot_extent *e, const struct plot_axis *axis, double value)
{
    if (!plotscale_usable(axis, value))
        return;
    e->lo = fmin(e->lo, value);
    e->hi = fmax(e->hi, value);
}

struct plot_extent plotscale_extent(const struct plot *plot, enum plot_side side)
{
    const struct plot_axis *axis = &plot->axis[side];
    struct plot_extent e = {INFINITY, -INFINITY};
    for (size_t i = 0; i < plot->count; i++) {
        const struct plot_series *s = &plot->series[i];
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

static void add_tick(struct plot_ruler *s, double value, bool minor, const char *format, ...)
    __attribute__((format(printf, 4, 5)));

static void add_tick(struct plot_ruler *s, double value, bool minor, const char *format, ...)
{
    if (s->ticks == PLOT_TICKS_MAX || value < s->lo - 1e-9 * (s->hi - s->lo) ||
        value > s->hi + 1e-9 * (s->hi - s->lo))
        return;
    struct plot_tick *tick = &s->tick[s->ticks++];
    tick->value = value;
    tick->minor = minor;
    va_list list;
    va_start(list, format);
    vsnprintf(tick->text, sizeof tick->text, format, list);
    va_end(list);
}

static void linear_ticks(struct plot_ruler *s, double count)
{
    double step = round_step((s->hi - s->lo) / s->factor, count);
    int decimals = step < 1 ? (int)ceil(-log10(step) - 1e-9) : 0;
    for (double k = ceil(s->lo / s->factor / step - 1e-9); s->ticks < PLOT_TICKS_MAX; k++) {
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

static void log_ticks(struct plot_ruler *s, double count)
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
static void time_ticks(struct plot_ruler *s, double count)
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
        for (double k = ceil((s->lo - origin) / step); s->ticks < PLOT_TICKS_MAX; k++) {
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
        for (int guard = 0; guard < 2000 && s->ticks < PLOT_TICKS_MAX; guard++, month += months) {
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

void plotscale_range(const struct plot *plot, struct plot_ruler *s, enum plot_side side,
                     double count, bool tight)
{
    const struct plot_axis *axis = s->axis = &plot->axis[side];
    struct plot_extent e = plotscale_extent(plot, side);
    bool log_scale = axis->scale == PLOT_LOG;
    if (axis->fixed && plotscale_usable(axis, axis->lo) && plotscale_usable(axis, axis->hi)) {
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

void plotscale_ticks(struct plot_ruler *s, double count)
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

char *plotscale_title(const struct plot_ruler *s)
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
