/* limits: whether a coil keeps what it is held to, and by how much a fault breaks it. */
#ifndef TRUEWOUND_LIMITS_H
#define TRUEWOUND_LIMITS_H

#include <stdbool.h>

#include "analyze/infer/posterior.h"
#include "analyze/infer/suppose.h"
#include "analyze/infer/verdict.h"

/* Sets of faults that have a size. */
#define LIMITS_SHORTED (FINDING_SHORTED_A | FINDING_SHORTED_B)
#define LIMITS_TURNS   (FINDING_TURNS_A | FINDING_TURNS_B | FINDING_TURNS_ALIKE)
#define LIMITS_JOINT   (FINDING_JOINT_A | FINDING_JOINT_B | FINDING_JOINT_PAIR)

/* What nothing measured bears on is said to be untried. Iron and gap, which have no limit of their
 * own, are then left out of pass or fail; insulation is not: not measuring it is a doubt. */
struct limits_untried {
    bool iron, insulation;
};

struct limits_untried limits_untried_by(const struct evidence_set *evidence);

/* Fills the draw's resistances at the ambient temperature, and the working pull when a limit asks
 * for it. */
void limits_work_out(struct suppose *s, struct verdict_draw *d,
                     const struct verdict_limits *limits);

/* True when this coil, worked out, keeps every limit. */
bool limits_kept(struct suppose *s, const struct verdict_draw *d,
                 const struct verdict_limits *limits, const struct limits_untried *untried);

/* Size of a fault: share of a limb's turns that is shorted or wrong, ohms of bad joints. */
double limits_size(const struct suppose *s, const struct reading_state *state, unsigned faults);

/* True when the fault is more than the limits allow; a fault without a size always is. */
bool limits_broken(const struct suppose *s, const struct reading_state *state, unsigned faults,
                   const struct verdict_limits *limits);

#endif
