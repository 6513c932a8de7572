/* learning: what a set of good coils teaches about the shop: how tightly a hand winds, what a lot
 * of wire has in ohms per metre, what air is left at contact, what a meter's gain is out by.
 *
 * All coils are explained at once by one linear-Gaussian model, linearised about its own answer
 * (Gauss-Newton) from the forward model: y = f(shared, own of each coil) + noise. What coils share
 * (hand, lot, faces, meters, thermometer, sizes of one design, what the magnetic network leaves
 * out) is one unknown however many coils there are, so that no number of coils makes a figure
 * better than the meter it came from. Priors are those of the verdict; the spread between coils
 * comes from learn_update() (infer/learn.h). Only (n / (n + 2))^2 of the information of n coils of
 * one lot counts, a ninth of a single one's: few coils may all be wrong alike (common practice, no
 * source). */
#ifndef TRUEWOUND_LEARNING_H
#define TRUEWOUND_LEARNING_H

#include <stdbool.h>
#include <stddef.h>

#include "analyze/infer/evidence.h"
#include "analyze/infer/learn.h"
#include "analyze/model/design.h"
#include "db/status.h"

#define LEARNING_KEY_SIZE    96
#define LEARNING_COILS_MAX   200
#define LEARNING_FIGURES_MAX 32

struct learning_figure {
    enum learn_quantity quantity;
    char key[LEARNING_KEY_SIZE]; /* "wire-lot/0.25 mm" */
    double value, u;             /* expected of the next coil, and its standard deviation */
    double mean_u;               /* standard uncertainty of the shop's own mean */
    double spread;               /* standard deviation between coils */
    double prior, prior_u;       /* without learning */
    double prior_share;          /* of the prior in 'value', 1: nothing learnt */
    size_t coils;                /* that bear on it */
};

struct learning;

/* The key under which a quantity is kept: mean turn by the way of winding ("mean-turn/square"),
 * wire by its size ("wire-lot/0.25 mm"), both by winder and spool too where the design
 * names them ("wire-lot/0.25 mm/B"), contact gap by the faces' stated roughness
 * ("contact-gap/0.015 mm"), a meter by its name, which only that one uses. The design is a
 * completed one. */
void learning_key(enum learn_quantity quantity, const struct design *design, const char *instrument,
                  char key[LEARNING_KEY_SIZE]);

/* NULL without memory. */
struct learning *learning_new(void);
void learning_free(struct learning *l);

/* Adds a coil by its completed design and its evidence. Items marked in skip (may be NULL) are
 * left out. doubt: probability, 0 to 1, that the coil is not quite as designed. STATUS_FULL after
 * LEARNING_COILS_MAX coils, STATUS_MEMORY, and the errors of the forward model. */
enum status_code learning_add(struct learning *l, const struct design *design,
                              const struct evidence_set *evidence, const bool *skip, double doubt,
                              struct status *st);

/* Works out what the coils teach. Figures that they leave nearly as they were are not listed, and
 * of meters only those that measured the same as one at least twice as good. STATUS_NUMERIC when
 * the sums do not settle. */
enum status_code learning_finish(struct learning *l,
                                 struct learning_figure figure[LEARNING_FIGURES_MAX], size_t *count,
                                 struct status *st);

#endif
