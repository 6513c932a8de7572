#include "analyze/infer/fault.h"

#include <gsl/gsl_cdf.h>
#include <math.h>

#include "analyze/model/iron.h"

/* All common practice, no source. */
#define COOLING_U    0.6 /* log, of the time constant of a warm coil */
#define SHORT_TIME_U 0.7 /* log: where turns touch there is a resistance too */
/* Hardened iron also conducts worse: from annealed iron to hardened tool steel the coercive force
 * grows some thirty times and the resistivity three times (iron.c). */
#define HARD_EDDY  (1.0 / 3)
#define HARD_LEAST 2.0  /* times the stated iron's coercive force: less nobody calls hard */
#define HARD_USUAL 15.0 /* the most, of an iron whose coercive force is not known */

/* How much harder than stated a core can be: salvaged iron is tool steel at the worst. */
static double hardest_iron(const struct design *design)
{
    struct iron *stated = NULL, *steel = NULL;
    struct status st;
    double factor = HARD_USUAL;

    if (iron_create(design->core.iron, &stated, &st) == STATUS_OK &&
        iron_create("tool-steel", &steel, &st) == STATUS_OK && iron_facts(stated)->coercivity > 0)
        factor = iron_facts(steel)->coercivity / iron_facts(stated)->coercivity;
    iron_free(stated);
    iron_free(steel);
    return fmax(1.5 * HARD_LEAST, fmin(factor, 80));
}

void fault_scope_make(const struct reading_bench *bench, const struct evidence_set *evidence,
                      const struct finding_prior *prior, struct fault_scope *s)
{
    const struct design *d = coil_design(bench->coil);

    s->bench = bench;
    s->evidence = evidence;
    s->prior = *prior;
    for (int limb = 0; limb < 2; limb++) {
        double layers = bench->expected.y[limb ? COIL_LAYERS_B : COIL_LAYERS_A];

        s->layer_turns[limb] = NAN;
        if (limb < bench->limbs && d->winding.layers != DESIGN_SCRAMBLE && layers >= 3)
            s->layer_turns[limb] = bench->nominal.turns[limb] / layers;
    }
    s->hardest = hardest_iron(d);
    spool_fill(&s->spool, &d->winding.wire);
}

static double log_uniform(double low, double high, double z)
{
    return exp(log(low) + (log(high) - log(low)) * gsl_cdf_ugaussian_P(z));
}

/* Ohms below which a joint is not bad: a share of the coil's own, for a tenth of an ohm is much to
 * a coil of one ohm. */
static double joint_least(const struct fault_scope *s)
{
    double whole = s->bench->expected.y[COIL_RESISTANCE_PAIR];
    double least = isfinite(whole) ? s->prior.joint_share * whole : 0;

    return fmin(least > 0 ? least : s->prior.joint_low, 0.5 * s->prior.joint_high);
}

static double turns_factor(const struct fault_scope *s, int limb, int sign, int layers, double z)
{
    double d;

    if (layers > 0)
        d = layers * s->layer_turns[limb] / s->bench->nominal.turns[limb] * (1 + 0.03 * z);
    else
        d = s->prior.turns_median * exp(s->prior.turns_log_sd * z);
    return sign < 0 ? fmax(0.03, 1 - fmin(d, 0.97)) : 1 + fmin(d, 1.5);
}

/* Nuisances that matter only under some faults, and only to some evidence: unknowns of those
 * findings alone, before their own. */
enum {
    EXTRA_COOLING = 1 << 0,   /* how fast a warm coil cools */
    EXTRA_COOLED = 1 << 1,    /* how much of its warmth is left when current is passed */
    EXTRA_SHORT_TIME = 1 << 2 /* second time constant of shorted turns against the model */
};

static bool has_kind(const struct fault_scope *s, enum evidence_kind kind)
{
    for (size_t i = 0; i < s->evidence->count; i++)
        if (s->evidence->item[i].kind == kind)
            return true;
    return false;
}

static unsigned extras_of(const struct fault_scope *s, unsigned faults)
{
    unsigned extras = 0;

    if (faults & FINDING_WARM) {
        extras |= has_kind(s, EVIDENCE_DRIFT) ? EXTRA_COOLING : 0;
        extras |= has_kind(s, EVIDENCE_CURRENT) || has_kind(s, EVIDENCE_SAG) ||
                          has_kind(s, EVIDENCE_VOLT_DROP)
                      ? EXTRA_COOLED
                      : 0;
    }
    if (faults & (FINDING_SHORTED_A | FINDING_SHORTED_B))
        extras |= has_kind(s, EVIDENCE_SECOND_TIME) ? EXTRA_SHORT_TIME : 0;
    return extras;
}

static size_t count_bits(unsigned set)
{
    size_t n = 0;

    for (; set; set &= set - 1)
        n++;
    return n;
}

size_t fault_unknowns(unsigned faults)
{
    const unsigned with = FINDING_TURNS_A | FINDING_TURNS_B | FINDING_TURNS_ALIKE |
                          FINDING_SHORTED_A | FINDING_SHORTED_B | FINDING_BYPASS_A |
                          FINDING_BYPASS_B | FINDING_JOINT_A | FINDING_JOINT_B |
                          FINDING_JOINT_PAIR | FINDING_LEAKAGE | FINDING_WARM | FINDING_HARD |
                          FINDING_SATURATED | FINDING_GAP | FINDING_METER | FINDING_LEADS;

    return count_bits(faults & with);
}

size_t fault_extras(const struct fault_scope *s, unsigned faults)
{
    return count_bits(extras_of(s, faults));
}

void fault_apply(const struct fault_scope *s, const struct suppose_variant *v, unsigned faults,
                 const double *z, struct reading_state *state)
{
    const struct finding_prior *prior = &s->prior;
    struct coil_specimen *p = &state->specimen;
    unsigned extras = z ? extras_of(s, faults) : 0;

    if (extras & EXTRA_COOLING)
        state->cooling *= exp(COOLING_U * *z++);
    if (extras & EXTRA_COOLED)
        state->cooled = gsl_cdf_ugaussian_P(*z++);
    if (extras & EXTRA_SHORT_TIME)
        state->short_time *= exp(SHORT_TIME_U * *z++);
    if (faults & FINDING_TURNS_A)
        p->turns[0] *= turns_factor(s, 0, v->sign_a, v->layers, *z++);
    if (faults & FINDING_TURNS_B)
        p->turns[1] *=
            turns_factor(s, 1, faults & FINDING_TURNS_A ? v->sign_b : v->sign_a, v->layers, *z++);
    if (faults & FINDING_TURNS_ALIKE) {
        p->turns[0] *= turns_factor(s, 0, v->sign_a, v->layers, *z);
        p->turns[1] *= s->bench->limbs > 1 ? turns_factor(s, 1, v->sign_a, v->layers, *z) : 1;
        z++;
    }
    if ((faults & FINDING_GAUGE) && v->wire >= 0) {
        for (int limb = 0; limb < 2; limb++) {
            p->wire_diameter[limb] *= s->spool.wire[v->wire].bare;
            p->wire_overall[limb] *= s->spool.wire[v->wire].overall;
        }
    }
    if (faults & FINDING_CANCEL)
        p->sense[1] = -p->sense[1];
    for (int limb = 0; limb < 2; limb++) {
        if (faults & (limb ? FINDING_SHORTED_B : FINDING_SHORTED_A)) {
            double share = prior->shorted_median * exp(prior->shorted_log_sd * *z++);

            p->shorted[limb] = fmin(1 + share * p->turns[limb], 0.97 * p->turns[limb]);
        }
        if (faults & (limb ? FINDING_OPEN_B : FINDING_OPEN_A))
            p->open[limb] = true;
        if (faults & (limb ? FINDING_BYPASS_B : FINDING_BYPASS_A))
            p->bypass[limb] = 0.03 * exp(1.2 * *z++);
        if (faults & (limb ? FINDING_JOINT_B : FINDING_JOINT_A))
            p->joint[limb] = log_uniform(joint_least(s), prior->joint_high, *z++);
    }
    if (faults & FINDING_JOINT_PAIR)
        state->joint_pair = log_uniform(joint_least(s), prior->joint_high, *z++);
    if (faults & FINDING_LEAKAGE)
        p->leakage = 1 / log_uniform(prior->leak_low, prior->leak_high, *z++);
    if (faults & FINDING_WARM)
        state->heat = v->heat > 0 ? log_uniform(prior->warm_low, prior->warm_high, *z++)
                                  : -log_uniform(prior->warm_low, 25, *z++);
    if (faults & FINDING_HARD) {
        double hard = log_uniform(HARD_LEAST, s->hardest, *z++);

        /* The coercive force goes with the field that the iron needs (magnet.h). */
        p->iron_field *= hard;
        state->eddy -= HARD_EDDY * log(hard);
    }
    if (faults & FINDING_SATURATED) {
        /* Iron that carries less flux is iron of less section; a quarter less nobody would call a
         * fault. */
        double section = 0.3 + 0.45 * gsl_cdf_ugaussian_P(*z++);

        p->keeper_depth *= section;
        p->yoke_depth *= section;
    }
    if (faults & FINDING_GAP)
        p->gap += log_uniform(prior->gap_low, prior->gap_high, *z++);
    if (faults & FINDING_METER) {
        double g = fmin(0.9, 0.05 * exp(0.9 * *z++));

        if (v->decades)
            g = pow(10, v->decades) - 1;
        if (v->instrument >= 0)
            state->gain[v->instrument] += v->sign_a < 0 ? -g : g;
    }
    if (faults & FINDING_LEADS)
        state->lead_ohm += log_uniform(prior->lead_low, prior->lead_high, *z++);
}
