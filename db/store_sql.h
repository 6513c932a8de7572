/* store_sql: the one door through which the other store_*.c files reach SQLite. Not for use
 * outside db/. */
#ifndef TRUEWOUND_STORE_SQL_H
#define TRUEWOUND_STORE_SQL_H

#include <sqlite3.h>

#include "db/store.h"

struct store_ingest;

struct store {
    sqlite3 *db;
    char *path;
    enum store_mode mode;
    int lock_fd;       /* -1 when no instance lock is held */
    bool group;        /* between store_begin and store_end */
    bool group_failed; /* a write in the group failed: it can only be undone */
    unsigned depth;    /* nested store_sql_enter */
    struct store_ingest *ingest;
};

enum store_arg_kind {
    STORE_ARG_INT,
    STORE_ARG_ID,   /* 0 becomes NULL */
    STORE_ARG_REAL, /* NaN becomes NULL */
    STORE_ARG_TEXT, /* NULL stays NULL */
    STORE_ARG_BLOB
};

struct store_arg {
    enum store_arg_kind kind;
    int64_t i;
    double r;
    const void *p;
    size_t size;
};

static inline struct store_arg store_arg_int(int64_t i)
{
    return (struct store_arg){.kind = STORE_ARG_INT, .i = i};
}
static inline struct store_arg store_arg_id(int64_t i)
{
    return (struct store_arg){.kind = STORE_ARG_ID, .i = i};
}
static inline struct store_arg store_arg_real(double r)
{
    return (struct store_arg){.kind = STORE_ARG_REAL, .r = r};
}
static inline struct store_arg store_arg_text(const char *text)
{
    return (struct store_arg){.kind = STORE_ARG_TEXT, .p = text};
}
static inline struct store_arg store_arg_blob(const void *p, size_t size)
{
    return (struct store_arg){.kind = STORE_ARG_BLOB, .p = p, .size = size};
}

/* Turns the last SQLite result on this store into a status; 'what' says what was being done. */
enum status_code store_sql_error(struct store *store, int rc, const char *what, struct status *st);

enum status_code store_sql_prepare(struct store *store, const char *sql, bool lasting,
                                   sqlite3_stmt **stmt, struct status *st);

/* Binds n arguments from parameter 1 on. Texts and blobs must outlive the step. */
int store_sql_bind(sqlite3_stmt *stmt, const struct store_arg *args, size_t n);

/* One statement without rows. *id (may be NULL) gets the last row id, *changes (may be NULL) the
 * number of rows changed. In a group a failure marks the group as failed. */
enum status_code store_sql_run(struct store *store, const char *sql, const struct store_arg *args,
                               size_t n, int64_t *id, int *changes, struct status *st);

/* One query; row returns 0 to go on. */
typedef int (*store_sql_row_fn)(sqlite3_stmt *stmt, void *user);
enum status_code store_sql_query(struct store *store, const char *sql, const struct store_arg *args,
                                 size_t n, store_sql_row_fn row, void *user, struct status *st);

/* One integer; STATUS_NOT_FOUND when there is no row or it is NULL. */
enum status_code store_sql_int(struct store *store, const char *sql, const struct store_arg *args,
                               size_t n, int64_t *out, struct status *st);

/* Several writes as one, also inside a group: enter, work, leave. leave gives back code, or its
 * own failure to commit. */
enum status_code store_sql_enter(struct store *store, struct status *st);
enum status_code store_sql_leave(struct store *store, enum status_code code, struct status *st);

/* A snapshot for several reads; *mine is false when a transaction is open already. */
enum status_code store_sql_snapshot(struct store *store, bool *mine, struct status *st);
void store_sql_snapshot_end(struct store *store, bool mine);

/* Refuses STORE_READ. */
enum status_code store_sql_may_write(struct store *store, struct status *st);

/* Bounds and UTF-8 of a text. NULL or empty is refused when 'required'. */
enum status_code store_sql_check_text(const char *field, const char *text, size_t max,
                                      bool required, struct status *st);
enum status_code store_sql_check_real(const char *field, double x, bool may_be_unknown,
                                      struct status *st);

double store_sql_real(sqlite3_stmt *stmt, int column);      /* NULL: NaN */
const char *store_sql_text(sqlite3_stmt *stmt, int column); /* NULL: NULL */

#define STORE_ARGS(...)                                                                            \
    (const struct store_arg[]){__VA_ARGS__},                                                       \
        sizeof((const struct store_arg[]){__VA_ARGS__}) / sizeof(struct store_arg)

#endif
