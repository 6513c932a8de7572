/* section: one [section] of the bench file: its keys, checked by tables, and their values.
 *
 * Which keys may stand in a section is declared in tables, one common table and one more from each
 * driver, so that unknown keys, wrong kinds and values out of range are found in one place, with
 * file, line, section and key. */
#ifndef TRUEWOUND_SECTION_H
#define TRUEWOUND_SECTION_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "acquire/faults.h"
#include "acquire/pattern.h"
#include "db/inifile.h"
#include "db/status.h"

#define SECTION_NAME_MAX 49 /* inih cuts longer names of sections and keys without a word */

enum section_kind {
    SECTION_TEXT,    /* any text */
    SECTION_BYTES,   /* text with the escapes \r \n \t \\ \s (space) \0 \xHH */
    SECTION_LIST,    /* as SECTION_BYTES, and the key may be given several times */
    SECTION_NUMBER,  /* a number within [min, max] */
    SECTION_INTEGER, /* a whole number within [min, max] */
    SECTION_SWITCH,  /* yes or no (also on/off, true/false, 1/0) */
    SECTION_CHOICE,  /* one of the words in `choices`, separated by spaces */
    SECTION_TIME,    /* a time: a number with us, ms, s, min, h or d; in seconds when bare */
    SECTION_PATTERN, /* a PCRE2 pattern; it must compile */
    SECTION_PATTERNS /* the same, and the key may be given several times */
};

/* One key that may stand in a section. A table of them ends with a NULL name. */
struct section_key {
    const char *name;
    enum section_kind kind;
    bool required;
    const char *standard; /* what stands for a key that is absent; NULL: nothing does */
    const char *choices;  /* SECTION_CHOICE */
    double min, max;      /* SECTION_NUMBER, _INTEGER; SECTION_TIME in seconds */
};

struct section;

/* All values of the section of that name, whose heading stands in `line`. tables ends with NULL.
 * Faults are added and what is faulty is left out; they may be added later, too, by section_fail,
 * until section_seal. file must outlive the section. NULL only without memory, which is a fault. */
struct section *section_read(const struct inifile *inifile, const char *file, const char *name,
                             int line, const struct section_key *const *tables,
                             struct faults *faults);

/* The reading of the file is over: section_fail adds to no faults from here on. */
void section_seal(struct section *section);

/* NULL is allowed. */
void section_free(struct section *section);

/* True when the tables found no fault in it. */
bool section_is_sound(const struct section *section);

/* True when both say the same. */
bool section_same(const struct section *a, const struct section *b);

/* Values by key. The key must be in one of the section's tables. What is absent comes as its
 * standard, or as NULL, NaN, 0 or false without one. */
const char *section_text(const struct section *section, const char *key);
double section_number(const struct section *section, const char *key);
long section_integer(const struct section *section, const char *key);
bool section_switch(const struct section *section, const char *key);

/* A SECTION_TIME in microseconds; 0 when absent without a standard. */
int64_t section_time(const struct section *section, const char *key);

/* True when the file itself gives the key. */
bool section_given(const struct section *section, const char *key);

/* The line where the key stands, or that of the heading when it is absent. */
int section_line(const struct section *section, const char *key);

/* The bytes of a SECTION_BYTES value, escapes resolved; *length may be NULL. A byte more than
 * *length is there and is 0. NULL when absent without a standard. */
const char *section_bytes(const struct section *section, const char *key, size_t *length);

/* Number index of the values of a SECTION_LIST or SECTION_PATTERNS, in the order of the file; NULL
 * beyond them. length may be NULL. */
const char *section_item(const struct section *section, const char *key, size_t index,
                         size_t *length);

/* The single byte of a SECTION_BYTES value, or an error; 0 when the key is absent. Some have names,
 * because a file cannot show them (a semicolon after a space begins a comment): comma, semicolon,
 * tab, space. */
enum status_code section_byte(const struct section *section, const char *key, char *byte,
                              struct status *st);

/* A SECTION_PATTERN compiled, which the caller frees; NULL when the key is absent. */
enum status_code section_pattern(const struct section *section, const char *key,
                                 struct pattern **pattern, struct status *st);

/* Says what is wrong with a key: fills *st (NULL: not wanted) with file, line, section, key and the
 * sentence, and adds it to the faults while the file is read. Returns STATUS_INPUT. */
enum status_code section_fail(const struct section *section, const char *key, struct status *st,
                              const char *format, ...) __attribute__((format(printf, 4, 5)));

#endif
