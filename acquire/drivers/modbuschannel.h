/* modbuschannel: what the registers of one channel mean: a value, where its point is, and how the
 * slave says that there is none.
 *
 * A channel has up to three cells: the value; a second register that scales it; a status register
 * whose bits say whether it can be believed. */
#ifndef TRUEWOUND_MODBUSCHANNEL_H
#define TRUEWOUND_MODBUSCHANNEL_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "acquire/benchfile.h"
#include "acquire/driver.h"
#include "acquire/drivers/modbusvalue.h"

enum modbuschannel_cell {
    MODBUSCHANNEL_VALUE,
    MODBUSCHANNEL_SCALING,
    MODBUSCHANNEL_STATUS,
    MODBUSCHANNEL_CELLS /* how many there are */
};

/* What the status register's bits say, and of which bits that is. */
enum modbuschannel_word {
    MODBUSCHANNEL_UNSTABLE, /* any of them set */
    MODBUSCHANNEL_STABLE,   /* unstable unless all of them are set */
    MODBUSCHANNEL_OVERLOAD, /* any of them set */
    MODBUSCHANNEL_INVALID,  /* any of them set */
    MODBUSCHANNEL_VALID,    /* no value unless all of them are set */
    MODBUSCHANNEL_WORDS
};

struct modbuschannel {
    const struct benchfile_channel *channel;
    bool used[MODBUSCHANNEL_CELLS];
    enum modbusvalue_type type[MODBUSCHANNEL_CELLS];
    bool low_word_first, low_byte_first;
    unsigned low_bit, bits; /* of the value; bits 0: all */
    enum modbusvalue_scaling scaling;
    uint64_t mask[MODBUSCHANNEL_WORDS]; /* 0: not given */
};

/* Reads the keys of channel, and where they are absent those of its instrument. is_bit: the value
 * is in a table of bits. Says all faults; the first is returned. */
enum status_code modbuschannel_fill(struct modbuschannel *own,
                                    const struct benchfile_instrument *instrument,
                                    const struct benchfile_channel *channel, bool is_bit,
                                    struct status *st);

/* The bits of one cell, whose registers begin at data. */
uint64_t modbuschannel_bits(const struct modbuschannel *own, enum modbuschannel_cell cell,
                            const unsigned char *data);

/* What the bits of its status register say: flags of enum store_flag. */
uint32_t modbuschannel_status(const struct modbuschannel *own, uint64_t bits);

/* Fills number, digit and adds to flags of the reading, from the bits of its cells. The reason
 * when a reading that should have a value has none, else NULL: a sentence without the channel's
 * name, for an event. */
const char *modbuschannel_reading(const struct modbuschannel *own,
                                  const uint64_t bits[MODBUSCHANNEL_CELLS],
                                  struct driver_reading *reading);

#endif
