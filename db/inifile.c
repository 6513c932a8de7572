#include "db/inifile.h"

#include <errno.h>
#include <ini.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

struct inifile {
    char *name;
    char *text;
    size_t size;
    struct inifile_entry *entries;
    size_t count;
    size_t room;
};

/* What inih's two callbacks share: the reader counts the lines that the handler reports. */
struct reading {
    struct inifile *file;
    size_t at;
    int line;
    int long_line; /* the first line that is too long, or 0 */
    bool out_of_memory;
};

/* True when text is well-formed UTF-8 without control characters other than tab and line ends.
 * RFC 3629, table in section 4; *line is where it is not. */
static bool is_plain_text(const char *text, size_t size, int *line)
{
    size_t i = 0;

    *line = 1;
    while (i < size) {
        unsigned char c = (unsigned char)text[i];
        size_t more;
        unsigned long code;

        if (c == '\n')
            ++*line;
        if (c < 0x80) {
            if (c < 0x20 && c != '\n' && c != '\r' && c != '\t')
                return false;
            if (c == 0x7f)
                return false;
            ++i;
            continue;
        }
        if (c >= 0xc2 && c <= 0xdf)
            more = 1, code = c & 0x1fU;
        else if (c >= 0xe0 && c <= 0xef)
            more = 2, code = c & 0x0fU;
        else if (c >= 0xf0 && c <= 0xf4)
            more = 3, code = c & 0x07U;
        else
            return false;
        if (i + more >= size)
            return false;
        for (size_t k = 1; k <= more; ++k) {
            unsigned char next = (unsigned char)text[i + k];

            if ((next & 0xc0U) != 0x80U)
                return false;
            code = (code << 6) | (next & 0x3fU);
        }
        if ((more == 2 && code < 0x800) || (more == 3 && (code < 0x10000 || code > 0x10ffff)) ||
            (code >= 0xd800 && code <= 0xdfff))
            return false;
        i += more + 1;
    }
    return true;
}

/* inih's fgets: one line a call, counted; a line that does not fit is remembered and skipped. */
static char *next_line(char *buffer, int room, void *user)
{
    struct reading *reading = user;
    const struct inifile *file = reading->file;
    const char *from = file->text + reading->at;
    const char *end;
    size_t length;
    size_t kept;

    if (reading->at >= file->size || room < 2)
        return NULL;
    ++reading->line;
    end = memchr(from, '\n', file->size - reading->at);
    length = end ? (size_t)(end - from) + 1 : file->size - reading->at;
    reading->at += length;
    kept = length;
    if (length > INIFILE_LINE_MAX || length >= (size_t)room) {
        if (!reading->long_line)
            reading->long_line = reading->line;
        kept = 0;
    }
    memcpy(buffer, from, kept);
    if (kept == 0)
        buffer[kept++] = '\n';
    buffer[kept] = '\0';
    return buffer;
}

static int keep_entry(void *user, const char *section, const char *key, const char *value)
{
    struct reading *reading = user;
    struct inifile *file = reading->file;
    struct inifile_entry *entry;

    if (file->count == file->room) {
        size_t room = file->room ? file->room * 2 : 64;
        struct inifile_entry *more = reallocarray(file->entries, room, sizeof *more);

        if (!more) {
            reading->out_of_memory = true;
            return 0;
        }
        file->entries = more;
        file->room = room;
    }
    entry = &file->entries[file->count++];
    entry->section = strdup(section);
    entry->key = strdup(key);
    entry->value = strdup(value ? value : "");
    entry->line = reading->line;
    if (!entry->section || !entry->key || !entry->value) {
        reading->out_of_memory = true;
        return 0;
    }
    return 1;
}

enum status_code inifile_parse(const char *name, const char *text, size_t size,
                               struct inifile **result, struct status *st)
{
    struct inifile *file;
    struct reading reading;
    enum status_code code;
    int wrong_line = 0;
    int bad;

    *result = NULL;
    if (size > INIFILE_SIZE_MAX)
        return status_fail(st, STATUS_INPUT, "%s: longer than %d bytes, too long for this file",
                           name, INIFILE_SIZE_MAX);
    if (!is_plain_text(text, size, &wrong_line))
        return status_fail(st, STATUS_INPUT, "%s:%d: not plain UTF-8 text (save the file as UTF-8)",
                           name, wrong_line);
    file = calloc(1, sizeof *file);
    if (!file)
        return status_fail(st, STATUS_MEMORY, "%s: no memory", name);
    file->name = strdup(name);
    file->text = malloc(size + 1);
    if (!file->name || !file->text) {
        inifile_free(file);
        return status_fail(st, STATUS_MEMORY, "%s: no memory", name);
    }
    memcpy(file->text, text, size);
    file->text[size] = '\0';
    file->size = size;

    /* Debian builds inih with its options as variables; ours never change. */
    ini_use_stack = false;
    ini_allow_realloc = false;
    ini_initial_alloc = INIFILE_LINE_MAX + 8;
    ini_max_line = INIFILE_LINE_MAX + 8;
    ini_allow_multiline = false;
    reading = (struct reading){.file = file};
    bad = ini_parse_stream(next_line, &reading, keep_entry, &reading);
    code = STATUS_OK;
    if (reading.out_of_memory || bad == -2)
        code = status_fail(st, STATUS_MEMORY, "%s: no memory", name);
    else if (reading.long_line)
        code = status_fail(st, STATUS_INPUT, "%s:%d: line longer than %d bytes", name,
                           reading.long_line, INIFILE_LINE_MAX);
    else if (bad)
        code = status_fail(st, STATUS_INPUT,
                           "%s:%d: expected [section], key = value, or a comment after ; or #",
                           name, bad);
    if (code != STATUS_OK) {
        inifile_free(file);
        return code;
    }
    *result = file;
    return status_ok(st);
}

enum status_code inifile_read(const char *path, struct inifile **file, struct status *st)
{
    FILE *in = fopen(path, "re");
    char *text;
    size_t size;
    enum status_code code;

    *file = NULL;
    if (!in)
        return status_fail(st, errno == ENOENT ? STATUS_NOT_FOUND : STATUS_IO,
                           "%s: cannot be read: %s", path, strerror(errno));
    text = malloc(INIFILE_SIZE_MAX + 1);
    if (!text) {
        fclose(in);
        return status_fail(st, STATUS_MEMORY, "%s: no memory", path);
    }
    size = fread(text, 1, INIFILE_SIZE_MAX + 1, in);
    if (ferror(in))
        code = status_fail(st, STATUS_IO, "%s: cannot be read: %s", path, strerror(errno));
    else
        code = inifile_parse(path, text, size, file, st);
    fclose(in);
    free(text);
    return code;
}

size_t inifile_count(const struct inifile *file)
{
    return file->count;
}

const struct inifile_entry *inifile_entry(const struct inifile *file, size_t index)
{
    return index < file->count ? &file->entries[index] : NULL;
}

const struct inifile_entry *inifile_find(const struct inifile *file, const char *section,
                                         const char *key)
{
    for (size_t i = 0; i < file->count; ++i)
        if (strcasecmp(file->entries[i].section, section) == 0 &&
            strcasecmp(file->entries[i].key, key) == 0)
            return &file->entries[i];
    return NULL;
}

const char *inifile_name(const struct inifile *file)
{
    return file->name;
}

const char *inifile_text(const struct inifile *file)
{
    return file->text;
}

enum status_code inifile_fail(const struct inifile *file, const struct inifile_entry *entry,
                              struct status *st, const char *format, ...)
{
    char message[STATUS_TEXT_SIZE];
    va_list args;

    va_start(args, format);
    vsnprintf(message, sizeof message, format, args);
    va_end(args);
    return status_fail(st, STATUS_INPUT, "%s:%d: [%s] %s: %s", file->name, entry->line,
                       entry->section, entry->key, message);
}

void inifile_free(struct inifile *file)
{
    if (!file)
        return;
    for (size_t i = 0; i < file->count; ++i) {
        free((char *)(size_t)file->entries[i].section);
        free((char *)(size_t)file->entries[i].key);
        free((char *)(size_t)file->entries[i].value);
    }
    free(file->entries);
    free(file->name);
    free(file->text);
    free(file);
}
