#include "analyze/step.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "analyze/printing.h"

/* What to do for each kind of evidence; %s is the place. */
struct instruction {
    const char *kind;
    const char *place;     /* "" any */
    const char *words;     /* two limbs */
    const char *words_one; /* bar coil; NULL: the same */
    const char *caution;
};

/* A coil that is switched off gives back what its field held, at many times the supply voltage. */
#define SPIKE                                                                                      \
    "Before you open the circuit have a diode or resistor across the coil, and keep fingers off "  \
    "bare ends: switching off makes a spike far above the supply."
#define FINGERS                                                                                    \
    "Keep fingers out of the gap and feet from under the load: the keeper snaps shut and the "     \
    "load can drop. Do not leave the coil on: it heats."

static const struct instruction instructions[] = {
    {"resistance", "limb-a",
     "Current off. Clip the meter to limb A: its start and its finish. Hold still until the "
     "reading "
     "rests.",
     "Current off. Clip the meter to the coil: start and finish. Hold still until the reading "
     "rests.",
     ""},
    {"resistance", "limb-b",
     "Current off. Clip the meter to limb B: its start and its finish. Hold still until the "
     "reading "
     "rests.",
     NULL, ""},
    {"resistance", "pair",
     "Current off. Clip the meter across the whole coil, from the first end to the last.", NULL,
     ""},
    {"polarity", "",
     "Current from start to finish. Hold a compass to the free end of limb A, then of limb B. Note "
     "north, south or none for each.",
     "Current from start to finish. Hold a compass to the free end of the core. Note north or "
     "south.",
     SPIKE},
    {"insulation", "",
     "Current off, coil disconnected. One lead on the winding, the other on bare iron of the core.",
     NULL,
     "An insulation tester puts hundreds of volts on its leads: hold them by the insulation."},
    {"wire-mass", "",
     "Weigh the coil. Take off the weight of the bare core, bobbins and tape; what is left is "
     "wire.",
     NULL, ""},
    {"diameter", "", "Caliper across the finished winding of limb A, then of limb B.",
     "Caliper across the finished winding.", ""},
    {"wire-diameter", "", "Burn or scrape a lead end clean. Micrometer on the bare wire, twice.",
     NULL, "Enamel smoke is harmful: scrape, or burn it off in moving air."},
    {"current", "",
     "Connect the coil to its supply. Read the current, with the voltage across the coil.", NULL,
     SPIKE},
    {"volt-drop", "",
     "The supply on the whole coil. Voltmeter across limb A, then at once across limb B, the "
     "current left as it is.",
     NULL, SPIKE},
    {"sag", "", "Read the supply without the coil, then with it.", NULL, SPIKE},
    {"inductance", "", "Connect the coil to the board and record the current as it rises.", NULL,
     SPIKE},
    {"pull", "",
     "Keeper on the poles, hung from the scale. Current on, then pull until it lets go.", NULL,
     FINGERS},
    {"residual-pull", "",
     "Current on, then off. Pull the keeper away and read what it still holds.", NULL, FINGERS},
    {"lift", "", "Current on, keeper on the poles. Hang the load and see whether it holds.", NULL,
     FINGERS},
    {"drift", "", "Leave the coil without current for ten minutes, then take its resistance again.",
     NULL, ""},
};

static const struct instruction *find(const char *kind, const char *place)
{
    for (size_t i = 0; i < sizeof instructions / sizeof *instructions; ++i)
        if (strcmp(instructions[i].kind, kind) == 0 &&
            (!*instructions[i].place || strcmp(instructions[i].place, place) == 0))
            return &instructions[i];
    return NULL;
}

/* The inference's words for a place, as the command line has them. */
static const char *place_of(const struct evidence_record *record)
{
    if (strcmp(record->quantity, "insulation") == 0)
        return "core";
    if (record->place && strcmp(record->place, "a") == 0)
        return "limb-a";
    if (record->place && strcmp(record->place, "b") == 0)
        return "limb-b";
    return "pair";
}

const char *step_caliper(const struct design *design, char text[STEP_CALIPER_SIZE])
{
    text[0] = '\0';
    if (design->core.limb.shape != DESIGN_ROUND)
        snprintf(text, STEP_CALIPER_SIZE,
                 "The limb is not round: lay the caliper along its first size, %.3g mm%s.",
                 1e3 * design->core.limb.width.value,
                 design_limbs(design) == 2 ? ", in the plane of both limbs" : "");
    return text;
}

void step_of(const struct advise_option *option, const struct design *design, struct step *step)
{
    bool two = design_limbs(design) > 1;
    char caliper[STEP_CALIPER_SIZE] = "";
    const struct instruction *instruction;
    const char *keeper = "";

    *step = (struct step){.minutes = option->minutes};
    snprintf(step->title, sizeof step->title, "%s", option->name);
    for (size_t i = 0; i < option->expects && i < STEP_TAKES_MAX; ++i)
        step->take[step->takes++] =
            (struct step_take){place_of(&option->expect[i]), option->expect[i].quantity};
    if (step->takes == 0)
        return;
    instruction = find(step->take[0].kind, step->take[0].place);
    if (!instruction) {
        snprintf(step->words, sizeof step->words, "Measure: %s.", option->name);
        return;
    }
    if (strcmp(step->take[0].kind, "inductance") == 0)
        keeper = option->expect[0].at.keeper ? "Keeper on the poles. " : "Keeper off. ";
    if (strcmp(step->take[0].kind, "diameter") == 0)
        step_caliper(design, caliper);
    snprintf(step->words, sizeof step->words, "%s%s%s%s", keeper,
             !two && instruction->words_one ? instruction->words_one : instruction->words,
             caliper[0] ? " " : "", caliper);
    snprintf(step->caution, sizeof step->caution, "%s", instruction->caution);
}

/* Below this the leading finding is a guess, and its remedy may cost an evening's rewinding. */
#define CAUSE_SURE 0.85

void step_next(const struct judged *judged, struct step *step)
{
    const struct verdict *v = &judged->verdict;
    bool fails = v->result == VERDICT_FAIL;
    bool remedy = fails && v->findings > 0 && v->finding[0].remedy && *v->finding[0].remedy;
    char words[sizeof step->words];

    if (judged->advised && !judged->advice.enough && judged->advice.gains > 0) {
        step_of(&judged->option[judged->advice.gain[0].option], &judged->entry.design, step);
        if (fails) {
            memcpy(words, step->words, sizeof words);
            snprintf(step->words, sizeof step->words, "It fails; this tells what to mend. %.*s",
                     (int)(sizeof words - 48), words);
        }
        return;
    }
    *step = (struct step){.done = true, .minutes = NAN};
    if (remedy)
        snprintf(step->words, sizeof step->words, "%s %s.",
                 v->finding[0].probability < CAUSE_SURE ? "Not certain, but most likely:"
                                                        : "Put it right:",
                 v->finding[0].remedy);
    else
        snprintf(step->words, sizeof step->words, "%s",
                 judged->advised ? judged->advice.line : "No measurement can be advised.");
}

json_t *step_json(const struct step *step)
{
    json_t *takes = json_array();

    for (size_t i = 0; takes && i < step->takes; ++i)
        json_array_append_new(takes, json_pack("{s:s, s:s}", "place", step->take[i].place, "kind",
                                               step->take[i].kind));
    return json_pack("{s:b, s:s, s:s, s:s, s:o, s:o}", "done", step->done, "title", step->title,
                     "words", step->words, "caution", step->caution, "minutes",
                     printing_number(step->minutes), "takes", takes);
}
