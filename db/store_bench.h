/* store_bench: the instruments of a bench, their channels, and the calibration of each channel. */
#ifndef TRUEWOUND_STORE_BENCH_H
#define TRUEWOUND_STORE_BENCH_H

#include "db/store.h"

struct store_instrument {
    int64_t id;
    const char *name;     /* the section of the bench file, unique */
    const char *driver;   /* "scpi", "lines", ... */
    const char *identity; /* what it answers when asked who it is; NULL when unknown */
    const char *port;     /* last port seen on; NULL when unknown */
    const char *remark;   /* may be NULL */
};

struct store_channel {
    int64_t id;
    int64_t instrument;
    const char *name;     /* unique in its instrument */
    const char *quantity; /* a name of db/quantity.h */
    const char *raw_unit; /* unit of the raw value, "V" before a shunt; NULL: SI of the quantity */
    double divisor;       /* raw values that are whole multiples of 1/divisor, to their last two
                           * bits, are stored as such in half the space; others as they are.
                           * 0 or NaN takes 1e6. Fixed once made. */
    double resolution;    /* one digit of the instrument in SI; NaN when unknown */
};

/* Accuracy 'of reading + absolute' that holds for readings up to range. */
struct store_accuracy {
    double range;    /* upper end in raw units; NaN: any */
    double fraction; /* of the reading, 0.005 for 0.5 % */
    double absolute; /* in raw units: '3 digits' is 3 x the digit of that range */
};

#define STORE_ACCURACY_MAX 16

/* value = ((raw * gain + offset) / shunt) - lead_null; a NaN shunt or lead_null is left out. */
struct store_calibration {
    int64_t id;
    int64_t channel;
    int64_t time; /* in force from */
    double gain;
    double offset;          /* in raw units */
    double shunt;           /* ohm */
    double shunt_tolerance; /* relative half-width, NaN when unknown */
    double lead_null;       /* in the channel's SI unit */
    size_t n_accuracy;
    struct store_accuracy accuracy[STORE_ACCURACY_MAX];
    const char *remark; /* who, with what; may be NULL */
};

typedef int (*store_bench_instrument_fn)(const struct store_instrument *row, void *user);
typedef int (*store_bench_channel_fn)(const struct store_channel *row, void *user);
typedef int (*store_bench_calibration_fn)(const struct store_calibration *row, void *user);

/* Records an instrument by name, or updates driver, identity, port and remark of the one that has
 * that name (NULL leaves a field as it is). *id is its id. */
enum status_code store_bench_put_instrument(struct store *store,
                                            const struct store_instrument *instrument, int64_t *id,
                                            struct status *st);

/* Records a channel, or finds the one of that instrument and name. The quantity of an existing
 * channel cannot change: STATUS_EXISTS says so (its readings would change their meaning).
 * At most 2^31 - 1 channels. */
enum status_code store_bench_put_channel(struct store *store, const struct store_channel *channel,
                                         int64_t *id, struct status *st);

/* By "instrument.channel", or by the channel's name alone when only one instrument has it.
 * STATUS_NOT_FOUND, or STATUS_INPUT when the name is ambiguous. */
enum status_code store_bench_find_channel(struct store *store, const char *name, int64_t *id,
                                          struct status *st);

enum status_code store_bench_instruments(struct store *store, store_bench_instrument_fn fn,
                                         void *user, struct status *st);

/* Channels of one instrument, or of all with instrument 0. */
enum status_code store_bench_channels(struct store *store, int64_t instrument,
                                      store_bench_channel_fn fn, void *user, struct status *st);

/* One channel by id; STATUS_NOT_FOUND. */
enum status_code store_bench_channel(struct store *store, int64_t channel,
                                     store_bench_channel_fn fn, void *user, struct status *st);

/* Adds a calibration; earlier ones are kept. gain must be finite and not 0, shunt above 0. */
enum status_code store_bench_add_calibration(struct store *store,
                                             const struct store_calibration *calibration,
                                             int64_t *id, struct status *st);

/* The calibration of channel in force at time. STATUS_NOT_FOUND when there is none: then a raw
 * value is the value. remark is NULL in *out. */
enum status_code store_bench_calibration(struct store *store, int64_t channel, int64_t time,
                                         struct store_calibration *out, struct status *st);

/* One calibration by id, as a reading names it. STATUS_NOT_FOUND. remark is NULL in *out. */
enum status_code store_bench_calibration_by_id(struct store *store, int64_t id,
                                               struct store_calibration *out, struct status *st);

/* All calibrations of a channel, oldest first. */
enum status_code store_bench_calibrations(struct store *store, int64_t channel,
                                          store_bench_calibration_fn fn, void *user,
                                          struct status *st);

/* The value a raw value stands for; calibration NULL gives raw. */
double store_bench_value(const struct store_calibration *calibration, double raw);

/* Half-width of the accuracy of a reading of that raw value, in the channel's SI unit, shunt
 * tolerance included (added, not in quadrature: makers' limits). NaN when none is stated. */
double store_bench_half_width(const struct store_calibration *calibration, double raw);

#endif
