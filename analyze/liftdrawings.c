#include "analyze/liftdrawings.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include "analyze/compare.h"
#include "analyze/curves.h"
#include "analyze/drawings.h"
#include "analyze/model/prediction.h"

#define LINE_POINTS 25
#define COVERAGE    1.96

/* Colour of points of unloading, beside those of the outcomes. */
#define UNLOAD_COLOUR 5

/* Trials and points of unloading at the study's gap (all gaps with by_gap). */
static void put_trials(struct plot *plot, const struct lifting *l, bool by_gap)
{
    const struct evidence_set *set = &l->gathered.evidence;
    double x[DRAWINGS_OUTCOMES][EVIDENCE_MAX];
    double y[DRAWINGS_OUTCOMES][EVIDENCE_MAX];
    double pull_x[EVIDENCE_MAX];
    double pull_y[EVIDENCE_MAX];
    size_t n[DRAWINGS_OUTCOMES] = {0};
    size_t pulls = 0;

    for (size_t i = 0; i < set->count; ++i) {
        const struct evidence_item *item = &set->item[i];
        bool pull = item->kind == EVIDENCE_PULL && item->bound == EVIDENCE_EQUAL;
        double at = by_gap ? compare_gap(&l->entry.design, item->at.gap) : item->at.current;
        double value = item->value;
        enum drawings_outcome o = drawings_outcome_of(item);

        if ((!pull && item->kind != EVIDENCE_LIFT) || !(item->at.current > 0.0) ||
            !isfinite(item->at.gap) || (!by_gap && fabs(item->at.gap - l->gap) > 2e-6))
            continue;
        if (by_gap)
            value *=
                lifting_pull(&l->entry.design, l->current, item->at.gap, l->contact_design) /
                lifting_pull(&l->entry.design, item->at.current, item->at.gap, l->contact_design);
        if (!isfinite(value))
            continue;
        if (pull) {
            pull_x[pulls] = at;
            pull_y[pulls++] = value;
        } else {
            x[o][n[o]] = at;
            y[o][n[o]++] = value;
        }
    }
    for (int o = 0; o < DRAWINGS_OUTCOMES; ++o)
        drawings_outcome(plot, (enum drawings_outcome)o, PLOT_UP, n[o], x[o], y[o]);
    if (!pulls)
        return;
    plot_colour(plot, UNLOAD_COLOUR);
    plot_points(plot, "by unloading", CANVAS_DIAMOND, pulls, pull_x, pull_y, NULL, NULL);
}

static struct plot *base(const struct lifting *l, const char *what, const char *subtitle,
                         enum curves_kind kind, double reach, struct curve *curve)
{
    struct design copy = l->entry.design;
    char title[160];
    struct plot *plot;
    struct status st;

    copy.core.gap = amount_of(compare_gap(&copy, l->gap), copy.core.gap.u);
    copy.work.gap = amount_none();
    snprintf(title, sizeof title, "%s: %s", l->entry.design.name, what);
    plot = plot_new(title);
    if (!plot)
        return NULL;
    plot_subtitle(plot, subtitle);
    if (curve && curves_make(&copy, kind, reach, curve, &st) == STATUS_OK) {
        plot_band(plot, NULL, curve->n, curve->x, curve->low, curve->high);
        plot_line(plot, "design", curve->n, curve->x, curve->y);
    }
    if (isfinite(l->wanted))
        plot_mark(plot, PLOT_Y, l->wanted, "pull wanted");
    return plot;
}

struct plot *liftdrawings_current(const struct lifting *l)
{
    const struct evidence_set *set = &l->gathered.evidence;
    struct curve *curve = calloc(1, sizeof *curve);
    double reach = 1.5 * l->current;
    double x[LINE_POINTS];
    double y[LINE_POINTS];
    struct plot *plot;

    if (!curve)
        return NULL;
    for (size_t i = 0; i < set->count; ++i)
        if (set->item[i].kind == EVIDENCE_LIFT && isfinite(set->item[i].at.current))
            reach = fmax(reach, 1.1 * set->item[i].at.current);
    plot = base(l, "pull against current",
                l->gap > 0.0 ? "over the shim; the design with its 95 % band"
                             : "keeper on the bare faces; the design with its 95 % band",
                CURVES_PULL_CURRENT, reach, curve);
    free(curve);
    if (!plot)
        return NULL;
    plot_axis(plot, PLOT_X, "current", "A", PLOT_LINEAR);
    plot_axis(plot, PLOT_Y, "pull", "N", PLOT_LINEAR);
    plot_include(plot, PLOT_Y, 0.0);
    if (isfinite(l->contact.value)) {
        for (int i = 0; i < LINE_POINTS; ++i) {
            x[i] = reach * (i + 0.2) / (LINE_POINTS - 1 + 0.2);
            y[i] = lifting_pull(&l->entry.design, x[i], l->gap, l->contact.value);
        }
        plot_line(plot, "as it lifted", LINE_POINTS, x, y);
    }
    if (l->worst)
        plot_mark(plot, PLOT_X, l->worst_current,
                  l->worst_battery ? "end of battery" : "worst day");
    put_trials(plot, l, false);
    return plot;
}

/* The design's pull with that air between pole and keeper, and its relative standard uncertainty.
 * NaN when it cannot be worked out. */
static double design_pull(const struct lifting *l, double air, double *u)
{
    struct prediction *prediction = calloc(1, sizeof *prediction);
    struct coil_conditions k = {
        .drive = COIL_DRIVE_PAIR, .voltage = NAN, .current = l->current, .keeper = true};
    struct design copy = l->entry.design;
    struct coil *coil;
    struct status st;
    double pull = NAN;

    copy.core.gap = amount_of(air, copy.core.gap.u);
    *u = NAN;
    if (prediction && coil_new(&copy, &coil, &st) == STATUS_OK) {
        if (prediction_make(coil, &k, COIL_FIELD, 0, prediction, &st) == STATUS_OK) {
            pull = prediction->figure[COIL_PULL].value;
            *u = prediction->figure[COIL_PULL].u / pull;
        }
        coil_free(coil);
    }
    free(prediction);
    return pull;
}

struct plot *liftdrawings_gap(const struct lifting *l)
{
    double widest = 0.3e-3;
    double x[LINE_POINTS];
    double y[LINE_POINTS];
    double low[LINE_POINTS];
    double high[LINE_POINTS];
    struct plot *plot;

    for (size_t i = 0; i < l->groups; ++i)
        widest = fmax(widest, 1.3 * compare_gap(&l->entry.design, l->group[i].gap));
    plot =
        base(l, "pull against gap", "trials brought to one current; the design with its 95 % band",
             CURVES_PULL_CURRENT, widest, NULL);
    if (!plot)
        return NULL;
    plot_axis(plot, PLOT_X, "air at each pole", "m", PLOT_LINEAR);
    plot_axis(plot, PLOT_Y, "pull", "N", PLOT_LOG);
    for (int i = 0; i < LINE_POINTS; ++i) {
        double share = (double)i / (LINE_POINTS - 1);
        double u;

        x[i] = widest * share * share;
        y[i] = design_pull(l, x[i], &u);
        low[i] = y[i] * exp(-COVERAGE * u);
        high[i] = y[i] * exp(COVERAGE * u);
    }
    plot_band(plot, NULL, LINE_POINTS, x, low, high);
    plot_line(plot, "design", LINE_POINTS, x, y);
    put_trials(plot, l, true);
    return plot;
}

struct plot *liftdrawings_chance(const struct lifting *l)
{
    double x[4 * LINE_POINTS];
    double y[4 * LINE_POINTS];
    double low[4 * LINE_POINTS];
    double high[4 * LINE_POINTS];
    double px[DRAWINGS_OUTCOMES][EVIDENCE_MAX];
    double py[DRAWINGS_OUTCOMES][EVIDENCE_MAX];
    size_t n[DRAWINGS_OUTCOMES] = {0};
    const struct lift_fit *fit = &l->fit;
    char title[128];
    double from;
    double to;
    struct plot *plot;

    if (fit->kind != LIFT_INTERVAL || !isfinite(fit->low) || !isfinite(fit->high))
        return NULL;
    snprintf(title, sizeof title, "%s: probability of holding", l->entry.design.name);
    plot = plot_new(title);
    if (!plot)
        return NULL;
    from = fit->low - 2.5 * fit->scatter;
    to = fit->high + 2.5 * fit->scatter;
    for (int i = 0; i < 4 * LINE_POINTS; ++i) {
        double at = from + (to - from) * i / (4 * LINE_POINTS - 1);
        struct lift_fit end = *fit;

        x[i] = exp(at);
        y[i] = 100.0 * lift_probability(fit, at);
        end.mu = fit->low;
        low[i] = 100.0 * lift_probability(&end, at);
        end.mu = fit->high;
        high[i] = 100.0 * lift_probability(&end, at);
    }
    for (size_t i = 0; i < l->trials; ++i) {
        enum drawings_outcome o = drawings_outcome_of(&l->gathered.evidence.item[l->item[i]]);

        if (l->trial[i].side != LIFT_ABOVE && l->trial[i].side != LIFT_BELOW)
            continue;
        if (l->trial[i].value < from || l->trial[i].value > to)
            continue; /* far away it says only what everybody knows */
        px[o][n[o]] = exp(l->trial[i].value);
        py[o][n[o]++] = l->trial[i].side == LIFT_ABOVE ? 100.0 : 0.0;
    }
    plot_subtitle(plot, "one seating; band: 95 % of the threshold");
    plot_axis(plot, PLOT_X, "load at the current of the trials", "N", PLOT_LINEAR);
    plot_axis(plot, PLOT_Y, "held", "%", PLOT_LINEAR);
    plot_range(plot, PLOT_Y, -5.0, 105.0);
    plot_band(plot, NULL, 4 * LINE_POINTS, x, low, high);
    plot_line(plot, "most likely", 4 * LINE_POINTS, x, y);
    for (int o = 0; o < DRAWINGS_OUTCOMES; ++o)
        drawings_outcome(plot, (enum drawings_outcome)o, PLOT_RIGHT, n[o], px[o], py[o]);
    return plot;
}

struct plot *liftdrawings_unload(const char *coil, const struct unload_curve *curve)
{
    double x[2][UNLOAD_POINTS_MAX];
    double y[2][UNLOAD_POINTS_MAX];
    double u[2][UNLOAD_POINTS_MAX];
    double end_x[UNLOAD_POINTS_MAX];
    double end_y[UNLOAD_POINTS_MAX];
    size_t n[2] = {0};
    size_t ends = 0;
    char title[128];
    struct plot *plot;

    snprintf(title, sizeof title, "%s: pull by unloading a scale", coil);
    plot = plot_new(title);
    if (!plot)
        return NULL;
    for (size_t i = 0; i < curve->points; ++i) {
        const struct unload_point *p = &curve->point[i];

        if (p->more_than) {
            end_x[ends] = p->current;
            end_y[ends++] = p->pull;
            continue;
        }
        x[p->falling][n[p->falling]] = p->current;
        y[p->falling][n[p->falling]] = p->pull;
        u[p->falling][n[p->falling]++] = p->u;
    }
    plot_subtitle(plot, "bars of one standard uncertainty");
    plot_axis(plot, PLOT_X, "current", "A", PLOT_LINEAR);
    plot_axis(plot, PLOT_Y, "pull", "N", PLOT_LINEAR);
    plot_include(plot, PLOT_X, 0.0);
    plot_include(plot, PLOT_Y, 0.0);
    if (n[0])
        plot_points(plot, "current rising", CANVAS_CIRCLE, n[0], x[0], y[0], NULL, u[0]);
    if (n[1])
        plot_points(plot, "current falling", CANVAS_SQUARE, n[1], x[1], y[1], NULL, u[1]);
    if (ends)
        plot_censored(plot, "more than", CANVAS_TRIANGLE, PLOT_UP, ends, end_x, end_y);
    return plot;
}
