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

#define MEASURES  (sizeof measures / sizeof *measures)
#define FEW       12 /* below so many, chance moves the limits by a third */
#define PREFERRED 2  /* resistance-pair: what is drawn when nothing is asked for */

/* One coil: deviation from its design in per cent, NaN where it was not measured. */
struct row {
    char name[DESIGN_NAME_SIZE];
    size_t group; /* coils of one design have the same */
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
    struct design *group; /* the designs there are */
    size_t groups;
    struct named {
        int64_t id; /* grows in the order coils were added; 0 for one named by the person */
        char name[DESIGN_NAME_SIZE];
    } * named;
    size_t names;
    bool full; /* more coils than a chart takes */
};

static int keep_verdict(const struct store_verdict *row, void *user)
{
    snprintf(user, sizeof((struct row *)0)->verdict, "%s", row->verdict);
    return 0;
}

/* The group of a design, a new one where it is the first of its kind. */
static size_t group_of(struct comparing *c, const struct design *design)
{
    for (size_t g = 0; g < c->groups; ++g)
        if (compare_same_design(&c->group[g], design))
            return g;
    c->group[c->groups] = *design;
    return c->groups++;
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
    if (code == STATUS_OK) {
        entry->design = *coil_design(coil);
        row->group = group_of(c, &entry->design);
    }
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

    /* a batch is all coils whose name begins with it */
    if (c->batch && strncmp(row->name, c->batch, strlen(c->batch)) == 0) {
        if (c->names == COILS_MAX) {
            c->full = true;
            return 1;
        }
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

/* The chart of one measure over the coils of one design that have it; how many those are in *n. */
static enum status_code chart_of(const struct comparing *c, size_t m, size_t group, double *value,
                                 size_t *n, struct chart *chart, struct status *st)
{
    *n = 0;
    for (size_t i = 0; i < c->rows; ++i)
        if (c->row[i].group == group && isfinite(c->row[i].deviation[m]))
            value[(*n)++] = c->row[i].deviation[m];
    return chart_make(value, *n, chart, st);
}

static bool is_outside(const struct row *row, size_t m, size_t group, const struct chart *chart)
{
    return row->group == group && isfinite(row->deviation[m]) &&
           chart_outside(chart, row->deviation[m]);
}

static size_t size_of(const struct comparing *c, size_t group)
{
    size_t n = 0;

    for (size_t i = 0; i < c->rows; ++i)
        n += c->row[i].group == group;
    return n;
}

/* "as arm-1 (5 coils)" */
static void group_words(const struct comparing *c, size_t group, char *text, size_t size)
{
    size_t n = size_of(c, group);

    snprintf(text, size, "as %s (%zu coil%s)", c->group[group].name, n, n == 1 ? "" : "s");
}

/* One sentence on one measure of the coils of one design. */
static void note_chart(const struct comparing *c, struct table *table, size_t m, size_t group)
{
    double value[COILS_MAX];
    struct chart chart;
    struct status st;
    char outside[160] = "";
    char course[96] = "";
    char aside[48] = "";
    char whose[DESIGN_NAME_SIZE + 40] = "";
    char text[480];
    size_t used = 0;
    size_t n;

    if (chart_of(c, m, group, value, &n, &chart, &st) != STATUS_OK)
        return;
    for (size_t i = 0; i < c->rows && used < sizeof outside; ++i)
        if (is_outside(&c->row[i], m, group, &chart))
            used += (size_t)snprintf(outside + used, sizeof outside - used, "%s %s",
                                     used ? "" : "; outside:", c->row[i].name);
    if (used >= sizeof outside)
        snprintf(outside, sizeof outside, "; outside: %zu of the coils", chart.outside);
    if (chart.drift_p < 0.01)
        snprintf(course, sizeof course, "; drifts by %+.3f ± %.3f %% a coil", chart.slope,
                 chart.slope_u);
    else if (chart.run >= CHART_RUN)
        snprintf(course, sizeof course, "; %zu in a row on one side: has wire or winder changed?",
                 chart.run);
    if (chart.wild)
        snprintf(aside, sizeof aside, ", %zu set aside", chart.wild);
    if (c->groups > 1) {
        group_words(c, group, whose, sizeof whose);
        snprintf(whose + strlen(whose), sizeof whose - strlen(whose), ", ");
    }
    snprintf(text, sizeof text, "%s%s: mean %+.2f %%, limits %+.2f to %+.2f %% (%s%zu coils%s)%s%s",
             whose, measures[m].heading, chart.centre, chart.low, chart.high,
             n < FEW ? "rough, from " : "", n, aside, outside, course);
    table_note(table, text);
}

/* What the coils as a whole do, each design by itself. */
static void note_charts(const struct comparing *c, struct table *table)
{
    char text[DESIGN_NAME_SIZE + 120];
    char whose[DESIGN_NAME_SIZE + 40];

    for (size_t g = 0; g < c->groups; ++g) {
        for (size_t m = 0; m < MEASURES; ++m)
            note_chart(c, table, m, g);
        group_words(c, g, whose, sizeof whose);
        snprintf(text, sizeof text, "%s: too few for limits, which take %d of one design", whose,
                 CHART_LEAST);
        if (size_of(c, g) < CHART_LEAST && c->groups > 1)
            table_note(table, text);
    }
    if (c->groups > 1)
        table_note(table, "the coils are of several designs: limits are those of each alone");
}

static json_t *charts_json(const struct comparing *c)
{
    double value[COILS_MAX];
    json_t *charts = json_array();
    struct chart chart;
    struct status st;
    size_t n;

    for (size_t g = 0; charts && g < c->groups; ++g)
        for (size_t m = 0; m < MEASURES; ++m) {
            json_t *outside;

            if (chart_of(c, m, g, value, &n, &chart, &st) != STATUS_OK)
                continue;
            outside = json_array();
            for (size_t i = 0; outside && i < c->rows; ++i)
                if (is_outside(&c->row[i], m, g, &chart))
                    json_array_append_new(outside, json_string(c->row[i].name));
            json_array_append_new(
                charts,
                json_pack("{s:s, s:s, s:s, s:I, s:I, s:f, s:f, s:f, s:f, s:o, s:I, s:f, s:f, s:f}",
                          "measure", measures[m].word, "design_of", c->group[g].name, "unit", "%",
                          "coils", (json_int_t)n, "set_aside", (json_int_t)chart.wild, "mean",
                          chart.centre, "sd", chart.sd, "low", chart.low, "high", chart.high,
                          "outside", outside, "run", (json_int_t)chart.run, "slope", chart.slope,
                          "slope_u", chart.slope_u, "drift_p", chart.drift_p));
        }
    return charts;
}

static int print_json(const struct comparing *c, struct table *table)
{
    struct report_error error = {""};
    json_t *root = table_json(table, &error);

    table_free(table);
    if (!root)
        return command_wrong(c->context, NAME, "%s", error.text);
    json_object_set_new(root, "charts", charts_json(c));
    return printing_json(c->context, NAME, root);
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
    return c->context->form == COMMAND_JSON ? print_json(c, table)
                                            : printing_table(c->context, NAME, table);
}

static size_t count_of(const struct comparing *c, size_t m)
{
    size_t n = 0;

    for (size_t i = 0; i < c->rows; ++i)
        n += isfinite(c->row[i].deviation[m]) != 0;
    return n;
}

/* The measure to draw: the one asked for, or the one that most coils have, the first of those that
 * tie. MEASURES and a reason when there is none. */
static size_t choose_measure(const struct comparing *c, struct report_error *error)
{
    size_t best = 0;
    size_t m = 0;

    while (c->measure && m < MEASURES && strcmp(measures[m].word, c->measure) != 0)
        ++m;
    if (m == MEASURES) {
        report_error_set(error,
                         "--of: read '%s', expected resistance-pair, resistance-a, resistance-b, "
                         "wire-mass, diameter-a, inductance or pull",
                         c->measure);
        return MEASURES;
    }
    for (size_t i = 1; i < MEASURES; ++i)
        if (count_of(c, i) > count_of(c, best))
            best = i;
    if (!c->measure)
        m = count_of(c, PREFERRED) >= CHART_LEAST ? PREFERRED : best;
    if (count_of(c, m) >= CHART_LEAST)
        return m;
    if (count_of(c, best) >= CHART_LEAST)
        report_error_set(error, "--plot: %zu of %zu coils have a %s; a chart needs %d; %s has %zu",
                         count_of(c, m), c->rows, measures[m].word, CHART_LEAST,
                         measures[best].word, count_of(c, best));
    else
        report_error_set(error, "--plot: %zu of %zu coils have a %s; a chart needs %d",
                         count_of(c, m), c->rows, measures[m].word, CHART_LEAST);
    return MEASURES;
}

static bool draw(const struct comparing *c, struct report_error *error)
{
    double value[COILS_MAX];
    double x[COILS_MAX];
    struct chart chart;
    struct plot *plot;
    struct status st;
    size_t m;
    size_t n;
    bool done;

    if (c->groups > 1) {
        char first[DESIGN_NAME_SIZE + 40];
        char second[DESIGN_NAME_SIZE + 40];

        group_words(c, 0, first, sizeof first);
        group_words(c, 1, second, sizeof second);
        return report_error_set(error,
                                "--plot: a chart shows coils of one design; these are of %zu: %s, "
                                "%s%s",
                                c->groups, first, second, c->groups > 2 ? " ..." : "");
    }
    m = choose_measure(c, error);
    if (m == MEASURES)
        return false;
    if (chart_of(c, m, 0, value, &n, &chart, &st) != STATUS_OK)
        return report_error_set(error, "--plot: %s", st.text);
    plot = plot_new(measures[m].heading);
    if (!plot)
        return report_error_set(error, "no memory");
    for (size_t i = 0; i < n; ++i)
        x[i] = (double)(i + 1);
    plot_subtitle(plot, "limits from the coils themselves: mean ± 3 mean moving ranges / 1.128");
    if (chart.wild) {
        char note[80];

        snprintf(note, sizeof note, "%zu wild coil%s set aside before the limits were drawn",
                 chart.wild, chart.wild == 1 ? "" : "s");
        plot_note(plot, note);
    }
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
    if (done && c->context->form == COMMAND_TEXT)
        fprintf(c->context->out, "chart of %s in %s\n", measures[m].word, c->plot);
    return done;
}

static enum status_code read_all(struct comparing *c, int argc, char **argv, struct status *st)
{
    enum status_code code = STATUS_OK;

    for (int i = optind; i < argc; ++i)
        if (c->names == COILS_MAX)
            c->full = true;
        else
            snprintf(c->named[c->names++].name, DESIGN_NAME_SIZE, "%s", argv[i]);
    if (c->batch)
        code = store_coil_list(c->store, NULL, keep_name, c, st);
    if (c->batch)
        qsort(c->named, c->names, sizeof *c->named, by_age);
    for (size_t i = 0; i < c->names && code == STATUS_OK; ++i)
        for (size_t j = 0; j < i && code == STATUS_OK; ++j)
            if (strcmp(c->named[i].name, c->named[j].name) == 0)
                code = status_fail(st, STATUS_INPUT, "'%s' is named twice", c->named[i].name);
    if (code == STATUS_OK && c->full)
        code = status_fail(st, STATUS_INPUT, "more than %d coils; name fewer, or a longer PREFIX",
                           COILS_MAX);
    if (code == STATUS_OK && c->batch && c->names < 2)
        code = status_fail(st, STATUS_INPUT,
                           "%s begins with '%s'; two coils or more are needed, 'truewound coil "
                           "list' shows them",
                           c->names ? "one coil" : "no coil", c->batch);
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
    struct comparing c = {.context = context, .measure = NULL};
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
    if (c.measure && !c.plot)
        return command_wrong(context, NAME, "--of says what --plot FILE draws; --plot is missing");
    if (c.plot && !plot_path(c.plot, &error))
        return command_wrong(context, NAME, "%s", error.text);
    c.store = command_open(context, NAME, false);
    if (!c.store)
        return COMMAND_WRONG;
    c.row = calloc(COILS_MAX, sizeof *c.row);
    c.named = calloc(COILS_MAX, sizeof *c.named);
    c.group = calloc(COILS_MAX, sizeof *c.group);
    code = c.row && c.named && c.group ? read_all(&c, argc, argv, &st)
                                       : status_fail(&st, STATUS_MEMORY, "no memory");
    store_close(c.store, NULL);
    result = code == STATUS_OK ? print(&c) : command_failed(context, NAME, &st);
    if (result == COMMAND_DONE && c.plot && !draw(&c, &error))
        result = command_wrong(context, NAME, "%s", error.text);
    free(c.row);
    free(c.named);
    free(c.group);
    return result;
}

const struct command command_compare = {
    .name = NAME,
    .summary = "coils against each other, or a batch as a control chart",
    .usage = "NAME NAME ... | --batch PREFIX [--plot FILE [--of MEASURE]]",
    .help =
        "Puts the latest sittings of several coils side by side, each against its own design.\n"
        "With four coils or more of one design it computes limits from the coils themselves and\n"
        "names those outside, a drift of wire lot or winder, and runs on one side. A few wild\n"
        "coils are set aside before the limits are drawn; coils of other designs have limits of\n"
        "their own.\n\n"
        "  --batch PREFIX   every coil whose name begins so\n"
        "  --plot FILE.svg|.png|.ps   the control chart of coils of one design\n"
        "  --of MEASURE   what it shows: resistance-pair, resistance-a, resistance-b, wire-mass,\n"
        "                 diameter-a, inductance or pull; else the resistance, of the pair "
        "first\n\n"
        "example: truewound compare --batch relay- --plot relays.svg\n",
    .tables = true,
    .json = true,
    .run = run,
};
