/* store_site: places where a battery works a coil, and which channels watch it. */
#ifndef TRUEWOUND_STORE_SITE_H
#define TRUEWOUND_STORE_SITE_H

#include "db/store.h"

struct store_site {
    int64_t id;
    const char *name;    /* unique */
    int64_t unloaded;    /* channel: voltage between pulses; 0 none */
    int64_t loaded;      /* channel: voltage in a pulse, or its minimum; 0 none */
    int64_t temperature; /* channel; 0 none */
    int64_t pulses;      /* channel: counted so far; 0 none */
    int64_t coil;        /* what it works; 0 none */
    double ohm, henry;   /* of that coil, ohm and H; NaN unknown */
    double pulse;        /* length, s; NaN unknown */
    double pulse_u;      /* its standard uncertainty, s; NaN unknown */
    double period;       /* from pulse to pulse, s; NaN unknown */
    double standby;      /* drawn all the time, A; NaN unknown */
    double end;          /* end point of a cell under load, V; NaN: of its kind */
    const char *remark;  /* may be NULL */
};

typedef int (*store_site_fn)(const struct store_site *row, void *user);

/* Records a site, or of one that has that name the fields that are given: 0, NaN and NULL leave a
 * field as it is. *id is its id. */
enum status_code store_site_put(struct store *store, const struct store_site *site, int64_t *id,
                                struct status *st);

/* Sites by name: all, or the one of that name (STATUS_NOT_FOUND when there is none). */
enum status_code store_site_list(struct store *store, const char *name, store_site_fn fn,
                                 void *user, struct status *st);

/* A person says that what looked like a new battery at that time was none; and asks whether one
 * said so within slack microseconds of it. */
enum status_code store_site_dismiss(struct store *store, int64_t site, int64_t time,
                                    struct status *st);
enum status_code store_site_dismissed(struct store *store, int64_t site, int64_t time,
                                      int64_t slack, bool *dismissed, struct status *st);

#endif
