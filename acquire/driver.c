#include "acquire/driver.h"

#include <string.h>

extern const struct driver driver_lines;    /* drivers/lines.c */
extern const struct driver driver_modbus;   /* drivers/modbus.c */
extern const struct driver driver_scpi;     /* drivers/scpi.c */
extern const struct driver driver_segments; /* drivers/segments.c */

/* In the order in which --probe tries them. */
static const struct driver *const drivers[] = {
    &driver_scpi,
    &driver_segments,
    &driver_lines,
    &driver_modbus,
};

const struct driver *driver_at(size_t index)
{
    return index < sizeof drivers / sizeof drivers[0] ? drivers[index] : NULL;
}

const struct driver *driver_find(const char *name)
{
    for (size_t i = 0; driver_at(i); ++i)
        if (strcmp(drivers[i]->name, name) == 0)
            return drivers[i];
    return NULL;
}

const char *driver_flag_word(uint32_t flag)
{
    switch (flag) {
    case STORE_FLAG_OVERLOAD:
        return "overload";
    case STORE_FLAG_HOLD:
        return "hold";
    case STORE_FLAG_LOW_BATTERY:
        return "low battery";
    case STORE_FLAG_UNSTABLE:
        return "unstable";
    case STORE_FLAG_OUT_OF_SYNC:
        return "out of sync";
    case STORE_FLAG_MIN:
        return "minimum";
    case STORE_FLAG_MAX:
        return "maximum";
    case STORE_FLAG_LOST:
        return "lost before";
    case STORE_FLAG_RELATIVE:
        return "relative";
    case STORE_FLAG_AC:
        return "alternating";
    case STORE_FLAG_SUSPECT:
        return "suspect";
    default:
        return "unknown";
    }
}

const char *driver_named_command(const struct benchfile_instrument *instrument, const char *name,
                                 size_t *length)
{
    size_t named = strlen(name);
    size_t whole;
    const char *item;

    for (size_t i = 0; (item = section_item(instrument->values, "command", i, &whole)); ++i)
        if (strncmp(item, name, named) == 0 && item[named] == ':') {
            size_t from = named + 1;

            while (from < whole && item[from] == ' ')
                ++from;
            *length = whole - from;
            return item + from;
        }
    return NULL;
}

void driver_set_unit(char unit[DRIVER_UNIT_MAX], const char *text, size_t length)
{
    while (length > 0 && (*text == ' ' || *text == '\t'))
        ++text, --length;
    while (length > 0 && (text[length - 1] == ' ' || text[length - 1] == '\t'))
        --length;
    if (length >= DRIVER_UNIT_MAX)
        length = DRIVER_UNIT_MAX - 1;
    memcpy(unit, text, length);
    unit[length] = '\0';
}

bool driver_is_unit_text(const struct benchfile_channel *channel, const char *unit)
{
    const char *item;

    for (size_t i = 0; (item = section_item(channel->values, "unit_text", i, NULL)); ++i)
        if (strcmp(item, unit) == 0)
            return true;
    return false;
}
