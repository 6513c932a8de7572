#include "analyze/infer/nuisance.h"

#include <math.h>
#include <string.h>

#include "analyze/model/uncertain.h"

/* Spread of what hands, benches and the magnetic network add beyond the stated tolerances. All are
 * common practice, no source; a shop's own figures replace the first three (learn.h). */
#define TURNS_SLIP    0.003 /* of a limb's turns: a count is a few turns out even when it is right */
#define MEAN_TURN_U   0.015 /* relative, both limbs alike: one hand's tension */
#define CONTACT_LOG_U 0.7   /* of the air left at contact */
#define LIMB_TURN_U   0.006 /* relative, a limb against both: one hand and one spool agree to 1 % */
#define RESISTIVITY_U 0.005
#define LINK_U                                                                                     \
    0.15 /* m of wire that is in the pair's reading and in neither limb's, or in both              \
            limbs': where the clips bite on the leads */
#define INDUCTANCE_U 0.20 /* log, of the network against a real coil */
#define PULL_U       0.15 /* log, the same of the pull */
/* Height of the winding over that of the design. Layers that lie in each other's grooves are as
 * low as layers can be, and only a machine lays all of them so: by hand a winding comes out between
 * that and turns on top of each other (1 / 0.866), anywhere alike. Loose or sunken turns do the
 * rest. */
#define BUILD_NESTED   0.077
#define BUILD_NESTED_U 0.045
#define BUILD_U        0.03
/* log: iron sold under one name differs by a quarter in resistivity (a per cent of silicon or
 * manganese adds half), and the currents crowd at corners and joints. */
#define EDDY_U     0.3
#define STICKING_U 0.9 /* log */
/* log, of the current that volt drops share: where it was stated, with what current and voltmeter
 * are off; where only the supply is known, with its sag. */
#define SERIES_U       0.006
#define SERIES_SAG_U   0.02
#define SERIES_GUESS_U 0.3
#define INSULATION_OHM 5e9 /* sound insulation, and its log spread */
#define INSULATION_U   2.0
#define COOLING_S      900.0 /* s, time constant of a small coil in still air (spread: fault.c) */

/* ---- listing ---- */

static void add_nuisance(struct nuisance_list *list, enum nuisance_kind kind, int index,
                         double mean, double u)
{
    if (list->count < SUPPOSE_NUISANCES_MAX && u >= 0) {
        struct nuisance *n = &list->nuisance[list->count++];

        n->kind = kind;
        n->index = index;
        n->mean = mean;
        n->u = u;
    }
}

/* Log uncertainty of the current that volt drops share: of the one that is known worst. */
static double series_u(const struct evidence_set *evidence)
{
    double most = 0;

    for (size_t i = 0; i < evidence->count; i++) {
        const struct evidence_conditions *at = &evidence->item[i].at;
        double u = SERIES_GUESS_U;

        if (evidence->item[i].kind != EVIDENCE_VOLT_DROP)
            continue;
        if (at->current > 0)
            u = hypot(SERIES_U, at->current_u / at->current);
        else if (at->voltage > 0)
            u = hypot(SERIES_SAG_U, at->voltage_u / at->voltage);
        most = fmax(most, u);
    }
    return most;
}

#define IN_SPECIMEN(field) offsetof(struct coil_specimen, field)

void nuisance_fill(const struct reading_bench *bench, const struct evidence_set *evidence,
                   const struct suppose_learnt *learnt, struct nuisance_list *list)
{
    const struct design *d = coil_design(bench->coil);
    struct coil_conditions k;
    size_t inputs;
    bool lot = learnt && !isnan(learnt->wire_lot);
    double metal = 1; /* share of a learnt lot that is its metal, not its section */

    list->count = 0;
    coil_conditions_nominal(bench->coil, &k);
    inputs = input_list(bench->coil, &k, list->input);
    for (size_t i = 0; i < inputs; i++) {
        size_t at = list->input[i].specimen_offset;

        /* These have their own lines below. */
        if (at == INPUT_NO_OFFSET || at == IN_SPECIMEN(temperature) ||
            list->input[i].cause == INPUT_CAUSE_TURNS || at == IN_SPECIMEN(mean_turn_offset) ||
            at == IN_SPECIMEN(resistivity) || at == IN_SPECIMEN(roughness) ||
            at == IN_SPECIMEN(lead_resistance) || at == IN_SPECIMEN(model))
            continue;
        /* Limits of a standard as a normal distribution: beyond them is one lot in a hundred. */
        if (list->input[i].shape == UNCERTAIN_UNIFORM &&
            (at == IN_SPECIMEN(wire_diameter) || at == IN_SPECIMEN(wire_overall)))
            list->input[i].u *= sqrt(3) / 2.576;
        /* A lot whose resistance per metre is known leaves little doubt about its section. What is
         * known is shared out between section and metal by what either may vary. */
        if (lot && at == IN_SPECIMEN(wire_diameter)) {
            double section = pow(2 * list->input[i].u / list->input[i].value, 2);

            metal = RESISTIVITY_U * RESISTIVITY_U / (RESISTIVITY_U * RESISTIVITY_U + section);
            list->input[i].value *= 1 - 0.5 * (1 - metal) * learnt->wire_lot;
            list->input[i].u *= 0.3;
        }
        add_nuisance(list, NUISANCE_INPUT, (int)i, 0, 1);
    }
    for (int limb = 0; limb < bench->limbs; limb++) {
        struct amount turns = d->winding.turns[limb];

        add_nuisance(list, NUISANCE_TURNS, limb, 0, hypot(TURNS_SLIP, turns.u / turns.value));
        add_nuisance(list, NUISANCE_LIMB_TURN, limb, 0, LIMB_TURN_U);
    }
    if (learnt && !isnan(learnt->mean_turn))
        add_nuisance(list, NUISANCE_MEAN_TURN, 0, learnt->mean_turn, learnt->mean_turn_u);
    else
        add_nuisance(list, NUISANCE_MEAN_TURN, 0, 0, MEAN_TURN_U);
    if (lot)
        add_nuisance(list, NUISANCE_RESISTIVITY, 0, metal * learnt->wire_lot, learnt->wire_lot_u);
    else
        add_nuisance(list, NUISANCE_RESISTIVITY, 0, 0, RESISTIVITY_U);
    add_nuisance(list, NUISANCE_LINK, 0, 0, LINK_U);
    add_nuisance(list, NUISANCE_TEMPERATURE, 0, 0, 1);
    add_nuisance(list, NUISANCE_LEADS, 0, evidence->lead_ohm, evidence->lead_ohm_u);
    for (size_t i = 0; i < evidence->instruments; i++)
        add_nuisance(list, NUISANCE_GAIN, (int)i, evidence->instrument[i].bias,
                     evidence->instrument[i].gain_u);
    for (size_t i = 0; i < evidence->instruments; i++)
        add_nuisance(list, NUISANCE_ZERO, (int)i, 0, 1);
    if (learnt && !isnan(learnt->contact_gap))
        add_nuisance(list, NUISANCE_CONTACT, 0, learnt->contact_gap, learnt->contact_gap_u);
    else
        add_nuisance(list, NUISANCE_CONTACT, 0, log(fmax(bench->nominal.roughness, 1e-6)),
                     CONTACT_LOG_U);
    add_nuisance(list, NUISANCE_INSULATION, 0, log(INSULATION_OHM), INSULATION_U);
    add_nuisance(list, NUISANCE_INDUCTANCE, 0, 0, INDUCTANCE_U);
    add_nuisance(list, NUISANCE_PULL, 0, 0, PULL_U);
    add_nuisance(list, NUISANCE_EDDY, 0, 0, EDDY_U);
    list->build_lengthens = !learnt || isnan(learnt->mean_turn);
    if (d->winding.layers == DESIGN_ORTHOCYCLIC && !(bench->nominal.interlayer > 0))
        add_nuisance(list, NUISANCE_BUILD, 0, BUILD_NESTED, hypot(BUILD_NESTED_U, BUILD_U));
    else
        add_nuisance(list, NUISANCE_BUILD, 0, 0, hypot(BUILD_NESTED_U, BUILD_U));
    add_nuisance(list, NUISANCE_STICKING, 0, 0, STICKING_U);
    add_nuisance(list, NUISANCE_SERIES, 0, 0, series_u(evidence));
    add_nuisance(list, NUISANCE_DRESSING, 0, 0, READING_DRESSING_U);
}

/* ---- from nuisances to a state ---- */

static void apply_input(const struct input *input, double z, struct coil_specimen *specimen)
{
    struct coil_conditions unused;
    double value;

    memset(&unused, 0, sizeof unused);
    /* Tolerances are taken as normal whatever their shape: wire beyond its limits exists, and the
     * corner of a rectangle is no place to search along. A size that is known badly stays positive:
     * by its logarithm. */
    if (input->value > 0 && input->u > 0.2 * input->value)
        value = input->value * exp(fmin(1, input->u / input->value) * z);
    else
        value = input->value + input->u * z;
    input_set(input, value, specimen, &unused);
}

static void state_clear(const struct reading_bench *bench, struct reading_state *state)
{
    memset(state, 0, sizeof *state);
    state->specimen = bench->nominal;
    state->insulation = INSULATION_OHM;
    state->cooling = COOLING_S;
    state->cooled = 0.5;
    state->build = state->short_time = state->sticking = 1;
}

/* m, of the design's winding on that limb. */
static double winding_height(const struct reading_bench *bench, int limb)
{
    double over = bench->expected.y[limb ? COIL_OUTSIDE_B : COIL_OUTSIDE_A];

    return isnan(over) ? 0
                       : fmax(0, 0.5 * (over - bench->nominal.limb_width) - bench->nominal.wrap);
}

static void apply_nuisance(const struct nuisance_list *list, const struct reading_bench *bench,
                           const struct nuisance *n, double z, struct reading_state *state)
{
    struct coil_specimen *p = &state->specimen;
    double x = n->mean + n->u * z;
    int limb = n->index;

    switch (n->kind) {
    case NUISANCE_INPUT:
        apply_input(&list->input[n->index], z, p);
        break;
    case NUISANCE_TURNS:
        p->turns[limb] = fmax(1, p->turns[limb] * (1 + x));
        break;
    case NUISANCE_MEAN_TURN:
        p->mean_turn_offset[0] += x * bench->expected.y[COIL_MEAN_TURN_A];
        if (bench->limbs > 1)
            p->mean_turn_offset[1] += x * bench->expected.y[COIL_MEAN_TURN_B];
        break;
    case NUISANCE_LIMB_TURN:
        p->mean_turn_offset[limb] +=
            x * bench->expected.y[limb ? COIL_MEAN_TURN_B : COIL_MEAN_TURN_A];
        break;
    case NUISANCE_RESISTIVITY:
        p->resistivity *= 1 + x;
        break;
    case NUISANCE_LINK:
        state->link = x;
        break;
    case NUISANCE_TEMPERATURE:
        state->temperature += x;
        break;
    case NUISANCE_LEADS:
        state->lead_ohm = fmax(0, x);
        break;
    case NUISANCE_GAIN:
        state->gain[n->index] += x;
        break;
    case NUISANCE_ZERO:
        state->zero[n->index] = x;
        break;
    case NUISANCE_CONTACT:
        p->roughness = fmin(1e-3, exp(x));
        break;
    case NUISANCE_INSULATION:
        state->insulation = exp(x);
        break;
    case NUISANCE_INDUCTANCE:
        state->inductance = x;
        break;
    case NUISANCE_PULL:
        state->pull = x;
        break;
    case NUISANCE_EDDY:
        state->eddy = x;
        break;
    case NUISANCE_BUILD:
        state->build = fmax(0.3, 1 + x);
        /* A turn half way up a winding that is higher by dh is longer by pi dh. */
        for (limb = 0; limb < bench->limbs && list->build_lengthens; limb++)
            p->mean_turn_offset[limb] += M_PI * (state->build - 1) * winding_height(bench, limb);
        break;
    case NUISANCE_STICKING:
        state->sticking = exp(x);
        break;
    case NUISANCE_SERIES:
        state->series = x;
        break;
    case NUISANCE_DRESSING:
        state->dressing = x;
        break;
    }
}

void nuisance_state(const struct nuisance_list *list, const struct reading_bench *bench,
                    const double *z, struct reading_state *state)
{
    state_clear(bench, state);
    for (size_t i = 0; i < list->count; i++)
        apply_nuisance(list, bench, &list->nuisance[i], z[i], state);
}
