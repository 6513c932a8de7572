#include "analyze/infer/daily.h"

#include <math.h>

/* Judgement (common practice, no source). */
#define NOISE_U  0.003 /* V a cell, of a bin */
#define UNREAD_U 0.004 /* more where the temperature is not read: the seasons */

double daily_table_ratio(const struct trend_site *site, double depth)
{
    struct cell_state state;

    if (!(site->coil_ohm > 0.0) ||
        cell_state(&site->battery, fmin(1.0, fmax(0.0, depth)), 20.0, 0.0, &state, NULL))
        return 0.02;
    return state.ohm / site->coil_ohm;
}

double daily_end_v(const struct trend_site *site)
{
    return isnan(site->battery.end_v) ? site->battery.kind->end_v.value : site->battery.end_v;
}

double daily_volt(const struct daily *d, const struct trend_day *day)
{
    double volt =
        d->by_load ? day->loaded_v * (1.0 + d->dip * trend_cold_factor(d->site, day->temperature))
                   : day->unloaded_v;

    return volt / d->site->battery.series;
}

double daily_loaded(const struct trend_site *site, const struct trend_joint *joint,
                    const struct trend_day *day)
{
    if (isnan(day->loaded_v))
        return day->unloaded_v;
    if (joint && joint->cause == TREND_JOINT && isfinite(day->unloaded_v))
        return fmax(day->loaded_v,
                    day->unloaded_v /
                        (1.0 + joint->ratio_good * trend_cold_factor(site, day->temperature)));
    return day->loaded_v;
}

static double day_charge(const struct daily *d, const struct trend_day days[], size_t i)
{
    return d->charged ? days[i].drawn_ah : days[i].time_s - days[0].time_s;
}

/* Which voltage there is, and how finely it was read: a meter with steps of 10 mV shows as days
 * whose voltages are never closer than that. */
static bool look_at_voltage(struct daily *d, const struct trend_day days[], size_t n)
{
    size_t unloaded = 0, loaded = 0;
    double last = NAN;

    for (size_t i = 0; i < n; i++) {
        unloaded += isfinite(days[i].unloaded_v) ? 1 : 0;
        loaded += isfinite(days[i].loaded_v) ? 1 : 0;
    }
    d->by_load = unloaded == 0;
    d->dip = d->by_load ? daily_table_ratio(d->site, 0.4) : 0.0;
    d->grain = INFINITY;
    for (size_t i = 0; i < n; i++) {
        double volt = d->by_load ? days[i].loaded_v : days[i].unloaded_v;

        if (isfinite(volt) && isfinite(last) && fabs(volt - last) > 1e-5)
            d->grain = fmin(d->grain, fabs(volt - last));
        last = isfinite(volt) ? volt : last;
    }
    d->grain = isfinite(d->grain) ? d->grain / d->site->battery.series : 0.0;
    return unloaded + loaded > 0;
}

static void fill_bins(struct daily *d, const struct trend_day days[], size_t n)
{
    double total = 0.0, last = -1.0;
    size_t used = 0, lately = 0, in[DAILY_BINS] = {0};

    for (size_t i = 0; i < n; i++)
        if (isfinite(daily_volt(d, &days[i])))
            total = day_charge(d, days, i);
    for (size_t i = 0; i < n; i++) {
        double charge = day_charge(d, days, i), volt = daily_volt(d, &days[i]);
        double kelvin =
            isfinite(days[i].temperature) ? days[i].temperature - 20.0 : DAILY_UNKNOWN_C;
        struct daily_bin *b;

        if (!isfinite(volt) || !isfinite(charge))
            continue;
        d->warmth = d->warmth || isfinite(days[i].temperature);
        d->last_charge = charge;
        d->last_s = days[i].time_s - days[0].time_s + d->start_s;
        /* The last days have a bin of their own. */
        if (used == 0 || (charge - last >= total / (DAILY_BINS - 2) && used < DAILY_BINS - 1) ||
            (lately == 0 && i + DAILY_LATELY >= n)) {
            last = charge;
            lately = i + DAILY_LATELY >= n;
            d->bin[used++] = (struct daily_bin){0};
        }
        b = &d->bin[used - 1];
        in[used - 1]++;
        b->charge += charge;
        b->time_s += days[i].time_s - days[0].time_s + d->start_s;
        b->volt += volt;
        b->kelvin += kelvin;
    }
    for (size_t i = 0; i < used; i++) {
        double k = (double)in[i];

        d->bin[i].charge /= k;
        d->bin[i].time_s /= k;
        d->bin[i].volt /= k;
        d->bin[i].kelvin /= k;
        /* Where a step of the meter hides the noise, a mean of many is as far off as one. */
        d->bin[i].noise = hypot(NOISE_U * sqrt(0.5 + 0.5 / k), fmin(d->grain, 0.05) / sqrt(12.0));
        if (!d->warmth)
            d->bin[i].noise = hypot(d->bin[i].noise, UNREAD_U);
    }
    d->n = used;
}

enum status_code daily_make(const struct trend_site *site, const struct trend_day days[], size_t n,
                            struct daily *d, struct status *st)
{
    *d = (struct daily){.site = site, .drawn_ah = NAN};
    if (!look_at_voltage(d, days, n))
        return status_fail(st, STATUS_INPUT, "no reading has a voltage");
    for (size_t i = 0; i < n; i++)
        if (isfinite(days[i].drawn_ah))
            d->drawn_ah = days[i].drawn_ah;
    d->charged = d->drawn_ah > 0.0;
    if (!d->charged)
        d->drawn_ah = NAN;
    d->start_s = isfinite(site->fitted_s) ? fmax(0.0, days[0].time_s - site->fitted_s) : 0.0;
    fill_bins(d, days, n);
    if (d->n == 0)
        return status_fail(st, STATUS_INPUT, "no day with a voltage has a count of the charge");
    return status_ok(st);
}
