#include "analyze/infer/integrand.h"

#include <math.h>

static bool tidy(const struct weigh_model *m, double *scalar)
{
    for (size_t i = 0; i < m->items; i++) {
        if (isnan(scalar[i]))
            return false;
        if (scalar[i] > WEIGH_FAR)
            scalar[i] = WEIGH_FAR;
        if (scalar[i] < -WEIGH_FAR)
            scalar[i] = -WEIGH_FAR;
    }
    return true;
}

static bool exact(struct integrand *f, const double *z, double *scalar)
{
    const struct weigh_model *m = f->model;

    f->evaluations++;
    return m->scalars(m->context, z, scalar) && tidy(m, scalar);
}

bool integrand_scalars(struct integrand *f, const double *z, double *scalar)
{
    return f->near ? integrand_near(f, z, scalar) : exact(f, z, scalar);
}

bool integrand_near(struct integrand *f, const double *z, double *scalar)
{
    const struct weigh_model *m = f->model;

    if (!m->quick)
        return exact(f, z, scalar);
    if (!m->quick(m->context, z, scalar))
        return false;
    parabola_fill(&f->parabola, m, z, scalar);
    return tidy(m, scalar);
}

bool integrand_quick(const struct weigh_model *m, const double *z, double *scalar)
{
    return m->quick(m->context, z, scalar) && tidy(m, scalar);
}

double integrand_mistake(const struct weigh_model *m, size_t item)
{
    return m->mistake && m->mistaken ? m->mistake(m->context, item) : 0;
}

/* Of the standard normal prior. */
static double log_prior(const struct weigh_model *m, const double *z)
{
    double sum = -0.5 * (double)m->unknowns * log(2 * M_PI);

    for (size_t j = 0; j < m->unknowns; j++)
        sum -= 0.5 * z[j] * z[j];
    return sum;
}

double integrand_joint(const struct weigh_model *m, const bool *mistaken, const double *z,
                       const double *scalar)
{
    double sum = log_prior(m, z);

    for (size_t i = 0; i < m->items; i++) {
        double chance = integrand_mistake(m, i);

        if (mistaken[i])
            sum += log(chance) + m->mistaken(m->context, i, scalar);
        else
            sum += log1p(-chance) + m->sound(m->context, i, scalar[i]);
    }
    return sum;
}

double integrand_mixture(const struct weigh_model *m, const double *z, const double *scalar,
                         double *share)
{
    double sum = log_prior(m, z);

    for (size_t i = 0; i < m->items; i++) {
        double chance = integrand_mistake(m, i);
        double good = log1p(-chance) + m->sound(m->context, i, scalar[i]);

        if (chance > 0) {
            double bad = log(chance) + m->mistaken(m->context, i, scalar);
            double both = weigh_log_add(good, bad);

            if (share)
                share[i] = exp(bad - both);
            sum += both;
        } else {
            if (share)
                share[i] = 0;
            sum += good;
        }
    }
    return sum;
}
