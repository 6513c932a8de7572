/* modbus: instruments with registers, read by MODBUS RTU: the conversation.
 *
 * The open standards: MODBUS Application Protocol V1.1b3 and MODBUS over Serial Line V1.02. This is
 * the master of the line; several slaves may share it, and a silent one must not starve the others.
 *
 * Every cycle (interval) asks each block of the plan once. What is awaited:
 *   NOTHING  -> IDENTITY, READ, WRITE   next() sends a request
 *   any      -> NOTHING                 its answer, an exception, a wrong sum, or the deadline
 *
 * An answer does not say which registers it holds. A slave slower than the time-out could so answer
 * the request before to the one after. Hence the request that had no answer is the next one to that
 * slave, until it has one; then the slave rests as long as lay between the first and the last of
 * them, in which what it may still owe comes in and is left out. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "acquire/driver.h"
#include "acquire/drivers/modbusframe.h"
#include "acquire/drivers/modbusplan.h"

#define CHARACTER 11       /* bits: start, 8, parity or second stop, stop; V1.02, 2.5.1 */
#define HOLD_MOST 30000000 /* us: longest rest of a slave that does not answer */
#define LATE_MOST 10000000 /* us after which no answer comes any more */

struct slave {
    unsigned failures;          /* requests in a row without an answer */
    int64_t hold;               /* mono: not asked before */
    int64_t asked, asked_first; /* mono: the last request, and the first it may still answer */
    bool retries;               /* the request for these had no answer */
    enum modbusframe_table retry_table;
    long retry_first, retry_count;
    bool known; /* it has answered */
};

/* Cells of a channel that have come in this cycle. */
struct held {
    unsigned have; /* bit n: cell n */
    uint64_t bits[MODBUSCHANNEL_CELLS];
};

struct modbus {
    const struct benchfile_instrument *instrument;
    struct modbusplan plan;
    struct slave slave[MODBUSPLAN_SLAVES_MAX];     /* as in the plan */
    unsigned char refused[BENCHFILE_CHANNELS_MAX]; /* exception that was said; 0: none */
    bool unusable[BENCHFILE_CHANNELS_MAX];         /* that it holds no number was said */
    bool lost[BENCHFILE_CHANNELS_MAX];             /* a reading was lost since the last one */
    struct held held[BENCHFILE_CHANNELS_MAX];
    int64_t rest; /* us between frames */
    bool identity_wanted, identity_asked;
    int64_t cycle;
    bool replan; /* the channels to be read have changed */
    bool idle;   /* all of this cycle is done */
    bool tried;  /* a slave that failed before was tried in this cycle */
    const char *send;
    size_t send_length;

    struct modbusframe_request request; /* that is out */
    size_t asked;                       /* block, when a read is awaited */
    size_t asked_slave;                 /* index */
    bool echoes, echo_due;              /* the line gives back what is sent */
};

/* ---- making and freeing ---- */

static void modbus_destroy(void *state)
{
    free(state);
}

static enum status_code modbus_create(const struct benchfile_instrument *instrument, void **state,
                                      struct status *st)
{
    const struct section *values = instrument->values;
    struct modbus *m = calloc(1, sizeof *m);
    long baud = section_integer(values, "baud");
    int64_t pause = section_time(values, "pause");
    enum status_code code;

    *state = NULL;
    if (!m)
        return status_fail(st, STATUS_MEMORY, "no memory");
    m->instrument = instrument;
    /* V1.02, 2.5.1.1: 3.5 characters; above 19200 baud a fixed 1.75 ms. */
    m->rest = baud > 19200 ? 1750 : (35 * CHARACTER * 100000 + baud - 1) / baud;
    if (pause > m->rest)
        m->rest = pause;
    m->identity_wanted = section_switch(values, "identify") || *instrument->identity;
    m->echoes = section_switch(values, "echo");
    code = modbusplan_fill(&m->plan, instrument, st);
    if (code != STATUS_OK) {
        free(m);
        return code;
    }
    *state = m;
    return status_ok(st);
}

/* ---- talking ---- */

static void modbus_opened(void *state, int64_t mono)
{
    struct modbus *m = state;

    m->request.awaited = MODBUSFRAME_NOTHING;
    m->identity_asked = false;
    m->cycle = mono;
    m->idle = false;
    m->tried = false;
    m->send = NULL;
    memset(m->refused, 0, sizeof m->refused);
    memset(m->held, 0, sizeof m->held);
    for (size_t i = 0; i < m->plan.blocks; ++i)
        m->plan.block[i].done = false;
    /* Who did not answer is still asked last, but need not rest: the lead may be back. */
    for (size_t i = 0; i < m->plan.slaves; ++i)
        m->slave[i].hold = mono;
}

/* How long the request and an answer of so many bytes are on the line, us. */
static int64_t transfer_time(const struct modbus *m, size_t answer)
{
    int64_t bits = (int64_t)(m->request.length + answer) * CHARACTER;

    return bits * 1000000 / section_integer(m->instrument->values, "baud");
}

/* Sends m->request. */
static enum driver_next ask(struct modbus *m, struct driver_request *request)
{
    size_t answer = m->request.awaited == MODBUSFRAME_READ ? 5 + 2 * (size_t)m->request.count : 64;

    m->echo_due = m->echoes;
    memcpy(request->bytes, m->request.sent, m->request.length);
    request->length = m->request.length;
    request->fresh = true;
    request->reply = true;
    request->timeout = section_time(m->instrument->values, "timeout") + transfer_time(m, answer);
    request->pause = m->rest;
    return DRIVER_SEND;
}

/* Whether the block is the request that had no answer. */
static bool is_retry(const struct modbus *m, size_t index)
{
    const struct modbusplan_block *block = &m->plan.block[index];
    const struct slave *slave = &m->slave[block->slave];

    return slave->retries && slave->retry_table == block->table &&
           slave->retry_first == block->first && slave->retry_count == block->count;
}

/* The block to ask now, or SIZE_MAX. Slaves that answer go first; of those that do not, one is
 * tried in a cycle, so that dead ones cost little and never three time-outs in a row. */
static size_t choose_block(struct modbus *m, int64_t mono)
{
    size_t best = SIZE_MAX;

    for (size_t i = 0; i < m->plan.blocks; ++i) {
        const struct slave *slave = &m->slave[m->plan.block[i].slave];

        if (m->plan.block[i].done || (slave->failures == 0 && mono < slave->hold))
            continue;
        if (slave->failures == 0)
            return i;
        if (slave->retries && !is_retry(m, i))
            continue;
        if (!m->tried && mono >= slave->hold &&
            (best == SIZE_MAX || slave->hold < m->slave[m->plan.block[best].slave].hold))
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
    memset(m->held, 0, sizeof m->held);
    for (size_t i = 0; i < m->plan.blocks; ++i)
        m->plan.block[i].done = false;
}

static enum driver_next modbus_next(void *state, int64_t mono, struct driver_request *request,
                                    int64_t *when)
{
    struct modbus *m = state;
    int64_t interval = section_time(m->instrument->values, "interval");
    const struct modbusplan_block *block;
    size_t chosen = SIZE_MAX;

    if (m->identity_wanted && !m->identity_asked) {
        m->identity_asked = true;
        m->asked_slave = 0;
        modbusframe_identify(&m->request, m->plan.slave[0]);
        return ask(m, request);
    }
    if (m->send) {
        const char *why = modbusplan_command(&m->plan, m->send, &m->request);

        m->send = NULL;
        if (!why) {
            m->asked_slave = SIZE_MAX;
            return ask(m, request);
        }
    }
    if (m->replan) {
        m->replan = false;
        modbusplan_blocks(&m->plan);
        begin_cycle(m, mono);
        /* What a silent slave still owes would be an answer to the plan before. */
        for (size_t i = 0; i < m->plan.slaves; ++i)
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
    block = &m->plan.block[chosen];
    m->plan.block[chosen].done = true;
    m->asked = chosen;
    m->asked_slave = block->slave;
    note_asked(&m->slave[m->asked_slave], mono);
    modbusframe_read(&m->request, m->plan.slave[block->slave], block->table, block->first,
                     block->count);
    return ask(m, request);
}

/* ---- framing ---- */

static struct driver_frame modbus_frame(const void *state, const unsigned char *bytes,
                                        size_t length, int64_t quiet)
{
    const struct modbus *m = state;

    if (m->request.awaited == MODBUSFRAME_NOTHING)
        return modbusframe_find_late(m->plan.slave, m->plan.slaves, bytes, length, quiet);
    return modbusframe_find(&m->request, bytes, length, quiet);
}

/* ---- decoding ---- */

static void give_reading(struct modbus *m, size_t index, const uint64_t bits[MODBUSCHANNEL_CELLS],
                         uint32_t flags, const struct driver_sink *sink)
{
    struct driver_reading reading = {.channel = index, .range = NAN, .flags = flags};
    const char *why = modbuschannel_reading(&m->plan.channel[index], bits, &reading);
    char text[160];

    if (why && !m->unusable[index]) {
        snprintf(text, sizeof text, "%s: %s; the reading has no value",
                 m->instrument->channel[index].name, why);
        sink->event(sink->to, DRIVER_WARNING, "number", text);
    }
    m->unusable[index] = why != NULL;
    m->refused[index] = 0;
    if (m->lost[index])
        reading.flags |= STORE_FLAG_LOST;
    m->lost[index] = false;
    sink->reading(sink->to, &reading);
}

/* One cell of a channel whose cells come in requests of their own: the others before the value and
 * again after it. Only when the scale was the same before and after is the value certain. */
static void take_cell(struct modbus *m, size_t index, enum modbuschannel_cell cell, uint64_t bits,
                      bool again, const struct driver_sink *sink)
{
    const struct modbuschannel *own = &m->plan.channel[index];
    struct held *held = &m->held[index];
    unsigned all = modbusplan_cells(&m->plan, index);
    enum modbuschannel_cell last =
        own->used[MODBUSCHANNEL_STATUS] ? MODBUSCHANNEL_STATUS : MODBUSCHANNEL_SCALING;
    char text[160];

    if (!again) {
        if (cell != MODBUSCHANNEL_VALUE)
            held->have &= ~(1U << MODBUSCHANNEL_VALUE); /* the value is to come after it */
        held->bits[cell] = bits;
        held->have |= 1U << cell;
        return;
    }
    if (held->have != all)
        return; /* one of them did not come: that was an event */
    if (cell == MODBUSCHANNEL_SCALING && bits != held->bits[cell]) {
        held->have = 0;
        m->lost[index] = true;
        snprintf(text, sizeof text,
                 "%s: its scaling register changed while it was read; the reading was left out",
                 m->instrument->channel[index].name);
        sink->event(sink->to, DRIVER_INFO, "scaling", text);
        return;
    }
    if (cell == last)
        give_reading(m, index, held->bits,
                     cell == MODBUSCHANNEL_STATUS ? modbuschannel_status(own, bits) : 0, sink);
}

/* What the answer to a read holds of one channel. */
static void take_channel(struct modbus *m, size_t index, const struct modbusplan_block *block,
                         const unsigned char *data, const struct driver_sink *sink)
{
    unsigned cells = block->member[index];
    uint64_t bits[MODBUSCHANNEL_CELLS] = {0};

    for (int cell = 0; cell < MODBUSCHANNEL_CELLS; ++cell) {
        long at = m->plan.place[index][cell].first - block->first;

        if (!(cells >> cell & 1))
            continue;
        bits[cell] = modbusframe_is_bits(block->table)
                         ? (uint64_t)(data[at / 8] >> at % 8 & 1)
                         : modbuschannel_bits(&m->plan.channel[index],
                                              (enum modbuschannel_cell)cell, data + 2 * at);
        if (cells != modbusplan_cells(&m->plan, index))
            take_cell(m, index, (enum modbuschannel_cell)cell, bits[cell], block->again, sink);
    }
    if (cells == modbusplan_cells(&m->plan, index))
        give_reading(m, index, bits, 0, sink);
}

/* The readings that the block should have given are lost. */
static void note_lost(struct modbus *m)
{
    for (size_t i = 0; i < m->instrument->channels; ++i)
        m->lost[i] = m->lost[i] || m->plan.block[m->asked].member[i];
}

/* What was asked, for people. */
static void describe(const struct modbus *m, char *text, size_t size)
{
    if (m->request.awaited == MODBUSFRAME_READ) {
        const struct modbusplan_block *block = &m->plan.block[m->asked];
        bool one = strcmp(section_text(m->instrument->values, "numbering"), "zero") != 0;

        snprintf(text, size, "the request for %s %ld to %ld (counted from %d)",
                 modbusplan_table_words(block->table), block->first + one,
                 block->first + block->count - 1 + one, one);
    } else {
        snprintf(text, size, "%s",
                 m->request.awaited == MODBUSFRAME_WRITE ? "the command"
                                                         : "the question who it is");
    }
}

static void take_exception(struct modbus *m, unsigned code, const struct driver_sink *sink)
{
    char what[128];
    char text[320];
    const char *then = "";
    bool said = m->request.awaited == MODBUSFRAME_READ;

    describe(m, what, sizeof what);
    if (m->request.awaited == MODBUSFRAME_READ) {
        struct modbusplan_block *block = &m->plan.block[m->asked];
        size_t members = modbusplan_members(&m->plan, block);

        note_lost(m);
        for (size_t i = 0; i < m->instrument->channels; ++i)
            if (block->member[i]) {
                said = said && m->refused[i] == code;
                m->refused[i] = (unsigned char)code;
            }
        /* One register of many may be what it refuses: the others shall not suffer. */
        if (members > 1 && code >= 2 && code <= 4) {
            for (size_t i = 0; i < m->instrument->channels; ++i)
                if (block->member[i]) {
                    m->plan.alone[i] = true;
                    m->refused[i] = 0; /* which of them it is will be said */
                }
            modbusplan_blocks(&m->plan);
            then = "; they are asked for one by one from now on";
        }
    }
    if (said && !*then)
        return; /* once, until it gives a value */
    if (m->request.awaited == MODBUSFRAME_READ && !*then)
        then = code == 1   ? "; are its values in another table?"
               : code == 2 ? "; see numbering and table in truewound-bench(5)"
                           : "";
    snprintf(text, sizeof text, "slave %u answers %s with exception %u (%s)%s", m->request.sent[0],
             what, code, modbusframe_exception(code), then);
    sink->event(sink->to, DRIVER_WARNING, "exception", text);
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
        snprintf(text, sizeof text, "slave %u answers again", m->request.sent[0]);
        sink->event(sink->to, DRIVER_INFO, "slave", text);
        if (m->request.awaited == MODBUSFRAME_READ && is_retry(m, m->asked))
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

    for (size_t i = 0; i < m->plan.slaves; ++i)
        if (m->plan.slave[i] == address && m->slave[i].asked > 0) {
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
    enum modbusframe_awaited awaited = m->request.awaited;
    struct modbusplan_block *block;
    char what[128];
    char text[320];

    if (awaited == MODBUSFRAME_NOTHING &&
        modbusframe_late_length(m->plan.slave, m->plan.slaves, bytes, length) == length &&
        length > 0) {
        note_late(m, bytes[0], time->mono, sink);
        return DRIVER_IGNORED;
    }
    if (awaited == MODBUSFRAME_NOTHING || length < 5)
        return DRIVER_GARBAGE;
    if (length == m->request.length && memcmp(bytes, m->request.sent, length) == 0 &&
        (awaited != MODBUSFRAME_WRITE || m->echo_due)) {
        m->echoes = true;
        m->echo_due = false;
        return DRIVER_IGNORED;
    }
    if (length != modbusframe_answer_length(&m->request, bytes, length))
        return DRIVER_GARBAGE;
    if (!modbusframe_is_sum_right(bytes, length)) {
        describe(m, what, sizeof what);
        snprintf(text, sizeof text, "the answer of slave %u to %s had a wrong CRC and was left out",
                 m->request.sent[0], what);
        sink->event(sink->to, DRIVER_WARNING, "checksum", text);
        if (awaited == MODBUSFRAME_READ)
            note_lost(m);
        m->request.awaited = MODBUSFRAME_NOTHING;
        return DRIVER_ANSWER; /* the line is quiet: no other one comes */
    }
    note_answer(m, time->mono, sink);
    if (bytes[1] & 0x80) {
        take_exception(m, bytes[2], sink);
    } else if (awaited == MODBUSFRAME_IDENTITY) {
        char who[256];

        modbusframe_identity(bytes, length, who, sizeof who);
        sink->identity(sink->to, who);
    } else if (awaited == MODBUSFRAME_READ) {
        block = &m->plan.block[m->asked];
        for (size_t i = 0; i < m->instrument->channels; ++i)
            if (block->member[i])
                take_channel(m, i, block, bytes + 3, sink);
    }
    m->request.awaited = MODBUSFRAME_NOTHING;
    return DRIVER_ANSWER;
}

/* Some slaves leave a request for several values without an answer. As long as a slave has not said
 * a word, it is asked in blocks and one by one in turn. */
static void try_other_blocks(struct modbus *m, size_t slave, const struct driver_sink *sink)
{
    const struct modbusplan_block *block = &m->plan.block[m->asked];
    bool alone = false;
    char text[160];

    for (size_t i = 0; i < m->instrument->channels; ++i)
        alone = alone || (m->plan.owner[i] == slave && m->plan.alone[i]);
    if (!alone && modbusplan_members(&m->plan, block) < 2)
        return;
    for (size_t i = 0; i < m->instrument->channels; ++i)
        if (m->plan.owner[i] == slave)
            m->plan.alone[i] = !alone;
    modbusplan_blocks(&m->plan);
    m->slave[slave].retries = false; /* the answers differ in length */
    if (!alone && m->slave[slave].failures == 1) {
        snprintf(text, sizeof text,
                 "slave %u may not take requests for several values: it is asked one by one",
                 m->plan.slave[slave]);
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

    if (m->request.awaited == MODBUSFRAME_READ)
        note_lost(m);
    if (m->asked_slave < m->plan.slaves && m->request.awaited == MODBUSFRAME_READ) {
        slave = &m->slave[m->asked_slave];
        if (slave->failures++ == 0) {
            describe(m, what, sizeof what);
            snprintf(text, sizeof text, "slave %u does not answer %s",
                     m->plan.slave[m->asked_slave], what);
            sink->event(sink->to, DRIVER_WARNING, "slave", text);
        }
        for (unsigned i = 1; i < slave->failures && hold < HOLD_MOST; ++i)
            hold *= 2;
        slave->hold = time->mono + (hold < HOLD_MOST ? hold : HOLD_MOST);
        slave->retries = true;
        slave->retry_table = m->plan.block[m->asked].table;
        slave->retry_first = m->plan.block[m->asked].first;
        slave->retry_count = m->plan.block[m->asked].count;
        if (!slave->known)
            try_other_blocks(m, m->asked_slave, sink);
    } else if (m->request.awaited == MODBUSFRAME_WRITE) {
        snprintf(text, sizeof text, "slave %u did not confirm the command", m->request.sent[0]);
        sink->event(sink->to, DRIVER_WARNING, "command", text);
    }
    m->echoes = section_switch(m->instrument->values, "echo");
    m->request.awaited = MODBUSFRAME_NOTHING;
}

static enum status_code modbus_command(void *state, const struct driver_command *command,
                                       struct status *st)
{
    struct modbus *m = state;

    switch (command->kind) {
    case DRIVER_SELECT:
        m->plan.selected = command->channel;
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
    .instrument_keys = modbusplan_instrument_keys,
    .channel_keys = modbusplan_channel_keys,
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
