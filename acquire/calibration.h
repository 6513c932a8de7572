/* calibration: from the number an instrument sends to the value of the quantity, and how far it
 * can be trusted.
 *
 * The steps, in this order, all given in the bench file:
 *   n   = the number, in the unit it came in, made SI
 *   m   = n * scale + offset                (what the instrument's output stands for)
 *   q   = m / shunt                         (volts across a shunt become amperes; no shunt: m)
 *   v   = (q - lead null) * gain + zero     (two-point calibration against a better instrument)
 * Accuracy comes from the maker's '% of reading + digits', by range. */
#ifndef TRUEWOUND_CALIBRATION_H
#define TRUEWOUND_CALIBRATION_H

#include <stdbool.h>
#include <stddef.h>

#include "db/status.h"

#define CALIBRATION_RANGES_MAX 12

/* Maker's accuracy within a range: |error| <= percent/100 * |reading| + digits * digit. */
struct calibration_accuracy {
    double up_to;   /* holds for |reading| up to this, SI of what the instrument sends */
    double percent; /* of reading */
    double digits;  /* counts */
    double digit;   /* one count, SI; NaN: use the count seen in the reading */
};

struct calibration {
    double scale, offset;    /* 1 and 0 when not given; offset in SI */
    double shunt;            /* ohm; NaN: none */
    double shunt_tolerance;  /* relative, e.g. 0.01; 0 when there is no shunt */
    double lead_null;        /* SI of the quantity; 0 when not given */
    double gain, zero;       /* two-point calibration; 1 and 0 when not given */
    double gain_uncertainty; /* relative standard uncertainty of the calibration; 0: not given */
    bool calibrated;         /* two points, or gain and zero, were given */
    char date[11];           /* ISO 8601 date of the calibration, "" when not given */
    size_t ranges;           /* 0: accuracy not known */
    struct calibration_accuracy accuracy[CALIBRATION_RANGES_MAX]; /* by growing up_to */
};

/* No scale, no shunt, no accuracy known. */
void calibration_none(struct calibration *calibration);

/* The value for number n (already SI). NaN stays NaN. */
double calibration_value(const struct calibration *calibration, double n);

/* The maker's limit of error of the value, in the same unit (half width of a rectangle, not a
 * standard uncertainty), shunt tolerance included. digit is one count of n in SI, NaN when not
 * known. NaN when no accuracy is known for it. */
double calibration_limit(const struct calibration *calibration, double n, double digit);

/* Gain and zero from two points (what the channel showed, what it should have shown). The two
 * shown values must differ. */
enum status_code calibration_two_points(double shown1, double true1, double shown2, double true2,
                                        double *gain, double *zero, struct status *st);

/* The calibration in one line of text, key=value, for the record kept with the readings. The same
 * calibration gives the same text. Returns the length that would be needed, as snprintf does. */
size_t calibration_text(const struct calibration *calibration, char *text, size_t size);

#endif
