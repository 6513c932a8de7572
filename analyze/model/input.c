#include "analyze/model/input.h"

#include <math.h>
#include <string.h>

#include "analyze/model/core.h"
#include "analyze/model/iron.h"
#include "analyze/model/winding.h"

const char *input_cause_words(enum input_cause cause)
{
    static const char *const words[INPUT_CAUSES] = {
        [INPUT_CAUSE_TURNS] = "turns",
        [INPUT_CAUSE_WIRE] = "wire diameter",
        [INPUT_CAUSE_COVERING] = "covering",
        [INPUT_CAUSE_RESISTIVITY] = "resistivity",
        [INPUT_CAUSE_TEMPERATURE] = "temperature",
        [INPUT_CAUSE_WINDING] = "winding",
        [INPUT_CAUSE_LEADS] = "leads",
        [INPUT_CAUSE_SUPPLY] = "supply",
        [INPUT_CAUSE_CORE] = "core",
        [INPUT_CAUSE_KEEPER] = "keeper",
        [INPUT_CAUSE_GAP] = "gap",
        [INPUT_CAUSE_IRON] = "iron",
        [INPUT_CAUSE_MODEL] = "magnet model",
    };

    return (unsigned)cause < INPUT_CAUSES ? words[cause] : "unknown";
}

struct list {
    struct input *inputs;
    size_t n;
};

static void add(struct list *l, const char *name, enum input_cause cause, double value, double u,
                enum uncertain_shape shape, size_t specimen, size_t conditions, bool both)
{
    if (!(u > 0.0) || !isfinite(value) || !isfinite(u) || l->n == INPUT_LIST_MAX)
        return;
    l->inputs[l->n++] = (struct input){name, value, u, specimen, conditions, cause, shape, both};
}

#define IN_SPECIMEN(member) offsetof(struct coil_specimen, member), INPUT_NO_OFFSET

static void add_amount(struct list *l, const char *name, enum input_cause cause, struct amount a,
                       size_t specimen, size_t conditions)
{
    add(l, name, cause, a.value, a.u, UNCERTAIN_NORMAL, specimen, conditions, false);
}

size_t input_list(const struct coil *c, const struct coil_conditions *k,
                  struct input inputs[INPUT_LIST_MAX])
{
    const struct design *design = coil_design(c);
    const struct design_core *core = &design->core;
    const struct design_winding *w = &design->winding;
    const struct design_supply *supply = &design->supply;
    const struct core *magnetic = coil_core(c);
    const bool two = core->form != DESIGN_BAR, iron = !core->air;
    struct list l = {inputs, 0};
    struct winding_form form;
    struct winding_result r;
    struct coil_specimen nominal;
    double turn = 0.0;

    add_amount(&l, "turns of limb a", INPUT_CAUSE_TURNS, w->turns[0], IN_SPECIMEN(turns[0]));
    if (two)
        add_amount(&l, "turns of limb b", INPUT_CAUSE_TURNS, w->turns[1], IN_SPECIMEN(turns[1]));
    add(&l, "wire diameter", INPUT_CAUSE_WIRE, w->wire.diameter, w->wire.tolerance / sqrt(3.0),
        UNCERTAIN_UNIFORM, IN_SPECIMEN(wire_diameter[0]), true);
    add(&l, "overall wire diameter", INPUT_CAUSE_COVERING, w->wire.overall_nom,
        0.5 * (w->wire.overall_max - w->wire.overall_min) / sqrt(3.0), UNCERTAIN_UNIFORM,
        IN_SPECIMEN(wire_overall[0]), true);
    /* between the 58 and 59 MS/m that bound winding copper (IEC 60317-0-1) */
    add(&l, "resistivity", INPUT_CAUSE_RESISTIVITY, 1.0, 0.5 / 58.5 / sqrt(3.0), UNCERTAIN_UNIFORM,
        IN_SPECIMEN(resistivity), false);
    add_amount(&l, "winding temperature", INPUT_CAUSE_TEMPERATURE, supply->ambient,
               IN_SPECIMEN(temperature));
    add_amount(&l, "fill", INPUT_CAUSE_WINDING, w->fill, IN_SPECIMEN(fill));
    add_amount(&l, "wound length", INPUT_CAUSE_WINDING, w->wound_length, IN_SPECIMEN(wound_length));
    add_amount(&l, "wrap on the core", INPUT_CAUSE_WINDING, w->wrap, IN_SPECIMEN(wrap));
    add_amount(&l, "wrap between layers", INPUT_CAUSE_WINDING, w->interlayer,
               IN_SPECIMEN(interlayer));
    if (w->ends == DESIGN_TAPERED)
        add_amount(&l, "taper", INPUT_CAUSE_WINDING, w->taper, IN_SPECIMEN(taper));
    /* a hand keeps the length of its turns to about a per cent: common practice, no source */
    winding_form_of(design, &form);
    if (winding_smooth(&form, w->turns[0].value, &r))
        turn = r.mean_turn;
    add(&l, "tightness of winding", INPUT_CAUSE_WINDING, 0.0, 0.01 * turn, UNCERTAIN_NORMAL,
        IN_SPECIMEN(mean_turn_offset[0]), true);
    add_amount(&l, "lead length", INPUT_CAUSE_LEADS, w->lead_length, IN_SPECIMEN(lead_length));
    if (two)
        add_amount(&l, "cross-over length", INPUT_CAUSE_LEADS, w->crossover,
                   IN_SPECIMEN(crossover));
    if (k && !isnan(k->voltage)) {
        add(&l, "supply voltage", INPUT_CAUSE_SUPPLY, k->voltage, supply->voltage.u,
            UNCERTAIN_NORMAL, INPUT_NO_OFFSET, offsetof(struct coil_conditions, voltage), false);
        add(&l, "source resistance", INPUT_CAUSE_SUPPLY, k->source_resistance,
            supply->source_resistance.u, UNCERTAIN_NORMAL, INPUT_NO_OFFSET,
            offsetof(struct coil_conditions, source_resistance), false);
    }
    add_amount(&l, "core width", INPUT_CAUSE_CORE, core->limb.width, IN_SPECIMEN(limb_width));
    if (core->limb.shape != DESIGN_ROUND)
        add_amount(&l, "core depth", INPUT_CAUSE_CORE, core->limb.depth, IN_SPECIMEN(limb_depth));
    if (!iron)
        return l.n;
    add_amount(&l, "limb length", INPUT_CAUSE_CORE, core->limb_length, IN_SPECIMEN(limb_length));
    if (core_has_pole(magnetic)) {
        add_amount(&l, "pole width", INPUT_CAUSE_CORE, core->pole_width, IN_SPECIMEN(pole_width));
        if (core->limb.shape != DESIGN_ROUND)
            add_amount(&l, "pole depth", INPUT_CAUSE_CORE, core->pole_depth,
                       IN_SPECIMEN(pole_depth));
    }
    if (two)
        add_amount(&l, "limb spacing", INPUT_CAUSE_CORE, core->spacing, IN_SPECIMEN(spacing));
    if (core->form == DESIGN_U_YOKE) {
        add_amount(&l, "yoke width", INPUT_CAUSE_CORE, core->yoke.width, IN_SPECIMEN(yoke_width));
        if (core->yoke.shape != DESIGN_ROUND)
            add_amount(&l, "yoke thickness", INPUT_CAUSE_CORE, core->yoke.depth,
                       IN_SPECIMEN(yoke_depth));
        add_amount(&l, "yoke length", INPUT_CAUSE_CORE, core->yoke_length,
                   IN_SPECIMEN(yoke_length));
        add_amount(&l, "joint gap", INPUT_CAUSE_GAP, core->joint_gap, IN_SPECIMEN(joint_gap));
    }
    add(&l, "core iron", INPUT_CAUSE_IRON, 1.0, iron_facts(core_iron(magnetic))->spread,
        UNCERTAIN_NORMAL, IN_SPECIMEN(iron_field), false);
    if (!core_has_keeper(magnetic)) {
        add(&l, "magnet model", INPUT_CAUSE_MODEL, 1.0, core_pull_limit(magnetic) / sqrt(3.0),
            UNCERTAIN_UNIFORM, IN_SPECIMEN(model), false);
        return l.n;
    }
    add_amount(&l, "keeper width", INPUT_CAUSE_KEEPER, core->keeper.width,
               IN_SPECIMEN(keeper_width));
    if (core->keeper.shape != DESIGN_ROUND)
        add_amount(&l, "keeper thickness", INPUT_CAUSE_KEEPER, core->keeper.depth,
                   IN_SPECIMEN(keeper_depth));
    add_amount(&l, "keeper length", INPUT_CAUSE_KEEPER, core->keeper_length,
               IN_SPECIMEN(keeper_length));
    add(&l, "keeper iron", INPUT_CAUSE_IRON, 1.0, iron_facts(core_keeper_iron(magnetic))->spread,
        UNCERTAIN_NORMAL, IN_SPECIMEN(keeper_iron_field), false);
    coil_specimen_nominal(c, &nominal);
    add_amount(&l, "gap", INPUT_CAUSE_GAP, amount_of(nominal.gap, core->gap.u), IN_SPECIMEN(gap));
    if (!(core->gap.value > core->roughness.value)) /* a stated gap is the whole air */
        add_amount(&l, "contact roughness", INPUT_CAUSE_GAP, core->roughness,
                   IN_SPECIMEN(roughness));
    if (iron_facts(core_iron(magnetic))->coercivity > 0.0)
        add(&l, "coercive force", INPUT_CAUSE_IRON, 1.0,
            iron_facts(core_iron(magnetic))->coercivity_spread /
                iron_facts(core_iron(magnetic))->coercivity,
            UNCERTAIN_NORMAL, IN_SPECIMEN(remanence), false);
    add(&l, "magnet model", INPUT_CAUSE_MODEL, 1.0, core_pull_limit(magnetic) / sqrt(3.0),
        UNCERTAIN_UNIFORM, IN_SPECIMEN(model), false);
    return l.n;
}

void input_set(const struct input *input, double value, struct coil_specimen *s,
               struct coil_conditions *k)
{
    if (s && input->specimen_offset != INPUT_NO_OFFSET) {
        memcpy((char *)s + input->specimen_offset, &value, sizeof value);
        if (input->both)
            memcpy((char *)s + input->specimen_offset + sizeof value, &value, sizeof value);
    }
    if (k && input->conditions_offset != INPUT_NO_OFFSET)
        memcpy((char *)k + input->conditions_offset, &value, sizeof value);
}

void input_range(const struct input *input, double *low, double *high)
{
    *low = input->conditions_offset == offsetof(struct coil_conditions, source_resistance)
               ? 0.0
               : -INFINITY;
    *high = INFINITY;
    if (input->specimen_offset != INPUT_NO_OFFSET)
        coil_specimen_range(input->specimen_offset, low, high);
}
