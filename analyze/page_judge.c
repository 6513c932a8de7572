#include "analyze/page_judge.h"

#include <stdlib.h>
#include <string.h>

#include "analyze/gather.h"
#include "analyze/sitting.h"
#include "db/store_coil.h"

/* A verdict that takes longer has gone wrong. */
#define LONGEST_S 60.0

static void clear(struct page_judgement *judgement)
{
    json_decref(judgement->verdict);
    *judgement = (struct page_judgement){0};
}

/* The place of a coil in the table; a new one takes that of the coil longest not looked at. */
static struct page_judgement *place(struct page_judge *judge, const char *coil)
{
    struct page_judgement *oldest = NULL;

    for (size_t i = 0; i < PAGE_JUDGE_COILS; ++i) {
        struct page_judgement *j = &judge->coil[i];

        if (strcmp(j->coil, coil) == 0)
            return j;
        if (j != judge->about && (!oldest || j->looked < oldest->looked))
            oldest = j;
    }
    clear(oldest);
    snprintf(oldest->coil, sizeof oldest->coil, "%s", coil);
    return oldest;
}

/* Reads design and evidence as they are now. */
static enum status_code look(struct page_judgement *j, struct units *units, struct store *store,
                             struct status *st)
{
    struct coilbook_entry *entry = malloc(sizeof *entry);
    struct gathered *gathered = malloc(sizeof *gathered);
    int64_t run = 0;
    enum status_code code = entry && gathered ? STATUS_OK : STATUS_MEMORY;

    if (code != STATUS_OK)
        status_fail(st, code, "no memory");
    if (code == STATUS_OK)
        code = coilbook_load(units, store, j->coil, entry, st);
    if (code == STATUS_OK)
        code = sitting_latest(store, entry->coil, &run, st);
    if (code == STATUS_OK)
        code = gather_evidence(store, entry, run, gathered, st);
    if (code == STATUS_OK) {
        memcpy(j->digest, gathered->digest, sizeof j->digest);
        j->evidence = gathered->evidence;
        j->limbs = design_limbs(&entry->design);
        snprintf(j->note, sizeof j->note, "%s", entry->design.note);
    }
    free(gathered);
    free(entry);
    return code;
}

static void begin(struct page_judge *judge, struct page_judgement *j, const char *database)
{
    const char *words[] = {"--json", "verify", j->coil, "--unrecorded", NULL};
    struct status st;

    if (page_child_start(&judge->child, database, words, LONGEST_S, &st) == STATUS_OK)
        judge->about = j;
    else
        snprintf(j->trouble, sizeof j->trouble, "%s", st.text);
    memcpy(j->judged, j->digest, sizeof j->judged);
}

const struct page_judgement *page_judge_look(struct page_judge *judge, const char *database,
                                             struct units *units, struct store *store,
                                             const char *coil, int64_t now)
{
    struct page_judgement *j;
    struct status st;
    int64_t id;

    if (!*coil || store_coil_find(store, coil, &id, &st) != STATUS_OK)
        return NULL;
    j = place(judge, coil);
    if (j->looked != now) {
        j->looked = now;
        if (look(j, units, store, &st) != STATUS_OK)
            snprintf(j->trouble, sizeof j->trouble, "%s", st.text);
    }
    /* A name that the command line would take for an option cannot be judged from here. */
    if (coil[0] == '-')
        snprintf(j->trouble, sizeof j->trouble,
                 "a coil whose name begins with '-' cannot be judged here");
    else if (!judge->child.pid && strcmp(j->digest, j->judged) != 0)
        begin(judge, j, database);
    return j;
}

const struct page_judgement *page_judge_known(const struct page_judge *judge, const char *coil)
{
    for (size_t i = 0; *coil && i < PAGE_JUDGE_COILS; ++i)
        if (strcmp(judge->coil[i].coil, coil) == 0)
            return &judge->coil[i];
    return NULL;
}

bool page_judge_busy(const struct page_judge *judge, const struct page_judgement *judgement)
{
    return judge->about == judgement || strcmp(judgement->digest, judgement->judged) != 0;
}

static void take(struct page_judgement *j, const struct page_child *child)
{
    json_t *verdict = json_loads(child->text, 0, NULL);
    const char *word = json_string_value(json_object_get(j->verdict, "verdict"));

    if (!json_is_object(verdict)) {
        json_decref(verdict);
        snprintf(j->trouble, sizeof j->trouble, "%.*s", (int)strcspn(child->errors, "\n"),
                 *child->errors ? child->errors : "the verdict did not come in time");
        return;
    }
    if (word) {
        snprintf(j->before, sizeof j->before, "%s", word);
        j->before_probability = json_number_value(json_object_get(j->verdict, "pass_probability"));
    }
    json_decref(j->verdict);
    j->verdict = verdict;
    /* The evidence may have grown since the child was started: it says what it saw. */
    word = json_string_value(json_object_get(verdict, "digest"));
    if (word)
        snprintf(j->judged, sizeof j->judged, "%s", word);
    j->trouble[0] = '\0';
}

bool page_judge_step(struct page_judge *judge)
{
    if (!page_child_step(&judge->child))
        return false;
    take(judge->about, &judge->child);
    judge->about = NULL;
    return true;
}

void page_judge_free(struct page_judge *judge)
{
    page_child_free(&judge->child);
    for (size_t i = 0; i < PAGE_JUDGE_COILS; ++i)
        clear(&judge->coil[i]);
}
