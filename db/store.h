/* store: the measuring database: one SQLite file in WAL mode, plain STRICT tables.
 *
 * Times are integer microseconds since 1970 in UTC; values are in SI units (db/quantity.h).
 * An unknown number is NaN here and NULL in the file. Row ids are positive; 0 means 'none'.
 *
 * The store is several files, one idea each:
 *   store.h           opening, closing, shared types
 *   store_bench.h     instruments, channels, calibrations
 *   store_ingest.h    readings and events going in (the daemon)
 *   store_read.h      readings, statistics of a window, roll-ups and events coming out
 *   store_series.h    a curve to plot, of any length
 *   store_coil.h      coils, designs, runs
 *   store_evidence.h  observations, lift trials, captures
 *   store_result.h    verdicts, what was learnt, batteries
 *   store_site.h      sites of batteries and their channels
 *   store_retain.h    letting old raw readings go
 *
 * Texts handed to a callback are valid during that call only. A callback returns 0 to go on and
 * anything else to stop early; the query then still returns STATUS_OK. A callback must not write
 * to the same store. One store is used by one thread. */
#ifndef TRUEWOUND_STORE_H
#define TRUEWOUND_STORE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "db/status.h"

enum store_mode {
    STORE_READ,  /* reads only; never blocks a writer */
    STORE_WRITE, /* records coils, observations, verdicts; leaves readings to the daemon */
    STORE_DAEMON /* the one owner of readings and roll-ups; holds the instance lock */
};

/* Longest texts in bytes; longer ones are STATUS_INPUT. */
#define STORE_NAME_MAX   128
#define STORE_REMARK_MAX 4096
#define STORE_JSON_MAX   (1 << 20)
#define STORE_DESIGN_MAX (1 << 20)
#define STORE_BLOB_MAX   (64 << 20)

/* What an instrument or the daemon said about one reading; bits. */
enum store_flag {
    STORE_FLAG_OVERLOAD = 1,     /* beyond the range: the value is unknown (NaN) */
    STORE_FLAG_HOLD = 2,         /* the display was frozen */
    STORE_FLAG_LOW_BATTERY = 4,  /* the instrument's own battery */
    STORE_FLAG_UNSTABLE = 8,     /* the instrument says: not settled */
    STORE_FLAG_OUT_OF_SYNC = 16, /* found again in the middle of a frame */
    STORE_FLAG_MIN = 32,         /* a minimum since the reading before */
    STORE_FLAG_MAX = 64,         /* a maximum since the reading before */
    STORE_FLAG_LOST = 128,       /* samples before this one were lost */
    STORE_FLAG_RELATIVE = 256,   /* the instrument had a zero or null taken off */
    STORE_FLAG_AC = 512,         /* an alternating quantity, r.m.s. */
    STORE_FLAG_SUSPECT = 1024    /* anything else that makes it doubtful; an event tells */
};

struct store;

/* Opens path. STORE_WRITE and STORE_DAEMON create a missing database (mode 0640) and bring an
 * older one up to date in one transaction; STORE_READ needs an existing one.
 * STATUS_NOT_FOUND: no such file. STATUS_INPUT: not our database, or made by a newer program.
 * STATUS_BUSY: another daemon holds the instance lock, or the file stayed locked. STATUS_IO,
 * STATUS_FULL, STATUS_MEMORY. *store is NULL after a failure. */
enum status_code store_open(const char *path, enum store_mode mode, struct store **store,
                            struct status *st);

/* Flushes what is buffered, then closes. STATUS_OK only when everything was stored; the store is
 * closed and freed in any case. store may be NULL. */
enum status_code store_close(struct store *store, struct status *st);

/* Several writes as one: all or none. Not for readings, which have their own batch. Nested calls
 * are STATUS_INPUT. store_end with commit false, or after a failed write, undoes everything. */
enum status_code store_begin(struct store *store, struct status *st);
enum status_code store_end(struct store *store, bool commit, struct status *st);

/* Now, in microseconds since 1970 UTC, by the wall clock. */
int64_t store_now(void);

/* "2025-03-01 12:34:56" (UTC) from a time; buf needs 32 bytes. Times beyond the years 1 to 9999
 * give "unknown". Returns buf. */
const char *store_time_text(char *buf, size_t size, int64_t time);

const char *store_path(const struct store *store);

/* Full check of the file (PRAGMA integrity_check and foreign keys): STATUS_OK or STATUS_IO with
 * the first complaint. Slow on a large file. */
enum status_code store_check(struct store *store, struct status *st);

#endif
