/* checksum: the sums that instruments put behind a line or a frame. Pure functions. */
#ifndef TRUEWOUND_CHECKSUM_H
#define TRUEWOUND_CHECKSUM_H

#include <stddef.h>
#include <stdint.h>

enum checksum_kind {
    CHECKSUM_NONE,
    CHECKSUM_XOR8,         /* exclusive or of the bytes */
    CHECKSUM_SUM8,         /* sum of the bytes, modulo 256 */
    CHECKSUM_NEGSUM8,      /* what makes the sum zero: the two's complement of SUM8 */
    CHECKSUM_CRC8,         /* polynomial 07, start 00 */
    CHECKSUM_CRC8_MAXIM,   /* polynomial 31 reflected, start 00 */
    CHECKSUM_SUM16,        /* sum of the bytes, modulo 65536 */
    CHECKSUM_CRC16_MODBUS, /* polynomial 8005 reflected, start FFFF */
    CHECKSUM_CRC16_CCITT,  /* polynomial 1021, start FFFF */
    CHECKSUM_CRC16_XMODEM  /* polynomial 1021, start 0000 */
};

/* The words for the kinds, in the order of the enum, separated by spaces. */
#define CHECKSUM_WORDS                                                                             \
    "none xor8 sum8 negsum8 crc8 crc8-maxim sum16 crc16-modbus crc16-ccitt crc16-xmodem"

/* The kind of a word of CHECKSUM_WORDS; CHECKSUM_NONE for any other. */
enum checksum_kind checksum_kind(const char *word);

/* Bits of the sum: 0, 8 or 16. */
unsigned checksum_bits(enum checksum_kind kind);

/* The sum over length bytes. 0 for CHECKSUM_NONE. */
uint16_t checksum_of(enum checksum_kind kind, const unsigned char *bytes, size_t length);

#endif
