/* Sites of batteries, and the step that brings an older database up to them. */
#include "tests/db/scratch.h"

#include <sqlite3.h>

#include "db/store_coil.h"
#include "db/store_schema.h"
#include "db/store_site.h"

/* As a person with a general SQLite tool would. */
static void raw_sql(const char *path, const char *sql)
{
    sqlite3 *db;

    assert_int_equal(sqlite3_open(path, &db), SQLITE_OK);
    assert_int_equal(sqlite3_exec(db, sql, NULL, NULL, NULL), SQLITE_OK);
    sqlite3_close(db);
}

static int keep(const struct store_site *row, void *user)
{
    *(struct store_site *)user = *row;
    return 0;
}

static int count(const struct store_site *row, void *user)
{
    (void)row;
    ++*(int *)user;
    return 0;
}

static void sites(void **state)
{
    struct scratch s;
    struct status st;
    struct store *store;
    struct store_site seen;
    int64_t a, again, b;
    int n = 0;
    bool said;

    (void)state;
    scratch_make(&s);
    assert_int_equal(store_open(s.path, STORE_WRITE, &store, &st), STATUS_OK);
    struct store_site site = {.name = "arm-1",
                              .ohm = 17.0,
                              .henry = NAN,
                              .pulse = 0.3,
                              .pulse_u = NAN,
                              .period = 14.0,
                              .standby = NAN,
                              .end = NAN};
    assert_int_equal(store_site_put(store, &site, &a, &st), STATUS_OK);
    /* What is not given later stays. */
    site = (struct store_site){.name = "arm-1",
                               .ohm = NAN,
                               .henry = 0.2,
                               .pulse = 0.25,
                               .pulse_u = NAN,
                               .period = NAN,
                               .standby = NAN,
                               .end = NAN,
                               .remark = "by the weir"};
    assert_int_equal(store_site_put(store, &site, &again, &st), STATUS_OK);
    assert_int_equal(again, a);
    site = (struct store_site){.name = "arm-0",
                               .ohm = NAN,
                               .henry = NAN,
                               .pulse = NAN,
                               .pulse_u = NAN,
                               .period = NAN,
                               .standby = NAN,
                               .end = NAN};
    assert_int_equal(store_site_put(store, &site, &b, &st), STATUS_OK);
    assert_int_equal(store_site_list(store, "arm-1", keep, &seen, &st), STATUS_OK);
    assert_true(seen.ohm > 16.99 && seen.ohm < 17.01);
    assert_true(seen.henry > 0.199 && seen.henry < 0.201);
    assert_true(seen.pulse > 0.249 && seen.pulse < 0.251);
    assert_true(isnan(seen.end));
    assert_int_equal(store_site_list(store, NULL, count, &n, &st), STATUS_OK);
    assert_int_equal(n, 2);
    assert_int_equal(store_site_list(store, "nobody", count, &n, &st), STATUS_NOT_FOUND);
    /* What cannot be is refused: below zero, no name, a channel that does not exist. */
    site.pulse = -1.0;
    assert_int_equal(store_site_put(store, &site, &b, &st), STATUS_INPUT);
    assert_non_null(strstr(st.text, "pulse length"));
    site.pulse = NAN;
    site.name = "";
    assert_int_equal(store_site_put(store, &site, &b, &st), STATUS_INPUT);
    site.name = "arm-2";
    site.loaded = 77;
    assert_int_not_equal(store_site_put(store, &site, &b, &st), STATUS_OK);

    assert_int_equal(store_site_dismissed(store, a, 1000, 10, &said, &st), STATUS_OK);
    assert_false(said);
    assert_int_equal(store_site_dismiss(store, a, 1000, &st), STATUS_OK);
    assert_int_equal(store_site_dismiss(store, a, 1000, &st), STATUS_OK);
    assert_int_equal(store_site_dismissed(store, a, 1009, 10, &said, &st), STATUS_OK);
    assert_true(said);
    assert_int_equal(store_site_dismissed(store, a, 1011, 10, &said, &st), STATUS_OK);
    assert_false(said);
    assert_int_equal(store_close(store, &st), STATUS_OK);
    scratch_remove(&s);
}

/* A database of version 1, with a coil in it, opens, keeps it, and can record a site. */
static void from_version_1(void **state)
{
    struct scratch s;
    struct status st;
    struct store *store;
    int64_t id;

    (void)state;
    scratch_make(&s);
    assert_int_equal(store_open(s.path, STORE_WRITE, &store, &st), STATUS_OK);
    assert_int_equal(store_coil_add(store, &(struct store_coil){.name = "arm-1"}, &id, &st),
                     STATUS_OK);
    assert_int_equal(store_close(store, &st), STATUS_OK);
    raw_sql(s.path, "DROP TABLE dismissed; DROP TABLE site; PRAGMA user_version = 1");
    assert_int_equal(store_open(s.path, STORE_READ, &store, &st), STATUS_INPUT);
    assert_non_null(strstr(st.text, "older program"));
    assert_int_equal(store_open(s.path, STORE_WRITE, &store, &st), STATUS_OK);
    struct store_site site = {.name = "weir",
                              .ohm = NAN,
                              .henry = NAN,
                              .pulse = NAN,
                              .pulse_u = NAN,
                              .period = NAN,
                              .standby = NAN,
                              .end = NAN,
                              .coil = id};
    assert_int_equal(store_site_put(store, &site, &id, &st), STATUS_OK);
    assert_int_equal(store_coil_find(store, "arm-1", &id, &st), STATUS_OK);
    assert_int_equal(store_check(store, &st), STATUS_OK);
    assert_int_equal(store_close(store, &st), STATUS_OK);
    scratch_remove(&s);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(sites), cmocka_unit_test(from_version_1)};

    return cmocka_run_group_tests(tests, NULL, NULL);
}
