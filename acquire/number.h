/* number: a decimal number as instruments print it.
 *
 * Scales and meters put spaces between the sign and the digits, a comma for the point, the unit
 * right behind the last digit; strtod alone stops at the first of these. */
#ifndef TRUEWOUND_NUMBER_H
#define TRUEWOUND_NUMBER_H

#include <stdbool.h>
#include <stddef.h>

enum number_decimal { NUMBER_POINT, NUMBER_COMMA, NUMBER_EITHER };

struct number {
    double value;
    double digit; /* worth of one count of the last digit printed; NaN with an exponent, where
                     the digits printed say nothing about the instrument's resolution */
    size_t used;  /* bytes from the start of the text, leading spaces included */
};

/* Reads the number in front of text. Leading spaces, a sign, spaces, digits with at most one
 * decimal mark and at least one digit, an exponent. False when there is no number, when it has
 * more than 40 digits, or when it is not finite. */
bool number_read(const char *text, size_t length, enum number_decimal decimal,
                 struct number *number);

/* The same for a hexadecimal number of up to 8 digits, with 0x in front or without. is_signed:
 * two's complement of as many bits as the digits have. digit is 1. */
bool number_read_hex(const char *text, size_t length, bool is_signed, struct number *number);

enum number_word { NUMBER_WORD_NONE, NUMBER_WORD_OVERLOAD, NUMBER_WORD_INVALID };

/* What stands where a number should: OL, 0L, .0L, O.L, OVL, OVLD, OVER, OVF, OVERLOAD, OVERFLOW,
 * OVERRANGE, INF, INFINITY and NINF are an overload; NAN, null and dashes are no value. Case,
 * spaces and a sign in front do not count; a unit may follow after a space. Common practice, no
 * source, but for INF, NINF and NAN: SCPI-1999, volume 1, 7.2.1. */
enum number_word number_word(const char *text, size_t length);

#endif
