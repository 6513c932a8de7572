/* What storing costs, as ratios measured side by side in one run:
 *
 *   ingest    the store against a bare loop of one prepared INSERT, same pragmas, table and batch
 *   roll-ups  ingest with them against ingest without
 *   size      bytes of the file a reading, roll-ups and all
 *   growth    time and size a reading as the file grows
 *   curve     a plot of the whole time against the same from raw rows by SQL; and no dip lost
 *
 * bench_db_store [--full | --rows N] [--folder PATH]: --full is a year at one reading a second,
 * 31.5 million rows (about 800 MB). Time by CLOCK_MONOTONIC; each rate is the best of three turns,
 * taken by turns so that a change of the machine's speed falls on all alike. */
#include <math.h>
#include <sqlite3.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#include "db/store_bench.h"
#include "db/store_ingest.h"
#include "db/store_ingest_private.h"
#include "db/store_series.h"

#define T0       INT64_C(1735689600000000) /* 2025-01-01 */
#define CHANNELS 8
#define POINTS   1000

static double now(void)
{
    struct timespec t;

    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + (double)t.tv_nsec * 1e-9;
}

static void die(const char *what)
{
    fprintf(stderr, "bench_db_store: %s\n", what);
    exit(1);
}

static void check(enum status_code code, const struct status *st)
{
    if (code != STATUS_OK)
        die(st->text);
}

static void clear(const char *path)
{
    static const char *const ends[] = {"", "-wal", "-shm"};
    char name[512];

    for (size_t i = 0; i < 3; i++) {
        snprintf(name, sizeof name, "%s%s", path, ends[i]);
        unlink(name);
    }
}

static double file_size(const char *path)
{
    struct stat s;

    return stat(path, &s) == 0 ? (double)s.st_size : NAN;
}

/* A cell voltage as a meter sends it, four decimals, with noise and a slow fall. Invented data. */
static double sample(int64_t i, int64_t channel, uint64_t *random)
{
    *random = *random * 6364136223846793005u + 1442695040888963407u; /* Knuth, MMIX */
    return round(15000 - (double)i * 1e-4 + (double)channel * 10 + (double)(*random >> 60)) / 1e4;
}

/* The meter's own time of arrival: each second, give or take 2 ms. */
static int64_t moment(int64_t i, uint64_t *random)
{
    *random = *random * 6364136223846793005u + 1442695040888963407u;
    return T0 + i * 1000000 + (int64_t)(*random >> 53);
}

static struct store *open_store(const char *path, int64_t *ids, int channels)
{
    struct store *store;
    struct status st;
    int64_t instrument;

    check(store_open(path, STORE_DAEMON, &store, &st), &st);
    check(store_bench_put_instrument(
              store, &(struct store_instrument){.name = "m", .driver = "lines"}, &instrument, &st),
          &st);
    for (int c = 0; c < channels; c++) {
        char name[16];

        snprintf(name, sizeof name, "c%d", c);
        check(store_bench_put_channel(store,
                                      &(struct store_channel){.instrument = instrument,
                                                              .name = name,
                                                              .quantity = "voltage",
                                                              .resolution = 1e-4},
                                      &ids[c], &st),
              &st);
    }
    return store;
}

/* rows readings through the store, a flush each 'batch'. Returns readings a second. */
static double store_rate(const char *path, int64_t rows, int64_t batch, bool without_rollups,
                         double *size)
{
    int64_t ids[CHANNELS];
    struct store *store;
    struct status st;
    uint64_t random = 1;
    double started, took;

    clear(path);
    store = open_store(path, ids, CHANNELS);
    store_ingest_without_rollups(store, without_rollups);
    started = now();
    for (int64_t i = 0; i < rows; i++) {
        int c = (int)(i % CHANNELS);
        int64_t time = moment(i / CHANNELS, &random);
        struct store_reading r = {
            .channel = ids[c], .time = time, .raw = sample(i, c, &random), .range = NAN};

        check(store_ingest_reading(store, &r, &st), &st);
        if ((i + 1) % batch == 0)
            check(store_ingest_flush(store, &st), &st);
    }
    check(store_ingest_flush(store, &st), &st);
    took = now() - started;
    check(store_close(store, &st), &st);
    if (size)
        *size = file_size(path);
    return (double)rows / took;
}

static void sql(sqlite3 *db, const char *text)
{
    if (sqlite3_exec(db, text, NULL, NULL, NULL) != SQLITE_OK)
        die(sqlite3_errmsg(db));
}

/* The same by hand: nothing but BEGIN, a prepared INSERT, COMMIT. 'real' stores the doubles as
 * they are, as a plain loop would; else the same integers as the store writes. */
static double bare_rate(const char *path, int64_t rows, int64_t batch, bool real)
{
    sqlite3 *db;
    sqlite3_stmt *stmt;
    uint64_t random = 1;
    double started, took;

    clear(path);
    if (sqlite3_open(path, &db) != SQLITE_OK)
        die("cannot open");
    sql(db, "PRAGMA auto_vacuum = INCREMENTAL; PRAGMA journal_mode = WAL;"
            "PRAGMA synchronous = FULL; PRAGMA foreign_keys = ON; PRAGMA temp_store = MEMORY;"
            "PRAGMA journal_size_limit = 16777216;"
            "CREATE TABLE reading(channel INTEGER NOT NULL, time INTEGER NOT NULL, raw ANY,"
            " mark INTEGER NOT NULL, PRIMARY KEY(channel, time)) STRICT, WITHOUT ROWID");
    if (sqlite3_prepare_v2(db, "INSERT INTO reading VALUES(?, ?, ?, ?)", -1, &stmt, NULL))
        die(sqlite3_errmsg(db));
    started = now();
    sql(db, "BEGIN IMMEDIATE");
    for (int64_t i = 0; i < rows; i++) {
        int c = (int)(i % CHANNELS);
        int64_t time = moment(i / CHANNELS, &random);
        double raw = sample(i, c, &random);

        sqlite3_bind_int64(stmt, 1, c + 1);
        sqlite3_bind_int64(stmt, 2, time);
        if (real)
            sqlite3_bind_double(stmt, 3, raw);
        else
            sqlite3_bind_int64(stmt, 3, (int64_t)llround(raw * 1e6));
        sqlite3_bind_int64(stmt, 4, 0);
        if (sqlite3_step(stmt) != SQLITE_DONE)
            die(sqlite3_errmsg(db));
        sqlite3_reset(stmt);
        if ((i + 1) % batch == 0)
            sql(db, "COMMIT; BEGIN IMMEDIATE");
    }
    sql(db, "COMMIT");
    took = now() - started;
    sqlite3_finalize(stmt);
    sqlite3_close(db);
    return (double)rows / took;
}

static double larger(double a, double b)
{
    return a > b ? a : b;
}

static void ingest(const char *path, int64_t rows)
{
    static const int64_t batches[] = {8, 800, 8000};

    printf("Ingest, %d channels, readings a second (best of 3):\n", CHANNELS);
    printf("  batch      store   bare loop  bare, REAL  no roll-ups  store/bare  roll-ups cost\n");
    for (size_t b = 0; b < 3; b++) {
        double with = 0, without = 0, bare = 0, real = 0;
        /* A small batch is all waiting for the disk; fewer rows say as much. */
        int64_t n = batches[b] < 100 ? 500 * batches[b] : rows;

        for (int turn = 0; turn < 3; turn++) {
            with = larger(with, store_rate(path, n, batches[b], false, NULL));
            bare = larger(bare, bare_rate(path, n, batches[b], false));
            without = larger(without, store_rate(path, n, batches[b], true, NULL));
            real = larger(real, bare_rate(path, n, batches[b], true));
        }
        printf("  %5lld %10.0f  %10.0f  %10.0f   %10.0f        %.2f       %5.1f %%\n",
               (long long)batches[b], with, bare, real, without, with / bare,
               100 * (1 - with / without));
    }
    printf("  wanted: store/bare >= 0.8, roll-ups cost <= 25 %%\n\n");
}

/* One channel at 1 Hz for the whole time, in steps, so that growth shows. */
static void fill(const char *path, int64_t rows, int64_t *dip)
{
    int64_t ids[1];
    struct store *store;
    struct status st;
    uint64_t random = 7;
    double started = now(), step = started, first_rate = 0;

    clear(path);
    store = open_store(path, ids, 1);
    printf("Growth, one channel at 1 Hz:\n       rows   us a reading  bytes a reading\n");
    for (int64_t i = 0; i < rows; i++) {
        struct store_reading r = {.channel = ids[0],
                                  .time = moment(i, &random),
                                  .raw = sample(i, 0, &random),
                                  .range = NAN};

        if (i == rows / 3 + 12345) {
            r.raw = 0.9; /* one reading of a year */
            *dip = r.time;
        }
        check(store_ingest_reading(store, &r, &st), &st);
        if (i % 4096 == 4095)
            check(store_ingest_flush(store, &st), &st);
        if ((i + 1) % (rows / 12) == 0) {
            double t = now();
            double us = (t - step) / (double)(rows / 12) * 1e6;

            if (first_rate == 0)
                first_rate = us;
            check(store_ingest_flush(store, &st), &st);
            printf("  %9lld         %6.2f           %5.2f\n", (long long)(i + 1), us,
                   file_size(path) / (double)(i + 1));
            step = now();
        }
    }
    check(store_close(store, &st), &st);
    printf("  whole: %.1f s, %.2f bytes a reading (wanted <= 24)\n\n", now() - started,
           file_size(path) / (double)rows);
}

struct drawn {
    int64_t n;
    size_t points;
    double min;
    bool dip;
    int64_t dip_time;
};

static int draw(const struct store_point *p, void *user)
{
    struct drawn *d = user;

    d->n += p->n;
    d->points++;
    d->min = fmin(d->min, p->min);
    d->dip = d->dip || (p->min < 1 && p->time <= d->dip_time && d->dip_time <= p->end);
    return 0;
}

static void curve(const char *path, int64_t rows, int64_t dip)
{
    struct store *store;
    struct status st;
    sqlite3 *db;
    sqlite3_stmt *stmt;
    struct drawn d = {.min = INFINITY};
    double best = INFINITY, best_sql = INFINITY, first = NAN, sql_min = INFINITY;
    int64_t n = 0, wrong = 0;
    int turns = rows > 5000000 ? 1 : 3;

    check(store_open(path, STORE_READ, &store, &st), &st);
    for (int turn = 0; turn < 5; turn++) {
        double started = now();

        d = (struct drawn){.min = INFINITY, .dip_time = dip};
        check(store_series(store, 1, 0, INT64_MAX, POINTS, draw, &d, &st), &st);
        if (turn == 0)
            first = now() - started;
        best = fmin(best, now() - started);
    }
    if (sqlite3_open_v2(path, &db, SQLITE_OPEN_READONLY, NULL) != SQLITE_OK)
        die("cannot open");
    if (sqlite3_prepare_v2(db,
                           "SELECT (time - ?1) / ?2, min(time), count(*), min(raw / 1e6),"
                           " avg(raw / 1e6), max(raw / 1e6) FROM reading WHERE channel = 1"
                           " GROUP BY 1",
                           -1, &stmt, NULL) != SQLITE_OK)
        die(sqlite3_errmsg(db));
    for (int turn = 0; turn < turns; turn++) {
        double started = now();

        n = 0;
        sqlite3_reset(stmt);
        sqlite3_bind_int64(stmt, 1, T0);
        sqlite3_bind_int64(stmt, 2, rows * 1000000 / POINTS + 1);
        while (sqlite3_step(stmt) == SQLITE_ROW) {
            n += sqlite3_column_int64(stmt, 2);
            sql_min = fmin(sql_min, sqlite3_column_double(stmt, 3));
        }
        best_sql = fmin(best_sql, now() - started);
    }
    sqlite3_finalize(stmt);
    sqlite3_close(db);
    wrong = (d.n != n) + (d.min != sql_min) + !d.dip;
    printf("Curve of %lld readings in %d points:\n", (long long)rows, POINTS);
    printf("  store_series %.2f ms (first time %.2f ms), raw rows by SQL %.1f ms: %.0f x\n",
           best * 1e3, first * 1e3, best_sql * 1e3, best_sql / best);
    printf("  readings in it %lld of %lld, lowest %.4f of %.4f, the dip of one reading is %s\n",
           (long long)d.n, (long long)n, d.min, sql_min, d.dip ? "there" : "LOST");
    printf("  wanted: >= 100 x and < 100 ms for a year, no dip lost\n");
    check(store_close(store, &st), &st);
    if (wrong)
        die("the curve does not agree with the full scan");
}

int main(int argc, char **argv)
{
    int64_t rows = 500000, dip = 0;
    const char *folder = "/tmp";
    char path[400];

    for (int i = 1; i < argc; i++) {
        if (strcmp(argv[i], "--full") == 0)
            rows = 31536000;
        else if (strcmp(argv[i], "--rows") == 0 && i + 1 < argc)
            rows = atoll(argv[++i]);
        else if (strcmp(argv[i], "--folder") == 0 && i + 1 < argc)
            folder = argv[++i];
        else
            die("usage: bench_db_store [--full | --rows N] [--folder PATH]");
    }
    if (rows < 100000)
        die("expected at least 100000 rows");
    snprintf(path, sizeof path, "%s/truewound-bench-%ld.db", folder, (long)getpid());
    ingest(path, 400000);
    fill(path, rows, &dip);
    curve(path, rows, dip);
    clear(path);
    return 0;
}
