/* store_schema: the tables, by numbered migrations. Not for use outside db/ and its tests. */
#ifndef TRUEWOUND_STORE_SCHEMA_H
#define TRUEWOUND_STORE_SCHEMA_H

#include "db/store_sql.h"

/* "Truw" in the file header, so that a database of another program is never touched. */
#define STORE_SCHEMA_APPLICATION 0x54727577

/* The newest version this program knows. */
int64_t store_schema_version(void);

/* Checks that the open file is ours, and with 'migrate' brings it to the newest version in one
 * transaction. STATUS_INPUT: another program's file, or one by a newer program; without 'migrate'
 * also one by an older program. */
enum status_code store_schema_bring(struct store *store, bool migrate, struct status *st);

/* The machinery of it, for tests: applies steps[version] ... steps[n - 1]; all or none. */
enum status_code store_schema_apply(struct store *store, const char *const *steps, size_t n,
                                    struct status *st);

#endif
