/* page_private: what the files of the bench page share. */
#ifndef TRUEWOUND_PAGE_PRIVATE_H
#define TRUEWOUND_PAGE_PRIVATE_H

#include <libxml/tree.h>
#include <stdbool.h>
#include <stdint.h>

#include "analyze/page_act.h"
#include "analyze/page_batteries.h"
#include "analyze/page_gate.h"
#include "analyze/page_judge.h"
#include "analyze/page_lists.h"
#include "db/store.h"
#include "db/units.h"

struct MHD_Daemon;
struct page_stream;

#define PAGE_STREAMS_MAX     12
#define PAGE_CONNECTIONS_MAX 40
#define PAGE_BODY_MAX        4096 /* bytes of a form */

struct page {
    char *database;
    char address[96];
    char boot[17]; /* a new one each start: a browser then knows that its page is an old one */
    struct units *units;
    struct store *store;
    struct MHD_Daemon *daemon;
    struct page_gate gate;
    struct page_judge judge;
    struct page_lists lists;
    struct page_act act;
    struct page_batteries batteries;
    struct page_stream *stream; /* list */
    size_t streams;
    int64_t now; /* us UTC, of this round */
};

/* One browser's view: which coil, and whether it may note things. */
struct page_view {
    struct page *page;
    const char *coil;    /* NULL: there is none */
    const char *session; /* NULL: may only look */
};

/* A part of the page that changes by itself: fills its element. */
struct page_part {
    const char *id;
    const char *title;
    bool untitled;    /* the title is not shown, only read aloud */
    const char *live; /* aria-live; NULL: changes are not read aloud */
    bool (*put)(const struct page_view *view, xmlNode *parent);
};

#endif
