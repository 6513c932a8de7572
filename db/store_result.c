#include "db/store_result.h"

#include <math.h>
#include <string.h>

#include "db/store_sql.h"

static int64_t or_now(int64_t time)
{
    return time ? time : store_now();
}

/* ---- verdicts ---- */

enum status_code store_result_add_verdict(struct store *store, const struct store_verdict *v,
                                          int64_t *id, struct status *st)
{
    if (store_sql_check_text("program version", v->version, STORE_NAME_MAX, true, st) ||
        store_sql_check_text("digest", v->digest, STORE_NAME_MAX, true, st) ||
        store_sql_check_text("verdict", v->verdict, STORE_NAME_MAX, true, st) ||
        store_sql_check_text("findings", v->findings, STORE_JSON_MAX, true, st))
        return STATUS_INPUT;
    if (strcmp(v->verdict, "pass") != 0 && strcmp(v->verdict, "fail") != 0 &&
        strcmp(v->verdict, "undecided") != 0)
        return status_fail(st, STATUS_INPUT, "verdict '%s', expected pass, fail or undecided",
                           v->verdict);
    return store_sql_run(store,
                         "INSERT INTO verdict(coil, run, time, version, digest, verdict, findings)"
                         " VALUES(?, ?, ?, ?, ?, ?, ?)",
                         STORE_ARGS(store_arg_int(v->coil), store_arg_id(v->run),
                                    store_arg_int(or_now(v->time)), store_arg_text(v->version),
                                    store_arg_text(v->digest), store_arg_text(v->verdict),
                                    store_arg_text(v->findings)),
                         id, NULL, st);
}

struct verdict_call {
    store_result_verdict_fn fn;
    void *user;
};

static int verdict_row(sqlite3_stmt *stmt, void *user)
{
    struct verdict_call *call = user;
    struct store_verdict row = {.id = sqlite3_column_int64(stmt, 0),
                                .coil = sqlite3_column_int64(stmt, 1),
                                .run = sqlite3_column_int64(stmt, 2),
                                .time = sqlite3_column_int64(stmt, 3),
                                .version = store_sql_text(stmt, 4),
                                .digest = store_sql_text(stmt, 5),
                                .verdict = store_sql_text(stmt, 6),
                                .findings = store_sql_text(stmt, 7)};

    return call->fn(&row, call->user);
}

enum status_code store_result_verdicts(struct store *store, int64_t coil,
                                       store_result_verdict_fn fn, void *user, struct status *st)
{
    struct verdict_call call = {.fn = fn, .user = user};

    return store_sql_query(store,
                           "SELECT id, coil, run, time, version, digest, verdict, findings"
                           " FROM verdict WHERE ?1 = 0 OR coil = ?1 ORDER BY time, id",
                           STORE_ARGS(store_arg_int(coil)), verdict_row, &call, st);
}

/* ---- what was learnt ---- */

static enum status_code forget(struct store *store, const char *key, int64_t time, int *changes,
                               struct status *st)
{
    return store_sql_run(
        store, "UPDATE learnt SET forgotten_at = ?2 WHERE key = ?1 AND forgotten_at IS NULL",
        STORE_ARGS(store_arg_text(key), store_arg_int(time)), NULL, changes, st);
}

enum status_code store_result_learn(struct store *store, const struct store_learnt *l, int64_t *id,
                                    struct status *st)
{
    int64_t time = or_now(l->time);
    enum status_code code;

    if (store_sql_check_text("key", l->key, STORE_NAME_MAX, true, st) ||
        store_sql_check_real("value", l->value, false, st) ||
        store_sql_check_real("uncertainty", l->u, true, st) ||
        store_sql_check_text("source", l->from, STORE_JSON_MAX, false, st))
        return STATUS_INPUT;
    if (l->n < 1 || l->u < 0)
        return status_fail(st, STATUS_INPUT,
                           "'%s': learnt from %lld coils with uncertainty %g; expected at least 1 "
                           "and not below 0",
                           l->key, (long long)l->n, l->u);
    code = store_sql_enter(store, st);
    if (code != STATUS_OK)
        return code;
    code = forget(store, l->key, time, NULL, st);
    if (code == STATUS_OK)
        code = store_sql_run(
            store, "INSERT INTO learnt(key, value, u, n, source, time) VALUES(?, ?, ?, ?, ?, ?)",
            STORE_ARGS(store_arg_text(l->key), store_arg_real(l->value), store_arg_real(l->u),
                       store_arg_int(l->n), store_arg_text(l->from), store_arg_int(time)),
            id, NULL, st);
    return store_sql_leave(store, code, st);
}

enum status_code store_result_forget(struct store *store, const char *key, struct status *st)
{
    int changes = 0;
    enum status_code code;

    if (store_sql_check_text("key", key, STORE_NAME_MAX, true, st))
        return STATUS_INPUT;
    code = forget(store, key, store_now(), &changes, st);
    if (code == STATUS_OK && changes == 0)
        return status_fail(st, STATUS_NOT_FOUND, "nothing called '%s' is in use", key);
    return code;
}

struct learnt_call {
    store_result_learnt_fn fn;
    void *user;
};

static int learnt_row(sqlite3_stmt *stmt, void *user)
{
    struct learnt_call *call = user;
    struct store_learnt row = {.id = sqlite3_column_int64(stmt, 0),
                               .key = store_sql_text(stmt, 1),
                               .value = store_sql_real(stmt, 2),
                               .u = store_sql_real(stmt, 3),
                               .n = sqlite3_column_int64(stmt, 4),
                               .from = store_sql_text(stmt, 5),
                               .time = sqlite3_column_int64(stmt, 6),
                               .forgotten_at = sqlite3_column_int64(stmt, 7)};

    return call->fn(&row, call->user);
}

enum status_code store_result_learnts(struct store *store, const char *prefix, bool all,
                                      store_result_learnt_fn fn, void *user, struct status *st)
{
    struct learnt_call call = {.fn = fn, .user = user};

    return store_sql_query(store,
                           "SELECT id, key, value, u, n, source, time, forgotten_at FROM learnt"
                           " WHERE (?1 IS NULL OR substr(key, 1, length(?1)) = ?1)"
                           " AND (?2 OR forgotten_at IS NULL) ORDER BY key, time, id",
                           STORE_ARGS(store_arg_text(prefix), store_arg_int(all)), learnt_row,
                           &call, st);
}

/* ---- batteries ---- */

static enum status_code fit(struct store *store, const struct store_battery *b, int64_t fitted,
                            int64_t *id, struct status *st)
{
    int64_t before;
    enum status_code code =
        store_sql_int(store, "SELECT fitted FROM battery WHERE site = ? AND changed IS NULL",
                      STORE_ARGS(store_arg_text(b->site)), &before, st);

    if (code == STATUS_OK && before > fitted && !b->changed)
        return status_fail(st, STATUS_INPUT, "%s: the battery in there was fitted later than this",
                           b->site);
    if (code != STATUS_OK && code != STATUS_NOT_FOUND)
        return code;
    code =
        store_sql_run(store,
                      "UPDATE battery SET changed = ?2 WHERE site = ?1 AND changed IS NULL"
                      " AND fitted <= ?2",
                      STORE_ARGS(store_arg_text(b->site), store_arg_int(fitted)), NULL, NULL, st);
    if (code != STATUS_OK)
        return code;
    return store_sql_run(store,
                         "INSERT INTO battery(site, type, cells, fitted, changed, price, capacity,"
                         " confirmed, remark) VALUES(?, ?, ?, ?, ?, ?, ?, ?, ?)",
                         STORE_ARGS(store_arg_text(b->site), store_arg_text(b->type),
                                    store_arg_int(b->cells), store_arg_int(fitted),
                                    store_arg_id(b->changed), store_arg_real(b->price),
                                    store_arg_real(b->capacity), store_arg_int(b->confirmed),
                                    store_arg_text(b->remark)),
                         id, NULL, st);
}

enum status_code store_result_fit_battery(struct store *store, const struct store_battery *b,
                                          int64_t *id, struct status *st)
{
    int64_t fitted = or_now(b->fitted);
    enum status_code code;

    if (store_sql_check_text("site", b->site, STORE_NAME_MAX, true, st) ||
        store_sql_check_text("type", b->type, STORE_NAME_MAX, true, st) ||
        store_sql_check_text("remark", b->remark, STORE_REMARK_MAX, false, st) ||
        store_sql_check_real("price", b->price, true, st) ||
        store_sql_check_real("capacity", b->capacity, true, st))
        return STATUS_INPUT;
    if (b->cells < 1 || b->cells > 1000)
        return status_fail(st, STATUS_INPUT, "%s: a battery of %lld cells, expected 1 to 1000",
                           b->site, (long long)b->cells);
    if (b->changed && b->changed < fitted)
        return status_fail(st, STATUS_INPUT, "%s: changed before it was fitted", b->site);
    code = store_sql_enter(store, st);
    if (code != STATUS_OK)
        return code;
    return store_sql_leave(store, fit(store, b, fitted, id, st), st);
}

/* The battery before it, at the same site, counts as still in. */
static enum status_code take_back(struct store *store, int64_t id, struct status *st)
{
    int64_t before;
    int changes = 0;
    enum status_code code = store_sql_int(
        store,
        "SELECT b.id FROM battery a JOIN battery b ON b.site = a.site AND b.changed = a.fitted"
        " WHERE a.id = ? AND b.id <> a.id ORDER BY b.fitted DESC LIMIT 1",
        STORE_ARGS(store_arg_int(id)), &before, st);

    if (code == STATUS_NOT_FOUND)
        before = 0;
    else if (code != STATUS_OK)
        return code;
    code = store_sql_run(store,
                         "DELETE FROM battery WHERE id = ? AND changed IS NULL AND confirmed = 0",
                         STORE_ARGS(store_arg_int(id)), NULL, &changes, st);
    if (code == STATUS_OK && changes == 0)
        return status_fail(st, STATUS_NOT_FOUND,
                           "battery %lld is not one found by itself that is still in",
                           (long long)id);
    if (code == STATUS_OK && before)
        code = store_sql_run(store, "UPDATE battery SET changed = NULL WHERE id = ?",
                             STORE_ARGS(store_arg_int(before)), NULL, NULL, st);
    return code;
}

enum status_code store_result_confirm_battery(struct store *store, int64_t id, bool right,
                                              struct status *st)
{
    int changes = 0;
    enum status_code code = store_sql_enter(store, st);

    if (code != STATUS_OK)
        return code;
    if (right) {
        code = store_sql_run(store, "UPDATE battery SET confirmed = 1 WHERE id = ?",
                             STORE_ARGS(store_arg_int(id)), NULL, &changes, st);
        if (code == STATUS_OK && changes == 0)
            code = status_fail(st, STATUS_NOT_FOUND, "there is no battery %lld", (long long)id);
    } else {
        code = take_back(store, id, st);
    }
    return store_sql_leave(store, code, st);
}

struct battery_call {
    store_result_battery_fn fn;
    void *user;
};

static int battery_row(sqlite3_stmt *stmt, void *user)
{
    struct battery_call *call = user;
    struct store_battery row = {.id = sqlite3_column_int64(stmt, 0),
                                .site = store_sql_text(stmt, 1),
                                .type = store_sql_text(stmt, 2),
                                .cells = sqlite3_column_int64(stmt, 3),
                                .fitted = sqlite3_column_int64(stmt, 4),
                                .changed = sqlite3_column_int64(stmt, 5),
                                .price = store_sql_real(stmt, 6),
                                .capacity = store_sql_real(stmt, 7),
                                .confirmed = sqlite3_column_int(stmt, 8) != 0,
                                .remark = store_sql_text(stmt, 9)};

    return call->fn(&row, call->user);
}

enum status_code store_result_batteries(struct store *store, const char *site,
                                        store_result_battery_fn fn, void *user, struct status *st)
{
    struct battery_call call = {.fn = fn, .user = user};

    return store_sql_query(store,
                           "SELECT id, site, type, cells, fitted, changed, price, capacity,"
                           " confirmed, remark FROM battery WHERE ?1 IS NULL OR site = ?1"
                           " ORDER BY site, fitted, id",
                           STORE_ARGS(store_arg_text(site)), battery_row, &call, st);
}
