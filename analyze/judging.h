/* judging: from the store to a verdict and the advice that goes with it. */
#ifndef TRUEWOUND_JUDGING_H
#define TRUEWOUND_JUDGING_H

#include "analyze/coilbook.h"
#include "analyze/gather.h"
#include "analyze/infer/advise.h"
#include "analyze/infer/verdict.h"
#include "db/status.h"

struct judged {
    struct coilbook_entry entry;
    int64_t run; /* the sitting that was judged, 0 all of them */
    struct gathered gathered;
    struct verdict verdict;
    bool advised;
    struct advise_result advice;
    struct advise_option option[ADVISE_MAX];
    size_t options;
};

/* Judges the coil of that name by one run (0: all that stands). A new struct, to be given to
 * judging_free(). */
enum status_code judging_reach(struct units *units, struct store *store, const char *name,
                               int64_t run, struct judged **judged, struct status *st);

/* The same by its latest run. */
enum status_code judging_latest(struct units *units, struct store *store, const char *name,
                                struct judged **judged, struct status *st);

/* The same, as if the shop had learnt nothing: what it is to learn from must not rest on what it
 * has learnt before. */
enum status_code judging_unlearnt(struct units *units, struct store *store, const char *name,
                                  struct judged **judged, struct status *st);

/* Writes the verdict into the store with the digest of what it was reached from. */
enum status_code judging_record(struct store *store, const struct judged *judged, int64_t *id,
                                struct status *st);

void judging_free(struct judged *judged);

#endif
