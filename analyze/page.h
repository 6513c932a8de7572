/* page: the bench in a browser: live readings, the next step in big letters, the verdict as it
 * sharpens, coils and batteries. It reads the store; what it may change goes through the commands
 * 'observe' and 'take', and only for a browser that was given the token. */
#ifndef TRUEWOUND_PAGE_H
#define TRUEWOUND_PAGE_H

#include <stdbool.h>

#include "db/status.h"
#include "db/units.h"

#define PAGE_PORT 7305

struct page;

struct page_options {
    const char *database;
    struct units *units;
    const char *address; /* numeric, to listen on; NULL the loopback */
    unsigned port;       /* 0: any free one */
};

/* Opens the database for reading and begins to listen. STATUS_BUSY: the port is taken;
 * STATUS_INPUT: not an address of this machine; the errors of store_open. */
enum status_code page_open(const struct page_options *options, struct page **page,
                           struct status *st);

/* Where to look: "http://127.0.0.1:7305/". */
const char *page_address(const struct page *page);

/* What opens it for writing. */
const char *page_token(const struct page *page);

/* True when others than this machine can reach it. */
bool page_wide(const struct page *page);

/* Serves until SIGINT, SIGTERM or SIGHUP. */
enum status_code page_run(struct page *page, struct status *st);

void page_close(struct page *page);

#endif
