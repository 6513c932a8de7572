#include "analyze/guide.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "analyze/conditions.h"
#include "db/store_evidence.h"

/* What a sitting asks for. A drift needs ten idle minutes and is left to 'observe'. */
struct manner {
    const char *kind;
    const char *place;   /* "" any */
    const char *title;   /* NULL: of the step */
    const char *say;     /* NULL: of the step */
    const char *say_bar; /* bar coil; NULL: the same */
    const char *caution; /* beside the step's own; NULL none */
    bool rise;
};

#define WARM                                                                                       \
    "A coil that was just in use can be hot enough to burn: let it cool to the room first. A "     \
    "warm winding also reads high."
#define NOT_LONG "Do not leave the current on: the winding heats."

static const struct manner manners[] = {
    {"temperature", "room", "temperature of the room",
     "Let the coil lie in the room until it is as warm as the room. Read the thermometer beside "
     "it.",
     NULL, WARM, false},
    {"resistance", "leads", "the leads by themselves",
     "Clip the leads together, without the coil. What is read is taken off every reading after "
     "this.",
     NULL, NULL, false},
    {"resistance", "limb-a", NULL,
     "limb A: start and finish. Current off; clip the leads on and let the reading rest.",
     "The coil: start and finish. Current off; clip the leads on and let the reading rest.", WARM,
     false},
    {"resistance", "limb-b", NULL,
     "limb B: start and finish. Current off; clip the leads on and let the reading rest.", NULL,
     NULL, false},
    {"resistance", "pair", NULL,
     "The whole coil: first end and last end, joint between the limbs included. Current off.", NULL,
     NULL, false},
    {"polarity", "limb-a", NULL,
     "Current through the whole coil, from start to finish. Compass at the free end of limb A: "
     "that end is north if it draws the south end of the needle. Type north, south or none.",
     "Current from start to finish. Compass at the free end of the core: that end is north if it "
     "draws the south end of the needle. Type north, south or none.",
     NOT_LONG, false},
    {"polarity", "limb-b", NULL,
     "The same current, the same way. Compass at the free end of limb B. Type north, south or "
     "none.",
     NULL, NOT_LONG, false},
    {"volt-drop", "limb-a", NULL,
     "The supply on the whole coil, limb and limb in series. Voltmeter across limb A alone: its "
     "start and its finish.",
     NULL, NOT_LONG, false},
    {"volt-drop", "limb-b", NULL,
     "The same current. Voltmeter across limb B alone, at once after limb A.", NULL, NOT_LONG,
     false},
    {"insulation", "", NULL,
     "Coil disconnected. One lead on the winding, the other on bare iron of the core; widest range "
     "of the meter. Type '> 20 Mohm' when it shows more than it can.",
     NULL, NULL, false},
    {"wire-mass", "", NULL,
     "Weigh the coil, take off the weight of bare core, bobbins and tape, and type what is left: "
     "the wire alone. If the reel was weighed before and after each limb, skip this and note each "
     "limb's wire-mass with 'observe'.",
     "Weigh the coil, take off the weight of bare core, bobbin and tape, and type what is left: "
     "the "
     "wire alone. Or type what the reel lost.",
     NULL, false},
    {"diameter", "limb-a", NULL, "Caliper over the finished winding of limb A, at its middle.",
     "Caliper over the finished winding, at its middle.", NULL, false},
    {"diameter", "limb-b", NULL, "Caliper over the finished winding of limb B, at its middle.",
     NULL, NULL, false},
    {"wire-diameter", "", NULL, NULL, NULL, NULL, false},
    {"current", "", NULL, NULL, NULL, NOT_LONG, false},
    {"inductance", "", NULL, NULL, NULL, NOT_LONG, true},
    {"second-time", "", NULL, NULL, NULL, NOT_LONG, true},
    {"pull", "", NULL, NULL, NULL, NULL, false},
    {"residual-pull", "", NULL, NULL, NULL, NULL, false},
};

static const struct manner *find_manner(const char *kind, const char *place)
{
    for (size_t i = 0; i < sizeof manners / sizeof *manners; ++i)
        if (strcmp(manners[i].kind, kind) == 0 &&
            (!*manners[i].place || strcmp(manners[i].place, place) == 0))
            return &manners[i];
    return NULL;
}

static void add(struct guide *guide, const char *place, const char *kind, int option, bool keeper)
{
    const struct manner *manner = find_manner(kind, place);
    struct guide_figure *figure;

    if (!manner || !kinds_find(kind) || guide->figures == GUIDE_MAX)
        return;
    figure = &guide->figure[guide->figures++];
    *figure = (struct guide_figure){.kind = kinds_find(kind),
                                    .place = place,
                                    .option = option,
                                    .keeper = keeper,
                                    .keeper_counts = manner->rise,
                                    .rise = manner->rise};
    snprintf(figure->word, sizeof figure->word, "%s %s%s", place, kind,
             !manner->rise ? ""
             : keeper      ? " keeper-on"
                           : " keeper-off");
}

void guide_make(const struct judged *judged, struct guide *guide)
{
    *guide = (struct guide){.figures = 0};
    add(guide, "room", "temperature", GUIDE_FIRST, false);
    add(guide, "leads", "resistance", GUIDE_FIRST, false);
    for (size_t i = 0; i < judged->options; ++i) {
        struct step step;

        step_of(&judged->option[i], &judged->entry.design, &step);
        for (size_t k = 0; k < step.takes; ++k)
            add(guide, step.take[k].place, step.take[k].kind, (int)i,
                judged->option[i].expect[k].at.keeper);
    }
}

struct guide_figure *guide_find(struct guide *guide, const char *place, const char *kind)
{
    for (size_t i = 0; i < guide->figures; ++i)
        if (strcmp(guide->figure[i].place, place) == 0 &&
            strcmp(guide->figure[i].kind->word, kind) == 0)
            return &guide->figure[i];
    return NULL;
}

struct marking {
    struct guide *guide;
    bool weighed[2]; /* the wire of one limb, by the reel */
};

static int mark(const struct store_observation *row, void *user)
{
    struct marking *marking = user;
    struct guide *guide = marking->guide;
    struct conditions conditions;
    struct status st;

    if (conditions_parse(row->conditions, &conditions, &st) != STATUS_OK)
        return 0;
    if (strcmp(row->quantity, "resistance") == 0 && isfinite(conditions.wires))
        guide->wires = conditions.wires > 3.0 ? 4 : 2;
    if (strcmp(row->quantity, "mass") == 0 && strncmp(row->place, "limb-", 5) == 0)
        marking->weighed[strcmp(row->place, "limb-b") == 0] = true;
    for (size_t i = 0; i < guide->figures; ++i) {
        struct guide_figure *f = &guide->figure[i];

        if (strcmp(f->place, row->place) != 0 || strcmp(f->kind->quantity, row->quantity) != 0 ||
            (conditions.kind[0] && strcmp(f->kind->word, conditions.kind) != 0) ||
            (f->keeper_counts && f->keeper != (conditions.keeper == CONDITIONS_YES)))
            continue;
        f->done = true;
        f->stale = f->entry;
        f->entry = row->id;
        return 0;
    }
    return 0;
}

enum status_code guide_mark(struct guide *guide, struct store *store, int64_t coil, int64_t run,
                            struct status *st)
{
    struct marking marking = {.guide = guide};
    struct guide_figure *mass = guide_find(guide, "pair", "wire-mass");
    enum status_code code;

    for (size_t i = 0; i < guide->figures; ++i) {
        guide->figure[i].done = false;
        guide->figure[i].entry = guide->figure[i].stale = 0;
    }
    code = store_evidence_observations(store, coil, run, false, mark, &marking, st);
    /* The limbs by themselves tell more than their sum. */
    if (mass && marking.weighed[0] && marking.weighed[1])
        mass->done = true;
    return code;
}

static bool is_open(const struct guide_figure *figure)
{
    return !figure->done && !figure->skipped;
}

static struct guide_figure *first_open(struct guide *guide, int option)
{
    for (size_t i = 0; i < guide->figures; ++i)
        if (guide->figure[i].option == option && is_open(&guide->figure[i]))
            return &guide->figure[i];
    return NULL;
}

/* The leads are not asked for when four of them leave their resistance out of the reading. */
static struct guide_figure *first_before(struct guide *guide, bool two_wire)
{
    struct guide_figure *room = guide_find(guide, "room", "temperature");
    struct guide_figure *leads = guide_find(guide, "leads", "resistance");

    if (room && is_open(room))
        return room;
    return two_wire && leads && is_open(leads) ? leads : NULL;
}

size_t guide_left(const struct guide *guide)
{
    size_t n = 0;

    for (size_t i = 0; i < guide->figures; ++i)
        n += guide->figure[i].option != GUIDE_FIRST && is_open(&guide->figure[i]);
    return n;
}

struct guide_figure *guide_next(struct guide *guide, const struct judged *judged, bool two_wire,
                                const struct guide_figure *last, enum guide_why *why)
{
    struct guide_figure *figure = first_before(guide, two_wire);

    *why = GUIDE_BEFORE;
    if (figure)
        return figure;
    *why = GUIDE_GROUP;
    figure = last && last->option != GUIDE_FIRST ? first_open(guide, last->option) : NULL;
    if (figure)
        return figure;
    *why = GUIDE_ADVICE;
    for (size_t i = 0; judged->advised && i < judged->advice.gains; ++i) {
        figure = first_open(guide, (int)judged->advice.gain[i].option);
        if (!figure)
            continue;
        if (judged->advice.enough)
            *why = GUIDE_ENOUGH;
        return figure;
    }
    *why = GUIDE_LIST;
    for (size_t i = 0; i < guide->figures; ++i)
        if (guide->figure[i].option != GUIDE_FIRST && is_open(&guide->figure[i]))
            return &guide->figure[i];
    *why = GUIDE_NOTHING;
    return NULL;
}

void guide_words(const struct guide_figure *figure, const struct judged *judged,
                 struct guide_words *words)
{
    const struct manner *manner = find_manner(figure->kind->word, figure->place);
    bool two = design_limbs(&judged->entry.design) > 1;
    struct step step = {.done = false};
    char caliper[STEP_CALIPER_SIZE] = "";
    const char *say;

    *words = (struct guide_words){.title = ""};
    if (figure->option != GUIDE_FIRST)
        step_of(&judged->option[figure->option], &judged->entry.design, &step);
    say = !manner ? NULL : !two && manner->say_bar ? manner->say_bar : manner->say;
    if (manner && manner->title)
        snprintf(words->title, sizeof words->title, "%s", manner->title);
    else if (step.takes > 1 && !figure->rise)
        snprintf(words->title, sizeof words->title, "%s of %s", figure->kind->word,
                 kinds_place_words(figure->place));
    else
        snprintf(words->title, sizeof words->title, "%s", step.title);
    if (say && strcmp(figure->kind->word, "diameter") == 0)
        step_caliper(&judged->entry.design, caliper);
    snprintf(words->say, sizeof words->say, "%s%s%s", say ? say : step.words, caliper[0] ? " " : "",
             caliper);
    snprintf(words->caution, sizeof words->caution, "%s%s%s", step.caution,
             step.caution[0] && manner && manner->caution ? " " : "",
             manner && manner->caution ? manner->caution : "");
}
