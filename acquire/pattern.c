#include "acquire/pattern.h"

#include <stdlib.h>

#define PCRE2_CODE_UNIT_WIDTH 8
#include <pcre2.h>

#define PATTERN_STEPS_MAX 20000 /* a sensible pattern over a line takes hundreds */
#define PATTERN_HEAP_MAX  256   /* KiB */

struct pattern {
    pcre2_code *code;
    pcre2_match_data *data;
    pcre2_match_context *context;
    const char *line;
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
    uint32_t count = 0;
    uint32_t size = 0;
    PCRE2_SPTR table = NULL;

    pcre2_pattern_info(pattern->code, PCRE2_INFO_NAMECOUNT, &count);
    pcre2_pattern_info(pattern->code, PCRE2_INFO_NAMEENTRYSIZE, &size);
    pcre2_pattern_info(pattern->code, PCRE2_INFO_NAMETABLE, &table);
    /* Each entry is the group's number in two bytes, then its name. */
    return index < count ? (const char *)table + index * size + 2 : NULL;
}
