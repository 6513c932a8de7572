/* Reading goes in three steps: the text is brought to ASCII ("17 Ω ± 1 %" becomes
 * "17 ohm +- 1 %"), cut into terms of a number and a unit word by the scanner here, and each unit
 * word is given to UDUNITS-2. The scanner lets through only what a unit word can be made of, so
 * that UDUNITS-2's time stamps, offsets and logarithms cannot be reached from input. */
#include "db/units.h"

#include <ctype.h>
#include <locale.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <udunits2.h>

#define STANDARD_GRAVITY 9.80665 /* m/s2, 3rd CGPM (1901) */
#define UNIT_WORD_MAX    48

struct units {
    ut_system *system;
    locale_t c_locale;
};

/* Units UDUNITS-2 lacks or has under another meaning (its oz is the US fluid ounce, its turn is
 * 2 pi rad, its ozf is rounded). lb = 0.45359237 kg and in = 25.4 mm are exact by the
 * international yard and pound agreement of 1959; oz = lb / 16; ozf = oz at standard gravity.
 * Names of more than two letters are words, in any case; shorter ones are symbols, since a G in
 * any case would take the place of the gram. */
static const struct {
    const char *name;
    const char *definition;
} extra_units[] = {
    {"thou", "0.0254e-3 m"},
    {"thous", "0.0254e-3 m"},
    {"oz", "0.028349523125 kg"},
    {"ounce", "0.028349523125 kg"},
    {"ounces", "0.028349523125 kg"},
    {"ozf", "0.27801385095378125 N"},
    {"lbs", "0.45359237 kg"},
    {"stone", "6.35029318 kg"},
    {"G", "1e-4 T"},
    {"Ah", "3600 C"},
    {"Wh", "3600 J"},
    {"turn", "1"},
    {"turns", "1"},
    {"pulse", "1"},
    {"pulses", "1"},
    {"cell", "1"},
    {"cells", "1"},
};

/* The words that may stand after a bare number. Angles are numbers to UDUNITS-2 as well, and
 * nobody means 640 rad by a number of turns. */
static const char *const plain_words[] = {"",      "1",     "%",      "percent", "ppm",  "turn",
                                          "turns", "pulse", "pulses", "cell",    "cells"};

/* What a person is asked for where the unit is missing or wrong. */
static const char *wanted_words(const char *dimension)
{
    static const struct {
        const char *dimension;
        const char *words;
    } table[] = {
        {"m", "a length, such as 10 mm or 3/8 in"},
        {"m2", "an area, such as 12 mm2"},
        {"kg", "a mass, such as 200 g or 2 lb 4 oz"},
        {"s", "a time, such as 200 ms or 30 days"},
        {"A", "a current, such as 88 mA"},
        {"K", "a temperature, such as 20 degC"},
        {"V", "a voltage, such as 3 V"},
        {"ohm", "a resistance, such as 17 ohm"},
        {"N", "a force, such as 9 N"},
        {"H", "an inductance, such as 40 mH"},
        {"Hz", "a frequency, such as 2 kHz"},
        {"C", "a charge, such as 2.5 Ah"},
        {"T", "a flux density, such as 20 mT"},
        {"W", "a power, such as 5 W"},
        {"ohm/m", "a resistance by length, such as 0.35 ohm/m"},
    };

    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++)
        if (strcmp(table[i].dimension, dimension) == 0)
            return table[i].words;
    return NULL;
}

/* "'8.7': the unit is missing; expected a resistance, such as 17 ohm" */
static enum status_code wrong_unit(const char *text, const char *dimension, const char *fault,
                                   struct status *st)
{
    const char *words = wanted_words(dimension);

    return status_fail(st, STATUS_INPUT, "'%s': %s; expected %s%s", text, fault,
                       words ? words : "a unit of ", words ? "" : dimension);
}

static enum status_code add_extra_units(struct units *u, struct status *st)
{
    for (size_t i = 0; i < sizeof extra_units / sizeof extra_units[0]; i++) {
        const char *name = extra_units[i].name;
        ut_unit *unit = ut_parse(u->system, extra_units[i].definition, UT_ASCII);
        ut_status result = UT_BAD_ARG;

        if (unit) {
            ut_unmap_name_to_unit(u->system, name, UT_ASCII);
            ut_unmap_symbol_to_unit(u->system, name, UT_ASCII);
            result = strlen(name) > 2 ? ut_map_name_to_unit(name, UT_ASCII, unit)
                                      : ut_map_symbol_to_unit(name, UT_ASCII, unit);
            ut_free(unit);
        }
        if (result != UT_SUCCESS)
            return status_fail(st, STATUS_IO, "UDUNITS-2 does not take the unit %s", name);
    }
    return STATUS_OK;
}

enum status_code units_open(struct units **u, struct status *st)
{
    struct units *new_units = calloc(1, sizeof *new_units);
    locale_t before;

    *u = NULL;
    if (!new_units)
        return status_fail(st, STATUS_MEMORY, "no memory for the table of units");
    new_units->c_locale = newlocale(LC_ALL_MASK, "C", (locale_t)0);
    if (!new_units->c_locale) {
        free(new_units);
        return status_fail(st, STATUS_MEMORY, "no memory for the table of units");
    }
    /* UDUNITS-2 reads its factors with the locale's decimal sign. */
    before = uselocale(new_units->c_locale);
    ut_set_error_message_handler(ut_ignore);
    new_units->system = ut_read_xml(NULL);
    status_ok(st);
    if (!new_units->system)
        status_fail(st, STATUS_IO, "UDUNITS-2 cannot read its unit database; is it installed?");
    if (new_units->system && add_extra_units(new_units, st) == STATUS_OK)
        *u = new_units;
    uselocale(before);
    if (!*u) {
        units_close(new_units);
        return STATUS_IO;
    }
    return STATUS_OK;
}

void units_close(struct units *u)
{
    if (!u)
        return;
    if (u->system)
        ut_free_system(u->system);
    freelocale(u->c_locale);
    free(u);
}

/* ---- from what a person writes to ASCII ---- */

static const struct {
    const char *utf8;
    const char *ascii;
} signs[] = {
    {"\xC2\xB5", "u"},        /* micro sign */
    {"\xCE\xBC", "u"},        /* Greek mu */
    {"\xCE\xA9", "ohm"},      /* Greek omega */
    {"\xE2\x84\xA6", "ohm"},  /* ohm sign */
    {"\xC2\xB0", "deg"},      /* degree sign */
    {"\xE2\x84\x83", "degC"}, /* degree Celsius sign */
    {"\xC2\xB1", "+-"},       /* plus-minus */
    {"\xE2\x88\x92", "-"},    /* minus sign */
    {"\xC2\xA0", " "},        /* no-break space */
    {"\xE2\x80\x89", " "},    /* thin space */
    {"\xE2\x80\xAF", " "},    /* narrow no-break space */
    {"\xC2\xB2", "2"},        {"\xC2\xB3", "3"},        {"\xC2\xB7", "."}, /* square, cube, dot */
    {"\xC2\xBC", " 1/4 "},    {"\xC2\xBD", " 1/2 "},    {"\xC2\xBE", " 3/4 "},
    {"\"", " in "},           {"\xE2\x80\xB3", " in "}, /* inch marks */
};

static enum status_code to_ascii(const char *text, char *out, size_t size, struct status *st)
{
    size_t length = strnlen(text, UNITS_TEXT_MAX + 1);
    size_t used = 0;

    if (length > UNITS_TEXT_MAX)
        return status_fail(st, STATUS_INPUT, "a value of more than %d characters: '%.20s...'",
                           UNITS_TEXT_MAX, text);
    for (size_t i = 0; i < length;) {
        const char *ascii = NULL;
        size_t step = 1;
        char one[2] = {text[i], '\0'};

        for (size_t k = 0; k < sizeof signs / sizeof signs[0]; k++) {
            step = strlen(signs[k].utf8);
            if (strncmp(text + i, signs[k].utf8, step) == 0) {
                ascii = signs[k].ascii;
                break;
            }
        }
        if (!ascii) {
            unsigned char c = (unsigned char)text[i];

            step = 1;
            if (c == '\t')
                one[0] = ' ';
            else if (c < 0x20 || c > 0x7E)
                return status_fail(st, STATUS_INPUT,
                                   "'%.*s': character %zu cannot be part of a value", (int)i, text,
                                   i + 1);
            ascii = one;
        }
        if (used + strlen(ascii) + 1 > size)
            return status_fail(st, STATUS_INPUT, "a value that is too long: '%.20s...'", text);
        memcpy(out + used, ascii, strlen(ascii));
        used += strlen(ascii);
        i += step;
    }
    out[used] = '\0';
    return STATUS_OK;
}

/* ---- scanner ---- */

struct scan {
    struct units *u;
    const char *text;      /* as written, for messages */
    const char *dimension; /* as the caller named it */
    ut_unit *wanted;
    bool plain; /* the dimension is a bare number */
    const char *at;
    bool wrong_dimension; /* out: the only fault is a unit of another dimension */
    bool offset_unit;     /* out: a unit with its zero elsewhere, such as degC */
    bool any_unit;        /* out: a unit was written */
};

struct term {
    double number;
    char word[UNIT_WORD_MAX + 1];
    double scale, offset;
};

static void skip_spaces(struct scan *s)
{
    while (*s->at == ' ')
        s->at++;
}

static bool digit(char c)
{
    return c >= '0' && c <= '9';
}

static bool letter(char c)
{
    return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z');
}

/* "digits/digits" at p, with a digit on both sides. */
static bool fraction_at(const char *p)
{
    if (!digit(*p))
        return false;
    while (digit(*p))
        p++;
    return p[0] == '/' && digit(p[1]);
}

static enum status_code scan_fraction(struct scan *s, double *number, struct status *st)
{
    char *end;
    double above, below;

    above = strtod_l(s->at, &end, s->u->c_locale);
    s->at = end + 1;
    below = strtod_l(s->at, &end, s->u->c_locale);
    s->at = end;
    if (!(below > 0))
        return status_fail(st, STATUS_INPUT, "'%s': a fraction over zero", s->text);
    *number = above / below;
    return STATUS_OK;
}

static enum status_code scan_number(struct scan *s, double *number, struct status *st)
{
    double sign = 1;
    double part;
    bool whole = true;
    const char *start;
    const char *p;
    char *end;

    skip_spaces(s);
    if (*s->at == '+' || *s->at == '-') {
        sign = *s->at == '-' ? -1 : 1;
        s->at++;
    }
    start = p = s->at;
    while (digit(*p))
        p++;
    if (*p == '.') {
        whole = false;
        p++;
        while (digit(*p))
            p++;
    }
    if (p == start || (p == start + 1 && *start == '.')) {
        const char *words = wanted_words(s->dimension);

        return status_fail(st, STATUS_INPUT, "'%s': expected a number%s%s", s->text,
                           words ? ": " : "", words ? words : "");
    }
    if ((*p == 'e' || *p == 'E') &&
        (digit(p[1]) || ((p[1] == '+' || p[1] == '-') && digit(p[2])))) {
        whole = false;
        p += 2;
        while (digit(*p))
            p++;
    }
    if (*p == ',')
        return status_fail(st, STATUS_INPUT,
                           "'%s': a comma in a number; the decimal sign is a point", s->text);
    if (whole && fraction_at(start)) {
        if (scan_fraction(s, number, st) != STATUS_OK)
            return STATUS_INPUT;
    } else {
        /* Only digits, one point and an exponent lie between start and p, so strtod_l cannot
         * read a hexadecimal number or an infinity here. */
        part = 0;
        *number = strtod_l(start, &end, s->u->c_locale);
        s->at = p;
        while (*p == ' ')
            p++;
        if (whole && p > s->at && fraction_at(p)) {
            s->at = p;
            if (scan_fraction(s, &part, st) != STATUS_OK)
                return STATUS_INPUT;
            *number += part;
        }
    }
    *number *= sign;
    if (!isfinite(*number))
        return status_fail(st, STATUS_INPUT, "'%s': the number is out of range", s->text);
    return STATUS_OK;
}

static bool unit_char(const char *p, const char *start)
{
    if (letter(*p) || *p == '%' || *p == '/' || *p == '^' || *p == '*' || *p == '.' || *p == '_')
        return true;
    if (p == start)
        return false;
    if (digit(*p))
        return true;
    return *p == '-' && digit(p[1]) && (letter(p[-1]) || p[-1] == '^');
}

/* Takes the unit word: up to the end, or to a space before a digit, sign or point. */
static enum status_code scan_word(struct scan *s, char *word, struct status *st)
{
    size_t used = 0;
    const char *start;

    skip_spaces(s);
    start = s->at;
    if (*start == '/' || (start[0] == '1' && start[1] == '/' && letter(start[2]))) {
        /* "0.00393 /K" and "0.00393 1/K" */
        word[used++] = '1';
        s->at = start = *start == '/' ? start : start + 1;
    }
    while (*s->at) {
        const char *p = s->at;

        if (*p == ' ') {
            while (*p == ' ')
                p++;
            if (!letter(*p) && *p != '/' && *p != '*' && *p != '%')
                break;
        } else if (!unit_char(p, start)) {
            break;
        }
        if (used + 2 > UNIT_WORD_MAX)
            return status_fail(st, STATUS_INPUT, "'%s': a unit that is too long", s->text);
        if (*s->at == ' ') {
            word[used++] = ' ';
            s->at = p;
        } else {
            word[used++] = *s->at++;
        }
    }
    word[used] = '\0';
    skip_spaces(s);
    return STATUS_OK;
}

/* ---- unit words ---- */

static bool plain_word(const char *word)
{
    for (size_t i = 0; i < sizeof plain_words / sizeof plain_words[0]; i++) {
        if (strcmp(word, plain_words[i]) == 0)
            return true;
    }
    return false;
}

/* UDUNITS-2 counts the radian as a number, so it would turn rpm into hertz without the 2 pi. */
static bool has_angle(const ut_unit *unit)
{
    char text[256];

    if (ut_format(unit, text, sizeof text, UT_ASCII | UT_DEFINITION) < 0)
        return true;
    return strstr(text, "rad") != NULL || strstr(text, "sr") != NULL;
}

/* Same dimension, reciprocals not counted (UDUNITS-2 would convert 10 s to 0.1 Hz). */
static bool same_dimension(const ut_unit *unit, const ut_unit *wanted)
{
    ut_unit *quotient = ut_divide(unit, wanted);
    bool same = quotient && ut_is_dimensionless(quotient) && has_angle(unit) == has_angle(wanted);

    ut_free(quotient);
    return same;
}

static enum status_code convert(ut_unit *unit, ut_unit *wanted, double *scale, double *offset)
{
    cv_converter *cv = ut_get_converter(unit, wanted);

    if (!cv)
        return STATUS_INPUT;
    *offset = cv_convert_double(cv, 0.0);
    /* With an offset a long arm keeps the digits the subtraction would lose. */
    *scale = *offset == 0.0 ? cv_convert_double(cv, 1.0)
                            : (cv_convert_double(cv, 1048576.0) - *offset) / 1048576.0;
    cv_free(cv);
    if (!isfinite(*scale) || !isfinite(*offset) || *scale == 0.0)
        return STATUS_INPUT;
    return STATUS_OK;
}

/* Words that are not units to UDUNITS-2's parser but parts of its grammar. */
static bool grammar_word(const char *p, size_t length)
{
    static const char *const words[] = {"since", "after", "from", "ref", "re", "per", "to", "at"};

    for (size_t i = 0; i < sizeof words / sizeof words[0]; i++) {
        if (strlen(words[i]) == length && strncasecmp(words[i], p, length) == 0)
            return true;
    }
    return false;
}

/* factor { separator factor }, a factor being a name with an exponent of at most two digits.
 * UDUNITS-2 is given nothing else: its parser leaks memory on a syntax error. */
static bool well_formed(const char *p)
{
    if (p[0] == '1' && p[1] == '/')
        p += 2;
    for (;;) {
        const char *start = p;
        const char *digits;

        if (*p == '%')
            p++;
        else
            while (letter(*p) || *p == '_')
                p++;
        if (p == start || *start == '_' || grammar_word(start, (size_t)(p - start)))
            return false;
        digits = *p == '^' ? ++p : NULL;
        if (*p == '-')
            digits = ++p;
        if (digits || digit(*p)) {
            digits = p;
            while (digit(*p))
                p++;
            if (p == digits || p > digits + 2)
                return false;
        }
        if (*p == '\0')
            return true;
        start = p;
        while (*p == ' ')
            p++;
        if (*p == '*' || *p == '.' || *p == '/')
            p++;
        while (*p == ' ')
            p++;
        if (p == start)
            return false;
    }
}

static enum status_code look_up(struct scan *s, struct term *t, struct status *st)
{
    char fault[UNIT_WORD_MAX + 48];
    ut_unit *unit;
    enum status_code code = STATUS_OK;

    s->wrong_dimension = false;
    if (s->plain && !plain_word(t->word)) {
        s->wrong_dimension = true;
        return status_fail(st, STATUS_INPUT, "'%s': expected a plain number, found the unit %s",
                           s->text, t->word);
    }
    if (t->word[0] == '\0') {
        if (!s->plain)
            return wrong_unit(s->text, s->dimension, "the unit is missing", st);
        t->scale = 1;
        t->offset = 0;
        return STATUS_OK;
    }
    unit = well_formed(t->word) || strcmp(t->word, "1") == 0
               ? ut_parse(s->u->system, t->word, UT_ASCII)
               : NULL;
    if (!unit) {
        snprintf(fault, sizeof fault, "unknown unit %s", t->word);
        return wrong_unit(s->text, s->dimension, fault, st);
    }
    if (!same_dimension(unit, s->wanted) ||
        convert(unit, s->wanted, &t->scale, &t->offset) != STATUS_OK) {
        s->wrong_dimension = true;
        if (strcmp(t->word, "C") == 0 && strcmp(s->dimension, "K") == 0)
            snprintf(fault, sizeof fault, "C is the coulomb, for a temperature write °C or degC");
        else
            snprintf(fault, sizeof fault, "found %s", t->word);
        code = wrong_unit(s->text, s->dimension, fault, st);
    }
    ut_free(unit);
    return code;
}

/* Terms up to stop. A sum ("2 lb 4 oz") is one sign, then ever smaller units. */
static enum status_code scan_sum(struct scan *s, const char *stop, double *si, bool bare,
                                 struct status *st)
{
    struct term t = {0};
    double sum = 0;
    double sign = 1;
    double last_scale = 0;
    size_t terms = 0;

    s->offset_unit = false;
    s->any_unit = false;
    do {
        const char *start;

        skip_spaces(s);
        start = s->at;
        if (scan_number(s, &t.number, st) != STATUS_OK || scan_word(s, t.word, st) != STATUS_OK)
            return STATUS_INPUT;
        s->any_unit = s->any_unit || t.word[0] != '\0';
        if (bare && terms == 0 && t.word[0] == '\0' && s->at == stop) {
            *si = t.number;
            return STATUS_OK;
        }
        if (look_up(s, &t, st) != STATUS_OK)
            return STATUS_INPUT;
        if (terms == 0)
            sign = *start == '-' ? -1 : 1;
        else if (t.offset != 0 || s->offset_unit || s->plain || !digit(*start) ||
                 !(fabs(t.scale) < fabs(last_scale)))
            return status_fail(st, STATUS_INPUT,
                               "'%s': '%s' cannot be added to what stands before it", s->text,
                               start);
        s->offset_unit = t.offset != 0;
        last_scale = t.scale;
        sum += (terms == 0 ? t.number : sign * t.number) * t.scale + t.offset;
        terms++;
        if (s->at > stop)
            break;
    } while (s->at != stop && (digit(*s->at) || *s->at == '.'));
    if (s->at != stop)
        return status_fail(st, STATUS_INPUT, "'%s': cannot read '%s'", s->text, s->at);
    if (!isfinite(sum))
        return status_fail(st, STATUS_INPUT, "'%s': the value is out of range", s->text);
    *si = sum;
    return STATUS_OK;
}

/* ---- the half-width ---- */

static enum status_code scan_half_width(struct scan *s, struct units_value *out, bool value_bare,
                                        struct status *st)
{
    struct term t = {0};
    const char *end = s->at + strlen(s->at);

    if (scan_number(s, &t.number, st) != STATUS_OK || scan_word(s, t.word, st) != STATUS_OK)
        return STATUS_INPUT;
    if (s->at != end)
        return status_fail(st, STATUS_INPUT, "'%s': cannot read '%s'", s->text, s->at);
    if (t.number < 0)
        return status_fail(st, STATUS_INPUT, "'%s': the part after ± is below zero", s->text);
    if (!s->plain && (strcmp(t.word, "%") == 0 || strcmp(t.word, "percent") == 0)) {
        if (value_bare)
            return wrong_unit(s->text, s->dimension, "the unit is missing", st);
        if (s->offset_unit)
            return status_fail(st, STATUS_INPUT,
                               "'%s': a per cent of a temperature says nothing; write ± in °C",
                               s->text);
        out->half_width = fabs(out->value) * t.number / 100;
    } else {
        if (look_up(s, &t, st) != STATUS_OK)
            return STATUS_INPUT;
        if (value_bare)
            out->value = out->value * t.scale + t.offset;
        out->half_width = t.number * t.scale;
    }
    if (!isfinite(out->half_width) || !isfinite(out->value))
        return status_fail(st, STATUS_INPUT, "'%s': the value is out of range", s->text);
    out->has_uncertainty = true;
    return STATUS_OK;
}

static enum status_code scan_value(struct scan *s, const char *ascii, struct units_value *out,
                                   struct status *st)
{
    const char *short_sign = strstr(ascii, "+-");
    const char *long_sign = strstr(ascii, "+/-");
    const char *sign = short_sign;
    size_t sign_length = 2;
    struct units_value v = {.half_width = NAN};
    bool value_bare;

    if (long_sign && (!sign || long_sign < sign)) {
        sign = long_sign;
        sign_length = 3;
    }
    s->at = ascii;
    if (scan_sum(s, sign ? sign : ascii + strlen(ascii), &v.value, sign && !s->plain, st) !=
        STATUS_OK)
        return STATUS_INPUT;
    value_bare = !s->any_unit && !s->plain;
    if (sign) {
        bool offset_unit = s->offset_unit;

        s->at = sign + sign_length;
        if (scan_half_width(s, &v, value_bare, st) != STATUS_OK)
            return STATUS_INPUT;
        s->offset_unit = offset_unit;
    }
    if (strcmp(s->dimension, "K") == 0 && v.value < 0)
        return status_fail(st, STATUS_INPUT, "'%s': below absolute zero", s->text);
    *out = v;
    return STATUS_OK;
}

/* Everything in the C locale, since UDUNITS-2 reads numbers by the locale in force. */
static enum status_code parse(struct units *u, const char *text, const char *dimension,
                              struct units_value *out, bool *wrong_dimension, struct status *st)
{
    char ascii[3 * UNITS_TEXT_MAX];
    struct scan s = {.u = u, .text = text, .dimension = dimension};
    ut_unit *wanted;
    locale_t before;
    enum status_code code;

    *wrong_dimension = false;
    if (!text)
        return wrong_unit("", dimension, "a value is missing", st);
    if (to_ascii(text, ascii, sizeof ascii, st) != STATUS_OK)
        return STATUS_INPUT;
    before = uselocale(u->c_locale);
    wanted = ut_parse(u->system, dimension, UT_ASCII);
    if (!wanted) {
        code = status_fail(st, STATUS_INPUT, "unknown dimension '%s'", dimension);
    } else {
        s.wanted = wanted;
        s.plain = ut_is_dimensionless(wanted);
        code = scan_value(&s, ascii, out, st);
        *wrong_dimension = code != STATUS_OK && s.wrong_dimension;
        ut_free(wanted);
    }
    uselocale(before);
    return code == STATUS_OK ? status_ok(st) : code;
}

enum status_code units_parse_uncertain(struct units *u, const char *text, const char *dimension,
                                       struct units_value *out, struct status *st)
{
    bool wrong_dimension;

    return parse(u, text, dimension, out, &wrong_dimension, st);
}

enum status_code units_parse(struct units *u, const char *text, const char *dimension, double *si,
                             struct status *st)
{
    struct units_value v;
    enum status_code code = units_parse_uncertain(u, text, dimension, &v, st);

    if (code != STATUS_OK)
        return code;
    if (v.has_uncertainty)
        return status_fail(st, STATUS_INPUT, "'%s': a ± part is not expected here", text);
    *si = v.value;
    return STATUS_OK;
}

enum status_code units_parse_load(struct units *u, const char *text, struct units_value *newton,
                                  struct status *st)
{
    struct units_value v;
    bool wrong_dimension;
    enum status_code code = parse(u, text, "N", &v, &wrong_dimension, st);

    if (code != STATUS_OK && wrong_dimension) {
        code = parse(u, text, "kg", &v, &wrong_dimension, st);
        if (code == STATUS_OK) {
            v.value *= STANDARD_GRAVITY;
            v.half_width *= STANDARD_GRAVITY;
        } else if (wrong_dimension) {
            return status_fail(st, STATUS_INPUT, "'%s': expected a load in kg, g, lb, oz, N or kgf",
                               text);
        }
    }
    if (code != STATUS_OK)
        return code;
    if (v.value < 0)
        return status_fail(st, STATUS_INPUT, "'%s': a load below zero", text);
    *newton = v;
    return STATUS_OK;
}

enum status_code units_convert_factor(struct units *u, const char *from_unit, const char *dimension,
                                      double *scale, double *offset, struct status *st)
{
    char ascii[3 * UNITS_TEXT_MAX];
    struct scan s = {.u = u, .text = from_unit, .dimension = dimension, .at = ascii};
    struct term t = {0};
    ut_unit *wanted;
    locale_t before;
    enum status_code code;

    if (to_ascii(from_unit, ascii, sizeof ascii, st) != STATUS_OK)
        return STATUS_INPUT;
    before = uselocale(u->c_locale);
    wanted = ut_parse(u->system, dimension, UT_ASCII);
    if (!wanted) {
        code = status_fail(st, STATUS_INPUT, "unknown dimension '%s'", dimension);
    } else {
        s.wanted = wanted;
        s.plain = ut_is_dimensionless(wanted);
        if (strcmp(ascii, "1") == 0)
            s.at++;
        code = scan_word(&s, t.word, st);
        if (code == STATUS_OK && *s.at)
            code = status_fail(st, STATUS_INPUT, "'%s' is not a unit", from_unit);
        if (code == STATUS_OK)
            code = look_up(&s, &t, st);
        ut_free(wanted);
    }
    uselocale(before);
    if (code != STATUS_OK)
        return code;
    *scale = t.scale;
    *offset = t.offset;
    return status_ok(st);
}
