/* table: rows for a terminal, a spreadsheet or a program, out of one object. Text is aligned by
 * display width and wrapped to fit; figures are rounded by their uncertainty in text and given in
 * full in CSV and JSON. Invariant: a cell belongs to the last row begun, cells fill a row from the
 * left, and cells not filled are absent. A failed call (no memory, too many cells) marks the table
 * as broken, and every way of printing it then fails: callers need check only the last call. */
#ifndef TRUEWOUND_TABLE_H
#define TRUEWOUND_TABLE_H

#include "reports/report_error.h"
#include <jansson.h>
#include <math.h>
#include <stdbool.h>
#include <stdio.h>

struct table;

enum table_kind {
    TABLE_TEXT,   /* left-aligned, wrapped when the table is too wide */
    TABLE_NAME,   /* left-aligned, never wrapped unless nothing else helps */
    TABLE_FIGURE, /* aligned at the decimal point and at the ± */
    TABLE_MARK    /* a shape and a word */
};

/* What a mark says. Each has its own shape, and its own colour where colour is asked for. */
enum table_mark { TABLE_MARK_GOOD, TABLE_MARK_DOUBT, TABLE_MARK_WARN, TABLE_MARK_BAD };

/* Returns a new table, or NULL without memory. title may be NULL: none is then printed. */
struct table *table_new(const char *title);
void table_free(struct table *table);

/* Adds a column (before the first row). key names it in JSON; heading and unit (may be NULL) stand
 * over it. At most 32 columns. */
void table_column(struct table *table, enum table_kind kind, const char *key, const char *heading,
                  const char *unit);

/* Begins a row. */
void table_row(struct table *table);

/* Each adds the next cell of the row. Text is cleaned (text_clean). A figure has its standard
 * uncertainty u in the same unit, NaN where not known; value NaN is an absent cell. */
void table_text(struct table *table, const char *text);
void table_textf(struct table *table, const char *format, ...)
    __attribute__((format(printf, 2, 3)));
void table_figure(struct table *table, double value, double u);
/* A figure read or worth telling to 'step' (of the same unit, above 0): its last digit. Without one
 * (NaN) it is that of table_figure without uncertainty. CSV and JSON keep the value in full. */
void table_digits(struct table *table, double value, double step);
void table_count(struct table *table, long long count);
void table_mark(struct table *table, enum table_mark mark, const char *word);
void table_absent(struct table *table);

/* Adds a line under the table ('cold resistance at 20 °C'); in JSON an element of "notes". */
void table_note(struct table *table, const char *note);

size_t table_rows(const struct table *table);

/* Prints as text, no line wider than width columns (0: 80; fewer than 20 counts as 20). If the
 * columns cannot be made to fit, every row is printed as lines of 'heading: value'. colour adds
 * ANSI colours to marks and never stands alone. */
bool table_print(const struct table *table, FILE *out, int width, bool colour,
                 struct report_error *error);

/* Prints as CSV (RFC 4180: CRLF, quotes doubled). First record: headings with their unit in
 * brackets; a figure column with any uncertainty is followed by a column 'HEADING u (UNIT)'. */
bool table_csv(const struct table *table, FILE *out, struct report_error *error);

/* Returns a new JSON object (json_decref it), or NULL: {"title", "columns": [{"key", "heading",
 * "unit"}], "rows": [{KEY: value, ...}], "notes": []}. A figure is a number, with its uncertainty
 * as KEY_u; a mark is its word; an absent cell is null. */
json_t *table_json(const struct table *table, struct report_error *error);

/* The width to print for: columns of the terminal out is joined to, else 80. */
int table_terminal_width(FILE *out);

/* True if out is a terminal, TERM is not 'dumb' and NO_COLOR is not set. */
bool table_terminal_colour(FILE *out);

#endif
