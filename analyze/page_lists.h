/* page_lists: the part of the bench page that lists the coils, and the words lists share. */
#ifndef TRUEWOUND_PAGE_LISTS_H
#define TRUEWOUND_PAGE_LISTS_H

#include <libxml/tree.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "db/status.h"
#include "db/store.h"

struct page_view;

struct page_coil {
    int64_t id;
    char name[STORE_NAME_MAX + 1];
    int64_t measured; /* us UTC, latest entry; 0 never */
    size_t entries;
    char verdict[16]; /* the latest recorded; empty: none */
    int64_t judged;   /* us UTC */
    char *findings;   /* JSON of that verdict; NULL: none */
};

struct page_lists {
    struct page_coil *coil; /* latest measured first */
    size_t coils, size;
    int64_t read; /* us UTC, when it was read from the store; 0: to be read */
    bool failed;
};

/* Reads the coils again when the list is older than a few seconds. */
enum status_code page_lists_read(struct page_lists *lists, struct store *store, int64_t now,
                                 struct status *st);

/* The coil measured last, or the first by name; NULL when there is none. */
const char *page_lists_latest(const struct page_lists *lists);

bool page_lists_put_coils(const struct page_view *view, xmlNode *parent);

/* "now", "12 s ago", "3 min ago", "5 h ago", "12 days ago"; buf needs 32 bytes. Returns buf. */
const char *page_lists_ago(char *buf, size_t size, int64_t us);

/* The address of a coil's view, percent-encoded (RFC 3986), to be freed; NULL without memory. */
char *page_lists_link(const char *path, const char *coil);

void page_lists_free(struct page_lists *lists);

#endif
