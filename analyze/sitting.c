#include "analyze/sitting.h"

#include "db/store_coil.h"

static int keep_run(const struct store_run *row, void *user)
{
    struct store_run *last = user;

    *last = *row;
    last->remark = NULL;
    return 0;
}

enum status_code sitting_latest(struct store *store, int64_t coil, int64_t *run, struct status *st)
{
    struct store_run last = {0};
    enum status_code code = store_coil_runs(store, coil, keep_run, &last, st);

    *run = last.id;
    return code;
}

enum status_code sitting_current(struct store *store, const struct coilbook_entry *entry,
                                 int64_t *run, struct status *st)
{
    struct store_run last = {0};
    enum status_code code = store_coil_runs(store, entry->coil, keep_run, &last, st);

    *run = 0;
    if (code == STATUS_OK && last.id && !last.ended && last.design == entry->version &&
        store_now() - last.started < SITTING_LONGEST_US)
        *run = last.id;
    return code;
}

enum status_code sitting_join(struct store *store, const struct coilbook_entry *entry, int64_t *run,
                              struct status *st)
{
    struct store_run fresh = {.coil = entry->coil, .design = entry->version};
    enum status_code code = sitting_current(store, entry, run, st);

    if (code != STATUS_OK || *run)
        return code;
    return store_coil_add_run(store, &fresh, run, st);
}
