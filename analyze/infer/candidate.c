#include "analyze/infer/candidate.h"

#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/infer/posterior.h"

#define MARGIN 6.0 /* variants this far (in log) below the best are not sampled */
/* Nor of shorted turns alone, for a pass asks how many would still show; nor of cancelling limbs,
 * which must be ruled out by more. */
#define MARGIN_ASKED    9.0
#define MARGIN_ELECTRIC 14.0 /* nor weighed magnetically, when that far below electrically */
#define MARGIN_GUESS    11.0 /* nor when that far below if helped as the best of its kind is */
#define KEEP_LEAST      24   /* draws of the least likely that is sampled */

/* Log evidence of every variant by the normal approximation. */
static enum status_code weigh_roughly(struct suppose *s, const struct candidate *list, size_t count,
                                      const bool *skip, struct weigh_result *result,
                                      size_t *evaluations, struct status *st)
{
    for (size_t i = 0; i < count; i++) {
        struct weigh_model m;
        struct weigh_options o = weigh_options_default();
        struct status why;

        if (skip && skip[i])
            continue;
        m = suppose_model(s, &list[i].variant);
        o.draws_only_if_near = true;
        o.best = INFINITY;
        if (weigh_integrate(&m, &o, 0, &result[i], &why) == STATUS_MEMORY)
            return status_fail(st, STATUS_MEMORY, "%s", why.text);
        *evaluations += result[i].evaluations;
    }
    return status_ok(st);
}

static double best_of(const struct candidate *list, const struct weigh_result *result, size_t count)
{
    double best = -INFINITY;

    for (size_t i = 0; i < count; i++)
        best = fmax(best, list[i].log_prior + result[i].log_evidence);
    return best;
}

/* Log evidence of every variant from the items that are not costly; *any: there are both kinds. */
static enum status_code weigh_electric(const struct design *design,
                                       const struct evidence_set *evidence,
                                       const struct verdict_options *o,
                                       const struct candidate *list, size_t count, double *electric,
                                       bool *any, struct verdict *v, struct status *st)
{
    struct evidence_set *some = malloc(sizeof *some);
    struct weigh_result *result = calloc(CANDIDATE_MAX, sizeof *result);
    struct suppose *s = NULL;
    enum status_code code = STATUS_OK;

    *any = false;
    if (!some || !result) {
        code = status_fail(st, STATUS_MEMORY, "no memory for a verdict");
        goto end;
    }
    *some = *evidence;
    some->count = 0;
    for (size_t i = 0; i < evidence->count; i++)
        if (!reading_costly(evidence->item[i].kind))
            some->item[some->count++] = evidence->item[i];
    if (some->count == evidence->count || some->count == 0)
        goto end;
    code = suppose_new(design, some, &o->learnt, &o->prior, &s, st);
    if (code == STATUS_OK)
        code = weigh_roughly(s, list, count, NULL, result, &v->evaluations, st);
    for (size_t i = 0; i < count; i++)
        electric[i] = list[i].log_prior + result[i].log_evidence;
    *any = true;
end:
    suppose_free(s);
    free(some);
    free(result);
    return code;
}

/* Magnetic items cost a hundred times as much as the others, so variants that they cannot save are
 * left out: first those far behind electrically; then those that would still be behind if the
 * magnetic items spoke for them as they do for the best variant of the same direction. Faults of
 * the iron change what the magnetic items say, so those are always weighed. */
static enum status_code rule_out(const struct design *design, const struct evidence_set *evidence,
                                 struct suppose *s, const struct verdict_options *o,
                                 const struct candidate *list, size_t count, bool *out,
                                 struct verdict *v, struct status *st)
{
    const struct finding *table = finding_table(NULL);
    const unsigned iron = FINDING_HARD | FINDING_SATURATED | FINDING_GAP;
    double *electric = calloc(CANDIDATE_MAX, sizeof *electric), top = -INFINITY, best = -INFINITY;
    struct weigh_result *result = calloc(CANDIDATE_MAX, sizeof *result);
    double gain[2] = {0, 0};
    size_t lead[2] = {SIZE_MAX, SIZE_MAX};
    bool any = false, *skip = calloc(CANDIDATE_MAX, sizeof *skip);
    enum status_code code;

    if (!electric || !result || !skip) {
        code = status_fail(st, STATUS_MEMORY, "no memory for a verdict");
        goto end;
    }
    code = weigh_electric(design, evidence, o, list, count, electric, &any, v, st);
    if (code != STATUS_OK || !any)
        goto end;
    for (size_t i = 0; i < count; i++) {
        int way = (table[list[i].variant.finding].faults & FINDING_CANCEL) != 0;

        skip[i] = true;
        top = fmax(top, electric[i]);
        if (table[list[i].variant.finding].faults & iron)
            continue;
        if (lead[way] == SIZE_MAX || electric[i] > electric[lead[way]])
            lead[way] = i;
    }
    for (int way = 0; way < 2; way++)
        if (lead[way] != SIZE_MAX)
            skip[lead[way]] = false;
    code = weigh_roughly(s, list, count, skip, result, &v->evaluations, st);
    if (code != STATUS_OK)
        goto end;
    for (int way = 0; way < 2; way++) {
        if (lead[way] == SIZE_MAX)
            continue;
        gain[way] =
            list[lead[way]].log_prior + result[lead[way]].log_evidence - electric[lead[way]];
        best = fmax(best, electric[lead[way]] + gain[way]);
    }
    for (size_t i = 0; i < count; i++) {
        unsigned faults = table[list[i].variant.finding].faults;
        int way = (faults & FINDING_CANCEL) != 0;

        out[i] = electric[i] < top - MARGIN_ELECTRIC ||
                 (!(faults & iron) && electric[i] + gain[way] < best - MARGIN_GUESS);
    }
end:
    free(electric);
    free(result);
    free(skip);
    return code;
}

static void list_all(const struct suppose *s, struct candidate *list, size_t *count)
{
    size_t rows;
    const struct finding *table = finding_table(&rows);
    double prior_sum = 0;

    *count = 0;
    for (size_t f = 0; f < rows; f++) {
        struct suppose_variant variant[SUPPOSE_VARIANTS_MAX];
        size_t n = suppose_variants(s, f, variant);

        prior_sum += n ? table[f].prior : 0;
        for (size_t i = 0; i < n && *count < CANDIDATE_MAX; i++) {
            memset(&list[*count], 0, sizeof *list);
            list[*count].variant = variant[i];
            list[*count].log_prior = log(table[f].prior) + variant[i].log_share;
            (*count)++;
        }
    }
    for (size_t i = 0; i < *count; i++)
        list[i].log_prior -= log(prior_sum);
}

enum status_code candidate_weigh(const struct design *design, const struct evidence_set *evidence,
                                 struct suppose *s, const struct verdict_options *o,
                                 struct candidate *list, size_t *count, struct verdict *v,
                                 struct status *st)
{
    struct weigh_options w = weigh_options_default();
    struct weigh_result *rough = calloc(CANDIDATE_MAX, sizeof *rough);
    bool out[CANDIDATE_MAX] = {false};
    enum status_code code;
    struct status why;
    double best;

    if (!rough)
        return status_fail(st, STATUS_MEMORY, "no memory for a verdict");
    if (o->draws)
        w.draws = o->draws;
    list_all(s, list, count);
    for (size_t i = 0; i < *count; i++)
        rough[i].log_evidence = -INFINITY;
    code = rule_out(design, evidence, s, o, list, *count, out, v, st);
    if (code == STATUS_OK)
        code = weigh_roughly(s, list, *count, out, rough, &v->evaluations, st);
    if (code != STATUS_OK)
        goto end;
    best = best_of(list, rough, *count);
    for (size_t i = 0; i < *count; i++) {
        struct candidate *c = &list[i];
        unsigned faults = finding_table(NULL)[c->variant.finding].faults;
        double here = c->log_prior + rough[i].log_evidence, margin;
        struct weigh_model m;
        size_t keep;

        c->result = rough[i];
        margin =
            faults == FINDING_SHORTED_A || faults == FINDING_SHORTED_B || faults == FINDING_CANCEL
                ? MARGIN_ASKED
                : MARGIN;
        if (best == -INFINITY || here < best - margin)
            continue;
        m = suppose_model(s, &c->variant);
        w.start = rough[i].mode;
        w.exact = !m.quick;
        keep = (size_t)fmax(KEEP_LEAST, VERDICT_DRAWS_MAX * fmin(1, exp(here - best)));
        if (weigh_integrate(&m, &w, keep, &c->result, &why) == STATUS_MEMORY) {
            code = status_fail(st, STATUS_MEMORY, "%s", why.text);
            goto end;
        }
        v->evaluations += c->result.evaluations;
    }
end:
    free(rough);
    return code;
}

/* Probabilities of all cases; returns that of 'something else'. */
double candidate_normalise(struct candidate *list, size_t count, double log_unknown)
{
    double all = log_unknown;

    for (size_t i = 0; i < count; i++)
        all = weigh_log_add(all, list[i].log_prior + list[i].result.log_evidence);
    for (size_t i = 0; i < count; i++)
        list[i].probability =
            all == -INFINITY ? 0 : exp(list[i].log_prior + list[i].result.log_evidence - all);
    return all == -INFINITY ? 1 : exp(log_unknown - all);
}

/* Copies draws of each case in proportion to its probability. */
enum status_code candidate_gather(struct suppose *s, const struct candidate *list, size_t count,
                                  struct verdict *v, struct status *st)
{
    double owed = 0;
    size_t tail = 0;

    v->draw = calloc(VERDICT_DRAWS_MAX, sizeof *v->draw);
    if (!v->draw)
        return status_fail(st, STATUS_MEMORY, "no memory for the draws of a verdict");
    for (size_t i = 0; i < count; i++) {
        const struct candidate *c = &list[i];
        size_t take;

        owed += c->probability * VERDICT_DRAWS_MAX;
        take = (size_t)owed;
        owed -= (double)take;
        /* A case that was too unlikely to sample keeps its share for a likelier one. */
        if (c->result.draws == 0)
            continue;
        for (size_t k = 0; k < take && v->draws < VERDICT_DRAWS_MAX; k++) {
            struct verdict_draw *d = &v->draw[v->draws++];
            size_t from = k * c->result.draws / take;

            d->variant = c->variant;
            suppose_state(s, &c->variant, c->result.draw[from].z, ++tail, &d->state);
        }
    }
    return status_ok(st);
}
