/* evidence: what was measured or observed on one coil, in the form the inference reads.
 *
 * One item is one figure with the conditions it was taken under, the noise of its own, and the
 * instrument it came from; items of one instrument share its unknown gain error, and 2-wire
 * resistances share the unknown rest of the lead resistance. Everything is in SI units,
 * temperatures in degrees Celsius. Unknown is NaN. A set is a plain value: no allocation, copy it
 * freely. */
#ifndef TRUEWOUND_EVIDENCE_H
#define TRUEWOUND_EVIDENCE_H

#include <stdbool.h>
#include <stddef.h>

#include "db/status.h"

#define EVIDENCE_MAX             64
#define EVIDENCE_INSTRUMENT_MAX  8
#define EVIDENCE_SOURCE_SIZE     64
#define EVIDENCE_INSTRUMENT_SIZE 32

enum evidence_kind {
    EVIDENCE_RESISTANCE,  /* ohm, of a limb or the pair */
    EVIDENCE_INSULATION,  /* ohm, from the winding to the core */
    EVIDENCE_CURRENT,     /* A, through the place with conditions.voltage across it */
    EVIDENCE_SAG,         /* V, by which a supply of conditions.voltage falls under the coil */
    EVIDENCE_INDUCTANCE,  /* H, from a current rise (frequency 0) or a bridge (frequency > 0) */
    EVIDENCE_SECOND_TIME, /* s, second time constant of a rise; bound BELOW: none seen above it */
    EVIDENCE_POLARITY,  /* +1 or -1, pole at the free end of a limb; 0: the needle does not stir */
    EVIDENCE_WIRE_MASS, /* kg, conductor with its enamel, of a limb or the pair */
    EVIDENCE_DIAMETER,  /* m, over the finished winding of a limb */
    EVIDENCE_WIRE_DIAMETER, /* m, of the bare conductor, by micrometer */
    EVIDENCE_LIFT,          /* N, load of one lift trial: see outcome */
    EVIDENCE_PULL,          /* N, one point of an unloading curve */
    EVIDENCE_RESIDUAL_PULL, /* N, after switching off */
    EVIDENCE_DRIFT,         /* relative change of resistance over conditions.duration, no current */
    EVIDENCE_VOLT_DROP,     /* V, across a limb while one current flows through the whole coil: such
                               items share that current and the voltmeter, so that their ratio is
                               known far better than either */
    EVIDENCE_KINDS
};

enum evidence_place {
    EVIDENCE_LIMB_A,
    EVIDENCE_LIMB_B,
    EVIDENCE_PAIR, /* the whole coil as connected; a bar coil's one limb is LIMB_A and PAIR alike */
    EVIDENCE_PLACES
};

/* EVIDENCE_ABOVE: the instrument ran out of range upwards (open lead, overload, 'more than'). */
enum evidence_bound { EVIDENCE_EQUAL, EVIDENCE_ABOVE, EVIDENCE_BELOW };

enum evidence_outcome {
    EVIDENCE_HELD,      /* the load hung or stuck for the stated time */
    EVIDENCE_DROPPED,   /* held at first, then fell */
    EVIDENCE_NOT_LIFTED /* never held */
};

/* The state of the coil and its surroundings when the item was taken. NaN where unknown. */
struct evidence_conditions {
    double temperature;   /* C, of the surroundings: what the coil should be at */
    double temperature_u; /* C, standard uncertainty */
    double voltage;       /* V, across the place (or of the unloaded supply for SAG) */
    double voltage_u;     /* V */
    double current;       /* A */
    double current_u;     /* A */
    double gap;           /* m, shim between each pole face and the keeper; 0 is contact; paint and
                             plating of the design stay under it */
    double gap_u;         /* m */
    double source_ohm;    /* ohm, internal resistance of the supply (SAG) */
    double source_ohm_u;  /* ohm */
    double frequency;     /* Hz, of a bridge; 0 for a current rise */
    double duration;      /* s, of a DRIFT */
    bool keeper;          /* the keeper lies on (or, with a gap, over) the pole faces */
};

struct evidence_item {
    enum evidence_kind kind;
    enum evidence_place place;
    enum evidence_bound bound;
    enum evidence_outcome outcome; /* LIFT only */
    double value;                  /* SI, by kind */
    double u;                      /* SI, standard uncertainty of this item alone, > 0 */
    double zero;                   /* ohm, standard uncertainty of the offset that resistances by
                                      one instrument share; not in u */
    int instrument;                /* index into the set's instruments; -1 if none */
    int wires;                     /* 2 or 4 for a resistance, else 0 */
    int readings;                  /* that the value is the mean of: see evidence_add() */
    bool doubtful; /* unstable, held display, low battery: more likely to be wrong */
    struct evidence_conditions at;
    char source[EVIDENCE_SOURCE_SIZE]; /* how a sentence names it: "resistance of limb A" */
};

struct evidence_instrument {
    char name[EVIDENCE_INSTRUMENT_SIZE];
    double gain_u; /* relative standard uncertainty of the gain all its readings share */
    double bias;   /* learnt relative gain error to take off; 0 if none */
};

struct evidence_set {
    struct evidence_item item[EVIDENCE_MAX];
    size_t count;
    size_t latest; /* the item that took the record added last */
    struct evidence_instrument instrument[EVIDENCE_INSTRUMENT_MAX];
    size_t instruments;
    double lead_ohm;   /* ohm, stated resistance of the 2-wire leads still in the readings; 0 */
    double lead_ohm_u; /* ohm, standard uncertainty of that */
};

/* One stored reading or typed-in observation, as plain values: what a command loads from the
 * store. Empty strings and NaN mean not known. */
struct evidence_record {
    const char *quantity; /* a word of evidence_quantity(), e.g. "resistance" */
    const char *place;    /* "a", "b", "pair"; empty means pair */
    const char *instrument;
    double value;        /* SI */
    double u;            /* SI, scatter of the mean of this reading; NaN for the default by kind */
    double accuracy_rel; /* limits of the instrument's error: +-(rel x reading + abs); NaN for the
                            default by kind. Taken as rectangular, JCGM 100 4.3.7 */
    double accuracy_abs; /* SI, digits: of a resistance mostly an offset that the instrument's
                            readings share, else the item's own */
    double resolution;   /* SI, step of the display; NaN or 0 if not known */
    int wires;           /* 2 or 4; 0 means 2 */
    bool overload;       /* value is the end of the range that was exceeded */
    bool below;          /* value is an upper bound ('less than') */
    bool doubtful;       /* flags unstable, hold or low battery */
    enum evidence_outcome outcome;
    struct evidence_conditions at;
};

/* Empties the set; leads are taken as nulled to 0 +- 0.05 ohm (common practice, no source). */
void evidence_clear(struct evidence_set *set);

/* How many records the items hold together. */
size_t evidence_readings(const struct evidence_set *set);

/* A record with every figure unknown, so that a caller fills in only what it has. */
struct evidence_record evidence_record_empty(void);

/* Conditions with every figure unknown and no keeper. */
struct evidence_conditions evidence_conditions_unknown(void);

/* Maps one stored record to an item and adds it. Checks each figure against what its kind can be
 * and fills in trade defaults for what is not stated (each default stands in evidence.c with its
 * reason). Returns STATUS_INPUT with a sentence naming quantity, value and allowed range;
 * STATUS_FULL when the set holds EVIDENCE_MAX items (thin long curves before). On failure the set
 * is as before. A figure read again by the same instrument under the same conditions, which agrees
 * with the one before, is no second witness: what made the one wrong made the other wrong too. The
 * two become the mean of one item. Poles, trials, pulls and drifts are events, each an item. */
enum status_code evidence_add(struct evidence_set *set, const struct evidence_record *record,
                              struct status *st);

/* The word of a kind as records use it ("resistance"), and as a sentence uses it ("resistance"). */
const char *evidence_quantity(enum evidence_kind kind);

/* Its SI unit as a sentence writes it, "ohm"; empty for a plain number. */
const char *evidence_unit(enum evidence_kind kind);

/* "north", "south", or "none" of a polarity. */
const char *evidence_pole(double value);

/* Finds a kind by its word; false if there is none. */
bool evidence_kind_of(const char *quantity, enum evidence_kind *kind);

/* "limb A", "limb B", "the pair". */
const char *evidence_place_name(enum evidence_place place);

/* True when some item can tell aiding limbs from cancelling ones (polarity of both limbs, an
 * inductance or a pull of the pair). Resistance, current, weight and size cannot. */
bool evidence_tells_direction(const struct evidence_set *set);

#endif
