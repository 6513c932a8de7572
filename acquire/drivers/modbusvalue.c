#include "acquire/drivers/modbusvalue.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

static const struct {
    const char *word;
    unsigned registers;
} types[] = {
    {"bit", 1},    {"int16", 1},   {"uint16", 1},  {"int32", 2},
    {"uint32", 2}, {"float32", 2}, {"float64", 4},
};

enum modbusvalue_type modbusvalue_type(const char *word)
{
    for (size_t i = 0; i < sizeof types / sizeof types[0]; ++i)
        if (strcmp(word, types[i].word) == 0)
            return (enum modbusvalue_type)i;
    return MODBUSVALUE_BIT;
}

const char *modbusvalue_word(enum modbusvalue_type type)
{
    return types[type].word;
}

unsigned modbusvalue_registers(enum modbusvalue_type type)
{
    return types[type].registers;
}

bool modbusvalue_is_whole(enum modbusvalue_type type)
{
    return type != MODBUSVALUE_FLOAT32 && type != MODBUSVALUE_FLOAT64;
}

uint64_t modbusvalue_bits(enum modbusvalue_type type, const unsigned char *data,
                          bool low_word_first, bool low_byte_first)
{
    unsigned count = types[type].registers;
    uint64_t bits = 0;

    for (unsigned i = 0; i < count; ++i) {
        const unsigned char *word = data + 2 * (low_word_first ? count - 1 - i : i);

        bits = bits << 16 |
               (uint64_t)(low_byte_first ? word[1] << 8 | word[0] : word[0] << 8 | word[1]);
    }
    return bits;
}

double modbusvalue_number(enum modbusvalue_type type, uint64_t bits)
{
    uint32_t half = (uint32_t)bits;
    double d;
    float f;

    switch (type) {
    case MODBUSVALUE_BIT:
    case MODBUSVALUE_UINT16:
    case MODBUSVALUE_UINT32:
        return (double)bits;
    case MODBUSVALUE_INT16:
        return bits & 0x8000 ? (double)bits - 65536.0 : (double)bits;
    case MODBUSVALUE_INT32:
        return bits & 0x80000000 ? (double)bits - 4294967296.0 : (double)bits;
    case MODBUSVALUE_FLOAT32:
        memcpy(&f, &half, sizeof f);
        return (double)f;
    case MODBUSVALUE_FLOAT64:
        memcpy(&d, &bits, sizeof d);
        return d;
    }
    return NAN;
}

bool modbusvalue_mark(const char *text, bool *is_bits, uint64_t *bits, double *number)
{
    char *end;

    *is_bits = text[0] == '0' && (text[1] == 'x' || text[1] == 'X');
    errno = 0;
    if (*is_bits)
        *bits = strtoull(text, &end, 16);
    else
        *number = strtod(text, &end);
    return errno == 0 && end != text && *end == '\0';
}
