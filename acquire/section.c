#include "acquire/section.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#include "acquire/benchvalue.h"

struct section {
    struct faults *faults; /* NULL once it is sealed */
    const char *file;
    char name[SECTION_NAME_MAX + 1];
    int line;
    bool faulty; /* the tables found a fault in it */
    size_t count;
    size_t room;
    struct benchvalue *value;
};

enum status_code section_fail(const struct section *section, const char *key, struct status *st,
                              const char *format, ...)
{
    char text[STATUS_TEXT_SIZE];
    va_list args;

    va_start(args, format);
    vsnprintf(text, sizeof text, format, args);
    va_end(args);
    if (section->faults)
        faults_add(section->faults, "%s:%d: [%s] %s: %s", section->file, section_line(section, key),
                   section->name, key, text);
    return status_fail(st, STATUS_INPUT, "%s:%d: [%s] %s: %s", section->file,
                       section_line(section, key), section->name, key, text);
}

/* How many letters must change to make b of a; for 'did you mean'. Words here are short. */
static size_t word_distance(const char *a, const char *b)
{
    size_t row[SECTION_NAME_MAX + 2];
    size_t nb = strlen(b);

    if (nb > SECTION_NAME_MAX)
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

static void fault_unknown_key(struct faults *faults, const char *file,
                              const struct inifile_entry *entry,
                              const struct section_key *const *tables)
{
    const char *best = NULL;
    size_t least = 3;

    for (; *tables; ++tables)
        for (const struct section_key *key = *tables; key->name; ++key) {
            size_t distance = word_distance(entry->key, key->name);

            if (distance < least) {
                least = distance;
                best = key->name;
            }
        }
    if (best)
        faults_add(faults, "%s:%d: [%s] %s: unknown key; did you mean '%s'?", file, entry->line,
                   entry->section, entry->key, best);
    else
        faults_add(faults, "%s:%d: [%s] %s: unknown key for this section", file, entry->line,
                   entry->section, entry->key);
}

void section_free(struct section *section)
{
    if (!section)
        return;
    for (size_t i = 0; i < section->count; ++i) {
        free(section->value[i].text);
        free(section->value[i].bytes);
    }
    free(section->value);
    free(section);
}

static struct benchvalue *values_add(struct section *section)
{
    if (section->count == section->room) {
        size_t room = section->room ? section->room * 2 : 32;
        struct benchvalue *more = reallocarray(section->value, room, sizeof *more);

        if (!more)
            return NULL;
        section->value = more;
        section->room = room;
    }
    section->value[section->count] = (struct benchvalue){.number = NAN};
    return &section->value[section->count++];
}

static const struct benchvalue *values_find(const struct section *section, const char *key)
{
    for (size_t i = 0; i < section->count; ++i)
        if (strcmp(section->value[i].key->name, key) == 0)
            return &section->value[i];
    return NULL;
}

static const struct section_key *key_find(const struct section_key *const *tables, const char *name)
{
    for (; *tables; ++tables)
        for (const struct section_key *key = *tables; key->name; ++key)
            if (strcasecmp(key->name, name) == 0)
                return key;
    return NULL;
}

/* Takes one entry of the file into section; faults are reported and the entry is left out. */
static void take_entry(struct section *section, const struct section_key *const *tables,
                       const struct inifile_entry *entry)
{
    const struct section_key *key = key_find(tables, entry->key);
    const struct benchvalue *before;
    struct benchvalue *value;
    char why[256];

    if (!key) {
        fault_unknown_key(section->faults, section->file, entry, tables);
        return;
    }
    before = values_find(section, key->name);
    if (before && key->kind != SECTION_LIST && key->kind != SECTION_PATTERNS) {
        faults_add(section->faults, "%s:%d: [%s] %s: given twice; it stands in line %d already",
                   section->file, entry->line, entry->section, entry->key, before->line);
        return;
    }
    value = values_add(section);
    if (!value) {
        faults_add(section->faults, "%s: no memory", section->file);
        return;
    }
    value->key = key;
    value->line = entry->line;
    value->given = true;
    if (!benchvalue_convert(value, entry->value, why, sizeof why))
        faults_add(section->faults, "%s:%d: [%s] %s: %s", section->file, entry->line,
                   entry->section, entry->key, why);
}

struct section *section_read(const struct inifile *inifile, const char *file, const char *name,
                             int line, const struct section_key *const *tables,
                             struct faults *faults)
{
    struct section *section = calloc(1, sizeof *section);
    size_t before = faults->count;

    if (!section) {
        faults_add(faults, "%s: no memory", file);
        return NULL;
    }
    section->faults = faults;
    section->file = file;
    section->line = line;
    snprintf(section->name, sizeof section->name, "%.*s", SECTION_NAME_MAX, name);
    for (size_t i = 0; i < inifile_count(inifile); ++i) {
        const struct inifile_entry *entry = inifile_entry(inifile, i);

        if (strcmp(entry->section, name) == 0)
            take_entry(section, tables, entry);
    }
    for (; *tables; ++tables)
        for (const struct section_key *key = *tables; key->name; ++key) {
            struct benchvalue *value;
            char why[256];

            if (values_find(section, key->name))
                continue;
            if (key->required)
                faults_add(section->faults, "%s:%d: [%s] %s: missing; the section must give it",
                           section->file, section->line, section->name, key->name);
            if (!key->standard)
                continue;
            value = values_add(section);
            if (!value) {
                faults_add(section->faults, "%s: no memory", section->file);
                return section;
            }
            value->key = key;
            value->line = section->line;
            benchvalue_convert(value, key->standard, why, sizeof why);
        }
    section->faulty = faults->count > before;
    return section;
}

void section_seal(struct section *section)
{
    section->faults = NULL;
}

bool section_is_sound(const struct section *section)
{
    return !section->faulty;
}

bool section_same(const struct section *a, const struct section *b)
{
    if (a->count != b->count)
        return false;
    for (size_t i = 0; i < a->count; ++i)
        if (a->value[i].key != b->value[i].key || strcmp(a->value[i].text, b->value[i].text) != 0)
            return false;
    return true;
}

/* ---- reading section ---- */

const char *section_text(const struct section *section, const char *key)
{
    const struct benchvalue *value = values_find(section, key);

    return value ? value->text : NULL;
}

double section_number(const struct section *section, const char *key)
{
    const struct benchvalue *value = values_find(section, key);

    return value ? value->number : (double)NAN;
}

long section_integer(const struct section *section, const char *key)
{
    const struct benchvalue *value = values_find(section, key);

    return value && !isnan(value->number) ? (long)value->number : 0;
}

bool section_switch(const struct section *section, const char *key)
{
    const struct benchvalue *value = values_find(section, key);

    return value && value->number == 1.0;
}

int64_t section_time(const struct section *section, const char *key)
{
    const struct benchvalue *value = values_find(section, key);

    return value && !isnan(value->number) ? llround(value->number * 1e6) : 0;
}

bool section_given(const struct section *section, const char *key)
{
    const struct benchvalue *value = values_find(section, key);

    return value && value->given;
}

int section_line(const struct section *section, const char *key)
{
    const struct benchvalue *value = values_find(section, key);

    return value ? value->line : section->line;
}

const char *section_bytes(const struct section *section, const char *key, size_t *length)
{
    return section_item(section, key, 0, length);
}

const char *section_item(const struct section *section, const char *key, size_t index,
                         size_t *length)
{
    for (size_t i = 0; i < section->count; ++i)
        if (strcmp(section->value[i].key->name, key) == 0 && index-- == 0) {
            if (length)
                *length = section->value[i].length;
            return section->value[i].bytes ? section->value[i].bytes : section->value[i].text;
        }
    return NULL;
}

enum status_code section_byte(const struct section *section, const char *key, char *byte,
                              struct status *st)
{
    static const struct {
        const char *name;
        char byte;
    } named[] = {{"comma", ','}, {"semicolon", ';'}, {"tab", '\t'}, {"space", ' '}};
    size_t length = 0;
    const char *bytes = section_bytes(section, key, &length);

    *byte = bytes ? bytes[0] : '\0';
    for (size_t i = 0; bytes && i < sizeof named / sizeof named[0]; ++i)
        if (strcmp(bytes, named[i].name) == 0) {
            *byte = named[i].byte;
            return status_ok(st);
        }
    if (bytes && length != 1)
        return section_fail(section, key, st,
                            "must be one character, or comma, semicolon, tab or space");
    return status_ok(st);
}

enum status_code section_pattern(const struct section *section, const char *key,
                                 struct pattern **pattern, struct status *st)
{
    const char *text = section_text(section, key);
    struct status why;

    *pattern = NULL;
    if (text && pattern_new(text, pattern, &why) != STATUS_OK)
        return section_fail(section, key, st, "%s", why.text);
    return STATUS_OK;
}
