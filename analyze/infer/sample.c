#include "analyze/infer/sample.h"

#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/infer/scatter.h"

#define SOBOL_BITS 30

enum status_code sample_new(size_t unknowns, size_t draws, size_t replicates, struct sample *s,
                            struct status *st)
{
    memset(s, 0, sizeof *s);
    s->unknowns = unknowns;
    s->draws = draws;
    s->replicates = replicates;
    s->total = draws * replicates;
    s->point = malloc(s->total * (unknowns ? unknowns : 1) * sizeof *s->point);
    s->log_weight = malloc(s->total * sizeof *s->log_weight);
    s->weight = malloc(s->total * sizeof *s->weight);
    s->mistaken = malloc(s->total * sizeof *s->mistaken);
    s->sobol = gsl_qrng_alloc(gsl_qrng_sobol, (unsigned)(unknowns + 1));
    if (s->point && s->log_weight && s->weight && s->mistaken && s->sobol)
        return status_ok(st);
    sample_free(s);
    return status_fail(st, STATUS_MEMORY, "no memory for %zu draws", draws * replicates);
}

void sample_free(struct sample *s)
{
    free(s->point);
    free(s->log_weight);
    free(s->weight);
    free(s->mistaken);
    if (s->sobol)
        gsl_qrng_free(s->sobol);
    memset(s, 0, sizeof *s);
}

static double *point_of(const struct sample *s, size_t draw)
{
    return s->point + draw * (s->unknowns ? s->unknowns : 1);
}

const double *sample_point(const struct sample *s, size_t draw)
{
    return point_of(s, draw);
}

static double log_weight_at(struct sample *s, struct integrand *f, const struct proposal *p,
                            size_t draw)
{
    double scalar[WEIGH_ITEMS_MAX], weight;
    const double *z = point_of(s, draw);

    memset(s->mistaken[draw], 0, sizeof s->mistaken[draw]);
    if (!integrand_near(f, z, scalar))
        return -INFINITY;
    weight = integrand_mixture(f->model, z, scalar, s->mistaken[draw]) -
             proposal_density(p, s->unknowns, z);
    return isnan(weight) ? -INFINITY : weight;
}

void sample_draw(struct sample *s, struct integrand *f, const struct proposal *p)
{
    size_t n = s->unknowns;
    uint64_t state = 0x7472756577756E64u;
    double square = 0;

    s->top = -INFINITY;
    s->sum = s->effective = 0;
    for (size_t rep = 0; rep < s->replicates; rep++) {
        uint32_t shift[WEIGH_UNKNOWNS_MAX + 1];

        for (size_t j = 0; j <= n; j++)
            shift[j] = (uint32_t)(scatter_mix(state += SCATTER_STEP) >> (64 - SOBOL_BITS));
        gsl_qrng_init(s->sobol);
        for (size_t d = 0; d < s->draws; d++) {
            size_t draw = rep * s->draws + d;
            double u[WEIGH_UNKNOWNS_MAX + 1];

            gsl_qrng_get(s->sobol, u);
            for (size_t j = 0; j <= n; j++) {
                uint32_t bits = (uint32_t)(u[j] * (double)(1u << SOBOL_BITS)) ^ shift[j];

                u[j] = ((double)bits + 0.5) / (double)(1u << SOBOL_BITS);
            }
            proposal_point(p, n, u, point_of(s, draw));
            s->log_weight[draw] = log_weight_at(s, f, p, draw);
            s->top = fmax(s->top, s->log_weight[draw]);
        }
    }
    if (s->top == -INFINITY)
        return;
    for (size_t i = 0; i < s->total; i++) {
        s->weight[i] = exp(s->log_weight[i] - s->top);
        s->sum += s->weight[i];
        square += s->weight[i] * s->weight[i];
    }
    s->effective = s->sum * s->sum / square;
}

struct sample_walk sample_begin(const struct sample *s, size_t count)
{
    struct sample_walk walk = {.sample = s, .step = s->sum / (double)count};

    walk.next = 0.5 * walk.step;
    return walk;
}

size_t sample_next(struct sample_walk *walk)
{
    const struct sample *s = walk->sample;

    while (walk->at + 1 < s->total && walk->seen + s->weight[walk->at] < walk->next)
        walk->seen += s->weight[walk->at++];
    walk->next += walk->step;
    return walk->at;
}
