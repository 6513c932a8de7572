/* unload: the pull of a magnet as the weight that a scale under it loses.
 *
 * The magnet hangs above a block of iron that lies on the scale; while the current is swept by
 * hand, current and scale are recorded together. The scale shows
 *     weight + drift t - L[ pull(current) ]
 * where L is the lag of the scale, a first-order low pass. Pull against current is a curve of
 * straight pieces, one for current rising and, where the iron keeps what it had, more for current
 * falling; all of it is one weighted linear least-squares fit, and the lag the value that fits
 * best. Readings beyond the range, and those after the block has left the pan, say only 'more
 * than'. Pure: no clock, no input or output. */
#ifndef TRUEWOUND_UNLOAD_H
#define TRUEWOUND_UNLOAD_H

#include <stdbool.h>
#include <stddef.h>

#include "db/status.h"

#define UNLOAD_POINTS_MAX  24
#define UNLOAD_SAMPLES_MAX 20000

enum unload_mark {
    UNLOAD_GOOD,
    UNLOAD_UNSTABLE, /* the scale says it is still moving: counts less */
    UNLOAD_OVER      /* beyond its range: value is not used */
};

struct unload_sample {
    double time;  /* s, growing */
    double value; /* N on the pan (as shown, tare taken off), or A */
    enum unload_mark mark;
};

struct unload_input {
    const struct unload_sample *scale;
    size_t scales; /* at least 12 */
    const struct unload_sample *current;
    size_t currents;   /* at least 6, over the same time */
    double resolution; /* N, one digit of the scale; NaN: not known */
    double block;      /* N, weight of the iron on the pan; NaN: not known */
};

struct unload_point {
    double current; /* A */
    double pull;    /* N */
    double u;       /* N, standard uncertainty without the gains of scale and ammeter */
    bool falling;   /* the current had been higher before */
    bool more_than; /* the scale ended, or the block left it: the pull was above this */
};

struct unload_curve {
    size_t points;
    struct unload_point point[UNLOAD_POINTS_MAX]; /* rising by current, then falling */
    double tare;                                  /* N, shown at the start without current */
    double tare_u;                                /* N */
    bool tared;        /* the scale was set to zero with the block on it */
    double drift;      /* N/s */
    double drift_u;    /* N/s */
    double lag;        /* s */
    double left;       /* N, pull left without current at the end; NaN when it was not seen */
    double left_u;     /* N */
    double hysteresis; /* greatest falling over rising pull at equal current - 1; NaN: not seen */
    double hysteresis_u;
    double scatter;              /* N, of the readings about the fit */
    size_t used, unstable, over; /* readings */
    bool lifted_off;             /* the block left the pan: the curve ends at its weight */
};

/* Works out the curve. STATUS_INPUT, with what to do, when there are too few readings, no stretch
 * without current to weigh the block, no current at all, or streams that do not overlap in time;
 * STATUS_NUMERIC when the fit fails. */
enum status_code unload_curve(const struct unload_input *input, struct unload_curve *curve,
                              struct status *st);

#endif
