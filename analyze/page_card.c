#include "analyze/page_card.h"

#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "analyze/compare.h"
#include "analyze/kinds.h"
#include "analyze/page_private.h"
#include "db/quantity.h"
#include "reports/style.h"

#define FINDINGS_SHOWN  6
#define WORTH_A_LINE    0.01
#define TAKEN_SHOWN_MAX 24

static const struct page_judgement *judgement_of(const struct page_view *view)
{
    struct page *page = view->page;

    return view->coil ? page_judge_look(&page->judge, page->database, page->units, page->store,
                                        view->coil, page->now)
                      : NULL;
}

static const char *text_of(const json_t *object, const char *key)
{
    const char *text = json_string_value(json_object_get(object, key));

    return text ? text : "";
}

/* "under 1 %", "33 %", "over 99 %": a probability is never said to be nothing or all. */
static const char *per_cent(char *buf, size_t size, double p)
{
    if (!isfinite(p))
        snprintf(buf, size, "unknown");
    else if (p < 0.01)
        snprintf(buf, size, "under 1 %%");
    else if (p > 0.99)
        snprintf(buf, size, "over 99 %%");
    else
        snprintf(buf, size, "%.0f %%", 100.0 * p);
    return buf;
}

static bool put_waiting(const struct page_view *view, xmlNode *parent)
{
    char text[STORE_NAME_MAX + 96];

    snprintf(text, sizeof text, "Hold still: %s", page_act_running(&view->page->act));
    return style_element(parent, "p", "next", text) &&
           style_element(parent, "p", "how", "It is taken as soon as the reading rests.");
}

bool page_card_put_step(const struct page_view *view, xmlNode *parent)
{
    const struct page_judgement *j = judgement_of(view);
    const json_t *step = j && j->verdict ? json_object_get(j->verdict, "step") : NULL;
    const char *word;
    char text[STATUS_TEXT_SIZE + 64];
    bool good;

    if (page_act_running(&view->page->act))
        return put_waiting(view, parent);
    if (!view->coil)
        return style_element(parent, "p", "next", "Record a coil") &&
               style_element(parent, "p", "how", "'truewound coil add FILE' takes its design.");
    if (!j)
        return style_element(parent, "p", "next", "This coil is gone") != NULL;
    if (!step)
        return style_element(parent, "p", "next", *j->trouble ? "No advice" : "One moment") &&
               style_element(parent, "p", "how",
                             *j->trouble ? j->trouble : "What is known is being weighed.");
    if (json_is_true(json_object_get(step, "done"))) {
        word = text_of(j->verdict, "verdict");
        snprintf(text, sizeof text, "%s: %s", view->coil, word);
        good = style_element(parent, "p", "next", text) &&
               style_element(parent, "p", "how", text_of(step, "words"));
    } else {
        snprintf(text, sizeof text, "%s", text_of(step, "title"));
        if (text[0] >= 'a' && text[0] <= 'z')
            text[0] = (char)(text[0] - 'a' + 'A');
        good = style_element(parent, "p", "next", text) &&
               style_element(parent, "p", "how", text_of(step, "words"));
    }
    if (good && *text_of(step, "caution")) {
        snprintf(text, sizeof text, "Mind: %s", text_of(step, "caution"));
        good = style_element(parent, "p", "mind", text) != NULL;
    }
    return good;
}

static bool put_bar(xmlNode *cell, double share)
{
    xmlNode *svg = style_element(cell, "svg", "share", NULL);
    xmlNode *rect = style_element(svg, "rect", NULL, NULL);
    char width[32];

    snprintf(width, sizeof width, "%.1f", 100.0 * fmin(1.0, fmax(0.0, share)));
    return style_attribute(svg, "viewBox", "0 0 100 8") &&
           style_attribute(svg, "preserveAspectRatio", "none") &&
           style_attribute(svg, "aria-hidden", "true") && style_attribute(rect, "width", width) &&
           style_attribute(rect, "height", "8");
}

static bool put_findings(const json_t *findings, xmlNode *parent)
{
    xmlNode *table = style_element(parent, "table", "findings", NULL);
    xmlNode *body = style_element(table, "tbody", NULL, NULL);
    bool good = body != NULL;
    const json_t *finding;
    size_t i;

    json_array_foreach(findings, i, finding)
    {
        double p = json_number_value(json_object_get(finding, "probability"));
        char text[32];
        xmlNode *row, *cell;

        if (!good || i >= FINDINGS_SHOWN || (i > 0 && p < WORTH_A_LINE))
            break;
        row = style_element(body, "tr", NULL, NULL);
        good = style_element(row, "td", "figure", per_cent(text, sizeof text, p)) != NULL;
        cell = style_element(row, "td", NULL, text_of(finding, "text"));
        good = good && put_bar(cell, p);
    }
    return good;
}

static bool put_lines(const struct page_judgement *j, xmlNode *parent)
{
    const json_t *lines = json_object_get(j->verdict, "lines");
    const json_t *notes = json_object_get(j->verdict, "notes");
    const json_t *line;
    xmlNode *more = style_element(parent, "details", NULL, NULL);
    bool good = style_element(more, "summary", NULL, "in full sentences") != NULL;
    size_t i;

    good = good && style_attribute(xmlFirstElementChild(more), "id", "in-full");
    json_array_foreach(lines, i, line) good =
        good && style_element(more, "p", NULL, json_string_value(line));
    json_array_foreach(notes, i, line) good =
        good && style_element(more, "p", "undecided", json_string_value(line));
    return good;
}

bool page_card_put_verdict(const struct page_view *view, xmlNode *parent)
{
    const struct page_judgement *j = judgement_of(view);
    const json_t *doubt;
    const char *word;
    char text[256], now[32], before[32];
    bool good;
    size_t i;

    if (!j)
        return style_element(parent, "p", "soft", "No coil is chosen.") != NULL;
    if (*j->trouble && !style_element(parent, "p", "fail", j->trouble))
        return false;
    if (!j->verdict)
        return *j->trouble || style_element(parent, "p", "soft", "Not weighed yet.");
    word = text_of(j->verdict, "verdict");
    snprintf(text, sizeof text, "verdict %s", word);
    good = style_element(parent, "p", text, word) != NULL;
    i = (size_t)json_integer_value(json_object_get(j->verdict, "measurements"));
    snprintf(text, sizeof text, "within every limit: %s, from %zu measurement%s",
             per_cent(now, sizeof now,
                      json_number_value(json_object_get(j->verdict, "pass_probability"))),
             i, i == 1 ? "" : "s");
    good = good && style_element(parent, "p", NULL, text);
    if (good && *j->before) {
        snprintf(text, sizeof text, "before the last one: %s, %s", j->before,
                 per_cent(before, sizeof before, j->before_probability));
        good = style_element(parent, "p", "soft", text) != NULL;
    }
    if (good && page_judge_busy(&view->page->judge, j))
        good = style_element(parent, "p", "soft", "New evidence is being weighed.") != NULL;
    json_array_foreach(json_object_get(j->verdict, "misfits"), i, doubt)
    {
        snprintf(text, sizeof text, "The %s does not fit the rest: take it again.",
                 text_of(doubt, "item"));
        good = good && style_element(parent, "p", "undecided", text);
    }
    return good && put_findings(json_object_get(j->verdict, "findings"), parent) &&
           put_lines(j, parent);
}

static const char *value_text(char *buf, size_t size, const struct evidence_set *set,
                              const struct evidence_item *item)
{
    const struct kind *kind = kinds_find(evidence_quantity(item->kind));
    char value[UNITS_FORMAT_SIZE];

    if (item->kind == EVIDENCE_POLARITY) {
        snprintf(buf, size, "%s", evidence_pole(item->value));
        return buf;
    }
    units_format(value, sizeof value, item->value,
                 item->bound == EVIDENCE_EQUAL && item->kind != EVIDENCE_LIFT
                     ? compare_measured_u(set, item)
                     : NAN,
                 kind ? quantity_find(kind->quantity) : NULL);
    snprintf(buf, size, "%s%s%s",
             item->bound == EVIDENCE_ABOVE   ? "more than "
             : item->bound == EVIDENCE_BELOW ? "less than "
                                             : "",
             value,
             item->kind != EVIDENCE_LIFT         ? ""
             : item->outcome == EVIDENCE_HELD    ? " held"
             : item->outcome == EVIDENCE_DROPPED ? " dropped"
                                                 : " not lifted");
    return buf;
}

bool page_card_put_taken(const struct page_view *view, xmlNode *parent)
{
    const struct page_judgement *j = judgement_of(view);
    const struct evidence_set *set;
    xmlNode *body;
    char text[160];
    bool good = true;

    if (!j || j->evidence.count == 0)
        return style_element(parent, "p", "soft", "Nothing has been taken in this sitting.") !=
               NULL;
    set = &j->evidence;
    body = style_element(style_element(parent, "table", NULL, NULL), "tbody", NULL, NULL);
    for (size_t i = 0; good && i < set->count && i < TAKEN_SHOWN_MAX; ++i) {
        xmlNode *row = style_element(body, "tr", NULL, NULL);

        good =
            style_element(row, "td", NULL, set->item[i].source) &&
            style_element(row, "td", "figure", value_text(text, sizeof text, set, &set->item[i]));
    }
    if (good && set->count > TAKEN_SHOWN_MAX) {
        snprintf(text, sizeof text, "and %zu more", set->count - TAKEN_SHOWN_MAX);
        good = style_element(parent, "p", "soft", text) != NULL;
    }
    return good;
}
