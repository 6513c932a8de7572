/* benchfile: which instruments are on which ports, and what their channels mean.
 *
 * The file has [store], [instrument NAME] and [channel INSTRUMENT.NAME] sections. Which keys may
 * stand in a section is declared in tables: one common table here, and one more table from each
 * driver, so that unknown keys, wrong kinds and values out of range are found in one place, with
 * file, line, section and field. truewound-bench.5 explains every key. */
#ifndef TRUEWOUND_BENCHFILE_H
#define TRUEWOUND_BENCHFILE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "acquire/calibration.h"
#include "db/status.h"

#define BENCHFILE_INSTRUMENTS_MAX 128
#define BENCHFILE_CHANNELS_MAX    64 /* of one instrument */
#define BENCHFILE_NAME_MAX        20 /* letters in the name of an instrument or a channel */

enum benchfile_kind {
    BENCHFILE_TEXT,    /* any text */
    BENCHFILE_BYTES,   /* text with the escapes \r \n \t \\ \s (space) \0 \xHH */
    BENCHFILE_LIST,    /* as BENCHFILE_BYTES, and the key may be given several times */
    BENCHFILE_NUMBER,  /* a number within [min, max] */
    BENCHFILE_INTEGER, /* a whole number within [min, max] */
    BENCHFILE_SWITCH,  /* yes or no (also on/off, true/false, 1/0) */
    BENCHFILE_CHOICE,  /* one of the words in `choices`, separated by spaces */
    BENCHFILE_TIME,    /* a time: a number with us, ms, s, min, h or d; in seconds when bare */
    BENCHFILE_PATTERN, /* a PCRE2 pattern; it must compile */
    BENCHFILE_PATTERNS /* the same, and the key may be given several times */
};

/* One key that may stand in a section. A table of them ends with a NULL name. */
struct benchfile_key {
    const char *name;
    enum benchfile_kind kind;
    bool required;
    const char *standard; /* what stands for a key that is absent; NULL: nothing does */
    const char *choices;  /* BENCHFILE_CHOICE */
    double min, max;      /* BENCHFILE_NUMBER, _INTEGER; BENCHFILE_TIME in seconds */
};

/* The values of one section; read by the functions below. */
struct benchfile_values;

struct benchfile_channel {
    char name[BENCHFILE_NAME_MAX + 1];
    char quantity[24]; /* a name db/quantity knows */
    char unit[24];     /* unit of the number the instrument sends */
    int line;          /* of the [channel] heading */
    int wires;         /* of an ohmmeter: 2 or 4; 0: not known */
    bool asked_only;   /* when = asked: polled only after a select request */
    double resolution; /* one count of the last digit, in unit; NaN when not known */
    double limit_low;  /* readings outside are marked suspect, in SI; NaN: none */
    double limit_high;
    struct calibration calibration;
    struct benchfile_values *values; /* read by the functions below */
};

struct benchfile_instrument {
    char name[BENCHFILE_NAME_MAX + 1];
    const char *driver; /* name of a row of the driver table */
    const char *port;
    const char *identity; /* text its answer must hold; "" when nothing is expected */
    int line;             /* of the [instrument] heading */
    size_t channels;
    struct benchfile_channel *channel; /* in the order of the file */
    struct benchfile_values *values;
};

struct benchfile {
    char *path;
    const char *database;  /* NULL when [store] does not name one */
    double flush_interval; /* s */
    double retention;      /* of raw readings, s; INFINITY: for ever */
    size_t instruments;
    struct benchfile_instrument *instrument;
    struct benchfile_values *own; /* of [store] */
    unsigned holders;             /* see benchfile_hold */
};

/* Called for every fault found; text is one whole sentence with file, line, section and field. */
typedef void (*benchfile_report)(void *to, const char *text);

/* Reads and checks the file. Every fault is handed to report (NULL: not wanted); *st holds the
 * first. On STATUS_OK the caller frees *bench with benchfile_free. */
enum status_code benchfile_read(const char *path, benchfile_report report, void *to,
                                struct benchfile **bench, struct status *st);

/* The same for text in memory; name stands for the path in messages. */
enum status_code benchfile_parse(const char *name, const char *text, size_t size,
                                 benchfile_report report, void *to, struct benchfile **bench,
                                 struct status *st);

/* One more user of the file; each gives it back with benchfile_free. */
void benchfile_hold(struct benchfile *bench);

/* Frees it when no one else holds it. NULL is allowed. */
void benchfile_free(struct benchfile *bench);

/* True when both sections, and those of all their channels, say the same. */
bool benchfile_same(const struct benchfile_instrument *a, const struct benchfile_instrument *b);

/* Values of a section by key. The key must be in the table of the section's driver (or the common
 * one). What is absent comes as its standard, or as NULL, NaN, 0 or false without one. */
const char *benchfile_text(const struct benchfile_values *values, const char *key);
double benchfile_number(const struct benchfile_values *values, const char *key);
long benchfile_integer(const struct benchfile_values *values, const char *key);
bool benchfile_switch(const struct benchfile_values *values, const char *key);

/* A BENCHFILE_TIME in microseconds; 0 when absent without a standard. */
int64_t benchfile_time(const struct benchfile_values *values, const char *key);

/* True when the file itself gives the key. */
bool benchfile_given(const struct benchfile_values *values, const char *key);

/* The line where the key stands, or that of the section heading when it is absent. */
int benchfile_line(const struct benchfile_values *values, const char *key);

/* The bytes of a BENCHFILE_BYTES value, escapes resolved; *length may be NULL. A byte more than
 * *length is there and is 0. NULL when absent without a standard. */
const char *benchfile_bytes(const struct benchfile_values *values, const char *key, size_t *length);

/* Number index of the values of a BENCHFILE_LIST or BENCHFILE_PATTERNS, in the order of the file;
 * NULL beyond them. length may be NULL. */
const char *benchfile_item(const struct benchfile_values *values, const char *key, size_t index,
                           size_t *length);

/* For a driver's check: fills *st with file, line, section, key and a sentence; STATUS_INPUT. */
enum status_code benchfile_fail(const struct benchfile_values *values, const char *key,
                                struct status *st, const char *format, ...)
    __attribute__((format(printf, 4, 5)));

#endif
