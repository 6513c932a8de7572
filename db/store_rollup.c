/* A stretch (a minute, hour or day of a channel) is one of
 *
 *   none    no reading yet
 *   open    the latest one; its fold is in memory only and follows from the readings (minute) or
 *           from the rows of the next finer level and its open stretch (hour, day)
 *   closed  a row in the file
 *
 *   none -> open      store_rollup_add, a reading later than any before
 *   open -> closed    store_rollup_add, a reading of a later stretch; store_rollup_close_before
 *   none -> closed    store_rollup_add + settle, a late reading in a stretch that was skipped
 *   closed -> closed  store_rollup_add + settle, a late reading: the row is merged
 *
 * So the usual reading costs a few additions, and a row is written once a minute. */
#include "db/store_rollup.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

int64_t store_rollup_length(enum store_level level)
{
    static const int64_t length[STORE_LEVELS] = {60000000, 3600000000, 86400000000};

    return length[level];
}

const char *store_rollup_table(enum store_level level)
{
    static const char *const table[STORE_LEVELS] = {"rollup_minute", "rollup_hour", "rollup_day"};

    return table[level];
}

int64_t store_rollup_floor(enum store_level level, int64_t time)
{
    int64_t length = store_rollup_length(level);
    int64_t rest = time % length;

    return time - (rest < 0 ? rest + length : rest);
}

void store_rollup_fold_begin(struct store_fold *fold, int64_t start)
{
    *fold = (struct store_fold){
        .start = start, .min = NAN, .mean = NAN, .max = NAN, .first = NAN, .last = NAN};
}

void store_rollup_fold_add(struct store_fold *fold, int64_t time, double value, uint32_t flags)
{
    double step;

    fold->flags |= flags;
    /* An overload says that the value is not the one displayed, whatever was displayed. */
    if (!isfinite(value) || (flags & STORE_FLAG_OVERLOAD)) {
        fold->unknown++;
        return;
    }
    if (fold->n == 0) {
        fold->n = 1;
        fold->min = fold->mean = fold->max = fold->first = fold->last = value;
        fold->first_time = fold->last_time = time;
        return;
    }
    /* B. P. Welford, Technometrics 4 (1962) 419: a running mean that does not lose digits. */
    fold->n++;
    step = value - fold->mean;
    fold->mean += step / (double)fold->n;
    fold->squares += step * (value - fold->mean);
    if (value < fold->min)
        fold->min = value;
    if (value > fold->max)
        fold->max = value;
    if (time < fold->first_time) {
        fold->first_time = time;
        fold->first = value;
    }
    if (time > fold->last_time) {
        fold->last_time = time;
        fold->last = value;
    }
}

void store_rollup_fold_merge(struct store_fold *fold, const struct store_fold *more)
{
    double step, n;

    fold->flags |= more->flags;
    fold->unknown += more->unknown;
    if (more->n == 0)
        return;
    if (fold->n == 0) {
        int64_t start = fold->start;
        int64_t unknown = fold->unknown;
        uint32_t flags = fold->flags;

        *fold = *more;
        fold->start = start;
        fold->unknown = unknown;
        fold->flags = flags;
        return;
    }
    /* T. F. Chan, G. H. Golub, R. J. LeVeque, Am. Stat. 37 (1983) 242, equation 2.1. */
    n = (double)fold->n + (double)more->n;
    step = more->mean - fold->mean;
    fold->squares += more->squares + step * step * (double)fold->n * (double)more->n / n;
    fold->mean += step * (double)more->n / n;
    fold->n += more->n;
    fold->min = fmin(fold->min, more->min);
    fold->max = fmax(fold->max, more->max);
    if (more->first_time < fold->first_time) {
        fold->first_time = more->first_time;
        fold->first = more->first;
    }
    if (more->last_time > fold->last_time) {
        fold->last_time = more->last_time;
        fold->last = more->last;
    }
}

void store_rollup_take(sqlite3_stmt *stmt, struct store_fold *fold)
{
    fold->start = sqlite3_column_int64(stmt, 0);
    fold->n = sqlite3_column_int64(stmt, 1);
    fold->unknown = sqlite3_column_int64(stmt, 2);
    fold->flags = (uint32_t)sqlite3_column_int64(stmt, 3);
    fold->min = store_sql_real(stmt, 4);
    fold->mean = store_sql_real(stmt, 5);
    fold->max = store_sql_real(stmt, 6);
    fold->first = store_sql_real(stmt, 7);
    fold->last = store_sql_real(stmt, 8);
    fold->squares = sqlite3_column_double(stmt, 9);
    fold->first_time = fold->start + sqlite3_column_int64(stmt, 10);
    fold->last_time = fold->start + sqlite3_column_int64(stmt, 11);
}

enum status_code store_rollup_prepare(struct store *store, struct store_rollups *r,
                                      struct status *st)
{
    enum status_code code = STATUS_OK;
    char sql[400];

    for (int i = 0; code == STATUS_OK && i < STORE_LEVELS; i++) {
        const char *table = store_rollup_table((enum store_level)i);

        if (r->write[i] && r->read[i])
            continue;
        snprintf(sql, sizeof sql,
                 "INSERT OR REPLACE INTO %s(channel, " STORE_ROLLUP_COLUMNS
                 ") VALUES(?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                 table);
        if (!r->write[i])
            code = store_sql_prepare(store, sql, true, &r->write[i], st);
        snprintf(sql, sizeof sql,
                 "SELECT " STORE_ROLLUP_COLUMNS " FROM %s WHERE channel = ? AND start = ?", table);
        if (code == STATUS_OK && !r->read[i])
            code = store_sql_prepare(store, sql, true, &r->read[i], st);
    }
    return code;
}

void store_rollup_finish(struct store_rollups *r)
{
    for (int i = 0; i < STORE_LEVELS; i++) {
        sqlite3_finalize(r->write[i]);
        sqlite3_finalize(r->read[i]);
    }
    memset(r, 0, sizeof *r);
}

static enum status_code write_row(struct store *store, sqlite3_stmt *stmt, int64_t channel,
                                  const struct store_fold *f, struct status *st)
{
    bool known = f->n > 0;
    int rc = store_sql_bind(
        stmt, STORE_ARGS(store_arg_int(channel), store_arg_int(f->start), store_arg_int(f->n),
                         store_arg_int(f->unknown), store_arg_int(f->flags), store_arg_real(f->min),
                         store_arg_real(f->mean), store_arg_real(f->max), store_arg_real(f->first),
                         store_arg_real(f->last), store_arg_real(f->squares),
                         store_arg_int(known ? f->first_time - f->start : 0),
                         store_arg_int(known ? f->last_time - f->start : 0)));

    if (rc == SQLITE_OK)
        rc = sqlite3_step(stmt);
    sqlite3_reset(stmt);
    return rc == SQLITE_DONE ? STATUS_OK : store_sql_error(store, rc, "rolling up", st);
}

static enum status_code merge_row(struct store *store, struct store_rollups *r, int level,
                                  int64_t channel, const struct store_fold *late, struct status *st)
{
    struct store_fold row;
    sqlite3_stmt *read = r->read[level];
    int rc = store_sql_bind(read, STORE_ARGS(store_arg_int(channel), store_arg_int(late->start)));

    store_rollup_fold_begin(&row, late->start);
    if (rc == SQLITE_OK)
        rc = sqlite3_step(read);
    if (rc == SQLITE_ROW) {
        store_rollup_take(read, &row);
        rc = SQLITE_DONE;
    }
    sqlite3_reset(read);
    if (rc != SQLITE_DONE)
        return store_sql_error(store, rc, "rolling up", st);
    store_rollup_fold_merge(&row, late);
    return write_row(store, r->write[level], channel, &row, st);
}

static enum status_code settle_level(struct store *store, struct store_rollups *r,
                                     struct store_rollup_state *state, int level, int64_t channel,
                                     struct status *st)
{
    if (!state->level[level].late)
        return STATUS_OK;
    state->level[level].late = false;
    if (state->level[level].late_fold.start > state->level[level].closed_to)
        state->level[level].closed_to = state->level[level].late_fold.start;
    return merge_row(store, r, level, channel, &state->level[level].late_fold, st);
}

enum status_code store_rollup_settle(struct store *store, struct store_rollups *r,
                                     struct store_rollup_state *state, int64_t channel,
                                     struct status *st)
{
    enum status_code code = STATUS_OK;

    for (int i = 0; code == STATUS_OK && i < STORE_LEVELS; i++)
        code = settle_level(store, r, state, i, channel, st);
    return code;
}

static enum status_code close_level(struct store *store, struct store_rollups *r,
                                    struct store_rollup_state *state, int level, int64_t channel,
                                    struct status *st)
{
    state->level[level].open = false;
    if (state->level[level].open_fold.start > state->level[level].closed_to)
        state->level[level].closed_to = state->level[level].open_fold.start;
    return write_row(store, r->write[level], channel, &state->level[level].open_fold, st);
}

enum status_code store_rollup_close_before(struct store *store, struct store_rollups *r,
                                           struct store_rollup_state *state, int64_t channel,
                                           int64_t cut, struct status *st)
{
    enum status_code code = STATUS_OK;

    for (int i = 0; code == STATUS_OK && i < STORE_LEVELS; i++) {
        if (state->level[i].open && state->level[i].open_fold.start < cut)
            code = close_level(store, r, state, i, channel, st);
    }
    return code;
}

enum status_code store_rollup_add(struct store *store, struct store_rollups *r,
                                  struct store_rollup_state *state, int64_t channel,
                                  const struct store_reading *reading, struct status *st)
{
    enum status_code code = STATUS_OK;

    for (int i = 0; code == STATUS_OK && i < STORE_LEVELS; i++) {
        int64_t time = reading->time;
        int64_t start;

        /* Most readings fall where the one before fell; that needs no division. */
        if (state->level[i].open && time >= state->level[i].open_fold.start &&
            time - state->level[i].open_fold.start < store_rollup_length((enum store_level)i)) {
            store_rollup_fold_add(&state->level[i].open_fold, time, reading->value, reading->flags);
            continue;
        }
        start = store_rollup_floor((enum store_level)i, time);
        if (start > state->level[i].closed_to &&
            (!state->level[i].open || start > state->level[i].open_fold.start)) {
            if (state->level[i].open)
                code = close_level(store, r, state, i, channel, st);
            state->level[i].open = true;
            store_rollup_fold_begin(&state->level[i].open_fold, start);
            store_rollup_fold_add(&state->level[i].open_fold, time, reading->value, reading->flags);
            continue;
        }
        if (state->level[i].late && state->level[i].late_fold.start != start)
            code = settle_level(store, r, state, i, channel, st);
        if (!state->level[i].late) {
            state->level[i].late = true;
            store_rollup_fold_begin(&state->level[i].late_fold, start);
        }
        store_rollup_fold_add(&state->level[i].late_fold, time, reading->value, reading->flags);
    }
    return code;
}

/* ---- reading the state back ---- */

struct load_call {
    struct store *store;
    struct store_marks *marks;
    struct store_fold *fold;
    struct status *st;
    enum status_code code;
};

static int load_reading(sqlite3_stmt *stmt, void *user)
{
    struct load_call *call = user;
    struct store_reading reading;

    call->code = store_marks_decode(call->store, call->marks, stmt, 0, &reading, call->st);
    if (call->code != STATUS_OK)
        return 1;
    store_rollup_fold_add(call->fold, reading.time, reading.value, reading.flags);
    return 0;
}

static int load_row(sqlite3_stmt *stmt, void *user)
{
    struct load_call *call = user;
    struct store_fold row;

    store_rollup_take(stmt, &row);
    store_rollup_fold_merge(call->fold, &row);
    return 0;
}

static enum status_code load_open(struct store *store, struct store_marks *marks,
                                  struct store_rollup_state *state, int level, int64_t start,
                                  struct status *st)
{
    struct store_fold *fold = &state->level[level].open_fold;
    struct load_call call = {.store = store, .marks = marks, .fold = fold, .st = st};
    int64_t end = start + store_rollup_length((enum store_level)level);
    enum status_code code;
    char sql[200];

    store_rollup_fold_begin(fold, start);
    state->level[level].open = true;
    if (level == 0) {
        code = store_sql_query(
            store,
            "SELECT time, raw, mark FROM reading"
            " WHERE channel = ? AND time >= ? AND time < ?",
            STORE_ARGS(store_arg_int(marks->channel), store_arg_int(start), store_arg_int(end)),
            load_reading, &call, st);
        return code != STATUS_OK ? code : call.code;
    }
    snprintf(sql, sizeof sql,
             "SELECT " STORE_ROLLUP_COLUMNS " FROM %s WHERE channel = ? AND start >= ?"
             " AND start < ?",
             store_rollup_table((enum store_level)(level - 1)));
    code = store_sql_query(
        store, sql,
        STORE_ARGS(store_arg_int(marks->channel), store_arg_int(start), store_arg_int(end)),
        load_row, &call, st);
    if (code == STATUS_OK && state->level[level - 1].open &&
        state->level[level - 1].open_fold.start >= start)
        store_rollup_fold_merge(fold, &state->level[level - 1].open_fold);
    return code;
}

enum status_code store_rollup_load(struct store *store, struct store_marks *marks,
                                   struct store_rollup_state *state, struct status *st)
{
    int64_t last;
    enum status_code code;
    char sql[100];

    memset(state, 0, sizeof *state);
    for (int i = 0; i < STORE_LEVELS; i++) {
        snprintf(sql, sizeof sql, "SELECT max(start) FROM %s WHERE channel = ?",
                 store_rollup_table((enum store_level)i));
        code = store_sql_int(store, sql, STORE_ARGS(store_arg_int(marks->channel)),
                             &state->level[i].closed_to, st);
        if (code == STATUS_NOT_FOUND)
            state->level[i].closed_to = INT64_MIN;
        else if (code != STATUS_OK)
            return code;
    }
    code = store_sql_int(store, "SELECT max(time) FROM reading WHERE channel = ?",
                         STORE_ARGS(store_arg_int(marks->channel)), &last, st);
    if (code != STATUS_OK && code != STATUS_NOT_FOUND)
        return code;
    for (int i = 0; code == STATUS_OK && i < STORE_LEVELS; i++) {
        int64_t start = store_rollup_floor((enum store_level)i, last);

        if (start > state->level[i].closed_to)
            code = load_open(store, marks, state, i, start, st);
    }
    if (code == STATUS_OK || code == STATUS_NOT_FOUND) {
        state->loaded = true;
        return status_ok(st);
    }
    return code;
}
