/* input: the uncertain numbers of a coil: what is known of each, how well, and which line of the
 * budget it belongs to. One list for prediction, which propagates it, and for inference, where it
 * is the prior of the nuisance parameters, so that the two never doubt different things. */
#ifndef TRUEWOUND_INPUT_H
#define TRUEWOUND_INPUT_H

#include <stdbool.h>
#include <stddef.h>

#include "analyze/model/coil.h"
#include "analyze/model/uncertain.h"

/* Where an uncertainty comes from: the lines of the budget. */
enum input_cause {
    INPUT_CAUSE_TURNS,
    INPUT_CAUSE_WIRE,        /* bare diameter */
    INPUT_CAUSE_COVERING,    /* overall diameter */
    INPUT_CAUSE_RESISTIVITY, /* metal */
    INPUT_CAUSE_TEMPERATURE,
    INPUT_CAUSE_WINDING, /* fill, length, wraps, tension, taper */
    INPUT_CAUSE_LEADS,
    INPUT_CAUSE_SUPPLY,
    INPUT_CAUSE_CORE, /* sizes of limb, yoke, pole */
    INPUT_CAUSE_KEEPER,
    INPUT_CAUSE_GAP,   /* gap, roughness, joints */
    INPUT_CAUSE_IRON,  /* B-H curve */
    INPUT_CAUSE_MODEL, /* what the magnetic network leaves out */
    INPUT_CAUSES
};

/* Words for a table: "turns", "wire diameter", ...; "unknown" for a number that is no cause. */
const char *input_cause_words(enum input_cause cause);

/* One free number of a specimen or of the conditions, with what is known of it. */
struct input {
    const char *name;         /* static text: "wire diameter" */
    double value;             /* best estimate, SI */
    double u;                 /* standard uncertainty, same unit, above 0 */
    size_t specimen_offset;   /* offsetof in struct coil_specimen, or INPUT_NO_OFFSET */
    size_t conditions_offset; /* offsetof in struct coil_conditions, or INPUT_NO_OFFSET */
    enum input_cause cause;
    enum uncertain_shape shape;
    bool both; /* the next double too (same value for limb b) */
};
#define INPUT_NO_OFFSET ((size_t)-1)
#define INPUT_LIST_MAX  48

/* Lists the uncertain inputs of a design (only those with u > 0) and returns their number, at most
 * INPUT_LIST_MAX. Those of the supply are left out when k is NULL or states no voltage. Standard
 * uncertainties are those of the design; of what no design states, resistivity is between the
 * bounds of IEC 60317-0-1, and the length of a hand-wound turn is good to 1 % (common practice, no
 * source). */
size_t input_list(const struct coil *c, const struct coil_conditions *k,
                  struct input inputs[INPUT_LIST_MAX]);

/* Puts one value (SI) into a specimen or conditions, both limbs when the input says so. Either may
 * be NULL, and is then left alone; no range is checked here (coil_forward() does). */
void input_set(const struct input *input, double value, struct coil_specimen *s,
               struct coil_conditions *k);

/* Physical bounds of an input, SI: those that coil_forward() allows; +-INFINITY where there are
 * none. */
void input_range(const struct input *input, double *low, double *high);

#endif
