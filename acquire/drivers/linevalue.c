#include "acquire/drivers/linevalue.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "acquire/drivers/unitbeside.h"

bool linevalue_is_overload(const struct benchfile_instrument *instrument, struct pattern_part part)
{
    const char *text = part.text;
    size_t length = part.length;
    const char *item;
    size_t size;

    while (length > 0 && *text == ' ')
        ++text, --length;
    while (length > 0 && text[length - 1] == ' ')
        --length;
    for (size_t i = 0; (item = section_item(instrument->values, "overload_text", i, &size)); ++i)
        if (size == length && memcmp(item, text, size) == 0)
            return true;
    return false;
}

uint32_t linevalue_kind(const struct benchfile_channel *channel)
{
    const char *kind = section_text(channel->values, "kind");

    if (strcmp(kind, "minimum") == 0)
        return STORE_FLAG_MIN;
    return strcmp(kind, "maximum") == 0 ? STORE_FLAG_MAX : 0;
}

bool linevalue_is_blank(struct pattern_part part)
{
    while (part.length > 0 && isspace((unsigned char)*part.text))
        ++part.text, --part.length;
    return part.length == 0;
}

/* Reads a field: its number, and where that ends. False when it is no number, or two. */
static bool read_number(const struct benchfile_channel *c, enum number_decimal decimal,
                        const char *text, size_t length, bool has_unit, struct number *number)
{
    const char *form = section_text(c->values, "form");
    size_t rest;

    if (strcmp(form, "decimal") != 0)
        return number_read_hex(text, length, strcmp(form, "signed-hex") == 0, number) &&
               number->used == length;
    if (!number_read(text, length, decimal, number))
        return false;
    rest = number->used;
    while (rest < length && (text[rest] == ' ' || text[rest] == '\t'))
        ++rest;
    /* '1,234.5' is not 1.234: thousands are parted here, or a point was lost. */
    return rest == length ||
           (!has_unit && !isdigit((unsigned char)text[rest]) && !strchr(".,", text[rest]));
}

bool linevalue_is_number(const struct benchfile_channel *channel, enum number_decimal decimal,
                         struct pattern_part part)
{
    struct number number;

    return read_number(channel, decimal, part.text, part.length, false, &number);
}

void linevalue_give(const struct benchfile_instrument *instrument, size_t channel,
                    enum number_decimal decimal, const struct linevalue *value, uint32_t flags,
                    const struct driver_sink *sink)
{
    const struct benchfile_channel *c = &instrument->channel[channel];
    const char *text = value->number.text;
    size_t length = value->number.length;
    struct driver_reading reading = {
        .channel = channel, .number = NAN, .digit = NAN, .range = NAN, .flags = flags};
    struct number number, ounces;
    char unit_why[UNITBESIDE_WHY_MAX];
    const char *why = value->why;
    bool good;

    reading.flags |= linevalue_kind(c);
    if (value->unit.text)
        driver_set_unit(reading.unit, value->unit.text, value->unit.length);
    good = read_number(c, decimal, text, length, value->unit.text != NULL, &number);
    if (good && value->ounces.text) {
        good = read_number(c, decimal, value->ounces.text, value->ounces.length, true, &ounces) &&
               ounces.value >= 0.0 && number.used == length;
        if (good) {
            number.value += copysign(ounces.value / 16.0, number.value); /* -0 lb 3 oz is below 0 */
            number.digit = ounces.digit / 16.0;
            driver_set_unit(reading.unit, "lb", 2);
        }
    }
    /* A unit in the text of the value counts as it is; one beside it must not be another. */
    if (good &&
        linevalue_is_blank((struct pattern_part){text + number.used, length - number.used}) &&
        !value->unit.text && !value->ounces.text && value->beside.text &&
        unitbeside_differs(c, value->beside.text, value->beside.length,
                           value->beside.text == text + number.used, unit_why))
        why = unit_why;
    if (good && value->decimals.text) {
        if (value->decimals.length == 1 && isdigit((unsigned char)*value->decimals.text)) {
            double places = pow(10.0, *value->decimals.text - '0');

            number.value /= places;
            number.digit /= places;
        } else {
            why = "its number of decimals is not a digit";
        }
    }
    if (good && value->minus) {
        if (signbit(number.value))
            why = "it has two signs";
        number.value = -number.value;
    }
    if (linevalue_is_overload(instrument, value->number) ||
        number_word(text, length) == NUMBER_WORD_OVERLOAD) {
        reading.flags |= STORE_FLAG_OVERLOAD;
    } else if (good && !why) {
        reading.number = number.value;
        reading.digit = number.digit;
        if (!reading.unit[0])
            driver_set_unit(reading.unit, text + number.used, length - number.used);
        if (number.value >= section_number(c->values, "overload_from") ||
            number.value <= section_number(c->values, "underload_from")) {
            reading.number = NAN;
            reading.flags |= STORE_FLAG_OVERLOAD;
        }
    } else if (number_word(text, length) == NUMBER_WORD_INVALID) {
        reading.flags |= STORE_FLAG_SUSPECT;
    } else {
        char event[400];

        snprintf(event, sizeof event, "%s: '%.*s' is no number%s%s; the reading has no value",
                 c->name, (int)(length < 60 ? length : 60), text, good ? ": " : "",
                 good ? why : "");
        sink->event(sink->to, DRIVER_WARNING, "number", event);
        reading.flags |= STORE_FLAG_SUSPECT;
    }
    if (driver_is_unit_text(c, reading.unit))
        reading.unit[0] = '\0';
    sink->reading(sink->to, &reading);
}
