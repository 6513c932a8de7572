#include "analyze/outlook.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Enamel without a stated class is taken as the lowest in use; common practice, no source. */
static const struct thermal_material *weakest_of(const struct design *d)
{
    const struct thermal_material *list[2];

    switch (d->winding.wire.covering) {
    case WIRE_ENAMEL_1:
    case WIRE_ENAMEL_2:
    case WIRE_ENAMEL_3:
        list[0] = thermal_material("class-a");
        break;
    case WIRE_BARE:
        list[0] = NULL;
        break;
    default:
        list[0] = thermal_material("class-y");
        break;
    }
    list[1] = d->winding.wrap.value > 0.0 || d->winding.interlayer.value > 0.0
                  ? thermal_material("class-y")
                  : NULL;
    return thermal_weakest(list, 2);
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

enum status_code outlook_make(const struct design *design, const struct prediction *prediction,
                              struct outlook *out, struct status *st)
{
    const struct design_supply *supply = &design->supply;
    const struct prediction_figure *figure = prediction->figure;
    const struct thermal_material *weakest = weakest_of(design);
    struct thermal_material own = {"limit", "the design's own limit", 0.0, "stated"};
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
    if (amount_given(design->limits.temperature_max)) {
        own.limit_c = design->limits.temperature_max.value;
        weakest = &own;
    }
    if (!weakest)
        weakest = thermal_material("class-a");
    out->limit_c = weakest->limit_c;
    out->weakest = weakest == &own ? "the design's own limit" : weakest->words;
    if (thermal_steady(&coil, &drive, supply->ambient.value, &out->heat, st) != STATUS_OK ||
        thermal_verdict(&coil, &drive, supply->ambient.value, weakest, &out->danger,
                        out->danger_text, sizeof out->danger_text, st) != STATUS_OK)
        return st->code;
    drive.duty = 1.0;
    if (thermal_verdict(&coil, &drive, supply->ambient.value, weakest, &out->stuck_danger, unused,
                        sizeof unused, st) != STATUS_OK ||
        thermal_time_to(&coil, &drive, supply->ambient.value, supply->ambient.value,
                        weakest->limit_c, &out->stuck_s, st) != STATUS_OK)
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
    if (drive_linear(&circuit, &pulse, &out->pulse, st) != STATUS_OK)
        return st->code;
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
