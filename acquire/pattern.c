#include "acquire/pattern.h"

#include <ctype.h>
#include <stdlib.h>
#include <string.h>

#define PCRE2_CODE_UNIT_WIDTH 8
#include <pcre2.h>

#define PATTERN_STEPS_MAX 20000 /* a sensible pattern over a line takes hundreds */
#define PATTERN_HEAP_MAX  256   /* KiB */
#define BEHIND_MAX        64    /* bytes: more than a unit needs */

struct pattern {
    pcre2_code *code;
    pcre2_match_data *data;
    pcre2_match_context *context;
    const char *line;
    size_t length;   /* of line */
    PCRE2_SPTR name; /* the table of named groups */
    uint32_t names, name_size;
};

enum status_code pattern_new(const char *text, struct pattern **result, struct status *st)
{
    struct pattern *pattern = calloc(1, sizeof *pattern);
    int error = 0;
    PCRE2_SIZE offset = 0;

    *result = NULL;
    if (!pattern)
        return status_fail(st, STATUS_MEMORY, "no memory for a pattern");
    pattern->code =
        pcre2_compile((PCRE2_SPTR)text, PCRE2_ZERO_TERMINATED, 0, &error, &offset, NULL);
    if (!pattern->code) {
        PCRE2_UCHAR message[128];

        pcre2_get_error_message(error, message, sizeof message);
        free(pattern);
        return status_fail(st, STATUS_INPUT, "not a usable pattern: %s at character %zu",
                           (const char *)message, (size_t)offset + 1);
    }
    pattern->data = pcre2_match_data_create_from_pattern(pattern->code, NULL);
    pattern->context = pcre2_match_context_create(NULL);
    if (!pattern->data || !pattern->context) {
        pattern_free(pattern);
        return status_fail(st, STATUS_MEMORY, "no memory for a pattern");
    }
    pcre2_pattern_info(pattern->code, PCRE2_INFO_NAMECOUNT, &pattern->names);
    pcre2_pattern_info(pattern->code, PCRE2_INFO_NAMEENTRYSIZE, &pattern->name_size);
    pcre2_pattern_info(pattern->code, PCRE2_INFO_NAMETABLE, &pattern->name);
    pcre2_set_match_limit(pattern->context, PATTERN_STEPS_MAX);
    pcre2_set_heap_limit(pattern->context, PATTERN_HEAP_MAX);
    *result = pattern;
    return status_ok(st);
}

void pattern_free(struct pattern *pattern)
{
    if (!pattern)
        return;
    pcre2_match_context_free(pattern->context);
    pcre2_match_data_free(pattern->data);
    pcre2_code_free(pattern->code);
    free(pattern);
}

int pattern_group(const struct pattern *pattern, const char *name)
{
    int number = pcre2_substring_number_from_name(pattern->code, (PCRE2_SPTR)name);

    return number > 0 ? number : -1;
}

bool pattern_match(struct pattern *pattern, const char *line, size_t length)
{
    pattern->line = line;
    pattern->length = length;
    return pcre2_match(pattern->code, (PCRE2_SPTR)line, length, 0, 0, pattern->data,
                       pattern->context) > 0;
}

struct pattern_part pattern_part(const struct pattern *pattern, int group)
{
    const PCRE2_SIZE *ovector = pcre2_get_ovector_pointer(pattern->data);
    uint32_t count = pcre2_get_ovector_count(pattern->data);

    if (group < 0 || (uint32_t)group >= count || ovector[2 * group] == PCRE2_UNSET ||
        ovector[2 * group] > ovector[2 * group + 1])
        return (struct pattern_part){NULL, 0};
    return (struct pattern_part){pattern->line + ovector[2 * group],
                                 ovector[2 * group + 1] - ovector[2 * group]};
}

const char *pattern_group_name(const struct pattern *pattern, size_t index)
{
    return index < pattern->names ? (const char *)pattern->name + index * pattern->name_size + 2
                                  : NULL;
}

/* ---- what stands beside a number ---- */

static bool is_digit_at(const struct pattern *pattern, size_t at)
{
    return at < pattern->length && pattern->line[at] >= '0' && pattern->line[at] <= '9';
}

/* Whether the byte belongs to another named group than the one that begins at `from`. */
static bool is_named(const struct pattern *pattern, size_t at, size_t from)
{
    const PCRE2_SIZE *ovector = pcre2_get_ovector_pointer(pattern->data);
    uint32_t count = pcre2_get_ovector_count(pattern->data);

    for (uint32_t i = 0; i < pattern->names; ++i) {
        /* Each entry of the table is the group's number in two bytes, then its name. */
        const unsigned char *entry = pattern->name + (size_t)i * pattern->name_size;
        uint32_t group = (uint32_t)entry[0] << 8 | entry[1];

        if (group >= count || ovector[2 * group] == PCRE2_UNSET)
            continue;
        if (ovector[2 * group] <= at && at < ovector[2 * group + 1] &&
            !(ovector[2 * group] <= from && from < ovector[2 * group + 1]))
            return true;
    }
    return false;
}

/* A minus alone in front of the number, behind it spaces or one separator at most. */
static bool is_minus_before(const struct pattern *pattern, size_t from)
{
    const char *line = pattern->line;
    size_t at = from;

    while (at > 0 && (line[at - 1] == ' ' || line[at - 1] == '\t'))
        --at;
    if (at > 0 && strchr(",;:|", line[at - 1]))
        --at;
    while (at > 0 && (line[at - 1] == ' ' || line[at - 1] == '\t'))
        --at;
    if (at >= 3 && memcmp(line + at - 3, "\xe2\x88\x92", 3) == 0)
        return !is_named(pattern, at - 1, from); /* U+2212 */
    if (at == 0 || line[at - 1] != '-' || is_named(pattern, at - 1, from))
        return false;
    /* 2026-11-25 and --,1 are no signs. */
    return at == 1 || (!is_digit_at(pattern, at - 2) && line[at - 2] != '-');
}

bool pattern_cuts_number(const struct pattern *pattern, int group, enum number_decimal decimal)
{
    struct pattern_part part = pattern_part(pattern, group);
    const char *line = pattern->line;
    struct pattern_part all = pattern_part(pattern, 0);
    size_t from, end, first;

    if (!part.text || part.length == 0)
        return false;
    from = (size_t)(part.text - line);
    end = from + part.length;
    for (first = from; first < end && (line[first] == ' ' || line[first] == '\t');)
        ++first;
    if (first == end)
        return false;
    if ((is_digit_at(pattern, first) || line[first] == '.') && is_minus_before(pattern, from))
        return true;
    if (from > 0 && (is_digit_at(pattern, from) || line[from] == '.') &&
        !is_named(pattern, from - 1, from) &&
        (is_digit_at(pattern, from - 1) || (from > 1 && is_digit_at(pattern, from - 2) &&
                                            ((line[from - 1] == '.' && decimal != NUMBER_COMMA) ||
                                             (line[from - 1] == ',' && decimal == NUMBER_COMMA)))))
        return true;
    if (end == pattern->length || !(is_digit_at(pattern, end - 1) || line[end - 1] == '.') ||
        is_named(pattern, end, from))
        return false;
    if (is_digit_at(pattern, end))
        return true;
    if (line[end] == 'e' || line[end] == 'E')
        return is_digit_at(pattern, end + 1) ||
               (end + 1 < pattern->length && (line[end + 1] == '+' || line[end + 1] == '-') &&
                is_digit_at(pattern, end + 2));
    if (!is_digit_at(pattern, end + 1))
        return false;
    if (line[end] == '.')
        return decimal != NUMBER_COMMA;
    if (line[end] == '\'')
        return true; /* parts thousands */
    /* A comma parts numbers, or is a decimal one; what the pattern goes over has been thought of.
     */
    return line[end] == ',' && (decimal == NUMBER_COMMA ||
                                (decimal == NUMBER_EITHER && all.text + all.length == line + end));
}

struct pattern_part pattern_behind(const struct pattern *pattern, int group)
{
    struct pattern_part part = pattern_part(pattern, group);
    size_t from, end;

    if (!part.text)
        return part;
    from = (size_t)(part.text - pattern->line);
    end = from + part.length;
    for (part.text += part.length, part.length = 0;
         end < pattern->length && part.length < BEHIND_MAX && !is_named(pattern, end, from); ++end)
        ++part.length;
    return part;
}

bool pattern_cuts_unit(const struct pattern *pattern, int group)
{
    struct pattern_part part = pattern_part(pattern, group);
    size_t end;

    if (!part.text || part.length == 0)
        return false;
    end = (size_t)(part.text - pattern->line) + part.length;
    return isalpha((unsigned char)pattern->line[end - 1]) && is_digit_at(pattern, end) &&
           !is_named(pattern, end, end - part.length);
}

bool pattern_is_anchored(const struct pattern *pattern)
{
    uint32_t options = 0;

    pcre2_pattern_info(pattern->code, PCRE2_INFO_ALLOPTIONS, &options);
    return options & PCRE2_ANCHORED;
}
