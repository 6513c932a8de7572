#include "db/store_read.h"

#include <math.h>
#include <stdio.h>

#include "db/store_marks.h"
#include "db/store_rollup.h"

struct reading_call {
    struct store *store;
    struct store_marks marks;
    store_read_fn fn;
    void *user;
    struct status *st;
    enum status_code code;
};

static int reading_row(sqlite3_stmt *stmt, void *user)
{
    struct reading_call *call = user;
    struct store_reading reading;

    call->code = store_marks_decode(call->store, &call->marks, stmt, 0, &reading, call->st);
    return call->code != STATUS_OK ? 1 : call->fn(&reading, call->user);
}

static enum status_code query_readings(struct reading_call *call, const char *sql,
                                       const struct store_arg *args, size_t n)
{
    enum status_code code = store_sql_query(call->store, sql, args, n, reading_row, call, call->st);

    return code != STATUS_OK ? code : call->code;
}

enum status_code store_read_range(struct store *store, int64_t channel, int64_t from, int64_t to,
                                  store_read_fn fn, void *user, struct status *st)
{
    struct reading_call call = {.store = store, .fn = fn, .user = user, .st = st};
    enum status_code code = store_marks_load(store, channel, &call.marks, st);

    if (code != STATUS_OK)
        return code;
    code =
        query_readings(&call,
                       "SELECT time, raw, mark FROM reading"
                       " WHERE channel = ? AND time >= ? AND time < ? ORDER BY time",
                       STORE_ARGS(store_arg_int(channel), store_arg_int(from), store_arg_int(to)));
    store_marks_free(&call.marks);
    return code;
}

struct one_reading {
    struct store_reading *out;
    bool found;
};

static int take_reading(const struct store_reading *row, void *user)
{
    struct one_reading *one = user;

    *one->out = *row;
    one->found = true;
    return 1;
}

enum status_code store_read_latest(struct store *store, int64_t channel, struct store_reading *out,
                                   struct status *st)
{
    struct one_reading one = {.out = out};
    struct reading_call call = {.store = store, .fn = take_reading, .user = &one, .st = st};
    enum status_code code = store_marks_load(store, channel, &call.marks, st);

    if (code != STATUS_OK)
        return code;
    code = query_readings(&call,
                          "SELECT time, raw, mark FROM reading WHERE channel = ?"
                          " ORDER BY time DESC LIMIT 1",
                          STORE_ARGS(store_arg_int(channel)));
    store_marks_free(&call.marks);
    if (code == STATUS_OK && !one.found)
        return status_fail(st, STATUS_NOT_FOUND, "channel %lld has no reading yet",
                           (long long)channel);
    return code;
}

/* ---- statistics of a window ---- */

struct window_pass {
    struct store_window *out;
    uint32_t without;
    int64_t origin; /* times are counted from here, in seconds, to keep their digits */
    double mean_t, stt, sty, syy;
    double intercept, slope; /* second pass */
    double before, sum_lag, sum_square;
    bool has_before;
};

static bool counts(const struct window_pass *w, const struct store_reading *row)
{
    return isfinite(row->value) && !(row->flags & (w->without | STORE_FLAG_OVERLOAD));
}

static int first_pass(const struct store_reading *row, void *user)
{
    struct window_pass *w = user;
    struct store_window *out = w->out;
    double t, dt, dy;

    if (!counts(w, row)) {
        out->unknown++;
        return 0;
    }
    if (out->n == 0) {
        w->origin = row->time;
        out->mean = 0;
        out->first = out->min = out->max = row->value;
        out->first_time = row->time;
    }
    out->n++;
    t = (double)(row->time - w->origin) * 1e-6;
    dt = t - w->mean_t;
    dy = row->value - out->mean;
    w->mean_t += dt / (double)out->n;
    out->mean += dy / (double)out->n;
    w->stt += dt * (t - w->mean_t);
    w->sty += dt * (row->value - out->mean);
    w->syy += dy * (row->value - out->mean);
    out->min = fmin(out->min, row->value);
    out->max = fmax(out->max, row->value);
    out->last = row->value;
    out->last_time = row->time;
    return 0;
}

static int second_pass(const struct store_reading *row, void *user)
{
    struct window_pass *w = user;
    double rest;

    if (!counts(w, row))
        return 0;
    rest = row->value - (w->intercept + w->slope * (double)(row->time - w->origin) * 1e-6);
    w->sum_square += rest * rest;
    if (w->has_before)
        w->sum_lag += rest * w->before;
    w->before = rest;
    w->has_before = true;
    return 0;
}

static enum status_code both_passes(struct store *store, int64_t channel, int64_t from, int64_t to,
                                    struct window_pass *w, struct status *st)
{
    struct store_window *out = w->out;
    double n;
    enum status_code code = store_read_range(store, channel, from, to, first_pass, w, st);

    if (code != STATUS_OK || out->n == 0)
        return code;
    n = (double)out->n;
    if (out->n >= 2)
        out->sd = sqrt(fmax(w->syy, 0) / (n - 1));
    if (out->n < 3 || !(w->stt > 0))
        return code;
    out->slope = w->slope = w->sty / w->stt;
    w->intercept = out->mean - w->slope * w->mean_t;
    code = store_read_range(store, channel, from, to, second_pass, w, st);
    if (code != STATUS_OK)
        return code;
    out->slope_u = sqrt(w->sum_square / (n - 2) / w->stt);
    if (out->n >= 8 && w->sum_square > 0)
        out->lag1 = w->sum_lag / w->sum_square;
    return code;
}

enum status_code store_read_window(struct store *store, int64_t channel, int64_t from, int64_t to,
                                   uint32_t without, struct store_window *out, struct status *st)
{
    struct window_pass w = {.out = out, .without = without};
    enum status_code code;
    bool mine;

    *out = (struct store_window){.mean = NAN,
                                 .sd = NAN,
                                 .slope = NAN,
                                 .slope_u = NAN,
                                 .lag1 = NAN,
                                 .min = NAN,
                                 .max = NAN,
                                 .first = NAN,
                                 .last = NAN};
    code = store_sql_snapshot(store, &mine, st);
    if (code != STATUS_OK)
        return code;
    code = both_passes(store, channel, from, to, &w, st);
    store_sql_snapshot_end(store, mine);
    return code;
}

/* ---- roll-ups and events ---- */

struct rollup_call {
    store_read_rollup_fn fn;
    void *user;
};

static int rollup_row(sqlite3_stmt *stmt, void *user)
{
    struct rollup_call *call = user;
    struct store_fold f;
    struct store_rollup row;

    store_rollup_take(stmt, &f);
    row = (struct store_rollup){.start = f.start,
                                .n = f.n,
                                .unknown = f.unknown,
                                .flags = f.flags,
                                .min = f.min,
                                .mean = f.mean,
                                .max = f.max,
                                .sd = f.n >= 2 ? sqrt(f.squares / (double)(f.n - 1)) : NAN,
                                .first = f.first,
                                .last = f.last,
                                .first_time = f.first_time,
                                .last_time = f.last_time};
    return call->fn(&row, call->user);
}

enum status_code store_read_rollups(struct store *store, enum store_level level, int64_t channel,
                                    int64_t from, int64_t to, store_read_rollup_fn fn, void *user,
                                    struct status *st)
{
    struct rollup_call call = {.fn = fn, .user = user};
    char sql[220];

    snprintf(sql, sizeof sql,
             "SELECT " STORE_ROLLUP_COLUMNS " FROM %s WHERE channel = ? AND start >= ?"
             " AND start < ? ORDER BY start",
             store_rollup_table(level));
    return store_sql_query(
        store, sql, STORE_ARGS(store_arg_int(channel), store_arg_int(from), store_arg_int(to)),
        rollup_row, &call, st);
}

struct event_call {
    store_read_event_fn fn;
    void *user;
};

static int event_row(sqlite3_stmt *stmt, void *user)
{
    struct event_call *call = user;
    struct store_event row = {.id = sqlite3_column_int64(stmt, 0),
                              .time = sqlite3_column_int64(stmt, 1),
                              .monotonic = sqlite3_column_int64(stmt, 2),
                              .instrument = sqlite3_column_int64(stmt, 3),
                              .kind = store_sql_text(stmt, 4),
                              .text = store_sql_text(stmt, 5)};

    return call->fn(&row, call->user);
}

enum status_code store_read_events(struct store *store, int64_t from, int64_t to,
                                   int64_t instrument, const char *kind, store_read_event_fn fn,
                                   void *user, struct status *st)
{
    struct event_call call = {.fn = fn, .user = user};

    return store_sql_query(store,
                           "SELECT id, time, monotonic, instrument, kind, text FROM event"
                           " WHERE time >= ?1 AND time < ?2 AND (?3 = 0 OR instrument = ?3)"
                           " AND (?4 IS NULL OR kind = ?4) ORDER BY time, id",
                           STORE_ARGS(store_arg_int(from), store_arg_int(to),
                                      store_arg_int(instrument), store_arg_text(kind)),
                           event_row, &call, st);
}
