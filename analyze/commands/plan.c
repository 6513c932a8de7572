/* plan: which wire and how many turns, before anything is wound. */
#include <getopt.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "analyze/commands/commands.h"
#include "analyze/designfile.h"
#include "analyze/model/plan.h"
#include "analyze/printing.h"
#include "reports/figure.h"
#include "reports/plot.h"

#define NAME "plan"

/* Standard sizes that a hand winds; others can be named with --wires. */
#define FINEST   0.063e-3
#define COARSEST 1.25e-3

struct planning {
    struct command_context *context;
    struct design design;
    struct wire wires[PLAN_WIRES_MAX];
    size_t count;
    enum wire_system system;
    const char *list;
    const char *plot;
    double days;
    double temperature;
    bool all;
};

/* The R20 sizes (ISO 3), twenty steps a decade, are the ones that are sold; R40 has those between.
 */
static bool is_r20(double diameter)
{
    double step = 20.0 * log10(1e3 * diameter);

    return fabs(step - round(step)) < 0.2;
}

static enum status_code standard_wires(struct planning *p, struct status *st)
{
    const enum wire_system system = p->system;
    enum status_code code = STATUS_OK;

    for (int i = 0; i < wire_size_count(system) && code == STATUS_OK; ++i) {
        int gauge;
        double diameter;

        code = wire_size(system, i, &gauge, &diameter, st);
        if (system == WIRE_METRIC && !is_r20(diameter))
            continue;
        if (code != STATUS_OK || diameter < FINEST || diameter > COARSEST ||
            p->count == PLAN_WIRES_MAX)
            continue;
        code = wire_make(&p->wires[p->count], p->design.winding.wire.metal, system, gauge, diameter,
                         1, p->design.winding.wire.covering, st);
        if (code == STATUS_OK)
            ++p->count;
    }
    return code;
}

/* "0.2 mm, 30 SWG, 7 x 0.04 mm" */
static enum status_code listed_wires(struct planning *p, struct status *st)
{
    const char *at = p->list;

    while (*at) {
        size_t length = strcspn(at, ",");
        char text[WIRE_LABEL_SIZE];

        if (length >= sizeof text || p->count == PLAN_WIRES_MAX)
            return status_fail(st, STATUS_INPUT, "--wires: '%s' is too long a list or name", at);
        memcpy(text, at, length);
        text[length] = '\0';
        if (wire_from_text(text + strspn(text, " "), p->design.winding.wire.covering,
                           &p->wires[p->count], NULL, 0, st) != STATUS_OK)
            return status_prefix(st, "--wires");
        p->wires[p->count++].metal = p->design.winding.wire.metal;
        at += length + (at[length] == ',');
    }
    return p->count ? STATUS_OK : status_fail(st, STATUS_INPUT, "--wires: no wire is named");
}

static const char *label_of(const struct wire *wire, char text[WIRE_LABEL_SIZE])
{
    if (wire->label[0])
        return wire->label;
    wire_size_text(wire->system, wire->gauge, wire->diameter, text, WIRE_LABEL_SIZE);
    return text;
}

static json_t *option_json(const struct plan_option *o, const struct wire *wire)
{
    char label[WIRE_LABEL_SIZE];

    return json_pack("{s:s, s:s, s:s, s:I, s:I, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, "
                     "s:o}",
                     "wire", label_of(wire, label), "result", plan_why_words(o->why), "reason",
                     o->reason, "turns", (json_int_t)o->turns, "turns_most",
                     (json_int_t)o->turns_most, "layers", printing_number(o->layers),
                     "resistance_ohm", printing_number(o->ohm), "current_a",
                     printing_number(o->end_a), "pull_n", printing_number(o->pull_n.value),
                     "pull_low_n", printing_number(o->pull_n.low), "pull_high_n",
                     printing_number(o->pull_n.high), "charge_c", printing_number(o->charge_c),
                     "hottest_c", printing_number(o->hot_c.value), "days", printing_number(o->days),
                     "wire_m", printing_number(o->wire_m), "wire_kg", printing_number(o->wire_kg));
}

static int print_json(const struct planning *p, const struct plan *plan)
{
    json_t *options = json_array();

    for (size_t i = 0; options && i < plan->count; ++i)
        json_array_append_new(options,
                              option_json(&plan->options[i], &p->wires[plan->options[i].wire]));
    return printing_json(p->context, NAME,
                         json_pack("{s:s, s:I, s:s, s:o, s:o}", "coil", p->design.name, "best",
                                   plan->best < plan->count ? (json_int_t)plan->best : -1,
                                   "summary", plan->summary, "end_v", printing_number(plan->end_v),
                                   "options", options));
}

/* Three figures are enough to choose a wire by, and no finer than 'step', so that the row fits a
 * terminal; the intervals stand with pull and life. */
static void figure_cell(struct table *table, double value, double step)
{
    if (!isfinite(value))
        table_absent(table);
    else if (fabs(value) < step)
        table_digits(table, value, step);
    else
        table_digits(table, value, fmax(step, pow(10.0, floor(log10(fabs(value))) - 2.0)));
}

/* What fails, short enough for a row of 80 columns; the reasons stand below in full. */
static const char *short_words(enum plan_why why)
{
    static const char *const words[] = {
        [PLAN_GOOD] = "good",       [PLAN_NO_ROOM] = "room", [PLAN_WEAK] = "weak",
        [PLAN_DOUBT] = "doubt",     [PLAN_SLOW] = "slow",    [PLAN_HOT] = "hot",
        [PLAN_SHORT_LIFE] = "life", [PLAN_FAILED] = "failed"};

    return words[why];
}

/* The next three wires to have failed in the same way are enough; --all has every one. */
#define FAILURES_SHOWN 3

static void print_failures(const struct planning *p, const struct plan *plan)
{
    fprintf(p->context->out, "\nwhy the others fail\n");
    for (int why = PLAN_NO_ROOM; why <= PLAN_FAILED; ++why) {
        char label[WIRE_LABEL_SIZE];
        int shown = 0;

        for (size_t i = 0; i < plan->count; ++i) {
            const struct plan_option *o = &plan->options[i];

            if (o->why != (enum plan_why)why)
                continue;
            if (!shown++)
                fprintf(p->context->out, "  %s:\n", plan_why_words(o->why));
            if (shown > FAILURES_SHOWN)
                continue;
            fprintf(p->context->out, "    %-12s ", label_of(&p->wires[o->wire], label));
            printing_paragraph(p->context->out, -17, 17, o->reason);
        }
        if (shown > FAILURES_SHOWN)
            fprintf(p->context->out, "    and %d more (--all)\n", shown - FAILURES_SHOWN);
    }
}

static int print_table(const struct planning *p, const struct plan *plan)
{
    struct table *table;
    bool battery = false;
    bool pulsed = false;
    size_t good = 0;
    int result;

    for (size_t i = 0; i < plan->count; ++i) {
        battery |= isfinite(plan->options[i].days);
        pulsed |= isfinite(plan->options[i].charge_c);
        good += plan->options[i].why == PLAN_GOOD;
    }
    table = table_new(NULL);
    if (!table)
        return command_wrong(p->context, NAME, "no memory");
    table_column(table, TABLE_NAME, "wire", "wire", NULL);
    table_column(table, TABLE_FIGURE, "turns", "turns", NULL);
    table_column(table, TABLE_FIGURE, "resistance", "coil", "Ω");
    table_column(table, TABLE_FIGURE, "current", "draws", "mA");
    table_column(table, TABLE_FIGURE, "pull", "pulls", "N");
    table_column(table, TABLE_FIGURE, "pull_low", "least", "N");
    if (pulsed)
        table_column(table, TABLE_FIGURE, "charge", "pulse", "mC");
    table_column(table, TABLE_FIGURE, "hottest", "hot", "°C");
    if (battery) {
        table_column(table, TABLE_FIGURE, "life", "life", "days");
        table_column(table, TABLE_FIGURE, "life_low", "least", "days");
    }
    table_column(table, TABLE_MARK, "result", "", NULL);
    for (size_t i = 0; i < plan->count; ++i) {
        const struct plan_option *o = &plan->options[i];
        char label[WIRE_LABEL_SIZE];

        if (o->why != PLAN_GOOD && !p->all && (good || i != plan->nearest))
            continue;
        table_row(table);
        table_text(table, label_of(&p->wires[o->wire], label));
        table_count(table, o->turns);
        figure_cell(table, o->ohm, 0.01);
        figure_cell(table, 1e3 * o->end_a, 0.1);
        figure_cell(table, o->pull_n.value, 0.01);
        figure_cell(table, o->pull_n.low, 0.01);
        if (pulsed)
            figure_cell(table, 1e3 * o->charge_c, 0.01);
        figure_cell(table, o->hot_c.high, 1.0);
        if (battery) {
            figure_cell(table, o->days, 1.0);
            figure_cell(table, o->low_days, 1.0);
        }
        table_mark(table,
                   i == plan->best        ? TABLE_MARK_GOOD
                   : o->why == PLAN_GOOD  ? TABLE_MARK_GOOD
                   : o->why == PLAN_DOUBT ? TABLE_MARK_DOUBT
                                          : TABLE_MARK_WARN,
                   i == plan->best                    ? "best"
                   : p->context->form == COMMAND_TEXT ? short_words(o->why)
                   : i == plan->nearest               ? "nearest"
                                                      : plan_why_words(o->why));
    }
    table_note(table,
               "turns of each limb; pull with the battery at its end; 'least' is the lower end "
               "of the 95 % interval, 'hot' the upper");
    result = printing_table(p->context, NAME, table);
    if (result != COMMAND_DONE || p->context->form != COMMAND_TEXT)
        return result;
    fputc('\n', p->context->out);
    printing_paragraph(p->context->out, 0, 0, plan->summary);
    if (good < plan->count && !p->all)
        print_failures(p, plan);
    return result;
}

static bool draw(const struct planning *p, const struct plan *plan, struct report_error *error)
{
    char title[128];
    struct plot *plot;
    double *x = calloc(2 * plan->points_count + 2, sizeof *x);
    double *y = x ? x + plan->points_count + 1 : NULL;
    bool done;

    snprintf(title, sizeof title, "%s: pull against charge of a pulse", p->design.name);
    plot = x ? plot_new(title) : NULL;
    if (!plot) {
        free(x);
        return report_error_set(error, "no memory");
    }
    plot_subtitle(plot, "each point is a number of turns of one wire, battery at its end");
    plot_axis(plot, PLOT_X, "charge of a pulse", "C", PLOT_LOG);
    plot_axis(plot, PLOT_Y, "pull", "N", PLOT_LOG);
    for (int front = 0; front < 2; ++front) {
        size_t n = 0;

        for (size_t i = 0; i < plan->points_count; ++i)
            if (plan->points[i].front == (front == 1)) {
                x[n] = plan->points[i].charge_c;
                y[n++] = plan->points[i].pull_n;
            }
        plot_points(plot, front ? "no other pulls more for less" : NULL,
                    front ? CANVAS_CIRCLE : CANVAS_PLUS, n, x, y, NULL, NULL);
    }
    if (amount_given(p->design.work.pull))
        plot_mark(plot, PLOT_Y, p->design.work.pull.value, "pull wanted");
    done = plot_write(plot, p->plot, error);
    plot_free(plot);
    free(x);
    return done;
}

static enum status_code read_options(struct planning *p, int argc, char **argv, struct status *st)
{
    enum { WIRES = 1000, SIZES, DAYS, HOTTEST, PLOT, ALL };
    static const struct option options[] = {{"wires", required_argument, NULL, WIRES},
                                            {"sizes", required_argument, NULL, SIZES},
                                            {"life", required_argument, NULL, DAYS},
                                            {"hottest", required_argument, NULL, HOTTEST},
                                            {"plot", required_argument, NULL, PLOT},
                                            {"all", no_argument, NULL, ALL},
                                            {NULL, 0, NULL, 0}};
    double value;
    int option;

    opterr = 0;
    while ((option = getopt_long(argc, argv, ":", options, NULL)) != -1) {
        switch (option) {
        case WIRES:
            p->list = optarg;
            break;
        case SIZES:
            if (wire_system_from_text(optarg, &p->system, st) != STATUS_OK)
                return status_prefix(st, "--sizes");
            break;
        case DAYS:
            if (units_parse(p->context->units, optarg, "s", &value, st) != STATUS_OK)
                return status_prefix(st, "--life");
            p->days = value / 86400.0;
            break;
        case HOTTEST:
            if (units_parse(p->context->units, optarg, "K", &value, st) != STATUS_OK)
                return status_prefix(st, "--hottest");
            p->temperature = value - 273.15;
            break;
        case PLOT:
            p->plot = optarg;
            break;
        case ALL:
            p->all = true;
            break;
        default:
            return command_option_wrong(NAME, argv, option, st);
        }
    }
    if (argc - optind != 1)
        return status_fail(st, STATUS_INPUT, "expected one design file");
    return STATUS_OK;
}

static int run_plan(struct planning *p, const char *path)
{
    struct plan_request request = {.design = &p->design, .wires = p->wires};
    struct plan plan;
    struct report_error error = {""};
    struct status st;
    int result;

    if (p->plot && !plot_path(p->plot, &error))
        return command_wrong(p->context, NAME, "%s", error.text);
    if (access(path, F_OK) != 0 && !strpbrk(path, "./"))
        return command_wrong(p->context, NAME,
                             "there is no file '%s'; a design file is expected, which 'truewound "
                             "coil show NAME' writes of a coil",
                             path);
    if (designfile_read_plan(p->context->units, path, &p->design, &st) != STATUS_OK ||
        (p->list ? listed_wires(p, &st) : standard_wires(p, &st)) != STATUS_OK)
        return command_failed(p->context, NAME, &st);
    request.count = p->count;
    request.days = p->days;
    request.temperature_max = p->temperature;
    if (p->design.supply.battery[0]) {
        request.battery =
            cell_battery_of(cell_kind(p->design.supply.battery), p->design.supply.cells_series);
        request.battery.parallel = p->design.supply.cells_parallel;
    }
    if (plan_make(&request, &plan, &st) != STATUS_OK)
        return command_failed(p->context, NAME, &st);
    result = p->context->form == COMMAND_JSON ? print_json(p, &plan) : print_table(p, &plan);
    if (result == COMMAND_DONE && p->plot && !draw(p, &plan, &error))
        result = command_wrong(p->context, NAME, "%s", error.text);
    if (result == COMMAND_DONE && plan.best >= plan.count)
        result = COMMAND_FAIL;
    plan_free(&plan);
    return result;
}

static int run(struct command_context *context, int argc, char **argv)
{
    struct planning *p = calloc(1, sizeof *p);
    struct status st;
    int result;

    if (!p)
        return command_wrong(context, NAME, "no memory");
    p->context = context;
    p->system = WIRE_METRIC;
    p->days = p->temperature = NAN;
    if (read_options(p, argc, argv, &st) != STATUS_OK)
        result = command_failed(context, NAME, &st);
    else
        result = run_plan(p, argv[optind]);
    free(p);
    return result;
}

const struct command command_plan = {
    .name = NAME,
    .summary = "which wire and how many turns for a pull, a pulse and a battery",
    .usage = "FILE [--wires LIST | --sizes metric|swg|awg] [OPTION ...]",
    .help = "Tries every wire on the core of a design file, in which wire and turns may be left\n"
            "out, and shows those that pull enough at the working gap with the battery at its\n"
            "end, stay cool and last; the best is the one that takes least charge. Says why each\n"
            "other wire fails. Exit status 1 when none does it.\n\n"
            "  --wires '0.2 mm, 30 SWG'   wires on hand, instead of the standard sizes\n"
            "  --life '180 days'          battery life wanted\n"
            "  --hottest '80 degC'        limit of the hottest place in the winding\n"
            "  --plot FILE.svg|.png|.ps   pull against charge, every wire and number of turns\n"
            "  --all                      failing wires in the table too\n\n"
            "example: truewound plan signal-arm.ini --sizes swg --life '180 days'\n",
    .tables = true,
    .json = true,
    .run = run,
};
