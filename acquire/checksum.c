#include "acquire/checksum.h"

#include <string.h>

enum checksum_kind checksum_kind(const char *word)
{
    static const char *const words[] = {"none",        "xor8",        "sum8",  "negsum8",
                                        "crc8",        "crc8-maxim",  "sum16", "crc16-modbus",
                                        "crc16-ccitt", "crc16-xmodem"};

    for (size_t i = 0; i < sizeof words / sizeof words[0]; ++i)
        if (strcmp(word, words[i]) == 0)
            return (enum checksum_kind)i;
    return CHECKSUM_NONE;
}

unsigned checksum_bits(enum checksum_kind kind)
{
    if (kind == CHECKSUM_NONE)
        return 0;
    return kind < CHECKSUM_SUM16 ? 8 : 16;
}

/* A cyclic code, most significant bit first. */
static unsigned crc_forward(unsigned crc, unsigned polynomial, unsigned bits,
                            const unsigned char *bytes, size_t length)
{
    unsigned top = 1U << (bits - 1);
    unsigned mask = (top << 1) - 1U;

    for (size_t i = 0; i < length; ++i) {
        crc ^= (unsigned)bytes[i] << (bits - 8);
        for (int k = 0; k < 8; ++k)
            crc = (crc & top ? (crc << 1) ^ polynomial : crc << 1) & mask;
    }
    return crc;
}

/* The same, least significant bit first; polynomial is the reflected one. */
static unsigned crc_reflected(unsigned crc, unsigned polynomial, const unsigned char *bytes,
                              size_t length)
{
    for (size_t i = 0; i < length; ++i) {
        crc ^= bytes[i];
        for (int k = 0; k < 8; ++k)
            crc = crc & 1U ? (crc >> 1) ^ polynomial : crc >> 1;
    }
    return crc;
}

uint16_t checksum_of(enum checksum_kind kind, const unsigned char *bytes, size_t length)
{
    unsigned sum = 0;

    switch (kind) {
    case CHECKSUM_NONE:
        break;
    case CHECKSUM_XOR8:
        for (size_t i = 0; i < length; ++i)
            sum ^= bytes[i];
        break;
    case CHECKSUM_SUM8:
    case CHECKSUM_NEGSUM8:
        for (size_t i = 0; i < length; ++i)
            sum = (sum + bytes[i]) & 0xffU;
        if (kind == CHECKSUM_NEGSUM8)
            sum = (0x100U - sum) & 0xffU;
        break;
    case CHECKSUM_SUM16:
        for (size_t i = 0; i < length; ++i)
            sum = (sum + bytes[i]) & 0xffffU;
        break;
    case CHECKSUM_CRC8:
        sum = crc_forward(0, 0x07U, 8, bytes, length);
        break;
    case CHECKSUM_CRC8_MAXIM:
        sum = crc_reflected(0, 0x8cU, bytes, length);
        break;
    case CHECKSUM_CRC16_MODBUS:
        sum = crc_reflected(0xffffU, 0xa001U, bytes, length);
        break;
    case CHECKSUM_CRC16_CCITT:
        sum = crc_forward(0xffffU, 0x1021U, 16, bytes, length);
        break;
    case CHECKSUM_CRC16_XMODEM:
        sum = crc_forward(0, 0x1021U, 16, bytes, length);
        break;
    }
    return (uint16_t)sum;
}
