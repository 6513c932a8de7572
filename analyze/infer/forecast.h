/* forecast: when a battery will reach its end point, from the days of one battery (trend.h).
 *
 * Pure, and without random numbers: the same input gives the same answer. */
#ifndef TRUEWOUND_FORECAST_H
#define TRUEWOUND_FORECAST_H

#include "analyze/infer/trend.h"

enum forecast_answer {
    FORECAST_TELLS,
    FORECAST_TOO_EARLY, /* the interval is too wide to act on: see why */
    FORECAST_SPENT,     /* the loaded voltage is below the end point already */
    FORECAST_STRANGE    /* no such cells do what the readings say, so no date: see why */
};

enum forecast_quantile {
    FORECAST_Q05,
    FORECAST_Q25,
    FORECAST_Q50,
    FORECAST_Q75,
    FORECAST_Q95,
    FORECAST_QUANTILES
};

#define FORECAST_PATH 48

/* What an earlier battery of the same kind of cell gave, learnt from its readings once it had been
 * taken out: a first guess for those that come after it. */
#define FORECAST_EARLIER 12 /* no more of them are used, the last ones given */
#define FORECAST_POINTS  41 /* of its curve, at depth 0, 0.025 .. 1 */

struct forecast_earlier {
    bool here;          /* the same site: the same coil, pulse and meter */
    bool charged;       /* the charge it gave is known, so that it says something to other sites */
    double log_ratio;   /* logarithm of its capacity over the table's or stated one at its duty, or,
                         * where the charge is not known, of its life over the one of a guess */
    double u;           /* what its readings leave open of that; infinite: they say nothing */
    double depth;       /* share of its charge used when it was taken out */
    double capacity_ah; /* of the battery; NaN when not known */
    double volt[FORECAST_POINTS]; /* of a cell between pulses, at 20 C */
    double u_volt[FORECAST_POINTS];
};

struct forecast {
    enum forecast_answer answer;
    char why[200];
    double from_s; /* the last row; days are counted from here */
    /* Days until the mean loaded voltage of a day falls below the end point for good, cells alone,
     * and with the joints as they are now. NaN where the answer is FORECAST_STRANGE. */
    double days[FORECAST_QUANTILES];
    double falter_days[FORECAST_QUANTILES];
    double depth, u_depth;          /* share of the charge used now */
    double capacity_ah, u_capacity; /* learnt; NaN when the charge drawn is not known */
    double rated_ah;                /* the table's or stated, at this duty; NaN likewise */
    double drawn_ah;                /* since the first row; NaN likewise */
    double mean_a;                  /* lately; NaN likewise */
    double end_v;                   /* end point of the whole battery */
    bool shelf;                     /* the shelf life may come first */
    size_t earlier;                 /* batteries before it that were learnt from */
    double earlier_ratio; /* what they gave over the rated capacity, as expected of this */
    double u_earlier;     /* one if it is like them, and its standard uncertainty */
    double alike;         /* chance that it is like them; NaN when there are none */
    /* The loaded voltage to come, cells alone, for a plot; n_path is 0 where there is no date. */
    size_t n_path;
    double path_s[FORECAST_PATH];
    double path_v[FORECAST_QUANTILES][FORECAST_PATH];
};

/* Forecast from the days of one battery (no change in between). The unloaded voltage (where it was
 * never read: the loaded one, raised by what the table's battery loses) is taken as the chemistry's
 * curve over depth, with unknown capacity, charge used at the start, self-discharge and temperature
 * coefficient, and an unknown smooth departure of this make from the curve (Gaussian process); all
 * are integrated over, the first two on a grid. A voltage that does not fall while charge is drawn,
 * or that is higher than such cells give, is no battery's and gets no date. STATUS_INPUT: no day
 * with a voltage, or a battery that cell_check refuses. STATUS_NUMERIC: more charge drawn than it
 * can hold.
 *
 * earlier: batteries of the same kind of cell that were used before it (none: NULL, 0). Makes of
 * one kind differ more than the cells of one make, so they narrow the capacity and the curve,
 * unless the readings say that this one is not like them. */
enum status_code forecast_make(const struct trend_site *site, const struct trend_day days[],
                               size_t n, const struct trend_joint *joint,
                               const struct forecast_earlier earlier[], size_t n_earlier,
                               struct forecast *out, struct status *st);

/* Learns from the days of a battery that was taken out, whether used up or not. `here` is left
 * false; joint as of trend_joint, or NULL. Readings that are no battery's teach nothing (u is
 * infinite). Errors as of forecast_make. */
enum status_code forecast_learn(const struct trend_site *site, const struct trend_day days[],
                                size_t n, const struct trend_joint *joint,
                                struct forecast_earlier *out, struct status *st);

#endif
