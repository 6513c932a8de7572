/* modbusplan: where the channels of a bench file lie in the registers of MODBUS slaves, and which
 * requests read them.
 *
 * A block is one request: registers of one slave and one table that lie side by side. The cells of
 * a channel belong to one moment: a value read before its point moves and a scale read after would
 * make a wrong number. So they are in one request, however much lies between. Where that cannot be,
 * the others are read before the value and again after it. */
#ifndef TRUEWOUND_MODBUSPLAN_H
#define TRUEWOUND_MODBUSPLAN_H

#include <stdbool.h>
#include <stddef.h>

#include "acquire/benchfile.h"
#include "acquire/drivers/modbuschannel.h"
#include "acquire/drivers/modbusframe.h"
#include "db/status.h"

#define MODBUSPLAN_REGISTERS_MAX 125 /* of one request: V1.1b3, 6.3 and 6.4 */
#define MODBUSPLAN_SLAVES_MAX    (BENCHFILE_CHANNELS_MAX + 1)
#define MODBUSPLAN_BLOCKS_MAX    (BENCHFILE_CHANNELS_MAX * (2 * MODBUSCHANNEL_CELLS - 1))

/* What the driver adds to [instrument] and to [channel]. */
extern const struct section_key modbusplan_instrument_keys[];
extern const struct section_key modbusplan_channel_keys[];

/* Where one cell of a channel is. */
struct modbusplan_place {
    enum modbusframe_table table;
    long first; /* as in the frame: from 0 */
    long count; /* of registers, or 1 bit; 0: the channel has no such cell */
};

struct modbusplan_block {
    size_t slave; /* index */
    enum modbusframe_table table;
    long first, count;
    bool done; /* asked in this cycle */
    bool merged;
    bool again;                                   /* the cell is asked for a second time */
    unsigned char member[BENCHFILE_CHANNELS_MAX]; /* bit n: it holds the channel's cell n */
};

struct modbusplan {
    const struct benchfile_instrument *instrument;
    size_t slaves;
    unsigned char slave[MODBUSPLAN_SLAVES_MAX]; /* addresses; the section's own first */
    size_t owner[BENCHFILE_CHANNELS_MAX];       /* index of the channel's slave */
    struct modbusplan_place place[BENCHFILE_CHANNELS_MAX][MODBUSCHANNEL_CELLS];
    struct modbuschannel channel[BENCHFILE_CHANNELS_MAX];
    bool
        alone[BENCHFILE_CHANNELS_MAX]; /* a request for more was refused: ask for each cell alone */
    size_t selected;                   /* channel; SIZE_MAX: all that are always read */
    long most, gap;
    size_t blocks;
    struct modbusplan_block block[MODBUSPLAN_BLOCKS_MAX];
};

/* Fills the plan from the bench file, blocks included, or says all that is wrong there. */
enum status_code modbusplan_fill(struct modbusplan *plan,
                                 const struct benchfile_instrument *instrument, struct status *st);

/* Makes the blocks anew, after a change of alone or selected. */
void modbusplan_blocks(struct modbusplan *plan);

/* Bits of all the cells that the channel has, as in a block's member. */
unsigned modbusplan_cells(const struct modbusplan *plan, size_t channel);

/* How many cells the block holds. */
size_t modbusplan_members(const struct modbusplan *plan, const struct modbusplan_block *block);

/* A write command: "[slave N] coil ADDRESS on|off" or "[slave N] register ADDRESS VALUE" to its
 * request. The reason when it is neither, else NULL. */
const char *modbusplan_command(const struct modbusplan *plan, const char *text,
                               struct modbusframe_request *request);

/* "coil", "holding register" ... */
const char *modbusplan_table_words(enum modbusframe_table table);

#endif
