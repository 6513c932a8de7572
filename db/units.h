/* units: what a person writes ("1 1/2 in", "2 lb 4 oz", "20 °C", "17 Ω ± 1 %") to SI and back.
 *
 * Unit names and factors are those of UDUNITS-2, with the few a winder uses and it lacks (thou,
 * turns, pulses). The decimal sign is always a point, whatever the locale. lb and oz are the
 * avoirdupois units of mass; as a force write lbf, ozf, kgf or N.
 *
 * Functions are not safe to call from two threads at once: UDUNITS-2 keeps hidden state. */
#ifndef TRUEWOUND_UNITS_H
#define TRUEWOUND_UNITS_H

#include <stdbool.h>
#include <stddef.h>

#include "db/quantity.h"
#include "db/status.h"

/* Longest text a person may write for one value, in bytes. */
#define UNITS_TEXT_MAX 128

/* Enough for anything units_format writes. */
#define UNITS_FORMAT_SIZE 64

struct units;

/* A value as it was written. half_width is the '± x' part in SI, exactly as written: whether it
 * is a tolerance, a standard deviation or an expanded uncertainty is for the caller to know. */
struct units_value {
    double value;
    double half_width; /* NaN when has_uncertainty is false */
    bool has_uncertainty;
};

/* Loads the unit database. STATUS_IO when UDUNITS-2's own data file cannot be read. */
enum status_code units_open(struct units **u, struct status *st);

/* Frees u; u may be NULL. */
void units_close(struct units *u);

/* Reads one value with its unit and gives it in the SI unit named by dimension ("m", "ohm", "kg",
 * "K", "ohm/m", "1" ...). Accepted: "10 mm", "0.315mm", "3/8 in", "1 1/2 in", "5 thou",
 * "2 lb 4 oz" (each following term smaller than the one before), "20 °C", "500 ms", "35 %".
 * Only dimension "1" may go without a unit; it takes %, ppm, turns and pulses.
 * STATUS_INPUT for a missing or wrong unit, a comma, anything left over, a value that is not
 * finite, a negative absolute temperature or a text above UNITS_TEXT_MAX; *si is then untouched. */
enum status_code units_parse(struct units *u, const char *text, const char *dimension, double *si,
                             struct status *st);

/* As units_parse, and takes an optional "± 0.2 mm", "+- 0.2 mm", "+/- 1 %" part. "10 ± 0.2 mm"
 * is read as 10 mm ± 0.2 mm. A per cent of a Celsius or Fahrenheit temperature is refused. */
enum status_code units_parse_uncertain(struct units *u, const char *text, const char *dimension,
                                       struct units_value *out, struct status *st);

/* Reads a load, written as a mass ("2.5 lb", "500 g") or a force ("24.5 N", "1.2 kgf"), in N.
 * A mass is weighed at standard gravity, 9.80665 m/s2 (3rd CGPM, 1901). */
enum status_code units_parse_load(struct units *u, const char *text, struct units_value *newton,
                                  struct status *st);

/* For an instrument that sends bare numbers in from_unit: SI value = number * scale + offset.
 * STATUS_INPUT when from_unit is unknown or of another dimension. */
enum status_code units_convert_factor(struct units *u, const char *from_unit, const char *dimension,
                                      double *scale, double *offset, struct status *st);

/* Writes an SI value for a person: "17.03 ± 0.12 Ω", "88.2 mA", "20.1 °C". uncertainty is the
 * half-width to print after ±, in SI, and decides the digits (two significant figures of it at
 * most); with NaN there is no ± part and the value gets 4 significant figures. A value of NaN or
 * infinity is "unknown". Returns buf; the text is cut to size and always terminated. */
const char *units_format(char *buf, size_t size, double value, double uncertainty,
                         const struct quantity *q);

/* The same digits without unit or prefix, for tables whose head names the unit. */
const char *units_format_number(char *buf, size_t size, double value, double uncertainty);

#endif
