/* States of storing, and who changes them:
 *
 *   works     every flush commits
 *   stopped   the last flush failed; readings gather in the buffer. flush tries again each time,
 *             with a small transaction so that a full disk costs little
 *
 *   works -> stopped   stop()     notes when and why; a full or failing disk queues an event
 *   stopped -> works   resume()   after a commit; queues an event with the number lost
 *
 * A busy file is short and usual (another program writes a coil), so it is told only when readings
 * were lost or it lasted above BUSY_TOLD. */
#include "db/store_ingest.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "db/store_ingest_private.h"
#include "db/store_rollup.h"

#define CHUNK         16384 /* readings a transaction */
#define CHUNK_STOPPED 1024  /* while it is not known whether storing works */
#define BUSY_TOLD     10000000
#define NUDGES_MAX    100000
#define TIME_MAX      9151488000000000 /* the year 2260 */
#define EVENT_TEXT    1024
#define EVENT_KIND    32

struct item {
    int64_t time;
    double raw;
    double range;
    int64_t calibration;
    int64_t channel;
    uint32_t flags;
    uint32_t order; /* of arrival, for readings of one microsecond */
};

struct event_item {
    int64_t time, monotonic, instrument;
    char kind[EVENT_KIND];
    char *text;
};

struct channel {
    struct store_marks marks;
    struct store_rollup_state rollup;
    bool touched; /* in this transaction */
};

struct store_ingest {
    struct item *items;
    size_t head, n, size;
    uint32_t order;
    struct event_item *events;
    size_t event_n, event_size;
    struct channel **channels; /* by id */
    size_t channel_n, channel_size;
    struct channel *last;
    sqlite3_stmt *insert, *existing, *insert_event;
    struct store_rollups rollups;
    bool without_rollups;
    bool stop_told;
    uint64_t lost_told; /* of those lost, how many an event has told */
    int64_t lost_from, lost_to;
    char why[STATUS_TEXT_SIZE];
    struct store_ingest_state state;
};

struct store_ingest *store_ingest_new(void)
{
    return calloc(1, sizeof(struct store_ingest));
}

static void free_channels(struct store_ingest *in)
{
    for (size_t i = 0; i < in->channel_n; i++) {
        store_marks_free(&in->channels[i]->marks);
        free(in->channels[i]);
    }
    in->channel_n = 0;
    in->last = NULL;
}

void store_ingest_free(struct store_ingest *in)
{
    if (!in)
        return;
    free_channels(in);
    free(in->channels);
    for (size_t i = 0; i < in->event_n; i++)
        free(in->events[i].text);
    free(in->events);
    free(in->items);
    sqlite3_finalize(in->insert);
    sqlite3_finalize(in->existing);
    sqlite3_finalize(in->insert_event);
    store_rollup_finish(&in->rollups);
    free(in);
}

void store_ingest_forget(struct store *store)
{
    free_channels(store->ingest);
}

void store_ingest_without_rollups(struct store *store, bool off)
{
    store->ingest->without_rollups = off;
}

/* ---- channels ---- */

static size_t channel_place(const struct store_ingest *in, int64_t id)
{
    size_t low = 0, high = in->channel_n;

    while (low < high) {
        size_t middle = low + (high - low) / 2;

        if (in->channels[middle]->marks.channel < id)
            low = middle + 1;
        else
            high = middle;
    }
    return low;
}

static enum status_code get_channel(struct store *store, int64_t id, struct channel **out,
                                    struct status *st)
{
    struct store_ingest *in = store->ingest;
    struct channel *new_channel;
    enum status_code code;
    size_t place;

    if (in->last && in->last->marks.channel == id) {
        *out = in->last;
        return STATUS_OK;
    }
    place = channel_place(in, id);
    if (place < in->channel_n && in->channels[place]->marks.channel == id) {
        *out = in->last = in->channels[place];
        return STATUS_OK;
    }
    if (in->channel_n == in->channel_size) {
        size_t size = in->channel_size ? 2 * in->channel_size : 16;
        struct channel **channels = realloc(in->channels, size * sizeof(*channels));

        if (!channels)
            return status_fail(st, STATUS_MEMORY, "no memory for channel %lld", (long long)id);
        in->channels = channels;
        in->channel_size = size;
    }
    new_channel = calloc(1, sizeof *new_channel);
    if (!new_channel)
        return status_fail(st, STATUS_MEMORY, "no memory for channel %lld", (long long)id);
    code = store_marks_load(store, id, &new_channel->marks, st);
    if (code != STATUS_OK) {
        free(new_channel);
        return code;
    }
    memmove(&in->channels[place + 1], &in->channels[place],
            (in->channel_n - place) * sizeof(*in->channels));
    in->channels[place] = new_channel;
    in->channel_n++;
    *out = in->last = new_channel;
    return STATUS_OK;
}

static enum status_code get_rollup(struct store *store, struct channel *c, struct status *st)
{
    if (c->rollup.loaded)
        return STATUS_OK;
    return store_rollup_load(store, &c->marks, &c->rollup, st);
}

/* ---- taking in ---- */

/* Room for one more; true when there is. */
static bool make_room(struct store_ingest *in)
{
    struct item *items;
    size_t size;

    if (in->head + in->n < in->size)
        return true;
    if (in->head > 0) {
        memmove(in->items, in->items + in->head, in->n * sizeof *in->items);
        in->head = 0;
        return true;
    }
    size = in->size ? 2 * in->size : 256;
    if (size > STORE_INGEST_MAX)
        size = STORE_INGEST_MAX;
    if (size == in->size)
        return false;
    items = realloc(in->items, size * sizeof *items);
    if (!items)
        return false;
    in->items = items;
    in->size = size;
    return true;
}

static bool calibration_known(const struct channel *c, int64_t id)
{
    for (size_t i = 0; i < c->marks.n; i++) {
        if (c->marks.mark[i].calibration == id)
            return true;
    }
    return false;
}

static enum status_code check_reading(struct store *store, const struct store_reading *r,
                                      struct status *st)
{
    struct channel *c;
    int64_t owner = 0;
    enum status_code code;

    if (r->time <= 0 || r->time > TIME_MAX)
        return status_fail(st, STATUS_INPUT, "a reading of channel %lld at a time that cannot be",
                           (long long)r->channel);
    if (isinf(r->raw) || isinf(r->range))
        return status_fail(st, STATUS_INPUT, "an infinite reading of channel %lld",
                           (long long)r->channel);
    code = get_channel(store, r->channel, &c, st);
    if (code == STATUS_OK && r->calibration && !calibration_known(c, r->calibration)) {
        code = store_sql_int(store, "SELECT channel FROM calibration WHERE id = ?",
                             STORE_ARGS(store_arg_int(r->calibration)), &owner, st);
        if (code == STATUS_OK && owner != r->channel)
            code = STATUS_NOT_FOUND;
        if (code == STATUS_NOT_FOUND)
            return status_fail(st, STATUS_INPUT, "channel %lld has no calibration %lld",
                               (long long)r->channel, (long long)r->calibration);
    }
    if (code == STATUS_NOT_FOUND)
        return status_fail(st, STATUS_INPUT, "there is no channel %lld", (long long)r->channel);
    /* When the file cannot be asked just now, the flush will. */
    return STATUS_OK;
}

enum status_code store_ingest_reading(struct store *store, const struct store_reading *r,
                                      struct status *st)
{
    struct store_ingest *in = store->ingest;

    if (!in)
        return status_fail(st, STATUS_INPUT, "%s: readings are stored by the daemon only",
                           store->path);
    if (check_reading(store, r, st) != STATUS_OK) {
        in->state.refused++;
        return STATUS_INPUT;
    }
    if (!make_room(in)) {
        if (in->state.lost++ == in->lost_told)
            in->lost_from = r->time;
        in->lost_to = r->time;
        return status_fail(st, STATUS_FULL,
                           "%s: %d readings wait to be stored; newer ones are lost until it works "
                           "again",
                           store->path, STORE_INGEST_MAX);
    }
    in->items[in->head + in->n++] = (struct item){.time = r->time,
                                                  .raw = r->raw,
                                                  .range = r->range,
                                                  .calibration = r->calibration,
                                                  .channel = r->channel,
                                                  .flags = r->flags,
                                                  .order = in->order++};
    in->state.buffered = in->n;
    return status_ok(st);
}

/* Text from instruments may hold anything; in the file it is printable ASCII or UTF-8. */
static char *clean_copy(const char *text)
{
    size_t length = text ? strnlen(text, EVENT_TEXT) : 0;
    char *copy = malloc(length + 1);

    if (!copy)
        return NULL;
    if (length > 0)
        memcpy(copy, text, length);
    copy[length] = '\0';
    /* A cut may have gone through a character. */
    for (int tries = 0; tries < 4 && length > 0; tries++) {
        if (store_sql_check_text("event", copy, EVENT_TEXT, false, NULL) == STATUS_OK)
            return copy;
        if (length < EVENT_TEXT)
            break;
        copy[--length] = '\0';
    }
    for (size_t i = 0; i < length; i++) {
        if (copy[i] < 0x20 || copy[i] > 0x7E)
            copy[i] = '?';
    }
    return copy;
}

/* 'own' events of this file may use the last places. */
static enum status_code queue_event(struct store_ingest *in, const struct store_event *event,
                                    bool own, struct status *st)
{
    struct event_item *e;

    if (in->event_n + (own ? 0 : 4) >= STORE_INGEST_EVENT_MAX)
        return status_fail(st, STATUS_FULL, "%d events wait to be stored; newer ones are lost",
                           STORE_INGEST_EVENT_MAX);
    if (in->event_n == in->event_size) {
        size_t size = in->event_size ? 2 * in->event_size : 64;
        struct event_item *events = realloc(in->events, size * sizeof *events);

        if (!events)
            return status_fail(st, STATUS_MEMORY, "no memory for an event");
        in->events = events;
        in->event_size = size;
    }
    e = &in->events[in->event_n];
    *e = (struct event_item){.time = event->time ? event->time : store_now(),
                             .monotonic = event->monotonic,
                             .instrument = event->instrument};
    snprintf(e->kind, sizeof e->kind, "%s", event->kind ? event->kind : "note");
    e->text = clean_copy(event->text);
    if (!e->text)
        return status_fail(st, STATUS_MEMORY, "no memory for an event");
    in->event_n++;
    return status_ok(st);
}

static enum status_code put_event(struct store *store, const struct event_item *e,
                                  struct status *st)
{
    struct store_ingest *in = store->ingest;
    sqlite3_stmt *stmt = NULL;
    enum status_code code = STATUS_OK;
    int rc;

    if (in && in->insert_event)
        stmt = in->insert_event;
    else
        /* An instrument that is not recorded must not cost the event. */
        code = store_sql_prepare(store,
                                 "INSERT INTO event(time, monotonic, instrument, kind, text)"
                                 " VALUES(?1, ?2, (SELECT id FROM instrument WHERE id = ?3), ?4,"
                                 " ?5)",
                                 in != NULL, &stmt, st);
    if (code != STATUS_OK)
        return code;
    if (in)
        in->insert_event = stmt;
    rc = store_sql_bind(stmt, STORE_ARGS(store_arg_int(e->time), store_arg_id(e->monotonic),
                                         store_arg_id(e->instrument), store_arg_text(e->kind),
                                         store_arg_text(e->text)));
    if (rc == SQLITE_OK)
        rc = sqlite3_step(stmt);
    if (rc != SQLITE_DONE)
        code = store_sql_error(store, rc, "storing an event", st);
    if (in)
        sqlite3_reset(stmt);
    else
        sqlite3_finalize(stmt);
    return code;
}

enum status_code store_ingest_event(struct store *store, const struct store_event *event,
                                    struct status *st)
{
    struct event_item e;
    enum status_code code;

    if (store->ingest)
        return queue_event(store->ingest, event, false, st);
    code = store_sql_may_write(store, st);
    if (code != STATUS_OK)
        return code;
    e = (struct event_item){.time = event->time ? event->time : store_now(),
                            .monotonic = event->monotonic,
                            .instrument = event->instrument};
    snprintf(e.kind, sizeof e.kind, "%s", event->kind ? event->kind : "note");
    e.text = clean_copy(event->text);
    if (!e.text)
        return status_fail(st, STATUS_MEMORY, "no memory for an event");
    code = put_event(store, &e, st);
    free(e.text);
    return code == STATUS_OK ? status_ok(st) : code;
}

/* ---- storing ---- */

static int by_channel_time(const void *left, const void *right)
{
    const struct item *a = left;
    const struct item *b = right;

    if (a->channel != b->channel)
        return a->channel < b->channel ? -1 : 1;
    if (a->time != b->time)
        return a->time < b->time ? -1 : 1;
    return a->order < b->order ? -1 : 1;
}

static bool same_real(double a, double b)
{
    return a == b || (isnan(a) && isnan(b));
}

/* Whether the row at (channel, time) is this very reading. */
static enum status_code already_there(struct store *store, struct channel *c, int64_t time,
                                      double raw, size_t mark, bool *same, struct status *st)
{
    sqlite3_stmt *stmt = store->ingest->existing;
    struct store_reading found;
    enum status_code code = STATUS_OK;
    int rc = store_sql_bind(stmt, STORE_ARGS(store_arg_int(c->marks.channel), store_arg_int(time)));

    *same = false;
    if (rc == SQLITE_OK)
        rc = sqlite3_step(stmt);
    if (rc == SQLITE_ROW) {
        code = store_marks_decode(store, &c->marks, stmt, 0, &found, st);
        *same = code == STATUS_OK && same_real(found.raw, raw) &&
                sqlite3_column_int64(stmt, 2) == (int64_t)mark;
    } else if (rc != SQLITE_DONE) {
        code = store_sql_error(store, rc, "storing", st);
    }
    sqlite3_reset(stmt);
    return code;
}

struct counts {
    uint64_t stored, duplicates, nudged, refused;
};

static enum status_code put_reading(struct store *store, const struct item *item,
                                    struct counts *counts, struct status *st)
{
    struct store_ingest *in = store->ingest;
    struct channel *c;
    struct store_reading r = {.time = item->time, .raw = item->raw, .flags = item->flags};
    size_t mark;
    int64_t digits;
    bool decimal;
    enum status_code code = get_channel(store, item->channel, &c, st);

    if (code == STATUS_OK)
        code = store_marks_number(store, &c->marks, item->calibration, item->flags, item->range,
                                  &mark, st);
    if (code == STATUS_NOT_FOUND) {
        counts->refused++;
        return STATUS_OK;
    }
    if (code == STATUS_OK && !in->without_rollups)
        code = get_rollup(store, c, st);
    if (code != STATUS_OK)
        return code;
    c->touched = true;
    decimal = store_marks_digits(c->marks.divisor, &r.raw, &digits);
    for (int tries = 0;; tries++) {
        bool same;
        int rc;

        sqlite3_bind_int64(in->insert, 1, item->channel);
        sqlite3_bind_int64(in->insert, 2, r.time);
        if (decimal)
            sqlite3_bind_int64(in->insert, 3, digits);
        else
            sqlite3_bind_double(in->insert, 3, r.raw); /* NaN becomes NULL */
        sqlite3_bind_int64(in->insert, 4, (int64_t)mark);
        rc = sqlite3_step(in->insert);
        sqlite3_reset(in->insert);
        if (rc != SQLITE_DONE)
            return store_sql_error(store, rc, "storing", st);
        if (sqlite3_changes(store->db) == 1)
            break;
        code = already_there(store, c, r.time, r.raw, mark, &same, st);
        if (code != STATUS_OK)
            return code;
        if (same) {
            counts->duplicates++;
            return STATUS_OK;
        }
        if (tries == NUDGES_MAX) {
            counts->refused++;
            return STATUS_OK;
        }
        r.time++;
    }
    counts->stored++;
    if (r.time != item->time)
        counts->nudged++;
    if (in->without_rollups)
        return STATUS_OK;
    r.value = store_marks_value(&c->marks.mark[mark], r.raw);
    return store_rollup_add(store, &in->rollups, &c->rollup, item->channel, &r, st);
}

static enum status_code prepare(struct store *store, struct status *st)
{
    struct store_ingest *in = store->ingest;
    enum status_code code = STATUS_OK;

    if (!in->insert)
        code = store_sql_prepare(store,
                                 "INSERT OR IGNORE INTO reading(channel, time, raw, mark)"
                                 " VALUES(?, ?, ?, ?)",
                                 true, &in->insert, st);
    if (code == STATUS_OK && !in->existing)
        code = store_sql_prepare(store,
                                 "SELECT time, raw, mark FROM reading"
                                 " WHERE channel = ? AND time = ?",
                                 true, &in->existing, st);
    if (code == STATUS_OK)
        code = store_rollup_prepare(store, &in->rollups, st);
    return code;
}

/* One transaction of n readings and, when they are the last, of all events. */
static enum status_code put_chunk(struct store *store, size_t n, size_t events, struct status *st)
{
    struct store_ingest *in = store->ingest;
    struct counts counts = {0};
    enum status_code code = prepare(store, st);

    if (code == STATUS_OK)
        code = store_sql_enter(store, st);
    if (code != STATUS_OK)
        return code;
    for (size_t i = 0; i < in->channel_n; i++)
        in->channels[i]->touched = false;
    if (n > 1)
        qsort(in->items + in->head, n, sizeof *in->items, by_channel_time);
    for (size_t i = 0; code == STATUS_OK && i < n; i++)
        code = put_reading(store, &in->items[in->head + i], &counts, st);
    for (size_t i = 0; code == STATUS_OK && i < in->channel_n; i++) {
        if (in->channels[i]->touched)
            code = store_rollup_settle(store, &in->rollups, &in->channels[i]->rollup,
                                       in->channels[i]->marks.channel, st);
    }
    for (size_t i = 0; code == STATUS_OK && i < events; i++)
        code = put_event(store, &in->events[i], st);
    code = store_sql_leave(store, code, st);
    if (code != STATUS_OK) {
        store_ingest_forget(store);
        return code;
    }
    in->head += n;
    in->n -= n;
    if (in->n == 0)
        in->head = 0;
    for (size_t i = 0; i < events; i++)
        free(in->events[i].text);
    if (events > 0)
        memmove(in->events, in->events + events, (in->event_n - events) * sizeof *in->events);
    in->event_n -= events;
    in->state.stored += counts.stored;
    in->state.duplicates += counts.duplicates;
    in->state.nudged += counts.nudged;
    in->state.refused += counts.refused;
    return STATUS_OK;
}

static void stop(struct store_ingest *in, const struct status *st)
{
    if (in->state.stopped == STATUS_OK) {
        in->state.stopped_since = store_now();
        in->stop_told = false;
    }
    in->state.stopped = st->code;
    snprintf(in->why, sizeof in->why, "%s", st->text);
    if (st->code != STATUS_BUSY && !in->stop_told) {
        char text[STATUS_TEXT_SIZE + 32];

        snprintf(text, sizeof text, "storing stopped: %s", st->text);
        queue_event(in, &(struct store_event){.kind = "stopped", .text = text}, true, NULL);
        in->stop_told = true;
    }
}

static void resume(struct store_ingest *in)
{
    uint64_t lost = in->state.lost - in->lost_told;
    int64_t now = store_now();

    if (in->stop_told || lost > 0 || now - in->state.stopped_since > BUSY_TOLD) {
        char text[EVENT_TEXT], since[32], from[32], to[32];
        int used = snprintf(text, sizeof text,
                            "storing works again; it was stopped since %s UTC (%.400s); ",
                            store_time_text(since, sizeof since, in->state.stopped_since), in->why);

        if (lost == 0)
            snprintf(text + used, sizeof text - (size_t)used, "no reading was lost");
        else
            snprintf(text + used, sizeof text - (size_t)used,
                     "%llu readings were lost, from %s to %s UTC", (unsigned long long)lost,
                     store_time_text(from, sizeof from, in->lost_from),
                     store_time_text(to, sizeof to, in->lost_to));
        queue_event(in, &(struct store_event){.kind = "resumed", .text = text}, true, NULL);
    }
    in->lost_told = in->state.lost;
    in->state.stopped = STATUS_OK;
    in->state.stopped_since = 0;
}

enum status_code store_ingest_flush(struct store *store, struct status *st)
{
    struct store_ingest *in = store->ingest;
    struct status said;

    if (!in)
        return status_ok(st);
    if (store->group)
        return status_fail(st, STATUS_INPUT, "%s: a group of writes is open", store->path);
    while (in->n > 0 || in->event_n > 0) {
        size_t most = in->state.stopped == STATUS_OK ? CHUNK : CHUNK_STOPPED;
        size_t n = in->n < most ? in->n : most;
        enum status_code code = put_chunk(store, n, n == in->n ? in->event_n : 0, &said);

        in->state.buffered = in->n;
        if (code != STATUS_OK) {
            stop(in, &said);
            return status_fail(st, code, "%s", said.text);
        }
        if (in->state.stopped != STATUS_OK || in->state.lost > in->lost_told)
            resume(in);
    }
    if (in->size > 4 * CHUNK) {
        free(in->items);
        in->items = NULL;
        in->size = 0;
    }
    return status_ok(st);
}

void store_ingest_state(const struct store *store, struct store_ingest_state *out)
{
    if (store->ingest)
        *out = store->ingest->state;
    else
        *out = (struct store_ingest_state){0};
}

enum status_code store_ingest_close_before(struct store *store, int64_t channel, int64_t cut,
                                           struct status *st)
{
    struct channel *c;
    enum status_code code = prepare(store, st);

    if (code == STATUS_OK)
        code = get_channel(store, channel, &c, st);
    if (code == STATUS_OK)
        code = get_rollup(store, c, st);
    if (code == STATUS_OK)
        code =
            store_rollup_close_before(store, &store->ingest->rollups, &c->rollup, channel, cut, st);
    return code;
}
