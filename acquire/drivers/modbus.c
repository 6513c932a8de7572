/* modbus: instruments with registers, read by MODBUS RTU.
 *
 * The open standards: MODBUS Application Protocol V1.1b3 (functions, exceptions, data model) and
 * MODBUS over Serial Line V1.02 (RTU frames, CRC-16, time-outs). This is the master of the line;
 * several slaves may share it, and a silent one must not starve the others.
 *
 * Every cycle (interval) asks each block once. A block is one request: registers of one slave and
 * one table that lie side by side. What is awaited:
 *   NOTHING  -> IDENTITY, READ, WRITE   next() sends a request
 *   any      -> NOTHING                 its answer, an exception, a wrong sum, or the deadline
 * A frame is taken for the answer only when slave, function, length and CRC are what the request
 * asks for, so that an answer to an earlier request, another slave's or noise is left out.
 *
 * An answer does not say which registers it holds. A slave slower than the time-out could so answer
 * the request before to the one after. Hence the request that had no answer is the next one to that
 * slave, until it has one; then the slave rests as long as lay between the first and the last of
 * them, in which what it may still owe comes in and is left out. */
#include <ctype.h>
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "acquire/checksum.h"
#include "acquire/driver.h"

#define SLAVE_MAX     247      /* V1.02, 2.2: 1 to 247; 0 is broadcast, the rest reserved */
#define REGISTERS_MAX 125      /* of one request: V1.1b3, 6.3 and 6.4 */
#define BITS_MAX      2000     /* V1.1b3, 6.1 and 6.2 */
#define SPACE         65536L   /* addresses of one table */
#define REQUEST_MAX   8        /* bytes of the longest request we send */
#define CHARACTER     11       /* bits: start, 8, parity or second stop, stop; V1.02, 2.5.1 */
#define HOLD_MOST     30000000 /* us: longest rest of a slave that does not answer */
#define LATE_MOST     10000000 /* us after which no answer comes any more */

enum table { TABLE_COIL, TABLE_DISCRETE, TABLE_INPUT, TABLE_HOLDING };

/* V1.1b3, 6.1 to 6.4. */
static const unsigned char read_function[] = {1, 2, 4, 3};

static const char *const table_words[] = {"coil", "discrete input", "input register",
                                          "holding register"};

enum { FUNCTION_WRITE_COIL = 5, FUNCTION_WRITE_REGISTER = 6, FUNCTION_IDENTITY = 0x2B };

enum type {
    TYPE_BIT,
    TYPE_INT16,
    TYPE_UINT16,
    TYPE_INT32,
    TYPE_UINT32,
    TYPE_FLOAT32,
    TYPE_FLOAT64
};

static const struct {
    const char *name;
    unsigned registers;
} types[] = {
    {"bit", 1},    {"int16", 1},   {"uint16", 1},  {"int32", 2},
    {"uint32", 2}, {"float32", 2}, {"float64", 4},
};

struct slave {
    unsigned char address;
    unsigned failures;          /* requests in a row without an answer */
    int64_t hold;               /* mono: not asked before */
    int64_t asked, asked_first; /* mono: the last request, and the first it may still answer */
    bool retries;               /* the request for these had no answer */
    enum table retry_table;
    long retry_first, retry_count;
    bool known; /* it has answered */
};

struct place {
    size_t slave; /* index */
    enum table table;
    long first; /* as in the frame: from 0 */
    enum type type;
    bool low_word_first, low_byte_first;
};

struct block {
    size_t slave;
    enum table table;
    long first, count;
    bool done; /* asked in this cycle */
    bool lost; /* a reading of it was lost since the last one */
    bool merged;
    bool member[BENCHFILE_CHANNELS_MAX];
};

enum awaited { AWAITED_NOTHING, AWAITED_IDENTITY, AWAITED_READ, AWAITED_WRITE };

struct modbus {
    const struct benchfile_instrument *instrument;
    size_t slaves;
    struct slave slave[BENCHFILE_CHANNELS_MAX + 1];
    struct place place[BENCHFILE_CHANNELS_MAX];
    bool alone[BENCHFILE_CHANNELS_MAX]; /* a request for more was refused: ask for it alone */
    unsigned char refused[BENCHFILE_CHANNELS_MAX]; /* exception that was said; 0: none */
    size_t blocks;
    struct block block[BENCHFILE_CHANNELS_MAX];
    long most, gap;
    int64_t rest;    /* us between frames */
    size_t selected; /* SIZE_MAX: all that are always read */
    bool identity_wanted, identity_asked;
    int64_t cycle;
    bool replan; /* the channels to be read have changed */
    bool idle;   /* all of this cycle is done */
    bool tried;  /* a slave that failed before was tried in this cycle */
    const char *send;
    size_t send_length;

    enum awaited awaited;
    unsigned char sent[REQUEST_MAX];
    size_t sent_length;
    size_t asked;          /* block, when a read is awaited */
    size_t asked_slave;    /* index */
    bool echoes, echo_due; /* the line gives back what is sent */
};

static const struct section_key instrument_keys[] = {
    {.name = "slave", .kind = SECTION_INTEGER, .standard = "1", .min = 1, .max = SLAVE_MAX},
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
     .max = REGISTERS_MAX},
    {.name = "merge", .kind = SECTION_SWITCH, .standard = "yes"},
    {.name = "merge_gap", .kind = SECTION_INTEGER, .standard = "0", .min = 0, .max = 124},
    {.name = "echo", .kind = SECTION_SWITCH, .standard = "no"},
    {.name = "identify", .kind = SECTION_SWITCH, .standard = "no"},
    {.name = NULL},
};

static const struct section_key channel_keys[] = {
    {.name = "slave", .kind = SECTION_INTEGER, .min = 1, .max = SLAVE_MAX},
    {.name = "register", .kind = SECTION_TEXT, .required = true},
    {.name = "table", .kind = SECTION_CHOICE, .choices = "coil discrete input holding"},
    {.name = "type",
     .kind = SECTION_CHOICE,
     .choices = "bit int16 uint16 int32 uint32 float32 float64"},
    {.name = "words", .kind = SECTION_CHOICE, .choices = "high-first low-first"},
    {.name = "bytes", .kind = SECTION_CHOICE, .choices = "high-first low-first"},
    {.name = "invalid", .kind = SECTION_LIST},
    {.name = "overload", .kind = SECTION_LIST},
    {.name = NULL},
};

/* ---- making and freeing ---- */

static void modbus_destroy(void *state)
{
    free(state);
}

/* The index of the slave of that address; a new one when it is not there yet. */
static size_t find_slave(struct modbus *m, long address)
{
    for (size_t i = 0; i < m->slaves; ++i)
        if (m->slave[i].address == address)
            return i;
    m->slave[m->slaves].address = (unsigned char)address;
    return m->slaves++;
}

/* A number in the section's numbering to an address from 0. *table is changed by a number that
 * names its table (40001). The reason when it is none, else NULL. */
static const char *find_address(const struct modbus *m, const char *text, bool *named,
                                enum table *table, long *address)
{
    static const enum table by_digit[] = {TABLE_COIL, TABLE_DISCRETE, TABLE_COIL, TABLE_INPUT,
                                          TABLE_HOLDING};
    const char *numbering = section_text(m->instrument->values, "numbering");
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

static bool is_low_first(const struct modbus *m, const struct benchfile_channel *channel,
                         const char *key)
{
    const char *own = section_text(channel->values, key);

    return strcmp(own ? own : section_text(m->instrument->values, key), "low-first") == 0;
}

/* A mark is bits when written 0x..., a number otherwise. */
static bool read_mark(const char *text, bool *bits, uint64_t *raw, double *number)
{
    char *end;

    *bits = text[0] == '0' && (text[1] == 'x' || text[1] == 'X');
    errno = 0;
    if (*bits)
        *raw = strtoull(text, &end, 16);
    else
        *number = strtod(text, &end);
    return errno == 0 && end != text && *end == '\0';
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
        if (!read_mark(item, &bits, &raw, &number))
            code = section_fail(channel->values, key, st,
                                "'%.40s' is neither a number nor bits such as 0x7FFF", item);
    return code;
}

/* The type, which must be stated and fit the table. */
static enum status_code make_type(struct place *place, const struct section *values,
                                  struct status *st)
{
    const char *type = section_text(values, "type");
    bool bit = place->table == TABLE_COIL || place->table == TABLE_DISCRETE;

    if (!type && !bit)
        return section_fail(values, "type", st,
                            "missing; the instrument's manual says whether the register holds "
                            "int16, uint16, int32, uint32, float32 or float64");
    for (size_t i = 0; type && i < sizeof types / sizeof types[0]; ++i)
        if (strcmp(type, types[i].name) == 0)
            place->type = (enum type)i;
    if (bit != (place->type == TYPE_BIT))
        return section_fail(values, "type", st, "a %s cannot hold '%s'", table_words[place->table],
                            types[place->type].name);
    return STATUS_OK;
}

/* Goes on after a fault, so that all are said. */
static enum status_code make_place(struct modbus *m, size_t index, struct status *st)
{
    static const char *const tables[] = {"coil", "discrete", "input", "holding"};
    const struct benchfile_channel *channel = &m->instrument->channel[index];
    const struct section *values = channel->values;
    struct place *place = &m->place[index];
    const char *table = section_text(values, "table");
    enum table stated = TABLE_HOLDING;
    enum status_code code = STATUS_OK;
    const char *why;
    bool named;

    for (size_t i = 0; table && i < 4; ++i)
        if (strcmp(table, tables[i]) == 0)
            stated = (enum table)i;
    place->table = stated;
    why = find_address(m, section_text(values, "register"), &named, &place->table, &place->first);
    if (why)
        code = section_fail(values, "register", st, "'%.40s' %s", section_text(values, "register"),
                            why);
    if (!why && named && table && place->table != stated)
        code = section_fail(values, "table", st, "the register's first digit says %s",
                            table_words[place->table]);
    if (make_type(place, values, st) != STATUS_OK)
        code = STATUS_INPUT;
    else if (place->first + types[place->type].registers > SPACE ||
             types[place->type].registers > m->most)
        code = section_fail(values, "type", st, "%s needs %u registers, more than there are",
                            types[place->type].name, types[place->type].registers);
    place->low_word_first = is_low_first(m, channel, "words");
    place->low_byte_first = is_low_first(m, channel, "bytes");
    place->slave = find_slave(
        m,
        section_integer(section_given(values, "slave") ? values : m->instrument->values, "slave"));
    if (check_marks(channel, "invalid", st) != STATUS_OK)
        code = STATUS_INPUT;
    if (check_marks(channel, "overload", st) != STATUS_OK)
        code = STATUS_INPUT;
    return code;
}

static bool is_active(const struct modbus *m, size_t channel)
{
    if (m->selected != SIZE_MAX)
        return channel == m->selected;
    return !m->instrument->channel[channel].asked_only;
}

/* True when the channel fits into the block without breaking the limits of one request. */
static bool joins(const struct modbus *m, const struct block *block, size_t channel)
{
    const struct place *place = &m->place[channel];
    bool bits = place->table == TABLE_COIL || place->table == TABLE_DISCRETE;
    long end = place->first + types[place->type].registers;

    return block->merged && !m->alone[channel] && place->slave == block->slave &&
           place->table == block->table && place->first <= block->first + block->count + m->gap &&
           end - block->first <= (bits ? BITS_MAX : m->most);
}

/* Which requests ask for the channels that are to be read. */
static void plan_blocks(struct modbus *m)
{
    bool merge = section_switch(m->instrument->values, "merge");
    size_t order[BENCHFILE_CHANNELS_MAX];
    size_t count = 0;

    for (size_t i = 0; i < m->instrument->channels; ++i)
        if (is_active(m, i))
            order[count++] = i;
    for (size_t i = 1; i < count; ++i)
        for (size_t k = i; k > 0; --k) {
            const struct place *a = &m->place[order[k - 1]];
            const struct place *b = &m->place[order[k]];
            size_t swap = order[k];

            if (a->slave < b->slave ||
                (a->slave == b->slave &&
                 (a->table < b->table || (a->table == b->table && a->first <= b->first))))
                break;
            order[k] = order[k - 1];
            order[k - 1] = swap;
        }
    m->blocks = 0;
    for (size_t i = 0; i < count; ++i) {
        const struct place *place = &m->place[order[i]];
        struct block *block = m->blocks > 0 ? &m->block[m->blocks - 1] : NULL;
        long end = place->first + types[place->type].registers;

        if (!block || !joins(m, block, order[i])) {
            block = &m->block[m->blocks++];
            *block = (struct block){.slave = place->slave,
                                    .table = place->table,
                                    .first = place->first,
                                    .merged = merge && !m->alone[order[i]]};
        }
        block->member[order[i]] = true;
        if (end - block->first > block->count)
            block->count = end - block->first;
    }
}

/* A write command: "[slave N] coil ADDRESS on|off" or "[slave N] register ADDRESS VALUE" to the
 * frame without its sum. The reason when it is neither, else NULL. */
static const char *read_command(const struct modbus *m, const char *text, unsigned char frame[6])
{
    char copy[128];
    char *rest = NULL;
    char *word;
    char *end;
    long slave = section_integer(m->instrument->values, "slave");
    bool coil, named;
    enum table table;
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
    if (slave < 1 || slave > SLAVE_MAX || !word || (!coil && strcmp(word, "register") != 0))
        return "must be 'coil ADDRESS on', 'coil ADDRESS off' or 'register ADDRESS VALUE', with "
               "'slave 1' to 'slave 247' in front or without";
    word = strtok_r(NULL, " ", &rest);
    table = coil ? TABLE_COIL : TABLE_HOLDING;
    why = word ? find_address(m, word, &named, &table, &address) : "the address is missing";
    if (why)
        return why;
    if (table != (coil ? TABLE_COIL : TABLE_HOLDING))
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
    frame[0] = (unsigned char)slave;
    frame[1] = coil ? FUNCTION_WRITE_COIL : FUNCTION_WRITE_REGISTER;
    frame[2] = (unsigned char)(address >> 8);
    frame[3] = (unsigned char)(address & 0xFF);
    frame[4] = (unsigned char)((unsigned long)value >> 8 & 0xFF);
    frame[5] = (unsigned char)((unsigned long)value & 0xFF);
    return NULL;
}

static enum status_code check_commands(const struct modbus *m, struct status *st)
{
    const struct section *values = m->instrument->values;
    enum status_code code = STATUS_OK;
    unsigned char frame[6];
    const char *item;

    for (size_t i = 0; (item = section_item(values, "command", i, NULL)); ++i) {
        const char *body = strchr(item, ':');
        const char *why =
            body ? read_command(m, body + 1 + strspn(body + 1, " "), frame) : "needs a name";

        if (why)
            code = section_fail(values, "command", st, "'%.60s': %s", item, why);
    }
    return code;
}

static enum status_code modbus_create(const struct benchfile_instrument *instrument, void **state,
                                      struct status *st)
{
    const struct section *values = instrument->values;
    struct modbus *m = calloc(1, sizeof *m);
    long baud = section_integer(values, "baud");
    int64_t pause = section_time(values, "pause");
    enum status_code code = STATUS_OK;

    *state = NULL;
    if (!m)
        return status_fail(st, STATUS_MEMORY, "no memory");
    m->instrument = instrument;
    m->most = section_integer(values, "most_registers");
    m->gap = section_integer(values, "merge_gap");
    /* V1.02, 2.5.1.1: 3.5 characters; above 19200 baud a fixed 1.75 ms. */
    m->rest = baud > 19200 ? 1750 : (35 * CHARACTER * 100000 + baud - 1) / baud;
    if (pause > m->rest)
        m->rest = pause;
    m->selected = SIZE_MAX;
    m->identity_wanted = section_switch(values, "identify") || *instrument->identity;
    m->echoes = section_switch(values, "echo");
    find_slave(m, section_integer(values, "slave"));
    for (size_t i = 0; i < instrument->channels; ++i)
        if (make_place(m, i, st) != STATUS_OK)
            code = STATUS_INPUT;
    if (check_commands(m, st) != STATUS_OK)
        code = STATUS_INPUT;
    if (code != STATUS_OK) {
        free(m);
        return code;
    }
    plan_blocks(m);
    *state = m;
    return status_ok(st);
}

/* ---- talking ---- */

static void modbus_opened(void *state, int64_t mono)
{
    struct modbus *m = state;

    m->awaited = AWAITED_NOTHING;
    m->identity_asked = false;
    m->cycle = mono;
    m->idle = false;
    m->tried = false;
    m->send = NULL;
    memset(m->refused, 0, sizeof m->refused);
    for (size_t i = 0; i < m->blocks; ++i)
        m->block[i].done = false;
    /* Who did not answer is still asked last, but need not rest: the lead may be back. */
    for (size_t i = 0; i < m->slaves; ++i)
        m->slave[i].hold = mono;
}

/* How long the request and an answer of so many bytes are on the line, us. */
static int64_t transfer_time(const struct modbus *m, size_t answer)
{
    int64_t bits = (int64_t)(m->sent_length + answer) * CHARACTER;

    return bits * 1000000 / section_integer(m->instrument->values, "baud");
}

static enum driver_next ask(struct modbus *m, struct driver_request *request,
                            const unsigned char *frame, size_t length, enum awaited awaited)
{
    size_t answer = awaited == AWAITED_READ ? 5 + 2 * (size_t)m->block[m->asked].count : 64;
    uint16_t crc = checksum_of(CHECKSUM_CRC16_MODBUS, frame, length);

    memcpy(m->sent, frame, length);
    m->sent[length] = (unsigned char)(crc & 0xFF); /* low byte first: V1.02, 2.5.1.2 */
    m->sent[length + 1] = (unsigned char)(crc >> 8);
    m->sent_length = length + 2;
    m->awaited = awaited;
    m->echo_due = m->echoes;
    memcpy(request->bytes, m->sent, m->sent_length);
    request->length = m->sent_length;
    request->fresh = true;
    request->reply = true;
    request->timeout = section_time(m->instrument->values, "timeout") + transfer_time(m, answer);
    request->pause = m->rest;
    return DRIVER_SEND;
}

/* Whether the block is the request that had no answer. */
static bool is_retry(const struct modbus *m, size_t index)
{
    const struct block *block = &m->block[index];
    const struct slave *slave = &m->slave[block->slave];

    return slave->retries && slave->retry_table == block->table &&
           slave->retry_first == block->first && slave->retry_count == block->count;
}

/* The block to ask now, or SIZE_MAX. Slaves that answer go first; of those that do not, one is
 * tried in a cycle, so that dead ones cost little and never three time-outs in a row. */
static size_t choose_block(struct modbus *m, int64_t mono)
{
    size_t best = SIZE_MAX;

    for (size_t i = 0; i < m->blocks; ++i) {
        const struct slave *slave = &m->slave[m->block[i].slave];

        if (m->block[i].done || (slave->failures == 0 && mono < slave->hold))
            continue;
        if (slave->failures == 0)
            return i;
        if (slave->retries && !is_retry(m, i))
            continue;
        if (!m->tried && mono >= slave->hold &&
            (best == SIZE_MAX || slave->hold < m->slave[m->block[best].slave].hold))
            best = i;
    }
    if (best != SIZE_MAX)
        m->tried = true;
    return best;
}

static void note_asked(struct slave *slave, int64_t mono)
{
    if (!slave->retries || mono - slave->asked > LATE_MOST)
        slave->asked_first = mono;
    slave->asked = mono;
}

static void begin_cycle(struct modbus *m, int64_t mono)
{
    m->cycle = mono;
    m->idle = false;
    m->tried = false;
    for (size_t i = 0; i < m->blocks; ++i)
        m->block[i].done = false;
}

static enum driver_next modbus_next(void *state, int64_t mono, struct driver_request *request,
                                    int64_t *when)
{
    struct modbus *m = state;
    int64_t interval = section_time(m->instrument->values, "interval");
    unsigned char frame[6];
    size_t chosen = SIZE_MAX;

    if (m->identity_wanted && !m->identity_asked) {
        const unsigned char identify[] = {m->slave[0].address, FUNCTION_IDENTITY, 0x0E, 0x01, 0x00};

        m->identity_asked = true;
        m->asked_slave = 0;
        return ask(m, request, identify, sizeof identify, AWAITED_IDENTITY);
    }
    if (m->send) {
        const char *why = read_command(m, m->send, frame);

        m->send = NULL;
        if (!why) {
            m->asked_slave = SIZE_MAX;
            return ask(m, request, frame, sizeof frame, AWAITED_WRITE);
        }
    }
    if (m->replan) {
        m->replan = false;
        plan_blocks(m);
        begin_cycle(m, mono);
        /* What a silent slave still owes would be an answer to the plan before. */
        for (size_t i = 0; i < m->slaves; ++i)
            if (m->slave[i].failures > 0) {
                m->slave[i].hold = mono + section_time(m->instrument->values, "timeout");
                m->slave[i].retries = false; /* it may not be asked for any more */
            }
    }
    for (int round = 0; round < 2 && chosen == SIZE_MAX; ++round) {
        if (m->idle && mono >= m->cycle + interval)
            begin_cycle(m, mono >= m->cycle + 2 * interval ? mono : m->cycle + interval);
        if (!m->idle)
            chosen = choose_block(m, mono);
        m->idle = chosen == SIZE_MAX;
    }
    if (chosen == SIZE_MAX) {
        *when = m->cycle + interval;
        if (*when <= mono)
            *when = mono + 10000; /* all rest; do not spin */
        return DRIVER_WAIT;
    }
    m->block[chosen].done = true;
    m->asked = chosen;
    m->asked_slave = m->block[chosen].slave;
    note_asked(&m->slave[m->asked_slave], mono);
    frame[0] = m->slave[m->asked_slave].address;
    frame[1] = read_function[m->block[chosen].table];
    frame[2] = (unsigned char)(m->block[chosen].first >> 8);
    frame[3] = (unsigned char)(m->block[chosen].first & 0xFF);
    frame[4] = (unsigned char)(m->block[chosen].count >> 8);
    frame[5] = (unsigned char)(m->block[chosen].count & 0xFF);
    return ask(m, request, frame, sizeof frame, AWAITED_READ);
}

/* ---- framing ---- */

enum found {
    FOUND_NOTHING, /* no answer begins here */
    FOUND_PART,    /* one may begin here; its end has not come */
    FOUND_WRONG,   /* a whole one, but for its sum */
    FOUND_WHOLE
};

/* Bytes of the answer that begins here, sum included; 0: none does; more than length: not all of
 * it (or of what says how long it is) has come. */
static size_t answer_length(const struct modbus *m, const unsigned char *b, size_t length)
{
    size_t size;

    if (length > 0 && b[0] != m->sent[0])
        return 0;
    if (length < 2)
        return 5;
    if (b[1] == (m->sent[1] | 0x80))
        return 5;
    if (b[1] != m->sent[1])
        return 0;
    switch (m->awaited) {
    case AWAITED_NOTHING:
        return 0;
    case AWAITED_READ:
        size = m->sent[1] <= 2 ? ((size_t)m->block[m->asked].count + 7) / 8
                               : 2 * (size_t)m->block[m->asked].count;
        if (length > 2 && b[2] != size)
            return 0;
        return 3 + size + 2;
    case AWAITED_WRITE:
        /* V1.1b3, 6.5 and 6.6: the answer is the request again. */
        return memcmp(b, m->sent, length < 6 ? length : 6) == 0 ? 8 : 0;
    case AWAITED_IDENTITY:
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

static bool is_sum_right(const unsigned char *bytes, size_t length)
{
    uint16_t crc = checksum_of(CHECKSUM_CRC16_MODBUS, bytes, length - 2);

    return bytes[length - 2] == (crc & 0xFF) && bytes[length - 1] == crc >> 8;
}

static enum found look(const struct modbus *m, const unsigned char *bytes, size_t length,
                       size_t *size)
{
    size_t need = answer_length(m, bytes, length);
    size_t same = 0;
    bool whole = need > 0 && length >= need;

    if (whole && is_sum_right(bytes, need)) {
        *size = need;
        return FOUND_WHOLE;
    }
    /* What we sent, given back by a half-duplex adapter. */
    while (same < length && same < m->sent_length && bytes[same] == m->sent[same])
        ++same;
    if (same == m->sent_length) {
        *size = same;
        return FOUND_WHOLE;
    }
    if (same == length)
        return FOUND_PART;
    *size = need;
    return need == 0 ? FOUND_NOTHING : whole ? FOUND_WRONG : FOUND_PART;
}

/* Bytes of an answer to a read of one of our slaves, whichever; 0: the bytes are none. */
static size_t late_length(const struct modbus *m, const unsigned char *bytes, size_t length)
{
    size_t size = length >= 5 ? 3 + (size_t)bytes[2] + 2 : 0;

    if (size == 0 || size > length || bytes[1] < 1 || bytes[1] > 4 || !is_sum_right(bytes, size))
        return 0;
    for (size_t i = 0; i < m->slaves; ++i)
        if (m->slave[i].address == bytes[0])
            return size;
    return 0;
}

/* Nothing is awaited: what comes is noise, or an answer after its time-out. */
static struct driver_frame late_frame(const struct modbus *m, const unsigned char *bytes,
                                      size_t length, int64_t quiet)
{
    if (quiet == 0)
        return (struct driver_frame){0}; /* all of it first */
    for (size_t i = 0; i < length; ++i) {
        size_t size = late_length(m, bytes + i, length - i);

        if (size > 0)
            return (struct driver_frame){.skip = i, .length = size, .junk = i > 0, .sound = true};
    }
    return (struct driver_frame){.skip = length, .junk = length > DRIVER_TURN_AROUND};
}

static struct driver_frame modbus_frame(const void *state, const unsigned char *bytes,
                                        size_t length, int64_t quiet)
{
    const struct modbus *m = state;
    struct driver_frame frame = {0};
    size_t keep = length;
    size_t wrong = length;
    size_t wrong_size = 0;

    if (m->awaited == AWAITED_NOTHING)
        return late_frame(m, bytes, length, quiet);
    for (size_t i = 0; i < length; ++i) {
        size_t size = 0;
        enum found found = look(m, bytes + i, length - i, &size);

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

/* ---- decoding ---- */

/* The bits of the channel's registers, the most significant word first. */
static uint64_t register_bits(const struct place *place, const unsigned char *data)
{
    unsigned count = types[place->type].registers;
    uint64_t bits = 0;

    for (unsigned i = 0; i < count; ++i) {
        const unsigned char *word = data + 2 * (place->low_word_first ? count - 1 - i : i);

        bits = bits << 16 |
               (uint64_t)(place->low_byte_first ? word[1] << 8 | word[0] : word[0] << 8 | word[1]);
    }
    return bits;
}

static double bits_value(enum type type, uint64_t bits)
{
    uint32_t half = (uint32_t)bits;
    double d;
    float f;

    switch (type) {
    case TYPE_BIT:
    case TYPE_UINT16:
    case TYPE_UINT32:
        return (double)bits;
    case TYPE_INT16:
        return bits & 0x8000 ? (double)bits - 65536.0 : (double)bits;
    case TYPE_INT32:
        return bits & 0x80000000 ? (double)bits - 4294967296.0 : (double)bits;
    case TYPE_FLOAT32: /* IEEE 754 */
        memcpy(&f, &half, sizeof f);
        return (double)f;
    case TYPE_FLOAT64:
        memcpy(&d, &bits, sizeof d);
        return d;
    }
    return NAN;
}

static bool is_marked(const struct benchfile_channel *channel, const char *key, uint64_t raw,
                      double value)
{
    const char *item;
    uint64_t marked = 0;
    double number = NAN;
    bool bits;

    for (size_t i = 0; (item = section_item(channel->values, key, i, NULL)); ++i)
        if (read_mark(item, &bits, &marked, &number) && (bits ? raw == marked : value == number))
            return true;
    return false;
}

static void give_channel(struct modbus *m, size_t index, const struct block *block,
                         const unsigned char *data, const struct driver_sink *sink)
{
    const struct benchfile_channel *channel = &m->instrument->channel[index];
    const struct place *place = &m->place[index];
    long at = place->first - block->first;
    uint64_t bits = place->type == TYPE_BIT ? (uint64_t)(data[at / 8] >> at % 8 & 1)
                                            : register_bits(place, data + 2 * at);
    bool whole = place->type != TYPE_FLOAT32 && place->type != TYPE_FLOAT64;
    struct driver_reading reading = {.channel = index,
                                     .number = bits_value(place->type, bits),
                                     .digit = whole ? 1.0 : NAN,
                                     .range = NAN,
                                     .flags = block->lost ? STORE_FLAG_LOST : 0};

    if (is_marked(channel, "overload", bits, reading.number) || isinf(reading.number)) {
        reading.number = NAN;
        reading.flags |= STORE_FLAG_OVERLOAD;
    } else if (is_marked(channel, "invalid", bits, reading.number) || isnan(reading.number)) {
        reading.number = NAN;
        reading.flags |= STORE_FLAG_SUSPECT;
    }
    sink->reading(sink->to, &reading);
}

/* V1.1b3, 7. */
static const char *exception_words(unsigned code)
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

/* What was asked, for people. */
static void describe(const struct modbus *m, char *text, size_t size)
{
    if (m->awaited == AWAITED_READ) {
        const struct block *block = &m->block[m->asked];
        bool one = strcmp(section_text(m->instrument->values, "numbering"), "zero") != 0;

        snprintf(text, size, "the request for %s %ld to %ld (counted from %d)",
                 table_words[block->table], block->first + one,
                 block->first + block->count - 1 + one, one);
    } else {
        snprintf(text, size, "%s",
                 m->awaited == AWAITED_WRITE ? "the command" : "the question who it is");
    }
}

static void take_exception(struct modbus *m, unsigned code, const struct driver_sink *sink)
{
    char what[128];
    char text[320];
    const char *then = "";
    bool said = m->awaited == AWAITED_READ;

    describe(m, what, sizeof what);
    if (m->awaited == AWAITED_READ) {
        struct block *block = &m->block[m->asked];
        size_t members = 0;

        block->lost = true;
        for (size_t i = 0; i < m->instrument->channels; ++i)
            if (block->member[i]) {
                ++members;
                said = said && m->refused[i] == code;
                m->refused[i] = (unsigned char)code;
            }
        /* One register of many may be what it refuses: the others shall not suffer. */
        if (members > 1 && code >= 2 && code <= 4) {
            for (size_t i = 0; i < m->instrument->channels; ++i)
                if (block->member[i]) {
                    m->alone[i] = true;
                    m->refused[i] = 0; /* which of them it is will be said */
                }
            plan_blocks(m);
            then = "; they are asked for one by one from now on";
        }
    }
    if (said && !*then)
        return; /* once, until it gives a value */
    if (m->awaited == AWAITED_READ && !*then)
        then = code == 1   ? "; are its values in another table?"
               : code == 2 ? "; see numbering and table in truewound-bench(5)"
                           : "";
    snprintf(text, sizeof text, "slave %u answers %s with exception %u (%s)%s", m->sent[0], what,
             code, exception_words(code), then);
    sink->event(sink->to, DRIVER_WARNING, "exception", text);
}

static void take_identity(const unsigned char *bytes, size_t length, const struct driver_sink *sink)
{
    char text[256];
    size_t n = 0;
    size_t at = 8;

    for (unsigned i = 0; i < bytes[7] && at + 2 <= length - 2; ++i) {
        size_t size = bytes[at + 1];

        if (n > 0 && n + 2 < sizeof text) {
            text[n++] = ',';
            text[n++] = ' ';
        }
        for (size_t k = 0; k < size && at + 2 + k < length - 2 && n + 1 < sizeof text; ++k)
            text[n++] = isprint(bytes[at + 2 + k]) ? (char)bytes[at + 2 + k] : '?';
        at += 2 + size;
    }
    text[n] = '\0';
    sink->identity(sink->to, text);
}

/* The retried request has its answer, or the one before has: what may still come is waited for. */
static void note_answer(struct modbus *m, int64_t mono, const struct driver_sink *sink)
{
    struct slave *slave;
    char text[64];

    if (m->asked_slave == SIZE_MAX)
        return;
    slave = &m->slave[m->asked_slave];
    slave->known = true;
    if (slave->failures > 0) {
        snprintf(text, sizeof text, "slave %u answers again", m->sent[0]);
        sink->event(sink->to, DRIVER_INFO, "slave", text);
        if (m->awaited == AWAITED_READ && is_retry(m, m->asked))
            slave->hold = mono + m->rest + slave->asked - slave->asked_first;
    }
    slave->failures = 0;
    slave->retries = false;
}

/* An answer nobody waits for any more. */
static void note_late(const struct modbus *m, unsigned address, int64_t mono,
                      const struct driver_sink *sink)
{
    char text[200];

    for (size_t i = 0; i < m->slaves; ++i)
        if (m->slave[i].address == address && m->slave[i].asked > 0) {
            snprintf(text, sizeof text,
                     "slave %u answers %.2f s after the request, too late; give a longer timeout",
                     address, (double)(mono - m->slave[i].asked) / 1e6);
            sink->event(sink->to, DRIVER_WARNING, "late-answer", text);
        }
}

static enum driver_heard modbus_message(void *state, const unsigned char *bytes, size_t length,
                                        const struct driver_time *time,
                                        const struct driver_sink *sink)
{
    struct modbus *m = state;
    enum awaited awaited = m->awaited;
    struct block *block;
    char what[128];
    char text[320];

    if (awaited == AWAITED_NOTHING && late_length(m, bytes, length) == length && length > 0) {
        note_late(m, bytes[0], time->mono, sink);
        return DRIVER_IGNORED;
    }
    if (awaited == AWAITED_NOTHING || length < 5)
        return DRIVER_GARBAGE;
    if (length == m->sent_length && memcmp(bytes, m->sent, length) == 0 &&
        (awaited != AWAITED_WRITE || m->echo_due)) {
        m->echoes = true;
        m->echo_due = false;
        return DRIVER_IGNORED;
    }
    if (length != answer_length(m, bytes, length))
        return DRIVER_GARBAGE;
    if (!is_sum_right(bytes, length)) {
        describe(m, what, sizeof what);
        snprintf(text, sizeof text, "the answer of slave %u to %s had a wrong CRC and was left out",
                 m->sent[0], what);
        sink->event(sink->to, DRIVER_WARNING, "checksum", text);
        if (awaited == AWAITED_READ)
            m->block[m->asked].lost = true;
        m->awaited = AWAITED_NOTHING;
        return DRIVER_ANSWER; /* the line is quiet: no other one comes */
    }
    note_answer(m, time->mono, sink);
    if (bytes[1] & 0x80) {
        take_exception(m, bytes[2], sink);
    } else if (awaited == AWAITED_IDENTITY) {
        take_identity(bytes, length, sink);
    } else if (awaited == AWAITED_READ) {
        block = &m->block[m->asked];
        for (size_t i = 0; i < m->instrument->channels; ++i)
            if (block->member[i]) {
                give_channel(m, i, block, bytes + 3, sink);
                m->refused[i] = 0;
            }
        block->lost = false;
    }
    m->awaited = AWAITED_NOTHING;
    return DRIVER_ANSWER;
}

/* Some slaves leave a request for several values without an answer. As long as a slave has not said
 * a word, it is asked in blocks and one by one in turn. */
static void try_other_blocks(struct modbus *m, size_t slave, const struct driver_sink *sink)
{
    const struct block *block = &m->block[m->asked];
    bool alone = false;
    size_t members = 0;
    char text[160];

    for (size_t i = 0; i < m->instrument->channels; ++i) {
        members += block->member[i];
        alone = alone || (m->place[i].slave == slave && m->alone[i]);
    }
    if (!alone && members < 2)
        return;
    for (size_t i = 0; i < m->instrument->channels; ++i)
        if (m->place[i].slave == slave)
            m->alone[i] = !alone;
    plan_blocks(m);
    m->slave[slave].retries = false; /* the answers differ in length */
    if (!alone && m->slave[slave].failures == 1) {
        snprintf(text, sizeof text,
                 "slave %u may not take requests for several values: it is asked one by one",
                 m->slave[slave].address);
        sink->event(sink->to, DRIVER_INFO, "slave", text);
    }
}

static void modbus_expired(void *state, const struct driver_time *time,
                           const struct driver_sink *sink)
{
    struct modbus *m = state;
    int64_t hold = 2 * section_time(m->instrument->values, "interval");
    struct slave *slave;
    char what[128];
    char text[256];

    if (m->awaited == AWAITED_READ)
        m->block[m->asked].lost = true;
    if (m->asked_slave < m->slaves && m->awaited == AWAITED_READ) {
        slave = &m->slave[m->asked_slave];
        if (slave->failures++ == 0) {
            describe(m, what, sizeof what);
            snprintf(text, sizeof text, "slave %u does not answer %s", slave->address, what);
            sink->event(sink->to, DRIVER_WARNING, "slave", text);
        }
        for (unsigned i = 1; i < slave->failures && hold < HOLD_MOST; ++i)
            hold *= 2;
        slave->hold = time->mono + (hold < HOLD_MOST ? hold : HOLD_MOST);
        slave->retries = true;
        slave->retry_table = m->block[m->asked].table;
        slave->retry_first = m->block[m->asked].first;
        slave->retry_count = m->block[m->asked].count;
        if (!slave->known)
            try_other_blocks(m, m->asked_slave, sink);
    } else if (m->awaited == AWAITED_WRITE) {
        snprintf(text, sizeof text, "slave %u did not confirm the command", m->sent[0]);
        sink->event(sink->to, DRIVER_WARNING, "command", text);
    }
    m->echoes = section_switch(m->instrument->values, "echo");
    m->awaited = AWAITED_NOTHING;
}

static enum status_code modbus_command(void *state, const struct driver_command *command,
                                       struct status *st)
{
    struct modbus *m = state;

    switch (command->kind) {
    case DRIVER_SELECT:
        m->selected = command->channel;
        m->replan = true; /* not before an awaited answer: it is judged by the plan in force */
        return status_ok(st);
    case DRIVER_SWITCH:
        if (m->send)
            return status_fail(st, STATUS_BUSY, "%s: the command before has not gone out yet",
                               m->instrument->name);
        m->send = driver_named_command(m->instrument, command->text, &m->send_length);
        if (!m->send)
            return status_fail(st, STATUS_NOT_FOUND,
                               "[instrument %s] of the bench file has no command named '%.40s'",
                               m->instrument->name, command->text);
        return status_ok(st);
    case DRIVER_CAPTURE:
        return status_fail(st, STATUS_INPUT, "%s: the modbus driver takes no captures",
                           m->instrument->name);
    }
    return status_fail(st, STATUS_INPUT, "unknown command");
}

const struct driver driver_modbus = {
    .name = "modbus",
    .about = "registers of one or more slaves, by MODBUS RTU",
    .instrument_keys = instrument_keys,
    .channel_keys = channel_keys,
    .create = modbus_create,
    .destroy = modbus_destroy,
    .opened = modbus_opened,
    .next = modbus_next,
    .frame = modbus_frame,
    .message = modbus_message,
    .expired = modbus_expired,
    .command = modbus_command,
    .guesses = NULL, /* which registers mean what cannot be guessed */
};
