/* linevalue: one channel's value, from the parts of a line of text that belong to it: its number,
 * and what may stand apart from the number: unit, sign, ounces, the place of the point. */
#ifndef TRUEWOUND_LINEVALUE_H
#define TRUEWOUND_LINEVALUE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "acquire/benchfile.h"
#include "acquire/driver.h"
#include "acquire/number.h"
#include "acquire/pattern.h"

/* Parts without text are absent. */
struct linevalue {
    struct pattern_part number, unit, ounces, decimals;
    struct pattern_part beside; /* what stands behind the number and belongs to nothing */
    bool minus;                 /* the line says elsewhere that it is below zero */
    const char *why;            /* the value cannot be told from the number; NULL: it can */
};

/* True when there is nothing but white space. */
bool linevalue_is_blank(struct pattern_part part);

/* True when the bench file says that this text stands in place of a number at an overload. */
bool linevalue_is_overload(const struct benchfile_instrument *instrument, struct pattern_part part);

/* True when the part is a number of the channel's form, with a unit behind it or without. */
bool linevalue_is_number(const struct benchfile_channel *channel, enum number_decimal decimal,
                         struct pattern_part part);

/* The flag for what the channel's key `kind` says. */
uint32_t linevalue_kind(const struct benchfile_channel *channel);

/* Hands on the reading; one that has no value, though no overload and no mark says so, is an event,
 * too. */
void linevalue_give(const struct benchfile_instrument *instrument, size_t channel,
                    enum number_decimal decimal, const struct linevalue *value, uint32_t flags,
                    const struct driver_sink *sink);

#endif
