#include "analyze/infer/limits.h"

#include <math.h>

/* Resistances at the ambient temperature, and the working pull when a limit asks for it. */
void limits_work_out(struct suppose *s, struct verdict_draw *d, const struct verdict_limits *limits)
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

struct limits_untried limits_untried_by(const struct evidence_set *evidence)
{
    struct limits_untried u = {true, true};

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
bool limits_kept(struct suppose *s, const struct verdict_draw *d,
                 const struct verdict_limits *limits, const struct limits_untried *untried)
{
    const struct coil_specimen *p = &d->state.specimen, *n = suppose_nominal(s);
    const struct finding *f = &finding_table(NULL)[d->variant.finding];
    int limbs = design_limbs(suppose_design(s));
    double whole = d->resistance_a + (limbs > 1 ? d->resistance_b : 0);
    double joints = p->joint[0] + p->joint[1] + d->state.joint_pair;

    /* The wire is part of the design: with another one the ohms may be right by luck, and the room,
     * the heat and the pull for a volt are not. */
    if (f->faults & FINDING_GAUGE)
        return false;
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

/* Size of a fault: share of a limb's turns that is shorted or wrong, ohms of bad joints. */
double limits_size(const struct suppose *s, const struct reading_state *state, unsigned faults)
{
    const struct coil_specimen *p = &state->specimen, *n = suppose_nominal(s);
    double size = 0;

    if (faults & LIMITS_JOINT)
        return p->joint[0] + p->joint[1] + state->joint_pair;
    for (int i = 0; i < design_limbs(suppose_design(s)); i++)
        size = fmax(size, faults & LIMITS_SHORTED ? p->shorted[i] / n->turns[i]
                                                  : fabs(p->turns[i] / n->turns[i] - 1));
    return size;
}

/* True when the fault is more than the limits allow. */
bool limits_broken(const struct suppose *s, const struct reading_state *state, unsigned faults,
                   const struct verdict_limits *limits)
{
    if (faults & LIMITS_SHORTED)
        return limits_size(s, state, faults) > limits->shorted;
    if (faults & LIMITS_JOINT)
        return limits_size(s, state, faults) >
               limits->joint * suppose_expected(s)->y[COIL_RESISTANCE_PAIR];
    if (faults & LIMITS_TURNS)
        return limits_size(s, state, faults) > limits->turns;
    return true;
}
