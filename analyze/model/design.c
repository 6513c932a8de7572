#include "analyze/model/design.h"

#include <math.h>
#include <stdio.h>
#include <string.h>
#include <strings.h>

#include "analyze/model/winding.h"

static const char *const form_words[] = {"bar", "bent", "yoke"};
static const char *const shape_words[] = {"round", "rectangular", "stadium"};
static const char *const layers_words[] = {"orthocyclic", "square", "scramble"};
static const char *const ends_words[] = {"walls", "tapered"};
static const char *const connection_words[] = {"series", "parallel"};
static const char *const sense_words[] = {"aiding", "cancelling"};

#define COUNT(words) (sizeof(words) / sizeof((words)[0]))

static const char *word_of(const char *const *words, size_t n, unsigned v)
{
    return v < n ? words[v] : "unknown";
}

static enum status_code find_word(const char *text, const char *const *words, size_t n, unsigned *v,
                                  struct status *st)
{
    char list[96];
    size_t used = 0;

    for (unsigned i = 0; i < n; i++)
        if (strcasecmp(text, words[i]) == 0) {
            *v = i;
            return status_ok(st);
        }
    for (size_t i = 0; i < n; i++)
        used += (size_t)snprintf(list + used, sizeof list - used, "%s%s",
                                 i == 0       ? ""
                                 : i + 1 == n ? " or "
                                              : ", ",
                                 words[i]);
    return status_fail(st, STATUS_INPUT, "'%.40s' is not one of the choices; write %s", text, list);
}

#define DESIGN_WORDS(kind)                                                                         \
    const char *design_##kind##_word(enum design_##kind v)                                         \
    {                                                                                              \
        return word_of(kind##_words, COUNT(kind##_words), (unsigned)v);                            \
    }                                                                                              \
    enum status_code design_##kind##_from_text(const char *text, enum design_##kind *v,            \
                                               struct status *st)                                  \
    {                                                                                              \
        unsigned found = 0;                                                                        \
        enum status_code code = find_word(text, kind##_words, COUNT(kind##_words), &found, st);    \
                                                                                                   \
        if (!code)                                                                                 \
            *v = (enum design_##kind)found;                                                        \
        return code;                                                                               \
    }

DESIGN_WORDS(form)
DESIGN_WORDS(shape)
DESIGN_WORDS(layers)
DESIGN_WORDS(ends)
DESIGN_WORDS(connection)
DESIGN_WORDS(sense)

void design_init(struct design *d)
{
    const struct amount none = amount_none();
    const struct design_section section = {DESIGN_ROUND, none, none};

    memset(d, 0, sizeof *d);
    d->core.limb = d->core.yoke = section;
    d->core.keeper = (struct design_section){DESIGN_RECTANGULAR, none, none};
    d->core.limb_length = d->core.spacing = d->core.yoke_length = d->core.joint_gap = none;
    d->core.pole_width = d->core.pole_depth = d->core.keeper_length = none;
    d->core.gap = d->core.roughness = none;
    d->winding.wire.lay_factor = 1.0;
    d->winding.turns[0] = d->winding.turns[1] = none;
    d->winding.fill = d->winding.wound_length = d->winding.wrap = d->winding.interlayer = none;
    d->winding.outside_max = d->winding.taper = d->winding.lead_length = none;
    d->winding.crossover = d->winding.section_wall = none;
    d->winding.in_hand = d->winding.sections = 1;
    d->supply.voltage = d->supply.source_resistance = d->supply.pulse = none;
    d->supply.period = d->supply.ambient = none;
    d->work.pull = d->work.gap = d->work.safety_factor = none;
    d->limits.resistance = d->limits.turns = d->limits.pull_min = none;
    d->limits.temperature_max = none;
}

int design_limbs(const struct design *d)
{
    return d->core.form == DESIGN_BAR ? 1 : 2;
}

static void usual(struct amount *a, double value, double u)
{
    if (!amount_given(*a))
        *a = amount_of(value, u);
}

/* A round section is as deep as it is wide. */
static void square_up(struct design_section *s)
{
    if (s->shape == DESIGN_ROUND && amount_given(s->width))
        s->depth = s->width;
}

void design_complete(struct design *d)
{
    struct design_core *c = &d->core;
    struct design_winding *w = &d->winding;
    bool two = design_limbs(d) == 2;

    square_up(&c->limb);
    square_up(&c->yoke);
    square_up(&c->keeper);
    if (!two) {
        c->spacing = amount_none();
        w->turns[1] = amount_of(0.0, 0.0);
        w->connection = DESIGN_SERIES;
        w->sense = DESIGN_AIDING;
    } else if (!amount_given(w->turns[1])) {
        w->turns[1] = w->turns[0];
    }
    if (c->form == DESIGN_U_BENT || (c->form == DESIGN_U_YOKE && !amount_given(c->yoke.width)))
        c->yoke = (struct design_section){c->limb.shape, c->limb.depth, c->limb.width};
    if (c->form == DESIGN_U_YOKE) {
        if (!amount_given(c->yoke.depth))
            c->yoke.depth = c->yoke.width;
        usual(&c->yoke_length, c->spacing.value + c->limb.width.value,
              hypot(c->spacing.u, c->limb.width.u));
        usual(&c->joint_gap, 0.02e-3, 0.01e-3);
    } else {
        usual(&c->joint_gap, 0.0, 0.0);
    }
    if (!amount_given(c->pole_width)) {
        c->pole_width = c->limb.width;
        c->pole_depth = c->limb.depth;
    } else if (!amount_given(c->pole_depth)) {
        c->pole_depth = c->pole_width;
    }
    if (amount_given(c->keeper.width) && !amount_given(c->keeper.depth))
        c->keeper.depth = c->keeper.width;
    if (amount_given(c->keeper.width))
        usual(&c->keeper_length, (two ? c->spacing.value : 0.0) + c->limb.width.value,
              two ? c->spacing.u : 0.0);
    usual(&c->gap, 0.0, 0.0);
    usual(&c->roughness, 0.02e-3, 0.01e-3);
    if (!c->yoke_iron[0])
        memcpy(c->yoke_iron, c->iron, sizeof c->yoke_iron);
    if (!c->keeper_iron[0])
        memcpy(c->keeper_iron, c->iron, sizeof c->keeper_iron);

    if (w->layers == DESIGN_SCRAMBLE)
        usual(&w->fill, 0.60, 0.05);
    else
        usual(&w->fill, 0.97, 0.02);
    usual(&w->wound_length, 0.9 * c->limb_length.value, 0.02 * c->limb_length.value);
    usual(&w->wrap, 0.0, 0.0);
    usual(&w->interlayer, 0.0, 0.0);
    if (w->ends == DESIGN_TAPERED)
        usual(&w->taper, w->layers == DESIGN_SCRAMBLE ? 1.0 : 2.0, 0.5);
    else
        w->taper = amount_of(0.0, 0.0);
    usual(&w->lead_length, 0.20, 0.03);
    if (two)
        usual(&w->crossover, c->spacing.value, 0.005);
    else
        w->crossover = amount_of(0.0, 0.0);
    if (w->sections > 1)
        usual(&w->section_wall, 1.0e-3, 0.1e-3);
    else
        w->section_wall = amount_of(0.0, 0.0);

    usual(&d->supply.ambient, 20.0, 3.0);
    usual(&d->supply.source_resistance, 0.0, 0.0);
    if (!amount_given(d->work.gap))
        d->work.gap = c->gap;
    usual(&d->work.safety_factor, 1.0, 0.0);
}

/* One row: what it is called, whether it must be there, and the range a bench can meet. */
struct rule {
    const struct amount *a;
    const char *what, *unit;
    double low, high;
    bool required;
};

static enum status_code check_rules(const struct rule *rules, size_t n, struct status *st)
{
    for (size_t i = 0; i < n; i++) {
        const struct rule *r = &rules[i];

        if (r->required && !amount_given(*r->a))
            return status_fail(st, STATUS_INPUT, "%s is missing; it must be from %g to %g%s%s",
                               r->what, r->low, r->high, r->unit[0] ? " " : "", r->unit);
        if (amount_check(*r->a, r->what, r->unit, r->low, r->high, st))
            return STATUS_INPUT;
    }
    return status_ok(st);
}

static enum status_code check_section(const struct design_section *s, const char *what,
                                      struct status *st)
{
    if (s->shape == DESIGN_STADIUM && s->width.value < s->depth.value)
        return status_fail(st, STATUS_INPUT,
                           "the %s is a stadium %g m wide and %g m deep; the width is over the "
                           "round ends and must be the greater",
                           what, s->width.value, s->depth.value);
    return status_ok(st);
}

static enum status_code check_wire(const struct design *d, struct status *st)
{
    const struct wire *w = &d->winding.wire;

    if (w->strands < 1)
        return status_fail(st, STATUS_INPUT,
                           "the wire is missing; name it as '30 SWG', '28 AWG' or "
                           "'0.25 mm'");
    if (w->strands > WIRE_STRANDS_MAX)
        return status_fail(st, STATUS_INPUT, "the wire has %d strands; at most %d are allowed",
                           w->strands, WIRE_STRANDS_MAX);
    if (amount_check_value(w->diameter, "the bare wire diameter", "m", WIRE_DIAMETER_MIN,
                           WIRE_DIAMETER_MAX, st) ||
        amount_check_value(w->tolerance, "the tolerance of the wire diameter", "m", 0.0,
                           0.3 * w->diameter, st) ||
        amount_check_value(w->lay_factor, "the lay factor of the strands", "", 1.0, 1.5, st) ||
        amount_check_value(w->overall_nom, "the overall wire diameter", "m", w->diameter, 0.05,
                           st) ||
        amount_check_value(w->overall_min, "the least overall wire diameter", "m",
                           0.9 * w->diameter, w->overall_nom, st) ||
        amount_check_value(w->overall_max, "the greatest overall wire diameter", "m",
                           w->overall_nom, 0.06, st))
        return STATUS_INPUT;
    return status_ok(st);
}

static enum status_code check_space(const struct design *d, struct status *st)
{
    const struct design_winding *w = &d->winding;
    struct winding_form form;
    struct winding_result r;
    double most = INFINITY;
    const char *why = "largest outside diameter";

    if (w->wound_length.value > d->core.limb_length.value)
        return status_fail(st, STATUS_INPUT,
                           "the wound length is %g m, longer than the limb of %g m",
                           w->wound_length.value, d->core.limb_length.value);
    if (design_limbs(d) == 2 && d->core.spacing.value <= d->core.limb.width.value)
        return status_fail(st, STATUS_INPUT,
                           "the limbs are %g m wide and their centres %g m apart; they would touch",
                           d->core.limb.width.value, d->core.spacing.value);
    winding_form_of(d, &form);
    if (form.overall > form.length / form.sections)
        return status_fail(
            st, STATUS_INPUT,
            "the wire is %g mm over all and does not go into a wound length of %g mm",
            form.overall * 1e3, form.length * 1e3);
    if (amount_given(w->outside_max))
        most = w->outside_max.value;
    if (design_limbs(d) == 2 && w->turns[1].value > 0.0 && d->core.spacing.value < most) {
        most = d->core.spacing.value;
        why = "spacing of the limbs";
    }
    for (int b = 0; b < design_limbs(d); b++) {
        bool fits = winding_smooth(&form, w->turns[b].value, &r);
        long fit = 0;

        if (fits && r.outside_width <= most)
            continue;
        if (winding_most(&form, fits ? most : INFINITY, &fit, st))
            return STATUS_INPUT;
        /* half a layer's grace: the smooth winding and whole layers differ by that much */
        if (fits && w->turns[b].value <= (double)fit)
            continue;
        if (!fits)
            return status_fail(st, STATUS_INPUT,
                               "%.6g turns on limb %c do not fit on %.4g mm of core; %ld turns fit "
                               "before its ends meet",
                               w->turns[b].value, 'a' + b, form.length * 1e3, fit);
        return status_fail(st, STATUS_INPUT,
                           "%.6g turns on limb %c come to %.4g mm outside, but the %s is %.4g mm; "
                           "%ld turns fit",
                           w->turns[b].value, 'a' + b, r.outside_width * 1e3, why, most * 1e3, fit);
    }
    return status_ok(st);
}

enum status_code design_check(const struct design *d, struct status *st)
{
    const struct design_core *c = &d->core;
    const struct design_winding *w = &d->winding;
    const struct design_supply *s = &d->supply;
    const bool two = design_limbs(d) == 2, yoke = c->form == DESIGN_U_YOKE;
    const bool keeper = amount_given(c->keeper.width);
    const bool deep = c->limb.shape != DESIGN_ROUND;
    const struct rule rules[] = {
        {&c->limb.width, deep ? "the core width" : "the core diameter", "m", 0.5e-3, 0.5, true},
        {&c->limb.depth, "the core depth", "m", 0.5e-3, 0.5, deep},
        {&c->limb_length, "the limb length", "m", 1e-3, 1.0, true},
        {&c->spacing, "the spacing of the limb centres", "m", 1e-3, 1.0, two},
        {&c->yoke.width, "the yoke width", "m", 0.5e-3, 0.5, yoke},
        {&c->yoke.depth, "the yoke depth", "m", 0.5e-3, 0.5, yoke},
        {&c->yoke_length, "the yoke length", "m", 1e-3, 1.5, yoke},
        {&c->joint_gap, "the joint gap", "m", 0.0, 5e-3, true},
        {&c->pole_width, "the pole width", "m", 0.5e-3, 0.5, true},
        {&c->pole_depth, "the pole depth", "m", 0.5e-3, 0.5, true},
        {&c->keeper.width, "the keeper width", "m", 0.2e-3, 0.5, false},
        {&c->keeper.depth, "the keeper depth", "m", 0.2e-3, 0.5, keeper},
        {&c->keeper_length, "the keeper length", "m", 1e-3, 1.5, keeper},
        {&c->gap, "the gap", "m", 0.0, 0.1, true},
        {&c->roughness, "the contact roughness", "m", 0.0, 1e-3, true},
        {&w->turns[0], "the number of turns on limb a", "", 1.0, 1e6, true},
        {&w->turns[1], "the number of turns on limb b", "", 0.0, 1e6, true},
        {&w->fill, "the fill", "", 0.05, 1.0, true},
        {&w->wound_length, "the wound length", "m", 0.5e-3, 1.0, true},
        {&w->wrap, "the wrap on the core", "m", 0.0, 0.05, true},
        {&w->interlayer, "the wrap between layers", "m", 0.0, 0.01, true},
        {&w->outside_max, "the largest outside diameter", "m", 1e-3, 1.0, false},
        {&w->taper, "the taper", "turns a layer", 0.0, 100.0, true},
        {&w->lead_length, "the length of the leads", "m", 0.0, 1000.0, true},
        {&w->crossover, "the length of the cross-over", "m", 0.0, 10.0, true},
        {&w->section_wall, "the wall between sections", "m", 0.0, 0.1, true},
        {&s->voltage, "the supply voltage", "V", 0.0, 1000.0, false},
        {&s->source_resistance, "the source resistance", "ohm", 0.0, 1e6, true},
        {&s->pulse, "the pulse length", "s", 1e-6, 1e6, false},
        {&s->period, "the pulse period", "s", 1e-6, 1e9, false},
        {&s->ambient, "the ambient temperature", "C", -40.0, 150.0, true},
        {&d->work.pull, "the pull wanted", "N", 0.0, 1e6, false},
        {&d->work.gap, "the gap of the pull wanted", "m", 0.0, 0.1, false},
        {&d->work.safety_factor, "the safety factor", "", 1.0, 20.0, false},
        {&d->limits.resistance, "the limit on resistance", "", 1e-4, 1.0, false},
        {&d->limits.turns, "the limit on turns", "", 1e-4, 1.0, false},
        {&d->limits.pull_min, "the least pull", "N", 0.0, 1e6, false},
        {&d->limits.temperature_max, "the greatest temperature", "C", -40.0, 300.0, false},
    };

    if ((unsigned)c->form >= COUNT(form_words) || (unsigned)c->limb.shape >= COUNT(shape_words) ||
        (unsigned)w->layers >= COUNT(layers_words) || (unsigned)w->ends >= COUNT(ends_words))
        return status_fail(st, STATUS_INPUT,
                           "the form of core or winding is not one of the choices");
    if (check_rules(rules, COUNT(rules), st) || check_section(&c->limb, "core", st) ||
        check_wire(d, st))
        return STATUS_INPUT;
    if (w->in_hand < 1 || w->in_hand > 2)
        return status_fail(st, STATUS_INPUT, "%d wires in hand; 1 or 2 are allowed", w->in_hand);
    if (w->sections < 1 || w->sections > 2)
        return status_fail(st, STATUS_INPUT, "%d sections on a limb; 1 or 2 are allowed",
                           w->sections);
    if (amount_given(s->pulse) && amount_given(s->period) && s->pulse.value > s->period.value)
        return status_fail(st, STATUS_INPUT, "the pulse lasts %g s, longer than its period of %g s",
                           s->pulse.value, s->period.value);
    if (!c->air && !c->iron[0])
        return status_fail(st, STATUS_INPUT,
                           "the iron of the core is missing; name it, or say that the core is air");
    return check_space(d, st);
}
