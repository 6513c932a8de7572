#include "analyze/infer/duty.h"

#include <math.h>

#include <gsl/gsl_statistics_double.h>

#define MONTH 28 /* days: four weeks, each with its Sunday */

/* Mean voltage of the last days over that of all of them: a coil takes less now. */
static double fallen(const struct trend_day days[], size_t from, size_t to)
{
    double sum = 0.0, count = 0.0, late = 0.0, lates = 0.0;

    for (size_t i = from; i <= to; i++) {
        double volt = isfinite(days[i].loaded_v) ? days[i].loaded_v : days[i].unloaded_v;

        if (!isfinite(volt))
            continue;
        sum += volt;
        count += 1.0;
        if (i + DAILY_LATELY > to) {
            late += volt;
            lates += 1.0;
        }
    }
    return lates > 0.0 && late > 0.0 ? fmin(1.0, late / lates / (sum / count)) : 1.0;
}

void duty_learn(const struct daily *daily, const struct trend_day days[], size_t n, struct duty *d)
{
    double end = days[n - 1].time_s, kelvin[MONTH];
    size_t from = n - 1, to = n - 1, kelvins = 0;

    while (from > 0 && end - days[from - 1].time_s <= MONTH * DAILY_DAY)
        from--;
    for (size_t i = n; i-- > 0 && kelvins < MONTH && i >= from;)
        if (isfinite(days[i].temperature))
            kelvin[kelvins++] = days[i].temperature - 20.0;
    *d = (struct duty){.per_s = 1.0, .since = 1.0};
    d->kelvin = kelvins ? gsl_stats_median(kelvin, 1, kelvins) : DAILY_UNKNOWN_C;
    if (!daily->charged)
        return;
    while (to > from && isnan(days[to].drawn_ah))
        to--;
    while (from < to && isnan(days[from].drawn_ah))
        from++;
    d->per_s = days[to].time_s > days[from].time_s ? (days[to].drawn_ah - days[from].drawn_ah) /
                                                         (days[to].time_s - days[from].time_s)
                                                   : NAN;
    d->since = fallen(days, from, to);
    /* A month's work is repeated to some per cent; a shorter stretch tells less. */
    d->u = hypot(
        0.02, 0.05 * sqrt(7.0 * DAILY_DAY / fmax(DAILY_DAY, days[to].time_s - days[from].time_s)));
    if (!(d->per_s > 0.0)) { /* no pulses lately: by the whole */
        d->per_s = daily->drawn_ah / fmax(DAILY_DAY, end - days[0].time_s);
        d->u = 0.3;
    }
}
