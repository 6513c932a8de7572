/* page_batteries: the part of the bench page that lists the sites by the days their batteries have
 * left: the command 'fleet', asked again now and then. */
#ifndef TRUEWOUND_PAGE_BATTERIES_H
#define TRUEWOUND_PAGE_BATTERIES_H

#include <jansson.h>
#include <libxml/tree.h>
#include <stdbool.h>
#include <stdint.h>

#include "analyze/page_child.h"

struct page_view;

struct page_batteries {
    struct page_child child;
    int64_t asked;               /* us, monotonic; 0 never */
    json_t *table;               /* as 'fleet --json' gives it; NULL not yet */
    char word[STATUS_TEXT_SIZE]; /* why there is none; empty: nothing is wrong */
};

/* Asks again when it is time. */
void page_batteries_ask(struct page_batteries *batteries, const char *database);

/* Takes the answer; true when there was one. */
bool page_batteries_step(struct page_batteries *batteries);

bool page_batteries_put(const struct page_view *view, xmlNode *parent);

void page_batteries_free(struct page_batteries *batteries);

#endif
