#include "analyze/model/coil.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/model/core.h"
#include "analyze/model/winding.h"

/* A, beyond which the magnetic model is not asked. */
#define CURRENT_MOST 1e4

struct coil {
    struct design design; /* completed and checked */
    struct core *core;
    struct winding_form form;
    double ohm_metre; /* nominal resistivity of the wire with its lay, 20 C */
};

static const struct {
    const char *name, *words, *unit;
} quantities[COIL_QUANTITIES] = {
    [COIL_RESISTANCE_A] = {"resistance_a", "resistance, limb a", "ohm"},
    [COIL_RESISTANCE_B] = {"resistance_b", "resistance, limb b", "ohm"},
    [COIL_RESISTANCE_PAIR] = {"resistance_pair", "resistance, whole coil", "ohm"},
    [COIL_RESISTANCE_CORE] = {"resistance_core", "resistance to the core", "ohm"},
    [COIL_CURRENT] = {"current", "current", "A"},
    [COIL_VOLTAGE] = {"voltage", "voltage at the terminals", "V"},
    [COIL_POWER] = {"power", "power in the coil", "W"},
    [COIL_AMPERE_TURNS_A] = {"ampere_turns_a", "ampere-turns, limb a", "A"},
    [COIL_AMPERE_TURNS_B] = {"ampere_turns_b", "ampere-turns, limb b", "A"},
    [COIL_AMPERE_TURNS] = {"ampere_turns", "ampere-turns, whole core", "A"},
    [COIL_WIRE_LENGTH] = {"wire_length", "length of wire", "m"},
    [COIL_WIRE_MASS] = {"wire_mass", "mass of wire", "kg"},
    [COIL_METAL_MASS] = {"metal_mass", "mass of bare metal", "kg"},
    [COIL_MEAN_TURN_A] = {"mean_turn_a", "mean turn, limb a", "m"},
    [COIL_MEAN_TURN_B] = {"mean_turn_b", "mean turn, limb b", "m"},
    [COIL_LAYERS_A] = {"layers_a", "layers, limb a", ""},
    [COIL_LAYERS_B] = {"layers_b", "layers, limb b", ""},
    [COIL_OUTSIDE_A] = {"outside_a", "outside diameter, limb a", "m"},
    [COIL_OUTSIDE_B] = {"outside_b", "outside diameter, limb b", "m"},
    [COIL_POLARITY_A] = {"polarity_a", "polarity, pole a (north +1)", ""},
    [COIL_POLARITY_B] = {"polarity_b", "polarity, pole b (north +1)", ""},
    [COIL_FLUX_A] = {"flux_a", "flux out of pole a", "Wb"},
    [COIL_FLUX_B] = {"flux_b", "flux out of pole b", "Wb"},
    [COIL_B_POLE] = {"b_pole", "flux density, pole face", "T"},
    [COIL_B_LIMB] = {"b_limb", "flux density, limb", "T"},
    [COIL_B_YOKE] = {"b_yoke", "flux density, yoke", "T"},
    [COIL_B_KEEPER] = {"b_keeper", "flux density, keeper", "T"},
    [COIL_PULL] = {"pull", "pull", "N"},
    [COIL_INDUCTANCE_ON] = {"inductance_on", "inductance, keeper on", "H"},
    [COIL_INDUCTANCE_OFF] = {"inductance_off", "inductance, no keeper", "H"},
    [COIL_TAU_ON] = {"tau_on", "time constant, keeper on", "s"},
    [COIL_TAU_OFF] = {"tau_off", "time constant, no keeper", "s"},
    [COIL_TAU_SHORT] = {"tau_short", "time constant of shorted turns", "s"},
    [COIL_RESIDUAL_PULL] = {"residual_pull", "residual pull", "N"},
};

const char *coil_quantity_name(enum coil_quantity q)
{
    return (unsigned)q < COIL_QUANTITIES ? quantities[q].name : "unknown";
}

const char *coil_quantity_words(enum coil_quantity q)
{
    return (unsigned)q < COIL_QUANTITIES ? quantities[q].words : "unknown";
}

const char *coil_quantity_unit(enum coil_quantity q)
{
    return (unsigned)q < COIL_QUANTITIES ? quantities[q].unit : "";
}

/* --- the specimen: what each number is called and what it may be --- */

static const struct field {
    size_t offset;
    const char *what, *unit;
    double low, high;
} fields[] = {
#define FIELD(member, what, unit, low, high)                                                       \
    {                                                                                              \
        offsetof(struct coil_specimen, member), what, unit, low, high                              \
    }
    FIELD(turns[0], "the number of turns on limb a", "", 0.0, 1e6),
    FIELD(turns[1], "the number of turns on limb b", "", 0.0, 1e6),
    FIELD(sense[0], "the sense of limb a", "", -1.0, 1.0),
    FIELD(sense[1], "the sense of limb b", "", -1.0, 1.0),
    FIELD(wire_diameter[0], "the wire diameter of limb a", "m", WIRE_DIAMETER_MIN,
          WIRE_DIAMETER_MAX),
    FIELD(wire_diameter[1], "the wire diameter of limb b", "m", WIRE_DIAMETER_MIN,
          WIRE_DIAMETER_MAX),
    FIELD(wire_overall[0], "the overall wire diameter of limb a", "m", WIRE_DIAMETER_MIN, 0.06),
    FIELD(wire_overall[1], "the overall wire diameter of limb b", "m", WIRE_DIAMETER_MIN, 0.06),
    FIELD(resistivity, "the factor on resistivity", "", 0.5, 2.0),
    FIELD(fill, "the fill", "", 0.03, 1.1),
    FIELD(wound_length, "the wound length", "m", 0.2e-3, 1.2),
    FIELD(wrap, "the wrap on the core", "m", 0.0, 0.06),
    FIELD(interlayer, "the wrap between layers", "m", 0.0, 0.02),
    FIELD(taper, "the taper", "turns a layer", 0.0, 200.0),
    FIELD(mean_turn_offset[0], "the offset of the mean turn of limb a", "m", -1.0, 1.0),
    FIELD(mean_turn_offset[1], "the offset of the mean turn of limb b", "m", -1.0, 1.0),
    FIELD(lead_length, "the length of the leads", "m", 0.0, 1000.0),
    FIELD(crossover, "the length of the cross-over", "m", 0.0, 10.0),
    FIELD(temperature, "the winding temperature", "C", -60.0, 300.0),
    FIELD(shorted[0], "the number of shorted turns on limb a", "", 0.0, 1e6),
    FIELD(shorted[1], "the number of shorted turns on limb b", "", 0.0, 1e6),
    FIELD(joint[0], "the joint resistance of limb a", "ohm", 0.0, 1e12),
    FIELD(joint[1], "the joint resistance of limb b", "ohm", 0.0, 1e12),
    FIELD(bypass[0], "the resistance across limb a", "ohm", 0.0, INFINITY),
    FIELD(bypass[1], "the resistance across limb b", "ohm", 0.0, INFINITY),
    FIELD(leakage, "the leakage to the core", "S", 0.0, 1e6),
    FIELD(lead_resistance, "the resistance of the test leads", "ohm", 0.0, 1e6),
    FIELD(limb_width, "the core width", "m", 0.5e-3, 0.5),
    FIELD(limb_depth, "the core depth", "m", 0.5e-3, 0.5),
    FIELD(limb_length, "the limb length", "m", 1e-3, 1.0),
    FIELD(gap, "the gap", "m", 0.0, 0.1),
    FIELD(roughness, "the contact roughness", "m", 0.0, 1e-3),
    FIELD(joint_gap, "the joint gap", "m", 0.0, 5e-3),
    FIELD(pole_width, "the pole width", "m", 0.5e-3, 0.5),
    FIELD(pole_depth, "the pole depth", "m", 0.5e-3, 0.5),
    FIELD(iron_field, "the factor on the field of the core iron", "", 0.05, 100.0),
    FIELD(keeper_iron_field, "the factor on the field of the keeper iron", "", 0.05, 20.0),
    FIELD(remanence, "the factor on coercive force", "", 0.0, 100.0),
    FIELD(model, "the factor of the magnet model", "", 0.05, 20.0),
    /* from here on only where the design has them */
    FIELD(spacing, "the spacing of the limb centres", "m", 1e-3, 1.0),
    FIELD(yoke_width, "the yoke width", "m", 0.2e-3, 0.5),
    FIELD(yoke_depth, "the yoke thickness", "m", 0.2e-3, 0.5),
    FIELD(yoke_length, "the yoke length", "m", 1e-3, 1.5),
    FIELD(keeper_width, "the keeper width", "m", 0.2e-3, 0.5),
    FIELD(keeper_depth, "the keeper thickness", "m", 0.2e-3, 0.5),
    FIELD(keeper_length, "the keeper length", "m", 1e-3, 1.5),
#undef FIELD
};
#define FIELDS        (sizeof fields / sizeof fields[0])
#define FIELDS_ALWAYS (FIELDS - 7)

static double member(const struct coil_specimen *s, size_t offset)
{
    double value;

    memcpy(&value, (const char *)s + offset, sizeof value);
    return value;
}

static enum status_code check_specimen(const struct coil_specimen *s, struct status *st)
{
    for (size_t i = 0; i < FIELDS; i++) {
        const struct field *f = &fields[i];
        double v = member(s, f->offset);

        if (v >= f->low && v <= f->high)
            continue;
        if (i >= FIELDS_ALWAYS && isnan(v))
            continue; /* a part this design does not have */
        return status_fail(st, STATUS_INPUT, "%s is %g%s%s; it must be from %g to %g%s%s", f->what,
                           v, f->unit[0] ? " " : "", f->unit, f->low, f->high,
                           f->unit[0] ? " " : "", f->unit);
    }
    for (int b = 0; b < 2; b++) {
        if (s->shorted[b] > s->turns[b])
            return status_fail(st, STATUS_INPUT,
                               "%g turns are shorted on limb %c; it has %g and no more can be",
                               s->shorted[b], 'a' + b, s->turns[b]);
        if (s->wire_overall[b] < s->wire_diameter[b] * 0.98)
            return status_fail(st, STATUS_INPUT,
                               "the overall wire diameter of limb %c is %g m, less than the bare "
                               "diameter of %g m",
                               'a' + b, s->wire_overall[b], s->wire_diameter[b]);
    }
    return STATUS_OK;
}

bool coil_specimen_range(size_t offset, double *low, double *high)
{
    for (size_t i = 0; i < FIELDS; i++)
        if (fields[i].offset == offset) {
            *low = fields[i].low;
            *high = fields[i].high;
            return true;
        }
    return false;
}

/* --- making --- */

enum status_code coil_new(const struct design *d, struct coil **out, struct status *st)
{
    struct coil *c = calloc(1, sizeof *c);
    struct design *own;
    enum status_code code;

    *out = NULL;
    if (!c)
        return status_fail(st, STATUS_MEMORY, "no memory for a coil");
    own = &c->design;
    *own = *d;
    design_complete(own);
    code = design_check(own, st);
    if (!code)
        code = core_new(own, &c->core, st);
    if (code) {
        coil_free(c);
        return code;
    }
    winding_form_of(own, &c->form);
    c->ohm_metre = wire_resistivity_of(&own->winding.wire) * own->winding.wire.lay_factor;
    *out = c;
    return status_ok(st);
}

void coil_free(struct coil *c)
{
    if (!c)
        return;
    core_free(c->core);
    free(c);
}

const struct design *coil_design(const struct coil *c)
{
    return &c->design;
}

const struct core *coil_core(const struct coil *c)
{
    return c->core;
}

void coil_specimen_nominal(const struct coil *c, struct coil_specimen *s)
{
    const struct design_core *core = &c->design.core;
    const struct design_winding *w = &c->design.winding;

    memset(s, 0, sizeof *s);
    for (int b = 0; b < 2; b++) {
        s->turns[b] = w->turns[b].value;
        s->sense[b] = b == 1 && w->sense == DESIGN_CANCELLING ? -1.0 : 1.0;
        s->wire_diameter[b] = w->wire.diameter;
        s->wire_overall[b] = w->wire.overall_nom;
        s->bypass[b] = INFINITY;
    }
    s->resistivity = 1.0;
    s->fill = w->fill.value;
    s->wound_length = w->wound_length.value;
    s->wrap = w->wrap.value;
    s->interlayer = w->interlayer.value;
    s->taper = w->taper.value;
    s->lead_length = w->lead_length.value;
    s->crossover = w->crossover.value;
    s->temperature = c->design.supply.ambient.value;
    s->limb_width = core->limb.width.value;
    s->limb_depth = core->limb.depth.value;
    s->limb_length = core->limb_length.value;
    s->spacing = core->spacing.value;
    s->yoke_width = core->yoke.width.value;
    s->yoke_depth = core->yoke.depth.value;
    s->yoke_length = core->yoke_length.value;
    s->joint_gap = core->joint_gap.value;
    s->pole_width = core->pole_width.value;
    s->pole_depth = core->pole_depth.value;
    s->keeper_width = core->keeper.width.value;
    s->keeper_depth = core->keeper.depth.value;
    s->keeper_length = core->keeper_length.value;
    /* more than what faces in contact leave by themselves */
    s->gap = fmax(core->gap.value - core->roughness.value, 0.0);
    s->roughness = core->roughness.value;
    s->iron_field = s->keeper_iron_field = s->remanence = s->model = 1.0;
}

void coil_conditions_nominal(const struct coil *c, struct coil_conditions *k)
{
    k->drive = COIL_DRIVE_PAIR;
    k->voltage = c->design.supply.voltage.value;
    k->source_resistance = c->design.supply.source_resistance.value;
    k->current = NAN;
    k->keeper = core_has_keeper(c->core);
}

/* --- the electric half --- */

static double parallel(double a, double b)
{
    if (isinf(a))
        return b;
    if (isinf(b))
        return a;
    return a + b > 0.0 ? a * b / (a + b) : 0.0;
}

/* Share of a current that goes through the turns of a limb and not through what bypasses it. */
static double through(double turns_ohm, double bypass)
{
    if (isinf(turns_ohm))
        return 0.0;
    return isinf(bypass) ? 1.0 : turns_ohm + bypass > 0.0 ? bypass / (turns_ohm + bypass) : 0.0;
}

static enum status_code electric(const struct coil *c, const struct coil_specimen *s,
                                 const struct coil_conditions *k, double *y,
                                 struct core_drive *drive, struct status *st)
{
    const struct wire *wire = &c->design.winding.wire;
    const bool two = c->design.core.form != DESIGN_BAR;
    const double rho =
        c->ohm_metre * s->resistivity * wire_temperature_factor(wire->metal, s->temperature);
    double turns_ohm[2] = {0.0, 0.0}, limb[2] = {0.0, 0.0}, section, leads, cross, pair, total;
    double wire_length = 0.0, mass = 0.0, metal = 0.0;
    struct winding_form form = c->form;
    struct winding_result r;

    form.width = s->limb_width;
    form.depth = form.shape == DESIGN_ROUND ? s->limb_width : s->limb_depth;
    form.wrap = s->wrap;
    form.interlayer = s->interlayer;
    form.fill = s->fill;
    form.length = s->wound_length;
    form.taper = c->design.winding.ends == DESIGN_TAPERED ? s->taper : 0.0;
    memset(drive, 0, sizeof *drive);
    for (int b = 0; b < (two ? 2 : 1); b++) {
        double resistance, live = s->turns[b] - s->shorted[b], per_metre;

        form.overall = s->wire_overall[b];
        form.offset = s->mean_turn_offset[b];
        if (!winding_smooth(&form, s->turns[b], &r))
            return status_fail(st, STATUS_INPUT,
                               "%g turns of wire %g mm over all do not fit on %g mm of limb %c",
                               s->turns[b], form.overall * 1e3, form.length * 1e3, 'a' + b);
        section = wire_section(wire->strands, s->wire_diameter[b]);
        per_metre = rho / section;
        resistance = r.mean_turn * per_metre / r.paths;
        turns_ohm[b] = s->open[b] ? INFINITY : live * resistance + s->joint[b];
        limb[b] = parallel(turns_ohm[b], s->bypass[b]);
        drive->turns[b] = live;
        drive->ring[b] = s->shorted[b] * resistance;
        if (s->shorted[b] > 0.0 && resistance > 0.0)
            drive->closed[b] = s->shorted[b] / resistance;
        if (isfinite(s->bypass[b]) && !isinf(turns_ohm[b]) && turns_ohm[b] + s->bypass[b] > 0.0)
            drive->closed[b] += live * live / (turns_ohm[b] + s->bypass[b]);
        drive->height[b] = r.height;
        wire_length += r.wire;
        mass += r.wire * wire_mass_of(wire, s->wire_diameter[b], s->wire_overall[b]);
        metal += r.wire * wire->lay_factor * wire_density(wire->metal) * section;
        y[COIL_MEAN_TURN_A + b] = r.mean_turn;
        y[COIL_LAYERS_A + b] = r.layers;
        y[COIL_OUTSIDE_A + b] = r.outside_width;
    }
    section = wire_section(wire->strands, s->wire_diameter[0]);
    leads = s->lead_length * rho / section;
    cross = two ? s->crossover * rho / section : 0.0;
    wire_length += s->lead_length + (two ? s->crossover : 0.0);
    mass += (s->lead_length + (two ? s->crossover : 0.0)) *
            wire_mass_of(wire, s->wire_diameter[0], s->wire_overall[0]);
    metal += (s->lead_length + (two ? s->crossover : 0.0)) * wire->lay_factor *
             wire_density(wire->metal) * section;

    /* each limb is measured with the lead on its own outer end */
    if (!two) {
        pair = limb[0] + leads;
        limb[0] = pair;
    } else {
        limb[0] += 0.5 * leads;
        limb[1] += 0.5 * leads;
        pair = c->design.winding.connection == DESIGN_PARALLEL
                   ? parallel(limb[0] + 0.5 * cross, limb[1] + 0.5 * cross)
                   : limb[0] + limb[1] + cross;
    }
    y[COIL_RESISTANCE_A] = limb[0] + s->lead_resistance;
    y[COIL_RESISTANCE_B] = two ? limb[1] + s->lead_resistance : NAN;
    y[COIL_RESISTANCE_PAIR] = pair + s->lead_resistance;
    y[COIL_RESISTANCE_CORE] = s->leakage > 0.0 ? 1.0 / s->leakage : INFINITY;
    y[COIL_WIRE_LENGTH] = wire_length;
    y[COIL_WIRE_MASS] = mass;
    y[COIL_METAL_MASS] = metal;

    /* who carries what */
    drive->share[0] = through(turns_ohm[0], s->bypass[0]);
    drive->share[1] = two ? through(turns_ohm[1], s->bypass[1]) : 0.0;
    total = pair;
    if (k->drive == COIL_DRIVE_LIMB_A || k->drive == COIL_DRIVE_LIMB_B) {
        int driven = k->drive == COIL_DRIVE_LIMB_A || !two ? 0 : 1;

        total = limb[driven];
        drive->share[1 - driven] = 0.0;
    } else if (two && c->design.winding.connection == DESIGN_PARALLEL) {
        double a = limb[0] + 0.5 * cross, b = limb[1] + 0.5 * cross;
        double part = isinf(a) ? 0.0 : isinf(b) ? 1.0 : a + b > 0.0 ? b / (a + b) : 0.5;

        drive->share[0] *= part;
        drive->share[1] *= 1.0 - part;
    }
    drive->resistance = total;
    if (!isnan(k->voltage)) {
        double loop = total + k->source_resistance;

        if (!(loop > 0.0) && k->voltage != 0.0)
            return status_fail(st, STATUS_INPUT,
                               "%g V across no resistance at all; state the source resistance",
                               k->voltage);
        drive->current = isinf(loop) || k->voltage == 0.0 ? 0.0 : k->voltage / loop;
        y[COIL_VOLTAGE] = k->voltage - drive->current * k->source_resistance;
    } else {
        drive->current = isinf(total) && !isnan(k->current) ? 0.0 : k->current;
        y[COIL_VOLTAGE] = isinf(total) ? NAN : drive->current * total;
    }
    if (isnan(drive->current))
        return STATUS_OK;
    y[COIL_CURRENT] = drive->current;
    y[COIL_POWER] = isinf(total) ? 0.0 : drive->current * drive->current * total;
    for (int b = 0; b < (two ? 2 : 1); b++)
        y[COIL_AMPERE_TURNS_A + b] =
            drive->current * drive->share[b] * drive->turns[b] * s->sense[b];
    y[COIL_AMPERE_TURNS] = y[COIL_AMPERE_TURNS_A] + (two ? y[COIL_AMPERE_TURNS_B] : 0.0);
    return STATUS_OK;
}

enum status_code coil_forward(struct coil *c, const struct coil_specimen *s,
                              const struct coil_conditions *k, unsigned want,
                              struct coil_observables *out, struct status *st)
{
    struct core_drive drive;
    enum status_code code;

    for (int q = 0; q < COIL_QUANTITIES; q++)
        out->y[q] = NAN;
    out->linkage_on = out->linkage_off = NAN;
    out->eddy_on = out->eddy_off = out->ring_on = out->ring_off = NAN;
    out->limit = NULL;
    code = check_specimen(s, st);
    if (code)
        return code;
    if (!isnan(k->voltage)) {
        if (amount_check_value(k->voltage, "the supply voltage", "V", -1e4, 1e4, st) ||
            amount_check_value(k->source_resistance, "the source resistance", "ohm", 0.0, 1e9, st))
            return STATUS_INPUT;
    } else if (!isnan(k->current) && amount_check_value(k->current, "the current", "A",
                                                        -CURRENT_MOST, CURRENT_MOST, st)) {
        return STATUS_INPUT;
    }
    code = electric(c, s, k, out->y, &drive, st);
    if (code || !(want & COIL_ALL) || isnan(drive.current))
        return code ? code : status_ok(st);
    if (fabs(drive.current) > CURRENT_MOST)
        return status_fail(st, STATUS_INPUT,
                           "the current is %.6g A, from %g V across %g ohm; it must be from %g to "
                           "%g A",
                           drive.current, k->voltage, drive.resistance + k->source_resistance,
                           -CURRENT_MOST, CURRENT_MOST);
    code = core_figures(c->core, s, k, want, &drive, out, st);
    return code ? code : status_ok(st);
}
