#include "analyze/batterylife.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include "analyze/model/coil.h"
#include "analyze/model/prediction.h"
#include "analyze/printing.h"

enum status_code batterylife_coil(const struct design *design, double *ohm, double *henry,
                                  double *u, struct status *st)
{
    struct prediction *prediction = calloc(1, sizeof *prediction);
    struct coil_conditions k = {
        .drive = COIL_DRIVE_PAIR, .voltage = NAN, .current = 0.1, .keeper = true};
    const struct prediction_figure *figure;
    struct coil *coil = NULL;
    enum status_code code;

    if (!prediction)
        return status_fail(st, STATUS_MEMORY, "no memory");
    if (amount_given(design->supply.voltage) && design->supply.voltage.value > 0.0) {
        k.voltage = design->supply.voltage.value;
        if (amount_given(design->supply.source_resistance))
            k.source_resistance = design->supply.source_resistance.value;
    }
    code = coil_new(design, &coil, st);
    if (code == STATUS_OK)
        code = prediction_make(coil, &k, COIL_INDUCTANCE, 0, prediction, st);
    if (code == STATUS_OK) {
        figure = &prediction->figure[COIL_RESISTANCE_PAIR];
        *ohm = figure->value;
        *u = fmin(0.5, figure->u / figure->value);
        figure = &prediction->figure[COIL_INDUCTANCE_ON];
        if (!figure->exists || !isfinite(figure->value))
            figure = &prediction->figure[COIL_INDUCTANCE_OFF];
        *henry = figure->exists && isfinite(figure->value) ? figure->value : 0.0;
    }
    coil_free(coil);
    free(prediction);
    return code;
}

enum status_code batterylife_make(struct batterylife *table, struct status *st)
{
    for (int i = 0; i < BATTERYLIFE_LENGTHS; i++)
        for (int j = 0; j < BATTERYLIFE_PERIODS; j++) {
            struct drive_duty duty = {
                .pulse = {.length_s = table->length_s[i], .period_s = table->period_s[j]},
                .needed_a = NAN,
                .temperature = table->temperature};

            if (drive_life(&table->battery, &table->circuit, &duty, table->u_coil,
                           &table->life[i][j], st) != STATUS_OK)
                return st ? st->code : STATUS_INPUT;
        }
    return status_ok(st);
}

/* ---- showing it ---- */

/* To three figures: a life is not known to more. */
static double three_figures(double days)
{
    double unit = days >= 1000.0 ? pow(10.0, floor(log10(days)) - 2.0) : 1.0;

    return round(days / unit) * unit;
}

static void life_cell(struct table *t, const struct drive_life *life)
{
    if (life->limit == DRIVE_NEVER)
        table_text(t, "never");
    else
        table_textf(t, "%.0f%s (%.0f–%.0f)", three_figures(life->days),
                    life->limit == DRIVE_SHELF ? "*" : "", three_figures(life->low_days),
                    three_figures(life->high_days));
}

json_t *batterylife_json(const struct batterylife *life)
{
    json_t *rows = json_array();

    for (int i = 0; i < BATTERYLIFE_LENGTHS; i++)
        for (int j = 0; j < BATTERYLIFE_PERIODS; j++) {
            const struct drive_life *l = &life->life[i][j];

            json_array_append_new(
                rows,
                json_pack("{s:f, s:f, s:o, s:o, s:o, s:o, s:o, s:s}", "pulse_s", life->length_s[i],
                          "period_s", life->period_s[j], "reached_a",
                          printing_number(l->fresh.end_a), "charge_c",
                          printing_number(l->fresh.charge_c), "days", printing_number(l->days),
                          "low_days", printing_number(l->low_days), "high_days",
                          printing_number(l->high_days), "limit", drive_limit_words(l->limit)));
        }
    return json_pack("{s:s, s:i, s:f, s:f, s:f, s:o}", "cell", life->battery.kind->name, "cells",
                     life->battery.series, "coil_ohm", life->circuit.coil_ohm, "coil_h",
                     life->circuit.coil_h, "temperature_c", life->temperature, "rows", rows);
}

struct table *batterylife_table(const struct batterylife *life)
{
    struct table *t;
    char text[160], key[32];
    bool shelf = false;

    snprintf(text, sizeof text, "%d x %s on %.3g Ω, %.3g H, %.0f °C: days by length of pulse",
             life->battery.series, life->battery.kind->name, life->circuit.coil_ohm,
             life->circuit.coil_h, life->temperature);
    t = table_new(text);
    if (!t)
        return NULL;
    table_column(t, TABLE_NAME, "pulse", "pulse", "ms");
    table_column(t, TABLE_NAME, "reached", "reaches", "mA");
    table_column(t, TABLE_NAME, "charge", "takes", "mC");
    for (int j = 0; j < BATTERYLIFE_PERIODS; j++) {
        snprintf(key, sizeof key, "days_%g", life->period_s[j]);
        snprintf(text, sizeof text, "every %g s", life->period_s[j]);
        table_column(t, TABLE_NAME, key, text, "days");
    }
    for (int i = 0; i < BATTERYLIFE_LENGTHS; i++) {
        const struct drive_life *first = &life->life[i][0];

        table_row(t);
        table_textf(t, "%.0f", 1e3 * life->length_s[i]);
        table_textf(t, "%.1f", 1e3 * first->fresh.end_a);
        table_textf(t, "%.2f", 1e3 * first->fresh.charge_c);
        for (int j = 0; j < BATTERYLIFE_PERIODS; j++) {
            life_cell(t, &life->life[i][j]);
            shelf = shelf || life->life[i][j].limit == DRIVE_SHELF;
        }
    }
    table_note(t, "In brackets the 95 % interval, mostly from the cell's capacity. Halving the "
                  "pulse nearly doubles the life, until the current no longer rises in time.");
    if (shelf)
        table_note(t, "*: the shelf life of the cell comes first.");
    table_note(t, life->battery.kind->caution);
    return t;
}
