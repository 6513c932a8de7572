/* design: what a coil should be, as a plain record.
 *
 * SI throughout, fixed size, no pointers, so that it can be copied, stored and compared. Every
 * dimension is a struct amount: value and standard uncertainty, NaN when not given. The design
 * file reader fills it, design_complete() puts in the usual figures for what was left out, the
 * forward model (coil.h) reads it. */
#ifndef TRUEWOUND_DESIGN_H
#define TRUEWOUND_DESIGN_H

#include <stdbool.h>

#include "analyze/model/amount.h"
#include "analyze/model/wire.h"
#include "db/status.h"

#define DESIGN_NAME_SIZE  64
#define DESIGN_LABEL_SIZE 24
#define DESIGN_NOTE_SIZE  256
#define DESIGN_IRON_SIZE  32

enum design_form {
    DESIGN_BAR,    /* one wound limb, straight */
    DESIGN_U_BENT, /* two limbs and their yoke bent from one bar: the yoke has the core's section */
    DESIGN_U_YOKE  /* two limbs joined by a separate yoke, with a joint at each */
};

enum design_shape {
    DESIGN_ROUND,       /* width is the diameter; depth unused */
    DESIGN_RECTANGULAR, /* width x depth */
    DESIGN_STADIUM      /* width x depth with half-round ends; width >= depth */
};

/* Of a limb: width along the line through both limbs, depth across it. Of a yoke or keeper: width
 * across that line, depth the thickness in the direction of the limbs ("12 x 3 mm" is a keeper 12
 * mm wide and 3 mm thick). */
struct design_section {
    enum design_shape shape;
    struct amount width; /* m */
    struct amount depth; /* m */
};

enum design_layers {
    DESIGN_ORTHOCYCLIC, /* each layer lies in the grooves of the last */
    DESIGN_SQUARE,      /* layers on top of each other, or with paper between */
    DESIGN_SCRAMBLE     /* wound without order, by fill */
};

enum design_ends {
    DESIGN_WALLS,  /* bobbin cheeks: every layer has the full length */
    DESIGN_TAPERED /* bare core: each layer is shorter by 'taper' turns */
};

enum design_connection { DESIGN_SERIES, DESIGN_PARALLEL };

/* Whether the magnetomotive forces of the limbs should add round the core. */
enum design_sense { DESIGN_AIDING, DESIGN_CANCELLING };

struct design_core {
    enum design_form form;
    bool air;                         /* no iron at all: a bobbin or air-cored coil */
    struct design_section limb;       /* the wound limbs */
    struct amount limb_length;        /* m, from yoke (or far end) to pole face, each limb */
    struct amount spacing;            /* m, between the centre lines of the limbs; not for a bar */
    char iron[DESIGN_IRON_SIZE];      /* name of the core iron, for iron.h */
    struct design_section yoke;       /* U_YOKE only */
    struct amount yoke_length;        /* m, overall; not given: spacing + limb width */
    char yoke_iron[DESIGN_IRON_SIZE]; /* empty: as the core */
    struct amount joint_gap;          /* m, air at each joint of limb and yoke */
    struct amount pole_width;     /* m, pole face if different from the limb: diameter or width */
    struct amount pole_depth;     /* m, for a rectangular pole */
    struct design_section keeper; /* shape: DESIGN_RECTANGULAR or DESIGN_ROUND; not given: none */
    struct amount keeper_length;  /* m */
    char keeper_iron[DESIGN_IRON_SIZE]; /* empty: as the core */
    struct amount gap;                  /* m, working gap at each pole, shim and plating included */
    struct amount roughness;            /* m, air left at each pole by faces in contact */
};

struct design_winding {
    struct wire wire;
    struct amount turns[2]; /* limb a, limb b (0 for a bar), as the current goes round */
    enum design_layers layers;
    struct amount fill;         /* scramble: covered wire section / winding section; layers: turns
                                   in a layer / turns that would touch */
    struct amount wound_length; /* m, along each limb */
    struct amount wrap;         /* m, thickness of tape or bobbin on the core, one side */
    struct amount interlayer;   /* m, thickness of paper or tape between layers */
    struct amount outside_max;  /* m, largest outside diameter (or width) allowed */
    enum design_ends ends;
    struct amount taper;       /* turns lost by each layer against the one below, both ends */
    struct amount lead_length; /* m, both leads together, of the same wire */
    struct amount crossover;   /* m, wire from limb to limb */
    int in_hand;               /* wires wound side by side: 1, or 2 for bifilar */
    enum design_connection in_hand_connection; /* of the two wires of a bifilar winding */
    int sections;                              /* 1, or 2 side by side on each limb */
    struct amount section_wall;                /* m, wall or space between two sections */
    enum design_connection connection;         /* of the two limbs */
    enum design_sense sense;
    char spool[DESIGN_LABEL_SIZE];  /* which spool the wire is from; empty: not told */
    char winder[DESIGN_LABEL_SIZE]; /* whose hand, or which machine, winds; empty: not told */
};

struct design_supply {
    struct amount voltage;           /* V, open circuit */
    struct amount source_resistance; /* ohm, battery and wiring */
    char battery[DESIGN_IRON_SIZE];  /* type of cell for cell.h ("LR20"), empty: not a battery */
    int cells_series;                /* 0: not given */
    int cells_parallel;              /* 0: not given */
    struct amount pulse;             /* s, length of one pulse; not given: continuous */
    struct amount period;            /* s, from pulse to pulse */
    struct amount ambient;           /* degrees C */
};

struct design_work {
    struct amount pull;          /* N wanted ... */
    struct amount gap;           /* m ... at this gap at each pole; not given: core.gap */
    struct amount safety_factor; /* predicted pull / wanted pull asked for, >= 1 */
};

/* Limits of the verdict. Not given: trade defaults of the verdict. */
struct design_limits {
    struct amount resistance;      /* relative, 0.05 = +-5 % */
    struct amount turns;           /* relative */
    struct amount pull_min;        /* N */
    struct amount temperature_max; /* degrees C, winding */
};

struct design {
    char name[DESIGN_NAME_SIZE];
    char note[DESIGN_NOTE_SIZE];
    struct design_core core;
    struct design_winding winding;
    struct design_supply supply;
    struct design_work work;
    struct design_limits limits;
};

/* Everything not given: amounts NaN, texts empty, one strand of nothing, bar, round, orthocyclic,
 * walls, series, aiding, one wire in hand, one section. The reader starts from this. */
void design_init(struct design *d);

/* Puts in what the trade would take for amounts not given (keeps what is given): ambient
 * 20 +- 3 C, fill 0.97 +- 0.02 in layers and 0.60 +- 0.05 scrambled, taper 2 turns, wrap 0,
 * source resistance 0, leads and cross-over, pole face as the limb, joint gap 0.02 mm, roughness
 * 0.02 mm, irons as the core. All of them common practice, no source. Dimensions given without an
 * uncertainty keep u = 0: the reader decides what a written digit is worth. */
void design_complete(struct design *d);

/* Checks a completed design: everything required is there, finite and possible (wire thinner than
 * the window, turns that fit, stadium wider than deep, wound length within the limb). STATUS_INPUT
 * with one sentence that names the quantity, its value and what is allowed; for a window too small
 * the number of turns that fits. Irons are checked by name in coil_new(). */
enum status_code design_check(const struct design *d, struct status *st);

/* Number of wound limbs: 1 for a bar, else 2. */
int design_limbs(const struct design *d);

/* Words of a design file for each choice, and back. from_text takes exactly these words. */
const char *design_form_word(enum design_form v);     /* "bar" "bent" "yoke" */
const char *design_shape_word(enum design_shape v);   /* "round" "rectangular" "stadium" */
const char *design_layers_word(enum design_layers v); /* "orthocyclic" "square" "scramble" */
const char *design_ends_word(enum design_ends v);     /* "walls" "tapered" */
const char *design_connection_word(enum design_connection v); /* "series" "parallel" */
const char *design_sense_word(enum design_sense v);           /* "aiding" "cancelling" */
enum status_code design_form_from_text(const char *text, enum design_form *v, struct status *st);
enum status_code design_shape_from_text(const char *text, enum design_shape *v, struct status *st);
enum status_code design_layers_from_text(const char *text, enum design_layers *v,
                                         struct status *st);
enum status_code design_ends_from_text(const char *text, enum design_ends *v, struct status *st);
enum status_code design_connection_from_text(const char *text, enum design_connection *v,
                                             struct status *st);
enum status_code design_sense_from_text(const char *text, enum design_sense *v, struct status *st);

#endif
