/* steady: waits at a channel until its readings have settled, and takes their value. */
#ifndef TRUEWOUND_STEADY_H
#define TRUEWOUND_STEADY_H

#include <stdbool.h>
#include <stdint.h>

#include "analyze/conditions.h"
#include "db/status.h"
#include "db/store.h"

struct steady_options {
    double timeout;   /* s until it gives up; default 60 */
    double stretch;   /* s that must be steady; default 2 */
    double tolerance; /* SI, how near to rest is enough; 0: by the digit of the instrument */
    /* Called now and then with the last value (NaN: overload) and the seconds gone; may be NULL.
     * Returning false gives up with STATUS_TIMEOUT. */
    bool (*watch)(double value, double seconds, void *user);
    void *user;
};

struct steady_value {
    bool overload; /* the instrument shows overload: value is the end of its range */
    double value;  /* SI */
    double u;      /* standard uncertainty of the mean, accuracy of the instrument left out */
    double accuracy_rel;
    double accuracy_abs; /* maker's limits at this value; NaN not known */
    double resolution;
    int64_t from, to; /* readings it was taken from */
    int64_t n;
    bool doubtful; /* some of them were marked unstable or suspect */
};

struct steady_options steady_options_default(void);

/* Looks only at readings from now on, so that a connection just made is what is measured.
 * STATUS_TIMEOUT says what was seen: no readings, a drift, a scatter. */
enum status_code steady_take(struct store *store, int64_t channel,
                             const struct steady_options *options, struct steady_value *value,
                             struct status *st);

/* A channel that can measure a quantity: the one named, or the only one that has sent readings of
 * that quantity in the last minute. STATUS_NOT_FOUND or STATUS_INPUT tell what there is. name may
 * be NULL. instrument: prefer channels of that instrument, 0 none. */
enum status_code steady_channel(struct store *store, const char *name, const char *quantity,
                                int64_t instrument, int64_t *channel, struct status *st);

/* Whether just one channel is called so; full gets its name with its instrument, such as
 * "meter.insulation", or "". */
bool steady_channel_called(struct store *store, const char *word, char *full, size_t size);

/* The instrument of a channel: id, and its name into conditions->instrument. */
enum status_code steady_instrument(struct store *store, int64_t channel, int64_t *instrument,
                                   struct conditions *conditions, struct status *st);

#endif
