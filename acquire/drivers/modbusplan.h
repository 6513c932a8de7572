/* modbusplan: where the channels of a bench file lie in the registers of MODBUS slaves, and which
 * requests read them.
 *
 * A block is one request: registers of one slave and one table that lie side by side. */
#ifndef TRUEWOUND_MODBUSPLAN_H
#define TRUEWOUND_MODBUSPLAN_H

#include <stdbool.h>
#include <stddef.h>

#include "acquire/benchfile.h"
#include "acquire/drivers/modbusframe.h"
#include "acquire/drivers/modbusvalue.h"
#include "db/status.h"

#define MODBUSPLAN_REGISTERS_MAX 125 /* of one request: V1.1b3, 6.3 and 6.4 */
#define MODBUSPLAN_SLAVES_MAX    (BENCHFILE_CHANNELS_MAX + 1)

/* What the driver adds to [instrument] and to [channel]. */
extern const struct section_key modbusplan_instrument_keys[];
extern const struct section_key modbusplan_channel_keys[];

struct modbusplan_place {
    size_t slave; /* index */
    enum modbusframe_table table;
    long first; /* as in the frame: from 0 */
    enum modbusvalue_type type;
    bool low_word_first, low_byte_first;
};

struct modbusplan_block {
    size_t slave;
    enum modbusframe_table table;
    long first, count;
    bool done; /* asked in this cycle */
    bool lost; /* a reading of it was lost since the last one */
    bool merged;
    bool member[BENCHFILE_CHANNELS_MAX];
};

struct modbusplan {
    const struct benchfile_instrument *instrument;
    size_t slaves;
    unsigned char slave[MODBUSPLAN_SLAVES_MAX]; /* addresses; the section's own first */
    struct modbusplan_place place[BENCHFILE_CHANNELS_MAX];
    bool alone[BENCHFILE_CHANNELS_MAX]; /* a request for more was refused: ask for it alone */
    size_t selected;                    /* channel; SIZE_MAX: all that are always read */
    long most, gap;
    size_t blocks;
    struct modbusplan_block block[BENCHFILE_CHANNELS_MAX];
};

/* Fills the plan from the bench file, blocks included, or says all that is wrong there. */
enum status_code modbusplan_fill(struct modbusplan *plan,
                                 const struct benchfile_instrument *instrument, struct status *st);

/* Makes the blocks anew, after a change of alone or selected. */
void modbusplan_blocks(struct modbusplan *plan);

/* How many channels the block holds. */
size_t modbusplan_members(const struct modbusplan *plan, const struct modbusplan_block *block);

/* A write command: "[slave N] coil ADDRESS on|off" or "[slave N] register ADDRESS VALUE" to its
 * request. The reason when it is neither, else NULL. */
const char *modbusplan_command(const struct modbusplan *plan, const char *text,
                               struct modbusframe_request *request);

/* "coil", "holding register" ... */
const char *modbusplan_table_words(enum modbusframe_table table);

#endif
