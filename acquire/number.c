#include "acquire/number.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#define NUMBER_DIGITS_MAX 40

static bool is_digit(char c)
{
    return c >= '0' && c <= '9';
}

bool number_read(const char *text, size_t length, enum number_decimal decimal,
                 struct number *number)
{
    char plain[NUMBER_DIGITS_MAX + 16];
    size_t n = 0;
    size_t i = 0;
    int digits = 0;
    int decimals = 0;
    bool point = false;
    bool exponent = false;

    while (i < length && (text[i] == ' ' || text[i] == '\t'))
        ++i;
    if (i < length && (text[i] == '+' || text[i] == '-')) {
        plain[n++] = text[i++];
    } else if (i + 2 < length && memcmp(text + i, "\xe2\x88\x92", 3) == 0) {
        plain[n++] = '-'; /* U+2212, the minus sign of typographers */
        i += 3;
    }
    while (i < length && (text[i] == ' ' || text[i] == '\t'))
        ++i;
    for (; i < length; ++i) {
        if (is_digit(text[i])) {
            if (++digits > NUMBER_DIGITS_MAX)
                return false;
            decimals += point ? 1 : 0;
            plain[n++] = text[i];
        } else if (!point && ((text[i] == '.' && decimal != NUMBER_COMMA) ||
                              (text[i] == ',' && decimal != NUMBER_POINT))) {
            /* A mark with no digit on either side ends a sentence, not a number. */
            if (digits == 0 && (i + 1 >= length || !is_digit(text[i + 1])))
                break;
            point = true;
            plain[n++] = '.';
        } else {
            break;
        }
    }
    if (digits == 0)
        return false;
    if (i + 1 < length && (text[i] == 'e' || text[i] == 'E')) {
        size_t k = i + 1;
        size_t start = n;

        plain[n++] = 'e';
        if (text[k] == '+' || text[k] == '-')
            plain[n++] = text[k++];
        if (k < length && is_digit(text[k])) {
            size_t most = k + 4;

            while (k < length && k < most && is_digit(text[k]))
                plain[n++] = text[k++];
            i = k;
            exponent = true;
        } else {
            n = start; /* an 'E' that begins a word */
        }
    }
    plain[n] = '\0';
    number->value = strtod(plain, NULL);
    number->digit = exponent ? (double)NAN : pow(10.0, -decimals);
    number->used = i;
    return isfinite(number->value);
}

bool number_read_hex(const char *text, size_t length, bool is_signed, struct number *number)
{
    unsigned long long value = 0;
    unsigned digits = 0;
    size_t i = 0;

    while (i < length && (text[i] == ' ' || text[i] == '\t'))
        ++i;
    if (i + 2 < length && text[i] == '0' && (text[i + 1] == 'x' || text[i + 1] == 'X'))
        i += 2;
    for (; i < length; ++i, ++digits) {
        char c = text[i];

        if (is_digit(c))
            value = value * 16 + (unsigned)(c - '0');
        else if ((c >= 'a' && c <= 'f') || (c >= 'A' && c <= 'F'))
            value = value * 16 + (unsigned)((c | 0x20) - 'a' + 10);
        else
            break;
    }
    if (digits == 0 || digits > 8)
        return false;
    number->value = (double)value;
    if (is_signed && value >> (4 * digits - 1))
        number->value -= ldexp(1.0, (int)(4 * digits));
    number->digit = 1.0;
    number->used = i;
    return true;
}

static bool is_letter(char c)
{
    return (c >= 'A' && c <= 'Z') || (c >= 'a' && c <= 'z');
}

/* 0L, O.L, .0L and their like: what seven segments can show. */
static bool is_segment_overload(const char *text, size_t length)
{
    size_t i = 0;
    bool any = false;

    for (; i < length && strchr("0Oo.", text[i]) && text[i]; ++i)
        any = any || text[i] != '.';
    return any && i < length && (text[i] == 'L' || text[i] == 'l') &&
           (i + 1 == length || !is_letter(text[i + 1]));
}

enum number_word number_word(const char *text, size_t length)
{
    static const char *const overloads[] = {"ovl",      "ovld",      "over", "ovf",      "overload",
                                            "overflow", "overrange", "inf",  "infinity", "ninf"};
    size_t letters = 0;
    size_t dashes = 0;

    while (length > 0 && (*text == ' ' || *text == '\t'))
        ++text, --length;
    while (dashes < length && text[dashes] == '-')
        ++dashes;
    if (dashes >= 2 && (dashes == length || text[dashes] == ' ' || text[dashes] == '.'))
        return NUMBER_WORD_INVALID;
    while (length > 0 && (*text == ' ' || *text == '+' || *text == '-'))
        ++text, --length;
    if (is_segment_overload(text, length))
        return NUMBER_WORD_OVERLOAD;
    while (letters < length && is_letter(text[letters]))
        ++letters;
    for (size_t i = 0; i < sizeof overloads / sizeof overloads[0]; ++i)
        if (strlen(overloads[i]) == letters && strncasecmp(text, overloads[i], letters) == 0)
            return NUMBER_WORD_OVERLOAD;
    if ((letters == 3 && strncasecmp(text, "nan", 3) == 0) ||
        (letters == 4 && strncasecmp(text, "null", 4) == 0))
        return NUMBER_WORD_INVALID;
    return NUMBER_WORD_NONE;
}
