/* lines: instruments that send lines of text: a microcontroller, a panel meter, a scale.
 *
 * This is the conversation. What belongs to a line is decided by its checksum, when it has one
 * (linesum); a line with a wrong sum is thrown away and the next reading says that something was
 * lost before it. The readings in a line are the business of linefields, blocks of samples that of
 * acquire/capture. */
#include <ctype.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "acquire/capture.h"
#include "acquire/driver.h"
#include "acquire/drivers/linefields.h"
#include "acquire/drivers/linesum.h"
#include "acquire/pattern.h"

#define IGNORES_MAX     16
#define WRONG_SUMS_LOUD 20 /* lines without a right sum until that is said */
#define QUIET_END                                                                                  \
    50000 /* us without a byte that end a message of an instrument without line ends */

struct lines {
    const struct benchfile_instrument *instrument;
    struct linefields *fields;
    struct linesum sum;
    struct pattern *ignore[IGNORES_MAX];
    size_t ignores;
    struct pattern *identity;
    const char *terminator; /* NULL: any line end; "" : quiet */
    size_t terminator_length;

    bool asked_identity;
    bool identified;
    bool polled;    /* the request that waits for an answer is the poll */
    size_t request; /* number of the next one of the cycle */
    int64_t next_poll;
    const char *send; /* a named command, waiting to be sent */
    size_t send_length;
    bool heard;          /* a line was understood since the port was opened */
    unsigned wrong_sums; /* lines before that with a wrong one */
    bool lost;           /* something was lost since the last reading */
    struct capture *capture;
};

static const struct section_key instrument_keys[] = {
    {.name = "pattern", .kind = SECTION_PATTERNS},
    {.name = "separator", .kind = SECTION_BYTES, .standard = ","},
    {.name = "decimal",
     .kind = SECTION_CHOICE,
     .standard = "either",
     .choices = "either point comma"},
    {.name = "terminator", .kind = SECTION_BYTES, .standard = "any"},
    {.name = "ignore_pattern", .kind = SECTION_PATTERNS},
    {.name = "overload_pattern", .kind = SECTION_PATTERN},
    {.name = "overload_text", .kind = SECTION_LIST},
    {.name = "checksum", .kind = SECTION_CHOICE, .standard = "none", .choices = CHECKSUM_WORDS},
    {.name = "checksum_mark", .kind = SECTION_BYTES, .standard = "*"},
    {.name = "checksum_start", .kind = SECTION_BYTES},
    {.name = "checksum_form",
     .kind = SECTION_CHOICE,
     .standard = "hex",
     .choices = "hex decimal raw raw-low-first"},
    {.name = "checksum_marks",
     .kind = SECTION_CHOICE,
     .standard = "none",
     .choices = "none start end both"},
    {.name = "sequence_modulo", .kind = SECTION_INTEGER, .min = 2, .max = 4294967296.0},
    {.name = "request", .kind = SECTION_LIST},
    {.name = "identity_request", .kind = SECTION_BYTES},
    {.name = "identity_pattern", .kind = SECTION_PATTERN},
    {.name = "capture_request", .kind = SECTION_BYTES},
    {.name = "capture_form",
     .kind = SECTION_CHOICE,
     .standard = "text",
     .choices = "text block bare"},
    {.name = "capture_begin", .kind = SECTION_PATTERN},
    {.name = "capture_sample", .kind = SECTION_PATTERN},
    {.name = "capture_end", .kind = SECTION_PATTERN},
    {.name = "capture_refused", .kind = SECTION_PATTERN},
    {.name = "capture_word",
     .kind = SECTION_CHOICE,
     .standard = "u16le",
     .choices = "u8 i8 u16le u16be i16le i16be f32le f32be"},
    {.name = "capture_timeout", .kind = SECTION_TIME, .standard = "30 s", .min = 0.1, .max = 3600},
    {.name = NULL},
};

static const struct section_key channel_keys[] = {
    {.name = "field", .kind = SECTION_TEXT},
    {.name = "column", .kind = SECTION_INTEGER, .min = 1, .max = 256},
    {.name = "sign_column", .kind = SECTION_INTEGER, .min = 1, .max = 256},
    {.name = "unit_column", .kind = SECTION_INTEGER, .min = 1, .max = 256},
    {.name = "unit_field", .kind = SECTION_TEXT},
    {.name = "unit_text", .kind = SECTION_LIST},
    {.name = "form",
     .kind = SECTION_CHOICE,
     .standard = "decimal",
     .choices = "decimal hex signed-hex"},
    {.name = "kind",
     .kind = SECTION_CHOICE,
     .standard = "value",
     .choices = "value minimum maximum"},
    {.name = "overload_from", .kind = SECTION_NUMBER, .min = -1e300, .max = 1e300},
    {.name = "underload_from", .kind = SECTION_NUMBER, .min = -1e300, .max = 1e300},
    {.name = "capture_scale", .kind = SECTION_NUMBER, .standard = "1", .min = -1e30, .max = 1e30},
    {.name = "capture_offset", .kind = SECTION_NUMBER, .standard = "0", .min = -1e30, .max = 1e30},
    {.name = "capture_name", .kind = SECTION_TEXT},
    {.name = NULL},
};

/* ---- making and freeing ---- */

static void lines_destroy(void *state)
{
    struct lines *l = state;

    linefields_free(l->fields);
    for (size_t i = 0; i < l->ignores; ++i)
        pattern_free(l->ignore[i]);
    pattern_free(l->identity);
    capture_free(l->capture);
    free(l);
}

static enum status_code make_ignores(struct lines *l, struct status *st)
{
    const struct section *values = l->instrument->values;
    enum status_code code = STATUS_OK;
    const char *text;
    struct status why;

    for (size_t i = 0; (text = section_item(values, "ignore_pattern", i, NULL)); ++i) {
        if (l->ignores == IGNORES_MAX)
            return section_fail(values, "ignore_pattern", st, "more than %d patterns", IGNORES_MAX);
        if (pattern_new(text, &l->ignore[l->ignores], &why) == STATUS_OK)
            ++l->ignores;
        else
            code = section_fail(values, "ignore_pattern", st, "%s", why.text);
    }
    return code;
}

static enum status_code lines_create(const struct benchfile_instrument *instrument, void **state,
                                     struct status *st)
{
    const struct section *values = instrument->values;
    struct lines *l = calloc(1, sizeof *l);
    enum status_code code = STATUS_OK;
    const char *terminator;

    *state = NULL;
    if (!l)
        return status_fail(st, STATUS_MEMORY, "no memory");
    l->instrument = instrument;
    terminator = section_bytes(values, "terminator", &l->terminator_length);
    if (strcmp(terminator, "any") != 0)
        l->terminator = terminator;
    if (l->terminator && strcmp(terminator, "quiet") == 0)
        l->terminator_length = 0;
    /* All of them, so that all faults are said. */
    if (linefields_new(instrument, &l->fields, st) != STATUS_OK)
        code = STATUS_INPUT;
    if (linesum_fill(&l->sum, values, l->terminator && l->terminator_length > 0, st) != STATUS_OK)
        code = STATUS_INPUT;
    if (make_ignores(l, st) != STATUS_OK)
        code = STATUS_INPUT;
    if (section_pattern(values, "identity_pattern", &l->identity, st) != STATUS_OK)
        code = STATUS_INPUT;
    code = capture_new(instrument, &l->capture, st) == STATUS_OK ? code : STATUS_INPUT;
    if (code != STATUS_OK) {
        lines_destroy(l);
        return code;
    }
    *state = l;
    return status_ok(st);
}

/* ---- talking ---- */

static void lines_opened(void *state, int64_t mono)
{
    struct lines *l = state;

    l->asked_identity = false;
    l->identified = false;
    l->polled = false;
    l->next_poll = mono;
    l->send = NULL;
    l->heard = false;
    l->wrong_sums = 0;
    l->lost = false;
    linefields_reset(l->fields);
    l->request = 0;
    capture_reset(l->capture);
}

static void set_request(struct driver_request *request, const char *bytes, size_t length,
                        bool reply, int64_t timeout, int64_t pause)
{
    if (length > DRIVER_REQUEST_MAX)
        length = DRIVER_REQUEST_MAX;
    memcpy(request->bytes, bytes, length);
    request->length = length;
    request->fresh = false;
    request->reply = reply;
    request->timeout = timeout;
    request->pause = pause;
}

static enum driver_next lines_next(void *state, int64_t mono, struct driver_request *request,
                                   int64_t *when)
{
    struct lines *l = state;
    const struct section *values = l->instrument->values;
    int64_t timeout = section_time(values, "timeout");
    int64_t pause = section_time(values, "pause");
    unsigned char block[DRIVER_REQUEST_MAX];
    const char *bytes;
    size_t length;

    l->polled = false;
    bytes = section_bytes(values, "identity_request", &length);
    if (bytes && !l->asked_identity) {
        l->asked_identity = true;
        set_request(request, bytes, length, l->identity != NULL, timeout, pause);
        return DRIVER_SEND;
    }
    if (l->send) {
        set_request(request, l->send, l->send_length, false, 0, pause);
        l->send = NULL;
        return DRIVER_SEND;
    }
    length = capture_request(l->capture, block);
    if (length > 0) {
        set_request(request, (const char *)block, length, true,
                    section_time(values, "capture_timeout"), pause);
        return DRIVER_SEND;
    }
    bytes = section_item(values, "request", l->request, &length);
    if (!bytes)
        return DRIVER_LISTEN;
    if (l->request == 0) {
        if (mono < l->next_poll) {
            *when = l->next_poll;
            return DRIVER_WAIT;
        }
        /* Keep to the schedule; after a long hold-up start a new one instead of catching up. */
        l->next_poll += section_time(values, "interval");
        if (l->next_poll <= mono)
            l->next_poll = mono + section_time(values, "interval");
    }
    ++l->request;
    if (!section_item(values, "request", l->request, NULL))
        l->request = 0;
    l->polled = true;
    set_request(request, bytes, length, true, timeout, pause);
    request->fresh = true;
    return DRIVER_SEND;
}

/* ---- framing ---- */

static size_t find_terminator(const struct lines *l, const unsigned char *bytes, size_t length)
{
    if (linesum_is_raw(&l->sum) && !l->sum.no_mark)
        return linesum_end(&l->sum, bytes, length); /* behind the mark a line end may be any byte */
    if (l->terminator) {
        const unsigned char *at = memmem(bytes, length, l->terminator, l->terminator_length);

        return at ? (size_t)(at - bytes) + l->terminator_length : 0;
    }
    for (size_t i = 0; i < length; ++i)
        if (bytes[i] == '\n' || bytes[i] == '\r')
            return i + 1;
    return 0;
}

static struct driver_frame lines_frame(const void *state, const unsigned char *bytes, size_t length,
                                       int64_t quiet)
{
    const struct lines *l = state;
    struct driver_frame frame = {0};
    bool wait = false;

    frame.length = capture_frame(l->capture, bytes, length, &wait);
    if (frame.length > 0 || wait)
        return frame;
    while (frame.skip < length && (bytes[frame.skip] == '\n' || bytes[frame.skip] == '\r'))
        ++frame.skip;
    bytes += frame.skip;
    length -= frame.skip;
    frame.length = capture_frame(l->capture, bytes, length, &wait);
    if (frame.length > 0 || wait)
        return frame;
    if (l->terminator && l->terminator_length == 0)
        frame.length = quiet >= QUIET_END ? length : 0;
    else
        frame.length = find_terminator(l, bytes, length);
    return frame;
}

/* ---- decoding of one line ---- */

/* Whether the line says who the instrument is; hands it on. */
static bool is_identity(struct lines *l, const char *line, size_t length,
                        const struct driver_sink *sink)
{
    struct pattern_part part;
    char text[256];

    if (!l->identity || !pattern_match(l->identity, line, length))
        return false;
    part = pattern_part(l->identity, pattern_group(l->identity, "identity"));
    if (!part.text)
        part = pattern_part(l->identity, 0);
    snprintf(text, sizeof text, "%.*s", (int)(part.length < 255 ? part.length : 255), part.text);
    l->identified = true;
    sink->identity(sink->to, text);
    return true;
}

static enum driver_heard readings_line(struct lines *l, const char *line, size_t length,
                                       const struct driver_sink *sink)
{
    if (linefields_take(l->fields, line, length, &l->lost, sink)) {
        l->heard = true;
        return l->polled ? DRIVER_ANSWER : DRIVER_HEARD;
    }
    for (size_t i = 0; i < l->ignores; ++i)
        if (pattern_match(l->ignore[i], line, length))
            return DRIVER_IGNORED;
    return DRIVER_GARBAGE;
}

/* Not one line with a right sum: a banner is not so long. */
static void tell_sums(struct lines *l, const char *line, size_t length,
                      const struct driver_sink *sink)
{
    char text[240];

    if (++l->wrong_sums != WRONG_SUMS_LOUD)
        return;
    snprintf(
        text, sizeof text,
        "none of the first %d lines has a right checksum, for example '%.*s'; see the checksum "
        "keys in truewound-bench(5)",
        WRONG_SUMS_LOUD, (int)(length < 80 ? length : 80), line);
    sink->event(sink->to, DRIVER_WARNING, "checksum", text);
}

static enum driver_heard lines_message(void *state, const unsigned char *bytes, size_t length,
                                       const struct driver_time *time,
                                       const struct driver_sink *sink)
{
    struct lines *l = state;
    const char *line = (const char *)bytes;
    enum driver_heard heard;
    size_t whole;

    (void)time;
    if (capture_bytes(l->capture, bytes, length, sink, &heard))
        return heard;
    if (l->terminator && l->terminator_length <= length &&
        (!linesum_is_raw(&l->sum) || l->sum.no_mark))
        length -= l->terminator_length;
    while (length > 0 && !linesum_is_raw(&l->sum) &&
           (line[length - 1] == '\n' || line[length - 1] == '\r' || line[length - 1] == ' ' ||
            line[length - 1] == '\t'))
        --length;
    if (length == 0)
        return DRIVER_IGNORED;
    whole = length;
    if (l->sum.kind != CHECKSUM_NONE && !linesum_check(&l->sum, line, &length)) {
        for (size_t i = 0; i < l->ignores; ++i)
            if (pattern_match(l->ignore[i], line, length))
                return DRIVER_IGNORED;
        if (is_identity(l, line, length, sink))
            return l->polled || !capture_is_idle(l->capture) ? DRIVER_HEARD : DRIVER_ANSWER;
        if (!l->heard) {
            tell_sums(l, line, whole, sink);
            return DRIVER_IGNORED; /* a banner, or the tail of a line that began before us */
        }
        l->lost = true;
        sink->event(sink->to, DRIVER_WARNING, "checksum",
                    "a line with a wrong checksum was left out");
        return DRIVER_GARBAGE;
    }
    if (is_identity(l, line, length, sink))
        return l->polled || !capture_is_idle(l->capture) ? DRIVER_HEARD : DRIVER_ANSWER;
    if (capture_line(l->capture, line, length, sink, &heard))
        return heard;
    heard = readings_line(l, line, length, sink);
    if (heard == DRIVER_GARBAGE && l->heard)
        l->lost = true;
    return heard;
}

static void lines_expired(void *state, const struct driver_time *time,
                          const struct driver_sink *sink)
{
    struct lines *l = state;

    (void)time;
    capture_expire(l->capture, sink);
    /* The answer may have been taken for the rest of a line that began before we listened. */
    if (!l->identified && *l->instrument->identity)
        l->asked_identity = false;
}

static enum status_code lines_command(void *state, const struct driver_command *command,
                                      struct status *st)
{
    struct lines *l = state;

    switch (command->kind) {
    case DRIVER_SELECT:
        return status_fail(st, STATUS_INPUT,
                           "%s sends all its channels by itself; there is nothing to select",
                           l->instrument->name);
    case DRIVER_SWITCH:
        if (l->send)
            return status_fail(st, STATUS_BUSY, "%s: the command before has not gone out yet",
                               l->instrument->name);
        l->send = driver_named_command(l->instrument, command->text, &l->send_length);
        if (!l->send)
            return status_fail(st, STATUS_NOT_FOUND,
                               "[instrument %s] of the bench file has no command named '%.40s'",
                               l->instrument->name, command->text);
        return status_ok(st);
    case DRIVER_CAPTURE:
        return capture_ask(l->capture, command, st);
    }
    return status_fail(st, STATUS_INPUT, "unknown command");
}

static const char *const guesses[] = {
    /* a scale: status words, sign, spaces, number, unit */
    "[instrument probe]\n"
    "driver = lines\n"
    "port = {port}\n"
    "pattern = ^(?:(?<stable>ST)|US),(?:GS|NT|G|N),(?<value>[-+ ]*[0-9.,]+) "
    "*(?<unit>kg|g|lb|oz|N)\\s*$\n"
    "overload_pattern = ^OL\n"
    "[channel probe.value]\n"
    "quantity = mass\n"
    "unit = kg\n",
    /* a number and a unit, nothing else */
    "[instrument probe]\n"
    "driver = lines\n"
    "port = {port}\n"
    "pattern = ^[ A-Za-z:=]*(?<value>[-+ ]*[0-9]+[.,]?[0-9]*) *(?<unit>m?V)$\n"
    "[channel probe.value]\n"
    "quantity = voltage\n"
    "unit = V\n",
    NULL,
};

const struct driver driver_lines = {
    .name = "lines",
    .about = "lines of text from a board, a panel meter or a scale",
    .instrument_keys = instrument_keys,
    .channel_keys = channel_keys,
    .create = lines_create,
    .destroy = lines_destroy,
    .opened = lines_opened,
    .next = lines_next,
    .frame = lines_frame,
    .message = lines_message,
    .expired = lines_expired,
    .command = lines_command,
    .guesses = guesses,
};
