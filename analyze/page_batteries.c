#include "analyze/page_batteries.h"

#include <stdio.h>
#include <string.h>

#include "analyze/page_private.h"
#include "reports/style.h"

/* A battery does not change in a minute, and a forecast for many sites takes seconds. */
#define AGAIN_US  600000000
#define LONGEST_S 300.0
#define SHOWN_MAX 40

void page_batteries_ask(struct page_batteries *batteries, const char *database)
{
    static const char *const words[] = {"--json", "fleet", NULL};
    struct status st;

    if (batteries->child.pid ||
        (batteries->asked && page_child_now() - batteries->asked < AGAIN_US))
        return;
    batteries->asked = page_child_now();
    if (page_child_start(&batteries->child, database, words, LONGEST_S, &st) != STATUS_OK)
        snprintf(batteries->word, sizeof batteries->word, "%s", st.text);
}

bool page_batteries_step(struct page_batteries *batteries)
{
    json_t *table;

    if (!page_child_step(&batteries->child))
        return false;
    table = json_loads(batteries->child.text, 0, NULL);
    if (json_is_array(json_object_get(table, "rows"))) {
        json_decref(batteries->table);
        batteries->table = json_incref(table);
        batteries->word[0] = '\0';
    } else
        snprintf(batteries->word, sizeof batteries->word, "%.*s",
                 (int)strcspn(batteries->child.errors, "\n"),
                 *batteries->child.errors ? batteries->child.errors
                                          : "the batteries were not told in time");
    json_decref(table);
    return true;
}

static const char *text_of(const json_t *row, const char *key)
{
    const char *text = json_string_value(json_object_get(row, key));

    return text ? text : "";
}

static bool put_row(xmlNode *body, const json_t *row)
{
    const json_t *days = json_object_get(row, "days");
    const char *state = text_of(row, "state");
    xmlNode *line = style_element(body, "tr", NULL, NULL);
    xmlNode *name = style_element(line, "th", NULL, text_of(row, "site"));
    char text[128];

    if (json_is_number(days))
        snprintf(text, sizeof text, "%.0f (%.60s)", json_number_value(days),
                 text_of(row, "interval"));
    else
        snprintf(text, sizeof text, "not known");
    return style_attribute(name, "scope", "row") && style_element(line, "td", NULL, text) &&
           style_element(line, "td", NULL, state) &&
           style_element(line, "td", "soft", text_of(row, "battery"));
}

bool page_batteries_put(const struct page_view *view, xmlNode *parent)
{
    static const char *const heads[] = {"where", "days left (90 %)", "state", "cells"};
    const struct page_batteries *b = &view->page->batteries;
    const json_t *rows = b->table ? json_object_get(b->table, "rows") : NULL;
    xmlNode *table, *head, *body;
    const json_t *row;
    char text[64];
    bool good;
    size_t i;

    if (*b->word && !style_element(parent, "p", "fail", b->word))
        return false;
    if (!rows)
        return *b->word || style_element(parent, "p", "soft", "Being worked out.");
    if (json_array_size(rows) == 0)
        return style_element(
                   parent, "p", "soft",
                   "No site on record: 'truewound battery SITE --unloaded CHANNEL' records one.") !=
               NULL;
    table = style_element(parent, "table", "stack", NULL);
    head = style_element(style_element(table, "thead", NULL, NULL), "tr", NULL, NULL);
    good = head != NULL;
    for (i = 0; i < sizeof heads / sizeof *heads; ++i)
        good = style_attribute(style_element(head, "th", NULL, heads[i]), "scope", "col") && good;
    body = style_element(table, "tbody", NULL, NULL);
    json_array_foreach(rows, i, row) if (i < SHOWN_MAX) good = good && put_row(body, row);
    if (good && json_array_size(rows) > SHOWN_MAX) {
        snprintf(text, sizeof text, "and %zu more: 'truewound fleet'",
                 json_array_size(rows) - SHOWN_MAX);
        good = style_element(parent, "p", "soft", text) != NULL;
    }
    return good;
}

void page_batteries_free(struct page_batteries *batteries)
{
    page_child_free(&batteries->child);
    json_decref(batteries->table);
    batteries->table = NULL;
}
