#include "acquire/capture.h"

#include <ctype.h>
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "acquire/number.h"
#include "acquire/pattern.h"

enum state { IDLE, ASKED, BLOCK };

enum word {
    WORD_U8,
    WORD_I8,
    WORD_U16LE,
    WORD_U16BE,
    WORD_I16LE,
    WORD_I16BE,
    WORD_F32LE,
    WORD_F32BE
};

struct capture {
    const struct benchfile_instrument *instrument;
    struct pattern *begin, *samples, *end, *refused;
    enum word word;
    bool binary, bare;

    enum state state;
    bool sent;
    size_t channel;
    double rate;
    size_t wanted;
    double *sample;
    size_t count; /* filled so far, gaps included */
    size_t missing;
    bool unplaced;         /* samples are missing and nobody knows where */
    bool doubtful;         /* the numbers of the lines contradict each other */
    unsigned char part[8]; /* a binary sample cut by the end of a read */
    size_t parts;
    size_t left; /* bytes of the binary block still to come */
};

/* ---- making and freeing ---- */

static enum status_code fill(struct capture *c, struct status *st)
{
    static const char *const words[] = {"u8",    "i8",    "u16le", "u16be",
                                        "i16le", "i16be", "f32le", "f32be"};
    const struct section *values = c->instrument->values;
    const char *form = section_text(values, "capture_form");
    enum status_code code = STATUS_OK;

    c->binary = strcmp(form, "text") != 0;
    c->bare = strcmp(form, "bare") == 0;
    for (size_t i = 0; i < sizeof words / sizeof words[0]; ++i)
        if (strcmp(section_text(values, "capture_word"), words[i]) == 0)
            c->word = (enum word)i;
    if (section_pattern(values, "capture_begin", &c->begin, st) != STATUS_OK)
        code = STATUS_INPUT;
    if (section_pattern(values, "capture_sample", &c->samples, st) != STATUS_OK)
        code = STATUS_INPUT;
    if (section_pattern(values, "capture_end", &c->end, st) != STATUS_OK)
        code = STATUS_INPUT;
    if (section_pattern(values, "capture_refused", &c->refused, st) != STATUS_OK)
        code = STATUS_INPUT;
    if (code != STATUS_OK || !section_given(values, "capture_request"))
        return code;
    if (!c->binary && (!c->samples || !c->end))
        return section_fail(values, c->samples ? "capture_end" : "capture_sample", st,
                            "missing; a capture sent as text needs capture_sample and "
                            "capture_end");
    if (!c->binary && pattern_group(c->samples, "values") < 0)
        return section_fail(values, "capture_sample", st,
                            "the pattern needs a group (?<values>...)");
    if (c->bare && !c->begin)
        return section_fail(values, "capture_begin", st,
                            "missing; a bare binary block needs the line that begins it");
    return code;
}

enum status_code capture_new(const struct benchfile_instrument *instrument,
                             struct capture **capture, struct status *st)
{
    struct capture *c = calloc(1, sizeof *c);
    enum status_code code;

    *capture = NULL;
    if (!c)
        return status_fail(st, STATUS_MEMORY, "no memory");
    c->instrument = instrument;
    code = fill(c, st);
    if (code != STATUS_OK) {
        capture_free(c);
        return code;
    }
    *capture = c;
    return status_ok(st);
}

void capture_free(struct capture *c)
{
    if (!c)
        return;
    pattern_free(c->begin);
    pattern_free(c->samples);
    pattern_free(c->end);
    pattern_free(c->refused);
    free(c->sample);
    free(c);
}

void capture_reset(struct capture *c)
{
    free(c->sample);
    c->sample = NULL;
    c->state = IDLE;
    c->sent = c->unplaced = c->doubtful = false;
    c->wanted = c->count = c->missing = c->parts = c->left = 0;
}

bool capture_is_idle(const struct capture *c)
{
    return c->state == IDLE;
}

/* ---- asking ---- */

enum status_code capture_ask(struct capture *c, const struct driver_command *command,
                             struct status *st)
{
    if (!section_given(c->instrument->values, "capture_request"))
        return status_fail(st, STATUS_INPUT,
                           "[instrument %s] of the bench file gives no capture_request",
                           c->instrument->name);
    if (c->state != IDLE)
        return status_fail(st, STATUS_BUSY, "%s: a capture is running already",
                           c->instrument->name);
    capture_reset(c);
    c->sample = malloc(command->samples * sizeof *c->sample);
    if (!c->sample)
        return status_fail(st, STATUS_MEMORY, "no memory for %zu samples", command->samples);
    c->state = ASKED;
    c->channel = command->channel;
    c->rate = command->rate;
    c->wanted = command->samples;
    return status_ok(st);
}

size_t capture_request(struct capture *c, unsigned char *out)
{
    const struct benchfile_channel *channel;
    const char *bytes, *name;
    size_t length;
    size_t n = 0;

    if (c->state != ASKED || c->sent)
        return 0;
    channel = &c->instrument->channel[c->channel];
    name = section_text(channel->values, "capture_name");
    bytes = section_bytes(c->instrument->values, "capture_request", &length);
    for (size_t i = 0; i < length && n < DRIVER_REQUEST_MAX;) {
        char text[64];
        size_t mark = 0;

        if (strncmp(bytes + i, "{rate}", 6) == 0) {
            snprintf(text, sizeof text, "%.10g", c->rate);
            mark = 6;
        } else if (strncmp(bytes + i, "{samples}", 9) == 0) {
            snprintf(text, sizeof text, "%zu", c->wanted);
            mark = 9;
        } else if (strncmp(bytes + i, "{channel}", 9) == 0) {
            snprintf(text, sizeof text, "%.60s", name ? name : channel->name);
            mark = 9;
        } else {
            out[n++] = (unsigned char)bytes[i++];
            continue;
        }
        i += mark;
        for (const char *at = text; *at && n < DRIVER_REQUEST_MAX; ++at)
            out[n++] = (unsigned char)*at;
    }
    c->sent = true;
    return n;
}

/* ---- samples ---- */

static void add(struct capture *c, double sample)
{
    if (c->count < c->wanted)
        c->sample[c->count++] = sample;
}

static void add_unknown(struct capture *c)
{
    if (c->count < c->wanted)
        ++c->missing;
    add(c, NAN);
}

static void finish(struct capture *c, const struct driver_sink *sink)
{
    const struct section *values = c->instrument->channel[c->channel].values;
    double scale = section_number(values, "capture_scale");
    double offset = section_number(values, "capture_offset");
    struct driver_capture done = {.channel = c->channel, .rate = c->rate};
    size_t lost = c->wanted - c->count;

    if (c->count == 0) {
        sink->capture_failed(sink->to, "the block held no samples");
        capture_reset(c);
        return;
    }
    for (size_t i = 0; i < c->count; ++i)
        c->sample[i] = c->sample[i] * scale + offset;
    for (size_t i = c->count; i < c->wanted; ++i)
        c->sample[i] = NAN;
    done.count = c->wanted;
    done.sample = c->sample;
    done.missing = c->missing + lost;
    if (done.missing > 0)
        done.flags |= STORE_FLAG_LOST;
    /* A short block without numbered lines may lack samples anywhere: its times cannot be had. */
    if ((lost > 0 && c->unplaced) || c->doubtful)
        done.flags |= STORE_FLAG_SUSPECT;
    sink->capture(sink->to, &done);
    capture_reset(c);
}

/* ---- binary blocks ---- */

static size_t word_size(enum word word)
{
    return word <= WORD_I8 ? 1 : word <= WORD_I16BE ? 2 : 4;
}

static double word_value(enum word word, const unsigned char *b)
{
    uint32_t bits;
    float f;

    switch (word) {
    case WORD_U8:
        return b[0];
    case WORD_I8:
        return (int8_t)b[0];
    case WORD_U16LE:
        return b[0] | b[1] << 8;
    case WORD_U16BE:
        return b[0] << 8 | b[1];
    case WORD_I16LE:
        return (int16_t)(uint16_t)(b[0] | b[1] << 8);
    case WORD_I16BE:
        return (int16_t)(uint16_t)(b[0] << 8 | b[1]);
    case WORD_F32LE:
        bits = (uint32_t)b[0] | (uint32_t)b[1] << 8 | (uint32_t)b[2] << 16 | (uint32_t)b[3] << 24;
        memcpy(&f, &bits, sizeof f);
        return (double)f;
    case WORD_F32BE:
        bits = (uint32_t)b[3] | (uint32_t)b[2] << 8 | (uint32_t)b[1] << 16 | (uint32_t)b[0] << 24;
        memcpy(&f, &bits, sizeof f);
        return (double)f;
    }
    return NAN;
}

static enum driver_heard take_bytes(struct capture *c, const unsigned char *bytes, size_t length,
                                    const struct driver_sink *sink)
{
    size_t size = word_size(c->word);

    for (size_t i = 0; i < length; ++i) {
        c->part[c->parts++] = bytes[i];
        if (c->parts == size) {
            double value = word_value(c->word, c->part);

            c->parts = 0;
            if (isfinite(value))
                add(c, value);
            else
                add_unknown(c);
        }
    }
    c->left -= length;
    if (c->left > 0)
        return DRIVER_HEARD;
    finish(c, sink);
    return DRIVER_ANSWER;
}

/* '#' digit length: IEEE 488.2, definite length arbitrary block. */
static enum driver_heard take_header(struct capture *c, const unsigned char *bytes, size_t length,
                                     const struct driver_sink *sink)
{
    size_t size = 0;

    for (size_t i = 2; i < length; ++i) {
        if (!isdigit(bytes[i]))
            return DRIVER_GARBAGE;
        size = size * 10 + (size_t)(bytes[i] - '0');
    }
    if (size == 0 || size > c->wanted * word_size(c->word)) {
        sink->capture_failed(sink->to, "the block is empty or longer than what was asked for");
        capture_reset(c);
        return DRIVER_ANSWER;
    }
    c->state = BLOCK;
    c->left = size;
    c->unplaced = true;
    return DRIVER_HEARD;
}

size_t capture_frame(const struct capture *c, const unsigned char *bytes, size_t length, bool *wait)
{
    *wait = false;
    if (c->state == BLOCK && c->left > 0)
        return length < c->left ? length : c->left;
    if (c->binary && !c->bare && c->state == ASKED && length >= 2 && bytes[0] == '#' &&
        bytes[1] >= '1' && bytes[1] <= '9') {
        size_t header = 2 + (size_t)(bytes[1] - '0');

        *wait = length < header;
        return length >= header ? header : 0;
    }
    return 0;
}

bool capture_bytes(struct capture *c, const unsigned char *bytes, size_t length,
                   const struct driver_sink *sink, enum driver_heard *heard)
{
    if (c->state == BLOCK && c->left > 0) {
        *heard = take_bytes(c, bytes, length, sink);
        return true;
    }
    if (c->state == ASKED && c->sent && c->binary && !c->bare && length >= 3 && bytes[0] == '#' &&
        isdigit(bytes[length - 1])) {
        *heard = take_header(c, bytes, length, sink);
        return true;
    }
    return false;
}

/* ---- blocks of text ---- */

static bool part_number(struct pattern *pattern, const char *name, double *value)
{
    struct pattern_part part = pattern_part(pattern, pattern_group(pattern, name));
    struct number number;

    if (!part.text || !number_read(part.text, part.length, NUMBER_POINT, &number))
        return false;
    while (number.used < part.length && part.text[number.used] == ' ')
        ++number.used;
    *value = number.value;
    return number.used == part.length &&
           !pattern_cuts_number(pattern, pattern_group(pattern, name), NUMBER_POINT);
}

/* Whether a line that begins a block names a rate that is not understood: '1.5.2', or '20 kHz',
 * which is not 20 samples a second. A wrong rate would be a wrong time constant. */
static bool is_rate_strange(struct pattern *pattern)
{
    int group = pattern_group(pattern, "rate");
    struct pattern_part behind = pattern_behind(pattern, group);
    double number;

    if (!pattern_part(pattern, group).text)
        return false;
    if (!part_number(pattern, "rate", &number) || !(number > 0.0))
        return true;
    while (behind.length > 0 && (*behind.text == ' ' || *behind.text == '\t'))
        ++behind.text, --behind.length;
    if (behind.length == 0)
        return false;
    if (strchr("kKM", *behind.text)) /* kHz, kS/s, Msps */
        return behind.length == 1 || strchr("HhSs ", behind.text[1]);
    return behind.length > 1 && behind.text[1] == 's' && strchr("mun", *behind.text) &&
           (behind.length == 2 || !isalpha((unsigned char)behind.text[2])); /* a period: ms */
}

static enum driver_heard give_up(struct capture *c, const char *why, const char *line,
                                 size_t length, const struct driver_sink *sink)
{
    char text[240];

    snprintf(text, sizeof text, "%s: '%.*s'", why, (int)(length < 80 ? length : 80), line);
    sink->capture_failed(sink->to, text);
    capture_reset(c);
    return DRIVER_ANSWER;
}

static bool is_separator(char c)
{
    return c == ',' || c == ' ' || c == ';' || c == '\t';
}

/* The samples of one line, after a gap when its number says so. */
static void take_samples(struct capture *c)
{
    struct pattern_part part = pattern_part(c->samples, pattern_group(c->samples, "values"));
    size_t at = 0;
    double index;

    if (part_number(c->samples, "index", &index)) {
        if (index < (double)c->count || index > (double)c->wanted) {
            c->doubtful = true; /* sent twice, or a line before had a number too many */
            return;
        }
        while ((double)c->count < index)
            add_unknown(c);
    } else {
        c->unplaced = true;
    }
    while (at < part.length) {
        size_t end = at;
        struct number number;

        if (is_separator(part.text[at])) {
            ++at;
            continue;
        }
        while (end < part.length && !is_separator(part.text[end]))
            ++end;
        /* A sign may stand apart from its digits. */
        if (end == at + 1 && (part.text[at] == '-' || part.text[at] == '+')) {
            while (end < part.length && part.text[end] == ' ')
                ++end;
            while (end < part.length && !is_separator(part.text[end]))
                ++end;
        }
        if (number_read(part.text + at, end - at, NUMBER_POINT, &number) && number.used == end - at)
            add(c, number.value);
        else
            add_unknown(c); /* '1.5.2' is not 1.5 and not two samples */
        at = end;
    }
}

bool capture_line(struct capture *c, const char *line, size_t length,
                  const struct driver_sink *sink, enum driver_heard *heard)
{
    double number;

    *heard = DRIVER_HEARD;
    if (c->state == IDLE || !c->sent)
        return false;
    if (c->refused && pattern_match(c->refused, line, length)) {
        char text[160];

        snprintf(text, sizeof text, "the instrument says: %.*s", (int)(length < 120 ? length : 120),
                 line);
        sink->capture_failed(sink->to, text);
        capture_reset(c);
        *heard = DRIVER_ANSWER;
        return true;
    }
    if (c->state == ASKED && c->begin) {
        if (!pattern_match(c->begin, line, length))
            return false;
        if (is_rate_strange(c->begin)) {
            *heard = give_up(c,
                             "the rate of the block is not understood (a number of samples a "
                             "second is)",
                             line, length, sink);
            return true;
        }
        /* The board says what it really does; it may not reach what was asked for. */
        if (part_number(c->begin, "rate", &number) && number > 0.0)
            c->rate = number;
        if (part_number(c->begin, "samples", &number) && number >= 1.0 &&
            number <= (double)c->wanted)
            c->wanted = (size_t)number;
        if (!c->binary || c->bare)
            c->state = BLOCK;
        if (c->bare) {
            c->left = c->wanted * word_size(c->word);
            c->unplaced = true;
        }
        return true;
    }
    if (c->binary)
        return false;
    if (pattern_match(c->samples, line, length)) {
        if (pattern_cuts_number(c->samples, pattern_group(c->samples, "values"), NUMBER_POINT)) {
            *heard = give_up(c, "capture_sample takes a part of a number", line, length, sink);
            return true;
        }
        c->state = BLOCK;
        take_samples(c);
        return true;
    }
    if (pattern_match(c->end, line, length)) {
        if (part_number(c->end, "samples", &number) && number <= (double)c->wanted &&
            number >= (double)c->count)
            c->wanted = (size_t)number;
        finish(c, sink);
        *heard = DRIVER_ANSWER;
        return true;
    }
    return false;
}

void capture_expire(struct capture *c, const struct driver_sink *sink)
{
    char text[160];

    if (c->state == IDLE || !c->sent)
        return;
    snprintf(text, sizeof text, "the block did not come to its end in time: %zu of %zu samples",
             c->count, c->wanted);
    sink->capture_failed(sink->to, text);
    capture_reset(c);
}
