/* calibration: from the number an instrument sends to the value of the quantity, in the terms a
 * person writes into the bench file.
 *
 * The steps, in this order:
 *   n = the number, as sent (or brought from the unit the line states to the channel's unit)
 *   m = n * scale + offset        in the channel's unit: what the instrument shows
 *   s = m in SI
 *   q = s / shunt                 volts across a shunt become amperes; no shunt: s
 *   v = (q - lead null) * gain + zero    two-point calibration against a better instrument
 * The store keeps n as the raw value and one straight line to v; calibration_compose makes that
 * line. Accuracy is the maker's '% of reading + digits', by range. */
#ifndef TRUEWOUND_CALIBRATION_H
#define TRUEWOUND_CALIBRATION_H

#include <stdbool.h>
#include <stddef.h>

#include "db/status.h"
#include "db/store_bench.h"

#define CALIBRATION_RANGES_MAX 12

/* Maker's accuracy within a range: |error| <= percent/100 * |m| + digits * digit. */
struct calibration_accuracy {
    double up_to;   /* holds for |m| up to this, in the channel's unit; INFINITY: any */
    double percent; /* of reading */
    double digits;  /* counts */
    double digit;   /* one count of m, in the channel's unit */
};

struct calibration {
    double scale, offset; /* 1 and 0 when not given; offset in the channel's unit */
    double unit_factor;   /* SI = m * unit_factor + unit_offset */
    double unit_offset;
    double shunt;            /* ohm; NaN: none */
    double shunt_tolerance;  /* relative half width, e.g. 0.01; 0 when there is no shunt */
    double lead_null;        /* SI of the quantity; 0 when not given */
    double gain, zero;       /* two-point calibration in SI; 1 and 0 when not given */
    double gain_uncertainty; /* relative standard uncertainty of the calibration; 0: not given */
    bool calibrated;         /* two points, or gain and zero, were given */
    char date[11];           /* ISO 8601 date of the calibration, "" when not given */
    size_t ranges;           /* 0: accuracy not known */
    struct calibration_accuracy accuracy[CALIBRATION_RANGES_MAX]; /* by growing up_to */
};

/* No scale, no shunt, no accuracy known. */
void calibration_none(struct calibration *calibration);

/* The value in SI for number n, by the steps above. NaN stays NaN. */
double calibration_value(const struct calibration *calibration, double n);

/* Gain and zero from two points (what the channel showed, what it should have shown). Both the
 * shown and the true values must differ. */
enum status_code calibration_two_points(double shown1, double true1, double shown2, double true2,
                                        double *gain, double *zero, struct status *st);

/* The same calibration in the store's terms: raw is n. id, channel, time and remark are left 0.
 * The calibration's own uncertainty u widens the accuracy as a rectangle of half width
 * sqrt(3) u would (JCGM 100, 4.3.7). */
void calibration_compose(const struct calibration *calibration, struct store_calibration *out);

/* True when the two give the same value and accuracy for every number; ids and times may differ. */
bool calibration_same(const struct store_calibration *a, const struct store_calibration *b);

#endif
