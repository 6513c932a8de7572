/* posterior: draws of whole coils from the posterior of a verdict, shared by verdict and advise. */
#ifndef TRUEWOUND_POSTERIOR_H
#define TRUEWOUND_POSTERIOR_H

#include "analyze/infer/suppose.h"

/* One coil that explains the evidence; all draws of a verdict weigh the same. */
struct verdict_draw {
    struct suppose_variant variant;
    struct reading_state state;
    double resistance_a, resistance_b; /* ohm, limbs at the ambient temperature of the design */
    double resistance;                 /* ohm, the pair there */
    double pull;                       /* N under the design's conditions; NaN: not asked for */
    bool good;                         /* keeps every limit */
};

#endif
