/* coil: the forward model. One actual coil, under stated conditions, gives every figure that can be
 * measured on it. Both 'predict' and the inference go through coil_forward(), so that a prediction
 * and an explanation never rest on different physics.
 *
 *   struct coil           a completed design, prepared: choices, iron curves, workspace
 *   struct coil_specimen  one coil as it may really have been wound; all plain numbers, all free
 *   struct coil_conditions how it is driven
 *   y[COIL_QUANTITIES]    what comes out, SI; NaN = not asked for or does not exist,
 *                         +-INFINITY = open circuit
 *
 * A struct coil may be used by one thread at a time (it holds a workspace). */
#ifndef TRUEWOUND_COIL_H
#define TRUEWOUND_COIL_H

#include <stdbool.h>
#include <stddef.h>

#include "analyze/model/design.h"
#include "db/status.h"

/* One actual coil. coil_specimen_nominal() fills it from the design; change what differs.
 * Index 0 is limb a, 1 is limb b (a bar has limb a only, and turns[1] = 0). */
struct coil_specimen {
    /* winding */
    double turns[2];            /* round the core, real-valued */
    double sense[2];            /* +1 or -1: way of winding; {1, 1} aids, {1, -1} cancels */
    double wire_diameter[2];    /* m, bare, one strand */
    double wire_overall[2];     /* m, over everything */
    double resistivity;         /* factor on the metal's resistivity at 20 C, 1 = nominal */
    double fill;                /* as design_winding.fill */
    double wound_length;        /* m */
    double wrap;                /* m */
    double interlayer;          /* m */
    double taper;               /* turns a layer */
    double mean_turn_offset[2]; /* m, added to the mean turn: how loosely a hand winds */
    double lead_length;         /* m, both */
    double crossover;           /* m */
    double temperature;         /* degrees C, of the winding */

    /* faults; the nominal value means none */
    double shorted[2];      /* turns closed on themselves; nominal 0 */
    double joint[2];        /* ohm in series in the limb, bad joint; nominal 0 */
    double bypass[2];       /* ohm across the whole limb; nominal INFINITY, 0 = limb shorted out */
    bool open[2];           /* wire of the limb broken */
    double leakage;         /* S, winding to core; nominal 0 */
    double lead_resistance; /* ohm, of the test leads, in series with every resistance seen by a
                               two-wire meter; not part of the coil's own; nominal 0 */

    /* core */
    double limb_width, limb_depth; /* m */
    double limb_length;
    double spacing;
    double yoke_width, yoke_depth, yoke_length;
    double joint_gap;
    double pole_width, pole_depth;
    double keeper_width, keeper_depth, keeper_length;
    double gap;               /* m, air at each pole beyond what is left at contact */
    double roughness;         /* m, what is left at contact; gap + roughness is the whole air */
    double iron_field;        /* factor on H of the core's and yoke's B-H curve (harder: > 1) */
    double keeper_iron_field; /* the same for the keeper */
    double remanence;         /* factor on coercive force, for the residual pull; nominal 1 */
    double model;             /* factor on pull for what the network leaves out, nominal 1; flux and
                                 inductance move with it by their own limits */
};

enum coil_drive { COIL_DRIVE_PAIR, COIL_DRIVE_LIMB_A, COIL_DRIVE_LIMB_B };

struct coil_conditions {
    enum coil_drive drive;    /* what the supply, or the meter, is connected to */
    double voltage;           /* V, open circuit; NaN: see current */
    double source_resistance; /* ohm */
    double current;           /* A forced at the terminals; used when voltage is NaN */
    bool keeper;              /* true: keeper at the gap of the specimen; false: keeper away */
};

/* What to work out: the less, the quicker. Electric quantities are always worked out. */
enum {
    COIL_ELECTRIC = 0,
    COIL_FIELD = 1 << 0,      /* flux, flux densities, polarity, pull */
    COIL_INDUCTANCE = 1 << 1, /* inductances and time constants */
    COIL_RESIDUAL = 1 << 2,   /* pull left after switching off */
    COIL_ALL = COIL_FIELD | COIL_INDUCTANCE | COIL_RESIDUAL
};

enum coil_quantity {
    /* electric and winding, always */
    COIL_RESISTANCE_A,    /* ohm, limb a alone, at the winding temperature; INFINITY = open */
    COIL_RESISTANCE_B,    /* ohm */
    COIL_RESISTANCE_PAIR, /* ohm, as connected, leads and cross-over included */
    COIL_RESISTANCE_CORE, /* ohm, winding to core; INFINITY = no leakage */
    COIL_CURRENT,         /* A, steady, at the terminals driven */
    COIL_VOLTAGE,         /* V, at the terminals, loaded */
    COIL_POWER,           /* W, in the coil */
    COIL_AMPERE_TURNS_A,  /* A, signed by sense */
    COIL_AMPERE_TURNS_B,
    COIL_AMPERE_TURNS, /* A, driving flux round the core: a + b */
    COIL_WIRE_LENGTH,  /* m, all of it, leads included */
    COIL_WIRE_MASS,    /* kg, with covering */
    COIL_METAL_MASS,   /* kg, bare */
    COIL_MEAN_TURN_A,  /* m */
    COIL_MEAN_TURN_B,
    COIL_LAYERS_A, /* real-valued */
    COIL_LAYERS_B,
    COIL_OUTSIDE_A, /* m, outside diameter or width over the winding */
    COIL_OUTSIDE_B,
    /* COIL_FIELD */
    COIL_POLARITY_A, /* +1 north, -1 south, 0 too weak to tell (below 50 uT in the pole) */
    COIL_POLARITY_B,
    COIL_FLUX_A, /* Wb, out of the pole of limb a, positive = north: across the gap; with the
                    keeper away, mean of the winding */
    COIL_FLUX_B,
    COIL_B_POLE,   /* T, mean over the stronger pole face; only with a keeper */
    COIL_B_LIMB,   /* T, greatest in a limb */
    COIL_B_YOKE,   /* T */
    COIL_B_KEEPER, /* T; not for a bar */
    COIL_PULL,     /* N, on the keeper; 0 without keeper */
    /* COIL_INDUCTANCE, small signal at the working point, of what is driven */
    COIL_INDUCTANCE_ON,  /* H, keeper at its gap */
    COIL_INDUCTANCE_OFF, /* H, keeper away */
    COIL_TAU_ON,         /* s, inductance / (coil + source resistance) */
    COIL_TAU_OFF,
    COIL_TAU_SHORT, /* s, of the ring of shorted turns, keeper as in the conditions; NaN: none */
    /* COIL_RESIDUAL */
    COIL_RESIDUAL_PULL, /* N, keeper at its gap, current off after the working current */
    COIL_QUANTITIES
};

/* Short name with underscores for JSON ("resistance_pair"), words for a table ("resistance,
 * pair"), and SI unit ("ohm", "" for a pure number). NULL never comes back for a valid quantity. */
const char *coil_quantity_name(enum coil_quantity q);
const char *coil_quantity_words(enum coil_quantity q);
const char *coil_quantity_unit(enum coil_quantity q);

struct coil_observables {
    double y[COIL_QUANTITIES];
    /* With COIL_INDUCTANCE, of what is driven: flux linkage over the current, H, which a current
     * rise from nothing to that current sees (the area above its curve). Less than the inductance
     * of a small signal at the end where the iron bends upwards first, more where it saturates.
     * NaN: not asked for, no current, or does not exist. */
    double linkage_on, linkage_off;
    /* With COIL_INDUCTANCE: time constants, s, of what is closed on itself round the flux of what
     * is driven, keeper on and off: the iron by its eddy currents, 0 for sheet; and the shorted
     * turns and bypassed limbs, 0 without. Both together have the sum. NaN as above. */
    double eddy_on, eddy_off, ring_on, ring_off;
    const char *limit; /* the part that saturates first ("limb", "yoke", "keeper", "pole"), or NULL
                          when none does at this current; static text */
};

struct coil; /* opaque */
struct core; /* the magnetic half, core.h */

/* Prepares a design: design_complete() is applied to a copy, design_check() too, irons are looked
 * up. On success *out is to be given to coil_free(). STATUS_INPUT for a design that cannot be,
 * STATUS_NOT_FOUND for an iron without a curve, STATUS_MEMORY. */
enum status_code coil_new(const struct design *d, struct coil **out, struct status *st);
void coil_free(struct coil *c);

/* The completed design inside, and its core. They live as long as the coil. */
const struct design *coil_design(const struct coil *c);
const struct core *coil_core(const struct coil *c);

/* The coil exactly as designed, at the ambient temperature. */
void coil_specimen_nominal(const struct coil *c, struct coil_specimen *s);

/* The supply of the design with the keeper in place. Without a voltage in the design, current and
 * voltage are NaN, and what depends on them comes out NaN. */
void coil_conditions_nominal(const struct coil *c, struct coil_conditions *k);

/* The whole prediction for one specimen. want: sum of COIL_FIELD, ... Returns STATUS_INPUT for a
 * specimen that cannot be (names the quantity, value, range), STATUS_NUMERIC when the magnetic
 * network does not converge. Never leaves a NaN in a figure that was asked for and exists. */
enum status_code coil_forward(struct coil *c, const struct coil_specimen *s,
                              const struct coil_conditions *k, unsigned want,
                              struct coil_observables *out, struct status *st);

/* The range that coil_forward() allows the number of a specimen at that offset (offsetof in struct
 * coil_specimen), in the unit of the member. False, and *low and *high untouched, for an offset
 * that is none of a number with a range. */
bool coil_specimen_range(size_t offset, double *low, double *high);

#endif
