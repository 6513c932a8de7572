#include "db/store_marks.h"

#include <float.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Above this many marks a new range is no longer told apart: an instrument whose range field is
 * garbage must not fill the memory. */
#define MARKS_MAX 4096

/* Up to here a decimal within two last bits is taken as that decimal: the chance that an
 * arbitrary double lies so near one is below one in a million. */
#define SNAP_MAX  1099511627776.0    /* 2^40 */
#define EXACT_MAX 9007199254740992.0 /* 2^53 */

static enum status_code grow(struct store_marks *marks, struct status *st)
{
    size_t size = marks->size ? 2 * marks->size : 8;
    struct store_mark *mark;

    if (marks->n < marks->size)
        return STATUS_OK;
    mark = realloc(marks->mark, size * sizeof *mark);
    if (!mark)
        return status_fail(st, STATUS_MEMORY, "no memory for the marks of channel %lld",
                           (long long)marks->channel);
    marks->mark = mark;
    marks->size = size;
    return STATUS_OK;
}

struct mark_call {
    struct store_marks *marks;
    struct status *st;
    enum status_code code;
};

static int mark_row(sqlite3_stmt *stmt, void *user)
{
    struct mark_call *call = user;
    struct store_marks *marks = call->marks;

    /* Numbers have no gaps, or the file was tampered with. */
    if (sqlite3_column_int64(stmt, 0) != (int64_t)marks->n) {
        call->code = status_fail(call->st, STATUS_IO, "channel %lld: mark %zu is missing",
                                 (long long)marks->channel, marks->n);
        return 1;
    }
    call->code = grow(marks, call->st);
    if (call->code != STATUS_OK)
        return 1;
    marks->mark[marks->n++] = (struct store_mark){.flags = (uint32_t)sqlite3_column_int64(stmt, 1),
                                                  .range = store_sql_real(stmt, 2),
                                                  .calibration = sqlite3_column_int64(stmt, 3),
                                                  .gain = store_sql_real(stmt, 4),
                                                  .offset = store_sql_real(stmt, 5),
                                                  .shunt = store_sql_real(stmt, 6),
                                                  .lead_null = store_sql_real(stmt, 7)};
    return 0;
}

static enum status_code load_rest(struct store *store, struct store_marks *marks, struct status *st)
{
    struct mark_call call = {.marks = marks, .st = st};
    enum status_code code =
        store_sql_query(store,
                        "SELECT m.mark, m.flags, m.range, m.calibration, k.gain, k.offset,"
                        " k.shunt, k.lead_null FROM mark m"
                        " LEFT JOIN calibration k ON k.id = m.calibration"
                        " WHERE m.channel = ? AND m.mark >= ? ORDER BY m.mark",
                        STORE_ARGS(store_arg_int(marks->channel), store_arg_int((int64_t)marks->n)),
                        mark_row, &call, st);

    return code != STATUS_OK ? code : call.code;
}

static int divisor_row(sqlite3_stmt *stmt, void *user)
{
    *(double *)user = store_sql_real(stmt, 0);
    return 1;
}

enum status_code store_marks_load(struct store *store, int64_t channel, struct store_marks *marks,
                                  struct status *st)
{
    enum status_code code;

    *marks = (struct store_marks){.channel = channel, .divisor = NAN};
    code = store_sql_query(store, "SELECT divisor FROM channel WHERE id = ?",
                           STORE_ARGS(store_arg_int(channel)), divisor_row, &marks->divisor, st);
    if (code == STATUS_OK && !(marks->divisor > 0))
        code = status_fail(st, STATUS_NOT_FOUND, "there is no channel %lld", (long long)channel);
    if (code == STATUS_OK)
        code = load_rest(store, marks, st);
    if (code != STATUS_OK)
        store_marks_free(marks);
    return code;
}

void store_marks_free(struct store_marks *marks)
{
    free(marks->mark);
    marks->mark = NULL;
    marks->n = marks->size = 0;
}

static bool same_real(double a, double b)
{
    return a == b || (isnan(a) && isnan(b));
}

static int calibration_row(sqlite3_stmt *stmt, void *user)
{
    struct store_mark *mark = user;

    mark->gain = store_sql_real(stmt, 0);
    mark->offset = store_sql_real(stmt, 1);
    mark->shunt = store_sql_real(stmt, 2);
    mark->lead_null = store_sql_real(stmt, 3);
    return 1;
}

enum status_code store_marks_number(struct store *store, struct store_marks *marks,
                                    int64_t calibration, uint32_t flags, double range,
                                    size_t *number, struct status *st)
{
    struct store_mark mark = {
        .flags = flags, .range = range, .calibration = calibration, .gain = NAN};
    enum status_code code = STATUS_OK;

    if (marks->n >= MARKS_MAX)
        mark.range = range = NAN;
    for (size_t i = marks->n; i-- > 0;) {
        const struct store_mark *m = &marks->mark[i];

        if (m->flags == flags && m->calibration == calibration && same_real(m->range, range)) {
            *number = i;
            return STATUS_OK;
        }
    }
    if (calibration) {
        code =
            store_sql_query(store,
                            "SELECT gain, offset, shunt, lead_null FROM calibration"
                            " WHERE id = ? AND channel = ?",
                            STORE_ARGS(store_arg_int(calibration), store_arg_int(marks->channel)),
                            calibration_row, &mark, st);
        if (code == STATUS_OK && isnan(mark.gain))
            code = status_fail(st, STATUS_NOT_FOUND, "channel %lld has no calibration %lld",
                               (long long)marks->channel, (long long)calibration);
    }
    if (code == STATUS_OK)
        code = grow(marks, st);
    if (code == STATUS_OK)
        code = store_sql_run(store,
                             "INSERT INTO mark(channel, mark, calibration, flags, range)"
                             " VALUES(?, ?, ?, ?, ?)",
                             STORE_ARGS(store_arg_int(marks->channel),
                                        store_arg_int((int64_t)marks->n), store_arg_id(calibration),
                                        store_arg_int(flags), store_arg_real(range)),
                             NULL, NULL, st);
    if (code != STATUS_OK)
        return code;
    *number = marks->n;
    marks->mark[marks->n++] = mark;
    return STATUS_OK;
}

double store_marks_value(const struct store_mark *mark, double raw)
{
    double value = raw;

    if (mark->calibration) {
        value = raw * mark->gain + mark->offset;
        if (!isnan(mark->shunt))
            value /= mark->shunt;
        if (!isnan(mark->lead_null))
            value -= mark->lead_null;
    }
    /* A file may have been written by anyone: what has run over is no figure. */
    return isfinite(value) ? value : NAN;
}

bool store_marks_digits(double divisor, double *raw, int64_t *digits)
{
    double whole = nearbyint(*raw * divisor);
    double back = whole / divisor;

    if (!(fabs(whole) < EXACT_MAX))
        return false;
    if (back != *raw && !(fabs(whole) <= SNAP_MAX && fabs(back - *raw) <= DBL_EPSILON * fabs(back)))
        return false;
    *digits = (int64_t)whole;
    *raw = back;
    return true;
}

enum status_code store_marks_decode(struct store *store, struct store_marks *marks,
                                    sqlite3_stmt *stmt, int column, struct store_reading *out,
                                    struct status *st)
{
    int64_t number = sqlite3_column_int64(stmt, column + 2);
    const struct store_mark *mark;

    if (number >= (int64_t)marks->n) {
        enum status_code code = load_rest(store, marks, st);

        if (code != STATUS_OK)
            return code;
    }
    if (number < 0 || number >= (int64_t)marks->n)
        return status_fail(st, STATUS_IO,
                           "%s: a reading of channel %lld has a mark that is missing", store->path,
                           (long long)marks->channel);
    mark = &marks->mark[number];
    out->channel = marks->channel;
    out->time = sqlite3_column_int64(stmt, column);
    switch (sqlite3_column_type(stmt, column + 1)) {
    case SQLITE_INTEGER:
        out->raw = (double)sqlite3_column_int64(stmt, column + 1) / marks->divisor;
        break;
    case SQLITE_FLOAT:
        out->raw = sqlite3_column_double(stmt, column + 1);
        break;
    default:
        out->raw = NAN;
        break;
    }
    out->value = store_marks_value(mark, out->raw);
    out->flags = mark->flags;
    out->range = mark->range;
    out->calibration = mark->calibration;
    return STATUS_OK;
}
