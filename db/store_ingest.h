/* store_ingest: readings and events on their way into the database (STORE_DAEMON only; events
 * also from STORE_WRITE).
 *
 * Readings are buffered in memory; store_ingest_flush commits all of them in one transaction
 * (16384 a transaction if there are more). A reading is acknowledged when flush has returned
 * STATUS_OK: from then on kill -9 and power loss keep it (synchronous=FULL).
 *
 * While the disk is full or the file is locked, the buffer keeps up to STORE_INGEST_MAX readings;
 * beyond that the newest are dropped and counted. When storing works again the rest is stored and
 * an event tells from when to when it was stopped and how many were lost. */
#ifndef TRUEWOUND_STORE_INGEST_H
#define TRUEWOUND_STORE_INGEST_H

#include "db/store.h"

/* Most readings kept in memory while they cannot be stored (about 6 MiB). */
#define STORE_INGEST_MAX 131072

/* Most events kept likewise. */
#define STORE_INGEST_EVENT_MAX 4096

struct store_reading {
    int64_t channel;
    int64_t time;        /* microseconds since 1970 UTC, above 0 */
    double raw;          /* as the instrument gave it, in the channel's raw unit; NaN: unknown */
    double value;        /* SI, calibrated. Comes out; ignored going in: the store computes it
                          * from raw and the calibration named */
    uint32_t flags;      /* enum store_flag */
    double range;        /* upper end of the range in use; NaN when unknown */
    int64_t calibration; /* in force; 0 none */
};

struct store_event {
    int64_t id;
    int64_t time;
    int64_t monotonic;  /* microseconds of CLOCK_MONOTONIC; 0 when not known */
    int64_t instrument; /* 0: the daemon itself */
    const char *kind;   /* one word: "connected", "gap", "clock", "full", ... */
    const char *text;   /* one sentence */
};

struct store_ingest_state {
    size_t buffered;          /* readings waiting */
    enum status_code stopped; /* STATUS_OK, or why storing does not work just now */
    int64_t stopped_since;    /* time, 0 when it works */
    uint64_t stored;          /* readings committed since open */
    uint64_t duplicates;      /* of those handed in, how many were there already */
    uint64_t nudged;          /* moved by microseconds because another value had their time */
    uint64_t lost;            /* dropped since open, buffer full */
    uint64_t refused;         /* handed in with a channel, calibration or time that cannot be */
};

/* Buffers one reading. A reading with the channel, time, raw value, flags, range and calibration
 * of one already stored is that one sent again and is ignored; one that has only the channel and
 * time in common is moved forward to the next free microsecond. STATUS_INPUT: unknown channel or
 * calibration, time out of 1970 to 2260, infinite raw. STATUS_FULL: the buffer is full, the reading
 * was dropped and counted. */
enum status_code store_ingest_reading(struct store *store, const struct store_reading *reading,
                                      struct status *st);

/* Buffers one event (STORE_DAEMON), or stores it at once (STORE_WRITE). Long texts are cut. */
enum status_code store_ingest_event(struct store *store, const struct store_event *event,
                                    struct status *st);

/* Commits the buffer. STATUS_BUSY (after at most 250 ms) and STATUS_FULL keep it; call again at
 * the next interval. STATUS_IO likewise. Nothing buffered: STATUS_OK, no work. */
enum status_code store_ingest_flush(struct store *store, struct status *st);

void store_ingest_state(const struct store *store, struct store_ingest_state *out);

#endif
