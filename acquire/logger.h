/* logger: the one door through which readings and events go into the database.
 *
 * It checks what the drivers hand it (a finite number, a unit it can convert, limits), turns it
 * into the channel's raw unit, names the calibration in force, and commits a batch each flush
 * interval. It also keeps the last reading of each channel for those who ask. */
#ifndef TRUEWOUND_LOGGER_H
#define TRUEWOUND_LOGGER_H

#include <stdbool.h>
#include <stdint.h>

#include "acquire/benchfile.h"
#include "acquire/driver.h"
#include "acquire/log.h"
#include "db/status.h"
#include "db/store_ingest.h"

struct logger;

/* What the logger knows of one instrument: row ids, unit conversions, last readings. */
struct logger_instrument;

/* The last reading of a channel. */
struct logger_last {
    bool any;
    int64_t time; /* wall, us */
    double raw;   /* in the channel's raw unit */
    double value; /* SI */
    uint32_t flags;
    uint64_t count; /* since the instrument was registered */
};

/* Opens the database as its one daemon. flush is the interval in s, retention in s (INFINITY: for
 * ever). log may be NULL; it must outlive the logger. */
enum status_code logger_open(const char *database, double flush, double retention,
                             const struct log *log, struct logger **logger, struct status *st);

/* Changes the intervals (the bench file was read again). */
void logger_set(struct logger *logger, double flush, double retention);

/* The wall clock was stepped: for a day nothing is let go by its age, lest a wrong clock empty the
 * record. */
void logger_clock_stepped(struct logger *logger, const struct driver_time *now);

/* Commits what is buffered and closes. STATUS_OK only when everything was stored. */
enum status_code logger_close(struct logger *logger, struct status *st);

/* Puts the instrument, its channels and their calibrations on record. The bench file must outlive
 * *out, which the caller frees with logger_forget. */
enum status_code logger_register(struct logger *logger,
                                 const struct benchfile_instrument *instrument,
                                 const struct driver_time *now, struct logger_instrument **out,
                                 struct status *st);

void logger_forget(struct logger_instrument *instrument);

/* Keeps what the instrument answered when asked who it is. */
void logger_identity(struct logger *logger, struct logger_instrument *instrument,
                     const char *identity);

/* The door for readings. extra flags are or-ed to those of the reading. */
void logger_add(struct logger *logger, struct logger_instrument *instrument,
                const struct driver_reading *reading, const struct driver_time *time,
                uint32_t extra);

/* An event of an instrument (NULL: of the daemon itself), to the log and into the database. Many
 * events of one kind within a minute are counted instead of kept; always: never counted away. */
void logger_event(struct logger *logger, struct logger_instrument *instrument,
                  const struct driver_time *time, enum driver_severity severity, const char *kind,
                  const char *text, bool always);

/* Stores a block of samples that began at wall time `began`. *id is its row. */
enum status_code logger_capture(struct logger *logger, struct logger_instrument *instrument,
                                const struct driver_capture *capture, int64_t began, int64_t *id,
                                struct status *st);

/* When the next flush is due (mono). */
int64_t logger_due(const struct logger *logger);

/* Flushes when due, or at once with force. STATUS_OK when everything handed in is committed. */
enum status_code logger_flush(struct logger *logger, const struct driver_time *now, bool force,
                              struct status *st);

/* The last reading of a channel. */
const struct logger_last *logger_last(const struct logger_instrument *instrument, size_t channel);

/* What the store says of itself. */
void logger_state(const struct logger *logger, struct store_ingest_state *state);

const char *logger_path(const struct logger *logger);

#endif
