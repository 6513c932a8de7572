#include "analyze/infer/verdict.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/infer/candidate.h"
#include "analyze/infer/doubt.h"
#include "analyze/infer/estimate.h"
#include "analyze/infer/limits.h"
#include "analyze/infer/posterior.h"
#include "analyze/infer/reasons.h"
#include "analyze/infer/wording.h"

#define UNKNOWN_PRIOR 0.004 /* something that is not in the table */
#define UNEXPLAINED_P 0.002
#define MISTAKE_SAY   0.5

/* ---- options ---- */

struct verdict_options verdict_options_default(const struct design *design)
{
    struct verdict_options o;

    memset(&o, 0, sizeof o);
    o.limits.turns = 0.05;
    o.limits.resistance = 0.10;
    o.limits.insulation = 1e6;
    o.limits.joint = 0.02;
    o.limits.shorted = 0.01;
    o.limits.pull_min = NAN;
    o.limits.sure = 0.95;
    o.limits.turns_default = o.limits.resistance_default = true;
    o.learnt.mean_turn = o.learnt.mean_turn_u = NAN;
    o.learnt.wire_lot = o.learnt.wire_lot_u = NAN;
    o.learnt.contact_gap = o.learnt.contact_gap_u = NAN;
    o.prior = finding_prior_default();
    if (design) {
        if (amount_given(design->limits.turns)) {
            o.limits.turns = design->limits.turns.value;
            o.limits.turns_default = false;
        }
        if (amount_given(design->limits.resistance)) {
            o.limits.resistance = design->limits.resistance.value;
            o.limits.resistance_default = false;
        }
        if (amount_given(design->limits.pull_min))
            o.limits.pull_min = design->limits.pull_min.value;
    }
    return o;
}

const char *verdict_word(enum verdict_result result)
{
    switch (result) {
    case VERDICT_PASS:
        return "pass";
    case VERDICT_FAIL:
        return "fail";
    case VERDICT_UNDECIDED:
        break;
    }
    return "undecided";
}

size_t verdict_figures(const struct verdict *verdict, size_t rank,
                       struct verdict_estimate figure[VERDICT_FIGURES_MAX])
{
    return estimate_figures(verdict, rank, figure);
}

double verdict_fault_probability(const struct verdict *verdict, unsigned faults)
{
    double sum = 0;

    for (size_t i = 0; i < verdict->findings; i++)
        if (verdict->finding[i].finding->faults & faults)
            sum += verdict->finding[i].probability;
    return sum;
}

/* ---- the verdict ---- */

static int by_probability(const void *a, const void *b)
{
    const struct verdict_finding *x = a, *y = b;

    if (x->probability != y->probability)
        return x->probability < y->probability ? 1 : -1;
    return (x->finding > y->finding) - (x->finding < y->finding);
}

/* Findings, most probable first. What is wrong at the bench beside a fault of the coil counts for
 * the fault: the winder has the same to mend. */
static void rank(const struct candidate *list, size_t count, struct verdict *v)
{
    size_t rows;
    const struct finding *table = finding_table(&rows);
    double spread = 0;

    for (size_t f = 0; f < rows && v->findings < VERDICT_FINDINGS_MAX; f++) {
        struct verdict_finding *r = &v->finding[v->findings];
        double square = 0, share = -INFINITY;
        bool applies = false;

        if (finding_plain(f) != f)
            continue;
        memset(r, 0, sizeof *r);
        r->finding = &table[f];
        r->remedy = table[f].remedy;
        r->log_evidence = -INFINITY;
        for (size_t i = 0; i < count; i++) {
            const struct candidate *c = &list[i];

            if (finding_plain(c->variant.finding) != f)
                continue;
            applies = true;
            r->probability += c->probability;
            share = weigh_log_add(share, c->variant.log_share);
            r->log_evidence =
                weigh_log_add(r->log_evidence, c->variant.log_share + c->result.log_evidence);
            if (c->result.sampled)
                square += pow(c->probability * c->result.log_evidence_u, 2);
        }
        if (!applies)
            continue;
        r->log_evidence_u = r->probability > 0 ? sqrt(square) / r->probability : NAN;
        v->findings++;
    }
    qsort(v->finding, v->findings, sizeof *v->finding, by_probability);
    /* d p1 = p1 ((1 - p1) d ln Z1 - sum of the others' p d ln Z) */
    for (size_t i = 0; i < v->findings; i++) {
        double u = isnan(v->finding[i].log_evidence_u) ? 0 : v->finding[i].log_evidence_u;
        double w = i == 0 ? 1 - v->finding[0].probability : v->finding[i].probability;

        spread += pow(w * u, 2);
    }
    v->probability_u = v->findings ? v->finding[0].probability * sqrt(spread) : NAN;
}

static void name_misfits(const struct candidate *list, size_t count,
                         const struct evidence_set *evidence, struct verdict *v)
{
    for (size_t i = 0; i < evidence->count; i++) {
        double p = 0, sum = 0;
        size_t at;

        for (size_t k = 0; k < count; k++) {
            p += list[k].probability * list[k].result.mistaken[i];
            sum += list[k].probability;
        }
        p = sum > 0 ? p / sum : 0;
        if (p < MISTAKE_SAY)
            continue;
        v->slips += (size_t)evidence->item[i].readings;
        for (at = v->misfits++; at > 0 && v->misfit[at - 1].probability < p; at--)
            v->misfit[at] = v->misfit[at - 1];
        v->misfit[at] = (struct verdict_misfit){.item = i, .probability = p};
    }
}

enum status_code verdict_reach(const struct design *design, const struct evidence_set *evidence,
                               const struct verdict_options *options, struct verdict *verdict,
                               struct status *st)
{
    struct suppose *s = NULL;
    struct candidate *list = calloc(CANDIDATE_MAX, sizeof *list);
    size_t count = 0, good = 0, bad = 0, lead = 0;
    double unknown;
    struct limits_untried untried = limits_untried_by(evidence);
    struct verdict_options o = *options;
    enum status_code code;

    memset(verdict, 0, sizeof *verdict);
    verdict->result = VERDICT_UNDECIDED;
    verdict->limits = options->limits;
    if (!list)
        return status_fail(st, STATUS_MEMORY, "no memory for a verdict");
    /* Half of what the limits allow is no fault. */
    o.prior.joint_share = 0.5 * o.limits.joint;
    code = suppose_new(design, evidence, &o.learnt, &o.prior, &s, st);
    if (code == STATUS_OK)
        code = candidate_weigh(design, evidence, s, &o, list, &count, verdict, st);
    if (code != STATUS_OK)
        goto out;
    verdict->suppose = s;
    unknown = candidate_normalise(list, count, log(UNKNOWN_PRIOR) + suppose_unknown(s));
    verdict->unknown_probability = unknown;
    rank(list, count, verdict);
    code = candidate_gather(s, list, count, verdict, st);
    if (code != STATUS_OK)
        goto out;
    for (size_t i = 0; i < verdict->draws; i++) {
        struct verdict_draw *d = &verdict->draw[i];

        d->variant.finding = finding_plain(d->variant.finding);
        limits_work_out(s, d, &options->limits);
        d->good = limits_kept(s, d, &options->limits, &untried);
        good += d->good;
        bad += !d->good;
    }
    for (size_t i = 1; i < count; i++)
        if (list[i].probability > list[lead].probability)
            lead = i;
    verdict->fit_p = 1;
    if (count && list[lead].result.freedom > 0)
        verdict->fit_p = gsl_cdf_chisq_Q(list[lead].result.misfit, list[lead].result.freedom);
    verdict->unexplained = verdict->fit_p < UNEXPLAINED_P || unknown > 0.5;
    name_misfits(list, count, evidence, verdict);
    /* What takes most of the figures for mistakes explains nothing. */
    if (verdict->slips > 1 && 2 * verdict->slips > evidence_readings(evidence))
        verdict->unexplained = true;
    verdict->pass_probability =
        good + bad ? (1 - unknown) * (double)good / (double)(good + bad) : 0;
    verdict->fail_probability = 1 - verdict->pass_probability;
    verdict->direction_open =
        design_limbs(suppose_design(s)) > 1 && !evidence_tells_direction(evidence);
    verdict->cancel_probability = verdict_fault_probability(verdict, FINDING_CANCEL);
    /* One slip at the bench is common; two readings that must both be wrong are none. */
    if (!verdict->unexplained && evidence->count > 0 && verdict->slips < 2) {
        if (verdict->pass_probability >= options->limits.sure &&
            !doubt_of_mistakes(s, evidence, verdict)) {
            code = doubt_find(s, list, count, verdict, st);
            if (code != STATUS_OK)
                goto out;
            verdict->result = verdict->doubt ? VERDICT_UNDECIDED : VERDICT_PASS;
        }
        if (verdict->fail_probability - unknown >= options->limits.sure)
            verdict->result = VERDICT_FAIL;
    }
    for (size_t i = 0; i < verdict->findings; i++)
        wording_finding(s, verdict, &verdict->finding[i]);
    estimate_all(s, verdict);
    reasons_write(s, evidence, &untried, verdict);
    s = NULL;
    code = status_ok(st);
out:
    for (size_t i = 0; i < count; i++)
        weigh_free(&list[i].result);
    free(list);
    if (code != STATUS_OK) {
        verdict->suppose = NULL;
        suppose_free(s);
        free(verdict->draw);
        free(verdict->rival);
        verdict->draw = verdict->rival = NULL;
        verdict->draws = verdict->rivals = 0;
    }
    return code;
}

void verdict_free(struct verdict *verdict)
{
    free(verdict->draw);
    free(verdict->rival);
    verdict->draw = verdict->rival = NULL;
    verdict->draws = verdict->rivals = 0;
    suppose_free(verdict->suppose);
    verdict->suppose = NULL;
}
