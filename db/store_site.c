#include "db/store_site.h"

#include "db/store_sql.h"

enum status_code store_site_put(struct store *store, const struct store_site *s, int64_t *id,
                                struct status *st)
{
    const double figures[] = {s->ohm,    s->henry,   s->pulse, s->pulse_u,
                              s->period, s->standby, s->end};
    static const char *const names[] = {"resistance",      "inductance", "pulse length",
                                        "its uncertainty", "period",     "standing current",
                                        "end point"};

    if (store_sql_check_text("site", s->name, STORE_NAME_MAX, true, st) ||
        store_sql_check_text("remark", s->remark, STORE_REMARK_MAX, false, st))
        return STATUS_INPUT;
    for (size_t i = 0; i < sizeof figures / sizeof *figures; i++) {
        if (store_sql_check_real(names[i], figures[i], true, st))
            return STATUS_INPUT;
        if (figures[i] < 0.0)
            return status_fail(st, STATUS_INPUT, "%s: %s is %g, expected 0 or more", s->name,
                               names[i], figures[i]);
    }
    if (store_sql_run(
            store,
            "INSERT INTO site(name, unloaded, loaded, temperature, pulses, coil, ohm, henry,"
            " pulse, pulse_u, period, standby, end, remark)"
            " VALUES(?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14)"
            " ON CONFLICT(name) DO UPDATE SET unloaded = coalesce(?2, unloaded),"
            " loaded = coalesce(?3, loaded), temperature = coalesce(?4, temperature),"
            " pulses = coalesce(?5, pulses), coil = coalesce(?6, coil), ohm = coalesce(?7, ohm),"
            " henry = coalesce(?8, henry), pulse = coalesce(?9, pulse),"
            " pulse_u = coalesce(?10, pulse_u), period = coalesce(?11, period),"
            " standby = coalesce(?12, standby), end = coalesce(?13, end),"
            " remark = coalesce(?14, remark)",
            STORE_ARGS(store_arg_text(s->name), store_arg_id(s->unloaded), store_arg_id(s->loaded),
                       store_arg_id(s->temperature), store_arg_id(s->pulses), store_arg_id(s->coil),
                       store_arg_real(s->ohm), store_arg_real(s->henry), store_arg_real(s->pulse),
                       store_arg_real(s->pulse_u), store_arg_real(s->period),
                       store_arg_real(s->standby), store_arg_real(s->end),
                       store_arg_text(s->remark)),
            NULL, NULL, st) != STATUS_OK)
        return st ? st->code : STATUS_IO;
    return store_sql_int(store, "SELECT id FROM site WHERE name = ?",
                         STORE_ARGS(store_arg_text(s->name)), id, st);
}

struct site_call {
    store_site_fn fn;
    void *user;
    bool seen;
};

static int site_row(sqlite3_stmt *stmt, void *user)
{
    struct site_call *call = user;
    struct store_site row = {.id = sqlite3_column_int64(stmt, 0),
                             .name = store_sql_text(stmt, 1),
                             .unloaded = sqlite3_column_int64(stmt, 2),
                             .loaded = sqlite3_column_int64(stmt, 3),
                             .temperature = sqlite3_column_int64(stmt, 4),
                             .pulses = sqlite3_column_int64(stmt, 5),
                             .coil = sqlite3_column_int64(stmt, 6),
                             .ohm = store_sql_real(stmt, 7),
                             .henry = store_sql_real(stmt, 8),
                             .pulse = store_sql_real(stmt, 9),
                             .pulse_u = store_sql_real(stmt, 10),
                             .period = store_sql_real(stmt, 11),
                             .standby = store_sql_real(stmt, 12),
                             .end = store_sql_real(stmt, 13),
                             .remark = store_sql_text(stmt, 14)};

    call->seen = true;
    return call->fn(&row, call->user);
}

enum status_code store_site_list(struct store *store, const char *name, store_site_fn fn,
                                 void *user, struct status *st)
{
    struct site_call call = {fn, user, false};
    enum status_code code =
        store_sql_query(store,
                        "SELECT id, name, unloaded, loaded, temperature, pulses, coil, ohm, henry,"
                        " pulse, pulse_u, period, standby, end, remark FROM site"
                        " WHERE ?1 IS NULL OR name = ?1 ORDER BY name",
                        STORE_ARGS(store_arg_text(name)), site_row, &call, st);

    if (code == STATUS_OK && name && !call.seen)
        return status_fail(st, STATUS_NOT_FOUND, "there is no site '%s'", name);
    return code;
}

enum status_code store_site_dismiss(struct store *store, int64_t site, int64_t time,
                                    struct status *st)
{
    return store_sql_run(store, "INSERT OR IGNORE INTO dismissed(site, time) VALUES(?, ?)",
                         STORE_ARGS(store_arg_int(site), store_arg_int(time)), NULL, NULL, st);
}

enum status_code store_site_dismissed(struct store *store, int64_t site, int64_t time,
                                      int64_t slack, bool *dismissed, struct status *st)
{
    int64_t n = 0;
    enum status_code code = store_sql_int(
        store,
        "SELECT count(*) FROM dismissed WHERE site = ?1 AND time BETWEEN ?2 - ?3 AND ?2 + ?3",
        STORE_ARGS(store_arg_int(site), store_arg_int(time), store_arg_int(slack)), &n, st);

    *dismissed = n > 0;
    return code;
}
