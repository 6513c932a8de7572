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

/* Columns of running text, with which it fits a terminal of 80. */
#define PRINTING_WIDTH 78

/* Prints text as a paragraph: its first line indented by 'first' columns (negative: so
 * many are already printed), the others by 'rest', no line wider than PRINTING_WIDTH unless a word
 * is. Columns are counted in characters of UTF-8. */
void printing_paragraph(FILE *out, int first, int rest, const char *text);

/* A JSON number, or null for NaN and infinities, which JSON has no word for. */
json_t *printing_number(double value);

#endif
