/* guide: what a guided sitting asks for: every figure in the winder's words, which of them the
 * record already has, and which one comes next. */
#ifndef TRUEWOUND_GUIDE_H
#define TRUEWOUND_GUIDE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "analyze/judging.h"
#include "analyze/kinds.h"
#include "analyze/step.h"
#include "db/status.h"
#include "db/store.h"

#define GUIDE_MAX 24

/* The option of a figure that comes before any advice. */
#define GUIDE_FIRST (-1)

/* A run of this number is never stored: its evidence is empty. */
#define GUIDE_NO_RUN INT64_MAX

struct guide_figure {
    char word[48]; /* "limb-a resistance", "pair inductance keeper-on": names it in a script */
    const struct kind *kind;
    const char *place;
    const char *say;    /* what to do with the hands; NULL: the step's own words */
    int option;         /* of the advice: figures of one option follow each other */
    bool keeper;        /* with the keeper on the poles */
    bool keeper_counts; /* on and off are different figures */
    bool rise;          /* a captured current rise gives it */
    bool done;
    bool skipped;
    int64_t entry; /* the observation that stands for it; 0 none */
    int64_t stale; /* an older one that stands too, to be superseded; 0 none */
};

struct guide {
    struct guide_figure figure[GUIDE_MAX];
    size_t figures;
    int wires; /* leads of the ohmmeter as the record tells, 2 or 4; 0 it does not */
};

/* All figures a sitting on this coil can ask for, from the options of its advice. */
void guide_make(const struct judged *judged, struct guide *guide);

/* Marks as done what stands in the record of that run; skipped marks stay. */
enum status_code guide_mark(struct guide *guide, struct store *store, int64_t coil, int64_t run,
                            struct status *st);

enum guide_why {
    GUIDE_BEFORE, /* must be known before the rest means anything: the room, the leads */
    GUIDE_GROUP,  /* the other half of what was just done */
    GUIDE_ADVICE, /* it is expected to tell most per minute */
    GUIDE_LIST,   /* no advice can be had: the usual order, quickest first */
    GUIDE_ENOUGH, /* figures are left, but none is likely to change the verdict */
    GUIDE_NOTHING /* no figure is left */
};

/* The figure to ask for next, or NULL with GUIDE_NOTHING. With GUIDE_ENOUGH it is the one to go on
 * with if the person wants to. two_wire: the leads must be nulled. last: the figure just done, or
 * NULL. */
struct guide_figure *guide_next(struct guide *guide, const struct judged *judged, bool two_wire,
                                const struct guide_figure *last, enum guide_why *why);

/* The figure of that place and kind, or NULL. */
struct guide_figure *guide_find(struct guide *guide, const char *place, const char *kind);

/* Heading, instruction and caution of a figure, NUL-terminated. */
struct guide_words {
    char title[128];
    char say[400 + STEP_CALIPER_SIZE];
    char caution[400]; /* empty: nothing to mind */
};
void guide_words(const struct guide_figure *figure, const struct judged *judged,
                 struct guide_words *words);

/* Figures neither done nor skipped, those before the advice left out. */
size_t guide_left(const struct guide *guide);

#endif
