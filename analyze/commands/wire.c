/* wire: the data of a winding wire, and which wire a measured one is. */
#include "analyze/model/wire.h"

#include <getopt.h>
#include <math.h>
#include <stdlib.h>

#include "analyze/commands/commands.h"
#include "analyze/printing.h"

#define NAME "wire"

/* Candidates less probable than this are not worth a row. */
#define WORTH_A_ROW 0.01
#define ROWS_MAX    12

/* Below this chance no listed size explains the reading. */
#define NO_SIZE_FITS 0.01

struct wiring {
    struct command_context *context;
    enum wire_covering covering;
    enum wire_metal metal;
    bool covering_given;
    double celsius;
    unsigned systems;
    struct amount bare, over, ohms, length;
};

static enum status_code read_amount(struct wiring *w, const char *text, const char *dimension,
                                    double step, struct amount *out, struct status *st)
{
    struct units_value value;

    if (units_parse_uncertain(w->context->units, text, dimension, &value, st) != STATUS_OK)
        return st->code;
    if (!(value.value > 0.0))
        return status_fail(st, STATUS_INPUT, "read '%s', expected more than nothing", text);
    /* half-width taken as rectangular, JCGM 100 4.3.7; without one: what the tool can do */
    *out = amount_of(value.value,
                     (value.has_uncertainty ? value.half_width : step * value.value) / sqrt(3.0));
    return STATUS_OK;
}

static enum status_code read_options(struct wiring *w, int argc, char **argv, struct status *st)
{
    enum { BARE = 1000, OVER, COVERING, METAL, OHMS, LENGTH, TEMPERATURE, SIZES };
    static const struct option options[] = {{"bare", required_argument, NULL, BARE},
                                            {"over", required_argument, NULL, OVER},
                                            {"covering", required_argument, NULL, COVERING},
                                            {"metal", required_argument, NULL, METAL},
                                            {"resistance", required_argument, NULL, OHMS},
                                            {"length", required_argument, NULL, LENGTH},
                                            {"temperature", required_argument, NULL, TEMPERATURE},
                                            {"sizes", required_argument, NULL, SIZES},
                                            {NULL, 0, NULL, 0}};
    enum wire_system system;
    double kelvin;
    int option;

    opterr = 0;
    while ((option = getopt_long(argc, argv, ":", options, NULL)) != -1) {
        enum status_code code = STATUS_OK;

        switch (option) {
        case BARE: /* a workshop micrometer; the half of a hundredth is added in identify() */
            code = read_amount(w, optarg, "m", 0.0, &w->bare, st);
            break;
        case OVER:
            code = read_amount(w, optarg, "m", 0.0, &w->over, st);
            break;
        case COVERING:
            code = wire_covering_from_text(optarg, &w->covering, st);
            w->covering_given = true;
            break;
        case METAL:
            code = wire_metal_from_text(optarg, &w->metal, st);
            break;
        case OHMS:
            code = read_amount(w, optarg, "ohm", 0.01, &w->ohms, st);
            break;
        case LENGTH:
            code = read_amount(w, optarg, "m", 0.005, &w->length, st);
            break;
        case TEMPERATURE:
            code = units_parse(w->context->units, optarg, "K", &kelvin, st);
            if (code == STATUS_OK)
                w->celsius = kelvin - 273.15;
            break;
        case SIZES:
            code = wire_system_from_text(optarg, &system, st);
            if (code == STATUS_OK)
                w->systems = 1u << system;
            break;
        default:
            return command_option_wrong(NAME, argv, option, st);
        }
        if (code != STATUS_OK)
            return status_prefix(st, "--%s", options[option - BARE].name);
    }
    return STATUS_OK;
}

/* ---- the data of a size ---- */

/* A row of three figures of about the same size, told to about one part in a thousand. */
static void rows(struct table *table, const char *what, const char *unit, double min, double nom,
                 double max)
{
    double step = pow(10.0, floor(log10(nom)) - 3.0);

    table_row(table);
    table_text(table, what);
    table_text(table, unit);
    table_digits(table, min, step);
    table_digits(table, nom, step);
    table_digits(table, max, step);
}

static int show(struct wiring *w, const char *text)
{
    struct command_context *context = w->context;
    struct wire_resistance r;
    struct table *table;
    struct status st;
    struct wire wire;
    char warning[240];
    char title[160];
    char at[40];

    if (wire_from_text(text, w->covering_given ? w->covering : WIRE_ENAMEL_1, &wire, warning,
                       sizeof warning, &st) != STATUS_OK)
        return command_failed(context, NAME, &st);
    wire.metal = w->metal;
    if (wire_resistance(&wire, w->celsius, &r, &st) != STATUS_OK)
        return command_failed(context, NAME, &st);
    snprintf(title, sizeof title, "%s, %s, covering %s", wire.label, wire_metal_word(wire.metal),
             wire_covering_word(wire.covering));
    table = table_new(title);
    if (!table)
        return command_wrong(context, NAME, "no memory");
    table_column(table, TABLE_TEXT, "figure", "figure", NULL);
    table_column(table, TABLE_TEXT, "unit", "unit", NULL);
    table_column(table, TABLE_FIGURE, "least", "least", NULL);
    table_column(table, TABLE_FIGURE, "nominal", "nominal", NULL);
    table_column(table, TABLE_FIGURE, "greatest", "greatest", NULL);
    rows(table, wire.strands > 1 ? "bare diameter of a strand" : "bare diameter", "mm",
         1e3 * (wire.diameter - wire.tolerance), 1e3 * wire.diameter,
         1e3 * (wire.diameter + wire.tolerance));
    rows(table, "overall diameter", "mm", 1e3 * wire.overall_min, 1e3 * wire.overall_nom,
         1e3 * wire.overall_max);
    snprintf(at, sizeof at, "resistance at %.4g °C", w->celsius);
    rows(table, at, "ohm/m", r.min, r.nom, r.max);
    rows(table, "length of one ohm", "m", 1.0 / r.max, 1.0 / r.nom, 1.0 / r.min);
    rows(table, "mass of the metal", "g/m", NAN, 1e3 * wire_mass_metal(&wire), NAN);
    rows(table, "mass with covering", "g/m", NAN, 1e3 * wire_mass_covered(&wire), NAN);
    if (warning[0])
        table_note(table, warning);
    if (!w->covering_given)
        table_note(table, "covering not told: enamel of grade 1 is taken (--covering)");
    return printing_table(context, NAME, table);
}

/* ---- which wire is this? ---- */

static int print_candidates(struct wiring *w, const struct wire_candidate *list, size_t count,
                            double misfit)
{
    struct command_context *context = w->context;
    struct table *table = table_new(NULL);
    size_t shown = 0;

    if (!table)
        return command_wrong(context, NAME, "no memory");
    table_column(table, TABLE_NAME, "size", "size", NULL);
    table_column(table, TABLE_FIGURE, "bare", "bare", "mm");
    table_column(table, TABLE_FIGURE, "probability", "likely", "%");
    table_column(table, TABLE_FIGURE, "deviation", "off", "u");
    for (size_t i = 0; i < count && shown < ROWS_MAX; ++i) {
        char size[40];

        if (i > 0 && list[i].probability < WORTH_A_ROW)
            break;
        wire_size_text(list[i].system, list[i].gauge, list[i].diameter, size, sizeof size);
        table_row(table);
        table_text(table, size);
        table_digits(table, 1e3 * list[i].diameter, list[i].diameter < 0.1e-3 ? 1e-4 : 1e-3);
        table_digits(table, 100.0 * list[i].probability, 1.0);
        table_digits(table, list[i].deviation, 0.1);
        ++shown;
    }
    if (misfit < NO_SIZE_FITS)
        table_note(table, "no listed size fits well: stretched or odd wire, another covering or "
                          "metal, or a wrong reading");
    table_note(table, "'off' is the distance from the reading in standard uncertainties; every "
                      "size was equally likely beforehand");
    return printing_table(context, NAME, table);
}

static int identify(struct wiring *w)
{
    struct command_context *context = w->context;
    struct wire_candidate list[64];
    bool over = amount_given(w->over);
    struct amount reading = over ? w->over : w->bare;
    struct status st;
    size_t count = 0;
    double misfit = NAN;
    enum status_code code;

    if (amount_given(w->ohms) != amount_given(w->length))
        return command_wrong(context, NAME, "--resistance and --length go together");
    if (over && !w->covering_given)
        return command_wrong(context, NAME,
                             "--over needs --covering, such as 'enamel 1' or 'cotton double'");
    if (amount_given(w->ohms))
        code = wire_identify_resistance(w->ohms, w->length, w->celsius, w->metal, w->systems, list,
                                        sizeof list / sizeof *list, &count, &misfit, &st);
    else {
        if (!(reading.u > 0.0)) /* half a hundredth of a millimetre on a workshop micrometer */
            reading.u = 5e-6 / sqrt(3.0);
        code = wire_identify_diameter(reading, over, w->covering, w->systems, list,
                                      sizeof list / sizeof *list, &count, &misfit, &st);
    }
    if (code != STATUS_OK)
        return command_failed(context, NAME, &st);
    return print_candidates(w, list, count, misfit);
}

static int run(struct command_context *context, int argc, char **argv)
{
    struct wiring w = {.context = context,
                       .covering = WIRE_ENAMEL_1,
                       .metal = WIRE_COPPER,
                       .celsius = 20.0,
                       .systems = 1u << WIRE_SWG | 1u << WIRE_AWG | 1u << WIRE_METRIC,
                       .bare = amount_none(),
                       .over = amount_none(),
                       .ohms = amount_none(),
                       .length = amount_none()};
    char text[128];
    struct status st;
    bool measured;

    if (read_options(&w, argc, argv, &st) != STATUS_OK)
        return command_failed(context, NAME, &st);
    measured = amount_given(w.bare) || amount_given(w.over) || amount_given(w.ohms) ||
               amount_given(w.length);
    if (!command_join(argc, argv, optind, text, sizeof text))
        return command_wrong(context, NAME, "no wire is named so long");
    if (measured && text[0])
        return command_wrong(context, NAME,
                             "either the name of a size or a measurement, not both: '%s'", text);
    if (measured)
        return identify(&w);
    if (!text[0])
        return command_wrong(context, NAME,
                             "expected a size such as '30 SWG', or a measurement with --bare, "
                             "--over or --resistance and --length");
    return show(&w, text);
}

const struct command command_wire = {
    .name = NAME,
    .summary = "the data of a wire size, or which size a measured wire is",
    .usage = "SIZE | --bare D | --over D --covering C | --resistance R --length L",
    .help = "With a size ('30 SWG', '28 AWG', '0.25 mm', '7 x 0.04 mm'): diameters, resistance\n"
            "and mass per metre, least, nominal and greatest. With a measurement: the sizes it\n"
            "can be, most likely first. Figures may carry limits: '0.31 mm +- 0.005 mm'.\n\n"
            "  --bare D          micrometer on the bare metal\n"
            "  --over D          micrometer over the covering\n"
            "  --covering C      enamel 1, enamel 2, cotton double, silk single, none ...\n"
            "  --resistance R --length L   of a measured piece    --temperature T (20 degC)\n"
            "  --metal M         copper or aluminium              --sizes swg|awg|metric\n\n"
            "example: truewound wire --over '0.31 mm' --covering 'enamel 1'\n",
    .tables = true,
    .json = true,
    .run = run,
};
