#include "analyze/infer/ahead.h"

#include <math.h>

/* Judgement (common practice, no source). */
#define GROWTH_U 0.35  /* of the logarithm of what the resistance still grows by */
#define LEFT_U   0.05  /* of what is left, relative: it is never known better */
#define STEP     0.005 /* of depth */
#define STEPS    400

void ahead_make(const struct belief *belief, const struct given *given,
                const struct trend_joint *joint, struct ahead *a)
{
    double now = given_depth_now(belief, given);

    *a = (struct ahead){.belief = belief, .given = given, .now = now};
    for (size_t k = 0; k < AHEAD_DEPTHS; k++) {
        a->x[k] = now + (fmax(1.25, now + 0.3) - now) * (double)k / (AHEAD_DEPTHS - 1);
        given_departure(belief, given, a->x[k], belief->duty.kelvin, &a->mean[k], &a->sd[k]);
    }
    a->ratio = joint && isfinite(joint->ratio_good)
                   ? fmax(0.0, joint->ratio_good)
                   : daily_table_ratio(belief->site, given->x[belief->daily.n - 1]);
    a->bad = joint && isfinite(joint->ratio_now) ? fmax(a->ratio, joint->ratio_now) : a->ratio;
}

static double lerp(const double *x, const double *y, size_t n, double at)
{
    size_t i = 0;

    if (at <= x[0])
        return y[0];
    while (i + 2 < n && x[i + 1] < at)
        i++;
    return y[i] + (y[i + 1] - y[i]) * fmin(1.0, (at - x[i]) / (x[i + 1] - x[i]));
}

/* When it came down to the end point between two steps; 0 where it is there at once. */
static double crossing(double t_before, double t, double before, double volt, double end_v)
{
    if (isnan(before))
        return 0.0;
    return t_before + (t - t_before) * (before - end_v) / fmax(1e-9, before - volt);
}

void ahead_follow(const struct ahead *a, const struct ahead_luck *luck, const double *path_s,
                  size_t n_path, double *path, struct ahead_end *end)
{
    const struct belief *b = a->belief;
    const struct given *given = a->given;
    const struct duty *duty = &b->duty;
    const double *growth = b->site->battery.kind->growth;
    double end_v = daily_end_v(b->site), grown = trend_on_points(growth, a->now);
    double per_s = duty->per_s * duty->since * exp(hypot(duty->u, LEFT_U) * luck->duty),
           cold = trend_cold_factor(b->site, 20.0 + duty->kelvin),
           grows = exp(GROWTH_U * luck->growth);
    double x = a->now, t = 0.0, t_before = 0.0, volt_0 = NAN, before = NAN, bad_before = NAN;
    size_t p = 0;

    end->days = end->falter = NAN;
    for (int i = 0; i < STEPS; i++) {
        double u = fade_volt(&b->fade, given->curve, x, duty->kelvin) +
                   lerp(a->x, a->mean, AHEAD_DEPTHS, x) +
                   luck->volt * lerp(a->x, a->sd, AHEAD_DEPTHS, x);
        double g = pow(trend_on_points(growth, x) / grown, grows);
        double loaded = u / (1.0 + a->ratio * cold * g);
        /* A joint does not grow with the cells. */
        double faulty = u / (1.0 + (a->ratio * g + fmax(0.0, a->bad - a->ratio)) * cold), drain;

        if (isnan(volt_0))
            volt_0 = fmax(0.1, loaded);
        while (p < n_path && path_s[p] <= t) {
            double part = t > t_before ? (path_s[p] - t_before) / (t - t_before) : 1.0;

            path[p] = isnan(before) ? loaded : before + part * (loaded - before);
            p++;
        }
        if (isnan(end->falter) && faulty <= end_v)
            end->falter = crossing(t_before, t, bad_before, faulty, end_v);
        if (isnan(end->days) && loaded <= end_v)
            end->days = crossing(t_before, t, before, loaded, end_v);
        if (isfinite(end->days) && p >= n_path)
            break;
        before = loaded;
        bad_before = faulty;
        t_before = t;
        /* A coil takes less as the voltage falls. */
        drain = per_s * (b->daily.charged ? fmax(0.05, loaded / volt_0) : 1.0) / given->c +
                given->rate * fmax(0.0, 1.0 - x);
        t += STEP / fmax(drain, 1e-13);
        x += STEP;
    }
    while (p < n_path)
        path[p++] = isnan(before) ? 0.0 : fmax(0.0, before);
    if (isnan(end->days))
        end->days = t;
    if (isnan(end->falter))
        end->falter = end->days;
    end->days /= DAILY_DAY;
    end->falter /= DAILY_DAY;
}
