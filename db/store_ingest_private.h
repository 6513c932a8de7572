/* store_ingest_private: what store.c and store_retain.c need of store_ingest.c. */
#ifndef TRUEWOUND_STORE_INGEST_PRIVATE_H
#define TRUEWOUND_STORE_INGEST_PRIVATE_H

#include "db/store_sql.h"

struct store_ingest *store_ingest_new(void);
void store_ingest_free(struct store_ingest *ingest);

/* Closes the roll-ups of a channel before cut, in the caller's transaction. */
enum status_code store_ingest_close_before(struct store *store, int64_t channel, int64_t cut,
                                           struct status *st);

/* After a failed transaction: what is known of the file is read again when next needed. */
void store_ingest_forget(struct store *store);

/* For the benchmark: roll-ups are not kept while off. Never used by a program. */
void store_ingest_without_rollups(struct store *store, bool off);

#endif
