/* The ideal forecaster of bench_analyze_forecast: it is told the family of curves that the cells
 * were drawn from, with every spread, and only has to find this cell among them. What it misses is
 * not in the readings. An ensemble of walkers, after J. Goodman and J. Weare, Comm. App. Math. and
 * Comp. Sci. 5 (2010) 65. */
#ifndef TESTS_BENCH_FORECAST_IDEAL_H
#define TESTS_BENCH_FORECAST_IDEAL_H

#include <math.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdlib.h>

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <gsl/gsl_sort.h>
#include <gsl/gsl_statistics_double.h>

#include "analyze/infer/trend.h"
#include "tests/bench/forecast_cells.h"

#define IDEAL_BINS    20
#define IDEAL_WALKERS 60
#define IDEAL_STEPS   1000
#define IDEAL_KEEP    8  /* of the steps, the last ones */
#define IDEAL_EVERY   25 /* steps between those */
#define IDEAL_DIM     (FORECAST_DEVIATES + 1)

struct ideal {
    const struct forecast_kind *kind;
    enum forecast_physics physics;
    const struct trend_site *site;
    double spread;
    struct {
        double drawn, time_s, celsius, unloaded, loaded, u;
    } bin[IDEAL_BINS];
    size_t n;
    double last_s, last_drawn, celsius, per_s;
};

static void ideal_read(struct ideal *s, const struct trend_day day[], size_t n)
{
    double total = day[n - 1].drawn_ah, warm = 0.0, days = 0.0;
    double count[IDEAL_BINS] = {0};
    size_t from = n - 1;

    s->n = 0;
    for (size_t i = 0; i < n; i++) {
        size_t k = (size_t)fmin(IDEAL_BINS - 1, IDEAL_BINS * day[i].drawn_ah / (total + 1e-12));
        double c;

        if (i == 0 || count[k] == 0.0) {
            s->bin[k].drawn = s->bin[k].time_s = s->bin[k].celsius = 0.0;
            s->bin[k].unloaded = s->bin[k].loaded = 0.0;
        }
        c = count[k] += 1.0;
        s->bin[k].drawn += (day[i].drawn_ah - s->bin[k].drawn) / c;
        s->bin[k].time_s += (day[i].time_s - s->bin[k].time_s) / c;
        s->bin[k].celsius += (day[i].temperature - s->bin[k].celsius) / c;
        s->bin[k].unloaded += (day[i].unloaded_v - s->bin[k].unloaded) / c;
        s->bin[k].loaded += (day[i].loaded_v - s->bin[k].loaded) / c;
        s->bin[k].u = hypot(0.0015, 0.004 / sqrt(c));
    }
    for (size_t k = 0; k < IDEAL_BINS; k++)
        if (count[k] > 0.0)
            s->bin[s->n++] = s->bin[k];
    s->last_s = day[n - 1].time_s;
    s->last_drawn = total;
    while (from > 0 && s->last_s - day[from - 1].time_s <= 28.0 * 86400.0)
        from--;
    for (size_t i = from; i < n; i++) {
        warm += day[i].temperature;
        days += 1.0;
    }
    s->celsius = warm / days;
    s->per_s = (day[n - 1].drawn_ah - day[from].drawn_ah) / (s->last_s - day[from].time_s);
}

static void ideal_cell(const struct ideal *s, const double z[IDEAL_DIM], struct forecast_cell *c)
{
    forecast_cell_make(c, s->kind, s->physics, z, s->spread);
}

static double ideal_self(const struct ideal *s, const struct forecast_cell *c, double celsius,
                         double days)
{
    return s->kind->self_year * exp2((celsius - 20.0) / 10.0) * fmax(0.0, c->capacity - c->used) *
           days / 365.25;
}

static double ideal_loaded(const struct ideal *s, const struct forecast_cell *c, double celsius)
{
    double n = s->kind->cells, ohm = s->site->coil_ohm;

    return n * forecast_cell_volt(c, celsius) * ohm /
           (ohm + 0.03 + n * forecast_cell_ohm(c, celsius));
}

/* Leaves the cell as it is on the last day. */
static double ideal_log(const struct ideal *s, const double z[IDEAL_DIM], struct forecast_cell *c)
{
    double sum = 0.0, drawn = 0.0, time = 0.0, gain = 1.0 + 0.003 * z[FORECAST_DEVIATES];

    ideal_cell(s, z, c);
    for (int i = 0; i < IDEAL_DIM; i++)
        sum -= 0.5 * z[i] * z[i];
    for (size_t k = 0; k < s->n; k++) {
        double t = s->bin[k].celsius, off;

        c->used += s->bin[k].drawn - drawn + ideal_self(s, c, t, (s->bin[k].time_s - time) / 86400);
        drawn = s->bin[k].drawn;
        time = s->bin[k].time_s;
        off = (s->bin[k].unloaded - gain * s->kind->cells * forecast_cell_volt(c, t)) / s->bin[k].u;
        sum -= 0.5 * off * off;
        off = (s->bin[k].loaded - gain * ideal_loaded(s, c, t)) / s->bin[k].u;
        sum -= 0.5 * off * off;
    }
    c->used += s->last_drawn - drawn + ideal_self(s, c, s->celsius, (s->last_s - time) / 86400.0);
    return sum;
}

static double ideal_days(const struct ideal *s, struct forecast_cell *c)
{
    double now = ideal_loaded(s, c, s->celsius), day = 0.0, step;

    while (day < 3650.0) {
        double volt = ideal_loaded(s, c, s->celsius), per_day;

        if (volt < s->kind->cells * s->kind->end_v)
            return day;
        per_day = 86400.0 * s->per_s * volt / fmax(0.1, now) + ideal_self(s, c, s->celsius, 1.0);
        step = fmax(0.1, fmin(5.0, 0.004 * c->capacity / per_day));
        c->used += step * per_day;
        day += step;
    }
    return day;
}

/* q: 5 %, 50 %, 95 % of the days left. */
static void ideal_forecast(const struct ideal *s, double q[3])
{
    gsl_rng *r = gsl_rng_alloc(gsl_rng_mt19937);
    static double z[IDEAL_WALKERS][IDEAL_DIM], value[IDEAL_WALKERS * IDEAL_KEEP];
    double like[IDEAL_WALKERS], best[IDEAL_DIM];
    struct forecast_cell c;
    size_t n = 0;

    if (!r)
        abort();
    /* From the best of many draws. */
    for (int w = 0; w < IDEAL_WALKERS; w++) {
        like[w] = -INFINITY;
        for (int k = 0; k < 200; k++) {
            double l;

            for (int i = 0; i < IDEAL_DIM; i++)
                best[i] = gsl_ran_gaussian(r, 1.0);
            l = ideal_log(s, best, &c);
            if (l > like[w] || !(like[w] > -INFINITY)) {
                like[w] = l;
                for (int i = 0; i < IDEAL_DIM; i++)
                    z[w][i] = best[i];
            }
        }
    }
    for (int step = 0; step < IDEAL_STEPS; step++) {
        for (int w = 0; w < IDEAL_WALKERS; w++) {
            int other = (int)gsl_rng_uniform_int(r, IDEAL_WALKERS / 2) * 2 + (w % 2 ? 0 : 1);
            double a = 1.0 + gsl_rng_uniform(r), try[IDEAL_DIM], l;

            a = a * a / 2.0;
            for (int i = 0; i < IDEAL_DIM; i++)
                try[i] = z[other][i] + a * (z[w][i] - z[other][i]);
            l = ideal_log(s, try, &c);
            if (log(gsl_rng_uniform_pos(r)) < (IDEAL_DIM - 1) * log(a) + l - like[w]) {
                like[w] = l;
                for (int i = 0; i < IDEAL_DIM; i++)
                    z[w][i] = try[i];
            }
        }
        if ((IDEAL_STEPS - 1 - step) % IDEAL_EVERY == 0 &&
            (IDEAL_STEPS - 1 - step) / IDEAL_EVERY < IDEAL_KEEP)
            for (int w = 0; w < IDEAL_WALKERS; w++) {
                ideal_log(s, z[w], &c);
                value[n++] = ideal_days(s, &c);
            }
    }
    gsl_rng_free(r);
    gsl_sort(value, 1, n);
    q[0] = gsl_stats_quantile_from_sorted_data(value, 1, n, 0.05);
    q[1] = gsl_stats_quantile_from_sorted_data(value, 1, n, 0.5);
    q[2] = gsl_stats_quantile_from_sorted_data(value, 1, n, 0.95);
}

#endif
