#include "acquire/benchfile.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "acquire/benchchannel.h"
#include "acquire/benchvalue.h"
#include "acquire/driver.h"
#include "acquire/faults.h"
#include "db/inifile.h"
#include "db/units.h"

/* A [section] heading, found by a scan of the text: inih does not tell of empty sections. */
struct heading {
    char name[SECTION_NAME_MAX + 2];
    int line;
};

/* What the reading of one file shares. */
struct work {
    struct inifile *file;
    struct benchfile *bench;
    struct heading *heading;
    size_t headings;
    struct units *units; /* opened when a unit is met that is not SI: it takes time */
    struct faults faults;
};

static const struct section_key store_keys[] = {
    {.name = "database", .kind = SECTION_TEXT},
    {.name = "flush", .kind = SECTION_TIME, .standard = "1 s", .min = 0.05, .max = 60},
    {.name = "keep", .kind = SECTION_TEXT, .standard = "for ever"},
    {.name = NULL},
};

static const struct section_key instrument_keys[] = {
    {.name = "driver", .kind = SECTION_TEXT, .required = true},
    {.name = "port", .kind = SECTION_TEXT, .required = true},
    {.name = "identity", .kind = SECTION_TEXT, .standard = ""},
    {.name = "baud", .kind = SECTION_INTEGER, .standard = "9600", .min = 50, .max = 4000000},
    {.name = "bits", .kind = SECTION_INTEGER, .standard = "8", .min = 5, .max = 8},
    {.name = "parity",
     .kind = SECTION_CHOICE,
     .standard = "none",
     .choices = "none even odd mark space"},
    {.name = "stop", .kind = SECTION_INTEGER, .standard = "1", .min = 1, .max = 2},
    {.name = "flow",
     .kind = SECTION_CHOICE,
     .standard = "none",
     .choices = "none rtscts xonxoff dtrdsr"},
    {.name = "dtr", .kind = SECTION_SWITCH, .standard = "yes"},
    {.name = "rts", .kind = SECTION_SWITCH, .standard = "yes"},
    {.name = "wake", .kind = SECTION_TIME, .standard = "0 s", .max = 60},
    {.name = "interval", .kind = SECTION_TIME, .standard = "1 s", .min = 0, .max = 864000},
    {.name = "timeout", .kind = SECTION_TIME, .standard = "5 s", .min = 0.01, .max = 600},
    {.name = "pause", .kind = SECTION_TIME, .standard = "20 ms", .max = 60},
    {.name = "silent", .kind = SECTION_TIME, .min = 0.1, .max = 8640000},
    {.name = "retry", .kind = SECTION_TIME, .standard = "0.5 s", .min = 0.01, .max = 3600},
    {.name = "retry_most", .kind = SECTION_TIME, .standard = "10 s", .min = 0.01, .max = 86400},
    {.name = "command", .kind = SECTION_LIST},
    {.name = NULL},
};

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
            if (length > SECTION_NAME_MAX) {
                faults_add(&work->faults,
                           "%s:%d: the name of this section is longer than %d letters",
                           inifile_name(work->file), line, SECTION_NAME_MAX);
                length = SECTION_NAME_MAX;
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

/* ---- instruments ---- */

static void take_instrument(struct work *work, const struct heading *heading, const char *name)
{
    struct benchfile *bench = work->bench;
    struct benchfile_instrument *instrument = &bench->instrument[bench->instruments];
    const struct inifile_entry *entry = inifile_find(work->file, heading->name, "driver");
    const struct driver *driver = entry ? driver_find(entry->value) : NULL;
    const struct section_key *tables[] = {instrument_keys, driver ? driver->instrument_keys : NULL,
                                          NULL};
    struct section *values;

    if (entry && !driver) {
        char names[128] = "";

        for (size_t i = 0; driver_at(i); ++i)
            snprintf(names + strlen(names), sizeof names - strlen(names), "%s%s", i ? ", " : "",
                     driver_at(i)->name);
        faults_add(&work->faults, "%s:%d: [%s] driver: '%s' is not a driver; expected one of %s",
                   bench->path, entry->line, heading->name, entry->value, names);
        return; /* which other keys are right depends on the driver */
    }
    values =
        section_read(work->file, bench->path, heading->name, heading->line, tables, &work->faults);
    if (!values)
        return;
    if (!driver) {
        section_free(values);
        return;
    }
    ++bench->instruments;
    snprintf(instrument->name, sizeof instrument->name, "%s", name);
    instrument->driver = driver->name;
    instrument->values = values;
    instrument->line = heading->line;
    instrument->port = section_text(values, "port");
    instrument->identity = section_text(values, "identity");
    if (instrument->port && instrument->port[0] != '/')
        section_fail(values, "port", NULL,
                     "'%s' must be a whole path, such as /dev/serial/by-id/NAME", instrument->port);
    for (size_t i = 0; instrument->port && i + 1 < bench->instruments; ++i)
        if (bench->instrument[i].port && strcmp(bench->instrument[i].port, instrument->port) == 0)
            section_fail(values, "port", NULL, "[instrument %s] has this port already",
                         bench->instrument[i].name);
    if (section_time(values, "retry_most") < section_time(values, "retry"))
        section_fail(values, "retry_most", NULL, "must not be shorter than retry");
    for (size_t i = 0;; ++i) {
        const char *item = section_item(values, "command", i, NULL);
        const char *colon = item ? strchr(item, ':') : NULL;

        if (!item)
            break;
        if (!colon || !good_name(item, (size_t)(colon - item))) {
            section_fail(values, "command", NULL,
                         "'%s' is not understood; expected NAME: BYTES TO SEND", item);
        }
    }
}

static void take_store(struct work *work, const struct heading *heading)
{
    const struct section_key *tables[] = {store_keys, NULL};
    struct benchfile *bench = work->bench;
    struct section *values =
        section_read(work->file, bench->path, heading->name, heading->line, tables, &work->faults);
    const char *keep;

    if (!values)
        return;
    section_free(bench->own);
    bench->own = values;
    bench->database = section_text(values, "database");
    bench->flush_interval = (double)section_time(values, "flush") / 1e6;
    keep = section_text(values, "keep");
    if (!keep || strcmp(keep, "for ever") == 0) {
        bench->retention = INFINITY;
    } else if (!benchvalue_time(keep, &bench->retention) || !(bench->retention >= 86400.0)) {
        section_fail(values, "keep", NULL,
                     "'%s' is not understood; expected 'for ever' or at least '1 d'", keep);
    }
    if (bench->database && bench->database[0] != '/')
        section_fail(values, "database", NULL, "'%s' must be a whole path", bench->database);
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
            faults_add(
                &work->faults,
                "%s:%d: [%s]: expected a name of at most %d letters, digits, - and _, a letter "
                "first",
                work->bench->path, heading->line, heading->name, BENCHFILE_NAME_MAX);
        else if (work->bench->instruments == BENCHFILE_INSTRUMENTS_MAX)
            faults_add(&work->faults, "%s:%d: more than %d instruments", work->bench->path,
                       heading->line, BENCHFILE_INSTRUMENTS_MAX);
        else
            take_instrument(work, heading, name);
    } else if (word != 7 || strncmp(heading->name, "channel", 7) != 0) {
        faults_add(&work->faults,
                   "%s:%d: [%s]: unknown section; expected [store], [instrument NAME] or "
                   "[channel INSTRUMENT.NAME]",
                   work->bench->path, heading->line, heading->name);
    }
}

/* One [channel INSTRUMENT.NAME] section into the next free channel of its instrument. */
static void take_channel(struct work *work, const struct heading *heading,
                         struct benchfile_instrument *instrument, const char *name)
{
    const struct section_key *tables[] = {benchchannel_keys,
                                          driver_find(instrument->driver)->channel_keys, NULL};
    struct benchfile_channel *channel = &instrument->channel[instrument->channels];
    struct section *values = section_read(work->file, work->bench->path, heading->name,
                                          heading->line, tables, &work->faults);

    if (!values)
        return;
    ++instrument->channels;
    channel->line = heading->line;
    snprintf(channel->name, sizeof channel->name, "%s", name);
    benchchannel_fill(channel, values, &work->units);
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
        faults_add(&work->faults,
                   "%s:%d: [%s]: expected [channel INSTRUMENT.NAME], NAME of at most %d letters, "
                   "digits, - and _",
                   work->bench->path, heading->line, heading->name, BENCHFILE_NAME_MAX);
        return;
    }
    if (!instrument) {
        faults_add(&work->faults, "%s:%d: [%s]: there is no usable section [instrument %.*s]",
                   work->bench->path, heading->line, heading->name, (int)(name - 1 - path), path);
        return;
    }
    if (instrument->channels == BENCHFILE_CHANNELS_MAX) {
        faults_add(&work->faults, "%s:%d: more than %d channels of one instrument",
                   work->bench->path, heading->line, BENCHFILE_CHANNELS_MAX);
        return;
    }
    take_channel(work, heading, instrument, name);
}

/* The driver's own check: it makes its state, which is thrown away. */
static void check_with_driver(struct work *work, const struct benchfile_instrument *instrument)
{
    const struct driver *driver = driver_find(instrument->driver);
    size_t before = work->faults.count;
    void *state = NULL;
    struct status why;

    if (instrument->channels == 0) {
        faults_add(&work->faults,
                   "%s:%d: [instrument %s]: has no channel; add a [channel %s.NAME] section",
                   work->bench->path, instrument->line, instrument->name, instrument->name);
        return;
    }
    if (driver->create(instrument, &state, &why) == STATUS_OK)
        driver->destroy(state);
    else if (work->faults.count == before)
        faults_add(&work->faults, "%s", why.text);
}

/* True when the section passed the tables: a driver's check can then rely on it. */
static bool is_sound(const struct benchfile_instrument *instrument)
{
    bool sound = section_is_sound(instrument->values);

    for (size_t i = 0; i < instrument->channels; ++i)
        sound = sound && section_is_sound(instrument->channel[i].values);
    return sound;
}

static void check_headings(struct work *work)
{
    for (size_t i = 0; i < work->headings; ++i)
        for (size_t k = 0; k < i; ++k)
            if (strcmp(work->heading[i].name, work->heading[k].name) == 0) {
                faults_add(&work->faults, "%s:%d: [%s]: given twice; it stands in line %d already",
                           work->bench->path, work->heading[i].line, work->heading[i].name,
                           work->heading[k].line);
                work->heading[i].name[0] = '\0'; /* its entries went to the first */
                break;
            }
    for (size_t i = 0; i < inifile_count(work->file); ++i) {
        const struct inifile_entry *entry = inifile_entry(work->file, i);

        if (!*entry->section)
            faults_add(&work->faults, "%s:%d: %s: stands before the first [section]",
                       work->bench->path, entry->line, entry->key);
    }
}

static enum status_code take_file(struct work *work)
{
    struct benchfile *bench = work->bench;

    bench->path = strdup(inifile_name(work->file));
    bench->instrument = calloc(BENCHFILE_INSTRUMENTS_MAX, sizeof *bench->instrument);
    if (!bench->path || !bench->instrument || !find_headings(work))
        return status_fail(work->faults.st, STATUS_MEMORY, "%s: no memory",
                           inifile_name(work->file));
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
            return status_fail(work->faults.st, STATUS_MEMORY, "%s: no memory", bench->path);
    }
    for (size_t i = 0; i < work->headings; ++i)
        take_channel_heading(work, &work->heading[i]);
    if (work->headings == 0 || (bench->instruments == 0 && work->faults.count == 0))
        faults_add(&work->faults, "%s: has no [instrument NAME] section", bench->path);
    for (size_t i = 0; i < bench->instruments; ++i)
        if (is_sound(&bench->instrument[i]))
            check_with_driver(work, &bench->instrument[i]);
    return work->faults.count > 0 ? STATUS_INPUT : status_ok(work->faults.st);
}

static void seal(struct benchfile *bench)
{
    if (bench->own)
        section_seal(bench->own);
    for (size_t i = 0; i < bench->instruments; ++i) {
        section_seal(bench->instrument[i].values);
        for (size_t k = 0; k < bench->instrument[i].channels; ++k)
            section_seal(bench->instrument[i].channel[k].values);
    }
}

static enum status_code take(struct inifile *file, benchfile_report report, void *to,
                             struct benchfile **bench, struct status *st)
{
    struct status own;
    struct work work = {.file = file, .faults = {.report = report, .to = to, .st = st ? st : &own}};
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
    seal(work.bench);
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
            section_free(instrument->channel[k].values);
        free(instrument->channel);
        section_free(instrument->values);
    }
    free(bench->instrument);
    section_free(bench->own);
    free(bench->path);
    free(bench);
}

bool benchfile_same(const struct benchfile_instrument *a, const struct benchfile_instrument *b)
{
    if (strcmp(a->name, b->name) != 0 || a->channels != b->channels ||
        !section_same(a->values, b->values))
        return false;
    for (size_t i = 0; i < a->channels; ++i)
        if (strcmp(a->channel[i].name, b->channel[i].name) != 0 ||
            !section_same(a->channel[i].values, b->channel[i].values))
            return false;
    return true;
}
