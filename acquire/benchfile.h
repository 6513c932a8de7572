/* benchfile: which instruments are on which ports, and what their channels mean.
 *
 * The file has [store], [instrument NAME] and [channel INSTRUMENT.NAME] sections. Which keys may
 * stand in which is the business of acquire/section. truewound-bench.5 explains every key. */
#ifndef TRUEWOUND_BENCHFILE_H
#define TRUEWOUND_BENCHFILE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "acquire/calibration.h"
#include "acquire/section.h"
#include "db/status.h"

#define BENCHFILE_INSTRUMENTS_MAX 128
#define BENCHFILE_CHANNELS_MAX    64 /* of one instrument */
#define BENCHFILE_NAME_MAX        20 /* letters in the name of an instrument or a channel */

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
    struct section *values; /* see acquire/section */
};

struct benchfile_instrument {
    char name[BENCHFILE_NAME_MAX + 1];
    const char *driver; /* name of a row of the driver table */
    const char *port;
    const char *identity; /* text its answer must hold; "" when nothing is expected */
    int line;             /* of the [instrument] heading */
    size_t channels;
    struct benchfile_channel *channel; /* in the order of the file */
    struct section *values;
};

struct benchfile {
    char *path;
    const char *database;  /* NULL when [store] does not name one */
    double flush_interval; /* s */
    double retention;      /* of raw readings, s; INFINITY: for ever */
    size_t instruments;
    struct benchfile_instrument *instrument;
    struct section *own; /* of [store] */
    unsigned holders;    /* see benchfile_hold */
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

#endif
