#include "analyze/infer/weigh.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/infer/cases.h"
#include "analyze/infer/costly.h"
#include "analyze/infer/integrand.h"
#include "analyze/infer/mend.h"
#include "analyze/infer/proposal.h"
#include "analyze/infer/ridge.h"
#include "analyze/infer/sample.h"

#define REPLICATES_MAX 32
#define MEND_ROUNDS    3
#define TRUST_DRAWS    20
#define LAPLACE_U      0.3

struct work {
    struct integrand integrand;
    struct proposal proposal; /* its first parts are the cases */
};

struct weigh_options weigh_options_default(void)
{
    struct weigh_options o = {.draws = 64, .replicates = 8};
    return o;
}

double weigh_log_add(double a, double b)
{
    if (a == -INFINITY)
        return b;
    if (b == -INFINITY)
        return a;
    return a > b ? a + log1p(exp(b - a)) : b + log1p(exp(a - b));
}

/* The integral and its standard error from a sample. */
static void estimate(const struct sample *s, struct weigh_result *r)
{
    double by[REPLICATES_MAX] = {0}, mean = 0, square = 0;

    for (size_t rep = 0; rep < s->replicates; rep++) {
        for (size_t d = 0; d < s->draws; d++)
            by[rep] += s->weight[rep * s->draws + d] / (double)s->draws;
        mean += by[rep] / (double)s->replicates;
    }
    for (size_t rep = 0; rep < s->replicates; rep++)
        square += (by[rep] - mean) * (by[rep] - mean);
    r->log_evidence = s->top + log(mean);
    r->log_evidence_u = sqrt(square / (double)(s->replicates * (s->replicates - 1))) / mean;
    r->effective = s->effective;
    /* Replicates that all miss the same tail agree too well. */
    r->log_evidence_u =
        fmax(r->log_evidence_u, sqrt(fmax(0, 1 / r->effective - 1 / (double)s->total)));
    r->sampled = true;
    /* A handful of draws that count says less than the normal approximation does. */
    if (r->effective < TRUST_DRAWS && isfinite(r->laplace)) {
        r->log_evidence_u = fmax(LAPLACE_U, 0.5 * fabs(r->log_evidence - r->laplace));
        r->log_evidence = r->laplace;
    }
}

static void put_right(struct integrand *f, const struct sample *s, struct weigh_result *r)
{
    double u, ratio = costly_ratio(f, s, &u);

    if (ratio > 0) {
        r->log_evidence += log(ratio);
        r->log_evidence_u = hypot(r->log_evidence_u, u);
    }
}

static void find_mistaken(const struct sample *s, size_t items, struct weigh_result *r)
{
    double held[WEIGH_ITEMS_MAX] = {0};

    for (size_t at = 0; at < s->total; at++)
        for (size_t i = 0; i < items; i++)
            held[i] += s->weight[at] * s->mistaken[at][i];
    for (size_t i = 0; i < items; i++)
        r->mistaken[i] = held[i] / s->sum;
}

static enum status_code keep_draws(const struct sample *s, size_t keep, struct weigh_result *r,
                                   struct status *st)
{
    struct sample_walk walk = sample_begin(s, keep);

    r->draw = calloc(keep, sizeof *r->draw);
    if (!r->draw)
        return status_fail(st, STATUS_MEMORY, "no memory for %zu draws", keep);
    for (r->draws = 0; r->draws < keep; r->draws++)
        memcpy(r->draw[r->draws].z, sample_point(s, sample_next(&walk)),
               s->unknowns * sizeof(double));
    return STATUS_OK;
}

static enum status_code draw(struct work *w, const struct weigh_options *o, size_t keep,
                             struct weigh_result *r, struct status *st)
{
    const struct weigh_model *m = w->integrand.model;
    struct sample s;
    enum status_code code = sample_new(m->unknowns, o->draws, o->replicates, &s, st);

    if (code != STATUS_OK)
        return code;
    sample_draw(&s, &w->integrand, &w->proposal);
    for (int round = 0; m->unknowns > 0 && s.top > -INFINITY && round < MEND_ROUNDS; round++) {
        if (!mend_needed(&s) || !mend_proposal(&w->proposal, &s))
            break;
        sample_draw(&s, &w->integrand, &w->proposal);
    }
    if (s.top == -INFINITY) {
        sample_free(&s);
        return status_fail(st, STATUS_NUMERIC, "no draw has any likelihood");
    }
    estimate(&s, r);
    if (m->quick)
        put_right(&w->integrand, &s, r);
    find_mistaken(&s, m->items, r);
    if (keep)
        code = keep_draws(&s, keep, r, st);
    sample_free(&s);
    return code;
}

static enum status_code check(const struct weigh_model *m, const struct weigh_options *o,
                              struct status *st)
{
    if (m->unknowns > WEIGH_UNKNOWNS_MAX)
        return status_fail(st, STATUS_INPUT, "%zu unknowns; at most %d can be integrated over",
                           m->unknowns, WEIGH_UNKNOWNS_MAX);
    if (m->items > WEIGH_ITEMS_MAX)
        return status_fail(st, STATUS_INPUT, "%zu items of evidence; at most %d can be weighed",
                           m->items, WEIGH_ITEMS_MAX);
    if (o->draws < 16 || o->draws > 65536)
        return status_fail(st, STATUS_INPUT, "%zu draws a replicate; 16 to 65536 are allowed",
                           o->draws);
    if (o->replicates < 2 || o->replicates > REPLICATES_MAX)
        return status_fail(st, STATUS_INPUT, "%zu replicates; 2 to %d are allowed", o->replicates,
                           REPLICATES_MAX);
    return status_ok(st);
}

/* What the cases say by themselves: the normal approximation, and the leading case. */
static void report_cases(const struct proposal *p, const struct weigh_model *m, size_t lead,
                         struct weigh_result *r)
{
    for (size_t k = 0; k < p->parts; k++)
        r->laplace = weigh_log_add(r->laplace, p->part[k].log_evidence);
    r->log_evidence = r->laplace;
    memcpy(r->mode, p->part[lead].at, m->unknowns * sizeof(double));
    for (size_t i = 0; i < m->items; i++)
        r->mistaken[i] = p->part[lead].mistaken[i];
    r->misfit = mode_misfit(m, &p->part[lead], &r->freedom);
}

static enum status_code integrate(struct work *w, const struct weigh_options *o, size_t keep,
                                  struct weigh_result *r, struct status *st)
{
    struct integrand *f = &w->integrand;
    struct proposal *p = &w->proposal;
    size_t lead;

    p->parts = cases_first(f, o->start, o->exact, p->part);
    if (p->parts == 0)
        return status_fail(st, STATUS_NUMERIC, "the model gives the evidence no likelihood");
    p->parts = cases_suspect(f, p->part, p->parts);
    lead = cases_lead(p->part, p->parts);
    report_cases(p, f->model, lead, r);
    if (o->draws_only_if_near && !(r->laplace >= o->best - o->margin))
        return STATUS_OK;
    if (f->model->quick && !costly_fit(f, &p->part[lead]))
        return status_fail(st, STATUS_MEMORY, "no memory for an integral");
    cases_polish(f, p->part, p->parts);
    ridge_follow(f, &p->part[lead], &p->ridge);
    proposal_share(p);
    return draw(w, o, keep, r, st);
}

enum status_code weigh_integrate(const struct weigh_model *model,
                                 const struct weigh_options *options, size_t keep,
                                 struct weigh_result *result, struct status *st)
{
    struct work *w;
    enum status_code code;

    memset(result, 0, sizeof *result);
    result->log_evidence = result->laplace = -INFINITY;
    result->log_evidence_u = NAN;
    code = check(model, options, st);
    if (code != STATUS_OK)
        return code;
    w = malloc(sizeof *w);
    if (!w)
        return status_fail(st, STATUS_MEMORY, "no memory for an integral");
    /* Half a megabyte: only what is read before it is written is cleared. */
    w->integrand.model = model;
    w->integrand.evaluations = 0;
    w->integrand.near = false;
    code = integrate(w, options, keep, result, st);
    result->evaluations = w->integrand.evaluations;
    free(w);
    return code;
}

void weigh_free(struct weigh_result *result)
{
    free(result->draw);
    result->draw = NULL;
    result->draws = 0;
}
