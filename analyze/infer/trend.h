/* trend: what a battery's voltage over weeks says: running down or a joint going bad, when it was
 * changed, how fast it falls.
 *
 * Times are seconds since 1970 UTC, temperatures degrees Celsius, voltages of the whole battery,
 * charge in ampere hours where the name says so, else SI. NaN is unknown. Pure: no clock, no input
 * or output, no random numbers (the same input gives the same answer). */
#ifndef TRUEWOUND_TREND_H
#define TRUEWOUND_TREND_H

#include "analyze/model/cell.h"
#include "db/status.h"

#include <stdbool.h>
#include <stddef.h>

/* ---- robust slope ---- */

#define TREND_SLOPE_MAX 2000 /* points; their pairs are kept in memory */

struct trend_slope {
    double slope, low, high; /* y per x, with its interval */
    double intercept;        /* median(y) - slope median(x) */
};

/* Theil-Sen: the median slope of all pairs with different x, and the interval of Sen (Journal of
 * the American Statistical Association 63, 1968, 1379-1389) at that level (0.5 to 0.9999), ties
 * counted. STATUS_INPUT: fewer than 2 points, more than TREND_SLOPE_MAX, no two different x, or a
 * value that is not finite. */
enum status_code trend_slope(const double x[], const double y[], size_t n, double level,
                             struct trend_slope *out, struct status *st);

/* ---- the site and its readings ---- */

struct trend_site {
    struct cell_battery battery;
    double fitted_s;         /* when the battery was put in; NaN unknown */
    double used;             /* share of its charge used before that, stated; NaN not stated */
    double coil_ohm, coil_h; /* what it works; NaN unknown (coil_h NaN counts as 0) */
    double pulse_s, u_pulse; /* length of a pulse and its standard uncertainty; NaN unknown */
    double period_s;         /* from pulse to pulse, used where pulses are not counted; NaN */
    double standby_a;        /* drawn all the time beside the pulses, 0 or more */
};
/* All unknown but for the battery. */
struct trend_site trend_site_of(const struct cell_battery *battery);

/* What was read at one time. */
struct trend_row {
    double time_s;
    double temperature;
    double unloaded_v; /* between pulses */
    double loaded_v;   /* in a pulse, at the battery's terminals */
    double pulses;     /* counted so far; a fall is a counter that began again */
};

/* The rows of a day (UTC) as medians, worked out. */
struct trend_day {
    double time_s; /* mean of the rows */
    size_t n;
    double temperature; /* filled in from the neighbours when not read; NaN when never read */
    double unloaded_v, loaded_v;
    double unloaded_20; /* corrected to 20 C by the chemistry's coefficient */
    double ratio;       /* (unloaded - loaded) / loaded: internal resistance over the coil's */
    double ratio_20;    /* the same corrected to 20 C */
    double ohm, ohm_20; /* internal resistance, joints included; NaN without the coil's ohms */
    double drawn_ah;    /* since the first row; NaN when it cannot be known */
    double pulses;      /* since the first row; NaN likewise */
};

/* Rows in order of time to days; *days is for free(). STATUS_INPUT when there is no row, or times
 * go back or are not finite. */
enum status_code trend_days(const struct trend_site *site, const struct trend_row rows[], size_t n,
                            struct trend_day **days, size_t *n_days, struct status *st);

/* ---- changes ---- */

struct trend_change {
    double before_s, after_s; /* the last row of the old battery and the first of the new */
    double step_v;            /* rise of the unloaded voltage, corrected for temperature */
    double noise_v;           /* standard deviation about it */
};

/* Finds where the unloaded voltage (the loaded one, where the unloaded was never read) stepped up
 * for good, by more than a rest gives back: a new battery, or a charge of one that can be charged,
 * which is told a day and a half late. At most `most`, in order of time. */
size_t trend_changes(const struct trend_site *site, const struct trend_row rows[], size_t n,
                     struct trend_change out[], size_t most);

/* ---- knee ---- */

struct trend_knee {
    bool found;
    double time_s;
    double before, after; /* V a second, both sides */
};

/* Where the fall of the corrected unloaded voltage became steeper for good: two straight lines
 * joined, against one, by their sums of squares; the steep start of a fresh cell is no knee. */
void trend_knee(const struct trend_day days[], size_t n, struct trend_knee *out);

/* ---- joint or cell ---- */

enum trend_cause {
    TREND_STEADY,       /* nothing to be seen yet */
    TREND_RUNNING_DOWN, /* the cells run down, as they should */
    TREND_JOINT,        /* resistance has risen that is not the cells': contact, lead, switch */
    TREND_UNSEEN        /* loaded voltage is not known, so the two cannot be told apart */
};
const char *trend_cause_words(enum trend_cause cause);

struct trend_joint {
    enum trend_cause cause;
    double since_s;        /* when the resistance rose; NaN */
    double ratio_good;     /* internal resistance over the coil's, before, at 20 C */
    double ratio_now;      /* now, at 20 C */
    double ohm_excess;     /* what the joint adds, ohm; NaN without the coil's ohms */
    double scatter_before; /* robust relative scatter of the resistance; a loose joint scatters */
    double scatter_now;
};
void trend_joint(const struct trend_site *site, const struct trend_day days[], size_t n,
                 struct trend_joint *out);

/* Internal resistance at a temperature over that at 20 C; 1 where the temperature is NaN. */
double trend_cold_factor(const struct trend_site *site, double temperature);

/* A curve of cell.h at a depth, straight beyond its spent end. */
double trend_on_points(const double curve[CELL_POINTS], double depth);

#endif
