/* linefields: the readings in a line of text.
 *
 * A line is understood by the first of the bench file's patterns that matches it (a group of the
 * pattern bears the name of a channel), or by its columns. */
#ifndef TRUEWOUND_LINEFIELDS_H
#define TRUEWOUND_LINEFIELDS_H

#include <stdbool.h>
#include <stddef.h>

#include "acquire/benchfile.h"
#include "acquire/driver.h"

#define LINEFIELDS_PATTERNS_MAX 16

struct linefields;

/* From the keys pattern, overload_pattern, overload_text, separator, decimal and sequence_modulo,
 * and those of the channels; or says all that is wrong there. The caller frees it. */
enum status_code linefields_new(const struct benchfile_instrument *instrument,
                                struct linefields **made, struct status *st);

/* NULL is allowed. */
void linefields_free(struct linefields *fields);

/* The next line may be any: no line before it counts. */
void linefields_reset(struct linefields *fields);

/* Hands on the readings of the line (without its end and its sum). *lost: something was lost
 * before it; cleared when a reading has said so. False when the line is not understood. */
bool linefields_take(struct linefields *fields, const char *line, size_t length, bool *lost,
                     const struct driver_sink *sink);

#endif
