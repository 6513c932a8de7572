#include "analyze/infer/given.h"

#include <math.h>

/* Capacity over the rated one. Where the charge is not known there is no other measure than
 * depth. */
static double stretch(const struct belief *b, const struct given *g)
{
    return b->daily.charged ? exp(log(g->c) - b->log_c) : 1.0;
}

void given_depths(const struct belief *b, struct given *g)
{
    const struct daily *d = &b->daily;
    double x = g->x0, charge = 0.0, time = d->start_s, wide = stretch(b, g);

    for (size_t i = 0; i < d->n; i++) {
        double dt = d->bin[i].time_s - time;

        x += (d->bin[i].charge - charge) / g->c + g->rate * dt * fmax(0.0, 1.0 - x);
        charge = d->bin[i].charge;
        time = d->bin[i].time_s;
        g->x[i] = x;
        g->at[i] = depart_at(&b->depart, g->curve, wide, x, d->bin[i].kelvin);
    }
}

double given_depth_now(const struct belief *b, const struct given *g)
{
    const struct daily *d = &b->daily;
    const struct daily_bin *last = &d->bin[d->n - 1];
    double x = g->x[d->n - 1];

    return x + (d->last_charge - last->charge) / g->c +
           g->rate * (d->last_s - last->time_s) * fmax(0.0, 1.0 - x);
}

void given_place(const struct belief *b, struct given *g)
{
    const struct daily *d = &b->daily;

    given_depths(b, g);
    g->log_det = 0.0;
    for (size_t i = 0; i < d->n; i++) {
        for (size_t j = 0; j <= i; j++) {
            double sum = depart_covariance(&b->depart, &g->at[i], &g->at[j]);

            if (i == j)
                sum += d->bin[i].noise * d->bin[i].noise;
            for (size_t k = 0; k < j; k++)
                sum -= g->lower[i][k] * g->lower[j][k];
            if (i == j)
                g->lower[i][i] = sqrt(fmax(sum, 1e-12));
            else
                g->lower[i][j] = sum / g->lower[j][j];
        }
        g->log_det += log(g->lower[i][i]);
    }
}

void given_fit(const struct belief *b, struct given *g)
{
    const struct daily *d = &b->daily;
    double square = 0.0;

    for (size_t i = 0; i < d->n; i++) {
        double r = d->bin[i].volt - fade_volt(&b->fade, g->curve, g->x[i], d->bin[i].kelvin);

        for (size_t k = 0; k < i; k++)
            r -= g->lower[i][k] * g->alpha[k];
        g->alpha[i] = r / g->lower[i][i];
        square += g->alpha[i] * g->alpha[i];
    }
    g->log_like = -0.5 * square - g->log_det;
}

void given_weigh(const struct belief *b, struct given *g)
{
    given_place(b, g);
    given_fit(b, g);
}

void given_departure(const struct belief *b, const struct given *g, double x, double kelvin,
                     double *mean, double *sd)
{
    struct depart_place here = depart_at(&b->depart, g->curve, stretch(b, g), x, kelvin);
    double v[DAILY_BINS], var = depart_covariance(&b->depart, &here, &here);

    *mean = 0.0;
    for (size_t i = 0; i < b->daily.n; i++) {
        double sum = depart_covariance(&b->depart, &here, &g->at[i]);

        for (size_t k = 0; k < i; k++)
            sum -= g->lower[i][k] * v[k];
        v[i] = sum / g->lower[i][i];
        *mean += v[i] * g->alpha[i];
        var -= v[i] * v[i];
    }
    *sd = sqrt(fmax(0.0, var));
}
