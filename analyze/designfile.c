#include "analyze/designfile.h"

#include <ctype.h>
#include <math.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#include "analyze/model/cell.h"
#include "db/inifile.h"

/* What a key's value is, and how it is read. */
enum kind {
    KIND_TEXT,
    KIND_AMOUNT,  /* in the unit named by `unit` */
    KIND_FORCE,   /* a force, or the mass whose weight it is */
    KIND_TURNS,   /* a number of turns, the word "turns" allowed */
    KIND_WHOLE,   /* a small whole number, into an int */
    KIND_RATIO,   /* "5 %" or "0.05" */
    KIND_SECTION, /* round 8 mm | rectangular 8 mm x 10 mm | stadium 12 mm x 8 mm */
    KIND_YES,
    KIND_FORM,
    KIND_LAYERS,
    KIND_ENDS,
    KIND_CONNECTION,
    KIND_SENSE,
    KIND_WIRE,   /* the [wire] section, read as a whole */
    KIND_BATTERY /* 2 x LR20, or 2 x 2 x LR20 for series x parallel */
};

/* What a figure written without its own ± is worth. A person who writes "8 mm" has bought an 8 mm
 * bar, and one who writes "0.5 mm" of gap has measured half a millimetre roughly: half a unit of
 * the last digit, but of a bought or machined size no more than 2 %. */
enum digit { DIGIT_EXACT, DIGIT_CAPPED, DIGIT_LAST };

#define DIGIT_CAP 0.02

struct key {
    const char *section;
    const char *key;
    enum kind kind;
    enum digit digit;
    const char *unit;
    const char *expects;
    size_t offset;
    size_t size; /* of a text field */
};

#define AT(field)   offsetof(struct design, field)
#define TEXT(field) offsetof(struct design, field), sizeof(((struct design *)0)->field)

static const struct key keys[] = {
    {"coil", "name", KIND_TEXT, DIGIT_EXACT, NULL, "a name", TEXT(name)},
    {"coil", "note", KIND_TEXT, DIGIT_EXACT, NULL, "any text", TEXT(note)},

    {"core", "form", KIND_FORM, DIGIT_EXACT, NULL, "bar, bent or yoke", AT(core.form), 0},
    {"core", "air", KIND_YES, DIGIT_EXACT, NULL, "yes or no", AT(core.air), 0},
    {"core", "iron", KIND_TEXT, DIGIT_EXACT, NULL, "the name of an iron", TEXT(core.iron)},
    {"core", "limb", KIND_SECTION, DIGIT_CAPPED, "m", "round 8 mm, or rectangular 8 mm x 10 mm",
     AT(core.limb), 0},
    {"core", "limb length", KIND_AMOUNT, DIGIT_CAPPED, "m", "a length", AT(core.limb_length), 0},
    {"core", "spacing", KIND_AMOUNT, DIGIT_CAPPED, "m", "a length between limb centres",
     AT(core.spacing), 0},
    {"core", "yoke", KIND_SECTION, DIGIT_CAPPED, "m", "rectangular 12 mm x 6 mm", AT(core.yoke), 0},
    {"core", "yoke length", KIND_AMOUNT, DIGIT_CAPPED, "m", "a length", AT(core.yoke_length), 0},
    {"core", "yoke iron", KIND_TEXT, DIGIT_EXACT, NULL, "the name of an iron",
     TEXT(core.yoke_iron)},
    {"core", "joint gap", KIND_AMOUNT, DIGIT_LAST, "m", "a length", AT(core.joint_gap), 0},
    {"core", "pole width", KIND_AMOUNT, DIGIT_CAPPED, "m", "a length", AT(core.pole_width), 0},
    {"core", "pole depth", KIND_AMOUNT, DIGIT_CAPPED, "m", "a length", AT(core.pole_depth), 0},

    {"keeper", "section", KIND_SECTION, DIGIT_CAPPED, "m", "rectangular 12 mm x 4 mm",
     AT(core.keeper), 0},
    {"keeper", "length", KIND_AMOUNT, DIGIT_CAPPED, "m", "a length", AT(core.keeper_length), 0},
    {"keeper", "iron", KIND_TEXT, DIGIT_EXACT, NULL, "the name of an iron", TEXT(core.keeper_iron)},
    {"keeper", "gap", KIND_AMOUNT, DIGIT_LAST, "m", "a length at each pole", AT(core.gap), 0},
    {"keeper", "roughness", KIND_AMOUNT, DIGIT_LAST, "m", "a length", AT(core.roughness), 0},

    /* read by wire_entry() */
    {"wire", "size", KIND_WIRE, DIGIT_EXACT, NULL, "30 SWG, 28 AWG, 0.25 mm or 7 x 0.04 mm",
     AT(winding.wire), 0},
    {"wire", "covering", KIND_WIRE, DIGIT_EXACT, NULL, "bare, enamel 1, cotton single ...",
     AT(winding.wire), 0},
    {"wire", "metal", KIND_WIRE, DIGIT_EXACT, NULL, "copper or aluminium", AT(winding.wire), 0},
    {"wire", "tolerance", KIND_WIRE, DIGIT_EXACT, NULL, "a length", AT(winding.wire), 0},
    {"wire", "overall", KIND_WIRE, DIGIT_EXACT, NULL, "a diameter over the covering",
     AT(winding.wire), 0},
    {"wire", "lay", KIND_WIRE, DIGIT_EXACT, NULL, "a number, 1 or more", AT(winding.wire), 0},
    {"wire", "spool", KIND_TEXT, DIGIT_EXACT, NULL, "a short name", TEXT(winding.spool)},

    {"winding", "turns", KIND_TURNS, DIGIT_EXACT, NULL, "500 turns, on each limb",
     AT(winding.turns), 0},
    {"winding", "turns a", KIND_TURNS, DIGIT_EXACT, NULL, "500 turns", AT(winding.turns[0]), 0},
    {"winding", "turns b", KIND_TURNS, DIGIT_EXACT, NULL, "500 turns", AT(winding.turns[1]), 0},
    {"winding", "layers", KIND_LAYERS, DIGIT_EXACT, NULL, "orthocyclic, square or scramble",
     AT(winding.layers), 0},
    {"winding", "fill", KIND_RATIO, DIGIT_LAST, NULL, "a fraction such as 0.6", AT(winding.fill),
     0},
    {"winding", "wound length", KIND_AMOUNT, DIGIT_CAPPED, "m", "a length along the limb",
     AT(winding.wound_length), 0},
    {"winding", "wrap", KIND_AMOUNT, DIGIT_LAST, "m", "a thickness", AT(winding.wrap), 0},
    {"winding", "interlayer", KIND_AMOUNT, DIGIT_LAST, "m", "a thickness", AT(winding.interlayer),
     0},
    {"winding", "outside max", KIND_AMOUNT, DIGIT_CAPPED, "m", "a diameter",
     AT(winding.outside_max), 0},
    {"winding", "ends", KIND_ENDS, DIGIT_EXACT, NULL, "walls or tapered", AT(winding.ends), 0},
    {"winding", "taper", KIND_TURNS, DIGIT_EXACT, NULL, "turns lost a layer", AT(winding.taper), 0},
    {"winding", "leads", KIND_AMOUNT, DIGIT_LAST, "m", "a length, both leads together",
     AT(winding.lead_length), 0},
    {"winding", "cross-over", KIND_AMOUNT, DIGIT_LAST, "m", "a length", AT(winding.crossover), 0},
    {"winding", "in hand", KIND_WHOLE, DIGIT_EXACT, NULL, "1, or 2 for bifilar",
     AT(winding.in_hand), 0},
    {"winding", "in hand connection", KIND_CONNECTION, DIGIT_EXACT, NULL, "series or parallel",
     AT(winding.in_hand_connection), 0},
    {"winding", "sections", KIND_WHOLE, DIGIT_EXACT, NULL, "1 or 2", AT(winding.sections), 0},
    {"winding", "section wall", KIND_AMOUNT, DIGIT_CAPPED, "m", "a thickness",
     AT(winding.section_wall), 0},
    {"winding", "connection", KIND_CONNECTION, DIGIT_EXACT, NULL, "series or parallel",
     AT(winding.connection), 0},
    {"winding", "sense", KIND_SENSE, DIGIT_EXACT, NULL, "aiding or cancelling", AT(winding.sense),
     0},
    {"winding", "winder", KIND_TEXT, DIGIT_EXACT, NULL, "a short name", TEXT(winding.winder)},

    {"supply", "voltage", KIND_AMOUNT, DIGIT_EXACT, "V", "a voltage", AT(supply.voltage), 0},
    {"supply", "source resistance", KIND_AMOUNT, DIGIT_LAST, "ohm", "a resistance",
     AT(supply.source_resistance), 0},
    {"supply", "battery", KIND_BATTERY, DIGIT_EXACT, NULL, "2 x LR20", AT(supply.battery), 0},
    {"supply", "pulse", KIND_AMOUNT, DIGIT_EXACT, "s", "a time", AT(supply.pulse), 0},
    {"supply", "period", KIND_AMOUNT, DIGIT_EXACT, "s", "a time", AT(supply.period), 0},
    {"supply", "ambient", KIND_AMOUNT, DIGIT_LAST, "degC", "a temperature", AT(supply.ambient), 0},

    {"work", "pull", KIND_FORCE, DIGIT_EXACT, "N", "a force, or a load such as 2.5 lb",
     AT(work.pull), 0},
    {"work", "gap", KIND_AMOUNT, DIGIT_LAST, "m", "a length at each pole", AT(work.gap), 0},
    {"work", "safety factor", KIND_RATIO, DIGIT_EXACT, NULL, "a number, 1 or more",
     AT(work.safety_factor), 0},

    {"limits", "resistance", KIND_RATIO, DIGIT_EXACT, NULL, "5 %", AT(limits.resistance), 0},
    {"limits", "turns", KIND_RATIO, DIGIT_EXACT, NULL, "3 %", AT(limits.turns), 0},
    {"limits", "pull min", KIND_FORCE, DIGIT_EXACT, "N", "a force, or a load", AT(limits.pull_min),
     0},
    {"limits", "temperature max", KIND_AMOUNT, DIGIT_EXACT, "degC", "a temperature",
     AT(limits.temperature_max), 0},
};

#define KEY_COUNT (sizeof keys / sizeof *keys)

/* What the functions below share while one file is read. */
struct reading {
    struct units *units;
    const struct inifile *file;
    struct design *design;
    struct designfile_warnings *warnings;
    bool plan; /* wire and turns are still to be found */
    bool seen[KEY_COUNT];
};

static void *field(const struct reading *reading, const struct key *key)
{
    return (char *)reading->design + key->offset;
}

__attribute__((format(printf, 2, 3))) static void warn(struct reading *reading, const char *format,
                                                       ...)
{
    struct designfile_warnings *warnings = reading->warnings;
    va_list args;

    if (!warnings || warnings->count == DESIGNFILE_WARNINGS_MAX)
        return;
    va_start(args, format);
    vsnprintf(warnings->text[warnings->count++], sizeof *warnings->text, format, args);
    va_end(args);
}

/* Half a unit of the last digit of the first number in text, relative to that number; 0 when the
 * number is zero, and the cap for a vulgar fraction, which has no last digit. */
static double last_digit(const char *text)
{
    const char *at = text + strspn(text, " \t+-");
    char *end;
    double number = strtod(at, &end);
    const char *point;
    double half = 0.5;

    if (!isfinite(number) || number == 0.0)
        return 0.0;
    if (*end == '/' || strchr(end, '/'))
        return DIGIT_CAP;
    point = memchr(at, '.', (size_t)(end - at));
    if (point)
        for (const char *c = point + 1; c < end && isdigit((unsigned char)*c); ++c)
            half /= 10.0;
    return half / fabs(number);
}

/* Reads one figure in the given unit; degC is read as a temperature and kept in Celsius. */
static enum status_code read_amount(const struct reading *reading, const char *text,
                                    const char *unit, enum digit digit, struct amount *amount,
                                    struct status *st)
{
    bool celsius = strcmp(unit, "degC") == 0;
    struct units_value value;
    enum status_code code;
    double half;

    if (strcmp(unit, "N") == 0)
        code = units_parse_load(reading->units, text, &value, st);
    else
        code = units_parse_uncertain(reading->units, text, celsius ? "K" : unit, &value, st);
    if (code != STATUS_OK)
        return code;
    if (value.has_uncertainty)
        half = value.half_width;
    else if (digit == DIGIT_EXACT)
        half = 0.0;
    else {
        half = last_digit(text);
        if (digit == DIGIT_CAPPED && half > DIGIT_CAP)
            half = DIGIT_CAP;
        if (celsius) /* the last digit of a Celsius figure, whatever its zero */
            half *= fabs(value.value - 273.15);
        else
            half *= fabs(value.value);
    }
    /* A gap may be next to nothing; a size, a number of turns or a voltage is there or is not. */
    if (digit != DIGIT_LAST && !celsius && value.value > 0.0 && half >= value.value)
        return status_fail(st, STATUS_INPUT,
                           "read '%s', whose limits reach down to zero; expected smaller ones",
                           text);
    *amount = amount_within(celsius ? value.value - 273.15 : value.value, half);
    return STATUS_OK;
}

/* Reads "8 mm x 10 mm", or "8 x 10 mm" with one unit for both, or one size. Returns how many sizes
 * there were in *count. */
static enum status_code read_sizes(const struct reading *reading, const char *text,
                                   struct amount size[2], int *count, struct status *st)
{
    char first[UNITS_TEXT_MAX + UNITS_TEXT_MAX + 1];
    const char *second = NULL;
    size_t length;
    size_t gap = 0;
    enum status_code code;

    for (const char *c = text; *c; ++c) {
        if ((*c == 'x' || *c == 'X') && c > text && isspace((unsigned char)c[-1]) &&
            isspace((unsigned char)c[1]))
            second = c, gap = 1;
        else if (strncmp(c, "\xc3\x97", 2) == 0) /* multiplication sign */
            second = c, gap = 2;
        if (second)
            break;
    }
    length = second ? (size_t)(second - text) : strlen(text);
    if (length > UNITS_TEXT_MAX)
        return status_fail(st, STATUS_INPUT, "longer than %d bytes", UNITS_TEXT_MAX);
    memcpy(first, text, length);
    while (length > 0 && isspace((unsigned char)first[length - 1]))
        --length;
    first[length] = '\0';
    *count = second ? 2 : 1;
    if (second) {
        second += gap;
        code = read_amount(reading, second, "m", DIGIT_CAPPED, &size[1], st);
        if (code != STATUS_OK)
            return code;
        if (strspn(first, "0123456789./ ") == length) {
            const char *unit = second + strspn(second, "0123456789./ \t");

            snprintf(first + length, sizeof first - length, " %.*s", UNITS_TEXT_MAX, unit);
        }
    }
    return read_amount(reading, first, "m", DIGIT_CAPPED, &size[0], st);
}

static enum status_code read_section(const struct reading *reading, const char *text,
                                     struct design_section *section, struct status *st)
{
    struct amount size[2];
    char word[16];
    size_t length = strcspn(text, " \t");
    bool square;
    int count = 0;
    int wanted;
    enum status_code code;

    snprintf(word, sizeof word, "%.*s", (int)(length < sizeof word ? length : sizeof word - 1),
             text);
    square = strcmp(word, "square") == 0;
    if (square)
        section->shape = DESIGN_RECTANGULAR;
    else if (design_shape_from_text(word, &section->shape, st) != STATUS_OK)
        return status_fail(st, STATUS_INPUT,
                           "read '%s', expected round, square, rectangular or stadium and the "
                           "sizes, such as 'round 8 mm'",
                           text);
    code = read_sizes(reading, text + length, size, &count, st);
    if (code != STATUS_OK)
        return code;
    wanted = section->shape == DESIGN_ROUND || square ? 1 : 2;
    if (count != wanted)
        return status_fail(st, STATUS_INPUT, "read '%s', expected %s after '%s'", text,
                           wanted == 1 ? "one size" : "two sizes, such as 8 mm x 10 mm,", word);
    section->width = size[0];
    section->depth = wanted == 2 ? size[1] : size[0];
    return STATUS_OK;
}

static enum status_code read_whole(const char *text, int *number, struct status *st)
{
    char *end;
    long value = strtol(text, &end, 10);

    if (end == text || *end || value < 1 || value > 100)
        return status_fail(st, STATUS_INPUT, "read '%s', expected a whole number from 1", text);
    *number = (int)value;
    return STATUS_OK;
}

/* "LR20", "2 x LR20", "2 x 3 x LR20". */
static enum status_code read_battery(const char *text, struct design_supply *supply,
                                     struct status *st)
{
    int number[2] = {1, 1};
    const char *at = text;

    for (int i = 0; i < 2; ++i) {
        char *end;
        long value = strtol(at, &end, 10);

        if (end == at)
            break;
        end += strspn(end, " \t");
        if (*end != 'x' && *end != 'X')
            break;
        if (value < 1 || value > 100)
            return status_fail(st, STATUS_INPUT, "read '%s', expected 1 to 100 cells", text);
        number[i] = (int)value;
        at = end + 1 + strspn(end + 1, " \t");
    }
    if (!*at || strlen(at) >= sizeof supply->battery)
        return status_fail(st, STATUS_INPUT, "read '%s', expected cells such as 2 x LR20", text);
    snprintf(supply->battery, sizeof supply->battery, "%s", at);
    supply->cells_series = number[0];
    supply->cells_parallel = number[1];
    return STATUS_OK;
}

static enum status_code read_text(const struct key *key, const char *text, char *to,
                                  struct status *st)
{
    if (strlen(text) >= key->size)
        return status_fail(st, STATUS_INPUT, "longer than %zu bytes", key->size - 1);
    if (to != NULL && strcmp(key->key, "name") == 0 &&
        (!*text || *text == '-' || *text == '.' ||
         text[strspn(text, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ"
                           "0123456789-_.")]))
        return status_fail(
            st, STATUS_INPUT,
            "read '%s', expected letters, digits, -, _ and . without a space, and no "
            "- or . in front",
            text);
    snprintf(to, key->size, "%s", text);
    return STATUS_OK;
}

static enum status_code read_yes(const char *text, bool *yes, struct status *st)
{
    if (strcasecmp(text, "yes") == 0)
        *yes = true;
    else if (strcasecmp(text, "no") == 0)
        *yes = false;
    else
        return status_fail(st, STATUS_INPUT, "read '%s', expected yes or no", text);
    return STATUS_OK;
}

static enum status_code read_value(struct reading *reading, const struct key *key, const char *text,
                                   struct status *st)
{
    void *to = field(reading, key);

    switch (key->kind) {
    case KIND_TEXT:
        return read_text(key, text, to, st);
    case KIND_AMOUNT:
    case KIND_FORCE:
        return read_amount(reading, text, key->unit, key->digit, to, st);
    case KIND_TURNS:
    case KIND_RATIO:
        return read_amount(reading, text, "1", key->digit, to, st);
    case KIND_WHOLE:
        return read_whole(text, to, st);
    case KIND_SECTION:
        return read_section(reading, text, to, st);
    case KIND_YES:
        return read_yes(text, to, st);
    case KIND_FORM:
        return design_form_from_text(text, to, st);
    case KIND_LAYERS:
        return design_layers_from_text(text, to, st);
    case KIND_ENDS:
        return design_ends_from_text(text, to, st);
    case KIND_CONNECTION:
        return design_connection_from_text(text, to, st);
    case KIND_SENSE:
        return design_sense_from_text(text, to, st);
    case KIND_BATTERY:
        return read_battery(text, &reading->design->supply, st);
    case KIND_WIRE:
        break;
    }
    return STATUS_OK;
}

/* Puts file, line, section and key before the message in *st. */
static enum status_code located(const struct reading *reading, const struct inifile_entry *entry,
                                struct status *st)
{
    return status_prefix(st, "%s:%d: [%s] %s", inifile_name(reading->file), entry->line,
                         entry->section, entry->key);
}

/* A length of the [wire] section that may be left out: *metres is then NaN. */
static enum status_code wire_length(const struct reading *reading, const char *key, double *metres,
                                    struct status *st)
{
    const struct inifile_entry *entry = inifile_find(reading->file, "wire", key);

    *metres = NAN;
    if (!entry || units_parse(reading->units, entry->value, "m", metres, st) == STATUS_OK)
        return STATUS_OK;
    return located(reading, entry, st);
}

/* The [wire] section as a whole: the covering decides how the size is read, wherever it stands. */
static enum status_code read_wire(struct reading *reading, struct status *st)
{
    const struct inifile *file = reading->file;
    struct wire *wire = &reading->design->winding.wire;
    enum wire_covering covering = WIRE_ENAMEL_1;
    const struct inifile_entry *entry = inifile_find(file, "wire", "covering");
    char warning[256] = "";
    double tolerance;
    double overall;

    if (entry && wire_covering_from_text(entry->value, &covering, st) != STATUS_OK)
        return located(reading, entry, st);
    entry = inifile_find(file, "wire", "size");
    if (!entry && reading->plan)
        return wire_from_text("0.25 mm", covering, wire, NULL, 0, st);
    if (!entry)
        return status_fail(st, STATUS_INPUT,
                           "%s: [wire] size is missing: expected 30 SWG, 28 AWG, 0.25 mm or "
                           "7 x 0.04 mm",
                           inifile_name(file));
    if (wire_from_text(entry->value, covering, wire, warning, sizeof warning, st) != STATUS_OK)
        return located(reading, entry, st);
    if (warning[0])
        warn(reading, "%s:%d: [wire] size: %s", inifile_name(file), entry->line, warning);
    entry = inifile_find(file, "wire", "metal");
    if (entry && wire_metal_from_text(entry->value, &wire->metal, st) != STATUS_OK)
        return located(reading, entry, st);
    if (wire_length(reading, "tolerance", &tolerance, st) != STATUS_OK)
        return st->code;
    if (isfinite(tolerance))
        wire->tolerance = tolerance;
    if (wire_length(reading, "overall", &overall, st) != STATUS_OK)
        return st->code;
    if (isfinite(overall)) {
        /* measured, so it is known as well as a micrometer reads */
        wire->overall_nom = overall;
        wire->overall_min = overall - 2e-6;
        wire->overall_max = overall + 2e-6;
    }
    entry = inifile_find(file, "wire", "lay");
    if (entry) {
        struct amount lay;

        if (read_amount(reading, entry->value, "1", DIGIT_EXACT, &lay, st) != STATUS_OK)
            return located(reading, entry, st);
        wire->lay_factor = lay.value;
    }
    return STATUS_OK;
}

/* The row of a section and key, or KEY_COUNT. */
static size_t find_key(const char *section, const char *key)
{
    for (size_t i = 0; i < KEY_COUNT; ++i)
        if (strcasecmp(keys[i].section, section) == 0 && strcasecmp(keys[i].key, key) == 0)
            return i;
    return KEY_COUNT;
}

static enum status_code unknown_key(const struct reading *reading,
                                    const struct inifile_entry *entry, struct status *st)
{
    char list[STATUS_TEXT_SIZE / 2] = "";
    size_t used = 0;
    bool section = false;

    for (size_t i = 0; i < KEY_COUNT; ++i) {
        if (strcasecmp(keys[i].section, entry->section) == 0)
            section = true;
    }
    for (size_t i = 0; i < KEY_COUNT; ++i) {
        const char *word = section ? keys[i].key : keys[i].section;

        if (section ? strcasecmp(keys[i].section, entry->section) != 0
                    : i > 0 && strcmp(keys[i].section, keys[i - 1].section) == 0)
            continue;
        used += (size_t)snprintf(list + used, sizeof list - used, "%s%s", used ? ", " : "", word);
        if (used >= sizeof list)
            break;
    }
    return inifile_fail(reading->file, entry, st, "there is no such %s; expected one of: %s",
                        section ? "key" : "section", list);
}

/* The shorthand 'turns': the same on both limbs, and none on the second limb of a bar. */
static void spread_turns(struct reading *reading)
{
    struct design *design = reading->design;
    bool each = reading->seen[find_key("winding", "turns")];

    if (design->core.form == DESIGN_BAR)
        design->winding.turns[1] = amount_of(0.0, 0.0);
    else if (each)
        design->winding.turns[1] = design->winding.turns[0];
}

static enum status_code read_entries(struct reading *reading, struct status *st)
{
    size_t both = find_key("winding", "turns");

    for (size_t i = 0; i < inifile_count(reading->file); ++i) {
        const struct inifile_entry *entry = inifile_entry(reading->file, i);
        size_t row = find_key(entry->section, entry->key);

        if (row == KEY_COUNT)
            return unknown_key(reading, entry, st);
        if (reading->seen[row])
            return inifile_fail(reading->file, entry, st, "given twice");
        reading->seen[row] = true;
        if (reading->seen[both] && (reading->seen[both + 1] || reading->seen[both + 2]))
            return inifile_fail(reading->file, entry, st,
                                "'turns' and 'turns a', 'turns b' cannot stand together");
        if (!*entry->value && strcasecmp(entry->key, "note") != 0)
            return inifile_fail(reading->file, entry, st, "no value; expected %s",
                                keys[row].expects);
        if (read_value(reading, &keys[row], entry->value, st) != STATUS_OK)
            return located(reading, entry, st);
    }
    return STATUS_OK;
}

/* What no default can stand for. */
static enum status_code require(const struct reading *reading, const char *section, const char *key,
                                struct status *st)
{
    size_t row = find_key(section, key);

    if (reading->seen[row])
        return STATUS_OK;
    return status_fail(st, STATUS_INPUT, "%s: [%s] %s is missing: expected %s",
                       inifile_name(reading->file), section, key, keys[row].expects);
}

static enum status_code require_all(const struct reading *reading, struct status *st)
{
    static const char *const always[][2] = {
        {"coil", "name"}, {"core", "form"}, {"core", "limb"}, {"winding", "wound length"}};
    const struct design *design = reading->design;
    size_t both = find_key("winding", "turns");

    for (size_t i = 0; i < sizeof always / sizeof *always; ++i)
        if (require(reading, always[i][0], always[i][1], st) != STATUS_OK)
            return st->code;
    if (!reading->seen[both] && !reading->plan) {
        if (!reading->seen[both + 1])
            return require(reading, "winding", "turns", st);
        if (design->core.form != DESIGN_BAR && require(reading, "winding", "turns b", st))
            return st->code;
    }
    if (design->core.form != DESIGN_BAR && require(reading, "core", "spacing", st))
        return st->code;
    if (!design->core.air && require(reading, "core", "iron", st))
        return st->code;
    return STATUS_OK;
}

/* A battery stands for its fresh voltage and resistance where the file gives none of its own. */
static enum status_code apply_battery(struct reading *reading, struct status *st)
{
    struct design_supply *supply = &reading->design->supply;
    struct cell_battery battery;
    struct cell_state fresh;
    size_t row = find_key("supply", "battery");

    if (!reading->seen[row])
        return STATUS_OK;
    battery = cell_battery_of(cell_kind(supply->battery), supply->cells_series);
    battery.parallel = supply->cells_parallel;
    if (!battery.kind) {
        char list[256] = "";
        size_t used = 0;
        size_t kinds;
        const struct cell_kind *kind = cell_kinds(&kinds);

        for (size_t i = 0; i < kinds && used < sizeof list; ++i)
            used += (size_t)snprintf(list + used, sizeof list - used, "%s%s", i ? ", " : "",
                                     kind[i].name);
        return inifile_fail(reading->file, inifile_find(reading->file, "supply", "battery"), st,
                            "there is no cell '%s'; expected one of: %s", supply->battery, list);
    }
    if (!isfinite(battery.kind->capacity_ah.value))
        battery.capacity_ah = 1.0; /* only its voltage is asked for here */
    if (cell_state(&battery, 0.0, amount_given(supply->ambient) ? supply->ambient.value : 20.0, 0.0,
                   &fresh, st) != STATUS_OK)
        return located(reading, inifile_find(reading->file, "supply", "battery"), st);
    if (!amount_given(supply->voltage)) {
        double nominal = battery.kind->nominal_v.value * supply->cells_series;

        supply->voltage = amount_of(nominal, 0.0);
    }
    if (!amount_given(supply->source_resistance) && isfinite(battery.kind->capacity_ah.value))
        supply->source_resistance = amount_of(fresh.ohm, fresh.u_ohm);
    return STATUS_OK;
}

static enum status_code read_file(struct units *units, const struct inifile *file, bool plan,
                                  struct design *design, struct designfile_warnings *warnings,
                                  struct status *st)
{
    struct reading reading = {
        .units = units, .file = file, .design = design, .warnings = warnings, .plan = plan};

    design_init(design);
    if (warnings)
        warnings->count = 0;
    if (read_entries(&reading, st) != STATUS_OK || require_all(&reading, st) != STATUS_OK ||
        read_wire(&reading, st) != STATUS_OK)
        return st->code;
    spread_turns(&reading);
    if (apply_battery(&reading, st) != STATUS_OK)
        return st->code;
    design_complete(design);
    if (!plan && design_check(design, st) != STATUS_OK)
        return status_prefix(st, "%s", inifile_name(file));
    return status_ok(st);
}

enum status_code designfile_read(struct units *units, const char *path, struct design *design,
                                 struct designfile_warnings *warnings, struct status *st)
{
    struct inifile *file;
    enum status_code code = inifile_read(path, &file, st);

    if (code != STATUS_OK)
        return code;
    code = read_file(units, file, false, design, warnings, st);
    inifile_free(file);
    return code;
}

enum status_code designfile_read_plan(struct units *units, const char *path, struct design *design,
                                      struct status *st)
{
    struct inifile *file;
    enum status_code code = inifile_read(path, &file, st);

    if (code != STATUS_OK)
        return code;
    code = read_file(units, file, true, design, NULL, st);
    inifile_free(file);
    return code;
}

enum status_code designfile_parse(struct units *units, const char *name, const char *text,
                                  struct design *design, struct designfile_warnings *warnings,
                                  struct status *st)
{
    struct inifile *file;
    enum status_code code = inifile_parse(name, text, strlen(text), &file, st);

    if (code != STATUS_OK)
        return code;
    code = read_file(units, file, false, design, warnings, st);
    inifile_free(file);
    return code;
}

size_t designfile_key(size_t i, const char **section, const char **key, const char **expects)
{
    if (i < KEY_COUNT) {
        *section = keys[i].section;
        *key = keys[i].key;
        *expects = keys[i].expects;
    }
    return KEY_COUNT;
}
