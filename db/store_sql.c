#include "db/store_sql.h"

#include <errno.h>
#include <limits.h>
#include <math.h>
#include <string.h>

enum status_code store_sql_error(struct store *store, int rc, const char *what, struct status *st)
{
    const char *path = store->path;
    const char *why = store->db ? sqlite3_errmsg(store->db) : sqlite3_errstr(rc);
    int os_error = store->db ? sqlite3_system_errno(store->db) : 0;

    switch (rc & 0xff) {
    case SQLITE_BUSY:
    case SQLITE_LOCKED:
        return status_fail(st, STATUS_BUSY, "%s: %s: another program holds the database", path,
                           what);
    case SQLITE_FULL:
        return status_fail(st, STATUS_FULL, "%s: %s: no room left on the disk", path, what);
    case SQLITE_IOERR:
        /* SQLite says SQLITE_FULL only for plain writes; growing its shared memory fails as IO. */
        if (os_error == ENOSPC || os_error == EDQUOT)
            return status_fail(st, STATUS_FULL, "%s: %s: no room left on the disk", path, what);
        return status_fail(st, STATUS_IO, "%s: %s: %s%s%s", path, what, why, os_error ? ": " : "",
                           os_error ? strerror(os_error) : "");
    case SQLITE_NOMEM:
        return status_fail(st, STATUS_MEMORY, "%s: %s: no memory", path, what);
    case SQLITE_NOTADB:
        return status_fail(st, STATUS_INPUT, "%s: not an SQLite database", path);
    case SQLITE_READONLY:
        return status_fail(st, STATUS_IO,
                           "%s: %s: it may not be written; see to the rights of the file, of its "
                           "-wal and -shm, and of their folder",
                           path, what);
    case SQLITE_CONSTRAINT:
        if (rc == SQLITE_CONSTRAINT_UNIQUE || rc == SQLITE_CONSTRAINT_PRIMARYKEY)
            return status_fail(st, STATUS_EXISTS, "%s: %s: it exists already", path, what);
        if (rc == SQLITE_CONSTRAINT_FOREIGNKEY)
            return status_fail(st, STATUS_NOT_FOUND, "%s: %s: it names something that is not there",
                               path, what);
        return status_fail(st, STATUS_INPUT, "%s: %s: %s", path, what, why);
    default:
        return status_fail(st, STATUS_IO, "%s: %s: %s", path, what, why);
    }
}

enum status_code store_sql_prepare(struct store *store, const char *sql, bool lasting,
                                   sqlite3_stmt **stmt, struct status *st)
{
    int rc =
        sqlite3_prepare_v3(store->db, sql, -1, lasting ? SQLITE_PREPARE_PERSISTENT : 0, stmt, NULL);

    return rc == SQLITE_OK ? STATUS_OK : store_sql_error(store, rc, "reading the schema", st);
}

int store_sql_bind(sqlite3_stmt *stmt, const struct store_arg *args, size_t n)
{
    int rc = SQLITE_OK;

    for (size_t i = 0; i < n && rc == SQLITE_OK; i++) {
        const struct store_arg *a = &args[i];
        int at = (int)i + 1;

        switch (a->kind) {
        case STORE_ARG_INT:
            rc = sqlite3_bind_int64(stmt, at, a->i);
            break;
        case STORE_ARG_ID:
            rc = a->i ? sqlite3_bind_int64(stmt, at, a->i) : sqlite3_bind_null(stmt, at);
            break;
        case STORE_ARG_REAL:
            rc = sqlite3_bind_double(stmt, at, a->r);
            break;
        case STORE_ARG_TEXT:
            rc = sqlite3_bind_text(stmt, at, a->p, -1, SQLITE_STATIC);
            break;
        case STORE_ARG_BLOB:
            rc = sqlite3_bind_blob64(stmt, at, a->p, a->size, SQLITE_STATIC);
            break;
        }
    }
    return rc;
}

enum status_code store_sql_may_write(struct store *store, struct status *st)
{
    if (store->mode == STORE_READ)
        return status_fail(st, STATUS_INPUT, "%s: the database was opened for reading only",
                           store->path);
    return STATUS_OK;
}

enum status_code store_sql_run(struct store *store, const char *sql, const struct store_arg *args,
                               size_t n, int64_t *id, int *changes, struct status *st)
{
    sqlite3_stmt *stmt = NULL;
    enum status_code code = store_sql_may_write(store, st);
    int rc;

    if (code == STATUS_OK)
        code = store_sql_prepare(store, sql, false, &stmt, st);
    if (code != STATUS_OK) {
        store->group_failed = store->group;
        return code;
    }
    rc = store_sql_bind(stmt, args, n);
    if (rc == SQLITE_OK) {
        do
            rc = sqlite3_step(stmt);
        while (rc == SQLITE_ROW);
    }
    if (rc != SQLITE_DONE) {
        code = store_sql_error(store, rc, "writing", st);
        store->group_failed = store->group;
    } else {
        if (id)
            *id = sqlite3_last_insert_rowid(store->db);
        if (changes)
            *changes = sqlite3_changes(store->db);
        status_ok(st);
    }
    sqlite3_finalize(stmt);
    return code;
}

enum status_code store_sql_query(struct store *store, const char *sql, const struct store_arg *args,
                                 size_t n, store_sql_row_fn row, void *user, struct status *st)
{
    sqlite3_stmt *stmt = NULL;
    enum status_code code = store_sql_prepare(store, sql, false, &stmt, st);
    int rc;

    if (code != STATUS_OK)
        return code;
    rc = store_sql_bind(stmt, args, n);
    while (rc == SQLITE_OK || rc == SQLITE_ROW) {
        rc = sqlite3_step(stmt);
        if (rc == SQLITE_ROW && row(stmt, user) != 0)
            rc = SQLITE_DONE;
    }
    code = rc == SQLITE_DONE ? status_ok(st) : store_sql_error(store, rc, "reading", st);
    sqlite3_finalize(stmt);
    return code;
}

struct one_int {
    bool found;
    int64_t value;
};

static int take_int(sqlite3_stmt *stmt, void *user)
{
    struct one_int *one = user;

    one->found = sqlite3_column_type(stmt, 0) != SQLITE_NULL;
    one->value = sqlite3_column_int64(stmt, 0);
    return 1;
}

enum status_code store_sql_int(struct store *store, const char *sql, const struct store_arg *args,
                               size_t n, int64_t *out, struct status *st)
{
    struct one_int one = {0};
    enum status_code code = store_sql_query(store, sql, args, n, take_int, &one, st);

    if (code != STATUS_OK)
        return code;
    if (!one.found)
        return status_fail(st, STATUS_NOT_FOUND, "%s: there is no such entry", store->path);
    *out = one.value;
    return STATUS_OK;
}

static enum status_code exec(struct store *store, const char *sql, struct status *st)
{
    int rc = sqlite3_exec(store->db, sql, NULL, NULL, NULL);

    return rc == SQLITE_OK ? STATUS_OK : store_sql_error(store, rc, "writing", st);
}

enum status_code store_sql_enter(struct store *store, struct status *st)
{
    enum status_code code = store_sql_may_write(store, st);

    if (code == STATUS_OK)
        code =
            exec(store, store->group || store->depth ? "SAVEPOINT inner" : "BEGIN IMMEDIATE", st);
    if (code == STATUS_OK)
        store->depth++;
    return code;
}

enum status_code store_sql_leave(struct store *store, enum status_code code, struct status *st)
{
    bool inner = store->group || store->depth > 1;

    store->depth--;
    if (code == STATUS_OK)
        code = exec(store, inner ? "RELEASE inner" : "COMMIT", st);
    if (code != STATUS_OK) {
        /* SQLite may have rolled back by itself (disk full); doing it again is harmless. */
        sqlite3_exec(store->db, inner ? "ROLLBACK TO inner; RELEASE inner" : "ROLLBACK", NULL, NULL,
                     NULL);
        store->group_failed = store->group;
    }
    return code;
}

enum status_code store_sql_snapshot(struct store *store, bool *mine, struct status *st)
{
    *mine = sqlite3_get_autocommit(store->db) != 0;
    return *mine ? exec(store, "BEGIN", st) : STATUS_OK;
}

void store_sql_snapshot_end(struct store *store, bool mine)
{
    if (mine)
        sqlite3_exec(store->db, "COMMIT", NULL, NULL, NULL);
}

/* Well-formed UTF-8 without overlong forms, surrogates or control characters but tab and newline
 * (RFC 3629). */
static bool clean_utf8(const char *text, size_t length)
{
    const unsigned char *p = (const unsigned char *)text;
    const unsigned char *end = p + length;

    while (p < end) {
        unsigned c = *p++;
        unsigned more, low = 0x80, high = 0xBF;

        if (c < 0x80) {
            if ((c < 0x20 && c != '\t' && c != '\n' && c != '\r') || c == 0x7F)
                return false;
            continue;
        }
        if (c >= 0xC2 && c <= 0xDF) {
            more = 1;
        } else if (c >= 0xE0 && c <= 0xEF) {
            more = 2;
            low = c == 0xE0 ? 0xA0 : 0x80;
            high = c == 0xED ? 0x9F : 0xBF;
        } else if (c >= 0xF0 && c <= 0xF4) {
            more = 3;
            low = c == 0xF0 ? 0x90 : 0x80;
            high = c == 0xF4 ? 0x8F : 0xBF;
        } else {
            return false;
        }
        for (; more > 0; more--) {
            if (p == end || *p < low || *p > high)
                return false;
            p++;
            low = 0x80;
            high = 0xBF;
        }
    }
    return true;
}

enum status_code store_sql_check_text(const char *field, const char *text, size_t max,
                                      bool required, struct status *st)
{
    size_t length;

    if (!text || text[0] == '\0') {
        if (required)
            return status_fail(st, STATUS_INPUT, "%s is missing", field);
        return STATUS_OK;
    }
    length = strnlen(text, max + 1);
    if (length > max)
        return status_fail(st, STATUS_INPUT, "%s is longer than %zu bytes: '%.20s...'", field, max,
                           text);
    if (!clean_utf8(text, length))
        return status_fail(st, STATUS_INPUT, "%s is not clean UTF-8 text", field);
    return STATUS_OK;
}

enum status_code store_sql_check_real(const char *field, double x, bool may_be_unknown,
                                      struct status *st)
{
    if (isfinite(x) || (may_be_unknown && isnan(x)))
        return STATUS_OK;
    return status_fail(st, STATUS_INPUT, "%s is %s, expected a finite number", field,
                       isnan(x) ? "unknown" : "infinite");
}

double store_sql_real(sqlite3_stmt *stmt, int column)
{
    int type = sqlite3_column_type(stmt, column);

    return type == SQLITE_FLOAT || type == SQLITE_INTEGER ? sqlite3_column_double(stmt, column)
                                                          : NAN;
}

const char *store_sql_text(sqlite3_stmt *stmt, int column)
{
    return (const char *)sqlite3_column_text(stmt, column);
}
