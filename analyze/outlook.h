/* outlook: what supply, heat and battery make of a predicted coil. */
#ifndef TRUEWOUND_OUTLOOK_H
#define TRUEWOUND_OUTLOOK_H

#include <stdbool.h>

#include "analyze/model/cell.h"
#include "analyze/model/coil.h"
#include "analyze/model/design.h"
#include "analyze/model/drive.h"
#include "analyze/model/prediction.h"
#include "analyze/model/thermal.h"
#include "db/status.h"

#define OUTLOOK_TEXT_SIZE 320

/* Figures of a pulse with what resistance, supply, inductance and length leave open. The value is
 * for a keeper that is on from the start; the interval reaches to one that stays off, and two
 * standard uncertainties beyond. */
struct outlook_pulse {
    struct thermal_interval end_a;    /* A at its end */
    struct thermal_interval charge_c; /* C */
    struct thermal_interval mean_a;   /* A, over the period */
};

struct outlook {
    bool powered;        /* the design has a supply: heat, spike and their texts are filled in */
    double duty;         /* share of time that the current flows, 1 without pulses */
    double limit_c;      /* C, what the weakest material stands */
    const char *weakest; /* that material, in words */
    const char *assumed; /* why that, where the design does not say; NULL where it does */
    struct thermal_steady heat;          /* at that duty */
    enum thermal_danger danger;          /* at that duty */
    char danger_text[OUTLOOK_TEXT_SIZE]; /* empty when safe */
    /* The same with the current left on: a jammed contact, a forgotten switch. */
    enum thermal_danger stuck_danger;
    struct thermal_interval stuck_s; /* s to the limit; infinite when it is never reached */
    struct thermal_spike spike;
    bool pulsed;
    struct outlook_pulse pulse; /* when pulsed */
    bool battery;
    struct cell_battery cells;
    struct drive_life life;
};

/* From a completed design and its prediction (with COIL_INDUCTANCE). */
enum status_code outlook_make(const struct design *design, const struct prediction *prediction,
                              struct outlook *out, struct status *st);

#endif
