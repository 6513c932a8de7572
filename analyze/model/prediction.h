/* prediction: every figure of a coil as designed with its uncertainty: standard, as an interval,
 * and broken down by cause. */
#ifndef TRUEWOUND_PREDICTION_H
#define TRUEWOUND_PREDICTION_H

#include <stdbool.h>
#include <stddef.h>

#include "analyze/model/coil.h"
#include "analyze/model/input.h"
#include "db/status.h"

/* A predicted figure. Standard uncertainty by first order (JCGM 100) and by Monte Carlo (JCGM 101);
 * low and high are the 95 % interval of the Monte Carlo draws when there were any, else value +-
 * coverage factor x u. */
struct prediction_figure {
    bool exists;
    double value;
    double u;
    double low, high;
    double share[INPUT_CAUSES]; /* of the first-order variance by cause; sums to 1 */
    double mc_mean, mc_u;       /* NaN without draws */
    bool agrees; /* first order and Monte Carlo agree to one digit of u (JCGM 101 clause 8) */
};

struct prediction {
    struct prediction_figure figure[COIL_QUANTITIES];
    const char *limit; /* as in coil_observables, for the nominal coil */
    size_t draws;      /* Monte Carlo draws that were used */
    size_t failed;     /* draws that could not be worked out */
    /* The magnetic circuit is drawn through a surface fitted to true solutions, with what the
     * surface misses drawn as well (surrogate.h). This is its worst miss as a part of the standard
     * uncertainty. NaN: every draw was solved, as it is below 10 000 draws, or where the surface
     * would miss more than 0.3. */
    double surface_error;
};

/* Every figure of a design with its uncertainty. want: sum of COIL_FIELD, ... draws: Monte Carlo
 * draws, 0 for first order only, 100 000 is plenty; fixed seed, the same answer on every machine.
 * Fails as coil_forward() for the coil as designed, with STATUS_NUMERIC when too many draws cannot
 * be worked out, with STATUS_MEMORY. Method: uncertain.h. */
enum status_code prediction_make(struct coil *c, const struct coil_conditions *k, unsigned want,
                                 size_t draws, struct prediction *out, struct status *st);

#endif
