#include "acquire/drivers/linefields.h"

#include <ctype.h>
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "acquire/drivers/linevalue.h"
#include "acquire/number.h"
#include "acquire/pattern.h"

#define COLUMNS_MAX 256

/* One of the bench file's patterns, with the numbers of its groups. */
struct line_pattern {
    struct pattern *pattern;
    int value[BENCHFILE_CHANNELS_MAX]; /* -1: the pattern has no such group */
    int unit[BENCHFILE_CHANNELS_MAX];
    int ounces[BENCHFILE_CHANNELS_MAX];   /* added to pounds */
    int decimals[BENCHFILE_CHANNELS_MAX]; /* digit: how many places are behind the point */
    int minus[BENCHFILE_CHANNELS_MAX];    /* the sign, where it stands apart */
    int stable, unstable, sequence, hold, low_battery;
};

struct linefields {
    const struct benchfile_instrument *instrument;
    size_t patterns;
    struct line_pattern pattern[LINEFIELDS_PATTERNS_MAX];
    struct pattern *overload;
    long column[BENCHFILE_CHANNELS_MAX];      /* from 1; 0: by pattern */
    long unit_column[BENCHFILE_CHANNELS_MAX]; /* 0: none */
    long sign_column[BENCHFILE_CHANNELS_MAX]; /* 0: the sign is with the number */
    bool columns;
    size_t column_count, other_count; /* columns of the lines so far; of one that had others */
    char separator;
    enum number_decimal decimal;
    uint64_t sequence_modulo; /* 0: no wrap known */
    bool has_sequence;
    uint64_t last_sequence;
};

/* ---- making and freeing ---- */

/* Which groups of the pattern are which channels. */
static void find_groups(const struct linefields *fields, struct line_pattern *p)
{
    for (size_t i = 0; i < fields->instrument->channels; ++i) {
        const struct benchfile_channel *channel = &fields->instrument->channel[i];
        const char *field = section_text(channel->values, "field");
        const char *unit = section_text(channel->values, "unit_field");
        char name[64];

        p->value[i] = pattern_group(p->pattern, field ? field : channel->name);
        if (unit) {
            p->unit[i] = pattern_group(p->pattern, unit);
        } else {
            snprintf(name, sizeof name, "%.40s_unit", field ? field : channel->name);
            p->unit[i] = pattern_group(p->pattern, name);
            if (p->unit[i] < 0)
                p->unit[i] = pattern_group(p->pattern, "unit");
        }
        snprintf(name, sizeof name, "%.40s_oz", field ? field : channel->name);
        p->ounces[i] = pattern_group(p->pattern, name);
        snprintf(name, sizeof name, "%.40s_decimals", field ? field : channel->name);
        p->decimals[i] = pattern_group(p->pattern, name);
        snprintf(name, sizeof name, "%.40s_minus", field ? field : channel->name);
        p->minus[i] = pattern_group(p->pattern, name);
    }
    p->stable = pattern_group(p->pattern, "stable");
    p->unstable = pattern_group(p->pattern, "unstable");
    p->sequence = pattern_group(p->pattern, "sequence");
    p->hold = pattern_group(p->pattern, "hold");
    p->low_battery = pattern_group(p->pattern, "low_battery");
}

static enum status_code make_patterns(struct linefields *fields, struct status *st)
{
    const struct section *values = fields->instrument->values;
    enum status_code code = STATUS_OK;
    const char *text;
    struct status why;

    for (size_t i = 0; (text = section_item(values, "pattern", i, NULL)); ++i) {
        struct line_pattern *p = &fields->pattern[fields->patterns];

        if (fields->patterns == LINEFIELDS_PATTERNS_MAX)
            return section_fail(values, "pattern", st, "more than %d patterns",
                                LINEFIELDS_PATTERNS_MAX);
        if (pattern_new(text, &p->pattern, &why) != STATUS_OK) {
            code = section_fail(values, "pattern", st, "%s", why.text);
            continue;
        }
        ++fields->patterns;
        find_groups(fields, p);
    }
    if (section_pattern(values, "overload_pattern", &fields->overload, st) != STATUS_OK)
        code = STATUS_INPUT;
    return code;
}

/* Every channel must come from somewhere: a group of a pattern, or a column. */
static enum status_code check_channels(struct linefields *fields, struct status *st)
{
    enum status_code code = STATUS_OK;

    for (size_t i = 0; i < fields->instrument->channels; ++i) {
        const struct benchfile_channel *channel = &fields->instrument->channel[i];
        const char *field = section_text(channel->values, "field");
        bool found = false;

        fields->column[i] = section_integer(channel->values, "column");
        fields->sign_column[i] = section_integer(channel->values, "sign_column");
        fields->unit_column[i] = section_integer(channel->values, "unit_column");
        if (fields->unit_column[i] > 0 && fields->column[i] == 0)
            code =
                section_fail(channel->values, "unit_column", st,
                             "goes with a column; in a pattern the unit is a group (?<%s_unit>...)",
                             field ? field : channel->name);
        if (fields->sign_column[i] > 0 && fields->column[i] == 0)
            code =
                section_fail(channel->values, "sign_column", st,
                             "goes with a column; in a pattern the sign is a group (?<%s_minus>-)",
                             field ? field : channel->name);
        if (fields->column[i] > 0) {
            fields->columns = true;
            continue;
        }
        for (size_t k = 0; k < fields->patterns; ++k)
            found = found || fields->pattern[k].value[i] > 0;
        if (!found && !channel->asked_only)
            code = section_fail(channel->values, field ? "field" : "column", st,
                                "no pattern of [instrument %s] has a group (?<%s>...), and the "
                                "channel has no column",
                                fields->instrument->name, field ? field : channel->name);
    }
    return code;
}

enum status_code linefields_new(const struct benchfile_instrument *instrument,
                                struct linefields **made, struct status *st)
{
    const struct section *values = instrument->values;
    struct linefields *fields = calloc(1, sizeof *fields);
    const char *decimal = section_text(values, "decimal");
    enum status_code code = STATUS_OK;

    *made = NULL;
    if (!fields)
        return status_fail(st, STATUS_MEMORY, "no memory");
    fields->instrument = instrument;
    fields->decimal = strcmp(decimal, "point") == 0   ? NUMBER_POINT
                      : strcmp(decimal, "comma") == 0 ? NUMBER_COMMA
                                                      : NUMBER_EITHER;
    fields->sequence_modulo = (uint64_t)section_integer(values, "sequence_modulo");
    /* All of them, so that all faults are said. */
    if (section_byte(values, "separator", &fields->separator, st) != STATUS_OK)
        code = STATUS_INPUT;
    if (make_patterns(fields, st) != STATUS_OK)
        code = STATUS_INPUT;
    if (check_channels(fields, st) != STATUS_OK)
        code = STATUS_INPUT;
    if (code != STATUS_OK) {
        linefields_free(fields);
        return code;
    }
    if (fields->columns && fields->decimal == NUMBER_EITHER && fields->separator == ',')
        fields->decimal = NUMBER_POINT; /* the comma parts the columns, so it parts no number */
    *made = fields;
    return STATUS_OK;
}

void linefields_free(struct linefields *fields)
{
    if (!fields)
        return;
    for (size_t i = 0; i < fields->patterns; ++i)
        pattern_free(fields->pattern[i].pattern);
    pattern_free(fields->overload);
    free(fields);
}

void linefields_reset(struct linefields *fields)
{
    fields->has_sequence = false;
    fields->column_count = fields->other_count = 0;
}

/* ---- a line by its pattern ---- */

/* Lines lost by the count that the instrument keeps. */
static uint32_t check_sequence(struct linefields *fields, struct pattern_part part,
                               const struct driver_sink *sink)
{
    uint64_t now = 0;
    uint64_t lost;
    char text[160];

    if (!part.text || part.length == 0 || part.length > 18)
        return 0;
    for (size_t i = 0; i < part.length; ++i) {
        if (!isdigit((unsigned char)part.text[i]))
            return 0;
        now = now * 10 + (uint64_t)(part.text[i] - '0');
    }
    if (!fields->has_sequence) {
        fields->has_sequence = true;
        fields->last_sequence = now;
        return 0;
    }
    if (fields->sequence_modulo > 0)
        lost =
            (now + fields->sequence_modulo - fields->last_sequence % fields->sequence_modulo - 1) %
            fields->sequence_modulo;
    else if (now > fields->last_sequence)
        lost = now - fields->last_sequence - 1;
    else {
        snprintf(text, sizeof text,
                 "the line count went from %" PRIu64 " to %" PRIu64
                 ": the instrument started again",
                 fields->last_sequence, now);
        fields->last_sequence = now;
        sink->event(sink->to, DRIVER_WARNING, "restart", text);
        return STORE_FLAG_LOST;
    }
    fields->last_sequence = now;
    if (lost == 0)
        return 0;
    snprintf(text, sizeof text, "%" PRIu64 " lines were lost before line %" PRIu64, lost, now);
    sink->event(sink->to, DRIVER_WARNING, "lost", text);
    return STORE_FLAG_LOST;
}

static bool is_decimal(const struct benchfile_channel *channel)
{
    return strcmp(section_text(channel->values, "form"), "decimal") == 0;
}

static bool takes_part(const struct line_pattern *p, int group)
{
    struct pattern_part part = pattern_part(p->pattern, group);

    return part.text && !linevalue_is_blank(part);
}

static bool give_pattern(struct linefields *fields, const struct line_pattern *p, bool *lost,
                         const struct driver_sink *sink)
{
    uint32_t flags = *lost ? STORE_FLAG_LOST : 0;

    if (p->unstable > 0 && takes_part(p, p->unstable))
        flags |= STORE_FLAG_UNSTABLE;
    if (p->stable > 0 && !takes_part(p, p->stable))
        flags |= STORE_FLAG_UNSTABLE;
    if (p->hold > 0 && takes_part(p, p->hold))
        flags |= STORE_FLAG_HOLD;
    if (p->low_battery > 0 && takes_part(p, p->low_battery))
        flags |= STORE_FLAG_LOW_BATTERY;
    if (p->sequence > 0)
        flags |= check_sequence(fields, pattern_part(p->pattern, p->sequence), sink);
    *lost = false;
    for (size_t i = 0; i < fields->instrument->channels; ++i) {
        struct linevalue value = {.number = pattern_part(p->pattern, p->value[i]),
                                  .unit = pattern_part(p->pattern, p->unit[i]),
                                  .ounces = pattern_part(p->pattern, p->ounces[i]),
                                  .decimals = pattern_part(p->pattern, p->decimals[i]),
                                  .beside = pattern_behind(p->pattern, p->value[i]),
                                  .minus = takes_part(p, p->minus[i])};

        if (is_decimal(&fields->instrument->channel[i]) &&
            (pattern_cuts_number(p->pattern, p->value[i], fields->decimal) ||
             pattern_cuts_unit(p->pattern, p->unit[i])))
            value.why = "a sign, a digit or an exponent beside it belongs to no group of the "
                        "pattern; let the group take all of the number, or a group (?<other>...) "
                        "what is none of it";
        if (p->value[i] > 0 && value.number.text)
            linevalue_give(fields->instrument, i, fields->decimal, &value, flags, sink);
    }
    return true;
}

/* ---- a line by its columns ---- */

static size_t split(const struct linefields *fields, const char *line, size_t length,
                    struct pattern_part column[COLUMNS_MAX])
{
    size_t count = 0;
    size_t from = 0;

    for (size_t i = 0; i <= length && count < COLUMNS_MAX; ++i) {
        bool space = fields->separator == ' ' && i < length && line[i] == '\t';

        if (i < length && line[i] != fields->separator && !space)
            continue;
        if (fields->separator != ' ' || i > from) /* several spaces are one */
            column[count++] = (struct pattern_part){line + from, i - from};
        from = i + 1;
    }
    return count;
}

/* A lost separator moves all columns behind it: a line must have as many as the one before. Two in
 * a row are a change of form. The first line counts when all of it is good. */
static bool is_usual_count(struct linefields *fields, size_t count, bool all)
{
    bool usual = (fields->column_count == 0 && all) || count == fields->column_count ||
                 count == fields->other_count;

    fields->other_count = usual ? 0 : count;
    if (usual)
        fields->column_count = count;
    return usual;
}

/* The sign in a column of its own. One that the bench file does not know of must not get lost. */
static void read_sign(const struct linefields *fields, size_t channel,
                      const struct pattern_part *column, struct linevalue *value)
{
    long at = fields->sign_column[channel] > 0 ? fields->sign_column[channel]
                                               : fields->column[channel] - 1;
    struct pattern_part part = {"", 0};

    if (at > 0)
        part = column[at - 1];
    while (part.length > 0 && isspace((unsigned char)*part.text))
        ++part.text, --part.length;
    while (part.length > 0 && isspace((unsigned char)part.text[part.length - 1]))
        --part.length;
    value->minus = part.length == 1 && *part.text == '-';
    if (fields->sign_column[channel] == 0) {
        if (value->minus)
            value->why = "the column before it is a minus; say sign_column in the bench file";
        value->minus = false;
    } else if (!value->minus && part.length > 0 && !(part.length == 1 && *part.text == '+')) {
        value->why = "its sign is neither + nor -";
    }
}

/* Splits at the separator; false when a channel's column is missing or none holds a number, so that
 * a banner or half a line is not taken for readings. */
static bool give_columns(struct linefields *fields, const char *line, size_t length, bool *lost,
                         const struct driver_sink *sink)
{
    struct pattern_part column[COLUMNS_MAX];
    size_t count = split(fields, line, length, column);
    uint32_t flags = *lost ? STORE_FLAG_LOST : 0;
    bool any = false;
    bool all = true;

    for (size_t i = 0; i < fields->instrument->channels; ++i) {
        const struct pattern_part *part;

        if (fields->column[i] == 0)
            continue;
        if ((size_t)fields->column[i] > count || (size_t)fields->sign_column[i] > count ||
            (size_t)fields->unit_column[i] > count)
            return false;
        part = &column[fields->column[i] - 1];
        if (linevalue_is_overload(fields->instrument, *part) ||
            number_word(part->text, part->length) == NUMBER_WORD_OVERLOAD ||
            linevalue_is_number(&fields->instrument->channel[i], fields->decimal, *part))
            any = true;
        else
            all = false;
    }
    if (!any || !is_usual_count(fields, count, all))
        return false;
    *lost = false;
    for (size_t i = 0; i < fields->instrument->channels; ++i) {
        struct linevalue value = {.unit = {NULL, 0}};

        if (fields->column[i] == 0)
            continue;
        value.number = column[fields->column[i] - 1];
        read_sign(fields, i, column, &value);
        if (fields->unit_column[i] > 0)
            value.unit = column[fields->unit_column[i] - 1];
        else if ((size_t)fields->column[i] < count)
            value.beside = column[fields->column[i]];
        if (!linevalue_is_blank(value.number)) /* nothing new there */
            linevalue_give(fields->instrument, i, fields->decimal, &value, flags, sink);
    }
    return true;
}

/* ---- the line ---- */

/* An overload line: the channels whose groups it has, or all that are read always. */
static void give_overload(struct linefields *fields, const struct driver_sink *sink)
{
    bool named = false;

    for (int round = 0; round < 2; ++round)
        for (size_t i = 0; i < fields->instrument->channels; ++i) {
            const struct benchfile_channel *channel = &fields->instrument->channel[i];
            const char *field = section_text(channel->values, "field");
            int group = pattern_group(fields->overload, field ? field : channel->name);

            if (round == 0) {
                named = named || group > 0;
            } else if (named ? pattern_part(fields->overload, group).text != NULL
                             : !channel->asked_only) {
                struct driver_reading reading = {.channel = i,
                                                 .number = NAN,
                                                 .digit = NAN,
                                                 .range = NAN,
                                                 .flags =
                                                     STORE_FLAG_OVERLOAD | linevalue_kind(channel)};

                sink->reading(sink->to, &reading);
            }
        }
}

bool linefields_take(struct linefields *fields, const char *line, size_t length, bool *lost,
                     const struct driver_sink *sink)
{
    if (fields->overload && pattern_match(fields->overload, line, length)) {
        give_overload(fields, sink);
        return true;
    }
    for (size_t i = 0; i < fields->patterns; ++i)
        if (pattern_match(fields->pattern[i].pattern, line, length))
            return give_pattern(fields, &fields->pattern[i], lost, sink);
    return fields->columns && give_columns(fields, line, length, lost, sink);
}
