#include "analyze/infer/forecast.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include "analyze/infer/ahead.h"
#include "analyze/infer/belief.h"
#include "analyze/infer/earlier.h"
#include "analyze/infer/given.h"
#include "analyze/infer/lattice.h"
#include "analyze/infer/strange.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_qrng.h>
#include <gsl/gsl_sort.h>
#include <gsl/gsl_statistics_double.h>

/* Of one cell, between pulses: V(x, T) = c(x) + k (T - 20) + d(x) + noise, where x is the share of
 * charge used, c one of the curves of fade.h, each weighed by how well it fits, and d the departure
 * of depart.h. k and d are Gaussian, so they are integrated over in closed form (given.h);
 * capacity, start and self-discharge are not, and go over a grid (lattice.h). From there each is
 * followed to the end point (ahead.h). */

#define DRAWS 600

static const double levels[FORECAST_QUANTILES] = {0.05, 0.25, 0.5, 0.75, 0.95};

/* Sorts v. */
static void quantiles(double *v, size_t n, double *out)
{
    gsl_sort(v, 1, n);
    for (int q = 0; q < FORECAST_QUANTILES; q++)
        out[q] = n ? gsl_stats_quantile_from_sorted_data(v, 1, n, levels[q]) : NAN;
}

struct work {
    struct belief belief;
    struct lattice lattice;
    struct given given;
    struct ahead ahead;
    double days[DRAWS], falter[DRAWS], path[DRAWS][FORECAST_PATH];
    double value[DRAWS];
};

/* Draws from the grid, each point as often as its share is, and follows each draw. */
static void draw_all(struct work *w, const struct trend_joint *joint, struct forecast *out)
{
    const struct trend_site *site = w->belief.site;
    double sum = 0.0, log_c = 0.0, square = 0.0, x_1 = 0.0, x_2 = 0.0, like = 0.0;
    gsl_qrng *q = gsl_qrng_alloc(gsl_qrng_halton, 3);
    size_t n = 0;

    if (!q)
        return;
    for (size_t i = 0; i < w->lattice.n; i++)
        if (w->lattice.point[i].curve == FADE_LIKE)
            like += w->lattice.point[i].share;
    if (out->earlier)
        out->alike = like;
    for (size_t i = 0; i < w->lattice.n; i++) {
        double share = w->lattice.point[i].share, now;
        size_t until;

        /* So many draws as are due by now, each of the same weight. */
        sum += share;
        until = (size_t)fmin(DRAWS, floor(sum * DRAWS + 0.5));
        if (n >= until)
            continue;
        lattice_take(&w->belief, &w->lattice.point[i], &w->given);
        given_weigh(&w->belief, &w->given);
        ahead_make(&w->belief, &w->given, joint, &w->ahead);
        now = w->ahead.now;
        share = (double)(until - n) / DRAWS;
        log_c += share * w->lattice.point[i].log_c;
        square += share * w->lattice.point[i].log_c * w->lattice.point[i].log_c;
        x_1 += share * now;
        x_2 += share * now * now;
        while (n < until) {
            struct ahead_luck luck;
            struct ahead_end end;
            double u[3];

            gsl_qrng_get(q, u);
            luck = (struct ahead_luck){.volt = gsl_cdf_ugaussian_Pinv(u[0]),
                                       .duty = gsl_cdf_ugaussian_Pinv(u[1]),
                                       .growth = gsl_cdf_ugaussian_Pinv(u[2])};
            ahead_follow(&w->ahead, &luck, out->path_s, out->n_path, w->path[n], &end);
            w->days[n] = end.days;
            w->falter[n++] = end.falter;
        }
    }
    gsl_qrng_free(q);
    quantiles(w->days, n, out->days);
    quantiles(w->falter, n, out->falter_days);
    for (size_t p = 0; p < out->n_path; p++) {
        double at[FORECAST_QUANTILES];

        for (size_t i = 0; i < n; i++)
            w->value[i] = w->path[i][p] * site->battery.series;
        quantiles(w->value, n, at);
        for (int k = 0; k < FORECAST_QUANTILES; k++)
            out->path_v[k][p] = at[k];
    }
    out->depth = x_1;
    out->u_depth = sqrt(fmax(0.0, x_2 - x_1 * x_1));
    if (w->belief.daily.charged) {
        out->capacity_ah = exp(log_c);
        out->u_capacity = out->capacity_ah * sqrt(fmax(0.0, square - log_c * log_c));
    }
}

/* Whether the interval can be acted on. */
static void judge(const struct belief *b, const struct trend_day days[], size_t n,
                  const struct trend_joint *joint, struct forecast *out)
{
    double span = (days[n - 1].time_s - days[0].time_s) / DAILY_DAY, latest = NAN;
    double width = out->days[FORECAST_Q95] / fmax(0.5, out->days[FORECAST_Q05]);
    double lived = span + b->daily.start_s / DAILY_DAY;
    size_t below = 0, seen = 0;

    /* Two days running: a cold morning is not the end. */
    for (size_t i = n;
         i-- > 0 && seen < 2 && days[n - 1].time_s - days[i].time_s < 7.0 * DAILY_DAY;) {
        double loaded = daily_loaded(b->site, joint, &days[i]);

        if (isfinite(loaded)) {
            latest = seen++ ? latest : loaded;
            below += loaded <= out->end_v;
        }
    }
    if (strange_find(b, days, n, out->why, sizeof out->why)) {
        out->answer = FORECAST_STRANGE;
        out->n_path = 0;
        for (int q = 0; q < FORECAST_QUANTILES; q++)
            out->days[q] = out->falter_days[q] = NAN;
    } else if (seen && below == seen) {
        out->answer = FORECAST_SPENT;
        snprintf(out->why, sizeof out->why, "%s it gives %.3f V, below its end point of %.3f V",
                 isnan(days[n - 1].loaded_v) ? "at rest" : "in a pulse", latest, out->end_v);
    } else if (span < 3.0) {
        out->answer = FORECAST_TOO_EARLY;
        snprintf(out->why, sizeof out->why, "%.1f days of readings; three at least are needed",
                 span);
    } else if (width > 4.0 && out->days[FORECAST_Q05] > 7.0 &&
               out->days[FORECAST_Q95] > 0.5 * lived) {
        /* Near the end a factor of four is few days, and they count. */
        out->answer = FORECAST_TOO_EARLY;
        snprintf(out->why, sizeof out->why,
                 "anything from %.0f to %.0f days would fit the readings so far",
                 out->days[FORECAST_Q05], out->days[FORECAST_Q95]);
    } else {
        out->answer = FORECAST_TELLS;
    }
}

static enum status_code begin(const struct trend_site *site, const struct trend_day days[],
                              size_t n, struct work **work, struct status *st)
{
    enum status_code code;

    if (cell_check(&site->battery, st) != STATUS_OK)
        return st ? st->code : STATUS_INPUT;
    if (n == 0)
        return status_fail(st, STATUS_INPUT, "there are no readings of this battery");
    *work = calloc(1, sizeof **work);
    if (!*work)
        return status_fail(st, STATUS_MEMORY, "no memory for the forecast");
    code = belief_make(site, days, n, &(*work)->belief, st);
    if (code != STATUS_OK)
        free(*work);
    return code;
}

enum status_code forecast_make(const struct trend_site *site, const struct trend_day days[],
                               size_t n, const struct trend_joint *joint,
                               const struct forecast_earlier earlier[], size_t n_earlier,
                               struct forecast *out, struct status *st)
{
    const struct cell_kind *kind = site->battery.kind;
    struct work *w;
    double horizon;
    enum status_code code;

    *out = (struct forecast){.capacity_ah = NAN,
                             .u_capacity = NAN,
                             .rated_ah = NAN,
                             .drawn_ah = NAN,
                             .mean_a = NAN,
                             .earlier_ratio = NAN,
                             .u_earlier = NAN,
                             .alike = NAN};
    code = begin(site, days, n, &w, st);
    if (code != STATUS_OK)
        return code;
    out->mean_a = w->belief.mean_a;
    out->rated_ah = w->belief.rated_ah;
    out->drawn_ah = w->belief.daily.drawn_ah;
    out->from_s = days[n - 1].time_s;
    out->end_v = site->battery.series * daily_end_v(site);
    out->earlier = earlier_expect(&w->belief, earlier, n_earlier);
    if (out->earlier) {
        out->earlier_ratio = exp(w->belief.like_c - w->belief.log_c);
        out->u_earlier = out->earlier_ratio * w->belief.like_u;
    }
    code = lattice_fill(&w->belief, &w->lattice, &w->given, st);
    if (code != STATUS_OK) {
        free(w);
        return code;
    }
    lattice_share(&w->lattice);
    draw_all(w, joint, out);
    horizon = fmax(7.0, 1.1 * out->days[FORECAST_Q95]) * DAILY_DAY;
    out->n_path = FORECAST_PATH;
    for (size_t i = 0; i < FORECAST_PATH; i++)
        out->path_s[i] = horizon * (double)i / (FORECAST_PATH - 1);
    draw_all(w, joint, out);
    for (size_t i = 0; i < FORECAST_PATH; i++)
        out->path_s[i] += out->from_s;
    out->shelf = isfinite(site->fitted_s) &&
                 site->fitted_s + (kind->shelf_year.value - kind->shelf_year.u) * DAILY_YEAR <
                     out->from_s + out->days[FORECAST_Q95] * DAILY_DAY;
    judge(&w->belief, days, n, joint, out);
    free(w);
    return status_ok(st);
}

enum status_code forecast_learn(const struct trend_site *site, const struct trend_day days[],
                                size_t n, const struct trend_joint *joint,
                                struct forecast_earlier *out, struct status *st)
{
    struct work *w;
    enum status_code code;

    *out = (struct forecast_earlier){.u = INFINITY, .capacity_ah = NAN};
    code = begin(site, days, n, &w, st);
    if (code != STATUS_OK)
        return code;
    if (strange_find(&w->belief, days, n, NULL, 0)) {
        free(w);
        return status_ok(st);
    }
    code = lattice_fill(&w->belief, &w->lattice, &w->given, st);
    if (code == STATUS_OK)
        earlier_learn(&w->belief, days, n, joint, &w->lattice, &w->given, out);
    free(w);
    return code;
}
