/* sheet: the test sheet of a coil, one printable page. */
#include <errno.h>
#include <getopt.h>
#include <math.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#include "analyze/coilbook.h"
#include "analyze/commands/commands.h"
#include "analyze/compare.h"
#include "analyze/curves.h"
#include "analyze/drawings.h"
#include "analyze/infer/wording.h"
#include "analyze/judging.h"
#include "analyze/liftdrawings.h"
#include "analyze/lifting.h"
#include "analyze/model/prediction.h"
#include "analyze/outlook.h"
#include "analyze/topdf.h"
#include "analyze/windsheet.h"
#include "db/store_bench.h"
#include "reports/sheet.h"

#define NAME          "sheet"
#define FACTS_MAX     16
#define CAUTIONS_MAX  8
#define FIGURES_MAX   4
#define ROWS_MAX      (EVIDENCE_MAX + LIFTING_GAPS_MAX + 3)
#define FIGURE_WIDTH  340.0
#define FIGURE_HEIGHT 230.0
#define COIL_WIDTH    400.0
#define COIL_HEIGHT   256.0

/* Agreement: within two standard uncertainties, beyond three. */
#define AGREES  2.0
#define DIFFERS 3.0

/* Everything one sheet is made from; the strings in it belong to it. */
struct making {
    struct judged *judged;
    struct lifting *lift; /* NULL without lift trials */
    struct prediction prediction;
    struct outlook outlook;
    struct compare_prediction expected[EVIDENCE_MAX];
    struct sheet sheet;
    struct sheet_quantity quantity[ROWS_MAX];
    char remark[ROWS_MAX][48];
    char name[ROWS_MAX][EVIDENCE_SOURCE_SIZE + 24];
    struct sheet_finding finding[VERDICT_FINDINGS_MAX];
    struct sheet_fact fact[FACTS_MAX];
    char value[FACTS_MAX][96];
    const char *caution[CAUTIONS_MAX];
    struct sheet_instrument instrument[EVIDENCE_INSTRUMENT_MAX];
    char *identity[EVIDENCE_INSTRUMENT_MAX];
    struct sheet_figure figure[FIGURES_MAX];
    char *svg[FIGURES_MAX];
    char verdict[1200];
    char date[32];
};

__attribute__((format(printf, 3, 4))) static void fact(struct making *m, const char *name,
                                                       const char *format, ...)
{
    size_t i = m->sheet.fact_count;
    va_list args;

    if (i == FACTS_MAX)
        return;
    va_start(args, format);
    vsnprintf(m->value[i], sizeof m->value[i], format, args);
    va_end(args);
    m->fact[i] = (struct sheet_fact){name, m->value[i]};
    ++m->sheet.fact_count;
}

static void put_facts(struct making *m)
{
    const struct design *d = &m->judged->entry.design;
    char depth[24] = "";

    fact(m, "design", "version %lld", (long long)m->judged->entry.version);
    if (design_limbs(d) == 2)
        fact(m, "turns", "%g on limb A, %g on limb B", d->winding.turns[0].value,
             d->winding.turns[1].value);
    else
        fact(m, "turns", "%g", d->winding.turns[0].value);
    fact(m, "wire", "%s, %s, %s", d->winding.wire.label,
         wire_covering_word(d->winding.wire.covering), wire_metal_word(d->winding.wire.metal));
    if (d->core.limb.shape != DESIGN_ROUND)
        snprintf(depth, sizeof depth, " x %.3g mm", 1e3 * d->core.limb.depth.value);
    fact(m, "core", "%s limb %.3g mm%s, %.3g mm long%s%s", design_shape_word(d->core.limb.shape),
         1e3 * d->core.limb.width.value, depth, 1e3 * d->core.limb_length.value,
         d->core.air ? "" : ", ", d->core.air ? ", no iron" : d->core.iron);
    if (amount_given(d->core.gap))
        fact(m, "gap", "%.3g mm at each pole", 1e3 * d->core.gap.value);
    if (amount_given(d->supply.voltage))
        fact(m, "supply", "%.3g V%s%s", d->supply.voltage.value, d->supply.battery[0] ? ", " : "",
             d->supply.battery);
    if (amount_given(d->supply.pulse))
        fact(m, "pulse", "%.3g ms every %.3g s", 1e3 * d->supply.pulse.value,
             d->supply.period.value);
}

static void put_quantity(struct making *m, size_t i)
{
    const struct evidence_set *set = &m->judged->gathered.evidence;
    const struct evidence_item *item = &set->item[i];
    const struct compare_prediction *expected = &m->expected[i];
    struct sheet_quantity *row = &m->quantity[m->sheet.quantity_count];
    char *remark = m->remark[m->sheet.quantity_count];
    static const char *const units[EVIDENCE_KINDS] = {
        [EVIDENCE_RESISTANCE] = "Ω", [EVIDENCE_INSULATION] = "Ω", [EVIDENCE_CURRENT] = "A",
        [EVIDENCE_SAG] = "V",        [EVIDENCE_INDUCTANCE] = "H", [EVIDENCE_SECOND_TIME] = "s",
        [EVIDENCE_WIRE_MASS] = "g",  [EVIDENCE_DIAMETER] = "m",   [EVIDENCE_WIRE_DIAMETER] = "m",
        [EVIDENCE_LIFT] = "N",       [EVIDENCE_PULL] = "N",       [EVIDENCE_RESIDUAL_PULL] = "N",
        [EVIDENCE_VOLT_DROP] = "V"};
    double scale = item->kind == EVIDENCE_WIRE_MASS ? 1e3 : 1.0;

    wording_item(item, m->name[m->sheet.quantity_count]);
    *row = (struct sheet_quantity){.name = m->name[m->sheet.quantity_count],
                                   .unit = units[item->kind] ? units[item->kind] : "",
                                   .measured = scale * item->value,
                                   .measured_u = scale * compare_measured_u(set, item),
                                   .predicted = NAN,
                                   .predicted_u = NAN,
                                   .agreement = SHEET_NOT_JUDGED,
                                   .remark = remark};
    remark[0] = '\0';
    if (isfinite(item->at.temperature) && item->kind == EVIDENCE_RESISTANCE)
        snprintf(remark, sizeof *m->remark, "at %.1f °C", item->at.temperature);
    else if (item->kind == EVIDENCE_DIAMETER &&
             m->judged->entry.design.core.limb.shape != DESIGN_ROUND)
        snprintf(remark, sizeof *m->remark, "along the first size of the limb");
    else if (item->kind == EVIDENCE_CURRENT)
        snprintf(remark, sizeof *m->remark, "at %.3f V", item->at.voltage);
    if (expected->exists) {
        row->predicted = scale * expected->amount.value;
        row->predicted_u = scale * expected->amount.u;
    }
    if (item->kind == EVIDENCE_POLARITY) {
        row->measured_word = evidence_pole(item->value);
        if (expected->exists)
            row->predicted_word = expected->amount.value > 0.0 ? "north" : "south";
        if (expected->exists)
            row->agreement =
                item->value * expected->amount.value > 0.0 ? SHEET_AGREES : SHEET_DIFFERS;
    } else if (item->kind == EVIDENCE_LIFT) {
        const char *word = item->outcome == EVIDENCE_HELD      ? "held"
                           : item->outcome == EVIDENCE_DROPPED ? "dropped"
                                                               : "not lifted";

        snprintf(remark, sizeof *m->remark, "%s at %.3g mA%s", word, 1e3 * item->at.current,
                 item->bound == EVIDENCE_ABOVE ? ", or more" : "");
    } else if (item->bound != EVIDENCE_EQUAL) {
        row->measured_u = NAN;
        row->bound = item->bound == EVIDENCE_ABOVE ? SHEET_MORE : SHEET_LESS;
        snprintf(remark, sizeof *m->remark, "%s",
                 item->bound == EVIDENCE_ABOVE ? "beyond the range" : "below the range");
        if (expected->exists && item->bound == EVIDENCE_ABOVE && item->kind == EVIDENCE_RESISTANCE)
            row->agreement = SHEET_DIFFERS;
    } else if (expected->exists) {
        double sigma =
            fabs(row->measured - row->predicted) / hypot(row->measured_u, row->predicted_u);

        row->agreement = sigma < AGREES    ? SHEET_AGREES
                         : sigma < DIFFERS ? SHEET_DOUBTFUL
                                           : SHEET_DIFFERS;
    }
    ++m->sheet.quantity_count;
}

/* A row with nothing but a remark. */
__attribute__((format(printf, 3, 4))) static void put_remark(struct making *m, const char *name,
                                                             const char *format, ...)
{
    size_t at = m->sheet.quantity_count++;
    va_list args;

    snprintf(m->name[at], sizeof m->name[at], "%s", name);
    va_start(args, format);
    vsnprintf(m->remark[at], sizeof *m->remark, format, args);
    va_end(args);
    m->quantity[at] = (struct sheet_quantity){.name = m->name[at],
                                              .unit = "",
                                              .measured = NAN,
                                              .measured_u = NAN,
                                              .predicted = NAN,
                                              .predicted_u = NAN,
                                              .agreement = SHEET_NOT_JUDGED,
                                              .remark = m->remark[at]};
}

/* The trials at one gap. */
static void put_group(struct making *m, const struct lifting_group *g)
{
    char name[EVIDENCE_SOURCE_SIZE + 24];
    char where[32] = "in contact";
    char held[24] = "";
    char fell[24] = "";

    if (g->gap > 0.0)
        snprintf(where, sizeof where, "shim %.3g mm", 1e3 * g->gap);
    snprintf(name, sizeof name, "lift, %s: %zu held, %zu fell", where, g->held, g->fell);
    if (g->held)
        snprintf(held, sizeof held, "held %.3g N", g->most_held);
    if (g->fell)
        snprintf(fell, sizeof fell, "%sfell %.3g N", g->held ? ", " : "", g->least_fell);
    put_remark(m, name, "%s%s", held, fell);
}

/* The air that the trials leave is worked out for the winding as designed: of any other coil it
 * would be no air but the fault. */
static bool wound_right(const struct verdict *v)
{
    return v->findings > 0 && v->finding[0].finding->class != FINDING_COIL;
}

static void put_contact(struct making *m)
{
    const struct lifting_figure *air = &m->lift->contact;

    if (isfinite(air->value))
        put_remark(m, "air left at each pole", "%.2g mm (%.2g to %.2g), by the pull",
                   1e3 * air->value, 1e3 * air->low, 1e3 * air->high);
    else if (isfinite(air->high) && air->high > 0.0)
        put_remark(m, "air left at each pole", "at most %.2g mm, by the pull", 1e3 * air->high);
}

/* What the trials say together: rows of their own. */
static void put_lift(struct making *m)
{
    const struct lifting *l = m->lift;
    const struct lifting_figure *pull = &l->pull;
    struct sheet_quantity *row = &m->quantity[m->sheet.quantity_count];
    char *remark = m->remark[m->sheet.quantity_count];

    *row = (struct sheet_quantity){.name = "holding pull",
                                   .unit = "N",
                                   .measured = pull->value,
                                   .measured_u = NAN,
                                   .predicted = l->predicted.value,
                                   .predicted_u = (l->predicted.high - l->predicted.low) / 4.0,
                                   .agreement = SHEET_NOT_JUDGED,
                                   .remark = remark};
    if (isfinite(pull->value)) {
        row->measured_u = (pull->high - pull->low) / 4.0;
        snprintf(remark, sizeof *m->remark, "%.3g to %.3g N at %.3g mA", pull->low, pull->high,
                 1e3 * l->current);
    } else
        snprintf(remark, sizeof *m->remark, "%s %.3g N at %.3g mA",
                 pull->low > 0.0 ? "more than" : "less than",
                 pull->low > 0.0 ? pull->low : pull->high, 1e3 * l->current);
    if (l->hint != LIFTING_NO_HINT && isfinite(pull->value))
        row->agreement = pull->low < l->predicted.high && pull->high > l->predicted.low
                             ? SHEET_AGREES
                             : SHEET_DIFFERS;
    ++m->sheet.quantity_count;
    for (size_t i = 0; i < l->groups; ++i)
        if (l->group[i].trials)
            put_group(m, &l->group[i]);
    if (wound_right(&m->judged->verdict))
        put_contact(m);
    if (isfinite(l->wanted) && l->worst_pull.low > 0.0)
        put_remark(m, l->worst_battery ? "at end of battery" : "on its worst day",
                   "at least %.2g times the load", l->worst_pull.low / l->wanted);
}

static bool lifted(const struct evidence_set *set)
{
    for (size_t i = 0; i < set->count; ++i)
        if (set->item[i].kind == EVIDENCE_LIFT || set->item[i].kind == EVIDENCE_PULL)
            return true;
    return false;
}

static void put_findings(struct making *m)
{
    const struct verdict *v = &m->judged->verdict;
    size_t used = 0, first = 2; /* lines, besides those of readings that do not fit */

    if (v->result == VERDICT_PASS)
        first = 1;
    first += v->misfits < 2 ? v->misfits : 2;
    for (size_t i = 0; i < v->findings && m->sheet.finding_count < 6; ++i)
        if (i == 0 || v->finding[i].probability >= 0.01)
            m->finding[m->sheet.finding_count++] =
                (struct sheet_finding){v->finding[i].text, v->finding[i].probability};
    for (size_t i = 0; i < v->lines && used < sizeof m->verdict; ++i)
        /* what a pass leaves open belongs beside it on paper too */
        if (i < first || (v->result == VERDICT_PASS && v->reserve[i]))
            used += (size_t)snprintf(m->verdict + used, sizeof m->verdict - used, "%s%s",
                                     i ? " " : "", v->line[i]);
    m->sheet.verdict = v->result == VERDICT_PASS   ? SHEET_PASS
                       : v->result == VERDICT_FAIL ? SHEET_FAIL
                                                   : SHEET_UNDECIDED;
    m->sheet.verdict_text = m->verdict;
    if (m->judged->advised)
        m->sheet.next = m->judged->advice.line;
}

static void caution(struct making *m, const char *text)
{
    if (m->sheet.caution_count < CAUTIONS_MAX)
        m->caution[m->sheet.caution_count++] = text;
}

static void put_cautions(struct making *m)
{
    if (m->outlook.powered && m->outlook.danger_text[0])
        caution(m, m->outlook.danger_text);
    else if (m->outlook.powered && m->outlook.stuck_danger != THERMAL_SAFE)
        caution(m, "Left switched on, this coil passes the limit of its insulation: it burns "
                   "fingers and itself.");
    caution(m,
            "Switched off, a coil gives a voltage spike: fit a diode, do not hold the bare ends.");
    caution(m, "A magnet drops its load when the supply fails: keep hands and feet from under it, "
               "and fingers from between pole and keeper.");
    caution(m, "Do not short a battery; where mains or lifting gear is near, local rules and "
               "licensed practice come first.");
}

static int keep_identity(const struct store_instrument *row, void *user)
{
    struct making *m = user;

    for (size_t i = 0; i < m->sheet.instrument_count; ++i)
        if (!m->identity[i] && m->instrument[i].name && row->identity &&
            strcmp(m->instrument[i].name, row->name) == 0)
            m->instrument[i].identity = m->identity[i] = strdup(row->identity);
    return 0;
}

static void put_instruments(struct making *m, struct store *store)
{
    const struct evidence_set *set = &m->judged->gathered.evidence;
    struct status st;

    for (size_t i = 0; i < set->instruments; ++i)
        m->instrument[m->sheet.instrument_count++] =
            (struct sheet_instrument){.name = set->instrument[i].name};
    store_bench_instruments(store, keep_identity, m, &st);
}

static bool put_plot(struct making *m, struct plot *plot, const char *caption,
                     struct report_error *error)
{
    size_t i = m->sheet.figure_count;
    bool done;

    if (!plot)
        return report_error_set(error, "no memory");
    plot_size(plot, FIGURE_WIDTH, FIGURE_HEIGHT);
    done = plot_svg(plot, true, &m->svg[i], &m->figure[i].size, error);
    plot_free(plot);
    if (!done)
        return false;
    m->figure[i].svg = m->svg[i];
    m->figure[i].caption = caption;
    ++m->sheet.figure_count;
    return true;
}

static bool put_figures(struct making *m, struct report_error *error)
{
    const struct design *design = &m->judged->entry.design;
    struct drawings_labels labels;
    struct coildraw shape;
    struct curve *curve = malloc(sizeof *curve);
    struct status st;
    size_t i = m->sheet.figure_count;
    bool done = true;

    if (!curve)
        return report_error_set(error, "no memory");
    drawings_coil(design, &m->prediction, &shape, &labels);
    if (coildraw_svg(&shape, COIL_WIDTH, COIL_HEIGHT, true, &m->svg[i], &m->figure[i].size,
                     error)) {
        m->figure[i].svg = m->svg[i];
        ++m->sheet.figure_count;
    } else
        done = false;
    if (done)
        done = put_plot(m, drawings_deviations(&m->judged->gathered.evidence, m->expected), NULL,
                        error);
    if (done && m->lift) {
        struct plot *chance = liftdrawings_chance(m->lift);

        done = put_plot(m, liftdrawings_current(m->lift), NULL, error);
        if (done && chance)
            done = put_plot(m, chance, NULL, error);
        else
            plot_free(chance);
    } else if (done && curves_make(design, CURVES_PULL_CURRENT, NAN, curve, &st) == STATUS_OK)
        done =
            put_plot(m, drawings_curve(design, curve, &m->judged->gathered.evidence), NULL, error);
    free(curve);
    return done;
}

static enum status_code predict(struct making *m, struct status *st)
{
    const struct evidence_set *set = &m->judged->gathered.evidence;
    struct coil_conditions conditions;
    struct lifting_options lift = lifting_options_default();
    struct status unlifted;
    struct coil *coil;
    enum status_code code = coil_new(&m->judged->entry.design, &coil, st);

    if (code != STATUS_OK)
        return code;
    coil_conditions_nominal(coil, &conditions);
    code = prediction_make(coil, &conditions, COIL_ALL, 0, &m->prediction, st);
    coil_free(coil);
    if (code == STATUS_OK)
        code = outlook_make(&m->judged->entry.design, &m->prediction, &m->outlook, st);
    if (code == STATUS_OK && lifted(set) &&
        lifting_from(&m->judged->entry, &m->judged->gathered, &lift, &m->lift, &unlifted) !=
            STATUS_OK)
        m->lift = NULL;
    for (size_t i = 0; i < set->count && code == STATUS_OK; ++i) {
        code = compare_item(&m->judged->entry.design, &set->item[i], &m->expected[i], st);
        if (!m->lift || set->item[i].kind != EVIDENCE_LIFT) /* those have rows together */
            put_quantity(m, i);
    }
    return code;
}

static bool ends_in(const char *path, const char *end)
{
    size_t length = strlen(path);
    size_t tail = strlen(end);

    return length > tail && strcasecmp(path + length - tail, end) == 0;
}

static bool is_printable(const char *path)
{
    return strcmp(path, "-") == 0 || ends_in(path, ".html") || ends_in(path, ".htm") ||
           ends_in(path, ".pdf");
}

/* Into a file of HTML, one of PDF when its name ends so, or to standard output. */
static enum status_code write_file(const struct command_context *context, const char *path,
                                   const char *text, size_t size, struct status *st)
{
    bool dash = strcmp(path, "-") == 0;
    FILE *out;
    bool done;

    if (ends_in(path, ".pdf"))
        return topdf_write(text, size, path, context->err, st);
    out = dash ? context->out : fopen(path, "we");
    done = out && fwrite(text, 1, size, out) == size && fflush(out) == 0;
    if (!dash && out)
        done = fclose(out) == 0 && done;
    return done ? status_ok(st)
                : status_fail(st, STATUS_IO, "%s cannot be written: %s", path, strerror(errno));
}

static int make(struct command_context *context, struct making *m, struct store *store,
                const char *path)
{
    struct report_error error = {""};
    struct status st;
    char *html = NULL;
    size_t size = 0;
    bool done;

    if (predict(m, &st) != STATUS_OK)
        return command_failed(context, NAME, &st);
    put_facts(m);
    if (m->lift)
        put_lift(m);
    put_findings(m);
    put_cautions(m);
    put_instruments(m, store);
    m->sheet.coil = m->judged->entry.design.name;
    m->sheet.purpose = m->judged->entry.design.note;
    m->sheet.date = m->judged->gathered.newest
                        ? store_time_text(m->date, sizeof m->date, m->judged->gathered.newest)
                        : "not measured yet";
    m->sheet.facts = m->fact;
    m->sheet.quantities = m->quantity;
    m->sheet.findings = m->finding;
    m->sheet.cautions = m->caution;
    m->sheet.instruments = m->instrument;
    m->sheet.figures = m->figure;
    m->sheet.version = TRUEWOUND_VERSION;
    m->sheet.digest = m->judged->gathered.digest;
    done = put_figures(m, &error) && sheet_html(&m->sheet, &html, &size, &error);
    if (!done)
        return command_wrong(context, NAME, "%s", error.text);
    write_file(context, path, html, size, &st);
    free(html);
    if (st.code != STATUS_OK)
        return command_failed(context, NAME, &st);
    if (strcmp(path, "-") != 0)
        fprintf(context->out, "%s: %s, sheet in %s\n", m->judged->entry.design.name,
                verdict_word(m->judged->verdict.result), path);
    return COMMAND_DONE;
}

/* The sheet to wind by, of a coil or a design file. */
static int make_blank(struct command_context *context, const char *name, const char *path)
{
    struct prediction *prediction = calloc(1, sizeof *prediction);
    struct designfile_warnings warnings;
    struct coil_conditions conditions;
    struct coilbook_entry *entry;
    struct coil *coil = NULL;
    struct status st;
    char *html = NULL;
    size_t size = 0;

    if (!prediction)
        return command_wrong(context, NAME, "no memory");
    if (coilbook_named(context->units, context->database, name, &entry, &warnings, &st) ==
            STATUS_OK &&
        coil_new(&entry->design, &coil, &st) == STATUS_OK) {
        coil_conditions_nominal(coil, &conditions);
        if (prediction_make(coil, &conditions, 0, 0, prediction, &st) == STATUS_OK &&
            windsheet_html(coil_design(coil), prediction, entry->digest, &html, &size, &st) ==
                STATUS_OK)
            write_file(context, path, html, size, &st);
    }
    if (st.code == STATUS_OK && strcmp(path, "-") != 0)
        fprintf(context->out, "%s: sheet to wind by in %s\n", coil_design(coil)->name, path);
    free(html);
    coil_free(coil);
    free(entry);
    free(prediction);
    return st.code == STATUS_OK ? COMMAND_DONE : command_failed(context, NAME, &st);
}

static int run(struct command_context *context, int argc, char **argv)
{
    enum { BLANK = 1000 };
    static const struct option options[] = {{"blank", no_argument, NULL, BLANK},
                                            {NULL, 0, NULL, 0}};
    const char *path = NULL;
    bool blank = false;
    struct making *m;
    struct store *store;
    struct status st;
    int option;
    int result;

    opterr = 0;
    while ((option = getopt_long(argc, argv, ":o:", options, NULL)) != -1) {
        if (option == 'o')
            path = optarg;
        else if (option == BLANK)
            blank = true;
        else {
            command_option_wrong(NAME, argv, option, &st);
            return command_failed(context, NAME, &st);
        }
    }
    if (argc - optind != 1 || !path)
        return command_wrong(context, NAME,
                             "expected NAME -o FILE.html, or .pdf ('-o -' for standard output)");
    if (!is_printable(path))
        return command_wrong(context, NAME,
                             "-o: read '%s', expected a name that ends in .html or .pdf", path);
    if (blank)
        return make_blank(context, argv[optind], path);
    store = command_open(context, NAME, false);
    if (!store)
        return COMMAND_WRONG;
    m = calloc(1, sizeof *m);
    if (!m) {
        store_close(store, NULL);
        return command_wrong(context, NAME, "no memory");
    }
    if (judging_latest(context->units, store, argv[optind], &m->judged, &st) != STATUS_OK)
        result = command_failed(context, NAME, &st);
    else
        result = make(context, m, store, path);
    for (size_t i = 0; i < FIGURES_MAX; ++i)
        free(m->svg[i]);
    for (size_t i = 0; i < m->sheet.instrument_count; ++i)
        free(m->identity[i]);
    lifting_free(m->lift);
    judging_free(m->judged);
    free(m);
    store_close(store, NULL);
    return result;
}

const struct command command_sheet = {
    .name = NAME,
    .summary = "the test sheet of a coil, one page to print",
    .usage = "NAME [--blank] -o FILE.html|.pdf",
    .help =
        "Writes the record of the coil's latest sitting on one A4 page: measured against\n"
        "predicted, verdict, findings, plots, cautions, and the digest of the data behind it.\n"
        "A FILE.pdf is printed by chromium, where that is installed.\n\n"
        "  --blank   the sheet to wind by instead: layer by layer the turns, and a box to tick\n"
        "            for every few of them, and a line for the weight of the reel; of a coil, or\n"
        "            of a design file\n\n"
        "example: truewound sheet arm-1 -o arm-1.html\n",
    .run = run,
};
