#include "db/store_retain.h"

#include <stdio.h>

#include "db/store_ingest.h"
#include "db/store_ingest_private.h"
#include "db/store_rollup.h"

#define MAX_ROWS        20000
#define PAGES_A_CALL    "2000"
#define CHANNELS_A_CALL 64

struct old_channels {
    int64_t id[CHANNELS_A_CALL];
    size_t n;
};

static int take_channel(sqlite3_stmt *stmt, void *user)
{
    struct old_channels *old = user;

    old->id[old->n++] = sqlite3_column_int64(stmt, 0);
    return old->n == CHANNELS_A_CALL;
}

/* Takes up to *room readings of one channel away. */
static enum status_code retain_channel(struct store *store, int64_t channel, int64_t cut,
                                       int64_t *room, struct status *st)
{
    int64_t end;
    int gone = 0;
    enum status_code code = store_ingest_close_before(store, channel, cut, st);

    if (code != STATUS_OK)
        return code;
    code = store_sql_int(
        store,
        "SELECT time FROM reading WHERE channel = ? AND time < ?"
        " ORDER BY time LIMIT 1 OFFSET ?",
        STORE_ARGS(store_arg_int(channel), store_arg_int(cut), store_arg_int(*room)), &end, st);
    if (code == STATUS_NOT_FOUND)
        end = cut;
    else if (code != STATUS_OK)
        return code;
    code = store_sql_run(store, "DELETE FROM reading WHERE channel = ? AND time < ?",
                         STORE_ARGS(store_arg_int(channel), store_arg_int(end)), NULL, &gone, st);
    *room -= gone;
    return code;
}

static enum status_code retain(struct store *store, int64_t cut, int64_t room, bool *left,
                               struct status *st)
{
    struct old_channels old = {.n = 0};
    int64_t rest;
    enum status_code code;

    code = store_sql_run(store, "UPDATE retention SET raw_before = ?1 WHERE raw_before < ?1",
                         STORE_ARGS(store_arg_int(cut)), NULL, NULL, st);
    if (code == STATUS_OK)
        code = store_sql_query(store,
                               "SELECT id FROM channel c WHERE EXISTS (SELECT 1 FROM reading"
                               " WHERE channel = c.id AND time < ?)",
                               STORE_ARGS(store_arg_int(cut)), take_channel, &old, st);
    for (size_t i = 0; code == STATUS_OK && room > 0 && i < old.n; i++)
        code = retain_channel(store, old.id[i], cut, &room, st);
    if (code == STATUS_OK)
        code = store_sql_int(store,
                             "SELECT EXISTS (SELECT 1 FROM channel c WHERE EXISTS (SELECT 1 FROM"
                             " reading WHERE channel = c.id AND time < ?))",
                             STORE_ARGS(store_arg_int(cut)), &rest, st);
    if (code == STATUS_OK)
        *left = rest != 0;
    return code;
}

enum status_code store_retain(struct store *store, int64_t raw_before, int64_t max_rows, bool *left,
                              struct status *st)
{
    int64_t cut = store_rollup_floor(STORE_DAY, raw_before);
    enum status_code code;

    *left = false;
    if (!store->ingest)
        return status_fail(st, STATUS_INPUT, "%s: readings are let go by the daemon only",
                           store->path);
    if (max_rows < 0)
        return status_fail(st, STATUS_INPUT, "readings to let go: below 0");
    if (cut <= 0)
        return status_ok(st);
    code = store_sql_enter(store, st);
    if (code != STATUS_OK)
        return code;
    code = retain(store, cut, max_rows ? max_rows : MAX_ROWS, left, st);
    code = store_sql_leave(store, code, st);
    if (code != STATUS_OK) {
        store_ingest_forget(store);
        return code;
    }
    return store_sql_run(store, "PRAGMA incremental_vacuum(" PAGES_A_CALL ")", NULL, 0, NULL, NULL,
                         st);
}
