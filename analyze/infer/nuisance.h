/* nuisance: what is uncertain about every coil and bench, right or wrong.
 *
 * Wire and geometry tolerances, tension, temperature, leads, gain of each instrument, iron, contact
 * gap, what the magnetic network leaves out: each a standard normal unknown that moves the supposed
 * coil or its bench. */
#ifndef TRUEWOUND_NUISANCE_H
#define TRUEWOUND_NUISANCE_H

#include <stdbool.h>
#include <stddef.h>

#include "analyze/infer/evidence.h"
#include "analyze/infer/reading.h"
#include "analyze/infer/suppose.h"
#include "analyze/model/input.h"

enum nuisance_kind {
    NUISANCE_INPUT,
    NUISANCE_TURNS,
    NUISANCE_MEAN_TURN,
    NUISANCE_LIMB_TURN,
    NUISANCE_RESISTIVITY,
    NUISANCE_LINK,
    NUISANCE_TEMPERATURE,
    NUISANCE_LEADS,
    NUISANCE_GAIN,
    NUISANCE_ZERO,
    NUISANCE_CONTACT,
    NUISANCE_INSULATION,
    NUISANCE_INDUCTANCE,
    NUISANCE_PULL,
    NUISANCE_EDDY,
    NUISANCE_BUILD,
    NUISANCE_STICKING,
    NUISANCE_SERIES,
    NUISANCE_DRESSING
};

/* One of them: mean and standard deviation of what it moves. */
struct nuisance {
    enum nuisance_kind kind;
    int index; /* limb, instrument or coil input */
    double mean, u;
};

struct nuisance_list {
    struct nuisance nuisance[SUPPOSE_NUISANCES_MAX];
    size_t count;
    struct input input[INPUT_LIST_MAX]; /* of the coil, by 'index' */
    bool build_lengthens; /* the mean turn goes with the height; not where it has been learnt */
};

/* Lists those of a bench and its evidence; learnt may be NULL. */
void nuisance_fill(const struct reading_bench *bench, const struct evidence_set *evidence,
                   const struct suppose_learnt *learnt, struct nuisance_list *list);

/* The coil and bench that z[list->count] (standard deviations) stands for, nothing wrong with them;
 * all 0 is the middle of what is known. */
void nuisance_state(const struct nuisance_list *list, const struct reading_bench *bench,
                    const double *z, struct reading_state *state);

#endif
