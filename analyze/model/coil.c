#include "analyze/model/coil.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/model/iron.h"
#include "analyze/model/magnet.h"
#include "analyze/model/solenoid.h"
#include "analyze/model/surrogate.h"
#include "analyze/model/uncertain.h"
#include "analyze/model/winding.h"

/* A pole face with less flux density than about the earth's field has no polarity to a compass. */
#define POLARITY_LEAST 50e-6

/* The same for the mean flux density of a limb whose pole is open: about a tenth of it is outside.
 */
#define POLARITY_LEAST_OPEN 500e-6

/* A, beyond which the magnetic model is not asked. */
#define CURRENT_MOST 1e4

/* A contact gap thinner than this cannot be told from none, and the network needs some air. */
#define GAP_LEAST 0.2e-6

/* How far the network stands from a field solver over some seventy magnets (tests/published), as
 * limits. Pull: gaps below a quarter of the pole; WIDE: beyond that, or between cancelling limbs.
 * Flux and inductance: the same. With a shoe, whose thickness is not known, SHOE_LIMIT times as
 * much. The pull of the stray field is known STRAY times less well than that of the faces. */
#define PULL_LIMIT       0.10
#define PULL_LIMIT_WIDE  0.25
#define FIELD_LIMIT      0.08
#define FIELD_LIMIT_WIDE 0.13
#define SHOE_LIMIT       1.7
#define STRAY            2.0

/* Worst miss of the surface that stands in for the magnetic circuit in Monte Carlo draws, as a part
 * of the standard uncertainty. What it misses is drawn too, so that 0.3 leaves the uncertainty
 * right to a few per cent (the misses are taken as independent of the inputs, which is all they
 * lack). */
#define SURFACE_ERROR_MOST 0.3

struct coil {
    struct design design; /* completed and checked */
    bool pole_given;      /* the pole face has a size of its own */
    bool keeper_given;
    struct iron *iron; /* NULL: air core */
    struct iron *yoke_iron;
    struct iron *keeper_iron;
    struct magnet_workspace *workspace;
    struct winding_form form;
    double ohm_metre; /* nominal resistivity of the wire with its lay, 20 C */
};

static const struct {
    const char *name, *words, *unit;
} quantities[COIL_QUANTITIES] = {
    [COIL_RESISTANCE_A] = {"resistance_a", "resistance, limb a", "ohm"},
    [COIL_RESISTANCE_B] = {"resistance_b", "resistance, limb b", "ohm"},
    [COIL_RESISTANCE_PAIR] = {"resistance_pair", "resistance, whole coil", "ohm"},
    [COIL_RESISTANCE_CORE] = {"resistance_core", "resistance, winding to core", "ohm"},
    [COIL_CURRENT] = {"current", "current", "A"},
    [COIL_VOLTAGE] = {"voltage", "voltage at the terminals", "V"},
    [COIL_POWER] = {"power", "power in the coil", "W"},
    [COIL_AMPERE_TURNS_A] = {"ampere_turns_a", "ampere-turns, limb a", "A"},
    [COIL_AMPERE_TURNS_B] = {"ampere_turns_b", "ampere-turns, limb b", "A"},
    [COIL_AMPERE_TURNS] = {"ampere_turns", "ampere-turns round the core", "A"},
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
    [COIL_INDUCTANCE_OFF] = {"inductance_off", "inductance, keeper off", "H"},
    [COIL_TAU_ON] = {"tau_on", "time constant, keeper on", "s"},
    [COIL_TAU_OFF] = {"tau_off", "time constant, keeper off", "s"},
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

const char *coil_cause_words(enum coil_cause cause)
{
    static const char *const words[COIL_CAUSES] = {
        [COIL_CAUSE_TURNS] = "turns",
        [COIL_CAUSE_WIRE] = "wire diameter",
        [COIL_CAUSE_COVERING] = "covering",
        [COIL_CAUSE_RESISTIVITY] = "resistivity",
        [COIL_CAUSE_TEMPERATURE] = "temperature",
        [COIL_CAUSE_WINDING] = "winding",
        [COIL_CAUSE_LEADS] = "leads",
        [COIL_CAUSE_SUPPLY] = "supply",
        [COIL_CAUSE_CORE] = "core",
        [COIL_CAUSE_KEEPER] = "keeper",
        [COIL_CAUSE_GAP] = "gap",
        [COIL_CAUSE_IRON] = "iron",
        [COIL_CAUSE_MODEL] = "magnet model",
    };

    return (unsigned)cause < COIL_CAUSES ? words[cause] : "unknown";
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
    FIELD(iron_field, "the factor on the field of the core iron", "", 0.05, 20.0),
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

/* --- making --- */

static enum status_code find_iron(const char *name, const char *part, struct iron **iron,
                                  struct status *st)
{
    enum status_code code = iron_create(name, iron, st);

    if (code)
        status_prefix(st, "%s iron", part);
    return code;
}

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
    c->keeper_given = amount_given(d->core.keeper.width);
    design_complete(own);
    /* a completed design names the pole even where it is the limb's own end */
    c->pole_given = own->core.pole_width.value != own->core.limb.width.value ||
                    (own->core.limb.shape != DESIGN_ROUND &&
                     own->core.pole_depth.value != own->core.limb.depth.value);
    code = design_check(own, st);
    if (!code && !own->core.air)
        code = find_iron(own->core.iron, "core", &c->iron, st);
    if (!code && !own->core.air && own->core.form == DESIGN_U_YOKE)
        code = find_iron(own->core.yoke_iron, "yoke", &c->yoke_iron, st);
    if (!code && !own->core.air && c->keeper_given)
        code = find_iron(own->core.keeper_iron, "keeper", &c->keeper_iron, st);
    if (!code) {
        c->workspace = magnet_workspace_create();
        if (!c->workspace)
            code = status_fail(st, STATUS_MEMORY, "no memory for the magnetic circuit");
    }
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
    iron_free(c->iron);
    iron_free(c->yoke_iron);
    iron_free(c->keeper_iron);
    if (c->workspace)
        magnet_workspace_free(c->workspace);
    free(c);
}

const struct design *coil_design(const struct coil *c)
{
    return &c->design;
}

/* The part of the stated air that is more than faces in contact leave by themselves. */
static struct amount beyond_contact(const struct design_core *core)
{
    return amount_of(fmax(core->gap.value - core->roughness.value, 0.0), core->gap.u);
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
    s->gap = beyond_contact(core).value;
    s->roughness = core->roughness.value;
    s->iron_field = s->keeper_iron_field = s->remanence = s->model = 1.0;
}

void coil_conditions_nominal(const struct coil *c, struct coil_conditions *k)
{
    k->drive = COIL_DRIVE_PAIR;
    k->voltage = c->design.supply.voltage.value;
    k->source_resistance = c->design.supply.source_resistance.value;
    k->current = NAN;
    k->keeper = c->keeper_given;
}

/* --- the electric half --- */

/* What the electric half hands to the magnetic one. */
struct drive {
    double current;    /* A, at the terminals; NaN: no supply stated */
    double share[2];   /* of it, through the turns of each limb */
    double turns[2];   /* that carry it */
    double resistance; /* ohm, of what is driven, without test leads */
    double ring[2];    /* ohm, of the shorted turns */
    double height[2];  /* m, of the windings */
};

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
                                 const struct coil_conditions *k, double *y, struct drive *drive,
                                 struct status *st)
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

/* --- the magnetic half --- */

static double section_area(enum design_shape shape, double width, double depth)
{
    switch (shape) {
    case DESIGN_ROUND:
        return M_PI / 4.0 * width * width;
    case DESIGN_RECTANGULAR:
        return width * depth;
    case DESIGN_STADIUM:
        return (width - depth) * depth + M_PI / 4.0 * depth * depth;
    }
    return NAN;
}

/* The magnetic circuit of a specimen: the one place where a design becomes reluctances. *face is
 * the area of the pole face over that of the limb. */
static void geometry(const struct coil *c, const struct coil_specimen *s, const struct drive *drive,
                     bool keeper, struct magnet *m, double *face)
{
    const struct design_core *core = &c->design.core;
    const bool two = core->form != DESIGN_BAR;
    const double depth = core->limb.shape == DESIGN_ROUND ? s->limb_width : s->limb_depth;
    const double area = section_area(core->limb.shape, s->limb_width, depth);

    memset(m, 0, sizeof *m);
    m->form = two ? MAGNET_U : MAGNET_BAR;
    m->spacing = two ? s->spacing : 0.0;
    *face = 1.0;
    if (c->pole_given)
        *face = section_area(core->limb.shape, s->pole_width, s->pole_depth) / area;
    for (int b = 0; b < (two ? 2 : 1); b++) {
        struct magnet_limb *limb = &m->limb[b];

        limb->section.outline = core->limb.shape == DESIGN_ROUND ? MAGNET_ROUND : MAGNET_RECTANGLE;
        limb->section.width = s->limb_width;
        limb->section.depth = area / s->limb_width; /* a stadium as the rectangle of its area */
        limb->length = s->limb_length;
        limb->turns = drive->turns[b];
        limb->coil_start = fmax(0.5 * (s->limb_length - s->wound_length), 0.0);
        limb->coil_end = fmin(limb->coil_start + s->wound_length, s->limb_length);
        limb->coil_clearance = s->wrap;
        limb->coil_height = fmin(drive->height[b], 0.5);
        limb->iron = c->iron;
        limb->h_scale = s->iron_field;
        m->gap[b] = fmax(s->gap, s->roughness < GAP_LEAST ? GAP_LEAST : 0.0);
        if (c->pole_given) {
            limb->pole.outline = limb->section.outline;
            limb->pole.width = s->pole_width;
            limb->pole.depth =
                core->limb.shape == DESIGN_ROUND
                    ? s->pole_width
                    : section_area(core->limb.shape, s->pole_width, s->pole_depth) / s->pole_width;
        }
    }
    if (core->limb.shape == DESIGN_ROUND)
        for (int b = 0; b < 2; b++)
            m->limb[b].section.depth = s->limb_width;
    m->contact_gap = s->roughness;
    if (two) {
        bool round_yoke = core->yoke.shape == DESIGN_ROUND;
        double flatten = round_yoke ? 0.5 * sqrt(M_PI) : 1.0;

        m->yoke.bent = core->form == DESIGN_U_BENT;
        m->yoke.width = flatten * s->yoke_width;
        m->yoke.thickness = flatten * (round_yoke ? s->yoke_width : s->yoke_depth);
        m->yoke.length = isnan(s->yoke_length) ? 0.0 : s->yoke_length;
        m->yoke.joint_gap = s->joint_gap;
        m->yoke.iron = c->yoke_iron;
        m->yoke.h_scale = s->iron_field;
    }
    if (keeper) {
        bool round_bar = core->keeper.shape == DESIGN_ROUND;
        double flatten = round_bar ? 0.5 * sqrt(M_PI) : 1.0;

        m->keeper.present = true;
        m->keeper.width = flatten * s->keeper_width;
        m->keeper.thickness = flatten * (round_bar ? s->keeper_width : s->keeper_depth);
        m->keeper.length = s->keeper_length;
        m->keeper.iron = c->keeper_iron;
        m->keeper.h_scale = s->keeper_iron_field;
    }
}

static const char *part_word(enum magnet_part part)
{
    switch (part) {
    case MAGNET_LIMB1_FOOT:
    case MAGNET_LIMB1_POLE:
    case MAGNET_LIMB2_FOOT:
    case MAGNET_LIMB2_POLE:
        return "limb";
    case MAGNET_YOKE:
        return "yoke";
    case MAGNET_KEEPER:
        return "keeper";
    default:
        return "pole";
    }
}

static double polarity(double b, double least)
{
    return fabs(b) < least ? 0.0 : b > 0.0 ? 1.0 : -1.0;
}

static bool is_wide(const struct coil *c)
{
    const struct design_core *core = &c->design.core;

    return core->gap.value >= 0.25 * core->pole_width.value ||
           (core->form != DESIGN_BAR && c->design.winding.sense == DESIGN_CANCELLING);
}

/* Half the width of the factor 'model': what it means for the pull of the faces. */
static double pull_limit(const struct coil *c)
{
    return (is_wide(c) ? PULL_LIMIT_WIDE : PULL_LIMIT) * (c->pole_given ? SHOE_LIMIT : 1.0);
}

/* What the same factor means for a flux or an inductance. */
static double field_factor(const struct coil *c, const struct coil_specimen *s)
{
    double share = is_wide(c) ? FIELD_LIMIT_WIDE / PULL_LIMIT_WIDE : FIELD_LIMIT / PULL_LIMIT;

    return fmax(1.0 + (s->model - 1.0) * share, 0.05);
}

/* The pull with the model's own factor on it. The part that the stray field makes, which at wide
 * gaps and between cancelling limbs is nearly as great as that of the faces and against it, is
 * known STRAY times less well. Soft iron is not pushed away. */
static double modelled_pull(const struct magnet_result *r, const struct coil_specimen *s)
{
    double stray = fabs(r->pull - r->pull_near);

    return fmax(r->pull + (s->model - 1.0) * (r->pull_near + STRAY * stray), 0.0);
}

static void field_figures(const struct coil *c, const struct coil_specimen *s, bool keeper,
                          const struct magnet_result *r, const double turns[2], double face,
                          struct coil_observables *out)
{
    const bool two = c->design.core.form != DESIGN_BAR;
    const double area =
        section_area(c->design.core.limb.shape, s->limb_width,
                     c->design.core.limb.shape == DESIGN_ROUND ? s->limb_width : s->limb_depth);
    const double factor = field_factor(c, s);
    double *y = out->y, greatest = 0.0;

    for (int b = 0; b < (two ? 2 : 1); b++) {
        /* with a keeper what crosses the gap; without, little leaves the face itself, and the mean
         * flux through the winding stands for what leaves the upper half of the limb */
        double flux = r->flux[b == 0 ? MAGNET_GAP1 : MAGNET_GAP2], least = POLARITY_LEAST;

        if (!keeper) {
            flux = turns[b] > 0.0 ? r->linkage[b] / turns[b]
                                  : r->flux[b == 0 ? MAGNET_LIMB1_FOOT : MAGNET_LIMB2_FOOT];
            least = POLARITY_LEAST_OPEN;
        }
        flux *= factor;
        if (b == 1) /* counted down limb b, which is into its pole face */
            flux = -flux;
        y[COIL_FLUX_A + b] = flux;
        y[COIL_POLARITY_A + b] = polarity(flux / (area * face), least);
        greatest = fmax(greatest, fabs(flux) / (area * face));
    }
    if (keeper)
        y[COIL_B_POLE] = greatest;
    y[COIL_B_LIMB] =
        factor * (two ? fmax(fabs(r->b_max[0]), fabs(r->b_max[1])) : fabs(r->b_max[0]));
    y[COIL_B_YOKE] = two ? factor * fabs(r->b[MAGNET_YOKE]) : NAN;
    y[COIL_B_KEEPER] = keeper ? factor * fabs(r->b[MAGNET_KEEPER]) : NAN;
    y[COIL_PULL] = !c->keeper_given ? NAN : keeper ? modelled_pull(r, s) : 0.0;
    out->limit = r->limit_ratio > 1.0 ? part_word(r->limit) : NULL;
}

/* Inductance of what is driven, from the energy at the way the steady current divides. */
static double seen_inductance(const struct coil_specimen *s, const struct drive *drive,
                              const struct magnet_result *r, bool two)
{
    double sum = 0.0;

    for (int i = 0; i < (two ? 2 : 1); i++)
        for (int j = 0; j < (two ? 2 : 1); j++)
            if (drive->share[i] != 0.0 && drive->share[j] != 0.0)
                sum += drive->share[i] * drive->share[j] * s->sense[i] * s->sense[j] *
                       r->inductance[i][j];
    return sum;
}

/* Flux linkage over the current of what is driven; at next to none it is the inductance. */
static double seen_linkage(const struct coil_specimen *s, const struct drive *drive,
                           const struct magnet_result *r, bool two)
{
    double sum = 0.0;

    if (fabs(drive->current) < 1e-9)
        return seen_inductance(s, drive, r, two);
    for (int i = 0; i < (two ? 2 : 1); i++)
        if (drive->share[i] != 0.0)
            sum += drive->share[i] * s->sense[i] * r->linkage[i];
    return sum / drive->current;
}

/* Without iron. The limbs are taken as far apart. */
static void air_figures(const struct coil *c, const struct coil_specimen *s,
                        const struct drive *drive, unsigned want, double source,
                        struct coil_observables *out)
{
    const bool two = c->design.core.form != DESIGN_BAR;
    double *y = out->y, total = 0.0;

    for (int b = 0; b < (two ? 2 : 1); b++) {
        double depth = c->design.core.limb.shape == DESIGN_ROUND ? s->limb_width : s->limb_depth;
        double hole = section_area(c->design.core.limb.shape, s->limb_width, depth);
        double h = drive->height[b], radius = sqrt(hole / M_PI) + s->wrap + 0.5 * h;
        double field =
            solenoid_end_field(radius, s->wound_length,
                               drive->current * drive->share[b] * drive->turns[b] * s->sense[b]);

        if (b == 1)
            field = -field;
        if (want & COIL_FIELD) {
            y[COIL_FLUX_A + b] = field * hole;
            y[COIL_POLARITY_A + b] = polarity(field, POLARITY_LEAST);
            y[COIL_B_POLE] = b == 0 ? fabs(field) : fmax(y[COIL_B_POLE], fabs(field));
        }
        if (want & COIL_INDUCTANCE)
            total += drive->share[b] * drive->share[b] *
                     solenoid_inductance(radius, s->wound_length, h, drive->turns[b]);
    }
    if ((want & COIL_INDUCTANCE) && !isinf(drive->resistance)) {
        y[COIL_INDUCTANCE_OFF] = out->linkage_off = total;
        y[COIL_TAU_OFF] = total / (drive->resistance + source);
    }
}

static enum status_code magnetic(struct coil *c, const struct coil_specimen *s,
                                 const struct coil_conditions *k, unsigned want,
                                 const struct drive *drive, struct coil_observables *out,
                                 struct status *st)
{
    const bool two = c->design.core.form != DESIGN_BAR;
    const bool keeper = k->keeper && c->keeper_given, broken = isinf(drive->resistance);
    const double source = isnan(k->voltage) ? 0.0 : k->source_resistance;
    const double factor = field_factor(c, s);
    struct magnet m;
    struct magnet_result on, off, *working;
    bool have_on = false, have_off = false;
    double face = 1.0, current[2];
    enum status_code code;

    for (int b = 0; b < 2; b++)
        current[b] = drive->current * drive->share[b] * s->sense[b];
    if (c->keeper_given && (keeper || (want & (COIL_INDUCTANCE | COIL_RESIDUAL)))) {
        geometry(c, s, drive, true, &m, &face);
        code = magnet_solve(c->workspace, &m, current, &on, st);
        if (code)
            return code;
        have_on = true;
        if (want & COIL_RESIDUAL) {
            struct magnet_result after;
            double pull;

            code = magnet_residual(c->workspace, &m, &on, &pull, &after, st);
            if (code)
                return code;
            /* weak residual fields go with the coercive force, the pull with their square */
            out->y[COIL_RESIDUAL_PULL] = modelled_pull(&after, s) * s->remanence * s->remanence;
        }
    }
    if (!keeper || (want & COIL_INDUCTANCE)) {
        geometry(c, s, drive, false, &m, &face);
        code = magnet_solve(c->workspace, &m, current, &off, st);
        if (code)
            return code;
        have_off = true;
    }
    working = keeper ? &on : &off;
    if (want & COIL_FIELD)
        field_figures(c, s, keeper, working, drive->turns, face, out);
    if (!(want & COIL_INDUCTANCE) || broken)
        return STATUS_OK;
    if (have_on) {
        out->y[COIL_INDUCTANCE_ON] = factor * seen_inductance(s, drive, &on, two);
        out->linkage_on = factor * seen_linkage(s, drive, &on, two);
        out->y[COIL_TAU_ON] = out->y[COIL_INDUCTANCE_ON] / (drive->resistance + source);
    }
    if (have_off) {
        out->y[COIL_INDUCTANCE_OFF] = factor * seen_inductance(s, drive, &off, two);
        out->linkage_off = factor * seen_linkage(s, drive, &off, two);
        out->y[COIL_TAU_OFF] = out->y[COIL_INDUCTANCE_OFF] / (drive->resistance + source);
    }
    for (int b = 0; b < (two ? 2 : 1); b++)
        if (s->shorted[b] > 0.0 && drive->turns[b] > 0.0 && drive->ring[b] > 0.0) {
            double ratio = s->shorted[b] / drive->turns[b];

            out->y[COIL_TAU_SHORT] =
                factor * working->inductance[b][b] * ratio * ratio / drive->ring[b];
        }
    return STATUS_OK;
}

enum status_code coil_forward(struct coil *c, const struct coil_specimen *s,
                              const struct coil_conditions *k, unsigned want,
                              struct coil_observables *out, struct status *st)
{
    struct drive drive;
    enum status_code code;

    for (int q = 0; q < COIL_QUANTITIES; q++)
        out->y[q] = NAN;
    out->linkage_on = out->linkage_off = NAN;
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
    if (c->design.core.air) {
        air_figures(c, s, &drive, want, isnan(k->voltage) ? 0.0 : k->source_resistance, out);
        return status_ok(st);
    }
    code = magnetic(c, s, k, want, &drive, out, st);
    return code ? code : status_ok(st);
}

/* --- what is uncertain --- */

struct list {
    struct coil_input *inputs;
    size_t n;
};

static void add(struct list *l, const char *name, enum coil_cause cause, double value, double u,
                enum uncertain_shape shape, size_t specimen, size_t conditions, bool both)
{
    if (!(u > 0.0) || !isfinite(value) || !isfinite(u) || l->n == COIL_INPUTS_MAX)
        return;
    l->inputs[l->n++] =
        (struct coil_input){name, cause, value, u, (int)shape, specimen, conditions, both};
}

#define IN_SPECIMEN(member) offsetof(struct coil_specimen, member), COIL_NO_OFFSET

static void add_amount(struct list *l, const char *name, enum coil_cause cause, struct amount a,
                       size_t specimen, size_t conditions)
{
    add(l, name, cause, a.value, a.u, UNCERTAIN_NORMAL, specimen, conditions, false);
}

size_t coil_inputs(const struct coil *c, const struct coil_conditions *k,
                   struct coil_input inputs[COIL_INPUTS_MAX])
{
    const struct design_core *core = &c->design.core;
    const struct design_winding *w = &c->design.winding;
    const struct design_supply *supply = &c->design.supply;
    const bool two = core->form != DESIGN_BAR, iron = !core->air;
    struct list l = {inputs, 0};
    struct winding_result r;
    double turn = 0.0;

    add_amount(&l, "turns of limb a", COIL_CAUSE_TURNS, w->turns[0], IN_SPECIMEN(turns[0]));
    if (two)
        add_amount(&l, "turns of limb b", COIL_CAUSE_TURNS, w->turns[1], IN_SPECIMEN(turns[1]));
    add(&l, "wire diameter", COIL_CAUSE_WIRE, w->wire.diameter, w->wire.tolerance / sqrt(3.0),
        UNCERTAIN_UNIFORM, IN_SPECIMEN(wire_diameter[0]), true);
    add(&l, "overall wire diameter", COIL_CAUSE_COVERING, w->wire.overall_nom,
        0.5 * (w->wire.overall_max - w->wire.overall_min) / sqrt(3.0), UNCERTAIN_UNIFORM,
        IN_SPECIMEN(wire_overall[0]), true);
    /* between the 58 and 59 MS/m that bound winding copper (IEC 60317-0-1) */
    add(&l, "resistivity", COIL_CAUSE_RESISTIVITY, 1.0, 0.5 / 58.5 / sqrt(3.0), UNCERTAIN_UNIFORM,
        IN_SPECIMEN(resistivity), false);
    add_amount(&l, "winding temperature", COIL_CAUSE_TEMPERATURE, supply->ambient,
               IN_SPECIMEN(temperature));
    add_amount(&l, "fill", COIL_CAUSE_WINDING, w->fill, IN_SPECIMEN(fill));
    add_amount(&l, "wound length", COIL_CAUSE_WINDING, w->wound_length, IN_SPECIMEN(wound_length));
    add_amount(&l, "wrap on the core", COIL_CAUSE_WINDING, w->wrap, IN_SPECIMEN(wrap));
    add_amount(&l, "wrap between layers", COIL_CAUSE_WINDING, w->interlayer,
               IN_SPECIMEN(interlayer));
    if (w->ends == DESIGN_TAPERED)
        add_amount(&l, "taper", COIL_CAUSE_WINDING, w->taper, IN_SPECIMEN(taper));
    /* a hand keeps the length of its turns to about a per cent: common practice, no source */
    if (winding_smooth(&c->form, w->turns[0].value, &r))
        turn = r.mean_turn;
    add(&l, "tightness of winding", COIL_CAUSE_WINDING, 0.0, 0.01 * turn, UNCERTAIN_NORMAL,
        IN_SPECIMEN(mean_turn_offset[0]), true);
    add_amount(&l, "lead length", COIL_CAUSE_LEADS, w->lead_length, IN_SPECIMEN(lead_length));
    if (two)
        add_amount(&l, "cross-over length", COIL_CAUSE_LEADS, w->crossover, IN_SPECIMEN(crossover));
    if (k && !isnan(k->voltage)) {
        add(&l, "supply voltage", COIL_CAUSE_SUPPLY, k->voltage, supply->voltage.u,
            UNCERTAIN_NORMAL, COIL_NO_OFFSET, offsetof(struct coil_conditions, voltage), false);
        add(&l, "source resistance", COIL_CAUSE_SUPPLY, k->source_resistance,
            supply->source_resistance.u, UNCERTAIN_NORMAL, COIL_NO_OFFSET,
            offsetof(struct coil_conditions, source_resistance), false);
    }
    add_amount(&l, "core width", COIL_CAUSE_CORE, core->limb.width, IN_SPECIMEN(limb_width));
    if (core->limb.shape != DESIGN_ROUND)
        add_amount(&l, "core depth", COIL_CAUSE_CORE, core->limb.depth, IN_SPECIMEN(limb_depth));
    if (!iron)
        return l.n;
    add_amount(&l, "limb length", COIL_CAUSE_CORE, core->limb_length, IN_SPECIMEN(limb_length));
    if (c->pole_given) {
        add_amount(&l, "pole width", COIL_CAUSE_CORE, core->pole_width, IN_SPECIMEN(pole_width));
        if (core->limb.shape != DESIGN_ROUND)
            add_amount(&l, "pole depth", COIL_CAUSE_CORE, core->pole_depth,
                       IN_SPECIMEN(pole_depth));
    }
    if (two)
        add_amount(&l, "limb spacing", COIL_CAUSE_CORE, core->spacing, IN_SPECIMEN(spacing));
    if (core->form == DESIGN_U_YOKE) {
        add_amount(&l, "yoke width", COIL_CAUSE_CORE, core->yoke.width, IN_SPECIMEN(yoke_width));
        if (core->yoke.shape != DESIGN_ROUND)
            add_amount(&l, "yoke thickness", COIL_CAUSE_CORE, core->yoke.depth,
                       IN_SPECIMEN(yoke_depth));
        add_amount(&l, "yoke length", COIL_CAUSE_CORE, core->yoke_length, IN_SPECIMEN(yoke_length));
        add_amount(&l, "joint gap", COIL_CAUSE_GAP, core->joint_gap, IN_SPECIMEN(joint_gap));
    }
    add(&l, "core iron", COIL_CAUSE_IRON, 1.0, iron_facts(c->iron)->spread, UNCERTAIN_NORMAL,
        IN_SPECIMEN(iron_field), false);
    if (!c->keeper_given) {
        add(&l, "magnet model", COIL_CAUSE_MODEL, 1.0, pull_limit(c) / sqrt(3.0), UNCERTAIN_UNIFORM,
            IN_SPECIMEN(model), false);
        return l.n;
    }
    add_amount(&l, "keeper width", COIL_CAUSE_KEEPER, core->keeper.width,
               IN_SPECIMEN(keeper_width));
    if (core->keeper.shape != DESIGN_ROUND)
        add_amount(&l, "keeper thickness", COIL_CAUSE_KEEPER, core->keeper.depth,
                   IN_SPECIMEN(keeper_depth));
    add_amount(&l, "keeper length", COIL_CAUSE_KEEPER, core->keeper_length,
               IN_SPECIMEN(keeper_length));
    add(&l, "keeper iron", COIL_CAUSE_IRON, 1.0, iron_facts(c->keeper_iron)->spread,
        UNCERTAIN_NORMAL, IN_SPECIMEN(keeper_iron_field), false);
    add_amount(&l, "gap", COIL_CAUSE_GAP, beyond_contact(core), IN_SPECIMEN(gap));
    if (!(core->gap.value > core->roughness.value)) /* a stated gap is the whole air */
        add_amount(&l, "contact roughness", COIL_CAUSE_GAP, core->roughness,
                   IN_SPECIMEN(roughness));
    if (iron_facts(c->iron)->coercivity > 0.0)
        add(&l, "coercive force", COIL_CAUSE_IRON, 1.0,
            iron_facts(c->iron)->coercivity_spread / iron_facts(c->iron)->coercivity,
            UNCERTAIN_NORMAL, IN_SPECIMEN(remanence), false);
    add(&l, "magnet model", COIL_CAUSE_MODEL, 1.0, pull_limit(c) / sqrt(3.0), UNCERTAIN_UNIFORM,
        IN_SPECIMEN(model), false);
    return l.n;
}

void coil_input_set(const struct coil_input *input, double value, struct coil_specimen *s,
                    struct coil_conditions *k)
{
    if (s && input->specimen_offset != COIL_NO_OFFSET) {
        memcpy((char *)s + input->specimen_offset, &value, sizeof value);
        if (input->both)
            memcpy((char *)s + input->specimen_offset + sizeof value, &value, sizeof value);
    }
    if (k && input->conditions_offset != COIL_NO_OFFSET)
        memcpy((char *)k + input->conditions_offset, &value, sizeof value);
}

/* --- prediction --- */

struct task {
    struct coil *coil;
    struct coil_specimen specimen;
    struct coil_conditions conditions;
    unsigned want;
    const struct coil_input *inputs;
    size_t n;
    const struct surrogate *surface; /* of what is magnetic; NULL: solve it */
    size_t drawn;
    bool plain; /* leave out the plain factor: the surface need not learn a multiplication */
};

static enum status_code run(void *context, const double *x, double *y, struct status *st)
{
    struct task *t = context;
    struct coil_specimen s = t->specimen;
    struct coil_conditions k = t->conditions;
    struct coil_observables out;
    enum status_code code;

    for (size_t i = 0; i < t->n; i++)
        coil_input_set(&t->inputs[i], x[i], &s, &k);
    /* the covering cannot be thinner than nothing */
    for (int b = 0; b < 2; b++)
        s.wire_overall[b] = fmax(s.wire_overall[b], s.wire_diameter[b]);
    if (t->plain)
        s.remanence = 1.0;
    code = coil_forward(t->coil, &s, &k, t->surface ? COIL_ELECTRIC : t->want, &out, st);
    if (code)
        return code;
    if (t->surface) {
        surrogate_run(t->surface, x, t->drawn++, out.y + COIL_POLARITY_A);
        out.y[COIL_RESIDUAL_PULL] *= s.remanence * s.remanence;
    }
    memcpy(y, out.y, sizeof out.y);
    return STATUS_OK;
}

/* Only the magnetic results, for the surface. */
static enum status_code run_magnetic(void *context, const double *x, double *y, struct status *st)
{
    double all[COIL_QUANTITIES];
    enum status_code code = run(context, x, all, st);

    memcpy(y, all + COIL_POLARITY_A, (COIL_QUANTITIES - COIL_POLARITY_A) * sizeof *y);
    return code;
}

/* Physical bounds of an input: those of its field. */
static void bounds(const struct coil_input *input, double *low, double *high)
{
    *low = input->conditions_offset == offsetof(struct coil_conditions, source_resistance)
               ? 0.0
               : -INFINITY;
    *high = INFINITY;
    for (size_t i = 0; i < FIELDS; i++)
        if (fields[i].offset == input->specimen_offset) {
            *low = fields[i].low;
            *high = fields[i].high;
        }
}

enum status_code coil_predict(struct coil *c, const struct coil_conditions *k, unsigned want,
                              size_t draws, struct coil_prediction *out, struct status *st)
{
    struct coil_input inputs[COIL_INPUTS_MAX];
    struct uncertain_input x[COIL_INPUTS_MAX];
    struct uncertain_result first[COIL_QUANTITIES], mc[COIL_QUANTITIES];
    double components[COIL_QUANTITIES * COIL_INPUTS_MAX], shares[COIL_INPUTS_MAX];
    struct surrogate *surface = NULL;
    struct coil_observables nominal;
    struct task task = {.coil = c, .conditions = *k, .want = want, .inputs = inputs};
    enum status_code code;

    memset(out, 0, sizeof *out);
    coil_specimen_nominal(c, &task.specimen);
    code = coil_forward(c, &task.specimen, k, want, &nominal, st);
    if (code)
        return code;
    out->limit = nominal.limit;
    task.n = coil_inputs(c, k, inputs);
    for (size_t i = 0; i < task.n; i++) {
        x[i] = (struct uncertain_input){.name = inputs[i].name,
                                        .shape = (enum uncertain_shape)inputs[i].shape,
                                        .value = inputs[i].value,
                                        .u = inputs[i].u,
                                        .dof = INFINITY};
        bounds(&inputs[i], &x[i].low, &x[i].high);
    }
    code =
        uncertain_first_order(run, &task, x, task.n, NULL, COIL_QUANTITIES, first, components, st);
    out->surface_error = NAN;
    /* fitting the surface costs a few thousand solutions: not worth it for few draws */
    if (!code && draws >= 10000 && (want & COIL_ALL) && !isnan(nominal.y[COIL_CURRENT])) {
        task.plain = true;
        code = surrogate_fit(run_magnetic, &task, x, task.n, COIL_QUANTITIES - COIL_POLARITY_A,
                             components + COIL_POLARITY_A * task.n, 21u, &surface,
                             &out->surface_error, st);
        task.plain = false;
        if (!code && out->surface_error < SURFACE_ERROR_MOST)
            task.surface = surface;
        else
            out->surface_error = NAN;
    }
    if (!code && draws > 0)
        code = uncertain_monte_carlo(run, &task, x, task.n, NULL, COIL_QUANTITIES, draws, 20u, mc,
                                     &out->failed, st);
    surrogate_free(surface);
    if (code)
        return code;
    out->draws = draws - out->failed;
    for (size_t q = 0; q < COIL_QUANTITIES; q++) {
        struct coil_figure *f = &out->figure[q];

        f->exists = !isnan(nominal.y[q]);
        f->value = nominal.y[q];
        f->u = isinf(f->value) ? 0.0 : first[q].u;
        f->low = isinf(f->value) ? f->value : first[q].low;
        f->high = isinf(f->value) ? f->value : first[q].high;
        f->mc_mean = f->mc_u = NAN;
        if (!f->exists || isinf(f->value))
            continue;
        uncertain_shares(components, task.n, NULL, q, shares);
        for (size_t i = 0; i < task.n; i++)
            f->share[inputs[i].cause] += shares[i];
        if (draws > 0 && isfinite(mc[q].u)) {
            f->mc_mean = mc[q].value;
            f->mc_u = mc[q].u;
            f->low = mc[q].low;
            f->high = mc[q].high;
            f->agrees = uncertain_agree(&first[q], &mc[q], 1);
        }
    }
    return status_ok(st);
}
