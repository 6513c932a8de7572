/* typed: one figure of a coil as a person writes it: "8.7 ohm +- 0.1 ohm", "> 20 Mohm", "open",
 * "north". */
#ifndef TRUEWOUND_TYPED_H
#define TRUEWOUND_TYPED_H

#include "analyze/kinds.h"
#include "db/status.h"
#include "db/units.h"

enum typed_bound { TYPED_EQUAL, TYPED_ABOVE, TYPED_BELOW };

struct typed {
    double value; /* SI; +1 north, -1 south */
    double u;     /* standard uncertainty from limits written with it; NaN none */
    double step;  /* SI, one of the last digit written, where that is worth knowing; else NaN */
    enum typed_bound bound;
};

/* Reads text as a figure of that kind. STATUS_INPUT says what was read and what was expected. */
enum status_code typed_read(struct units *units, const struct kind *kind, const char *text,
                            struct typed *out, struct status *st);

#endif
