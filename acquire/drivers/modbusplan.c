#include "acquire/drivers/modbusplan.h"

#include <errno.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define BITS_MAX 2000   /* of one request: V1.1b3, 6.1 and 6.2 */
#define SPACE    65536L /* addresses of one table */

const struct section_key modbusplan_instrument_keys[] = {
    {.name = "slave",
     .kind = SECTION_INTEGER,
     .standard = "1",
     .min = 1,
     .max = MODBUSFRAME_SLAVE_MAX},
    {.name = "numbering", .kind = SECTION_CHOICE, .standard = "zero", .choices = "zero one table"},
    {.name = "words",
     .kind = SECTION_CHOICE,
     .standard = "high-first",
     .choices = "high-first low-first"},
    {.name = "bytes",
     .kind = SECTION_CHOICE,
     .standard = "high-first",
     .choices = "high-first low-first"},
    {.name = "most_registers",
     .kind = SECTION_INTEGER,
     .standard = "125",
     .min = 1,
     .max = MODBUSPLAN_REGISTERS_MAX},
    {.name = "merge", .kind = SECTION_SWITCH, .standard = "yes"},
    {.name = "merge_gap", .kind = SECTION_INTEGER, .standard = "0", .min = 0, .max = 124},
    {.name = "echo", .kind = SECTION_SWITCH, .standard = "no"},
    {.name = "identify", .kind = SECTION_SWITCH, .standard = "no"},
    {.name = NULL},
};

const struct section_key modbusplan_channel_keys[] = {
    {.name = "slave", .kind = SECTION_INTEGER, .min = 1, .max = MODBUSFRAME_SLAVE_MAX},
    {.name = "register", .kind = SECTION_TEXT, .required = true},
    {.name = "table", .kind = SECTION_CHOICE, .choices = "coil discrete input holding"},
    {.name = "type", .kind = SECTION_CHOICE, .choices = MODBUSVALUE_TYPES},
    {.name = "bits", .kind = SECTION_TEXT},
    {.name = "words", .kind = SECTION_CHOICE, .choices = "high-first low-first"},
    {.name = "bytes", .kind = SECTION_CHOICE, .choices = "high-first low-first"},
    {.name = "invalid", .kind = SECTION_LIST},
    {.name = "overload", .kind = SECTION_LIST},
    {.name = "overload_from", .kind = SECTION_NUMBER, .min = -1e300, .max = 1e300},
    {.name = "underload_from", .kind = SECTION_NUMBER, .min = -1e300, .max = 1e300},
    {.name = "scaling", .kind = SECTION_CHOICE, .choices = MODBUSVALUE_SCALINGS},
    {.name = "scaling_register", .kind = SECTION_TEXT},
    {.name = "scaling_table", .kind = SECTION_CHOICE, .choices = "input holding"},
    {.name = "scaling_type",
     .kind = SECTION_CHOICE,
     .choices = "int16 uint16 int32 uint32 float32 float64"},
    {.name = "status_register", .kind = SECTION_TEXT},
    {.name = "status_table", .kind = SECTION_CHOICE, .choices = "input holding"},
    {.name = "status_unstable", .kind = SECTION_TEXT},
    {.name = "status_stable", .kind = SECTION_TEXT},
    {.name = "status_overload", .kind = SECTION_TEXT},
    {.name = "status_invalid", .kind = SECTION_TEXT},
    {.name = "status_valid", .kind = SECTION_TEXT},
    {.name = NULL},
};

static const char *const table_words[] = {"coil", "discrete input", "input register",
                                          "holding register"};

const char *modbusplan_table_words(enum modbusframe_table table)
{
    return table_words[table];
}

/* ---- where the channels are ---- */

/* The index of the slave of that address; a new one when it is not there yet. */
static size_t find_slave(struct modbusplan *plan, long address)
{
    for (size_t i = 0; i < plan->slaves; ++i)
        if (plan->slave[i] == address)
            return i;
    plan->slave[plan->slaves] = (unsigned char)address;
    return plan->slaves++;
}

/* A number in the section's numbering to an address from 0. *table is changed by a number that
 * names its table (40001). The reason when it is none, else NULL. */
static const char *find_address(const struct modbusplan *plan, const char *text, bool *named,
                                enum modbusframe_table *table, long *address)
{
    static const enum modbusframe_table by_digit[] = {MODBUSFRAME_COIL, MODBUSFRAME_DISCRETE,
                                                      MODBUSFRAME_COIL, MODBUSFRAME_INPUT,
                                                      MODBUSFRAME_HOLDING};
    const char *numbering = section_text(plan->instrument->values, "numbering");
    bool hex = text[0] == '0' && (text[1] == 'x' || text[1] == 'X');
    size_t digits = strspn(text, "0123456789");
    char *end;
    long number;

    errno = 0;
    number = strtol(text, &end, hex ? 16 : 10);
    *named = false;
    if (errno != 0 || end == text || *end != '\0' || (!hex && digits != strlen(text)))
        return "is not a whole number";
    if (strcmp(numbering, "table") == 0) {
        long base = digits == 5 ? 10000 : 100000;

        if (hex || (digits != 5 && digits != 6) || text[0] == '2' || text[0] > '4')
            return "must have five or six digits, the first 0, 1, 3 or 4 (numbering = table)";
        *table = by_digit[text[0] - '0'];
        *named = true;
        number %= base;
    }
    if (strcmp(numbering, "zero") != 0)
        --number;
    if (number < 0)
        return "is below the first register; registers are counted from 1 here";
    if (number >= SPACE)
        return "is above the last of the 65536 addresses of a table";
    *address = number;
    return NULL;
}

/* Where one cell is, from its keys. before: the table where none is stated. */
static enum status_code make_place(const struct modbusplan *plan, const struct section *values,
                                   const char *register_key, const char *table_key,
                                   enum modbusframe_table before, struct modbusplan_place *place,
                                   struct status *st)
{
    static const char *const tables[] = {"coil", "discrete", "input", "holding"};
    const char *text = section_text(values, register_key);
    const char *table = section_text(values, table_key);
    enum modbusframe_table stated = before;
    const char *why;
    bool named;

    for (size_t i = 0; table && i < 4; ++i)
        if (strcmp(table, tables[i]) == 0)
            stated = (enum modbusframe_table)i;
    place->table = stated;
    why = find_address(plan, text, &named, &place->table, &place->first);
    if (why)
        return section_fail(values, register_key, st, "'%.40s' %s", text, why);
    if (named && table && place->table != stated)
        return section_fail(values, table_key, st, "the register's first digit says %s",
                            table_words[place->table]);
    return STATUS_OK;
}

/* How long one cell is. */
static enum status_code make_count(const struct modbusplan *plan, const struct section *values,
                                   const char *key, enum modbusvalue_type type,
                                   struct modbusplan_place *place, struct status *st)
{
    place->count = modbusvalue_registers(type);
    if (place->first + place->count > SPACE || place->count > plan->most)
        return section_fail(values, key, st, "%s needs %ld registers, more than there are",
                            modbusvalue_word(type), place->count);
    return STATUS_OK;
}

/* Goes on after a fault, so that all are said. */
static enum status_code make_channel(struct modbusplan *plan, size_t index, struct status *st)
{
    static const struct {
        const char *at, *table, *type;
    } keys[MODBUSCHANNEL_CELLS] = {
        [MODBUSCHANNEL_VALUE] = {"register", "table", "type"},
        [MODBUSCHANNEL_SCALING] = {"scaling_register", "scaling_table", "scaling_type"},
        [MODBUSCHANNEL_STATUS] = {"status_register", "status_table", "status_register"},
    };
    const struct benchfile_channel *channel = &plan->instrument->channel[index];
    const struct section *values = channel->values;
    struct modbusplan_place *place = plan->place[index];
    struct modbuschannel *own = &plan->channel[index];
    enum modbusframe_table table = MODBUSFRAME_HOLDING;
    enum status_code code = STATUS_OK;

    if (make_place(plan, values, "register", "table", table, &place[MODBUSCHANNEL_VALUE], st) !=
        STATUS_OK)
        code = STATUS_INPUT;
    table = place[MODBUSCHANNEL_VALUE].table;
    if (modbuschannel_fill(own, plan->instrument, channel, modbusframe_is_bits(table), st) !=
        STATUS_OK)
        code = STATUS_INPUT;
    if (modbusframe_is_bits(table))
        table = MODBUSFRAME_HOLDING;
    for (size_t cell = 0; cell < MODBUSCHANNEL_CELLS; ++cell) {
        if (!own->used[cell])
            continue;
        if (cell != MODBUSCHANNEL_VALUE && make_place(plan, values, keys[cell].at, keys[cell].table,
                                                      table, &place[cell], st) != STATUS_OK)
            code = STATUS_INPUT;
        if (cell != MODBUSCHANNEL_VALUE && modbusframe_is_bits(place[cell].table))
            code = section_fail(values, keys[cell].at, st, "must be a register, not a %s",
                                table_words[place[cell].table]);
        if (make_count(plan, values, keys[cell].type, own->type[cell], &place[cell], st) !=
            STATUS_OK)
            code = STATUS_INPUT;
    }
    plan->owner[index] = find_slave(
        plan, section_integer(section_given(values, "slave") ? values : plan->instrument->values,
                              "slave"));
    return code;
}

/* ---- which requests ---- */

static bool is_active(const struct modbusplan *plan, size_t channel)
{
    if (plan->selected != SIZE_MAX)
        return channel == plan->selected;
    return !plan->instrument->channel[channel].asked_only;
}

unsigned modbusplan_cells(const struct modbusplan *plan, size_t channel)
{
    unsigned cells = 0;

    for (size_t cell = 0; cell < MODBUSCHANNEL_CELLS; ++cell)
        if (plan->place[channel][cell].count > 0)
            cells |= 1U << cell;
    return cells;
}

/* From the first to the last of the channel's cells, when one request can have them all; else of
 * its value alone. *cells: which of them. */
static struct modbusplan_place extent(const struct modbusplan *plan, size_t channel,
                                      unsigned *cells)
{
    const struct modbusplan_place *place = plan->place[channel];
    struct modbusplan_place whole = place[MODBUSCHANNEL_VALUE];
    bool one = !plan->alone[channel];

    for (size_t cell = 1; cell < MODBUSCHANNEL_CELLS; ++cell) {
        long end = whole.first + whole.count;

        if (place[cell].count == 0)
            continue;
        one = one && place[cell].table == whole.table;
        if (place[cell].first + place[cell].count > end)
            end = place[cell].first + place[cell].count;
        if (place[cell].first < whole.first)
            whole.first = place[cell].first;
        whole.count = end - whole.first;
    }
    if (one && whole.count <= plan->most) {
        *cells = modbusplan_cells(plan, channel);
        return whole;
    }
    *cells = 1U << MODBUSCHANNEL_VALUE;
    return place[MODBUSCHANNEL_VALUE];
}

/* True when the channel fits into the block without breaking the limits of one request. */
static bool joins(const struct modbusplan *plan, const struct modbusplan_block *block,
                  size_t channel, const struct modbusplan_place *whole)
{
    long most = modbusframe_is_bits(whole->table) ? BITS_MAX : plan->most;

    return block->merged && !plan->alone[channel] && plan->owner[channel] == block->slave &&
           whole->table == block->table &&
           whole->first <= block->first + block->count + plan->gap &&
           whole->first + whole->count - block->first <= most;
}

static struct modbusplan_block *add_block(struct modbusplan *plan, size_t channel,
                                          const struct modbusplan_place *place, unsigned cells)
{
    struct modbusplan_block *block = &plan->block[plan->blocks++];

    *block = (struct modbusplan_block){.slave = plan->owner[channel],
                                       .table = place->table,
                                       .first = place->first,
                                       .count = place->count};
    block->member[channel] = (unsigned char)cells;
    return block;
}

/* The channel's cells but the value, each in a request of its own. */
static void add_others(struct modbusplan *plan, size_t channel, bool again)
{
    for (size_t cell = 1; cell < MODBUSCHANNEL_CELLS; ++cell)
        if (plan->place[channel][cell].count > 0)
            add_block(plan, channel, &plan->place[channel][cell], 1U << cell)->again = again;
}

/* Whether channel a comes before b, or with it. */
static bool is_before(const struct modbusplan *plan, size_t a, size_t b)
{
    unsigned cells;
    struct modbusplan_place at = extent(plan, a, &cells);
    struct modbusplan_place bt = extent(plan, b, &cells);

    if (plan->owner[a] != plan->owner[b])
        return plan->owner[a] < plan->owner[b];
    return at.table < bt.table || (at.table == bt.table && at.first <= bt.first);
}

void modbusplan_blocks(struct modbusplan *plan)
{
    bool merge = section_switch(plan->instrument->values, "merge");
    size_t order[BENCHFILE_CHANNELS_MAX];
    size_t count = 0;

    for (size_t i = 0; i < plan->instrument->channels; ++i)
        if (is_active(plan, i))
            order[count++] = i;
    for (size_t i = 1; i < count; ++i)
        for (size_t k = i; k > 0 && !is_before(plan, order[k - 1], order[k]); --k) {
            size_t swap = order[k];

            order[k] = order[k - 1];
            order[k - 1] = swap;
        }
    plan->blocks = 0;
    for (size_t i = 0; i < count; ++i) {
        struct modbusplan_block *block = plan->blocks > 0 ? &plan->block[plan->blocks - 1] : NULL;
        unsigned cells;
        struct modbusplan_place whole = extent(plan, order[i], &cells);

        if (cells != modbusplan_cells(plan, order[i])) {
            add_others(plan, order[i], false);
            add_block(plan, order[i], &whole, cells);
            add_others(plan, order[i], true);
        } else if (block && joins(plan, block, order[i], &whole)) {
            block->member[order[i]] = (unsigned char)cells;
            if (whole.first + whole.count - block->first > block->count)
                block->count = whole.first + whole.count - block->first;
        } else {
            add_block(plan, order[i], &whole, cells)->merged = merge && !plan->alone[order[i]];
        }
    }
}

size_t modbusplan_members(const struct modbusplan *plan, const struct modbusplan_block *block)
{
    size_t members = 0;

    for (size_t i = 0; i < plan->instrument->channels; ++i)
        for (unsigned cells = block->member[i]; cells; cells &= cells - 1)
            ++members;
    return members;
}

/* ---- commands ---- */

const char *modbusplan_command(const struct modbusplan *plan, const char *text,
                               struct modbusframe_request *request)
{
    char copy[128];
    char *rest = NULL;
    char *word;
    char *end;
    long slave = section_integer(plan->instrument->values, "slave");
    bool coil, named;
    enum modbusframe_table table;
    const char *why;
    long address;
    long value = 0;

    snprintf(copy, sizeof copy, "%s", text);
    word = strtok_r(copy, " ", &rest);
    if (word && strcmp(word, "slave") == 0) {
        word = strtok_r(NULL, " ", &rest);
        slave = word ? strtol(word, NULL, 10) : 0;
        word = strtok_r(NULL, " ", &rest);
    }
    coil = word && strcmp(word, "coil") == 0;
    if (slave < 1 || slave > MODBUSFRAME_SLAVE_MAX || !word ||
        (!coil && strcmp(word, "register") != 0))
        return "must be 'coil ADDRESS on', 'coil ADDRESS off' or 'register ADDRESS VALUE', with "
               "'slave 1' to 'slave 247' in front or without";
    word = strtok_r(NULL, " ", &rest);
    table = coil ? MODBUSFRAME_COIL : MODBUSFRAME_HOLDING;
    why = word ? find_address(plan, word, &named, &table, &address) : "the address is missing";
    if (why)
        return why;
    if (table != (coil ? MODBUSFRAME_COIL : MODBUSFRAME_HOLDING))
        return "can be read only: it is neither a coil nor a holding register";
    word = strtok_r(NULL, " ", &rest);
    if (!word || strtok_r(NULL, " ", &rest))
        return "must end with one value";
    if (coil) {
        if (strcmp(word, "on") != 0 && strcmp(word, "off") != 0)
            return "a coil can be 'on' or 'off'";
        value = strcmp(word, "on") == 0 ? 0xFF00 : 0; /* V1.1b3, 6.5 */
    } else {
        value = strtol(word, &end, 0);
        if (*end != '\0' || value < -32768 || value > 65535)
            return "the value must be a whole number of 16 bits";
    }
    modbusframe_write(request, (unsigned)slave, table, address, (unsigned)value & 0xFFFF);
    return NULL;
}

static enum status_code check_commands(const struct modbusplan *plan, struct status *st)
{
    const struct section *values = plan->instrument->values;
    enum status_code code = STATUS_OK;
    struct modbusframe_request request;
    const char *item;

    for (size_t i = 0; (item = section_item(values, "command", i, NULL)); ++i) {
        const char *body = strchr(item, ':');
        const char *why = body
                              ? modbusplan_command(plan, body + 1 + strspn(body + 1, " "), &request)
                              : "needs a name";

        if (why)
            code = section_fail(values, "command", st, "'%.60s': %s", item, why);
    }
    return code;
}

enum status_code modbusplan_fill(struct modbusplan *plan,
                                 const struct benchfile_instrument *instrument, struct status *st)
{
    const struct section *values = instrument->values;
    enum status_code code = STATUS_OK;

    plan->instrument = instrument;
    plan->most = section_integer(values, "most_registers");
    plan->gap = section_integer(values, "merge_gap");
    plan->selected = SIZE_MAX;
    find_slave(plan, section_integer(values, "slave"));
    for (size_t i = 0; i < instrument->channels; ++i)
        if (make_channel(plan, i, st) != STATUS_OK)
            code = STATUS_INPUT;
    if (check_commands(plan, st) != STATUS_OK)
        code = STATUS_INPUT;
    if (code == STATUS_OK)
        modbusplan_blocks(plan);
    return code;
}
