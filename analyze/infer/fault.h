/* fault: from the unknowns of a finding to what is wrong with a supposed coil or its bench.
 *
 * Each fault of a finding (enum finding_fault) has at most one unknown, standard normal: how many
 * turns, how many ohms. Some findings first have unknowns of no fault, which matter only under them
 * and to some evidence: how fast a warm coil cools. */
#ifndef TRUEWOUND_FAULT_H
#define TRUEWOUND_FAULT_H

#include <stddef.h>

#include "analyze/infer/evidence.h"
#include "analyze/infer/finding.h"
#include "analyze/infer/reading.h"
#include "analyze/infer/spool.h"
#include "analyze/infer/suppose.h"

/* What can be wrong with one design, and by how much. */
struct fault_scope {
    const struct reading_bench *bench;
    const struct evidence_set *evidence;
    struct finding_prior prior;
    double hardest;        /* factor from the stated iron's coercive force to that of tool steel */
    double layer_turns[2]; /* of a layer; NaN when there are no layers to speak of */
    struct spool spool;
};

/* Both bench, prepared, and evidence must outlive the scope. */
void fault_scope_make(const struct reading_bench *bench, const struct evidence_set *evidence,
                      const struct finding_prior *prior, struct fault_scope *s);

/* How many unknowns a set of faults has, and how many go before them. */
size_t fault_unknowns(unsigned faults);
size_t fault_extras(const struct fault_scope *s, unsigned faults);

/* Puts a set of faults into a state. z: fault_extras() and then fault_unknowns() of them; NULL is
 * allowed for faults without any. */
void fault_apply(const struct fault_scope *s, const struct suppose_variant *v, unsigned faults,
                 const double *z, struct reading_state *state);

#endif
