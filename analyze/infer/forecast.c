#include "analyze/infer/forecast.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include "analyze/infer/belief.h"
#include "analyze/infer/given.h"
#include "analyze/infer/lattice.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_linalg.h>
#include <gsl/gsl_qrng.h>
#include <gsl/gsl_sort.h>
#include <gsl/gsl_statistics_double.h>

#define DAY  86400.0
#define YEAR (365.25 * DAY)

/* Of one cell, between pulses: V(x, T) = c(x) + k (T - 20) + d(x) + noise, where x is the share of
 * charge used, c one of the curves of fade.h, each weighed by how well it fits, and d the departure
 * of depart.h. k and d are Gaussian, so they are integrated over in closed form; capacity, start
 * and self-discharge are not, and go over a grid.
 *
 * A battery like the earlier ones is one more hypothesis beside the knees: its curve is theirs,
 * with a departure much smaller, and its capacity is theirs within what cells of a box differ by.
 * Another make may have been bought, so the other hypotheses stay, and the readings weigh them.
 *
 * The widths are judgement (common practice, no source);
 * tests/bench/bench_analyze_forecast.c scores them on three unlike kinds of physics. */

#define GROWTH_U 0.35 /* of the logarithm of what the resistance still grows by */
#define LEFT_U   0.05 /* of what is left, relative: it is never known better */
#define AHEAD    24   /* depths ahead at which the departure is worked out */
#define DRAWS    600
#define SEEN_U   0.012 /* V a cell: a fall that cannot be missed over weeks */
#define HIGH     0.055 /* of the nominal voltage, over the fresh one: makes, and surface charge */
/* From memory, no source: what cells of one make and type differ by; how often the next battery is
 * of the make of the last; what stays of a make's departure from cell to cell (standard deviation);
 * what a site adds to all of its batteries: pulse, temperature, drain that nobody counts. */
#define OWN_U          0.06
#define SAME           0.75
#define SAME_ELSEWHERE 0.5
#define OWN_CURVE      0.45
#define SITE_U         0.03
#define UNEVEN_U       0.15 /* where charge is not known: from one battery's work to the next one's */

/* One draw: days until the loaded voltage crosses the end point, and the voltages on the way. */
struct ahead {
    double x[AHEAD], mean[AHEAD], sd[AHEAD];
};

static double lerp(const double *x, const double *y, size_t n, double at)
{
    size_t i = 0;

    if (at <= x[0])
        return y[0];
    while (i + 2 < n && x[i + 1] < at)
        i++;
    return y[i] + (y[i + 1] - y[i]) * fmin(1.0, (at - x[i]) / (x[i + 1] - x[i]));
}

struct draw {
    double days, falter;
    double path[FORECAST_PATH];
};

/* Follows one battery. ratio and bad: internal resistance over the coil's, now and at 20 C. */
static void follow(const struct belief *m, const struct given *f, const struct ahead *a, double z,
                   double z_duty, double z_growth, double ratio, double bad, const double *path_s,
                   size_t n_path, double end_cell, struct draw *out)
{
    const double *growth = m->site->battery.kind->growth;
    double now = given_depth_now(m, f), x = now, t = 0.0, before = NAN,
           grown = trend_on_points(growth, now);
    double per_s = m->duty.per_s * m->duty.since * exp(hypot(m->duty.u, LEFT_U) * z_duty),
           cold = trend_cold_factor(m->site, 20.0 + m->duty.kelvin),
           grows = exp(GROWTH_U * z_growth);
    double volt_0 = NAN, step = 0.005, bad_before = NAN, t_before = 0.0;
    size_t p = 0;

    out->days = out->falter = NAN;
    for (int i = 0; i < 400; i++) {
        double u = fade_volt(&m->fade, f->curve, x, m->duty.kelvin) +
                   lerp(a->x, a->mean, AHEAD, x) + z * lerp(a->x, a->sd, AHEAD, x);
        double g = pow(trend_on_points(growth, x) / grown, grows);
        double loaded = u / (1.0 + ratio * cold * g);
        /* A joint does not grow with the cells. */
        double faulty = u / (1.0 + (ratio * g + fmax(0.0, bad - ratio)) * cold), drain, dt;

        if (isnan(volt_0))
            volt_0 = fmax(0.1, loaded);
        while (p < n_path && path_s[p] <= t) {
            double part = t > t_before ? (path_s[p] - t_before) / (t - t_before) : 1.0;

            out->path[p] = isnan(before) ? loaded : before + part * (loaded - before);
            p++;
        }
        if (isnan(out->falter) && faulty <= end_cell)
            out->falter = isnan(bad_before) ? 0.0
                                            : t_before + (t - t_before) * (bad_before - end_cell) /
                                                             fmax(1e-9, bad_before - faulty);
        if (isnan(out->days) && loaded <= end_cell) {
            out->days = isnan(before) ? 0.0
                                      : t_before + (t - t_before) * (before - end_cell) /
                                                       fmax(1e-9, before - loaded);
        }
        if (isfinite(out->days) && p >= n_path)
            break;
        before = loaded;
        bad_before = faulty;
        t_before = t;
        /* A coil takes less as the voltage falls. */
        drain = per_s * (m->daily.charged ? fmax(0.05, loaded / volt_0) : 1.0) / f->c +
                f->rate * fmax(0.0, 1.0 - x);
        dt = step / fmax(drain, 1e-13);
        t += dt;
        x += step;
    }
    while (p < n_path)
        out->path[p++] = isnan(before) ? 0.0 : fmax(0.0, before);
    if (isnan(out->days))
        out->days = t;
    if (isnan(out->falter))
        out->falter = out->days;
    out->days /= DAY;
    out->falter /= DAY;
}

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
    struct draw draw[DRAWS];
    double value[DRAWS];
};

static void draw_all(struct work *w, const struct trend_joint *joint, struct forecast *out)
{
    const struct trend_site *site = w->belief.site;
    double end_cell = daily_end_v(site);
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
        double share = w->lattice.point[i].share, ratio, bad, now;
        size_t until;

        /* So many draws as are due by now, each of the same weight. */
        sum += share;
        until = (size_t)fmin(DRAWS, floor(sum * DRAWS + 0.5));
        if (n >= until)
            continue;
        lattice_take(&w->belief, &w->lattice.point[i], &w->given);
        given_weigh(&w->belief, &w->given);
        now = given_depth_now(&w->belief, &w->given);
        share = (double)(until - n) / DRAWS;
        log_c += share * w->lattice.point[i].log_c;
        square += share * w->lattice.point[i].log_c * w->lattice.point[i].log_c;
        x_1 += share * now;
        x_2 += share * now * now;
        for (size_t k = 0; k < AHEAD; k++) {
            w->ahead.x[k] = now + (fmax(1.25, now + 0.3) - now) * (double)k / (AHEAD - 1);
            given_departure(&w->belief, &w->given, w->ahead.x[k], w->belief.duty.kelvin,
                            &w->ahead.mean[k], &w->ahead.sd[k]);
        }
        ratio = joint && isfinite(joint->ratio_good)
                    ? fmax(0.0, joint->ratio_good)
                    : daily_table_ratio(site, w->given.x[w->belief.daily.n - 1]);
        bad = joint && isfinite(joint->ratio_now) ? fmax(ratio, joint->ratio_now) : ratio;
        while (n < until) {
            double u[3];

            gsl_qrng_get(q, u);
            follow(&w->belief, &w->given, &w->ahead, gsl_cdf_ugaussian_Pinv(u[0]),
                   gsl_cdf_ugaussian_Pinv(u[1]), gsl_cdf_ugaussian_Pinv(u[2]), ratio, bad,
                   out->path_s, out->n_path, end_cell, &w->draw[n++]);
        }
    }
    gsl_qrng_free(q);
    for (size_t i = 0; i < n; i++) {
        w->value[i] = w->draw[i].days;
    }
    quantiles(w->value, n, out->days);
    for (size_t i = 0; i < n; i++)
        w->value[i] = w->draw[i].falter;
    quantiles(w->value, n, out->falter_days);
    for (size_t p = 0; p < out->n_path; p++) {
        double at[FORECAST_QUANTILES];

        for (size_t i = 0; i < n; i++)
            w->value[i] = w->draw[i].path[p] * site->battery.series;
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

/* ---- what no battery does ---- */

/* V a cell that the seasons may hide: ten kelvin where nobody reads them, and what cold makes of
 * the resistance where only the loaded voltage is read. */
static double unread(const struct belief *m)
{
    return (m->daily.warmth ? 0.0 : 10.0 * DEPART_KELVIN_U) +
           (m->daily.by_load ? 0.25 * m->daily.dip * m->site->battery.kind->nominal_v.value : 0.0);
}

/* Days from which as much charge was drawn that the voltage must have fallen by what can be seen;
 * n when not so much was drawn. *fall: what half of it makes, for a battery half as large again. */
static size_t telling_days(const struct belief *m, const struct trend_day days[], size_t n,
                           double *fall)
{
    double rated = exp(m->log_c), seen = fmax(SEEN_U, 4.0 * fmax(m->daily.grain, unread(m))),
           share = 0.04;
    size_t from = n - 1;

    do {
        share += 0.02;
        *fall = 0.5 * fade_least_fall(&m->fade, share);
    } while (*fall < seen && share < 0.6);
    if (*fall < seen)
        return n;
    while (from > 0 && !(m->daily.last_charge - days[from].drawn_ah >= 1.5 * share * rated))
        from--;
    return m->daily.last_charge - days[from].drawn_ah >= 1.5 * share * rated ? from : n;
}

/* A mains adapter in the battery's place, or cells charged where they are. */
static bool no_fall(const struct belief *m, const struct trend_day days[], size_t n,
                    struct forecast *out)
{
    const double k = m->site->battery.kind->volt_per_k.value;
    double fall, sx = 0, sy = 0, st = 0, sxx = 0, sxy = 0, sxt = 0, left = 0, count = 0, drawn,
                 doubt;
    size_t from;

    if (!m->daily.charged)
        return false;
    from = telling_days(m, days, n, &fall);
    for (int pass = 0; pass < 3; pass++)
        for (size_t i = from; i < n; i++) {
            double kelvin = isfinite(days[i].temperature) ? days[i].temperature - 20.0 : 0.0;
            double y = daily_volt(&m->daily, &days[i]) - k * kelvin, x = days[i].drawn_ah, off;

            if (!isfinite(y) || !isfinite(x))
                continue;
            if (pass == 0) {
                count += 1;
                sx += x;
                sy += y;
                st += kelvin;
                continue;
            }
            x -= sx / count;
            y -= sy / count;
            off = y - (sxx > 0.0 ? sxy / sxx : 0.0) * x;
            if (pass == 1) {
                sxx += x * x;
                sxy += x * y;
                sxt += x * (kelvin - st / count);
            } else {
                left += off * off;
            }
        }
    if (count < 8 || !(sxx > 0.0))
        return false;
    drawn = m->daily.last_charge - days[from].drawn_ah;
    doubt = drawn * hypot(sqrt(left / (count - 2.0) / sxx), DEPART_KELVIN_U * sxt / sxx);
    doubt = hypot(doubt, unread(m));
    /* A fall of a quarter of the least is too much already: makes have flatter stretches. */
    if (-drawn * sxy / sxx + 2.0 * doubt >= fall || -drawn * sxy / sxx >= 0.5 * fall)
        return false;
    snprintf(out->why, sizeof out->why,
             "%.2f Ah were drawn and the voltage did not fall: is it fed by these cells alone, and "
             "are they not charged where they are?",
             drawn);
    return true;
}

static bool too_high(const struct belief *m, const struct trend_day days[], size_t n,
                     struct forecast *out)
{
    const struct cell_kind *kind = m->site->battery.kind;
    double volt = NAN;

    for (size_t i = n; i-- > 0 && isnan(volt);)
        volt = daily_volt(&m->daily, &days[i]);
    if (!(volt > kind->ocv[0] + HIGH * kind->nominal_v.value))
        return false;
    snprintf(out->why, sizeof out->why,
             "%.3f V a cell is more than a fresh %s cell has: is it a charger or another supply?",
             volt, kind->name);
    return true;
}

/* ---- what can be said ---- */

/* Whether the interval can be acted on. */
static void judge(const struct belief *m, const struct trend_day days[], size_t n,
                  const struct trend_joint *joint, struct forecast *out)
{
    double span = (days[n - 1].time_s - days[0].time_s) / DAY, latest = NAN;
    double width = out->days[FORECAST_Q95] / fmax(0.5, out->days[FORECAST_Q05]);
    double lived = span + m->daily.start_s / DAY;
    size_t below = 0, seen = 0;

    /* Two days running: a cold morning is not the end. */
    for (size_t i = n; i-- > 0 && seen < 2 && days[n - 1].time_s - days[i].time_s < 7.0 * DAY;) {
        double loaded = daily_loaded(m->site, joint, &days[i]);

        if (isfinite(loaded)) {
            latest = seen++ ? latest : loaded;
            below += loaded <= out->end_v;
        }
    }
    if (too_high(m, days, n, out) || no_fall(m, days, n, out)) {
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

/* ---- earlier batteries ---- */

/* Covariance of the logarithms of two batteries' capacities, over what the table says: the make is
 * of the kind, and the site adds its own. */
static double akin(const struct belief *m, bool here, bool both_here)
{
    double u_site =
        m->site->u_pulse > 0.0 ? hypot(m->site->u_pulse / m->site->pulse_s, SITE_U) : SITE_U;

    if (!m->daily.charged)
        return both_here ? m->log_c_u * m->log_c_u : 0.0;
    return m->table_u * m->table_u - OWN_U * OWN_U * (m->table_u > OWN_U) +
           (here && both_here ? u_site * u_site : 0.0);
}

/* The capacity to expect of a battery that is like the earlier ones: the mean and deviation of a
 * normal law, given theirs. */
static bool expect_capacity(struct belief *m, const struct forecast_earlier *const earlier[],
                            size_t n)
{
    double own = m->daily.charged ? 0.0 : UNEVEN_U * UNEVEN_U, b[FORECAST_EARLIER],
           k[FORECAST_EARLIER], a[FORECAST_EARLIER * FORECAST_EARLIER];
    gsl_matrix_view matrix = gsl_matrix_view_array(a, n, n);
    gsl_vector_view ratio = gsl_vector_view_array(b, n), toward = gsl_vector_view_array(k, n);

    for (size_t i = 0; i < n; i++) {
        for (size_t j = 0; j < n; j++)
            a[i * n + j] = akin(m, earlier[i]->here, earlier[j]->here);
        a[i * n + i] = akin(m, true, true) + OWN_U * OWN_U + own + earlier[i]->u * earlier[i]->u;
        b[i] = earlier[i]->log_ratio;
        k[i] = akin(m, true, earlier[i]->here);
    }
    if (gsl_linalg_cholesky_decomp1(&matrix.matrix) != GSL_SUCCESS)
        return false;
    gsl_linalg_cholesky_svx(&matrix.matrix, &ratio.vector);
    m->like_c = 0.0;
    for (size_t i = 0; i < n; i++)
        m->like_c += k[i] * b[i];
    gsl_linalg_cholesky_svx(&matrix.matrix, &toward.vector);
    m->like_u = akin(m, true, true) + OWN_U * OWN_U + own;
    for (size_t i = 0; i < n; i++)
        m->like_u -= akin(m, true, earlier[i]->here) * k[i];
    m->like_u = sqrt(fmax(m->like_u, OWN_U * OWN_U));
    m->like_c += m->log_c;
    return true;
}

/* Their mean curve, and what they left open of it. */
static void expect_curve(struct belief *m, const struct forecast_earlier *const earlier[], size_t n)
{
    size_t here = 0;
    double count, mean[FADE_POINTS];

    for (size_t k = 0; k < n; k++)
        here += earlier[k]->here;
    count = here ? (double)here : (double)n;
    for (int i = 0; i < FADE_POINTS; i++) {
        double at = (double)i / (FADE_POINTS - 1) * (FORECAST_POINTS - 1), volt = 0.0, var = 0.0;
        int j = (int)fmin(at, FORECAST_POINTS - 2);

        for (size_t k = 0; k < n; k++) {
            double u;

            if (here && !earlier[k]->here)
                continue;
            volt +=
                earlier[k]->volt[j] + (at - j) * (earlier[k]->volt[j + 1] - earlier[k]->volt[j]);
            u = earlier[k]->u_volt[j] +
                (at - j) * (earlier[k]->u_volt[j + 1] - earlier[k]->u_volt[j]);
            var += u * u;
        }
        mean[i] = volt / count;
        m->depart.unseen[i] = sqrt(var) / count;
    }
    fade_set_like(&m->fade, mean);
    m->depart.like_scale = OWN_CURVE * sqrt(1.0 + 1.0 / count);
    m->part[FADE_LIKE] = here ? SAME : SAME_ELSEWHERE;
}

/* What the earlier ones say of this one, before it is looked at. */
static void compare_earlier(struct belief *m, const struct forecast_earlier earlier[], size_t n,
                            struct forecast *out)
{
    const struct forecast_earlier *used[FORECAST_EARLIER];
    size_t k = 0;

    for (size_t i = n; i-- > 0 && k < FORECAST_EARLIER;)
        if (isfinite(earlier[i].u) && earlier[i].charged == m->daily.charged &&
            (m->daily.charged || earlier[i].here))
            used[k++] = &earlier[i];
    if (k == 0 || !expect_capacity(m, used, k))
        return;
    expect_curve(m, used, k);
    for (int c = 0; c < FADE_KNEES; c++)
        m->part[c] = (1.0 - m->part[FADE_LIKE]) / FADE_KNEES;
    out->earlier = k;
    out->earlier_ratio = exp(m->like_c - m->log_c);
    out->u_earlier = out->earlier_ratio * m->like_u;
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
    compare_earlier(&w->belief, earlier, n_earlier, out);
    code = lattice_fill(&w->belief, &w->lattice, &w->given, st);
    if (code != STATUS_OK) {
        free(w);
        return code;
    }
    lattice_share(&w->lattice);
    draw_all(w, joint, out);
    horizon = fmax(7.0, 1.1 * out->days[FORECAST_Q95]) * DAY;
    out->n_path = FORECAST_PATH;
    for (size_t i = 0; i < FORECAST_PATH; i++)
        out->path_s[i] = horizon * (double)i / (FORECAST_PATH - 1);
    draw_all(w, joint, out);
    for (size_t i = 0; i < FORECAST_PATH; i++)
        out->path_s[i] += out->from_s;
    out->shelf = isfinite(site->fitted_s) &&
                 site->fitted_s + (kind->shelf_year.value - kind->shelf_year.u) * YEAR <
                     out->from_s + out->days[FORECAST_Q95] * DAY;
    judge(&w->belief, days, n, joint, out);
    free(w);
    return status_ok(st);
}

#define LEARN_DRAWS 100
#define FULL_U      0.015 /* a day or two, and a cold one */

/* Sums over what is likely of a battery. */
struct sums {
    double n, c, cc, depth, volt[FORECAST_POINTS], square[FORECAST_POINTS];
};

static void add_likely(struct work *w, double share, struct sums *sums)
{
    const struct belief *m = &w->belief;
    struct given *f = &w->given;
    double log_c = log(f->c);

    given_weigh(m, f);
    sums->n += share;
    sums->c += share * log_c;
    sums->cc += share * log_c * log_c;
    sums->depth += share * given_depth_now(m, f);
    for (int k = 0; k < FORECAST_POINTS; k++) {
        double x = (double)k / (FORECAST_POINTS - 1), mean, sd;

        given_departure(m, f, x, 0.0, &mean, &sd);
        mean += fade_volt(&m->fade, f->curve, x, 0.0);
        sums->volt[k] += share * mean;
        sums->square[k] += share * (mean * mean + sd * sd);
    }
}

/* Its loaded voltage came down to the end point: all of its capacity was used. */
static bool used_up(const struct belief *m, const struct trend_day days[], size_t n,
                    const struct trend_joint *joint)
{
    const struct trend_site *site = m->site;
    double end_v = site->battery.series * daily_end_v(site);

    for (size_t i = n; i-- > 0 && i + 2 >= n;)
        if (daily_loaded(site, joint, &days[i]) <= 1.01 * end_v)
            return true;
    return false;
}

enum status_code forecast_learn(const struct trend_site *site, const struct trend_day days[],
                                size_t n, const struct trend_joint *joint,
                                struct forecast_earlier *out, struct status *st)
{
    struct forecast unused = {.rated_ah = NAN};
    struct sums sums = {0};
    struct work *w;
    double sum = 0.0, var, prior;
    size_t drawn = 0;
    enum status_code code;

    *out = (struct forecast_earlier){.u = INFINITY, .capacity_ah = NAN};
    code = begin(site, days, n, &w, st);
    if (code != STATUS_OK)
        return code;
    if (too_high(&w->belief, days, n, &unused) || no_fall(&w->belief, days, n, &unused)) {
        free(w);
        return status_ok(st);
    }
    code = lattice_fill(&w->belief, &w->lattice, &w->given, st);
    if (code != STATUS_OK) {
        free(w);
        return code;
    }
    if (used_up(&w->belief, days, n, joint))
        for (size_t i = 0; i < w->lattice.n; i++) {
            double off;

            lattice_take(&w->belief, &w->lattice.point[i], &w->given);
            given_depths(&w->belief, &w->given);
            off = (given_depth_now(&w->belief, &w->given) - 1.0) / FULL_U;
            w->lattice.point[i].log_w -= 0.5 * off * off;
        }
    lattice_share(&w->lattice);
    for (size_t i = 0; i < w->lattice.n; i++) {
        size_t until;

        sum += w->lattice.point[i].share;
        until = (size_t)fmin(LEARN_DRAWS, floor(sum * LEARN_DRAWS + 0.5));
        if (until <= drawn)
            continue;
        lattice_take(&w->belief, &w->lattice.point[i], &w->given);
        add_likely(w, (double)(until - drawn) / LEARN_DRAWS, &sums);
        drawn = until;
    }
    out->charged = w->belief.daily.charged;
    out->depth = sums.depth / sums.n;
    for (int k = 0; k < FORECAST_POINTS; k++) {
        out->volt[k] = sums.volt[k] / sums.n;
        out->u_volt[k] = sqrt(fmax(0.0, sums.square[k] / sums.n - out->volt[k] * out->volt[k]));
    }
    /* What the readings say alone: the table's word is not counted once for each battery. */
    prior = w->belief.log_c_u * w->belief.log_c_u;
    out->log_ratio = sums.c / sums.n - w->belief.log_c;
    var = fmax(1e-4, sums.cc / sums.n - pow(sums.c / sums.n, 2.0));
    if (var < 0.95 * prior) {
        out->u = sqrt(1.0 / (1.0 / var - 1.0 / prior));
        out->log_ratio *= out->u * out->u / var;
    }
    if (out->charged)
        out->capacity_ah = exp(sums.c / sums.n);
    free(w);
    return status_ok(st);
}
