/* page_bench: the part of the bench page that shows the instruments: every channel that sends, with
 * its latest value, how old it is, what the instrument says of it, and a trace of two minutes. */
#ifndef TRUEWOUND_PAGE_BENCH_H
#define TRUEWOUND_PAGE_BENCH_H

#include <libxml/tree.h>
#include <stdbool.h>

struct page_view;

bool page_bench_put(const struct page_view *view, xmlNode *parent);

#endif
