#include "analyze/drawings.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const struct {
    const char *title, *x, *x_unit, *y, *y_unit;
} axes[CURVES_KINDS] = {
    [CURVES_PULL_GAP] = {"pull against gap", "gap at each pole", "m", "pull", "N"},
    [CURVES_PULL_CURRENT] = {"pull against current", "current", "A", "pull", "N"},
    [CURVES_RISE] = {"current after switching on", "time", "s", "current", "A"},
    [CURVES_HEAT] = {"warming of the winding", "time", "s", "temperature", "°C"},
};

enum drawings_outcome drawings_outcome_of(const struct evidence_item *item)
{
    if (item->outcome != EVIDENCE_HELD)
        return DRAWINGS_FELL;
    return item->bound == EVIDENCE_ABOVE ? DRAWINGS_MORE : DRAWINGS_HELD;
}

void drawings_outcome(struct plot *plot, enum drawings_outcome outcome,
                      enum plot_direction direction, size_t n, const double *x, const double *y)
{
    static const struct {
        const char *label;
        enum canvas_shape shape;
        int colour;
    } looks[DRAWINGS_OUTCOMES] = {[DRAWINGS_HELD] = {"held", CANVAS_CIRCLE, 2},
                                  [DRAWINGS_FELL] = {"dropped or not lifted", CANVAS_CROSS, 3},
                                  [DRAWINGS_MORE] = {"more than", CANVAS_TRIANGLE, 4}};

    if (!n)
        return;
    plot_colour(plot, looks[outcome].colour);
    if (outcome == DRAWINGS_MORE)
        plot_censored(plot, looks[outcome].label, looks[outcome].shape, direction, n, x, y);
    else
        plot_points(plot, looks[outcome].label, looks[outcome].shape, n, x, y, NULL, NULL);
}

static void put_trials(struct plot *plot, const struct curve *curve,
                       const struct evidence_set *evidence)
{
    double x[EVIDENCE_MAX];
    double y[EVIDENCE_MAX];

    for (int outcome = 0; outcome < DRAWINGS_OUTCOMES; ++outcome) {
        size_t n = 0;

        for (size_t i = 0; i < evidence->count; ++i) {
            const struct evidence_item *item = &evidence->item[i];

            if (item->kind != EVIDENCE_LIFT || (int)drawings_outcome_of(item) != outcome)
                continue;
            x[n] = curve->kind == CURVES_PULL_GAP ? item->at.gap : item->at.current;
            y[n] = item->value;
            if (isfinite(x[n]) && isfinite(y[n]))
                ++n;
        }
        drawings_outcome(plot, (enum drawings_outcome)outcome, PLOT_UP, n, x, y);
    }
}

struct plot *drawings_curve(const struct design *design, const struct curve *curve,
                            const struct evidence_set *evidence)
{
    bool pull = curve->kind == CURVES_PULL_GAP || curve->kind == CURVES_PULL_CURRENT;
    char title[160];
    struct plot *plot;

    snprintf(title, sizeof title, "%s: %s", design->name, axes[curve->kind].title);
    plot = plot_new(title);
    if (!plot)
        return NULL;
    plot_subtitle(plot, "as designed, with the 95 % band");
    plot_axis(plot, PLOT_X, axes[curve->kind].x, axes[curve->kind].x_unit, PLOT_LINEAR);
    plot_axis(plot, PLOT_Y, axes[curve->kind].y, axes[curve->kind].y_unit,
              curve->kind == CURVES_PULL_GAP ? PLOT_LOG : PLOT_LINEAR);
    plot_band(plot, NULL, curve->n, curve->x, curve->low, curve->high);
    plot_line(plot, "design", curve->n, curve->x, curve->y);
    if (isfinite(curve->at))
        plot_mark(plot, PLOT_X, curve->at,
                  curve->kind == CURVES_RISE ? "end of pulse" : "working point");
    if (isfinite(curve->limit))
        plot_mark(plot, PLOT_Y, curve->limit, pull ? "pull wanted" : "limit of the material");
    if (evidence && pull)
        put_trials(plot, curve, evidence);
    return plot;
}

struct plot *drawings_deviations(const struct evidence_set *evidence,
                                 const struct compare_prediction *prediction)
{
    struct plot *plot = plot_new("measured against design");
    double x[EVIDENCE_MAX];
    double y[EVIDENCE_MAX];
    double u[EVIDENCE_MAX];
    double edge_x[2];
    double zero[2] = {0.0, 0.0};
    size_t n = 0;
    size_t row = 0; /* of the sheet's table, where lift trials stand together at the end */

    if (!plot)
        return NULL;
    for (size_t i = 0; i < evidence->count; ++i) {
        const struct evidence_item *item = &evidence->item[i];
        double p = prediction[i].amount.value;

        row += item->kind != EVIDENCE_LIFT;
        /* What is predicted within a factor only has no deviation worth drawing in per cent. */
        if (!prediction[i].exists || item->bound != EVIDENCE_EQUAL || p == 0.0 ||
            prediction[i].amount.u > 0.5 * fabs(p) || item->kind == EVIDENCE_LIFT ||
            item->kind == EVIDENCE_POLARITY)
            continue;
        x[n] = (double)row;
        y[n] = 100.0 * (item->value / p - 1.0);
        u[n] = 100.0 * hypot(compare_measured_u(evidence, item), prediction[i].amount.u) / fabs(p);
        ++n;
    }
    plot_subtitle(plot, "with one standard uncertainty of both");
    plot_axis(plot, PLOT_X, "row of the table above", NULL, PLOT_LINEAR);
    plot_axis(plot, PLOT_Y, "measured - predicted", "%", PLOT_LINEAR);
    plot_range(plot, PLOT_X, 0.0, (double)(row + 1));
    plot_include(plot, PLOT_Y, -5.0);
    plot_include(plot, PLOT_Y, 5.0);
    edge_x[0] = 0.0;
    edge_x[1] = (double)(row + 1);
    plot_line(plot, "as designed", 2, edge_x, zero);
    plot_points(plot, "measured", CANVAS_SQUARE, n, x, y, NULL, u);
    return plot;
}

static double or_zero(struct amount a)
{
    return amount_given(a) ? a.value : 0.0;
}

void drawings_coil(const struct design *design, const struct prediction *prediction,
                   struct coildraw *shape, struct drawings_labels *labels)
{
    const struct design_core *core = &design->core;
    int limbs = design_limbs(design);

    memset(shape, 0, sizeof *shape);
    snprintf(labels->title, sizeof labels->title, "%s, cut through its limbs, to scale",
             design->name);
    shape->title = labels->title;
    shape->limbs = limbs;
    shape->core_diameter = core->limb.width.value;
    shape->limb_length = core->limb_length.value;
    shape->insulation = or_zero(design->winding.wrap);
    shape->limb_spacing = limbs == 2 ? core->spacing.value : 0.0;
    if (core->form == DESIGN_U_YOKE)
        shape->yoke_thickness = core->yoke.shape == DESIGN_ROUND ? or_zero(core->yoke.width)
                                                                 : or_zero(core->yoke.depth);
    else if (core->form == DESIGN_U_BENT)
        shape->yoke_thickness = core->limb.width.value;
    shape->gap = or_zero(core->gap);
    shape->keeper_thickness = core->keeper.shape == DESIGN_ROUND ? or_zero(core->keeper.width)
                                                                 : or_zero(core->keeper.depth);
    for (int i = 0; i < limbs; ++i) {
        const struct prediction_figure *layers = &prediction->figure[COIL_LAYERS_A + i];
        bool aiding = design->winding.sense == DESIGN_AIDING;

        snprintf(labels->limb[i], sizeof labels->limb[i], "limb %c: %g turns", 'A' + i,
                 design->winding.turns[i].value);
        shape->limb[i] = (struct coildraw_limb){
            .winding_length = design->winding.wound_length.value,
            .outer_diameter = prediction->figure[COIL_OUTSIDE_A + i].value,
            .layers = layers->exists && design->winding.layers != DESIGN_SCRAMBLE
                          ? (int)ceil(layers->value - 0.01)
                          : 0,
            /* seen from the pole faces the two limbs of an aiding pair run opposite ways */
            .turn = i == 0 || !aiding ? COILDRAW_CLOCKWISE : COILDRAW_COUNTER,
            .label = labels->limb[i]};
    }
    if (limbs == 2)
        shape->join = design->winding.connection == DESIGN_SERIES
                          ? "in series: the cross-over keeps the poles opposite"
                          : "in parallel";
}
