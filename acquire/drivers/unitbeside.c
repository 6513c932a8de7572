#include "acquire/drivers/unitbeside.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "acquire/driver.h"
#include "acquire/unitword.h"
#include "db/quantity.h"

/* What the dial of a meter can be turned to. */
static const char *const functions[] = {"V", "A", "ohm", "Hz", "F", "H"};

static bool is_function(const char *si)
{
    for (size_t i = 0; i < sizeof functions / sizeof functions[0]; ++i)
        if (strcmp(functions[i], si) == 0)
            return true;
    return false;
}

/* Whether all usual ways to write units of it are known. */
static bool is_written(const char *si)
{
    return is_function(si) || strcmp(si, "kg") == 0 || strcmp(si, "N") == 0 || strcmp(si, "K") == 0;
}

static bool is_unit_byte(unsigned char c)
{
    return isalpha(c) || c >= 0x80;
}

/* The word in front of text; false when there is none, or when it names what comes behind it. */
static bool read_word(const char *text, size_t length, char word[UNITWORD_MAX])
{
    size_t from = 0;
    size_t end;

    while (from < length && (text[from] == ' ' || text[from] == '\t'))
        ++from;
    for (end = from; end < length && is_unit_byte((unsigned char)text[end]);)
        ++end;
    if (end == from || end - from >= UNITWORD_MAX)
        return false;
    memcpy(word, text + from, end - from);
    word[end - from] = '\0';
    while (end < length && text[end] == ' ')
        ++end;
    return end == length || !strchr("=:", text[end]);
}

bool unitbeside_differs(const struct benchfile_channel *channel, const char *text, size_t length,
                        bool close, char why[UNITBESIDE_WHY_MAX])
{
    const struct quantity *quantity = quantity_find(channel->quantity);
    const char *si = !isnan(channel->calibration.shunt) ? "V" : quantity ? quantity->unit : "";
    struct unitword said, own;
    char word[UNITWORD_MAX];

    if (!read_word(text, length, word) || strcmp(word, channel->unit) == 0 ||
        driver_is_unit_text(channel, word))
        return false;
    if (unitword_read(word, si, &said)) {
        if (!unitword_read(channel->unit, si, &own) ||
            (!said.ac && strcmp(own.unit, said.unit) == 0 && own.factor == said.factor))
            return false; /* taken as a unit, VAC makes the reading an alternating one */
        snprintf(why, UNITBESIDE_WHY_MAX,
                 "'%.20s' stands behind it, but the channel's unit is %s; a group, column or "
                 "field may take the unit",
                 word, channel->unit);
        return true;
    }
    if (close && is_unit_byte((unsigned char)text[0]) && is_written(si)) {
        snprintf(why, UNITBESIDE_WHY_MAX, "'%.20s' stands right behind it, which is no unit of %s",
                 word, channel->quantity);
        return true; /* half a line, perhaps, and the beginning of another */
    }
    if (!is_function(si) || !word[1])
        return false;
    for (size_t i = 0; i < sizeof functions / sizeof functions[0]; ++i)
        if (unitword_read(word, functions[i], &said)) {
            snprintf(why, UNITBESIDE_WHY_MAX, "'%.20s' stands behind it, which is no unit of %s",
                     word, channel->quantity);
            return true;
        }
    return false;
}
