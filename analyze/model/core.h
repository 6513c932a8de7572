/* core: the magnetic half of a coil. Its core, yoke and keeper become a magnetic circuit, and what
 * that gives at the current of the electric half becomes figures: flux, flux density, polarity,
 * pull, inductance, residual pull. A coil without iron is reckoned as a solenoid.
 *
 * Only coil_forward() solves with it; others ask it what the design has. A struct core may be used
 * by one thread at a time (it holds a workspace). */
#ifndef TRUEWOUND_CORE_H
#define TRUEWOUND_CORE_H

#include <stdbool.h>

#include "analyze/model/coil.h"
#include "analyze/model/design.h"
#include "analyze/model/iron.h"
#include "db/status.h"

/* What the electric half of a coil hands to the magnetic one. Index 0 is limb a, 1 is limb b. */
struct core_drive {
    double current;    /* A, at the terminals; NaN: no supply stated */
    double share[2];   /* of it, through the turns of each limb */
    double turns[2];   /* that carry it */
    double resistance; /* ohm, of what is driven, without test leads; INFINITY = open */
    double ring[2];    /* ohm, of the shorted turns */
    double closed[2];  /* S, of shorted turns and of a bypassed limb as one turn about the core */
    double height[2];  /* m, of the windings */
};

struct core; /* opaque */

/* Prepares the core of a design that design_complete() and design_check() have passed, and that
 * outlives it: looks up its irons. On success *out is to be given to core_free(). STATUS_NOT_FOUND
 * for an iron without a curve, STATUS_MEMORY. */
enum status_code core_new(const struct design *d, struct core **out, struct status *st);
void core_free(struct core *c);

/* Whether the design has a keeper, and whether its pole face has a size of its own. */
bool core_has_keeper(const struct core *c);
bool core_has_pole(const struct core *c);

/* The iron of the limbs, NULL for an air core, and of the keeper, NULL without one. They live as
 * long as the core. */
const struct iron *core_iron(const struct core *c);
const struct iron *core_keeper_iron(const struct core *c);

/* Half the width of coil_specimen.model, a pure number: how far the pull of the pole faces may
 * stand from what the magnetic circuit says. 0.1 to 0.425, by the gap, the sense and the pole, from
 * a field solver over some seventy magnets (tests/published). */
double core_pull_limit(const struct core *c);

/* Fills the figures of COIL_FIELD, COIL_INDUCTANCE and COIL_RESIDUAL that `want` asks for, SI, into
 * out->y, and all that stands after it; the rest of *out is left as it is. *s and *k as
 * coil_forward() takes them, already checked; the current of *drive finite, to 1e4 A. STATUS_INPUT
 * for a magnet that cannot be, STATUS_NUMERIC when the magnetic circuit does not converge. */
enum status_code core_figures(struct core *c, const struct coil_specimen *s,
                              const struct coil_conditions *k, unsigned want,
                              const struct core_drive *drive, struct coil_observables *out,
                              struct status *st);

#endif
