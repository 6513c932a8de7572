#include "db/store_bench.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "db/quantity.h"
#include "db/store_marks.h"
#include "db/store_sql.h"

#define DEFAULT_DIVISOR 1e6

enum status_code store_bench_put_instrument(struct store *store,
                                            const struct store_instrument *instrument, int64_t *id,
                                            struct status *st)
{
    enum status_code code;

    if (store_sql_check_text("instrument name", instrument->name, STORE_NAME_MAX, true, st) ||
        store_sql_check_text("driver", instrument->driver, STORE_NAME_MAX, true, st) ||
        store_sql_check_text("identity", instrument->identity, STORE_REMARK_MAX, false, st) ||
        store_sql_check_text("port", instrument->port, STORE_REMARK_MAX, false, st) ||
        store_sql_check_text("remark", instrument->remark, STORE_REMARK_MAX, false, st))
        return STATUS_INPUT;
    code = store_sql_run(
        store,
        "INSERT INTO instrument(name, driver, identity, port, remark)"
        " VALUES(?, ?, ?, ?, ?) ON CONFLICT(name) DO UPDATE SET"
        " driver = excluded.driver,"
        " identity = coalesce(excluded.identity, identity),"
        " port = coalesce(excluded.port, port),"
        " remark = coalesce(excluded.remark, remark)",
        STORE_ARGS(store_arg_text(instrument->name), store_arg_text(instrument->driver),
                   store_arg_text(instrument->identity), store_arg_text(instrument->port),
                   store_arg_text(instrument->remark)),
        NULL, NULL, st);
    if (code != STATUS_OK)
        return code;
    return store_sql_int(store, "SELECT id FROM instrument WHERE name = ?",
                         STORE_ARGS(store_arg_text(instrument->name)), id, st);
}

struct channel_call {
    store_bench_channel_fn fn;
    void *user;
    bool found;
};

static int channel_row(sqlite3_stmt *stmt, void *user)
{
    struct channel_call *call = user;
    struct store_channel row = {.id = sqlite3_column_int64(stmt, 0),
                                .instrument = sqlite3_column_int64(stmt, 1),
                                .name = store_sql_text(stmt, 2),
                                .quantity = store_sql_text(stmt, 3),
                                .raw_unit = store_sql_text(stmt, 4),
                                .divisor = store_sql_real(stmt, 5),
                                .resolution = store_sql_real(stmt, 6)};

    call->found = true;
    return call->fn(&row, call->user);
}

#define CHANNEL_COLUMNS                                                                            \
    "SELECT id, instrument, name, quantity, raw_unit, divisor, resolution FROM channel "

struct same_channel {
    const struct store_channel *wanted;
    int64_t id;
    char quantity[STORE_NAME_MAX + 1];
    bool same;
};

static int compare_channel(const struct store_channel *row, void *user)
{
    struct same_channel *c = user;

    c->id = row->id;
    snprintf(c->quantity, sizeof c->quantity, "%s", row->quantity);
    c->same = strcmp(row->quantity, c->wanted->quantity) == 0 &&
              strcmp(row->raw_unit ? row->raw_unit : "",
                     c->wanted->raw_unit ? c->wanted->raw_unit : "") == 0;
    return 1;
}

enum status_code store_bench_put_channel(struct store *store, const struct store_channel *channel,
                                         int64_t *id, struct status *st)
{
    const struct quantity *q = quantity_find(channel->quantity);
    double divisor = channel->divisor > 0 ? channel->divisor : DEFAULT_DIVISOR;
    struct same_channel same = {.wanted = channel};
    struct channel_call call = {.fn = compare_channel, .user = &same};
    enum status_code code;

    if (store_sql_check_text("channel name", channel->name, STORE_NAME_MAX, true, st) ||
        store_sql_check_text("raw unit", channel->raw_unit, STORE_NAME_MAX, false, st) ||
        store_sql_check_real("divisor", divisor, false, st) ||
        store_sql_check_real("resolution", channel->resolution, true, st))
        return STATUS_INPUT;
    if (!q)
        return status_fail(st, STATUS_INPUT, "channel %s: unknown quantity '%.*s'", channel->name,
                           STORE_NAME_MAX, channel->quantity ? channel->quantity : "");
    code = store_sql_query(
        store, CHANNEL_COLUMNS "WHERE instrument = ? AND name = ?",
        STORE_ARGS(store_arg_int(channel->instrument), store_arg_text(channel->name)), channel_row,
        &call, st);
    if (code != STATUS_OK)
        return code;
    if (call.found && !same.same)
        return status_fail(st, STATUS_EXISTS,
                           "channel %s holds readings of %s already; give the one of %s another "
                           "name",
                           channel->name, same.quantity, channel->quantity);
    if (call.found) {
        *id = same.id;
        return STATUS_OK;
    }
    return store_sql_run(store,
                         "INSERT INTO channel(instrument, name, quantity, unit, raw_unit, divisor,"
                         " resolution) VALUES(?, ?, ?, ?, ?, ?, ?)",
                         STORE_ARGS(store_arg_int(channel->instrument),
                                    store_arg_text(channel->name), store_arg_text(q->name),
                                    store_arg_text(q->unit), store_arg_text(channel->raw_unit),
                                    store_arg_real(divisor), store_arg_real(channel->resolution)),
                         id, NULL, st);
}

struct found_ids {
    int64_t id;
    size_t n;
};

static int take_id(sqlite3_stmt *stmt, void *user)
{
    struct found_ids *found = user;

    found->id = sqlite3_column_int64(stmt, 0);
    found->n++;
    return 0;
}

enum status_code store_bench_find_channel(struct store *store, const char *name, int64_t *id,
                                          struct status *st)
{
    struct found_ids found = {0};
    enum status_code code;

    if (store_sql_check_text("channel name", name, 2 * STORE_NAME_MAX + 1, true, st))
        return STATUS_INPUT;
    code = store_sql_query(store,
                           "SELECT c.id FROM channel c JOIN instrument i ON i.id = c.instrument"
                           " WHERE i.name || '.' || c.name = ?1",
                           STORE_ARGS(store_arg_text(name)), take_id, &found, st);
    if (code == STATUS_OK && found.n == 0)
        code = store_sql_query(store, "SELECT id FROM channel WHERE name = ?",
                               STORE_ARGS(store_arg_text(name)), take_id, &found, st);
    if (code != STATUS_OK)
        return code;
    if (found.n == 0)
        return status_fail(st, STATUS_NOT_FOUND, "no channel is called '%s'", name);
    if (found.n > 1)
        return status_fail(st, STATUS_INPUT,
                           "%zu instruments have a channel '%s'; write INSTRUMENT.%s", found.n,
                           name, name);
    *id = found.id;
    return STATUS_OK;
}

struct instrument_call {
    store_bench_instrument_fn fn;
    void *user;
};

static int instrument_row(sqlite3_stmt *stmt, void *user)
{
    struct instrument_call *call = user;
    struct store_instrument row = {.id = sqlite3_column_int64(stmt, 0),
                                   .name = store_sql_text(stmt, 1),
                                   .driver = store_sql_text(stmt, 2),
                                   .identity = store_sql_text(stmt, 3),
                                   .port = store_sql_text(stmt, 4),
                                   .remark = store_sql_text(stmt, 5)};

    return call->fn(&row, call->user);
}

enum status_code store_bench_instruments(struct store *store, store_bench_instrument_fn fn,
                                         void *user, struct status *st)
{
    struct instrument_call call = {.fn = fn, .user = user};

    return store_sql_query(store,
                           "SELECT id, name, driver, identity, port, remark FROM instrument"
                           " ORDER BY name",
                           NULL, 0, instrument_row, &call, st);
}

enum status_code store_bench_channels(struct store *store, int64_t instrument,
                                      store_bench_channel_fn fn, void *user, struct status *st)
{
    struct channel_call call = {.fn = fn, .user = user};

    return store_sql_query(store,
                           CHANNEL_COLUMNS "WHERE ?1 = 0 OR instrument = ?1 ORDER BY instrument,"
                                           " name",
                           STORE_ARGS(store_arg_int(instrument)), channel_row, &call, st);
}

enum status_code store_bench_channel(struct store *store, int64_t channel,
                                     store_bench_channel_fn fn, void *user, struct status *st)
{
    struct channel_call call = {.fn = fn, .user = user};
    enum status_code code =
        store_sql_query(store, CHANNEL_COLUMNS "WHERE id = ?", STORE_ARGS(store_arg_int(channel)),
                        channel_row, &call, st);

    if (code == STATUS_OK && !call.found)
        return status_fail(st, STATUS_NOT_FOUND, "there is no channel %lld", (long long)channel);
    return code;
}

static enum status_code check_calibration(const struct store_calibration *k, struct status *st)
{
    if (store_sql_check_real("gain", k->gain, false, st) ||
        store_sql_check_real("offset", k->offset, false, st) ||
        store_sql_check_real("shunt", k->shunt, true, st) ||
        store_sql_check_real("shunt tolerance", k->shunt_tolerance, true, st) ||
        store_sql_check_real("lead null", k->lead_null, true, st) ||
        store_sql_check_text("remark", k->remark, STORE_REMARK_MAX, false, st))
        return STATUS_INPUT;
    if (k->gain == 0)
        return status_fail(st, STATUS_INPUT, "a gain of 0 would make every reading the same");
    if (k->shunt <= 0)
        return status_fail(st, STATUS_INPUT, "the shunt is %g ohm, expected above 0", k->shunt);
    if (k->shunt_tolerance < 0)
        return status_fail(st, STATUS_INPUT, "the shunt tolerance is below 0");
    if (k->n_accuracy > STORE_ACCURACY_MAX)
        return status_fail(st, STATUS_INPUT, "%zu ranges of accuracy, expected at most %d",
                           k->n_accuracy, STORE_ACCURACY_MAX);
    for (size_t i = 0; i < k->n_accuracy; i++) {
        if (store_sql_check_real("range", k->accuracy[i].range, true, st) ||
            store_sql_check_real("accuracy of reading", k->accuracy[i].fraction, false, st) ||
            store_sql_check_real("absolute accuracy", k->accuracy[i].absolute, false, st))
            return STATUS_INPUT;
        if (k->accuracy[i].fraction < 0 || k->accuracy[i].absolute < 0)
            return status_fail(st, STATUS_INPUT, "an accuracy is below 0");
    }
    return STATUS_OK;
}

enum status_code store_bench_add_calibration(struct store *store, const struct store_calibration *k,
                                             int64_t *id, struct status *st)
{
    int64_t new_id = 0;
    enum status_code code = check_calibration(k, st);

    if (code == STATUS_OK)
        code = store_sql_enter(store, st);
    if (code != STATUS_OK)
        return code;
    code = store_sql_run(store,
                         "INSERT INTO calibration(channel, time, gain, offset, shunt,"
                         " shunt_tolerance, lead_null, remark) VALUES(?, ?, ?, ?, ?, ?, ?, ?)",
                         STORE_ARGS(store_arg_int(k->channel),
                                    store_arg_int(k->time ? k->time : store_now()),
                                    store_arg_real(k->gain), store_arg_real(k->offset),
                                    store_arg_real(k->shunt), store_arg_real(k->shunt_tolerance),
                                    store_arg_real(k->lead_null), store_arg_text(k->remark)),
                         &new_id, NULL, st);
    for (size_t i = 0; code == STATUS_OK && i < k->n_accuracy; i++)
        code = store_sql_run(store,
                             "INSERT INTO accuracy(calibration, position, range, fraction,"
                             " absolute) VALUES(?, ?, ?, ?, ?)",
                             STORE_ARGS(store_arg_int(new_id), store_arg_int((int64_t)i),
                                        store_arg_real(k->accuracy[i].range),
                                        store_arg_real(k->accuracy[i].fraction),
                                        store_arg_real(k->accuracy[i].absolute)),
                             NULL, NULL, st);
    code = store_sql_leave(store, code, st);
    if (code == STATUS_OK)
        *id = new_id;
    return code;
}

struct calibration_call {
    struct store *store;
    struct status *st;
    struct store_calibration *out; /* either this */
    store_bench_calibration_fn fn; /* or these */
    void *user;
    bool found;
    enum status_code code;
};

static int accuracy_row(sqlite3_stmt *stmt, void *user)
{
    struct store_calibration *k = user;

    if (k->n_accuracy == STORE_ACCURACY_MAX)
        return 1;
    k->accuracy[k->n_accuracy++] = (struct store_accuracy){.range = store_sql_real(stmt, 0),
                                                           .fraction = store_sql_real(stmt, 1),
                                                           .absolute = store_sql_real(stmt, 2)};
    return 0;
}

static int calibration_row(sqlite3_stmt *stmt, void *user)
{
    struct calibration_call *call = user;
    struct store_calibration row = {.id = sqlite3_column_int64(stmt, 0),
                                    .channel = sqlite3_column_int64(stmt, 1),
                                    .time = sqlite3_column_int64(stmt, 2),
                                    .gain = store_sql_real(stmt, 3),
                                    .offset = store_sql_real(stmt, 4),
                                    .shunt = store_sql_real(stmt, 5),
                                    .shunt_tolerance = store_sql_real(stmt, 6),
                                    .lead_null = store_sql_real(stmt, 7),
                                    .remark = store_sql_text(stmt, 8)};

    call->found = true;
    call->code = store_sql_query(call->store,
                                 "SELECT range, fraction, absolute FROM accuracy"
                                 " WHERE calibration = ? ORDER BY position",
                                 STORE_ARGS(store_arg_int(row.id)), accuracy_row, &row, call->st);
    if (call->code != STATUS_OK)
        return 1;
    if (call->out) {
        row.remark = NULL;
        *call->out = row;
        return 1;
    }
    return call->fn(&row, call->user);
}

#define CALIBRATION_COLUMNS                                                                        \
    "SELECT id, channel, time, gain, offset, shunt, shunt_tolerance, lead_null, remark"            \
    " FROM calibration "

enum status_code store_bench_calibration(struct store *store, int64_t channel, int64_t time,
                                         struct store_calibration *out, struct status *st)
{
    struct calibration_call call = {.store = store, .st = st, .out = out};
    enum status_code code = store_sql_query(
        store,
        CALIBRATION_COLUMNS "WHERE channel = ? AND time <= ?"
                            " ORDER BY time DESC, id DESC LIMIT 1",
        STORE_ARGS(store_arg_int(channel), store_arg_int(time)), calibration_row, &call, st);

    if (code != STATUS_OK || call.code != STATUS_OK)
        return code != STATUS_OK ? code : call.code;
    if (!call.found)
        return status_fail(st, STATUS_NOT_FOUND, "channel %lld has no calibration",
                           (long long)channel);
    return STATUS_OK;
}

enum status_code store_bench_calibration_by_id(struct store *store, int64_t id,
                                               struct store_calibration *out, struct status *st)
{
    struct calibration_call call = {.store = store, .st = st, .out = out};
    enum status_code code =
        store_sql_query(store, CALIBRATION_COLUMNS "WHERE id = ?", STORE_ARGS(store_arg_int(id)),
                        calibration_row, &call, st);

    if (code != STATUS_OK || call.code != STATUS_OK)
        return code != STATUS_OK ? code : call.code;
    if (!call.found)
        return status_fail(st, STATUS_NOT_FOUND, "there is no calibration %lld", (long long)id);
    return STATUS_OK;
}

enum status_code store_bench_calibrations(struct store *store, int64_t channel,
                                          store_bench_calibration_fn fn, void *user,
                                          struct status *st)
{
    struct calibration_call call = {.store = store, .st = st, .fn = fn, .user = user};
    enum status_code code =
        store_sql_query(store, CALIBRATION_COLUMNS "WHERE channel = ? ORDER BY time, id",
                        STORE_ARGS(store_arg_int(channel)), calibration_row, &call, st);

    return code != STATUS_OK ? code : call.code;
}

double store_bench_value(const struct store_calibration *k, double raw)
{
    struct store_mark mark;

    if (!k)
        return raw;
    mark = (struct store_mark){.calibration = 1,
                               .gain = k->gain,
                               .offset = k->offset,
                               .shunt = k->shunt,
                               .lead_null = k->lead_null};
    return store_marks_value(&mark, raw);
}

double store_bench_half_width(const struct store_calibration *k, double raw)
{
    const struct store_accuracy *best = NULL;
    double half_width;

    if (!k || isnan(raw))
        return NAN;
    /* The smallest range that takes the reading; one without a range only if no other does. */
    for (size_t i = 0; i < k->n_accuracy; i++) {
        const struct store_accuracy *a = &k->accuracy[i];

        if (!isnan(a->range) && fabs(raw) > a->range)
            continue;
        if (!best || isnan(best->range) || (!isnan(a->range) && a->range < best->range))
            best = a;
    }
    if (!best)
        return NAN;
    half_width = (fabs(raw) * best->fraction + best->absolute) * fabs(k->gain);
    if (!isnan(k->shunt)) {
        half_width /= k->shunt;
        if (!isnan(k->shunt_tolerance))
            half_width += fabs((raw * k->gain + k->offset) / k->shunt) * k->shunt_tolerance;
    }
    return half_width;
}
