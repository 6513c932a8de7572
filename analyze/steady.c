#include "analyze/steady.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "analyze/infer/settle.h"
#include "db/quantity.h"
#include "db/store_bench.h"
#include "db/store_read.h"
#include "db/units.h"

#define LOOK_EVERY_US 150000
#define FRESH_US      60000000LL
#define STREAM_MAX    4096 /* readings looked back on */

/* Readings that say nothing of a steady value. */
#define NOT_STEADY (STORE_FLAG_HOLD | STORE_FLAG_MIN | STORE_FLAG_MAX | STORE_FLAG_OUT_OF_SYNC)
#define DOUBTFUL   (STORE_FLAG_UNSTABLE | STORE_FLAG_SUSPECT | STORE_FLAG_LOW_BATTERY)

struct stream {
    double time[STREAM_MAX];
    double value[STREAM_MAX];
    int64_t stamp[STREAM_MAX];
    uint32_t flags[STREAM_MAX];
    size_t n;
    size_t overloads; /* in a row, up to the last reading */
    int64_t overload_from;
    double range;
    double raw;
    int64_t calibration;
    int64_t begin;
    int64_t last;
};

struct steady_options steady_options_default(void)
{
    return (struct steady_options){.timeout = 60.0, .stretch = 2.0};
}

static int keep_reading(const struct store_reading *row, void *user)
{
    struct stream *s = user;

    s->last = row->time;
    if (row->flags & NOT_STEADY)
        return 0;
    s->range = row->range;
    if (!isfinite(row->value)) {
        if (row->flags & STORE_FLAG_OVERLOAD) {
            if (!s->overloads++)
                s->overload_from = row->time;
            s->n = 0; /* what came before the overload belongs to another connection */
        }
        return 0;
    }
    s->overloads = 0;
    if (s->n == STREAM_MAX) {
        size_t half = STREAM_MAX / 2;

        memmove(s->time, s->time + half, half * sizeof *s->time);
        memmove(s->value, s->value + half, half * sizeof *s->value);
        memmove(s->stamp, s->stamp + half, half * sizeof *s->stamp);
        memmove(s->flags, s->flags + half, half * sizeof *s->flags);
        s->n = half;
    }
    s->time[s->n] = (double)(row->time - s->begin) * 1e-6;
    s->value[s->n] = row->value;
    s->stamp[s->n] = row->time;
    s->flags[s->n] = row->flags;
    s->raw = row->raw;
    s->calibration = row->calibration;
    ++s->n;
    return 0;
}

/* What must be known of the channel. */
struct about {
    double resolution;
    const struct quantity *quantity;
};

static int keep_about(const struct store_channel *row, void *user)
{
    struct about *about = user;

    about->resolution = row->resolution;
    about->quantity = quantity_find(row->quantity);
    return 1;
}

/* Splits the maker's limits into the part that goes with the reading and the rest. */
static void put_accuracy(struct store *store, const struct stream *s, struct steady_value *value)
{
    struct store_calibration calibration;
    struct status st;

    value->accuracy_rel = value->accuracy_abs = NAN;
    if (!s->calibration ||
        store_bench_calibration_by_id(store, s->calibration, &calibration, &st) != STATUS_OK)
        return;
    for (size_t i = 0; i < calibration.n_accuracy; ++i) {
        const struct store_accuracy *a = &calibration.accuracy[i];
        double whole = store_bench_half_width(&calibration, s->raw);

        if (isfinite(a->range) && fabs(s->raw) > a->range && i + 1 < calibration.n_accuracy)
            continue;
        if (!isfinite(whole))
            return;
        value->accuracy_rel =
            a->fraction + (isfinite(calibration.shunt_tolerance) ? calibration.shunt_tolerance : 0);
        value->accuracy_abs = fmax(0.0, whole - value->accuracy_rel * fabs(value->value));
        return;
    }
}

static void put_settled(struct store *store, const struct stream *s,
                        const struct settle_result *result, double resolution,
                        struct steady_value *value)
{
    *value = (struct steady_value){.value = result->mean,
                                   .u = result->u,
                                   .resolution = resolution,
                                   .from = s->stamp[s->n - result->n],
                                   .to = s->stamp[s->n - 1],
                                   .n = (int64_t)result->n};
    for (size_t i = s->n - result->n; i < s->n; ++i)
        value->doubtful |= (s->flags[i] & DOUBTFUL) != 0;
    put_accuracy(store, s, value);
}

static enum status_code too_late(const struct stream *s, const struct settle_result *result,
                                 const struct about *about, double seconds, struct status *st)
{
    const struct quantity *quantity = about->quantity;
    /* a change of a temperature is in kelvin, not in degrees from zero */
    const char *unit = quantity ? quantity->unit : "";
    char last[UNITS_FORMAT_SIZE];

    if (s->n == 0 && s->last > s->begin)
        return status_fail(
            st, STATUS_TIMEOUT,
            "readings came in %.0f s, but none with a value that can be used: "
            "overload, hold, or not understood ('truewound readings --events' tells)",
            seconds);
    if (s->n == 0)
        return status_fail(
            st, STATUS_TIMEOUT,
            "no reading came in %.0f s; is truewoundd running and the instrument on? "
            "('truewound readings --events' tells)",
            seconds);
    return status_fail(
        st, STATUS_TIMEOUT,
        "not steady after %.0f s: last %s, changing by %.2g %s a second, scatter %.2g %s; allow "
        "more time (--timeout), check the contacts, let the coil cool, or take it by hand with "
        "'observe'",
        seconds, units_format(last, sizeof last, s->value[s->n - 1], NAN, quantity), result->slope,
        unit, result->sd, unit);
}

enum status_code steady_take(struct store *store, int64_t channel,
                             const struct steady_options *options, struct steady_value *value,
                             struct status *st)
{
    struct settle_criteria settle = {
        .resolution = NAN, .tolerance = options->tolerance, .window = options->stretch, .least = 6};
    struct about about = {.resolution = NAN};
    struct settle_result result = {0};
    struct stream *s = calloc(1, sizeof *s);
    double seconds = 0.0;
    enum status_code code;

    if (!s)
        return status_fail(st, STATUS_MEMORY, "no memory");
    code = store_bench_channel(store, channel, keep_about, &about, st);
    settle.resolution = about.resolution;
    s->begin = s->last = store_now();
    while (code == STATUS_OK) {
        code = store_read_range(store, channel, s->last + 1, INT64_MAX, keep_reading, s, st);
        seconds = (double)(store_now() - s->begin) * 1e-6;
        if (code != STATUS_OK)
            break;
        settle_judge(s->time, s->value, s->n, &settle, &result);
        if (result.state == SETTLE_STEADY && !s->overloads) {
            put_settled(store, s, &result, settle.resolution, value);
            break;
        }
        if (s->overloads >= 3 &&
            (double)(s->last - s->overload_from) * 1e-6 >= options->stretch / 2) {
            *value = (struct steady_value){.overload = true,
                                           .value = s->range,
                                           .u = NAN,
                                           .accuracy_rel = NAN,
                                           .accuracy_abs = NAN,
                                           .resolution = settle.resolution,
                                           .from = s->overload_from,
                                           .to = s->last,
                                           .n = (int64_t)s->overloads};
            break;
        }
        if (seconds > options->timeout ||
            (options->watch && !options->watch(s->overloads || !s->n ? NAN : s->value[s->n - 1],
                                               seconds, options->user)))
            code = too_late(s, &result, &about, seconds, st);
        else
            usleep(LOOK_EVERY_US);
    }
    free(s);
    return code;
}

struct choosing {
    struct store *store;
    const char *quantity;
    int64_t instrument; /* preferred */
    int64_t now;
    int64_t found;
    int found_rank; /* 2 fresh and preferred, 1 fresh */
    int equals;     /* how many of that rank */
    char names[256];
    size_t used;
    char owner[CONDITIONS_WORD_SIZE]; /* instrument of the channel looked at */
    int64_t owner_id;
};

static int keep_owner_word(const struct store_instrument *row, void *user)
{
    struct choosing *c = user;

    if (row->id != c->owner_id)
        return 0;
    snprintf(c->owner, sizeof c->owner, "%s", row->name);
    return 1;
}

static int weigh_channel(const struct store_channel *row, void *user)
{
    struct choosing *c = user;
    struct store_reading latest;
    struct status st;
    int rank;

    if (strcmp(row->quantity, c->quantity) != 0)
        return 0;
    if (store_read_latest(c->store, row->id, &latest, &st) != STATUS_OK ||
        c->now - latest.time > FRESH_US || (latest.flags & (STORE_FLAG_MIN | STORE_FLAG_MAX)))
        return 0;
    rank = c->instrument && row->instrument == c->instrument ? 2 : 1;
    c->owner_id = row->instrument;
    c->owner[0] = '\0';
    store_bench_instruments(c->store, keep_owner_word, c, &st);
    if (c->used < sizeof c->names)
        c->used += (size_t)snprintf(c->names + c->used, sizeof c->names - c->used, "%s%s.%s",
                                    c->used ? ", " : "", c->owner, row->name);
    if (rank > c->found_rank) {
        c->found_rank = rank;
        c->found = row->id;
        c->equals = 1;
    } else if (rank == c->found_rank)
        ++c->equals;
    return 0;
}

enum status_code steady_channel(struct store *store, const char *name, const char *quantity,
                                int64_t instrument, int64_t *channel, struct status *st)
{
    struct choosing c = {
        .store = store, .quantity = quantity, .instrument = instrument, .now = store_now()};
    enum status_code code;

    if (name)
        return store_bench_find_channel(store, name, channel, st);
    code = store_bench_channels(store, 0, weigh_channel, &c, st);
    if (code != STATUS_OK)
        return code;
    if (!c.found)
        return status_fail(st, STATUS_NOT_FOUND,
                           "no channel has sent a %s in the last minute; is truewoundd running? "
                           "('truewound readings' shows the channels)",
                           quantity);
    if (c.equals > 1)
        return status_fail(st, STATUS_INPUT,
                           "several channels send a %s: %s; choose one with --channel", quantity,
                           c.names);
    *channel = c.found;
    return STATUS_OK;
}

struct owner {
    int64_t instrument;
    char *name;
    size_t size;
};

static int keep_owner(const struct store_channel *row, void *user)
{
    ((struct owner *)user)->instrument = row->instrument;
    return 1;
}

static int keep_owner_name(const struct store_instrument *row, void *user)
{
    struct owner *owner = user;

    if (row->id != owner->instrument)
        return 0;
    snprintf(owner->name, owner->size, "%s", row->name);
    return 1;
}

enum status_code steady_instrument(struct store *store, int64_t channel, int64_t *instrument,
                                   struct conditions *conditions, struct status *st)
{
    struct owner owner = {.name = conditions->instrument, .size = sizeof conditions->instrument};
    enum status_code code = store_bench_channel(store, channel, keep_owner, &owner, st);

    if (code == STATUS_OK)
        code = store_bench_instruments(store, keep_owner_name, &owner, st);
    *instrument = owner.instrument;
    return code;
}

bool steady_channel_called(struct store *store, const char *word, char *full, size_t size)
{
    struct conditions owner;
    struct status st;
    int64_t instrument = 0;
    int64_t channel = 0;

    *full = '\0';
    conditions_init(&owner);
    if (store_bench_find_channel(store, word, &channel, &st) != STATUS_OK ||
        steady_instrument(store, channel, &instrument, &owner, &st) != STATUS_OK)
        return false;
    snprintf(full, size, "%s.%s", owner.instrument, word);
    return true;
}
