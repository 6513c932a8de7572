/* batterybook: a site of the store with its battery, what was read of it, and what that says. */
#ifndef TRUEWOUND_BATTERYBOOK_H
#define TRUEWOUND_BATTERYBOOK_H

#include <stdbool.h>
#include <stdint.h>

#include "analyze/infer/forecast.h"
#include "db/status.h"
#include "db/store.h"
#include "db/store_result.h"
#include "db/store_site.h"

#define BATTERYBOOK_NAME    (STORE_NAME_MAX + 1)
#define BATTERYBOOK_CHANGES 16
#define BATTERYBOOK_NOTES   6
#define BATTERYBOOK_EARLIER 3
#define BATTERYBOOK_NOTE    240

/* What a person should be told about. */
enum batterybook_state {
    BATTERYBOOK_FINE,
    BATTERYBOOK_EARLY,   /* too early to tell */
    BATTERYBOOK_SOON,    /* it may not last the time asked for */
    BATTERYBOOK_SPENT,   /* below its end point now */
    BATTERYBOOK_JOINT,   /* a joint has gone bad */
    BATTERYBOOK_STRANGE, /* no such cells do what was read; no date */
    BATTERYBOOK_SILENT,  /* nothing was heard of it for too long */
    BATTERYBOOK_NO_WORD, /* no battery recorded, no channel, or nothing read yet */
    BATTERYBOOK_STATES
};
const char *batterybook_state_word(enum batterybook_state state);

struct batterybook {
    struct store_site site; /* texts point into the fields below */
    char name[BATTERYBOOK_NAME];
    char coil[BATTERYBOOK_NAME]; /* name of the coil, or empty */
    bool fitted;                 /* a battery is recorded as in there */
    struct store_battery battery;
    char type[BATTERYBOOK_NAME];
    struct trend_site setup;
    int64_t at;      /* now, or the time asked for, microseconds */
    int64_t last;    /* latest reading of the voltage; 0 none */
    double silent_s; /* since then */

    struct trend_row *row; /* of the battery that is in now */
    size_t n_row;
    struct trend_day *day;
    size_t n_day;
    /* Changes that are not recorded, the latest of them, oldest first; the readings above begin
     * after the last. */
    struct trend_change change[BATTERYBOOK_CHANGES];
    size_t n_change;
    bool has_slope;
    struct trend_slope slope; /* V a day, 90 %, of the corrected unloaded voltage, four weeks */
    struct trend_knee knee;
    struct trend_joint joint;
    bool has_forecast;
    struct forecast forecast;
    size_t n_earlier; /* batteries that were taken out before, here or elsewhere, and learnt from */
    struct forecast_earlier earlier[BATTERYBOOK_EARLIER];
    enum batterybook_state state;
    char word[BATTERYBOOK_NOTE]; /* one sentence for the state */
    size_t n_note;
    char note[BATTERYBOOK_NOTES][BATTERYBOOK_NOTE]; /* what the readings cannot show, and so on */
};

/* The batteries of a store that were taken out, each read and learnt from when first asked for. */
struct batterybook_past;
enum status_code batterybook_past(struct store *store, struct batterybook_past **past,
                                  struct status *st);
void batterybook_past_free(struct batterybook_past *past);

/* When to speak up. */
struct batterybook_alarm {
    double within_s; /* an end within this is SOON when its chance is above 1 in 20 */
    double silent_s; /* no reading for this long is SILENT */
};

/* Loads the site of that name as it was known at `at` (microseconds; 0: at the latest reading, or
 * now if that is later; readings far after now, with none between, are a clock's fault and left
 * out) and works everything out. STATUS_NOT_FOUND when there is no such site. A
 * site that cannot be judged is not an error: the state says why. past: of the same store; what
 * batteries of the same type gave that were taken out by then, here or, with fewer than
 * BATTERYBOOK_EARLIER of them, elsewhere, is the first guess; NULL: none is looked at. Free with
 * batterybook_free. */
enum status_code batterybook_load(struct store *store, const char *name, int64_t at,
                                  const struct batterybook_alarm *alarm,
                                  struct batterybook_past *past, struct batterybook **book,
                                  struct status *st);
void batterybook_free(struct batterybook *book);

/* Days left that count: the sooner of cells and joints as they are. NaN when not told. */
double batterybook_days(const struct batterybook *book, enum forecast_quantile quantile);

/* True for a state that an alarm is raised for. */
bool batterybook_alarming(enum batterybook_state state);

#endif
