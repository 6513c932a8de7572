/* suppose: 'suppose this were wrong with the coil, what would have been measured?'
 *
 * Turns a finding and a set of standard normal unknowns into one actual coil (the specimen of
 * coil.h) and that into what each item of evidence would have read. The unknowns are of two kinds:
 * the nuisances that every coil and bench has (wire and geometry tolerances, tension, temperature,
 * leads, gain of each instrument, iron, contact gap, what the magnetic network leaves out), and
 * those of the finding (how many turns, how many ohms). Most nuisances move the evidence along the
 * same few directions, so they are turned (singular value decomposition of their effect on the
 * evidence, in units of its noise) and only directions that matter are searched; the others keep
 * their prior and add their small effect to the noise.
 *
 * The parts are modules of their own: nuisance, spool (other wires), fault, variant, direction. */
#ifndef TRUEWOUND_SUPPOSE_H
#define TRUEWOUND_SUPPOSE_H

#include <stdbool.h>
#include <stddef.h>

#include "analyze/infer/evidence.h"
#include "analyze/infer/finding.h"
#include "analyze/infer/reading.h"
#include "analyze/infer/weigh.h"
#include "analyze/model/coil.h"
#include "db/status.h"

#define SUPPOSE_NUISANCES_MAX 96
#define SUPPOSE_VARIANTS_MAX  32 /* of one finding */

/* What the shop has learnt; NaN: not learnt, the published prior holds. */
struct suppose_learnt {
    double mean_turn, mean_turn_u;     /* relative shift of the mean turn */
    double wire_lot, wire_lot_u;       /* relative shift of resistance per metre */
    double contact_gap, contact_gap_u; /* ln metre */
};

/* One way a finding can be: the discrete choices. */
struct suppose_variant {
    size_t finding;   /* row of finding_table() */
    double log_share; /* logarithm of its share of the finding's prior */
    int wire;         /* which other wire (suppose_wire), -1: the right one */
    int sign_a;       /* of the turns of limb A (or of both): -1 short, +1 over */
    int sign_b;
    int layers;     /* whole layers wrong, 0: any number of turns */
    int instrument; /* that reads wrong, -1: none */
    int decades; /* by which its figures are off: a unit mistaken for another; 0: a few per cent */
    int heat;    /* +1 warmer, -1 cooler than stated */
};

struct suppose;

/* Prepares the design and evidence; both are copied. */
enum status_code suppose_new(const struct design *design, const struct evidence_set *evidence,
                             const struct suppose_learnt *learnt, const struct finding_prior *prior,
                             struct suppose **out, struct status *st);
void suppose_free(struct suppose *s);

/* The prepared coil; coil_forward() on it uses its workspace, so only between calls here. */
struct coil *suppose_coil(struct suppose *s);
const struct design *suppose_design(const struct suppose *s);
/* The coil exactly as designed. */
const struct coil_specimen *suppose_nominal(const struct suppose *s);
/* What coil_forward gives for it without current: resistances at the ambient temperature, layers,
 * mass. */
const struct coil_observables *suppose_expected(const struct suppose *s);

/* Fills the variants of a finding that apply to this design and evidence; 0 when none does. */
size_t suppose_variants(const struct suppose *s, size_t finding,
                        struct suppose_variant variant[SUPPOSE_VARIANTS_MAX]);

/* The name of the wire of a variant ("33 SWG"); "" for the right one. */
const char *suppose_wire(const struct suppose *s, int wire);

/* The model of a variant, to be weighed. Valid while s is, and until the next call. */
struct weigh_model suppose_model(struct suppose *s, const struct suppose_variant *variant);

/* The state that the unknowns z of suppose_model() stand for. tail: number of the draw, from which
 * the directions that the evidence does not see get their prior (0: their middle). */
void suppose_state(const struct suppose *s, const struct suppose_variant *variant, const double *z,
                   size_t tail, struct reading_state *state);

/* What an item (of the evidence or any other) would read in that state, on the item's own scale
 * (reading.h), and the noise there. False if the physics has no answer. */
bool suppose_read(const struct suppose *s, const struct reading_state *state,
                  const struct evidence_item *item, double *reading, double *noise);

/* Temperature of the coil (C) in that state, under the conditions of the first item with one. */
double suppose_temperature(const struct suppose *s, const struct reading_state *state);

/* Logarithm of the likelihood of all the evidence if nothing is known: what a finding that is not
 * in the table would be given. */
double suppose_unknown(const struct suppose *s);

#endif
