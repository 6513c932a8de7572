/* verify: compares what was measured with the design, and says what is wrong and how sure. */
#include <getopt.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/commands/commands.h"
#include "analyze/infer/weigh.h"
#include "analyze/judging.h"
#include "analyze/printing.h"
#include "analyze/step.h"
#include "db/store_coil.h"

#define NAME "verify"

/* Findings less probable than this are not worth a line; --json has them all. */
#define WORTH_A_LINE 0.01

static int exit_status(enum verdict_result result)
{
    return result == VERDICT_PASS   ? COMMAND_DONE
           : result == VERDICT_FAIL ? COMMAND_FAIL
                                    : COMMAND_UNDECIDED;
}

static void print_text(const struct command_context *context, const struct judged *judged)
{
    const struct verdict *v = &judged->verdict;
    FILE *out = context->out;

    size_t count = evidence_readings(&judged->gathered.evidence);

    fprintf(out, "%s: %s  (", judged->entry.design.name, verdict_word(v->result));
    if (count)
        fprintf(out, "%zu measurement%s, probability that every limit holds %.1f %%", count,
                count == 1 ? "" : "s", 100.0 * v->pass_probability);
    else
        fprintf(out, "no measurement");
    fprintf(out, ")\n\n");
    for (size_t i = 0; i < v->lines; ++i)
        printing_paragraph(out, 2, 4, v->line[i]);
    if (count) /* without any they are what all coils of the trade are like */
        fprintf(out, "\nfindings\n");
    for (size_t i = 0; i < v->findings && count; ++i)
        if (i == 0 || v->finding[i].probability >= WORTH_A_LINE) {
            int used = fprintf(out, "  %5.1f %%  ", 100.0 * v->finding[i].probability);

            printing_paragraph(out, -used, used, v->finding[i].text);
        }
    if (judged->advised && judged->advice.line[0]) {
        fputc('\n', out);
        printing_paragraph(out, 0, 2, judged->advice.line);
    }
    for (size_t i = 0; i < judged->gathered.notes; ++i)
        printing_paragraph(out, -fprintf(out, "note: "), 2, judged->gathered.note[i]);
}

/* Why an estimate has ends that JSON has no number for; NULL when it has them all. */
static const char *infinite_words(const struct verdict_estimate *e)
{
    return isinf(e->median) || isinf(e->low) || isinf(e->high)
               ? "null is without limit: the circuit is, or may be, open"
               : NULL;
}

/* For programs a count has the unit 1: UDUNITS-2 reads "turns" as an angle. */
static const char *unit_of(const struct verdict_estimate *e)
{
    return !*e->unit || strcmp(e->unit, "turns") == 0 ? "1" : e->unit;
}

static json_t *estimate_json(const struct verdict_estimate *e)
{
    return json_pack("{s:s, s:s, s:o, s:o, s:o, s:o, s:f, s:b, s:s*}", "name", e->name, "unit",
                     unit_of(e), "expected", printing_number(e->expected), "median",
                     printing_number(e->median), "low", printing_number(e->low), "high",
                     printing_number(e->high), "coverage", 0.95, "given_leading", e->leading_only,
                     "why", infinite_words(e));
}

static json_t *estimates_json(const struct verdict *v)
{
    json_t *list = json_array();

    for (size_t i = 0; list && i < v->estimates; ++i)
        json_array_append_new(list, estimate_json(&v->estimate[i]));
    return list;
}

/* The logarithm of the evidence comes from a bounded distance: beyond the bound it is no figure,
 * only 'next to impossible'. */
static bool is_impossible(const struct verdict_finding *f)
{
    return !(f->log_evidence > -0.25 * WEIGH_FAR * WEIGH_FAR);
}

static json_t *finding_json(const struct verdict *v, size_t rank)
{
    const struct verdict_finding *f = &v->finding[rank];
    struct verdict_estimate figure[VERDICT_FIGURES_MAX];
    size_t n = verdict_figures(v, rank, figure);
    json_t *figures = json_array();

    for (size_t i = 0; i < n; ++i)
        json_array_append_new(figures, estimate_json(&figure[i]));
    return json_pack("{s:s, s:s, s:f, s:o, s:s*, s:s, s:o, s:s?}", "finding", f->finding->name,
                     "family", f->finding->family, "probability", f->probability, "log_evidence",
                     is_impossible(f) ? json_null() : printing_number(f->log_evidence), "why",
                     is_impossible(f) ? "a measurement cannot have come from such a coil" : NULL,
                     "text", f->text, "figures", figures, "remedy", f->finding->remedy);
}

static int print_json(const struct command_context *context, const struct judged *judged)
{
    const struct verdict *v = &judged->verdict;
    json_t *findings = json_array();
    json_t *lines = json_array();
    json_t *notes = json_array();
    json_t *doubts = json_array();
    json_t *gains = json_array();
    json_t *root;
    struct step step;

    for (size_t i = 0; i < v->findings; ++i)
        json_array_append_new(findings, finding_json(v, i));
    for (size_t i = 0; i < v->lines; ++i)
        json_array_append_new(lines, json_string(v->line[i]));
    for (size_t i = 0; i < judged->gathered.notes; ++i)
        json_array_append_new(notes, json_string(judged->gathered.note[i]));
    for (size_t i = 0; i < v->misfits; ++i)
        json_array_append_new(
            doubts, json_pack("{s:s, s:I, s:f}", "item",
                              judged->gathered.evidence.item[v->misfit[i].item].source, "entry",
                              (json_int_t)judged->gathered.source[v->misfit[i].item], "probability",
                              v->misfit[i].probability));
    for (size_t i = 0; judged->advised && i < judged->advice.gains; ++i)
        json_array_append_new(gains,
                              json_pack("{s:s, s:f, s:f}", "measure",
                                        judged->option[judged->advice.gain[i].option].name, "bits",
                                        judged->advice.gain[i].bits, "minutes",
                                        judged->option[judged->advice.gain[i].option].minutes));
    step_next(judged, &step);
    root = json_pack(
        "{s:s, s:s, s:f, s:I, s:I, s:o, s:o, s:o, s:o, s:o, s:o, s:b, s:b, s:f, s:f, s:o, s:s, "
        "s:s, s:o}",
        "coil", judged->entry.design.name, "verdict", verdict_word(v->result), "pass_probability",
        v->pass_probability, "run", (json_int_t)judged->run, "measurements",
        (json_int_t)evidence_readings(&judged->gathered.evidence), "lines", lines, "findings",
        findings, "estimates", estimates_json(v), "misfits", doubts, "notes", notes, "next", gains,
        "direction_open", v->direction_open, "unexplained", v->unexplained, "unknown_probability",
        v->unknown_probability, "cancel_probability", v->cancel_probability, "fit_p",
        printing_number(v->fit_p), "version", TRUEWOUND_VERSION, "digest", judged->gathered.digest,
        "step", step_json(&step));
    return printing_json(context, NAME, root);
}

/* One row of the long table: what it is, of which finding, its name. */
static void begin_row(struct table *table, const struct judged *judged, const char *item,
                      const char *finding, const char *name)
{
    table_row(table);
    table_text(table, judged->entry.design.name);
    table_text(table, item);
    table_text(table, finding);
    table_text(table, name);
}

static void add_text(struct table *table, const struct judged *judged, const char *item,
                     const char *text)
{
    begin_row(table, judged, item, NULL, NULL);
    for (int i = 0; i < 5; ++i)
        table_absent(table);
    table_text(table, text);
}

/* A figure without interval. */
static void add_value(struct table *table, double value, const char *unit, const char *text)
{
    table_figure(table, value, NAN);
    for (int i = 0; i < 3; ++i)
        table_absent(table);
    table_text(table, unit);
    table_text(table, text);
}

static void add_estimate(struct table *table, const struct judged *judged, const char *item,
                         const char *finding, const struct verdict_estimate *e)
{
    begin_row(table, judged, item, finding, e->name);
    table_figure(table, e->median, NAN);
    table_figure(table, e->low, NAN);
    table_figure(table, e->high, NAN);
    table_figure(table, e->expected, NAN);
    table_text(table, unit_of(e));
    table_text(table, isinf(e->median) ? "open" : NULL);
}

/* Everything that has a number, one a row: verdict, findings with their figures, estimates, what to
 * measure next; then the sentences. */
static int print_csv(const struct command_context *context, const struct judged *judged)
{
    static const char *const texts[] = {"coil", "item", "finding", "name"};
    static const char *const figures[] = {"value", "low", "high", "expected"};
    const struct verdict *v = &judged->verdict;
    struct table *table = table_new(NULL);

    if (!table)
        return command_wrong(context, NAME, "no memory");
    for (size_t i = 0; i < sizeof texts / sizeof *texts; ++i)
        table_column(table, TABLE_TEXT, texts[i], texts[i], NULL);
    for (size_t i = 0; i < sizeof figures / sizeof *figures; ++i)
        table_column(table, TABLE_FIGURE, figures[i], figures[i], NULL);
    table_column(table, TABLE_TEXT, "unit", "unit", NULL);
    table_column(table, TABLE_TEXT, "text", "text", NULL);

    begin_row(table, judged, "verdict", NULL, verdict_word(v->result));
    add_value(table, v->pass_probability, "1", "probability that every limit holds");
    begin_row(table, judged, "measurements", NULL, NULL);
    add_value(table, (double)evidence_readings(&judged->gathered.evidence), "1", NULL);
    for (size_t i = 0; i < v->findings; ++i) {
        const char *name = v->finding[i].finding->name;
        struct verdict_estimate figure[VERDICT_FIGURES_MAX];
        size_t n = verdict_figures(v, i, figure);

        begin_row(table, judged, "finding", name, "probability");
        add_value(table, v->finding[i].probability, "1", v->finding[i].text);
        for (size_t j = 0; j < n; ++j)
            add_estimate(table, judged, "figure", name, &figure[j]);
    }
    begin_row(table, judged, "finding", "unknown", "probability");
    add_value(table, v->unknown_probability, "1", "something that is not in the table");
    for (size_t i = 0; i < v->estimates; ++i)
        add_estimate(table, judged, "estimate", NULL, &v->estimate[i]);
    for (size_t i = 0; judged->advised && i < judged->advice.gains; ++i) {
        begin_row(table, judged, "next", NULL, judged->option[judged->advice.gain[i].option].name);
        add_value(table, judged->advice.gain[i].bits, "bit", NULL);
    }
    for (size_t i = 0; i < v->lines; ++i)
        add_text(table, judged, "line", v->line[i]);
    for (size_t i = 0; i < judged->gathered.notes; ++i)
        add_text(table, judged, "note", judged->gathered.note[i]);
    return printing_table(context, NAME, table);
}

static int match_run(const struct store_run *row, void *user)
{
    int64_t *wanted = user;

    if (row->id == *wanted)
        *wanted = 0;
    return 0;
}

static bool has_run(struct store *store, const char *name, int64_t run)
{
    struct status st;
    int64_t coil;

    /* an unknown coil is named by what follows */
    if (store_coil_find(store, name, &coil, &st) != STATUS_OK)
        return true;
    return store_coil_runs(store, coil, match_run, &run, &st) == STATUS_OK && run == 0;
}

static int run(struct command_context *context, int argc, char **argv)
{
    enum { RUN = 1000, ALL, UNRECORDED };
    static const struct option options[] = {{"run", required_argument, NULL, RUN},
                                            {"all", no_argument, NULL, ALL},
                                            {"unrecorded", no_argument, NULL, UNRECORDED},
                                            {NULL, 0, NULL, 0}};
    struct judged *judged = NULL;
    struct store *store;
    struct status st;
    int64_t which = -1;
    int64_t id;
    bool record = true;
    enum status_code code;
    char *end;
    int option;
    int result;

    opterr = 0;
    while ((option = getopt_long(argc, argv, ":", options, NULL)) != -1) {
        switch (option) {
        case RUN:
            which = strtoll(optarg, &end, 10);
            if (*end || which < 1)
                return command_wrong(context, NAME, "--run: read '%s', expected a run's number",
                                     optarg);
            break;
        case ALL:
            which = 0;
            break;
        case UNRECORDED:
            record = false;
            break;
        default:
            command_option_wrong(NAME, argv, option, &st);
            return command_failed(context, NAME, &st);
        }
    }
    if (argc - optind != 1)
        return command_wrong(context, NAME,
                             "expected the name of one coil; 'truewound coil list' shows them");
    store = command_open(context, NAME, false);
    if (!store)
        return COMMAND_WRONG;
    if (which > 0 && !has_run(store, argv[optind], which)) {
        store_close(store, NULL);
        return command_wrong(
            context, NAME,
            "coil '%s' has no run %lld; leave --run out for its latest sitting, or say --all",
            argv[optind], (long long)which);
    }
    code = which < 0 ? judging_latest(context->units, store, argv[optind], &judged, &st)
                     : judging_reach(context->units, store, argv[optind], which, &judged, &st);
    store_close(store, NULL);
    if (code != STATUS_OK)
        return command_failed(context, NAME, &st);
    if (record) {
        store = command_open(context, NAME, true);
        if (!store || judging_record(store, judged, &id, &st) != STATUS_OK) {
            if (store)
                command_failed(context, NAME, &st);
            fprintf(context->err, "Without a record, with --unrecorded, the verdict can be had.\n");
            store_close(store, NULL);
            judging_free(judged);
            return COMMAND_WRONG;
        }
        store_close(store, NULL);
    }
    result = exit_status(judged->verdict.result);
    if (context->form == COMMAND_TEXT)
        print_text(context, judged);
    else if ((context->form == COMMAND_CSV ? print_csv(context, judged)
                                           : print_json(context, judged)) != COMMAND_DONE)
        result = COMMAND_WRONG;
    judging_free(judged);
    return result;
}

const struct command command_verify = {
    .name = NAME,
    .summary = "compare the measured coil with its design: pass, fail or undecided",
    .usage = "NAME [--run N | --all] [--unrecorded]",
    .help = "Judges the coil by the measurements of its latest sitting (or of run N, or of all).\n"
            "Says what is probably wrong, how sure that is, and what to measure next. The verdict\n"
            "is recorded unless --unrecorded is given. Exit status 0 pass, 1 fail, 3 undecided.\n\n"
            "example: truewound verify arm-1\n",
    .tables = true,
    .json = true,
    .run = run,
};
