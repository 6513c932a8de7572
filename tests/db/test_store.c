/* The store as a whole: opening, locks, migrations, refusals, records. */
#include "scratch.h"

#include <limits.h>
#include <sqlite3.h>
#include <sys/wait.h>

#include "db/store_coil.h"
#include "db/store_evidence.h"
#include "db/store_marks.h"
#include "db/store_read.h"
#include "db/store_result.h"
#include "db/store_schema.h"

#define T0 INT64_C(1760000000000000)

/* Runs SQL as any SQLite tool would; gives SQLite's result code. */
static int raw_sql(const char *path, const char *sql)
{
    sqlite3 *db;
    int rc;

    assert_int_equal(sqlite3_open(path, &db), SQLITE_OK);
    sqlite3_busy_timeout(db, 1000);
    rc = sqlite3_exec(db, sql, NULL, NULL, NULL);
    sqlite3_close(db);
    return rc;
}

static double raw_number(const char *path, const char *sql)
{
    sqlite3 *db;
    sqlite3_stmt *stmt;
    double x;

    assert_int_equal(sqlite3_open_v2(path, &db, SQLITE_OPEN_READONLY, NULL), SQLITE_OK);
    if (sqlite3_prepare_v2(db, sql, -1, &stmt, NULL) != SQLITE_OK)
        fail_msg("%s: %s", sql, sqlite3_errmsg(db));
    assert_int_equal(sqlite3_step(stmt), SQLITE_ROW);
    x = sqlite3_column_type(stmt, 0) == SQLITE_NULL ? NAN : sqlite3_column_double(stmt, 0);
    sqlite3_finalize(stmt);
    sqlite3_close(db);
    return x;
}

static void opening(void **state)
{
    struct scratch s;
    struct store *store, *second;
    struct status st;
    struct stat file;
    int64_t ch[1];

    (void)state;
    scratch_make(&s);
    assert_int_equal(store_open(s.path, STORE_READ, &store, &st), STATUS_NOT_FOUND);
    assert_null(store);
    umask(0);
    store = scratch_daemon(&s, 1, ch);
    assert_int_equal(stat(s.path, &file), 0);
    assert_int_equal(file.st_mode & 07777, 0640);
    /* One daemon at a time, by whatever name the file is opened. */
    assert_int_equal(store_open(s.path, STORE_DAEMON, &second, &st), STATUS_BUSY);
    assert_non_null(strstr(st.text, "another daemon"));
    {
        char link_path[128];

        snprintf(link_path, sizeof link_path, "%s/other", s.folder);
        assert_int_equal(symlink(s.path, link_path), 0);
        assert_int_equal(store_open(link_path, STORE_DAEMON, &second, &st), STATUS_BUSY);
        unlink(link_path);
    }
    OK(store_open(s.path, STORE_WRITE, &second, &st));
    /* Readings are the daemon's alone. */
    assert_int_equal(store_ingest_reading(second, &(struct store_reading){.channel = ch[0]}, &st),
                     STATUS_INPUT);
    OK(store_close(second, &st));
    OK(store_open(s.path, STORE_READ, &second, &st));
    assert_int_equal(
        store_coil_add(second, &(struct store_coil){.name = "arm 1"}, &(int64_t){0}, &st),
        STATUS_INPUT);
    OK(store_check(second, &st));
    OK(store_close(second, &st));
    OK(store_close(store, &st));
    OK(store_open(s.path, STORE_DAEMON, &store, &st));
    OK(store_close(store, &st));
    OK(store_close(NULL, &st));
    scratch_remove(&s);
}

static void strangers(void **state)
{
    struct scratch s;
    struct store *store;
    struct status st;
    FILE *f;

    (void)state;
    scratch_make(&s);
    assert_int_equal(raw_sql(s.path, "CREATE TABLE t(a)"), SQLITE_OK);
    assert_int_equal(store_open(s.path, STORE_WRITE, &store, &st), STATUS_INPUT);
    assert_non_null(strstr(st.text, "not of this program"));
    assert_int_equal(store_open(s.path, STORE_DAEMON, &store, &st), STATUS_INPUT);
    scratch_clear(&s);
    f = fopen(s.path, "w");
    assert_non_null(f);
    for (int i = 0; i < 2000; i++)
        fputs("no database at all\n", f);
    fclose(f);
    assert_int_equal(store_open(s.path, STORE_WRITE, &store, &st), STATUS_INPUT);
    scratch_clear(&s);
    OK(store_open(s.path, STORE_WRITE, &store, &st));
    OK(store_close(store, &st));
    assert_int_equal(raw_sql(s.path, "PRAGMA user_version = 99"), SQLITE_OK);
    assert_int_equal(store_open(s.path, STORE_WRITE, &store, &st), STATUS_INPUT);
    assert_non_null(strstr(st.text, "newer program"));
    assert_int_equal(store_open(s.path, STORE_READ, &store, &st), STATUS_INPUT);
    assert_int_equal(raw_sql(s.path, "PRAGMA user_version = -1"), SQLITE_OK);
    assert_int_equal(store_open(s.path, STORE_WRITE, &store, &st), STATUS_INPUT);
    assert_non_null(strstr(st.text, "damaged"));
    scratch_remove(&s);
}

static void migrations(void **state)
{
    static const char *const good[] = {"CREATE TABLE one(a INTEGER) STRICT",
                                       "ALTER TABLE one ADD COLUMN b TEXT"};
    static const char *const bad[] = {"CREATE TABLE one(a INTEGER) STRICT",
                                      "CREATE TABLE two(a INTEGER) STRICT; CREATE TABLE nonsense"};
    struct scratch s;
    struct status st;
    struct store store = {.mode = STORE_WRITE, .lock_fd = -1};

    (void)state;
    scratch_make(&s);
    store.path = s.path;
    assert_int_equal(sqlite3_open(s.path, &store.db), SQLITE_OK);
    /* A step that fails leaves nothing of the ones before it. */
    assert_int_not_equal(store_schema_apply(&store, bad, 2, &st), STATUS_OK);
    NEAR(raw_number(s.path, "SELECT count(*) FROM sqlite_schema"), 0, 0);
    NEAR(raw_number(s.path, "PRAGMA user_version"), 0, 0);
    OK(store_schema_apply(&store, good, 1, &st));
    NEAR(raw_number(s.path, "PRAGMA user_version"), 1, 0);
    /* From one version to the next only the new step runs. */
    OK(store_schema_apply(&store, good, 2, &st));
    OK(store_schema_apply(&store, good, 2, &st));
    NEAR(raw_number(s.path, "PRAGMA user_version"), 2, 0);
    NEAR(raw_number(s.path, "SELECT count(b) FROM one"), 0, 0);
    sqlite3_close(store.db);
    scratch_remove(&s);
}

/* Every table is STRICT, so a wrong type is refused whatever tool writes. */
static void tables_are_strict(void **state)
{
    struct scratch s;
    struct store *store;
    struct status st;

    (void)state;
    scratch_make(&s);
    OK(store_open(s.path, STORE_WRITE, &store, &st));
    OK(store_close(store, &st));
    assert_true(raw_number(s.path, "SELECT count(*) FROM pragma_table_list"
                                   " WHERE type = 'table' AND name NOT LIKE 'sqlite%'") > 15);
    NEAR(raw_number(s.path, "SELECT count(*) FROM pragma_table_list WHERE type = 'table'"
                            " AND name NOT LIKE 'sqlite%' AND strict = 0"),
         0, 0);
    scratch_remove(&s);
}

static void triggers_refuse(void **state)
{
    static const char *const refused[] = {
        "UPDATE reading SET raw = 9",
        "UPDATE reading SET time = time + 1",
        "DELETE FROM reading",
        "UPDATE retention SET raw_before = -5",
        "UPDATE observation SET value = 1",
        "UPDATE observation SET u = 1",
        "DELETE FROM observation",
        ("INSERT OR REPLACE INTO observation(id, coil, time, quantity, place, value, origin)"
         " VALUES(1, 1, 1, 'resistance', 'pair', 1, 'typed')"),
        "UPDATE trial SET load = 1",
        "UPDATE trial SET outcome = 'held'",
        "DELETE FROM trial",
        "UPDATE calibration SET gain = 2",
        "DELETE FROM calibration",
        "UPDATE design SET text = 'x'",
        "DELETE FROM design",
        "UPDATE verdict SET verdict = 'pass'",
        "DELETE FROM verdict",
        "UPDATE event SET text = 'nothing happened'",
        "DELETE FROM event",
        "UPDATE channel SET quantity = 'mass'",
        "UPDATE channel SET divisor = 1",
        "UPDATE capture SET samples = x'00'",
        "DELETE FROM capture",
        "UPDATE mark SET flags = 0",
        "DELETE FROM run",
        "UPDATE run SET coil = 2",
        "UPDATE learnt SET value = 2",
        "DELETE FROM learnt",
        "UPDATE observation SET superseded_by = NULL",
    };
    struct scratch s;
    struct store *store;
    struct status st;
    int64_t ch[1], coil, run, id, version;

    (void)state;
    scratch_make(&s);
    store = scratch_daemon(&s, 1, ch);
    for (int i = 0; i < 3; i++) {
        struct store_reading r = scratch_reading(ch[0], T0 + i, 1.25 * i);

        OK(store_ingest_reading(store, &r, &st));
    }
    OK(store_ingest_event(store, &(struct store_event){.kind = "note", .text = "x"}, &st));
    OK(store_ingest_flush(store, &st));
    OK(store_bench_add_calibration(
        store,
        &(struct store_calibration){
            .channel = ch[0], .gain = 1, .shunt = NAN, .shunt_tolerance = NAN, .lead_null = NAN},
        &id, &st));
    OK(store_coil_add(store, &(struct store_coil){.name = "arm 1"}, &coil, &st));
    OK(store_coil_add_design(
        store, &(struct store_design){.coil = coil, .text = "t", .digest = "d"}, &version, &st));
    OK(store_coil_add_run(store, &(struct store_run){.coil = coil}, &run, &st));
    for (int i = 0; i < 2; i++) {
        OK(store_evidence_add_observation(store,
                                          &(struct store_observation){.coil = coil,
                                                                      .run = run,
                                                                      .quantity = "resistance",
                                                                      .place = "pair",
                                                                      .value = 17,
                                                                      .u = NAN,
                                                                      .typed = true},
                                          &id, &st));
        OK(store_evidence_add_trial(store,
                                    &(struct store_trial){.coil = coil,
                                                          .current = 0.088,
                                                          .gap = NAN,
                                                          .load = 5,
                                                          .load_u = NAN,
                                                          .duration = NAN,
                                                          .outcome = STORE_DROPPED},
                                    &id, &st));
    }
    OK(store_evidence_supersede_observation(store, 1, 2, &st));
    OK(store_evidence_add_capture(store,
                                  &(struct store_capture){.channel = ch[0],
                                                          .rate = 1000,
                                                          .n = 2,
                                                          .scale = 1,
                                                          .type = STORE_INT16,
                                                          .samples = "abcd",
                                                          .size = 4},
                                  &id, &st));
    OK(store_result_add_verdict(
        store,
        &(struct store_verdict){
            .coil = coil, .version = "1", .digest = "d", .verdict = "undecided", .findings = "[]"},
        &id, &st));
    OK(store_result_learn(store, &(struct store_learnt){.key = "k", .value = 1, .u = NAN, .n = 1},
                          &id, &st));
    OK(store_close(store, &st));
    for (size_t i = 0; i < sizeof refused / sizeof refused[0]; i++) {
        if (raw_sql(s.path, refused[i]) != SQLITE_CONSTRAINT)
            fail_msg("not refused: %s", refused[i]);
    }
    /* The same tables do take what is allowed, so the refusals above mean something. */
    assert_int_equal(raw_sql(s.path, "UPDATE trial SET superseded_by = 2 WHERE id = 1"), SQLITE_OK);
    assert_int_equal(raw_sql(s.path, "UPDATE run SET ended = 5"), SQLITE_OK);
    assert_int_equal(raw_sql(s.path, "UPDATE run SET ended = 6"), SQLITE_CONSTRAINT);
    NEAR(raw_number(s.path, "SELECT count(*) FROM reading"), 3, 0);
    scratch_remove(&s);
}

struct seen {
    int n;
    char text[256];
    double value;
    int64_t id, superseded_by;
};

static int see_observation(const struct store_observation *row, void *user)
{
    struct seen *seen = user;

    seen->n++;
    seen->value = row->value;
    seen->id = row->id;
    seen->superseded_by = row->superseded_by;
    assert_true(isnan(row->u));
    snprintf(seen->text, sizeof seen->text, "%s", row->place);
    return 0;
}

static int see_design(const struct store_design *row, void *user)
{
    struct seen *seen = user;

    seen->n++;
    seen->id = row->version;
    snprintf(seen->text, sizeof seen->text, "%s", row->text);
    return 0;
}

static int see_capture(const struct store_capture *row, void *user)
{
    struct seen *seen = user;

    seen->n++;
    if (row->samples)
        memcpy(seen->text, row->samples, row->size);
    return 0;
}

static int see_battery(const struct store_battery *row, void *user)
{
    struct seen *seen = user;

    seen->n++;
    seen->id = row->changed == 0 ? row->id : seen->id;
    return 0;
}

static int see_learnt(const struct store_learnt *row, void *user)
{
    struct seen *seen = user;

    seen->n++;
    seen->value = row->value;
    return 0;
}

static int see_trial(const struct store_trial *row, void *user)
{
    struct seen *seen = user;

    seen->n++;
    seen->value = row->load;
    snprintf(seen->text, sizeof seen->text, "%s", store_evidence_outcome_word(row->outcome));
    return 0;
}

static void records(void **state)
{
    struct scratch s;
    struct store *store;
    struct status st;
    struct seen seen = {0};
    int64_t coil, other, run, first, second, version, found, ch[1];
    struct store_observation o = {
        .quantity = "resistance", .place = "limb-a", .value = 8.7, .u = NAN, .typed = true};
    struct store_trial t = {.current = 0.088,
                            .gap = 0.0003,
                            .load = 24.5,
                            .load_u = NAN,
                            .duration = 5,
                            .outcome = STORE_MORE_THAN};
    struct store_battery b = {
        .site = "down home", .type = "alkaline", .cells = 2, .fitted = T0, .price = NAN};
    char big[STORE_NAME_MAX + 2];

    (void)state;
    scratch_make(&s);
    store = scratch_daemon(&s, 1, ch);
    OK(store_coil_add(store, &(struct store_coil){.name = "down home arm", .batch = "b1"}, &coil,
                      &st));
    assert_int_equal(
        store_coil_add(store, &(struct store_coil){.name = "down home arm"}, &other, &st),
        STATUS_EXISTS);
    OK(store_coil_add(store, &(struct store_coil){.name = "up home arm"}, &other, &st));
    OK(store_coil_find(store, "down home arm", &found, &st));
    assert_int_equal(found, coil);
    assert_int_equal(store_coil_find(store, "x'; DROP TABLE coil; --", &found, &st),
                     STATUS_NOT_FOUND);
    memset(big, 'a', sizeof big - 1);
    big[sizeof big - 1] = '\0';
    assert_int_equal(store_coil_add(store, &(struct store_coil){.name = big}, &found, &st),
                     STATUS_INPUT);
    assert_int_equal(store_coil_add(store, &(struct store_coil){.name = "\xff\xfe"}, &found, &st),
                     STATUS_INPUT);
    assert_int_equal(store_coil_add(store, &(struct store_coil){.name = ""}, &found, &st),
                     STATUS_INPUT);

    /* A design is versioned, never overwritten; the same text again is not a new version. */
    for (int i = 0; i < 3; i++) {
        struct store_design d = {.coil = coil,
                                 .text = i == 0 ? "turns = 600" : "turns = 640",
                                 .digest = i == 0 ? "aa" : "bb",
                                 .parsed = true};

        OK(store_coil_add_design(store, &d, &version, &st));
        assert_int_equal(version, i == 0 ? 1 : 2);
    }
    OK(store_coil_design(store, coil, 0, see_design, &seen, &st));
    assert_string_equal(seen.text, "turns = 640");
    OK(store_coil_design(store, coil, 1, see_design, &seen, &st));
    assert_string_equal(seen.text, "turns = 600");
    assert_int_equal(store_coil_design(store, coil, 7, see_design, &seen, &st), STATUS_NOT_FOUND);
    assert_int_equal(store_coil_design(store, other, 0, see_design, &seen, &st), STATUS_NOT_FOUND);

    OK(store_coil_add_run(store, &(struct store_run){.coil = coil, .design = 2}, &run, &st));
    assert_int_equal(
        store_coil_add_run(store, &(struct store_run){.coil = coil, .design = 9}, &found, &st),
        STATUS_NOT_FOUND);
    o.coil = coil;
    o.run = run;
    OK(store_evidence_add_observation(store, &o, &first, &st));
    o.value = 8.5;
    OK(store_evidence_add_observation(store, &o, &second, &st));
    o.coil = other;
    assert_int_equal(store_evidence_add_observation(store, &o, &found, &st), STATUS_INPUT);
    o.run = 0;
    OK(store_evidence_add_observation(store, &o, &found, &st));
    assert_int_equal(store_evidence_supersede_observation(store, first, found, &st),
                     STATUS_NOT_FOUND);
    OK(store_evidence_supersede_observation(store, first, second, &st));
    assert_int_equal(store_evidence_supersede_observation(store, first, second, &st),
                     STATUS_EXISTS);
    seen.n = 0;
    OK(store_evidence_observations(store, coil, 0, false, see_observation, &seen, &st));
    assert_int_equal(seen.n, 1);
    NEAR(seen.value, 8.5, 0);
    OK(store_evidence_observations(store, coil, run, true, see_observation, &seen, &st));
    assert_int_equal(seen.n, 3);
    o.quantity = "colour";
    assert_int_equal(store_evidence_add_observation(store, &o, &found, &st), STATUS_INPUT);
    o.quantity = "resistance";
    o.value = NAN;
    assert_int_equal(store_evidence_add_observation(store, &o, &found, &st), STATUS_INPUT);

    t.coil = coil;
    OK(store_evidence_add_trial(store, &t, &found, &st));
    seen.n = 0;
    OK(store_evidence_trials(store, coil, 0, false, see_trial, &seen, &st));
    assert_int_equal(seen.n, 1);
    assert_string_equal(seen.text, "more than");
    t.load = -1;
    assert_int_equal(store_evidence_add_trial(store, &t, &found, &st), STATUS_INPUT);

    seen = (struct seen){0};
    OK(store_evidence_add_capture(store,
                                  &(struct store_capture){.channel = ch[0],
                                                          .time = T0,
                                                          .rate = 10000,
                                                          .n = 3,
                                                          .scale = 0.001,
                                                          .type = STORE_UINT16,
                                                          .samples = "abcdef",
                                                          .size = 6},
                                  &found, &st));
    OK(store_evidence_capture(store, found, see_capture, &seen, &st));
    assert_string_equal(seen.text, "abcdef");
    OK(store_evidence_claim_capture(store, found, run, &st));
    assert_int_equal(store_evidence_claim_capture(store, found, run, &st), STATUS_EXISTS);
    assert_int_equal(store_evidence_add_capture(store,
                                                &(struct store_capture){.channel = ch[0],
                                                                        .rate = 10000,
                                                                        .n = 4,
                                                                        .scale = 1,
                                                                        .type = STORE_UINT16,
                                                                        .samples = "abcdef",
                                                                        .size = 6},
                                                &found, &st),
                     STATUS_INPUT);

    /* A battery found by mistake is taken back; the one before it is in again. */
    OK(store_result_fit_battery(store, &b, &first, &st));
    b.fitted = T0 + 1000;
    OK(store_result_fit_battery(store, &b, &second, &st));
    seen = (struct seen){0};
    OK(store_result_batteries(store, "down home", see_battery, &seen, &st));
    assert_int_equal(seen.n, 2);
    assert_int_equal(seen.id, second);
    OK(store_result_confirm_battery(store, second, false, &st));
    seen = (struct seen){0};
    OK(store_result_batteries(store, NULL, see_battery, &seen, &st));
    assert_int_equal(seen.n, 1);
    assert_int_equal(seen.id, first);
    OK(store_result_confirm_battery(store, first, true, &st));
    assert_int_equal(store_result_confirm_battery(store, first, false, &st), STATUS_NOT_FOUND);
    b.fitted = T0 - 1000;
    assert_int_equal(store_result_fit_battery(store, &b, &found, &st), STATUS_INPUT);

    for (int i = 1; i <= 2; i++)
        OK(store_result_learn(
            store, &(struct store_learnt){.key = "mean-turn/bobbin", .value = i, .u = NAN, .n = i},
            &found, &st));
    seen = (struct seen){0};
    OK(store_result_learnts(store, "mean-", false, see_learnt, &seen, &st));
    assert_int_equal(seen.n, 1);
    NEAR(seen.value, 2, 0);
    OK(store_result_learnts(store, NULL, true, see_learnt, &seen, &st));
    assert_int_equal(seen.n, 3);
    OK(store_result_forget(store, "mean-turn/bobbin", &st));
    assert_int_equal(store_result_forget(store, "mean-turn/bobbin", &st), STATUS_NOT_FOUND);

    /* A group is all or nothing. */
    OK(store_begin(store, &st));
    OK(store_coil_add(store, &(struct store_coil){.name = "in a group"}, &found, &st));
    assert_int_equal(store_coil_add(store, &(struct store_coil){.name = "in a group"}, &found, &st),
                     STATUS_EXISTS);
    assert_int_not_equal(store_end(store, true, &st), STATUS_OK);
    assert_int_equal(store_coil_find(store, "in a group", &found, &st), STATUS_NOT_FOUND);
    OK(store_begin(store, &st));
    assert_int_equal(store_begin(store, &st), STATUS_INPUT);
    b.fitted = T0 + 5000;
    OK(store_result_fit_battery(store, &b, &found, &st));
    OK(store_end(store, true, &st));
    seen = (struct seen){0};
    OK(store_result_batteries(store, NULL, see_battery, &seen, &st));
    assert_int_equal(seen.n, 2);
    OK(store_check(store, &st));
    OK(store_close(store, &st));
    scratch_remove(&s);
}

static void calibrations(void **state)
{
    struct scratch s;
    struct store *store;
    struct status st;
    struct store_calibration k = {.time = T0,
                                  .gain = 1.002,
                                  .offset = -0.0005,
                                  .shunt = 0.1,
                                  .shunt_tolerance = 0.01,
                                  .lead_null = NAN,
                                  .n_accuracy = 2,
                                  .accuracy = {{0.2, 0.005, 0.0003}, {2.0, 0.005, 0.003}}};
    struct store_calibration got;
    struct store_reading r, latest;
    int64_t ch[2], id, found;

    (void)state;
    scratch_make(&s);
    store = scratch_daemon(&s, 2, ch);
    OK(store_bench_find_channel(store, "meter.ch1", &found, &st));
    assert_int_equal(found, ch[1]);
    OK(store_bench_find_channel(store, "ch0", &found, &st));
    assert_int_equal(found, ch[0]);
    assert_int_equal(store_bench_find_channel(store, "ch9", &found, &st), STATUS_NOT_FOUND);
    k.channel = ch[0];
    assert_int_equal(store_bench_calibration(store, ch[0], T0, &got, &st), STATUS_NOT_FOUND);
    OK(store_bench_add_calibration(store, &k, &id, &st));
    assert_int_equal(store_bench_calibration(store, ch[0], T0 - 1, &got, &st), STATUS_NOT_FOUND);
    OK(store_bench_calibration(store, ch[0], T0, &got, &st));
    assert_int_equal(got.n_accuracy, 2);
    NEAR(got.shunt, 0.1, 0);
    assert_true(isnan(got.lead_null));
    /* 8.8 mV over 0.1 ohm: (0.0088 x 1.002 - 0.0005) / 0.1 A, worked by hand. */
    NEAR(store_bench_value(&got, 0.0088), 0.0831760, 1e-12);
    /* (0.0088 x 0.5 % + 0.3 mV) x 1.002 / 0.1 + 1 % of 83.176 mA, worked by hand. */
    NEAR(store_bench_half_width(&got, 0.0088), 0.00427864, 1e-9);
    assert_true(isnan(store_bench_half_width(&got, 2.5)));
    k.gain = 0;
    assert_int_equal(store_bench_add_calibration(store, &k, &found, &st), STATUS_INPUT);
    k.gain = 1;
    k.shunt = 0;
    assert_int_equal(store_bench_add_calibration(store, &k, &found, &st), STATUS_INPUT);

    /* A reading keeps its raw value and names its calibration; the value follows from both. */
    r = scratch_reading(ch[0], T0 + 5, 0.0088);
    r.calibration = id;
    r.range = 0.2;
    r.flags = STORE_FLAG_UNSTABLE;
    OK(store_ingest_reading(store, &r, &st));
    r.channel = ch[1];
    assert_int_equal(store_ingest_reading(store, &r, &st), STATUS_INPUT);
    OK(store_ingest_flush(store, &st));
    OK(store_read_latest(store, ch[0], &latest, &st));
    NEAR(latest.raw, 0.0088, 0);
    NEAR(latest.value, 0.0831760, 1e-12);
    assert_int_equal(latest.calibration, id);
    assert_int_equal(latest.flags, STORE_FLAG_UNSTABLE);
    NEAR(latest.range, 0.2, 0);
    assert_int_equal(store_read_latest(store, ch[1], &latest, &st), STATUS_NOT_FOUND);
    assert_int_equal(store_read_latest(store, 77, &latest, &st), STATUS_NOT_FOUND);
    /* Any SQLite tool sees the same figures in the view. */
    NEAR(raw_number(s.path, "SELECT value FROM measured"), latest.value, 1e-15);
    NEAR(raw_number(s.path, "SELECT raw FROM measured"), 0.0088, 0);

    /* A channel keeps its meaning. */
    assert_int_equal(store_bench_put_channel(
                         store,
                         &(struct store_channel){
                             .instrument = 1, .name = "ch0", .quantity = "mass", .resolution = NAN},
                         &found, &st),
                     STATUS_EXISTS);
    OK(store_close(store, &st));
    scratch_remove(&s);
}

/* Another program may hold the write lock: the flush comes back, and nothing is lost. */
static void locked_by_another(void **state)
{
    struct scratch s;
    struct store *store, *reader;
    struct status st;
    struct store_reading r, latest;
    struct store_ingest_state in;
    sqlite3 *other;
    int64_t ch[1];

    (void)state;
    scratch_make(&s);
    store = scratch_daemon(&s, 1, ch);
    assert_int_equal(sqlite3_open(s.path, &other), SQLITE_OK);
    assert_int_equal(sqlite3_exec(other, "BEGIN IMMEDIATE", NULL, NULL, NULL), SQLITE_OK);
    r = scratch_reading(ch[0], T0, 1.5012);
    OK(store_ingest_reading(store, &r, &st));
    assert_int_equal(store_ingest_flush(store, &st), STATUS_BUSY);
    store_ingest_state(store, &in);
    assert_int_equal(in.buffered, 1);
    assert_int_equal(in.stopped, STATUS_BUSY);
    r.time++;
    OK(store_ingest_reading(store, &r, &st));
    assert_int_equal(sqlite3_exec(other, "COMMIT", NULL, NULL, NULL), SQLITE_OK);
    /* An open reader, old snapshot and all, does not hold the daemon up. */
    OK(store_open(s.path, STORE_READ, &reader, &st));
    assert_int_equal(sqlite3_exec(other, "BEGIN; SELECT * FROM reading", NULL, NULL, NULL),
                     SQLITE_OK);
    OK(store_ingest_flush(store, &st));
    store_ingest_state(store, &in);
    assert_int_equal(in.buffered, 0);
    assert_int_equal(in.stored, 2);
    assert_int_equal(in.stopped, STATUS_OK);
    OK(store_read_latest(reader, ch[0], &latest, &st));
    assert_int_equal(latest.time, T0 + 1);
    sqlite3_close(other);
    OK(store_close(reader, &st));
    OK(store_close(store, &st));
    scratch_remove(&s);
}

/* A user of the database's group who may not write in its folder reads it, daemon or not. */
static void reader_without_rights(void **state)
{
    static const char *const ends[] = {"", "-wal", "-shm"};
    struct scratch s;
    struct store *store;
    struct status st;
    int64_t ch[1];
    char name[128];

    (void)state;
    if (geteuid() != 0) {
        print_message("needs root to become another user\n");
        skip();
    }
    scratch_make(&s);
    store = scratch_daemon(&s, 1, ch);
    assert_int_equal(chmod(s.folder, 0755), 0);
    for (int running = 1; running >= 0; running--) {
        pid_t child;
        int status;

        if (!running)
            OK(store_close(store, &st));
        for (size_t i = 0; i < 3; i++) {
            snprintf(name, sizeof name, "%s%s", s.path, ends[i]);
            assert_int_equal(chown(name, 0, 65534), 0);
        }
        child = fork();
        if (child == 0) {
            struct store *reader;
            int64_t found;

            if (setgid(65534) != 0 || setuid(65534) != 0)
                _exit(2);
            if (store_open(s.path, STORE_READ, &reader, &st) != STATUS_OK ||
                store_bench_find_channel(reader, "ch0", &found, &st) != STATUS_OK) {
                fprintf(stderr, "%s\n", st.text);
                _exit(3);
            }
            store_close(reader, &st);
            _exit(store_open(s.path, STORE_WRITE, &reader, &st) == STATUS_OK ? 4 : 0);
        }
        assert_int_equal(waitpid(child, &status, 0), child);
        assert_true(WIFEXITED(status));
        assert_int_equal(WEXITSTATUS(status), 0);
    }
    scratch_remove(&s);
}

/* A copy in a folder of someone else, without the -wal and -shm: all of it can be read. */
static void sealed_copy(void **state)
{
    struct scratch s;
    struct store *store;
    struct status st;
    int64_t ch[1];
    char name[128];
    pid_t child;
    int status;

    (void)state;
    if (geteuid() != 0)
        skip();
    scratch_make(&s);
    store = scratch_daemon(&s, 1, ch);
    OK(store_close(store, &st));
    assert_int_equal(raw_sql(s.path, "PRAGMA wal_checkpoint(TRUNCATE)"), SQLITE_OK);
    for (const char *const *end = (const char *const[]){"-wal", "-shm", NULL}; *end; ++end) {
        snprintf(name, sizeof name, "%s%s", s.path, *end);
        unlink(name);
    }
    assert_int_equal(chmod(s.path, 0444), 0);
    assert_int_equal(chmod(s.folder, 0755), 0);
    child = fork();
    if (child == 0) {
        int64_t found;

        if (setgid(65534) != 0 || setuid(65534) != 0)
            _exit(2);
        if (store_open(s.path, STORE_READ, &store, &st) != STATUS_OK ||
            store_bench_find_channel(store, "ch0", &found, &st) != STATUS_OK) {
            fprintf(stderr, "%s\n", st.text);
            _exit(3);
        }
        store_close(store, &st);
        if (store_open(s.path, STORE_WRITE, &store, &st) == STATUS_OK)
            _exit(4);
        _exit(strstr(st.text, "may not be written") ? 0 : 5);
    }
    assert_int_equal(waitpid(child, &status, 0), child);
    assert_true(WIFEXITED(status));
    assert_int_equal(WEXITSTATUS(status), 0);
    scratch_remove(&s);
}

/* Names that SQLite itself would take for something else than a file. */
static void odd_paths(void **state)
{
    static const char *const names[] = {":memory:", "file:x?mode=memory", "50 % of #1?.db",
                                        "b\xc3\xa4nk.db"};
    struct scratch s;
    struct store *store;
    struct status st;
    char folder[PATH_MAX], pipe_path[128];

    (void)state;
    scratch_make(&s);
    assert_non_null(getcwd(folder, sizeof folder));
    assert_int_equal(chdir(s.folder), 0);
    for (size_t i = 0; i < sizeof names / sizeof *names; ++i) {
        struct stat file;
        int64_t coil;

        OK(store_open(names[i], STORE_WRITE, &store, &st));
        OK(store_coil_add(store, &(struct store_coil){.name = "arm"}, &coil, &st));
        OK(store_close(store, &st));
        assert_int_equal(stat(names[i], &file), 0);
        OK(store_open(names[i], STORE_READ, &store, &st));
        OK(store_coil_find(store, "arm", &coil, &st));
        OK(store_close(store, &st));
        for (const char *const *end = (const char *const[]){"", "-wal", "-shm", NULL}; *end;
             ++end) {
            snprintf(pipe_path, sizeof pipe_path, "%s%s", names[i], *end);
            unlink(pipe_path);
        }
    }
    assert_int_equal(chdir(folder), 0);
    /* a pipe would be waited at for ever */
    assert_int_equal(mkfifo(s.path, 0600), 0);
    assert_int_equal(store_open(s.path, STORE_READ, &store, &st), STATUS_INPUT);
    assert_non_null(strstr(st.text, "not a file"));
    assert_int_equal(store_open(s.path, STORE_WRITE, &store, &st), STATUS_INPUT);
    unlink(s.path);
    assert_int_equal(store_open(s.folder, STORE_WRITE, &store, &st), STATUS_INPUT);
    assert_int_equal(store_open("/dev/null", STORE_WRITE, &store, &st), STATUS_INPUT);
    scratch_remove(&s);
}

/* What a damaged calibration makes of a reading is no figure. */
static void overrun(void **state)
{
    struct store_mark mark = {
        .calibration = 1, .gain = 1e308, .offset = 0, .shunt = NAN, .lead_null = NAN};

    (void)state;
    assert_true(isnan(store_marks_value(&mark, 1e9)));
    assert_true(isnan(store_marks_value(&mark, -1e9)));
    mark.calibration = 0;
    assert_true(isnan(store_marks_value(&mark, INFINITY)));
    NEAR(store_marks_value(&mark, 2.5), 2.5, 0);
}

static void time_texts(void **state)
{
    char buf[32];

    (void)state;
    /* From date(1) of GNU coreutils: date -u -d @1760000000 */
    assert_string_equal(store_time_text(buf, sizeof buf, T0), "2025-10-09 08:53:20");
    assert_string_equal(store_time_text(buf, sizeof buf, 0), "1970-01-01 00:00:00");
    assert_string_equal(store_time_text(buf, sizeof buf, -1), "1969-12-31 23:59:59");
    assert_string_equal(store_time_text(buf, sizeof buf, INT64_MAX), "unknown");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(opening),
        cmocka_unit_test(strangers),
        cmocka_unit_test(migrations),
        cmocka_unit_test(tables_are_strict),
        cmocka_unit_test(triggers_refuse),
        cmocka_unit_test(records),
        cmocka_unit_test(calibrations),
        cmocka_unit_test(locked_by_another),
        cmocka_unit_test(reader_without_rights),
        cmocka_unit_test(sealed_copy),
        cmocka_unit_test(odd_paths),
        cmocka_unit_test(overrun),
        cmocka_unit_test(time_texts),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
