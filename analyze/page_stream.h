/* page_stream: what a browser is sent while it keeps the page open: one server-sent event a second
 * with the parts that changed (HTML Living Standard, "Server-sent events"). */
#ifndef TRUEWOUND_PAGE_STREAM_H
#define TRUEWOUND_PAGE_STREAM_H

#include <microhttpd.h>
#include <stdbool.h>

struct page;

/* A response that goes on for as long as the browser listens; NULL without memory or when too many
 * listen. session may be NULL. */
struct MHD_Response *page_stream_begin(struct page *page, struct MHD_Connection *connection,
                                       const char *coil, const char *session);

/* Gives every listener what has changed for it. */
void page_stream_tick(struct page *page);

/* Lets all of them end; MHD has to run once more. */
void page_stream_end(struct page *page);

#endif
