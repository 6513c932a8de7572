/* batterylife: how long a battery works a coil in pulses, over pulse length and period: what the
 * length of a pulse costs. */
#ifndef TRUEWOUND_BATTERYLIFE_H
#define TRUEWOUND_BATTERYLIFE_H

#include <jansson.h>

#include "analyze/model/cell.h"
#include "analyze/model/design.h"
#include "analyze/model/drive.h"
#include "db/status.h"
#include "reports/table.h"

#define BATTERYLIFE_LENGTHS 8
#define BATTERYLIFE_PERIODS 3

struct batterylife {
    struct cell_battery battery;
    struct drive_circuit circuit; /* emf_v is the battery's */
    double temperature;           /* C */
    double u_coil;                /* relative */
    double length_s[BATTERYLIFE_LENGTHS];
    double period_s[BATTERYLIFE_PERIODS];
    struct drive_life life[BATTERYLIFE_LENGTHS][BATTERYLIFE_PERIODS];
};

/* Resistance (ohm) and inductance (H, keeper on) that the design predicts, with the relative
 * standard uncertainty of the resistance. */
enum status_code batterylife_coil(const struct design *design, double *ohm, double *henry,
                                  double *u, struct status *st);

/* Fills life from the other fields. */
enum status_code batterylife_make(struct batterylife *table, struct status *st);

/* The table for a person, and for a program. NULL: no memory. */
struct table *batterylife_table(const struct batterylife *life);
json_t *batterylife_json(const struct batterylife *life);

#endif
