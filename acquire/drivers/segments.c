/* segments: handheld meters that send which segments of their display are lit.
 *
 * A frame has 14 bytes. The high half of each is its place, 1 to 14, so that a reader finds the
 * beginning anywhere in the stream; the low half is four segments or marks of the display:
 *   place 1        marks (alternating, direct, automatic range)
 *   places 2 to 9  four digits of two places each; the highest bit of the first of the two is the
 *                  minus sign (first digit) or the point in front of the digit
 *   places 10-14   marks (prefix, unit, hold, battery ...)
 * Where the marks are is common practice, no source; a meter that differs has `flag =` lines in the
 * bench file. There is no checksum: a display that makes no sense is left out.
 *
 * The dial decides what a frame means: it goes to the channels whose quantity it shows. */
#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "acquire/driver.h"

#define FRAME    14
#define DIGITS   4
#define LETTER_L 0x68 /* segments d, e, f */

enum mark {
    MARK_AC,
    MARK_DC,
    MARK_MINUS,
    MARK_POINT2,
    MARK_POINT3,
    MARK_POINT4,
    MARK_NANO,
    MARK_MICRO,
    MARK_MILLI,
    MARK_KILO,
    MARK_MEGA,
    MARK_DIODE,
    MARK_CONTINUITY,
    MARK_PERCENT,
    MARK_FARAD,
    MARK_OHM,
    MARK_AMPERE,
    MARK_VOLT,
    MARK_HERTZ,
    MARK_CELSIUS,
    MARK_FAHRENHEIT,
    MARK_RELATIVE,
    MARK_HOLD,
    MARK_LOW_BATTERY,
    MARKS
};

/* Place (1 to 14) and bit (0 to 3) of each; place 0: the display has none. */
struct position {
    unsigned char place, bit;
};

static const struct {
    const char *name;
    struct position standard;
} marks[MARKS] = {
    {"ac", {1, 3}},          {"dc", {1, 2}},        {"minus", {2, 3}},  {"point2", {4, 3}},
    {"point3", {6, 3}},      {"point4", {8, 3}},    {"nano", {10, 2}},  {"micro", {10, 3}},
    {"milli", {11, 3}},      {"kilo", {10, 1}},     {"mega", {11, 1}},  {"diode", {10, 0}},
    {"continuity", {11, 0}}, {"percent", {11, 2}},  {"farad", {12, 3}}, {"ohm", {12, 2}},
    {"ampere", {13, 3}},     {"volt", {13, 2}},     {"hertz", {13, 1}}, {"celsius", {0, 0}},
    {"fahrenheit", {0, 0}},  {"relative", {12, 1}}, {"hold", {12, 0}},  {"low_battery", {13, 0}},
};

/* The marks that say what is measured, with the quantity of db/quantity and its unit. */
static const struct {
    enum mark mark;
    const char *quantity;
    const char *unit;
} measured[] = {
    {MARK_VOLT, "voltage", "V"},           {MARK_AMPERE, "current", "A"},
    {MARK_OHM, "resistance", "ohm"},       {MARK_FARAD, "capacitance", "F"},
    {MARK_HERTZ, "frequency", "Hz"},       {MARK_PERCENT, "ratio", "%"},
    {MARK_CELSIUS, "temperature", "degC"}, {MARK_FAHRENHEIT, "temperature", "degF"},
};

static const struct {
    enum mark mark;
    const char *text;
} prefixes[] = {
    {MARK_NANO, "n"}, {MARK_MICRO, "u"}, {MARK_MILLI, "m"}, {MARK_KILO, "k"}, {MARK_MEGA, "M"},
};

struct segments {
    const struct benchfile_instrument *instrument;
    struct position at[MARKS];
    long counts;
    char unclaimed[48]; /* what no channel took the last time; said once */
};

/* What a display shows. */
struct display {
    bool overload;
    bool blank;
    double number; /* in unit; NaN with overload */
    double digit;
    const char *quantity;
    char unit[DRIVER_UNIT_MAX];
    bool ac, diode;
    uint32_t flags;
};

static const struct section_key instrument_keys[] = {
    {.name = "flag", .kind = SECTION_LIST},
    {.name = "counts", .kind = SECTION_INTEGER, .min = 1000, .max = 10000},
    {.name = NULL},
};

static const struct section_key channel_keys[] = {
    {.name = "coupling", .kind = SECTION_CHOICE, .standard = "dc", .choices = "dc ac either"},
    {.name = "diode", .kind = SECTION_SWITCH, .standard = "no"},
    {.name = NULL},
};

/* ---- making and freeing ---- */

static void segments_destroy(void *state)
{
    free(state);
}

/* "NAME: PLACE.BIT", or "NAME: none". */
static enum status_code take_flag(struct segments *s, const char *item, struct status *st)
{
    const struct section *values = s->instrument->values;
    const char *colon = strchr(item, ':');
    size_t length = colon ? (size_t)(colon - item) : 0;
    const char *where = colon ? colon + 1 + strspn(colon + 1, " ") : "";
    struct position *at = NULL;
    unsigned place, bit;
    int used = 0;

    while (length > 0 && item[length - 1] == ' ')
        --length;
    for (size_t i = 0; i < MARKS; ++i)
        if (strlen(marks[i].name) == length && strncmp(marks[i].name, item, length) == 0)
            at = &s->at[i];
    if (!at)
        return section_fail(values, "flag", st,
                            "'%.40s' must begin with the name of a mark and a colon, such as "
                            "'hold: 12.0'",
                            item);
    if (strcmp(where, "none") == 0) {
        *at = (struct position){0, 0};
        return status_ok(st);
    }
    if (sscanf(where, "%2u.%1u%n", &place, &bit, &used) != 2 || where[used] != '\0' || place < 1 ||
        place > FRAME || bit > 3)
        return section_fail(values, "flag", st,
                            "'%.40s' must give a place from 1 to 14, a point and a bit from 0 to "
                            "3, or 'none'",
                            item);
    *at = (struct position){(unsigned char)place, (unsigned char)bit};
    return status_ok(st);
}

static enum status_code segments_create(const struct benchfile_instrument *instrument, void **state,
                                        struct status *st)
{
    struct segments *s = calloc(1, sizeof *s);
    enum status_code code = STATUS_OK;
    const char *item;

    *state = NULL;
    if (!s)
        return status_fail(st, STATUS_MEMORY, "no memory");
    s->instrument = instrument;
    s->counts = section_integer(instrument->values, "counts");
    for (size_t i = 0; i < MARKS; ++i)
        s->at[i] = marks[i].standard;
    for (size_t i = 0; (item = section_item(instrument->values, "flag", i, NULL)); ++i)
        if (take_flag(s, item, st) != STATUS_OK)
            code = STATUS_INPUT;
    for (size_t i = 0; i < instrument->channels; ++i) {
        const struct benchfile_channel *channel = &instrument->channel[i];
        bool shown = false;

        /* A shunt makes volts into amperes: the dial then stands on volts. */
        for (size_t k = 0; k < sizeof measured / sizeof measured[0]; ++k)
            shown = shown || strcmp(channel->quantity, measured[k].quantity) == 0;
        if (!shown && *channel->quantity)
            code = section_fail(channel->values, "quantity", st,
                                "a display of this kind shows no %s; it shows voltage, current, "
                                "resistance, capacitance, frequency, ratio or temperature",
                                channel->quantity);
    }
    if (code != STATUS_OK) {
        free(s);
        return code;
    }
    *state = s;
    return status_ok(st);
}

static void segments_opened(void *state, int64_t mono)
{
    struct segments *s = state;

    (void)mono;
    s->unclaimed[0] = '\0';
}

static enum driver_next segments_next(void *state, int64_t mono, struct driver_request *request,
                                      int64_t *when)
{
    (void)state;
    (void)mono;
    (void)request;
    (void)when;
    return DRIVER_LISTEN;
}

/* ---- framing ---- */

static struct driver_frame segments_frame(const void *state, const unsigned char *bytes,
                                          size_t length, int64_t quiet)
{
    struct driver_frame frame = {0};
    size_t from = 0;

    (void)state;
    (void)quiet;
    for (size_t i = 0; i < length; ++i) {
        unsigned place = bytes[i] >> 4;

        if (place != i - from + 1)
            from = place == 1 ? i : i + 1; /* a byte is missing, or this is another's end */
        if (i + 1 - from == FRAME) {
            frame.length = FRAME;
            break;
        }
    }
    frame.skip = from;
    frame.junk = from > 0;
    return frame;
}

/* ---- decoding ---- */

static bool is_lit(const struct segments *s, const unsigned char *bytes, enum mark mark)
{
    struct position at = s->at[mark];

    return at.place > 0 && (bytes[at.place - 1] >> at.bit & 1);
}

/* Seven segments, a on top, b to f clockwise, g in the middle, are the bits a 0x10, b 0x01, c 0x04,
 * d 0x08, e 0x40, f 0x20, g 0x02. Makers draw 6, 7 and 9 in two ways. */
static int digit_of(unsigned lit)
{
    static const struct {
        unsigned char lit, digit;
    } shapes[] = {{0x7d, 0}, {0x05, 1}, {0x5b, 2}, {0x1f, 3}, {0x27, 4}, {0x3e, 5}, {0x7e, 6},
                  {0x6e, 6}, {0x15, 7}, {0x35, 7}, {0x7f, 8}, {0x3f, 9}, {0x37, 9}};

    for (size_t i = 0; i < sizeof shapes / sizeof shapes[0]; ++i)
        if (shapes[i].lit == lit)
            return shapes[i].digit;
    return -1;
}

/* The digits; false when they are no number and no overload. */
static bool read_digits(const struct segments *s, const unsigned char *bytes,
                        struct display *display)
{
    static const enum mark points[] = {MARK_POINT2, MARK_POINT3, MARK_POINT4};
    long number = 0;
    int digits = 0;
    int point = 0; /* digits behind it */
    int letters = 0;
    int dark = 0;

    for (int i = 0; i < 3; ++i)
        if (is_lit(s, bytes, points[i])) {
            if (point > 0)
                return false; /* two points */
            point = 3 - i;
        }
    for (int i = 0; i < DIGITS; ++i) {
        unsigned lit = (bytes[1 + 2 * i] & 0x07u) << 4 | (bytes[2 + 2 * i] & 0x0fu);
        int digit = digit_of(lit);

        if (lit == 0) {
            ++dark;
            if (digits > 0 && letters == 0)
                return false; /* dark behind a digit */
        } else if (lit == LETTER_L) {
            ++letters;
        } else if (digit < 0) {
            return false;
        } else {
            number = 10 * number + digit;
            ++digits;
        }
    }
    display->blank = dark == DIGITS;
    if (letters > 0) {
        display->overload = true; /* L, 0L, .0L: more than the range */
        return letters == 1 && number == 0;
    }
    if (digits == 0)
        return display->blank;
    display->digit = pow(10.0, -point);
    /* Divided, not multiplied: the nearest double to what the display shows. */
    display->number = (double)number / pow(10.0, point);
    if (is_lit(s, bytes, MARK_MINUS))
        display->number = -display->number;
    return true;
}

/* What the marks say is measured; false when they contradict each other or say nothing. */
static bool read_marks(const struct segments *s, const unsigned char *bytes,
                       struct display *display)
{
    const char *prefix = "";
    const char *unit = NULL;
    int prefixed = 0;
    int units = 0;

    for (size_t i = 0; i < sizeof prefixes / sizeof prefixes[0]; ++i)
        if (is_lit(s, bytes, prefixes[i].mark)) {
            prefix = prefixes[i].text;
            ++prefixed;
        }
    for (size_t i = 0; i < sizeof measured / sizeof measured[0]; ++i)
        if (is_lit(s, bytes, measured[i].mark)) {
            unit = measured[i].unit;
            display->quantity = measured[i].quantity;
            ++units;
        }
    if (prefixed > 1 || units != 1 || (prefixed == 1 && !isalpha((unsigned char)*unit)) ||
        (prefixed == 1 && strcmp(display->quantity, "temperature") == 0))
        return false;
    snprintf(display->unit, sizeof display->unit, "%s%s", prefix, unit);
    display->ac = is_lit(s, bytes, MARK_AC);
    display->diode = is_lit(s, bytes, MARK_DIODE);
    if (is_lit(s, bytes, MARK_HOLD))
        display->flags |= STORE_FLAG_HOLD;
    if (is_lit(s, bytes, MARK_LOW_BATTERY))
        display->flags |= STORE_FLAG_LOW_BATTERY;
    if (is_lit(s, bytes, MARK_RELATIVE))
        display->flags |= STORE_FLAG_RELATIVE;
    if (display->ac)
        display->flags |= STORE_FLAG_AC;
    if (display->overload)
        display->flags |= STORE_FLAG_OVERLOAD;
    return true;
}

/* Whether the channel takes what is shown. */
static bool takes(const struct benchfile_channel *channel, const struct display *display)
{
    const char *coupling = section_text(channel->values, "coupling");
    const char *quantity = channel->quantity;
    bool coupled =
        strcmp(display->quantity, "voltage") == 0 || strcmp(display->quantity, "current") == 0;

    if (!isnan(channel->calibration.shunt))
        quantity = "voltage";
    if (strcmp(quantity, display->quantity) != 0 ||
        section_switch(channel->values, "diode") != display->diode)
        return false;
    return !coupled || strcmp(coupling, "either") == 0 ||
           (strcmp(coupling, "ac") == 0) == display->ac;
}

static void note_unclaimed(struct segments *s, const struct display *display,
                           const struct driver_sink *sink)
{
    char what[sizeof s->unclaimed];
    char text[160];

    snprintf(what, sizeof what, "%s%s%s", display->ac ? "alternating " : "", display->quantity,
             display->diode ? " of a diode" : "");
    if (strcmp(what, s->unclaimed) == 0)
        return;
    memcpy(s->unclaimed, what, sizeof what);
    snprintf(text, sizeof text, "the dial shows %s; no channel of the bench file takes it", what);
    sink->event(sink->to, DRIVER_INFO, "dial", text);
}

static enum driver_heard segments_message(void *state, const unsigned char *bytes, size_t length,
                                          const struct driver_time *time,
                                          const struct driver_sink *sink)
{
    struct segments *s = state;
    struct display display = {.number = NAN, .digit = NAN};
    bool taken = false;

    (void)time;
    if (length != FRAME)
        return DRIVER_GARBAGE;
    if (!read_digits(s, bytes, &display))
        return DRIVER_GARBAGE;
    if (display.blank)
        return DRIVER_IGNORED; /* between two ranges, or blinking */
    if (!read_marks(s, bytes, &display))
        return DRIVER_GARBAGE;
    for (size_t i = 0; i < s->instrument->channels; ++i) {
        struct driver_reading reading = {.channel = i,
                                         .number = display.number,
                                         .digit = display.digit,
                                         .range = (double)s->counts * display.digit,
                                         .flags = display.flags};

        if (!takes(&s->instrument->channel[i], &display))
            continue;
        if (s->counts == 0)
            reading.range = NAN;
        memcpy(reading.unit, display.unit, sizeof reading.unit);
        sink->reading(sink->to, &reading);
        taken = true;
    }
    if (taken)
        s->unclaimed[0] = '\0';
    else
        note_unclaimed(s, &display, sink);
    return DRIVER_HEARD;
}

static const char *const guesses[] = {
    "[instrument probe]\n"
    "driver = segments\n"
    "port = {port}\n"
    "[channel probe.voltage]\n"
    "quantity = voltage\n"
    "[channel probe.current]\n"
    "quantity = current\n"
    "[channel probe.resistance]\n"
    "quantity = resistance\n",
    NULL,
};

const struct driver driver_segments = {
    .name = "segments",
    .about = "handheld meters that send the 14 bytes of their display's segments",
    .instrument_keys = instrument_keys,
    .channel_keys = channel_keys,
    .create = segments_create,
    .destroy = segments_destroy,
    .opened = segments_opened,
    .next = segments_next,
    .frame = segments_frame,
    .message = segments_message,
    .expired = NULL,
    .command = NULL,
    .guesses = guesses,
};
