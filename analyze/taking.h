/* taking: one figure from a channel of the bench into the record of a coil. */
#ifndef TRUEWOUND_TAKING_H
#define TRUEWOUND_TAKING_H

#include <stdint.h>

#include "analyze/conditions.h"
#include "analyze/kinds.h"
#include "analyze/steady.h"
#include "db/status.h"
#include "db/store.h"
#include "db/units.h"

struct taking {
    const struct kind *kind;
    struct conditions conditions; /* what is known beforehand; taking_conditions adds to it */
    struct steady_options steady;
    const char *channel_name;     /* as the person named it; NULL: found by quantity */
    const char *voltage_name;     /* channels for the conditions; NULL: found */
    const char *temperature_name; /* likewise */
    const char *remark;           /* may be NULL */
    int64_t channel;              /* of the store */
    int64_t supersedes;           /* the entry this one replaces; 0 none */
    int64_t coil, run;            /* where taking_store() put it */
    double leads, leads_u;        /* SI, taken off the value; 0 */
    struct steady_value value;
};

/* Nothing known, usual waiting. */
void taking_init(struct taking *t);

/* Waits until the channel is steady. A channel that is measured only when asked for is asked for,
 * and let go afterwards. An overload is a value only for a resistance. */
enum status_code taking_wait(struct taking *t, const char *database, struct store *store,
                             struct status *st);

/* Voltage across the coil for a current, and the temperature of the place, when the bench measures
 * them; a figure already in t->conditions counts more. */
enum status_code taking_conditions(struct taking *t, struct store *store, struct status *st);

/* Stores the value for the coil of that name, in its open run. */
enum status_code taking_store(struct taking *t, struct units *units, struct store *store,
                              const char *name, const char *place, int64_t *id, struct status *st);

#endif
