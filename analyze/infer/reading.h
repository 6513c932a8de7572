/* reading: what an item of evidence would read on a supposed coil.
 *
 * Each kind of evidence has a scale on which its errors are even: the plain value, or its logarithm
 * where errors are factors (inductance, pull, insulation). Readings and noises are on that scale.
 * Magnetic items need a solve of the magnetic circuit, which costs a hundred times the rest, so
 * items taken under nearly the same conditions share one (struct reading_plan). */
#ifndef TRUEWOUND_READING_H
#define TRUEWOUND_READING_H

#include <stdbool.h>
#include <stddef.h>

#include "analyze/infer/evidence.h"
#include "analyze/model/coil.h"

#define READING_NONE (-1e6) /* a second time constant that a coil without a short does not have */

/* m, a design's gap up to this is paint, plating or a fixed shim, and stays under a shim. */
#define READING_FILM_MOST 0.15e-3
/* A, about what a bridge drives through a coil. */
#define READING_BRIDGE 1e-3

/* Polarity of a limb without current beside one with: of unlike poles, and hard to tell. */
#define READING_WEAK_POLE 0.75

/* Relative, of a weight of wire: tape, solder, varnish, a slack tare; both limbs alike, and not in
 * reading_noise(). Common practice, no source. */
#define READING_DRESSING_U 0.0065

/* A supposed coil on its bench. */

struct reading_state {
    struct coil_specimen specimen;
    double joint_pair; /* ohm between the limbs */
    double link;       /* m of wire in the pair's reading beyond those of its limbs */
    double lead_ohm;   /* ohm, left in every 2-wire reading */
    double gain[EVIDENCE_INSTRUMENT_MAX]; /* relative error of each instrument */
    double zero[EVIDENCE_INSTRUMENT_MAX]; /* standard deviations that its offset is off */
    double temperature; /* standard deviations that the surroundings are off the stated figure */
    double heat;        /* K, of the coil against its surroundings */
    double insulation;  /* ohm, of sound insulation */
    double cooled;      /* share of 'heat' still there when current is passed, 0 to 1 */
    double cooling;     /* s, time constant of a warm coil */
    double inductance;  /* logarithm of the factor that the model leaves out of inductances ... */
    double pull;        /* ... and of pulls, with aiding limbs; more with cancelling ones */
    double build;       /* factor on the height of the winding */
    double eddy;        /* logarithm of the factor on the iron's eddy currents */
    double short_time;  /* factor on the time constant of shorted turns */
    double sticking;    /* factor on the residual pull */
    double series;      /* logarithm of the factor on the current that volt drops share */
    double dressing; /* share of a weight that is not wire: tape, solder, varnish, a slack tare */
};

/* The coil as designed, on which readings rest. */
struct reading_bench {
    struct coil *coil;
    struct coil_specimen nominal;
    struct coil_observables expected; /* electric figures of it at the ambient temperature */
    double ambient;                   /* C */
    int limbs;
};

/* The magnetic solves that a set of items needs. */
struct reading_solve {
    enum evidence_place place;
    double current, voltage; /* A, or V when current is NaN */
    double gap;              /* m, NaN: the design's */
    bool keeper, small;      /* small: at next to no current, as a bridge works */
    unsigned want;
    double exponent; /* of the pull against the current there */
};

struct reading_plan {
    struct reading_solve solve[EVIDENCE_MAX];
    size_t solves;
    int of[EVIDENCE_MAX];       /* solve of each item, -1: none */
    double ratio[EVIDENCE_MAX]; /* current of the item / current of its solve */
};

/* True when the kind needs a magnetic solve. */
bool reading_costly(enum evidence_kind kind);

/* True when the scale of the kind is logarithmic. */
bool reading_by_log(enum evidence_kind kind);

/* A value of that kind on its scale, and back. */
double reading_scale(enum evidence_kind kind, double value);
double reading_unscale(enum evidence_kind kind, double reading);

/* Noise of an item by itself, on its scale. */
double reading_noise(const struct reading_bench *bench, const struct evidence_item *item);

/* Temperature of the coil (C) when the item was taken. */
double reading_temperature(const struct reading_bench *bench, const struct reading_state *state,
                           const struct evidence_item *item);

/* Shares out the magnetic solves of a set. */
void reading_plan_make(const struct reading_bench *bench, const struct evidence_set *set,
                       struct reading_plan *plan);

/* The readings of all items, or of those that are not costly. False if the physics has no answer.
 * An open circuit reads INFINITY on a plain scale. */
bool reading_all(const struct reading_bench *bench, const struct reading_state *state,
                 const struct evidence_set *set, const struct reading_plan *plan, bool costly,
                 double *reading);

/* The reading of one item, of any set. */
bool reading_one(const struct reading_bench *bench, const struct reading_state *state,
                 const struct evidence_item *item, double *reading);

#endif
