/* Invariants of the store, kept by the file named in brackets. Everything else relies on them.
 *
 *  (1) One STORE_DAEMON at a time: it alone writes reading, mark, rollup_* and retention. It holds
 *      flock() on the database file itself, whatever name it was opened by, until it ends or is
 *      killed. [store.c]
 *  (2) A reading is in the file once or not at all: (channel, time) is the key, a reading sent
 *      again is found to be there already, another one of the same microsecond moves on.
 *      [store_ingest.c]
 *  (3) A reading handed in is in exactly one place: the buffer, the file, or the count of those
 *      lost or refused. It leaves the buffer only after COMMIT succeeded. [store_ingest.c]
 *  (4) At every commit, a roll-up row exists for each minute, hour and day of a channel that has
 *      readings and is closed, and is the fold of all of them ever stored. Closed: a reading of a
 *      later minute (hour, day) exists, or retention closed it. [store_rollup.c]
 *  (5) What is in memory about roll-ups follows from the file; after any failed transaction it is
 *      thrown away and read again. [store_rollup.c]
 *  (6) Evidence is never edited; it is superseded once. Raw readings go only through retention,
 *      which closes their roll-ups in the same transaction. [store_schema.c, store_retain.c]
 *  (7) Reads that need more than one statement see one snapshot. [store_series.c, store_read.c]
 *
 * WAL, so that readers never block the daemon nor it them. synchronous=FULL: one fdatasync a
 * commit, which with NORMAL would come only at a checkpoint, so a power cut could cost many
 * minutes at bench speed; with FULL it costs at most one flush interval. */
#include "db/store.h"

#include <ctype.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#include "db/store_ingest.h"
#include "db/store_ingest_private.h"
#include "db/store_schema.h"
#include "db/store_sql.h"

#define BUSY_OPEN_MS   5000
#define BUSY_READ_MS   2000
#define BUSY_DAEMON_MS 250

static void discard(struct store *store)
{
    store_ingest_free(store->ingest);
    if (store->db)
        sqlite3_close(store->db);
    /* After SQLite: closing any descriptor of the file would drop SQLite's own locks. */
    if (store->lock_fd >= 0)
        close(store->lock_fd);
    free(store->path);
    free(store);
}

/* Makes the file with the right mode before SQLite can make it with another. */
static enum status_code make_file(struct store *store, struct status *st)
{
    int fd = open(store->path, O_RDWR | O_CREAT | O_EXCL | O_CLOEXEC, 0640);

    if (fd >= 0) {
        bool ok = fchmod(fd, 0640) == 0;

        close(fd);
        if (ok)
            return STATUS_OK;
    }
    if (errno == EEXIST)
        return STATUS_OK;
    return status_fail(st, errno == ENOSPC ? STATUS_FULL : STATUS_IO, "%s: cannot be made: %s",
                       store->path, strerror(errno));
}

static enum status_code take_instance_lock(struct store *store, struct status *st)
{
    store->lock_fd = open(store->path, O_RDONLY | O_CLOEXEC);
    if (store->lock_fd < 0)
        return status_fail(st, STATUS_IO, "%s: %s", store->path, strerror(errno));
    if (flock(store->lock_fd, LOCK_EX | LOCK_NB) == 0)
        return STATUS_OK;
    if (errno == EWOULDBLOCK)
        return status_fail(st, STATUS_BUSY,
                           "%s: another daemon already writes this database; stop it first or "
                           "give this one a database of its own",
                           store->path);
    return status_fail(st, STATUS_IO, "%s: cannot be locked: %s", store->path, strerror(errno));
}

static enum status_code exec(struct store *store, const char *sql, struct status *st)
{
    int rc = sqlite3_exec(store->db, sql, NULL, NULL, NULL);

    return rc == SQLITE_OK ? STATUS_OK : store_sql_error(store, rc, "opening", st);
}

static enum status_code configure(struct store *store, struct status *st)
{
    int on = 1;
    enum status_code code;

    sqlite3_extended_result_codes(store->db, 1);
    /* The file may come from anywhere: nothing in its schema may call what it likes. */
    sqlite3_db_config(store->db, SQLITE_DBCONFIG_DEFENSIVE, 1, NULL);
    sqlite3_db_config(store->db, SQLITE_DBCONFIG_TRUSTED_SCHEMA, 0, NULL);
    sqlite3_limit(store->db, SQLITE_LIMIT_LENGTH, STORE_BLOB_MAX + (1 << 16));
    sqlite3_busy_timeout(store->db, store->mode == STORE_READ ? BUSY_READ_MS : BUSY_OPEN_MS);
    if (store->mode == STORE_READ)
        return exec(store, "PRAGMA query_only = ON; PRAGMA mmap_size = 0", st);
    /* The -wal and -shm files stay when the last writer closes: a reader who may not make files in
     * that folder could not open the database without them. */
    sqlite3_file_control(store->db, "main", SQLITE_FCNTL_PERSIST_WAL, &on);
    /* auto_vacuum counts only before the first table is made, and WAL must come after it. */
    code = exec(store,
                "PRAGMA auto_vacuum = INCREMENTAL; PRAGMA journal_mode = WAL;"
                "PRAGMA synchronous = FULL; PRAGMA foreign_keys = ON;"
                "PRAGMA recursive_triggers = ON; PRAGMA journal_size_limit = 16777216;"
                "PRAGMA temp_store = MEMORY",
                st);
    return code;
}

/* A database is in WAL mode and SQLite makes a -shm even to read it, so it cannot read one on a
 * read-only disk or in a folder of someone else. Where there is no -wal either, nobody has the file
 * open, and all there is stands in the file itself. */
static bool is_sealed(const struct store *store)
{
    int rc = store->db ? sqlite3_extended_errcode(store->db) & 0xff : SQLITE_OK;
    char wal[PATH_MAX];
    struct stat file;

    if (store->mode != STORE_READ || (rc != SQLITE_READONLY && rc != SQLITE_CANTOPEN))
        return false;
    if (snprintf(wal, sizeof wal, "%s-wal", store->path) >= (int)sizeof wal)
        return false;
    return stat(wal, &file) != 0 ? errno == ENOENT : file.st_size == 0;
}

/* What SQLite is to open: an URI, so that the path is never taken for one, nor for ':memory:'. */
static void make_uri(const char *path, const char *parameter, char *uri, size_t size)
{
    size_t n = (size_t)snprintf(uri, size, *path == '/' ? "file://" : "file:./");

    for (const char *c = path; *c; ++c)
        n += (size_t)snprintf(uri + n, size - n,
                              isalnum((unsigned char)*c) || strchr("/._-", *c) ? "%c" : "%%%02X",
                              (unsigned char)*c);
    snprintf(uri + n, size - n, "%s", parameter);
}

/* sealed: the file as it is, without locks. */
static enum status_code connect_and_bring(struct store *store, bool sealed, struct status *st)
{
    int flags = store->mode == STORE_READ ? SQLITE_OPEN_READONLY : SQLITE_OPEN_READWRITE;
    char uri[3 * PATH_MAX + 64];
    int rc;

    sqlite3_close(store->db);
    store->db = NULL;
    make_uri(store->path, sealed ? "?immutable=1" : "", uri, sizeof uri);
    rc = sqlite3_open_v2(uri, &store->db, flags | SQLITE_OPEN_URI | SQLITE_OPEN_NOMUTEX, NULL);
    if (rc != SQLITE_OK)
        return store_sql_error(store, rc, "opening", st);
    return configure(store, st) == STATUS_OK
               ? store_schema_bring(store, store->mode != STORE_READ, st)
               : st->code;
}

static enum status_code open_steps(struct store *store, struct status *st)
{
    enum status_code code = STATUS_OK;
    struct stat file;

    if (strlen(store->path) >= PATH_MAX)
        return status_fail(st, STATUS_INPUT, "the path of the database is longer than %d bytes",
                           PATH_MAX - 1);
    if (stat(store->path, &file) == 0) {
        /* SQLite would wait at a pipe for ever. */
        if (!S_ISREG(file.st_mode))
            return status_fail(st, STATUS_INPUT, "%s: not a file", store->path);
    } else if (store->mode == STORE_READ) {
        return status_fail(st, STATUS_NOT_FOUND, "%s: %s", store->path, strerror(errno));
    }
    if (store->mode != STORE_READ) {
        code = make_file(store, st);
    }
    if (code == STATUS_OK && store->mode == STORE_DAEMON)
        code = take_instance_lock(store, st);
    if (code != STATUS_OK)
        return code;
    code = connect_and_bring(store, false, st);
    if (code != STATUS_OK && is_sealed(store))
        code = connect_and_bring(store, true, st);
    if (code == STATUS_OK && store->mode == STORE_DAEMON) {
        sqlite3_busy_timeout(store->db, BUSY_DAEMON_MS);
        store->ingest = store_ingest_new();
        if (!store->ingest)
            code = status_fail(st, STATUS_MEMORY, "no memory for the buffer of readings");
    }
    return code;
}

enum status_code store_open(const char *path, enum store_mode mode, struct store **store,
                            struct status *st)
{
    struct store *s = calloc(1, sizeof *s);
    enum status_code code;

    *store = NULL;
    if (!s)
        return status_fail(st, STATUS_MEMORY, "no memory to open %s", path);
    s->mode = mode;
    s->lock_fd = -1;
    s->path = strdup(path);
    if (!s->path)
        code = status_fail(st, STATUS_MEMORY, "no memory to open %s", path);
    else
        code = open_steps(s, st);
    if (code != STATUS_OK) {
        discard(s);
        return code;
    }
    *store = s;
    return status_ok(st);
}

enum status_code store_close(struct store *store, struct status *st)
{
    enum status_code code = status_ok(st);

    if (!store)
        return code;
    if (store->group)
        store_end(store, false, NULL);
    if (store->ingest)
        code = store_ingest_flush(store, st);
    discard(store);
    return code;
}

enum status_code store_begin(struct store *store, struct status *st)
{
    enum status_code code;

    if (store->group)
        return status_fail(st, STATUS_INPUT, "%s: a group of writes is open already", store->path);
    code = store_sql_enter(store, st);
    if (code != STATUS_OK)
        return code;
    store->depth--;
    store->group = true;
    store->group_failed = false;
    return status_ok(st);
}

enum status_code store_end(struct store *store, bool commit, struct status *st)
{
    enum status_code code = STATUS_OK;

    if (!store->group)
        return status_fail(st, STATUS_INPUT, "%s: no group of writes is open", store->path);
    store->group = false;
    if (commit && store->group_failed)
        code = status_fail(st, STATUS_INPUT, "%s: a write of the group failed, all were undone",
                           store->path);
    else if (commit)
        code = exec(store, "COMMIT", st);
    if (!commit || code != STATUS_OK)
        sqlite3_exec(store->db, "ROLLBACK", NULL, NULL, NULL);
    return code == STATUS_OK ? status_ok(st) : code;
}

int64_t store_now(void)
{
    struct timespec now;

    clock_gettime(CLOCK_REALTIME, &now);
    return (int64_t)now.tv_sec * 1000000 + now.tv_nsec / 1000;
}

const char *store_time_text(char *buf, size_t size, int64_t time)
{
    int64_t seconds = time / 1000000 - (time % 1000000 < 0 ? 1 : 0);
    time_t t = (time_t)seconds;
    struct tm utc;

    if (!gmtime_r(&t, &utc) || utc.tm_year < 1 - 1900 || utc.tm_year > 9999 - 1900) {
        snprintf(buf, size, "unknown");
        return buf;
    }
    snprintf(buf, size, "%04d-%02d-%02d %02d:%02d:%02d", utc.tm_year + 1900, utc.tm_mon + 1,
             utc.tm_mday, utc.tm_hour, utc.tm_min, utc.tm_sec);
    return buf;
}

const char *store_path(const struct store *store)
{
    return store->path;
}

struct complaint {
    struct store *store;
    struct status *st;
    bool found;
};

static int take_complaint(sqlite3_stmt *stmt, void *user)
{
    struct complaint *c = user;
    const char *text = store_sql_text(stmt, 0);

    if (text && strcmp(text, "ok") == 0)
        return 0;
    c->found = true;
    status_fail(c->st, STATUS_IO, "%s: damaged: %s", c->store->path, text ? text : "unreadable");
    return 1;
}

static int take_orphan(sqlite3_stmt *stmt, void *user)
{
    struct complaint *c = user;
    const char *child = store_sql_text(stmt, 0);
    const char *parent = store_sql_text(stmt, 2);

    c->found = true;
    status_fail(c->st, STATUS_IO, "%s: damaged: an entry of %s names a missing %s", c->store->path,
                child ? child : "?", parent ? parent : "?");
    return 1;
}

enum status_code store_check(struct store *store, struct status *st)
{
    struct status said;
    struct complaint c = {.store = store, .st = &said};
    enum status_code code;

    code = store_sql_query(store, "PRAGMA integrity_check(1)", NULL, 0, take_complaint, &c, st);
    if (code == STATUS_OK && !c.found)
        code = store_sql_query(store, "PRAGMA foreign_key_check", NULL, 0, take_orphan, &c, st);
    if (code == STATUS_OK && c.found)
        return status_fail(st, STATUS_IO, "%s", said.text);
    return code;
}
