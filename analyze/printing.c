#include "analyze/printing.h"

#include <string.h>

#include <math.h>

int printing_table(const struct command_context *context, const char *name, struct table *table)
{
    struct report_error error = {""};
    int result = COMMAND_DONE;

    if (!table)
        return command_wrong(context, name, "no memory");
    if (context->form == COMMAND_JSON) {
        json_t *value = table_json(table, &error);

        table_free(table);
        return value ? printing_json(context, name, value)
                     : command_wrong(context, name, "%s", error.text);
    }
    if (context->form == COMMAND_CSV) {
        if (!table_csv(table, context->out, &error))
            result = command_wrong(context, name, "%s", error.text);
    } else if (!table_print(table, context->out, table_terminal_width(context->out),
                            context->colour, &error))
        result = command_wrong(context, name, "%s", error.text);
    table_free(table);
    return result;
}

int printing_json(const struct command_context *context, const char *name, json_t *value)
{
    int result = COMMAND_DONE;

    if (!value)
        return command_wrong(context, name, "no memory");
    if (json_dumpf(value, context->out, JSON_INDENT(2) | JSON_REAL_PRECISION(10)) != 0 ||
        fputc('\n', context->out) == EOF)
        result = command_wrong(context, name, "the output could not be written");
    json_decref(value);
    return result;
}

json_t *printing_number(double value)
{
    return isfinite(value) ? json_real(value) : json_null();
}

static int columns_of(const char *word, size_t length)
{
    int n = 0;

    for (size_t i = 0; i < length; ++i)
        n += ((unsigned char)word[i] & 0xC0) != 0x80; /* continuation bytes take no column */
    return n;
}

void printing_paragraph(FILE *out, int first, int rest, const char *text)
{
    bool begun = false;
    int column = first < 0 ? -first : 0;

    if (first >= 0)
        column = fprintf(out, "%*s", first, "");
    while (*text) {
        size_t length = strcspn(text, " \n");
        int columns = columns_of(text, length);

        if (begun && column + 1 + columns > PRINTING_WIDTH) {
            column = fprintf(out, "\n%*s", rest, "") - 1;
        } else if (begun)
            column += fprintf(out, " ");
        fprintf(out, "%.*s", (int)length, text);
        column += columns;
        begun = true;
        text += length;
        text += strspn(text, " \n");
    }
    fputc('\n', out);
}
