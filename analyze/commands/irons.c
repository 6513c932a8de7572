/* irons: the core materials that a design file can name. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/commands/commands.h"
#include "analyze/model/iron.h"
#include "analyze/printing.h"

#define NAME "irons"

static void add_row(struct table *table, const struct iron_facts *f, bool source)
{
    table_row(table);
    table_text(table, f->name);
    table_figure(table, f->remanence, f->remanence_spread);
    table_figure(table, f->coercivity, f->coercivity_spread);
    table_digits(table, f->knee, 0.01);
    table_text(table, f->kind == IRON_PUBLISHED ? "read" : "memory");
    table_text(table, f->what);
    if (source)
        table_text(table, f->source);
}

static int list(struct command_context *context)
{
    struct table *table = table_new(NULL);
    struct status st;

    if (!table)
        return command_wrong(context, NAME, "no memory");
    table_column(table, TABLE_NAME, "iron", "iron", NULL);
    table_column(table, TABLE_FIGURE, "remanence", "remains", "T");
    table_column(table, TABLE_FIGURE, "coercivity", "coercive", "A/m");
    table_column(table, TABLE_FIGURE, "knee", "saturates", "T");
    table_column(table, TABLE_NAME, "known", "source", NULL);
    table_column(table, TABLE_TEXT, "what", "what it is", NULL);
    if (context->form != COMMAND_TEXT)
        table_column(table, TABLE_TEXT, "document", "document", NULL);
    for (size_t i = 0; i < iron_count(); ++i) {
        struct iron *iron;

        if (iron_create(iron_name(i), &iron, &st) != STATUS_OK) {
            table_free(table);
            return command_failed(context, NAME, &st);
        }
        add_row(table, iron_facts(iron), context->form != COMMAND_TEXT);
        iron_free(iron);
    }
    table_note(
        table,
        "'remains': flux density left in a closed ring after saturation; 'saturates': "
        "where a further ampere-turn brings a twentieth of what it did at best; behind ± one "
        "standard uncertainty; source 'read': the figures were read in the document "
        "named, 'memory': not yet checked in one");
    table_note(table, "'truewound irons NAME' tells the source and the curve of one");
    return printing_table(context, NAME, table);
}

static int show(struct command_context *context, const char *name)
{
    const double *h;
    const double *b;
    const struct iron_facts *f;
    struct table *table;
    struct iron *iron;
    struct status st;
    char line[400];
    size_t pairs;

    if (iron_create(name, &iron, &st) != STATUS_OK)
        return command_failed(context, NAME, &st);
    f = iron_facts(iron);
    table = table_new(f->name);
    if (!table) {
        iron_free(iron);
        return command_wrong(context, NAME, "no memory");
    }
    table_column(table, TABLE_FIGURE, "h", "H", "A/m");
    table_column(table, TABLE_FIGURE, "b", "B", "T");
    pairs = iron_pairs(iron, &h, &b);
    for (size_t i = 0; i < pairs; ++i) {
        table_row(table);
        table_figure(table, h[i], NAN);
        table_digits(table, b[i], 0.001);
    }
    snprintf(line, sizeof line, "%s; also called: %s", f->what,
             f->aliases && *f->aliases ? f->aliases : "nothing else");
    table_note(table, line);
    snprintf(line, sizeof line,
             "remanence %.2f ± %.2f T, coercive force %.0f ± %.0f A/m, saturation polarisation "
             "%.2f T; H of another piece differs by %.0f %%",
             f->remanence, f->remanence_spread, f->coercivity, f->coercivity_spread, f->saturation,
             100.0 * f->spread);
    table_note(table, line);
    snprintf(line, sizeof line, "source%s: %s",
             f->kind == IRON_PUBLISHED ? "" : " (not checked in a document)", f->source);
    table_note(table, line);
    iron_free(iron);
    return printing_table(context, NAME, table);
}

static int run(struct command_context *context, int argc, char **argv)
{
    char name[80];

    if (argc > 1 && argv[1][0] == '-')
        return command_wrong(context, NAME, "there is no option '%s'; an iron may be named",
                             argv[1]);
    if (argc == 1)
        return list(context);
    if (!command_join(argc, argv, 1, name, sizeof name))
        return command_wrong(context, NAME, "no iron has so long a name");
    return show(context, name);
}

const struct command command_irons = {
    .name = NAME,
    .summary = "the core irons a design can name, their remanence and source",
    .usage = "[IRON]",
    .help = "Without a name: every iron, what it keeps of its magnetism, where it saturates, and\n"
            "whether its figures were read in a document. With one: its curve and its source.\n\n"
            "example: truewound irons 'cast iron'\n",
    .tables = true,
    .json = true,
    .run = run,
};
