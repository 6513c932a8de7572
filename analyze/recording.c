#include "analyze/recording.h"

#include <stdlib.h>

#include "analyze/sitting.h"

enum status_code recording_begin(struct store *store, const struct coilbook_entry *entry,
                                 int64_t *run, struct status *st)
{
    enum status_code code = store_begin(store, st);

    if (code != STATUS_OK)
        return code;
    code = sitting_join(store, entry, run, st);
    if (code != STATUS_OK)
        store_end(store, false, NULL);
    return code;
}

enum status_code recording_end(struct store *store, enum status_code code, struct status *st)
{
    if (code == STATUS_OK)
        return store_end(store, true, st);
    store_end(store, false, NULL);
    return code;
}

enum status_code recording_add(struct store *store, const struct store_observation *observation,
                               const struct conditions *conditions, int64_t supersedes, int64_t *id,
                               struct status *st)
{
    struct store_observation o = *observation;
    char *text = conditions_text(conditions);
    enum status_code code;

    if (!text)
        return status_fail(st, STATUS_MEMORY, "no memory");
    o.conditions = text;
    code = store_evidence_add_observation(store, &o, id, st);
    if (code == STATUS_OK && supersedes)
        code = store_evidence_supersede_observation(store, supersedes, *id, st);
    free(text);
    return code;
}
