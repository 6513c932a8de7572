#include "analyze/batterylife.h"

#include <math.h>
#include <stdlib.h>

#include "analyze/model/coil.h"

enum status_code batterylife_coil(const struct design *design, double *ohm, double *henry,
                                  double *u, struct status *st)
{
    struct coil_prediction *prediction = calloc(1, sizeof *prediction);
    struct coil_conditions k = {
        .drive = COIL_DRIVE_PAIR, .voltage = NAN, .current = 0.1, .keeper = true};
    const struct coil_figure *figure;
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
        code = coil_predict(coil, &k, COIL_INDUCTANCE, 0, prediction, st);
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
