/* store_series: a curve of a channel between two times, thinned so that no dip or peak is lost. */
#ifndef TRUEWOUND_STORE_SERIES_H
#define TRUEWOUND_STORE_SERIES_H

#include "db/store.h"

#define STORE_SERIES_POINTS_MAX 100000

/* One stretch of the curve: min and max are those of all readings in it, from raw readings or
 * from roll-ups, whichever is cheaper; mean is weighted by n. */
struct store_point {
    int64_t time; /* of the first reading (or roll-up) in it */
    int64_t end;  /* of the last */
    int64_t n;    /* readings with a value; 0: only unknown ones */
    int64_t unknown;
    double min;
    double mean;
    double max;
};

typedef int (*store_series_fn)(const struct store_point *point, void *user);

/* Calls fn for at most max_points stretches of from <= time < to, in order of time. Stretches
 * without any reading are left out, never interpolated. When there are no more raw readings than
 * max_points, each is a point of its own. Readings of the last, unfinished minute are in.
 * max_points is 2 to STORE_SERIES_POINTS_MAX. */
enum status_code store_series(struct store *store, int64_t channel, int64_t from, int64_t to,
                              size_t max_points, store_series_fn fn, void *user, struct status *st);

#endif
