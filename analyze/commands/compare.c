/* compare: coils against each other, and a batch of one design as a control chart. */
#include <getopt.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/coilbook.h"
#include "analyze/commands/commands.h"
#include "analyze/compare.h"
#include "analyze/gather.h"
#include "analyze/infer/chart.h"
#include "analyze/printing.h"
#include "analyze/sitting.h"
#include "db/store_coil.h"
#include "db/store_result.h"
#include "reports/plot.h"

#define NAME      "compare"
#define COILS_MAX 500

/* What coils are compared by: measured against their own design, so that coils of several designs
 * can stand side by side, and temperature and supply do not matter. */
static const struct measure {
    const char *word;
    const char *heading;
    enum evidence_kind kind;
    enum evidence_place place;
} measures[] = {
    {"resistance-a", "R limb A", EVIDENCE_RESISTANCE, EVIDENCE_LIMB_A},
    {"resistance-b", "R limb B", EVIDENCE_RESISTANCE, EVIDENCE_LIMB_B},
    {"resistance-pair", "R coil", EVIDENCE_RESISTANCE, EVIDENCE_PAIR},
    {"wire-mass", "wire", EVIDENCE_WIRE_MASS, EVIDENCE_PAIR},
    {"diameter-a", "size A", EVIDENCE_DIAMETER, EVIDENCE_LIMB_A},
    {"inductance", "L", EVIDENCE_INDUCTANCE, EVIDENCE_PAIR},
    {"pull", "pull", EVIDENCE_PULL, EVIDENCE_PAIR},
};

#define MEASURES (sizeof measures / sizeof *measures)

/* One coil: deviation from its design in per cent, NaN where it was not measured. */
struct row {
    char name[DESIGN_NAME_SIZE];
    char verdict[16];
    double deviation[MEASURES];
    double u[MEASURES];
};

struct comparing {
    struct command_context *context;
    struct store *store;
    const char *batch;
    const char *plot;
    const char *measure;
    struct row *row;
    size_t rows;
    struct named {
        int64_t id; /* grows in the order coils were added; 0 for one named by the person */
        char name[DESIGN_NAME_SIZE];
    } * named;
    size_t names;
};

static int keep_verdict(const struct store_verdict *row, void *user)
{
    snprintf(user, sizeof((struct row *)0)->verdict, "%s", row->verdict);
    return 0;
}

static enum status_code read_coil(struct comparing *c, const char *name, struct status *st)
{
    struct row *row = &c->row[c->rows];
    struct coilbook_entry *entry = malloc(sizeof *entry);
    struct gathered *gathered = malloc(sizeof *gathered);
    struct coil *coil = NULL;
    int64_t run = 0;
    enum status_code code;

    snprintf(row->name, sizeof row->name, "%s", name);
    for (size_t m = 0; m < MEASURES; ++m)
        row->deviation[m] = row->u[m] = NAN;
    code = entry && gathered ? coilbook_load(c->context->units, c->store, name, entry, st)
                             : status_fail(st, STATUS_MEMORY, "no memory");
    if (code == STATUS_OK)
        code = sitting_latest(c->store, entry->coil, &run, st);
    if (code == STATUS_OK)
        code = gather_evidence(c->store, entry, run, gathered, st);
    if (code == STATUS_OK)
        code = store_result_verdicts(c->store, entry->coil, keep_verdict, row->verdict, st);
    if (code == STATUS_OK)
        code = coil_new(&entry->design, &coil, st);
    if (code == STATUS_OK)
        entry->design = *coil_design(coil);
    for (size_t i = 0; code == STATUS_OK && i < gathered->evidence.count; ++i) {
        const struct evidence_item *item = &gathered->evidence.item[i];
        struct compare_prediction expected;

        for (size_t m = 0; m < MEASURES; ++m) {
            if (item->kind != measures[m].kind || item->place != measures[m].place ||
                item->bound != EVIDENCE_EQUAL)
                continue;
            code = compare_item(&entry->design, item, &expected, st);
            if (code == STATUS_OK && expected.exists && expected.amount.value > 0.0) {
                row->deviation[m] = 100.0 * (item->value / expected.amount.value - 1.0);
                row->u[m] =
                    100.0 * compare_measured_u(&gathered->evidence, item) / expected.amount.value;
            }
        }
    }
    if (code == STATUS_OK)
        ++c->rows;
    coil_free(coil);
    free(entry);
    free(gathered);
    return code;
}

static int keep_name(const struct store_coil *row, void *user)
{
    struct comparing *c = user;

    if (c->names == COILS_MAX)
        return 1;
    /* a batch is all coils whose name begins with it */
    if (c->batch && strncmp(row->name, c->batch, strlen(c->batch)) == 0) {
        c->named[c->names].id = row->id;
        snprintf(c->named[c->names++].name, DESIGN_NAME_SIZE, "%s", row->name);
    }
    return 0;
}

static int by_age(const void *a, const void *b)
{
    int64_t first = ((const struct named *)a)->id;
    int64_t second = ((const struct named *)b)->id;

    return (first > second) - (first < second);
}

static bool measured(const struct comparing *c, size_t m)
{
    for (size_t i = 0; i < c->rows; ++i)
        if (isfinite(c->row[i].deviation[m]))
            return true;
    return false;
}

/* The chart of one measure over the coils that have it; how many those are in *n. */
static enum status_code chart_of(const struct comparing *c, size_t m, double *value, size_t *n,
                                 struct chart *chart, struct status *st)
{
    *n = 0;
    for (size_t i = 0; i < c->rows; ++i)
        if (isfinite(c->row[i].deviation[m]))
            value[(*n)++] = c->row[i].deviation[m];
    return chart_make(value, *n, chart, st);
}

/* Sentences on what the batch as a whole does. */
static void note_charts(const struct comparing *c, struct table *table)
{
    double value[COILS_MAX];
    struct chart chart;
    struct status st;
    size_t n;

    for (size_t m = 0; m < MEASURES; ++m) {
        char outside[160] = "";
        char course[96] = "";
        char text[400];
        size_t used = 0;

        if (!measured(c, m) || chart_of(c, m, value, &n, &chart, &st) != STATUS_OK)
            continue;
        for (size_t i = 0; i < c->rows && used < sizeof outside; ++i)
            if (isfinite(c->row[i].deviation[m]) && chart_outside(&chart, c->row[i].deviation[m]))
                used += (size_t)snprintf(outside + used, sizeof outside - used, "%s %s",
                                         used ? "" : "; outside:", c->row[i].name);
        if (used >= sizeof outside)
            snprintf(outside, sizeof outside, "; outside: %zu of the coils", chart.outside);
        if (chart.drift_p < 0.01)
            snprintf(course, sizeof course, "; drifts by %+.3f ± %.3f %% a coil", chart.slope,
                     chart.slope_u);
        else if (chart.run >= CHART_RUN)
            snprintf(course, sizeof course,
                     "; %zu in a row on one side: has wire or winder changed?", chart.run);
        snprintf(text, sizeof text, "%s: mean %+.2f %%, limits %+.2f to %+.2f %%%s%s",
                 measures[m].heading, chart.centre, chart.low, chart.high, outside, course);
        table_note(table, text);
    }
}

static int print(struct comparing *c)
{
    struct table *table = table_new("measured against design, per cent");

    if (!table)
        return command_wrong(c->context, NAME, "no memory");
    table_column(table, TABLE_NAME, "coil", "coil", NULL);
    for (size_t m = 0; m < MEASURES; ++m)
        if (measured(c, m))
            table_column(table, TABLE_FIGURE, measures[m].word, measures[m].heading, "%");
    table_column(table, TABLE_NAME, "verdict", "verdict", NULL);
    for (size_t i = 0; i < c->rows; ++i) {
        table_row(table);
        table_text(table, c->row[i].name);
        for (size_t m = 0; m < MEASURES; ++m)
            if (measured(c, m))
                table_figure(table, c->row[i].deviation[m], fmax(c->row[i].u[m], 0.01));
        table_text(table, c->row[i].verdict);
    }
    note_charts(c, table);
    table_note(table, "± is the measurement's alone; the design's own tolerance moves all coils "
                      "alike");
    return printing_table(c->context, NAME, table);
}

static bool draw(const struct comparing *c, struct report_error *error)
{
    double value[COILS_MAX];
    double x[COILS_MAX];
    struct chart chart;
    struct plot *plot;
    struct status st;
    size_t m = 0;
    size_t n;
    bool done;

    while (m < MEASURES && strcmp(measures[m].word, c->measure) != 0)
        ++m;
    if (m == MEASURES)
        return report_error_set(error, "--of: there is no '%s'; the table's JSON names them",
                                c->measure);
    if (chart_of(c, m, value, &n, &chart, &st) != STATUS_OK)
        return report_error_set(error, "--plot: %zu of %zu coils have a %s; a chart needs %d", n,
                                c->rows, measures[m].word, CHART_LEAST);
    plot = plot_new(measures[m].heading);
    if (!plot)
        return report_error_set(error, "no memory");
    for (size_t i = 0; i < n; ++i)
        x[i] = (double)(i + 1);
    plot_subtitle(plot, "limits from the coils themselves: mean ± 3 mean moving ranges / 1.128");
    plot_axis(plot, PLOT_X, "coil, in the order they were added", NULL, PLOT_LINEAR);
    plot_axis(plot, PLOT_Y, "measured - designed", "%", PLOT_LINEAR);
    plot_mark(plot, PLOT_Y, chart.centre, "mean");
    plot_mark(plot, PLOT_Y, chart.low, "lower limit");
    plot_mark(plot, PLOT_Y, chart.high, "upper limit");
    plot_include(plot, PLOT_Y, chart.low);
    plot_include(plot, PLOT_Y, chart.high);
    plot_line(plot, NULL, n, x, value);
    plot_points(plot, NULL, CANVAS_CIRCLE, n, x, value, NULL, NULL);
    done = plot_write(plot, c->plot, error);
    plot_free(plot);
    return done;
}

static enum status_code read_all(struct comparing *c, int argc, char **argv, struct status *st)
{
    enum status_code code = STATUS_OK;

    for (int i = optind; i < argc && c->names < COILS_MAX; ++i)
        snprintf(c->named[c->names++].name, DESIGN_NAME_SIZE, "%s", argv[i]);
    if (c->batch)
        code = store_coil_list(c->store, NULL, keep_name, c, st);
    if (c->batch)
        qsort(c->named, c->names, sizeof *c->named, by_age);
    for (size_t i = 0; i < c->names && code == STATUS_OK; ++i)
        for (size_t j = 0; j < i && code == STATUS_OK; ++j)
            if (strcmp(c->named[i].name, c->named[j].name) == 0)
                code = status_fail(st, STATUS_INPUT, "'%s' is named twice", c->named[i].name);
    if (code == STATUS_OK && c->names < 2)
        code = status_fail(st, STATUS_INPUT,
                           "expected two coils or more, or --batch PREFIX that "
                           "fits as many");
    for (size_t i = 0; i < c->names && code == STATUS_OK; ++i)
        code = read_coil(c, c->named[i].name, st);
    return code;
}

static int run(struct command_context *context, int argc, char **argv)
{
    enum { BATCH = 1000, PLOT, OF };
    static const struct option options[] = {{"batch", required_argument, NULL, BATCH},
                                            {"plot", required_argument, NULL, PLOT},
                                            {"of", required_argument, NULL, OF},
                                            {NULL, 0, NULL, 0}};
    struct comparing c = {.context = context, .measure = "resistance-pair"};
    struct report_error error = {""};
    struct status st;
    enum status_code code;
    int option;
    int result;

    opterr = 0;
    while ((option = getopt_long(argc, argv, ":", options, NULL)) != -1) {
        if (option == BATCH)
            c.batch = optarg;
        else if (option == PLOT)
            c.plot = optarg;
        else if (option == OF)
            c.measure = optarg;
        else {
            command_option_wrong(NAME, argv, option, &st);
            return command_failed(context, NAME, &st);
        }
    }
    c.store = command_open(context, NAME, false);
    if (!c.store)
        return COMMAND_WRONG;
    c.row = calloc(COILS_MAX, sizeof *c.row);
    c.named = calloc(COILS_MAX, sizeof *c.named);
    code = c.row && c.named ? read_all(&c, argc, argv, &st)
                            : status_fail(&st, STATUS_MEMORY, "no memory");
    store_close(c.store, NULL);
    result = code == STATUS_OK ? print(&c) : command_failed(context, NAME, &st);
    if (result == COMMAND_DONE && c.plot && !draw(&c, &error))
        result = command_wrong(context, NAME, "%s", error.text);
    free(c.row);
    free(c.named);
    return result;
}

const struct command command_compare = {
    .name = NAME,
    .summary = "coils against each other, or a batch as a control chart",
    .usage = "NAME NAME ... | --batch PREFIX [--plot FILE [--of MEASURE]]",
    .help =
        "Puts the latest sittings of several coils side by side, each against its own design.\n"
        "With four coils or more it computes limits from the coils themselves and names those\n"
        "outside, a drift of wire lot or winder, and runs on one side.\n\n"
        "  --batch PREFIX   every coil whose name begins so\n"
        "  --plot FILE.svg|.png|.ps   the control chart, of --of resistance-pair (or another)\n\n"
        "example: truewound compare --batch relay- --plot relays.svg\n",
    .run = run,
};
