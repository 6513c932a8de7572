/* pattern: a PCRE2 pattern over one line of an instrument, with bounded work.
 *
 * The pattern comes from the bench file and the line from a wire; a bad pair must not hold up the
 * loop, so the number of matching steps is limited. */
#ifndef TRUEWOUND_PATTERN_H
#define TRUEWOUND_PATTERN_H

#include <stdbool.h>
#include <stddef.h>

#include "acquire/number.h"
#include "db/status.h"

struct pattern;

/* Part of a line; text NULL: the group took no part in the match. */
struct pattern_part {
    const char *text;
    size_t length;
};

enum status_code pattern_new(const char *text, struct pattern **pattern, struct status *st);

/* NULL is allowed. */
void pattern_free(struct pattern *pattern);

/* The number of the group of that name, or -1. */
int pattern_group(const struct pattern *pattern, const char *name);

/* True when the pattern can match at the beginning of a line only. */
bool pattern_is_anchored(const struct pattern *pattern);

/* Looks for the pattern in the line. False as well when it gave up at the limit of steps. */
bool pattern_match(struct pattern *pattern, const char *line, size_t length);

/* Group number `group` of the last match that succeeded (0: the whole of it); it points into the
 * line then matched. */
struct pattern_part pattern_part(const struct pattern *pattern, int group);

/* True when the group's text, a number, seems to be part of a longer one: a sign, a digit, a
 * decimal mark or an exponent beside it that belongs to no named group, as in V=(?<v>\d+) for
 * 'V=-12.5' or
 * .*(?<v>\d+) for '125'. Of the last match that succeeded; its line must still be there. */
bool pattern_cuts_number(const struct pattern *pattern, int group, enum number_decimal decimal);

/* What stands behind the group, up to the next named group or the end of the line; 64 bytes at
 * most. */
struct pattern_part pattern_behind(const struct pattern *pattern, int group);

/* True when a digit stands right behind the group's letters, as in 4k7 and 12R5. */
bool pattern_cuts_unit(const struct pattern *pattern, int group);

/* The name of the pattern's named group number index, counted from 0 in the order of the alphabet;
 * NULL beyond the last. */
const char *pattern_group_name(const struct pattern *pattern, size_t index);

#endif
