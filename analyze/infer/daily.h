/* daily: the days of one battery as its cells see them, and gathered into bins of about equal
 * charge.
 *
 * Volts are of one cell where not said otherwise, temperatures kelvin over 20 C, charge ampere
 * hours since the first row, or seconds where it is not known. */
#ifndef TRUEWOUND_DAILY_H
#define TRUEWOUND_DAILY_H

#include "analyze/infer/trend.h"

#define DAILY_DAY       86400.0 /* s */
#define DAILY_YEAR      (365.25 * DAILY_DAY)
#define DAILY_BINS      20
#define DAILY_LATELY    3      /* days */
#define DAILY_UNKNOWN_C (-5.0) /* T - 20 where it is never read */

struct daily_bin {
    double charge; /* since the first row, Ah (or seconds where not known) */
    double time_s; /* since the battery was fitted */
    double volt;   /* of a cell */
    double kelvin; /* T - 20 */
    double noise;
};

struct daily {
    const struct trend_site *site;
    struct daily_bin bin[DAILY_BINS];
    size_t n;
    double drawn_ah;            /* in the whole; NaN when not known */
    bool charged;               /* the charge drawn is known */
    bool by_load;               /* only the loaded voltage was ever read */
    double dip;                 /* then: what the load takes, over the loaded voltage, at 20 C; 0 */
    bool warmth;                /* the temperature was read */
    double grain;               /* least step of the readings, V a cell; 0 finer than it matters */
    double last_charge, last_s; /* of the last day, as in a bin */
    double start_s;             /* of the first row since it was fitted; 0 */
};

/* site must outlive d. STATUS_INPUT: no voltage, or none on a day whose charge is known. */
enum status_code daily_make(const struct trend_site *site, const struct trend_day days[], size_t n,
                            struct daily *d, struct status *st);

/* Voltage between the pulses of a day; NaN when it was not read. */
double daily_volt(const struct daily *d, const struct trend_day *day);

/* The loaded voltage of a day, of the whole battery, with good joints: a bad one is not the end of
 * the cells. NaN when it was not read. joint: as of trend_joint, or NULL. */
double daily_loaded(const struct trend_site *site, const struct trend_joint *joint,
                    const struct trend_day *day);

/* End point of one cell of the site's battery: the stated one, else the kind's. */
double daily_end_v(const struct trend_site *site);

/* Ratio of the resistance of the table's battery to the coil's at a depth, where it was not
 * measured. */
double daily_table_ratio(const struct trend_site *site, double depth);

#endif
