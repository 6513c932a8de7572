#include "analyze/infer/trend.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_sort.h>
#include <gsl/gsl_statistics_double.h>

#include "analyze/model/drive.h"

#define DAY 86400.0

/* Sorts v. NaN for nothing. */
static double median_of(double *v, size_t n)
{
    if (n == 0)
        return NAN;
    gsl_sort(v, 1, n);
    return gsl_stats_median_from_sorted_data(v, 1, n);
}

/* ---- robust slope ---- */

/* Sum of k (k - 1) (2 k + 5) over groups of k equal values; sorts v. */
static double ties(double *v, size_t n)
{
    double sum = 0.0;

    gsl_sort(v, 1, n);
    for (size_t i = 0, j; i < n; i = j) {
        double k;

        for (j = i + 1; j < n && !(v[j] > v[i]);)
            j++;
        k = (double)(j - i);
        sum += k * (k - 1.0) * (2.0 * k + 5.0);
    }
    return sum;
}

enum status_code trend_slope(const double x[], const double y[], size_t n, double level,
                             struct trend_slope *out, struct status *st)
{
    double *slope, *spare, z, sigma, nn = (double)n;
    size_t pairs = 0, most;
    long low, high;

    if (n < 2 || n > TREND_SLOPE_MAX)
        return status_fail(st, STATUS_INPUT, "%zu points, expected 2 to %d", n, TREND_SLOPE_MAX);
    if (!(level >= 0.5 && level <= 0.9999))
        return status_fail(st, STATUS_INPUT, "level is %g, expected 0.5 to 0.9999", level);
    for (size_t i = 0; i < n; i++)
        if (!isfinite(x[i]) || !isfinite(y[i]))
            return status_fail(st, STATUS_INPUT, "point %zu is not a finite number", i + 1);
    most = n * (n - 1) / 2;
    slope = malloc((most + n) * sizeof *slope);
    if (!slope)
        return status_fail(st, STATUS_MEMORY, "no memory for %zu pairs of points", most);
    for (size_t i = 0; i < n; i++)
        for (size_t j = 0; j < i; j++)
            if (x[i] > x[j] || x[i] < x[j])
                slope[pairs++] = (y[i] - y[j]) / (x[i] - x[j]);
    if (pairs == 0) {
        free(slope);
        return status_fail(st, STATUS_INPUT, "all %zu points have one x", n);
    }
    gsl_sort(slope, 1, pairs);
    out->slope = gsl_stats_median_from_sorted_data(slope, 1, pairs);
    spare = slope + most;
    memcpy(spare, y, n * sizeof *spare);
    sigma = nn * (nn - 1.0) * (2.0 * nn + 5.0) - ties(spare, n);
    out->intercept = gsl_stats_median_from_sorted_data(spare, 1, n);
    memcpy(spare, x, n * sizeof *spare);
    sigma = sqrt(fmax(0.0, (sigma - ties(spare, n)) / 18.0));
    out->intercept -= out->slope * gsl_stats_median_from_sorted_data(spare, 1, n);
    z = gsl_cdf_ugaussian_Qinv(0.5 * (1.0 - level));
    high = lrint(0.5 * ((double)pairs + z * sigma));
    low = lrint(0.5 * ((double)pairs - z * sigma)) - 1;
    out->high = slope[high > (long)pairs - 1 ? (long)pairs - 1 : high];
    out->low = slope[low < 0 ? 0 : low];
    free(slope);
    return status_ok(st);
}

/* ---- the site and its readings ---- */

struct trend_site trend_site_of(const struct cell_battery *battery)
{
    return (struct trend_site){.battery = *battery,
                               .fitted_s = NAN,
                               .used = NAN,
                               .coil_ohm = NAN,
                               .coil_h = NAN,
                               .pulse_s = NAN,
                               .u_pulse = NAN,
                               .period_s = NAN};
}

/* Resistance at temperature over that at 20 C. */
double trend_cold_factor(const struct trend_site *site, double temperature)
{
    if (isnan(temperature))
        return 1.0;
    return exp2((20.0 - temperature) / site->battery.kind->ohm_half_k.value);
}

/* Charge a pulse takes at a loaded voltage, C; NaN when the coil or the pulse is not known. */
static double pulse_charge(const struct trend_site *site, double volt)
{
    struct drive_circuit circuit = {.emf_v = volt, .coil_ohm = site->coil_ohm, .coil_h = 0.0};
    struct drive_pulse pulse = {.length_s = site->pulse_s, .period_s = site->pulse_s};
    struct drive_result result;

    if (!(site->coil_ohm > 0.0) || !(site->pulse_s > 0.0) || !(volt > 0.0))
        return NAN;
    if (site->coil_h > 0.0)
        circuit.coil_h = site->coil_h;
    drive_quick(&circuit, &pulse, &result);
    return result.charge_c;
}

/* Fills unknown values of one field from the nearest days that have it. */
static void fill_temperature(struct trend_day *day, size_t n)
{
    double last = NAN;

    for (size_t i = 0; i < n; i++) {
        if (isnan(day[i].temperature))
            day[i].temperature = last;
        last = day[i].temperature;
    }
    last = NAN;
    for (size_t i = n; i-- > 0;) {
        if (isnan(day[i].temperature))
            day[i].temperature = last;
        last = day[i].temperature;
    }
}

/* Pulses between two rows with a count. A fall is a counter that began again; over a gap of more
 * than a day it may have counted long before that, so the rate until then stands in. */
static double pulses_between(const struct trend_row *from, const struct trend_row *to, double rate)
{
    double more = to->pulses - from->pulses, gap = to->time_s - from->time_s;

    if (more >= 0.0)
        return more;
    return gap > DAY ? fmax(to->pulses, rate * gap) : to->pulses;
}

/* Counts pulses up to the last row of each day that has a count. */
static void count_pulses(const struct trend_site *site, const struct trend_row rows[],
                         const size_t first[], struct trend_day *day, size_t n)
{
    const struct trend_row *start = NULL, *before = NULL;
    double count = 0.0;

    for (size_t i = 0; i < n; i++) {
        for (size_t j = first[i]; j < first[i + 1]; j++) {
            if (isnan(rows[j].pulses))
                continue;
            if (before) {
                double span = before->time_s - start->time_s;

                count += pulses_between(before, &rows[j], span > 0.0 ? count / span : 0.0);
            } else {
                start = &rows[j];
            }
            before = &rows[j];
        }
        day[i].pulses = before ? count : NAN; /* hold; the next count catches up */
    }
    if (!before && site->period_s > 0.0)
        for (size_t i = 0; i < n; i++)
            day[i].pulses = (day[i].time_s - rows[0].time_s) / site->period_s;
}

static void draw_charge(const struct trend_site *site, double start_s, struct trend_day *day,
                        size_t n)
{
    double drawn = 0.0, pulses = 0.0, time = start_s, volt = NAN;

    for (size_t i = 0; i < n; i++) {
        double here = isnan(day[i].loaded_v) ? day[i].unloaded_v : day[i].loaded_v, each;

        if (isnan(here))
            here = volt;
        each = pulse_charge(site, here);
        volt = here;
        if (isnan(each) || isnan(day[i].pulses)) {
            day[i].drawn_ah = NAN;
            continue;
        }
        drawn +=
            ((day[i].pulses - pulses) * each + site->standby_a * (day[i].time_s - time)) / 3600.0;
        pulses = day[i].pulses;
        time = day[i].time_s;
        day[i].drawn_ah = drawn;
    }
}

/* Medians of one day's rows into a day. */
static void settle_day(const struct trend_site *site, const struct trend_row rows[], size_t n,
                       double *spare, struct trend_day *out)
{
    const double series = site->battery.series, k = site->battery.kind->volt_per_k.value;
    size_t temperatures = 0, unloadeds = 0, loadeds = 0, ratios = 0;
    double *temperature = spare, *unloaded = spare + n, *loaded = spare + 2 * n,
           *ratio = spare + 3 * n, time = 0.0;

    for (size_t i = 0; i < n; i++) {
        const struct trend_row *r = &rows[i];

        time += (r->time_s - rows[0].time_s) / (double)n;
        if (isfinite(r->temperature))
            temperature[temperatures++] = r->temperature;
        if (r->unloaded_v > 0.0)
            unloaded[unloadeds++] = r->unloaded_v;
        if (r->loaded_v > 0.0)
            loaded[loadeds++] = r->loaded_v;
        if (r->unloaded_v > 0.0 && r->loaded_v > 0.0)
            ratio[ratios++] = (r->unloaded_v - r->loaded_v) / r->loaded_v;
    }
    *out = (struct trend_day){.time_s = rows[0].time_s + time,
                              .n = n,
                              .temperature = median_of(temperature, temperatures),
                              .unloaded_v = median_of(unloaded, unloadeds),
                              .loaded_v = median_of(loaded, loadeds),
                              .ratio = median_of(ratio, ratios),
                              .drawn_ah = NAN,
                              .pulses = NAN};
    out->ohm = out->ratio * site->coil_ohm;
    out->unloaded_20 = out->unloaded_v;
    if (isfinite(out->temperature))
        out->unloaded_20 -= series * k * (out->temperature - 20.0);
}

enum status_code trend_days(const struct trend_site *site, const struct trend_row rows[], size_t n,
                            struct trend_day **days, size_t *n_days, struct status *st)
{
    size_t count = 0, *first;
    struct trend_day *day;
    double *spare;

    *days = NULL;
    *n_days = 0;
    if (cell_check(&site->battery, st) != STATUS_OK)
        return st ? st->code : STATUS_INPUT;
    if (n == 0)
        return status_fail(st, STATUS_INPUT, "there are no readings of this battery");
    for (size_t i = 0; i < n; i++)
        if (!isfinite(rows[i].time_s) || (i > 0 && rows[i].time_s < rows[i - 1].time_s))
            return status_fail(st, STATUS_INPUT, "row %zu: the time goes back or is unknown",
                               i + 1);
    day = calloc(n, sizeof *day);
    first = malloc((n + 1) * sizeof *first);
    spare = malloc(4 * n * sizeof *spare);
    if (!day || !first || !spare) {
        free(day);
        free(first);
        free(spare);
        return status_fail(st, STATUS_MEMORY, "no memory for %zu readings", n);
    }
    for (size_t i = 0, j; i < n; i = j) {
        for (j = i + 1; j < n && floor(rows[j].time_s / DAY) <= floor(rows[i].time_s / DAY);)
            j++;
        first[count] = i;
        settle_day(site, rows + i, j - i, spare, &day[count++]);
    }
    first[count] = n;
    fill_temperature(day, count);
    for (size_t i = 0; i < count; i++) {
        day[i].ratio_20 = day[i].ratio / trend_cold_factor(site, day[i].temperature);
        day[i].ohm_20 = day[i].ratio_20 * site->coil_ohm;
    }
    count_pulses(site, rows, first, day, count);
    draw_charge(site, rows[0].time_s, day, count);
    free(first);
    free(spare);
    *days = day;
    *n_days = count;
    return status_ok(st);
}

/* ---- changes ---- */

#define CHANGE_ROWS   5           /* rows before, and after at least where there are so many */
#define CHANGE_MOST   48          /* rows after */
#define CHANGE_AFTER  (2.0 * DAY) /* a rested cell that works again has sunk back by then */
#define CHANGE_SETTLE (1.5 * DAY) /* a charge takes hours, and its surface charge some more */
#define CHANGE_CELL   0.05 /* V a cell; a rest of days gives back less early on (from memory) */
#define CHANGE_MUCH   0.10 /* of the nominal voltage; more than a rest gives back late */

/* Voltage of a row at 20 C; a site that never reads the unloaded one has the loaded one looked at.
 */
static double corrected(const struct trend_site *site, const struct trend_row *row, bool by_load)
{
    double t = isnan(row->temperature) ? 20.0 : row->temperature;

    return (by_load ? row->loaded_v : row->unloaded_v) -
           site->battery.series * site->battery.kind->volt_per_k.value * (t - 20.0);
}

/* Median of up to CHANGE_MOST values, and their robust spread into *spread. */
static double level_of(const double *v, size_t n, double *spread)
{
    double sorted[CHANGE_MOST], off[CHANGE_MOST], level;

    memcpy(sorted, v, n * sizeof *v);
    level = median_of(sorted, n);
    for (size_t i = 0; i < n; i++)
        off[i] = fabs(v[i] - level);
    *spread = 1.4826 * median_of(off, n);
    return level;
}

/* Whether a rise to that level is a new battery. Dry cells rest: a rise counts when it ends near
 * the voltage of fresh ones or is more than any rest gives back. What can be charged may rise by
 * any step that lasts. */
static bool is_change(const struct trend_site *site, double before, double after, double noise)
{
    const struct cell_kind *kind = site->battery.kind;
    double series = site->battery.series, rise = after - before;

    if (rise < fmax(CHANGE_CELL * series, 6.0 * noise))
        return false;
    return !kind->primary || after >= series * (trend_on_points(kind->ocv, 0.2) - CHANGE_CELL) ||
           rise >= CHANGE_MUCH * kind->nominal_v.value * series;
}

size_t trend_changes(const struct trend_site *site, const struct trend_row rows[], size_t n,
                     struct trend_change out[], size_t most)
{
    double *v = malloc((n + 1) * sizeof *v);
    size_t *at = malloc((n + 1) * sizeof *at), m = 0, found = 0, unloaded = 0;
    const bool primary = site->battery.kind->primary;

    for (size_t i = 0; i < n; i++)
        unloaded += rows[i].unloaded_v > 0.0;
    for (size_t i = 0; v && at && i < n; i++)
        if ((unloaded ? rows[i].unloaded_v : rows[i].loaded_v) > 0.0) {
            at[m] = i;
            v[m++] = corrected(site, &rows[i], unloaded == 0);
        }
    for (size_t i = 2; v && at && i + 2 <= m && found < most; i++) {
        size_t b = i < CHANGE_ROWS ? i : CHANGE_ROWS, a, from = i;
        double spread_b, spread_a, noise, before, after;

        while (!primary && from < m && rows[at[from]].time_s - rows[at[i]].time_s < CHANGE_SETTLE)
            from++;
        if (from + 2 > m)
            break;
        for (a = 2;
             from + a < m && a < CHANGE_MOST &&
             (a < CHANGE_ROWS || rows[at[from + a]].time_s - rows[at[from]].time_s < CHANGE_AFTER);)
            a++;
        before = level_of(v + i - b, b, &spread_b);
        after = level_of(v + from, a, &spread_a);
        noise = fmax(0.001, fmax(spread_b, spread_a));
        /* The step is between two rows, or in a third between them that is a mean of both sides:
         * neither side's own drift nor a median that straddles it. */
        if (!is_change(site, before, after, noise) ||
            (primary && v[i] - v[i - 1] < 0.15 * (after - before)) ||
            fmax(v[from], v[from + 1]) - v[i - 1] < 0.7 * (after - before))
            continue;
        if (primary && v[i + 1] - v[i] > 0.15 * (after - before))
            from = i + 1;
        out[found++] = (struct trend_change){.before_s = rows[at[i - 1]].time_s,
                                             .after_s = rows[at[from]].time_s,
                                             .step_v = after - before,
                                             .noise_v = noise};
        i = from + 2;
    }
    free(v);
    free(at);
    return found;
}

/* ---- knee ---- */

#define KNEE_LEAST 12 /* days */

/* Straight line through n points: its slope, value at the middle, and sum of squares left. */
static double straight(const double *x, const double *y, size_t n, double *slope)
{
    double sx = 0, sy = 0, sxx = 0, sxy = 0, left = 0, nn = (double)n;

    for (size_t i = 0; i < n; i++) {
        sx += x[i] / nn;
        sy += y[i] / nn;
    }
    for (size_t i = 0; i < n; i++) {
        sxx += (x[i] - sx) * (x[i] - sx);
        sxy += (x[i] - sx) * (y[i] - sy);
    }
    *slope = sxx > 0.0 ? sxy / sxx : 0.0;
    for (size_t i = 0; i < n; i++) {
        double off = y[i] - sy - *slope * (x[i] - sx);

        left += off * off;
    }
    return left;
}

void trend_knee(const struct trend_day days[], size_t n, struct trend_knee *out)
{
    double *x = malloc((2 * n + 1) * sizeof *x), *y, whole, slope, best = INFINITY;
    size_t m = 0, skip, at = 0;

    *out = (struct trend_knee){.time_s = NAN, .before = NAN, .after = NAN};
    if (!x)
        return;
    y = x + n;
    for (size_t i = 0; i < n; i++)
        if (isfinite(days[i].unloaded_20)) {
            x[m] = days[i].time_s;
            y[m++] = days[i].unloaded_20;
        }
    skip = m / 4; /* the steep start of a fresh cell */
    if (m - skip >= KNEE_LEAST) {
        whole = straight(x + skip, y + skip, m - skip, &slope);
        for (size_t i = skip + 4; i + 3 <= m; i++) {
            double before, after,
                left = straight(x + skip, y + skip, i - skip, &before) +
                       straight(x + i, y + i, m - i, &after);

            if (left < best) {
                best = left;
                at = i;
                out->before = before;
                out->after = after;
            }
        }
        /* Twice as steep, and so much better that chance and meter drift do not do it. */
        out->found = at > 0 && out->after < 2.0 * fmin(out->before, 0.0) && out->after < 0.0 &&
                     best < 0.35 * whole;
        if (out->found)
            out->time_s = x[at];
    }
    free(x);
}

/* ---- the chemistry's curves, beyond their ends too ---- */

double trend_on_points(const double curve[CELL_POINTS], double x)
{
    double at = fmax(x, 0.0) * (CELL_POINTS - 1);
    int i = at >= CELL_POINTS - 1 ? CELL_POINTS - 2 : (int)at;

    return curve[i] + (at - i) * (curve[i + 1] - curve[i]);
}

/* ---- joint or cell ---- */

const char *trend_cause_words(enum trend_cause cause)
{
    switch (cause) {
    case TREND_STEADY:
        return "nothing to be seen yet";
    case TREND_RUNNING_DOWN:
        return "the cells run down, as they should";
    case TREND_JOINT:
        return "a joint, contact or lead has gone bad; the cells have not";
    case TREND_UNSEEN:
        return "the voltage in a pulse is not known, so joint and cells look alike";
    }
    return "unknown";
}

/* Median and relative robust scatter of ratio_20 over the growth of the cells. */
static double grown_level(const double *v, size_t n, double *scatter, double *spare)
{
    double level;

    memcpy(spare, v, n * sizeof *v);
    level = median_of(spare, n);
    for (size_t i = 0; i < n; i++)
        spare[i] = fabs(v[i] - level);
    *scatter = 1.4826 * median_of(spare, n);
    return level;
}

/* Growth of the cells' resistance as their rested voltage tells their depth: a joint does not show
 * there. */
static double growth_at(const struct trend_site *site, const struct trend_day *day)
{
    double depth, u, t = isnan(day->temperature) ? 20.0 : day->temperature;

    if (cell_depth(&site->battery, fmin(1000.0, fmax(0.0, day->unloaded_v)),
                   fmin(60.0, fmax(-40.0, t)), &depth, &u, NULL) != STATUS_OK)
        return 1.0;
    return trend_on_points(site->battery.kind->growth, depth);
}

#define GROWTH_U 0.6 /* of the cells' own growth, twice its relative doubt: a third or so */

/* True when a resistance over the cells' growth, good before and now after, rose by more than that
 * share of the good one and by more than the growth may be wrong. What a joint adds does not grow,
 * so it is weighed as it stands. */
static bool is_rise(double good, double good_growth, double now, double now_growth, double share)
{
    double more = fmax(0.0, now_growth - good_growth);

    return (now - good) * now_growth > good * (share * good_growth + GROWTH_U * more);
}

#define NEAR 14 /* days */
#define SUDDEN                                                                                     \
    0.45 /* of a rise over twice 40 days, within twice NEAR; steady growth makes 0.35              \
          */

/* Rise of the median from the days just before i to those from i on. Cells grow over months, a
 * joint goes bad in days or weeks. */
static double step_at(const double *v, size_t i, size_t n, double *spare)
{
    size_t before = i < NEAR ? i : NEAR, after = n - i < NEAR ? n - i : NEAR;
    double scatter;

    return grown_level(v + i, after, &scatter, spare) -
           grown_level(v + i - before, before, &scatter, spare);
}

/* The latest unloaded voltage at 20 C; a day may lack it. */
static double last_unloaded(const struct trend_day days[], size_t n)
{
    while (n > 0 && isnan(days[n - 1].unloaded_20))
        n--;
    return n > 0 ? days[n - 1].unloaded_20 : NAN;
}

/* What the step of a meter makes in the ratio, where days never differ by less. */
static double ratio_grain(const struct trend_day days[], size_t n)
{
    double grain = INFINITY, last = NAN;

    for (size_t i = 0; i < n; i++)
        if (isfinite(days[i].unloaded_v)) {
            if (fabs(days[i].unloaded_v - last) > 1e-5)
                grain = fmin(grain, fabs(days[i].unloaded_v - last));
            last = days[i].unloaded_v;
        }
    return isfinite(grain) && last > 0.0 ? fmin(0.1, grain / last) / sqrt(12.0) : 0.0;
}

void trend_joint(const struct trend_site *site, const struct trend_day days[], size_t n,
                 struct trend_joint *out)
{
    double *v = malloc((4 * n + 4) * sizeof *v), *time, *spare, *growth, fall, best = 0.0,
           grain = ratio_grain(days, n);
    size_t m = 0, at = 0, lately;

    *out = (struct trend_joint){.cause = TREND_UNSEEN,
                                .since_s = NAN,
                                .ratio_good = NAN,
                                .ratio_now = NAN,
                                .ohm_excess = NAN,
                                .scatter_before = NAN,
                                .scatter_now = NAN};
    if (!v)
        return;
    time = v + n;
    spare = time + n;
    growth = spare + n;
    for (size_t i = 0; i < n; i++)
        if (isfinite(days[i].ratio_20)) {
            growth[m] = growth_at(site, &days[i]);
            v[m] = days[i].ratio_20 / growth[m];
            time[m++] = days[i].time_s;
        }
    if (m == 0) {
        free(v);
        return;
    }
    lately = m < 7 ? m : 7;
    out->ratio_now = grown_level(v + m - lately, lately, &out->scatter_now, spare);
    out->ratio_good = out->ratio_now;
    /* The place that parts the values best: their medians differ by most of their scatter. */
    for (size_t i = 5; i + 3 <= m; i++) {
        size_t window = i < 40 ? i : 40, after = m - i < 40 ? m - i : 40;
        double scatter_b, scatter_a, b = grown_level(v + i - window, window, &scatter_b, spare),
                                     a = grown_level(v + i, after, &scatter_a, spare);
        double doubt = hypot(fmax(scatter_b, 0.02 * b) / sqrt((double)window),
                             fmax(scatter_a, 0.02 * b) / sqrt((double)after));
        double score = (a - b) / fmax(hypot(doubt, grain), 1e-6);

        if (is_rise(b, growth[i - window + window / 2], a, growth[i + after / 2], 0.4) &&
            a - b > 0.004 && score > 5.0 && score > best &&
            step_at(v, i, m, spare) > SUDDEN * (a - b)) {
            best = score;
            at = i;
        }
    }
    fall = site->battery.kind->ocv[0] - last_unloaded(days, n) / site->battery.series;
    out->cause = fall > 0.1 ? TREND_RUNNING_DOWN : TREND_STEADY;
    if (at > 0) {
        size_t before = at < 40 ? at : 40;
        double good = grown_level(v + at - before, before, &out->scatter_before, spare);

        /* Still bad now, and not the cells' end, where everything grows. */
        if (is_rise(good, growth[at - before / 2], out->ratio_now, growth[m - 1], 0.3) &&
            growth[at] < 2.4) {
            out->cause = TREND_JOINT;
            out->since_s = time[at];
            out->ratio_good = good;
        }
    }
    out->ohm_excess = (out->ratio_now - out->ratio_good) * growth[m - 1] * site->coil_ohm;
    if (out->cause != TREND_JOINT)
        out->scatter_before = out->scatter_now;
    out->ratio_good *= growth[m - 1];
    out->ratio_now *= growth[m - 1];
    free(v);
}
