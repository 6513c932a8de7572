#include "analyze/infer/estimate.h"

#include <gsl/gsl_sort.h>
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/infer/posterior.h"
#include "analyze/model/wire.h"

static const struct {
    const char *name, *unit;
    bool two_limbs;
    unsigned only; /* given that the leading finding has one of these faults; 0: always */
} quantities[ESTIMATE_QUANTITIES] = {
    [ESTIMATE_TURNS_A] = {"turns of limb A", "turns", false, 0},
    [ESTIMATE_TURNS_B] = {"turns of limb B", "turns", true, 0},
    [ESTIMATE_RESISTANCE_A] = {"resistance of limb A at 20 C", "ohm", false, 0},
    [ESTIMATE_RESISTANCE_B] = {"resistance of limb B at 20 C", "ohm", true, 0},
    [ESTIMATE_RESISTANCE] = {"resistance at 20 C", "ohm", false, 0},
    [ESTIMATE_WIRE] = {"bare wire diameter", "m", false, 0},
    [ESTIMATE_TEMPERATURE] = {"coil temperature", "degC", false, 0},
    [ESTIMATE_MEAN_TURN] = {"mean turn against geometry", "", false, 0},
    [ESTIMATE_WIRE_LOT] = {"resistance per metre against table", "", false, 0},
    [ESTIMATE_GAP] = {"air at each pole", "m", false, 0},
    [ESTIMATE_JOINT] = {"resistance of the bad joint", "ohm", false,
                        FINDING_JOINT_A | FINDING_JOINT_B | FINDING_JOINT_PAIR},
    [ESTIMATE_SHORTED_A] = {"shorted turns of limb A", "turns", false, FINDING_SHORTED_A},
    [ESTIMATE_SHORTED_B] = {"shorted turns of limb B", "turns", true, FINDING_SHORTED_B},
    [ESTIMATE_LEAKAGE] = {"resistance from winding to core", "ohm", false, FINDING_LEAKAGE},
    [ESTIMATE_HEAT] = {"warmth above the stated temperature", "K", false, FINDING_WARM},
    [ESTIMATE_LEADS] = {"resistance of the test leads", "ohm", false, FINDING_LEADS},
};

/* Median and 95 % interval of n values; widens by the rank that n draws leave open. */
static void interval(double *value, size_t n, struct verdict_estimate *e)
{
    double at[3] = {0.025, 0.5, 0.975}, q[3];

    gsl_sort(value, 1, n);
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

static double at_20(const struct suppose *s, double ohm)
{
    enum wire_metal metal = suppose_design(s)->winding.wire.metal;

    return ohm / wire_temperature_factor(metal, suppose_nominal(s)->temperature);
}

static double quantity_of(const struct suppose *s, const struct verdict_draw *d,
                          enum estimate_quantity q)
{
    const struct coil_specimen *p = &d->state.specimen, *n = suppose_nominal(s);

    switch (q) {
    case ESTIMATE_TURNS_A:
        return p->turns[0];
    case ESTIMATE_TURNS_B:
        return p->turns[1];
    case ESTIMATE_RESISTANCE_A:
        return at_20(s, d->resistance_a);
    case ESTIMATE_RESISTANCE_B:
        return at_20(s, d->resistance_b);
    case ESTIMATE_RESISTANCE:
        return at_20(s, d->resistance);
    case ESTIMATE_WIRE:
        return p->wire_diameter[0];
    case ESTIMATE_TEMPERATURE:
        return suppose_temperature(s, &d->state);
    case ESTIMATE_MEAN_TURN:
        return p->mean_turn_offset[0] / suppose_expected(s)->y[COIL_MEAN_TURN_A];
    case ESTIMATE_WIRE_LOT:
        return p->resistivity * pow(n->wire_diameter[0] / p->wire_diameter[0], 2) - 1;
    case ESTIMATE_GAP:
        return p->gap + p->roughness;
    case ESTIMATE_JOINT:
        return p->joint[0] + p->joint[1] + d->state.joint_pair;
    case ESTIMATE_SHORTED_A:
        return p->shorted[0];
    case ESTIMATE_SHORTED_B:
        return p->shorted[1];
    case ESTIMATE_LEAKAGE:
        return 1 / p->leakage;
    case ESTIMATE_HEAT:
        return d->state.heat;
    case ESTIMATE_LEADS:
        return d->state.lead_ohm;
    case ESTIMATE_QUANTITIES:
        break;
    }
    return NAN;
}

static double expected_of(const struct suppose *s, enum estimate_quantity q)
{
    const struct coil_specimen *n = suppose_nominal(s);
    const double *y = suppose_expected(s)->y;

    switch (q) {
    case ESTIMATE_TURNS_A:
        return n->turns[0];
    case ESTIMATE_TURNS_B:
        return n->turns[1];
    case ESTIMATE_RESISTANCE_A:
        return at_20(s, y[COIL_RESISTANCE_A]);
    case ESTIMATE_RESISTANCE_B:
        return at_20(s, y[COIL_RESISTANCE_B]);
    case ESTIMATE_RESISTANCE:
        return at_20(s, y[COIL_RESISTANCE_PAIR]);
    case ESTIMATE_WIRE:
        return n->wire_diameter[0];
    case ESTIMATE_GAP:
        return n->gap + n->roughness;
    case ESTIMATE_MEAN_TURN:
    case ESTIMATE_WIRE_LOT:
    case ESTIMATE_JOINT:
    case ESTIMATE_SHORTED_A:
    case ESTIMATE_SHORTED_B:
    case ESTIMATE_HEAT:
        return 0;
    default:
        return NAN;
    }
}

/* Interval of a quantity over the draws of one finding (rows' end: over all). */
bool estimate_of(const struct suppose *s, const struct verdict *v, enum estimate_quantity q,
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

void estimate_all(const struct suppose *s, struct verdict *v)
{
    int limbs = design_limbs(suppose_design(s));
    unsigned lead = v->findings ? v->finding[0].finding->faults : 0;
    size_t row = v->findings ? (size_t)(v->finding[0].finding - finding_table(NULL)) : 0;

    for (int q = 0; q < ESTIMATE_QUANTITIES && v->estimates < VERDICT_ESTIMATES_MAX; q++) {
        bool only = quantities[q].only != 0;

        if ((quantities[q].two_limbs && limbs < 2) || (only && !(lead & quantities[q].only)))
            continue;
        if (estimate_of(s, v, (enum estimate_quantity)q, only ? row : SIZE_MAX,
                        &v->estimate[v->estimates])) {
            v->estimate[v->estimates].leading_only = only;
            v->estimates++;
        }
    }
}

size_t estimate_figures(const struct verdict *verdict, size_t rank,
                        struct verdict_estimate figure[VERDICT_FIGURES_MAX])
{
    static const struct {
        enum estimate_quantity quantity;
        unsigned faults;
    } spoken[] = {
        {ESTIMATE_TURNS_A, FINDING_TURNS_A | FINDING_TURNS_ALIKE},
        {ESTIMATE_TURNS_B, FINDING_TURNS_B | FINDING_TURNS_ALIKE},
        {ESTIMATE_WIRE, FINDING_GAUGE},
        {ESTIMATE_SHORTED_A, FINDING_SHORTED_A},
        {ESTIMATE_SHORTED_B, FINDING_SHORTED_B},
        {ESTIMATE_JOINT, FINDING_JOINT_A | FINDING_JOINT_B | FINDING_JOINT_PAIR},
        {ESTIMATE_LEAKAGE, FINDING_LEAKAGE},
        {ESTIMATE_HEAT, FINDING_WARM},
        {ESTIMATE_GAP, FINDING_GAP},
        {ESTIMATE_LEADS, FINDING_LEADS},
    };
    const struct finding *finding;
    size_t n = 0;

    if (rank >= verdict->findings || !verdict->suppose)
        return 0;
    finding = verdict->finding[rank].finding;
    for (size_t i = 0; i < sizeof spoken / sizeof *spoken && n < VERDICT_FIGURES_MAX; i++) {
        const struct suppose *s = verdict->suppose;
        enum estimate_quantity q = spoken[i].quantity;

        if (!(finding->faults & spoken[i].faults) ||
            (quantities[q].two_limbs && design_limbs(suppose_design(s)) < 2) ||
            !estimate_of(s, verdict, q, (size_t)(finding - finding_table(NULL)), &figure[n]))
            continue;
        figure[n++].leading_only = true;
    }
    return n;
}
