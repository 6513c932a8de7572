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

/* One figure of any kind, as the three forms print it. */
struct line {
    char name[48];    /* for programs: "resistance_a" */
    char words[48];   /* for a person */
    const char *word; /* north, south: in place of a value */
    double value, u, low, high;
    const char *unit; /* SI, as UDUNITS-2 reads it; "" a plain number */
    const char *cause;
    double share;    /* of the variance, of that cause */
    char remark[96]; /* in place of a cause */
};

/* Room for every figure there is, and those of the outlook. */
#define LINES_MAX (COIL_QUANTITIES + 12)

struct lines {
    struct line line[LINES_MAX];
    size_t n;
};

static struct line *new_line(struct lines *lines, const char *name, const char *words,
                             const char *unit)
{
    struct line *line = &lines->line[lines->n < LINES_MAX - 1 ? lines->n++ : lines->n];

    *line =
        (struct line){.value = NAN, .u = NAN, .low = NAN, .high = NAN, .unit = unit, .share = NAN};
    snprintf(line->name, sizeof line->name, "%s", name);
    snprintf(line->words, sizeof line->words, "%s", words);
    return line;
}

/* A caliper lies along the first size of a limb that is not round. */
static bool is_along(const struct design *design, int quantity)
{
    return (quantity == COIL_OUTSIDE_A || quantity == COIL_OUTSIDE_B) &&
           design->core.limb.shape != DESIGN_ROUND;
}

static void predicted_line(struct lines *lines, const struct design *design, int q,
                           const struct prediction_figure *figure)
{
    struct line *line = new_line(lines, coil_quantity_name((enum coil_quantity)q),
                                 coil_quantity_words((enum coil_quantity)q),
                                 coil_quantity_unit((enum coil_quantity)q));
    int limb = q == COIL_POLARITY_B || q == COIL_OUTSIDE_B;

    line->value = figure->value;
    line->u = figure->u;
    line->cause = main_cause(figure, &line->share);
    if (figure->u > 0.0) {
        line->low = figure->low;
        line->high = figure->high;
    }
    if (q == COIL_POLARITY_A || q == COIL_POLARITY_B) {
        snprintf(line->words, sizeof line->words, "polarity of pole %c", "ab"[limb]);
        line->word = figure->value > 0.0 ? "north" : figure->value < 0.0 ? "south" : "none";
        line->cause = NULL;
        snprintf(line->remark, sizeof line->remark, "fed at the start");
    } else if (is_along(design, q))
        snprintf(line->words, sizeof line->words, "outside width, limb %c", "ab"[limb]);
}

static struct line *interval_line(struct lines *lines, const char *name, const char *words,
                                  const struct thermal_interval *interval, const char *unit,
                                  const char *remark)
{
    struct line *line = new_line(lines, name, words, unit);

    line->value = interval->value;
    line->low = interval->low;
    line->high = interval->high;
    snprintf(line->remark, sizeof line->remark, "%s", remark);
    return line;
}

static void outlook_lines(struct lines *lines, const struct outlook *outlook)
{
    char limit[48];

    snprintf(limit, sizeof limit, "limit %.0f °C", outlook->limit_c);
    interval_line(lines, "temperature",
                  outlook->pulsed ? "winding in steady use" : "winding, left on",
                  &outlook->heat.temperature, "degC", limit);
    if (outlook->pulsed && isfinite(outlook->stuck_s.value))
        interval_line(lines, "left_on", "left on, to that limit", &outlook->stuck_s, "s", "");
    interval_line(lines, "spike", "spike without a diode", &outlook->spike.bare_v, "V",
                  "a rough figure");
    interval_line(lines, "spike_with_diode", "spike with a diode", &outlook->spike.diode_v, "V",
                  "across the switch");
    if (outlook->pulsed) {
        static const char reach[] = "keeper on to off";

        interval_line(lines, "pulse_end_current", "current, end of a pulse", &outlook->pulse.end_a,
                      "A", reach);
        interval_line(lines, "pulse_charge", "charge of one pulse", &outlook->pulse.charge_c, "C",
                      reach);
        interval_line(lines, "mean_current", "mean current", &outlook->pulse.mean_a, "A", reach);
    }
    if (outlook->battery) {
        const struct thermal_interval life = {.low = outlook->life.low_days,
                                              .value = outlook->life.days,
                                              .high = outlook->life.high_days};

        interval_line(lines, "battery_life", "battery life", &life, "day",
                      drive_limit_words(outlook->life.limit));
    }
}

static void lines_make(const struct design *design, const struct prediction *prediction,
                       const struct outlook *outlook, struct lines *lines)
{
    lines->n = 0;
    for (int q = 0; q < COIL_QUANTITIES; ++q)
        if (prediction->figure[q].exists && isfinite(prediction->figure[q].value))
            predicted_line(lines, design, q, &prediction->figure[q]);
    if (outlook->powered)
        outlook_lines(lines, outlook);
}

/* Kilograms of wire are read in grams, ohms by their sign. */
static double scaled(const char *unit, const char **shown)
{
    static const char *const signs[][2] = {{"ohm", "Ω"}, {"degC", "°C"}, {"day", "days"}};

    *shown = unit;
    for (size_t i = 0; i < sizeof signs / sizeof *signs; ++i)
        if (strcmp(unit, signs[i][0]) == 0)
            *shown = signs[i][1];
    if (strcmp(unit, "kg") != 0)
        return 1.0;
    *shown = "g";
    return 1e3;
}

/* Value and interval for a person: both in the unit that stands behind the value, with the digits
 * that the uncertainty leaves. Without a u, the interval gives the digits; a tenth of a degree is
 * the least that is worth printing of a temperature. */
static void value_cells(struct table *table, const struct line *line)
{
    char a[FIGURE_TEXT_SIZE];
    char b[FIGURE_TEXT_SIZE];
    const char *unit;
    const char *prefix;
    double scale = scaled(line->unit, &unit);
    double factor = figure_prefix(fabs(scale * line->value), unit, &prefix) / scale;
    double u = isfinite(line->u) ? line->u : (line->high - line->low) / 4.0;

    if (strcmp(line->unit, "degC") == 0)
        u = fmax(u, 1.0);
    if (line->word)
        table_text(table, line->word);
    else if (isfinite(line->u) || isnan(u))
        table_text(table, figure_unit_text(a, scale * line->value, scale * line->u, unit));
    else
        table_textf(table, "%s %s%s", figure_value_text(a, line->value / factor, u / factor),
                    prefix, unit);
    if (isnan(line->low) && isnan(line->high))
        table_absent(table);
    else
        table_textf(table, "%s to %s", figure_value_text(a, line->low / factor, u / factor),
                    figure_value_text(b, line->high / factor, u / factor));
}

static void add_notes(struct table *table, const struct design *design,
                      const struct prediction *prediction, const struct outlook *outlook)
{
    char text[480];

    table_note(table, "u is one standard uncertainty (JCGM 100), the 95 % interval in the same "
                      "unit; then what makes most of it, in % of the variance");
    if (design->core.limb.shape != DESIGN_ROUND) {
        snprintf(text, sizeof text,
                 "outside width: the caliper lies along the first size of the limb, %.3g mm%s",
                 1e3 * design->core.limb.width.value,
                 design_limbs(design) == 2 ? ", in the plane of both limbs" : "");
        table_note(table, text);
    }
    if (prediction->figure[COIL_INDUCTANCE_OFF].exists)
        table_note(table, "inductance is that of a small change about this current; eddy currents "
                          "in a solid core are left out");
    if (prediction->limit) {
        snprintf(text, sizeof text, "the %s saturates first", prediction->limit);
        table_note(table, text);
    }
    if (!outlook->powered)
        return;
    if (outlook->pulsed)
        table_note(table, "a pulse is that of a keeper which is on from the start; its interval "
                          "reaches to one that stays off");
    snprintf(text, sizeof text, "limit of %s: %.0f °C%s%s", outlook->weakest, outlook->limit_c,
             outlook->assumed ? ", " : "", outlook->assumed ? outlook->assumed : "");
    table_note(table, text);
    if (outlook->danger_text[0])
        table_note(table, outlook->danger_text);
    if (outlook->spike.shock)
        table_note(table, "caution: switched off without a diode the coil gives a shock; fit a "
                          "diode, do not hold the bare ends");
}

static int print_table(const struct command_context *context, const struct design *design,
                       const struct prediction *prediction, const struct outlook *outlook,
                       const struct lines *lines)
{
    struct table *table;
    char title[160];

    snprintf(title, sizeof title, "%s, as designed, at %.3g °C", design->name,
             design->supply.ambient.value);
    table = table_new(title);
    if (!table)
        return command_wrong(context, NAME, "no memory");
    table_column(table, TABLE_NAME, "figure", "figure", NULL);
    table_column(table, TABLE_NAME, "value", "value ± u", NULL);
    table_column(table, TABLE_NAME, "interval", "95 % interval", NULL);
    table_column(table, TABLE_TEXT, "cause", "mostly from, %", NULL);
    for (size_t i = 0; i < lines->n; ++i) {
        const struct line *line = &lines->line[i];

        table_row(table);
        table_text(table, line->words);
        value_cells(table, line);
        if (line->cause)
            table_textf(table, "%s %.0f", line->cause, 100.0 * line->share);
        else
            table_text(table, line->remark[0] ? line->remark : NULL);
    }
    add_notes(table, design, prediction, outlook);
    return printing_table(context, NAME, table);
}

static const char *unit_of(const struct line *line)
{
    return *line->unit ? line->unit : "1";
}

/* A figure a row, in SI: what the text form has in one cell is apart here. */
static int print_csv(const struct command_context *context, const struct design *design,
                     const struct lines *lines)
{
    static const char *const figures[] = {"value", "u", "low", "high"};
    struct table *table = table_new(NULL);

    if (!table)
        return command_wrong(context, NAME, "no memory");
    table_column(table, TABLE_TEXT, "coil", "coil", NULL);
    table_column(table, TABLE_TEXT, "figure", "figure", NULL);
    for (size_t i = 0; i < sizeof figures / sizeof *figures; ++i)
        table_column(table, TABLE_FIGURE, figures[i], figures[i], NULL);
    table_column(table, TABLE_TEXT, "unit", "unit", NULL);
    table_column(table, TABLE_TEXT, "cause", "mostly from", NULL);
    table_column(table, TABLE_FIGURE, "share", "share of variance", NULL);
    table_column(table, TABLE_TEXT, "words", "words", NULL);
    table_column(table, TABLE_TEXT, "remark", "remark", NULL);
    for (size_t i = 0; i < lines->n; ++i) {
        const struct line *line = &lines->line[i];

        table_row(table);
        table_text(table, design->name);
        table_text(table, line->name);
        table_figure(table, line->value, NAN);
        table_figure(table, line->u, NAN);
        table_figure(table, line->low, NAN);
        table_figure(table, line->high, NAN);
        table_text(table, unit_of(line));
        table_text(table, line->cause);
        table_figure(table, line->cause ? line->share : NAN, NAN);
        table_text(table, line->words);
        table_text(table, line->remark[0] ? line->remark : NULL);
    }
    return printing_table(context, NAME, table);
}

static json_t *figure_json(const struct line *line, const struct prediction_figure *figure)
{
    json_t *budget = figure ? json_object() : NULL;

    for (int i = 0; budget && i < INPUT_CAUSES; ++i)
        if (figure->share[i] > 0.0005)
            json_object_set_new(budget, input_cause_words((enum input_cause)i),
                                json_real(figure->share[i]));
    return json_pack("{s:s, s:o, s:o*, s:o, s:o, s:s*, s:o*}", "unit", unit_of(line), "value",
                     printing_number(line->value), "u", figure ? printing_number(line->u) : NULL,
                     "low", printing_number(line->low), "high", printing_number(line->high),
                     "remark", line->remark[0] ? line->remark : NULL, "budget", budget);
}

static int print_json(const struct command_context *context, const struct design *design,
                      const struct prediction *prediction, const struct outlook *outlook,
                      const struct lines *lines)
{
    json_t *figures = json_object();
    json_t *root;
    size_t predicted = 0;

    for (int q = 0; figures && q < COIL_QUANTITIES; ++q)
        if (prediction->figure[q].exists && isfinite(prediction->figure[q].value)) {
            const struct line *line = &lines->line[predicted++];

            json_object_set_new(figures, line->name, figure_json(line, &prediction->figure[q]));
        }
    for (size_t i = predicted; figures && i < lines->n; ++i)
        json_object_set_new(figures, lines->line[i].name, figure_json(&lines->line[i], NULL));
    root = json_pack("{s:s, s:o, s:o, s:s?, s:I}", "coil", design->name, "ambient_c",
                     printing_number(design->supply.ambient.value), "figures", figures,
                     "saturates_first", prediction->limit, "draws", (json_int_t)prediction->draws);
    if (root && design->core.limb.shape != DESIGN_ROUND)
        json_object_set_new(root, "outside_along",
                            json_pack("{s:s, s:o, s:s}", "what", "the first size of the limb",
                                      "value", printing_number(design->core.limb.width.value),
                                      "unit", "m"));
    if (root && outlook->powered) {
        json_object_set_new(root, "limit_c", printing_number(outlook->limit_c));
        json_object_set_new(root, "limit_of", json_string(outlook->weakest));
        json_object_set_new(root, "limit_assumed",
                            outlook->assumed ? json_string(outlook->assumed) : json_null());
        json_object_set_new(root, "caution", json_string(outlook->danger_text));
        if (outlook->battery)
            json_object_set_new(root, "life_ends_by",
                                json_string(drive_limit_words(outlook->life.limit)));
    }
    return printing_json(context, NAME, root);
}

static int print(const struct command_context *context, const struct design *design,
                 const struct prediction *prediction, const struct outlook *outlook)
{
    struct lines *lines = malloc(sizeof *lines);
    int result;

    if (!lines)
        return command_wrong(context, NAME, "no memory");
    lines_make(design, prediction, outlook, lines);
    if (context->form == COMMAND_JSON)
        result = print_json(context, design, prediction, outlook, lines);
    else if (context->form == COMMAND_CSV)
        result = print_csv(context, design, lines);
    else
        result = print_table(context, design, prediction, outlook, lines);
    free(lines);
    return result;
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
    } else
        result = print(context, coil_design(coil), prediction, &outlook);
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
    .tables = true,
    .json = true,
    .run = run,
};
