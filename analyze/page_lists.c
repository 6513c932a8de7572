#include "analyze/page_lists.h"

#include <jansson.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "analyze/page_private.h"
#include "db/store_coil.h"
#include "db/store_evidence.h"
#include "db/store_result.h"
#include "reports/style.h"
#include <libxml/uri.h>

#define AGAIN_US  5000000
#define COILS_MAX 20000 /* read */
#define SHOWN_MAX 40    /* on the page */

static void forget(struct page_lists *lists)
{
    for (size_t i = 0; i < lists->coils; ++i)
        free(lists->coil[i].findings);
    lists->coils = 0;
}

static int coil_row(const struct store_coil *row, void *user)
{
    struct page_lists *lists = user;
    struct page_coil *more;

    if (lists->coils >= COILS_MAX)
        return 1;
    if (lists->coils == lists->size) {
        size_t size = lists->size ? 2 * lists->size : 64;

        more = realloc(lists->coil, size * sizeof *more);
        if (!more) {
            lists->failed = true;
            return 1;
        }
        lists->coil = more;
        lists->size = size;
    }
    more = &lists->coil[lists->coils++];
    *more = (struct page_coil){.id = row->id};
    snprintf(more->name, sizeof more->name, "%s", row->name);
    return 0;
}

static int by_id(const void *a, const void *b)
{
    const struct page_coil *x = a, *y = b;

    return (x->id > y->id) - (x->id < y->id);
}

static int by_use(const void *a, const void *b)
{
    const struct page_coil *x = a, *y = b;

    if (x->measured != y->measured)
        return x->measured < y->measured ? 1 : -1;
    return strcmp(x->name, y->name);
}

static struct page_coil *find(struct page_lists *lists, int64_t id)
{
    struct page_coil key = {.id = id};

    return lists->coils ? bsearch(&key, lists->coil, lists->coils, sizeof key, by_id) : NULL;
}

static void entered(struct page_lists *lists, int64_t id, int64_t time)
{
    struct page_coil *coil = find(lists, id);

    if (!coil)
        return;
    ++coil->entries;
    if (time > coil->measured)
        coil->measured = time;
}

static int observation_row(const struct store_observation *row, void *user)
{
    entered(user, row->coil, row->time);
    return 0;
}

static int trial_row(const struct store_trial *row, void *user)
{
    entered(user, row->coil, row->time);
    return 0;
}

static int verdict_row(const struct store_verdict *row, void *user)
{
    struct page_lists *lists = user;
    struct page_coil *coil = find(lists, row->coil);

    if (!coil)
        return 0;
    snprintf(coil->verdict, sizeof coil->verdict, "%s", row->verdict);
    coil->judged = row->time;
    free(coil->findings);
    coil->findings = row->findings ? strdup(row->findings) : NULL;
    return 0;
}

enum status_code page_lists_read(struct page_lists *lists, struct store *store, int64_t now,
                                 struct status *st)
{
    enum status_code code;

    if (lists->read && now >= lists->read && now - lists->read < AGAIN_US)
        return status_ok(st);
    forget(lists);
    lists->failed = false;
    code = store_coil_list(store, NULL, coil_row, lists, st);
    if (lists->coils)
        qsort(lists->coil, lists->coils, sizeof *lists->coil, by_id);
    if (code == STATUS_OK)
        code = store_evidence_observations(store, 0, 0, false, observation_row, lists, st);
    if (code == STATUS_OK)
        code = store_evidence_trials(store, 0, 0, false, trial_row, lists, st);
    if (code == STATUS_OK)
        code = store_result_verdicts(store, 0, verdict_row, lists, st);
    if (lists->coils)
        qsort(lists->coil, lists->coils, sizeof *lists->coil, by_use);
    lists->read = now;
    if (code == STATUS_OK && lists->failed)
        code = status_fail(st, STATUS_MEMORY, "no memory for the list of coils");
    lists->failed = code != STATUS_OK;
    return code;
}

const char *page_lists_latest(const struct page_lists *lists)
{
    return lists->coils ? lists->coil[0].name : NULL;
}

const char *page_lists_ago(char *buf, size_t size, int64_t us)
{
    double s = (double)us * 1e-6;

    if (s < 1.5)
        snprintf(buf, size, "now");
    else if (s < 120.0)
        snprintf(buf, size, "%.0f s ago", s);
    else if (s < 7200.0)
        snprintf(buf, size, "%.0f min ago", s / 60.0);
    else if (s < 172800.0)
        snprintf(buf, size, "%.0f h ago", s / 3600.0);
    else
        snprintf(buf, size, "%.0f days ago", s / 86400.0);
    return buf;
}

char *page_lists_link(const char *path, const char *coil)
{
    xmlChar *escaped = xmlURIEscapeStr((const xmlChar *)coil, NULL);
    char *link = NULL;

    if (!escaped || asprintf(&link, "%s?coil=%s", path, (const char *)escaped) < 0)
        link = NULL;
    xmlFree(escaped);
    return link;
}

/* What a row says of a coil: the verdict on show when it is newer than that on record. */
struct said {
    const char *verdict; /* empty: none */
    char *finding;       /* the leading one, to be freed; NULL: none */
    bool behind;         /* measured since */
};

static struct said say(const struct page_view *view, const struct page_coil *coil)
{
    const struct page_judge *judge = &view->page->judge;
    const struct page_judgement *j = page_judge_known(judge, coil->name);
    bool live = j && j->verdict && !page_judge_busy(judge, j);
    json_t *stored = !live && coil->findings ? json_loads(coil->findings, 0, NULL) : NULL;
    const json_t *list = live ? json_object_get(j->verdict, "findings") : stored;
    const char *text = json_string_value(json_object_get(json_array_get(list, 0), "text"));
    const char *word = live ? json_string_value(json_object_get(j->verdict, "verdict")) : NULL;
    struct said said = {.verdict = word ? word : coil->verdict,
                        .finding = text ? strdup(text) : NULL,
                        .behind = !live && *coil->verdict && coil->measured > coil->judged};

    /* A coil that nothing was measured of is not spoken of. */
    if (!coil->entries && !*coil->verdict) {
        free(said.finding);
        said = (struct said){.verdict = ""};
    }
    json_decref(stored);
    return said;
}

static bool head(xmlNode *table, const char *const *words)
{
    xmlNode *row = style_element(style_element(table, "thead", NULL, NULL), "tr", NULL, NULL);
    bool good = row != NULL;

    for (; *words; ++words) {
        xmlNode *cell = style_element(row, "th", NULL, *words);

        good = style_attribute(cell, "scope", "col") && good;
    }
    return good;
}

static bool put_coil(const struct page_view *view, xmlNode *body, const struct page_coil *coil)
{
    xmlNode *row = style_element(body, "tr", NULL, NULL);
    xmlNode *name = style_element(row, "th", NULL, NULL);
    xmlNode *link = style_element(name, "a", NULL, coil->name);
    char *address = page_lists_link("/", coil->name);
    struct said said = say(view, coil);
    char ago[32];
    bool chosen = view->coil && strcmp(view->coil, coil->name) == 0;
    bool good;

    good = address && style_attribute(link, "href", address) &&
           style_attribute(name, "scope", "row") && style_element(row, "td", NULL, NULL) != NULL;
    free(address);
    if (good && chosen)
        good = style_attribute(link, "aria-current", "page");
    if (good && *said.verdict)
        good = style_element(xmlLastElementChild(row), "b", said.verdict, said.verdict) != NULL;
    else if (good)
        good = style_element(xmlLastElementChild(row), "span", "soft", "not judged") != NULL;
    if (good && said.behind)
        good = style_element(xmlLastElementChild(row), "span", "soft", " (measured since)") != NULL;
    good = good && style_element(row, "td", NULL, said.finding ? said.finding : "");
    free(said.finding);
    return good && style_element(row, "td", "soft figure",
                                 coil->measured ? page_lists_ago(ago, sizeof ago,
                                                                 view->page->now - coil->measured)
                                                : "never");
}

bool page_lists_put_coils(const struct page_view *view, xmlNode *parent)
{
    static const char *const words[] = {"coil", "verdict", "most likely", "taken", NULL};
    struct page_lists *lists = &view->page->lists;
    xmlNode *table, *body;
    struct status st;
    char more[96];
    bool good;

    if (page_lists_read(lists, view->page->store, view->page->now, &st) != STATUS_OK)
        return style_element(parent, "p", "fail", st.text) != NULL;
    if (lists->coils == 0)
        return style_element(parent, "p", "soft",
                             "No coil yet: 'truewound coil add FILE' records one.") != NULL;
    table = style_element(parent, "table", "stack", NULL);
    good = head(table, words);
    body = style_element(table, "tbody", NULL, NULL);
    for (size_t i = 0; good && i < lists->coils && i < SHOWN_MAX; ++i)
        good = put_coil(view, body, &lists->coil[i]);
    if (good && lists->coils > SHOWN_MAX) {
        snprintf(more, sizeof more,
                 "and %zu more, measured longer ago: 'truewound coil list' lists all",
                 lists->coils - SHOWN_MAX);
        good = style_element(parent, "p", "soft", more) != NULL;
    }
    return good;
}

void page_lists_free(struct page_lists *lists)
{
    forget(lists);
    free(lists->coil);
    *lists = (struct page_lists){0};
}
