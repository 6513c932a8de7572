/* modbusvalue: what the registers of a MODBUS slave hold, as a number.
 *
 * A register is 16 bits, sent high byte first (MODBUS Application Protocol V1.1b3, 4.2). How longer
 * values lie in several of them the standard leaves to the maker. Pure functions. */
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
    MODBUSVALUE_FLOAT32, /* IEEE 754 */
    MODBUSVALUE_FLOAT64
};

/* The words for the types, in the order of the enum, separated by spaces. */
#define MODBUSVALUE_TYPES "bit int16 uint16 int32 uint32 float32 float64"

/* The type of a word of MODBUSVALUE_TYPES; MODBUSVALUE_BIT for any other. */
enum modbusvalue_type modbusvalue_type(const char *word);

/* The word for it. */
const char *modbusvalue_word(enum modbusvalue_type type);

/* How many registers it takes. */
unsigned modbusvalue_registers(enum modbusvalue_type type);

/* True when it counts in steps of one. */
bool modbusvalue_is_whole(enum modbusvalue_type type);

/* The bits of the registers that begin at data, the most significant word first. */
uint64_t modbusvalue_bits(enum modbusvalue_type type, const unsigned char *data,
                          bool low_word_first, bool low_byte_first);

/* The number these bits stand for. It may be NaN or infinite. */
double modbusvalue_number(enum modbusvalue_type type, uint64_t bits);

/* A mark for 'no value' as a person writes it: bits when written 0x..., a number otherwise. False
 * when it is neither. */
bool modbusvalue_mark(const char *text, bool *is_bits, uint64_t *bits, double *number);

#endif
