/* fleet: every site on one screen, the soonest to end first, and what to carry there. */
#include <getopt.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/batterybook.h"
#include "analyze/commands/commands.h"
#include "analyze/printing.h"

#define NAME "fleet"

#define DAY       86400.0
#define SITES_MAX 5000
#define KINDS_MAX 32

/* What is kept of a site once it has been judged. */
struct line {
    char name[BATTERYBOOK_NAME];
    char type[BATTERYBOOK_NAME];
    long cells;
    bool fitted;
    double loaded_v, unloaded_v, days[FORECAST_QUANTILES];
    double order; /* days for sorting */
    double price;
    enum batterybook_state state;
    bool cells_due, joint;
};

struct fleet {
    struct line *line;
    size_t n, room;
    bool full;
};

static int keep_name(const struct store_site *row, void *user)
{
    struct fleet *f = user;

    if (f->n == f->room) {
        size_t room = f->room ? 2 * f->room : 64;
        struct line *more = f->n < SITES_MAX ? realloc(f->line, room * sizeof *more) : NULL;

        if (!more) {
            f->full = true;
            return 1;
        }
        f->line = more;
        f->room = room;
    }
    f->line[f->n] = (struct line){.order = INFINITY};
    snprintf(f->line[f->n++].name, BATTERYBOOK_NAME, "%s", row->name);
    return 0;
}

static void keep_book(struct line *line, const struct batterybook *book, double within_s)
{
    const struct trend_day *d = book->n_day ? &book->day[book->n_day - 1] : NULL;

    line->fitted = book->fitted;
    line->cells = (long)book->battery.cells;
    snprintf(line->type, sizeof line->type, "%s", book->type);
    line->unloaded_v = d ? d->unloaded_v : NAN;
    line->loaded_v = d ? d->loaded_v : NAN;
    line->price = book->battery.price;
    line->state = book->state;
    for (int q = 0; q < FORECAST_QUANTILES; q++)
        line->days[q] = batterybook_days(book, (enum forecast_quantile)q);
    line->joint = book->joint.cause == TREND_JOINT;
    if (book->has_forecast && book->forecast.answer != FORECAST_STRANGE) {
        line->order = book->forecast.days[FORECAST_Q50];
        line->cells_due = book->forecast.answer == FORECAST_SPENT ||
                          (book->forecast.answer == FORECAST_TELLS &&
                           book->forecast.days[FORECAST_Q05] * DAY < within_s);
    }
    if (book->state == BATTERYBOOK_SPENT)
        line->order = -1.0;
    else if (book->state == BATTERYBOOK_JOINT || book->state == BATTERYBOOK_SILENT)
        line->order = -0.5;
    else if (book->state == BATTERYBOOK_STRANGE) /* has no days, and wants a look */
        line->order = -0.25;
}

static int compare_lines(const void *a, const void *b)
{
    const struct line *x = a, *y = b;

    if (x->order < y->order || x->order > y->order)
        return x->order < y->order ? -1 : 1;
    return strcmp(x->name, y->name);
}

static enum table_mark mark_of(enum batterybook_state state)
{
    switch (state) {
    case BATTERYBOOK_FINE:
        return TABLE_MARK_GOOD;
    case BATTERYBOOK_SOON:
    case BATTERYBOOK_JOINT:
        return TABLE_MARK_WARN;
    case BATTERYBOOK_SPENT:
    case BATTERYBOOK_SILENT:
        return TABLE_MARK_BAD;
    default:
        return TABLE_MARK_DOUBT;
    }
}

static void carry_cell(struct table *t, const struct line *line)
{
    char text[BATTERYBOOK_NAME + 80] = "";

    if (line->cells_due)
        snprintf(text, sizeof text, "%ld x %s", line->cells, line->type);
    if (line->joint)
        snprintf(text + strlen(text), sizeof text - strlen(text), "%scontact cleaner, spanner",
                 *text ? ", " : "");
    if (line->state == BATTERYBOOK_SILENT)
        snprintf(text + strlen(text), sizeof text - strlen(text), "%sboard and lead",
                 *text ? ", " : "");
    if (*text)
        table_text(t, text);
    else
        table_absent(t);
}

/* "Carry 6 x LR20, 2 x LR6; ..." and what the cells cost where the price is known. */
static void carry_note(struct table *t, const struct fleet *f)
{
    struct {
        const char *type;
        long cells;
    } kind[KINDS_MAX];
    char text[400] = "carry: ";
    size_t kinds = 0, used = strlen(text), joints = 0, i;
    double price = 0.0;

    for (size_t k = 0; k < f->n; k++) {
        const struct line *line = &f->line[k];

        joints += line->joint;
        if (!line->cells_due)
            continue;
        price += line->price;
        for (i = 0; i < kinds && strcmp(kind[i].type, line->type) != 0;)
            i++;
        if (i == kinds && kinds < KINDS_MAX) {
            kind[kinds].type = line->type;
            kind[kinds++].cells = 0;
        }
        if (i < kinds)
            kind[i].cells += line->cells;
    }
    for (i = 0; i < kinds && used < sizeof text; i++)
        used += (size_t)snprintf(text + used, sizeof text - used, "%s%ld x %s", i ? ", " : "",
                                 kind[i].cells, kind[i].type);
    if (kinds && isfinite(price) && used < sizeof text)
        used +=
            (size_t)snprintf(text + used, sizeof text - used, " (%.2f at the last prices)", price);
    if (joints && used < sizeof text)
        snprintf(text + used, sizeof text - used, "%scontact cleaner for %zu site%s",
                 kinds ? "; " : "", joints, joints == 1 ? "" : "s");
    if (kinds || joints)
        table_note(t, text);
    if (kinds)
        table_note(t, "Change all cells of a battery together; do not charge dry cells; keep spent "
                      "ones apart, they leak, and never loose in a pocket or box, they short.");
}

static int show(const struct command_context *context, const struct fleet *f)
{
    struct table *t = table_new(NULL);
    bool alarm = false;
    int result;

    if (!t)
        return command_wrong(context, NAME, "no memory");
    table_column(t, TABLE_NAME, "site", "site", NULL);
    table_column(t, TABLE_NAME, "battery", "battery", NULL);
    table_column(t, TABLE_FIGURE, "loaded", "in a pulse", "V");
    table_column(t, TABLE_FIGURE, "days", "left", "days");
    table_column(t, TABLE_NAME, "interval", "90 %", "days");
    table_column(t, TABLE_MARK, "state", "state", NULL);
    table_column(t, TABLE_TEXT, "carry", "carry", NULL);
    for (size_t i = 0; i < f->n; i++) {
        const struct line *line = &f->line[i];

        table_row(t);
        table_text(t, line->name);
        if (line->fitted)
            table_textf(t, "%ld x %s", line->cells, line->type);
        else
            table_absent(t);
        table_figure(t, isfinite(line->loaded_v) ? line->loaded_v : line->unloaded_v, NAN);
        /* A standard uncertainty from the middle half of a normal law. */
        table_figure(t, line->days[FORECAST_Q50],
                     (line->days[FORECAST_Q75] - line->days[FORECAST_Q25]) / 1.349);
        if (isfinite(line->days[FORECAST_Q50]))
            table_textf(t, "%.0f to %.0f", line->days[FORECAST_Q05], line->days[FORECAST_Q95]);
        else
            table_absent(t);
        table_mark(t, mark_of(line->state), batterybook_state_word(line->state));
        carry_cell(t, line);
        alarm = alarm || batterybook_alarming(line->state);
    }
    if (f->n == 0)
        table_note(t, "no site is recorded; 'truewound battery SITE --unloaded CHANNEL' does");
    carry_note(t, f);
    if (f->full)
        table_note(t, "there are more sites than can be shown");
    result = printing_table(context, NAME, t);
    return result == COMMAND_DONE && alarm ? COMMAND_FAIL : result;
}

static int run(struct command_context *context, int argc, char **argv)
{
    enum { WITHIN = 1000, SILENT };
    static const struct option options[] = {{"within", required_argument, NULL, WITHIN},
                                            {"silent", required_argument, NULL, SILENT},
                                            {NULL, 0, NULL, 0}};
    struct batterybook_alarm alarm = {30.0 * DAY, 2.0 * DAY};
    struct fleet f = {0};
    struct batterybook_past *past = NULL;
    struct store *store;
    struct status st;
    enum status_code code;
    int option, result;

    opterr = 0;
    while ((option = getopt_long(argc, argv, "", options, NULL)) != -1) {
        double *out = option == WITHIN ? &alarm.within_s : &alarm.silent_s;

        if (option == '?')
            return command_wrong(context, NAME, "there is no option '%s', or it lacks its value",
                                 argv[optind - 1]);
        if (units_parse(context->units, optarg, "s", out, &st) != STATUS_OK)
            return command_failed(context, NAME, &st);
        if (!(*out > 0.0 && *out <= 3650 * DAY))
            return command_wrong(context, NAME, "read '%s', expected above 0 to ten years", optarg);
    }
    if (optind < argc)
        return command_wrong(context, NAME, "'%s': expected options only", argv[optind]);
    store = command_open(context, NAME, false);
    if (!store)
        return COMMAND_WRONG;
    code = store_site_list(store, NULL, keep_name, &f, &st);
    if (code == STATUS_OK)
        code = batterybook_past(store, &past, &st);
    for (size_t i = 0; code == STATUS_OK && i < f.n; i++) {
        struct batterybook *book;

        code = batterybook_load(store, f.line[i].name, 0, &alarm, past, &book, &st);
        if (code == STATUS_OK) {
            keep_book(&f.line[i], book, alarm.within_s);
            batterybook_free(book);
        }
    }
    batterybook_past_free(past);
    store_close(store, NULL);
    if (code != STATUS_OK) {
        free(f.line);
        return command_failed(context, NAME, &st);
    }
    if (f.n)
        qsort(f.line, f.n, sizeof *f.line, compare_lines);
    result = show(context, &f);
    free(f.line);
    return result;
}

const struct command command_fleet = {
    .name = NAME,
    .summary = "every site's battery, the soonest to end first, and what to carry",
    .usage = "[--within TIME] [--silent TIME]",
    .help = "One line a site, sorted by days left. --within is the time to the visit after the\n"
            "next (30 days): a battery that may not last it (1 in 20) goes on the list of what\n"
            "to carry. Exit status 1 when any site needs someone, else 0.\n\n"
            "example: truewound fleet --within '6 weeks'\n",
    .tables = true,
    .json = true,
    .run = run,
};
