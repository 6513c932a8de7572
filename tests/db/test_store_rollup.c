/* Readings, roll-ups, windows, curves and retention, against a full scan in SQL or in plain C that
 * shares nothing with the store. */
#include "scratch.h"

#include <sqlite3.h>

#include "db/store_read.h"
#include "db/store_retain.h"
#include "db/store_series.h"

#define T0     INT64_C(1760000000000000)
#define SECOND INT64_C(1000000)
/* A raw value within its last two bits of a decimal is stored as that decimal. */
#define LAST_BITS 4.5e-16
#define DAY       (86400 * SECOND)

/* What was handed in, kept by the test itself. */
struct kept {
    int64_t time;
    double value; /* NaN: unknown */
};

struct book {
    struct kept *row;
    size_t n, size;
};

static void keep(struct book *b, int64_t time, double value)
{
    if (b->n == b->size) {
        b->size = b->size ? 2 * b->size : 1024;
        b->row = realloc(b->row, b->size * sizeof *b->row);
        assert_non_null(b->row);
    }
    b->row[b->n++] = (struct kept){time, value};
}

struct scan {
    int64_t n, unknown, first_time, last_time;
    double min, max, sum, first, last, squares;
};

static struct scan full_scan(const struct book *b, int64_t from, int64_t to)
{
    struct scan s = {.min = INFINITY, .max = -INFINITY, .first_time = INT64_MAX, .last_time = 0};

    for (size_t i = 0; i < b->n; i++) {
        if (b->row[i].time < from || b->row[i].time >= to)
            continue;
        if (isnan(b->row[i].value)) {
            s.unknown++;
            continue;
        }
        s.n++;
        s.sum += b->row[i].value;
        s.min = fmin(s.min, b->row[i].value);
        s.max = fmax(s.max, b->row[i].value);
        if (b->row[i].time < s.first_time) {
            s.first_time = b->row[i].time;
            s.first = b->row[i].value;
        }
        if (b->row[i].time > s.last_time) {
            s.last_time = b->row[i].time;
            s.last = b->row[i].value;
        }
    }
    for (size_t i = 0; i < b->n; i++) {
        double d = b->row[i].value - s.sum / (double)s.n;

        if (b->row[i].time >= from && b->row[i].time < to && !isnan(d))
            s.squares += d * d;
    }
    return s;
}

struct check {
    const struct book *book;
    int64_t length;
    int64_t rows, n;
};

static int check_rollup(const struct store_rollup *r, void *user)
{
    struct check *c = user;
    struct scan s = full_scan(c->book, r->start, r->start + c->length);

    c->rows++;
    c->n += r->n + r->unknown;
    assert_int_equal(r->start % c->length, 0);
    assert_int_equal(r->n, s.n);
    assert_int_equal(r->unknown, s.unknown);
    if (s.n == 0) {
        assert_true(isnan(r->mean) && isnan(r->min) && isnan(r->sd));
        return 0;
    }
    NEAR(r->min, s.min, LAST_BITS * fabs(s.min));
    NEAR(r->max, s.max, LAST_BITS * fabs(s.max));
    NEAR(r->mean, s.sum / (double)s.n, 1e-9);
    NEAR(r->first, s.first, LAST_BITS * fabs(s.first));
    NEAR(r->last, s.last, LAST_BITS * fabs(s.last));
    assert_int_equal(r->first_time, s.first_time);
    assert_int_equal(r->last_time, s.last_time);
    if (s.n >= 2)
        NEAR(r->sd, sqrt(s.squares / (double)(s.n - 1)), 1e-7);
    return 0;
}

/* Closed stretches: all but those of the latest reading. */
static void check_all_rollups(struct store *store, int64_t channel, const struct book *b)
{
    static const int64_t length[] = {60 * SECOND, 3600 * SECOND, DAY};
    struct status st;
    int64_t last = 0;

    for (size_t i = 0; i < b->n; i++)
        last = b->row[i].time > last ? b->row[i].time : last;
    for (int level = STORE_MINUTE; level <= STORE_DAY; level++) {
        struct check c = {.book = b, .length = length[level]};
        struct scan s = full_scan(b, 0, last / length[level] * length[level]);

        OK(store_read_rollups(store, (enum store_level)level, channel, 0, INT64_MAX, check_rollup,
                              &c, &st));
        /* None missing and none too many: together they hold every reading of closed ones. */
        assert_int_equal(c.n, s.n + s.unknown);
    }
}

/* Random readings: bursts, gaps, late ones far and near, unknown ones, many flushes, and the store
 * closed and opened again in between. */
static void random_order(void **state)
{
    (void)state;
    for (uint64_t seed = 1; seed <= 6; seed++) {
        struct scratch s;
        struct store *store;
        struct status st;
        struct book book[2] = {{0}, {0}};
        uint64_t random = seed * 7919;
        int64_t ch[2], now = T0;

        print_message("seed %llu\n", (unsigned long long)seed);
        scratch_make(&s);
        store = scratch_daemon(&s, 2, ch);
        for (int i = 0; i < 4000; i++) {
            int c = (int)(scratch_random(&random) % 2);
            int64_t time;
            struct store_reading r;
            double raw;

            now += (int64_t)(scratch_uniform(&random) * 30e6) + 2;
            if (scratch_random(&random) % 300 == 0)
                now += (int64_t)(scratch_uniform(&random) * 2 * (double)DAY);
            time = now;
            if (scratch_random(&random) % 8 == 0)
                time -= (int64_t)(scratch_uniform(&random) * 200e6);
            if (scratch_random(&random) % 100 == 0)
                time -= (int64_t)(scratch_uniform(&random) * 3 * (double)DAY);
            time = time / 2 * 2 + c; /* the two never meet; nudging has a test of its own */
            raw = scratch_random(&random) % 50 == 0 ? NAN
                  : scratch_random(&random) % 2     ? round(scratch_uniform(&random) * 1e5) / 1e4
                                                    : scratch_uniform(&random);
            r = scratch_reading(ch[c], time, raw);
            if (isnan(raw))
                r.flags = STORE_FLAG_OVERLOAD;
            OK(store_ingest_reading(store, &r, &st));
            keep(&book[c], time, raw);
            if (scratch_random(&random) % 20 == 0)
                OK(store_ingest_flush(store, &st));
            if (scratch_random(&random) % 400 == 0) {
                OK(store_close(store, &st));
                OK(store_open(s.path, STORE_DAEMON, &store, &st));
            }
        }
        OK(store_ingest_flush(store, &st));
        for (int c = 0; c < 2; c++) {
            check_all_rollups(store, ch[c], &book[c]);
            free(book[c].row);
        }
        OK(store_check(store, &st));
        OK(store_close(store, &st));
        scratch_remove(&s);
    }
}

/* The check above would notice: one reading too few in the book must make the counts differ. */
static void the_check_can_fail(void **state)
{
    struct book b = {0};
    struct scan all, fewer;

    (void)state;
    for (int i = 0; i < 10; i++)
        keep(&b, T0 + i, 1.5 + i);
    all = full_scan(&b, 0, INT64_MAX);
    b.n--;
    fewer = full_scan(&b, 0, INT64_MAX);
    assert_true(all.n == 10 && fewer.n == 9 && all.max != fewer.max);
    free(b.row);
}

static int count_readings(const struct store_reading *r, void *user)
{
    (void)r;
    ++*(int64_t *)user;
    return 0;
}

static void duplicates(void **state)
{
    struct scratch s;
    struct store *store;
    struct status st;
    struct store_ingest_state in;
    struct store_reading r, latest;
    int64_t ch[1], n = 0;

    (void)state;
    scratch_make(&s);
    store = scratch_daemon(&s, 1, ch);
    r = scratch_reading(ch[0], T0, 1.5012);
    for (int i = 0; i < 3; i++)
        OK(store_ingest_reading(store, &r, &st)); /* twice too many in one batch */
    OK(store_ingest_flush(store, &st));
    OK(store_ingest_reading(store, &r, &st)); /* and once more in the next */
    r.raw = 1.5013;                           /* another value at that time is another reading */
    OK(store_ingest_reading(store, &r, &st));
    r.raw = NAN;
    OK(store_ingest_reading(store, &r, &st));
    OK(store_ingest_reading(store, &r, &st));
    OK(store_ingest_flush(store, &st));
    store_ingest_state(store, &in);
    assert_int_equal(in.stored, 3);
    assert_int_equal(in.duplicates, 4);
    assert_int_equal(in.nudged, 2);
    OK(store_read_range(store, ch[0], 0, INT64_MAX, count_readings, &n, &st));
    assert_int_equal(n, 3);
    OK(store_read_latest(store, ch[0], &latest, &st));
    assert_int_equal(latest.time, T0 + 2);
    assert_true(isnan(latest.raw) && isnan(latest.value));
    /* What cannot be is refused and counted. */
    r = scratch_reading(ch[0], 0, 1);
    assert_int_equal(store_ingest_reading(store, &r, &st), STATUS_INPUT);
    r = scratch_reading(ch[0], INT64_MAX, 1);
    assert_int_equal(store_ingest_reading(store, &r, &st), STATUS_INPUT);
    r = scratch_reading(ch[0], T0, INFINITY);
    assert_int_equal(store_ingest_reading(store, &r, &st), STATUS_INPUT);
    r = scratch_reading(ch[0] + 1, T0, 1);
    assert_int_equal(store_ingest_reading(store, &r, &st), STATUS_INPUT);
    store_ingest_state(store, &in);
    assert_int_equal(in.refused, 4);
    OK(store_close(store, &st));
    scratch_remove(&s);
}

static int last_raw(const struct store_reading *r, void *user)
{
    *(double *)user = r->raw;
    return 0;
}

/* Raw values come back as they went in: decimals, any double, the extremes. */
static void values_come_back(void **state)
{
    static const double odd[] = {0.0,
                                 -0.0,
                                 1e-300,
                                 -1e300,
                                 5e-324,
                                 1.7976931348623157e308,
                                 1e-6,
                                 1e-7,
                                 17.0312,
                                 293.45,
                                 2147.483648,
                                 -0.088200,
                                 1.0 / 3,
                                 9.9e37,
                                 123456789.123456,
                                 9007199254740993.0,
                                 1e15 / 7};
    struct scratch s;
    struct store *store;
    struct status st;
    uint64_t random = 99;
    int64_t ch[1];

    (void)state;
    scratch_make(&s);
    store = scratch_daemon(&s, 1, ch);
    for (int i = 0; i < 2000; i++) {
        double raw = (size_t)i < sizeof odd / sizeof odd[0] ? odd[i]
                     : i % 2 ? round(scratch_uniform(&random) * 1e8 - 5e7) / 1e6
                             : ldexp(scratch_uniform(&random) - 0.5,
                                     (int)(scratch_random(&random) % 200) - 100);
        double back = NAN;
        struct store_reading r = scratch_reading(ch[0], T0 + i, raw);

        OK(store_ingest_reading(store, &r, &st));
        OK(store_ingest_flush(store, &st));
        OK(store_read_range(store, ch[0], T0 + i, T0 + i + 1, last_raw, &back, &st));
        NEAR(back, raw, 0);
    }
    OK(store_close(store, &st));
    scratch_remove(&s);
}

static void windows(void **state)
{
    struct scratch s;
    struct store *store;
    struct status st;
    struct store_window w;
    int64_t ch[1];

    (void)state;
    scratch_make(&s);
    store = scratch_daemon(&s, 1, ch);
    OK(store_read_window(store, ch[0], 0, INT64_MAX, 0, &w, &st));
    assert_int_equal(w.n, 0);
    assert_true(isnan(w.mean) && isnan(w.slope) && isnan(w.sd));
    /* A straight line of known slope: 2.385 V + 0.0031 V/s, and alternating +-1 mV about it. */
    for (int i = 0; i < 20; i++) {
        struct store_reading r = scratch_reading(
            ch[0], T0 + i * SECOND / 2, 2.385 + 0.0031 * i * 0.5 + (i % 2 ? 0.001 : -0.001));

        OK(store_ingest_reading(store, &r, &st));
    }
    for (int i = 0; i < 3; i++) {
        struct store_reading r = scratch_reading(ch[0], T0 + i * SECOND + 7, 999);

        r.flags = i == 0 ? STORE_FLAG_OVERLOAD : STORE_FLAG_UNSTABLE;
        OK(store_ingest_reading(store, &r, &st));
    }
    OK(store_ingest_flush(store, &st));
    OK(store_read_window(store, ch[0], T0, T0 + 10 * SECOND, STORE_FLAG_UNSTABLE, &w, &st));
    assert_int_equal(w.n, 20);
    assert_int_equal(w.unknown, 3);
    NEAR(w.mean, 2.385 + 0.0031 * 4.75, 1e-12);
    /* Closed form of the least-squares line (for example NIST/SEMATECH e-Handbook 4.4.3.1): the
     * alternation adds sum((t - t_mean) x) / Stt, with Stt = 0.25 n (n^2 - 1) / 12 = 166.25 s^2
     * and the sum 0.5 x 10 x 0.001 = 0.005 V s. */
    NEAR(w.slope, 0.0031 + 0.005 / 166.25, 1e-12);
    assert_true(w.lag1 < -0.9 && w.lag1 > -1);
    NEAR(w.first, 2.384, 1e-12);
    assert_int_equal(w.last_time, T0 + 19 * SECOND / 2);
    OK(store_close(store, &st));
    scratch_remove(&s);
}

struct curve {
    const struct book *book;
    int64_t before; /* end of the point before */
    int64_t n, unknown;
    size_t points;
    double min, max;
};

static int check_point(const struct store_point *p, void *user)
{
    struct curve *c = user;

    assert_true(p->time <= p->end);
    assert_true(p->time > c->before);
    assert_true(p->n + p->unknown > 0);
    if (p->n > 0) {
        assert_true(p->min <= p->mean + 1e-9 && p->mean <= p->max + 1e-9);
        c->min = fmin(c->min, p->min);
        c->max = fmax(c->max, p->max);
    }
    c->before = p->end;
    c->n += p->n;
    c->unknown += p->unknown;
    c->points++;
    return 0;
}

static void check_curve(struct store *store, int64_t channel, const struct book *b, int64_t from,
                        int64_t to, size_t points)
{
    struct curve c = {.book = b, .min = INFINITY, .max = -INFINITY, .before = INT64_MIN};
    struct scan s = full_scan(b, from, to);
    struct status st;

    OK(store_series(store, channel, from, to, points, check_point, &c, &st));
    assert_true(c.points <= points);
    assert_int_equal(c.n, s.n);
    assert_int_equal(c.unknown, s.unknown);
    NEAR(c.min, s.min, LAST_BITS * fabs(s.min));
    NEAR(c.max, s.max, LAST_BITS * fabs(s.max));
}

/* Nine days at one reading in 20 s with a single short dip: it is in every curve that covers it,
 * however thin, and every curve holds exactly the readings of its stretch. */
static void curves(void **state)
{
    struct scratch s;
    struct store *store;
    struct status st;
    struct book b = {0};
    uint64_t random = 5;
    int64_t ch[1], dip = 0, left_before;
    struct curve c;
    bool left;

    (void)state;
    scratch_make(&s);
    store = scratch_daemon(&s, 1, ch);
    c = (struct curve){.before = INT64_MIN};
    OK(store_series(store, ch[0], 0, INT64_MAX, 100, check_point, &c, &st));
    assert_int_equal(c.points, 0);
    for (int i = 0; i < 9 * 4320; i++) {
        int64_t time = T0 + i * 20 * SECOND + (int64_t)(scratch_uniform(&random) * 1e6);
        double value = 3.0 + round(scratch_uniform(&random) * 1e3) / 1e6;
        struct store_reading r;

        if (i == 20000) {
            value = 1.1;
            dip = time;
        }
        if (i > 30000 && i < 31000)
            continue; /* a gap */
        r = scratch_reading(ch[0], time, value);
        OK(store_ingest_reading(store, &r, &st));
        keep(&b, time, value);
        if (i % 5000 == 0)
            OK(store_ingest_flush(store, &st));
    }
    OK(store_ingest_flush(store, &st));
    check_curve(store, ch[0], &b, 0, INT64_MAX, 2);
    check_curve(store, ch[0], &b, 0, INT64_MAX, 9);
    check_curve(store, ch[0], &b, 0, INT64_MAX, 1000);
    check_curve(store, ch[0], &b, 0, INT64_MAX, 100000);
    check_curve(store, ch[0], &b, dip, dip + 1, 2);
    for (int i = 0; i < 60; i++) {
        int64_t from = T0 + (int64_t)(scratch_uniform(&random) * 8 * (double)DAY);
        int64_t to = from + 1 + (int64_t)(scratch_uniform(&random) * 4 * (double)DAY);

        check_curve(store, ch[0], &b, from, to, 2 + scratch_random(&random) % 3000);
    }
    assert_int_equal(store_series(store, ch[0], 0, 1, 1, check_point, &c, &st), STATUS_INPUT);

    /* Retention takes the old readings; the roll-ups, and so the dip, stay. */
    assert_int_equal(store_retain(store, T0 + 6 * DAY, 1000, &left, &st), STATUS_OK);
    assert_true(left);
    left_before = 0;
    while (left) {
        OK(store_retain(store, T0 + 6 * DAY, 7000, &left, &st));
        assert_true(++left_before < 100);
    }
    left_before = 0;
    OK(store_read_range(store, ch[0], 0, INT64_MAX, count_readings, &left_before, &st));
    {
        struct scan rest = full_scan(&b, (T0 + 6 * DAY) / DAY * DAY, INT64_MAX);

        assert_int_equal(left_before, rest.n);
    }
    check_all_rollups(store, ch[0], &b);
    check_curve(store, ch[0], &b, 0, INT64_MAX, 100);
    check_curve(store, ch[0], &b, dip / DAY * DAY, dip / DAY * DAY + DAY, 50);
    OK(store_check(store, &st));
    OK(store_close(store, &st));
    free(b.row);
    scratch_remove(&s);
}

/* The latest reading in the last microsecond of its minute, hour and day: that stretch is over by
 * the clock but still open, so its readings must come from finer levels. */
static void curve_at_the_edge(void **state)
{
    struct scratch s;
    struct store *store;
    struct status st;
    struct book b = {0};
    int64_t ch[1], end = T0 / DAY * DAY + DAY;

    (void)state;
    scratch_make(&s);
    store = scratch_daemon(&s, 1, ch);
    for (int i = 0; i < 3000; i++) {
        struct store_reading r =
            scratch_reading(ch[0], end - 1 - (2999 - i) * 120 * SECOND, 1.5 + (i % 7) * 0.01);

        OK(store_ingest_reading(store, &r, &st));
        keep(&b, r.time, r.raw);
    }
    OK(store_ingest_flush(store, &st));
    check_curve(store, ch[0], &b, 0, INT64_MAX, 2);
    check_curve(store, ch[0], &b, 0, INT64_MAX, 60);
    check_curve(store, ch[0], &b, 0, INT64_MAX, 2000);
    check_curve(store, ch[0], &b, 0, end, 3);
    OK(store_close(store, &st));
    free(b.row);
    scratch_remove(&s);
}

/* Retention that takes a channel's last reading closes its day; readings after it, late ones of
 * that day and new ones, still fold right, also after opening again. */
static void retention_of_all(void **state)
{
    struct scratch s;
    struct store *store;
    struct status st;
    struct book b = {0};
    struct check c;
    int64_t ch[1];
    bool left;

    (void)state;
    scratch_make(&s);
    store = scratch_daemon(&s, 1, ch);
    for (int i = 0; i < 300; i++) {
        struct store_reading r = scratch_reading(ch[0], T0 + i * 10 * SECOND, 1.5 + i * 0.01);

        OK(store_ingest_reading(store, &r, &st));
        keep(&b, r.time, r.raw);
    }
    OK(store_ingest_flush(store, &st));
    OK(store_retain(store, T0 + 2 * DAY, 0, &left, &st));
    assert_false(left);
    for (int round = 0; round < 2; round++) {
        for (int i = 0; i < 20; i++) {
            struct store_reading r =
                scratch_reading(ch[0], T0 + 2985 * SECOND + round * 7 * SECOND + i, 2.5 + i);

            OK(store_ingest_reading(store, &r, &st));
            keep(&b, r.time, r.raw);
        }
        OK(store_ingest_flush(store, &st));
        OK(store_close(store, &st));
        OK(store_open(s.path, STORE_DAEMON, &store, &st));
    }
    c = (struct check){.book = &b, .length = DAY};
    OK(store_read_rollups(store, STORE_DAY, ch[0], 0, INT64_MAX, check_rollup, &c, &st));
    assert_int_equal(c.n, 340);
    c = (struct check){.book = &b, .length = 60 * SECOND};
    OK(store_read_rollups(store, STORE_MINUTE, ch[0], 0, INT64_MAX, check_rollup, &c, &st));
    assert_int_equal(c.n, 340);
    for (int i = 0; i < 5; i++) {
        struct store_reading r = scratch_reading(ch[0], T0 + 5 * DAY + i * 90 * SECOND, 4.5 + i);

        OK(store_ingest_reading(store, &r, &st));
        keep(&b, r.time, r.raw);
    }
    OK(store_ingest_flush(store, &st));
    check_all_rollups(store, ch[0], &b);
    OK(store_close(store, &st));
    free(b.row);
    scratch_remove(&s);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(random_order),      cmocka_unit_test(the_check_can_fail),
        cmocka_unit_test(duplicates),        cmocka_unit_test(values_come_back),
        cmocka_unit_test(windows),           cmocka_unit_test(curves),
        cmocka_unit_test(curve_at_the_edge), cmocka_unit_test(retention_of_all),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
