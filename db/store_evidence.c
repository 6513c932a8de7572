#include "db/store_evidence.h"

#include <stdio.h>
#include <string.h>

#include "db/quantity.h"
#include "db/store_sql.h"

static const char *const outcome_words[] = {"held", "dropped", "slid", "not lifted", "more than"};
static const char *const type_words[] = {"int16", "uint16", "int32", "float32"};
static const size_t type_sizes[] = {2, 2, 4, 4};

static int64_t or_now(int64_t time)
{
    return time ? time : store_now();
}

/* The place of word in a table of n; n when it is not there. */
static size_t find_word(const char *word, const char *const *words, size_t n)
{
    size_t i = 0;

    while (i < n && (!word || strcmp(word, words[i]) != 0))
        i++;
    return i;
}

const char *store_evidence_outcome_word(enum store_outcome outcome)
{
    return (unsigned)outcome <= STORE_MORE_THAN ? outcome_words[outcome] : NULL;
}

static enum status_code check_run(struct store *store, int64_t run, int64_t coil, struct status *st)
{
    int64_t owner;
    enum status_code code;

    if (!run)
        return STATUS_OK;
    code = store_sql_int(store, "SELECT coil FROM run WHERE id = ?", STORE_ARGS(store_arg_int(run)),
                         &owner, st);
    if (code == STATUS_NOT_FOUND)
        return status_fail(st, code, "there is no run %lld", (long long)run);
    if (code == STATUS_OK && owner != coil)
        return status_fail(st, STATUS_INPUT, "run %lld is of another coil", (long long)run);
    return code;
}

/* Old gives way to new: two entries of one coil, in the table named. The caller owns 'table'. */
static enum status_code supersede(struct store *store, const char *table, int64_t old_id,
                                  int64_t new_id, struct status *st)
{
    char sql[200];
    int64_t there;
    int changes = 0;
    enum status_code code;

    if (old_id == new_id)
        return status_fail(st, STATUS_INPUT, "%s %lld cannot supersede itself", table,
                           (long long)old_id);
    snprintf(sql, sizeof sql,
             "UPDATE %s SET superseded_by = ?2 WHERE id = ?1 AND superseded_by IS NULL"
             " AND coil = (SELECT coil FROM %s WHERE id = ?2)",
             table, table);
    code = store_sql_run(store, sql, STORE_ARGS(store_arg_int(old_id), store_arg_int(new_id)), NULL,
                         &changes, st);
    if (code != STATUS_OK || changes == 1)
        return code;
    snprintf(sql, sizeof sql, "SELECT coalesce(superseded_by, 0) FROM %s WHERE id = ?", table);
    code = store_sql_int(store, sql, STORE_ARGS(store_arg_int(old_id)), &there, st);
    if (code == STATUS_OK && there)
        return status_fail(st, STATUS_EXISTS, "%s %lld was superseded by %lld already", table,
                           (long long)old_id, (long long)there);
    if (code == STATUS_OK || code == STATUS_NOT_FOUND)
        return status_fail(st, STATUS_NOT_FOUND,
                           "this coil has no %s %lld; 'truewound coil show NAME' has the numbers",
                           table, (long long)old_id);
    return code;
}

/* ---- observations ---- */

enum status_code store_evidence_add_observation(struct store *store,
                                                const struct store_observation *o, int64_t *id,
                                                struct status *st)
{
    enum status_code code;

    if (!quantity_find(o->quantity))
        return status_fail(st, STATUS_INPUT, "unknown quantity '%.*s'", STORE_NAME_MAX,
                           o->quantity ? o->quantity : "");
    if (store_sql_check_text("place", o->place, STORE_NAME_MAX, true, st) ||
        store_sql_check_text("conditions", o->conditions, STORE_JSON_MAX, false, st) ||
        store_sql_check_text("remark", o->remark, STORE_REMARK_MAX, false, st) ||
        store_sql_check_real("value", o->value, false, st) ||
        store_sql_check_real("uncertainty", o->u, true, st))
        return STATUS_INPUT;
    if (o->u < 0)
        return status_fail(st, STATUS_INPUT, "the uncertainty is below 0");
    if (o->typed == (o->channel != 0))
        return status_fail(st, STATUS_INPUT,
                           "an observation is either typed or taken from a channel");
    code = check_run(store, o->run, o->coil, st);
    if (code != STATUS_OK)
        return code;
    return store_sql_run(
        store,
        "INSERT INTO observation(run, coil, time, quantity, place, value, u, conditions, origin,"
        " channel, from_time, to_time, n, remark) VALUES(?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?,"
        " ?)",
        STORE_ARGS(store_arg_id(o->run), store_arg_int(o->coil), store_arg_int(or_now(o->time)),
                   store_arg_text(o->quantity), store_arg_text(o->place), store_arg_real(o->value),
                   store_arg_real(o->u), store_arg_text(o->conditions),
                   store_arg_text(o->typed ? "typed" : "channel"), store_arg_id(o->channel),
                   store_arg_id(o->from), store_arg_id(o->to), store_arg_id(o->n),
                   store_arg_text(o->remark)),
        id, NULL, st);
}

enum status_code store_evidence_supersede_observation(struct store *store, int64_t old_id,
                                                      int64_t new_id, struct status *st)
{
    return supersede(store, "observation", old_id, new_id, st);
}

struct observation_call {
    store_evidence_observation_fn fn;
    void *user;
};

static int observation_row(sqlite3_stmt *stmt, void *user)
{
    struct observation_call *call = user;
    const char *origin = store_sql_text(stmt, 9);
    struct store_observation row = {.id = sqlite3_column_int64(stmt, 0),
                                    .run = sqlite3_column_int64(stmt, 1),
                                    .coil = sqlite3_column_int64(stmt, 2),
                                    .time = sqlite3_column_int64(stmt, 3),
                                    .quantity = store_sql_text(stmt, 4),
                                    .place = store_sql_text(stmt, 5),
                                    .value = store_sql_real(stmt, 6),
                                    .u = store_sql_real(stmt, 7),
                                    .conditions = store_sql_text(stmt, 8),
                                    .typed = origin && strcmp(origin, "typed") == 0,
                                    .channel = sqlite3_column_int64(stmt, 10),
                                    .from = sqlite3_column_int64(stmt, 11),
                                    .to = sqlite3_column_int64(stmt, 12),
                                    .n = sqlite3_column_int64(stmt, 13),
                                    .superseded_by = sqlite3_column_int64(stmt, 14),
                                    .remark = store_sql_text(stmt, 15)};

    return call->fn(&row, call->user);
}

enum status_code store_evidence_observations(struct store *store, int64_t coil, int64_t run,
                                             bool all, store_evidence_observation_fn fn, void *user,
                                             struct status *st)
{
    struct observation_call call = {.fn = fn, .user = user};

    return store_sql_query(
        store,
        "SELECT id, run, coil, time, quantity, place, value, u, conditions, origin, channel,"
        " from_time, to_time, n, superseded_by, remark FROM observation"
        " WHERE (?1 = 0 OR coil = ?1) AND (?2 = 0 OR run = ?2)"
        " AND (?3 OR superseded_by IS NULL) ORDER BY time, id",
        STORE_ARGS(store_arg_int(coil), store_arg_int(run), store_arg_int(all)), observation_row,
        &call, st);
}

/* ---- lift trials ---- */

enum status_code store_evidence_add_trial(struct store *store, const struct store_trial *t,
                                          int64_t *id, struct status *st)
{
    const char *outcome = store_evidence_outcome_word(t->outcome);
    enum status_code code;

    if (!outcome)
        return status_fail(st, STATUS_INPUT, "an unknown outcome of a trial (%d)", (int)t->outcome);
    if (store_sql_check_real("current", t->current, true, st) ||
        store_sql_check_real("gap", t->gap, true, st) ||
        store_sql_check_real("load", t->load, false, st) ||
        store_sql_check_real("uncertainty of the load", t->load_u, true, st) ||
        store_sql_check_real("duration", t->duration, true, st) ||
        store_sql_check_text("keeper", t->keeper, STORE_NAME_MAX, false, st) ||
        store_sql_check_text("conditions", t->conditions, STORE_JSON_MAX, false, st) ||
        store_sql_check_text("remark", t->remark, STORE_REMARK_MAX, false, st))
        return STATUS_INPUT;
    if (t->load < 0 || t->gap < 0 || t->duration < 0 || t->load_u < 0)
        return status_fail(st, STATUS_INPUT,
                           "load, gap, duration and uncertainty of a trial cannot be below 0");
    code = check_run(store, t->run, t->coil, st);
    if (code != STATUS_OK)
        return code;
    return store_sql_run(
        store,
        "INSERT INTO trial(run, coil, time, current, gap, load, load_u, duration, outcome, keeper,"
        " conditions, remark) VALUES(?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        STORE_ARGS(store_arg_id(t->run), store_arg_int(t->coil), store_arg_int(or_now(t->time)),
                   store_arg_real(t->current), store_arg_real(t->gap), store_arg_real(t->load),
                   store_arg_real(t->load_u), store_arg_real(t->duration), store_arg_text(outcome),
                   store_arg_text(t->keeper), store_arg_text(t->conditions),
                   store_arg_text(t->remark)),
        id, NULL, st);
}

enum status_code store_evidence_supersede_trial(struct store *store, int64_t old_id, int64_t new_id,
                                                struct status *st)
{
    return supersede(store, "trial", old_id, new_id, st);
}

struct trial_call {
    store_evidence_trial_fn fn;
    void *user;
    struct status *st;
    enum status_code code;
};

static int trial_row(sqlite3_stmt *stmt, void *user)
{
    struct trial_call *call = user;
    size_t outcome = find_word(store_sql_text(stmt, 9), outcome_words, 5);
    struct store_trial row = {.id = sqlite3_column_int64(stmt, 0),
                              .run = sqlite3_column_int64(stmt, 1),
                              .coil = sqlite3_column_int64(stmt, 2),
                              .time = sqlite3_column_int64(stmt, 3),
                              .current = store_sql_real(stmt, 4),
                              .gap = store_sql_real(stmt, 5),
                              .load = store_sql_real(stmt, 6),
                              .load_u = store_sql_real(stmt, 7),
                              .duration = store_sql_real(stmt, 8),
                              .outcome = (enum store_outcome)outcome,
                              .keeper = store_sql_text(stmt, 10),
                              .conditions = store_sql_text(stmt, 11),
                              .remark = store_sql_text(stmt, 12),
                              .superseded_by = sqlite3_column_int64(stmt, 13)};

    if (outcome == 5) {
        call->code = status_fail(call->st, STATUS_IO, "trial %lld has an unknown outcome",
                                 (long long)row.id);
        return 1;
    }
    return call->fn(&row, call->user);
}

enum status_code store_evidence_trials(struct store *store, int64_t coil, int64_t run, bool all,
                                       store_evidence_trial_fn fn, void *user, struct status *st)
{
    struct trial_call call = {.fn = fn, .user = user, .st = st};
    enum status_code code = store_sql_query(
        store,
        "SELECT id, run, coil, time, current, gap, load, load_u, duration, outcome, keeper,"
        " conditions, remark, superseded_by FROM trial"
        " WHERE (?1 = 0 OR coil = ?1) AND (?2 = 0 OR run = ?2)"
        " AND (?3 OR superseded_by IS NULL) ORDER BY time, id",
        STORE_ARGS(store_arg_int(coil), store_arg_int(run), store_arg_int(all)), trial_row, &call,
        st);

    return code != STATUS_OK ? code : call.code;
}

/* ---- captures ---- */

static enum status_code check_capture(const struct store_capture *c, struct status *st)
{
    if ((unsigned)c->type > STORE_FLOAT32)
        return status_fail(st, STATUS_INPUT, "an unknown type of samples (%d)", (int)c->type);
    if (c->n < 1 || c->size > STORE_BLOB_MAX || !c->samples ||
        c->size != (uint64_t)c->n * type_sizes[c->type])
        return status_fail(st, STATUS_INPUT,
                           "a capture of %lld samples in %zu bytes, expected %zu bytes a sample "
                           "and at most %d in all",
                           (long long)c->n, c->size, type_sizes[c->type], STORE_BLOB_MAX);
    if (c->lost < 0 || c->before < 0 || c->before > c->n)
        return status_fail(st, STATUS_INPUT,
                           "a capture of %lld samples, %lld lost, %lld before "
                           "the trigger",
                           (long long)c->n, (long long)c->lost, (long long)c->before);
    if (store_sql_check_real("rate", c->rate, false, st) ||
        store_sql_check_real("scale", c->scale, false, st) ||
        store_sql_check_real("offset", c->offset, false, st) ||
        store_sql_check_text("remark", c->remark, STORE_REMARK_MAX, false, st))
        return STATUS_INPUT;
    if (c->rate <= 0)
        return status_fail(st, STATUS_INPUT, "a capture of %g samples a second", c->rate);
    return STATUS_OK;
}

enum status_code store_evidence_add_capture(struct store *store, const struct store_capture *c,
                                            int64_t *id, struct status *st)
{
    enum status_code code = check_capture(c, st);

    if (code != STATUS_OK)
        return code;
    return store_sql_run(
        store,
        "INSERT INTO capture(channel, run, time, rate, n, lost, before, scale, offset, flags, type,"
        " remark, samples) VALUES(?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        STORE_ARGS(store_arg_int(c->channel), store_arg_id(c->run), store_arg_int(or_now(c->time)),
                   store_arg_real(c->rate), store_arg_int(c->n), store_arg_int(c->lost),
                   store_arg_int(c->before), store_arg_real(c->scale), store_arg_real(c->offset),
                   store_arg_int(c->flags), store_arg_text(type_words[c->type]),
                   store_arg_text(c->remark), store_arg_blob(c->samples, c->size)),
        id, NULL, st);
}

struct capture_call {
    store_evidence_capture_fn fn;
    void *user;
    struct status *st;
    bool samples;
    bool found;
    enum status_code code;
};

static int capture_row(sqlite3_stmt *stmt, void *user)
{
    struct capture_call *call = user;
    size_t type = find_word(store_sql_text(stmt, 11), type_words, 4);
    struct store_capture row = {.id = sqlite3_column_int64(stmt, 0),
                                .channel = sqlite3_column_int64(stmt, 1),
                                .run = sqlite3_column_int64(stmt, 2),
                                .time = sqlite3_column_int64(stmt, 3),
                                .rate = store_sql_real(stmt, 4),
                                .n = sqlite3_column_int64(stmt, 5),
                                .lost = sqlite3_column_int64(stmt, 6),
                                .before = sqlite3_column_int64(stmt, 7),
                                .scale = store_sql_real(stmt, 8),
                                .offset = store_sql_real(stmt, 9),
                                .flags = (uint32_t)sqlite3_column_int64(stmt, 10),
                                .type = (enum store_sample_type)type,
                                .remark = store_sql_text(stmt, 12)};

    call->found = true;
    if (call->samples) {
        row.samples = sqlite3_column_blob(stmt, 13);
        row.size = (size_t)sqlite3_column_bytes(stmt, 13);
    }
    /* Whoever reads samples relies on n of them being there. */
    if (type == 4 || row.n < 1 || !(row.rate > 0) ||
        (call->samples && row.size != (uint64_t)row.n * type_sizes[type])) {
        call->code = status_fail(call->st, STATUS_IO, "capture %lld is damaged", (long long)row.id);
        return 1;
    }
    return call->fn(&row, call->user);
}

#define CAPTURE_COLUMNS                                                                            \
    "SELECT id, channel, run, time, rate, n, lost, before, scale, offset, flags, type, remark"

enum status_code store_evidence_capture(struct store *store, int64_t id,
                                        store_evidence_capture_fn fn, void *user, struct status *st)
{
    struct capture_call call = {.fn = fn, .user = user, .st = st, .samples = true};
    enum status_code code =
        store_sql_query(store, CAPTURE_COLUMNS ", samples FROM capture WHERE id = ?",
                        STORE_ARGS(store_arg_int(id)), capture_row, &call, st);

    if (code == STATUS_OK && !call.found)
        return status_fail(st, STATUS_NOT_FOUND, "there is no capture %lld", (long long)id);
    return code != STATUS_OK ? code : call.code;
}

enum status_code store_evidence_captures(struct store *store, int64_t channel, int64_t from,
                                         int64_t to, store_evidence_capture_fn fn, void *user,
                                         struct status *st)
{
    struct capture_call call = {.fn = fn, .user = user, .st = st};
    enum status_code code = store_sql_query(
        store,
        CAPTURE_COLUMNS " FROM capture WHERE (?1 = 0 OR channel = ?1) AND time >= ?2"
                        " AND time < ?3 ORDER BY time, id",
        STORE_ARGS(store_arg_int(channel), store_arg_int(from), store_arg_int(to)), capture_row,
        &call, st);

    return code != STATUS_OK ? code : call.code;
}

enum status_code store_evidence_claim_capture(struct store *store, int64_t capture, int64_t run,
                                              struct status *st)
{
    int64_t owner;
    int changes = 0;
    enum status_code code =
        store_sql_run(store, "UPDATE capture SET run = ?2 WHERE id = ?1 AND run IS NULL",
                      STORE_ARGS(store_arg_int(capture), store_arg_int(run)), NULL, &changes, st);

    if (code != STATUS_OK || changes == 1)
        return code;
    code = store_sql_int(store, "SELECT run FROM capture WHERE id = ?",
                         STORE_ARGS(store_arg_int(capture)), &owner, st);
    if (code == STATUS_OK)
        return status_fail(st, STATUS_EXISTS, "capture %lld belongs to run %lld already",
                           (long long)capture, (long long)owner);
    if (code == STATUS_NOT_FOUND)
        return status_fail(st, code, "there is no capture %lld", (long long)capture);
    return code;
}
