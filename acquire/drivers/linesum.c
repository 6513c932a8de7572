#include "acquire/drivers/linesum.h"

#include <ctype.h>
#include <string.h>

/* How many bytes or digits the sum has. */
static size_t sum_size(const struct linesum *sum)
{
    unsigned bits = checksum_bits(sum->kind);

    if (sum->form == LINESUM_HEX)
        return bits / 4;
    return sum->form == LINESUM_DECIMAL ? (bits > 8 ? 5 : 3) : bits / 8;
}

bool linesum_is_raw(const struct linesum *sum)
{
    return sum->kind != CHECKSUM_NONE && sum->form >= LINESUM_RAW;
}

enum status_code linesum_fill(struct linesum *sum, const struct section *values, bool has_end,
                              struct status *st)
{
    static const char *const forms[] = {"hex", "decimal", "raw", "raw-low-first"};
    const char *form = section_text(values, "checksum_form");
    const char *marks = section_text(values, "checksum_marks");
    enum status_code code = STATUS_OK;

    sum->kind = checksum_kind(section_text(values, "checksum"));
    for (size_t i = 0; i < sizeof forms / sizeof forms[0]; ++i)
        if (strcmp(form, forms[i]) == 0)
            sum->form = (enum linesum_form)i;
    sum->no_mark = strcmp(section_text(values, "checksum_mark"), "none") == 0;
    sum->sums_start = strcmp(marks, "start") == 0 || strcmp(marks, "both") == 0;
    sum->sums_mark = strcmp(marks, "end") == 0 || strcmp(marks, "both") == 0;
    if (section_byte(values, "checksum_start", &sum->start, st) != STATUS_OK)
        code = STATUS_INPUT;
    if (!sum->no_mark && section_byte(values, "checksum_mark", &sum->mark, st) != STATUS_OK)
        code = STATUS_INPUT;
    if (linesum_is_raw(sum) && sum->no_mark && !has_end)
        code = section_fail(values, "checksum_form", st,
                            "a raw sum may look like a line end: give the terminator's bytes, or "
                            "the checksum_mark in front of the sum");
    return code;
}

size_t linesum_end(const struct linesum *sum, const unsigned char *bytes, size_t length)
{
    const unsigned char *mark = memchr(bytes, sum->mark, length);
    size_t end = mark ? (size_t)(mark - bytes) + 1 + sum_size(sum) : length + 1;

    return end <= length ? end : 0;
}

/* Reads the sum's digits at `at`; the bytes behind them must be spaces. */
static bool read_digits(const struct linesum *sum, const char *at, size_t length,
                        unsigned long *said)
{
    size_t digits = 0;

    *said = 0;
    for (; digits < length && digits < 6; ++digits) {
        int c = tolower((unsigned char)at[digits]);

        if (isdigit(c))
            *said = *said * (sum->form == LINESUM_DECIMAL ? 10 : 16) + (unsigned long)(c - '0');
        else if (sum->form == LINESUM_HEX && c >= 'a' && c <= 'f')
            *said = *said * 16 + (unsigned long)(c - 'a' + 10);
        else
            break;
    }
    if (digits == 0 || (sum->form == LINESUM_HEX && digits != sum_size(sum)))
        return false;
    while (digits < length && (at[digits] == ' ' || at[digits] == '\t'))
        ++digits;
    return digits == length;
}

static bool read_raw(const struct linesum *sum, const char *at, size_t length, unsigned long *said)
{
    const unsigned char *b = (const unsigned char *)at;

    if (length != sum_size(sum))
        return false;
    if (length == 1)
        *said = b[0];
    else if (sum->form == LINESUM_RAW_LOW)
        *said = (unsigned long)b[1] << 8 | b[0];
    else
        *said = (unsigned long)b[0] << 8 | b[1];
    return true;
}

bool linesum_check(const struct linesum *sum, const char *line, size_t *length)
{
    const char *from = line;
    const char *end; /* of the line proper */
    size_t mark = sum->no_mark ? 0 : 1;
    unsigned long said = 0;

    if (sum->no_mark)
        end = *length >= sum_size(sum) ? line + *length - sum_size(sum) : NULL;
    else if (linesum_is_raw(sum))
        end = memchr(line, sum->mark, *length);
    else
        end = memrchr(line, sum->mark, *length);
    if (!end)
        return false;
    if (linesum_is_raw(sum)
            ? !read_raw(sum, end + mark, *length - (size_t)(end - line) - mark, &said)
            : !read_digits(sum, end + mark, *length - (size_t)(end - line) - mark, &said))
        return false;
    if (sum->start) {
        from = memchr(line, sum->start, (size_t)(end - line));
        if (!from)
            return false;
        from += sum->sums_start ? 0 : 1;
    }
    *length = (size_t)(end - line);
    end += sum->sums_mark ? mark : 0;
    return checksum_of(sum->kind, (const unsigned char *)from, (size_t)(end - from)) == said;
}
