#include "analyze/liftunload.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "analyze/recording.h"
#include "analyze/sitting.h"
#include "analyze/steady.h"
#include "db/store_bench.h"
#include "db/store_read.h"

#define GRAVITY       9.80665 /* m/s2, 3rd CGPM 1901 */
#define LOOK_EVERY_US 200000
#define FLUSH_US      1500000 /* the last readings come to the store within this */
#define NOT_A_VALUE   (STORE_FLAG_MIN | STORE_FLAG_MAX | STORE_FLAG_HOLD | STORE_FLAG_OUT_OF_SYNC)

#define REMARK "unloading of a scale"

struct stream {
    struct unload_sample *sample;
    size_t n;
    int64_t begin;
    double scale; /* to N or A */
    bool keep_over;
};

static int keep(const struct store_reading *row, void *user)
{
    struct stream *s = user;
    bool over = !isfinite(row->value) && (row->flags & STORE_FLAG_OVERLOAD);
    double time = (double)(row->time - s->begin) * 1e-6;

    if ((row->flags & NOT_A_VALUE) || s->n == UNLOAD_SAMPLES_MAX ||
        (!isfinite(row->value) && !(over && s->keep_over)) ||
        (s->n && !(time > s->sample[s->n - 1].time)))
        return 0;
    s->sample[s->n++] = (struct unload_sample){
        .time = time,
        .value = over ? NAN : row->value * s->scale,
        .mark = over                                                      ? UNLOAD_OVER
                : row->flags & (STORE_FLAG_UNSTABLE | STORE_FLAG_SUSPECT) ? UNLOAD_UNSTABLE
                                                                          : UNLOAD_GOOD};
    return 0;
}

struct facts {
    double scale;
    double resolution;
};

static int keep_facts(const struct store_channel *row, void *user)
{
    struct facts *facts = user;
    bool mass = strcmp(row->quantity, "mass") == 0;

    facts->scale = mass ? GRAVITY : 1.0;
    facts->resolution = row->resolution * facts->scale;
    return 1;
}

/* A scale sends a mass or a force. */
static enum status_code find_channels(struct store *store, struct liftunload *u, struct status *st)
{
    struct status first;
    enum status_code code = steady_channel(store, u->scale_name, "mass", 0, &u->scale, &first);

    if (code != STATUS_OK && !u->scale_name &&
        steady_channel(store, NULL, "force", 0, &u->scale, st) == STATUS_OK)
        code = STATUS_OK;
    if (code != STATUS_OK)
        return status_fail(st, first.code, "scale: %s", first.text);
    code = steady_channel(store, u->current_name, "current", 0, &u->current, st);
    return code == STATUS_OK ? code : status_prefix(st, "current");
}

static double latest(struct store *store, int64_t channel, double scale)
{
    struct store_reading reading;
    struct status st;

    return store_read_latest(store, channel, &reading, &st) == STATUS_OK ? reading.value * scale
                                                                         : NAN;
}

static enum status_code read_streams(struct store *store, struct liftunload *u,
                                     const struct facts *facts, struct stream *scale,
                                     struct stream *current, struct status *st)
{
    enum status_code code;

    scale->sample = calloc(UNLOAD_SAMPLES_MAX, sizeof *scale->sample);
    current->sample = calloc(UNLOAD_SAMPLES_MAX, sizeof *current->sample);
    if (!scale->sample || !current->sample)
        return status_fail(st, STATUS_MEMORY, "no memory");
    scale->begin = current->begin = u->from;
    scale->scale = facts->scale;
    scale->keep_over = true;
    current->scale = 1.0;
    code = store_read_range(store, u->scale, u->from, u->to, keep, scale, st);
    if (code == STATUS_OK)
        code = store_read_range(store, u->current, u->from, u->to, keep, current, st);
    return code;
}

enum status_code liftunload_record(struct store *store, struct liftunload *u, struct status *st)
{
    struct facts facts = {1.0, NAN};
    struct stream scale = {0};
    struct stream current = {0};
    int64_t told = 0;
    enum status_code code = find_channels(store, u, st);

    if (code == STATUS_OK)
        code = store_bench_channel(store, u->scale, keep_facts, &facts, st);
    if (code != STATUS_OK)
        return code;
    u->from = store_now();
    u->to = u->from + (int64_t)(u->seconds * 1e6);
    while (store_now() < u->to) {
        int64_t now = store_now();

        if (u->watch && now - told >= 1000000) {
            told = now;
            if (!u->watch((double)(now - u->from) * 1e-6, latest(store, u->scale, facts.scale),
                          latest(store, u->current, 1.0), u->user)) {
                u->to = now;
                break;
            }
        }
        usleep(LOOK_EVERY_US);
    }
    usleep(FLUSH_US);
    code = read_streams(store, u, &facts, &scale, &current, st);
    if (code == STATUS_OK) {
        struct unload_input input = {.scale = scale.sample,
                                     .scales = scale.n,
                                     .current = current.sample,
                                     .currents = current.n,
                                     .resolution = facts.resolution,
                                     .block = u->block};

        code = unload_curve(&input, &u->curve, st);
    }
    free(scale.sample);
    free(current.sample);
    return code;
}

/* Which points go into the record: of the rising curve, well above nothing, spread evenly. */
static size_t choose(const struct unload_curve *curve, size_t chosen[UNLOAD_POINTS_MAX])
{
    size_t good[UNLOAD_POINTS_MAX];
    size_t n = 0;
    size_t kept = 0;

    for (size_t i = 0; i < curve->points; ++i) {
        const struct unload_point *p = &curve->point[i];

        if (!p->falling && (p->more_than || p->pull > 5.0 * p->u))
            good[n++] = i;
    }
    if (n <= LIFTUNLOAD_POINTS) {
        memcpy(chosen, good, n * sizeof *good);
        return n;
    }
    for (size_t i = 0; i < LIFTUNLOAD_POINTS; ++i)
        chosen[kept++] = good[i * (n - 1) / (LIFTUNLOAD_POINTS - 1)];
    return kept;
}

static enum status_code store_point(struct store *store, const struct coilbook_entry *entry,
                                    const struct lifttrial *t, const struct liftunload *u,
                                    const struct unload_point *p, int64_t run, const char *remark,
                                    int64_t *id, struct status *st)
{
    struct conditions c = t->conditions;
    struct store_observation o = {.run = run,
                                  .coil = entry->coil,
                                  .quantity = "force",
                                  .place = "pair",
                                  .value = p->pull,
                                  .u = p->u,
                                  .channel = u->scale,
                                  .from = u->from,
                                  .to = u->to,
                                  .n = (int64_t)u->curve.used,
                                  .remark = remark};
    int64_t instrument;
    enum status_code code;

    snprintf(c.kind, sizeof c.kind, "pull");
    c.current = p->current;
    c.current_u = 0.01 * p->current;
    c.bound = p->more_than ? CONDITIONS_ABOVE : CONDITIONS_EQUAL;
    c.keeper = CONDITIONS_YES;
    code = steady_instrument(store, u->scale, &instrument, &c, st);
    return code == STATUS_OK ? recording_add(store, &o, &c, 0, id, st) : code;
}

enum status_code liftunload_store(struct store *store, const struct coilbook_entry *entry,
                                  const struct lifttrial *t, struct liftunload *u,
                                  struct status *st)
{
    size_t chosen[UNLOAD_POINTS_MAX];
    size_t n = choose(&u->curve, chosen);
    char remark[400];
    int64_t run;
    size_t used;
    enum status_code code;

    if (n == 0)
        return status_fail(st, STATUS_INPUT,
                           "the scale lost nothing that can be told from its digits: a stronger "
                           "current, a smaller gap, or a finer scale");
    code = sitting_join(store, entry, &run, st);
    used = (size_t)snprintf(remark, sizeof remark, REMARK ", lag %.2g s, scatter %.2g N",
                            u->curve.lag, u->curve.scatter);
    if (isfinite(u->curve.hysteresis))
        used += (size_t)snprintf(remark + used, sizeof remark - used,
                                 ", falling current up to %.0f %% above rising",
                                 100.0 * u->curve.hysteresis);
    if (t->shim[0])
        used += (size_t)snprintf(remark + used, sizeof remark - used, ", shim of %s", t->shim);
    if (t->remark[0])
        snprintf(remark + used, sizeof remark - used, "; %s", t->remark);
    for (size_t i = 0; i < n && code == STATUS_OK; ++i) {
        code =
            store_point(store, entry, t, u, &u->curve.point[chosen[i]], run, remark, &u->last, st);
        if (i == 0)
            u->first = u->last;
    }
    return code;
}

struct curve_rows {
    int64_t from; /* of the latest curve */
    size_t n;
    struct store_observation row[UNLOAD_POINTS_MAX];
};

static int keep_curve(const struct store_observation *row, void *user)
{
    struct curve_rows *rows = user;

    if (row->typed || !row->remark || strncmp(row->remark, REMARK, strlen(REMARK)) != 0)
        return 0;
    if (row->from != rows->from) {
        rows->from = row->from;
        rows->n = 0;
    }
    if (rows->n == UNLOAD_POINTS_MAX)
        return 0;
    rows->row[rows->n] = *row;
    ++rows->n;
    return 0;
}

enum status_code liftunload_withdraw(struct store *store, const struct coilbook_entry *entry,
                                     int *points, struct status *st)
{
    struct curve_rows *rows = calloc(1, sizeof *rows);
    enum status_code code;

    *points = 0;
    if (!rows)
        return status_fail(st, STATUS_MEMORY, "no memory");
    code = store_evidence_observations(store, entry->coil, 0, false, keep_curve, rows, st);
    if (code == STATUS_OK && rows->n == 0)
        code = status_fail(st, STATUS_NOT_FOUND, "no curve of unloading of %s stands",
                           entry->design.name);
    for (size_t i = 0; i < rows->n && code == STATUS_OK; ++i) {
        struct store_observation *o = &rows->row[i];
        int64_t old = o->id;
        int64_t id;

        o->quantity = "force";
        o->place = "pair";
        o->time = 0;
        o->conditions = "{\"kind\":\"" LIFTTRIAL_WITHDRAWN "\"}";
        o->remark = "withdraws a point of a curve";
        code = store_evidence_add_observation(store, o, &id, st);
        if (code == STATUS_OK)
            code = store_evidence_supersede_observation(store, old, id, st);
        *points += code == STATUS_OK;
    }
    free(rows);
    return code;
}
