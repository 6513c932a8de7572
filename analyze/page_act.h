/* page_act: what a browser with the token may do: note a polarity, take a steady reading. Each is
 * one of this program's own commands, one at a time. */
#ifndef TRUEWOUND_PAGE_ACT_H
#define TRUEWOUND_PAGE_ACT_H

#include <libxml/tree.h>
#include <stdbool.h>

#include "analyze/page_child.h"
#include "analyze/page_gate.h"
#include "db/status.h"
#include "db/store.h"

struct page;
struct page_view;

struct page_act {
    struct page_child child;
    char running[192]; /* what is being done */
    char last[640];    /* what came of the one before; empty: none */
    bool last_good;
};

/* The fields of a form as a browser sent them; an absent or overlong one is empty. */
struct page_act_fields {
    char coil[STORE_NAME_MAX + 1];
    char form[PAGE_GATE_FORM_SIZE];
    char token[64];
    char place[16]; /* of a note */
    char pole[8];
    char what[64]; /* of a take: "resistance limb-a" */
    char channel[2 * STORE_NAME_MAX + 2];
    char wires[4];
};

/* The forms, or the way to them for a browser without the token. */
bool page_act_put(const struct page_view *view, xmlNode *parent);

/* Begin what a form asks for. STATUS_INPUT, STATUS_NOT_FOUND: a field cannot be; STATUS_BUSY. */
enum status_code page_act_note(struct page *page, const struct page_act_fields *fields,
                               struct status *st);
enum status_code page_act_take(struct page *page, const struct page_act_fields *fields,
                               struct status *st);

/* What is being done, or NULL. */
const char *page_act_running(const struct page_act *act);

/* Sees to what runs; true when it has ended. */
bool page_act_step(struct page_act *act);

void page_act_free(struct page_act *act);

#endif
