/* ahead: one battery followed on its way to the end point, its unknowns given.
 *
 * What is left open then, the departure of the curve ahead, the duty and the growth of the
 * resistance, is drawn: a caller gives standard normal numbers. */
#ifndef TRUEWOUND_AHEAD_H
#define TRUEWOUND_AHEAD_H

#include "analyze/infer/belief.h"
#include "analyze/infer/given.h"
#include "analyze/infer/trend.h"

#define AHEAD_DEPTHS 24 /* at which the departure is worked out */

struct ahead {
    const struct belief *belief;
    const struct given *given;
    double now; /* depth */
    double x[AHEAD_DEPTHS], mean[AHEAD_DEPTHS], sd[AHEAD_DEPTHS];
    double ratio, bad; /* internal resistance over the coil's at 20 C: of the cells alone, and as
                        * it is now with the joints */
};

struct ahead_luck { /* standard normal */
    double volt, duty, growth;
};

struct ahead_end {
    double days;   /* until the loaded voltage crosses the end point, cells alone */
    double falter; /* and with the joints as they are now */
};

/* belief and given, which given_weigh has weighed, must outlive a. joint: as of trend_joint, or
 * NULL. */
void ahead_make(const struct belief *belief, const struct given *given,
                const struct trend_joint *joint, struct ahead *a);

/* path: the loaded voltage of a cell at each of path_s (seconds from now, rising). A battery that
 * outlasts a depth of two more has the days until then. */
void ahead_follow(const struct ahead *a, const struct ahead_luck *luck, const double *path_s,
                  size_t n_path, double *path, struct ahead_end *end);

#endif
