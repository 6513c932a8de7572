#include "analyze/coilbook.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <nettle/sha2.h>

#include "analyze/designfile.h"
#include "db/store_coil.h"

struct newest {
    char *text;
    int64_t version;
};

static int keep_text(const struct store_design *row, void *user)
{
    struct newest *newest = user;

    newest->text = row->text ? strdup(row->text) : NULL;
    newest->version = row->version;
    return 1;
}

void coilbook_digest(const void *data, size_t size, char digest[COILBOOK_DIGEST_SIZE])
{
    struct sha256_ctx context;
    uint8_t bytes[SHA256_DIGEST_SIZE];

    sha256_init(&context);
    sha256_update(&context, size, data);
    sha256_digest(&context, sizeof bytes, bytes);
    for (size_t i = 0; i < sizeof bytes; ++i)
        snprintf(digest + 2 * i, 3, "%02x", bytes[i]);
}

enum status_code coilbook_load(struct units *units, struct store *store, const char *name,
                               struct coilbook_entry *entry, struct status *st)
{
    struct newest newest = {0};
    enum status_code code = store_coil_find(store, name, &entry->coil, st);

    if (code == STATUS_NOT_FOUND)
        return status_fail(st, code, "there is no coil '%s'; 'truewound coil list' shows them",
                           name);
    if (code != STATUS_OK)
        return code;
    code = store_coil_design(store, entry->coil, 0, keep_text, &newest, st);
    if (code != STATUS_OK)
        return code;
    if (!newest.text)
        return status_fail(st, STATUS_MEMORY, "no memory for the design of '%s'", name);
    entry->version = newest.version;
    coilbook_digest(newest.text, strlen(newest.text), entry->digest);
    code = designfile_parse(units, name, newest.text, &entry->design, NULL, st);
    free(newest.text);
    return code;
}
