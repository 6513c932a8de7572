/* linesum: the sum behind a line of text, as makers write it: which bytes it counts, what stands in
 * front of it, and in which form. The sums themselves are those of acquire/checksum. */
#ifndef TRUEWOUND_LINESUM_H
#define TRUEWOUND_LINESUM_H

#include <stdbool.h>
#include <stddef.h>

#include "acquire/checksum.h"
#include "acquire/section.h"

enum linesum_form { LINESUM_HEX, LINESUM_DECIMAL, LINESUM_RAW, LINESUM_RAW_LOW };

struct linesum {
    enum checksum_kind kind; /* CHECKSUM_NONE: lines have no sum */
    char mark;
    char start;   /* the summed bytes begin behind it; 0: with the line's first */
    bool no_mark; /* the sum is what the line ends with */
    bool sums_start, sums_mark;
    enum linesum_form form;
};

/* Reads the keys checksum, checksum_mark, _start, _marks and _form. has_end: lines end with given
 * bytes, so that a sum of any bytes may stand before them. */
enum status_code linesum_fill(struct linesum *sum, const struct section *values, bool has_end,
                              struct status *st);

/* True when the sum is bytes, not digits: any byte may occur in it. */
bool linesum_is_raw(const struct linesum *sum);

/* Of a raw sum with a mark: the bytes up to the end of the first sum, or 0 when it is not there. */
size_t linesum_end(const struct linesum *sum, const unsigned char *bytes, size_t length);

/* Checks and takes off the sum behind the mark, and the mark. */
bool linesum_check(const struct linesum *sum, const char *line, size_t *length);

#endif
