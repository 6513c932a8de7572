/* benchcheck: what in a good bench file a person may not have meant. */
#ifndef TRUEWOUND_BENCHCHECK_H
#define TRUEWOUND_BENCHCHECK_H

#include <stddef.h>

#include "acquire/benchfile.h"

/* Hands each warning to report as a whole sentence with file, line, section and field: a channel
 * without accuracy, a group of a pattern that no channel takes, a meter whose error queue is not
 * read. How many there were. */
size_t benchcheck_warn(const struct benchfile *bench, benchfile_report report, void *to);

#endif
