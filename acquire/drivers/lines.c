/* lines: instruments that send lines of text: a microcontroller, a panel meter, a scale.
 *
 * A line is understood by the first of the bench file's patterns that matches it (a group of the
 * pattern bears the name of a channel), or by its columns. What belongs to a line is decided by
 * its checksum, when it has one; a line with a wrong sum is thrown away and the next reading says
 * that something was lost before it.
 * Blocks of samples are the business of acquire/capture. */
#include <ctype.h>
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "acquire/capture.h"
#include "acquire/checksum.h"
#include "acquire/driver.h"
#include "acquire/number.h"
#include "acquire/pattern.h"

#define PATTERNS_MAX 16
#define COLUMNS_MAX  256
#define QUIET_END                                                                                  \
    50000 /* us without a byte that end a message of an instrument without line ends */

/* One of the bench file's patterns, with the numbers of its groups. */
struct line_pattern {
    struct pattern *pattern;
    int value[BENCHFILE_CHANNELS_MAX]; /* -1: the pattern has no such group */
    int unit[BENCHFILE_CHANNELS_MAX];
    int ounces[BENCHFILE_CHANNELS_MAX]; /* added to pounds */
    int stable, unstable, sequence, hold, low_battery;
};

enum sum_form { SUM_HEX, SUM_DECIMAL, SUM_RAW, SUM_RAW_LOW };

struct lines {
    const struct benchfile_instrument *instrument;
    size_t patterns;
    struct line_pattern pattern[PATTERNS_MAX];
    struct pattern *ignore[PATTERNS_MAX];
    size_t ignores;
    struct pattern *overload;
    struct pattern *identity;
    long column[BENCHFILE_CHANNELS_MAX]; /* from 1; 0: by pattern */
    bool columns;
    size_t column_count, other_count; /* columns of the lines so far; of one that had others */
    char separator;
    enum number_decimal decimal;
    const char *terminator; /* NULL: any line end; "" : quiet */
    size_t terminator_length;
    enum checksum_kind checksum;
    char checksum_mark;
    char checksum_start;   /* 0: the line's first byte */
    bool checksum_no_mark; /* the sum is what the line ends with */
    bool sums_start, sums_mark;
    enum sum_form checksum_form;
    uint64_t sequence_modulo; /* 0: no wrap known */

    bool asked_identity;
    bool identified;
    bool polled;    /* the request that waits for an answer is the poll */
    size_t request; /* number of the next one of the cycle */
    int64_t next_poll;
    const char *send; /* a named command, waiting to be sent */
    size_t send_length;
    bool heard; /* a line was understood since the port was opened */
    bool lost;  /* something was lost since the last reading */
    bool has_sequence;
    uint64_t last_sequence;
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

    for (size_t i = 0; i < l->patterns; ++i)
        pattern_free(l->pattern[i].pattern);
    for (size_t i = 0; i < l->ignores; ++i)
        pattern_free(l->ignore[i]);
    pattern_free(l->overload);
    pattern_free(l->identity);
    capture_free(l->capture);
    free(l);
}

static enum status_code make_pattern(const struct section *values, const char *key,
                                     struct pattern **pattern, struct status *st)
{
    const char *text = section_text(values, key);
    struct status why;

    *pattern = NULL;
    if (!text)
        return status_ok(st);
    if (pattern_new(text, pattern, &why) != STATUS_OK)
        return section_fail(values, key, st, "%s", why.text);
    return status_ok(st);
}

/* Which groups of the pattern are which channels. */
static void find_groups(const struct lines *l, struct line_pattern *p)
{
    for (size_t i = 0; i < l->instrument->channels; ++i) {
        const struct benchfile_channel *channel = &l->instrument->channel[i];
        const char *field = section_text(channel->values, "field");
        const char *unit = section_text(channel->values, "unit_field");
        char name[64];

        p->value[i] = pattern_group(p->pattern, field ? field : channel->name);
        if (unit) {
            p->unit[i] = pattern_group(p->pattern, unit);
        } else {
            snprintf(name, sizeof name, "%.40s_unit", field ? field : channel->name);
            p->unit[i] = pattern_group(p->pattern, name);
            if (p->unit[i] < 0)
                p->unit[i] = pattern_group(p->pattern, "unit");
        }
        snprintf(name, sizeof name, "%.40s_oz", field ? field : channel->name);
        p->ounces[i] = pattern_group(p->pattern, name);
    }
    p->stable = pattern_group(p->pattern, "stable");
    p->unstable = pattern_group(p->pattern, "unstable");
    p->sequence = pattern_group(p->pattern, "sequence");
    p->hold = pattern_group(p->pattern, "hold");
    p->low_battery = pattern_group(p->pattern, "low_battery");
}

static enum status_code make_patterns(struct lines *l, struct status *st)
{
    const struct section *values = l->instrument->values;
    enum status_code code = STATUS_OK;
    const char *text;
    struct status why;

    for (size_t i = 0; (text = section_item(values, "pattern", i, NULL)); ++i) {
        struct line_pattern *p = &l->pattern[l->patterns];

        if (l->patterns == PATTERNS_MAX)
            return section_fail(values, "pattern", st, "more than %d patterns", PATTERNS_MAX);
        if (pattern_new(text, &p->pattern, &why) != STATUS_OK) {
            code = section_fail(values, "pattern", st, "%s", why.text);
            continue;
        }
        ++l->patterns;
        find_groups(l, p);
    }
    for (size_t i = 0; (text = section_item(values, "ignore_pattern", i, NULL)); ++i) {
        if (l->ignores == PATTERNS_MAX)
            return section_fail(values, "ignore_pattern", st, "more than %d patterns",
                                PATTERNS_MAX);
        if (pattern_new(text, &l->ignore[l->ignores], &why) == STATUS_OK)
            ++l->ignores;
        else
            code = section_fail(values, "ignore_pattern", st, "%s", why.text);
    }
    if (make_pattern(values, "overload_pattern", &l->overload, st) != STATUS_OK)
        code = STATUS_INPUT;
    if (make_pattern(values, "identity_pattern", &l->identity, st) != STATUS_OK)
        code = STATUS_INPUT;
    return code;
}

/* Every channel must come from somewhere: a group of a pattern, or a column. */
static enum status_code check_channels(struct lines *l, struct status *st)
{
    enum status_code code = STATUS_OK;

    for (size_t i = 0; i < l->instrument->channels; ++i) {
        const struct benchfile_channel *channel = &l->instrument->channel[i];
        const char *field = section_text(channel->values, "field");
        bool found = false;

        l->column[i] = section_integer(channel->values, "column");
        if (l->column[i] > 0) {
            l->columns = true;
            continue;
        }
        for (size_t k = 0; k < l->patterns; ++k)
            found = found || l->pattern[k].value[i] > 0;
        if (!found && !channel->asked_only)
            code = section_fail(channel->values, field ? "field" : "column", st,
                                "no pattern of [instrument %s] has a group (?<%s>...), and the "
                                "channel has no column",
                                l->instrument->name, field ? field : channel->name);
    }
    return code;
}

/* The single byte of key, or an error; 0 when the key is absent. Some have names, because a file
 * cannot show them: a semicolon after a space begins a comment. */
static enum status_code one_byte(const struct section *values, const char *key, char *byte,
                                 struct status *st)
{
    static const struct {
        const char *name;
        char byte;
    } named[] = {{"comma", ','}, {"semicolon", ';'}, {"tab", '\t'}, {"space", ' '}};
    size_t length = 0;
    const char *bytes = section_bytes(values, key, &length);

    *byte = bytes ? bytes[0] : '\0';
    for (size_t i = 0; bytes && i < sizeof named / sizeof named[0]; ++i)
        if (strcmp(bytes, named[i].name) == 0) {
            *byte = named[i].byte;
            return status_ok(st);
        }
    if (bytes && length != 1)
        return section_fail(values, key, st,
                            "must be one character, or comma, semicolon, tab or space");
    return status_ok(st);
}

/* How many bytes or digits the sum has. */
static size_t sum_size(const struct lines *l)
{
    unsigned bits = checksum_bits(l->checksum);

    if (l->checksum_form == SUM_HEX)
        return bits / 4;
    return l->checksum_form == SUM_DECIMAL ? (bits > 8 ? 5 : 3) : bits / 8;
}

static bool is_raw_sum(const struct lines *l)
{
    return l->checksum != CHECKSUM_NONE && l->checksum_form >= SUM_RAW;
}

static enum status_code make_checksum(struct lines *l, struct status *st)
{
    static const char *const forms[] = {"hex", "decimal", "raw", "raw-low-first"};
    const struct section *values = l->instrument->values;
    const char *form = section_text(values, "checksum_form");
    const char *marks = section_text(values, "checksum_marks");
    enum status_code code = STATUS_OK;

    l->checksum = checksum_kind(section_text(values, "checksum"));
    for (size_t i = 0; i < sizeof forms / sizeof forms[0]; ++i)
        if (strcmp(form, forms[i]) == 0)
            l->checksum_form = (enum sum_form)i;
    l->checksum_no_mark = strcmp(section_text(values, "checksum_mark"), "none") == 0;
    l->sums_start = strcmp(marks, "start") == 0 || strcmp(marks, "both") == 0;
    l->sums_mark = strcmp(marks, "end") == 0 || strcmp(marks, "both") == 0;
    if (one_byte(values, "checksum_start", &l->checksum_start, st) != STATUS_OK)
        code = STATUS_INPUT;
    if (!l->checksum_no_mark &&
        one_byte(values, "checksum_mark", &l->checksum_mark, st) != STATUS_OK)
        code = STATUS_INPUT;
    if (is_raw_sum(l) && l->checksum_no_mark && (!l->terminator || l->terminator_length == 0))
        code = section_fail(values, "checksum_form", st,
                            "a raw sum may look like a line end: give the terminator's bytes, or "
                            "the checksum_mark in front of the sum");
    return code;
}

static enum status_code lines_create(const struct benchfile_instrument *instrument, void **state,
                                     struct status *st)
{
    const struct section *values = instrument->values;
    struct lines *l = calloc(1, sizeof *l);
    const char *decimal = section_text(values, "decimal");
    enum status_code code = STATUS_OK;
    const char *terminator;

    *state = NULL;
    if (!l)
        return status_fail(st, STATUS_MEMORY, "no memory");
    l->instrument = instrument;
    l->decimal = strcmp(decimal, "point") == 0   ? NUMBER_POINT
                 : strcmp(decimal, "comma") == 0 ? NUMBER_COMMA
                                                 : NUMBER_EITHER;
    l->sequence_modulo = (uint64_t)section_integer(values, "sequence_modulo");
    terminator = section_bytes(values, "terminator", &l->terminator_length);
    if (strcmp(terminator, "any") != 0)
        l->terminator = terminator;
    if (l->terminator && strcmp(terminator, "quiet") == 0)
        l->terminator_length = 0;
    /* All of them, so that all faults are said. */
    code = one_byte(values, "separator", &l->separator, st) == STATUS_OK ? code : STATUS_INPUT;
    code = make_checksum(l, st) == STATUS_OK ? code : STATUS_INPUT;
    code = make_patterns(l, st) == STATUS_OK ? code : STATUS_INPUT;
    code = check_channels(l, st) == STATUS_OK ? code : STATUS_INPUT;
    code = capture_new(instrument, &l->capture, st) == STATUS_OK ? code : STATUS_INPUT;
    if (code != STATUS_OK) {
        lines_destroy(l);
        return code;
    }
    if (l->columns && l->decimal == NUMBER_EITHER && l->separator == ',')
        l->decimal = NUMBER_POINT; /* the comma parts the columns, so it parts no number */
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
    l->lost = false;
    l->has_sequence = false;
    l->request = 0;
    l->column_count = l->other_count = 0;
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
    if (is_raw_sum(l) && !l->checksum_no_mark) {
        /* The bytes behind the mark may be anything, a line end too. */
        const unsigned char *mark = memchr(bytes, l->checksum_mark, length);
        size_t end = mark ? (size_t)(mark - bytes) + 1 + sum_size(l) : length + 1;

        return end <= length ? end : 0;
    }
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

/* Reads the sum's digits at `at`; the bytes behind them must be spaces. */
static bool read_digits(const struct lines *l, const char *at, size_t length, unsigned long *said)
{
    size_t digits = 0;

    *said = 0;
    for (; digits < length && digits < 6; ++digits) {
        int c = tolower((unsigned char)at[digits]);

        if (isdigit(c))
            *said = *said * (l->checksum_form == SUM_DECIMAL ? 10 : 16) + (unsigned long)(c - '0');
        else if (l->checksum_form == SUM_HEX && c >= 'a' && c <= 'f')
            *said = *said * 16 + (unsigned long)(c - 'a' + 10);
        else
            break;
    }
    if (digits == 0 || (l->checksum_form == SUM_HEX && digits != sum_size(l)))
        return false;
    while (digits < length && (at[digits] == ' ' || at[digits] == '\t'))
        ++digits;
    return digits == length;
}

static bool read_raw(const struct lines *l, const char *at, size_t length, unsigned long *said)
{
    const unsigned char *b = (const unsigned char *)at;

    if (length != sum_size(l))
        return false;
    if (length == 1)
        *said = b[0];
    else if (l->checksum_form == SUM_RAW_LOW)
        *said = (unsigned long)b[1] << 8 | b[0];
    else
        *said = (unsigned long)b[0] << 8 | b[1];
    return true;
}

/* Checks and takes off the sum behind the mark, and the mark. */
static bool check_sum(const struct lines *l, const char *line, size_t *length)
{
    const char *from = line;
    const char *end; /* of the line proper */
    size_t mark = l->checksum_no_mark ? 0 : 1;
    unsigned long said = 0;

    if (l->checksum_no_mark)
        end = *length >= sum_size(l) ? line + *length - sum_size(l) : NULL;
    else if (is_raw_sum(l))
        end = memchr(line, l->checksum_mark, *length);
    else
        end = memrchr(line, l->checksum_mark, *length);
    if (!end)
        return false;
    if (is_raw_sum(l) ? !read_raw(l, end + mark, *length - (size_t)(end - line) - mark, &said)
                      : !read_digits(l, end + mark, *length - (size_t)(end - line) - mark, &said))
        return false;
    if (l->checksum_start) {
        from = memchr(line, l->checksum_start, (size_t)(end - line));
        if (!from)
            return false;
        from += l->sums_start ? 0 : 1;
    }
    *length = (size_t)(end - line);
    end += l->sums_mark ? mark : 0;
    return checksum_of(l->checksum, (const unsigned char *)from, (size_t)(end - from)) == said;
}

static bool is_overload_text(const struct lines *l, const char *text, size_t length)
{
    const char *item;
    size_t size;

    while (length > 0 && *text == ' ')
        ++text, --length;
    while (length > 0 && text[length - 1] == ' ')
        --length;
    for (size_t i = 0; (item = section_item(l->instrument->values, "overload_text", i, &size)); ++i)
        if (size == length && memcmp(item, text, size) == 0)
            return true;
    return false;
}

static uint32_t kind_flag(const struct benchfile_channel *channel)
{
    const char *kind = section_text(channel->values, "kind");

    if (strcmp(kind, "minimum") == 0)
        return STORE_FLAG_MIN;
    return strcmp(kind, "maximum") == 0 ? STORE_FLAG_MAX : 0;
}

/* Reads a field: its number, and where that ends. False when it is no number, or two. */
static bool read_field(const struct lines *l, const struct benchfile_channel *c, const char *text,
                       size_t length, bool has_unit, struct number *number)
{
    const char *form = section_text(c->values, "form");
    size_t rest;

    if (strcmp(form, "decimal") != 0)
        return number_read_hex(text, length, strcmp(form, "signed-hex") == 0, number) &&
               number->used == length;
    if (!number_read(text, length, l->decimal, number))
        return false;
    rest = number->used;
    while (rest < length && (text[rest] == ' ' || text[rest] == '\t'))
        ++rest;
    /* '1,234.5' is not 1.234: thousands are parted here, or a point was lost. */
    return rest == length ||
           (!has_unit && !isdigit((unsigned char)text[rest]) && !strchr(".,", text[rest]));
}

/* What belongs to one channel's field. Parts without text are absent. */
struct field {
    struct pattern_part value, unit, ounces;
};

/* One channel's text into a reading. The text may end with a unit. */
static void give_field(struct lines *l, size_t channel, const struct field *field, uint32_t flags,
                       const struct driver_sink *sink)
{
    const struct benchfile_channel *c = &l->instrument->channel[channel];
    const char *text = field->value.text;
    size_t length = field->value.length;
    struct driver_reading reading = {
        .channel = channel, .number = NAN, .digit = NAN, .range = NAN, .flags = flags};
    struct number number, ounces;
    bool good;

    reading.flags |= kind_flag(c);
    if (field->unit.text)
        driver_set_unit(reading.unit, field->unit.text, field->unit.length);
    good = read_field(l, c, text, length, field->unit.text != NULL, &number);
    if (good && field->ounces.text) {
        good = read_field(l, c, field->ounces.text, field->ounces.length, true, &ounces) &&
               ounces.value >= 0.0 && number.used == length;
        if (good) {
            number.value += copysign(ounces.value / 16.0, number.value); /* -0 lb 3 oz is below 0 */
            number.digit = ounces.digit / 16.0;
            driver_set_unit(reading.unit, "lb", 2);
        }
    }
    if (is_overload_text(l, text, length) || number_word(text, length) == NUMBER_WORD_OVERLOAD) {
        reading.flags |= STORE_FLAG_OVERLOAD;
    } else if (good) {
        reading.number = number.value;
        reading.digit = number.digit;
        if (!reading.unit[0])
            driver_set_unit(reading.unit, text + number.used, length - number.used);
        if (number.value >= section_number(c->values, "overload_from") ||
            number.value <= section_number(c->values, "underload_from")) {
            reading.number = NAN;
            reading.flags |= STORE_FLAG_OVERLOAD;
        }
    } else if (number_word(text, length) == NUMBER_WORD_INVALID) {
        reading.flags |= STORE_FLAG_SUSPECT;
    } else {
        char event[160];

        snprintf(event, sizeof event, "%s: '%.*s' is no number; the reading has no value", c->name,
                 (int)(length < 60 ? length : 60), text);
        sink->event(sink->to, DRIVER_WARNING, "number", event);
        reading.flags |= STORE_FLAG_SUSPECT;
    }
    if (driver_is_unit_text(c, reading.unit))
        reading.unit[0] = '\0';
    sink->reading(sink->to, &reading);
}

/* Lines lost by the count that the instrument keeps. */
static uint32_t check_sequence(struct lines *l, struct pattern_part part,
                               const struct driver_sink *sink)
{
    uint64_t now = 0;
    uint64_t lost;
    char text[160];

    if (!part.text || part.length == 0 || part.length > 18)
        return 0;
    for (size_t i = 0; i < part.length; ++i) {
        if (!isdigit((unsigned char)part.text[i]))
            return 0;
        now = now * 10 + (uint64_t)(part.text[i] - '0');
    }
    if (!l->has_sequence) {
        l->has_sequence = true;
        l->last_sequence = now;
        return 0;
    }
    if (l->sequence_modulo > 0)
        lost = (now + l->sequence_modulo - l->last_sequence % l->sequence_modulo - 1) %
               l->sequence_modulo;
    else if (now > l->last_sequence)
        lost = now - l->last_sequence - 1;
    else {
        snprintf(text, sizeof text,
                 "the line count went from %" PRIu64 " to %" PRIu64
                 ": the instrument started again",
                 l->last_sequence, now);
        l->last_sequence = now;
        sink->event(sink->to, DRIVER_WARNING, "restart", text);
        return STORE_FLAG_LOST;
    }
    l->last_sequence = now;
    if (lost == 0)
        return 0;
    snprintf(text, sizeof text, "%" PRIu64 " lines were lost before line %" PRIu64, lost, now);
    sink->event(sink->to, DRIVER_WARNING, "lost", text);
    return STORE_FLAG_LOST;
}

static bool takes_part(const struct line_pattern *p, int group)
{
    struct pattern_part part = pattern_part(p->pattern, group);

    return part.text && part.length > 0;
}

static bool give_pattern(struct lines *l, const struct line_pattern *p,
                         const struct driver_sink *sink)
{
    uint32_t flags = l->lost ? STORE_FLAG_LOST : 0;

    if (p->unstable > 0 && takes_part(p, p->unstable))
        flags |= STORE_FLAG_UNSTABLE;
    if (p->stable > 0 && !takes_part(p, p->stable))
        flags |= STORE_FLAG_UNSTABLE;
    if (p->hold > 0 && takes_part(p, p->hold))
        flags |= STORE_FLAG_HOLD;
    if (p->low_battery > 0 && takes_part(p, p->low_battery))
        flags |= STORE_FLAG_LOW_BATTERY;
    if (p->sequence > 0)
        flags |= check_sequence(l, pattern_part(p->pattern, p->sequence), sink);
    l->lost = false;
    for (size_t i = 0; i < l->instrument->channels; ++i) {
        struct field field = {.value = pattern_part(p->pattern, p->value[i]),
                              .unit = pattern_part(p->pattern, p->unit[i]),
                              .ounces = pattern_part(p->pattern, p->ounces[i])};

        if (p->value[i] > 0 && field.value.text)
            give_field(l, i, &field, flags, sink);
    }
    return true;
}

static size_t split(const struct lines *l, const char *line, size_t length,
                    struct pattern_part column[COLUMNS_MAX])
{
    size_t count = 0;
    size_t from = 0;

    for (size_t i = 0; i <= length && count < COLUMNS_MAX; ++i) {
        bool space = l->separator == ' ' && i < length && line[i] == '\t';

        if (i < length && line[i] != l->separator && !space)
            continue;
        if (l->separator != ' ' || i > from) /* several spaces are one */
            column[count++] = (struct pattern_part){line + from, i - from};
        from = i + 1;
    }
    return count;
}

/* A lost separator moves all columns behind it: a line must have as many as the one before. Two in
 * a row are a change of form. The first line counts when all of it is good. */
static bool is_usual_count(struct lines *l, size_t count, bool all)
{
    bool usual =
        (l->column_count == 0 && all) || count == l->column_count || count == l->other_count;

    l->other_count = usual ? 0 : count;
    if (usual)
        l->column_count = count;
    return usual;
}

static bool is_blank(struct pattern_part part)
{
    while (part.length > 0 && isspace((unsigned char)*part.text))
        ++part.text, --part.length;
    return part.length == 0;
}

/* Splits at the separator; false when a channel's column is missing or none holds a number, so that
 * a banner or half a line is not taken for readings. */
static bool give_columns(struct lines *l, const char *line, size_t length,
                         const struct driver_sink *sink)
{
    struct pattern_part column[COLUMNS_MAX];
    size_t count = split(l, line, length, column);
    uint32_t flags = l->lost ? STORE_FLAG_LOST : 0;
    bool any = false;
    bool all = true;

    for (size_t i = 0; i < l->instrument->channels; ++i) {
        const struct pattern_part *part;
        struct number number;

        if (l->column[i] == 0)
            continue;
        if ((size_t)l->column[i] > count)
            return false;
        part = &column[l->column[i] - 1];
        if (is_overload_text(l, part->text, part->length) ||
            number_word(part->text, part->length) == NUMBER_WORD_OVERLOAD ||
            read_field(l, &l->instrument->channel[i], part->text, part->length, false, &number))
            any = true;
        else
            all = false;
    }
    if (!any || !is_usual_count(l, count, all))
        return false;
    l->lost = false;
    for (size_t i = 0; i < l->instrument->channels; ++i) {
        struct field field = {.unit = {NULL, 0}};

        if (l->column[i] == 0)
            continue;
        field.value = column[l->column[i] - 1];
        if (!is_blank(field.value)) /* nothing new there */
            give_field(l, i, &field, flags, sink);
    }
    return true;
}

/* An overload line: the channels whose groups it has, or all that are read always. */
static void give_overload(struct lines *l, const struct driver_sink *sink)
{
    bool named = false;

    for (int round = 0; round < 2; ++round)
        for (size_t i = 0; i < l->instrument->channels; ++i) {
            const struct benchfile_channel *channel = &l->instrument->channel[i];
            const char *field = section_text(channel->values, "field");
            int group = pattern_group(l->overload, field ? field : channel->name);

            if (round == 0) {
                named = named || group > 0;
            } else if (named ? pattern_part(l->overload, group).text != NULL
                             : !channel->asked_only) {
                struct driver_reading reading = {.channel = i,
                                                 .number = NAN,
                                                 .digit = NAN,
                                                 .range = NAN,
                                                 .flags = STORE_FLAG_OVERLOAD | kind_flag(channel)};

                sink->reading(sink->to, &reading);
            }
        }
}

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
    bool good = false;

    if (l->overload && pattern_match(l->overload, line, length)) {
        give_overload(l, sink);
        good = true;
    }
    for (size_t i = 0; !good && i < l->patterns; ++i)
        if (pattern_match(l->pattern[i].pattern, line, length))
            good = give_pattern(l, &l->pattern[i], sink);
    if (!good && l->columns)
        good = give_columns(l, line, length, sink);
    if (good) {
        l->heard = true;
        return l->polled ? DRIVER_ANSWER : DRIVER_HEARD;
    }
    for (size_t i = 0; i < l->ignores; ++i)
        if (pattern_match(l->ignore[i], line, length))
            return DRIVER_IGNORED;
    return DRIVER_GARBAGE;
}

static enum driver_heard lines_message(void *state, const unsigned char *bytes, size_t length,
                                       const struct driver_time *time,
                                       const struct driver_sink *sink)
{
    struct lines *l = state;
    const char *line = (const char *)bytes;
    enum driver_heard heard;

    (void)time;
    if (capture_bytes(l->capture, bytes, length, sink, &heard))
        return heard;
    if (l->terminator && l->terminator_length <= length && (!is_raw_sum(l) || l->checksum_no_mark))
        length -= l->terminator_length;
    while (length > 0 && !is_raw_sum(l) &&
           (line[length - 1] == '\n' || line[length - 1] == '\r' || line[length - 1] == ' ' ||
            line[length - 1] == '\t'))
        --length;
    if (length == 0)
        return DRIVER_IGNORED;
    if (l->checksum != CHECKSUM_NONE && !check_sum(l, line, &length)) {
        for (size_t i = 0; i < l->ignores; ++i)
            if (pattern_match(l->ignore[i], line, length))
                return DRIVER_IGNORED;
        if (is_identity(l, line, length, sink))
            return l->polled || !capture_is_idle(l->capture) ? DRIVER_HEARD : DRIVER_ANSWER;
        if (!l->heard)
            return DRIVER_IGNORED; /* a banner, or the tail of a line that began before us */
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
