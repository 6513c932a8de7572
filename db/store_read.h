/* store_read: readings, statistics of a window, roll-ups and events, coming out. */
#ifndef TRUEWOUND_STORE_READ_H
#define TRUEWOUND_STORE_READ_H

#include "db/store_ingest.h"

typedef int (*store_read_fn)(const struct store_reading *row, void *user);
typedef int (*store_read_event_fn)(const struct store_event *row, void *user);

enum store_level { STORE_MINUTE, STORE_HOUR, STORE_DAY };

/* All readings of one channel in one minute, hour or day (UTC) that ended. */
struct store_rollup {
    int64_t start;
    int64_t n;       /* readings with a value */
    int64_t unknown; /* readings without one (overload) */
    uint32_t flags;  /* all flags seen, or-ed */
    double min;
    double mean;
    double max;
    double sd; /* standard deviation (n - 1); NaN below 2 */
    double first;
    double last;
    int64_t first_time;
    int64_t last_time;
};

typedef int (*store_read_rollup_fn)(const struct store_rollup *row, void *user);

struct store_window {
    int64_t n;       /* readings with a value and none of the flags in 'without' */
    int64_t unknown; /* the others */
    double mean;
    double sd;      /* n - 1; NaN below 2 */
    double slope;   /* least squares, SI a second; NaN below 3 or at equal times */
    double slope_u; /* its standard uncertainty from the scatter; NaN below 3 */
    double lag1;    /* autocorrelation of neighbours about the line; NaN below 8 */
    double min;
    double max;
    double first;
    double last;
    int64_t first_time;
    int64_t last_time;
};

/* Readings of a channel with from <= time < to, in order of time. */
enum status_code store_read_range(struct store *store, int64_t channel, int64_t from, int64_t to,
                                  store_read_fn fn, void *user, struct status *st);

/* The latest reading of a channel; STATUS_NOT_FOUND when it has none. */
enum status_code store_read_latest(struct store *store, int64_t channel, struct store_reading *out,
                                   struct status *st);

/* Statistics of from <= time < to, leaving out readings that have any of the flags 'without'.
 * n may be 0; the means are then NaN. */
enum status_code store_read_window(struct store *store, int64_t channel, int64_t from, int64_t to,
                                   uint32_t without, struct store_window *out, struct status *st);

/* Roll-ups that start in from <= start < to. The minute, hour and day not yet over have none;
 * store_series fills them in from the readings. */
enum status_code store_read_rollups(struct store *store, enum store_level level, int64_t channel,
                                    int64_t from, int64_t to, store_read_rollup_fn fn, void *user,
                                    struct status *st);

/* Events with from <= time < to in order of time; of one instrument (0: all) and one kind (NULL:
 * all). */
enum status_code store_read_events(struct store *store, int64_t from, int64_t to,
                                   int64_t instrument, const char *kind, store_read_event_fn fn,
                                   void *user, struct status *st);

#endif
