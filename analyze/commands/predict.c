/* predict: every figure of a design, with its uncertainty and where that comes from. */
#include <getopt.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/coilbook.h"
#include "analyze/commands/commands.h"
#include "analyze/curves.h"
#include "analyze/designfile.h"
#include "analyze/drawings.h"
#include "analyze/model/coil.h"
#include "analyze/model/input.h"
#include "analyze/model/prediction.h"
#include "analyze/outlook.h"
#include "analyze/printing.h"
#include "reports/figure.h"

#define NAME "predict"

/* Enough for a 95 % interval that does not move in its second figure. */
#define DRAWS 20000

/* The cause with the greatest share of the variance, or NULL when nothing is uncertain. */
static const char *main_cause(const struct prediction_figure *figure, double *share)
{
    int most = 0;

    for (int i = 1; i < INPUT_CAUSES; ++i)
        if (figure->share[i] > figure->share[most])
            most = i;
    *share = figure->share[most];
    return *share > 0.0 ? input_cause_words((enum input_cause)most) : NULL;
}

/* Kilograms of wire are read in grams, ohms by their sign; a plain number has no unit. */
static double scaled(const char *unit, const char **shown)
{
    if (strcmp(unit, "kg") == 0) {
        *shown = "g";
        return 1e3;
    }
    *shown = strcmp(unit, "ohm") == 0 ? "Ω" : unit;
    return 1.0;
}

/* "7.70 to 8.53 Ω": both ends in one unit, with the digits that the uncertainty u leaves. */
static void interval_cell(struct table *table, double low, double high, double u, const char *unit)
{
    char a[FIGURE_TEXT_SIZE];
    char b[FIGURE_TEXT_SIZE];
    const char *prefix;
    double factor = figure_prefix(fmax(fabs(low), fabs(high)), unit, &prefix);

    table_textf(table, "%s to %s %s%s", figure_value_text(a, low / factor, u / factor),
                figure_value_text(b, high / factor, u / factor), prefix, unit);
}

static void figure_row(struct table *table, const char *words, const char *unit,
                       const struct prediction_figure *figure)
{
    char text[FIGURE_TEXT_SIZE];
    double share;
    const char *cause = main_cause(figure, &share);
    const char *shown;
    double scale = scaled(unit, &shown);
    bool uncertain = figure->u > 0.0;

    table_row(table);
    table_text(table, words);
    table_text(table, figure_unit_text(text, scale * figure->value,
                                       uncertain ? scale * figure->u : 0.0, shown));
    if (uncertain)
        interval_cell(table, scale * figure->low, scale * figure->high, scale * figure->u, shown);
    else
        table_absent(table);
    if (cause)
        table_textf(table, "%s %.0f %%", cause, 100.0 * share);
    else
        table_absent(table);
}

/* A pole is a word, not a number. */
static void polarity_row(struct table *table, int limb, double value)
{
    table_row(table);
    table_textf(table, "polarity of pole %c", "ab"[limb]);
    table_text(table, value > 0.0 ? "north" : value < 0.0 ? "south" : "none");
    table_absent(table);
    table_text(table, "fed at the start");
}

/* Without an interval the value has four figures and makes no claim; with one, the figures that it
 * leaves. A tenth of a degree is the least that is worth printing of a temperature. */
static void plain_row(struct table *table, const char *words, double value, double low, double high,
                      const char *unit, const char *remark)
{
    char text[FIGURE_TEXT_SIZE];
    const char *prefix;
    double factor = figure_prefix(fabs(value), unit, &prefix);
    double u = (high - low) / 4.0;

    if (strcmp(unit, "°C") == 0)
        u = fmax(u, 1.0);
    table_row(table);
    table_text(table, words);
    if (isnan(low) && isnan(high)) {
        table_text(table, figure_unit_text(text, value, NAN, unit));
        table_absent(table);
    } else {
        table_textf(table, "%s %s%s", figure_value_text(text, value / factor, u / factor), prefix,
                    unit);
        interval_cell(table, low, high, u, unit);
    }
    table_text(table, remark);
}

static void interval_row(struct table *table, const char *words,
                         const struct thermal_interval *interval, const char *unit,
                         const char *remark)
{
    plain_row(table, words, interval->value, interval->low, interval->high, unit, remark);
}

static void outlook_rows(struct table *table, const struct outlook *outlook)
{
    interval_row(table, outlook->pulsed ? "winding in steady use" : "winding, current left on",
                 &outlook->heat.temperature, "°C", outlook->weakest);
    if (outlook->pulsed && isfinite(outlook->stuck_s.value))
        interval_row(table, "current left on: to its limit", &outlook->stuck_s, "s",
                     "the weakest material");
    interval_row(table, "switching spike, no diode", &outlook->spike.bare_v, "V",
                 "order of magnitude");
    interval_row(table, "with a diode", &outlook->spike.diode_v, "V", "across the switch");
    if (outlook->pulsed) {
        plain_row(table, "current at the end of a pulse", outlook->pulse.end_a, NAN, NAN, "A",
                  "nominal");
        plain_row(table, "charge of one pulse", outlook->pulse.charge_c, NAN, NAN, "C", "nominal");
        plain_row(table, "mean current", outlook->pulse.mean_a, NAN, NAN, "A", "nominal");
    }
    if (outlook->battery)
        plain_row(table, "battery life", outlook->life.days, outlook->life.low_days,
                  outlook->life.high_days, "days", drive_limit_words(outlook->life.limit));
}

static int print_table(const struct command_context *context, const struct design *design,
                       const struct prediction *prediction, const struct outlook *outlook)
{
    struct table *table;
    char title[160];

    snprintf(title, sizeof title, "%s, as designed, at %.3g °C", design->name,
             design->supply.ambient.value);
    table = table_new(title);
    if (!table)
        return command_wrong(context, NAME, "no memory");
    table_column(table, TABLE_TEXT, "figure", "figure", NULL);
    table_column(table, TABLE_NAME, "value", "value ± u", NULL);
    table_column(table, TABLE_NAME, "interval", "95 % interval", NULL);
    table_column(table, TABLE_TEXT, "cause", "mostly from; remark", NULL);
    for (int q = 0; q < COIL_QUANTITIES; ++q) {
        const struct prediction_figure *figure = &prediction->figure[q];

        if (!figure->exists || !isfinite(figure->value))
            continue;
        if (q == COIL_POLARITY_A || q == COIL_POLARITY_B)
            polarity_row(table, q - COIL_POLARITY_A, figure->value);
        else
            figure_row(table, coil_quantity_words((enum coil_quantity)q),
                       coil_quantity_unit((enum coil_quantity)q), figure);
    }
    if (outlook->powered)
        outlook_rows(table, outlook);
    table_note(table, "u is one standard uncertainty (JCGM 100)");
    if (prediction->figure[COIL_INDUCTANCE_OFF].exists)
        table_note(table, "inductance is that of a small change about this current; eddy currents "
                          "in a solid core are left out");
    if (prediction->limit) {
        char text[80];

        snprintf(text, sizeof text, "the %s saturates first", prediction->limit);
        table_note(table, text);
    }
    if (outlook->powered && outlook->danger_text[0])
        table_note(table, outlook->danger_text);
    if (outlook->powered && outlook->spike.shock)
        table_note(table, "caution: switched off without a diode the coil gives a shock; fit a "
                          "diode, do not hold the bare ends");
    return printing_table(context, NAME, table);
}

static json_t *figure_json(const struct prediction_figure *figure, const char *unit)
{
    json_t *budget = json_object();

    for (int i = 0; budget && i < INPUT_CAUSES; ++i)
        if (figure->share[i] > 0.0005)
            json_object_set_new(budget, input_cause_words((enum input_cause)i),
                                json_real(figure->share[i]));
    return json_pack("{s:s, s:o, s:o, s:o, s:o, s:o}", "unit", unit, "value",
                     printing_number(figure->value), "u", printing_number(figure->u), "low",
                     printing_number(figure->low), "high", printing_number(figure->high), "budget",
                     budget);
}

static json_t *interval_json(const struct thermal_interval *i)
{
    return json_pack("{s:o, s:o, s:o}", "value", printing_number(i->value), "low",
                     printing_number(i->low), "high", printing_number(i->high));
}

static int print_json(const struct command_context *context, const struct design *design,
                      const struct prediction *prediction, const struct outlook *outlook)
{
    json_t *figures = json_object();
    json_t *root;

    for (int q = 0; figures && q < COIL_QUANTITIES; ++q)
        if (prediction->figure[q].exists && isfinite(prediction->figure[q].value))
            json_object_set_new(
                figures, coil_quantity_name((enum coil_quantity)q),
                figure_json(&prediction->figure[q], coil_quantity_unit((enum coil_quantity)q)));
    root = json_pack("{s:s, s:o, s:o, s:s?, s:I}", "coil", design->name, "ambient_c",
                     printing_number(design->supply.ambient.value), "figures", figures,
                     "saturates_first", prediction->limit, "draws", (json_int_t)prediction->draws);
    if (root && outlook->powered) {
        json_object_set_new(root, "temperature_c", interval_json(&outlook->heat.temperature));
        json_object_set_new(root, "limit_c", printing_number(outlook->limit_c));
        json_object_set_new(root, "left_on_s", interval_json(&outlook->stuck_s));
        json_object_set_new(root, "spike_v", interval_json(&outlook->spike.bare_v));
        json_object_set_new(root, "spike_with_diode_v", interval_json(&outlook->spike.diode_v));
        json_object_set_new(root, "caution", json_string(outlook->danger_text));
        if (outlook->pulsed)
            json_object_set_new(root, "pulse",
                                json_pack("{s:f, s:f, s:f}", "end_a", outlook->pulse.end_a,
                                          "charge_c", outlook->pulse.charge_c, "mean_a",
                                          outlook->pulse.mean_a));
        if (outlook->battery)
            json_object_set_new(root, "life_days",
                                json_pack("{s:f, s:f, s:f, s:s}", "value", outlook->life.days,
                                          "low", outlook->life.low_days, "high",
                                          outlook->life.high_days, "limit",
                                          drive_limit_words(outlook->life.limit)));
    }
    return printing_json(context, NAME, root);
}

/* Draws one curve of the design into a file. */
static int draw(const struct command_context *context, const struct design *design,
                const char *word, const char *path, const char *reach)
{
    static const char *const dimensions[CURVES_KINDS] = {"m", "A", "s", "s"};
    enum curves_kind kind = curves_find(word);
    struct curve *curve;
    struct report_error error = {""};
    struct plot *plot;
    struct status st;
    double end = NAN;
    int result = COMMAND_DONE;

    if (kind == CURVES_KINDS)
        return command_wrong(context, NAME,
                             "--curve: read '%s', expected pull-gap, pull-current, rise or heat",
                             word);
    if (reach && units_parse(context->units, reach, dimensions[kind], &end, &st) != STATUS_OK) {
        status_prefix(&st, "--to");
        return command_failed(context, NAME, &st);
    }
    curve = malloc(sizeof *curve);
    if (!curve)
        return command_wrong(context, NAME, "no memory");
    if (curves_make(design, kind, end, curve, &st) != STATUS_OK) {
        free(curve);
        return command_failed(context, NAME, &st);
    }
    plot = drawings_curve(design, curve, NULL);
    free(curve);
    if (!plot || !plot_write(plot, path, &error))
        result = command_wrong(context, NAME, "%s", plot ? error.text : "no memory");
    else
        fprintf(context->out, "%s: %s in %s\n", design->name, curves_word(kind), path);
    plot_free(plot);
    return result;
}

static int run(struct command_context *context, int argc, char **argv)
{
    enum { CURVE = 1000, TO };
    static const struct option options[] = {{"curve", required_argument, NULL, CURVE},
                                            {"to", required_argument, NULL, TO},
                                            {NULL, 0, NULL, 0}};
    const char *curve = NULL;
    const char *reach = NULL;
    const char *path = NULL;
    int option;
    struct designfile_warnings warnings;
    struct prediction *prediction;
    struct coil_conditions conditions;
    struct outlook outlook;
    struct coilbook_entry *entry;
    struct coil *coil = NULL;
    enum status_code code;
    struct status st;
    int result;

    opterr = 0;
    while ((option = getopt_long(argc, argv, ":o:", options, NULL)) != -1) {
        if (option == CURVE)
            curve = optarg;
        else if (option == TO)
            reach = optarg;
        else if (option == 'o')
            path = optarg;
        else {
            command_option_wrong(NAME, argv, option, &st);
            return command_failed(context, NAME, &st);
        }
    }
    if (argc - optind == 1 && !curve != !path)
        return command_wrong(context, NAME,
                             "--curve KIND and -o FILE go together; "
                             "'truewound help predict' lists the kinds");
    if (argc - optind != 1)
        return command_wrong(context, NAME, "expected the name of a coil or a design file");
    if (coilbook_named(context->units, context->database, argv[optind], &entry, &warnings, &st) !=
        STATUS_OK)
        return command_failed(context, NAME, &st);
    code = coil_new(&entry->design, &coil, &st);
    free(entry);
    if (code != STATUS_OK)
        return command_failed(context, NAME, &st);
    for (size_t i = 0; i < warnings.count; ++i)
        fprintf(context->err, "%s %s: note: %s\n", context->program, NAME, warnings.text[i]);
    if (curve) {
        result = draw(context, coil_design(coil), curve, path, reach);
        coil_free(coil);
        return result;
    }
    prediction = calloc(1, sizeof *prediction);
    if (!prediction) {
        coil_free(coil);
        return command_wrong(context, NAME, "no memory");
    }
    coil_conditions_nominal(coil, &conditions);
    if (prediction_make(coil, &conditions, COIL_ALL, DRAWS, prediction, &st) != STATUS_OK ||
        outlook_make(coil_design(coil), prediction, &outlook, &st) != STATUS_OK) {
        status_prefix(&st, "%s", argv[optind]);
        result = command_failed(context, NAME, &st);
    } else if (context->form == COMMAND_JSON)
        result = print_json(context, coil_design(coil), prediction, &outlook);
    else
        result = print_table(context, coil_design(coil), prediction, &outlook);
    free(prediction);
    coil_free(coil);
    return result;
}

const struct command command_predict = {
    .name = NAME,
    .summary = "every figure of a design, with its uncertainty",
    .usage = "NAME | FILE [--curve KIND [--to X] -o FILE.svg|.png|.ps]",
    .help = "Works out resistance, current, weight, size, pull, inductance, heat and battery life\n"
            "of a coil as designed. Each figure has its standard uncertainty, its 95 % interval\n"
            "and the cause that most of it comes from; --json has the whole budget.\n\n"
            "  --curve pull-gap|pull-current|rise|heat   draws that curve into the file -o,\n"
            "  --to X                                    up to this gap, current or time\n\n"
            "example: truewound predict arm.ini --curve pull-gap --to '2 mm' -o pull.svg\n",
    .run = run,
};
