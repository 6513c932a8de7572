#include "analyze/command.h"

#include <stdarg.h>
#include <string.h>
#include <unistd.h>

#include "analyze/commands/commands.h"

const struct command *const *command_table(void)
{
    static const struct command *const table[] = {&command_plan,
                                                  &command_coil,
                                                  &command_predict,
                                                  &command_wire,
                                                  &command_irons,
                                                  &command_measure,
                                                  &command_take,
                                                  &command_capture,
                                                  &command_observe,
                                                  &command_lift,
                                                  &command_verify,
                                                  &command_sheet,
                                                  &command_readings,
                                                  &command_compare,
                                                  &command_learn,
                                                  &command_page,
                                                  &command_battery,
                                                  &command_fleet,
                                                  NULL};

    return table;
}

const struct command *command_find(const char *name)
{
    for (const struct command *const *c = command_table(); *c; ++c)
        if (strcmp((*c)->name, name) == 0)
            return *c;
    return NULL;
}

#define NAME_MAX_LENGTH 16

/* Levenshtein's distance of two words (V. I. Levenshtein, Sov. Phys. Dokl. 10 (1966) 707). */
static size_t distance(const char *a, const char *b)
{
    size_t row[NAME_MAX_LENGTH + 1];
    size_t n = strlen(b);

    if (n > NAME_MAX_LENGTH || strlen(a) > NAME_MAX_LENGTH)
        return NAME_MAX_LENGTH;
    for (size_t j = 0; j <= n; ++j)
        row[j] = j;
    for (size_t i = 0; a[i]; ++i) {
        size_t corner = row[0];

        row[0] = i + 1;
        for (size_t j = 0; j < n; ++j) {
            size_t best = corner + (a[i] != b[j]);

            corner = row[j + 1];
            if (row[j] + 1 < best)
                best = row[j] + 1;
            if (corner + 1 < best)
                best = corner + 1;
            row[j + 1] = best;
        }
    }
    return row[n];
}

const struct command *command_nearest(const char *name)
{
    const struct command *nearest = NULL;
    size_t least = 3;

    for (const struct command *const *c = command_table(); *c; ++c)
        if (distance(name, (*c)->name) < least) {
            least = distance(name, (*c)->name);
            nearest = *c;
        }
    return nearest;
}

int command_unknown(const struct command_context *context, const char *name)
{
    const struct command *nearest = command_nearest(name);

    fprintf(context->err, "%s: there is no command '%s'; ", context->program, name);
    if (nearest)
        fprintf(context->err, "was '%s' meant? ", nearest->name);
    fprintf(context->err, "'truewound help' lists them\n");
    return COMMAND_WRONG;
}

int command_wrong(const struct command_context *context, const char *name, const char *format, ...)
{
    va_list args;

    fprintf(context->err, "%s %s: ", context->program, name);
    va_start(args, format);
    vfprintf(context->err, format, args);
    va_end(args);
    fputc('\n', context->err);
    return COMMAND_WRONG;
}

int command_failed(const struct command_context *context, const char *name, const struct status *st)
{
    return command_wrong(context, name, "%s", st->text);
}

void command_help(const struct command *command, FILE *out)
{
    fprintf(out, "usage: truewound %s %s\n\n%s", command->name, command->usage, command->help);
}

struct store *command_open(struct command_context *context, const char *name, bool write)
{
    struct store *store;
    struct status st;

    if (store_open(context->database, write ? STORE_WRITE : STORE_READ, &store, &st) == STATUS_OK)
        return store;
    if (st.code == STATUS_NOT_FOUND)
        command_wrong(context, name,
                      "%s: no such database; --db FILE or TRUEWOUND_DB names it, "
                      "'truewound coil add' begins one",
                      context->database);
    else
        command_failed(context, name, &st);
    return NULL;
}

struct store *command_open_known(struct command_context *context, const char *name)
{
    struct store *store;

    /* Not opened for reading: an older database is brought up to date by the writer. */
    if (access(context->database, F_OK) == 0)
        return command_open(context, name, true);
    store = command_open(context, name, false); /* says what is wrong */
    store_close(store, NULL);
    return NULL;
}
