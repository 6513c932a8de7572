#include "analyze/coilbook.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <nettle/sha2.h>

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

static bool is_file(const char *text)
{
    FILE *in;

    if (strchr(text, '/') || (strlen(text) > 4 && strcmp(text + strlen(text) - 4, ".ini") == 0))
        return true;
    in = fopen(text, "re");
    if (in)
        fclose(in);
    return in != NULL;
}

enum status_code coilbook_named(struct units *units, const char *database, const char *text,
                                struct coilbook_entry **entry, struct designfile_warnings *warnings,
                                struct status *st)
{
    struct store *store;
    enum status_code code;

    warnings->count = 0;
    *entry = calloc(1, sizeof **entry);
    if (!*entry)
        return status_fail(st, STATUS_MEMORY, "no memory");
    if (is_file(text))
        code = designfile_read(units, text, &(*entry)->design, warnings, st);
    else if ((code = store_open(database, STORE_READ, &store, st)) == STATUS_OK) {
        code = coilbook_load(units, store, text, *entry, st);
        store_close(store, NULL);
        if (code == STATUS_NOT_FOUND)
            status_fail(st, code,
                        "there is no coil and no file '%s'; 'truewound coil list' shows the coils",
                        text);
    } else if (code == STATUS_NOT_FOUND)
        status_fail(st, code,
                    "there is no file '%s', and no database %s that could have a coil of that "
                    "name",
                    text, database);
    if (code != STATUS_OK) {
        free(*entry);
        *entry = NULL;
    }
    return code;
}
