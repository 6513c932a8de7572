#include "analyze/batterydraw.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include "db/store_result.h"
#include "db/store_series.h"

#define POINTS    1500
#define BATTERIES 16
#define YEAR      (366 * INT64_C(86400) * 1000000)

struct curve {
    size_t n;
    double time[POINTS], low[POINTS], mean[POINTS], high[POINTS];
};

static int keep_point(const struct store_point *p, void *user)
{
    struct curve *c = user;

    if (c->n >= POINTS)
        return 1;
    c->time[c->n] = ((double)p->time + (double)p->end) / 2e6;
    c->low[c->n] = p->n ? p->min : NAN;
    c->mean[c->n] = p->n ? p->mean : NAN;
    c->high[c->n++] = p->n ? p->max : NAN;
    return 0;
}

static enum status_code add_channel(struct store *store, const struct batterybook *book,
                                    int64_t channel, int64_t from, const char *label,
                                    struct curve *c, struct plot *plot, struct status *st)
{
    enum status_code code;

    if (!channel)
        return status_ok(st);
    c->n = 0;
    code = store_series(store, channel, from, book->at + 1, POINTS, keep_point, c, st);
    if (code != STATUS_OK || c->n == 0)
        return code;
    plot_envelope(plot, NULL, c->n, c->time, c->low, c->high);
    plot_line(plot, label, c->n, c->time, c->mean);
    return code;
}

/* Batteries that were in during the year before, and when each was put in. */
struct before {
    int64_t at, from;
    size_t n;
    int64_t fitted[BATTERIES];
};

static int keep_battery(const struct store_battery *row, void *user)
{
    struct before *b = user;

    if (row->fitted > b->at || (row->changed && row->changed < b->at - YEAR) || b->n == BATTERIES)
        return 0;
    b->fitted[b->n++] = row->fitted;
    if (row->fitted < b->from)
        b->from = row->fitted;
    return 0;
}

static void add_forecast(const struct batterybook *book, struct plot *plot)
{
    const struct forecast *f = &book->forecast;

    if (f->n_path == 0)
        return;
    plot_band(plot, "90 %", f->n_path, f->path_s, f->path_v[FORECAST_Q05], f->path_v[FORECAST_Q95]);
    plot_band(plot, "50 %", f->n_path, f->path_s, f->path_v[FORECAST_Q25], f->path_v[FORECAST_Q75]);
    plot_line(plot, "forecast", f->n_path, f->path_s, f->path_v[FORECAST_Q50]);
    plot_mark(plot, PLOT_Y, f->end_v, "end point");
}

struct plot *batterydraw(struct store *store, const struct batterybook *book, struct status *st)
{
    struct curve *c = malloc(sizeof *c);
    struct plot *plot;
    struct before before = {.at = book->at, .from = book->battery.fitted};
    char text[STORE_NAME_MAX + 300];
    enum status_code code;

    snprintf(text, sizeof text, "Battery of %s", book->name);
    plot = plot_new(text);
    if (!c || !plot) {
        free(c);
        plot_free(plot);
        status_fail(st, STATUS_MEMORY, "no memory for the plot");
        return NULL;
    }
    snprintf(text, sizeof text, "%lld x %s; %s", (long long)book->battery.cells, book->type,
             book->word);
    plot_subtitle(plot, text);
    plot_axis(plot, PLOT_X, "time", NULL, PLOT_TIME);
    plot_axis(plot, PLOT_Y, "battery voltage", "V", PLOT_LINEAR);
    if (book->has_forecast)
        add_forecast(book, plot);
    code = store_result_batteries(store, book->name, keep_battery, &before, st);
    if (code == STATUS_OK)
        code = add_channel(store, book, book->site.unloaded, before.from, "unloaded", c, plot, st);
    if (code == STATUS_OK && book->site.loaded != book->site.unloaded)
        code = add_channel(store, book, book->site.loaded, before.from, "in a pulse", c, plot, st);
    for (size_t i = 0; i < before.n; i++)
        if (before.fitted[i] > before.from)
            plot_mark(plot, PLOT_X, (double)before.fitted[i] / 1e6, "new cells");
    for (size_t i = 0; i < book->n_change; i++)
        plot_mark(plot, PLOT_X, book->change[i].after_s, "change");
    if (book->joint.cause == TREND_JOINT)
        plot_mark(plot, PLOT_X, book->joint.since_s, "joint");
    if (book->knee.found)
        plot_mark(plot, PLOT_X, book->knee.time_s, "knee");
    free(c);
    if (code != STATUS_OK) {
        plot_free(plot);
        return NULL;
    }
    return plot;
}
