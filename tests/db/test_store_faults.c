/* The store under faults: every write that can fail fails once, a full disk, kill -9. */
#include "scratch.h"

#include <sched.h>
#include <signal.h>
#include <sys/mount.h>
#include <sys/wait.h>

#include "db/store_read.h"
#include "db/store_retain.h"
#include "faulty_vfs.h"

#define T0     INT64_C(1760000000000000)
#define SECOND INT64_C(1000000)

static int64_t sql_int(const char *path, const char *sql)
{
    sqlite3 *db;
    sqlite3_stmt *stmt;
    int64_t x;

    assert_int_equal(sqlite3_open_v2(path, &db, SQLITE_OPEN_READWRITE, NULL), SQLITE_OK);
    if (sqlite3_prepare_v2(db, sql, -1, &stmt, NULL) != SQLITE_OK)
        fail_msg("%s: %s", sql, sqlite3_errmsg(db));
    assert_int_equal(sqlite3_step(stmt), SQLITE_ROW);
    x = sqlite3_column_int64(stmt, 0);
    sqlite3_finalize(stmt);
    sqlite3_close(db);
    return x;
}

/* Each closed minute must be the fold of its readings, by SQL that shares nothing with it. */
static void check_minutes(const char *path)
{
    int64_t wrong = sql_int(
        path, "WITH w AS (SELECT channel, time / 60000000 * 60000000 AS start, count(*) AS n,"
              " min(value) AS lo, max(value) AS hi FROM measured GROUP BY 1, 2),"
              " last AS (SELECT channel, max(time) / 60000000 * 60000000 AS start FROM reading"
              "  GROUP BY 1)"
              "SELECT (SELECT count(*) FROM w LEFT JOIN rollup_minute r USING(channel, start)"
              " JOIN last USING(channel) WHERE w.start < last.start AND (r.n IS NULL OR r.n <> w.n"
              " OR r.min <> w.lo OR r.max <> w.hi)) + (SELECT count(*) FROM rollup_minute r"
              " LEFT JOIN w USING(channel, start) WHERE w.n IS NULL OR w.n <> r.n)");

    if (wrong)
        fail_msg("%lld minutes are not the fold of their readings", (long long)wrong);
}

/* A sitting: three flushes of five minutes of two channels; handed-in times are T0 + i seconds. */
#define SITTING 300

static enum status_code sitting(struct store *store, const int64_t *ch, int flush,
                                struct status *st)
{
    for (int i = flush * SITTING / 3; i < (flush + 1) * SITTING / 3; i++) {
        for (int c = 0; c < 2; c++) {
            struct store_reading r = scratch_reading(ch[c], T0 + i * SECOND, 1.5 + i * 0.001 + c);

            if (store_ingest_reading(store, &r, st) != STATUS_OK)
                return st->code;
        }
    }
    store_ingest_event(store, &(struct store_event){.kind = "note", .text = "flush"}, st);
    return store_ingest_flush(store, st);
}

static void nth_failure(void **state)
{
    struct faulty_vfs v = {.rc = SQLITE_IOERR_WRITE};
    static const int codes[] = {SQLITE_IOERR_WRITE, SQLITE_FULL};
    long n = 1;
    int code = 0;

    (void)state;
    faulty_vfs_install(&v);
    while (code < 2) {
        struct scratch s;
        struct store *store;
        struct status st;
        int64_t ch[2];
        int acknowledged = 0;
        enum status_code closed;

        scratch_make(&s);
        v.fail_at = 0;
        v.rc = codes[code];
        store = scratch_daemon(&s, 2, ch);
        v.calls = v.failed = 0;
        v.fail_at = n;
        for (int f = 0; f < 3; f++) {
            if (sitting(store, ch, f, &st) == STATUS_OK)
                acknowledged = f + 1;
        }
        closed = store_close(store, &st);
        v.fail_at = 0;
        assert_int_equal(sql_int(s.path, "SELECT count(*) FROM pragma_integrity_check"
                                         " WHERE integrity_check <> 'ok'"),
                         0);
        check_minutes(s.path);
        /* A flush is there in full or not at all, and one acknowledged is there. */
        for (int f = 0; f < 3; f++) {
            char sql[160];
            int64_t there;

            snprintf(sql, sizeof sql,
                     "SELECT count(*) FROM reading WHERE time >= %lld AND time < %lld",
                     (long long)(T0 + f * SITTING / 3 * SECOND),
                     (long long)(T0 + (f + 1) * SITTING / 3 * SECOND));
            there = sql_int(s.path, sql);
            if ((f < acknowledged || closed == STATUS_OK) && there != 2 * SITTING / 3)
                fail_msg("failure %ld: %lld readings of flush %d", n, (long long)there, f);
            assert_true(there == 0 || there == 2 * SITTING / 3);
        }
        scratch_remove(&s);
        if (v.failed == 0) {
            /* Past the last changing call of the whole sitting. */
            assert_true(n > 30);
            n = 1;
            code++;
        } else {
            n++;
        }
    }
    faulty_vfs_remove(&v);
}

/* The disk stays full for a while: readings gather, the store says so, and resumes by itself. */
static void full_for_a_while(void **state)
{
    struct faulty_vfs v = {.rc = SQLITE_FULL};
    struct scratch s;
    struct store *store;
    struct store_ingest_state in;
    struct status st;
    int64_t ch[1];

    (void)state;
    faulty_vfs_install(&v);
    scratch_make(&s);
    store = scratch_daemon(&s, 1, ch);
    for (int i = 0; i < 100; i++) {
        struct store_reading r = scratch_reading(ch[0], T0 + i * SECOND, 1.5);

        if (i == 10) {
            v.lasting = true;
            v.fail_at = v.calls + 1;
        }
        if (i == 90)
            v.fail_at = 0;
        OK(store_ingest_reading(store, &r, &st));
        assert_int_equal(store_ingest_flush(store, &st),
                         i < 10 || i >= 90 ? STATUS_OK : STATUS_FULL);
        store_ingest_state(store, &in);
        assert_int_equal(in.stopped, i < 10 || i >= 90 ? STATUS_OK : STATUS_FULL);
        assert_int_equal(in.buffered, i < 10 || i >= 90 ? 0 : i - 9);
    }
    assert_int_equal(in.lost, 0);
    assert_int_equal(in.stored, 100);
    assert_int_equal(sql_int(s.path, "SELECT count(*) FROM reading"), 100);
    assert_int_equal(sql_int(s.path, "SELECT count(*) FROM event WHERE kind = 'stopped'"), 1);
    assert_int_equal(sql_int(s.path, "SELECT count(*) FROM event WHERE kind = 'resumed'"
                                     " AND text LIKE '%no reading was lost%'"),
                     1);
    check_minutes(s.path);

    /* Longer than the buffer is: what does not fit is counted, and the event tells how many. */
    v.fail_at = v.calls + 1;
    for (int i = 0; i < STORE_INGEST_MAX + 500; i++) {
        struct store_reading r = scratch_reading(ch[0], T0 + 1000 * SECOND + i, 1.5);
        enum status_code code = store_ingest_reading(store, &r, &st);

        assert_int_equal(code, i < STORE_INGEST_MAX ? STATUS_OK : STATUS_FULL);
    }
    assert_int_equal(store_ingest_flush(store, &st), STATUS_FULL);
    store_ingest_state(store, &in);
    assert_int_equal(in.lost, 500);
    v.fail_at = 0;
    OK(store_ingest_flush(store, &st));
    store_ingest_state(store, &in);
    assert_int_equal(in.stored, 100 + STORE_INGEST_MAX);
    assert_int_equal(sql_int(s.path, "SELECT count(*) FROM event WHERE kind = 'resumed'"
                                     " AND text LIKE '%500 readings were lost%'"),
                     1);
    OK(store_close(store, &st));
    faulty_vfs_remove(&v);
    scratch_remove(&s);
}

/* The buffer overflowed while storing was known to be stopped: the event says how much was lost. */
static void lost_is_told(void **state)
{
    struct faulty_vfs v = {.rc = SQLITE_FULL, .lasting = true};
    struct scratch s;
    struct store *store;
    struct store_ingest_state in;
    struct status st;
    int64_t ch[1];

    (void)state;
    faulty_vfs_install(&v);
    v.lasting = true;
    scratch_make(&s);
    store = scratch_daemon(&s, 1, ch);
    v.fail_at = v.calls + 1;
    for (int i = 0; i < STORE_INGEST_MAX + 500; i++) {
        struct store_reading r = scratch_reading(ch[0], T0 + i, 1.5);

        store_ingest_reading(store, &r, &st);
        if (i % 50000 == 0)
            assert_int_equal(store_ingest_flush(store, &st), STATUS_FULL);
    }
    v.fail_at = 0;
    OK(store_ingest_flush(store, &st));
    store_ingest_state(store, &in);
    assert_int_equal(in.lost, 500);
    assert_int_equal(in.stored, STORE_INGEST_MAX);
    assert_int_equal(sql_int(s.path, "SELECT count(*) FROM event WHERE kind = 'resumed'"
                                     " AND text LIKE '%500 readings were lost, from 2025-%'"),
                     1);
    OK(store_close(store, &st));
    faulty_vfs_remove(&v);
    scratch_remove(&s);
}

/* The same on a real file system that is full, where the tests may mount one. */
static void full_file_system(void **state)
{
    struct scratch s;
    struct store *store;
    struct store_ingest_state in;
    struct status st;
    char filler[128];
    int64_t ch[1];
    FILE *f;
    bool was_full = false;

    (void)state;
    scratch_make(&s);
    /* In a mount namespace of its own, so that it ends with the process whatever happens. */
    if (unshare(CLONE_NEWNS) != 0 || mount(NULL, "/", NULL, MS_REC | MS_PRIVATE, NULL) != 0 ||
        mount("tmpfs", s.folder, "tmpfs", 0, "size=2m") != 0) {
        rmdir(s.folder);
        print_message("no tmpfs can be mounted here\n");
        skip();
    }
    store = scratch_daemon(&s, 1, ch);
    snprintf(filler, sizeof filler, "%s/filler", s.folder);
    f = fopen(filler, "w");
    assert_non_null(f);
    for (int i = 0; i < 3 * 1024 && fputc('x', f) != EOF; i++) {
        static const char block[1024];

        if (fwrite(block, sizeof block, 1, f) != 1 || fflush(f) != 0)
            break;
    }
    for (int i = 0; i < 20000; i++) {
        struct store_reading r = scratch_reading(ch[0], T0 + i * SECOND, 1.0 / (i + 1));

        OK(store_ingest_reading(store, &r, &st));
        if (i % 1000 == 999 && store_ingest_flush(store, &st) != STATUS_OK) {
            assert_int_equal(st.code, STATUS_FULL);
            was_full = true;
        }
    }
    assert_true(was_full);
    fclose(f);
    unlink(filler);
    OK(store_ingest_flush(store, &st));
    store_ingest_state(store, &in);
    assert_int_equal(in.stored, 20000);
    OK(store_check(store, &st));
    OK(store_close(store, &st));
    assert_int_equal(sql_int(s.path, "SELECT count(*) FROM reading"), 20000);
    assert_int_equal(sql_int(s.path, "SELECT count(*) FROM event WHERE kind = 'resumed'"), 1);
    check_minutes(s.path);
    scratch_clear(&s);
    umount(s.folder);
    rmdir(s.folder);
}

/* Child: readings one after another from 'next', a flush each few, and the last number that is
 * stored down the pipe. Its values say their number, so nothing can pass for another. */
static void writer(const char *path, int64_t channel, int64_t next, int pipe_fd, uint64_t seed)
{
    struct store *store;
    struct status st;

    if (store_open(path, STORE_DAEMON, &store, &st) != STATUS_OK)
        _exit(3);
    for (;;) {
        int n = 1 + (int)(scratch_random(&seed) % 40);

        for (int i = 0; i < n; i++, next++) {
            /* Some arrive late and out of order; each has a microsecond of its own. */
            int64_t late = scratch_random(&seed) % 10 == 0 ? 90 * SECOND : 0;
            struct store_reading r =
                scratch_reading(channel, T0 + next * 700000 - late + (next % 1000), (double)next);

            if (store_ingest_reading(store, &r, &st) != STATUS_OK)
                _exit(4);
        }
        if (store_ingest_flush(store, &st) != STATUS_OK)
            _exit(5);
        n = (int)write(pipe_fd, &next, sizeof next);
        (void)n;
    }
}

static void kill_nine(void **state)
{
    const char *full = getenv("TRUEWOUND_FULL");
    int kills = full && full[0] == '1' ? 1000 : 200;
    struct scratch s;
    struct store *store;
    struct status st;
    uint64_t seed = 4711;
    int64_t ch[1], acknowledged = 0, next = 0;

    (void)state;
    scratch_make(&s);
    store = scratch_daemon(&s, 1, ch);
    OK(store_close(store, &st));
    for (int i = 0; i < kills; i++) {
        int ends[2], status;
        pid_t child;
        int64_t there, twice;

        assert_int_equal(pipe(ends), 0);
        child = fork();
        assert_true(child >= 0);
        if (child == 0) {
            close(ends[0]);
            writer(s.path, ch[0], next, ends[1], scratch_random(&seed) + (uint64_t)i);
            _exit(6);
        }
        close(ends[1]);
        usleep((useconds_t)(3000 + scratch_random(&seed) % 25000));
        kill(child, SIGKILL);
        assert_int_equal(waitpid(child, &status, 0), child);
        if (!WIFSIGNALED(status))
            fail_msg("kill %d: the writer ended by itself with %d", i, WEXITSTATUS(status));
        while (read(ends[0], &acknowledged, sizeof acknowledged) == sizeof acknowledged)
            ;
        close(ends[0]);
        /* Stored: 0 ... at least acknowledged - 1, without a gap, each once. */
        there = sql_int(s.path, "SELECT count(DISTINCT raw) FROM reading");
        twice = sql_int(s.path, "SELECT count(*) FROM reading") - there;
        next = sql_int(s.path, "SELECT coalesce(max(raw) / 1000000, -1) + 1 FROM reading");
        if (next < acknowledged || there != next || twice != 0)
            fail_msg("kill %d: %lld acknowledged, %lld stored of %lld, %lld twice", i,
                     (long long)acknowledged, (long long)there, (long long)next, (long long)twice);
        assert_int_equal(sql_int(s.path, "SELECT count(*) FROM pragma_integrity_check"
                                         " WHERE integrity_check <> 'ok'"),
                         0);
        if (i % 20 == 0)
            check_minutes(s.path);
    }
    check_minutes(s.path);
    assert_true(next > kills);
    scratch_remove(&s);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(nth_failure),  cmocka_unit_test(full_for_a_while),
        cmocka_unit_test(lost_is_told), cmocka_unit_test(full_file_system),
        cmocka_unit_test(kill_nine),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
