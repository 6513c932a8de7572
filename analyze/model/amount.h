/* amount: a value with its standard uncertainty.
 *
 * Every dimension and supply figure of a design is one of these. A value of NaN means 'not given';
 * it never means zero. u is a standard uncertainty (one sigma, JCGM 100:2008 2.3.1) in the unit of
 * the value; 0 means taken as exact. */
#ifndef TRUEWOUND_AMOUNT_H
#define TRUEWOUND_AMOUNT_H

#include <stdbool.h>

#include "db/status.h"

struct amount {
    double value; /* SI; NaN = not given */
    double u;     /* standard uncertainty, same unit, >= 0 */
};

/* The amount that is not given. */
struct amount amount_none(void);

/* value with standard uncertainty u. */
struct amount amount_of(double value, double u);

/* value known only to lie within +-half_width, every place equally likely: u = half_width / sqrt 3
 * (JCGM 100:2008 4.3.7). This is how a tolerance or the last digit of a ruler is entered. */
struct amount amount_within(double value, double half_width);

/* True when a value was given (not NaN). */
bool amount_given(struct amount a);

/* a when it is given, else fallback. */
struct amount amount_or(struct amount a, struct amount fallback);

/* STATUS_OK when a is not given, or is finite with low <= value <= high and 0 <= u finite.
 * Otherwise STATUS_INPUT with a sentence that names what, the value and the allowed range, all in
 * the SI unit named by unit. A required amount that is missing is the caller's to report. */
enum status_code amount_check(struct amount a, const char *what, const char *unit, double low,
                              double high, struct status *st);

/* The same for a plain number, which must be finite. */
enum status_code amount_check_value(double value, const char *what, const char *unit, double low,
                                    double high, struct status *st);

#endif
