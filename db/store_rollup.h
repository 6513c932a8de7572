/* store_rollup: minutes, hours and days of each channel, folded as readings come in. Not for use
 * outside db/; read them through store_read.h. */
#ifndef TRUEWOUND_STORE_ROLLUP_H
#define TRUEWOUND_STORE_ROLLUP_H

#include "db/store_marks.h"
#include "db/store_read.h"

#define STORE_LEVELS 3

struct store_fold {
    int64_t start;
    int64_t n, unknown;
    uint32_t flags;
    double min, mean, max, first, last;
    double squares; /* sum of squared deviations from the mean */
    int64_t first_time, last_time;
};

/* What is folded in memory for one channel. Follows from the file: zero it and it is read again. */
struct store_rollup_state {
    bool loaded;
    struct {
        bool open, late;
        struct store_fold open_fold; /* the stretch that still runs: no row yet */
        struct store_fold late_fold; /* readings for a closed one, to be merged into its row */
        int64_t closed_to;           /* start of the last row; INT64_MIN: none */
    } level[STORE_LEVELS];
};

struct store_rollups {
    sqlite3_stmt *write[STORE_LEVELS];
    sqlite3_stmt *read[STORE_LEVELS];
};

/* Length of a stretch, microseconds. */
int64_t store_rollup_length(enum store_level level);

/* Name of the table: "rollup_minute" ... */
const char *store_rollup_table(enum store_level level);

/* The start of the stretch that time is in. */
int64_t store_rollup_floor(enum store_level level, int64_t time);

void store_rollup_fold_begin(struct store_fold *fold, int64_t start);
void store_rollup_fold_add(struct store_fold *fold, int64_t time, double value, uint32_t flags);
void store_rollup_fold_merge(struct store_fold *fold, const struct store_fold *more);

/* The columns every query of roll-ups selects, and the fold they hold. */
#define STORE_ROLLUP_COLUMNS                                                                       \
    "start, n, unknown, flags, min, mean, max, first, last, squares, first_after, last_after"
void store_rollup_take(sqlite3_stmt *stmt, struct store_fold *fold);

enum status_code store_rollup_prepare(struct store *store, struct store_rollups *r,
                                      struct status *st);
void store_rollup_finish(struct store_rollups *r);

/* Reads the state of a channel from the file. */
enum status_code store_rollup_load(struct store *store, struct store_marks *marks,
                                   struct store_rollup_state *state, struct status *st);

/* One reading more, inside the caller's transaction. */
enum status_code store_rollup_add(struct store *store, struct store_rollups *r,
                                  struct store_rollup_state *state, int64_t channel,
                                  const struct store_reading *reading, struct status *st);

/* Before the transaction commits: writes what came late. */
enum status_code store_rollup_settle(struct store *store, struct store_rollups *r,
                                     struct store_rollup_state *state, int64_t channel,
                                     struct status *st);

/* Closes every open stretch that starts before cut. */
enum status_code store_rollup_close_before(struct store *store, struct store_rollups *r,
                                           struct store_rollup_state *state, int64_t channel,
                                           int64_t cut, struct status *st);

#endif
