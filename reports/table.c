#include "reports/table.h"

#include "reports/figure.h"
#include "reports/text.h"
#include <stdarg.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <unistd.h>

#define DECIMALS_MAX  12
#define COLUMNS_MAX   32
#define NOTES_MAX     64
#define DEFAULT_WIDTH 80
#define LEAST_WIDTH   20
#define LEAST_TEXT    8 /* a column of text is not squeezed below this */
#define BETWEEN       2

enum cell_kind { CELL_ABSENT, CELL_TEXT, CELL_FIGURE, CELL_COUNT, CELL_MARK };

struct cell {
    enum cell_kind kind;
    enum table_mark mark;
    char *text; /* of CELL_TEXT and CELL_MARK */
    double value, u;
    int decimals; /* of CELL_FIGURE: -1 as u demands */
    long long count;
};

struct column {
    enum table_kind kind;
    char *key, *heading, *unit;
};

struct table {
    char *title;
    struct column column[COLUMNS_MAX];
    size_t columns;
    struct cell *cell; /* rows * columns */
    size_t rows, room, filled;
    char *note[NOTES_MAX];
    size_t notes;
    const char *broken; /* why nothing can be printed, or NULL */
};

struct table *table_new(const char *title)
{
    struct table *table = calloc(1, sizeof *table);
    if (!table)
        return NULL;
    if (title) {
        table->title = text_clean(title, 0);
        if (!table->title) {
            free(table);
            return NULL;
        }
    }
    return table;
}

void table_free(struct table *table)
{
    if (!table)
        return;
    for (size_t i = 0; i < table->rows * table->columns; i++)
        free(table->cell[i].text);
    free(table->cell);
    for (size_t i = 0; i < table->columns; i++) {
        free(table->column[i].key);
        free(table->column[i].heading);
        free(table->column[i].unit);
    }
    for (size_t i = 0; i < table->notes; i++)
        free(table->note[i]);
    free(table->title);
    free(table);
}

/* n without the spaces at its end, so that no line ends in one. */
static size_t trimmed(const char *s, size_t n)
{
    while (n && s[n - 1] == ' ')
        n--;
    return n;
}

static void broken(struct table *table, const char *why)
{
    if (!table->broken)
        table->broken = why;
}

static char *kept(struct table *table, const char *text)
{
    char *copy = text_clean(text, 0);
    if (!copy)
        broken(table, "no memory for a table");
    return copy;
}

void table_column(struct table *table, enum table_kind kind, const char *key, const char *heading,
                  const char *unit)
{
    if (table->columns == COLUMNS_MAX || table->rows) {
        broken(table, "a table takes at most 32 columns, all before its first row");
        return;
    }
    struct column *column = &table->column[table->columns++];
    column->kind = kind;
    column->key = kept(table, key);
    column->heading = kept(table, heading);
    column->unit = kept(table, unit);
    for (char **part = &column->heading; part; part = part == &column->unit ? NULL : &column->unit)
        if (*part)
            (*part)[trimmed(*part, strlen(*part))] = '\0';
}

void table_row(struct table *table)
{
    if (table->broken || !table->columns) {
        broken(table, "a table needs columns before rows");
        return;
    }
    if (table->rows == table->room) {
        size_t room = table->room ? table->room * 2 : 16;
        struct cell *cell = room < SIZE_MAX / sizeof *cell / table->columns
                                ? realloc(table->cell, room * table->columns * sizeof *cell)
                                : NULL;
        if (!cell) {
            broken(table, "no memory for a table");
            return;
        }
        table->cell = cell;
        table->room = room;
    }
    memset(table->cell + table->rows * table->columns, 0, table->columns * sizeof *table->cell);
    table->rows++;
    table->filled = 0;
}

static struct cell *next_cell(struct table *table)
{
    if (!table->broken && (!table->rows || table->filled == table->columns))
        broken(table, "a table row has more cells than the table has columns");
    if (table->broken)
        return NULL;
    return &table->cell[(table->rows - 1) * table->columns + table->filled++];
}

void table_text(struct table *table, const char *text)
{
    struct cell *cell = next_cell(table);
    if (!cell || !text)
        return;
    cell->text = kept(table, text);
    if (cell->text)
        cell->kind = CELL_TEXT;
}

void table_textf(struct table *table, const char *format, ...)
{
    char *text = NULL;
    va_list list;
    va_start(list, format);
    int length = vasprintf(&text, format, list);
    va_end(list);
    if (length < 0) {
        broken(table, "no memory for a table");
        return;
    }
    table_text(table, text);
    free(text);
}

void table_figure(struct table *table, double value, double u)
{
    struct cell *cell = next_cell(table);
    if (!cell || isnan(value))
        return;
    *cell = (struct cell){.kind = CELL_FIGURE, .value = value, .u = u, .decimals = -1};
}

void table_digits(struct table *table, double value, double step)
{
    struct cell *cell = next_cell(table);
    if (!cell || isnan(value))
        return;
    *cell = (struct cell){.kind = CELL_FIGURE, .value = value, .u = NAN, .decimals = -1};
    if (isfinite(value) && isfinite(step) && step > 0)
        cell->decimals = (int)fmin(DECIMALS_MAX, fmax(0, ceil(-log10(step) - 1e-6)));
}

void table_count(struct table *table, long long count)
{
    struct cell *cell = next_cell(table);
    if (cell)
        *cell = (struct cell){.kind = CELL_COUNT, .count = count, .u = NAN};
}

void table_mark(struct table *table, enum table_mark mark, const char *word)
{
    struct cell *cell = next_cell(table);
    if (!cell)
        return;
    cell->text = kept(table, word);
    if (cell->text) {
        cell->kind = CELL_MARK;
        cell->mark = mark;
    }
}

void table_absent(struct table *table)
{
    next_cell(table);
}

void table_note(struct table *table, const char *note)
{
    if (table->notes == NOTES_MAX) {
        broken(table, "a table takes at most 64 notes");
        return;
    }
    char *copy = kept(table, note);
    if (copy)
        table->note[table->notes++] = copy;
}

size_t table_rows(const struct table *table)
{
    return table->rows;
}

/* ---- text ---- */

static const struct {
    const char *shape, *colour;
} mark_look[] = {[TABLE_MARK_GOOD] = {"●", "\033[32m"},
                 [TABLE_MARK_DOUBT] = {"◐", "\033[36m"},
                 [TABLE_MARK_WARN] = {"▲", "\033[33m"},
                 [TABLE_MARK_BAD] = {"✕", "\033[31m"}};

/* A cell as text, in the parts that are aligned with each other: before the decimal point, from
 * the point on, and from the ± on. Text and marks have the first part only. */
struct shown {
    char *text;                     /* owned */
    size_t whole, fraction, spread; /* widths of the parts; text is cut after whole, fraction */
    size_t bytes_whole, bytes_fraction;
};

struct layout {
    const struct table *table;
    struct text_ruler *ruler;
    struct shown *cell;
    struct {
        size_t whole, fraction, spread, width;
    } column[COLUMNS_MAX];
};

static bool show_cell(const struct layout *layout, const struct cell *cell, struct shown *shown)
{
    char number[FIGURE_TEXT_SIZE];
    int result = 0;
    switch (cell->kind) {
    case CELL_ABSENT:
        shown->text = strdup("–");
        break;
    case CELL_TEXT:
        shown->text = strdup(cell->text);
        break;
    case CELL_MARK:
        result = asprintf(&shown->text, "%s %s", mark_look[cell->mark].shape, cell->text);
        break;
    case CELL_COUNT:
        result = asprintf(&shown->text, "%lld", cell->count);
        break;
    case CELL_FIGURE:
        if (cell->decimals >= 0)
            result = asprintf(&shown->text, "%.*f", cell->decimals, cell->value);
        else
            shown->text = strdup(figure_text(number, cell->value, cell->u));
        break;
    }
    if (result < 0)
        shown->text = NULL;
    if (!shown->text)
        return false;
    size_t length = strlen(shown->text);
    shown->bytes_whole = shown->bytes_fraction = length;
    if (cell->kind == CELL_FIGURE && strchr("0123456789-", shown->text[0])) {
        const char *spread = strstr(shown->text, " ±");
        shown->bytes_fraction = spread ? (size_t)(spread - shown->text) : length;
        size_t point = strcspn(shown->text, ".e");
        shown->bytes_whole = point < shown->bytes_fraction ? point : shown->bytes_fraction;
    }
    /* Figures are ASCII but for the ±, which takes one column. */
    size_t total = text_ruler_width(layout->ruler, shown->text);
    shown->whole =
        cell->kind == CELL_FIGURE && shown->bytes_whole < length ? shown->bytes_whole : total;
    shown->fraction = shown->bytes_fraction - shown->bytes_whole;
    shown->spread = total - shown->whole - shown->fraction;
    return true;
}

static void layout_end(struct layout *layout)
{
    for (size_t i = 0; layout->cell && i < layout->table->rows * layout->table->columns; i++)
        free(layout->cell[i].text);
    free(layout->cell);
    text_ruler_free(layout->ruler);
}

static bool layout_begin(struct layout *layout, const struct table *table)
{
    memset(layout, 0, sizeof *layout);
    layout->table = table;
    layout->ruler = text_ruler_new();
    size_t cells = table->rows * table->columns;
    layout->cell = calloc(cells ? cells : 1, sizeof *layout->cell);
    if (!layout->ruler || !layout->cell)
        return false;
    for (size_t i = 0; i < cells; i++) {
        struct shown *shown = &layout->cell[i];
        if (!show_cell(layout, &table->cell[i], shown))
            return false;
        size_t c = i % table->columns;
        if (table->column[c].kind != TABLE_FIGURE) {
            shown->whole += shown->fraction + shown->spread;
            shown->fraction = shown->spread = 0;
        }
        if (layout->column[c].whole < shown->whole)
            layout->column[c].whole = shown->whole;
        if (layout->column[c].fraction < shown->fraction)
            layout->column[c].fraction = shown->fraction;
        if (layout->column[c].spread < shown->spread)
            layout->column[c].spread = shown->spread;
    }
    for (size_t c = 0; c < table->columns; c++) {
        size_t width =
            layout->column[c].whole + layout->column[c].fraction + layout->column[c].spread;
        size_t heading = text_ruler_width(layout->ruler, table->column[c].heading);
        size_t unit = text_ruler_width(layout->ruler, table->column[c].unit);
        width = width > heading ? width : heading;
        width = width > unit ? width : unit;
        layout->column[c].width = width ? width : 1;
    }
    return true;
}

static void pad(FILE *out, size_t n)
{
    while (n--)
        fputc(' ', out);
}

/* How many bytes of s stand on a line of room columns, breaking at a space where there is one.
 * *skip is what to leave out before the next line. At least one character is always taken. */
static size_t line_of(const struct text_ruler *ruler, const char *s, size_t room, size_t *skip)
{
    const char *p = s, *end = s, *space = NULL;
    size_t used = 0;
    *skip = 0;
    while (*p) {
        const char *before = p;
        uint32_t c = text_next(&p);
        size_t width = text_ruler_character(ruler, c);
        if (used + width > room && before != s) {
            if (c == ' ') {
                *skip = strspn(before, " ");
                return (size_t)(before - s);
            }
            if (space) {
                *skip = strspn(space, " ");
                return (size_t)(space - s);
            }
            return (size_t)(end - s);
        }
        if (c == ' ' && before != s)
            space = space && space + strspn(space, " ") == before ? space : before;
        used += width;
        end = p;
    }
    return (size_t)(p - s);
}

static void wrapped(const struct text_ruler *ruler, FILE *out, const char *s, size_t width,
                    size_t indent)
{
    for (size_t first = 1; *s || first; first = 0) {
        size_t skip, n = line_of(ruler, s, width, &skip);
        size_t shown = trimmed(s, n);
        if (!first && shown)
            pad(out, indent);
        fwrite(s, 1, shown, out);
        fputc('\n', out);
        s += n + skip;
    }
}

static void print_lines(const struct layout *layout, const struct shown *row,
                        const struct cell *cell, bool colour, FILE *out)
{
    const struct table *table = layout->table;
    size_t at[COLUMNS_MAX] = {0};
    for (size_t line = 0; line < 100000; line++) {
        bool more = false;
        size_t owed = 0; /* spaces are written only before text, so that no line ends in one */
        for (size_t c = 0; c < table->columns; c++) {
            const struct shown *shown = &row[c];
            size_t width = layout->column[c].width, used = 0;
            if (c)
                owed += BETWEEN;
            if (table->column[c].kind == TABLE_FIGURE && line == 0) {
                size_t parts =
                    layout->column[c].whole + layout->column[c].fraction + layout->column[c].spread;
                bool number = cell[c].kind == CELL_FIGURE || cell[c].kind == CELL_COUNT;
                size_t left = width - parts;
                if (number)
                    left += layout->column[c].whole - shown->whole;
                else
                    left = width - shown->whole;
                pad(out, owed + left);
                owed = 0;
                fwrite(shown->text, 1, shown->bytes_fraction, out);
                used = left + shown->whole + shown->fraction;
                if (shown->spread) {
                    size_t gap = layout->column[c].fraction - shown->fraction;
                    pad(out, gap);
                    fputs(shown->text + shown->bytes_fraction, out);
                    used += gap + shown->spread;
                }
            } else if (table->column[c].kind != TABLE_FIGURE && shown->text && shown->text[at[c]]) {
                const char *s = shown->text + at[c];
                size_t skip, n = line_of(layout->ruler, s, width, &skip);
                size_t seen = trimmed(s, n);
                bool tint = colour && cell[c].kind == CELL_MARK && seen;
                if (seen) {
                    pad(out, owed);
                    owed = 0;
                }
                if (tint)
                    fputs(mark_look[cell[c].mark].colour, out);
                for (size_t i = 0; i < seen;) {
                    const char *p = s + i;
                    used += text_ruler_character(layout->ruler, text_next(&p));
                    i = (size_t)(p - s);
                }
                fwrite(s, 1, seen, out);
                if (tint)
                    fputs("\033[0m", out);
                at[c] += n + skip;
                more = more || shown->text[at[c]];
            }
            owed += width > used ? width - used : 0;
        }
        fputc('\n', out);
        if (!more)
            break;
    }
}

static void print_heading(const struct layout *layout, bool unit, FILE *out)
{
    const struct table *table = layout->table;
    size_t owed = 0;
    for (size_t c = 0; c < table->columns; c++) {
        const char *text = unit ? table->column[c].unit : table->column[c].heading;
        size_t used = text_ruler_width(layout->ruler, text), width = layout->column[c].width;
        if (c)
            owed += BETWEEN;
        size_t left = table->column[c].kind == TABLE_FIGURE && width > used ? width - used : 0;
        if (*text) {
            pad(out, owed + left);
            fputs(text, out);
            owed = width > used + left ? width - used - left : 0;
        } else {
            owed += width;
        }
    }
    fputc('\n', out);
}

/* Takes columns from the widest wrapping column until all fit in width. */
static bool squeeze(struct layout *layout, size_t width, enum table_kind kind)
{
    const struct table *table = layout->table;
    for (;;) {
        size_t total = 0, widest = COLUMNS_MAX;
        for (size_t c = 0; c < table->columns; c++) {
            total += layout->column[c].width + (c ? BETWEEN : 0);
            size_t heading = text_ruler_width(layout->ruler, table->column[c].heading);
            size_t least = heading > LEAST_TEXT ? heading : LEAST_TEXT;
            if (table->column[c].kind == kind && layout->column[c].width > least &&
                (widest == COLUMNS_MAX || layout->column[c].width > layout->column[widest].width))
                widest = c;
        }
        if (total <= width)
            return true;
        if (widest == COLUMNS_MAX)
            return false;
        layout->column[widest].width--;
    }
}

static void print_records(const struct layout *layout, size_t width, FILE *out)
{
    const struct table *table = layout->table;
    for (size_t r = 0; r < table->rows; r++) {
        if (r)
            fputc('\n', out);
        for (size_t c = 0; c < table->columns; c++) {
            const char *unit = table->column[c].unit;
            char *line = NULL;
            const char *heading = table->column[c].heading;
            if (asprintf(&line, "%s: %s%s%s", *heading ? heading : table->column[c].key,
                         layout->cell[r * table->columns + c].text, *unit ? " " : "", unit) < 0)
                return;
            wrapped(layout->ruler, out, line, width - 2, 2);
            free(line);
        }
    }
}

bool table_print(const struct table *table, FILE *out, int width, bool colour,
                 struct report_error *error)
{
    if (table->broken)
        return report_error_set(error, "%s", table->broken);
    size_t columns = width <= 0 ? DEFAULT_WIDTH : width < LEAST_WIDTH ? LEAST_WIDTH : (size_t)width;
    struct layout layout;
    bool ready = layout_begin(&layout, table);
    if (ready) {
        if (table->title)
            wrapped(layout.ruler, out, table->title, columns - 2, 2);
        if (squeeze(&layout, columns, TABLE_TEXT) || squeeze(&layout, columns, TABLE_NAME)) {
            bool units = false;
            for (size_t c = 0; c < table->columns; c++)
                units = units || table->column[c].unit[0];
            if (table->columns)
                print_heading(&layout, false, out);
            if (units)
                print_heading(&layout, true, out);
            for (size_t c = 0; c < table->columns; c++) {
                pad(out, c ? BETWEEN : 0);
                for (size_t i = 0; i < layout.column[c].width; i++)
                    fputc('-', out);
            }
            if (table->columns)
                fputc('\n', out);
            for (size_t r = 0; r < table->rows; r++)
                print_lines(&layout, layout.cell + r * table->columns,
                            table->cell + r * table->columns, colour, out);
        } else {
            print_records(&layout, columns, out);
        }
        for (size_t i = 0; i < table->notes; i++)
            wrapped(layout.ruler, out, table->note[i], columns - 2, 2);
    }
    layout_end(&layout);
    if (!ready)
        return report_error_set(error, "no memory to print a table");
    return ferror(out)
               ? report_error_set(error, "cannot write the table: the output is closed or full")
               : true;
}

/* ---- CSV ---- */

static void csv_field(FILE *out, const char *text)
{
    if (!strpbrk(text, ",\"\r\n") && text[0] != ' ') {
        fputs(text, out);
        return;
    }
    fputc('"', out);
    for (const char *p = text; *p; p++) {
        if (*p == '"')
            fputc('"', out);
        fputc(*p, out);
    }
    fputc('"', out);
}

/* A column that needs no heading for the eye goes by its key. */
static void csv_heading(FILE *out, const struct column *column, const char *suffix)
{
    const char *name = column->heading[0] ? column->heading : column->key;
    char *text = NULL;
    int length = column->unit[0] ? asprintf(&text, "%s%s (%s)", name, suffix, column->unit)
                                 : asprintf(&text, "%s%s", name, suffix);
    if (length >= 0)
        csv_field(out, text);
    free(length >= 0 ? text : NULL);
}

/* True if column c has a stated uncertainty anywhere. */
static bool has_u(const struct table *table, size_t c)
{
    for (size_t r = 0; r < table->rows; r++) {
        const struct cell *cell = &table->cell[r * table->columns + c];
        if (cell->kind == CELL_FIGURE && isfinite(cell->u) && cell->u > 0)
            return true;
    }
    return false;
}

/* The shortest decimal that reads back as the same double; the point whatever the locale. */
static void full(char out[FIGURE_TEXT_SIZE], double value)
{
    for (int digits = 15; digits <= 17; digits++) {
        snprintf(out, FIGURE_TEXT_SIZE, "%.*g", digits, value);
        if (strtod(out, NULL) == value)
            break;
    }
    char *comma = strchr(out, ',');
    if (comma)
        *comma = '.';
}

bool table_csv(const struct table *table, FILE *out, struct report_error *error)
{
    if (table->broken)
        return report_error_set(error, "%s", table->broken);
    bool u[COLUMNS_MAX];
    for (size_t c = 0; c < table->columns; c++) {
        u[c] = has_u(table, c);
        if (c)
            fputc(',', out);
        csv_heading(out, &table->column[c], "");
        if (u[c]) {
            fputc(',', out);
            csv_heading(out, &table->column[c], " u");
        }
    }
    fputs("\r\n", out);
    char number[FIGURE_TEXT_SIZE];
    for (size_t r = 0; r < table->rows; r++) {
        for (size_t c = 0; c < table->columns; c++) {
            const struct cell *cell = &table->cell[r * table->columns + c];
            if (c)
                fputc(',', out);
            if (cell->kind == CELL_FIGURE) {
                full(number, cell->value);
                fputs(number, out);
            } else if (cell->kind == CELL_COUNT) {
                fprintf(out, "%lld", cell->count);
            } else if (cell->text) {
                csv_field(out, cell->text);
            }
            if (u[c]) {
                fputc(',', out);
                if (cell->kind == CELL_FIGURE && isfinite(cell->u) && cell->u >= 0) {
                    full(number, cell->u);
                    fputs(number, out);
                }
            }
        }
        fputs("\r\n", out);
    }
    return ferror(out)
               ? report_error_set(error, "cannot write the CSV: the output is closed or full")
               : true;
}

/* ---- JSON ---- */

static bool put_cell(json_t *row, const char *key, const struct cell *cell)
{
    json_t *value = NULL;
    switch (cell->kind) {
    case CELL_ABSENT:
        value = json_null();
        break;
    case CELL_TEXT:
    case CELL_MARK:
        value = json_string(cell->text);
        break;
    case CELL_COUNT:
        value = json_integer(cell->count);
        break;
    case CELL_FIGURE: /* JSON has no infinity */
        value = isfinite(cell->value) ? json_real(cell->value) : json_null();
        break;
    }
    if (json_object_set_new(row, key, value))
        return false;
    if (cell->kind != CELL_FIGURE || !isfinite(cell->u) || cell->u < 0)
        return true;
    char *name = NULL;
    if (asprintf(&name, "%s_u", key) < 0)
        return false;
    int failed = json_object_set_new(row, name, json_real(cell->u));
    free(name);
    return !failed;
}

json_t *table_json(const struct table *table, struct report_error *error)
{
    if (table->broken) {
        report_error_set(error, "%s", table->broken);
        return NULL;
    }
    json_t *columns = json_array(), *rows = json_array(), *notes = json_array();
    bool good = columns && rows && notes;
    for (size_t c = 0; good && c < table->columns; c++) {
        const struct column *column = &table->column[c];
        json_t *unit = column->unit[0] ? json_string(column->unit) : json_null();
        good = !json_array_append_new(columns, json_pack("{s:s, s:s, s:o}", "key", column->key,
                                                         "heading", column->heading, "unit", unit));
    }
    for (size_t r = 0; good && r < table->rows; r++) {
        json_t *row = json_object();
        for (size_t c = 0; row && good && c < table->columns; c++)
            good = put_cell(row, table->column[c].key, &table->cell[r * table->columns + c]);
        good = !json_array_append_new(rows, row) && good;
    }
    for (size_t i = 0; good && i < table->notes; i++)
        good = !json_array_append_new(notes, json_string(table->note[i]));
    json_t *title = table->title ? json_string(table->title) : json_null();
    json_t *all = NULL;
    if (good) {
        all = json_pack("{s:o, s:o, s:o, s:o}", "title", title, "columns", columns, "rows", rows,
                        "notes", notes);
    } else {
        json_decref(title);
        json_decref(columns);
        json_decref(rows);
        json_decref(notes);
    }
    if (!all)
        report_error_set(error, "no memory for JSON");
    return all;
}

/* ---- terminal ---- */

int table_terminal_width(FILE *out)
{
    struct winsize size;
    int fd = fileno(out);
    if (fd >= 0 && isatty(fd) && !ioctl(fd, TIOCGWINSZ, &size) && size.ws_col >= LEAST_WIDTH)
        return size.ws_col;
    return DEFAULT_WIDTH;
}

bool table_terminal_colour(FILE *out)
{
    const char *terminal = getenv("TERM"), *none = getenv("NO_COLOR");
    int fd = fileno(out);
    return fd >= 0 && isatty(fd) && terminal && strcmp(terminal, "dumb") != 0 && !(none && *none);
}
