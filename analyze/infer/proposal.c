#include "analyze/infer/proposal.h"

#include <gsl/gsl_cdf.h>
#include <math.h>

#define RIDGE_SHARE 0.7 /* of the proposal */

void proposal_share(struct proposal *p)
{
    double top = -INFINITY, sum = 0;

    for (size_t k = 0; k < p->parts; k++)
        top = fmax(top, p->part[k].log_evidence);
    for (size_t k = 0; k < p->parts; k++) {
        double d = p->part[k].log_evidence - top;

        p->share[k] = d < -12 ? 0 : fmax(exp(d), 0.05);
        sum += p->share[k];
    }
    for (size_t k = 0; k < p->parts; k++)
        p->share[k] /= sum;
}

double proposal_density(const struct proposal *p, size_t n, const double *z)
{
    double sum = p->ridge.use ? log(RIDGE_SHARE) + ridge_density(&p->ridge, n, z) : -INFINITY;
    double rest = p->ridge.use ? 1 - RIDGE_SHARE : 1;

    for (size_t k = 0; k < p->parts; k++) {
        const struct mode *c = &p->part[k];
        double square, root;

        if (p->share[k] <= 0)
            continue;
        square = precision_square(&c->precision, n, z, c->at);
        root = precision_log_root(&c->precision, n) - 0.5 * (double)n * log(2 * M_PI);
        sum = weigh_log_add(sum, log(rest * p->share[k] * (1 - MODE_WIDE_SHARE)) + root -
                                     (double)n * log(MODE_NEAR) -
                                     0.5 * square / (MODE_NEAR * MODE_NEAR));
        sum = weigh_log_add(sum, log(rest * p->share[k] * MODE_WIDE_SHARE) + root -
                                     (double)n * log(MODE_WIDE) -
                                     0.5 * square / (MODE_WIDE * MODE_WIDE));
    }
    return sum;
}

void proposal_point(const struct proposal *p, size_t n, const double *u, double *z)
{
    double chance = u[n], normal[WEIGH_UNKNOWNS_MAX], scale;
    size_t pick = 0;

    if (p->ridge.use) {
        if (chance < RIDGE_SHARE) {
            scale = chance < RIDGE_SHARE * MODE_WIDE_SHARE ? MODE_WIDE : MODE_NEAR;
            ridge_point(&p->ridge, n, u, scale, z);
            return;
        }
        chance = (chance - RIDGE_SHARE) / (1 - RIDGE_SHARE);
    }
    while (pick + 1 < p->parts && chance >= p->share[pick]) {
        chance -= p->share[pick];
        pick++;
    }
    scale = chance < p->share[pick] * MODE_WIDE_SHARE ? MODE_WIDE : MODE_NEAR;
    for (size_t j = 0; j < n; j++)
        normal[j] = scale * gsl_cdf_ugaussian_Pinv(u[j]);
    precision_point(&p->part[pick].precision, n, p->part[pick].at, normal, z);
}
