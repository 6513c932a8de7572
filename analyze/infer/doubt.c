#include "analyze/infer/doubt.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_sort.h>
#include <math.h>
#include <stdlib.h>

#include "analyze/infer/limits.h"
#include "analyze/infer/posterior.h"

/* Odds that the measurements alone must give against a fault before a pass asserts that it is not
 * there: 'strong' (Jeffreys, Theory of Probability (3rd ed. 1961) app. B; from memory). */
#define TRIED_LEAST 10.0
/* The same against limbs that cancel, below which a pass asks for more: one reading of each pole
 * does not give it, for a needle is misread once in a hundred times; a second one, a pull or a rise
 * does. */
#define DIRECTION_LEAST 100.0
#define RIVALS          128

/* Faults whose absence a pass asserts: the measurements must have shown it. Of joints,
 * insulation and iron, and of shorted turns that are few, a pass says what was not tried instead.
 */
#define MUST_BE_TRIED                                                                              \
    (FINDING_TURNS_A | FINDING_TURNS_B | FINDING_TURNS_ALIKE | FINDING_GAUGE | FINDING_CANCEL |    \
     FINDING_OPEN_A | FINDING_OPEN_B | FINDING_BYPASS_A | FINDING_BYPASS_B)

/* Share of a variant's prior that is beyond its limit. Its own unknown is the last one. */
static double share_before(struct suppose *s, const struct candidate *c,
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
        broken += limits_broken(s, &state, faults, limits);
    }
    return (double)broken / STEPS;
}

/* The same of its posterior; as before where it was too unlikely to be sampled. */
static double share_after(struct suppose *s, const struct candidate *c,
                          const struct verdict_limits *limits, double before)
{
    unsigned faults = finding_table(NULL)[c->variant.finding].faults;
    size_t broken = 0;

    if (c->result.draws == 0)
        return before;
    for (size_t k = 0; k < c->result.draws; k++) {
        struct reading_state state;

        suppose_state(s, &c->variant, c->result.draw[k].z, k + 1, &state);
        broken += limits_broken(s, &state, faults, limits);
    }
    /* So many draws cannot tell a smaller share from none. */
    return fmax((double)broken, 0.5) / (double)c->result.draws;
}

/* How much less likely the evidence is with this finding beyond its limit than with a coil as
 * designed: what odds between the two are to be multiplied by, whatever they were. */
static double factor_of(struct suppose *s, const struct candidate *list, size_t count, size_t row,
                        const struct verdict_limits *limits)
{
    double good = -INFINITY, with = -INFINITY, before = 0;

    for (size_t i = 0; i < count; i++) {
        const struct candidate *c = &list[i];
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
static double hidden_most(struct suppose *s, const struct candidate *list, size_t count, size_t row)
{
    unsigned faults = finding_table(NULL)[row].faults;
    double size[64];
    size_t n = 0;

    for (size_t i = 0; i < count; i++) {
        const struct candidate *c = &list[i];

        for (size_t k = 0; c->variant.finding == row && k < c->result.draws && n < 64; k++) {
            struct reading_state state;

            suppose_state(s, &c->variant, c->result.draw[k].z, k + 1, &state);
            size[n++] = limits_size(s, &state, faults);
        }
    }
    if (n == 0)
        return NAN;
    gsl_sort(size, 1, n);
    return size[(size_t)(0.95 * (double)(n - 1))];
}

/* Coils with the doubt, beyond its limit, as the evidence leaves them. */
static enum status_code gather_rivals(struct suppose *s, const struct candidate *list, size_t count,
                                      const struct verdict_limits *limits, struct verdict *v,
                                      struct status *st)
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
        const struct candidate *c = &list[i];

        if (c->variant.finding != row || c->result.draws == 0)
            continue;
        owed += RIVALS * exp(c->variant.log_share + c->result.log_evidence - all);
        for (size_t k = 0; owed >= 1 && v->rivals < RIVALS && k < RIVALS + c->result.draws; k++) {
            struct verdict_draw *d = &v->rival[v->rivals];

            d->variant = c->variant;
            suppose_state(s, &c->variant, c->result.draw[k % c->result.draws].z, ++tail, &d->state);
            if (!limits_broken(s, &d->state, v->doubt->faults, limits))
                continue;
            v->rivals++;
            owed--;
        }
    }
    return status_ok(st);
}

bool doubt_of_mistakes(const struct suppose *s, const struct evidence_set *evidence,
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
enum status_code doubt_find(struct suppose *s, const struct candidate *list, size_t count,
                            struct verdict *v, struct status *st)
{
    const double most = (1 - v->limits.sure) / v->limits.sure;
    struct verdict_limits gross = v->limits;
    size_t rows;
    const struct finding *table = finding_table(&rows);

    /* Turns that are shorted do not pull: more of them than may be missing is no small fault. */
    gross.shorted = fmax(gross.shorted, gross.turns);
    v->shorted_hidden = v->joint_hidden = v->turns_hidden = NAN;
    for (size_t f = 1; f < rows; f++) {
        unsigned faults = table[f].faults;
        double factor, *hidden = faults & LIMITS_JOINT     ? &v->joint_hidden
                                 : faults & LIMITS_SHORTED ? &v->shorted_hidden
                                 : faults & LIMITS_TURNS   ? &v->turns_hidden
                                                           : NULL;

        if (!one_fault(faults) || !(faults & (MUST_BE_TRIED | LIMITS_SHORTED | LIMITS_JOINT)))
            continue;
        factor = factor_of(s, list, count, f, &v->limits);
        if (factor > most && hidden)
            *hidden = fmax(isnan(*hidden) ? 0 : *hidden, hidden_most(s, list, count, f));
        if (faults & LIMITS_SHORTED)
            factor = factor_of(s, list, count, f, &gross);
        if (faults & FINDING_CANCEL)
            v->direction_thin = factor > 1 / DIRECTION_LEAST;
        if ((faults & (MUST_BE_TRIED | LIMITS_SHORTED)) && factor > 1 / TRIED_LEAST &&
            (!v->doubt || factor > v->doubt_factor)) {
            v->doubt = &table[f];
            v->doubt_factor = factor;
        }
    }
    return v->doubt ? gather_rivals(s, list, count, &gross, v, st) : status_ok(st);
}
