#include "analyze/infer/mend.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/infer/precision.h"

#define BELOW       0.25 /* share of effective draws below which it is mended */
#define HEAVY_PARTS 2    /* at the heaviest draws */
#define APART       2.0  /* squared distance between two of those */
#define LEAD_KEPT   0.2  /* of the leading part's covariance, lest it collapse */

bool mend_needed(const struct sample *s)
{
    return !(s->effective >= BELOW * (double)s->total);
}

/* The part with the greatest share. */
static size_t lead_of(const struct proposal *p)
{
    size_t lead = 0;

    for (size_t k = 1; k < p->parts; k++)
        if (p->share[k] > p->share[lead])
            lead = k;
    return lead;
}

/* The power by which the weights are flattened until enough draws count, and the sum of them then;
 * 0 if too few ever do. */
static double flatten(const struct sample *s, double *sum)
{
    for (double power = 1; power > 0.05; power /= 2) {
        double square = 0;

        *sum = 0;
        for (size_t i = 0; i < s->total; i++) {
            double x = exp(power * (s->log_weight[i] - s->top));

            *sum += x;
            square += x * x;
        }
        if (*sum * *sum / square > 4 * (double)s->unknowns)
            return power;
    }
    return 0;
}

/* Mean, and lower triangle of the covariance, of the draws with flattened weights. */
static void moments(const struct sample *s, double power, double sum, double *mean,
                    struct precision *spread)
{
    size_t n = s->unknowns;

    memset(mean, 0, n * sizeof *mean);
    memset(spread, 0, sizeof *spread);
    for (size_t i = 0; i < s->total; i++) {
        double x = exp(power * (s->log_weight[i] - s->top)) / sum;
        const double *z = sample_point(s, i);

        for (size_t j = 0; j < n; j++)
            mean[j] += x * z[j];
    }
    for (size_t i = 0; i < s->total; i++) {
        double x = exp(power * (s->log_weight[i] - s->top)) / sum;
        const double *z = sample_point(s, i);

        for (size_t j = 0; j < n; j++)
            for (size_t k = 0; k <= j; k++)
                spread->root[j][k] += x * (z[j] - mean[j]) * (z[k] - mean[k]);
    }
}

/* Lower triangle of the inverse of a factored matrix, column by column. */
static void invert(const struct precision *factor, size_t n, struct precision *inverse)
{
    for (size_t k = 0; k < n; k++) {
        double unit[WEIGH_UNKNOWNS_MAX] = {0}, column[WEIGH_UNKNOWNS_MAX];

        unit[k] = 1;
        precision_solve(factor, n, unit, column);
        for (size_t j = k; j < n; j++)
            inverse->root[j][k] = column[j];
    }
}

/* Adds one part with the mean and covariance of the draws, unless too few count. */
static void add_moments(struct proposal *p, const struct sample *s)
{
    size_t n = s->unknowns, lead = lead_of(p);
    struct mode *c = &p->part[p->parts];
    struct precision *spread, *kept;
    double mean[WEIGH_UNKNOWNS_MAX], power, sum;

    if (p->parts >= PROPOSAL_PARTS_MAX)
        return;
    power = flatten(s, &sum);
    if (power <= 0)
        return;
    spread = malloc(2 * sizeof *spread);
    if (!spread)
        return;
    kept = spread + 1;
    moments(s, power, sum, mean, spread);
    invert(&p->part[lead].precision, n, kept);
    for (size_t k = 0; k < n; k++)
        for (size_t j = k; j < n; j++)
            spread->root[j][k] =
                (1 - LEAD_KEPT) * spread->root[j][k] + LEAD_KEPT * kept->root[j][k];
    *c = p->part[lead];
    memcpy(c->at, mean, n * sizeof *mean);
    if (precision_factor(spread, n)) {
        invert(spread, n, &c->precision);
        /* The greater part of the next draws. */
        c->log_evidence = p->part[lead].log_evidence + 1;
        p->share[p->parts] = 0;
        p->parts += precision_factor(&c->precision, n);
    }
    free(spread);
}

/* Adds parts like the leading one at the heaviest draws. */
static void add_heaviest(struct proposal *p, const struct sample *s)
{
    size_t n = s->unknowns, first = p->parts, lead = lead_of(p);

    while (p->parts < first + HEAVY_PARTS && p->parts < PROPOSAL_PARTS_MAX) {
        struct mode *c = &p->part[p->parts];
        size_t best = s->total;

        for (size_t i = 0; i < s->total; i++) {
            bool apart = true;

            for (size_t k = first; k < p->parts && apart; k++)
                apart = precision_square(&p->part[lead].precision, n, sample_point(s, i),
                                         p->part[k].at) > APART;
            if (apart && (best == s->total || s->log_weight[i] > s->log_weight[best]))
                best = i;
        }
        if (best == s->total || s->log_weight[best] == -INFINITY)
            return;
        *c = p->part[lead];
        memcpy(c->at, sample_point(s, best), n * sizeof(double));
        /* A fifth of the leading part each. */
        c->log_evidence = p->part[lead].log_evidence - 1.5;
        p->parts++;
    }
}

bool mend_proposal(struct proposal *p, const struct sample *s)
{
    size_t before = p->parts;

    add_moments(p, s);
    add_heaviest(p, s);
    if (p->parts == before)
        return false;
    proposal_share(p);
    return true;
}
