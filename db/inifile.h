/* inifile: a bench file or a design file as a list of entries that know their line.
 *
 * inih does the reading. This module bounds it and adds the line numbers, because a wrong value
 * is of no use to the person who wrote it without the place where it stands. */
#ifndef TRUEWOUND_INIFILE_H
#define TRUEWOUND_INIFILE_H

#include <stddef.h>

#include "db/status.h"

/* The longest file and the longest line that are read, bytes. */
#define INIFILE_SIZE_MAX (1024 * 1024)
#define INIFILE_LINE_MAX 2000

/* One `key = value` line. The strings live as long as the inifile. */
struct inifile_entry {
    const char *section; /* "" before the first [section] */
    const char *key;
    const char *value; /* white space and a trailing ` ; comment` removed; may be "" */
    int line;          /* 1 is the first line of the file */
};

struct inifile;

/* Reads the file at path. STATUS_IO when it cannot be read; STATUS_INPUT, with the line, when a
 * line is neither a section, an entry, a comment nor empty, is too long, or is not UTF-8 text.
 * On success the caller frees *file with inifile_free. */
enum status_code inifile_read(const char *path, struct inifile **file, struct status *st);

/* The same for text already in memory; name stands for the path in messages. */
enum status_code inifile_parse(const char *name, const char *text, size_t size,
                               struct inifile **file, struct status *st);

/* How many entries there are, in the order of the file. */
size_t inifile_count(const struct inifile *file);

/* Entry number index, below inifile_count(); NULL beyond. */
const struct inifile_entry *inifile_entry(const struct inifile *file, size_t index);

/* The first entry of that section and key, or NULL. Both compare without regard to case. */
const struct inifile_entry *inifile_find(const struct inifile *file, const char *section,
                                         const char *key);

/* The name given at reading, and the whole text as it was read. */
const char *inifile_name(const struct inifile *file);
const char *inifile_text(const struct inifile *file);

/* Fills *st with "NAME:LINE: [SECTION] KEY: message" and returns STATUS_INPUT. */
enum status_code inifile_fail(const struct inifile *file, const struct inifile_entry *entry,
                              struct status *st, const char *format, ...)
    __attribute__((format(printf, 4, 5)));

/* Frees it; NULL is allowed. */
void inifile_free(struct inifile *file);

#endif
