/* The time asked for is cut into pieces, each read at the coarsest level whose stretches are not
 * longer than a point of the plot: for a year at day level that is
 *
 *   from ..minutes.. whole hour ..hours.. whole day ..days.. last whole day ..hours.. to
 *
 * so the ends are as exact as the readings allow, and the middle costs little. */
#include "db/store_series.h"

#include <math.h>
#include <stdio.h>

#include "db/store_marks.h"
#include "db/store_rollup.h"

struct series {
    struct store *store;
    struct store_marks marks;
    int64_t from;
    double width; /* of a point, microseconds; 0: each reading is a point */
    int64_t raw_before;
    int64_t end_of_rows[STORE_LEVELS]; /* up to here the rows of the level are complete */
    struct store_point point;
    int64_t index; /* of the point being gathered; -1 none */
    size_t sent, max_points;
    store_series_fn fn;
    void *user;
    bool stopped;
    struct status *st;
    enum status_code code;
};

static void send(struct series *s)
{
    if (s->index < 0 || s->stopped)
        return;
    s->stopped = s->fn(&s->point, s->user) != 0;
    s->index = -1;
    s->sent++;
}

static int add(struct series *s, const struct store_fold *fold, int64_t time, int64_t end)
{
    int64_t index = 0;
    struct store_point *p = &s->point;

    if (s->width > 0) {
        index = (int64_t)((double)(time - s->from) / s->width);
        if (index < 0)
            index = 0;
        if (index >= (int64_t)s->max_points)
            index = (int64_t)s->max_points - 1;
    }
    if (s->index >= 0 && (s->width == 0 || index != s->index))
        send(s);
    if (s->stopped)
        return 1;
    if (s->index < 0) {
        s->index = index;
        *p = (struct store_point){.time = time, .min = NAN, .mean = NAN, .max = NAN};
    }
    p->end = end;
    p->unknown += fold->unknown;
    if (fold->n == 0)
        return 0;
    p->mean = p->n == 0
                  ? fold->mean
                  : p->mean + (fold->mean - p->mean) * (double)fold->n / (double)(p->n + fold->n);
    p->n += fold->n;
    p->min = fmin(p->min, fold->min); /* fmin leaves out a NaN */
    p->max = fmax(p->max, fold->max);
    return 0;
}

static int raw_row(sqlite3_stmt *stmt, void *user)
{
    struct series *s = user;
    struct store_reading r;
    struct store_fold fold;

    s->code = store_marks_decode(s->store, &s->marks, stmt, 0, &r, s->st);
    if (s->code != STATUS_OK)
        return 1;
    store_rollup_fold_begin(&fold, r.time);
    store_rollup_fold_add(&fold, r.time, r.value, r.flags);
    return add(s, &fold, r.time, r.time);
}

static int rollup_row(sqlite3_stmt *stmt, void *user)
{
    struct series *s = user;
    struct store_fold fold;

    store_rollup_take(stmt, &fold);
    if (fold.n == 0)
        return add(s, &fold, fold.start, fold.start);
    return add(s, &fold, fold.first_time, fold.last_time);
}

static enum status_code piece(struct series *s, int level, int64_t from, int64_t to)
{
    enum status_code code;
    int64_t first, last;
    char sql[200];

    if (from >= to || s->stopped)
        return STATUS_OK;
    if (level < 0) {
        code = store_sql_query(
            s->store,
            "SELECT time, raw, mark FROM reading"
            " WHERE channel = ? AND time >= ? AND time < ? ORDER BY time",
            STORE_ARGS(store_arg_int(s->marks.channel), store_arg_int(from), store_arg_int(to)),
            raw_row, s, s->st);
        return code != STATUS_OK ? code : s->code;
    }
    first = store_rollup_floor((enum store_level)level, from);
    last = store_rollup_floor((enum store_level)level, to);
    if (first < from)
        first += store_rollup_length((enum store_level)level);
    /* Where the readings themselves are gone, a minute that is cut by the end is given whole. */
    if (level == 0 && to < s->raw_before && last < to)
        last += store_rollup_length(STORE_MINUTE);
    if (last > s->end_of_rows[level])
        last = s->end_of_rows[level];
    if (first >= last)
        return piece(s, level - 1, from, to);
    code = piece(s, level - 1, from, first);
    if (code != STATUS_OK || s->stopped)
        return code;
    snprintf(sql, sizeof sql,
             "SELECT " STORE_ROLLUP_COLUMNS " FROM %s WHERE channel = ? AND start >= ?"
             " AND start < ? ORDER BY start",
             store_rollup_table((enum store_level)level));
    code = store_sql_query(
        s->store, sql,
        STORE_ARGS(store_arg_int(s->marks.channel), store_arg_int(first), store_arg_int(last)),
        rollup_row, s, s->st);
    if (code == STATUS_OK)
        code = s->code;
    return code == STATUS_OK ? piece(s, level - 1, last, to) : code;
}

/* NOT_FOUND is an empty answer here. */
static enum status_code optional_int(struct store *store, const char *sql,
                                     const struct store_arg *args, size_t n, int64_t *out,
                                     int64_t otherwise, struct status *st)
{
    enum status_code code = store_sql_int(store, sql, args, n, out, st);

    if (code == STATUS_NOT_FOUND) {
        *out = otherwise;
        return status_ok(st);
    }
    return code;
}

/* How far each level's rows go, and the first and last time there is anything. */
static enum status_code look_around(struct series *s, int64_t *from, int64_t *to)
{
    struct store *store = s->store;
    int64_t channel = s->marks.channel;
    int64_t first, first_row, last, last_row;
    enum status_code code;
    char sql[100];

    code =
        optional_int(store, "SELECT raw_before FROM retention", NULL, 0, &s->raw_before, 0, s->st);
    if (code == STATUS_OK)
        code = optional_int(store, "SELECT min(time) FROM reading WHERE channel = ?",
                            STORE_ARGS(store_arg_int(channel)), &first, INT64_MAX, s->st);
    if (code == STATUS_OK)
        code = optional_int(store, "SELECT max(time) FROM reading WHERE channel = ?",
                            STORE_ARGS(store_arg_int(channel)), &last, INT64_MIN, s->st);
    if (code == STATUS_OK)
        code = optional_int(store, "SELECT min(start) FROM rollup_minute WHERE channel = ?",
                            STORE_ARGS(store_arg_int(channel)), &first_row, INT64_MAX, s->st);
    for (int i = STORE_LEVELS - 1; code == STATUS_OK && i >= 0; i--) {
        snprintf(sql, sizeof sql, "SELECT max(start) FROM %s WHERE channel = ?",
                 store_rollup_table((enum store_level)i));
        code = optional_int(store, sql, STORE_ARGS(store_arg_int(channel)), &last_row, INT64_MIN,
                            s->st);
        s->end_of_rows[i] = INT64_MIN;
        if (last_row != INT64_MIN)
            s->end_of_rows[i] = last_row + store_rollup_length((enum store_level)i);
        if (last != INT64_MIN && store_rollup_floor((enum store_level)i, last) > s->end_of_rows[i])
            s->end_of_rows[i] = store_rollup_floor((enum store_level)i, last);
    }
    if (code != STATUS_OK)
        return code;
    if (first_row < first)
        first = first_row;
    if (s->end_of_rows[0] != INT64_MIN && last < s->end_of_rows[0] - 1)
        last = s->end_of_rows[0] - 1;
    if (first == INT64_MAX) {
        *to = *from;
        return STATUS_OK;
    }
    if (*from < first)
        *from = first;
    if (*to > last)
        *to = last + 1;
    return STATUS_OK;
}

static enum status_code series(struct series *s, int64_t from, int64_t to)
{
    int64_t count = 0;
    int level = -1;
    enum status_code code = look_around(s, &from, &to);

    if (code != STATUS_OK || from >= to)
        return code;
    s->from = from;
    if (from >= s->raw_before) {
        code =
            store_sql_int(s->store,
                          "SELECT count(*) FROM (SELECT 1 FROM reading WHERE channel = ?"
                          " AND time >= ? AND time < ? LIMIT ?)",
                          STORE_ARGS(store_arg_int(s->marks.channel), store_arg_int(from),
                                     store_arg_int(to), store_arg_int((int64_t)s->max_points + 1)),
                          &count, s->st);
        if (code != STATUS_OK)
            return code;
    } else {
        level = STORE_MINUTE;
        count = INT64_MAX;
    }
    if (count > (int64_t)s->max_points) {
        s->width = ((double)to - (double)from) / (double)s->max_points;
        while (level + 1 < STORE_LEVELS &&
               (double)store_rollup_length((enum store_level)(level + 1)) <= s->width)
            level++;
    }
    code = piece(s, level, from, to);
    if (code == STATUS_OK)
        send(s);
    return code;
}

enum status_code store_series(struct store *store, int64_t channel, int64_t from, int64_t to,
                              size_t max_points, store_series_fn fn, void *user, struct status *st)
{
    struct series s = {
        .store = store, .index = -1, .max_points = max_points, .fn = fn, .user = user, .st = st};
    enum status_code code;
    bool mine;

    if (max_points < 2 || max_points > STORE_SERIES_POINTS_MAX)
        return status_fail(st, STATUS_INPUT, "%zu points of a curve, expected 2 to %d", max_points,
                           STORE_SERIES_POINTS_MAX);
    code = store_sql_snapshot(store, &mine, st);
    if (code != STATUS_OK)
        return code;
    code = store_marks_load(store, channel, &s.marks, st);
    if (code == STATUS_OK) {
        code = series(&s, from, to);
        store_marks_free(&s.marks);
    }
    store_sql_snapshot_end(store, mine);
    return code == STATUS_OK ? status_ok(st) : code;
}
