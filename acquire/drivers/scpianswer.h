/* scpianswer: what a line from a SCPI meter says: a reading, an entry of its error queue, a bare
 * acknowledgement. Pure functions over the line, which comes without its end. */
#ifndef TRUEWOUND_SCPIANSWER_H
#define TRUEWOUND_SCPIANSWER_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "acquire/benchfile.h"
#include "acquire/driver.h"
#include "acquire/drivers/scpichannel.h"
#include "acquire/number.h"

/* An entry of an error queue, -113,"Undefined header": no reading looks like that. */
bool scpianswer_is_error_entry(const char *line, size_t length);

/* A whole number of a few digits and nothing else, as some meters acknowledge a command. */
bool scpianswer_is_bare_integer(const char *line, size_t length);

/* How many comma-separated fields the answer has. */
size_t scpianswer_fields(const char *line, size_t length);

/* Hands on the reading of one channel of the instrument, its flags added to those given. False when
 * the line is no answer to its query. */
bool scpianswer_reading(const struct benchfile_instrument *instrument, size_t channel,
                        const struct scpichannel *own, enum number_decimal decimal,
                        const char *line, size_t length, uint32_t flags,
                        const struct driver_sink *sink);

#endif
