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
    {.name = "words", .kind = SECTION_CHOICE, .choices = "high-first low-first"},
    {.name = "bytes", .kind = SECTION_CHOICE, .choices = "high-first low-first"},
    {.name = "invalid", .kind = SECTION_LIST},
    {.name = "overload", .kind = SECTION_LIST},
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

static bool is_low_first(const struct modbusplan *plan, const struct benchfile_channel *channel,
                         const char *key)
{
    const char *own = section_text(channel->values, key);

    return strcmp(own ? own : section_text(plan->instrument->values, key), "low-first") == 0;
}

static enum status_code check_marks(const struct benchfile_channel *channel, const char *key,
                                    struct status *st)
{
    enum status_code code = STATUS_OK;
    const char *item;
    uint64_t raw;
    double number;
    bool bits;

    for (size_t i = 0; (item = section_item(channel->values, key, i, NULL)); ++i)
        if (!modbusvalue_mark(item, &bits, &raw, &number))
            code = section_fail(channel->values, key, st,
                                "'%.40s' is neither a number nor bits such as 0x7FFF", item);
    return code;
}

/* The type, which must be stated and fit the table. */
static enum status_code make_type(struct modbusplan_place *place, const struct section *values,
                                  struct status *st)
{
    const char *type = section_text(values, "type");
    bool bit = modbusframe_is_bits(place->table);

    if (!type && !bit)
        return section_fail(values, "type", st,
                            "missing; the instrument's manual says whether the register holds "
                            "int16, uint16, int32, uint32, float32 or float64");
    if (type)
        place->type = modbusvalue_type(type);
    if (bit != (place->type == MODBUSVALUE_BIT))
        return section_fail(values, "type", st, "a %s cannot hold '%s'", table_words[place->table],
                            modbusvalue_word(place->type));
    return STATUS_OK;
}

/* Goes on after a fault, so that all are said. */
static enum status_code make_place(struct modbusplan *plan, size_t index, struct status *st)
{
    static const char *const tables[] = {"coil", "discrete", "input", "holding"};
    const struct benchfile_channel *channel = &plan->instrument->channel[index];
    const struct section *values = channel->values;
    struct modbusplan_place *place = &plan->place[index];
    const char *table = section_text(values, "table");
    enum modbusframe_table stated = MODBUSFRAME_HOLDING;
    enum status_code code = STATUS_OK;
    const char *why;
    bool named;

    for (size_t i = 0; table && i < 4; ++i)
        if (strcmp(table, tables[i]) == 0)
            stated = (enum modbusframe_table)i;
    place->table = stated;
    why =
        find_address(plan, section_text(values, "register"), &named, &place->table, &place->first);
    if (why)
        code = section_fail(values, "register", st, "'%.40s' %s", section_text(values, "register"),
                            why);
    if (!why && named && table && place->table != stated)
        code = section_fail(values, "table", st, "the register's first digit says %s",
                            table_words[place->table]);
    if (make_type(place, values, st) != STATUS_OK)
        code = STATUS_INPUT;
    else if (place->first + modbusvalue_registers(place->type) > SPACE ||
             modbusvalue_registers(place->type) > plan->most)
        code = section_fail(values, "type", st, "%s needs %u registers, more than there are",
                            modbusvalue_word(place->type), modbusvalue_registers(place->type));
    place->low_word_first = is_low_first(plan, channel, "words");
    place->low_byte_first = is_low_first(plan, channel, "bytes");
    place->slave = find_slave(
        plan, section_integer(section_given(values, "slave") ? values : plan->instrument->values,
                              "slave"));
    if (check_marks(channel, "invalid", st) != STATUS_OK)
        code = STATUS_INPUT;
    if (check_marks(channel, "overload", st) != STATUS_OK)
        code = STATUS_INPUT;
    return code;
}

/* ---- which requests ---- */

static bool is_active(const struct modbusplan *plan, size_t channel)
{
    if (plan->selected != SIZE_MAX)
        return channel == plan->selected;
    return !plan->instrument->channel[channel].asked_only;
}

/* True when the channel fits into the block without breaking the limits of one request. */
static bool joins(const struct modbusplan *plan, const struct modbusplan_block *block,
                  size_t channel)
{
    const struct modbusplan_place *place = &plan->place[channel];
    bool bits = modbusframe_is_bits(place->table);
    long end = place->first + modbusvalue_registers(place->type);

    return block->merged && !plan->alone[channel] && place->slave == block->slave &&
           place->table == block->table &&
           place->first <= block->first + block->count + plan->gap &&
           end - block->first <= (bits ? BITS_MAX : plan->most);
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
        for (size_t k = i; k > 0; --k) {
            const struct modbusplan_place *a = &plan->place[order[k - 1]];
            const struct modbusplan_place *b = &plan->place[order[k]];
            size_t swap = order[k];

            if (a->slave < b->slave ||
                (a->slave == b->slave &&
                 (a->table < b->table || (a->table == b->table && a->first <= b->first))))
                break;
            order[k] = order[k - 1];
            order[k - 1] = swap;
        }
    plan->blocks = 0;
    for (size_t i = 0; i < count; ++i) {
        const struct modbusplan_place *place = &plan->place[order[i]];
        struct modbusplan_block *block = plan->blocks > 0 ? &plan->block[plan->blocks - 1] : NULL;
        long end = place->first + modbusvalue_registers(place->type);

        if (!block || !joins(plan, block, order[i])) {
            block = &plan->block[plan->blocks++];
            *block = (struct modbusplan_block){.slave = place->slave,
                                               .table = place->table,
                                               .first = place->first,
                                               .merged = merge && !plan->alone[order[i]]};
        }
        block->member[order[i]] = true;
        if (end - block->first > block->count)
            block->count = end - block->first;
    }
}

size_t modbusplan_members(const struct modbusplan *plan, const struct modbusplan_block *block)
{
    size_t members = 0;

    for (size_t i = 0; i < plan->instrument->channels; ++i)
        members += block->member[i];
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
        if (make_place(plan, i, st) != STATUS_OK)
            code = STATUS_INPUT;
    if (check_commands(plan, st) != STATUS_OK)
        code = STATUS_INPUT;
    if (code == STATUS_OK)
        modbusplan_blocks(plan);
    return code;
}
