/* printing: a table or a JSON value out to the person, in the form the command line asked for. */
#ifndef TRUEWOUND_PRINTING_H
#define TRUEWOUND_PRINTING_H

#include <jansson.h>

#include "analyze/command.h"
#include "reports/table.h"

/* Prints a table as text, JSON or CSV and frees it. Returns COMMAND_DONE, or COMMAND_WRONG when
 * it cannot be written; the message is printed. */
int printing_table(const struct command_context *context, const char *name, struct table *table);

/* Prints a JSON value with a line end and drops the reference; NULL counts as no memory. */
int printing_json(const struct command_context *context, const char *name, json_t *value);

/* A JSON number, or null for NaN and infinities, which JSON has no word for. */
json_t *printing_number(double value);

#endif
