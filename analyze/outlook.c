#include "analyze/outlook.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* What a design leaves unsaid of its insulation is taken as the lowest of its kind in use: enamel
 * as class A (IEC 60317-1, polyvinyl acetal, class 105, from memory), a wrap or interlayer as paper
 * that is not impregnated, class Y (IEC 60085, read second-hand). PVC tape stands less. */
#define ENAMEL_UNSAID                                                                              \
    "assumed, for the design does not say which enamel: class A is the lowest of the enamels of "  \
    "IEC 60317; most stand more. [limits] temperature max says what yours stands"
#define PAPER_UNSAID                                                                               \
    "assumed, for the design does not say what it is of: paper and cotton that are not "           \
    "impregnated are class Y of IEC 60085; polyester tape stands more, PVC tape only 80 °C. "     \
    "[limits] temperature max says what yours stands"

struct insulation {
    const char *words;
    const char *class;   /* of thermal_material() */
    const char *assumed; /* why that class; NULL: the design says so */
};

/* The insulation that gives way first. */
static const struct insulation *weakest_of(const struct design *d)
{
    static const struct insulation layers = {"the interlayer, taken as paper (class Y)", "class-y",
                                             PAPER_UNSAID};
    static const struct insulation wrap = {"the wrap, taken as paper (class Y)", "class-y",
                                           PAPER_UNSAID};
    static const struct insulation thread = {"cotton or silk, not impregnated (class Y)", "class-y",
                                             NULL};
    static const struct insulation enamel = {"the enamel, taken as class A", "class-a",
                                             ENAMEL_UNSAID};
    static const struct insulation none = {"the insulation, taken as class A", "class-a",
                                           "assumed, for the design names none"};

    if (d->winding.wire.covering >= WIRE_COTTON_SINGLE)
        return &thread;
    if (d->winding.interlayer.value > 0.0)
        return &layers;
    if (d->winding.wrap.value > 0.0)
        return &wrap;
    return d->winding.wire.covering == WIRE_BARE ? &none : &enamel;
}

static struct thermal_coil coil_of(const struct design *d, const struct prediction *p)
{
    double core = d->core.limb.shape == DESIGN_ROUND
                      ? d->core.limb.width.value
                      : 0.5 * (d->core.limb.width.value + d->core.limb.depth.value);
    double outside = p->figure[COIL_OUTSIDE_A].value;
    struct thermal_coil coil = {
        .metal = d->winding.wire.metal == WIRE_COPPER ? THERMAL_COPPER : THERMAL_ALUMINIUM,
        .ohm = p->figure[COIL_RESISTANCE_PAIR].value,
        .ohm_at_c = d->supply.ambient.value,
        .conductor_kg = p->figure[COIL_METAL_MASS].value,
        .surface_m2 = M_PI * outside * d->winding.wound_length.value * design_limbs(d),
        .height_m = NAN,
        .emissivity = NAN,
        .depth_m = 0.5 * outside - 0.5 * core - d->winding.wrap.value};

    if (coil.depth_m <= 0.0)
        coil.depth_m = NAN;
    return coil;
}

static struct thermal_interval pulse_interval(double value, double other, double u)
{
    return (struct thermal_interval){.low = fmax(0.0, fmin(value, other) - 2.0 * u),
                                     .value = value,
                                     .high = fmax(value, other) + 2.0 * u};
}

/* To first order, the causes taken as independent (JCGM 100, 5.1.2): resistance, electromotive
 * force, source resistance, inductance and length each by one standard uncertainty. */
static void pulse_make(const struct design *design, const struct prediction *prediction,
                       const struct drive_circuit *circuit, const struct drive_pulse *pulse,
                       struct outlook_pulse *out)
{
    const struct design_supply *supply = &design->supply;
    const struct prediction_figure *figure = prediction->figure;
    double off_h = figure[COIL_INDUCTANCE_OFF].value;
    struct drive_circuit away = *circuit;
    struct drive_result base;
    struct drive_result other;
    double end = 0.0;
    double charge = 0.0;

    drive_quick(circuit, pulse, &base);
    for (int cause = 0; cause < 5; ++cause) {
        struct drive_circuit moved = *circuit;
        struct drive_pulse longer = *pulse;
        double *input[] = {&moved.coil_ohm, &moved.emf_v, &moved.source_ohm, &moved.coil_h,
                           &longer.length_s};
        double u[] = {figure[COIL_RESISTANCE_PAIR].u, supply->voltage.u,
                      supply->source_resistance.u, figure[COIL_INDUCTANCE_ON].u, supply->pulse.u};

        if (!(u[cause] > 0.0))
            continue;
        *input[cause] += u[cause];
        drive_quick(&moved, &longer, &other);
        end = hypot(end, other.end_a - base.end_a);
        charge = hypot(charge, other.charge_c - base.charge_c);
    }
    if (off_h > 0.0)
        away.coil_h = off_h;
    drive_quick(&away, pulse, &other);
    out->end_a = pulse_interval(base.end_a, other.end_a, end);
    out->charge_c = pulse_interval(base.charge_c, other.charge_c, charge);
    out->mean_a = pulse_interval(base.mean_a, other.mean_a, charge / pulse->period_s);
}

enum status_code outlook_make(const struct design *design, const struct prediction *prediction,
                              struct outlook *out, struct status *st)
{
    const struct design_supply *supply = &design->supply;
    const struct prediction_figure *figure = prediction->figure;
    const struct insulation *insulation = weakest_of(design);
    struct thermal_material weakest = {"limit", "the design's own limit", 0.0, "stated"};
    struct thermal_supply drive = {.ampere = NAN, .source_ohm = supply->source_resistance.value};
    struct thermal_coil coil;
    struct thermal_switch_off off;
    struct drive_circuit circuit;
    struct drive_pulse pulse;
    char unused[OUTLOOK_TEXT_SIZE];

    memset(out, 0, sizeof *out);
    out->limit_c = NAN;
    if (!amount_given(supply->voltage) || supply->voltage.value <= 0.0 ||
        !isfinite(figure[COIL_RESISTANCE_PAIR].value))
        return status_ok(st);
    out->powered = true;
    out->pulsed = amount_given(supply->pulse) && amount_given(supply->period);
    out->duty = out->pulsed ? fmin(1.0, supply->pulse.value / supply->period.value) : 1.0;
    coil = coil_of(design, prediction);
    drive.volt = supply->voltage.value;
    drive.duty = out->duty;
    if (amount_given(design->limits.temperature_max))
        weakest.limit_c = design->limits.temperature_max.value;
    else {
        weakest.words = insulation->words;
        weakest.limit_c = thermal_material(insulation->class)->limit_c;
        out->assumed = insulation->assumed;
    }
    out->limit_c = weakest.limit_c;
    out->weakest = weakest.words;
    if (thermal_steady(&coil, &drive, supply->ambient.value, &out->heat, st) != STATUS_OK ||
        thermal_verdict(&coil, &drive, supply->ambient.value, &weakest, &out->danger,
                        out->danger_text, sizeof out->danger_text, st) != STATUS_OK)
        return st->code;
    drive.duty = 1.0;
    if (thermal_verdict(&coil, &drive, supply->ambient.value, &weakest, &out->stuck_danger, unused,
                        sizeof unused, st) != STATUS_OK ||
        thermal_time_to(&coil, &drive, supply->ambient.value, supply->ambient.value,
                        weakest.limit_c, &out->stuck_s, st) != STATUS_OK)
        return st->code;

    off = (struct thermal_switch_off){.henry = figure[COIL_INDUCTANCE_ON].value,
                                      .ampere = figure[COIL_CURRENT].value,
                                      .ohm = figure[COIL_RESISTANCE_PAIR].value,
                                      .supply_v = supply->voltage.value,
                                      .stray_f = NAN,
                                      .diode_v = NAN,
                                      .release_a = NAN};
    if (!isfinite(off.henry))
        off.henry = figure[COIL_INDUCTANCE_OFF].value;
    if (thermal_spike(&off, &out->spike, st) != STATUS_OK)
        return st->code;
    circuit = (struct drive_circuit){.emf_v = supply->voltage.value,
                                     .source_ohm = supply->source_resistance.value,
                                     .coil_ohm = off.ohm,
                                     .coil_h = off.henry};
    pulse.length_s = out->pulsed ? supply->pulse.value : 1.0;
    pulse.period_s = out->pulsed ? supply->period.value : 1.0;
    if (drive_check(&circuit, &pulse, st) != STATUS_OK)
        return st->code;
    if (out->pulsed)
        pulse_make(design, prediction, &circuit, &pulse, &out->pulse);
    out->cells = cell_battery_of(cell_kind(supply->battery), supply->cells_series);
    if (supply->battery[0] && out->cells.kind && isfinite(out->cells.kind->capacity_ah.value)) {
        struct drive_duty duty = {.pulse = pulse,
                                  .u_length_s = supply->pulse.u,
                                  .needed_a = NAN,
                                  .temperature = supply->ambient.value};
        struct drive_circuit outside = circuit;

        out->cells.parallel = supply->cells_parallel;
        outside.source_ohm = 0.0;
        if (drive_life(&out->cells, &outside, &duty,
                       fmin(0.5, figure[COIL_RESISTANCE_PAIR].u / off.ohm), &out->life,
                       st) != STATUS_OK)
            return st->code;
        out->battery = true;
    }
    return status_ok(st);
}
