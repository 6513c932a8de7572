#include "analyze/lifting.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/compare.h"
#include "analyze/model/cell.h"
#include "analyze/model/input.h"
#include "analyze/model/prediction.h"
#include "analyze/outlook.h"
#include "db/quantity.h"

#define GRAVITY      9.80665 /* m/s2, 3rd CGPM 1901 */
#define COVERAGE     1.96
#define MU0          1.25663706212e-6
#define STRONGEST    2.4    /* T; no iron carries more through a pole face */
#define IRON_DENSITY 7850.0 /* kg/m3 */
#define SAME_GAP     2e-6   /* m */

#define CONTACT_LEAST 1e-6 /* m, air searched for */
#define CONTACT_MOST  5e-3
/* What filed or ground faces, paint and plating leave at most. Common practice, no source. */
#define CONTACT_FILED 0.2e-3

/* A trial may be a slip of the pen or a bad seating; one marked doubtful more often. */
#define LAPSE          0.01
#define LAPSE_DOUBTFUL 0.1

/* How far the shape of the pull against current may be off, of the logarithm it corrects. */
#define SHAPE_U 0.1

/* Scatter of sticking from one time to the next, ln: median and spread. Common practice, no
 * source. */
#define STICK_SCATTER        0.3
#define STICK_SCATTER_SPREAD 0.7

/* Shims tried against sticking: to 0.5 mm by 0.05 mm, then to 3 mm by 0.25 mm. */
#define SHIM_FINE  10
#define SHIM_STEPS 21

struct lifting_options lifting_options_default(void)
{
    return (struct lifting_options){NAN, NAN, NAN, NAN, NAN, NAN, NAN};
}

void lifting_free(struct lifting *lifting)
{
    free(lifting);
}

/* ---- the model ---- */

static void put_air(const struct design *design, struct coil_specimen *s, double shim,
                    double contact)
{
    double rough = fmin(contact, design->core.roughness.value);

    s->roughness = rough;
    s->gap = shim + contact - rough;
}

static double ask(const struct design *design, double current, double shim, double contact,
                  unsigned want, enum coil_quantity quantity)
{
    struct coil_conditions k = {.drive = COIL_DRIVE_PAIR, .voltage = NAN, .keeper = true};
    struct coil_specimen s;
    struct coil_observables y;
    struct coil *coil;
    struct status st;
    double value = NAN;

    if (coil_new(design, &coil, &st) != STATUS_OK)
        return NAN;
    coil_specimen_nominal(coil, &s);
    put_air(design, &s, shim, contact);
    k.current = current;
    if (coil_forward(coil, &s, &k, want, &y, &st) == STATUS_OK)
        value = y.y[quantity];
    coil_free(coil);
    return value;
}

double lifting_pull(const struct design *design, double current, double shim, double contact)
{
    return ask(design, current, shim, contact, COIL_FIELD, COIL_PULL);
}

double lifting_possible(const struct design *design)
{
    const struct design_core *core = &design->core;
    double width = amount_given(core->pole_width) ? core->pole_width.value : core->limb.width.value;
    double depth = amount_given(core->pole_depth) ? core->pole_depth.value : core->limb.depth.value;
    double area = core->limb.shape == DESIGN_ROUND ? 0.25 * M_PI * width * width : width * depth;

    return design_limbs(design) * area * STRONGEST * STRONGEST / (2.0 * MU0);
}

/* The air that gives that pull; INFINITY when even CONTACT_MOST gives more, 0 when no air at all
 * gives less. Pull falls with air, so halving finds it. */
static double contact_for(const struct lifting *l, double pull)
{
    const struct design *d = &l->entry.design;
    double low = log(CONTACT_LEAST);
    double high = log(CONTACT_MOST);

    if (!(pull < lifting_pull(d, l->current, l->gap, CONTACT_LEAST)))
        return 0.0;
    if (!(pull > lifting_pull(d, l->current, l->gap, CONTACT_MOST)))
        return INFINITY;
    while (high - low > 1e-3) {
        double middle = 0.5 * (low + high);

        if (lifting_pull(d, l->current, l->gap, exp(middle)) > pull)
            low = middle;
        else
            high = middle;
    }
    return exp(0.5 * (low + high));
}

/* ---- trials ---- */

static bool is_trial(const struct evidence_item *item)
{
    return item->kind == EVIDENCE_LIFT && isfinite(item->at.current) && item->at.current > 0.0 &&
           isfinite(item->at.gap) && item->value > 0.0;
}

static void group_trials(struct lifting *l)
{
    const struct evidence_set *set = &l->gathered.evidence;

    for (size_t i = 0; i < set->count; ++i) {
        const struct evidence_item *item = &set->item[i];
        struct lifting_group *g;
        size_t k = 0;

        if (!is_trial(item) && !(item->kind == EVIDENCE_PULL && isfinite(item->at.gap)))
            continue;
        while (k < l->groups && fabs(l->group[k].gap - item->at.gap) > SAME_GAP)
            ++k;
        if (k == LIFTING_GAPS_MAX)
            continue;
        g = &l->group[k];
        if (k == l->groups) {
            *g = (struct lifting_group){.gap = item->at.gap, .most_held = NAN, .least_fell = NAN};
            ++l->groups;
        }
        if (item->kind == EVIDENCE_PULL)
            continue;
        ++g->trials;
        if (item->outcome == EVIDENCE_HELD) {
            ++g->held;
            g->most_held = fmax(g->most_held, item->value);
        } else {
            ++g->fell;
            g->least_fell = fmin(g->least_fell, item->value);
        }
    }
}

static int by_value(const void *a, const void *b)
{
    double x = *(const double *)a;
    double y = *(const double *)b;

    return (x > y) - (x < y);
}

static double median_current(const struct lifting *l)
{
    const struct evidence_set *set = &l->gathered.evidence;
    double current[EVIDENCE_MAX];
    size_t n = 0;

    for (size_t i = 0; i < set->count; ++i)
        if (is_trial(&set->item[i]) && fabs(set->item[i].at.gap - l->gap) <= SAME_GAP)
            current[n++] = set->item[i].at.current;
    if (n == 0)
        for (size_t i = 0; i < set->count; ++i)
            if (set->item[i].kind == EVIDENCE_PULL &&
                fabs(set->item[i].at.gap - l->gap) <= SAME_GAP && set->item[i].at.current > 0.0)
                current[n++] = set->item[i].at.current;
    if (n == 0)
        return NAN;
    qsort(current, n, sizeof *current, by_value);
    return n % 2 ? current[n / 2] : 0.5 * (current[n / 2 - 1] + current[n / 2]);
}

static double design_current(const struct design *design)
{
    struct prediction *prediction = calloc(1, sizeof *prediction);
    struct coil_conditions k;
    struct coil *coil;
    struct status st;
    double current = NAN;

    if (prediction && coil_new(design, &coil, &st) == STATUS_OK) {
        coil_conditions_nominal(coil, &k);
        if (prediction_make(coil, &k, COIL_ELECTRIC, 0, prediction, &st) == STATUS_OK)
            current = prediction->figure[COIL_CURRENT].value;
        coil_free(coil);
    }
    free(prediction);
    return current;
}

/* Ratio of the pull at another current to that at the stated one, ln. */
static double shape(const struct lifting *l, double current)
{
    const struct design *d = &l->entry.design;
    double contact = l->contact_design;

    if (fabs(current - l->current) < 1e-4 * l->current)
        return 2.0 * log(current / l->current);
    return log(lifting_pull(d, current, l->gap, contact) /
               lifting_pull(d, l->current, l->gap, contact));
}

static void add_trial(struct lifting *l, size_t index, struct lift_trial trial)
{
    l->item[l->trials] = index;
    l->trial[l->trials++] = trial;
}

/* One curve of unloading is one seating, however many points it has: their mean counts once. */
static void add_curve(struct lifting *l, size_t first, size_t end)
{
    const struct evidence_set *set = &l->gathered.evidence;
    double sum = 0.0;
    double weight = 0.0;
    double least_u = INFINITY;

    for (size_t i = first; i < end; ++i) {
        const struct evidence_item *item = &set->item[i];
        double value = log(item->value) - shape(l, item->at.current);
        double u = hypot(item->u / item->value, SHAPE_U * log(item->at.current / l->current));

        if (!isfinite(value))
            continue;
        if (item->bound == EVIDENCE_ABOVE) {
            add_trial(l, i, (struct lift_trial){.side = LIFT_ABOVE, .value = value, .u = u});
            continue;
        }
        sum += value / (u * u);
        weight += 1.0 / (u * u);
        least_u = fmin(least_u, u);
    }
    if (weight > 0.0)
        add_trial(l, first,
                  (struct lift_trial){.side = LIFT_EXACT, .value = sum / weight, .u = least_u});
}

static void collect(struct lifting *l)
{
    const struct evidence_set *set = &l->gathered.evidence;
    double gain = 0.0;
    double ammeter = 0.0;

    for (size_t i = 0; i < set->count; ++i) {
        const struct evidence_item *item = &set->item[i];
        bool same = isfinite(item->at.gap) && fabs(item->at.gap - l->gap) <= SAME_GAP;

        if (!same)
            continue;
        if (item->kind == EVIDENCE_PULL && item->value > 0.0 && item->at.current > 0.0) {
            size_t end = i + 1;

            while (end < set->count && set->item[end].kind == EVIDENCE_PULL &&
                   l->gathered.source[end] == l->gathered.source[end - 1] + 1 &&
                   set->item[end].value > 0.0 && set->item[end].at.current > 0.0 &&
                   fabs(set->item[end].at.gap - l->gap) <= SAME_GAP)
                ++end;
            add_curve(l, i, end);
            i = end - 1;
        } else if (is_trial(item)) {
            double move = shape(l, item->at.current);

            if (!isfinite(move))
                continue;
            /* 'More than' that fell says nothing: any load would do. */
            if (item->bound == EVIDENCE_ABOVE && item->outcome != EVIDENCE_HELD)
                continue;
            add_trial(l, i,
                      (struct lift_trial){.side = item->outcome == EVIDENCE_HELD ? LIFT_ABOVE
                                                                                 : LIFT_BELOW,
                                          .value = log(item->value) - move,
                                          .u = hypot(item->u / item->value, SHAPE_U * move),
                                          .lapse = item->doubtful ? LAPSE_DOUBTFUL : LAPSE});
        } else
            continue;
        if (item->instrument >= 0)
            gain = fmax(gain, set->instrument[item->instrument].gain_u);
        if (item->at.current_u > 0.0 && item->at.current > 0.0)
            ammeter = fmax(ammeter, fmin(0.5, item->at.current_u / item->at.current));
    }
    l->fit_options.shared_u = hypot(gain, l->saturation * ammeter);
}

/* ---- what it says ---- */

static struct lifting_figure figure_of(const struct lift_fit *fit, double move)
{
    return (struct lifting_figure){exp(fit->mu + move), exp(fit->low + move),
                                   exp(fit->high + move)};
}

/* Predicts the same; *rest is what is uncertain in it beside the air, ln. */
static enum status_code predict(struct lifting *l, double *rest, struct status *st)
{
    struct prediction *prediction = calloc(1, sizeof *prediction);
    struct design copy = l->entry.design;
    struct coil_conditions k = {.drive = COIL_DRIVE_PAIR, .voltage = NAN, .keeper = true};
    struct coil *coil;
    const struct prediction_figure *pull;
    enum status_code code;
    double u;

    if (!prediction)
        return status_fail(st, STATUS_MEMORY, "no memory");
    copy.core.gap = amount_of(compare_gap(&copy, l->gap), copy.core.gap.u);
    k.current = l->current;
    code = coil_new(&copy, &coil, st);
    if (code == STATUS_OK) {
        code = prediction_make(coil, &k, COIL_FIELD, 0, prediction, st);
        coil_free(coil);
    }
    if (code == STATUS_OK) {
        pull = &prediction->figure[COIL_PULL];
        u = pull->value > 0.0 ? pull->u / pull->value : 0.0;
        *rest = u * sqrt(fmax(0.0, 1.0 - pull->share[INPUT_CAUSE_GAP]));
        l->predicted = (struct lifting_figure){pull->value, pull->value * exp(-COVERAGE * u),
                                               pull->value * exp(COVERAGE * u)};
        l->limit = prediction->limit;
    }
    free(prediction);
    return code;
}

static void put_contact(struct lifting *l, double rest)
{
    double more = COVERAGE * rest;
    double low = l->pull.low > 0.0 ? log(l->pull.low) : -INFINITY;
    double high = isfinite(l->pull.high) ? log(l->pull.high) : INFINITY;
    double middle = isfinite(l->pull.value) ? log(l->pull.value) : NAN;

    if (isfinite(middle)) {
        low = middle - hypot(middle - low, more);
        high = middle + hypot(high - middle, more);
    } else {
        low -= more;
        high += more;
    }
    /* more pull is less air */
    l->contact.value = isfinite(middle) ? contact_for(l, l->pull.value) : NAN;
    l->contact.low = isfinite(high) ? contact_for(l, exp(high)) : 0.0;
    l->contact.high = isfinite(low) ? contact_for(l, exp(low)) : INFINITY;
    if (!isfinite(l->contact.value) || l->contact.value == 0.0)
        l->contact.value = NAN;
    if (l->fit.kind == LIFT_NOTHING)
        l->hint = LIFTING_NO_HINT;
    else if (l->contact.high == 0.0)
        l->hint = LIFTING_TOO_STRONG;
    else if (l->contact.low > 5.0 * CONTACT_FILED || !isfinite(l->contact.low))
        l->hint = LIFTING_TOO_WEAK;
    else if (l->contact.low > CONTACT_FILED)
        l->hint = LIFTING_WIDE_GAP;
    else if (!isfinite(middle) && l->contact.high > 5.0 * CONTACT_FILED)
        l->hint = LIFTING_OPEN;
    else
        l->hint = LIFTING_AGREES;
}

/* The coil's resistance as measured, over that predicted at the same temperature; 1 unmeasured. */
static double measured_over_predicted(const struct lifting *l)
{
    const struct evidence_set *set = &l->gathered.evidence;
    struct compare_prediction expected;
    struct status st;

    for (size_t i = set->count; i-- > 0;) {
        const struct evidence_item *item = &set->item[i];

        if (item->kind == EVIDENCE_RESISTANCE && item->place == EVIDENCE_PAIR &&
            item->bound == EVIDENCE_EQUAL && !item->doubtful && item->value > 0.0 &&
            compare_item(&l->entry.design, item, &expected, &st) == STATUS_OK && expected.exists &&
            expected.amount.value > 0.0)
            return item->value / expected.amount.value;
    }
    return 1.0;
}

/* The current on the day when the battery is nearly spent and the winding warm. */
static void put_worst(struct lifting *l, const struct lifting_options *options)
{
    const struct design *d = &l->entry.design;
    const struct cell_kind *kind = d->supply.battery[0] ? cell_kind(d->supply.battery) : NULL;
    struct prediction *prediction = calloc(1, sizeof *prediction);
    struct outlook outlook = {0};
    struct coil_conditions k;
    struct coil_observables y;
    struct coil_specimen s;
    struct coil *coil = NULL;
    struct status st;
    double relative = 0.05; /* of the voltage */
    double ohm;
    double contact = isfinite(l->contact.value) ? l->contact.value : l->contact_design;
    double move;

    if (!prediction || coil_new(d, &coil, &st) != STATUS_OK) {
        free(prediction);
        return;
    }
    coil_conditions_nominal(coil, &k);
    if (prediction_make(coil, &k, COIL_FIELD | COIL_INDUCTANCE, 0, prediction, &st) == STATUS_OK)
        outlook_make(d, prediction, &outlook, &st);
    l->worst_temperature = isfinite(options->temperature) ? options->temperature
                           : outlook.powered              ? outlook.heat.temperature.value
                                                          : d->supply.ambient.value;
    if (isfinite(options->voltage)) {
        l->worst_voltage = options->voltage;
        relative = 0.0;
    } else if (kind && d->supply.cells_series > 0 && isfinite(kind->end_v.value)) {
        l->worst_voltage = kind->end_v.value * d->supply.cells_series;
        relative = 0.0; /* the end point is a choice */
        l->worst_battery = true;
    } else if (amount_given(d->supply.voltage)) {
        l->worst_voltage = d->supply.voltage.value;
        relative = d->supply.voltage.u / d->supply.voltage.value;
    } else
        l->worst_voltage = NAN;
    coil_specimen_nominal(coil, &s);
    s.temperature = l->worst_temperature;
    k.voltage = NAN;
    k.current = 0.1;
    if (isfinite(l->worst_voltage) && isfinite(l->worst_temperature) &&
        coil_forward(coil, &s, &k, COIL_ELECTRIC, &y, &st) == STATUS_OK &&
        isfinite(y.y[COIL_RESISTANCE_PAIR])) {
        double measured = measured_over_predicted(l);
        double ohm_u = measured != 1.0 ? 0.01
                                       : prediction->figure[COIL_RESISTANCE_PAIR].u /
                                             prediction->figure[COIL_RESISTANCE_PAIR].value;

        ohm = y.y[COIL_RESISTANCE_PAIR] * measured;
        /* the voltage of a battery's end point is that under load, at its terminals */
        if (!l->worst_battery && !isfinite(options->voltage) &&
            amount_given(d->supply.source_resistance))
            ohm += d->supply.source_resistance.value;
        l->worst_current = l->worst_voltage / ohm;
        l->worst_current_low = l->worst_current * exp(-COVERAGE * hypot(ohm_u, relative));
        l->worst = true;
    }
    coil_free(coil);
    free(prediction);
    /* What contradicts the design is not carried to another current by it. */
    if (!l->worst || l->fit.kind == LIFT_NOTHING || l->hint == LIFTING_TOO_STRONG)
        return;
    move = log(lifting_pull(d, l->worst_current, l->gap, contact) /
               lifting_pull(d, l->current, l->gap, contact));
    l->worst_pull = figure_of(&l->fit, move);
    l->worst_pull.low *= lifting_pull(d, l->worst_current_low, l->gap, contact) /
                         lifting_pull(d, l->worst_current, l->gap, contact) *
                         exp(-COVERAGE * SHAPE_U * fabs(move));
    /* A greater current pulls more, but a load to be hung rests on what was tried. */
    l->untried = l->worst_pull.low > l->pull.low;
    l->safe = l->pull.low > 0.0 && l->worst_pull.low > 0.0
                  ? fmin(l->worst_pull.low, l->pull.low) / l->factor
                  : NAN;
}

static double keeper_weight(const struct design *d)
{
    const struct design_core *core = &d->core;
    double area;

    if (!amount_given(core->keeper.width))
        return NAN;
    area = core->keeper.shape == DESIGN_ROUND
               ? 0.25 * M_PI * core->keeper.width.value * core->keeper.width.value
               : core->keeper.width.value * core->keeper.depth.value;
    return area *
           (amount_given(core->keeper_length) ? core->keeper_length.value
                                              : core->spacing.value + core->limb.width.value) *
           IRON_DENSITY * GRAVITY;
}

/* What sticking trials say, as a factor on the predicted residual pull; else only the prediction
 * with a factor of two either way (coercive force of unknown iron; common practice, no source). */
static void put_residual(struct lifting *l, double contact)
{
    const struct evidence_set *set = &l->gathered.evidence;
    const struct design *d = &l->entry.design;
    struct lift_options options = lift_options_default();
    struct lift_trial trial[EVIDENCE_MAX];
    struct lift_fit fit;
    struct status st;
    double most = 2.0; /* factor on the prediction not to be passed */
    size_t n = 0;

    options.scatter = STICK_SCATTER;
    options.scatter_spread = STICK_SCATTER_SPREAD;
    l->sticks = (struct lifting_figure){NAN, 0.0, INFINITY};
    l->residual =
        ask(d, l->current, l->gap, contact, COIL_FIELD | COIL_RESIDUAL, COIL_RESIDUAL_PULL);
    for (size_t i = 0; i < set->count; ++i) {
        const struct evidence_item *item = &set->item[i];

        if (item->kind != EVIDENCE_RESIDUAL_PULL || !(item->value > 0.0) ||
            (isfinite(item->at.gap) && fabs(item->at.gap - l->gap) > SAME_GAP))
            continue;
        trial[n++] = (struct lift_trial){.side = item->bound == EVIDENCE_ABOVE   ? LIFT_ABOVE
                                                 : item->bound == EVIDENCE_BELOW ? LIFT_BELOW
                                                                                 : LIFT_EXACT,
                                         .value = log(item->value),
                                         .u = fmin(1.0, item->u / item->value)};
    }
    if (n && lift_fit(trial, n, &options, &fit, &st) == STATUS_OK) {
        l->sticks = figure_of(&fit, 0.0);
        if (isfinite(l->sticks.high) && l->residual > 0.0)
            most = l->sticks.high / l->residual;
        else if (l->sticks.low > 0.0 && l->residual > 0.0)
            most = fmax(2.0, 2.0 * l->sticks.low / l->residual);
    }
    l->free_shim = INFINITY;
    l->free_load = NAN;
    for (int i = 0; i < SHIM_STEPS; ++i) {
        double shim = i < SHIM_FINE ? 0.05e-3 * i : 0.05e-3 * SHIM_FINE + 0.25e-3 * (i - SHIM_FINE);
        double left =
            ask(d, l->current, shim, contact, COIL_FIELD | COIL_RESIDUAL, COIL_RESIDUAL_PULL);

        if (isfinite(left) && left * most < l->release) {
            l->free_shim = shim;
            l->free_load = lifting_pull(d, l->current, shim, contact);
            break;
        }
    }
}

static enum status_code study(struct lifting *l, const struct lifting_options *options,
                              struct status *st)
{
    struct design *d = &l->entry.design;
    double rest = 0.0;
    double slope_step = 1.02;
    enum status_code code;

    l->worst_pull = l->pull = l->contact = (struct lifting_figure){NAN, 0.0, INFINITY};
    l->safe = l->residual = l->cancelling = l->free_load = NAN;
    l->free_shim = INFINITY;
    if (d->core.air || !amount_given(d->core.keeper.width))
        return status_fail(st, STATUS_INPUT,
                           "%s has no keeper to lift with: [keeper] section of its design",
                           d->name);
    group_trials(l);
    l->gap = options->gap;
    if (!isfinite(l->gap)) {
        l->gap = l->groups ? l->group[0].gap : 0.0;
        for (size_t i = 1; i < l->groups; ++i)
            l->gap = fmin(l->gap, l->group[i].gap);
    }
    l->contact_design = compare_gap(d, 0.0);
    l->current = options->current;
    if (!isfinite(l->current))
        l->current = median_current(l);
    if (!isfinite(l->current))
        l->current = design_current(d);
    if (!isfinite(l->current) || l->current <= 0.0)
        return status_fail(st, STATUS_INPUT,
                           "no current to state the pull at: give --current, or [supply] voltage "
                           "in the design");
    code = predict(l, &rest, st);
    if (code != STATUS_OK)
        return code;
    l->saturation = log(lifting_pull(d, l->current * slope_step, l->gap, l->contact_design) /
                        lifting_pull(d, l->current / slope_step, l->gap, l->contact_design)) /
                    (2.0 * log(slope_step));
    l->fit_options = lift_options_default();
    collect(l);
    code = lift_fit(l->trial, l->trials, &l->fit_options, &l->fit, st);
    if (code != STATUS_OK)
        return code;
    l->wanted = isfinite(options->load)      ? options->load
                : amount_given(d->work.pull) ? d->work.pull.value
                                             : NAN;
    /* a design that states none is completed with 1, which is no factor for a load */
    l->factor = isfinite(options->factor)           ? options->factor
                : d->work.safety_factor.value > 1.0 ? d->work.safety_factor.value
                                                    : LIFTING_FACTOR;
    l->release = isfinite(options->release) ? options->release : keeper_weight(d);
    if (l->fit.kind != LIFT_NOTHING) {
        l->pull = figure_of(&l->fit, 0.0);
        put_contact(l, rest);
    }
    if (design_limbs(d) == 2) {
        struct design other = *d;

        other.winding.sense = d->winding.sense == DESIGN_AIDING ? DESIGN_CANCELLING : DESIGN_AIDING;
        l->cancelling = lifting_pull(&other, l->current, l->gap, l->contact_design);
    }
    put_worst(l, options);
    put_residual(l, isfinite(l->contact.value) ? l->contact.value : l->contact_design);
    return status_ok(st);
}

enum status_code lifting_from(const struct coilbook_entry *entry, const struct gathered *gathered,
                              const struct lifting_options *options, struct lifting **out,
                              struct status *st)
{
    struct lifting *l = calloc(1, sizeof *l);
    enum status_code code;

    *out = NULL;
    if (!l)
        return status_fail(st, STATUS_MEMORY, "no memory");
    l->entry = *entry;
    l->gathered = *gathered;
    code = study(l, options, st);
    if (code == STATUS_OK)
        *out = l;
    else
        lifting_free(l);
    return code;
}

enum status_code lifting_study(struct units *units, struct store *store, const char *name,
                               int64_t run, const struct lifting_options *options,
                               struct lifting **out, struct status *st)
{
    struct coil *coil = NULL;
    struct lifting *l = calloc(1, sizeof *l);
    enum status_code code;

    *out = NULL;
    if (!l)
        return status_fail(st, STATUS_MEMORY, "no memory");
    l->run = run;
    code = coilbook_load(units, store, name, &l->entry, st);
    if (code == STATUS_OK)
        code = gather_evidence(store, &l->entry, run, &l->gathered, st);
    if (code == STATUS_OK)
        code = coil_new(&l->entry.design, &coil, st);
    if (code == STATUS_OK) {
        l->entry.design = *coil_design(coil);
        coil_free(coil);
        code = study(l, options, st);
    }
    if (code == STATUS_OK)
        *out = l;
    else
        lifting_free(l);
    return code;
}

/* ---- words ---- */

const char *lifting_words(char *buf, size_t size, double newton)
{
    if (!isfinite(newton))
        snprintf(buf, size, "unknown");
    else if (newton / GRAVITY >= 1.0)
        snprintf(buf, size, "%.3g N (%.3g kg)", newton, newton / GRAVITY);
    else
        snprintf(buf, size, "%.3g N (%.3g g)", newton, 1e3 * newton / GRAVITY);
    return buf;
}

const char *lifting_figure_words(char *buf, size_t size, const struct lifting_figure *figure)
{
    char a[64];

    if (isfinite(figure->value) && figure->low > 0.0 && isfinite(figure->high))
        snprintf(buf, size, "%s, 95 %% from %.3g N to %.3g N",
                 lifting_words(a, sizeof a, figure->value), figure->low, figure->high);
    else if (isfinite(figure->value))
        snprintf(buf, size, "about %s, ends unknown", lifting_words(a, sizeof a, figure->value));
    else if (figure->low > 0.0)
        snprintf(buf, size, "more than %s (95 %%)", lifting_words(a, sizeof a, figure->low));
    else if (isfinite(figure->high))
        snprintf(buf, size, "less than %s (95 %%)", lifting_words(a, sizeof a, figure->high));
    else
        snprintf(buf, size, "not tried");
    return buf;
}
