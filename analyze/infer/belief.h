/* belief: what is believed of one battery before its voltages are weighed: the curves it may
 * follow, and priors of its capacity and self-discharge, beside the days it was read on. */
#ifndef TRUEWOUND_BELIEF_H
#define TRUEWOUND_BELIEF_H

#include "analyze/infer/daily.h"
#include "analyze/infer/depart.h"
#include "analyze/infer/duty.h"
#include "analyze/infer/fade.h"
#include "analyze/infer/trend.h"

/* Where the charge is not known, a "capacity" is a life in seconds. */
struct belief {
    const struct trend_site *site;
    struct fade fade;
    struct depart depart;
    struct daily daily;
    struct duty duty;
    double part[FADE_CURVES]; /* prior share of each curve */
    double log_c, log_c_u;    /* prior of the logarithm of the capacity */
    double like_c, like_u;    /* the same if it is like the earlier ones */
    double table_u;           /* of log_c_u what the kind of cell is to blame for, not the site */
    double used;              /* before the first row, from the time since fitting */
    double rate, rate_u;      /* self-discharge, 1/s */
    double mean_a;            /* lately; NaN where the charge is not known */
    double rated_ah;          /* at that current; NaN likewise */
};

/* Of a battery with nothing known of earlier ones; site must outlive b, and have passed
 * cell_check. n: 1 or more. Errors as of daily_make and of cell.h's capacity and self-discharge. */
enum status_code belief_make(const struct trend_site *site, const struct trend_day days[], size_t n,
                             struct belief *b, struct status *st);

/* Density of the share of charge used before it was fitted. */
double belief_start(const struct belief *b, double x);

#endif
