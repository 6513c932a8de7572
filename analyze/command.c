#include "analyze/command.h"

#include <getopt.h>
#include <stdarg.h>
#include <string.h>
#include <unistd.h>

#include "analyze/commands/commands.h"
#include "analyze/printing.h"

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
#define USAGE_INDENT    8
#define HELP_BLOCK      1200 /* bytes; a longer block is printed as it stands */

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

enum status_code command_option_wrong(const char *name, char *const *argv, int option,
                                      struct status *st)
{
    const char *word = argv[optind - 1];

    /* getopt moves on only after the last letter of a word with one dash. */
    if (optopt > ' ' && optopt < 127 && !(word[0] == '-' && word[1] != '-' && strchr(word, optopt)))
        word = argv[optind];
    if (option == ':')
        return status_fail(st, STATUS_INPUT,
                           "the option '%s' lacks its value; 'truewound help %s' tells what it "
                           "takes",
                           word, name);
    return status_fail(st, STATUS_INPUT,
                       "there is no option '%s'; 'truewound help %s' lists its options", word,
                       name);
}

bool command_join(int argc, char *const *argv, int first, char *text, size_t size)
{
    size_t used = 0;

    text[0] = '\0';
    for (int i = first; i < argc; ++i) {
        int added = snprintf(text + used, size - used, "%s%s", i > first ? " " : "", argv[i]);

        if (added < 0 || (size_t)added >= size - used)
            return false;
        used += (size_t)added;
    }
    return true;
}

/* The usage, broken only where no bracket is open. */
static void print_usage(FILE *out, const struct command *command)
{
    int column = fprintf(out, "usage: truewound %s", command->name);

    for (const char *at = command->usage; *at;) {
        int depth = 0;
        size_t length = 0;

        for (; at[length] && (depth > 0 || at[length] != ' '); ++length)
            depth += (at[length] == '[') - (at[length] == ']');
        if (column + 1 + (int)length > PRINTING_WIDTH) {
            fprintf(out, "\n%*s", USAGE_INDENT, "");
            column = USAGE_INDENT - 1; /* the next word needs no blank in front */
        }
        column += fprintf(out, "%s%.*s", column < USAGE_INDENT ? "" : " ", (int)length, at);
        at += length;
        at += strspn(at, " ");
    }
    fputc('\n', out);
}

/* The first line at *at, moved on past it. */
static size_t take_line(const char **at)
{
    size_t length = strcspn(*at, "\n");

    *at += length + ((*at)[length] == '\n');
    return length;
}

/* Bytes of a block of help: a paragraph, or one option with the lines that go on with it. wide is
 * set when a line of it does not fit. */
static size_t block_length(const char *text, bool *wide)
{
    const char *at = text;
    bool option = *text == ' ';
    size_t first = take_line(&at);

    *wide = first > PRINTING_WIDTH;
    while (first && *at && *at != '\n' && strncmp(at, "example:", 8) != 0 &&
           (option ? strspn(at, " ") > 8 : *at != ' ' && strncmp(text, "example:", 8) != 0))
        *wide |= take_line(&at) > PRINTING_WIDTH;
    return (size_t)(at - text);
}

/* Bytes of an option in front of the words about it, which stand after two spaces or more, maybe on
 * the next line; 0 without any. column is where the words stand. */
static size_t option_length(const char *text, int *column)
{
    const char *gap = strstr(text + strspn(text, " "), "  ");
    size_t length = gap ? (size_t)(gap - text) + strspn(gap, " ") : 0;

    *column = (int)length;
    if (gap && gap[-1] == '\n')
        *column = (int)strspn(gap, " ");
    return length;
}

void command_help(const struct command *command, FILE *out)
{
    char text[HELP_BLOCK];

    print_usage(out, command);
    fputc('\n', out);
    for (const char *at = command->help; *at;) {
        bool wide;
        size_t length = block_length(at, &wide);
        size_t option = 0;
        int column = 0;

        snprintf(text, sizeof text, "%.*s", (int)length, at);
        if (*text == ' ')
            option = option_length(text, &column);
        if (!wide || length >= sizeof text)
            fprintf(out, "%.*s", (int)length, at);
        else if (*text == ' ' && !option)
            printing_paragraph(out, 2, 6, text + strspn(text, " "));
        else {
            fprintf(out, "%.*s", (int)option, text);
            printing_paragraph(out, -column, column, text + option);
        }
        at += length;
    }
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
