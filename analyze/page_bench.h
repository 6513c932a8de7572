/* page_bench: the part of the bench page that shows the instruments: every channel that sends, with
 * its latest value, how old it is, what the instrument says of it, and a trace of two minutes. */
#ifndef TRUEWOUND_PAGE_BENCH_H
#define TRUEWOUND_PAGE_BENCH_H

#include <libxml/tree.h>
#include <stdbool.h>

struct page_view;

bool page_bench_put(const struct page_view *view, xmlNode *parent);

/* The one reading that the next step is about, in big figures; nothing when no instrument gives
 * it. */
bool page_bench_put_wanted(const struct page_view *view, xmlNode *parent);

/* The quantity that the step of a coil asks for, as a channel would send it; NULL: none. */
struct page_judgement;
const char *page_bench_wanted(const struct page_judgement *judgement);

/* Us after which a reading is not what is on the clips now. */
#define PAGE_BENCH_OLD_US 5000000

#endif
