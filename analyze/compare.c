#include "analyze/compare.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/infer/reading.h"
#include "analyze/model/prediction.h"

/* The predicted figure that answers an item, or -1, and what the forward model must work out. */
static int answer(const struct evidence_item *item, unsigned *want)
{
    int place = item->place == EVIDENCE_LIMB_A ? 0 : item->place == EVIDENCE_LIMB_B ? 1 : 2;

    *want = COIL_ELECTRIC;
    switch (item->kind) {
    case EVIDENCE_RESISTANCE:
        return place == 2 ? COIL_RESISTANCE_PAIR : COIL_RESISTANCE_A + place;
    case EVIDENCE_VOLT_DROP: /* the ohms, see drop_of() */
        return place == 2 ? -1 : COIL_RESISTANCE_A + place;
    case EVIDENCE_CURRENT:
        return COIL_CURRENT;
    case EVIDENCE_WIRE_MASS:
        return place == 2 ? COIL_WIRE_MASS : -1;
    case EVIDENCE_DIAMETER:
        return place == 2 ? -1 : COIL_OUTSIDE_A + place;
    case EVIDENCE_INDUCTANCE:
        *want = COIL_INDUCTANCE;
        return item->at.keeper ? COIL_INDUCTANCE_ON : COIL_INDUCTANCE_OFF;
    case EVIDENCE_POLARITY:
        *want = COIL_FIELD;
        return place == 2 ? -1 : COIL_POLARITY_A + place;
    case EVIDENCE_LIFT:
    case EVIDENCE_PULL:
        *want = COIL_FIELD;
        return COIL_PULL;
    case EVIDENCE_RESIDUAL_PULL:
        *want = COIL_RESIDUAL;
        return COIL_RESIDUAL_PULL;
    default:
        return -1;
    }
}

/* The air that stays under a shim, or without one. */
static struct amount air_under(const struct design *design)
{
    const struct design_core *core = &design->core;
    bool film = amount_given(core->gap) && core->gap.value <= READING_FILM_MOST &&
                core->gap.value > core->roughness.value;

    return film ? core->gap : core->roughness;
}

double compare_gap(const struct design *design, double shim)
{
    return shim + air_under(design).value;
}

/* Whether an inductance is that of a small signal: of a bridge, or of a meter that was told neither
 * current nor voltage. The inference draws the same line. */
static bool is_small(const struct evidence_item *item)
{
    return item->kind == EVIDENCE_INDUCTANCE &&
           (item->at.frequency > 0.0 || (isnan(item->at.current) && !(item->at.voltage > 0.0)));
}

/* A pull is a pull on the keeper, whether or not that was said. */
static bool is_pull(const struct evidence_item *item)
{
    return item->kind == EVIDENCE_PULL || item->kind == EVIDENCE_RESIDUAL_PULL ||
           item->kind == EVIDENCE_LIFT;
}

/* The design under the item's own conditions. */
static void put_conditions(const struct evidence_item *item, struct design *design,
                           struct coil_conditions *k)
{
    if (isfinite(item->at.temperature)) {
        double u = isfinite(item->at.temperature_u) ? item->at.temperature_u : 1.0;

        design->supply.ambient = amount_of(item->at.temperature, u);
    }
    if (isfinite(item->at.gap)) {
        double shim_u = isfinite(item->at.gap_u) ? item->at.gap_u : 0.0;

        design->core.gap =
            amount_of(compare_gap(design, item->at.gap), hypot(air_under(design).u, shim_u));
    }
    *k = (struct coil_conditions){.drive = item->place == EVIDENCE_LIMB_A   ? COIL_DRIVE_LIMB_A
                                           : item->place == EVIDENCE_LIMB_B ? COIL_DRIVE_LIMB_B
                                                                            : COIL_DRIVE_PAIR,
                                  .voltage = NAN,
                                  .current = NAN,
                                  .keeper = item->at.keeper || is_pull(item)};
    if (item->kind == EVIDENCE_POLARITY)
        k->drive = COIL_DRIVE_PAIR; /* the current flows through both limbs, as it will in use */
    if (item->kind == EVIDENCE_CURRENT)
        k->voltage = item->at.voltage;
    else if (is_small(item))
        k->current = READING_BRIDGE;
    else if (isfinite(item->at.current))
        k->current = item->at.current;
    else if (item->kind == EVIDENCE_INDUCTANCE && item->at.voltage > 0.0) {
        k->voltage = item->at.voltage;
        k->source_resistance = isfinite(item->at.source_ohm) ? item->at.source_ohm : 0.0;
    } else if (amount_given(design->supply.voltage)) {
        k->voltage = design->supply.voltage.value;
        k->source_resistance = design->supply.source_resistance.value;
    } else
        k->current = 0.1; /* a small current shows polarity and inductance */
}

/* A current rise sees all the flux that the current brought, not the small signal at its end: the
 * factor between the two, on the coil as designed. 1 where there is none. */
static double rise_factor(struct coil *coil, const struct coil_conditions *conditions,
                          const struct evidence_item *item)
{
    struct coil_specimen specimen;
    struct coil_observables seen;
    struct status st;
    double small;
    double rise;

    coil_specimen_nominal(coil, &specimen);
    if (coil_forward(coil, &specimen, conditions, COIL_INDUCTANCE, &seen, &st) != STATUS_OK)
        return 1.0;
    small = seen.y[item->at.keeper ? COIL_INDUCTANCE_ON : COIL_INDUCTANCE_OFF];
    rise = item->at.keeper ? seen.linkage_on : seen.linkage_off;
    return small > 0.0 && rise > 0.0 && isfinite(rise / small) ? rise / small : 1.0;
}

/* A limb's share of the supply is known better than its ohms: wire and temperature are the same for
 * both. Relative, common practice, no source. */
#define SHARE_U 0.01

/* Volts across a limb from the ohms of the prediction: by the current, or by the limb's share of
 * the voltage over both. */
static struct amount drop_of(const struct prediction *p, int figure, bool parallel,
                             const struct evidence_item *item)
{
    const struct prediction_figure *own = &p->figure[figure];
    const struct prediction_figure *pair = &p->figure[COIL_RESISTANCE_PAIR];
    double volt;

    if (parallel) /* the whole supply, whatever the limb */
        return item->at.voltage > 0.0 ? amount_of(item->at.voltage, item->at.voltage_u)
                                      : amount_none();
    if (item->at.current > 0.0)
        return amount_of(item->at.current * own->value,
                         hypot(item->at.current * own->u, item->at.current_u * own->value));
    if (!(item->at.voltage > 0.0) || !pair->exists || !(pair->value > 0.0))
        return amount_none();
    volt = item->at.voltage * own->value / pair->value;
    return amount_of(volt, volt * hypot(SHARE_U, item->at.voltage_u / item->at.voltage));
}

enum status_code compare_item(const struct design *design, const struct evidence_item *item,
                              struct compare_prediction *out, struct status *st)
{
    struct prediction *prediction;
    struct coil_conditions conditions;
    struct design copy = *design;
    struct coil *coil = NULL;
    unsigned want;
    int figure = answer(item, &want);
    enum status_code code;

    out->exists = false;
    out->amount = amount_none();
    if (figure < 0)
        return status_ok(st);
    prediction = calloc(1, sizeof *prediction);
    if (!prediction)
        return status_fail(st, STATUS_MEMORY, "no memory");
    put_conditions(item, &copy, &conditions);
    code = coil_new(&copy, &coil, st);
    if (code == STATUS_OK)
        code = prediction_make(coil, &conditions, want, 0, prediction, st);
    if (code == STATUS_OK && prediction->figure[figure].exists &&
        isfinite(prediction->figure[figure].value)) {
        double factor = item->kind == EVIDENCE_INDUCTANCE && !is_small(item)
                            ? rise_factor(coil, &conditions, item)
                            : 1.0;

        out->exists = true;
        out->amount = amount_of(factor * prediction->figure[figure].value,
                                factor * prediction->figure[figure].u);
        if (item->kind == EVIDENCE_VOLT_DROP) {
            out->amount =
                drop_of(prediction, figure, design->winding.connection == DESIGN_PARALLEL, item);
            out->exists = amount_given(out->amount);
        }
    }
    coil_free(coil);
    free(prediction);
    return code;
}

static bool same_amount(struct amount a, struct amount b)
{
    return (!amount_given(a) && !amount_given(b)) ||
           fabs(a.value - b.value) <= 1e-9 * fmax(fabs(a.value), fabs(b.value));
}

static bool same_section(const struct design_section *a, const struct design_section *b)
{
    return a->shape == b->shape && same_amount(a->width, b->width) &&
           same_amount(a->depth, b->depth);
}

static bool same_core(const struct design_core *a, const struct design_core *b)
{
    return a->form == b->form && a->air == b->air && same_section(&a->limb, &b->limb) &&
           same_section(&a->yoke, &b->yoke) && same_section(&a->keeper, &b->keeper) &&
           same_amount(a->limb_length, b->limb_length) && same_amount(a->spacing, b->spacing) &&
           same_amount(a->pole_width, b->pole_width) && same_amount(a->gap, b->gap) &&
           strcmp(a->iron, b->iron) == 0 && strcmp(a->keeper_iron, b->keeper_iron) == 0 &&
           strcmp(a->yoke_iron, b->yoke_iron) == 0;
}

static bool same_wire(const struct wire *a, const struct wire *b)
{
    return a->metal == b->metal && a->covering == b->covering && a->strands == b->strands &&
           fabs(a->diameter - b->diameter) <= 1e-9 * a->diameter;
}

bool compare_same_design(const struct design *a, const struct design *b)
{
    const struct design_winding *v = &a->winding;
    const struct design_winding *w = &b->winding;

    return same_core(&a->core, &b->core) && same_wire(&v->wire, &w->wire) &&
           same_amount(v->turns[0], w->turns[0]) && same_amount(v->turns[1], w->turns[1]) &&
           same_amount(v->wound_length, w->wound_length) && same_amount(v->wrap, w->wrap) &&
           same_amount(v->interlayer, w->interlayer) && v->layers == w->layers &&
           v->ends == w->ends && v->in_hand == w->in_hand && v->sections == w->sections &&
           v->connection == w->connection && v->sense == w->sense;
}

double compare_measured_u(const struct evidence_set *set, const struct evidence_item *item)
{
    double gain = item->instrument >= 0 && (size_t)item->instrument < set->instruments
                      ? set->instrument[item->instrument].gain_u
                      : 0.0;
    double lead = item->kind == EVIDENCE_RESISTANCE && item->wires == 2 ? set->lead_ohm_u : 0.0;

    if (!isfinite(gain))
        gain = 0.0;
    return sqrt(item->u * item->u + gain * gain * item->value * item->value +
                item->zero * item->zero + lead * lead);
}
