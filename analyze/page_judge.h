/* page_judge: the verdicts on show, each made again as soon as its evidence changes. */
#ifndef TRUEWOUND_PAGE_JUDGE_H
#define TRUEWOUND_PAGE_JUDGE_H

#include <jansson.h>
#include <stdbool.h>
#include <stdint.h>

#include "analyze/coilbook.h"
#include "analyze/infer/evidence.h"
#include "analyze/page_child.h"
#include "db/store.h"
#include "db/units.h"

#define PAGE_JUDGE_COILS 8

struct page_judgement {
    char coil[STORE_NAME_MAX + 1]; /* empty: free */
    char note[256];                /* of the design */
    int limbs;
    char digest[COILBOOK_DIGEST_SIZE]; /* of the evidence as it is */
    char judged[COILBOOK_DIGEST_SIZE]; /* of the evidence last tried */
    struct evidence_set evidence;      /* as it is */
    json_t *verdict;                   /* as 'verify --json' gives it; NULL not yet */
    char before[24];                   /* the verdict before that; empty: none */
    double before_probability;
    char trouble[STATUS_TEXT_SIZE]; /* why there is none; empty: nothing is wrong */
    int64_t looked;                 /* us, when last asked for */
};

struct page_judge {
    struct page_child child;
    struct page_judgement *about; /* what the child judges */
    struct page_judgement coil[PAGE_JUDGE_COILS];
};

/* The judgement of a coil, as it stands; looks at the evidence and begins a new one when needed.
 * NULL when there is no such coil. now in us. */
const struct page_judgement *page_judge_look(struct page_judge *judge, const char *database,
                                             struct units *units, struct store *store,
                                             const char *coil, int64_t now);

/* True while the verdict on show is older than the evidence. */
bool page_judge_busy(const struct page_judge *judge, const struct page_judgement *judgement);

/* The judgement of a coil if it is among those on show; nothing is begun. */
const struct page_judgement *page_judge_known(const struct page_judge *judge, const char *coil);

/* Takes a finished verdict; true when there was one. */
bool page_judge_step(struct page_judge *judge);

void page_judge_free(struct page_judge *judge);

#endif
