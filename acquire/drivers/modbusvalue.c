#include "acquire/drivers/modbusvalue.h"

#include <errno.h>
#include <math.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>

/* clang-format off */
static const struct {
    const char *word;
    unsigned registers;
    bool whole, integer, is_signed;
} types[] = {
    {"bit",         1, true,  false, false},
    {"int16",       1, true,  true,  true},
    {"uint16",      1, true,  true,  false},
    {"int32",       2, true,  true,  true},
    {"uint32",      2, true,  true,  false},
    {"int64",       4, true,  true,  true},
    {"uint64",      4, true,  true,  false},
    {"magnitude16", 1, true,  false, true},
    {"magnitude32", 2, true,  false, true},
    {"float32",     2, false, false, true},
    {"float64",     4, false, false, true},
    {"bcd16",       1, true,  false, false},
    {"bcd32",       2, true,  false, false},
    {"bcd64",       4, true,  false, false},
    {"decimal32",   2, true,  false, true},
    {"decimal48",   3, true,  false, true},
    {"decimal64",   4, true,  false, true},
};
/* clang-format on */

static const char *const scalings[] = {"power-of-ten", "decimals", "factor", "divisor"};

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
    return types[type].whole;
}

bool modbusvalue_is_integer(enum modbusvalue_type type)
{
    return types[type].integer;
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

double modbusvalue_field(enum modbusvalue_type type, uint64_t bits, unsigned low, unsigned count)
{
    bool negative;

    bits >>= low;
    if (count < 64)
        bits &= (UINT64_C(1) << count) - 1;
    negative = types[type].is_signed && bits >> (count - 1) & 1;
    if (!negative)
        return (double)bits;
    /* The size of a negative number: two's complement within its bits. */
    bits = ~bits + 1;
    if (count < 64)
        bits &= (UINT64_C(1) << count) - 1;
    return -(double)bits;
}

static double bcd_number(uint64_t bits, unsigned digits)
{
    double value = 0.0;

    for (unsigned i = digits; i-- > 0;) {
        unsigned digit = (unsigned)(bits >> 4 * i & 0xF);

        if (digit > 9)
            return (double)NAN;
        value = value * 10.0 + digit;
    }
    return value;
}

/* Registers that count to 9999 and carry into the one before. All bear the sign. */
static double decimal_number(uint64_t bits, unsigned registers)
{
    double value = 0.0;
    bool above = false, below = false;

    for (unsigned i = registers; i-- > 0;) {
        double part = modbusvalue_field(MODBUSVALUE_INT16, bits, 16 * i, 16);

        if (fabs(part) > 9999.0)
            return (double)NAN;
        above = above || part > 0.0;
        below = below || part < 0.0;
        value = value * 10000.0 + part;
    }
    return above && below ? (double)NAN : value;
}

double modbusvalue_number(enum modbusvalue_type type, uint64_t bits)
{
    unsigned width = 16 * types[type].registers;
    uint64_t sign = UINT64_C(1) << (width - 1);
    uint32_t half = (uint32_t)bits;
    double d;
    float f;

    switch (type) {
    case MODBUSVALUE_BIT:
        return (double)bits;
    case MODBUSVALUE_INT16:
    case MODBUSVALUE_UINT16:
    case MODBUSVALUE_INT32:
    case MODBUSVALUE_UINT32:
    case MODBUSVALUE_INT64:
    case MODBUSVALUE_UINT64:
        return modbusvalue_field(type, bits, 0, width);
    case MODBUSVALUE_MAGNITUDE16:
    case MODBUSVALUE_MAGNITUDE32:
        return bits & sign ? -(double)(bits & ~sign) : (double)bits;
    case MODBUSVALUE_FLOAT32:
        memcpy(&f, &half, sizeof f);
        return (double)f;
    case MODBUSVALUE_FLOAT64:
        memcpy(&d, &bits, sizeof d);
        return d;
    case MODBUSVALUE_BCD16:
    case MODBUSVALUE_BCD32:
    case MODBUSVALUE_BCD64:
        return bcd_number(bits, width / 4);
    case MODBUSVALUE_DECIMAL32:
    case MODBUSVALUE_DECIMAL48:
    case MODBUSVALUE_DECIMAL64:
        return decimal_number(bits, types[type].registers);
    }
    return (double)NAN;
}

double modbusvalue_rounded(enum modbusvalue_type type, double number)
{
    return type == MODBUSVALUE_FLOAT32 && fabs(number) < 3e38 ? (double)(float)number : number;
}

enum modbusvalue_scaling modbusvalue_scaling(const char *word)
{
    for (size_t i = 0; i < sizeof scalings / sizeof scalings[0]; ++i)
        if (strcmp(word, scalings[i]) == 0)
            return (enum modbusvalue_scaling)i;
    return MODBUSVALUE_POWER_OF_TEN;
}

double modbusvalue_scaled(enum modbusvalue_scaling scaling, double value, double n)
{
    bool power = scaling == MODBUSVALUE_POWER_OF_TEN || scaling == MODBUSVALUE_DECIMALS;

    if (!isfinite(n) || (power ? n != floor(n) || fabs(n) > MODBUSVALUE_POWER_MAX : !(n > 0.0)))
        return (double)NAN;
    switch (scaling) {
    case MODBUSVALUE_DECIMALS:
        n = -n;
        __attribute__((fallthrough));
    case MODBUSVALUE_POWER_OF_TEN:
        /* A division gives the nearest number to the decimal one; 10^-n is none itself. */
        return n < 0.0 ? value / pow(10.0, -n) : value * pow(10.0, n);
    case MODBUSVALUE_FACTOR:
        return value * n;
    case MODBUSVALUE_DIVISOR:
        return value / n;
    }
    return (double)NAN;
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
    return errno == 0 && end != text && *end == '\0' && (*is_bits || isfinite(*number));
}
