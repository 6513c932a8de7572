/* page_card: the parts of the bench page about the chosen coil: the next step in big letters, the
 * verdict with its findings, and what it rests on. */
#ifndef TRUEWOUND_PAGE_CARD_H
#define TRUEWOUND_PAGE_CARD_H

#include <libxml/tree.h>
#include <stdbool.h>

struct page_view;

bool page_card_put_step(const struct page_view *view, xmlNode *parent);
bool page_card_put_verdict(const struct page_view *view, xmlNode *parent);
bool page_card_put_taken(const struct page_view *view, xmlNode *parent);

#endif
