/* lifttrial: one lift attempt in a person's words, checked, with the current read from the bench at
 * that moment, into the record of a coil. */
#ifndef TRUEWOUND_LIFTTRIAL_H
#define TRUEWOUND_LIFTTRIAL_H

#include <stdbool.h>
#include <stdint.h>

#include "analyze/coilbook.h"
#include "analyze/conditions.h"
#include "db/status.h"
#include "db/store.h"
#include "db/store_evidence.h"
#include "db/units.h"

#define LIFTTRIAL_WORDS_SIZE 128

/* A current older than this is not the current of the trial: the daemon's usual flush interval. */
#define LIFTTRIAL_STALE 1.0 /* s */

/* The word in conditions.kind of an entry that only takes another out of the record. */
#define LIFTTRIAL_WITHDRAWN "withdrawn"

enum lifttrial_result {
    LIFTTRIAL_NONE,
    LIFTTRIAL_HELD,
    LIFTTRIAL_DROPPED,
    LIFTTRIAL_SLID,
    LIFTTRIAL_NOT_LIFTED,
    LIFTTRIAL_STICKS, /* the current is off and it still hangs */
    LIFTTRIAL_FALLS   /* the current is off and it fell */
};

struct lifttrial {
    double load, load_u; /* N; u NaN not known */
    bool more_than;      /* the scale ended: the load was above */
    enum lifttrial_result result;
    double hold;                       /* s held, or until it dropped; NaN */
    double age;                        /* s by which the current is older than the trial; 0 */
    char keeper[LIFTTRIAL_WORDS_SIZE]; /* which */
    char shim[LIFTTRIAL_WORDS_SIZE];   /* of what */
    char remark[LIFTTRIAL_WORDS_SIZE];
    struct conditions conditions; /* current, gap, voltage, temperature and their uncertainties */
};

/* Where a current is looked for: names of channels as typed, or NULL. */
struct lifttrial_channels {
    const char *current, *voltage, *temperature;
};

/* Nothing known; contact. */
void lifttrial_init(struct lifttrial *t);

/* A load: "1.2 kg", "2 lb 4 oz", a sum "1 kg + 4 oz", "more than 5 kg" or "> 5 kg", or what a
 * balance tells of an unknown lump: "between 1 kg and 1.2 kg". */
enum status_code lifttrial_load(struct units *units, const char *text, struct lifttrial *t,
                                struct status *st);

/* "held", "dropped", "slid", "not lifted", "more than" (held, and the scale ended), "sticks",
 * "falls off". */
enum status_code lifttrial_result_read(const char *text, struct lifttrial *t, struct status *st);
const char *lifttrial_result_words(enum lifttrial_result result);

/* A gap: "contact", or a shim "0.5 mm", "2 thou brass". */
enum status_code lifttrial_gap(struct units *units, const char *text, struct lifttrial *t,
                               struct status *st);

/* Any field by its word: load, outcome, gap, current, voltage, temperature, hold, keeper, remark.
 * STATUS_NOT_FOUND for a word that is none. */
enum status_code lifttrial_field(struct units *units, const char *word, const char *text,
                                 struct lifttrial *t, struct status *st);

/* Reads the current of this moment, with voltage and temperature when the bench measures them.
 * Waits up to the flush interval and a half for it. A current that is older is taken with its age
 * and marked doubtful; older than a minute is STATUS_INPUT. */
enum status_code lifttrial_live(struct store *store, const struct lifttrial_channels *channels,
                                struct lifttrial *t, struct status *st);

/* Everything there that a trial needs, and possible for that design. */
enum status_code lifttrial_check(const struct design *design, const struct lifttrial *t,
                                 struct status *st);

/* Stores it in the open run; supersedes: number of the trial it replaces, 0 none. One of
 * sticking becomes an observation. Call between store_begin() and store_end(). */
enum status_code lifttrial_store(struct store *store, const struct coilbook_entry *entry,
                                 const struct lifttrial *t, int64_t supersedes, int64_t *id,
                                 struct status *st);

/* Takes a trial out of the record: a withdrawal supersedes it, both stay readable. number 0: the
 * latest that stands. STATUS_NOT_FOUND when there is none. */
enum status_code lifttrial_withdraw(struct store *store, const struct coilbook_entry *entry,
                                    int64_t *number, struct status *st);

#endif
