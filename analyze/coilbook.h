/* coilbook: a coil of the store with its design, ready for the model. */
#ifndef TRUEWOUND_COILBOOK_H
#define TRUEWOUND_COILBOOK_H

#include <stdint.h>

#include "analyze/designfile.h"
#include "analyze/model/design.h"
#include "db/status.h"
#include "db/store.h"
#include "db/units.h"

#define COILBOOK_DIGEST_SIZE 65 /* SHA-256 in hex, terminated */

struct coilbook_entry {
    int64_t coil;    /* id in the store */
    int64_t version; /* of the design */
    struct design design;
    char digest[COILBOOK_DIGEST_SIZE]; /* of the design's text */
};

/* The coil of that name with its newest design. STATUS_NOT_FOUND when there is no such coil; the
 * errors of designfile_parse when its stored design can no longer be read. */
enum status_code coilbook_load(struct units *units, struct store *store, const char *name,
                               struct coilbook_entry *entry, struct status *st);

/* The design that a person names: a file (a path, a name that ends in .ini, or any file of that
 * name) or a coil of the database, with coil and version 0 for a file. *entry: free it. */
enum status_code coilbook_named(struct units *units, const char *database, const char *text,
                                struct coilbook_entry **entry, struct designfile_warnings *warnings,
                                struct status *st);

/* SHA-256 of size bytes (FIPS 180-4), as hex. */
void coilbook_digest(const void *data, size_t size, char digest[COILBOOK_DIGEST_SIZE]);

#endif
