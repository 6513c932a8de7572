#include "analyze/judging.h"

#include <stdlib.h>

#include <jansson.h>

#include "analyze/model/coil.h"
#include "analyze/printing.h"
#include "analyze/sitting.h"
#include "db/store_result.h"

/* run NULL: the latest. */
static enum status_code reach(struct units *units, struct store *store, const char *name,
                              const int64_t *run, bool learnt, struct judged *judged,
                              struct status *st)
{
    struct verdict_options options;
    struct coil *coil = NULL;
    enum status_code code = coilbook_load(units, store, name, &judged->entry, st);

    if (code == STATUS_OK && run)
        judged->run = *run;
    else if (code == STATUS_OK)
        code = sitting_latest(store, judged->entry.coil, &judged->run, st);
    if (code == STATUS_OK)
        code = gather_evidence(store, &judged->entry, judged->run, &judged->gathered, st);
    if (code == STATUS_OK)
        code = coil_new(&judged->entry.design, &coil, st);
    if (code != STATUS_OK)
        return code;
    judged->entry.design = *coil_design(coil);
    coil_free(coil);
    options = verdict_options_default(&judged->entry.design);
    if (learnt)
        recall_use(&judged->gathered.recalled, &judged->gathered.evidence, &options.learnt);
    code = verdict_reach(&judged->entry.design, &judged->gathered.evidence, &options,
                         &judged->verdict, st);
    if (code != STATUS_OK)
        return code;
    judged->options = advise_usual(&judged->entry.design, judged->option, ADVISE_MAX);
    judged->advised = advise_next(&judged->verdict, &judged->gathered.evidence, judged->option,
                                  judged->options, &judged->advice, st) == STATUS_OK;
    return status_ok(st);
}

static enum status_code make(struct units *units, struct store *store, const char *name,
                             const int64_t *run, bool learnt, struct judged **out,
                             struct status *st)
{
    struct judged *judged = calloc(1, sizeof *judged);
    enum status_code code;

    *out = NULL;
    if (!judged)
        return status_fail(st, STATUS_MEMORY, "no memory");
    code = reach(units, store, name, run, learnt, judged, st);
    if (code != STATUS_OK) {
        judging_free(judged);
        return code;
    }
    *out = judged;
    return STATUS_OK;
}

enum status_code judging_reach(struct units *units, struct store *store, const char *name,
                               int64_t run, struct judged **judged, struct status *st)
{
    return make(units, store, name, &run, true, judged, st);
}

enum status_code judging_latest(struct units *units, struct store *store, const char *name,
                                struct judged **judged, struct status *st)
{
    return make(units, store, name, NULL, true, judged, st);
}

enum status_code judging_unlearnt(struct units *units, struct store *store, const char *name,
                                  struct judged **judged, struct status *st)
{
    return make(units, store, name, NULL, false, judged, st);
}

enum status_code judging_record(struct store *store, const struct judged *judged, int64_t *id,
                                struct status *st)
{
    const struct verdict *verdict = &judged->verdict;
    json_t *findings = json_array();
    char *text;
    struct store_verdict row = {.coil = judged->entry.coil,
                                .run = judged->run,
                                .version = TRUEWOUND_VERSION,
                                .digest = judged->gathered.digest,
                                .verdict = verdict_word(verdict->result)};
    enum status_code code;

    for (size_t i = 0; findings && i < verdict->findings; ++i)
        json_array_append_new(findings, json_pack("{s:s, s:f, s:s}", "finding",
                                                  verdict->finding[i].finding->name, "probability",
                                                  verdict->finding[i].probability, "text",
                                                  verdict->finding[i].text));
    text = findings ? json_dumps(findings, JSON_COMPACT | JSON_REAL_PRECISION(6)) : NULL;
    json_decref(findings);
    if (!text)
        return status_fail(st, STATUS_MEMORY, "no memory for the verdict's record");
    row.findings = text;
    code = store_result_add_verdict(store, &row, id, st);
    free(text);
    return code;
}

void judging_free(struct judged *judged)
{
    if (!judged)
        return;
    verdict_free(&judged->verdict);
    free(judged);
}
