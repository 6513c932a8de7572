#include "acquire/drivers/scpianswer.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <strings.h>

#include "acquire/drivers/unitbeside.h"
#include "acquire/pattern.h"
#include "db/quantity.h"

#define ACKNOWLEDGE_MAX 3       /* digits of a bare number that may be an acknowledgement */
#define OVERLOAD_FROM   9.8e37  /* SCPI-1999, volume 1, 7.2.1: 9.9E37 stands for infinity */
#define NOT_A_NUMBER_AT 9.91e37 /* and 9.91E37 for 'not a number' */

bool scpianswer_is_error_entry(const char *line, size_t length)
{
    size_t i = 0;

    if (i < length && (line[i] == '+' || line[i] == '-'))
        ++i;
    if (i == length || !isdigit((unsigned char)line[i]))
        return false;
    while (i < length && isdigit((unsigned char)line[i]))
        ++i;
    while (i < length && (line[i] == ' ' || line[i] == ','))
        ++i;
    return i < length && line[i] == '"';
}

bool scpianswer_is_bare_integer(const char *line, size_t length)
{
    if (length == 0 || length > ACKNOWLEDGE_MAX)
        return false;
    for (size_t i = 0; i < length; ++i)
        if (!isdigit((unsigned char)line[i]))
            return false;
    return true;
}

/* ---- decoding ---- */

static bool is_overload_text(const struct benchfile_instrument *instrument, const char *text,
                             size_t length)
{
    const char *item;
    size_t size;

    for (size_t i = 0; (item = section_item(instrument->values, "overload_text", i, &size)); ++i)
        if (size > 0 && memmem(text, length, item, size))
            return true;
    return false;
}

/* Field number `field` (from 1) of a comma-separated answer; commas between quotes do not part. */
static bool find_field(const char *line, size_t length, long field, const char **text, size_t *size)
{
    bool quoted = false;
    size_t from = 0;

    for (size_t i = 0; i <= length; ++i) {
        if (i < length && line[i] == '"')
            quoted = !quoted;
        if (i < length && (line[i] != ',' || quoted))
            continue;
        if (--field == 0) {
            *text = line + from;
            *size = i - from;
            return true;
        }
        from = i + 1;
    }
    return false;
}

size_t scpianswer_fields(const char *line, size_t length)
{
    const char *text;
    size_t size;
    size_t count = 1;

    while (find_field(line, length, (long)count + 1, &text, &size))
        ++count;
    return count;
}

/* The field that says whether the value is one. */
static bool is_status_good(const struct benchfile_channel *channel, const char *text, size_t size)
{
    struct number said, good;
    const char *item;
    size_t length;

    while (size > 0 && isspace((unsigned char)*text))
        ++text, --size;
    while (size > 0 && isspace((unsigned char)text[size - 1]))
        --size;
    for (size_t i = 0; (item = section_item(channel->values, "status_good", i, &length)); ++i) {
        if (length == size && memcmp(item, text, size) == 0)
            return true;
        if (number_read(item, length, NUMBER_POINT, &good) && good.used == length &&
            number_read(text, size, NUMBER_POINT, &said) && said.used == size &&
            said.value == good.value)
            return true;
    }
    return false;
}

/* Whether one of the words of a command, which ':' and ' ' part, begins as this one does: three
 * letters, or all of it. */
static bool is_word_of(const char *command, const char *word, size_t length)
{
    size_t most = length < 3 ? length : 3;

    for (const char *at = command; *at; at += strcspn(at, ": ;")) {
        at += strspn(at, ": ;*");
        if (*at && strncasecmp(at, word, most) == 0)
            return true;
    }
    return false;
}

/* How SCPI names what the channel measures. */
static const char *function_words(const struct benchfile_channel *channel)
{
    static const struct {
        enum quantity_id id;
        const char *words;
    } functions[] = {
        {QUANTITY_RESISTANCE, "RES FRES OHM"},
        {QUANTITY_VOLTAGE, "VOLT"},
        {QUANTITY_CURRENT, "CURR"},
        {QUANTITY_TEMPERATURE, "TEMP"},
        {QUANTITY_FREQUENCY, "FREQ"},
        {QUANTITY_CAPACITANCE, "CAP"},
        {QUANTITY_INDUCTANCE, "IND"},
        {QUANTITY_POWER, "POW"},
    };
    const struct quantity *quantity = quantity_find(channel->quantity);

    for (size_t i = 0; quantity && i < sizeof functions / sizeof functions[0]; ++i)
        if (functions[i].id == quantity->id)
            return functions[i].words;
    return "";
}

/* IEEE 488.2, 8.7.1: with its headers on a meter repeats what it was asked, as in ':MEAS:VOLT:DC
 * +1.5E+00'. Any other word makes the line another one: 'RANGE 2' is no reading. */
static void skip_header(const struct benchfile_channel *channel, const struct scpichannel *own,
                        const char **text, size_t *size)
{
    size_t i = 0;
    size_t from;
    bool known;

    if (*size == 0 || (**text != ':' && !isalpha((unsigned char)**text)))
        return;
    while (i < *size && (isalnum((unsigned char)(*text)[i]) || strchr(":_*", (*text)[i])))
        ++i;
    if (i == *size || (*text)[i] != ' ')
        return;
    from = strspn(*text, ":");
    known = memchr(*text, ':', i) || is_word_of(own->query, *text + from, i - from) ||
            is_word_of(function_words(channel), *text + from, i - from);
    for (size_t k = 0; k < own->configures; ++k)
        known = known || is_word_of(own->configure[k], *text + from, i - from);
    if (!known)
        return;
    while (i < *size && (*text)[i] == ' ')
        ++i;
    *text += i;
    *size -= i;
}

/* "17,032" or "+1,7E+01" where the bench file speaks neither of fields nor of a decimal comma: 17
 * and something else, or 17.032? SCPI itself writes a point (IEEE 488.2, 8.7.2 to 8.7.4), but a
 * meter set to another country may not. */
static bool may_be_decimal_comma(const struct benchfile_instrument *instrument, size_t channel,
                                 enum number_decimal decimal, const char *text, size_t size,
                                 const char *end)
{
    size_t i = 0;

    if (decimal != NUMBER_POINT || section_given(instrument->values, "decimal") ||
        section_given(instrument->channel[channel].values, "field"))
        return false;
    while (i < size && (text[i] == ' ' || text[i] == '+' || text[i] == '-'))
        ++i;
    if (i == size || text + size + 1 >= end || text[size + 1] < '0' || text[size + 1] > '9')
        return false;
    for (; i < size; ++i)
        if (text[i] < '0' || text[i] > '9')
            return false;
    return true;
}

static bool is_blank(const char *text, size_t size)
{
    while (size > 0 && isspace((unsigned char)*text))
        ++text, --size;
    return size == 0;
}

bool scpianswer_reading(const struct benchfile_instrument *instrument, size_t channel,
                        const struct scpichannel *own, enum number_decimal decimal,
                        const char *line, size_t length, uint32_t flags,
                        const struct driver_sink *sink)
{
    const struct benchfile_channel *c = &instrument->channel[channel];
    double overload = section_number(c->values, "overload_from");
    struct driver_reading reading = {
        .channel = channel, .number = NAN, .digit = NAN, .range = own->range, .flags = flags};
    struct number number = {.value = NAN};
    const char *text;
    struct pattern_part beside = {NULL, 0};
    char unit_why[UNITBESIDE_WHY_MAX];
    bool cut = false;
    size_t size;

    if (strcmp(section_text(c->values, "coupling"), "ac") == 0)
        reading.flags |= STORE_FLAG_AC;
    if (own->pattern && !is_overload_text(instrument, line, length)) {
        struct pattern_part value, unit;

        if (!pattern_match(own->pattern, line, length))
            return false;
        value = pattern_part(own->pattern, own->value);
        unit = pattern_part(own->pattern, own->unit);
        if (!value.text)
            return false;
        cut = pattern_cuts_number(own->pattern, own->value, decimal);
        if (!unit.text)
            beside = pattern_behind(own->pattern, own->value);
        if (unit.text)
            driver_set_unit(reading.unit, unit.text, unit.length);
        text = value.text;
        size = value.length;
    } else if (own->pattern || decimal == NUMBER_COMMA) {
        /* A meter that writes a decimal comma cannot part fields by it. */
        text = line;
        size = length;
    } else if (!find_field(line, length, own->field, &text, &size)) {
        return false;
    } else if (own->unit_field > 0) {
        struct pattern_part unit;

        if (!find_field(line, length, own->unit_field, &unit.text, &unit.length))
            return false;
        driver_set_unit(reading.unit, unit.text, unit.length);
    } else if (!find_field(line, length, own->field + 1, &beside.text, &beside.length)) {
        beside.text = NULL;
    }
    if (own->status_field > 0) {
        const char *status;
        size_t status_size;

        if (!find_field(line, length, own->status_field, &status, &status_size))
            return false;
        if (!is_status_good(c, status, status_size)) {
            reading.flags |= STORE_FLAG_SUSPECT;
            sink->reading(sink->to, &reading);
            return true;
        }
    }
    if (is_overload_text(instrument, text, size) ||
        number_word(text, size) == NUMBER_WORD_OVERLOAD) {
        reading.flags |= STORE_FLAG_OVERLOAD;
        sink->reading(sink->to, &reading);
        return true;
    }
    if (!number_read(text, size, decimal, &number)) {
        skip_header(c, own, &text, &size);
        if (number_word(text, size) == NUMBER_WORD_NONE &&
            !number_read(text, size, decimal, &number))
            return false;
    }
    if (number_word(text, size) != NUMBER_WORD_NONE) {
        reading.flags |= number_word(text, size) == NUMBER_WORD_OVERLOAD ? STORE_FLAG_OVERLOAD
                                                                         : STORE_FLAG_SUSPECT;
    } else if (cut) {
        char event[240];

        snprintf(event, sizeof event,
                 "%s: '%.*s' is no number: in '%.*s' a sign, a digit or an exponent beside it "
                 "belongs to no group of the pattern; the reading has no value",
                 c->name, (int)(size < 40 ? size : 40), text, (int)(length < 60 ? length : 60),
                 line);
        sink->event(sink->to, DRIVER_WARNING, "number", event);
        reading.flags |= STORE_FLAG_SUSPECT;
    } else if (beside.text && is_blank(text + number.used, size - number.used) &&
               unitbeside_differs(c, beside.text, beside.length, beside.text == text + number.used,
                                  unit_why)) {
        char event[320];

        snprintf(event, sizeof event, "%s: '%.*s': %s; the reading has no value", c->name,
                 (int)(length < 60 ? length : 60), line, unit_why);
        sink->event(sink->to, DRIVER_WARNING, "unit", event);
        reading.flags |= STORE_FLAG_SUSPECT;
    } else if (may_be_decimal_comma(instrument, channel, decimal, text, size, line + length)) {
        char event[200];

        snprintf(event, sizeof event,
                 "%s: '%.*s' may have a decimal comma or be several values; the reading has no "
                 "value; say 'decimal = comma' or 'field = 1' in the bench file",
                 c->name, (int)(length < 40 ? length : 40), line);
        sink->event(sink->to, DRIVER_WARNING, "decimal", event);
        reading.flags |= STORE_FLAG_SUSPECT;
    } else if (fabs(number.value) >= OVERLOAD_FROM || fabs(number.value) >= overload) {
        bool none = fabs(number.value - NOT_A_NUMBER_AT) < 1e33;

        reading.flags |= none ? STORE_FLAG_SUSPECT : STORE_FLAG_OVERLOAD;
    } else {
        reading.number = number.value;
        reading.digit = number.digit;
        if (!reading.unit[0] || number.used < size)
            driver_set_unit(reading.unit, text + number.used, size - number.used);
        if (driver_is_unit_text(c, reading.unit))
            reading.unit[0] = '\0';
    }
    sink->reading(sink->to, &reading);
    return true;
}
