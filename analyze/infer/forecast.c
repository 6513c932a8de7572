#include "analyze/infer/forecast.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include "analyze/infer/daily.h"
#include "analyze/infer/depart.h"
#include "analyze/infer/duty.h"
#include "analyze/infer/fade.h"

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

#define GROWTH_U  0.35 /* of the logarithm of what the resistance still grows by */
#define LEFT_U    0.05 /* of what is left, relative: it is never known better */
#define DEEPEST   1.5
#define GRID_C    28
#define GRID_X    18
#define ROUNDS    4
#define AHEAD     24 /* depths ahead at which the departure is worked out */
#define DRAWS     600
#define CELLS     (GRID_C * GRID_X * 3 * FADE_CURVES)
#define ALIKE     12.0  /* log weights that far below the best do not count */
#define RATED_U   0.06  /* makers rate to 0.8 V or 0.9 V, at more than the current of most sites */
#define SEEN_U    0.012 /* V a cell: a fall that cannot be missed over weeks */
#define HIGH      0.055 /* of the nominal voltage, over the fresh one: makes, and surface charge */
#define LIFE_S    (200.0 * DAY) /* where the charge is not known: a life of that and e^+-1 */
#define LIFE_LOGU 1.0
#define COLD                                                                                       \
    0.25 /* of what cold costs at the rated current: the table's is for hours, not months */
/* From memory, no source: what cells of one make and type differ by; how often the next battery is
 * of the make of the last; what stays of a make's departure from cell to cell (standard deviation);
 * what a site adds to all of its batteries: pulse, temperature, drain that nobody counts. */
#define OWN_U          0.06
#define SAME           0.75
#define SAME_ELSEWHERE 0.5
#define OWN_CURVE      0.45
#define SITE_U         0.03
#define UNEVEN_U       0.15 /* where charge is not known: from one battery's work to the next one's */

struct model {
    const struct trend_site *site;
    struct fade fade;
    struct depart depart;
    double part[FADE_CURVES]; /* prior share of each curve */
    struct daily daily;
    double log_c, log_c_u; /* prior of the logarithm of the capacity */
    double like_c, like_u; /* the same if it is like the earlier ones */
    double table_u;        /* of log_c_u what the kind of cell is to blame for, not the site */
    double used;           /* before the first row, as stated or from the time since fitting, Ah */
    double rate, rate_u;   /* self-discharge, 1/s */
};

/* Density of the share used at the start. Most batteries go in fresh; some are not. */
static double start_density(const struct model *m, double x)
{
    double used = m->site->used, new, old;

    if (x < 0.0 || x > 0.95)
        return 0.0;
    if (isfinite(used)) {
        double off = (x - used) / 0.05;

        return exp(-0.5 * off * off);
    }
    new = exp(-x / 0.015) / 0.015; /* a year or two on the shelf */
    old = x < 0.5 ? 1.0 / 0.5 : 0.0;
    return isnan(m->site->fitted_s) ? 0.4 * new + 0.6 / 0.95 : 0.92 * new + 0.08 * old;
}

/* Capacity over the rated one. Where the charge is not known there is no other measure than
 * depth. */
static double stretch(const struct model *m, double log_c)
{
    return m->daily.charged ? exp(log_c - m->log_c) : 1.0;
}

/* A battery with its unknowns fixed, and what the readings say of its departure. */
struct fixed {
    double c, x0, rate;
    int curve;
    double x[DAILY_BINS];
    struct depart_place at[DAILY_BINS];
    double lower[DAILY_BINS][DAILY_BINS]; /* Cholesky */
    double alpha[DAILY_BINS];             /* lower^-1 residual */
    double log_det, log_like;
};

static void depths(const struct model *m, struct fixed *f)
{
    double x = f->x0, charge = 0.0, time = m->daily.start_s, wide = stretch(m, log(f->c));

    for (size_t i = 0; i < m->daily.n; i++) {
        double dt = m->daily.bin[i].time_s - time;

        x += (m->daily.bin[i].charge - charge) / f->c + f->rate * dt * fmax(0.0, 1.0 - x);
        charge = m->daily.bin[i].charge;
        time = m->daily.bin[i].time_s;
        f->x[i] = x;
        f->at[i] = depart_at(&m->depart, f->curve, wide, x, m->daily.bin[i].kelvin);
    }
}

/* Depth on the last day, which is a little after the middle of the last bin. */
static double depth_now(const struct model *m, const struct fixed *f)
{
    const struct daily_bin *last = &m->daily.bin[m->daily.n - 1];
    double x = f->x[m->daily.n - 1];

    return x + (m->daily.last_charge - last->charge) / f->c +
           f->rate * (m->daily.last_s - last->time_s) * fmax(0.0, 1.0 - x);
}

/* Depths, and the covariance of the readings there: the same for every knee. */
static void place_bins(const struct model *m, struct fixed *f)
{
    depths(m, f);
    f->log_det = 0.0;
    for (size_t i = 0; i < m->daily.n; i++) {
        for (size_t j = 0; j <= i; j++) {
            double sum = depart_covariance(&m->depart, &f->at[i], &f->at[j]);

            if (i == j)
                sum += m->daily.bin[i].noise * m->daily.bin[i].noise;
            for (size_t k = 0; k < j; k++)
                sum -= f->lower[i][k] * f->lower[j][k];
            if (i == j)
                f->lower[i][i] = sqrt(fmax(sum, 1e-12));
            else
                f->lower[i][j] = sum / f->lower[j][j];
        }
        f->log_det += log(f->lower[i][i]);
    }
}

/* How well the curve fits there. */
static void fit_curve(const struct model *m, struct fixed *f)
{
    double square = 0.0;

    for (size_t i = 0; i < m->daily.n; i++) {
        double r =
            m->daily.bin[i].volt - fade_volt(&m->fade, f->curve, f->x[i], m->daily.bin[i].kelvin);

        for (size_t k = 0; k < i; k++)
            r -= f->lower[i][k] * f->alpha[k];
        f->alpha[i] = r / f->lower[i][i];
        square += f->alpha[i] * f->alpha[i];
    }
    f->log_like = -0.5 * square - f->log_det;
}

static void weigh(const struct model *m, struct fixed *f)
{
    place_bins(m, f);
    fit_curve(m, f);
}

/* Mean and standard deviation of the departure at a depth. */
static void departure(const struct model *m, const struct fixed *f, double x, double kelvin,
                      double *mean, double *sd)
{
    struct depart_place here = depart_at(&m->depart, f->curve, stretch(m, log(f->c)), x, kelvin);
    double v[DAILY_BINS], var = depart_covariance(&m->depart, &here, &here);

    *mean = 0.0;
    for (size_t i = 0; i < m->daily.n; i++) {
        double sum = depart_covariance(&m->depart, &here, &f->at[i]);

        for (size_t k = 0; k < i; k++)
            sum -= f->lower[i][k] * v[k];
        v[i] = sum / f->lower[i][i];
        *mean += v[i] * f->alpha[i];
        var -= v[i] * v[i];
    }
    *sd = sqrt(fmax(0.0, var));
}

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
static void follow(const struct model *m, const struct fixed *f, const struct ahead *a,
                   const struct duty *d, double z, double z_duty, double z_growth, double ratio,
                   double bad, const double *path_s, size_t n_path, double end_cell,
                   struct draw *out)
{
    const double *growth = m->site->battery.kind->growth;
    double now = depth_now(m, f), x = now, t = 0.0, before = NAN,
           grown = trend_on_points(growth, now);
    double per_s = d->per_s * d->since * exp(hypot(d->u, LEFT_U) * z_duty),
           cold = trend_cold_factor(m->site, 20.0 + d->kelvin), grows = exp(GROWTH_U * z_growth);
    double volt_0 = NAN, step = 0.005, bad_before = NAN, t_before = 0.0;
    size_t p = 0;

    out->days = out->falter = NAN;
    for (int i = 0; i < 400; i++) {
        double u = fade_volt(&m->fade, f->curve, x, d->kelvin) + lerp(a->x, a->mean, AHEAD, x) +
                   z * lerp(a->x, a->sd, AHEAD, x);
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

/* ---- the grid ---- */

struct grid {
    double c_low, c_high; /* logarithms */
    double x_low, x_high;
    size_t n;
    struct {
        double log_c, x0, rate, log_w;
        int curve;
    } cell[CELLS];
};

static void grid_fill(const struct model *m, struct grid *g, struct fixed *f)
{
    static const double node[3] = {0.0, -1.7320508075688772, 1.7320508075688772},
                        part[3] = {2.0 / 3, 1.0 / 6, 1.0 / 6};
    /* Self-discharge is only worth three values where it moves the depth. */
    int nodes = m->rate_u * (m->daily.bin[m->daily.n - 1].time_s + 0.5 * YEAR) > 0.03 ? 3 : 1;

    g->n = 0;
    for (int i = 0; i < GRID_C; i++)
        for (int j = 0; j < GRID_X; j++)
            for (int k = 0; k < nodes; k++) {
                double log_c = g->c_low + (i + 0.5) * (g->c_high - g->c_low) / GRID_C;
                double x0 = g->x_low + (j + 0.5) * (g->x_high - g->x_low) / GRID_X;
                double density = start_density(m, x0);

                if (!(density > 0.0))
                    continue;
                f->c = exp(log_c);
                f->rate = m->rate * exp(node[k] * m->rate_u / m->rate);
                f->x0 = x0 + m->used / f->c;
                f->curve = 0;
                place_bins(m, f);
                if (f->x[m->daily.n - 1] > DEEPEST)
                    continue;
                for (f->curve = 0; f->curve < FADE_CURVES; f->curve++) {
                    bool like = f->curve == FADE_LIKE;
                    double u = like ? m->like_u : m->log_c_u;
                    double off = (log_c - (like ? m->like_c : m->log_c)) / u;

                    if (!(m->part[f->curve] > 0.0))
                        continue;
                    if (like)
                        place_bins(m, f);
                    fit_curve(m, f);
                    g->cell[g->n].log_c = log_c;
                    g->cell[g->n].x0 = x0;
                    g->cell[g->n].rate = f->rate;
                    g->cell[g->n].curve = f->curve;
                    g->cell[g->n++].log_w = f->log_like - 0.5 * off * off - log(u) + log(density) +
                                            log(m->part[f->curve]) +
                                            log(nodes == 1 ? 1.0 : part[k]);
                }
            }
}

static double grid_best(const struct grid *g)
{
    double best = -INFINITY;

    for (size_t i = 0; i < g->n; i++)
        best = fmax(best, g->cell[i].log_w);
    return best;
}

/* Narrows to where the weight is; false when it is no narrower. */
static bool grid_narrow(struct grid *g)
{
    double best = grid_best(g), dc = (g->c_high - g->c_low) / GRID_C,
           dx = (g->x_high - g->x_low) / GRID_X;
    double c_low = INFINITY, c_high = -INFINITY, x_low = INFINITY, x_high = -INFINITY;
    bool narrower;

    for (size_t i = 0; i < g->n; i++)
        if (g->cell[i].log_w > best - ALIKE) {
            c_low = fmin(c_low, g->cell[i].log_c - dc);
            c_high = fmax(c_high, g->cell[i].log_c + dc);
            x_low = fmin(x_low, g->cell[i].x0 - dx);
            x_high = fmax(x_high, g->cell[i].x0 + dx);
        }
    c_low = fmax(c_low, g->c_low);
    c_high = fmin(c_high, g->c_high);
    x_low = fmax(x_low, g->x_low);
    x_high = fmin(x_high, g->x_high);
    narrower =
        (c_high - c_low) * (x_high - x_low) < 0.7 * (g->c_high - g->c_low) * (g->x_high - g->x_low);
    g->c_low = c_low;
    g->c_high = c_high;
    g->x_low = x_low;
    g->x_high = x_high;
    return narrower;
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
    struct model model;
    struct grid grid;
    struct fixed fixed;
    struct ahead ahead;
    struct draw draw[DRAWS];
    double value[DRAWS];
};

static void take_cell(struct work *w, size_t i)
{
    w->fixed.c = exp(w->grid.cell[i].log_c);
    w->fixed.x0 = w->grid.cell[i].x0 + w->model.used / w->fixed.c;
    w->fixed.rate = w->grid.cell[i].rate;
    w->fixed.curve = w->grid.cell[i].curve;
}

static void draw_all(struct work *w, const struct duty *d, const struct trend_joint *joint,
                     struct forecast *out)
{
    const struct trend_site *site = w->model.site;
    double end_cell = daily_end_v(site);
    double best = grid_best(&w->grid), total = 0.0, sum = 0.0, log_c = 0.0, square = 0.0, x_1 = 0.0,
           x_2 = 0.0, like = 0.0;
    gsl_qrng *q = gsl_qrng_alloc(gsl_qrng_halton, 3);
    size_t n = 0;

    if (!q)
        return;
    for (size_t i = 0; i < w->grid.n; i++)
        total += exp(w->grid.cell[i].log_w - best);
    for (size_t i = 0; i < w->grid.n; i++)
        if (w->grid.cell[i].curve == FADE_LIKE)
            like += exp(w->grid.cell[i].log_w - best) / total;
    if (out->earlier)
        out->alike = like;
    for (size_t i = 0; i < w->grid.n; i++) {
        double share = exp(w->grid.cell[i].log_w - best) / total, ratio, bad, now;
        size_t until;

        /* So many draws as are due by now, each of the same weight. */
        sum += share;
        until = (size_t)fmin(DRAWS, floor(sum * DRAWS + 0.5));
        if (n >= until)
            continue;
        take_cell(w, i);
        weigh(&w->model, &w->fixed);
        now = depth_now(&w->model, &w->fixed);
        share = (double)(until - n) / DRAWS;
        log_c += share * w->grid.cell[i].log_c;
        square += share * w->grid.cell[i].log_c * w->grid.cell[i].log_c;
        x_1 += share * now;
        x_2 += share * now * now;
        for (size_t k = 0; k < AHEAD; k++) {
            w->ahead.x[k] = now + (fmax(1.25, now + 0.3) - now) * (double)k / (AHEAD - 1);
            departure(&w->model, &w->fixed, w->ahead.x[k], d->kelvin, &w->ahead.mean[k],
                      &w->ahead.sd[k]);
        }
        ratio = joint && isfinite(joint->ratio_good)
                    ? fmax(0.0, joint->ratio_good)
                    : daily_table_ratio(site, w->fixed.x[w->model.daily.n - 1]);
        bad = joint && isfinite(joint->ratio_now) ? fmax(ratio, joint->ratio_now) : ratio;
        while (n < until) {
            double u[3];

            gsl_qrng_get(q, u);
            follow(&w->model, &w->fixed, &w->ahead, d, gsl_cdf_ugaussian_Pinv(u[0]),
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
    if (w->model.daily.charged) {
        out->capacity_ah = exp(log_c);
        out->u_capacity = out->capacity_ah * sqrt(fmax(0.0, square - log_c * log_c));
    }
}

/* ---- what no battery does ---- */

/* V a cell that the seasons may hide: ten kelvin where nobody reads them, and what cold makes of
 * the resistance where only the loaded voltage is read. */
static double unread(const struct model *m)
{
    return (m->daily.warmth ? 0.0 : 10.0 * DEPART_KELVIN_U) +
           (m->daily.by_load ? 0.25 * m->daily.dip * m->site->battery.kind->nominal_v.value : 0.0);
}

/* Days from which as much charge was drawn that the voltage must have fallen by what can be seen;
 * n when not so much was drawn. *fall: what half of it makes, for a battery half as large again. */
static size_t telling_days(const struct model *m, const struct trend_day days[], size_t n,
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
static bool no_fall(const struct model *m, const struct trend_day days[], size_t n,
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

static bool too_high(const struct model *m, const struct trend_day days[], size_t n,
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
static void judge(const struct model *m, const struct trend_day days[], size_t n,
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

static enum status_code prepare(struct model *m, const struct trend_site *site,
                                const struct trend_day days[], size_t n, struct duty *d,
                                struct forecast *out, struct status *st)
{
    struct cell_figure ah, self;
    double kelvin = 0.0, celsius;
    enum status_code code;

    code = daily_make(site, days, n, &m->daily, st);
    if (code != STATUS_OK)
        return code;
    m->site = site;
    if (!fade_make(site->battery.kind, &m->fade))
        return status_fail(st, STATUS_MEMORY, "no memory for the curve of the cell");
    depart_make(site->battery.kind, m->daily.dip, &m->depart);
    duty_learn(&m->daily, days, n, d);
    for (size_t i = 0; i < m->daily.n; i++)
        kelvin += m->daily.bin[i].kelvin / (double)m->daily.n;
    out->mean_a = m->daily.charged ? d->per_s * 3600.0 : NAN;
    /* At the mean current, for what the pulse itself loses in the cells is followed voltage by
     * voltage and would else be counted twice; for the same reason only some of what cold costs. */
    celsius = fmin(60.0, fmax(-40.0, 20.0 + COLD * kelvin));
    if (cell_capacity(&site->battery, m->daily.charged ? out->mean_a : 0.0,
                      m->daily.charged ? out->mean_a : 0.0, celsius, &ah, st) != STATUS_OK ||
        cell_self_rate(&site->battery, fmin(60.0, fmax(-40.0, 20.0 + kelvin)), &self, st) !=
            STATUS_OK)
        return st ? st->code : STATUS_INPUT;
    m->rate = self.value / YEAR;
    m->rate_u = self.u / YEAR;
    out->rated_ah = m->daily.charged ? ah.value : NAN;
    out->drawn_ah = m->daily.drawn_ah;
    if (m->daily.charged) {
        double u_pulse = site->u_pulse > 0.0 ? site->u_pulse / site->pulse_s : 0.02;

        /* Charge is counted in the unit of the pulse: its doubt is the capacity's. */
        m->log_c = log(ah.value);
        m->table_u = hypot(ah.u / ah.value, RATED_U);
        m->log_c_u = hypot(m->table_u, u_pulse);
        m->used = fmin(0.9 * ah.value, m->daily.start_s * d->per_s);
    } else {
        m->log_c = log(LIFE_S);
        m->log_c_u = LIFE_LOGU;
        m->table_u = 0.0;
        m->used = m->daily.start_s;
    }
    return STATUS_OK;
}

static enum status_code begin(const struct trend_site *site, const struct trend_day days[],
                              size_t n, struct work **work, struct duty *d, struct forecast *out,
                              struct status *st)
{
    enum status_code code;

    if (cell_check(&site->battery, st) != STATUS_OK)
        return st ? st->code : STATUS_INPUT;
    if (n == 0)
        return status_fail(st, STATUS_INPUT, "there are no readings of this battery");
    *work = calloc(1, sizeof **work);
    if (!*work)
        return status_fail(st, STATUS_MEMORY, "no memory for the forecast");
    code = prepare(&(*work)->model, site, days, n, d, out, st);
    if (code != STATUS_OK)
        free(*work);
    return code;
}

/* The grid narrowed to where the weight is. */
static enum status_code fill_grid(struct work *w, struct status *st)
{
    double low = w->model.log_c - 4.0 * w->model.log_c_u,
           high = w->model.log_c + 4.0 * w->model.log_c_u;

    w->grid.c_low = low;
    w->grid.c_high = high;
    w->grid.x_low = 0.0;
    w->grid.x_high = 0.95;
    for (int round = 0; round < ROUNDS; round++) {
        grid_fill(&w->model, &w->grid, &w->fixed);
        if (w->grid.n == 0 || (round + 1 < ROUNDS && !grid_narrow(&w->grid)))
            break;
    }
    if (w->grid.n == 0)
        return status_fail(st, STATUS_NUMERIC,
                           "more charge was drawn than such a battery can hold; is the kind of "
                           "cell, the pulse length or the date of change right, and is it fed "
                           "by this battery alone?");
    return status_ok(st);
}

/* ---- earlier batteries ---- */

/* Covariance of the logarithms of two batteries' capacities, over what the table says: the make is
 * of the kind, and the site adds its own. */
static double akin(const struct model *m, bool here, bool both_here)
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
static bool expect_capacity(struct model *m, const struct forecast_earlier *const earlier[],
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
static void expect_curve(struct model *m, const struct forecast_earlier *const earlier[], size_t n)
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
static void compare_earlier(struct model *m, const struct forecast_earlier earlier[], size_t n,
                            struct forecast *out)
{
    const struct forecast_earlier *used[FORECAST_EARLIER];
    size_t k = 0;

    for (int c = 0; c < FADE_KNEES; c++)
        m->part[c] = 1.0 / FADE_KNEES;
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
    struct duty d;
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
    code = begin(site, days, n, &w, &d, out, st);
    if (code != STATUS_OK)
        return code;
    out->from_s = days[n - 1].time_s;
    out->end_v = site->battery.series * daily_end_v(site);
    compare_earlier(&w->model, earlier, n_earlier, out);
    code = fill_grid(w, st);
    if (code != STATUS_OK) {
        free(w);
        return code;
    }
    draw_all(w, &d, joint, out);
    horizon = fmax(7.0, 1.1 * out->days[FORECAST_Q95]) * DAY;
    out->n_path = FORECAST_PATH;
    for (size_t i = 0; i < FORECAST_PATH; i++)
        out->path_s[i] = horizon * (double)i / (FORECAST_PATH - 1);
    draw_all(w, &d, joint, out);
    for (size_t i = 0; i < FORECAST_PATH; i++)
        out->path_s[i] += out->from_s;
    out->shelf = isfinite(site->fitted_s) &&
                 site->fitted_s + (kind->shelf_year.value - kind->shelf_year.u) * YEAR <
                     out->from_s + out->days[FORECAST_Q95] * DAY;
    judge(&w->model, days, n, joint, out);
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
    const struct model *m = &w->model;
    struct fixed *f = &w->fixed;
    double log_c = log(f->c);

    weigh(m, f);
    sums->n += share;
    sums->c += share * log_c;
    sums->cc += share * log_c * log_c;
    sums->depth += share * depth_now(m, f);
    for (int k = 0; k < FORECAST_POINTS; k++) {
        double x = (double)k / (FORECAST_POINTS - 1), mean, sd;

        departure(m, f, x, 0.0, &mean, &sd);
        mean += fade_volt(&m->fade, f->curve, x, 0.0);
        sums->volt[k] += share * mean;
        sums->square[k] += share * (mean * mean + sd * sd);
    }
}

/* Its loaded voltage came down to the end point: all of its capacity was used. */
static bool used_up(const struct model *m, const struct trend_day days[], size_t n,
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
    struct duty d;
    double best, total = 0.0, sum = 0.0, var, prior;
    size_t drawn = 0;
    enum status_code code;

    *out = (struct forecast_earlier){.u = INFINITY, .capacity_ah = NAN};
    code = begin(site, days, n, &w, &d, &unused, st);
    if (code != STATUS_OK)
        return code;
    compare_earlier(&w->model, NULL, 0, &unused);
    if (too_high(&w->model, days, n, &unused) || no_fall(&w->model, days, n, &unused)) {
        free(w);
        return status_ok(st);
    }
    code = fill_grid(w, st);
    if (code != STATUS_OK) {
        free(w);
        return code;
    }
    if (used_up(&w->model, days, n, joint))
        for (size_t i = 0; i < w->grid.n; i++) {
            double off;

            take_cell(w, i);
            depths(&w->model, &w->fixed);
            off = (depth_now(&w->model, &w->fixed) - 1.0) / FULL_U;
            w->grid.cell[i].log_w -= 0.5 * off * off;
        }
    best = grid_best(&w->grid);
    for (size_t i = 0; i < w->grid.n; i++)
        total += exp(w->grid.cell[i].log_w - best);
    for (size_t i = 0; i < w->grid.n; i++) {
        size_t until;

        sum += exp(w->grid.cell[i].log_w - best) / total;
        until = (size_t)fmin(LEARN_DRAWS, floor(sum * LEARN_DRAWS + 0.5));
        if (until <= drawn)
            continue;
        take_cell(w, i);
        add_likely(w, (double)(until - drawn) / LEARN_DRAWS, &sums);
        drawn = until;
    }
    out->charged = w->model.daily.charged;
    out->depth = sums.depth / sums.n;
    for (int k = 0; k < FORECAST_POINTS; k++) {
        out->volt[k] = sums.volt[k] / sums.n;
        out->u_volt[k] = sqrt(fmax(0.0, sums.square[k] / sums.n - out->volt[k] * out->volt[k]));
    }
    /* What the readings say alone: the table's word is not counted once for each battery. */
    prior = w->model.log_c_u * w->model.log_c_u;
    out->log_ratio = sums.c / sums.n - w->model.log_c;
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
