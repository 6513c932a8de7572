/* liftunload: a curve of unloading from what the daemon stores while the current is swept. */
#ifndef TRUEWOUND_LIFTUNLOAD_H
#define TRUEWOUND_LIFTUNLOAD_H

#include <stdbool.h>
#include <stdint.h>

#include "analyze/coilbook.h"
#include "analyze/infer/unload.h"
#include "analyze/lifttrial.h"
#include "db/status.h"
#include "db/store.h"

/* Points of one curve that go into the record: they hang together, and more would only crowd out
 * other evidence. */
#define LIFTUNLOAD_POINTS 6

struct liftunload {
    const char *scale_name;   /* channels, or NULL */
    const char *current_name; /* likewise */
    double seconds;           /* to record for */
    double block;             /* N, weight of the iron; NaN not known */
    /* Called about once a second with the last readings (NaN none yet); false ends the recording.
     * May be NULL. */
    bool (*watch)(double seconds, double newton, double ampere, void *user);
    void *user;

    int64_t scale, current; /* channels found */
    int64_t from, to;       /* the stretch recorded */
    struct unload_curve curve;
    int64_t first, last; /* observations made */
};

/* Records for u->seconds and works out the curve. STATUS_INPUT when the recording says nothing,
 * with what to do. Nothing is stored. */
enum status_code liftunload_record(struct store *store, struct liftunload *u, struct status *st);

/* Stores the points with gap, keeper and remark of t. Call between store_begin() and store_end().
 */
enum status_code liftunload_store(struct store *store, const struct coilbook_entry *entry,
                                  const struct lifttrial *t, struct liftunload *u,
                                  struct status *st);

/* Takes the latest curve out of the record; both stay readable. *points is how many went. */
enum status_code liftunload_withdraw(struct store *store, const struct coilbook_entry *entry,
                                     int *points, struct status *st);

#endif
