#include "analyze/infer/verdict.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/infer/posterior.h"

#define CASES_MAX       256
#define MARGIN          6.0   /* variants this far (in log) below the best are not sampled */
#define MARGIN_ELECTRIC 14.0  /* nor weighed magnetically, when that far below electrically */
#define MARGIN_GUESS    11.0  /* nor when that far below if helped as the best of its kind is */
#define UNKNOWN_PRIOR   0.004 /* something that is not in the table */
#define UNEXPLAINED_P   0.002
#define SAY_FINDING     0.02 /* findings below this are not worth a line */
#define MISTAKE_SAY     0.5
#define UNTESTED        0.3 /* logarithm of the evidence for a finding over that for none */
/* Odds that the measurements alone must give against a fault before a pass asserts that it is not
 * there: 'strong' (Jeffreys, Theory of Probability (3rd ed. 1961) app. B; from memory). */
#define TRIED_LEAST 10.0
#define KEEP_LEAST  24
#define RIVALS      128
#define HIDDEN_MOST 0.3 /* share of shorted turns beyond which they are said to be untried */

/* One variant of one finding, weighed. */
struct weighed {
    struct suppose_variant variant;
    struct weigh_result result;
    double log_prior;
    double probability;
};

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

double verdict_fault_probability(const struct verdict *verdict, unsigned faults)
{
    double sum = 0;

    for (size_t i = 0; i < verdict->findings; i++)
        if (verdict->finding[i].finding->faults & faults)
            sum += verdict->finding[i].probability;
    return sum;
}

/* ---- weighing ---- */

/* Log evidence of every variant by the normal approximation. */
static enum status_code weigh_roughly(struct suppose *s, const struct weighed *list, size_t count,
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

static double best_of(const struct weighed *list, const struct weigh_result *result, size_t count)
{
    double best = -INFINITY;

    for (size_t i = 0; i < count; i++)
        best = fmax(best, list[i].log_prior + result[i].log_evidence);
    return best;
}

/* Log evidence of every variant from the items that are not costly; *any: there are both kinds. */
static enum status_code weigh_electric(const struct design *design,
                                       const struct evidence_set *evidence,
                                       const struct verdict_options *o, const struct weighed *list,
                                       size_t count, double *electric, bool *any, struct verdict *v,
                                       struct status *st)
{
    struct evidence_set *some = malloc(sizeof *some);
    struct weigh_result *result = calloc(CASES_MAX, sizeof *result);
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
                                 const struct weighed *list, size_t count, bool *out,
                                 struct verdict *v, struct status *st)
{
    const struct finding *table = finding_table(NULL);
    const unsigned iron = FINDING_HARD | FINDING_SATURATED | FINDING_GAP;
    double *electric = calloc(CASES_MAX, sizeof *electric), top = -INFINITY, best = -INFINITY;
    struct weigh_result *result = calloc(CASES_MAX, sizeof *result);
    double gain[2] = {0, 0};
    size_t lead[2] = {SIZE_MAX, SIZE_MAX};
    bool any = false, *skip = calloc(CASES_MAX, sizeof *skip);
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

static void list_cases(const struct suppose *s, struct weighed *list, size_t *count)
{
    size_t rows;
    const struct finding *table = finding_table(&rows);
    double prior_sum = 0;

    *count = 0;
    for (size_t f = 0; f < rows; f++) {
        struct suppose_variant variant[SUPPOSE_VARIANTS_MAX];
        size_t n = suppose_variants(s, f, variant);

        prior_sum += n ? table[f].prior : 0;
        for (size_t i = 0; i < n && *count < CASES_MAX; i++) {
            memset(&list[*count], 0, sizeof *list);
            list[*count].variant = variant[i];
            list[*count].log_prior = log(table[f].prior) + variant[i].log_share;
            (*count)++;
        }
    }
    for (size_t i = 0; i < *count; i++)
        list[i].log_prior -= log(prior_sum);
}

static enum status_code weigh_all(const struct design *design, const struct evidence_set *evidence,
                                  struct suppose *s, const struct verdict_options *o,
                                  struct weighed *list, size_t *count, struct verdict *v,
                                  struct status *st)
{
    struct weigh_options w = weigh_options_default();
    struct weigh_result *rough = calloc(CASES_MAX, sizeof *rough);
    bool out[CASES_MAX] = {false};
    enum status_code code;
    struct status why;
    double best;

    if (!rough)
        return status_fail(st, STATUS_MEMORY, "no memory for a verdict");
    if (o->draws)
        w.draws = o->draws;
    list_cases(s, list, count);
    for (size_t i = 0; i < *count; i++)
        rough[i].log_evidence = -INFINITY;
    code = rule_out(design, evidence, s, o, list, *count, out, v, st);
    if (code == STATUS_OK)
        code = weigh_roughly(s, list, *count, out, rough, &v->evaluations, st);
    if (code != STATUS_OK)
        goto end;
    best = best_of(list, rough, *count);
    for (size_t i = 0; i < *count; i++) {
        struct weighed *c = &list[i];
        double here = c->log_prior + rough[i].log_evidence;
        struct weigh_model m;
        size_t keep;

        c->result = rough[i];
        if (best == -INFINITY || here < best - MARGIN)
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
static double normalise(struct weighed *list, size_t count, double log_unknown)
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
static enum status_code gather(struct suppose *s, const struct weighed *list, size_t count,
                               struct verdict *v, struct status *st)
{
    double owed = 0;
    size_t tail = 0;

    v->draw = calloc(VERDICT_DRAWS_MAX, sizeof *v->draw);
    if (!v->draw)
        return status_fail(st, STATUS_MEMORY, "no memory for the draws of a verdict");
    for (size_t i = 0; i < count; i++) {
        const struct weighed *c = &list[i];
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

/* ---- limits ---- */

/* What nothing measured bears on is said to be untried. Iron and gap, which have no limit of their
 * own, are then left out of pass or fail; insulation is not: not measuring it is a doubt. */
struct untried {
    bool iron, insulation;
};

static struct untried find_untried(const struct evidence_set *evidence)
{
    struct untried u = {true, true};

    for (size_t i = 0; i < evidence->count; i++) {
        switch (evidence->item[i].kind) {
        case EVIDENCE_INDUCTANCE:
            /* Without the keeper most of the way is air, whatever faces and iron are. */
            u.iron = u.iron && !evidence->item[i].at.keeper;
            break;
        case EVIDENCE_LIFT:
        case EVIDENCE_PULL:
        case EVIDENCE_RESIDUAL_PULL:
            u.iron = false;
            break;
        case EVIDENCE_INSULATION:
            u.insulation = false;
            break;
        default:
            break;
        }
    }
    return u;
}

/* True when this coil keeps every limit. */
static bool keeps_limits(struct suppose *s, const struct verdict_draw *d,
                         const struct verdict_limits *limits, const struct untried *untried)
{
    const struct coil_specimen *p = &d->state.specimen, *n = suppose_nominal(s);
    const struct finding *f = &finding_table(NULL)[d->variant.finding];
    int limbs = design_limbs(suppose_design(s));
    double whole = d->resistance_a + (limbs > 1 ? d->resistance_b : 0);
    double joints = p->joint[0] + p->joint[1] + d->state.joint_pair;

    if (!untried->iron && (f->faults & (FINDING_GAP | FINDING_HARD | FINDING_SATURATED)))
        return false;
    if (p->sense[0] * p->sense[1] * n->sense[0] * n->sense[1] < 0)
        return false;
    for (int i = 0; i < limbs; i++) {
        double expected = suppose_expected(s)->y[i ? COIL_RESISTANCE_B : COIL_RESISTANCE_A];
        double r = i ? d->resistance_b : d->resistance_a;

        if (p->open[i] || isfinite(p->bypass[i]))
            return false;
        if (fabs(p->turns[i] / n->turns[i] - 1) > limits->turns)
            return false;
        if (p->shorted[i] > limits->shorted * n->turns[i])
            return false;
        if (fabs(r / expected - 1) > limits->resistance)
            return false;
    }
    if (joints > limits->joint * whole)
        return false;
    if (p->leakage > 1 / limits->insulation)
        return false;
    if (!untried->iron && !isnan(limits->pull_min) && d->pull < limits->pull_min)
        return false;
    return true;
}

/* ---- what the measurements have tried ---- */

static int compare(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;

    return (x > y) - (x < y);
}

/* Faults whose absence a pass asserts: the measurements must have shown it. Of shorted turns,
 * joints, insulation and iron a pass says what was not tried instead. */
#define MUST_BE_TRIED                                                                              \
    (FINDING_TURNS_A | FINDING_TURNS_B | FINDING_TURNS_ALIKE | FINDING_GAUGE | FINDING_CANCEL |    \
     FINDING_OPEN_A | FINDING_OPEN_B | FINDING_BYPASS_A | FINDING_BYPASS_B)

#define SHORTED (FINDING_SHORTED_A | FINDING_SHORTED_B)
#define TURNS   (FINDING_TURNS_A | FINDING_TURNS_B | FINDING_TURNS_ALIKE)
#define JOINT   (FINDING_JOINT_A | FINDING_JOINT_B | FINDING_JOINT_PAIR)

/* Size of a fault: share of a limb's turns that is shorted or wrong, ohms of bad joints. */
static double hidden_size(const struct suppose *s, const struct reading_state *state,
                          unsigned faults)
{
    const struct coil_specimen *p = &state->specimen, *n = suppose_nominal(s);
    double size = 0;

    if (faults & JOINT)
        return p->joint[0] + p->joint[1] + state->joint_pair;
    for (int i = 0; i < design_limbs(suppose_design(s)); i++)
        size = fmax(size, faults & SHORTED ? p->shorted[i] / n->turns[i]
                                           : fabs(p->turns[i] / n->turns[i] - 1));
    return size;
}

/* True when the fault is more than the limits allow. */
static bool breaks_limit(const struct suppose *s, const struct reading_state *state,
                         unsigned faults, const struct verdict_limits *limits)
{
    if (faults & SHORTED)
        return hidden_size(s, state, faults) > limits->shorted;
    if (faults & JOINT)
        return hidden_size(s, state, faults) >
               limits->joint * suppose_expected(s)->y[COIL_RESISTANCE_PAIR];
    if (faults & TURNS)
        return hidden_size(s, state, faults) > limits->turns;
    return true;
}

/* Share of a variant's prior that is beyond its limit. Its own unknown is the last one. */
static double share_before(struct suppose *s, const struct weighed *c,
                           const struct verdict_limits *limits)
{
    enum { STEPS = 48 };
    double z[WEIGH_UNKNOWNS_MAX] = {0};
    struct weigh_model m = suppose_model(s, &c->variant);
    unsigned faults = finding_table(NULL)[c->variant.finding].faults;
    size_t broken = 0;

    if (m.bends == 0 || m.unknowns == 0)
        return 1;
    for (int i = 0; i < STEPS; i++) {
        struct reading_state state;

        z[m.unknowns - 1] = gsl_cdf_ugaussian_Pinv((i + 0.5) / STEPS);
        suppose_state(s, &c->variant, z, 0, &state);
        broken += breaks_limit(s, &state, faults, limits);
    }
    return (double)broken / STEPS;
}

/* The same of its posterior; as before where it was too unlikely to be sampled. */
static double share_after(struct suppose *s, const struct weighed *c,
                          const struct verdict_limits *limits, double before)
{
    unsigned faults = finding_table(NULL)[c->variant.finding].faults;
    size_t broken = 0;

    if (c->result.draws == 0)
        return before;
    for (size_t k = 0; k < c->result.draws; k++) {
        struct reading_state state;

        suppose_state(s, &c->variant, c->result.draw[k].z, k + 1, &state);
        broken += breaks_limit(s, &state, faults, limits);
    }
    /* So many draws cannot tell a smaller share from none. */
    return fmax((double)broken, 0.5) / (double)c->result.draws;
}

/* How much less likely the evidence is with this finding beyond its limit than with a coil as
 * designed: what odds between the two are to be multiplied by, whatever they were. */
static double factor_of(struct suppose *s, const struct weighed *list, size_t count, size_t row,
                        const struct verdict_limits *limits)
{
    double good = -INFINITY, with = -INFINITY, before = 0;

    for (size_t i = 0; i < count; i++) {
        const struct weighed *c = &list[i];
        double share, b;

        if (c->variant.finding == 0)
            good = weigh_log_add(good, c->variant.log_share + c->result.log_evidence);
        if (c->variant.finding != row || c->result.log_evidence == -INFINITY)
            continue;
        b = share_before(s, c, limits);
        share = share_after(s, c, limits, b);
        before += exp(c->variant.log_share) * b;
        if (share > 0)
            with = weigh_log_add(with, c->variant.log_share + c->result.log_evidence + log(share));
    }
    if (good == -INFINITY || !(before > 0))
        return 0;
    return exp(with - good) / before;
}

static bool one_fault(unsigned faults)
{
    return faults != 0 && (faults & (faults - 1)) == 0;
}

/* The size of a fault that still goes unseen: of what explains the evidence, 19 in 20 are less. */
static double hidden_most(struct suppose *s, const struct weighed *list, size_t count, size_t row)
{
    unsigned faults = finding_table(NULL)[row].faults;
    double size[64];
    size_t n = 0;

    for (size_t i = 0; i < count; i++) {
        const struct weighed *c = &list[i];

        for (size_t k = 0; c->variant.finding == row && k < c->result.draws && n < 64; k++) {
            struct reading_state state;

            suppose_state(s, &c->variant, c->result.draw[k].z, k + 1, &state);
            size[n++] = hidden_size(s, &state, faults);
        }
    }
    if (n == 0)
        return NAN;
    qsort(size, n, sizeof *size, compare);
    return size[(size_t)(0.95 * (double)(n - 1))];
}

/* Coils with the doubt, as the evidence leaves them. */
static enum status_code gather_rivals(struct suppose *s, const struct weighed *list, size_t count,
                                      struct verdict *v, struct status *st)
{
    size_t row = (size_t)(v->doubt - finding_table(NULL)), tail = 0;
    double all = -INFINITY, owed = 0;

    v->rival = calloc(RIVALS, sizeof *v->rival);
    if (!v->rival)
        return status_fail(st, STATUS_MEMORY, "no memory for the draws of a verdict");
    for (size_t i = 0; i < count; i++)
        if (list[i].variant.finding == row && list[i].result.draws)
            all = weigh_log_add(all, list[i].variant.log_share + list[i].result.log_evidence);
    for (size_t i = 0; i < count; i++) {
        const struct weighed *c = &list[i];

        if (c->variant.finding != row || c->result.draws == 0)
            continue;
        owed += RIVALS * exp(c->variant.log_share + c->result.log_evidence - all);
        for (size_t k = 0; owed >= 1 && v->rivals < RIVALS; owed--, k++) {
            struct verdict_draw *d = &v->rival[v->rivals++];

            d->variant = c->variant;
            suppose_state(s, &c->variant, c->result.draw[k % c->result.draws].z, ++tail, &d->state);
        }
    }
    return status_ok(st);
}

/* True when what remains without the readings that are taken for mistakes is too little to go by.
 */
static bool rests_on_mistakes(const struct suppose *s, const struct evidence_set *evidence,
                              const struct verdict *v)
{
    int sound = 0, mistaken = 0;

    if (v->findings && (v->finding[0].finding->faults & FINDING_METER))
        return true;
    for (size_t i = 0; i < evidence->count; i++) {
        enum evidence_kind kind = evidence->item[i].kind;
        bool bad = false;

        if (kind != EVIDENCE_RESISTANCE && kind != EVIDENCE_CURRENT)
            continue;
        for (size_t k = 0; k < v->misfits; k++)
            bad = bad || v->misfit[k].item == i;
        mistaken += bad;
        sound += !bad;
    }
    return mistaken > 0 && sound < design_limbs(suppose_design(s));
}

/* Finds what a pass may not assert for want of measurements. */
static enum status_code find_doubt(struct suppose *s, const struct weighed *list, size_t count,
                                   struct verdict *v, struct status *st)
{
    const double most = (1 - v->limits.sure) / v->limits.sure;
    size_t rows;
    const struct finding *table = finding_table(&rows);

    v->shorted_hidden = v->joint_hidden = v->turns_hidden = NAN;
    for (size_t f = 1; f < rows; f++) {
        unsigned faults = table[f].faults;
        double factor, *hidden = faults & JOINT     ? &v->joint_hidden
                                 : faults & SHORTED ? &v->shorted_hidden
                                 : faults & TURNS   ? &v->turns_hidden
                                                    : NULL;

        if (!one_fault(faults) || !(faults & (MUST_BE_TRIED | SHORTED | JOINT)))
            continue;
        factor = factor_of(s, list, count, f, &v->limits);
        if (factor > most && hidden)
            *hidden = fmax(isnan(*hidden) ? 0 : *hidden, hidden_most(s, list, count, f));
        if ((faults & MUST_BE_TRIED) && factor > 1 / TRIED_LEAST &&
            (!v->doubt || factor > v->doubt_factor)) {
            v->doubt = &table[f];
            v->doubt_factor = factor;
        }
    }
    return v->doubt ? gather_rivals(s, list, count, v, st) : status_ok(st);
}

/* Resistances at the ambient temperature, and the working pull when a limit asks for it. */
static void work_out(struct suppose *s, struct verdict_draw *d, const struct verdict_limits *limits)
{
    struct coil_specimen p = d->state.specimen;
    struct coil_conditions k;
    struct coil_observables y;
    struct status st;
    bool pull = !isnan(limits->pull_min);

    d->resistance_a = d->resistance_b = d->pull = NAN;
    p.temperature = suppose_nominal(s)->temperature;
    coil_conditions_nominal(suppose_coil(s), &k);
    if (isnan(k.voltage) && isnan(k.current)) {
        k.current = 0;
        pull = false;
    }
    if (coil_forward(suppose_coil(s), &p, &k, pull ? COIL_FIELD : COIL_ELECTRIC, &y, &st) !=
        STATUS_OK)
        return;
    d->resistance_a = y.y[COIL_RESISTANCE_A];
    d->resistance_b = y.y[COIL_RESISTANCE_B];
    d->resistance = y.y[COIL_RESISTANCE_PAIR] + d->state.joint_pair;
    if (pull)
        d->pull = y.y[COIL_PULL];
}

/* ---- estimates ---- */

/* Median and 95 % interval of n values; widens by the rank that n draws leave open. */
static void interval(double *value, size_t n, struct verdict_estimate *e)
{
    double at[3] = {0.025, 0.5, 0.975}, q[3];

    qsort(value, n, sizeof *value, compare);
    for (int k = 0; k < 3; k++) {
        double r = at[k] * (double)(n - 1);
        size_t i = (size_t)r;

        q[k] = i + 1 < n && isfinite(value[i + 1])
                   ? value[i] + (r - (double)i) * (value[i + 1] - value[i])
                   : value[i];
    }
    e->low = q[0];
    e->median = q[1];
    e->high = q[2];
}

enum quantity {
    Q_TURNS_A,
    Q_TURNS_B,
    Q_RESISTANCE_A,
    Q_RESISTANCE_B,
    Q_RESISTANCE,
    Q_WIRE,
    Q_TEMPERATURE,
    Q_MEAN_TURN,
    Q_WIRE_LOT,
    Q_GAP,
    Q_JOINT,
    Q_SHORTED_A,
    Q_SHORTED_B,
    Q_LEAKAGE,
    Q_HEAT,
    Q_LEADS,
    QUANTITIES
};

static const struct {
    const char *name, *unit;
    bool two_limbs;
    unsigned only; /* given that the leading finding has one of these faults; 0: always */
} quantities[QUANTITIES] = {
    [Q_TURNS_A] = {"turns of limb A", "turns", false, 0},
    [Q_TURNS_B] = {"turns of limb B", "turns", true, 0},
    [Q_RESISTANCE_A] = {"resistance of limb A at 20 C", "ohm", false, 0},
    [Q_RESISTANCE_B] = {"resistance of limb B at 20 C", "ohm", true, 0},
    [Q_RESISTANCE] = {"resistance at 20 C", "ohm", false, 0},
    [Q_WIRE] = {"bare wire diameter", "m", false, 0},
    [Q_TEMPERATURE] = {"coil temperature", "degC", false, 0},
    [Q_MEAN_TURN] = {"mean turn against geometry", "", false, 0},
    [Q_WIRE_LOT] = {"resistance per metre against table", "", false, 0},
    [Q_GAP] = {"air at each pole", "m", false, 0},
    [Q_JOINT] = {"resistance of the bad joint", "ohm", false,
                 FINDING_JOINT_A | FINDING_JOINT_B | FINDING_JOINT_PAIR},
    [Q_SHORTED_A] = {"shorted turns of limb A", "turns", false, FINDING_SHORTED_A},
    [Q_SHORTED_B] = {"shorted turns of limb B", "turns", true, FINDING_SHORTED_B},
    [Q_LEAKAGE] = {"resistance from winding to core", "ohm", false, FINDING_LEAKAGE},
    [Q_HEAT] = {"warmth above the stated temperature", "K", false, FINDING_WARM},
    [Q_LEADS] = {"resistance of the test leads", "ohm", false, FINDING_LEADS},
};

static double at_20(const struct suppose *s, double ohm)
{
    enum wire_metal metal = suppose_design(s)->winding.wire.metal;

    return ohm / wire_temperature_factor(metal, suppose_nominal(s)->temperature);
}

static double quantity_of(const struct suppose *s, const struct verdict_draw *d, enum quantity q)
{
    const struct coil_specimen *p = &d->state.specimen, *n = suppose_nominal(s);

    switch (q) {
    case Q_TURNS_A:
        return p->turns[0];
    case Q_TURNS_B:
        return p->turns[1];
    case Q_RESISTANCE_A:
        return at_20(s, d->resistance_a);
    case Q_RESISTANCE_B:
        return at_20(s, d->resistance_b);
    case Q_RESISTANCE:
        return at_20(s, d->resistance);
    case Q_WIRE:
        return p->wire_diameter[0];
    case Q_TEMPERATURE:
        return suppose_temperature(s, &d->state);
    case Q_MEAN_TURN:
        return p->mean_turn_offset[0] / suppose_expected(s)->y[COIL_MEAN_TURN_A];
    case Q_WIRE_LOT:
        return p->resistivity * pow(n->wire_diameter[0] / p->wire_diameter[0], 2) - 1;
    case Q_GAP:
        return p->gap + p->roughness;
    case Q_JOINT:
        return p->joint[0] + p->joint[1] + d->state.joint_pair;
    case Q_SHORTED_A:
        return p->shorted[0];
    case Q_SHORTED_B:
        return p->shorted[1];
    case Q_LEAKAGE:
        return 1 / p->leakage;
    case Q_HEAT:
        return d->state.heat;
    case Q_LEADS:
        return d->state.lead_ohm;
    case QUANTITIES:
        break;
    }
    return NAN;
}

static double expected_of(const struct suppose *s, enum quantity q)
{
    const struct coil_specimen *n = suppose_nominal(s);
    const double *y = suppose_expected(s)->y;

    switch (q) {
    case Q_TURNS_A:
        return n->turns[0];
    case Q_TURNS_B:
        return n->turns[1];
    case Q_RESISTANCE_A:
        return at_20(s, y[COIL_RESISTANCE_A]);
    case Q_RESISTANCE_B:
        return at_20(s, y[COIL_RESISTANCE_B]);
    case Q_RESISTANCE:
        return at_20(s, y[COIL_RESISTANCE_PAIR]);
    case Q_WIRE:
        return n->wire_diameter[0];
    case Q_GAP:
        return n->gap + n->roughness;
    case Q_MEAN_TURN:
    case Q_WIRE_LOT:
    case Q_JOINT:
    case Q_SHORTED_A:
    case Q_SHORTED_B:
    case Q_HEAT:
        return 0;
    default:
        return NAN;
    }
}

/* Interval of a quantity over the draws of one finding (rows' end: over all). */
static bool estimate(const struct suppose *s, const struct verdict *v, enum quantity q,
                     size_t finding, struct verdict_estimate *e)
{
    double value[VERDICT_DRAWS_MAX];
    size_t n = 0;

    memset(e, 0, sizeof *e);
    e->name = quantities[q].name;
    e->unit = quantities[q].unit;
    e->expected = expected_of(s, q);
    for (size_t i = 0; i < v->draws; i++) {
        double x;

        if (finding != SIZE_MAX && v->draw[i].variant.finding != finding)
            continue;
        x = quantity_of(s, &v->draw[i], q);
        if (!isnan(x))
            value[n++] = x;
    }
    if (n < 8)
        return false;
    interval(value, n, e);
    return true;
}

static void estimate_all(const struct suppose *s, struct verdict *v)
{
    int limbs = design_limbs(suppose_design(s));
    unsigned lead = v->findings ? v->finding[0].finding->faults : 0;
    size_t row = v->findings ? (size_t)(v->finding[0].finding - finding_table(NULL)) : 0;

    for (int q = 0; q < QUANTITIES && v->estimates < VERDICT_ESTIMATES_MAX; q++) {
        bool only = quantities[q].only != 0;

        if ((quantities[q].two_limbs && limbs < 2) || (only && !(lead & quantities[q].only)))
            continue;
        if (estimate(s, v, (enum quantity)q, only ? row : SIZE_MAX, &v->estimate[v->estimates])) {
            v->estimate[v->estimates].leading_only = only;
            v->estimates++;
        }
    }
}

size_t verdict_figures(const struct verdict *verdict, size_t rank,
                       struct verdict_estimate figure[VERDICT_FIGURES_MAX])
{
    static const struct {
        enum quantity quantity;
        unsigned faults;
    } spoken[] = {
        {Q_TURNS_A, FINDING_TURNS_A | FINDING_TURNS_ALIKE},
        {Q_TURNS_B, FINDING_TURNS_B | FINDING_TURNS_ALIKE},
        {Q_WIRE, FINDING_GAUGE},
        {Q_SHORTED_A, FINDING_SHORTED_A},
        {Q_SHORTED_B, FINDING_SHORTED_B},
        {Q_JOINT, FINDING_JOINT_A | FINDING_JOINT_B | FINDING_JOINT_PAIR},
        {Q_LEAKAGE, FINDING_LEAKAGE},
        {Q_HEAT, FINDING_WARM},
        {Q_GAP, FINDING_GAP},
        {Q_LEADS, FINDING_LEADS},
    };
    const struct finding *finding;
    size_t n = 0;

    if (rank >= verdict->findings || !verdict->suppose)
        return 0;
    finding = verdict->finding[rank].finding;
    for (size_t i = 0; i < sizeof spoken / sizeof *spoken && n < VERDICT_FIGURES_MAX; i++) {
        const struct suppose *s = verdict->suppose;
        enum quantity q = spoken[i].quantity;

        if (!(finding->faults & spoken[i].faults) ||
            (quantities[q].two_limbs && design_limbs(suppose_design(s)) < 2) ||
            !estimate(s, verdict, q, (size_t)(finding - finding_table(NULL)), &figure[n]))
            continue;
        figure[n++].leading_only = true;
    }
    return n;
}

/* ---- sentences ---- */

static void say(char *out, const char *format, ...) __attribute__((format(printf, 2, 3)));
static void say(char *out, const char *format, ...)
{
    va_list args;

    va_start(args, format);
    vsnprintf(out, VERDICT_LINE_SIZE, format, args);
    va_end(args);
}

static void add_line(struct verdict *v, const char *text)
{
    if (v->lines < VERDICT_LINES_MAX && text[0])
        say(v->line[v->lines++], "%s", text);
}

/* "93 %", never 100 % or 0 %. */
static const char *percent(double p, char out[16])
{
    if (p > 0.995)
        snprintf(out, 16, "over 99 %%");
    else if (p < 0.005)
        snprintf(out, 16, "under 1 %%");
    else
        snprintf(out, 16, "%.0f %%", 100 * p);
    return out;
}

/* Half width of the interval to one or two figures, and the value to the same place. */
static int places(double half)
{
    int p;

    if (!(half > 0) || !isfinite(half))
        return 1;
    p = 1 - (int)floor(log10(half));
    return p < 0 ? 0 : p > 6 ? 6 : p;
}

static void turns_text(const struct suppose *s, const struct verdict *v, size_t row, int limb,
                       char out[80])
{
    struct verdict_estimate e;
    double off, near, far, expected = suppose_nominal(s)->turns[limb];

    out[0] = '\0';
    if (!estimate(s, v, limb ? Q_TURNS_B : Q_TURNS_A, row, &e))
        return;
    off = e.median - expected;
    /* Distance from the design, the nearer end of the interval first. */
    near = off < 0 ? expected - e.high : e.low - expected;
    far = off < 0 ? expected - e.low : e.high - expected;
    if (near >= 0)
        snprintf(out, 80, "%.0f (%.0f to %.0f) turns %s of %.0f", fabs(off), near, far,
                 off < 0 ? "short" : "over", expected);
    else
        snprintf(out, 80, "%.0f (%.0f %s to %.0f %s) turns %s of %.0f", fabs(off), -near,
                 off < 0 ? "over" : "short", far, off < 0 ? "short" : "over",
                 off < 0 ? "short" : "over", expected);
}

/* "8.3 (7.9 to 8.8) mm" */
static void range_text(const struct verdict_estimate *e, double scale, const char *unit,
                       char out[80])
{
    int p = places(0.5 * (e->high - e->low) / scale);

    snprintf(out, 80, "%.*f (%.*f to %.*f) %s", p, e->median / scale, p, e->low / scale, p,
             e->high / scale, unit);
}

/* Unit of a resistance for a person, and what one of it is in ohm. */
static const char *ohm_unit(double ohm, double *scale)
{
    *scale = ohm >= 0.995e6 ? 1e6 : ohm >= 995 ? 1e3 : 1;
    return *scale > 1e3 ? "MΩ" : *scale > 1 ? "kΩ" : "Ω";
}

/* "480 Ω", "0.12 Ω", "3.4 kΩ": two figures, for a resistance known to a decade or so. */
static void ohm_text(double ohm, char out[24])
{
    double scale;
    const char *unit = ohm_unit(ohm, &scale);
    int power;

    ohm /= scale;
    power = ohm > 0 ? (int)floor(log10(ohm)) : 0;
    if (power >= 2) {
        double step = pow(10, power - 1);

        snprintf(out, 24, "%.0f %s", step * round(ohm / step), unit);
    } else {
        snprintf(out, 24, "%.*f %s", power < -2 ? 3 : 1 - power, ohm, unit);
    }
}

/* Resistances of a joint or a leakage spread over decades: each end has its own unit then. */
static void ohms_text(const struct verdict_estimate *e, char out[80])
{
    char middle[24], low[24], high[24];
    double scale;

    if (e->high < 20 * e->low) {
        const char *unit = ohm_unit(e->median, &scale);

        range_text(e, scale, unit, out);
        return;
    }
    ohm_text(e->median, middle);
    ohm_text(fmax(e->low, 0), low);
    ohm_text(e->high, high);
    snprintf(out, 80, "%s (%s to %s)", middle, low, high);
}

/* "1.35 (1.2 to 1.6) mm of air at each pole, stated 1 mm": all of it, what is left at contact too.
 */
static void gap_text(const struct suppose *s, const struct verdict_estimate *e, char out[80])
{
    const struct coil_specimen *n = suppose_nominal(s);
    char range[80];

    range_text(e, 1e-3, "mm of air at each pole", range);
    snprintf(out, 80, "%.48s, %s %.3g mm", range, n->gap > 0 ? "stated" : "in contact about",
             1e3 * e->expected);
}

static void wire_text(const struct suppose *s, const struct verdict *v, size_t row, char out[96])
{
    double share[32] = {0}, sum = 0;
    int best = 0, second;

    for (size_t i = 0; i < v->draws; i++) {
        const struct verdict_draw *d = &v->draw[i];

        if (d->variant.finding == row && d->variant.wire >= 0 && d->variant.wire < 32) {
            share[d->variant.wire] += 1;
            sum += 1;
        }
    }
    for (int k = 1; k < 32; k++)
        if (share[k] > share[best])
            best = k;
    second = best ? 0 : 1;
    for (int k = 0; k < 32; k++)
        if (k != best && share[k] > share[second])
            second = k;
    out[0] = '\0';
    if (sum > 0 && share[second] > 0.1 * sum)
        snprintf(out, 96, "%s rather than %s (or %s)", suppose_wire(s, best),
                 suppose_design(s)->winding.wire.label, suppose_wire(s, second));
    else if (sum > 0)
        snprintf(out, 96, "%s rather than %s", suppose_wire(s, best),
                 suppose_design(s)->winding.wire.label);
}

/* One sentence about a finding, with its figures where there are draws enough. */
static void finding_text(const struct suppose *s, const struct verdict *v,
                         struct verdict_finding *f)
{
    size_t row = (size_t)(f->finding - finding_table(NULL));
    unsigned faults = f->finding->faults;
    char a[80] = "", b[80] = "", wire[96] = "";
    struct verdict_estimate e;
    size_t used;

    say(f->text, "%s", f->finding->title);
    used = strlen(f->text);
    if (faults & (FINDING_TURNS_A | FINDING_TURNS_ALIKE))
        turns_text(s, v, row, 0, a);
    if (faults & FINDING_TURNS_B ||
        ((faults & FINDING_TURNS_ALIKE) && design_limbs(suppose_design(s)) > 1))
        turns_text(s, v, row, 1, b);
    if (faults & FINDING_GAUGE)
        wire_text(s, v, row, wire);
    if (wire[0])
        used += (size_t)snprintf(f->text + used, sizeof f->text - used, ": %s", wire);
    if (a[0] && used < sizeof f->text)
        used += (size_t)snprintf(f->text + used, sizeof f->text - used, ": limb A %s", a);
    if (b[0] && used < sizeof f->text)
        used += (size_t)snprintf(f->text + used, sizeof f->text - used, "%s limb B %s",
                                 a[0] ? "," : ":", b);
    if (used >= sizeof f->text)
        return;
    a[0] = '\0';
    if ((faults & FINDING_SHORTED_A) && estimate(s, v, Q_SHORTED_A, row, &e))
        range_text(&e, 1, "turns", a);
    else if ((faults & FINDING_SHORTED_B) && estimate(s, v, Q_SHORTED_B, row, &e))
        range_text(&e, 1, "turns", a);
    else if ((faults & (FINDING_JOINT_A | FINDING_JOINT_B | FINDING_JOINT_PAIR)) &&
             estimate(s, v, Q_JOINT, row, &e))
        ohms_text(&e, a);
    else if ((faults & FINDING_LEAKAGE) && estimate(s, v, Q_LEAKAGE, row, &e))
        ohms_text(&e, a);
    else if ((faults & FINDING_WARM) && !(faults & FINDING_GAUGE) &&
             estimate(s, v, Q_HEAT, row, &e))
        range_text(&e, 1, "K above the stated temperature", a);
    else if ((faults & FINDING_GAP) && estimate(s, v, Q_GAP, row, &e))
        gap_text(s, &e, a);
    else if ((faults & FINDING_LEADS) && estimate(s, v, Q_LEADS, row, &e))
        ohms_text(&e, a);
    if (a[0])
        snprintf(f->text + used, sizeof f->text - used, ": %s", a);
}

/* True when a finding is as likely as before for want of any measurement that bears on it: of a
 * coil that passes it is no rival explanation but something that was not tested. */
static bool untested(const struct verdict *v, const struct verdict_finding *f)
{
    for (size_t i = 0; i < v->findings; i++)
        if (v->finding[i].finding->faults == 0)
            return fabs(f->log_evidence - v->finding[i].log_evidence) < UNTESTED;
    return false;
}

static void write_untested(const struct untried *untried, struct verdict *v)
{
    const unsigned iron = FINDING_HARD | FINDING_SATURATED | FINDING_GAP;
    char text[VERDICT_LINE_SIZE] = "", p[16];
    size_t used = 0;

    for (size_t i = 1; i < v->findings && v->finding[i].probability >= SAY_FINDING; i++) {
        const struct finding *f = v->finding[i].finding;

        /* These have a line of their own. */
        if (f->class == FINDING_BENCH || (f->faults & (SHORTED | JOINT)) ||
            !untested(v, &v->finding[i]) || (untried->iron && (f->faults & iron)) ||
            (untried->insulation && (f->faults & FINDING_LEAKAGE)) || used + 80 > sizeof text)
            continue;
        used += (size_t)snprintf(text + used, sizeof text - used, "%s%s (%s)",
                                 used ? ", " : "Not tested by what was measured: ", f->title,
                                 percent(v->finding[i].probability, p));
    }
    if (used && used + 2 < sizeof text)
        snprintf(text + used, sizeof text - used, ".");
    add_line(v, text);
}

/* A coil that fails, though no fault leads: by which figure. */
static void write_beyond(const struct verdict *v, char text[VERDICT_LINE_SIZE])
{
    const struct verdict_estimate *worst = NULL;
    double most = 1, off = 0;
    char p[16], name[64];

    for (size_t i = 0; i < v->estimates; i++) {
        const struct verdict_estimate *e = &v->estimate[i];
        bool ohms = strncmp(e->name, "resistance of limb", 18) == 0;
        bool turns = strncmp(e->name, "turns of limb", 13) == 0;
        double limit = ohms ? v->limits.resistance : v->limits.turns, here;

        if ((!ohms && !turns) || !(e->expected > 0))
            continue;
        here = e->median / e->expected - 1;
        if (fabs(here) > most * limit) {
            most = fabs(here) / limit;
            off = here;
            worst = e;
        }
    }
    /* "... at 20 C" as a person has it. */
    snprintf(name, sizeof name, "%s", worst ? worst->name : "");
    if (worst && strcmp(worst->unit, "ohm") == 0 && strlen(name) > 2 &&
        strcmp(name + strlen(name) - 2, " C") == 0)
        snprintf(name + strlen(name) - 1, 8, "°C");
    if (worst && isfinite(off))
        say(text, "Not within its limits (%s): the %s is %.0f %% %s the design's.",
            percent(v->fail_probability, p), name, 100 * fabs(off), off < 0 ? "below" : "above");
    else
        say(text, "Not within its limits (%s), though no one fault stands out.",
            percent(v->fail_probability, p));
}

/* What keeps a coil from passing that nothing speaks against. */
static void write_doubt(const struct verdict *v, char text[VERDICT_LINE_SIZE])
{
    char beyond[32] = "";

    if (v->doubt->faults & (FINDING_TURNS_A | FINDING_TURNS_B | FINDING_TURNS_ALIKE))
        snprintf(beyond, sizeof beyond, " by more than %.3g %%", 100 * v->limits.turns);
    say(text,
        "Not decided: nothing speaks against this coil, but with %s%s these readings could look "
        "much the same.",
        v->doubt->title, beyond);
}

/* What a coil may have and pass. */
static void write_hidden(const struct suppose *s, struct verdict *v)
{
    char text[VERDICT_LINE_SIZE] = "", ohm[24];
    const char *lead = "Would not show in these readings: ";
    double n = v->shorted_hidden * suppose_nominal(s)->turns[0];
    bool no_shorted = v->shorted_hidden > HIDDEN_MOST;
    bool no_joint = v->joint_hidden > HIDDEN_MOST * suppose_expected(s)->y[COIL_RESISTANCE_PAIR];
    size_t used = 0;

    if (no_shorted || no_joint) {
        say(text, "Not tried: %s%s%s.", no_shorted ? "shorted turns" : "",
            no_shorted && no_joint ? ", " : "", no_joint ? "joints" : "");
        add_line(v, text);
        text[0] = '\0';
    }
    if (v->turns_hidden > v->limits.turns) {
        used += (size_t)snprintf(text + used, sizeof text - used,
                                 "%sturns wrong by less than about %.0f %%", lead,
                                 ceil(100 * v->turns_hidden));
        lead = "; ";
    }
    if (n > 0 && !no_shorted) {
        used += (size_t)snprintf(text + used, sizeof text - used,
                                 "%sfewer than about %.0f shorted turns on a limb", lead,
                                 fmax(2, n > 30 ? 5 * ceil(n / 5) : ceil(n)));
        lead = "; ";
    }
    if (v->joint_hidden > 0 && !no_joint) {
        ohm_text(v->joint_hidden, ohm);
        used += (size_t)snprintf(text + used, sizeof text - used, "%sa bad joint below about %s",
                                 lead, ohm);
    }
    if (used && used + 2 < sizeof text) {
        snprintf(text + used, sizeof text - used, ".");
        add_line(v, text);
    }
}

/* A bar has no other pole to compare with. */
static void write_reversed(const struct suppose *s, const struct evidence_set *evidence,
                           struct verdict *v)
{
    bool seen = false;

    for (size_t i = 0; i < evidence->count && design_limbs(suppose_design(s)) < 2; i++)
        seen = seen || (evidence->item[i].kind == EVIDENCE_POLARITY && evidence->item[i].value < 0);
    if (seen)
        add_line(v, "The free end is a south pole with current from start to finish: harmless by "
                    "itself; where the pole matters, swap the two ends of the coil.");
}

static void write_lines(const struct suppose *s, const struct evidence_set *evidence,
                        const struct untried *untried, struct verdict *v)
{
    char text[VERDICT_LINE_SIZE], p[16], q[16];
    const struct verdict_finding *lead = v->findings ? &v->finding[0] : NULL;

    if (evidence->count == 0) {
        add_line(v, "Nothing has been measured yet.");
        return;
    }
    if (v->unexplained) {
        say(text,
            "None of the findings explains the measurements together (p = %.2g): check the "
            "readings and the design before acting on this.",
            v->fit_p);
        add_line(v, text);
    }
    for (size_t i = 0; i < v->misfits && i < 2; i++) {
        const struct evidence_item *e = &evidence->item[v->misfit[i].item];
        const char *unit = evidence_unit(e->kind);
        double scale = 1;
        char value[48];

        if (strcmp(unit, "ohm") == 0)
            unit = ohm_unit(e->value, &scale);
        else if (strcmp(unit, "kg") == 0 && e->value < 1)
            unit = "g", scale = 1e-3;
        else if (strcmp(unit, "m") == 0)
            unit = "mm", scale = 1e-3;
        if (e->kind == EVIDENCE_POLARITY)
            snprintf(value, sizeof value, "%s", e->value > 0 ? "north" : "south");
        else
            snprintf(value, sizeof value, "%.4g%s%s", e->value / scale, *unit ? " " : "", unit);
        say(text, "The %s, %s, does not fit the rest (%s a mistake at the bench): take it again.",
            e->source, value, percent(v->misfit[i].probability, p));
        add_line(v, text);
    }
    if (lead && v->result == VERDICT_PASS) {
        say(text, "Within its limits (%s).", percent(v->pass_probability, p));
        add_line(v, text);
        if (lead->finding->class != FINDING_GOOD) {
            say(text, "Yet most likely not quite as designed: %s (%s).", lead->text,
                percent(lead->probability, q));
            add_line(v, text);
        }
    } else if (lead && v->result == VERDICT_FAIL) {
        bool faulty = lead->finding->class != FINDING_GOOD && lead->finding->class != FINDING_BENCH;

        if (faulty) {
            say(text, "Not within its limits (%s): %s (%s).", percent(v->fail_probability, p),
                lead->text, percent(lead->probability, q));
            add_line(v, text);
        } else {
            write_beyond(v, text);
            add_line(v, text);
            say(text, "Most likely: %s (%s).", lead->text, percent(lead->probability, p));
            add_line(v, text);
        }
        if (lead->remedy[0]) {
            say(text, "What to do: %s.", lead->remedy);
            add_line(v, text);
        }
    } else if (lead && v->doubt) {
        write_doubt(v, text);
        add_line(v, text);
        say(text, "Most likely: %s (%s).", lead->text, percent(lead->probability, p));
        add_line(v, text);
        if (lead->remedy[0]) {
            say(text, "If so: %s.", lead->remedy);
            add_line(v, text);
        }
    } else if (lead) {
        if (v->unexplained && v->fail_probability >= v->limits.sure)
            say(text,
                "Not decided, since they do not fit together; taken as they stand this is no coil "
                "of this design (%s): is it the right one that is on the clips?",
                percent(v->fail_probability, q));
        else
            say(text, "Not decided: within its limits %s, not within them %s.",
                percent(v->pass_probability, p), percent(v->fail_probability, q));
        add_line(v, text);
        say(text, "Most likely: %s (%s).", lead->text, percent(lead->probability, p));
        add_line(v, text);
        if (lead->finding->class != FINDING_GOOD && lead->probability > 0.5 && lead->remedy[0]) {
            say(text, "If so: %s.", lead->remedy);
            add_line(v, text);
        }
    }
    for (size_t i = 1; i < v->findings && v->lines < VERDICT_LINES_MAX - 3 && i < 4; i++) {
        if (v->finding[i].probability < SAY_FINDING)
            break;
        if (v->result == VERDICT_PASS && untested(v, &v->finding[i]))
            continue;
        say(text, "Or: %s (%s).", v->finding[i].text, percent(v->finding[i].probability, p));
        add_line(v, text);
    }
    if (v->result == VERDICT_PASS) {
        write_untested(untried, v);
        write_hidden(s, v);
    }
    write_reversed(s, evidence, v);
    if (v->direction_open && design_limbs(suppose_design(s)) > 1) {
        say(text,
            "Nothing measured so far tells aiding limbs from cancelling ones (resistance is the "
            "same either way); cancelling is %s likely until polarity, pull or inductance is seen.",
            percent(v->cancel_probability, p));
        add_line(v, text);
    }
    if (untried->iron || untried->insulation) {
        say(text, "Not tried: %s%s%s.",
            untried->iron ? "iron and gap (no pull, nor inductance with keeper, taken)" : "",
            untried->iron && untried->insulation ? "; " : "",
            untried->insulation ? "insulation to the core" : "");
        add_line(v, text);
    }
    if (v->limits.turns_default || v->limits.resistance_default) {
        say(text, "Limits used: turns +-%.0f %%%s, resistance +-%.0f %%%s.", 100 * v->limits.turns,
            v->limits.turns_default ? " (trade default)" : "", 100 * v->limits.resistance,
            v->limits.resistance_default ? " (trade default)" : "");
        add_line(v, text);
    }
}

/* ---- the verdict ---- */

static int by_probability(const void *a, const void *b)
{
    const struct verdict_finding *x = a, *y = b;

    if (x->probability != y->probability)
        return x->probability < y->probability ? 1 : -1;
    return (x->finding > y->finding) - (x->finding < y->finding);
}

static void rank(const struct weighed *list, size_t count, struct verdict *v)
{
    size_t rows;
    const struct finding *table = finding_table(&rows);
    double spread = 0;

    for (size_t f = 0; f < rows && v->findings < VERDICT_FINDINGS_MAX; f++) {
        struct verdict_finding *r = &v->finding[v->findings];
        double square = 0, share = -INFINITY;
        bool applies = false;

        memset(r, 0, sizeof *r);
        r->finding = &table[f];
        r->remedy = table[f].remedy;
        r->log_evidence = -INFINITY;
        for (size_t i = 0; i < count; i++) {
            const struct weighed *c = &list[i];

            if (c->variant.finding != f)
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

static void name_misfits(const struct weighed *list, size_t count, size_t items, struct verdict *v)
{
    for (size_t i = 0; i < items; i++) {
        double p = 0, sum = 0;
        size_t at;

        for (size_t k = 0; k < count; k++) {
            p += list[k].probability * list[k].result.mistaken[i];
            sum += list[k].probability;
        }
        p = sum > 0 ? p / sum : 0;
        if (p < MISTAKE_SAY)
            continue;
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
    struct weighed *list = calloc(CASES_MAX, sizeof *list);
    size_t count = 0, good = 0, bad = 0, lead = 0;
    double unknown;
    struct untried untried = find_untried(evidence);
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
        code = weigh_all(design, evidence, s, &o, list, &count, verdict, st);
    if (code != STATUS_OK)
        goto out;
    verdict->suppose = s;
    unknown = normalise(list, count, log(UNKNOWN_PRIOR) + suppose_unknown(s));
    verdict->unknown_probability = unknown;
    rank(list, count, verdict);
    code = gather(s, list, count, verdict, st);
    if (code != STATUS_OK)
        goto out;
    for (size_t i = 0; i < verdict->draws; i++) {
        struct verdict_draw *d = &verdict->draw[i];

        work_out(s, d, &options->limits);
        d->good = keeps_limits(s, d, &options->limits, &untried);
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
    name_misfits(list, count, evidence->count, verdict);
    verdict->pass_probability =
        good + bad ? (1 - unknown) * (double)good / (double)(good + bad) : 0;
    verdict->fail_probability = 1 - verdict->pass_probability;
    verdict->direction_open =
        design_limbs(suppose_design(s)) > 1 && !evidence_tells_direction(evidence);
    verdict->cancel_probability = verdict_fault_probability(verdict, FINDING_CANCEL);
    if (!verdict->unexplained && evidence->count > 0) {
        if (verdict->pass_probability >= options->limits.sure &&
            !rests_on_mistakes(s, evidence, verdict)) {
            code = find_doubt(s, list, count, verdict, st);
            if (code != STATUS_OK)
                goto out;
            verdict->result = verdict->doubt ? VERDICT_UNDECIDED : VERDICT_PASS;
        }
        if (verdict->fail_probability - unknown >= options->limits.sure)
            verdict->result = VERDICT_FAIL;
    }
    for (size_t i = 0; i < verdict->findings; i++)
        finding_text(s, verdict, &verdict->finding[i]);
    estimate_all(s, verdict);
    write_lines(s, evidence, &untried, verdict);
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
