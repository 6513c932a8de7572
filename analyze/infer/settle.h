/* settle: has a stream of readings become steady, and what is its value?
 *
 * The stretch that ends with the last reading is fitted with a straight line. It is settled when
 * the drift over the stretch is no more than the allowance, or cannot be told from none, and the
 * scatter has not grown. All of it is a statement about the stream, not about the instrument's
 * accuracy. */
#ifndef TRUEWOUND_SETTLE_H
#define TRUEWOUND_SETTLE_H

#include <stdbool.h>
#include <stddef.h>

#include "db/status.h"

#define SETTLE_READINGS_MAX 4096

struct settle_options {
    double stretch;    /* s, that must be steady; default 2 */
    size_t least;      /* readings in it, 5 or more; default 6 */
    double resolution; /* one digit of the instrument, unit of the values; NaN unknown */
    double allowance;  /* relative drift over the stretch that does not matter; default 0.0005 */
};

struct settle_result {
    bool settled;
    size_t n;       /* readings in the stretch */
    double seconds; /* from its first to its last reading */
    double mean;
    double u;      /* standard uncertainty of the mean: scatter with its autocorrelation, digit */
    double sd;     /* about the line */
    double drift;  /* over the stretch, from the fitted slope */
    double needed; /* more seconds until the stretch is long enough; 0 when it is */
};

struct settle_options settle_options_default(void);

/* times in seconds, rising; values finite. Too few readings is not an error: settled is false and
 * 'needed' tells. STATUS_INPUT: more than SETTLE_READINGS_MAX, times that do not rise, a value
 * that is not finite, options out of range. */
enum status_code settle_test(const double *times, const double *values, size_t n,
                             const struct settle_options *options, struct settle_result *result,
                             struct status *st);

#endif
