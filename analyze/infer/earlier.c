#include "analyze/infer/earlier.h"

#include <math.h>

#include <gsl/gsl_errno.h>
#include <gsl/gsl_linalg.h>

/* From memory, no source: what cells of one make and type differ by; how often the next battery is
 * of the make of the last; what stays of a make's departure from cell to cell (standard deviation);
 * what a site adds to all of its batteries: pulse, temperature, drain that nobody counts. */
#define OWN_U          0.06
#define SAME           0.75
#define SAME_ELSEWHERE 0.5
#define OWN_CURVE      0.45
#define SITE_U         0.03
#define UNEVEN_U       0.15 /* where charge is not known: from one battery's work to the next one's */

#define DRAWS  100
#define FULL_U 0.015 /* a day or two, and a cold one */

/* ---- what they say of the next ---- */

/* Covariance of the logarithms of two batteries' capacities, over what the table says: the make is
 * of the kind, and the site adds its own. */
static double akin(const struct belief *belief, bool here, bool both_here)
{
    double u_site = belief->site->u_pulse > 0.0
                        ? hypot(belief->site->u_pulse / belief->site->pulse_s, SITE_U)
                        : SITE_U;

    if (!belief->daily.charged)
        return both_here ? belief->log_c_u * belief->log_c_u : 0.0;
    return belief->table_u * belief->table_u - OWN_U * OWN_U * (belief->table_u > OWN_U) +
           (here && both_here ? u_site * u_site : 0.0);
}

/* The capacity to expect of a battery that is like the earlier ones: the mean and deviation of a
 * normal law, given theirs. */
static bool expect_capacity(struct belief *belief, const struct forecast_earlier *const earlier[],
                            size_t n)
{
    double own = belief->daily.charged ? 0.0 : UNEVEN_U * UNEVEN_U, b[FORECAST_EARLIER],
           k[FORECAST_EARLIER], a[FORECAST_EARLIER * FORECAST_EARLIER];
    gsl_matrix_view matrix = gsl_matrix_view_array(a, n, n);
    gsl_vector_view ratio = gsl_vector_view_array(b, n), toward = gsl_vector_view_array(k, n);

    for (size_t i = 0; i < n; i++) {
        for (size_t j = 0; j < n; j++)
            a[i * n + j] = akin(belief, earlier[i]->here, earlier[j]->here);
        a[i * n + i] =
            akin(belief, true, true) + OWN_U * OWN_U + own + earlier[i]->u * earlier[i]->u;
        b[i] = earlier[i]->log_ratio;
        k[i] = akin(belief, true, earlier[i]->here);
    }
    if (gsl_linalg_cholesky_decomp1(&matrix.matrix) != GSL_SUCCESS)
        return false;
    gsl_linalg_cholesky_svx(&matrix.matrix, &ratio.vector);
    belief->like_c = 0.0;
    for (size_t i = 0; i < n; i++)
        belief->like_c += k[i] * b[i];
    gsl_linalg_cholesky_svx(&matrix.matrix, &toward.vector);
    belief->like_u = akin(belief, true, true) + OWN_U * OWN_U + own;
    for (size_t i = 0; i < n; i++)
        belief->like_u -= akin(belief, true, earlier[i]->here) * k[i];
    belief->like_u = sqrt(fmax(belief->like_u, OWN_U * OWN_U));
    belief->like_c += belief->log_c;
    return true;
}

/* Their mean curve, and what they left open of it. */
static void expect_curve(struct belief *belief, const struct forecast_earlier *const earlier[],
                         size_t n)
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
        belief->depart.unseen[i] = sqrt(var) / count;
    }
    fade_set_like(&belief->fade, mean);
    belief->depart.like_scale = OWN_CURVE * sqrt(1.0 + 1.0 / count);
    belief->part[FADE_LIKE] = here ? SAME : SAME_ELSEWHERE;
}

size_t earlier_expect(struct belief *belief, const struct forecast_earlier earlier[], size_t n)
{
    const struct forecast_earlier *used[FORECAST_EARLIER];
    size_t k = 0;

    for (size_t i = n; i-- > 0 && k < FORECAST_EARLIER;)
        if (isfinite(earlier[i].u) && earlier[i].charged == belief->daily.charged &&
            (belief->daily.charged || earlier[i].here))
            used[k++] = &earlier[i];
    if (k == 0 || !expect_capacity(belief, used, k))
        return 0;
    expect_curve(belief, used, k);
    for (int c = 0; c < FADE_KNEES; c++)
        belief->part[c] = (1.0 - belief->part[FADE_LIKE]) / FADE_KNEES;
    return k;
}

/* ---- what one of them taught ---- */

/* Sums over what is likely of a battery. */
struct sums {
    double n, c, cc, depth, volt[FORECAST_POINTS], square[FORECAST_POINTS];
};

static void add_likely(const struct belief *belief, struct given *given, double share,
                       struct sums *sums)
{
    double log_c = log(given->c);

    given_weigh(belief, given);
    sums->n += share;
    sums->c += share * log_c;
    sums->cc += share * log_c * log_c;
    sums->depth += share * given_depth_now(belief, given);
    for (int k = 0; k < FORECAST_POINTS; k++) {
        double x = (double)k / (FORECAST_POINTS - 1), mean, sd;

        given_departure(belief, given, x, 0.0, &mean, &sd);
        mean += fade_volt(&belief->fade, given->curve, x, 0.0);
        sums->volt[k] += share * mean;
        sums->square[k] += share * (mean * mean + sd * sd);
    }
}

/* Its loaded voltage came down to the end point: all of its capacity was used. */
static bool used_up(const struct belief *belief, const struct trend_day days[], size_t n,
                    const struct trend_joint *joint)
{
    const struct trend_site *site = belief->site;
    double end_v = site->battery.series * daily_end_v(site);

    for (size_t i = n; i-- > 0 && i + 2 >= n;)
        if (daily_loaded(site, joint, &days[i]) <= 1.01 * end_v)
            return true;
    return false;
}

/* What the sums say. */
static void conclude(const struct belief *belief, const struct sums *sums,
                     struct forecast_earlier *out)
{
    double prior = belief->log_c_u * belief->log_c_u, var;

    out->charged = belief->daily.charged;
    out->depth = sums->depth / sums->n;
    for (int k = 0; k < FORECAST_POINTS; k++) {
        out->volt[k] = sums->volt[k] / sums->n;
        out->u_volt[k] = sqrt(fmax(0.0, sums->square[k] / sums->n - out->volt[k] * out->volt[k]));
    }
    /* What the readings say alone: the table's word is not counted once for each battery. */
    out->log_ratio = sums->c / sums->n - belief->log_c;
    var = fmax(1e-4, sums->cc / sums->n - pow(sums->c / sums->n, 2.0));
    if (var < 0.95 * prior) {
        out->u = sqrt(1.0 / (1.0 / var - 1.0 / prior));
        out->log_ratio *= out->u * out->u / var;
    }
    if (out->charged)
        out->capacity_ah = exp(sums->c / sums->n);
}

void earlier_learn(const struct belief *belief, const struct trend_day days[], size_t n,
                   const struct trend_joint *joint, struct lattice *lattice, struct given *work,
                   struct forecast_earlier *out)
{
    struct sums sums = {0};
    double sum = 0.0;
    size_t drawn = 0;

    if (used_up(belief, days, n, joint))
        for (size_t i = 0; i < lattice->n; i++) {
            double off;

            lattice_take(belief, &lattice->point[i], work);
            given_depths(belief, work);
            off = (given_depth_now(belief, work) - 1.0) / FULL_U;
            lattice->point[i].log_w -= 0.5 * off * off;
        }
    lattice_share(lattice);
    for (size_t i = 0; i < lattice->n; i++) {
        size_t until;

        sum += lattice->point[i].share;
        until = (size_t)fmin(DRAWS, floor(sum * DRAWS + 0.5));
        if (until <= drawn)
            continue;
        lattice_take(belief, &lattice->point[i], work);
        add_likely(belief, work, (double)(until - drawn) / DRAWS, &sums);
        drawn = until;
    }
    conclude(belief, &sums, out);
}
