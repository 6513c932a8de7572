#include "acquire/logger.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "acquire/unitword.h"
#include "db/quantity.h"
#include "db/store_bench.h"
#include "db/store_evidence.h"
#include "db/store_retain.h"
#include "db/units.h"

#define KINDS_MAX    24       /* kinds of events counted for one instrument */
#define KIND_FREE    10       /* events of one kind kept within a minute */
#define MINUTE       60000000 /* us */
#define RETAIN_EVERY ((int64_t)3600 * 1000000)
#define RETAIN_HOLD  ((int64_t)86400 * 1000000)
#define BATCH_SPACING                                                                              \
    1000 /* us: a reading that is not later than the one before by less than                       \
            this came in the same read */

/* How often a kind of event came lately. */
struct kind_count {
    char kind[24];
    int64_t since; /* mono */
    unsigned kept;
    unsigned left_out;
};

/* A unit that a line stated, and how it becomes the channel's unit. */
struct unit_seen {
    char text[DRIVER_UNIT_MAX];
    bool known;
    bool bad;
    bool ac;
    double scale, offset; /* number in the channel's unit = number * scale + offset */
};

struct logger_channel {
    const struct benchfile_channel *bench;
    const char *dimension; /* SI unit of what the instrument sends */
    int64_t id;
    int64_t calibration; /* 0: none */
    struct store_calibration terms;
    struct unit_seen unit;
    struct logger_last last;
    int64_t last_time;
};

struct logger_instrument {
    const struct benchfile_instrument *bench;
    int64_t id;
    size_t channels;
    struct logger_channel *channel;
    struct kind_count kind[KINDS_MAX];
};

struct logger {
    struct store *store;
    struct units *units;
    const struct log *log;
    char *path;
    int64_t flush; /* us */
    int64_t due;   /* mono */
    double retention;
    int64_t retain_due;
    bool stopped; /* the last flush failed */
    struct kind_count kind[KINDS_MAX];
};

enum status_code logger_open(const char *database, double flush, double retention,
                             const struct log *log, struct logger **result, struct status *st)
{
    struct logger *logger = calloc(1, sizeof *logger);
    enum status_code code;

    *result = NULL;
    if (!logger || !(logger->path = strdup(database))) {
        free(logger);
        return status_fail(st, STATUS_MEMORY, "no memory");
    }
    logger->log = log;
    code = units_open(&logger->units, st);
    if (code == STATUS_OK)
        code = store_open(database, STORE_DAEMON, &logger->store, st);
    if (code != STATUS_OK) {
        units_close(logger->units);
        free(logger->path);
        free(logger);
        return code;
    }
    logger_set(logger, flush, retention);
    *result = logger;
    return code;
}

void logger_set(struct logger *logger, double flush, double retention)
{
    logger->flush = llround(flush * 1e6);
    logger->retention = retention;
    logger->due = 0;
}

void logger_clock_stepped(struct logger *logger, const struct driver_time *now)
{
    logger->retain_due = now->mono + RETAIN_HOLD;
}

enum status_code logger_close(struct logger *logger, struct status *st)
{
    enum status_code code;

    if (!logger)
        return status_ok(st);
    code = store_close(logger->store, st);
    units_close(logger->units);
    free(logger->path);
    free(logger);
    return code;
}

const char *logger_path(const struct logger *logger)
{
    return logger->path;
}

void logger_state(const struct logger *logger, struct store_ingest_state *state)
{
    store_ingest_state(logger->store, state);
}

/* ---- instruments ---- */

/* Puts the calibration on record when it differs from the one in force. */
static enum status_code register_calibration(struct logger *logger, struct logger_channel *channel,
                                             int64_t now, struct status *st)
{
    const struct calibration *c = &channel->bench->calibration;
    struct store_calibration in_force;
    enum status_code code;
    char remark[64];

    calibration_compose(c, &channel->terms);
    code = store_bench_calibration(logger->store, channel->id, now, &in_force, st);
    if (code == STATUS_OK && calibration_same(&channel->terms, &in_force)) {
        channel->calibration = in_force.id;
        return code;
    }
    if (code != STATUS_OK && code != STATUS_NOT_FOUND)
        return code;
    channel->terms.channel = channel->id;
    channel->terms.time = now;
    snprintf(remark, sizeof remark, "from the bench file%s%s", c->date[0] ? ", calibrated " : "",
             c->date);
    channel->terms.remark = remark;
    code = store_bench_add_calibration(logger->store, &channel->terms, &channel->calibration, st);
    channel->terms.remark = NULL;
    return code;
}

static enum status_code register_channel(struct logger *logger,
                                         struct logger_instrument *instrument,
                                         struct logger_channel *channel, int64_t now,
                                         struct status *st)
{
    const struct benchfile_channel *bench = channel->bench;
    const struct quantity *quantity = quantity_find(bench->quantity);
    const struct calibration *c = &bench->calibration;
    bool bare = c->scale != 1.0 || c->offset != 0.0; /* the number itself has no unit then */
    struct store_channel row = {
        .instrument = instrument->id,
        .name = bench->name,
        .quantity = bench->quantity,
        .raw_unit = bare ? "1" : bench->unit,
        .divisor = NAN,
        .resolution = isnan(bench->resolution)
                          ? (double)NAN
                          : fabs(bench->resolution * c->unit_factor * c->gain) /
                                (isnan(c->shunt) ? 1.0 : c->shunt),
    };
    enum status_code code;

    if (!quantity)
        return status_fail(st, STATUS_INPUT, "%s.%s: unknown quantity", instrument->bench->name,
                           bench->name);
    channel->dimension = isnan(c->shunt) ? quantity->unit : "V";
    code = store_bench_put_channel(logger->store, &row, &channel->id, st);
    if (code == STATUS_OK)
        code = register_calibration(logger, channel, now, st);
    if (code != STATUS_OK)
        status_prefix(st, "%s.%s", instrument->bench->name, bench->name);
    return code;
}

enum status_code logger_register(struct logger *logger, const struct benchfile_instrument *bench,
                                 const struct driver_time *now, struct logger_instrument **result,
                                 struct status *st)
{
    struct store_instrument row = {
        .name = bench->name, .driver = bench->driver, .port = bench->port};
    struct logger_instrument *instrument = calloc(1, sizeof *instrument);
    enum status_code code;

    *result = NULL;
    if (!instrument ||
        !(instrument->channel = calloc(bench->channels, sizeof *instrument->channel))) {
        free(instrument);
        return status_fail(st, STATUS_MEMORY, "no memory");
    }
    instrument->bench = bench;
    instrument->channels = bench->channels;
    code = store_bench_put_instrument(logger->store, &row, &instrument->id, st);
    for (size_t i = 0; code == STATUS_OK && i < bench->channels; ++i) {
        instrument->channel[i].bench = &bench->channel[i];
        code = register_channel(logger, instrument, &instrument->channel[i], now->wall, st);
    }
    if (code != STATUS_OK) {
        logger_forget(instrument);
        return code;
    }
    *result = instrument;
    return code;
}

void logger_forget(struct logger_instrument *instrument)
{
    if (!instrument)
        return;
    free(instrument->channel);
    free(instrument);
}

void logger_identity(struct logger *logger, struct logger_instrument *instrument,
                     const char *identity)
{
    const struct benchfile_instrument *bench = instrument->bench;
    char text[STORE_NAME_MAX];
    struct store_instrument row = {
        .name = bench->name, .driver = bench->driver, .port = bench->port, .identity = text};
    struct status st;
    int64_t id;

    snprintf(text, sizeof text, "%.*s", STORE_NAME_MAX - 4, identity);
    log_clean(text);
    if (store_bench_put_instrument(logger->store, &row, &id, &st) != STATUS_OK)
        log_line(logger->log, DRIVER_WARNING, "%s: identity not recorded: %s", bench->name,
                 st.text);
}

/* ---- events ---- */

/* The count of the kind; an old one is taken over when all are in use. */
static struct kind_count *find_kind(struct kind_count *kinds, const char *kind)
{
    struct kind_count *oldest = kinds;

    for (size_t i = 0; i < KINDS_MAX; ++i) {
        if (strncmp(kinds[i].kind, kind, sizeof kinds[i].kind - 1) == 0)
            return &kinds[i];
        if (!kinds[i].kind[0]) {
            oldest = &kinds[i];
            break;
        }
        if (kinds[i].since < oldest->since)
            oldest = &kinds[i];
    }
    *oldest = (struct kind_count){.since = INT64_MIN / 2};
    snprintf(oldest->kind, sizeof oldest->kind, "%s", kind);
    return oldest;
}

void logger_event(struct logger *logger, struct logger_instrument *instrument,
                  const struct driver_time *time, enum driver_severity severity, const char *kind,
                  const char *text, bool always)
{
    struct kind_count *count = find_kind(instrument ? instrument->kind : logger->kind, kind);
    char whole[STATUS_TEXT_SIZE];
    struct store_event row = {.time = time->wall,
                              .monotonic = time->mono,
                              .instrument = instrument ? instrument->id : 0,
                              .kind = kind,
                              .text = whole};
    struct status st;

    if (time->mono - count->since >= MINUTE) {
        count->since = time->mono;
        count->kept = 0;
    }
    if (!always && count->kept >= KIND_FREE) {
        ++count->left_out;
        return;
    }
    ++count->kept;
    if (count->left_out > 0)
        snprintf(whole, sizeof whole, "%.400s (and %u more of this kind before)", text,
                 count->left_out);
    else
        snprintf(whole, sizeof whole, "%.480s", text);
    count->left_out = 0;
    log_clean(whole);
    log_line(logger->log, severity, "%s%s%s [%s]", instrument ? instrument->bench->name : "",
             instrument ? ": " : "", whole, kind);
    if (store_ingest_event(logger->store, &row, &st) != STATUS_OK)
        log_line(logger->log, DRIVER_ERROR, "the event could not be kept: %s", st.text);
}

/* ---- readings ---- */

/* Finds how the stated unit becomes the channel's; remembered until another unit is stated. */
static const struct unit_seen *convert_unit(struct logger *logger, struct logger_channel *channel,
                                            const char *text)
{
    struct unit_seen *unit = &channel->unit;
    struct unitword word = {.factor = 1.0};
    double scale, offset;
    const struct calibration *c = &channel->bench->calibration;

    if (unit->known && strcmp(unit->text, text) == 0)
        return unit;
    *unit = (struct unit_seen){.known = true, .scale = 1.0};
    snprintf(unit->text, sizeof unit->text, "%s", text);
    if (strcmp(text, channel->bench->unit) == 0)
        return unit;
    if (unitword_read(text, channel->dimension, &word))
        text = word.unit;
    else if (strcmp(channel->dimension, "kg") == 0)
        unit->bad = true;
    if (unit->bad || units_convert_factor(logger->units, text, channel->dimension, &scale, &offset,
                                          NULL) != STATUS_OK) {
        unit->bad = true;
        return unit;
    }
    unit->ac = word.ac;
    unit->scale = scale * word.factor / c->unit_factor;
    unit->offset = (offset - c->unit_offset) / c->unit_factor;
    return unit;
}

void logger_add(struct logger *logger, struct logger_instrument *instrument,
                const struct driver_reading *reading, const struct driver_time *time,
                uint32_t extra)
{
    struct logger_channel *channel;
    struct store_reading row = {.time = time->wall, .flags = reading->flags | extra};
    double shown;
    char text[200];

    if (reading->channel >= instrument->channels)
        return;
    channel = &instrument->channel[reading->channel];
    row.channel = channel->id;
    row.calibration = channel->calibration;
    row.raw = isfinite(reading->number) ? reading->number : (double)NAN;
    row.range = isfinite(reading->range) ? reading->range : (double)NAN;
    if (reading->unit[0] && !isnan(row.raw)) {
        const struct unit_seen *unit = convert_unit(logger, channel, reading->unit);

        if (unit->bad) {
            /* Nobody knows how much this is: the number must not pass for the channel's unit. */
            row.raw = NAN;
            row.flags |= STORE_FLAG_SUSPECT;
            snprintf(text, sizeof text,
                     "%s: the instrument says '%s', which is no unit of %s; the reading has no "
                     "value",
                     channel->bench->name, reading->unit, channel->bench->quantity);
            logger_event(logger, instrument, time, DRIVER_WARNING, "unit", text, false);
        } else {
            row.flags |= unit->ac ? STORE_FLAG_AC : 0U;
            row.raw = row.raw * unit->scale + unit->offset;
            row.range = row.range * unit->scale + unit->offset;
        }
    }
    shown = row.raw * channel->bench->calibration.scale + channel->bench->calibration.offset;
    if (shown < channel->bench->limit_low || shown > channel->bench->limit_high)
        row.flags |= STORE_FLAG_SUSPECT;
    /* Two lines of one read have one stamp, and may hold the same number: they are two readings. */
    if (row.time <= channel->last_time && row.time > channel->last_time - BATCH_SPACING)
        row.time = channel->last_time + 1;
    channel->last_time = row.time;
    channel->last.any = true;
    channel->last.time = row.time;
    channel->last.raw = row.raw;
    channel->last.value = store_bench_value(&channel->terms, row.raw);
    channel->last.flags = row.flags;
    ++channel->last.count;
    /* A full buffer is counted by the store, and told of when storing works again. */
    store_ingest_reading(logger->store, &row, NULL);
}

const struct logger_last *logger_last(const struct logger_instrument *instrument, size_t channel)
{
    return channel < instrument->channels ? &instrument->channel[channel].last : NULL;
}

enum status_code logger_capture(struct logger *logger, struct logger_instrument *instrument,
                                const struct driver_capture *capture, int64_t began, int64_t *id,
                                struct status *st)
{
    struct logger_channel *channel;
    struct store_capture row = {.rate = capture->rate,
                                .n = (int64_t)capture->count,
                                .lost = (int64_t)capture->missing,
                                .time = began,
                                .flags = capture->flags,
                                .type = STORE_FLOAT32};
    double scale = 1.0, offset = 0.0;
    enum status_code code;
    float *samples;

    if (capture->channel >= instrument->channels || capture->count == 0 ||
        capture->count > DRIVER_SAMPLES_MAX || !(capture->rate > 0.0))
        return status_fail(st, STATUS_INPUT, "%s: a block without channel, rate or samples",
                           instrument->bench->name);
    channel = &instrument->channel[capture->channel];
    row.channel = channel->id;
    if (capture->unit[0]) {
        const struct unit_seen *unit = convert_unit(logger, channel, capture->unit);

        if (unit->bad)
            return status_fail(st, STATUS_INPUT, "%s.%s: '%s' is no unit of %s",
                               instrument->bench->name, channel->bench->name, capture->unit,
                               channel->bench->quantity);
        scale = unit->scale;
        offset = unit->offset;
    }
    samples = malloc(capture->count * sizeof *samples);
    if (!samples)
        return status_fail(st, STATUS_MEMORY, "no memory for %zu samples", capture->count);
    for (size_t i = 0; i < capture->count; ++i)
        samples[i] = (float)(capture->sample[i] * scale + offset);
    /* The calibration is a straight line: two points give it. */
    row.offset = store_bench_value(&channel->terms, 0.0);
    row.scale = store_bench_value(&channel->terms, 1.0) - row.offset;
    row.samples = samples;
    row.size = capture->count * sizeof *samples;
    code = store_evidence_add_capture(logger->store, &row, id, st);
    free(samples);
    return code;
}

/* ---- flushing ---- */

int64_t logger_due(const struct logger *logger)
{
    return logger->due;
}

/* Lets old raw readings go, a slice at a time, when there is nothing more pressing. */
static void retain(struct logger *logger, const struct driver_time *now)
{
    struct status st;
    bool left = false;

    if (!isfinite(logger->retention) || now->mono < logger->retain_due)
        return;
    if (store_retain(logger->store, now->wall - llround(logger->retention * 1e6), 0, &left, &st) !=
        STATUS_OK)
        log_line(logger->log, DRIVER_WARNING, "old readings could not be let go: %s", st.text);
    logger->retain_due = left ? now->mono : now->mono + RETAIN_EVERY;
}

enum status_code logger_flush(struct logger *logger, const struct driver_time *now, bool force,
                              struct status *st)
{
    struct store_ingest_state state;
    enum status_code code;

    if (!force && now->mono < logger->due)
        return status_ok(st);
    logger->due += logger->flush;
    if (logger->due <= now->mono)
        logger->due = now->mono + logger->flush;
    code = store_ingest_flush(logger->store, st);
    if (code != STATUS_OK && !logger->stopped) {
        logger->stopped = true;
        log_line(logger->log, DRIVER_ERROR, "storing stopped (readings are kept in memory): %s",
                 st ? st->text : "");
    } else if (code == STATUS_OK && logger->stopped) {
        store_ingest_state(logger->store, &state);
        logger->stopped = false;
        log_line(logger->log, DRIVER_INFO, "storing works again; %llu readings were lost so far",
                 (unsigned long long)state.lost);
    }
    if (code == STATUS_OK)
        retain(logger, now);
    return code;
}
