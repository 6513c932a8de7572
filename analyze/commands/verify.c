/* verify: compares what was measured with the design, and says what is wrong and how sure. */
#include <getopt.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/commands/commands.h"
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

    size_t count = judged->gathered.evidence.count;

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

static json_t *estimates_json(const struct verdict *v)
{
    json_t *list = json_array();

    for (size_t i = 0; list && i < v->estimates; ++i)
        json_array_append_new(list, json_pack("{s:s, s:s, s:o, s:o, s:o, s:o, s:b}", "name",
                                              v->estimate[i].name, "unit", v->estimate[i].unit,
                                              "expected", printing_number(v->estimate[i].expected),
                                              "median", printing_number(v->estimate[i].median),
                                              "low", printing_number(v->estimate[i].low), "high",
                                              printing_number(v->estimate[i].high), "given_leading",
                                              v->estimate[i].leading_only));
    return list;
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
        json_array_append_new(findings,
                              json_pack("{s:s, s:s, s:f, s:o, s:s, s:s?}", "finding",
                                        v->finding[i].finding->name, "family",
                                        v->finding[i].finding->family, "probability",
                                        v->finding[i].probability, "log_evidence",
                                        printing_number(v->finding[i].log_evidence), "text",
                                        v->finding[i].text, "remedy", v->finding[i].remedy));
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
        "{s:s, s:s, s:f, s:I, s:I, s:o, s:o, s:o, s:o, s:o, s:o, s:b, s:b, s:f, s:o, s:s, s:s, "
        "s:o}",
        "coil", judged->entry.design.name, "verdict", verdict_word(v->result), "pass_probability",
        v->pass_probability, "run", (json_int_t)judged->run, "measurements",
        (json_int_t)judged->gathered.evidence.count, "lines", lines, "findings", findings,
        "estimates", estimates_json(v), "misfits", doubts, "notes", notes, "next", gains,
        "direction_open", v->direction_open, "unexplained", v->unexplained, "cancel_probability",
        v->cancel_probability, "fit_p", printing_number(v->fit_p), "version", TRUEWOUND_VERSION,
        "digest", judged->gathered.digest, "step", step_json(&step));
    return printing_json(context, NAME, root);
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
    else if (print_json(context, judged) != COMMAND_DONE)
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
    .run = run,
};
