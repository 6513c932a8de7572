#include "analyze/kinds.h"

#include <string.h>

#define COIL "limb-a limb-b pair"

static const struct kind kinds[] = {
    {"resistance", "resistance", "ohm", COIL " leads", NULL, "8.7 ohm"},
    {"insulation", "resistance", "ohm", "core", NULL, "> 20 Mohm"},
    {"current", "current", "A", COIL, "--voltage", "176 mA --voltage '3.0 V'"},
    {"sag", "voltage", "V", "pair", "--voltage and --source-resistance", "0.2 V"},
    {"volt-drop", "voltage", "V", "limb-a limb-b", NULL, "1.52 V --voltage '3.0 V'"},
    {"inductance", "inductance", "H", COIL, NULL, "0.32 H --keeper on"},
    {"second-time", "time", "s", COIL, NULL, "3 ms"},
    {"polarity", "polarity", "1", "limb-a limb-b", NULL, "north"},
    {"wire-mass", "mass", "kg", COIL, NULL, "61.5 g"},
    {"diameter", "length", "m", "limb-a limb-b", NULL, "13.2 mm"},
    {"wire-diameter", "length", "m", "pair", NULL, "0.25 mm"},
    {"pull", "force", "N", "pair", "--current and --gap", "4.2 N --current '176 mA' --gap '1 mm'"},
    {"residual-pull", "force", "N", "pair", NULL, "0.4 N"},
    {"drift", "ratio", "1", COIL, "--duration", "0.3 %"},
    {"temperature", "temperature", "K", "room pair", NULL, "21 degC"},
    {"lift", "force", "N", "pair", "--current and --outcome",
     "'2.5 lb' --current '176 mA' --outcome held"},
};

#define KINDS (sizeof kinds / sizeof *kinds)

const struct kind *kinds_find(const char *word)
{
    for (size_t i = 0; i < KINDS; ++i)
        if (strcmp(kinds[i].word, word) == 0)
            return &kinds[i];
    return NULL;
}

const struct kind *kinds_at(size_t i)
{
    return i < KINDS ? &kinds[i] : NULL;
}

bool kinds_place_fits(const struct kind *kind, const char *place)
{
    size_t length = strlen(place);
    const char *at = kind->places;

    while (length && (at = strstr(at, place)) != NULL) {
        bool begins = at == kind->places || at[-1] == ' ';

        if (begins && (at[length] == ' ' || at[length] == '\0'))
            return true;
        at += length;
    }
    return false;
}

const char *kinds_place_words(const char *place)
{
    static const char *const words[][2] = {{"limb-a", "limb A"},   {"limb-b", "limb B"},
                                           {"pair", "the pair"},   {"room", "the room"},
                                           {"leads", "the leads"}, {"core", "winding to core"}};

    for (size_t i = 0; i < sizeof words / sizeof *words; ++i)
        if (strcmp(words[i][0], place) == 0)
            return words[i][1];
    return place;
}
