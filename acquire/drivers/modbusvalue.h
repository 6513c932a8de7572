/* modbusvalue: what the registers of a MODBUS slave hold, as a number.
 *
 * A register is 16 bits, sent high byte first (MODBUS Application Protocol V1.1b3, 4.2). How longer
 * values lie in several of them, and that a register may hold digits instead of a binary number,
 * the standard leaves to the maker. Pure functions. */
#ifndef TRUEWOUND_MODBUSVALUE_H
#define TRUEWOUND_MODBUSVALUE_H

#include <stdbool.h>
#include <stdint.h>

enum modbusvalue_type {
    MODBUSVALUE_BIT, /* of a coil or a discrete input */
    MODBUSVALUE_INT16,
    MODBUSVALUE_UINT16,
    MODBUSVALUE_INT32,
    MODBUSVALUE_UINT32,
    MODBUSVALUE_INT64,
    MODBUSVALUE_UINT64,
    MODBUSVALUE_MAGNITUDE16, /* the highest bit is the sign, the others the size */
    MODBUSVALUE_MAGNITUDE32,
    MODBUSVALUE_FLOAT32, /* IEEE 754 */
    MODBUSVALUE_FLOAT64,
    MODBUSVALUE_BCD16, /* a decimal digit in four bits */
    MODBUSVALUE_BCD32,
    MODBUSVALUE_BCD64,
    MODBUSVALUE_DECIMAL32, /* registers of -9999 to 9999, each worth 10000 of the next */
    MODBUSVALUE_DECIMAL48,
    MODBUSVALUE_DECIMAL64
};

/* The words for the types, in the order of the enum, separated by spaces. */
#define MODBUSVALUE_TYPES                                                                          \
    "bit int16 uint16 int32 uint32 int64 uint64 magnitude16 magnitude32 float32 float64 bcd16 "    \
    "bcd32 bcd64 decimal32 decimal48 decimal64"

/* The type of a word of MODBUSVALUE_TYPES; MODBUSVALUE_BIT for any other. */
enum modbusvalue_type modbusvalue_type(const char *word);

/* The word for it. */
const char *modbusvalue_word(enum modbusvalue_type type);

/* How many registers it takes. */
unsigned modbusvalue_registers(enum modbusvalue_type type);

/* True when it counts in steps of one. */
bool modbusvalue_is_whole(enum modbusvalue_type type);

/* True for intN and uintN, whose bits may be taken one by one. */
bool modbusvalue_is_integer(enum modbusvalue_type type);

/* The bits of the registers that begin at data, the most significant word first. */
uint64_t modbusvalue_bits(enum modbusvalue_type type, const unsigned char *data,
                          bool low_word_first, bool low_byte_first);

/* The number these bits stand for. It may be infinite. NaN when the bits are none: a float that is
 * no number, a digit above nine, parts of different signs. Whole numbers beyond 2^53 are rounded.
 */
double modbusvalue_number(enum modbusvalue_type type, uint64_t bits);

/* The number in the `count` bits from bit `low` of an integer; two's complement of so many bits
 * when the type is signed. count 1 to 64, low + count at most the bits of the type. */
double modbusvalue_field(enum modbusvalue_type type, uint64_t bits, unsigned low, unsigned count);

/* The number as the type holds it: what a mark written in decimal must be to be found. */
double modbusvalue_rounded(enum modbusvalue_type type, double number);

/* How a second register says where the point of the first one is. */
enum modbusvalue_scaling {
    MODBUSVALUE_POWER_OF_TEN, /* value x 10^n */
    MODBUSVALUE_DECIMALS,     /* value / 10^n: n digits behind the point */
    MODBUSVALUE_FACTOR,       /* value x n */
    MODBUSVALUE_DIVISOR       /* value / n */
};

/* The words for them, in the order of the enum. */
#define MODBUSVALUE_SCALINGS "power-of-ten decimals factor divisor"

enum modbusvalue_scaling modbusvalue_scaling(const char *word);

/* value scaled by n; NaN when n makes no sense: a power of ten that is not whole or beyond
 * +-MODBUSVALUE_POWER_MAX, a factor that is not above 0. (SunSpec's own powers are within 10, and
 * its mark for 'none' is -32768: from memory.) */
#define MODBUSVALUE_POWER_MAX 20
double modbusvalue_scaled(enum modbusvalue_scaling scaling, double value, double n);

/* A mark for 'no value' as a person writes it: bits when written 0x..., a number otherwise. False
 * when it is neither. */
bool modbusvalue_mark(const char *text, bool *is_bits, uint64_t *bits, double *number);

#endif
