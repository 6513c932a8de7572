#include "acquire/benchfile.h"

#include <ctype.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#include "acquire/benchvalue.h"
#include "acquire/driver.h"
#include "acquire/unitword.h"
#include "db/inifile.h"
#include "db/quantity.h"
#include "db/units.h"

#define SECTION_MAX 49 /* inih cuts longer names of sections and keys without a word */

struct benchfile_values {
    struct work *work; /* while a driver checks the section: where its faults go; else NULL */
    const char *file;
    char section[SECTION_MAX + 1];
    int line;
    bool faulty; /* the tables found a fault in it */
    size_t count;
    size_t room;
    struct benchvalue *value;
};

/* A [section] heading, found by a scan of the text: inih does not tell of empty sections. */
struct heading {
    char name[SECTION_MAX + 2];
    int line;
};

/* What the reading of one file shares. */
struct work {
    struct inifile *file;
    struct benchfile *bench;
    struct heading *heading;
    size_t headings;
    struct units *units; /* opened when a unit is met that is not SI: it takes time */
    benchfile_report report;
    void *to;
    struct status *st;
    size_t faults;
};

static const struct benchfile_key store_keys[] = {
    {.name = "database", .kind = BENCHFILE_TEXT},
    {.name = "flush", .kind = BENCHFILE_TIME, .standard = "1 s", .min = 0.05, .max = 60},
    {.name = "keep", .kind = BENCHFILE_TEXT, .standard = "for ever"},
    {.name = NULL},
};

static const struct benchfile_key instrument_keys[] = {
    {.name = "driver", .kind = BENCHFILE_TEXT, .required = true},
    {.name = "port", .kind = BENCHFILE_TEXT, .required = true},
    {.name = "identity", .kind = BENCHFILE_TEXT, .standard = ""},
    {.name = "baud", .kind = BENCHFILE_INTEGER, .standard = "9600", .min = 50, .max = 4000000},
    {.name = "bits", .kind = BENCHFILE_INTEGER, .standard = "8", .min = 5, .max = 8},
    {.name = "parity",
     .kind = BENCHFILE_CHOICE,
     .standard = "none",
     .choices = "none even odd mark space"},
    {.name = "stop", .kind = BENCHFILE_INTEGER, .standard = "1", .min = 1, .max = 2},
    {.name = "flow",
     .kind = BENCHFILE_CHOICE,
     .standard = "none",
     .choices = "none rtscts xonxoff dtrdsr"},
    {.name = "dtr", .kind = BENCHFILE_SWITCH, .standard = "yes"},
    {.name = "rts", .kind = BENCHFILE_SWITCH, .standard = "yes"},
    {.name = "wake", .kind = BENCHFILE_TIME, .standard = "0 s", .max = 60},
    {.name = "interval", .kind = BENCHFILE_TIME, .standard = "1 s", .min = 0, .max = 864000},
    {.name = "timeout", .kind = BENCHFILE_TIME, .standard = "5 s", .min = 0.01, .max = 600},
    {.name = "pause", .kind = BENCHFILE_TIME, .standard = "20 ms", .max = 60},
    {.name = "silent", .kind = BENCHFILE_TIME, .min = 0.1, .max = 8640000},
    {.name = "retry", .kind = BENCHFILE_TIME, .standard = "0.5 s", .min = 0.01, .max = 3600},
    {.name = "retry_most", .kind = BENCHFILE_TIME, .standard = "10 s", .min = 0.01, .max = 86400},
    {.name = "command", .kind = BENCHFILE_LIST},
    {.name = NULL},
};

static const struct benchfile_key channel_keys[] = {
    {.name = "quantity", .kind = BENCHFILE_TEXT, .required = true},
    {.name = "unit", .kind = BENCHFILE_TEXT},
    {.name = "when", .kind = BENCHFILE_CHOICE, .standard = "always", .choices = "always asked"},
    {.name = "scale", .kind = BENCHFILE_NUMBER, .standard = "1", .min = -1e30, .max = 1e30},
    {.name = "offset", .kind = BENCHFILE_NUMBER, .standard = "0", .min = -1e30, .max = 1e30},
    {.name = "shunt", .kind = BENCHFILE_NUMBER, .min = 1e-9, .max = 1e9},
    {.name = "shunt_tolerance", .kind = BENCHFILE_NUMBER, .standard = "0", .min = 0, .max = 50},
    {.name = "lead_null", .kind = BENCHFILE_NUMBER, .standard = "0", .min = -1e30, .max = 1e30},
    {.name = "point1", .kind = BENCHFILE_TEXT},
    {.name = "point2", .kind = BENCHFILE_TEXT},
    {.name = "gain", .kind = BENCHFILE_NUMBER, .standard = "1", .min = -1e30, .max = 1e30},
    {.name = "zero", .kind = BENCHFILE_NUMBER, .standard = "0", .min = -1e30, .max = 1e30},
    {.name = "gain_uncertainty", .kind = BENCHFILE_NUMBER, .standard = "0", .min = 0, .max = 100},
    {.name = "calibrated", .kind = BENCHFILE_TEXT, .standard = ""},
    {.name = "accuracy", .kind = BENCHFILE_LIST},
    {.name = "resolution", .kind = BENCHFILE_NUMBER, .min = 1e-30, .max = 1e30},
    {.name = "wires", .kind = BENCHFILE_INTEGER, .min = 2, .max = 4},
    {.name = "lowest", .kind = BENCHFILE_NUMBER, .min = -1e30, .max = 1e30},
    {.name = "highest", .kind = BENCHFILE_NUMBER, .min = -1e30, .max = 1e30},
    {.name = NULL},
};

/* ---- faults ---- */

static void fault(struct work *work, const char *format, ...) __attribute__((format(printf, 2, 3)));

static void fault(struct work *work, const char *format, ...)
{
    char text[STATUS_TEXT_SIZE];
    va_list args;

    va_start(args, format);
    vsnprintf(text, sizeof text, format, args);
    va_end(args);
    if (work->faults++ == 0)
        status_fail(work->st, STATUS_INPUT, "%s", text);
    if (work->report)
        work->report(work->to, text);
}

enum status_code benchfile_fail(const struct benchfile_values *values, const char *key,
                                struct status *st, const char *format, ...)
{
    char text[STATUS_TEXT_SIZE];
    va_list args;

    va_start(args, format);
    vsnprintf(text, sizeof text, format, args);
    va_end(args);
    if (values->work)
        fault(values->work, "%s:%d: [%s] %s: %s", values->file, benchfile_line(values, key),
              values->section, key, text);
    return status_fail(st, STATUS_INPUT, "%s:%d: [%s] %s: %s", values->file,
                       benchfile_line(values, key), values->section, key, text);
}

/* How many letters must change to make b of a; for 'did you mean'. Words here are short. */
static size_t word_distance(const char *a, const char *b)
{
    size_t row[SECTION_MAX + 2];
    size_t nb = strlen(b);

    if (nb > SECTION_MAX)
        return SIZE_MAX;
    for (size_t j = 0; j <= nb; ++j)
        row[j] = j;
    for (size_t i = 0; a[i]; ++i) {
        size_t before = row[0];

        row[0] = i + 1;
        for (size_t j = 1; j <= nb; ++j) {
            size_t change = before + (a[i] != b[j - 1]);
            size_t least = row[j] < row[j - 1] ? row[j] + 1 : row[j - 1] + 1;

            before = row[j];
            row[j] = change < least ? change : least;
        }
    }
    return row[nb];
}

static void fault_unknown_key(struct work *work, const struct inifile_entry *entry,
                              const struct benchfile_key *const *tables)
{
    const char *best = NULL;
    size_t least = 3;

    for (; *tables; ++tables)
        for (const struct benchfile_key *key = *tables; key->name; ++key) {
            size_t distance = word_distance(entry->key, key->name);

            if (distance < least) {
                least = distance;
                best = key->name;
            }
        }
    if (best)
        fault(work, "%s:%d: [%s] %s: unknown key; did you mean '%s'?", inifile_name(work->file),
              entry->line, entry->section, entry->key, best);
    else
        fault(work, "%s:%d: [%s] %s: unknown key for this section", inifile_name(work->file),
              entry->line, entry->section, entry->key);
}

/* ---- sections ---- */

static void values_free(struct benchfile_values *values)
{
    if (!values)
        return;
    for (size_t i = 0; i < values->count; ++i) {
        free(values->value[i].text);
        free(values->value[i].bytes);
    }
    free(values->value);
    free(values);
}

static struct benchvalue *values_add(struct benchfile_values *values)
{
    if (values->count == values->room) {
        size_t room = values->room ? values->room * 2 : 32;
        struct benchvalue *more = reallocarray(values->value, room, sizeof *more);

        if (!more)
            return NULL;
        values->value = more;
        values->room = room;
    }
    values->value[values->count] = (struct benchvalue){.number = NAN};
    return &values->value[values->count++];
}

static const struct benchvalue *values_find(const struct benchfile_values *values, const char *key)
{
    for (size_t i = 0; i < values->count; ++i)
        if (strcmp(values->value[i].key->name, key) == 0)
            return &values->value[i];
    return NULL;
}

static const struct benchfile_key *key_find(const struct benchfile_key *const *tables,
                                            const char *name)
{
    for (; *tables; ++tables)
        for (const struct benchfile_key *key = *tables; key->name; ++key)
            if (strcasecmp(key->name, name) == 0)
                return key;
    return NULL;
}

/* Takes one entry of the file into values; faults are reported and the entry is left out. */
static void take_entry(struct work *work, struct benchfile_values *values,
                       const struct benchfile_key *const *tables, const struct inifile_entry *entry)
{
    const struct benchfile_key *key = key_find(tables, entry->key);
    const struct benchvalue *before;
    struct benchvalue *value;
    char why[256];

    if (!key) {
        fault_unknown_key(work, entry, tables);
        return;
    }
    before = values_find(values, key->name);
    if (before && key->kind != BENCHFILE_LIST && key->kind != BENCHFILE_PATTERNS) {
        fault(work, "%s:%d: [%s] %s: given twice; it stands in line %d already", values->file,
              entry->line, entry->section, entry->key, before->line);
        return;
    }
    value = values_add(values);
    if (!value) {
        fault(work, "%s: no memory", values->file);
        return;
    }
    value->key = key;
    value->line = entry->line;
    value->given = true;
    if (!benchvalue_convert(value, entry->value, why, sizeof why))
        fault(work, "%s:%d: [%s] %s: %s", values->file, entry->line, entry->section, entry->key,
              why);
}

/* All values of the section under heading. Never NULL except without memory. */
static struct benchfile_values *take_section(struct work *work, const struct heading *heading,
                                             const struct benchfile_key *const *tables)
{
    struct benchfile_values *values = calloc(1, sizeof *values);
    size_t before = work->faults;

    if (!values) {
        fault(work, "%s: no memory", inifile_name(work->file));
        return NULL;
    }
    values->file = work->bench->path;
    values->line = heading->line;
    snprintf(values->section, sizeof values->section, "%.*s", SECTION_MAX, heading->name);
    for (size_t i = 0; i < inifile_count(work->file); ++i) {
        const struct inifile_entry *entry = inifile_entry(work->file, i);

        if (strcmp(entry->section, heading->name) == 0)
            take_entry(work, values, tables, entry);
    }
    for (; *tables; ++tables)
        for (const struct benchfile_key *key = *tables; key->name; ++key) {
            struct benchvalue *value;
            char why[256];

            if (values_find(values, key->name))
                continue;
            if (key->required)
                fault(work, "%s:%d: [%s] %s: missing; the section must give it", values->file,
                      values->line, values->section, key->name);
            if (!key->standard)
                continue;
            value = values_add(values);
            if (!value) {
                fault(work, "%s: no memory", values->file);
                return values;
            }
            value->key = key;
            value->line = values->line;
            benchvalue_convert(value, key->standard, why, sizeof why);
        }
    values->faulty = work->faults > before;
    return values;
}

/* Finds the [section] headings in the text, in order. */
static bool find_headings(struct work *work)
{
    size_t room = 0;
    int line = 1;

    for (const char *at = inifile_text(work->file); *at; ++line) {
        const char *end = strchrnul(at, '\n');
        const char *start = at + strspn(at, " \t");
        const char *close = *start == '[' ? memchr(start, ']', (size_t)(end - start)) : NULL;

        if (close) {
            struct heading *heading;
            size_t length = (size_t)(close - start) - 1;

            if (work->headings == room) {
                struct heading *more;

                room = room ? room * 2 : 32;
                more = reallocarray(work->heading, room, sizeof *more);
                if (!more)
                    return false;
                work->heading = more;
            }
            heading = &work->heading[work->headings++];
            *heading = (struct heading){.line = line};
            if (length > SECTION_MAX) {
                fault(work, "%s:%d: the name of this section is longer than %d letters",
                      inifile_name(work->file), line, SECTION_MAX);
                length = SECTION_MAX;
            }
            memcpy(heading->name, start + 1, length);
        }
        at = *end ? end + 1 : end;
    }
    return true;
}

/* A name: a letter first, then letters, digits, - and _. */
static bool good_name(const char *name, size_t length)
{
    if (length == 0 || length > BENCHFILE_NAME_MAX || !isalpha((unsigned char)name[0]))
        return false;
    for (size_t i = 0; i < length; ++i)
        if (!isalnum((unsigned char)name[i]) && name[i] != '-' && name[i] != '_')
            return false;
    return true;
}

/* ---- channels ---- */

static void take_accuracy(struct work *work, struct benchfile_channel *channel,
                          const struct benchfile_values *values)
{
    struct calibration *c = &channel->calibration;
    const char *item;

    for (size_t i = 0; (item = benchfile_item(values, "accuracy", i, NULL)); ++i) {
        struct calibration_accuracy accuracy;
        struct status why;

        if (!benchvalue_accuracy(item, &accuracy)) {
            benchfile_fail(values, "accuracy", &why,
                           "'%s' is not understood; expected '0.5 %% + 3 digits', "
                           "'0.5 %% + 3 digits of 0.01' or 'up to 2: 0.5 %% + 3 digits'",
                           item);
            fault(work, "%s", why.text);
            continue;
        }
        if (c->ranges == CALIBRATION_RANGES_MAX ||
            (c->ranges > 0 && accuracy.up_to <= c->accuracy[c->ranges - 1].up_to)) {
            benchfile_fail(values, "accuracy", &why,
                           "the ranges must grow ('up to' larger each time), and there can be %d",
                           CALIBRATION_RANGES_MAX);
            fault(work, "%s", why.text);
            continue;
        }
        if (isnan(accuracy.digit))
            accuracy.digit = channel->resolution;
        if (accuracy.digits > 0.0 && isnan(accuracy.digit)) {
            benchfile_fail(values, "accuracy", &why,
                           "'%s' does not say what a digit is worth; write 'digits of 0.01', or "
                           "give the resolution",
                           item);
            fault(work, "%s", why.text);
            continue;
        }
        c->accuracy[c->ranges++] = accuracy;
    }
}

static void take_calibration(struct work *work, struct benchfile_channel *channel,
                             const struct benchfile_values *values)
{
    struct calibration *c = &channel->calibration;
    const char *point[2] = {benchfile_text(values, "point1"), benchfile_text(values, "point2")};
    const char *date = benchfile_text(values, "calibrated");
    double shown[2], right[2];
    struct status why;

    /* Points, gain's zero and the lead null are in the unit of what comes out: amperes behind a
     * shunt, else the channel's unit. Only a factor counts for differences; a temperature's
     * points are shifted with their zero. */
    bool shunted = !isnan(c->shunt);
    double factor = shunted ? 1.0 : c->unit_factor;
    double shift = shunted ? 0.0 : c->unit_offset;

    c->lead_null = benchfile_number(values, "lead_null") * factor;
    c->gain = benchfile_number(values, "gain");
    c->gain_uncertainty = benchfile_number(values, "gain_uncertainty") / 100.0;
    c->zero = benchfile_number(values, "zero") * factor + shift - c->gain * shift;
    c->calibrated = benchfile_given(values, "gain") || benchfile_given(values, "zero");
    if (c->gain == 0.0) {
        benchfile_fail(values, "gain", &why, "a gain of 0 makes every reading the same");
        fault(work, "%s", why.text);
    }
    if (!point[0] != !point[1]) {
        benchfile_fail(values, point[0] ? "point2" : "point1", &why,
                       "missing; a two-point calibration needs both points");
        fault(work, "%s", why.text);
    } else if (point[0] && c->calibrated) {
        benchfile_fail(values, "point1", &why, "give two points or gain and zero, not both");
        fault(work, "%s", why.text);
    } else if (point[0]) {
        bool good = true;

        for (int i = 0; i < 2; ++i)
            if (!benchvalue_pair(point[i], &shown[i], &right[i])) {
                benchfile_fail(values, i ? "point2" : "point1", &why,
                               "'%s' is not two numbers: what the channel showed and what was "
                               "right",
                               point[i]);
                fault(work, "%s", why.text);
                good = false;
            } else {
                shown[i] = shown[i] * factor + shift;
                right[i] = right[i] * factor + shift;
            }
        if (good && calibration_two_points(shown[0], right[0], shown[1], right[1], &c->gain,
                                           &c->zero, &why) != STATUS_OK) {
            struct status text;

            benchfile_fail(values, "point2", &text, "%s", why.text);
            fault(work, "%s", text.text);
        }
        c->calibrated = true;
    }
    if (*date && !benchvalue_is_date(date)) {
        benchfile_fail(values, "calibrated", &why, "'%s' is not a date; expected YYYY-MM-DD", date);
        fault(work, "%s", why.text);
    } else {
        snprintf(c->date, sizeof c->date, "%s", date);
    }
    take_accuracy(work, channel, values);
}

/* The factor and offset that bring the channel's unit to SI. A unit as instruments write it is
 * taken as well, and of a mass before all others: to UDUNITS-2 a ct is a hundredth of a tonne. */
static enum status_code find_factor(struct work *work, const char *unit, const char *dimension,
                                    struct calibration *calibration, struct status *st)
{
    bool mass = strcmp(dimension, "kg") == 0;
    struct unitword word;
    enum status_code code = STATUS_INPUT;

    if (strcmp(unit, dimension) == 0)
        return status_ok(st);
    if (!work->units && units_open(&work->units, st) != STATUS_OK)
        return st->code;
    if (!mass)
        code = units_convert_factor(work->units, unit, dimension, &calibration->unit_factor,
                                    &calibration->unit_offset, st);
    if (code != STATUS_OK && unitword_read(unit, dimension, &word)) {
        code = units_convert_factor(work->units, word.unit, dimension, &calibration->unit_factor,
                                    &calibration->unit_offset, st);
        calibration->unit_factor *= word.factor;
    } else if (mass) {
        code = units_convert_factor(work->units, unit, dimension, &calibration->unit_factor,
                                    &calibration->unit_offset, st);
    }
    return code;
}

/* The channel's unit, which must be one of the quantity, or of volts before a shunt. */
static void take_unit(struct work *work, struct benchfile_channel *channel,
                      const struct quantity *quantity)
{
    const struct benchfile_values *values = channel->values;
    const char *dimension = quantity->unit;
    struct status why;

    if (!isnan(channel->calibration.shunt)) {
        channel->calibration.shunt_tolerance = benchfile_number(values, "shunt_tolerance") / 100.0;
        dimension = "V";
        if (quantity->id != QUANTITY_CURRENT) {
            benchfile_fail(values, "shunt", &why,
                           "a shunt turns a voltage into a current, but the quantity is '%s'",
                           quantity->name);
            fault(work, "%s", why.text);
        }
    }
    if (snprintf(channel->unit, sizeof channel->unit, "%s",
                 benchfile_given(values, "unit") ? benchfile_text(values, "unit") : dimension) >=
            (int)sizeof channel->unit ||
        find_factor(work, channel->unit, dimension, &channel->calibration, &why) != STATUS_OK) {
        benchfile_fail(values, "unit", &why, "'%.40s' is not a unit of %s%s (SI: %s)",
                       benchfile_text(values, "unit"),
                       isnan(channel->calibration.shunt) ? "" : "the voltage across the shunt of ",
                       quantity->name, dimension);
        fault(work, "%s", why.text);
    }
}

/* One [channel INSTRUMENT.NAME] section into the next free channel of its instrument. */
static void take_channel(struct work *work, const struct heading *heading,
                         struct benchfile_instrument *instrument, const char *name)
{
    const struct driver *driver = driver_find(instrument->driver);
    const struct benchfile_key *tables[] = {channel_keys, driver->channel_keys, NULL};
    struct benchfile_channel *channel = &instrument->channel[instrument->channels];
    struct benchfile_values *values = take_section(work, heading, tables);
    const struct quantity *quantity;
    struct status why;

    if (!values)
        return;
    ++instrument->channels;
    channel->values = values;
    channel->line = heading->line;
    snprintf(channel->name, sizeof channel->name, "%s", name);
    calibration_none(&channel->calibration);
    channel->resolution = channel->limit_low = channel->limit_high = NAN;
    quantity = quantity_find(benchfile_text(values, "quantity"));
    channel->calibration.shunt = benchfile_number(values, "shunt");
    if (quantity) {
        snprintf(channel->quantity, sizeof channel->quantity, "%s", quantity->name);
        take_unit(work, channel, quantity);
    } else if (benchfile_given(values, "quantity")) {
        benchfile_fail(values, "quantity", &why,
                       "'%s' is not a quantity known here; expected resistance, voltage, current, "
                       "temperature, mass, force or another of truewound-bench(5)",
                       benchfile_text(values, "quantity"));
        fault(work, "%s", why.text);
    }
    channel->asked_only = strcmp(benchfile_text(values, "when"), "asked") == 0;
    channel->calibration.scale = benchfile_number(values, "scale");
    channel->calibration.offset = benchfile_number(values, "offset");
    if (channel->calibration.scale == 0.0) {
        benchfile_fail(values, "scale", &why, "a scale of 0 makes every reading the same");
        fault(work, "%s", why.text);
    }
    channel->resolution = benchfile_number(values, "resolution");
    take_calibration(work, channel, values);
    channel->wires = (int)benchfile_integer(values, "wires");
    if (channel->wires == 3) {
        benchfile_fail(values, "wires", &why, "3 wires; expected 2 or 4");
        fault(work, "%s", why.text);
    }
    channel->limit_low = benchfile_number(values, "lowest");
    channel->limit_high = benchfile_number(values, "highest");
    if (channel->limit_low >= channel->limit_high) {
        benchfile_fail(values, "highest", &why, "must be more than lowest (%g)",
                       channel->limit_low);
        fault(work, "%s", why.text);
    }
}

/* ---- instruments ---- */

static void take_instrument(struct work *work, const struct heading *heading, const char *name)
{
    struct benchfile *bench = work->bench;
    struct benchfile_instrument *instrument = &bench->instrument[bench->instruments];
    const struct inifile_entry *entry = inifile_find(work->file, heading->name, "driver");
    const struct driver *driver = entry ? driver_find(entry->value) : NULL;
    const struct benchfile_key *tables[] = {instrument_keys,
                                            driver ? driver->instrument_keys : NULL, NULL};
    struct benchfile_values *values;
    struct status why;

    if (entry && !driver) {
        char names[128] = "";

        for (size_t i = 0; driver_at(i); ++i)
            snprintf(names + strlen(names), sizeof names - strlen(names), "%s%s", i ? ", " : "",
                     driver_at(i)->name);
        fault(work, "%s:%d: [%s] driver: '%s' is not a driver; expected one of %s", bench->path,
              entry->line, heading->name, entry->value, names);
        return; /* which other keys are right depends on the driver */
    }
    values = take_section(work, heading, tables);
    if (!values)
        return;
    if (!driver) {
        values_free(values);
        return;
    }
    ++bench->instruments;
    snprintf(instrument->name, sizeof instrument->name, "%s", name);
    instrument->driver = driver->name;
    instrument->values = values;
    instrument->line = heading->line;
    instrument->port = benchfile_text(values, "port");
    instrument->identity = benchfile_text(values, "identity");
    if (instrument->port && instrument->port[0] != '/') {
        benchfile_fail(values, "port", &why,
                       "'%s' must be a whole path, such as /dev/serial/by-id/NAME",
                       instrument->port);
        fault(work, "%s", why.text);
    }
    for (size_t i = 0; instrument->port && i + 1 < bench->instruments; ++i)
        if (bench->instrument[i].port && strcmp(bench->instrument[i].port, instrument->port) == 0) {
            benchfile_fail(values, "port", &why, "[instrument %s] has this port already",
                           bench->instrument[i].name);
            fault(work, "%s", why.text);
        }
    if (benchfile_time(values, "retry_most") < benchfile_time(values, "retry")) {
        benchfile_fail(values, "retry_most", &why, "must not be shorter than retry");
        fault(work, "%s", why.text);
    }
    for (size_t i = 0;; ++i) {
        const char *item = benchfile_item(values, "command", i, NULL);
        const char *colon = item ? strchr(item, ':') : NULL;

        if (!item)
            break;
        if (!colon || !good_name(item, (size_t)(colon - item))) {
            benchfile_fail(values, "command", &why,
                           "'%s' is not understood; expected NAME: BYTES TO SEND", item);
            fault(work, "%s", why.text);
        }
    }
}

static void take_store(struct work *work, const struct heading *heading)
{
    const struct benchfile_key *tables[] = {store_keys, NULL};
    struct benchfile *bench = work->bench;
    struct benchfile_values *values = take_section(work, heading, tables);
    const char *keep;
    struct status why;

    if (!values)
        return;
    values_free(bench->own);
    bench->own = values;
    bench->database = benchfile_text(values, "database");
    bench->flush_interval = (double)benchfile_time(values, "flush") / 1e6;
    keep = benchfile_text(values, "keep");
    if (!keep || strcmp(keep, "for ever") == 0) {
        bench->retention = INFINITY;
    } else if (!benchvalue_time(keep, &bench->retention) || !(bench->retention >= 86400.0)) {
        benchfile_fail(values, "keep", &why,
                       "'%s' is not understood; expected 'for ever' or at least '1 d'", keep);
        fault(work, "%s", why.text);
    }
    if (bench->database && bench->database[0] != '/') {
        benchfile_fail(values, "database", &why, "'%s' must be a whole path", bench->database);
        fault(work, "%s", why.text);
    }
}

/* ---- the whole file ---- */

/* The instrument that a [channel INSTRUMENT.NAME] heading names, and where NAME begins. */
static struct benchfile_instrument *channel_owner(const struct benchfile *bench, const char *path,
                                                  const char **name)
{
    const char *dot = strchr(path, '.');

    if (!dot)
        return NULL;
    *name = dot + 1;
    for (size_t i = 0; i < bench->instruments; ++i)
        if (strlen(bench->instrument[i].name) == (size_t)(dot - path) &&
            strncmp(bench->instrument[i].name, path, (size_t)(dot - path)) == 0)
            return &bench->instrument[i];
    return NULL;
}

/* First round: instruments and the store. True when the heading is known at all. */
static void take_heading(struct work *work, const struct heading *heading)
{
    const char *name = heading->name + strcspn(heading->name, " ");
    size_t word = (size_t)(name - heading->name);

    name += strspn(name, " ");
    if (strcmp(heading->name, "store") == 0) {
        take_store(work, heading);
    } else if (word == 10 && strncmp(heading->name, "instrument", 10) == 0) {
        if (!good_name(name, strlen(name)))
            fault(work,
                  "%s:%d: [%s]: expected a name of at most %d letters, digits, - and _, a letter "
                  "first",
                  work->bench->path, heading->line, heading->name, BENCHFILE_NAME_MAX);
        else if (work->bench->instruments == BENCHFILE_INSTRUMENTS_MAX)
            fault(work, "%s:%d: more than %d instruments", work->bench->path, heading->line,
                  BENCHFILE_INSTRUMENTS_MAX);
        else
            take_instrument(work, heading, name);
    } else if (word != 7 || strncmp(heading->name, "channel", 7) != 0) {
        fault(work,
              "%s:%d: [%s]: unknown section; expected [store], [instrument NAME] or "
              "[channel INSTRUMENT.NAME]",
              work->bench->path, heading->line, heading->name);
    }
}

/* Second round: a channel may stand before its instrument in the file. */
static void take_channel_heading(struct work *work, const struct heading *heading)
{
    const char *path = heading->name + 7 + strspn(heading->name + 7, " ");
    const char *name = NULL;
    struct benchfile_instrument *instrument;

    if (strncmp(heading->name, "channel ", 8) != 0)
        return;
    instrument = channel_owner(work->bench, path, &name);
    if (!name || !good_name(name, strlen(name))) {
        fault(work,
              "%s:%d: [%s]: expected [channel INSTRUMENT.NAME], NAME of at most %d letters, "
              "digits, - and _",
              work->bench->path, heading->line, heading->name, BENCHFILE_NAME_MAX);
        return;
    }
    if (!instrument) {
        fault(work, "%s:%d: [%s]: there is no usable section [instrument %.*s]", work->bench->path,
              heading->line, heading->name, (int)(name - 1 - path), path);
        return;
    }
    if (instrument->channels == BENCHFILE_CHANNELS_MAX) {
        fault(work, "%s:%d: more than %d channels of one instrument", work->bench->path,
              heading->line, BENCHFILE_CHANNELS_MAX);
        return;
    }
    take_channel(work, heading, instrument, name);
}

static void report_to(const struct benchfile_instrument *instrument, struct work *work)
{
    instrument->values->work = work;
    for (size_t i = 0; i < instrument->channels; ++i)
        instrument->channel[i].values->work = work;
}

/* The driver's own check: it makes its state, which is thrown away. */
static void check_with_driver(struct work *work, const struct benchfile_instrument *instrument)
{
    const struct driver *driver = driver_find(instrument->driver);
    size_t before = work->faults;
    void *state = NULL;
    struct status why;

    if (instrument->channels == 0) {
        fault(work, "%s:%d: [instrument %s]: has no channel; add a [channel %s.NAME] section",
              work->bench->path, instrument->line, instrument->name, instrument->name);
        return;
    }
    report_to(instrument, work);
    if (driver->create(instrument, &state, &why) == STATUS_OK)
        driver->destroy(state);
    else if (work->faults == before)
        fault(work, "%s", why.text);
    report_to(instrument, NULL);
}

/* True when the section passed the tables: a driver's check can then rely on it. */
static bool is_sound(const struct benchfile_instrument *instrument)
{
    bool sound = !instrument->values->faulty;

    for (size_t i = 0; i < instrument->channels; ++i)
        sound = sound && !instrument->channel[i].values->faulty;
    return sound;
}

static void check_headings(struct work *work)
{
    for (size_t i = 0; i < work->headings; ++i)
        for (size_t k = 0; k < i; ++k)
            if (strcmp(work->heading[i].name, work->heading[k].name) == 0) {
                fault(work, "%s:%d: [%s]: given twice; it stands in line %d already",
                      work->bench->path, work->heading[i].line, work->heading[i].name,
                      work->heading[k].line);
                work->heading[i].name[0] = '\0'; /* its entries went to the first */
                break;
            }
    for (size_t i = 0; i < inifile_count(work->file); ++i) {
        const struct inifile_entry *entry = inifile_entry(work->file, i);

        if (!*entry->section)
            fault(work, "%s:%d: %s: stands before the first [section]", work->bench->path,
                  entry->line, entry->key);
    }
}

static enum status_code take_file(struct work *work)
{
    struct benchfile *bench = work->bench;

    bench->path = strdup(inifile_name(work->file));
    bench->instrument = calloc(BENCHFILE_INSTRUMENTS_MAX, sizeof *bench->instrument);
    if (!bench->path || !bench->instrument || !find_headings(work))
        return status_fail(work->st, STATUS_MEMORY, "%s: no memory", inifile_name(work->file));
    bench->flush_interval = 1.0;
    bench->retention = INFINITY;
    check_headings(work);
    for (size_t i = 0; i < work->headings; ++i)
        if (work->heading[i].name[0])
            take_heading(work, &work->heading[i]);
    for (size_t i = 0; i < bench->instruments; ++i) {
        bench->instrument[i].channel =
            calloc(BENCHFILE_CHANNELS_MAX, sizeof *bench->instrument[i].channel);
        if (!bench->instrument[i].channel)
            return status_fail(work->st, STATUS_MEMORY, "%s: no memory", bench->path);
    }
    for (size_t i = 0; i < work->headings; ++i)
        take_channel_heading(work, &work->heading[i]);
    if (work->headings == 0 || (bench->instruments == 0 && work->faults == 0))
        fault(work, "%s: has no [instrument NAME] section", bench->path);
    for (size_t i = 0; i < bench->instruments; ++i)
        if (is_sound(&bench->instrument[i]))
            check_with_driver(work, &bench->instrument[i]);
    return work->faults ? STATUS_INPUT : status_ok(work->st);
}

static enum status_code take(struct inifile *file, benchfile_report report, void *to,
                             struct benchfile **bench, struct status *st)
{
    struct status own;
    struct work work = {.file = file, .report = report, .to = to, .st = st ? st : &own};
    enum status_code code;

    work.bench = calloc(1, sizeof *work.bench);
    if (!work.bench)
        code = status_fail(st, STATUS_MEMORY, "%s: no memory", inifile_name(file));
    else
        code = take_file(&work);
    free(work.heading);
    units_close(work.units);
    inifile_free(file);
    if (code != STATUS_OK) {
        benchfile_free(work.bench);
        return code;
    }
    *bench = work.bench;
    return code;
}

enum status_code benchfile_read(const char *path, benchfile_report report, void *to,
                                struct benchfile **bench, struct status *st)
{
    struct inifile *file;
    struct status own;
    enum status_code code;

    st = st ? st : &own;
    *bench = NULL;
    code = inifile_read(path, &file, st);
    if (code != STATUS_OK) {
        if (report)
            report(to, st->text);
        return code;
    }
    return take(file, report, to, bench, st);
}

enum status_code benchfile_parse(const char *name, const char *text, size_t size,
                                 benchfile_report report, void *to, struct benchfile **bench,
                                 struct status *st)
{
    struct inifile *file;
    struct status own;
    enum status_code code;

    st = st ? st : &own;
    *bench = NULL;
    code = inifile_parse(name, text, size, &file, st);
    if (code != STATUS_OK) {
        if (report)
            report(to, st->text);
        return code;
    }
    return take(file, report, to, bench, st);
}

void benchfile_hold(struct benchfile *bench)
{
    ++bench->holders;
}

void benchfile_free(struct benchfile *bench)
{
    if (!bench || bench->holders-- > 0)
        return;
    for (size_t i = 0; bench->instrument && i < bench->instruments; ++i) {
        struct benchfile_instrument *instrument = &bench->instrument[i];

        for (size_t k = 0; instrument->channel && k < instrument->channels; ++k)
            values_free(instrument->channel[k].values);
        free(instrument->channel);
        values_free(instrument->values);
    }
    free(bench->instrument);
    values_free(bench->own);
    free(bench->path);
    free(bench);
}

static bool values_same(const struct benchfile_values *a, const struct benchfile_values *b)
{
    if (a->count != b->count)
        return false;
    for (size_t i = 0; i < a->count; ++i)
        if (a->value[i].key != b->value[i].key || strcmp(a->value[i].text, b->value[i].text) != 0)
            return false;
    return true;
}

bool benchfile_same(const struct benchfile_instrument *a, const struct benchfile_instrument *b)
{
    if (strcmp(a->name, b->name) != 0 || a->channels != b->channels ||
        !values_same(a->values, b->values))
        return false;
    for (size_t i = 0; i < a->channels; ++i)
        if (strcmp(a->channel[i].name, b->channel[i].name) != 0 ||
            !values_same(a->channel[i].values, b->channel[i].values))
            return false;
    return true;
}

/* ---- reading values ---- */

const char *benchfile_text(const struct benchfile_values *values, const char *key)
{
    const struct benchvalue *value = values_find(values, key);

    return value ? value->text : NULL;
}

double benchfile_number(const struct benchfile_values *values, const char *key)
{
    const struct benchvalue *value = values_find(values, key);

    return value ? value->number : (double)NAN;
}

long benchfile_integer(const struct benchfile_values *values, const char *key)
{
    const struct benchvalue *value = values_find(values, key);

    return value && !isnan(value->number) ? (long)value->number : 0;
}

bool benchfile_switch(const struct benchfile_values *values, const char *key)
{
    const struct benchvalue *value = values_find(values, key);

    return value && value->number == 1.0;
}

int64_t benchfile_time(const struct benchfile_values *values, const char *key)
{
    const struct benchvalue *value = values_find(values, key);

    return value && !isnan(value->number) ? llround(value->number * 1e6) : 0;
}

bool benchfile_given(const struct benchfile_values *values, const char *key)
{
    const struct benchvalue *value = values_find(values, key);

    return value && value->given;
}

int benchfile_line(const struct benchfile_values *values, const char *key)
{
    const struct benchvalue *value = values_find(values, key);

    return value ? value->line : values->line;
}

const char *benchfile_bytes(const struct benchfile_values *values, const char *key, size_t *length)
{
    return benchfile_item(values, key, 0, length);
}

const char *benchfile_item(const struct benchfile_values *values, const char *key, size_t index,
                           size_t *length)
{
    for (size_t i = 0; i < values->count; ++i)
        if (strcmp(values->value[i].key->name, key) == 0 && index-- == 0) {
            if (length)
                *length = values->value[i].length;
            return values->value[i].bytes ? values->value[i].bytes : values->value[i].text;
        }
    return NULL;
}
