#include "analyze/infer/belief.h"

#include <math.h>

/* Judgement (common practice, no source). */
#define RATED_U   0.06 /* makers rate to 0.8 V or 0.9 V, at more than the current of most sites */
#define LIFE_S    (200.0 * DAILY_DAY) /* where the charge is not known: a life of that and e^+-1 */
#define LIFE_LOGU 1.0
/* Of what cold costs at the rated current: the table's is for hours, not months. */
#define COLD 0.25

/* Most batteries go in fresh; some are not. */
double belief_start(const struct belief *b, double x)
{
    double used = b->site->used, new, old;

    if (x < 0.0 || x > 0.95)
        return 0.0;
    if (isfinite(used)) {
        double off = (x - used) / 0.05;

        return exp(-0.5 * off * off);
    }
    new = exp(-x / 0.015) / 0.015; /* a year or two on the shelf */
    old = x < 0.5 ? 1.0 / 0.5 : 0.0;
    return isnan(b->site->fitted_s) ? 0.4 * new + 0.6 / 0.95 : 0.92 * new + 0.08 * old;
}

static void believe_capacity(struct belief *b, const struct cell_figure *ah)
{
    const struct trend_site *site = b->site;

    if (b->daily.charged) {
        double u_pulse = site->u_pulse > 0.0 ? site->u_pulse / site->pulse_s : 0.02;

        /* Charge is counted in the unit of the pulse: its doubt is the capacity's. */
        b->rated_ah = ah->value;
        b->log_c = log(ah->value);
        b->table_u = hypot(ah->u / ah->value, RATED_U);
        b->log_c_u = hypot(b->table_u, u_pulse);
        b->used = fmin(0.9 * ah->value, b->daily.start_s * b->duty.per_s);
    } else {
        b->rated_ah = NAN;
        b->log_c = log(LIFE_S);
        b->log_c_u = LIFE_LOGU;
        b->table_u = 0.0;
        b->used = b->daily.start_s;
    }
}

enum status_code belief_make(const struct trend_site *site, const struct trend_day days[], size_t n,
                             struct belief *b, struct status *st)
{
    struct cell_figure ah, self;
    double kelvin = 0.0, celsius, ampere;
    enum status_code code;

    *b = (struct belief){.site = site};
    code = daily_make(site, days, n, &b->daily, st);
    if (code != STATUS_OK)
        return code;
    if (!fade_make(site->battery.kind, &b->fade))
        return status_fail(st, STATUS_MEMORY, "no memory for the curve of the cell");
    depart_make(site->battery.kind, b->daily.dip, &b->depart);
    duty_learn(&b->daily, days, n, &b->duty);
    for (int c = 0; c < FADE_KNEES; c++)
        b->part[c] = 1.0 / FADE_KNEES;
    for (size_t i = 0; i < b->daily.n; i++)
        kelvin += b->daily.bin[i].kelvin / (double)b->daily.n;
    b->mean_a = b->daily.charged ? b->duty.per_s * 3600.0 : NAN;
    /* At the mean current, for what the pulse itself loses in the cells is followed voltage by
     * voltage and would else be counted twice; for the same reason only some of what cold costs. */
    ampere = b->daily.charged ? b->mean_a : 0.0;
    celsius = fmin(60.0, fmax(-40.0, 20.0 + COLD * kelvin));
    code = cell_capacity(&site->battery, ampere, ampere, celsius, &ah, st);
    if (code != STATUS_OK)
        return code;
    code = cell_self_rate(&site->battery, fmin(60.0, fmax(-40.0, 20.0 + kelvin)), &self, st);
    if (code != STATUS_OK)
        return code;
    b->rate = self.value / DAILY_YEAR;
    b->rate_u = self.u / DAILY_YEAR;
    believe_capacity(b, &ah);
    return status_ok(st);
}
