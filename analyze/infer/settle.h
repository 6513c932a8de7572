/* settle: whether a stream of readings has come to rest.
 *
 * A display that no longer moves much is not yet at rest: a slow approach looks still for a few
 * seconds. The test asks three things of the latest readings, against a tolerance that is a few
 * digits of the instrument:
 *   drift      the change along the window, with its 95 % uncertainty, is within the tolerance;
 *   remaining  what an exponential approach would still add is within the tolerance;
 *   scatter    the mean is known to within half the tolerance (97.5 % of a side).
 * Neighbouring readings of a filtering instrument are not independent: uncertainties are widened
 * by the lag-1 autocorrelation. Pure: no clock, no input or output. */
#ifndef TRUEWOUND_SETTLE_H
#define TRUEWOUND_SETTLE_H

#include <stddef.h>

enum settle_state {
    SETTLE_MORE,    /* not yet: more readings are needed */
    SETTLE_STEADY,  /* at rest: mean and u hold */
    SETTLE_TIMEOUT, /* not at rest within the time allowed; mean and u are the best there is, u
                       widened by the drift */
    SETTLE_LOST     /* the latest readings have no value (overload, open lead) */
};

struct settle_criteria {
    double resolution; /* one digit, SI of the quantity; 0 or NaN: not known */
    double tolerance;  /* SI; 0 or NaN: 3 digits, or 0.1 % of the mean without a resolution */
    double window;     /* the shortest stretch that may count as rest, s; 0 or NaN: 3 s */
    size_t least;      /* fewest readings; 0: 8 */
    double timeout;    /* s after the first reading; 0 or NaN: none */
};

struct settle_result {
    enum settle_state state;
    size_t n;         /* readings the result rests on: the latest n with a value */
    double mean;      /* NaN without readings */
    double u;         /* standard uncertainty of the mean: scatter, digit, drift. Not the
                         instrument's accuracy */
    double sd;        /* scatter about the line; NaN below 3 */
    double slope;     /* SI per second, NaN below 3 */
    double slope_u;   /* its standard uncertainty */
    double remaining; /* what an exponential approach would still add; NaN when none is seen */
    double more;      /* how many seconds more it is likely to take; 0 when steady; NaN: unknown */
};

/* Judges n readings, time in s in growing order (a time that does not grow is left out), value NaN
 * for a reading without a value. criteria NULL takes the standard ones. */
void settle_judge(const double *time, const double *value, size_t n,
                  const struct settle_criteria *criteria, struct settle_result *result);

/* "more", "steady", "time-out", "lost". */
const char *settle_word(enum settle_state state);

#endif
