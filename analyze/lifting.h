/* lifting: from the lift trials of a coil in the store to what it holds, and what that says of the
 * air in the joint, of sticking, and of the day when the battery is nearly spent. */
#ifndef TRUEWOUND_LIFTING_H
#define TRUEWOUND_LIFTING_H

#include <stdbool.h>
#include <stddef.h>

#include "analyze/coilbook.h"
#include "analyze/gather.h"
#include "analyze/infer/lift.h"
#include "analyze/model/coil.h"
#include "db/status.h"
#include "db/store.h"

#define LIFTING_GAPS_MAX 8

/* Factor between the load it is sure to hold and the load to be hung on it. Common practice, no
 * source; real lifting gear has its own rules. */
#define LIFTING_FACTOR 3.0

struct lifting_options {
    double gap;         /* m, shim of the trials to judge; NaN: the smallest there are trials at */
    double current;     /* A to state the pull at; NaN: the median of those trials */
    double load;        /* N that must be held; NaN: the design's */
    double factor;      /* for the safe working load; NaN: the design's own, or LIFTING_FACTOR */
    double voltage;     /* V at the coil's terminals on its worst day; NaN: the battery's end point,
                           or the design's supply */
    double temperature; /* C of the winding on its worst day; NaN: steady at the design's duty */
    double release;     /* N that pulls the keeper off when the current ends; NaN: its weight */
};

/* A figure that is a best value with ends, or only a bound: low 0 or high INFINITY where open,
 * value NaN when there is only a bound. */
struct lifting_figure {
    double value, low, high;
};

struct lifting_group {
    double gap; /* m, shim */
    size_t trials, held, fell;
    double most_held;  /* N at its own current; NaN none */
    double least_fell; /* N */
};

/* Why the pull is what it is, from the prediction. */
enum lifting_hint {
    LIFTING_NO_HINT,
    LIFTING_OPEN, /* a bound that neither a close nor a wide seat contradicts */
    LIFTING_AGREES,
    LIFTING_TOO_WEAK,  /* no gap that a filed face has explains it: a limb cancels, turns or current
                          are missing */
    LIFTING_WIDE_GAP,  /* explained by more air than a filed face leaves */
    LIFTING_TOO_STRONG /* more than the design could give with no air at all */
};

struct lifting {
    struct coilbook_entry entry; /* with the completed design */
    int64_t run;
    struct gathered gathered;
    size_t groups;
    struct lifting_group group[LIFTING_GAPS_MAX];

    double gap;     /* m, shim that what follows is for */
    double current; /* A */
    size_t trials;
    struct lift_trial trial[EVIDENCE_MAX]; /* ln N at that current, in order of time */
    size_t item[EVIDENCE_MAX];             /* its place in gathered.evidence */
    struct lift_options fit_options;
    struct lift_fit fit;
    struct lifting_figure pull; /* N, at gap and current */

    struct lifting_figure predicted; /* N, the design at the same */
    const char *limit;               /* the part that saturates first, or NULL */
    double saturation;               /* d ln pull / d ln current: 2 without saturation */
    struct lifting_figure contact;   /* m, air at each pole beside the shim; value NaN: none fits */
    double contact_design;           /* m */
    enum lifting_hint hint;
    double cancelling; /* N, the design with one limb cancelling; NaN for a bar */

    bool worst;         /* what follows could be worked out */
    bool worst_battery; /* it is the battery's end point */
    double worst_voltage, worst_temperature, worst_current;
    double worst_current_low;         /* A, 95 % */
    struct lifting_figure worst_pull; /* N */
    double wanted;                    /* N; NaN: no load stated */
    double factor;
    double safe;  /* N; NaN: no lower bound, or trials that contradict the design */
    bool untried; /* safe rests on the trials, though the worst day's current would pull more */

    double residual;              /* N, predicted, after that current at that gap */
    struct lifting_figure sticks; /* N, from trials; low 0 high INFINITY: none */
    double release;               /* N */
    double free_shim;             /* m, smallest shim that frees it; INFINITY: none up to 3 mm */
    double free_load;             /* N, pull left at that shim at the present current */
};

struct lifting_options lifting_options_default(void);

/* Loads and works out everything. A new struct for lifting_free(). Without trials the prediction
 * alone is there and fit.kind is LIFT_NOTHING. run 0: all trials that stand. Errors of the store
 * and the model. */
enum status_code lifting_study(struct units *units, struct store *store, const char *name,
                               int64_t run, const struct lifting_options *options,
                               struct lifting **out, struct status *st);
/* The same from what is already loaded (both copied); design completed. */
enum status_code lifting_from(const struct coilbook_entry *entry, const struct gathered *gathered,
                              const struct lifting_options *options, struct lifting **out,
                              struct status *st);
void lifting_free(struct lifting *lifting);

/* Pull of the design, N, at a current with that shim and that much air beside it. NaN when it
 * cannot be worked out. */
double lifting_pull(const struct design *design, double current, double shim, double contact);

/* The greatest pull that any iron could give through the design's poles, N: 2.4 T over both. */
double lifting_possible(const struct design *design);

/* The figure in words for a load: "12.3 N (1.25 kg, 2.77 lb)". Returns buf. */
const char *lifting_words(char *buf, size_t size, double newton);

/* "held 12 N to 14 N (95 %)", "more than ...", in one line of words. */
const char *lifting_figure_words(char *buf, size_t size, const struct lifting_figure *figure);

#endif
