#include "db/store_coil.h"

#include <string.h>

#include "db/store_sql.h"

static int64_t or_now(int64_t time)
{
    return time ? time : store_now();
}

/* ---- coils ---- */

enum status_code store_coil_add(struct store *store, const struct store_coil *coil, int64_t *id,
                                struct status *st)
{
    enum status_code code;

    if (store_sql_check_text("coil name", coil->name, STORE_NAME_MAX, true, st) ||
        store_sql_check_text("kind", coil->kind, STORE_NAME_MAX, false, st) ||
        store_sql_check_text("batch", coil->batch, STORE_NAME_MAX, false, st) ||
        store_sql_check_text("remark", coil->remark, STORE_REMARK_MAX, false, st))
        return STATUS_INPUT;
    code = store_sql_run(store,
                         "INSERT INTO coil(name, kind, batch, time, remark) VALUES(?, ?, ?, ?, ?)",
                         STORE_ARGS(store_arg_text(coil->name), store_arg_text(coil->kind),
                                    store_arg_text(coil->batch), store_arg_int(or_now(coil->time)),
                                    store_arg_text(coil->remark)),
                         id, NULL, st);
    if (code == STATUS_EXISTS)
        return status_fail(st, code, "a coil called '%s' exists already", coil->name);
    return code;
}

enum status_code store_coil_find(struct store *store, const char *name, int64_t *id,
                                 struct status *st)
{
    enum status_code code;

    if (store_sql_check_text("coil name", name, STORE_NAME_MAX, true, st))
        return STATUS_INPUT;
    code = store_sql_int(store, "SELECT id FROM coil WHERE name = ?",
                         STORE_ARGS(store_arg_text(name)), id, st);
    if (code == STATUS_NOT_FOUND)
        return status_fail(st, code, "no coil is called '%s'", name);
    return code;
}

struct coil_call {
    store_coil_fn fn;
    void *user;
    bool found;
};

static int coil_row(sqlite3_stmt *stmt, void *user)
{
    struct coil_call *call = user;
    struct store_coil row = {.id = sqlite3_column_int64(stmt, 0),
                             .name = store_sql_text(stmt, 1),
                             .kind = store_sql_text(stmt, 2),
                             .batch = store_sql_text(stmt, 3),
                             .time = sqlite3_column_int64(stmt, 4),
                             .remark = store_sql_text(stmt, 5)};

    call->found = true;
    return call->fn(&row, call->user);
}

#define COIL_COLUMNS "SELECT id, name, kind, batch, time, remark FROM coil "

enum status_code store_coil_list(struct store *store, const char *batch, store_coil_fn fn,
                                 void *user, struct status *st)
{
    struct coil_call call = {.fn = fn, .user = user};

    return store_sql_query(store, COIL_COLUMNS "WHERE ?1 IS NULL OR batch = ?1 ORDER BY name",
                           STORE_ARGS(store_arg_text(batch)), coil_row, &call, st);
}

enum status_code store_coil_get(struct store *store, int64_t id, store_coil_fn fn, void *user,
                                struct status *st)
{
    struct coil_call call = {.fn = fn, .user = user};
    enum status_code code = store_sql_query(store, COIL_COLUMNS "WHERE id = ?",
                                            STORE_ARGS(store_arg_int(id)), coil_row, &call, st);

    if (code == STATUS_OK && !call.found)
        return status_fail(st, STATUS_NOT_FOUND, "there is no coil %lld", (long long)id);
    return code;
}

/* ---- designs ---- */

struct newest {
    int64_t version;
    bool same;
    const char *digest;
};

static int newest_row(sqlite3_stmt *stmt, void *user)
{
    struct newest *newest = user;
    const char *digest = store_sql_text(stmt, 1);

    newest->version = sqlite3_column_int64(stmt, 0);
    newest->same = digest && strcmp(digest, newest->digest) == 0;
    return 1;
}

static enum status_code add_design(struct store *store, const struct store_design *design,
                                   int64_t *version, struct status *st)
{
    struct newest newest = {.digest = design->digest};
    enum status_code code = store_sql_query(
        store, "SELECT version, digest FROM design WHERE coil = ? ORDER BY version DESC LIMIT 1",
        STORE_ARGS(store_arg_int(design->coil)), newest_row, &newest, st);

    if (code != STATUS_OK)
        return code;
    *version = newest.version;
    if (newest.same)
        return STATUS_OK;
    *version = newest.version + 1;
    code = store_sql_run(store,
                         "INSERT INTO design(coil, version, time, text, digest, parsed, remark)"
                         " VALUES(?, ?, ?, ?, ?, ?, ?)",
                         STORE_ARGS(store_arg_int(design->coil), store_arg_int(*version),
                                    store_arg_int(or_now(design->time)),
                                    store_arg_text(design->text), store_arg_text(design->digest),
                                    store_arg_int(design->parsed), store_arg_text(design->remark)),
                         NULL, NULL, st);
    if (code == STATUS_NOT_FOUND)
        return status_fail(st, code, "there is no coil %lld", (long long)design->coil);
    return code;
}

enum status_code store_coil_add_design(struct store *store, const struct store_design *design,
                                       int64_t *version, struct status *st)
{
    enum status_code code;

    if (store_sql_check_text("design text", design->text, STORE_DESIGN_MAX, true, st) ||
        store_sql_check_text("design digest", design->digest, STORE_NAME_MAX, true, st) ||
        store_sql_check_text("remark", design->remark, STORE_REMARK_MAX, false, st))
        return STATUS_INPUT;
    code = store_sql_enter(store, st);
    if (code != STATUS_OK)
        return code;
    return store_sql_leave(store, add_design(store, design, version, st), st);
}

struct design_call {
    store_coil_design_fn fn;
    void *user;
    bool found;
};

static int design_row(sqlite3_stmt *stmt, void *user)
{
    struct design_call *call = user;
    struct store_design row = {.id = sqlite3_column_int64(stmt, 0),
                               .coil = sqlite3_column_int64(stmt, 1),
                               .version = sqlite3_column_int64(stmt, 2),
                               .time = sqlite3_column_int64(stmt, 3),
                               .text = store_sql_text(stmt, 4),
                               .digest = store_sql_text(stmt, 5),
                               .parsed = sqlite3_column_int(stmt, 6) != 0,
                               .remark = store_sql_text(stmt, 7)};

    call->found = true;
    return call->fn(&row, call->user);
}

#define DESIGN_COLUMNS "SELECT id, coil, version, time, text, digest, parsed, remark FROM design "

enum status_code store_coil_design(struct store *store, int64_t coil, int64_t version,
                                   store_coil_design_fn fn, void *user, struct status *st)
{
    struct design_call call = {.fn = fn, .user = user};
    enum status_code code = store_sql_query(
        store,
        DESIGN_COLUMNS "WHERE coil = ?1 AND (?2 = 0 OR version = ?2)"
                       " ORDER BY version DESC LIMIT 1",
        STORE_ARGS(store_arg_int(coil), store_arg_int(version)), design_row, &call, st);

    if (code != STATUS_OK || call.found)
        return code;
    if (version)
        return status_fail(st, STATUS_NOT_FOUND, "the coil has no design version %lld",
                           (long long)version);
    return status_fail(st, STATUS_NOT_FOUND, "the coil has no design");
}

enum status_code store_coil_designs(struct store *store, int64_t coil, store_coil_design_fn fn,
                                    void *user, struct status *st)
{
    struct design_call call = {.fn = fn, .user = user};

    return store_sql_query(store, DESIGN_COLUMNS "WHERE coil = ? ORDER BY version",
                           STORE_ARGS(store_arg_int(coil)), design_row, &call, st);
}

/* ---- runs ---- */

enum status_code store_coil_add_run(struct store *store, const struct store_run *run, int64_t *id,
                                    struct status *st)
{
    enum status_code code;

    if (store_sql_check_text("remark", run->remark, STORE_REMARK_MAX, false, st))
        return STATUS_INPUT;
    code = store_sql_run(
        store, "INSERT INTO run(coil, started, ended, design, remark) VALUES(?, ?, ?, ?, ?)",
        STORE_ARGS(store_arg_int(run->coil), store_arg_int(or_now(run->started)),
                   store_arg_id(run->ended), store_arg_id(run->design),
                   store_arg_text(run->remark)),
        id, NULL, st);
    if (code == STATUS_NOT_FOUND)
        return status_fail(st, code, "there is no coil %lld with design version %lld",
                           (long long)run->coil, (long long)run->design);
    return code;
}

enum status_code store_coil_end_run(struct store *store, int64_t run, int64_t time,
                                    struct status *st)
{
    int64_t there;
    int changes = 0;
    enum status_code code = store_sql_run(
        store, "UPDATE run SET ended = ?2 WHERE id = ?1 AND ended IS NULL",
        STORE_ARGS(store_arg_int(run), store_arg_int(or_now(time))), NULL, &changes, st);

    if (code != STATUS_OK || changes == 1)
        return code;
    code = store_sql_int(store, "SELECT id FROM run WHERE id = ?", STORE_ARGS(store_arg_int(run)),
                         &there, st);
    if (code == STATUS_OK)
        return status_fail(st, STATUS_EXISTS, "run %lld has ended already", (long long)run);
    if (code == STATUS_NOT_FOUND)
        return status_fail(st, code, "there is no run %lld", (long long)run);
    return code;
}

struct run_call {
    store_coil_run_fn fn;
    void *user;
};

static int run_row(sqlite3_stmt *stmt, void *user)
{
    struct run_call *call = user;
    struct store_run row = {.id = sqlite3_column_int64(stmt, 0),
                            .coil = sqlite3_column_int64(stmt, 1),
                            .started = sqlite3_column_int64(stmt, 2),
                            .ended = sqlite3_column_int64(stmt, 3),
                            .design = sqlite3_column_int64(stmt, 4),
                            .remark = store_sql_text(stmt, 5)};

    return call->fn(&row, call->user);
}

enum status_code store_coil_runs(struct store *store, int64_t coil, store_coil_run_fn fn,
                                 void *user, struct status *st)
{
    struct run_call call = {.fn = fn, .user = user};

    return store_sql_query(store,
                           "SELECT id, coil, started, ended, design, remark FROM run"
                           " WHERE ?1 = 0 OR coil = ?1 ORDER BY started, id",
                           STORE_ARGS(store_arg_int(coil)), run_row, &call, st);
}
