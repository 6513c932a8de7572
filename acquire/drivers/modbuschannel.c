#include "acquire/drivers/modbuschannel.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const struct {
    const char *key;
    bool all; /* bad unless all are set; else bad when any is */
    uint32_t flag;
} words[MODBUSCHANNEL_WORDS] = {
    [MODBUSCHANNEL_UNSTABLE] = {"status_unstable", false, STORE_FLAG_UNSTABLE},
    [MODBUSCHANNEL_STABLE] = {"status_stable", true, STORE_FLAG_UNSTABLE},
    [MODBUSCHANNEL_OVERLOAD] = {"status_overload", false, STORE_FLAG_OVERLOAD},
    [MODBUSCHANNEL_INVALID] = {"status_invalid", false, STORE_FLAG_SUSPECT},
    [MODBUSCHANNEL_VALID] = {"status_valid", true, STORE_FLAG_SUSPECT},
};

/* ---- the keys ---- */

static bool is_low_first(const struct benchfile_instrument *instrument,
                         const struct benchfile_channel *channel, const char *key)
{
    const char *own = section_text(channel->values, key);

    return strcmp(own ? own : section_text(instrument->values, key), "low-first") == 0;
}

static unsigned value_width(const struct modbuschannel *own)
{
    return own->bits > 0 ? own->bits : 16 * modbusvalue_registers(own->type[MODBUSCHANNEL_VALUE]);
}

/* A mark that the type can never hold would never be found, and what it should mark would be taken
 * for a value. */
static bool can_be(const struct modbuschannel *own, bool is_bits, uint64_t bits, double number)
{
    enum modbusvalue_type type = own->type[MODBUSCHANNEL_VALUE];
    unsigned width = value_width(own);
    double least, most;

    if (type == MODBUSVALUE_BIT)
        return is_bits ? bits <= 1 : number == 0.0 || number == 1.0;
    if (is_bits)
        return width >= 64 || bits >> width == 0;
    if (!modbusvalue_is_integer(type))
        return true;
    least = modbusvalue_field(type, UINT64_C(1) << (width - 1), 0, width);
    most = modbusvalue_field(type, (UINT64_C(1) << (width - 1)) - 1, 0, width);
    if (least > 0.0) { /* not signed */
        most = 2.0 * least - 1.0;
        least = 0.0;
    }
    return number == floor(number) && number >= least && number <= most;
}

/* typed: the type is known, and with it what can be sent. */
static enum status_code check_marks(const struct modbuschannel *own, const char *key, bool typed,
                                    struct status *st)
{
    const struct section *values = own->channel->values;
    enum status_code code = STATUS_OK;
    const char *item;
    uint64_t bits = 0;
    double number = NAN;
    bool is_bits;

    for (size_t i = 0; (item = section_item(values, key, i, NULL)); ++i)
        if (!modbusvalue_mark(item, &is_bits, &bits, &number))
            code = section_fail(values, key, st,
                                "'%.40s' is neither a number nor bits such as 0x7FFF", item);
        else if (typed && !can_be(own, is_bits, bits, number))
            code = section_fail(values, key, st, "'%.40s' can never be sent as %s", item,
                                own->bits > 0 ? "so few bits"
                                              : modbusvalue_word(own->type[MODBUSCHANNEL_VALUE]));
    return code;
}

/* '3' or '0-11'. */
static enum status_code make_bits(struct modbuschannel *own, struct status *st)
{
    const struct section *values = own->channel->values;
    const char *text = section_text(values, "bits");
    enum modbusvalue_type type = own->type[MODBUSCHANNEL_VALUE];
    unsigned long first, last;
    char *end;

    if (!text)
        return STATUS_OK;
    if (!modbusvalue_is_integer(type))
        return section_fail(values, "bits", st, "bits are taken out of intN or uintN only");
    first = strtoul(text, &end, 10);
    last = first;
    if (*end == '-' && end[1] >= '0' && end[1] <= '9')
        last = strtoul(end + 1, &end, 10);
    if (text[0] < '0' || text[0] > '9' || *end != '\0' || first > last ||
        last >= 16UL * modbusvalue_registers(type))
        return section_fail(values, "bits", st,
                            "'%.40s' is neither a bit (0 the lowest) nor a row of them such as "
                            "0-11, of the %u there are",
                            text, 16 * modbusvalue_registers(type));
    own->low_bit = (unsigned)first;
    own->bits = (unsigned)(last - first + 1);
    return STATUS_OK;
}

/* The type, which must be stated and fit the table. */
static enum status_code make_type(struct modbuschannel *own, bool is_bit, struct status *st)
{
    const struct section *values = own->channel->values;
    const char *type = section_text(values, "type");
    enum modbusvalue_type *to = &own->type[MODBUSCHANNEL_VALUE];

    if (!type && !is_bit)
        return section_fail(values, "type", st,
                            "missing; the instrument's manual says whether the register holds "
                            "int16, uint16, int32, float32 or another of truewound-bench(5)");
    *to = type ? modbusvalue_type(type) : MODBUSVALUE_BIT;
    if (is_bit != (*to == MODBUSVALUE_BIT))
        return section_fail(values, "type", st, "a %s cannot hold '%s'",
                            is_bit ? "coil or discrete input" : "register", modbusvalue_word(*to));
    return STATUS_OK;
}

static enum status_code make_scaling(struct modbuschannel *own, struct status *st)
{
    const struct section *values = own->channel->values;
    const char *type = section_text(values, "scaling_type");
    const char *scaling = section_text(values, "scaling");

    own->used[MODBUSCHANNEL_SCALING] = section_given(values, "scaling_register");
    own->type[MODBUSCHANNEL_SCALING] = modbusvalue_type(type ? type : "int16");
    own->scaling = modbusvalue_scaling(scaling ? scaling : "power-of-ten");
    if (!own->used[MODBUSCHANNEL_SCALING] && (type || scaling))
        return section_fail(values, "scaling_register", st,
                            "missing; scaling and scaling_type say how to read it");
    return STATUS_OK;
}

static enum status_code make_status(struct modbuschannel *own, struct status *st)
{
    const struct section *values = own->channel->values;
    enum status_code code = STATUS_OK;
    bool any = false;

    own->used[MODBUSCHANNEL_STATUS] = section_given(values, "status_register");
    own->type[MODBUSCHANNEL_STATUS] = MODBUSVALUE_UINT16;
    for (size_t i = 0; i < MODBUSCHANNEL_WORDS; ++i) {
        const char *text = section_text(values, words[i].key);
        char *end;

        if (!text)
            continue;
        any = true;
        errno = 0;
        own->mask[i] = strtoull(text, &end, 0);
        if (errno != 0 || end == text || *end != '\0' || text[0] == '-' || own->mask[i] < 1 ||
            own->mask[i] > 0xFFFF)
            code =
                section_fail(values, words[i].key, st,
                             "'%.40s' is no mask of the 16 bits, such as 0x0004 for bit 2", text);
    }
    if (any && !own->used[MODBUSCHANNEL_STATUS])
        code = section_fail(values, "status_register", st, "missing; the masks are of its bits");
    if (!any && own->used[MODBUSCHANNEL_STATUS])
        code = section_fail(values, "status_register", st,
                            "means nothing without status_unstable, status_stable, "
                            "status_overload, status_invalid or status_valid");
    return code;
}

enum status_code modbuschannel_fill(struct modbuschannel *own,
                                    const struct benchfile_instrument *instrument,
                                    const struct benchfile_channel *channel, bool is_bit,
                                    struct status *st)
{
    enum status_code code = STATUS_OK;
    bool typed;

    own->channel = channel;
    own->used[MODBUSCHANNEL_VALUE] = true;
    own->low_word_first = is_low_first(instrument, channel, "words");
    own->low_byte_first = is_low_first(instrument, channel, "bytes");
    if (make_type(own, is_bit, st) != STATUS_OK || make_bits(own, st) != STATUS_OK)
        code = STATUS_INPUT;
    typed = code == STATUS_OK;
    if (check_marks(own, "invalid", typed, st) != STATUS_OK)
        code = STATUS_INPUT;
    if (check_marks(own, "overload", typed, st) != STATUS_OK)
        code = STATUS_INPUT;
    if (make_scaling(own, st) != STATUS_OK)
        code = STATUS_INPUT;
    if (make_status(own, st) != STATUS_OK)
        code = STATUS_INPUT;
    return code;
}

/* ---- the registers ---- */

uint64_t modbuschannel_bits(const struct modbuschannel *own, enum modbuschannel_cell cell,
                            const unsigned char *data)
{
    return modbusvalue_bits(own->type[cell], data, own->low_word_first, own->low_byte_first);
}

uint32_t modbuschannel_status(const struct modbuschannel *own, uint64_t bits)
{
    uint32_t flags = 0;

    for (size_t i = 0; i < MODBUSCHANNEL_WORDS; ++i) {
        uint64_t set = bits & own->mask[i];

        if (own->mask[i] != 0 && (words[i].all ? set != own->mask[i] : set != 0))
            flags |= words[i].flag;
    }
    return flags;
}

static bool is_marked(const struct modbuschannel *own, const char *key, uint64_t bits, double value)
{
    const char *item;
    uint64_t marked = 0;
    double number = NAN;
    bool is_bits;

    for (size_t i = 0; (item = section_item(own->channel->values, key, i, NULL)); ++i)
        if (modbusvalue_mark(item, &is_bits, &marked, &number) &&
            (is_bits ? bits == marked
                     : value == modbusvalue_rounded(own->type[MODBUSCHANNEL_VALUE], number)))
            return true;
    return false;
}

const char *modbuschannel_reading(const struct modbuschannel *own,
                                  const uint64_t bits[MODBUSCHANNEL_CELLS],
                                  struct driver_reading *reading)
{
    const struct section *values = own->channel->values;
    enum modbusvalue_type type = own->type[MODBUSCHANNEL_VALUE];
    uint64_t raw = bits[MODBUSCHANNEL_VALUE];
    const char *why = NULL;
    double number;

    if (own->bits > 0) {
        number = modbusvalue_field(type, raw, own->low_bit, own->bits);
        raw = raw >> own->low_bit & (own->bits < 64 ? (UINT64_C(1) << own->bits) - 1 : UINT64_MAX);
    } else {
        number = modbusvalue_number(type, raw);
    }
    reading->number = number;
    reading->digit = modbusvalue_is_whole(type) ? 1.0 : (double)NAN;
    if (is_marked(own, "overload", raw, number) || isinf(number) ||
        number >= section_number(values, "overload_from") ||
        number <= section_number(values, "underload_from")) {
        reading->flags |= STORE_FLAG_OVERLOAD;
    } else if (is_marked(own, "invalid", raw, number)) {
        reading->flags |= STORE_FLAG_SUSPECT;
    } else if (isnan(number)) {
        reading->flags |= STORE_FLAG_SUSPECT;
        if (modbusvalue_is_whole(type))
            why = "the registers hold no decimal digits";
    } else if (own->used[MODBUSCHANNEL_SCALING]) {
        double n =
            modbusvalue_number(own->type[MODBUSCHANNEL_SCALING], bits[MODBUSCHANNEL_SCALING]);

        reading->number = modbusvalue_scaled(own->scaling, number, n);
        reading->digit = modbusvalue_scaled(own->scaling, reading->digit, n);
        if (isnan(reading->number)) {
            reading->flags |= STORE_FLAG_SUSPECT;
            reading->digit = (double)NAN;
            why = "the scaling register holds no scale to believe";
        } else if (isinf(reading->number)) {
            reading->flags |= STORE_FLAG_OVERLOAD;
        }
    }
    reading->flags |= modbuschannel_status(own, bits[MODBUSCHANNEL_STATUS]);
    if (reading->flags & (STORE_FLAG_OVERLOAD | STORE_FLAG_SUSPECT)) {
        reading->number = (double)NAN;
        if (own->used[MODBUSCHANNEL_SCALING])
            reading->digit = (double)NAN;
    }
    return why;
}
