#include "acquire/drivers/modbusframe.h"

#include <ctype.h>
#include <string.h>

#include "acquire/checksum.h"

/* V1.1b3, 6.1 to 6.4. */
static const unsigned char read_function[] = {1, 2, 4, 3};

enum { FUNCTION_WRITE_COIL = 5, FUNCTION_WRITE_REGISTER = 6, FUNCTION_IDENTITY = 0x2B };

bool modbusframe_is_bits(enum modbusframe_table table)
{
    return table == MODBUSFRAME_COIL || table == MODBUSFRAME_DISCRETE;
}

/* ---- requests ---- */

/* Adds the sum, low byte first: V1.02, 2.5.1.2. */
static void close_request(struct modbusframe_request *request, size_t length)
{
    uint16_t crc = checksum_of(CHECKSUM_CRC16_MODBUS, request->sent, length);

    request->sent[length] = (unsigned char)(crc & 0xFF);
    request->sent[length + 1] = (unsigned char)(crc >> 8);
    request->length = length + 2;
}

/* Slave, function and two words. */
static void fill(struct modbusframe_request *request, unsigned slave, unsigned function,
                 unsigned long a, unsigned long b)
{
    request->sent[0] = (unsigned char)slave;
    request->sent[1] = (unsigned char)function;
    request->sent[2] = (unsigned char)(a >> 8 & 0xFF);
    request->sent[3] = (unsigned char)(a & 0xFF);
    request->sent[4] = (unsigned char)(b >> 8 & 0xFF);
    request->sent[5] = (unsigned char)(b & 0xFF);
    close_request(request, 6);
}

void modbusframe_read(struct modbusframe_request *request, unsigned slave,
                      enum modbusframe_table table, long first, long count)
{
    *request = (struct modbusframe_request){.awaited = MODBUSFRAME_READ, .count = count};
    fill(request, slave, read_function[table], (unsigned long)first, (unsigned long)count);
}

void modbusframe_identify(struct modbusframe_request *request, unsigned slave)
{
    const unsigned char identify[] = {(unsigned char)slave, FUNCTION_IDENTITY, 0x0E, 0x01, 0x00};

    *request = (struct modbusframe_request){.awaited = MODBUSFRAME_IDENTITY};
    memcpy(request->sent, identify, sizeof identify);
    close_request(request, sizeof identify);
}

void modbusframe_write(struct modbusframe_request *request, unsigned slave,
                       enum modbusframe_table table, long address, unsigned value)
{
    bool coil = table == MODBUSFRAME_COIL;

    *request = (struct modbusframe_request){.awaited = MODBUSFRAME_WRITE};
    fill(request, slave, coil ? FUNCTION_WRITE_COIL : FUNCTION_WRITE_REGISTER,
         (unsigned long)address, value);
}

/* ---- answers ---- */

bool modbusframe_is_sum_right(const unsigned char *bytes, size_t length)
{
    uint16_t crc = checksum_of(CHECKSUM_CRC16_MODBUS, bytes, length - 2);

    return bytes[length - 2] == (crc & 0xFF) && bytes[length - 1] == crc >> 8;
}

size_t modbusframe_answer_length(const struct modbusframe_request *request, const unsigned char *b,
                                 size_t length)
{
    size_t size;

    if (length > 0 && b[0] != request->sent[0])
        return 0;
    if (length < 2)
        return 5;
    if (b[1] == (request->sent[1] | 0x80))
        return 5;
    if (b[1] != request->sent[1])
        return 0;
    switch (request->awaited) {
    case MODBUSFRAME_NOTHING:
        return 0;
    case MODBUSFRAME_READ:
        size =
            request->sent[1] <= 2 ? ((size_t)request->count + 7) / 8 : 2 * (size_t)request->count;
        if (length > 2 && b[2] != size)
            return 0;
        return 3 + size + 2;
    case MODBUSFRAME_WRITE:
        /* V1.1b3, 6.5 and 6.6: the answer is the request again. */
        return memcmp(b, request->sent, length < 6 ? length : 6) == 0 ? 8 : 0;
    case MODBUSFRAME_IDENTITY:
        /* V1.1b3, 6.21: eight bytes, then objects of number, length and text. */
        if ((length > 2 && b[2] != 0x0E) || (length > 3 && b[3] != 0x01))
            return 0;
        if (length < 8)
            return 10;
        size = 8;
        for (unsigned i = 0; i < b[7]; ++i) {
            if (length < size + 2)
                return size + 4;
            size += 2 + (size_t)b[size + 1];
            if (size > 253)
                return 0;
        }
        return size + 2;
    }
    return 0;
}

enum found {
    FOUND_NOTHING, /* no answer begins here */
    FOUND_PART,    /* one may begin here; its end has not come */
    FOUND_WRONG,   /* a whole one, but for its sum */
    FOUND_WHOLE
};

static enum found look(const struct modbusframe_request *request, const unsigned char *bytes,
                       size_t length, size_t *size)
{
    size_t need = modbusframe_answer_length(request, bytes, length);
    size_t same = 0;
    bool whole = need > 0 && length >= need;

    if (whole && modbusframe_is_sum_right(bytes, need)) {
        *size = need;
        return FOUND_WHOLE;
    }
    /* What we sent, given back by a half-duplex adapter. */
    while (same < length && same < request->length && bytes[same] == request->sent[same])
        ++same;
    if (same == request->length) {
        *size = same;
        return FOUND_WHOLE;
    }
    if (same == length)
        return FOUND_PART;
    *size = need;
    return need == 0 ? FOUND_NOTHING : whole ? FOUND_WRONG : FOUND_PART;
}

struct driver_frame modbusframe_find(const struct modbusframe_request *request,
                                     const unsigned char *bytes, size_t length, int64_t quiet)
{
    struct driver_frame frame = {0};
    size_t keep = length;
    size_t wrong = length;
    size_t wrong_size = 0;

    for (size_t i = 0; i < length; ++i) {
        size_t size = 0;
        enum found found = look(request, bytes + i, length - i, &size);

        if (found == FOUND_WHOLE) {
            frame = (struct driver_frame){.skip = i, .length = size, .junk = i > 0, .sound = true};
            return frame;
        }
        if (found == FOUND_WRONG && wrong == length) {
            wrong = i;
            wrong_size = size;
        }
        if (found != FOUND_NOTHING && keep == length)
            keep = i;
    }
    /* A wrong sum is believed only when nothing more comes: the right frame may still be on its
     * way behind noise that looks like one. */
    if (quiet > 0 && wrong < length)
        frame = (struct driver_frame){.skip = wrong, .length = wrong_size, .junk = wrong > 0};
    else
        frame = (struct driver_frame){.skip = keep, .junk = keep > 0};
    return frame;
}

size_t modbusframe_late_length(const unsigned char *slave, size_t slaves,
                               const unsigned char *bytes, size_t length)
{
    size_t size = length >= 5 ? 3 + (size_t)bytes[2] + 2 : 0;

    if (size == 0 || size > length || bytes[1] < 1 || bytes[1] > 4 ||
        !modbusframe_is_sum_right(bytes, size))
        return 0;
    for (size_t i = 0; i < slaves; ++i)
        if (slave[i] == bytes[0])
            return size;
    return 0;
}

struct driver_frame modbusframe_find_late(const unsigned char *slave, size_t slaves,
                                          const unsigned char *bytes, size_t length, int64_t quiet)
{
    if (quiet == 0)
        return (struct driver_frame){0}; /* all of it first */
    for (size_t i = 0; i < length; ++i) {
        size_t size = modbusframe_late_length(slave, slaves, bytes + i, length - i);

        if (size > 0)
            return (struct driver_frame){.skip = i, .length = size, .junk = i > 0, .sound = true};
    }
    return (struct driver_frame){.skip = length, .junk = length > DRIVER_TURN_AROUND};
}

/* ---- what they say ---- */

const char *modbusframe_exception(unsigned code)
{
    switch (code) {
    case 1:
        return "illegal function";
    case 2:
        return "illegal data address";
    case 3:
        return "illegal data value";
    case 4:
        return "server device failure";
    case 5:
        return "acknowledge: it needs a long time";
    case 6:
        return "server device busy";
    case 8:
        return "memory parity error";
    case 10:
        return "gateway path unavailable";
    case 11:
        return "gateway target device failed to respond";
    default:
        return "not one of the standard";
    }
}

void modbusframe_identity(const unsigned char *bytes, size_t length, char *text, size_t size)
{
    size_t n = 0;
    size_t at = 8;

    for (unsigned i = 0; i < bytes[7] && at + 2 <= length - 2; ++i) {
        size_t object = bytes[at + 1];

        if (n > 0 && n + 2 < size) {
            text[n++] = ',';
            text[n++] = ' ';
        }
        for (size_t k = 0; k < object && at + 2 + k < length - 2 && n + 1 < size; ++k)
            text[n++] = isprint(bytes[at + 2 + k]) ? (char)bytes[at + 2 + k] : '?';
        at += 2 + object;
    }
    text[n] = '\0';
}
