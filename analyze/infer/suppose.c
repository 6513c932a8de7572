#include "analyze/infer/suppose.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_eigen.h>
#include <gsl/gsl_matrix.h>
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/infer/likely.h"
#include "analyze/model/input.h"
#include "analyze/model/iron.h"
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
#define SHORT_TIME_U   0.7 /* log: where turns touch there is a resistance too */
/* log: iron sold under one name differs by a quarter in resistivity (a per cent of silicon or
 * manganese adds half), and the currents crowd at corners and joints. */
#define EDDY_U 0.3
/* Hardened iron also conducts worse: from annealed iron to hardened tool steel the coercive force
 * grows some thirty times and the resistivity three times (iron.c). */
#define HARD_EDDY  (1.0 / 3)
#define HARD_LEAST 2.0  /* times the stated iron's coercive force: less nobody calls hard */
#define HARD_USUAL 15.0 /* the most, of an iron whose coercive force is not known */
#define STICKING_U 0.9  /* log */
/* log, of the current that volt drops share: where it was stated, with what current and voltmeter
 * are off; where only the supply is known, with its sag. */
#define SERIES_U       0.006
#define SERIES_SAG_U   0.02
#define SERIES_GUESS_U 0.3
#define UNIT_SHARE     0.15 /* of wrong instruments are right in another unit */
#define INSULATION_OHM 5e9  /* sound insulation, and its log spread */
#define INSULATION_U   2.0
#define COOLING_S      900.0 /* s, time constant of a small coil in still air, and its log spread */
#define COOLING_U      0.6

#define DIRECTION_LEAST 0.12 /* a direction that moves no reading by this much of its noise */

#define LEAST_VARIANT_UNKNOWNS 6

enum nuisance_kind {
    NUISANCE_INPUT,
    NUISANCE_TURNS,
    NUISANCE_MEAN_TURN,
    NUISANCE_LIMB_TURN,
    NUISANCE_RESISTIVITY,
    NUISANCE_LINK,
    NUISANCE_TEMPERATURE,
    NUISANCE_LEADS,
    NUISANCE_GAIN,
    NUISANCE_ZERO,
    NUISANCE_CONTACT,
    NUISANCE_INSULATION,
    NUISANCE_INDUCTANCE,
    NUISANCE_PULL,
    NUISANCE_EDDY,
    NUISANCE_BUILD,
    NUISANCE_STICKING,
    NUISANCE_SERIES,
    NUISANCE_DRESSING
};

struct nuisance {
    enum nuisance_kind kind;
    int index; /* limb, instrument or coil input */
    double mean, u;
};

#define WIRES_MAX 12
struct other_wire {
    double bare, overall; /* factors on the design's */
    double share;
    char label[WIRE_LABEL_SIZE];
};

struct suppose {
    struct reading_bench bench;
    struct evidence_set evidence;
    struct finding_prior prior;
    struct reading_plan plan;
    struct likely likely;
    bool costly[EVIDENCE_MAX];
    bool any_costly;
    double hardest;        /* factor from the stated iron's coercive force to that of tool steel */
    double layer_turns[2]; /* of a layer; NaN when there are no layers to speak of */
    struct input input[INPUT_LIST_MAX];
    struct nuisance nuisance[SUPPOSE_NUISANCES_MAX];
    size_t nuisances;
    struct other_wire wire[WIRES_MAX];
    size_t wires;

    /* Directions searched: unknown j moves nuisance i by turn[i][j]. */
    double turn[SUPPOSE_NUISANCES_MAX][WEIGH_UNKNOWNS_MAX];
    size_t directions;
    bool build_lengthens; /* the mean turn goes with the height; not where it has been learnt */
    /* Their effect on the items, for aiding and for cancelling limbs: rows of items. */
    double slope[2][EVIDENCE_MAX * WEIGH_UNKNOWNS_MAX];

    struct suppose_variant variant; /* of the model in use */
    const struct finding *finding;
};

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

static void state_clear(const struct suppose *s, struct reading_state *state)
{
    memset(state, 0, sizeof *state);
    state->specimen = s->bench.nominal;
    state->insulation = INSULATION_OHM;
    state->cooling = COOLING_S;
    state->cooled = 0.5;
    state->build = state->short_time = state->sticking = 1;
}

/* m, of the design's winding on that limb. */
static double winding_height(const struct suppose *s, int limb)
{
    double over = s->bench.expected.y[limb ? COIL_OUTSIDE_B : COIL_OUTSIDE_A];

    return isnan(over)
               ? 0
               : fmax(0, 0.5 * (over - s->bench.nominal.limb_width) - s->bench.nominal.wrap);
}

static void apply_nuisance(const struct suppose *s, const struct nuisance *n, double z,
                           struct reading_state *state)
{
    struct coil_specimen *p = &state->specimen;
    double x = n->mean + n->u * z;
    int limb = n->index;

    switch (n->kind) {
    case NUISANCE_INPUT:
        apply_input(&s->input[n->index], z, p);
        break;
    case NUISANCE_TURNS:
        p->turns[limb] = fmax(1, p->turns[limb] * (1 + x));
        break;
    case NUISANCE_MEAN_TURN:
        p->mean_turn_offset[0] += x * s->bench.expected.y[COIL_MEAN_TURN_A];
        if (s->bench.limbs > 1)
            p->mean_turn_offset[1] += x * s->bench.expected.y[COIL_MEAN_TURN_B];
        break;
    case NUISANCE_LIMB_TURN:
        p->mean_turn_offset[limb] +=
            x * s->bench.expected.y[limb ? COIL_MEAN_TURN_B : COIL_MEAN_TURN_A];
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
        for (limb = 0; limb < s->bench.limbs && s->build_lengthens; limb++)
            p->mean_turn_offset[limb] += M_PI * (state->build - 1) * winding_height(s, limb);
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

/* ---- from a finding's unknowns to faults ---- */

static double log_uniform(double low, double high, double z)
{
    return exp(log(low) + (log(high) - log(low)) * gsl_cdf_ugaussian_P(z));
}

/* Ohms below which a joint is not bad: a share of the coil's own, for a tenth of an ohm is much to
 * a coil of one ohm. */
static double joint_least(const struct suppose *s)
{
    double whole = s->bench.expected.y[COIL_RESISTANCE_PAIR];
    double least = isfinite(whole) ? s->prior.joint_share * whole : 0;

    return fmin(least > 0 ? least : s->prior.joint_low, 0.5 * s->prior.joint_high);
}

static double turns_factor(const struct suppose *s, int limb, int sign, int layers, double z)
{
    double d;

    if (layers > 0)
        d = layers * s->layer_turns[limb] / s->bench.nominal.turns[limb] * (1 + 0.03 * z);
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

static bool has_kind(const struct suppose *s, enum evidence_kind kind)
{
    for (size_t i = 0; i < s->evidence.count; i++)
        if (s->evidence.item[i].kind == kind)
            return true;
    return false;
}

static unsigned finding_extras(const struct suppose *s, unsigned faults)
{
    unsigned extras = 0;

    if (faults & FINDING_WARM) {
        extras |= has_kind(s, EVIDENCE_DRIFT) ? EXTRA_COOLING : 0;
        extras |= has_kind(s, EVIDENCE_CURRENT) || has_kind(s, EVIDENCE_SAG) ? EXTRA_COOLED : 0;
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

static size_t finding_unknowns(unsigned faults)
{
    const unsigned with = FINDING_TURNS_A | FINDING_TURNS_B | FINDING_TURNS_ALIKE |
                          FINDING_SHORTED_A | FINDING_SHORTED_B | FINDING_BYPASS_A |
                          FINDING_BYPASS_B | FINDING_JOINT_A | FINDING_JOINT_B |
                          FINDING_JOINT_PAIR | FINDING_LEAKAGE | FINDING_WARM | FINDING_HARD |
                          FINDING_SATURATED | FINDING_GAP | FINDING_METER | FINDING_LEADS;

    return count_bits(faults & with);
}

static void apply_faults(const struct suppose *s, const struct suppose_variant *v, unsigned faults,
                         const double *z, struct reading_state *state)
{
    const struct finding_prior *prior = &s->prior;
    struct coil_specimen *p = &state->specimen;
    unsigned extras = z ? finding_extras(s, faults) : 0;

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
        p->turns[1] *= s->bench.limbs > 1 ? turns_factor(s, 1, v->sign_a, v->layers, *z) : 1;
        z++;
    }
    if ((faults & FINDING_GAUGE) && v->wire >= 0) {
        for (int limb = 0; limb < 2; limb++) {
            p->wire_diameter[limb] *= s->wire[v->wire].bare;
            p->wire_overall[limb] *= s->wire[v->wire].overall;
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

/* ---- the model to be weighed ---- */

static bool scalars_of(struct suppose *s, const double *z, bool costly, double *scalar)
{
    struct reading_state state;
    double reading[EVIDENCE_MAX];

    suppose_state(s, &s->variant, z, 0, &state);
    if (!reading_all(&s->bench, &state, &s->evidence, &s->plan, costly, reading))
        return false;
    for (size_t i = 0; i < s->evidence.count; i++)
        if (costly || !s->costly[i])
            scalar[i] = likely_scalar(&s->likely, i, reading[i]);
    return true;
}

static bool scalars(void *context, const double *z, double *scalar)
{
    return scalars_of(context, z, true, scalar);
}

static bool quick(void *context, const double *z, double *scalar)
{
    return scalars_of(context, z, false, scalar);
}

static double sound(void *context, size_t item, double scalar)
{
    return likely_sound(&((struct suppose *)context)->likely, item, scalar);
}

static double mistaken(void *context, size_t item, const double *scalar)
{
    return likely_mistaken(&((struct suppose *)context)->likely, item, scalar[item]);
}

static double mistake(void *context, size_t item)
{
    return likely_mistake(&((struct suppose *)context)->likely, item);
}

static double misfit(void *context, size_t item, double scalar)
{
    return likely_misfit(&((struct suppose *)context)->likely, item, scalar);
}

struct weigh_model suppose_model(struct suppose *s, const struct suppose_variant *variant)
{
    struct weigh_model m;

    s->variant = *variant;
    s->finding = &finding_table(NULL)[variant->finding];
    memset(&m, 0, sizeof m);
    m.bends = finding_unknowns(s->finding->faults);
    m.unknowns = s->directions + count_bits(finding_extras(s, s->finding->faults)) + m.bends;
    m.items = s->evidence.count;
    m.context = s;
    m.scalars = scalars;
    m.sound = sound;
    m.mistaken = mistaken;
    m.mistake = mistake;
    m.item_misfit = misfit;
    if (s->any_costly) {
        m.quick = quick;
        m.costly = s->costly;
    }
    m.slope = s->slope[s->finding->faults & FINDING_CANCEL ? 1 : 0];
    m.slopes = s->directions;
    return m;
}

static uint64_t mix(uint64_t x)
{
    x = (x ^ (x >> 30)) * 0xBF58476D1CE4E5B9u;
    x = (x ^ (x >> 27)) * 0x94D049BB133111EBu;
    return x ^ (x >> 31);
}

void suppose_state(const struct suppose *s, const struct suppose_variant *variant, const double *z,
                   size_t tail, struct reading_state *state)
{
    double full[SUPPOSE_NUISANCES_MAX] = {0};

    if (tail > 0) {
        double along[WEIGH_UNKNOWNS_MAX] = {0};

        for (size_t i = 0; i < s->nuisances; i++) {
            uint64_t bits = mix(tail * 0x9E3779B97F4A7C15u + (i + 1) * 0xD1342543DE82EF95u);

            full[i] = gsl_cdf_ugaussian_Pinv(((double)(bits >> 12) + 0.5) / 4503599627370496.0);
            for (size_t j = 0; j < s->directions; j++)
                along[j] += full[i] * s->turn[i][j];
        }
        for (size_t i = 0; i < s->nuisances; i++)
            for (size_t j = 0; j < s->directions; j++)
                full[i] -= along[j] * s->turn[i][j];
    }
    for (size_t i = 0; i < s->nuisances; i++)
        for (size_t j = 0; j < s->directions; j++)
            full[i] += s->turn[i][j] * z[j];
    state_clear(s, state);
    for (size_t i = 0; i < s->nuisances; i++)
        apply_nuisance(s, &s->nuisance[i], full[i], state);
    if (variant) {
        apply_faults(s, variant, finding_table(NULL)[variant->finding].faults, z + s->directions,
                     state);
    }
}

double suppose_unknown(const struct suppose *s)
{
    return likely_unknown(&s->likely);
}

bool suppose_read(const struct suppose *s, const struct reading_state *state,
                  const struct evidence_item *item, double *reading, double *noise)
{
    *noise = reading_noise(&s->bench, item);
    if (!reading_one(&s->bench, state, item, reading))
        return false;
    if (item->kind == EVIDENCE_SECOND_TIME && *reading <= READING_NONE)
        likely_eddy(reading, noise);
    if (item->kind == EVIDENCE_POLARITY)
        *noise = 0.43; /* +1 and -1 are then told apart but for one reading in a hundred */
    return true;
}

/* ---- preparing ---- */

static void add_nuisance(struct suppose *s, enum nuisance_kind kind, int index, double mean,
                         double u)
{
    if (s->nuisances < SUPPOSE_NUISANCES_MAX && u >= 0) {
        struct nuisance *n = &s->nuisance[s->nuisances++];

        n->kind = kind;
        n->index = index;
        n->mean = mean;
        n->u = u;
    }
}

/* Log uncertainty of the current that volt drops share: of the one that is known worst. */
static double series_u(const struct suppose *s)
{
    double most = 0;

    for (size_t i = 0; i < s->evidence.count; i++) {
        const struct evidence_conditions *at = &s->evidence.item[i].at;
        double u = SERIES_GUESS_U;

        if (s->evidence.item[i].kind != EVIDENCE_VOLT_DROP)
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

static void list_nuisances(struct suppose *s, const struct suppose_learnt *learnt)
{
    const struct design *d = coil_design(s->bench.coil);
    struct coil_conditions k;
    size_t inputs;
    bool lot = learnt && !isnan(learnt->wire_lot);
    double metal = 1; /* share of a learnt lot that is its metal, not its section */

    coil_conditions_nominal(s->bench.coil, &k);
    inputs = input_list(s->bench.coil, &k, s->input);
    for (size_t i = 0; i < inputs; i++) {
        size_t at = s->input[i].specimen_offset;

        /* These have their own lines below. */
        if (at == INPUT_NO_OFFSET || at == IN_SPECIMEN(temperature) ||
            s->input[i].cause == INPUT_CAUSE_TURNS || at == IN_SPECIMEN(mean_turn_offset) ||
            at == IN_SPECIMEN(resistivity) || at == IN_SPECIMEN(roughness) ||
            at == IN_SPECIMEN(lead_resistance) || at == IN_SPECIMEN(model))
            continue;
        /* Limits of a standard as a normal distribution: beyond them is one lot in a hundred. */
        if (s->input[i].shape == UNCERTAIN_UNIFORM &&
            (at == IN_SPECIMEN(wire_diameter) || at == IN_SPECIMEN(wire_overall)))
            s->input[i].u *= sqrt(3) / 2.576;
        /* A lot whose resistance per metre is known leaves little doubt about its section. What is
         * known is shared out between section and metal by what either may vary. */
        if (lot && at == IN_SPECIMEN(wire_diameter)) {
            double section = pow(2 * s->input[i].u / s->input[i].value, 2);

            metal = RESISTIVITY_U * RESISTIVITY_U / (RESISTIVITY_U * RESISTIVITY_U + section);
            s->input[i].value *= 1 - 0.5 * (1 - metal) * learnt->wire_lot;
            s->input[i].u *= 0.3;
        }
        add_nuisance(s, NUISANCE_INPUT, (int)i, 0, 1);
    }
    for (int limb = 0; limb < s->bench.limbs; limb++) {
        struct amount turns = d->winding.turns[limb];

        add_nuisance(s, NUISANCE_TURNS, limb, 0, hypot(TURNS_SLIP, turns.u / turns.value));
        add_nuisance(s, NUISANCE_LIMB_TURN, limb, 0, LIMB_TURN_U);
    }
    if (learnt && !isnan(learnt->mean_turn))
        add_nuisance(s, NUISANCE_MEAN_TURN, 0, learnt->mean_turn, learnt->mean_turn_u);
    else
        add_nuisance(s, NUISANCE_MEAN_TURN, 0, 0, MEAN_TURN_U);
    if (lot)
        add_nuisance(s, NUISANCE_RESISTIVITY, 0, metal * learnt->wire_lot, learnt->wire_lot_u);
    else
        add_nuisance(s, NUISANCE_RESISTIVITY, 0, 0, RESISTIVITY_U);
    add_nuisance(s, NUISANCE_LINK, 0, 0, LINK_U);
    add_nuisance(s, NUISANCE_TEMPERATURE, 0, 0, 1);
    add_nuisance(s, NUISANCE_LEADS, 0, s->evidence.lead_ohm, s->evidence.lead_ohm_u);
    for (size_t i = 0; i < s->evidence.instruments; i++)
        add_nuisance(s, NUISANCE_GAIN, (int)i, s->evidence.instrument[i].bias,
                     s->evidence.instrument[i].gain_u);
    for (size_t i = 0; i < s->evidence.instruments; i++)
        add_nuisance(s, NUISANCE_ZERO, (int)i, 0, 1);
    if (learnt && !isnan(learnt->contact_gap))
        add_nuisance(s, NUISANCE_CONTACT, 0, learnt->contact_gap, learnt->contact_gap_u);
    else
        add_nuisance(s, NUISANCE_CONTACT, 0, log(fmax(s->bench.nominal.roughness, 1e-6)),
                     CONTACT_LOG_U);
    add_nuisance(s, NUISANCE_INSULATION, 0, log(INSULATION_OHM), INSULATION_U);
    add_nuisance(s, NUISANCE_INDUCTANCE, 0, 0, INDUCTANCE_U);
    add_nuisance(s, NUISANCE_PULL, 0, 0, PULL_U);
    add_nuisance(s, NUISANCE_EDDY, 0, 0, EDDY_U);
    s->build_lengthens = !learnt || isnan(learnt->mean_turn);
    if (d->winding.layers == DESIGN_ORTHOCYCLIC && !(s->bench.nominal.interlayer > 0))
        add_nuisance(s, NUISANCE_BUILD, 0, BUILD_NESTED, hypot(BUILD_NESTED_U, BUILD_U));
    else
        add_nuisance(s, NUISANCE_BUILD, 0, 0, hypot(BUILD_NESTED_U, BUILD_U));
    add_nuisance(s, NUISANCE_STICKING, 0, 0, STICKING_U);
    add_nuisance(s, NUISANCE_SERIES, 0, 0, series_u(s));
    add_nuisance(s, NUISANCE_DRESSING, 0, 0, READING_DRESSING_U);
}

/* ---- other wires that the spool might have held ---- */

static void add_wire(struct suppose *s, const struct wire *right, enum wire_system system,
                     int gauge, double diameter, double share)
{
    struct wire other;
    struct status st;
    struct other_wire *o;
    double bare;

    if (s->wires == WIRES_MAX || !(right->diameter > 0) || !(right->overall_nom > 0))
        return;
    if (wire_make(&other, right->metal, system, gauge, diameter, right->strands, right->covering,
                  &st) != STATUS_OK)
        return;
    bare = other.diameter / right->diameter;
    /* Closer than this it is the same wire within its tolerance. */
    if (fabs(bare - 1) < 0.025 || bare < 0.6 || bare > 1.6)
        return;
    for (size_t i = 0; i < s->wires; i++) {
        if (fabs(s->wire[i].bare / bare - 1) < 0.012) {
            s->wire[i].share += share;
            return;
        }
    }
    o = &s->wire[s->wires++];
    o->bare = bare;
    o->overall = other.overall_nom / right->overall_nom;
    o->share = share;
    wire_size_text(system, gauge, other.diameter, o->label, sizeof o->label);
}

static void list_wires(struct suppose *s)
{
    const struct wire *w = &coil_design(s->bench.coil)->winding.wire;
    enum wire_system numbered[2] = {WIRE_SWG, WIRE_AWG};
    double sum = 0;

    if (w->system == WIRE_SWG || w->system == WIRE_AWG) {
        add_wire(s, w, w->system, w->gauge + 1, NAN, 0.3);
        add_wire(s, w, w->system, w->gauge - 1, NAN, 0.3);
        /* The same number of the other list: the commonest confusion of all. */
        add_wire(s, w, w->system == WIRE_SWG ? WIRE_AWG : WIRE_SWG, w->gauge, NAN, 0.2);
        add_wire(s, w, w->system, w->gauge + 2, NAN, 0.1);
        add_wire(s, w, w->system, w->gauge - 2, NAN, 0.1);
    } else {
        int n = wire_size_count(WIRE_METRIC), best = -1, gauge;
        double diameter, nearest = INFINITY;
        struct status st;

        for (int i = 0; i < n; i++) {
            if (wire_size(WIRE_METRIC, i, &gauge, &diameter, &st) != STATUS_OK)
                continue;
            if (fabs(log(diameter / w->diameter)) < nearest) {
                nearest = fabs(log(diameter / w->diameter));
                best = i;
            }
        }
        /* Shops stock every second size of the fine series. */
        for (int step = -4; best >= 0 && step <= 4; step++) {
            static const double share[5] = {0, 0.1, 0.3, 0.02, 0.06};

            if (step != 0 && best + step >= 0 && best + step < n &&
                wire_size(WIRE_METRIC, best + step, &gauge, &diameter, &st) == STATUS_OK)
                add_wire(s, w, WIRE_METRIC, gauge, diameter, share[abs(step)]);
        }
        for (int k = 0; k < 2; k++) {
            n = wire_size_count(numbered[k]);
            for (int i = 0; i < n; i++) {
                if (wire_size(numbered[k], i, &gauge, &diameter, &st) == STATUS_OK &&
                    fabs(diameter / w->diameter - 1) < 0.16)
                    add_wire(s, w, numbered[k], gauge, NAN, 0.05);
            }
        }
    }
    for (size_t i = 0; i < s->wires; i++)
        sum += s->wire[i].share;
    for (size_t i = 0; i < s->wires; i++)
        s->wire[i].share /= sum;
}

const char *suppose_wire(const struct suppose *s, int wire)
{
    return wire >= 0 && (size_t)wire < s->wires ? s->wire[wire].label : "";
}

/* ---- variants ---- */

static void add_variant(struct suppose_variant *list, size_t *n,
                        const struct suppose_variant *pattern, double share)
{
    if (*n < SUPPOSE_VARIANTS_MAX && share > 0) {
        list[*n] = *pattern;
        list[*n].log_share += log(share);
        (*n)++;
    }
}

/* Multiplies the list by the ways turns can be wrong. */
static size_t turns_variants(const struct suppose *s, unsigned faults, struct suppose_variant *list,
                             size_t n)
{
    struct suppose_variant before[SUPPOSE_VARIANTS_MAX];
    double is_short = s->prior.turns_short, layers = s->prior.layer_share;
    size_t count = n;
    bool each = (faults & FINDING_TURNS_A) && (faults & FINDING_TURNS_B);
    bool simple = (faults & FINDING_GAUGE) || each;
    int limb = (faults & FINDING_TURNS_B) && !each ? 1 : 0;

    if (!(faults & (FINDING_TURNS_A | FINDING_TURNS_B | FINDING_TURNS_ALIKE)))
        return n;
    if (simple || isnan(s->layer_turns[limb]))
        layers = 0;
    memcpy(before, list, n * sizeof *list);
    n = 0;
    for (size_t i = 0; i < count; i++) {
        struct suppose_variant v = before[i];

        for (int a = -1; a <= 1; a += 2) {
            double share = a < 0 ? is_short : 1 - is_short;

            v.sign_a = a;
            v.layers = 0;
            v.sign_b = 0;
            if (each) {
                /* A winder who miscounts short does so again: alike two times in three. */
                v.sign_b = a;
                add_variant(list, &n, &v, share * 0.65);
                v.sign_b = -a;
                add_variant(list, &n, &v, share * 0.35);
                continue;
            }
            add_variant(list, &n, &v, share * (1 - layers));
            v.layers = 1;
            add_variant(list, &n, &v, share * layers * 0.8);
            v.layers = 2;
            add_variant(list, &n, &v, a < 0 ? share * layers * 0.2 : 0);
        }
    }
    return n;
}

/* Resistances have been taken, and no lead is in any of them. */
static bool all_four_wire(const struct suppose *s)
{
    bool any = false;

    for (size_t i = 0; i < s->evidence.count; i++) {
        if (s->evidence.item[i].kind != EVIDENCE_RESISTANCE)
            continue;
        if (s->evidence.item[i].wires != 4)
            return false;
        any = true;
    }
    return any;
}

size_t suppose_variants(const struct suppose *s, size_t finding,
                        struct suppose_variant variant[SUPPOSE_VARIANTS_MAX])
{
    size_t rows, n = 0;
    const struct finding *f = &finding_table(&rows)[finding];
    struct suppose_variant v;

    if (finding >= rows || (f->two_limbs && s->bench.limbs < 2))
        return 0;
    if ((f->faults & FINDING_LEADS) && all_four_wire(s))
        return 0;
    memset(&v, 0, sizeof v);
    v.finding = finding;
    v.wire = v.instrument = -1;
    if (f->faults & FINDING_GAUGE) {
        for (size_t i = 0; i < s->wires; i++) {
            v.wire = (int)i;
            add_variant(variant, &n, &v, s->wire[i].share);
        }
    } else if (f->faults & FINDING_METER) {
        for (size_t i = 0; i < s->evidence.instruments; i++) {
            double share = 1 / (double)s->evidence.instruments;

            v.instrument = (int)i;
            for (v.sign_a = -1; v.sign_a <= 1; v.sign_a += 2)
                add_variant(variant, &n, &v, 0.5 * (1 - UNIT_SHARE) * share);
            /* Kilohms noted as ohms, or the other way. */
            v.sign_a = 1;
            for (v.decades = -3; v.decades <= 3; v.decades += 6)
                add_variant(variant, &n, &v, 0.5 * UNIT_SHARE * share);
            v.decades = 0;
        }
    } else if (f->faults & FINDING_WARM) {
        v.heat = 1;
        add_variant(variant, &n, &v, 0.85);
        v.heat = -1;
        add_variant(variant, &n, &v, 0.15);
    } else {
        add_variant(variant, &n, &v, 1);
    }
    if ((f->faults & FINDING_GAUGE) && (f->faults & FINDING_WARM)) {
        for (size_t i = 0; i < n; i++)
            variant[i].heat = 1;
    }
    return turns_variants(s, f->faults, variant, n);
}

/* ---- directions ---- */

/* Effect of one standard deviation of each nuisance on each item, in units of its noise. */
static bool effects(struct suppose *s, unsigned faults, double (*effect)[SUPPOSE_NUISANCES_MAX],
                    double *middle)
{
    struct suppose_variant v = {.wire = -1, .instrument = -1};
    struct reading_state state;
    double reading[EVIDENCE_MAX];

    for (size_t n = 0; n <= s->nuisances; n++) {
        state_clear(s, &state);
        for (size_t i = 0; i < s->nuisances; i++)
            apply_nuisance(s, &s->nuisance[i], i + 1 == n ? 0.5 : 0, &state);
        apply_faults(s, &v, faults, NULL, &state);
        if (!reading_all(&s->bench, &state, &s->evidence, &s->plan, true, reading)) {
            if (n == 0)
                return false;
            memcpy(reading, middle, sizeof reading);
        }
        for (size_t i = 0; i < s->evidence.count; i++) {
            if (n == 0)
                middle[i] = reading[i];
            else
                effect[i][n - 1] = (reading[i] - middle[i]) / 0.5 / s->likely.noise[i];
        }
    }
    return true;
}

/* Finds the directions: eigenvectors of E E', E the effects under aiding and under cancelling. */
static enum status_code find_directions(struct suppose *s, struct status *st)
{
    size_t items = s->evidence.count, rows = items * (s->bench.limbs > 1 ? 2 : 1);
    double(*effect)[SUPPOSE_NUISANCES_MAX];
    double unused[EVIDENCE_MAX], dropped[EVIDENCE_MAX] = {0};
    gsl_matrix *square = NULL, *vectors = NULL;
    gsl_vector *values = NULL;
    gsl_eigen_symmv_workspace *work = NULL;
    enum status_code code = STATUS_OK;
    size_t most = WEIGH_UNKNOWNS_MAX - LEAST_VARIANT_UNKNOWNS;

    if (items == 0)
        return status_ok(st);
    effect = calloc(rows, sizeof *effect);
    square = gsl_matrix_calloc(rows, rows);
    vectors = gsl_matrix_calloc(rows, rows);
    values = gsl_vector_calloc(rows);
    work = gsl_eigen_symmv_alloc(rows);
    if (!effect || !square || !vectors || !values || !work) {
        code = status_fail(st, STATUS_MEMORY, "no memory for the evidence");
        goto out;
    }
    if (!effects(s, 0, effect, s->likely.middle) ||
        (s->bench.limbs > 1 && !effects(s, FINDING_CANCEL, effect + items, unused))) {
        code = status_fail(st, STATUS_NUMERIC,
                           "the coil as designed cannot be worked out under the conditions of the "
                           "evidence");
        goto out;
    }
    for (size_t i = 0; i < rows; i++) {
        for (size_t j = 0; j < rows; j++) {
            double sum = 0;

            for (size_t n = 0; n < s->nuisances; n++)
                sum += effect[i][n] * effect[j][n];
            gsl_matrix_set(square, i, j, sum);
        }
    }
    if (gsl_eigen_symmv(square, values, vectors, work) != 0) {
        code = status_fail(st, STATUS_NUMERIC, "the effects of the evidence did not settle");
        goto out;
    }
    gsl_eigen_symmv_sort(values, vectors, GSL_EIGEN_SORT_VAL_DESC);
    for (size_t j = 0; j < rows; j++) {
        double size = sqrt(fmax(0, gsl_vector_get(values, j)));

        if (size < 1e-6)
            break;
        if (size >= DIRECTION_LEAST && s->directions < most) {
            for (size_t n = 0; n < s->nuisances; n++) {
                double sum = 0;

                for (size_t i = 0; i < rows; i++)
                    sum += effect[i][n] * gsl_matrix_get(vectors, i, j);
                s->turn[n][s->directions] = sum / size;
            }
            s->directions++;
        } else {
            for (size_t i = 0; i < items; i++) {
                double part = size * gsl_matrix_get(vectors, i, j);

                dropped[i] += part * part;
            }
        }
    }
    for (size_t i = 0; i < items; i++)
        s->likely.noise[i] *= sqrt(1 + dropped[i]);
    for (size_t r = 0; r < rows; r++) {
        size_t i = r % items;

        for (size_t j = 0; j < s->directions; j++) {
            double sum = 0;

            for (size_t n = 0; n < s->nuisances; n++)
                sum += effect[r][n] * s->turn[n][j];
            s->slope[r / items][i * s->directions + j] = sum / sqrt(1 + dropped[i]);
        }
    }
out:
    free(effect);
    gsl_matrix_free(square);
    gsl_matrix_free(vectors);
    gsl_vector_free(values);
    if (work)
        gsl_eigen_symmv_free(work);
    return code;
}

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

static enum status_code check_places(const struct suppose *s, struct status *st)
{
    for (size_t i = 0; i < s->evidence.count; i++) {
        const struct evidence_item *e = &s->evidence.item[i];

        if (e->place == EVIDENCE_LIMB_B && s->bench.limbs < 2)
            return status_fail(st, STATUS_INPUT,
                               "%s was measured, but the design has only one limb", e->source);
        if (e->instrument >= (int)s->evidence.instruments)
            return status_fail(st, STATUS_INPUT, "%s: instrument %d is not in the list", e->source,
                               e->instrument);
        if (!(e->u > 0))
            return status_fail(st, STATUS_INPUT, "%s: uncertainty %g cannot be; expected above 0",
                               e->source, e->u);
    }
    return status_ok(st);
}

enum status_code suppose_new(const struct design *design, const struct evidence_set *evidence,
                             const struct suppose_learnt *learnt, const struct finding_prior *prior,
                             struct suppose **out, struct status *st)
{
    struct suppose *s = calloc(1, sizeof *s);
    struct coil_conditions k;
    enum status_code code;

    *out = NULL;
    if (!s)
        return status_fail(st, STATUS_MEMORY, "no memory for a verdict");
    s->evidence = *evidence;
    s->prior = *prior;
    code = coil_new(design, &s->bench.coil, st);
    if (code != STATUS_OK)
        goto fail;
    s->bench.limbs = design_limbs(coil_design(s->bench.coil));
    s->bench.ambient = coil_design(s->bench.coil)->supply.ambient.value;
    code = check_places(s, st);
    if (code != STATUS_OK)
        goto fail;
    coil_specimen_nominal(s->bench.coil, &s->bench.nominal);
    coil_conditions_nominal(s->bench.coil, &k);
    k.voltage = NAN;
    k.current = 0;
    code =
        coil_forward(s->bench.coil, &s->bench.nominal, &k, COIL_ELECTRIC, &s->bench.expected, st);
    if (code != STATUS_OK)
        goto fail;
    for (int limb = 0; limb < 2; limb++) {
        double layers = s->bench.expected.y[limb ? COIL_LAYERS_B : COIL_LAYERS_A];

        s->layer_turns[limb] = NAN;
        if (limb < s->bench.limbs &&
            coil_design(s->bench.coil)->winding.layers != DESIGN_SCRAMBLE && layers >= 3)
            s->layer_turns[limb] = s->bench.nominal.turns[limb] / layers;
    }
    s->hardest = hardest_iron(coil_design(s->bench.coil));
    s->likely.set = &s->evidence;
    s->likely.mistake = prior->mistake;
    for (size_t i = 0; i < s->evidence.count; i++) {
        s->likely.noise[i] = reading_noise(&s->bench, &s->evidence.item[i]);
        s->costly[i] = reading_costly(s->evidence.item[i].kind);
        s->any_costly = s->any_costly || s->costly[i];
    }
    reading_plan_make(&s->bench, &s->evidence, &s->plan);
    list_nuisances(s, learnt);
    list_wires(s);
    code = find_directions(s, st);
    if (code != STATUS_OK)
        goto fail;
    *out = s;
    return status_ok(st);
fail:
    suppose_free(s);
    return code;
}

void suppose_free(struct suppose *s)
{
    if (s) {
        coil_free(s->bench.coil);
        free(s);
    }
}

struct coil *suppose_coil(struct suppose *s)
{
    return s->bench.coil;
}

const struct design *suppose_design(const struct suppose *s)
{
    return coil_design(s->bench.coil);
}

const struct coil_specimen *suppose_nominal(const struct suppose *s)
{
    return &s->bench.nominal;
}

const struct coil_observables *suppose_expected(const struct suppose *s)
{
    return &s->bench.expected;
}

double suppose_temperature(const struct suppose *s, const struct reading_state *state)
{
    struct evidence_item room = {.at = {.temperature = NAN}};

    for (size_t i = 0; i < s->evidence.count; i++)
        if (!isnan(s->evidence.item[i].at.temperature))
            return reading_temperature(&s->bench, state, &s->evidence.item[i]);
    return reading_temperature(&s->bench, state, &room);
}
