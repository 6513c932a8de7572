/* gather: everything that was observed on one coil, as evidence for the inference. */
#ifndef TRUEWOUND_GATHER_H
#define TRUEWOUND_GATHER_H

#include <stddef.h>
#include <stdint.h>

#include "analyze/coilbook.h"
#include "analyze/conditions.h"
#include "analyze/infer/evidence.h"
#include "analyze/recall.h"
#include "db/status.h"
#include "db/store.h"
#include "db/store_evidence.h"

#define GATHER_NOTES_MAX 8

struct gathered {
    struct evidence_set evidence;
    int64_t source[EVIDENCE_MAX]; /* id of the observation or trial behind each item; the latest */
    bool trial[EVIDENCE_MAX];     /* that id is a trial's */
    int64_t newest;               /* time of the latest of them, 0 when there is none */
    struct recall recalled;       /* what the shop has learnt that bears on it; not put to use
                                     in the evidence here */
    char digest[COILBOOK_DIGEST_SIZE]; /* of design, all evidence and what was learnt */
    size_t notes;                      /* what could not be used, in sentences */
    char note[GATHER_NOTES_MAX][256];
};

/* Loads the observations and lift trials of a coil that stand (not superseded), of one run or of
 * all with run 0. An observation
 * without its own temperature takes the last one noted for the room before it. What the inference
 * cannot read is left out and named in a note: nothing is dropped silently. */
enum status_code gather_evidence(struct store *store, const struct coilbook_entry *entry,
                                 int64_t run, struct gathered *out, struct status *st);

/* The places of an observation in the store ("limb-a", "limb-b", "pair", "core", "room") to the
 * inference's; NULL for a place that has none. */
const char *gather_place(const char *stored);

#endif
