#include "analyze/infer/strange.h"

#include <math.h>
#include <stdio.h>

/* Judgement (common practice, no source). */
#define SEEN_U 0.012 /* V a cell: a fall that cannot be missed over weeks */
#define HIGH   0.055 /* of the nominal voltage, over the fresh one: makes, and surface charge */

/* V a cell that the seasons may hide: ten kelvin where nobody reads them, and what cold makes of
 * the resistance where only the loaded voltage is read. */
static double unread(const struct belief *b)
{
    return (b->daily.warmth ? 0.0 : 10.0 * DEPART_KELVIN_U) +
           (b->daily.by_load ? 0.25 * b->daily.dip * b->site->battery.kind->nominal_v.value : 0.0);
}

/* Days from which as much charge was drawn that the voltage must have fallen by what can be seen;
 * n when not so much was drawn. *fall: what half of it makes, for a battery half as large again. */
static size_t telling_days(const struct belief *b, const struct trend_day days[], size_t n,
                           double *fall)
{
    double rated = exp(b->log_c), seen = fmax(SEEN_U, 4.0 * fmax(b->daily.grain, unread(b))),
           share = 0.04;
    size_t from = n - 1;

    do {
        share += 0.02;
        *fall = 0.5 * fade_least_fall(&b->fade, share);
    } while (*fall < seen && share < 0.6);
    if (*fall < seen)
        return n;
    while (from > 0 && !(b->daily.last_charge - days[from].drawn_ah >= 1.5 * share * rated))
        from--;
    return b->daily.last_charge - days[from].drawn_ah >= 1.5 * share * rated ? from : n;
}

/* A mains adapter in the battery's place, or cells charged where they are. */
static bool no_fall(const struct belief *b, const struct trend_day days[], size_t n, char *why,
                    size_t why_size)
{
    const double k = b->site->battery.kind->volt_per_k.value;
    double fall, sx = 0, sy = 0, st = 0, sxx = 0, sxy = 0, sxt = 0, left = 0, count = 0, drawn,
                 doubt;
    size_t from;

    if (!b->daily.charged)
        return false;
    from = telling_days(b, days, n, &fall);
    for (int pass = 0; pass < 3; pass++)
        for (size_t i = from; i < n; i++) {
            double kelvin = isfinite(days[i].temperature) ? days[i].temperature - 20.0 : 0.0;
            double y = daily_volt(&b->daily, &days[i]) - k * kelvin, x = days[i].drawn_ah, off;

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
    drawn = b->daily.last_charge - days[from].drawn_ah;
    doubt = drawn * hypot(sqrt(left / (count - 2.0) / sxx), DEPART_KELVIN_U * sxt / sxx);
    doubt = hypot(doubt, unread(b));
    /* A fall of a quarter of the least is too much already: makes have flatter stretches. */
    if (-drawn * sxy / sxx + 2.0 * doubt >= fall || -drawn * sxy / sxx >= 0.5 * fall)
        return false;
    snprintf(why, why_size,
             "%.2f Ah were drawn and the voltage did not fall: is it fed by these cells alone, and "
             "are they not charged where they are?",
             drawn);
    return true;
}

static bool too_high(const struct belief *b, const struct trend_day days[], size_t n, char *why,
                     size_t why_size)
{
    const struct cell_kind *kind = b->site->battery.kind;
    double volt = NAN;

    for (size_t i = n; i-- > 0 && isnan(volt);)
        volt = daily_volt(&b->daily, &days[i]);
    if (!(volt > kind->ocv[0] + HIGH * kind->nominal_v.value))
        return false;
    snprintf(why, why_size,
             "%.3f V a cell is more than a fresh %s cell has: is it a charger or another supply?",
             volt, kind->name);
    return true;
}

bool strange_find(const struct belief *b, const struct trend_day days[], size_t n, char *why,
                  size_t why_size)
{
    return too_high(b, days, n, why, why_size) || no_fall(b, days, n, why, why_size);
}
