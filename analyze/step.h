/* step: the next measurement as an instruction for two hands, made from a verdict's advice. The
 * guided sitting and the bench page say the same. */
#ifndef TRUEWOUND_STEP_H
#define TRUEWOUND_STEP_H

#include <stdbool.h>
#include <stddef.h>

#include <jansson.h>

#include "analyze/infer/advise.h"
#include "analyze/judging.h"

#define STEP_TAKES_MAX 4

/* One figure the step gives, in the words that 'take' and 'observe' understand. */
struct step_take {
    const char *place; /* "limb-a" */
    const char *kind;  /* "resistance" */
};

struct step {
    bool done;         /* nothing more is worth measuring; words says why */
    char title[128];   /* "resistance of limb A"; empty when done */
    char words[400];   /* what to connect, and what to read */
    char caution[256]; /* what to mind; empty: nothing */
    double minutes;    /* of bench time; NaN when done */
    struct step_take take[STEP_TAKES_MAX];
    size_t takes;
};

/* The step that the advice puts first; of a coil that fails, the one that tells best what to mend
 * until that is clear, then the mending. */
void step_next(const struct judged *judged, struct step *step);

/* The step for one measurement on a coil of that design, for a sitting that goes its own way. */
void step_of(const struct advise_option *option, const struct design *design, struct step *step);

#define STEP_CALIPER_SIZE 128

/* Which way a caliper lies on a limb that is not round, as a sentence; empty when it is round. */
const char *step_caliper(const struct design *design, char text[STEP_CALIPER_SIZE]);

/* {"done", "title", "words", "caution", "minutes", "takes": [{"place", "kind"}]}; NULL without
 * memory. */
json_t *step_json(const struct step *step);

#endif
