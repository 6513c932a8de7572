/* modbusframe: the frames of MODBUS RTU: MODBUS Application Protocol V1.1b3 (functions, answers,
 * exceptions) and MODBUS over Serial Line V1.02 (RTU frames, CRC-16).
 *
 * A frame is taken for the answer only when slave, function, length and CRC are what the request
 * asks for, so that an answer to an earlier request, another slave's or noise is left out. */
#ifndef TRUEWOUND_MODBUSFRAME_H
#define TRUEWOUND_MODBUSFRAME_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "acquire/driver.h"

#define MODBUSFRAME_SLAVE_MAX   247 /* V1.02, 2.2: 1 to 247; 0 is broadcast, the rest reserved */
#define MODBUSFRAME_REQUEST_MAX 8   /* bytes of the longest request we send */

enum modbusframe_table {
    MODBUSFRAME_COIL,
    MODBUSFRAME_DISCRETE,
    MODBUSFRAME_INPUT,
    MODBUSFRAME_HOLDING
};

enum modbusframe_awaited {
    MODBUSFRAME_NOTHING,
    MODBUSFRAME_IDENTITY,
    MODBUSFRAME_READ,
    MODBUSFRAME_WRITE
};

/* The request that is out, with its sum, and what kind of answer it wants. */
struct modbusframe_request {
    enum modbusframe_awaited awaited;
    unsigned char sent[MODBUSFRAME_REQUEST_MAX];
    size_t length;
    long count; /* of registers or bits, when they are read */
};

/* True for coils and discrete inputs, which are bits. */
bool modbusframe_is_bits(enum modbusframe_table table);

/* Requests, complete with their sums. first counts from 0. */
void modbusframe_read(struct modbusframe_request *request, unsigned slave,
                      enum modbusframe_table table, long first, long count);
void modbusframe_identify(struct modbusframe_request *request, unsigned slave);
void modbusframe_write(struct modbusframe_request *request, unsigned slave,
                       enum modbusframe_table table, long address, unsigned value);

/* Bytes of the answer that begins here, sum included; 0: none does; more than length: not all of
 * it (or of what says how long it is) has come. */
size_t modbusframe_answer_length(const struct modbusframe_request *request,
                                 const unsigned char *bytes, size_t length);

/* True when the last two bytes are the sum of those before. length is at least 2. */
bool modbusframe_is_sum_right(const unsigned char *bytes, size_t length);

/* Finds the answer in front of a buffer, or our own request, given back by a half-duplex adapter.
 * quiet: nothing more came for a while (us); only then is a wrong sum believed. */
struct driver_frame modbusframe_find(const struct modbusframe_request *request,
                                     const unsigned char *bytes, size_t length, int64_t quiet);

/* Bytes of an answer to a read of one of these slaves, whichever; 0: the bytes are none. */
size_t modbusframe_late_length(const unsigned char *slave, size_t slaves,
                               const unsigned char *bytes, size_t length);

/* The same for a buffer when nothing is awaited: what comes is noise, or an answer after its
 * time-out. */
struct driver_frame modbusframe_find_late(const unsigned char *slave, size_t slaves,
                                          const unsigned char *bytes, size_t length, int64_t quiet);

/* The words for an exception code: V1.1b3, 7. */
const char *modbusframe_exception(unsigned code);

/* The objects of an answer to identify, as one line of text. */
void modbusframe_identity(const unsigned char *bytes, size_t length, char *text, size_t size);

#endif
